"""Writes fixtures/NAME: what a tree's daemon would have left on disk, and how that tree went on from it.

    cd OLD_TREE && PYTHONPATH=.:NEW_TREE/tests/corpus python NEW_TREE/tests/migration/write_fixture.py NAME

Made once, by the tree that NAME says, before what came after it was changed; never again. 1696014 is the
commit of that name. In a fixture: station.yaml; record.sqlite.xz and checkpoint.json.xz, the data directory
after an orderly stop; told.json.xz, the values of the last step before it; and for each kind of restart
after-KIND.xz: its gap, then the inputs that followed with what was decided, as the corpus keeps it.
"""

from __future__ import annotations

import copy
import json
import lzma
import sys
import tempfile
from pathlib import Path
from typing import Any

import corpus
from world import NS, Fault, World

import collector
from collector import engine
from collector.clock import Clock
from collector.messages import Command, Inputs, Outcome
from collector.record.journal import Encoder
from collector.record.recorder import Recorder
from collector.settings import load

HERE = Path(__file__).parent
CYCLE_S = 12.0
#: kind -> (same boot, seconds away, known)
GAPS = {"same-boot": (True, 20.0, True), "reboot": (False, 1800.0, True), "unknown": (False, 600.0, False)}


class Story:
    """One station under the step, told what happens; every step goes into the record."""

    def __init__(self, station: Path, data_dir: Path) -> None:
        loaded = load(station)
        assert loaded.settings is not None, loaded.faults
        self.settings, self.hash = loaded.settings, loaded.hash
        self.world = World(loaded.settings, loaded.settings, 5)
        self.plan = engine.build(loaded.settings, loaded.hash)
        self.state = engine.initial(self.plan)
        self.outcome: Outcome | None = None
        place = loaded.settings.station.model_copy(update={"data_dir": str(data_dir)})
        self.recorder = Recorder(
            loaded.settings.model_copy(update={"station": place}),
            Clock(),
            settings_text=station.read_text(encoding="utf-8"),
            settings_hash=loaded.hash,
            boot_id="boot-1",
        )
        self.recorder.start()
        self.number = 0

    def wall_ns(self) -> int:
        return self.world.now + self.world.wall_ns

    def inputs(self, *commands: Command, cycle_s: float = CYCLE_S) -> Inputs:
        w = self.world
        w.now += round(cycle_s * NS)
        w.move(cycle_s)
        w.faults = {k: f for k, f in w.faults.items() if f.until_ns > w.now}
        self.number += 1
        return Inputs(
            w.now, w.readings(), w.relays(), w.devices(), commands, w.health, self.number > 2, self.hash
        )

    def run(self, steps: int, *commands: Command) -> None:
        for n in range(steps):
            given = self.inputs(*(commands if n == 0 else ()))
            self.state, self.outcome = engine.step(self.state, self.plan, given)
            self.recorder.put(given, self.outcome, self.wall_ns())
            self.world.follow(self.outcome.decision)
            if n % 50 == 0:
                assert self.recorder.flush(30.0)

    def breaks(self, subject: str, kind: str, hours: float = 9.0) -> None:
        key = subject if kind in ("failure", "range", "other") else f"{subject} {kind}"
        self.world.faults[key] = Fault(kind, self.world.now + round(hours * 3600 * NS), self.world.now)


def happen(s: Story) -> None:
    """An hour after which everything that a restart must keep is under way."""
    w = s.world
    w.load.update(T1=0.9, T2=0.6)
    w.move = _steady(w)  # type: ignore[method-assign]
    s.run(16)
    w.theme = (74.0, 200.0)  # stages come in, run, and go
    s.run(64)
    w.theme = (45.0, 300.0)
    s.run(80)
    w.theme = (118.0, 250.0)  # alarms, and the peaks
    s.run(44)
    w.theme = (52.0, 300.0)
    s.run(36, Command("a", "acknowledge", "T1.alarm_top_oil_high", "operator"))
    s.breaks("T2.top_oil_c", "failure")  # the estimate's time begins
    s.breaks("T1.fans2", "contactor")
    s.breaks("T1.bottom_oil_c", "failure")
    s.run(30, Command("e", "expect_load", "T1", "operator", value=1.2, after_min=50.0, minutes=90.0))
    s.run(4, Command("s", "shelve", "T2.alarm_top_oil_lost", "operator", minutes=25.0))
    s.run(4, Command("o", "out_of_service", "T1.alarm_effectiveness_low", "operator"))
    s.run(4, Command("u", "substitute", "T2.top_oil_c", "operator", value=55.0, minutes=30.0))
    s.run(4, Command("f", "force_on", "T1.fans3", "operator", minutes=40.0))
    s.run(4, Command("h", "hold_off", "T1.fans1", "operator", minutes=30.0))


