"""An earlier record that turns up while a run goes on: what it holds more is added, nothing falls.

The figures are compared with a second station that ran through the same time in one piece.
"""

from __future__ import annotations

import pytest
from station_script import NS, Station

from collector import engine

COUNTERS = ("HV_A.loss_of_life_h", "HV_B.loss_of_life_h", "stage1.run_hours", "stage1.starts")


def hot(seconds: float, oil: float = 64.0) -> Station:
    return Station(oil=oil, amps=180.0).run(seconds, 10.0)


def figures(s: Station) -> dict[str, float]:
    return {name: float(s.value(name)) for name in COUNTERS}


def peaks(s: Station) -> list[float | None]:
    t = s.state.transformers[0]
    return [t.hot_spot.value, t.top_oil.value, t.load.value]


def test_what_a_run_without_the_record_adds_comes_on_top() -> None:
    """A day on record, a restart that cannot read it, half an hour, then the record is there."""
    before = hot(24 * 3600.0, oil=72.0)
    saved, was = engine.checkpoint(before.state), figures(before)
    after = Station(oil=62.0, amps=150.0)
    after.now = before.now + 60 * NS
    began, began_ns = after.state, after.now
    after.run(1800, 10.0)
    added = figures(after)
    assert added["HV_A.loss_of_life_h"] < was["HV_A.loss_of_life_h"] / 10

    gap = engine.Gap(True, 60.0, began_ns)
    after.state, rose = engine.join(after.plan, after.state, began, saved, gap, peaks=True)
    highest = peaks(before)
    after.cycle()
    now = figures(after)
    for name in COUNTERS:
        assert now[name] >= was[name] + added[name] - 1e-9, name
        assert now[name] <= was[name] + added[name] + 0.02, name  # one more cycle
    assert peaks(after) == highest
    assert rose["T1.HV_A"][1] == pytest.approx(now["HV_A.loss_of_life_h"], abs=0.01)
    assert after.value("top_oil_c") == 62.0, "temperatures are this run's"


def test_joining_is_for_once_and_nothing_falls() -> None:
    """A record that this run went on from, or one with less in it, changes no figure."""
    run = hot(7200.0)
    run.restart(20.0, release=False)
    began, began_ns = run.state, run.now
    run.run(600, 10.0)
    was = figures(run)
    little = hot(600.0, oil=62.0)
    for data in (engine.checkpoint(began), engine.checkpoint(little.state)):
        gap = engine.Gap(False, 0.0, began_ns)
        joined, rose = engine.join(run.plan, run.state, began, data, gap, peaks=False)
        assert not rose
        assert joined.run_ns == run.state.run_ns
        assert joined.stages == run.state.stages
        assert joined.thermal is not None
        assert run.state.thermal is not None
        assert (joined.thermal.published_h == run.state.thermal.published_h).all()
        assert (joined.thermal.unmonitored_s == run.state.thermal.unmonitored_s).all()
    assert figures(run) == was


def test_before_the_first_step_and_damaged() -> None:
    before = hot(7200.0)
    fresh = Station()
    gap = engine.Gap(False, None, fresh.now)
    joined, rose = engine.join(
        fresh.plan, fresh.state, fresh.state, engine.checkpoint(before.state), gap, peaks=True
    )
    assert rose["T1.HV_A"][0] == 0.0
    assert joined.thermal is not None
    assert joined.run_ns == before.state.run_ns
    with pytest.raises(ValueError, match="cannot be read"):
        engine.join(fresh.plan, fresh.state, fresh.state, b"{", gap, peaks=True)
