"""Trip and alarm outputs are read back like the cooling relays: one that does not follow is an alarm."""

from __future__ import annotations

from typing import Any

import pytest
from station_script import Station

from collector import engine
from collector.control import outputs, relays

OUTPUTS = ("T1.trip", "T1.contact.top_oil_high", "T1.contact.cooling_failure", "T1.contact.device_fault")


def with_contacts(tree: Any) -> None:
    """Trip and contacts on a module of their own."""
    t = tree["transformers"][0]
    released = {"released_by": "module_timeout", "timeout_s": 10.0}
    tree["devices"].append({"id": "signals", "number": 5, "link": "lan", "unit": 5, "relay_module": released})
    probe = {"device": "oil_tx", "table": "input_register", "type": "int16", "scale": 0.1, "address": 5}
    t["top_oil"]["redundant"] = probe
    t["trip"] = {"enabled": True, "relay": {"device": "signals", "coil": 0}, "delay_s": 60.0}
    names = ("top_oil_high", "cooling_failure", "device_fault")
    t["contacts"] = {name: {"device": "signals", "coil": n} for n, name in enumerate(names, 1)}


def station(oil: float = 40.0) -> Station:
    s = Station(with_contacts, oil=oil)
    s.coils |= dict.fromkeys(OUTPUTS, False)
    return s.run(60)


def shown(s: Station) -> dict[str, str]:
    return {v.id: v.text for v in engine.alarm_list(s.state, s.plan) if v.status != "suppressed by design"}


def test_outputs_that_follow_raise_nothing() -> None:
    s = station()
    assert shown(s) == {}
    s.set(oil=120.0, top_oil_2_c=120.0).run(120)
    assert s.coils["T1.trip"] is True
    assert s.coils["T1.contact.top_oil_high"] is True
    assert s.alarm("output_fault") == "normal"


def stuck(output: str) -> Station:
    """Released for ever: a trip or alarm is not passed on, or a healthy contact tells of a fault."""
    s = station()
    s.stuck[output] = False
    s.coils[output] = False
    return s.set(oil=120.0, top_oil_2_c=120.0).run(120)


@pytest.mark.parametrize("output", ["T1.trip", "T1.contact.top_oil_high", "T1.contact.device_fault"])
def test_an_output_that_does_not_follow_is_named(output: str) -> None:
    s = stuck(output)
    assert s.alarm("output_fault") == "unacknowledged"
    assert f"({output}: decided energised, reads back released)" in shown(s)["T1.alarm_output_fault"]
    assert s.called(1, 2, 3)  # cooling has nothing to do with it
    assert s.alarm("stage1.output_fault") == "normal"
    s.stuck.clear()
    s.run(20)
    assert s.alarm("output_fault") == "returned-unacknowledged"


def test_a_trip_output_that_another_master_energises_is_an_alarm() -> None:
    s = station()
    s.coils["T1.trip"], s.stuck["T1.trip"] = True, True
    s.foreign.add("T1.trip")
    s.run(4)
    assert "T1.trip: another master has written it" in shown(s)["T1.alarm_output_fault"]
    s.foreign.clear()
    s.run(60)
    assert s.alarm("output_fault") == "unacknowledged"  # it reads back energised, decided released


def test_a_module_that_would_not_release_is_an_alarm() -> None:
    s = station()
    s.unverified.add("T1.contact.cooling_failure")
    s.run(4)
    assert "release settings are not as declared" in shown(s)["T1.alarm_output_fault"]


def test_a_silent_module_is_told_by_its_own_alarm_alone() -> None:
    s = station()
    s.link_down = set(OUTPUTS)
    s.down["signals"] = "no answer within 1.0 s"
    s.run(60)
    assert set(shown(s)) == {"device.signals.alarm_link_lost"}
    assert s.alarm("output_fault") == "suppressed by design"
    assert s.called()


def test_what_was_decided_is_remembered_over_a_restart_and_a_reload() -> None:
    s = station()
    before = [s.state.outputs[c.index].wanted for c in s.plan.layout.contacts]
    assert before == [False, False, True, True]
    s.restart(20.0)
    assert [s.state.outputs[c.index].wanted for c in s.plan.layout.contacts] == before
    s.reload(with_contacts)
    assert [s.state.outputs[c.index].wanted for c in s.plan.layout.contacts] == before
    s.run(60)
    assert s.alarm("output_fault") == "normal"


def test_control_only_cooling_relays_are_read_back(monkeypatch: pytest.MonkeyPatch) -> None:
    real = outputs.look

    def look(state: Any, relay: Any, now: int, timeout: int, settle: int, word: str = "stage") -> Any:
        return real(state, relay, now, timeout, settle) if word == "stage" else (state, outputs.NOTHING)

    monkeypatch.setattr(relays.out, "look", look)
    for output in ("T1.trip", "T1.contact.top_oil_high", "T1.contact.device_fault"):
        with pytest.raises(AssertionError):
            test_an_output_that_does_not_follow_is_named(output)
