"""What may count twice or go on by itself: one sensor behind two trip criteria, a trip delay over a restart,
a feedback that comes or goes with new settings."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from station_script import Bad, Station

from collector.control import alarms, relays, saved, trip


def tripping(tree: Any) -> None:
    t = tree["transformers"][0]
    probe = {"device": "oil_tx", "table": "input_register", "type": "int16", "scale": 0.1, "address": 5}
    t["top_oil"]["redundant"] = probe
    t["trip"] = {"enabled": True, "relay": {"device": "cabinet", "coil": 1}, "delay_s": 60.0}


def without_feedback(tree: Any) -> None:
    for stage in tree["transformers"][0]["stages"]:
        del stage["feedback"]


def trips(s: Station) -> bool:
    assert s.outcome is not None
    return s.outcome.decision.energise["T1.trip"]


def hot_on_one_probe() -> Station:
    """The main probe is lost; the second one, and the hot spot that is calculated from it, are too high."""
    s = Station(tripping).run(20)
    s.set(oil=Bad(), top_oil_2_c=150.0, amps=400.0).run(40_000, 60.0)
    assert s.value("HV_A.hot_spot_c") > 160.0
    assert s.quality("HV_A.hot_spot_c").is_good
    return s


def test_one_oil_probe_and_the_hot_spot_calculated_from_it_never_trip() -> None:
    assert not trips(hot_on_one_probe())


def test_control_a_hot_spot_that_counts_beside_its_own_probe_trips(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trip, "speaks_for", lambda calculated, lost: (calculated, False))
    assert trips(hot_on_one_probe())


def restarted_within_the_delay() -> Station:
    s = Station(tripping, oil=50.0).run(20)
    s.set(oil=130.0, top_oil_2_c=130.0).run(10)
    s.restart(120.0).run(4)
    return s


def test_a_trip_delay_begins_anew_after_a_restart() -> None:
    s = restarted_within_the_delay()
    assert not trips(s)
    assert trips(s.run(70))


def test_a_trip_that_was_out_stays_out_over_a_restart() -> None:
    s = Station(tripping, oil=50.0).run(20)
    s.set(oil=130.0, top_oil_2_c=130.0).run(80)
    assert trips(s)
    s.command("acknowledge", "T1.alarm_trip")
    assert trips(s.restart(20.0).run(4))


def test_control_a_delay_that_runs_on_unwatched_trips_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    real = saved._restored

    def unwatched(plan: Any, told: Any, gap: Any) -> Any:
        state = real(plan, told, gap)
        return replace(state, transformers=saved._take(plan, told, 0, None).transformers)

    monkeypatch.setattr(saved, "_restored", unwatched)
    assert trips(restarted_within_the_delay())


def disabled(tree: Any) -> None:
    tripping(tree)
    tree["transformers"][0]["trip"]["enabled"] = False


def disabled_while_tripped(*, acknowledged: bool = False) -> Station:
    """The coil is read back, so that what stands at the module is judged, not the decision alone."""
    s = Station(tripping, oil=50.0)
    s.coils["T1.trip"] = False
    s.run(20).set(oil=130.0, top_oil_2_c=130.0).run(80)
    assert s.coils["T1.trip"] is True
    assert s.alarm("trip") == "unacknowledged"
    if acknowledged:
        s.command("acknowledge", "T1.alarm_trip")
        assert s.alarm("trip") == "acknowledged"
    s.reload(disabled)
    return s.run(2)


@pytest.mark.parametrize(("acknowledged", "then"), [(False, "returned-unacknowledged"), (True, "normal")])
def test_a_trip_that_is_disabled_while_it_is_out_is_taken_back(acknowledged: bool, then: str) -> None:
    s = disabled_while_tripped(acknowledged=acknowledged)
    assert s.coils["T1.trip"] is False
    assert s.alarm("trip") == then
    s.run(600, 10.0)
    assert s.alarm("trip") == then
    assert s.alarm("output_fault") == "normal"
    assert s.called(1, 2, 3)  # as hot as before: cooling has nothing to do with the trip
    s.command("acknowledge", "T1.alarm_trip")
    assert s.alarm("trip") == "normal"
    assert s.coils["T1.trip"] is False


def test_a_trip_that_is_enabled_again_waits_its_whole_delay() -> None:
    s = disabled_while_tripped()
    s.reload(tripping, "again").run(50)
    assert s.coils["T1.trip"] is False
    s.run(20)
    assert s.coils["T1.trip"] is True
    assert s.alarm("trip") == "unacknowledged"


def test_control_a_disabled_trip_whose_output_is_not_written(monkeypatch: pytest.MonkeyPatch) -> None:
    real = relays.energise

    def energise(cycle: Any) -> dict[str, bool]:
        coils = real(cycle)
        enabled = cycle.plan.settings.transformers[0].trip.enabled
        return {o: c for o, c in coils.items() if enabled or o != "T1.trip"}

    monkeypatch.setattr(relays, "energise", energise)
    assert disabled_while_tripped().coils["T1.trip"] is True


def test_control_a_disabled_trip_that_waits_to_be_acknowledged(monkeypatch: pytest.MonkeyPatch) -> None:
    real = alarms.follow
    monkeypatch.setattr(
        alarms, "follow", lambda a, c, n, on, off, latch, hide: real(a, c, n, on, off, True, hide)
    )
    assert disabled_while_tripped().alarm("trip") == "unacknowledged"


def wired_by_reload() -> Station:
    s = Station(without_feedback).run(10)
    s.set(oil=65.0).run(120)
    assert s.called(1)
    s.broken = {"stage1"}
    return s.reload(None).run(60)


def test_a_feedback_that_new_settings_wire_is_due_like_any_other() -> None:
    s = wired_by_reload()
    assert s.alarm("stage1.no_feedback") == "unacknowledged"
    assert s.called(1, 2)


def test_control_a_proof_carried_over_as_it_was_is_never_due(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(saved, "_rewired", lambda stage, wired: stage)
    assert wired_by_reload().alarm("stage1.no_feedback") == "normal"


def test_a_feedback_that_new_settings_take_away_is_no_longer_overdue() -> None:
    s = Station().run(10)
    s.broken = {"stage1"}
    s.set(oil=65.0).run(120)
    assert s.alarm("stage1.no_feedback") == "unacknowledged"
    s.reload(without_feedback).run(60)
    assert s.alarm("stage1.no_feedback") == "returned-unacknowledged"
