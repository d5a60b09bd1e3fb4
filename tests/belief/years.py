"""Healthy units for years: how often is a reading doubted that is right?

Plants as `plant.draw` makes them, with weather, daily and weekly load, swings, tap changes and fans that
fail and
say so. `python tests/belief/years.py --years 30 --step 60` prints the count and its upper 95 % bound.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import re
import time
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from plant import DAY_S, Figures, Weather, draw
from rig import NS, Rig

from collector import engine
from collector.messages import Event, Inputs
from collector.settings.model import Settings

#: Alarms that say a reading is in doubt.
DOUBTS = (
    "oil_doubtful",
    "oil_drifts",
    "load_doubtful",
    "ambient_doubtful",
    "cold_oil_doubtful",
    "current_doubtful",
    "energised_doubtful",
    "feedback_stuck",
)


class Demand:
    """Load in pu: two daily peaks, weekends, a random walk over hours and now and then a switching step."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.mean = rng.uniform(0.35, 0.8)
        self.day = rng.uniform(0.1, 0.3)
        self.walk, self.step, self.until_s = 0.0, 0.0, 0.0

    def at(self, t_s: float, dt_s: float) -> float:
        hours = (t_s / 3600) % 24
        peaks = math.exp(-(((hours - 9) / 2.5) ** 2)) + 1.2 * math.exp(-(((hours - 19) / 3.0) ** 2)) - 0.5
        weekend = 0.8 if (t_s / DAY_S) % 7 >= 5 else 1.0
        share = dt_s / 7200
        self.walk += -self.walk * share + self.rng.gauss(0, 0.06) * math.sqrt(2 * share)
        if self.rng.random() < dt_s / (4 * DAY_S):  # a neighbour is out for some hours, or the feeder is
            self.step, self.until_s = self.rng.choice((0.35, 0.5, -1.0)), t_s + self.rng.uniform(1, 10) * 3600
        if t_s > self.until_s:
            self.step = 0.0
        level = (self.mean + self.day * peaks) * weekend + self.walk
        return max(0.0, 0.0 if self.step < 0 else min(1.35, level + self.step))


class Voltage:
    """What the tap changer makes up for: a daily swing and a walk over hours; one step at a time [steps]."""

    MOST = 8

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.mean, self.day, self.walk = rng.uniform(-4, 4), rng.uniform(0.5, 2.5), 0.0

    def tap(self, now: int, t_s: float, dt_s: float) -> int:
        share = dt_s / (3 * 3600)
        self.walk += -self.walk * share + self.rng.gauss(0, 1.2) * math.sqrt(2 * share)
        wanted = self.mean + self.day * math.sin(2 * math.pi * t_s / DAY_S) + self.walk
        if abs(wanted - now) < 0.8:  # the regulator's dead band
            return now
        return max(-self.MOST, min(self.MOST, now + (1 if wanted > now else -1)))


@dataclass
class Count:
    """What came of some plant-years. told: each doubt that was raised, in words."""

    years: float = 0.0
    doubts: int = 0
    told: list[str] = field(default_factory=list)

    @property
    def upper_per_year(self) -> float:
        """Upper 95 % bound of a Poisson rate: for 0 seen it is 3.0 over the years."""
        from scipy.stats import chi2

        return float(chi2.ppf(0.95, 2 * (self.doubts + 1)) / 2 / max(self.years, 1e-9))


def figures_and_weather(rng: random.Random) -> tuple[Figures, Weather]:
    weather = Weather(
        mean_c=rng.uniform(5, 18),
        day_k=rng.uniform(2, 6),
        front_k=rng.uniform(1, 4),
        season_k=rng.uniform(6, 12),
    )
    return draw(rng), weather


class Unit:
    """One healthy unit: its plant, its demand and voltage, and now and then a fan breaker that trips."""

    def __init__(self, seed: int, step_s: float, **kind: Any) -> None:
        self.seed, self.rng = seed, random.Random(seed)
        rng = self.rng
        figures, weather = figures_and_weather(rng)
        self.demand = Demand(rng)
        kind.setdefault("guide", rng.choice(("iec_60076_7", "ieee_c57_91")))
        kind.setdefault("ambient", rng.random() < 0.75)
        kind.setdefault("probes", rng.choice((1, 2)))
        kind.setdefault("sides", rng.choice((1, 2)))
        kind.setdefault("noise_k", rng.uniform(0.05, 0.4))
        self.voltage = Voltage(rng) if rng.random() < 0.65 else None
        # Where the position is not read, the settings' principal tapping stands for all.
        kind.setdefault("tap", self.voltage is not None and rng.random() < 0.75)
        self.kind = kind
        self.rig = Rig(figures, weather, step_s=step_s, seed=seed, load=self.demand.mean, **kind)
        self.rig.plant.t_s = rng.uniform(0, 365) * DAY_S
        self.broken_until_s = 0.0

    def live_on(self) -> None:
        r, rng = self.rig, self.rng
        t_s, step_s = r.plant.t_s, r.step_s
        r.load = self.demand.at(t_s, step_s)
        r.faults.pop("tap_position", None)
        if self.voltage is not None and (tap := self.voltage.tap(r.tap, t_s, step_s)) != r.tap:
            r.tap = tap
            if rng.random() < 0.1:  # between two contacts: nothing is read
                r.faults["tap_position"] = lambda _: None
        if rng.random() < step_s / (60 * DAY_S):  # a group's breaker trips, for some days
            stage = rng.choice(("stage1", "stage2", "stage3"))
            r.dead, self.broken_until_s = {stage}, t_s + rng.uniform(0.2, 4) * DAY_S
            r.faults = {f"{stage}.feedback": lambda _: 0.0}
        if r.dead and t_s > self.broken_until_s:
            r.dead, r.faults = set(), {}
        r.live_on()


