"""The unmodified daemon against devices with any mix of bad habits, judged by the devices' own log.

Two minutes here, at fixed seeds and one that is drawn anew and printed; `WINDINGD_HABITS_S=3600` for an hour.
`PYTHONPATH=tests python -m habits.play --kind K --seed S` repeats one: the same habits, not the same
microseconds. The controls run at the same time: a mechanism is taken out, and the judge must turn red.
"""

from __future__ import annotations

import asyncio
import os
import random
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest

from habits.judge import Verdict, bound, judge
from habits.station import KINDS, Station, named, play

SECONDS = float(os.environ.get("WINDINGD_HABITS_S", "90"))
#: A station is set up anew so often in a long run: starts and releases an hour are bounded.
EPISODE_S, CONTROL_S = 90.0, 40.0
SEED = 20261125
PRODUCT = ("-m", "collector.commands.main")
HINDERED = (str(Path(__file__).parents[1] / "hindered.py"),)
#: What must have happened, else nothing was proven.
PREMISES = (
    "hot while held off",
    "forced releases",
    "stalls",
    "hold-offs written",
    "readings good in the journal",
    "values good at the SCADA port",
)


@dataclass(frozen=True)
class Control:
    """broken: a mechanism of tests/hindered.py. letter: the promise that the judge must then find broken."""

    broken: str
    letter: str
    kind: int
    habits: tuple[tuple[str, int], ...]


CONTROLS = (
    Control("obey", "a", 1, (("acknowledges writes, does nothing", 3),)),
    Control("one answer", "b", 2, (("stale frame in front", 1),)),
    Control("back-off", "c", 1, (("exception 0x0B", 2),)),
    Control("stall", "d", 1, (("hangs", 1), ("hangs", 2), ("the program stalls", 3))),
)


@dataclass
class Run:
    kind: int
    station: Station
    verdict: Verdict

    def __str__(self) -> str:
        head = f"--kind {self.kind} --seed {self.station.seed} ({self.station.kind.name})"
        worst = ", ".join(f"{what} {value:.1f}" for what, value in self.verdict.worst.items())
        told = [
            head,
            f"  bound {bound(self.station)}",
            f"  {dict(self.verdict.premises)}",
            f"  at most: {worst}",
        ]
        return "\n".join([*told, *self.verdict.lines()])


async def _random(kind: int, seed: int, directory: Path, after_s: float) -> Run:
    await asyncio.sleep(after_s)  # a dozen interpreters that start at once would only be slow together
    station = Station(KINDS[kind], seed, directory, PRODUCT)
    async with station:
        await play(station, min(EPISODE_S, SECONDS))
    return Run(kind, station, judge(station))


async def _control(control: Control, directory: Path, after_s: float) -> Run:
    await asyncio.sleep(after_s)
    station = Station(KINDS[control.kind], 1, directory, HINDERED, {"BREAK": control.broken})
    async with station:
        await play(station, CONTROL_S, named(*control.habits))
    return Run(control.kind, station, judge(station))


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Run], list[Run]]:
    """Every run at random, and every control."""
    place = tmp_path_factory.mktemp("habits")
    drawn = random.SystemRandom().randrange(1 << 31)
    print(f"\nseeds from {SEED} on, and {drawn}", file=sys.stderr)

    async def everything() -> tuple[list[Run], list[Run]]:
        controls = [
            asyncio.create_task(_control(control, place / f"control-{n}", 8.0 + n))
            for n, control in enumerate(CONTROLS)
        ]
        found: list[Run] = []
        for episode in range(max(1, round(SECONDS / EPISODE_S))):
            seeds = [(kind, SEED + 100 * episode + kind) for kind in range(len(KINDS))]
            seeds.append(((drawn + episode) % len(KINDS), drawn + episode))
            found += await asyncio.gather(
                *(
                    _random(kind, seed, place / f"{episode}-{kind}-{seed}", float(n))
                    for n, (kind, seed) in enumerate(seeds)
                )
            )
            print(*found[-len(seeds) :], sep="\n", file=sys.stderr)
        return found, list(await asyncio.gather(*controls))

    return asyncio.run(everything())


@pytest.mark.timeout(SECONDS + 300)
def test_habits_random(runs: tuple[list[Run], list[Run]]) -> None:
    """Every promise of the judge, and each of them put to the test."""
    broken = [str(run) for run in runs[0] if run.verdict.broken]
    assert not broken, "\n\n".join(broken)
    premises: Counter[str] = sum((run.verdict.premises for run in runs[0]), Counter())
    assert all(premises[what] for what in PREMISES), f"not put to the test: {dict(premises)}"


@pytest.mark.timeout(SECONDS + 300)
@pytest.mark.parametrize("number", range(len(CONTROLS)), ids=[f"without {c.broken}" for c in CONTROLS])
def test_habits_controls(runs: tuple[list[Run], list[Run]], number: int) -> None:
    control, run = CONTROLS[number], runs[1][number]
    letters = {one.letter for one in run.verdict.broken}
    assert control.letter in letters, f"the mechanism was taken out, yet the judge did not turn red: {run}"
