"""An output that is to be released and is not: its stage, neighbours, contacts, watchdog relay."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from station_script import Station

from collector import engine
from collector.control import outputs, relays
from collector.messages import RelayStatus

DEVICE_FAULT, WATCHDOG = "T1.contact.device_fault", "device.relays.watchdog_relay"


def with_guard(tree: Any) -> None:
    """Device-fault contact and the watchdog relay of the cooling relays' common, on a module of their own."""
    released = {"released_by": "module_timeout", "timeout_s": 10.0}
    tree["devices"].append({"id": "signals", "number": 5, "link": "lan", "unit": 5, "relay_module": released})
    tree["transformers"][0]["contacts"] = {"device_fault": {"device": "signals", "coil": 0}}
    tree["devices"][2]["relay_module"]["watchdog_relay"] = {"device": "signals", "coil": 1}


def without_guard(tree: Any) -> None:
    with_guard(tree)
    del tree["devices"][2]["relay_module"]["watchdog_relay"]


def station(edit: Any = without_guard, oil: float = 62.0) -> Station:
    """Stage 1 is called; the others are held off."""
    s = Station(edit, oil=oil)
    s.coils |= {o: True for o in (DEVICE_FAULT, WATCHDOG) if edit is with_guard or o == DEVICE_FAULT}
    s.run(400)
    assert s.called(1)
    return s


def decided(s: Station, output: str) -> bool:
    assert s.outcome is not None
    return s.outcome.decision.energise[output]


def text(s: Station, alarm: str) -> str:
    return next(v.text for v in engine.alarm_list(s.state, s.plan) if v.id == alarm)


def disobey(s: Station, how: Any) -> Station:
    """Stage 1's relay stays energised; while its module is left alone nothing of it is read."""
    s.stuck["T1.stage1"] = s.coils["T1.stage1"] = True
    s.disobeys["T1.stage1"] = how
    s.set(stage1__feedback=0)
    return s.run(4)


def test_late_is_an_alarm_at_once_and_concerns_that_output_alone() -> None:
    s = disobey(station(), "late")
    assert s.alarm("stage1.output_fault") == "unacknowledged"
    assert s.called(1)
    assert decided(s, DEVICE_FAULT)


def test_stuck_calls_every_other_stage_and_drops_the_device_fault_contact() -> None:
    s = disobey(station(), "stuck")
    assert s.alarm("stage1.output_fault") == "unacknowledged"
    assert s.called(1, 2, 3)
    assert s.reason("stage2") == "released: another output does not obey"
    assert not decided(s, DEVICE_FAULT)
    s.disobeys.clear()
    s.stuck.clear()
    s.run(60)
    assert decided(s, DEVICE_FAULT)
    assert s.called(1, 2, 3), "what ran goes on for the minimum run and until it can be trusted again"


def test_stuck_is_not_hidden_by_the_alarm_of_its_silent_device() -> None:
    s = station()
    s.down["relays"] = "kept silent so that its outputs release"
    s.link_down = {"T1.stage1", "T1.stage2", "T1.stage3"}
    disobey(s, "stuck").run(60)
    assert s.alarm("device.relays.link_lost") == "unacknowledged"
    assert s.alarm("stage1.output_fault") == "unacknowledged"
    assert s.called(1, 2, 3)


def test_another_master_that_holds_a_stage_off_drops_contact_and_watchdog() -> None:
    s = disobey(station(with_guard), "foreign")
    assert s.alarm("stage1.output_fault") == "unacknowledged"
    assert not decided(s, DEVICE_FAULT)
    assert not decided(s, WATCHDOG)
    assert s.called(1, 2, 3), "with the common broken every stage of the module runs"
    s.disobeys.clear()
    s.stuck.clear()
    s.run(20)
    assert decided(s, DEVICE_FAULT)
    assert decided(s, WATCHDOG)


@pytest.mark.parametrize("how", ["late", "stuck", "foreign"])
def test_watchdog_relay_drops_as_soon_as_an_output_does_not_obey(how: Any) -> None:
    s = station(with_guard)
    assert decided(s, WATCHDOG)
    disobey(s, how)
    assert not decided(s, WATCHDOG)
    assert s.called(1, 2, 3)
    assert s.reason("stage3") in ("released: output module lost", "released: another output does not obey")


def test_watchdog_relay_drops_with_a_silent_module() -> None:
    s = station(with_guard)
    s.link_down = {"T1.stage1", "T1.stage2", "T1.stage3"}
    s.run(20)
    assert not decided(s, WATCHDOG)


def test_a_watchdog_relay_found_released_means_that_its_stages_run() -> None:
    """After a restart their own relays may still be energised: the motors run all the same, and go on."""
    s = Station(with_guard, oil=40.0)
    s.coils |= {DEVICE_FAULT: False, WATCHDOG: False}
    s.coils |= dict.fromkeys(("T1.stage1", "T1.stage2", "T1.stage3"), True)
    s.cycle()
    assert s.called(1, 2, 3)
    assert decided(s, WATCHDOG)
    s.run(120)
    assert s.called(1, 2, 3)
    s.run(700)
    assert s.called()


def test_the_watchdog_relay_itself_does_not_follow() -> None:
    s = station(with_guard)
    s.coils[WATCHDOG] = s.stuck[WATCHDOG] = False
    s.run(30)
    assert s.called(1, 2, 3)
    assert WATCHDOG in text(s, "T1.alarm_output_fault")


@pytest.mark.parametrize(
    ("check", "broken"),
    [
        (test_stuck_calls_every_other_stage_and_drops_the_device_fault_contact, "look"),
        (test_watchdog_relay_drops_with_a_silent_module, "_not_released"),
        (test_a_watchdog_relay_found_released_means_that_its_stages_run, "guard"),
    ],
)
def test_controls(check: Any, broken: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each rule taken out, its test turns red."""
    if broken == "look":
        real = relays.out.look

        def look(state: Any, relay: Any, *more: Any) -> Any:
            return real(state, replace(relay, disobeys=""), *more)

        monkeypatch.setattr(relays.out, "look", look)
    elif broken == "guard":
        monkeypatch.setattr(relays, "guard", lambda cycle: None)
    else:
        monkeypatch.setattr(relays, "_not_released", lambda seen, state: False)
    with pytest.raises(AssertionError):
        check()


@pytest.mark.parametrize("silent", [True, False])
def test_held_off_and_let_go_before_anybody_had_read_it_counts_as_a_release(silent: bool) -> None:
    """The link fell silent between the hold-off and its read-back, and was back before the module counted as
    lost: motors have stopped and started. Control: without a silence it is only not carried out yet.
    """
    s_ns = outputs.NS
    state = outputs.decided(outputs.OutputState(read=False), True, 10 * s_ns)
    gone = RelayStatus(False, 9 * s_ns, False, False, True, "no connection")
    if silent:
        state, seen = outputs.look(state, gone, 12 * s_ns, 10 * s_ns, 15 * s_ns)
        assert not seen.released
    back = RelayStatus(False, 15 * s_ns, True, False, True, "")
    state, seen = outputs.look(state, back, 16 * s_ns, 10 * s_ns, 15 * s_ns)
    assert seen.released is silent
    _, seen = outputs.look(state, back, 17 * s_ns, 10 * s_ns, 15 * s_ns)
    assert not seen.released
