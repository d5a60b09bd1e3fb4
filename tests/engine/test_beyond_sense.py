"""A value that the thermal model would not take must not count for control either: it is a lost input."""

from __future__ import annotations

import pytest
from station_script import Station

from collector.control import layout


def after(name: str, value: float) -> Station:
    s = Station().run(20)
    s.values[name] = value
    return s.run(20)


BEYOND = [("top_oil_c", -273.0, "top_oil_lost"), ("HV_A.current_a", 1e5, "HV_A.current_lost")]


@pytest.mark.parametrize(("name", "value", "alarm"), BEYOND)
def test_it_is_lost_and_every_stage_runs(name: str, value: float, alarm: str) -> None:
    s = after(name, value)
    assert s.called(1, 2, 3)
    assert s.alarm(alarm) == "unacknowledged"
    assert s.told("is no possible value")


def test_an_impossible_ambient_is_lost_and_changes_no_cooling() -> None:
    s = after("ambient_c", 200.0)
    assert s.called()
    assert s.alarm("ambient_lost") == "unacknowledged"


@pytest.mark.parametrize(("name", "value", "alarm"), BEYOND)
def test_control_without_the_check_it_would_count(
    name: str, value: float, alarm: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(layout, "_sense", lambda m, settings: (-1e9, 1e9))
    assert after(name, value).called()