def _steady(w: World) -> Any:
    """The load stays what it is told to be."""
    move = World.move

    def moved(dt: float) -> None:
        kept = dict(w.load)
        move(w, dt)
        w.load.update(kept)

    return moved


def go_on(s: Story, kind: str, data: bytes) -> list[Any]:
    """Rows of after-KIND: the gap, then each step's inputs and what this tree did."""
    same_boot, gap_s, known = GAPS[kind]
    s = copy.copy(s)
    s.world = copy.deepcopy(s.world)
    s.world.move = _steady(s.world)  # type: ignore[method-assign]
    w = s.world
    w.now += round(gap_s * NS)
    if not same_boot:
        w.wall_ns += w.now - 5 * 10**13
        shift = w.now - 5 * 10**13
        w.now = 5 * 10**13
        for fault in w.faults.values():
            fault.since_ns, fault.until_ns = fault.since_ns - shift, fault.until_ns - shift
    w.coils = dict.fromkeys(w.coils, False)
    w.read, w.polled_ns, w.alone = {}, {}, {}
    gap = engine.Gap(same_boot, gap_s if known else None, w.now)
    state = engine.restore(s.plan, data, gap)
    s.number = 0
    encoder = Encoder()
    rows: list[Any] = []
    found = []
    for n in range(90):
        given = s.inputs(cycle_s=CYCLE_S if n < 40 else 55.0)
        state, outcome = engine.step(state, s.plan, given)
        w.follow(outcome.decision)
        key, frame = encoder.encode(given, outcome.decision, "", s.wall_ns())
        rows.append({"key": key, "frame": json.loads(frame)})
        found.append(corpus.facts(corpus.Done(n + 1, given, state, outcome)))
    made, *expected = corpus.packed(found)
    head = {"gap": [gap.same_boot, gap.gap_s, gap.mono_ns], "made": made, "hash": s.hash}
    return [head, *([row, fact] for row, fact in zip(rows, expected, strict=True))]


def main() -> None:
    target = HERE / "fixtures" / sys.argv[1]
    if target.exists():
        raise SystemExit(f"{target} exists: what an old tree left stays as it is")
    print("made by", collector.__file__)
    target.mkdir()
    station = target / "station.yaml"
    station.write_text((Path(corpus.__file__).parent / "stations" / "plain.yaml").read_text("utf-8"), "utf-8")
    with tempfile.TemporaryDirectory() as place:
        s = Story(station, Path(place))
        happen(s)
        assert s.outcome is not None
        data = engine.checkpoint(s.state)
        s.recorder.put_snapshot(data, s.state.mono_ns, s.wall_ns())
        s.recorder.put_checkpoint(data, s.state.mono_ns, s.wall_ns())
        assert s.recorder.stop(60.0)
        for name in ("record.sqlite", "checkpoint.json"):
            (target / f"{name}.xz").write_bytes(lzma.compress((Path(place) / name).read_bytes(), preset=9))
        told = {k: [v.value, v.quality.bits] for k, v in s.outcome.values.items()}
        text = json.dumps(told, default=lambda v: v.item())
        (target / "told.json.xz").write_bytes(lzma.compress(text.encode(), preset=9))
        for kind in GAPS:
            corpus._write(target / f"after-{kind}.xz", go_on(s, kind, data))


if __name__ == "__main__":
    main()
