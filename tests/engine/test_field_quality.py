"""A reading that the field marks as test, substituted or blocked may add cooling, never take it away."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from station_script import Station

from collector.control import trip
from collector.quality import GOOD, Quality

QUALITIES = {
    "test": replace(GOOD, test=True),
    "substituted": GOOD.substituted(),
    "operatorBlocked": replace(GOOD, operator_blocked=True),
}
TEST = QUALITIES["test"]


def wired(tree: Any) -> None:
    """An interlock, a status contact, a tap position; a pump that fears cold."""
    t = tree["transformers"][0]
    t["stages"][0]["cabinet"]["interlock"] = {"device": "cabinet", "table": "discrete_input", "address": 31}
    t["stages"][2] |= {"kind": "pumps", "cold_oil_block_c": 0.0}
    t["energised"] = {"device": "cabinet", "table": "discrete_input", "address": 50}
    position = {"device": "oil_tx", "table": "input_register", "address": 8, "type": "int16"}
    t["tap_changer"] = {"position": position, "principal": 1, "step_percent": 1.25, "windings": ["HV_A"]}


def running(edit: Any = wired) -> Station:
    s = Station(edit, oil=61.0, amps=150.0).set(tap_position=1.0).run(60)
    assert s.called(1)
    return s


@pytest.mark.parametrize("quality", QUALITIES)
@pytest.mark.parametrize("name", ["top_oil_c", "HV_B.current_a", "tap_position"])
def test_no_stage_stops_on_it(name: str, quality: str) -> None:
    s = running()
    s.qualities[name] = QUALITIES[quality]
    s.set(oil=40.0, amps=60.0).run(2 * 3600, 20.0)
    assert s.value("stage1.called")
    s.qualities.clear()
    s.run(40)
    assert s.called()


@pytest.mark.parametrize("quality", QUALITIES)
def test_it_may_call_stages(quality: str) -> None:
    s = Station(wired).run(10)
    s.qualities["top_oil_c"] = QUALITIES[quality]
    s.set(oil=61.0).run(60)
    assert s.called(1)
    s.set(oil=96.0).run(2)
    assert s.called(1, 2, 3)


def test_a_current_injected_at_zero_leaves_the_hot_spot_where_the_load_was() -> None:
    s = Station(wired, oil=50.0, amps=300.0).run(3600, 20.0)
    before = s.value("HV_A.hot_spot_c")
    s.qualities["HV_A.current_a"] = TEST
    s.set(HV_A__current_a=0.0).run(8)  # a phase at zero beside loaded ones is lost soon after
    assert s.value("HV_A.hot_spot_c") >= before - 0.01
    assert s.quality("HV_A.hot_spot_c").test


def test_oil_injected_cold_hides_no_rising_load() -> None:
    s = Station(wired, oil=71.0, amps=150.0).run(3600, 20.0)
    before = s.value("hot_spot_c")
    s.qualities["top_oil_c"] = TEST
    s.set(oil=20.0, amps=290.0).run(2 * 3600, 20.0)
    assert s.value("top_oil_c") > 60.0  # the model's: what is lower than that is not used
    assert s.value("hot_spot_c") > before
    assert s.quality("top_oil_c").test
    assert s.quality("top_oil_c").is_substituted


def test_an_alarm_does_not_return_because_cold_oil_is_injected() -> None:
    s = Station(wired, oil=97.0, amps=150.0).run(600, 20.0)
    assert s.alarm("top_oil_high") == "unacknowledged"
    s.qualities["top_oil_c"] = TEST
    s.set(oil=20.0).run(20)
    assert s.alarm("top_oil_high") == "unacknowledged"


def test_a_current_held_from_before_a_test_is_held_in_amperes() -> None:
    s = Station(wired, oil=72.0, amps=300.0).run(3600, 20.0)
    for phase in "ABC":
        s.qualities[f"HV_{phase}.current_a"] = TEST
    s.broken |= {"stage1", "stage2"}  # with the mode the rated current changes
    s.set(amps=0.1).run(60)
    assert s.state.sample is not None
    assert max(s.state.sample.current_a) == pytest.approx(300.0)


def test_a_feedback_under_test_proves_nothing() -> None:
    s = Station(wired)
    s.broken.add("stage1")
    s.qualities["stage1.feedback"] = TEST
    s.set(oil=61.0, stage1__feedback=1.0).run(60)
    assert s.called(1, 2)
    assert s.value("stage1.running") is False


def test_an_interlock_under_test_holds_nothing_off() -> None:
    s = running()
    s.qualities["stage1.interlock"] = TEST
    s.set(stage1__interlock=1.0).run(20)
    assert s.called(1)
    s.qualities.clear()
    s.run(4)
    assert s.called()  # and a real one does


def test_oil_that_is_cold_only_in_a_test_blocks_no_pump() -> None:
    s = Station(wired, oil=20.0).run(10)
    s.qualities["top_oil_c"] = TEST
    s.set(oil=-5.0).run(4)
    s.command("force_on", "T1.stage3", minutes=5.0)
    assert s.called(3)


def test_a_unit_de_energised_only_in_a_test_stays_energised() -> None:
    s = Station(wired, oil=50.0, amps=0.0).run(20)
    s.qualities["energised"] = TEST
    s.set(energised=0.0).run(4)
    assert s.state.sample is not None
    assert s.state.sample.energised[0]


def test_a_hold_off_by_hand_does_not_lean_on_it() -> None:
    s = running()
    assert s.command("hold_off", "T1.stage1", minutes=30.0) == ""
    s.qualities["top_oil_c"] = TEST
    s.run(4)
    assert s.called(1)
    assert s.told("hold-off by hand ends: T1's top oil is not a measured value: good,test")
    assert "not a measured value" in s.command("hold_off", "T1.stage1", minutes=30.0)


def with_second_probe_and_trip(tree: Any) -> None:
    t = tree["transformers"][0]
    probe = {"device": "oil_tx", "table": "input_register", "type": "int16", "scale": 0.1, "address": 5}
    t["top_oil"]["redundant"] = probe
    t["trip"] = {"enabled": True, "relay": {"device": "cabinet", "coil": 1}, "delay_s": 60.0}


def test_of_two_probes_the_measured_one_is_used_unless_the_other_is_higher() -> None:
    s = Station(with_second_probe_and_trip, oil=61.0).run(60)
    s.qualities["top_oil_c"] = TEST
    s.set(oil=38.0, top_oil_2_c=40.0).run(1200, 10.0)
    assert s.value("top_oil_c") == 40.0
    assert s.called()  # by the other probe, which is measured
    s.set(oil=43.0).run(4)
    assert s.value("top_oil_c") == 43.0


def test_the_one_measured_probe_and_its_hot_spot_never_trip() -> None:
    s = Station(with_second_probe_and_trip).run(20)
    s.qualities["top_oil_c"] = TEST
    s.set(oil=149.0, top_oil_2_c=150.0, amps=400.0).run(40_000, 60.0)
    assert s.value("HV_A.hot_spot_c") > 160.0
    assert s.quality("HV_A.hot_spot_c").is_good
    assert s.outcome is not None
    assert not s.outcome.decision.energise["T1.trip"]


CHECKS: dict[str, Callable[[], None]] = {
    "a stage stops on a test value": lambda: test_no_stage_stops_on_it("top_oil_c", "test"),
    "a stage stops on a test current": lambda: test_no_stage_stops_on_it("HV_B.current_a", "substituted"),
    "a stage stops on a test tap": lambda: test_no_stage_stops_on_it("tap_position", "test"),
    "the hot spot falls": test_a_current_injected_at_zero_leaves_the_hot_spot_where_the_load_was,
    "a test feedback proves": test_a_feedback_under_test_proves_nothing,
    "a test interlock blocks": test_an_interlock_under_test_holds_nothing_off,
    "cold oil in a test blocks": test_oil_that_is_cold_only_in_a_test_blocks_no_pump,
    "de-energised in a test": test_a_unit_de_energised_only_in_a_test_stays_energised,
    "a hold-off leans on a test": test_a_hold_off_by_hand_does_not_lean_on_it,
    "the probe under test is used": test_of_two_probes_the_measured_one_is_used_unless_the_other_is_higher,
}


@pytest.mark.parametrize("name", CHECKS)
def test_control_a_marked_value_is_taken_as_measured(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Quality, "is_measured", property(lambda quality: True))
    with pytest.raises(AssertionError):
        CHECKS[name]()


def test_control_the_hot_spot_speaks_for_the_probe_under_test(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trip, "speaks_for", lambda calculated, main_lost: (calculated, False))
    with pytest.raises(AssertionError):
        test_the_one_measured_probe_and_its_hot_spot_never_trip()
