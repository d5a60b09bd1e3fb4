"""A small invented station and its steps, for the tests of the record.

Nothing here comes from a real step: values are random walks, so that no codec is tested on kind data.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from collector.clock import Clock
from collector.messages import Command, Decision, Event, Health, Inputs, Outcome, RelayStatus, Value
from collector.points import Point, catalogue
from collector.quality import GOOD, Detail, Quality, Reading, Source, invalid, questionable
from collector.record.recorder import Recorder
from collector.settings.model import Settings

S = 10**9
T0 = 1_783_000_000 * S  # 2026-07-02T13:46:40Z


def settings(data_dir: Path, windings: int = 3, stages: int = 3, **record: Any) -> Settings:
    """A station with one transformer; keywords go into the record section."""
    register = {"device": "d1", "table": "input_register", "type": "int16"}
    coil = {"device": "d1", "table": "discrete_input", "type": "bool"}
    return Settings.model_validate_json(
        json.dumps(
            {
                "station": {"id": "TESTFIELD", "data_dir": str(data_dir)},
                "record": record,
                "links": [{"id": "l1", "type": "tcp", "host": "127.0.0.1"}],
                "devices": [{"id": "d1", "number": 1, "link": "l1"}],
                "transformers": [
                    {
                        "id": "T1",
                        "number": 1,
                        "paper": "kraft",
                        "normal_life_h": 180000.0,
                        "life_criterion": "test",
                        "top_oil": {**register, "address": 0},
                        "ambient": {**register, "address": 1},
                        "modes": [
                            {
                                "id": "ONAN",
                                "number": 1,
                                "cooling": "ONAN",
                                "top_oil_rise_k": 50.0,
                                "loss_ratio": 6.0,
                            }
                        ],
                        "windings": [
                            {
                                "id": f"W{n}",
                                "number": n,
                                "current": {**register, "address": 1 + n},
                                "modes": {"ONAN": {"gradient_k": 15.0, "rated_current_a": 100.0}},
                            }
                            for n in range(1, windings + 1)
                        ],
                        "stages": [
                            {
                                "id": f"stage{n}",
                                "number": n,
                                "relay": {"device": "d1", "coil": n},
                                "feedback": {**coil, "address": n},
                                "pickup": {"top_oil_c": 60.0},
                                "dropout": {"top_oil_c": 50.0},
                            }
                            for n in range(1, stages + 1)
                        ],
                    }
                ],
            }
        )
    )


@dataclass
class Walk:
    """Random steps of a station, the same ones for the same seed."""

    settings: Settings
    seed: int = 1
    mono_ns: int = 5000 * S
    wall_ns: int = T0
    cycle_ns: int = 2 * S

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)
        # text has no history
        self.points = tuple(p for p in catalogue(self.settings) if p.declared.type != "text")
        self.sequence = 0
        self.readings: dict[str, Reading] = {
            p.id: Reading(20.0, GOOD, self.mono_ns, "", "d1") for p in self.points if p.declared.measured
        }
        self.relays = {
            f"T1.{s.id}": RelayStatus(True, self.mono_ns) for s in self.settings.transformers[0].stages
        }
        self.energise = dict.fromkeys(self.relays, True)
        self.levels = {p.id: 20.0 for p in self.points}
        self.alarm = {p.id: 0 for p in self.points if p.declared.words}

    def steps(self, count: int) -> Iterator[tuple[Inputs, Outcome, int]]:
        for _ in range(count):
            yield self.step()

    def step(self, commands: tuple[Command, ...] = ()) -> tuple[Inputs, Outcome, int]:
        r = self.random
        self.sequence += 1
        self.mono_ns += self.cycle_ns + r.randrange(-3_000_000, 3_000_000)
        self.wall_ns += self.cycle_ns
        now = self.mono_ns
        readings = dict(self.readings)
        for name in r.sample(sorted(readings), k=len(readings) // 2):
            readings[name] = _reading(r, readings[name], now)
        relays = dict(self.relays)
        if r.random() < 0.3:
            name = r.choice(sorted(relays))
            relays[name] = RelayStatus(
                r.choice((True, False, None)), now - 5, r.random() < 0.9, reason=r.choice(("", "busy"))
            )
        if r.random() < 0.1:
            self.energise = {k: r.random() < 0.5 for k in self.energise}
        self.readings, self.relays = readings, relays
        health = Health(record_ok=r.random() < 0.95, clock_stepped_s=r.choice((0.0, 1.5)))
        devices = {"d1": r.choice(("", "", "no answer within 1.0 s"))}
        inputs = Inputs(now, readings, relays, devices, commands, health, self.sequence > 2, "hash-1")
        events: tuple[Event, ...] = ()
        if r.random() < 0.02:
            events = (
                Event(
                    now,
                    "stage",
                    "T1.stage1",
                    "called: top oil 61.2 °C above 60 °C",
                    {"limit": 60.0, "n": self.sequence},
                ),
            )
        outcome = Outcome(Decision(self.sequence, now, dict(self.energise)), self.values(), events)
        return inputs, outcome, self.wall_ns

    def values(self) -> dict[str, Value]:
        return {p.id: self._value(p) for p in self.points}

    def _value(self, p: Point) -> Value:
        r, kind = self.random, p.declared.type
        if kind == "enum":
            if r.random() < 0.005:
                self.alarm[p.id] = r.randrange(4)
            return Value(self.alarm[p.id], GOOD)
        if kind == "bool":
            return Value(self.levels[p.id] > 20.0, GOOD)
        if kind == "int":
            return Value(self.sequence // 50, GOOD)
        self.levels[p.id] += r.gauss(0.0, 0.02)
        if r.random() < 0.01:
            return Value(None, invalid(Detail.OLD_DATA))
        return Value(self.levels[p.id], GOOD if r.random() < 0.98 else questionable(Detail.INACCURATE))


def _reading(r: random.Random, was: Reading, now: int) -> Reading:
    what = r.random()
    if what < 0.2:
        return Reading(was.value, was.quality, now - 7, was.reason, was.source)
    if what < 0.25:
        return Reading(None, invalid(Detail.FAILURE), now - 3, "sentinel 0x7FFF", "d1")
    if what < 0.3:
        odd = r.choice((0.0, -0.0, 5e-324, 1.7976931348623157e308, math.inf, -math.inf, 0.1 + 0.2))
        return Reading(
            odd, Quality(source=Source.SUBSTITUTED, test=True), now, "injected \udcff \u00b0", "inject"
        )
    return Reading(r.gauss(60.0, 20.0), GOOD, now - r.randrange(10**9), "", "d1")


def recorder(s: Settings, rate: float = 1.0, boot: str = "boot-1") -> Recorder:
    return Recorder(
        s, Clock(rate), settings_text="station: {id: TESTFIELD}\n", settings_hash="hash-1", boot_id=boot
    )
