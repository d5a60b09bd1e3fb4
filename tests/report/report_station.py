"""An invented station for the tests of the report: weeks of one-minute steps put through the Recorder.

Its physics is a caricature on purpose: what the tests compare are sums and peaks of these very steps.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from collector.clock import Clock
from collector.messages import Decision, Event, Inputs, Outcome, Value
from collector.points import Point, catalogue
from collector.quality import GOOD, SUBSTITUTED, Detail, invalid, questionable
from collector.record.recorder import Recorder
from collector.settings import example, load_bytes
from collector.settings.model import Settings

S = 10**9
MINUTE = 60 * S
HOUR = 3600 * S
T0 = 1_783_555_200 * S  # 2026-07-09T00:00:00Z
WINDINGS = ("HV_A", "HV_B", "HV_C")
STAGES = ("stage1", "stage2", "stage3")
PICKUP_C, DROPOUT_C = (60.0, 70.0, 80.0), (50.0, 60.0, 70.0)
#: Ageing rates that the unmonitored hours are charged with, by winding.
ASSUMED = (1.8, 1.4, 1.2)
ASSUMED_QUALITY = questionable(Detail.INACCURATE)
ALARM = "T1.alarm_hot_spot_high"
ALARM_TEXT = "T1: the hot spot is above its high limit (%.1f °C, limit 110 °C); every stage is called."


@dataclass
class Step:
    """What was put: wall time [UTC ns] and every value."""

    wall_ns: int
    values: dict[str, Value]


@dataclass
class Told:
    """A record on disk and all that went into it."""

    path: Path
    settings: Settings
    hash: str
    steps: list[Step] = field(default_factory=list)


def station(
    directory: Path, change: Callable[[dict[str, Any]], None] | None = None
) -> tuple[Settings, str, str]:
    """Settings (three windings and three stages of the demo station), their text and hash."""
    tree = yaml.safe_load(example("demo.yaml").read_text(encoding="utf-8"))
    tree["station"]["data_dir"] = str(directory)
    tree["station"]["name"] = "Hollowbeck substation"
    tree["record"]["journal_days"] = 0.0
    t = tree["transformers"][0]
    t["windings"] = [{k: v for k, v in w.items() if k != "fibre_probe"} for w in t["windings"][:3]]
    if change is not None:
        change(tree)
    text = yaml.safe_dump(tree, sort_keys=False, allow_unicode=True)
    loaded = load_bytes(text.encode("utf-8"), "test")
    assert loaded.settings is not None, loaded.faults
    return loaded.settings, text, loaded.hash


@dataclass
class Weather:
    """Load and temperatures of the invented days, the same for the same seed."""

    seed: int
    load: float = 1.0
    oil: float = 45.0
    hot: list[float] = field(default_factory=lambda: [52.0, 53.0, 51.0])

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)
        self.drift = 0.0

    def minute(self, wall_ns: int, cooled: int) -> tuple[float, float, list[float], list[float]]:
        """(ambient, oil, loads, hot spots) after another minute with so many stages running."""
        day = (wall_ns - T0) / (24 * HOUR)
        hour = day % 1 * 24
        self.drift += self.random.gauss(0, 0.004) - 0.004 * self.drift
        weekend = 0.72 if int(day) % 7 in (2, 3) else 1.0
        ambient = 21 + 7 * math.sin((hour - 9) * math.pi / 12) + 4 * math.sin(day / 2.7) + 6 * self.drift
        shape = 0.62 + 0.3 * math.exp(-((hour - 18.5) ** 2) / 8) + 0.2 * math.exp(-((hour - 10) ** 2) / 12)
        base = self.load * weekend * shape * (1 + 0.2 * math.sin(day / 2.7)) + self.drift
        loads = [max(0.0, base * k + self.random.gauss(0, 0.004)) for k in (1.0, 1.03, 0.98)]
        goal = ambient + (60 - 7 * cooled) * (0.12 + 0.88 * base**2)
        self.oil += (goal - self.oil) / 150
        for n, load in enumerate(loads):
            self.hot[n] += (self.oil + 21 * load**1.3 - self.hot[n]) / 8
        return ambient, self.oil, loads, list(self.hot)


def kraft(hot_spot_c: float) -> float:
    """Relative ageing rate of kraft paper (IEC 60076-7): doubles every 6 K, 1 at 98 degC."""
    return float(2 ** ((hot_spot_c - 98) / 6))


def write(
    directory: Path,
    days: float = 3.0,
    *,
    seed: int = 7,
    load: float = 1.0,
    rate: float = 1.0,
    gap: tuple[float, float] | None = (30.0, 37.5),
    oil_lost: tuple[float, float] | None = (50.0, 52.25),
    keep: bool = True,
    change: Callable[[dict[str, Any]], None] | None = None,
) -> Told:
    """A record of so many days at one step a minute.

    load: scales it; 1.2 brings alarms. gap: hours from the start in which nothing ran; a new run follows.
    oil_lost: hours in which top oil is substituted and everything runs. keep: hold the steps in memory
    for the test to add up.
    """
    directory.mkdir(parents=True, exist_ok=True)
    settings, text, digest = station(directory, change)
    told = Told(directory / "record.sqlite", settings, digest)
    points = catalogue(settings)
    play = _Play(points, Weather(seed, load))
    first = recorder(settings, text, digest, rate, "boot-1")
    r = first
    for n in range(round(days * 24 * 60)):
        wall_ns = T0 + n * MINUTE
        hours = n / 60
        if gap and gap[0] <= hours < gap[1]:
            if r is first:
                assert first.stop(60.0)
                r = recorder(settings, text, digest, rate, "boot-2")
                play.restart(gap[1] - gap[0])
            continue
        lost = bool(oil_lost and oil_lost[0] <= hours < oil_lost[1])
        values, events = play.step(n, wall_ns, lost)
        mono_ns = 5000 * S + n * MINUTE
        r.put(Inputs(mono_ns, {}), Outcome(Decision(n, mono_ns, {}), values, events), wall_ns)
        if keep:
            told.steps.append(Step(wall_ns, values))
        if n % 1500 == 1499:
            assert r.flush(60.0)
    assert r.stop(60.0)
    return told


def recorder(settings: Settings, text: str, digest: str, rate: float, boot: str) -> Recorder:
    r = Recorder(settings, Clock(rate), settings_text=text, settings_hash=digest, boot_id=boot)
    r.start()
    return r


class _Play:
    """Turns the weather into the values and events of a step."""

    def __init__(self, points: tuple[Point, ...], weather: Weather) -> None:
        self.weather = weather
        self.idle = {p.id: Value(_idle(p), GOOD) for p in points if p.declared.type != "text"}
        self.called = [False] * 3
        self.starts, self.run_h = [0] * 3, [0.0] * 3
        self.life = [[0.0] * 3 for _ in WINDINGS]
        self.unmonitored_h = 0.0
        self.assumed = [0.0] * 3
        self.alarm = 0

    def restart(self, gap_h: float) -> None:
        self.unmonitored_h += gap_h
        self.assumed = [gap_h * rate for rate in ASSUMED]

    def step(self, n: int, wall_ns: int, lost: bool) -> tuple[dict[str, Value], tuple[Event, ...]]:
        ambient, oil, loads, hot = self.weather.minute(wall_ns, sum(self.called))
        q = SUBSTITUTED if lost else GOOD
        v = dict(self.idle)
        v["T1.ambient_c"] = Value(None, invalid(Detail.FAILURE)) if 700 <= n < 760 else Value(ambient, GOOD)
        v["T1.top_oil_c"] = Value(oil, q)
        v["T1.expected_oil_c"] = Value(oil - 1.5 + 0.5 * sum(self.called), GOOD)
        v["T1.effectiveness_k"] = Value(1.5 - 0.5 * sum(self.called), q)
        events: list[Event] = []
        highest = max(hot)
        for s, stage in enumerate(STAGES):
            was = self.called[s]
            self.called[s] = lost or oil > PICKUP_C[s] or (was and oil > DROPOUT_C[s]) or highest > 110
            if self.called[s] and not was:
                self.starts[s] += 1
            self.run_h[s] += self.called[s] / 60
            v[f"T1.{stage}.called"] = Value(self.called[s], GOOD)
            v[f"T1.{stage}.running"] = v[f"T1.{stage}.feedback"] = Value(self.called[s], GOOD)
            v[f"T1.{stage}.run_hours"] = Value(self.run_h[s], GOOD)
            v[f"T1.{stage}.starts"] = Value(self.starts[s], GOOD)
        for w, winding in enumerate(WINDINGS):
            name = f"T1.{winding}"
            for k, shift in enumerate((-6.5, 0.0, 6.5)):
                self.life[w][k] += kraft(hot[w] + shift) / 60
            v[f"{name}.hot_spot_c"] = Value(hot[w], q)
            v[f"{name}.hot_spot_uncertainty_k"] = Value(6.5, q)
            v[f"{name}.load_pu"] = Value(loads[w], GOOD)
            v[f"{name}.current_a"] = Value(loads[w] * 210, GOOD)
            for k, part in enumerate(("_low", "", "_high")):
                v[f"{name}.loss_of_life{part}_h"] = Value(self.life[w][k], GOOD)
            v[f"{name}.unmonitored_life_h"] = Value(self.assumed[w], ASSUMED_QUALITY)
        v["T1.hot_spot_c"] = Value(highest, q)
        v["T1.hottest_winding"] = Value(hot.index(highest) + 1, q)
        v["T1.load_pu"] = Value(max(loads), GOOD)
        v["T1.mode"] = Value(3 if all(self.called) else 2 if self.called[1] else 1, GOOD)
        v["T1.unmonitored_h"] = Value(self.unmonitored_h, GOOD)
        state = 1 if highest > 110 else 3 if self.alarm in (1, 3) else 0
        if state != self.alarm and state == 1:
            data = {"state": "unacknowledged", "active": True, "priority": "high", "order": 1}
            events.append(Event(wall_ns, "alarm", ALARM, ALARM_TEXT % highest + " To do: reduce load.", data))
        self.alarm = state
        v[ALARM] = Value(state, GOOD)
        return v, tuple(events)


def _idle(p: Point) -> float | int | bool | None:
    if p.declared.type == "bool":
        return p.declared.name not in ("interlock", "selector_manual")
    return 0 if p.declared.type in ("int", "enum") else 0.0
