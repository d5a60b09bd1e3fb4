"""Random plants, random faults, random times: how hot does the true winding get with cooling held off?

`python tests/belief/cases.py --cases 5000 --write docs/doubts.md` makes the table of that page; `--seed`
repeats one.
"""

from __future__ import annotations

import argparse
import random
from collections.abc import Callable
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from statistics import median

from plant import Weather, draw
from rig import Rig
from years import DOUBTS, over, write

#: True hot spot above its high limit with a stage held off: at most so long [s].
STATED_S = 600.0
#: Every alarm by which a person learns of the fault.
TOLD = (
    *DOUBTS,
    "top_oil_lost",
    "current_lost",
    "no_feedback",
    "effectiveness_low",
    "cooling_insufficient",
)


def _currents(r: Rig, by: Callable[[float], float], *windings: str) -> None:
    for w in windings or ("HV_A", "HV_B", "HV_C"):
        r.faults[f"{w}.current_a"] = by


def _oil(r: Rig, by: Callable[[float], float]) -> None:
    """One probe or both: what is wrong with the first is wrong with the second in every other unit."""
    r.faults["top_oil_c"] = by
    if r.rng.random() < 0.5:
        r.faults["top_oil_2_c"] = by


def low_step(r: Rig) -> None:
    by = r.rng.uniform(10, 40)
    _oil(r, lambda v: v - by)


def low_drift(r: Rig) -> None:
    begun_s, rate, most = r.plant.t_s, r.rng.uniform(3, 30), r.rng.uniform(12, 40)
    _oil(r, lambda v: v - min(most, rate * (r.plant.t_s - begun_s) / 3600))


def out_of_pocket(r: Rig) -> None:
    begun_s, seconds, was = r.plant.t_s, r.rng.uniform(30, 600), r.plant.oil_c

    def in_air(_: float) -> float:
        return was + (r.plant.ambient_c - was) * min(1.0, (r.plant.t_s - begun_s) / seconds)

    _oil(r, in_air)


def oil_frozen(r: Rig) -> None:
    at, noise = r.plant.oil_c, r.rng.choice((0.0, 0.15))
    _oil(r, lambda _: at + r.rng.gauss(0, noise))


def ambient_high(r: Rig) -> None:
    by = r.rng.uniform(15, 30)
    r.faults["ambient_c"] = lambda v: v + by


def currents_low(r: Rig) -> None:
    by = r.rng.choice((0.2, 1 / 3**0.5, 0.0))
    _currents(r, lambda v: v * by)


def currents_frozen(r: Rig) -> None:
    at = 300.0 * r.load
    _currents(r, lambda _: at + r.rng.gauss(0, 0.4))


def phase_half(r: Rig) -> None:
    _currents(r, lambda v: v * 0.5, "HV_B")


def motors_dead(r: Rig) -> None:
    r.dead = {"stage1", "stage2", "stage3"}


def feedback_stuck(r: Rig) -> None:
    motors_dead(r)
    for s in r.dead:
        r.faults[f"{s}.feedback"] = lambda _: 1.0


FAULTS: dict[str, tuple[str, Callable[[Rig], None]]] = {
    "low_step": ("oil reads 10 to 40 K low at once", low_step),
    "low_drift": ("oil drifts 12 to 40 K low, 3 to 30 K/h", low_drift),
    "out_of_pocket": ("oil probe falls out of its pocket", out_of_pocket),
    "oil_frozen": ("oil reading stands still, with and without noise", oil_frozen),
    "ambient_high": ("ambient reads 15 to 30 K high", ambient_high),
    "currents_low": ("all currents at 0, 0.2 or 0.58 of the true ones", currents_low),
    "currents_frozen": ("all currents stand still", currents_frozen),
    "phase_half": ("one phase at half", phase_half),
    "motors_dead": ("no motor turns, contactors follow", motors_dead),
    "feedback_stuck": ("no motor turns, feedback always 1", feedback_stuck),
}


@dataclass(frozen=True)
class Case:
    """What came of one: hours until it was told (None: not within the run) and the plant's truth."""

    fault: str
    told_h: float | None
    inhibited_s: float
    hottest_c: float
    kind: str


def run(seed: int, hours: float = 8.0, step_s: float = 60.0) -> Case:
    rng = random.Random(seed)
    fault = rng.choice(sorted(FAULTS))
    kind = {
        "guide": rng.choice(("iec_60076_7", "ieee_c57_91")),
        "ambient": fault == "ambient_high" or rng.random() < 0.7,
        "probes": rng.choice((1, 2)),
        "sides": rng.choice((1, 2)),
    }
    weather = Weather(mean_c=rng.uniform(0, 32), day_k=rng.uniform(0, 6), front_k=rng.uniform(0, 2))
    before, after = rng.uniform(0.3, 1.0), rng.uniform(0.4, 1.35)
    groups = 0 if before < 0.6 else 2 if before < 0.9 else 3
    r = Rig(draw(rng), weather, load=before, groups=groups, step_s=step_s, seed=seed, **kind)
    r.plant.t_s = rng.uniform(0, 86_400)
    r.run(1.0)
    r.worst_inhibited_s, r.worst_hot_spot_c = 0.0, -100.0
    standing = set(r.alarms())
    FAULTS[fault][1](r)
    later_h = rng.uniform(0, 1.5)
    told_h = None
    for i in range(round(hours * 3600 / step_s)):
        if i * step_s >= later_h * 3600:
            r.load = after
        r.cycle()
        if told_h is None and any(a.rpartition(".")[2] in TOLD for a in r.alarms() if a not in standing):
            told_h = (i + 1) * step_s / 3600
    return Case(fault, told_h, r.worst_inhibited_s, r.worst_hot_spot_c, f"{kind} {before:.2f}->{after:.2f}")


def table(cases: list[Case]) -> str:
    lines = [
        "| fault | cases | told | delay, median / 95 % (of fewer than 20: longest) [h] "
        "| longest above the limit while held off [s] |",
        "|---|---|---|---|---|",
    ]
    for name, (words, _) in FAULTS.items():
        mine = [c for c in cases if c.fault == name]
        if not mine:
            continue
        told = sorted(c.told_h for c in mine if c.told_h is not None)
        delay = f"{median(told):.1f} / {told[ceil(0.95 * len(told)) - 1]:.1f}" if told else "-"
        longest = max(c.inhibited_s for c in mine)
        lines.append(f"| {words} | {len(mine)} | {len(told)} | {delay} | {longest:.0f} |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--step", type=float, default=60.0)
    parser.add_argument("--until", default="", help="HH:MM, UTC: what has been run by then is all")
    parser.add_argument("--write", type=Path)
    given = parser.parse_args()
    cases = []
    for seed in range(given.seed, given.seed + given.cases):
        cases.append(run(seed, step_s=given.step))
        if cases[-1].inhibited_s > STATED_S:
            print(f"seed {seed}: {cases[-1]}", flush=True)
        if over(given.until):
            break
    late = sum(c.inhibited_s > STATED_S for c in cases)
    drawn = (
        f"{len(cases)} cases of 8 h at {given.step:g} s steps. True hot spot above its high limit with a "
        f"stage held off for longer than {STATED_S:g} s: {late} of them.\n\n{table(cases)}"
    )
    print(drawn)
    if given.write is not None:
        write(given.write, "cases", drawn)


if __name__ == "__main__":
    main()
