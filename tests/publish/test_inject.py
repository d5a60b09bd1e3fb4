"""Injected values are published, marked and time-limited; the decision stays the very same object."""

from __future__ import annotations

from typing import Any

import pytest
from conftest_publish import Steps

from collector.clock import Clock
from collector.points import catalogue
from collector.publish.inject import INJECTED, MAX_MINUTES, Injections, injected, parse
from collector.settings.model import Settings


def test_replaces_only_the_named_value(station: Settings) -> None:
    outcome = Steps(station, Clock())()
    changed = injected(outcome, {"T1.hot_spot_c": 111.1})
    assert changed.values["T1.hot_spot_c"].value == 111.1
    assert str(changed.values["T1.hot_spot_c"].quality) == "good,substituted,test"
    assert changed.decision is outcome.decision
    assert changed.events is outcome.events
    assert {p for p in outcome.values if changed.values[p] != outcome.values[p]} == {"T1.hot_spot_c"}
    assert outcome.values["T1.hot_spot_c"].value != 111.1, "the outcome given is untouched"


def test_unknown_point_is_named(station: Settings) -> None:
    with pytest.raises(KeyError, match=r"T9\.hot_spot_c"):
        injected(Steps(station, Clock())(), {"T9.hot_spot_c": 1.0})


def test_runs_out(station: Settings) -> None:
    steps, standing = Steps(station, Clock()), Injections()
    start = steps().decision.mono_ns
    until = standing.set("T1.hot_spot_c", 99.0, start, 0.05)  # three seconds: two more steps
    assert until == start + 3_000_000_000
    seen = [standing.apply(steps()).values["T1.hot_spot_c"].quality == INJECTED for _ in range(4)]
    assert seen == [True, True, False, False]


def test_cleared_and_points_gone_after_a_reload(station: Settings) -> None:
    steps, standing = Steps(station, Clock()), Injections()
    standing.set("T1.hot_spot_c", 99.0, 0, 60.0)
    standing.set("T7.hot_spot_c", 99.0, steps.at_ns, 60.0)
    standing.clear("T1.hot_spot_c")
    outcome = steps()
    assert standing.apply(outcome) is outcome
    standing.clear()
    assert standing.active(0) == {}


@pytest.mark.parametrize("minutes", [0.0, -1.0, MAX_MINUTES + 1, float("nan"), float("inf")])
def test_always_limited(minutes: float) -> None:
    with pytest.raises(ValueError, match="at most 60 min"):
        Injections().set("T1.hot_spot_c", 1.0, 0, minutes)


@pytest.mark.parametrize(
    ("name", "text", "want"),
    [
        ("T1.hot_spot_c", "111.1", 111.1),
        ("T1.stage1.called", "on", True),
        ("T1.stage1.called", "0", False),
        ("T1.alarm_hot_spot_high", "unacknowledged", 1),
        ("T1.alarm_hot_spot_high", "2", 2),
        ("T1.mode", "3", 3),
    ],
)
def test_what_a_person_types(station: Settings, name: str, text: str, want: Any) -> None:
    point = next(p for p in catalogue(station) if p.id == name)
    value = parse(point, text)
    assert value == want
    assert type(value) is type(want)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("T1.hot_spot_c", "hot"),
        ("T1.hot_spot_c", "nan"),
        ("T1.stage1.called", "2"),
        ("T1.alarm_hot_spot_high", "7"),
        ("T1.mode", "1.5"),
        ("T1.hot_spot_c", "inf"),
    ],
)
def test_what_a_person_types_wrongly(station: Settings, name: str, text: str) -> None:
    point = next(p for p in catalogue(station) if p.id == name)
    with pytest.raises(ValueError, match=name):
        parse(point, text)
