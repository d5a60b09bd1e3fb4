"""An alarm taken out of service and put back: what an operator sees over the whole cycle."""

from __future__ import annotations

from typing import Any

import pytest
from station_script import Bad, Station

from collector import engine
from collector.control import alarms

ALARM = "T1.alarm_top_oil_lost"


def out_of_service() -> Station:
    """Taken out while all is well."""
    s = Station().run(60)
    assert s.command("out_of_service", ALARM) == ""
    assert s.alarm("top_oil_lost") == "out of service"
    return s


def test_a_full_cycle_with_a_cause_that_comes_and_goes() -> None:
    s = out_of_service()
    s.set(oil=Bad()).run(60)
    assert s.alarm("top_oil_lost") == "out of service"  # not raised, and not suppressed by anything
    assert s.called(1, 2, 3)  # which changes nothing about cooling
    assert s.value("top_oil_c") is not None
    s.set(oil=40.0).run(60)
    assert s.alarm("top_oil_lost") == "out of service"
    assert s.command("in_service", ALARM) == ""
    assert s.alarm("top_oil_lost") == "normal"  # its cause has gone meanwhile
    s.set(oil=Bad()).run(60)
    assert s.alarm("top_oil_lost") == "unacknowledged"  # and it is heard again


def test_back_in_service_it_is_raised_if_its_cause_is_there() -> None:
    s = out_of_service().set(oil=Bad()).run(60)
    assert s.command("in_service", ALARM) == ""
    assert s.alarm("top_oil_lost") == "unacknowledged"
    assert "sentinel 0x7FFF" in next(v.text for v in engine.alarm_list(s.state, s.plan) if v.id == ALARM)
    s.command("acknowledge", ALARM)
    s.set(oil=40.0).run(60)
    assert s.alarm("top_oil_lost") == "normal"


def test_taken_out_while_active_it_comes_back_quiet_if_its_cause_has_gone() -> None:
    s = Station().run(60).set(oil=Bad()).run(20)
    assert s.command("out_of_service", ALARM) == ""
    s.set(oil=40.0).run(60)
    assert not s.state.alarms[s.plan.layout.alarm_index[ALARM]].active  # followed all the time
    assert s.command("in_service", ALARM) == ""
    assert s.alarm("top_oil_lost") == "normal"
    assert (
        len([e for e in s.events if e.subject == ALARM and e.kind == "alarm" and "out of service" in e.text])
        == 2
    )


@pytest.mark.parametrize("before", ["unacknowledged", "acknowledged", "returned-unacknowledged", "shelved"])
def test_from_every_state_it_goes_out_of_service_and_comes_back_by_its_condition(before: str) -> None:
    s = Station().run(60).set(oil=Bad()).run(20)
    if before == "acknowledged":
        s.command("acknowledge", ALARM)
    elif before == "returned-unacknowledged":
        s.set(oil=40.0).run(60)
    elif before == "shelved":
        s.command("shelve", ALARM, minutes=1.0)
    assert s.alarm("top_oil_lost") == before
    active = before != "returned-unacknowledged"
    assert s.command("out_of_service", ALARM) == ""
    s.run(120)  # a shelving's time runs out meanwhile, and must not bring it back
    assert s.alarm("top_oil_lost") == "out of service"
    assert s.command("in_service", ALARM) == ""
    assert s.alarm("top_oil_lost") == ("unacknowledged" if active else "normal")


def test_it_stays_out_of_service_over_a_restart_and_a_reload() -> None:
    s = out_of_service()
    s.restart(20.0).run(10)
    assert s.alarm("top_oil_lost") == "out of service"
    s.reload(None).run(10)
    assert s.alarm("top_oil_lost") == "out of service"
    s.set(oil=Bad()).run(60)
    assert s.command("in_service", ALARM) == ""
    assert s.alarm("top_oil_lost") == "unacknowledged"


def test_a_device_alarm_out_of_service_stands_for_nothing() -> None:
    s = Station().run(60)
    s.command("out_of_service", "device.oil_tx.alarm_link_lost")
    s.down["oil_tx"] = "no answer within 1.0 s"
    s.run(60)
    assert s.alarm("device.oil_tx.link_lost") == "out of service"
    assert s.alarm("top_oil_lost") == "unacknowledged"
    s.command("in_service", "device.oil_tx.alarm_link_lost")
    s.run(4)
    assert s.alarm("device.oil_tx.link_lost") == "unacknowledged"
    assert s.alarm("top_oil_lost") == "suppressed by design"


def test_what_it_refuses() -> None:
    s = out_of_service()
    assert "cannot be taken out of service" in s.command("out_of_service", "T1.alarm_cooling_insufficient")
    assert "it is not out of service" in s.command("in_service", "T1.alarm_ambient_lost")
    assert "it is out of service" in s.command("shelve", ALARM, minutes=10.0)
    assert "it is not shelved" in s.command("unshelve", ALARM)
    s.command("acknowledge", ALARM)
    assert s.alarm("top_oil_lost") == "out of service"


def test_control_an_alarm_that_comes_back_as_if_nothing_were_there(monkeypatch: pytest.MonkeyPatch) -> None:
    back = (alarms.AlarmStatus.OUT_OF_SERVICE, alarms.AlarmEvent.RESUME_ACTIVE)
    monkeypatch.setitem(alarms.ALARM_TABLE, back, alarms.AlarmStatus.NORMAL)
    with pytest.raises(AssertionError):
        test_back_in_service_it_is_raised_if_its_cause_is_there()


def test_control_an_alarm_that_is_not_followed_while_out_of_service(monkeypatch: pytest.MonkeyPatch) -> None:
    real = alarms.follow

    def follow(state: Any, *rest: Any) -> Any:
        away = state.status is alarms.AlarmStatus.OUT_OF_SERVICE
        return state if away else real(state, *rest)

    monkeypatch.setattr(alarms, "follow", follow)
    with pytest.raises(AssertionError):
        test_taken_out_while_active_it_comes_back_quiet_if_its_cause_has_gone()