class Station:
    """Healthy units side by side under one step, which costs far less than a step for each."""

    def __init__(self, units: list[Unit]) -> None:
        self.units = units
        first = units[0].rig
        self.now, self.step_s = first.now, first.step_s
        shape = deepcopy(first.shape)
        shape["transformers"] = []
        module = shape["devices"].pop()
        for n, unit in enumerate(units, 1):
            (one,) = deepcopy(unit.rig.shape["transformers"])
            for s in one["stages"]:  # a relay module for each: its proof waits for nobody else
                s["relay"]["device"] = f"relays{n}"
            shape["devices"].append(module | {"id": f"relays{n}", "number": 2 + n, "unit": 2 + n})
            shape["transformers"].append(one | {"id": f"T{n}", "number": n})
        plan = engine.build(Settings.model_validate_json(json.dumps(shape)), "years")
        self.plan = replace(plan, tell_values=False)
        self.state = engine.initial(self.plan)

    def cycle(self) -> list[tuple[Unit, Event]]:
        """One step of all; what happened to which."""
        self.now += round(self.step_s * NS)
        readings, relays = {}, {}
        for n, unit in enumerate(self.units, 1):
            unit.rig.now = self.now
            unit.live_on()
            readings |= {f"T{n}{name[2:]}": reading for name, reading in unit.rig.readings().items()}
            relays |= {f"T{n}{name[2:]}": status for name, status in unit.rig.relays().items()}
        given = Inputs(self.now, readings, relays, {}, (), settings_hash="years")
        self.state, out = engine.step(self.state, self.plan, given)
        energise = out.decision.energise
        for n, unit in enumerate(self.units, 1):
            mine = {name: energise.get(f"T{n}{name[2:]}", held) for name, held in unit.rig.coils.items()}
            unit.rig.obey(mine, f"relays{n}" in out.decision.leave_alone)
        numbers = {f"T{n}": unit for n, unit in enumerate(self.units, 1)}
        return [(u, e) for e in out.events if (u := numbers.get(e.subject.partition(".")[0])) is not None]


def healthy(seeds: Sequence[int], days: float, step_s: float, until: str = "", **kind: Any) -> Count:
    """Units for so long, or until that hour, side by side; every doubt in them is false."""
    station = Station([Unit(seed, step_s, **kind) for seed in seeds])
    count = Count()
    steps_a_day = round(DAY_S / step_s)
    for _ in range(math.ceil(days)):
        for _ in range(steps_a_day):
            for unit, e in station.cycle():
                raised = e.kind == "alarm" and e.data.get("active") and e.data.get("was") is None
                if raised and e.subject.split("alarm_")[-1] in DOUBTS:
                    count.doubts += 1
                    day = unit.rig.plant.t_s / DAY_S % 365
                    count.told.append(f"seed {unit.seed} day {day:.2f} {unit.kind}: {e.text}")
                    print(count.told[-1][:400], flush=True)
        count.years += len(seeds) / 365
        if over(until):
            break
    return count


def over(until: str) -> bool:
    return bool(until) and time.strftime("%H:%M", time.gmtime()) >= until


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=float, default=30.0)
    parser.add_argument("--each", type=float, default=365.0, help="days of each unit")
    parser.add_argument("--beside", type=int, default=10, help="units side by side")
    parser.add_argument("--step", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--until", default="", help="HH:MM, UTC: what has been seen by then is all")
    parser.add_argument("--write", type=Path)
    given = parser.parse_args()
    total, seed = Count(), given.seed
    while total.years < given.years - 1e-6 and not over(given.until):
        one = healthy(range(seed, seed + given.beside), given.each, given.step, given.until)
        total.years += one.years
        total.doubts += one.doubts
        seed += given.beside
        drawn = (
            f"{total.doubts} false doubts in {total.years:.2f} years of {seed - given.seed} healthy units at "
            f"{given.step:g} s steps: at most {total.upper_per_year:.2f} a transformer and year (upper 95 % "
            f"bound)."
        )
        print(drawn, flush=True)
    if given.write is not None:
        write(given.write, f"years at {given.step:g} s", drawn)


def write(path: Path, name: str, drawn: str) -> None:
    """Between the marks of that name in a document."""
    text = path.read_text("utf-8")
    marks = rf"(<!-- {re.escape(name)} -->\n).*?(<!-- end -->)"
    new, found = re.subn(marks, lambda m: f"{m[1]}{drawn}\n{m[2]}", text, flags=re.DOTALL)
    if not found:
        raise SystemExit(f"{path}: no <!-- {name} -->")
    path.write_text(new, "utf-8")


if __name__ == "__main__":
    main()
