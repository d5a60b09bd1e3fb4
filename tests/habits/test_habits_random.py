"""The unmodified daemon against devices with any mix of bad habits, judged by the devices' own log.

Two minutes here, at fixed seeds and one that is drawn anew and printed; `WINDINGD_HABITS_S=3600` for an hour.
`PYTHONPATH=tests python -m habits.play --kind K --seed S` repeats one: the same habits, not the same
microseconds.
"""

from __future__ import annotations

import asyncio
import os
import random
import sys
from pathlib import Path

import pytest

from habits.judge import Verdict, bound, judge
from habits.station import KINDS, Station, play

SECONDS = float(os.environ.get("WINDINGD_HABITS_S", "105"))
#: A station is set up anew so often in a long run: starts and releases an hour are bounded.
EPISODE_S = 105.0
SEED = 20261125
DAEMON = ("-m", "collector.commands.main")
#: What must have happened, else nothing was proven.
PREMISES = (
    "hot while held off",
    "forced releases",
    "stalls",
    "hold-offs written",
    "readings good in the journal",
    "values good at the SCADA port",
)


async def run(kind: int, seed: int, directory: Path) -> tuple[Station, Verdict]:
    station = Station(KINDS[kind], seed, directory, DAEMON)
    async with station:
        await play(station, min(EPISODE_S, SECONDS))
    return station, judge(station)


def told(station: Station, kind: int, verdict: Verdict) -> str:
    head = f"--kind {kind} --seed {station.seed} ({station.kind.name}; bound {bound(station)})"
    worst = ", ".join(f"{what} {value:.1f}" for what, value in verdict.worst.items())
    return "\n".join([head, f"  {dict(verdict.premises)}", f"  at most: {worst}", *verdict.lines()])


@pytest.mark.timeout(SECONDS + 300)
async def test_habits_random(tmp_path: Path) -> None:
    drawn = random.SystemRandom().randrange(1 << 31)
    print(f"\nseeds {SEED} ... and {drawn}", file=sys.stderr)
    broken: list[str] = []
    premises = Verdict().premises
    for episode in range(max(1, round(SECONDS / EPISODE_S))):
        seeds = [(kind, SEED + 100 * episode + kind) for kind in range(len(KINDS))]
        seeds.append(((drawn + episode) % len(KINDS), drawn + episode))
        runs = await asyncio.gather(
            *(run(kind, seed, tmp_path / f"{episode}-{kind}-{seed}") for kind, seed in seeds)
        )
        for (kind, _), (station, verdict) in zip(seeds, runs, strict=True):
            print(told(station, kind, verdict), file=sys.stderr)
            premises += verdict.premises
            if verdict.broken:
                broken.append(told(station, kind, verdict))
    assert not broken, "\n\n".join(broken)
    assert all(premises[what] for what in PREMISES), f"not put to the test: {dict(premises)}"
