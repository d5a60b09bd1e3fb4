"""A scripted station whose steps go into a record, for tests of replay and explain without processes."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

from station_script import Station, base

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
        tree = deepcopy(base())
        if edit is not None:
            edit(tree)
        station = self.settings.station.model_copy(update={"data_dir": str(directory)})
        settings = self.settings.model_copy(update={"station": station})
        self.recorder = Recorder(
            settings, Clock(), settings_text=json.dumps(tree), settings_hash=self.hash, boot_id="boot-1"
        )
        self.recorder.start()
        self.snapshot()

    def wall_ns(self) -> int:
        return WALL_NS + self.now - START_NS

    def snapshot(self) -> None:
        mono_ns = self.state.mono_ns if self.state.mono_ns >= 0 else self.now
        self.recorder.put_snapshot(engine.checkpoint(self.state), mono_ns, self.wall_ns())

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
