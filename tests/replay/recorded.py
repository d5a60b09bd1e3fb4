"""A scripted station whose steps go into a record, for tests of replay and explain without processes."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

from station_script import NS, Station, base

from collector import engine
from collector.clock import Clock
from collector.messages import Command, Inputs, Outcome
from collector.record.recorder import Recorder

#: Wall time of the station's first moment: 2026-07-14T12:00:00Z.
WALL_NS = 1_784_030_400 * 10**9
START_NS = 10**15


class Recorded(Station):
    """As Station; every step is journalled. `close` gives the record's path."""

    def __init__(
        self, directory: Path, edit: Callable[[dict[str, Any]], object] | None = None, **more: Any
    ) -> None:
        super().__init__(edit, **more)
        self.plan = engine.build(self.settings, self.hash, permissible_loading=True)  # as the daemon's
        self.state = engine.initial(self.plan)
        self.tree = deepcopy(base())
        if edit is not None:
            edit(self.tree)
        self.directory = directory
        self.recorder = self.opened("boot-1")
        self.recorder.start()
        self.snapshot()

    def opened(self, boot: str) -> Recorder:
        station = self.settings.station.model_copy(update={"data_dir": str(self.directory)})
        settings = self.settings.model_copy(update={"station": station})
        text = json.dumps(self.tree)
        return Recorder(settings, Clock(), settings_text=text, settings_hash=self.hash, boot_id=boot)

    def wall_ns(self) -> int:
        return WALL_NS + self.now - START_NS

    def snapshot(self) -> None:
        mono_ns = self.state.mono_ns if self.state.mono_ns >= 0 else self.now
        self.recorder.put_snapshot(engine.checkpoint(self.state), mono_ns, self.wall_ns())

    def checkpoint(self) -> None:
        data = engine.checkpoint(self.state)
        self.recorder.put_checkpoint(data, self.state.mono_ns, self.wall_ns())

    def restart(self, gap_s: float = 20.0, *, same_boot: bool = True, release: bool = True) -> Recorded:
        """The program dies and comes back on the newest checkpoint in its record, as the daemon does."""
        assert self.recorder.stop(20.0)
        self.now += round(gap_s * NS)
        if release:
            self.coils = dict.fromkeys(self.coils, False)
        self.recorder = self.opened("boot-1" if same_boot else "boot-2")
        found = self.recorder.load_checkpoint()
        assert found is not None
        self.recorder.start()
        away_s = (self.now - found.mono_ns) / NS
        self.state = engine.restore(self.plan, found.data, engine.Gap(same_boot, away_s, self.now))
        self.recorder.put_restart(found, same_boot, away_s, self.now, self.wall_ns())
        self.snapshot()
        return self

    def inputs(self, commands: tuple[Command, ...] = ()) -> Inputs:
        self.given = super().inputs(commands)
        return self.given

    def cycle(self, seconds: float = 2.0, *commands: Command) -> Outcome:
        outcome = super().cycle(seconds, *commands)
        self.recorder.put(self.given, outcome, self.wall_ns())
        return outcome

    def close(self) -> Path:
        assert self.recorder.stop(20.0)
        return self.recorder.path
