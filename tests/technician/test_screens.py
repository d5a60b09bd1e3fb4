"""What is on the screen: nothing cut off or wrapped at 80 and 120 columns, true words, any state."""

from __future__ import annotations

import io
from dataclasses import asdict
from functools import cache
from typing import Any

import pytest
from rich.console import Console

from collector import engine
from collector.messages import Command, Inputs, Outcome
from collector.quality import GOOD, Detail, Reading, invalid
from collector.settings import example, load
from collector.settings.model import Settings
from collector.technician import live, tables
from collector.view import render

NS = 10**9
COLUMNS = ("HV_", "LV_", "top oil", "stage1  ", "stage2  ", "stage3  ", "winding")


@cache
def settings() -> Settings:
    """The demo station; its oil may jump here, the check for that has tests of its own."""
    found = load(example("demo.yaml")).settings
    assert found is not None
    t = found.transformers[0]
    opened = t.model_copy(update={"top_oil": t.top_oil.model_copy(update={"max_rate_k_per_min": 1e6})})
    return found.model_copy(update={"transformers": (opened,)})


class Stepped:
    """The demo station under the step, without a field: `oil`, `amps` and contacts are set."""

    def __init__(self) -> None:
        self.plan = engine.build(settings(), assume_running_as_called=True)
        self.state = engine.initial(self.plan)
        self.outcome: Outcome | None = None
        self.now, self.oil, self.amps = 10**15, 40.0, 60.0
        self.broken = False
        self.extra: dict[str, float] = {}

    def step(self, seconds: float = 2.0, *commands: Command) -> None:
        self.now += round(seconds * NS)
        readings = {f"T1.HV_{p}.current_a": Reading(self.amps, GOOD, self.now) for p in "ABC"}
        bad = Reading(None, invalid(Detail.FAILURE), self.now, "sentinel 0x7FFF")
        readings["T1.top_oil_c"] = bad if self.broken else Reading(self.oil, GOOD, self.now)
        readings |= {i: Reading(v, GOOD, self.now) for i, v in self.extra.items()}
        inputs = Inputs(self.now, readings, commands=commands)
        self.state, self.outcome = engine.step(self.state, self.plan, inputs)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds / 2)):
            self.step()

    def stage(self, number: int = 1) -> live.StageView:
        return live.stage_views(self.state, self.plan, self.outcome)[number - 1]

    def status(self) -> dict[str, Any]:
        assert self.outcome is not None
        return {
            "wall_ns": 1_784_000_000 * NS, "rate": 1.0, "devices": {"oil_tx": "no answer"}, "injected": [],
            "values": {p: [v.value, str(v.quality)] for p, v in self.outcome.values.items()},
            "stages": [asdict(s) for s in live.stage_views(self.state, self.plan, self.outcome)],
            "alarms": [asdict(a) for a in live.alarm_views(self.state, self.plan)],
            "events": [{"wall_ns": 0, "kind": "x", "subject": "y", "text": "a long event " * 12}] * 9,
        }  # fmt: skip


def command(kind: Any, target: str, minutes: float | None = None) -> Command:
    return Command("1", kind, target, "ada", minutes=minutes)


def test_a_stage_says_why_it_is_as_it_is_and_how_long() -> None:
    s = Stepped()
    s.run(10)
    assert s.stage().why.startswith("not called: top oil 40.0 °C (pickup 60), hot spot ")
    s.oil = 61.0
    s.run(12)
    assert (s.stage().call, s.stage().why) == ("pickup delay", "top oil 61.0 °C (pickup 60)")
    assert dict(s.stage().waits) == {"pickup delay": 20.0}
    s.run(24)
    assert (s.stage().called, s.stage().why) == (True, "top oil 61.0 °C (pickup 60)")
    s.oil = 55.0
    s.run(4)
    assert s.stage().why == "not yet below dropout: top oil 55.0 °C (dropout 50)"
    s.oil = 45.0
    s.run(60)
    assert s.stage().why == "below dropout, but the minimum run is not over"
    left = dict(s.stage().waits)["minimum run"]
    assert left is not None
    assert 500 < left < 600


def test_operators_doings_and_lost_inputs_are_said() -> None:
    s = Stepped()
    s.run(10)
    s.step(2.0, command("hold_off", "T1.stage2", 10.0))
    assert (s.stage(2).why, dict(s.stage(2).waits)) == ("held off by hand", {"held off by hand": 600.0})
    s.step(2.0, command("force_on", "T1.stage3"))
    assert s.stage(3).why == "forced on by hand"
    assert dict(s.stage(3).waits)["forced on"] is None
    s.broken = True
    s.run(60)
    assert s.stage(1).why == "T1.top_oil_c is lost: sentinel 0x7FFF"
    s.broken = False
    s.run(20)
    assert s.stage(1).called
    assert s.stage(1).why in (
        "what was lost is back, but not long enough to be trusted",
        "T1.top_oil_c is lost: sentinel 0x7FFF",
    )
    s.oil = 96.0
    s.step(600.0)
    assert s.stage(1).why.startswith("top oil 96.0 °C (alarm 95)")


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("height", [24, 40, None])
def test_no_line_is_longer_than_the_screen_and_no_number_is_cut(width: int, height: int | None) -> None:
    for oil, broken in ((40.0, False), (130.0, False), (61.0, True)):
        s = Stepped()
        s.oil, s.amps = oil, 200.0
        s.run(60)
        s.broken = broken
        s.run(60)
        for picture in (
            render(settings(), s.status(), height=height),
            tables.live_picture(settings(), s.status()),
            tables.alarms_picture(settings(), s.status()),
        ):
            out = io.StringIO()
            Console(file=out, width=width, force_terminal=False).print(picture)
            lines = out.getvalue().splitlines()
            assert max(map(len, lines)) <= width
            if picture.__class__.__name__ == "_Picture" and height is not None:
                assert len(lines) <= height
            # What may end in dots is a sentence; a value's own columns never do.
            assert not [line for line in lines if "…" in line and line.lstrip("│ ").startswith(COLUMNS)]


def test_alarms_are_told_in_full() -> None:
    s = Stepped()
    s.run(10)
    s.broken = True
    s.run(60)
    out = io.StringIO()
    Console(file=out, width=100).print(tables.alarms_picture(settings(), s.status()))
    text = " ".join(out.getvalue().split())
    for words in (
        "T1.top_oil_lost",
        "first-out",
        "wrong",
        "every stage of this transformer runs",
        "to do",
        "respond within",
    ):
        assert words in text, words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.2, "0 s"),
        (45, "45 s"),
        (60, "1 min"),
        (250, "4 min 10 s"),
        (7500, "2 h 5 min"),
        (273600, "3 d 4 h"),
    ],
)
def test_durations(seconds: float, words: str) -> None:
    assert tables.span(seconds) == words
