"""The cabinet's supply contacts: each is an alarm in its own words, changes no call; a lost one is said."""

from __future__ import annotations

from typing import Any

import pytest
from station_script import Bad, Station

from collector.control import conditions

CONTACTS = ("ac_supply_healthy", "phase_sequence_ok", "control_supply_healthy", "supply_changeover")


def cabinet(tree: Any) -> None:
    for address, name in enumerate(CONTACTS, 50):
        contact = {"device": "cabinet", "table": "discrete_input", "address": address}
        tree["transformers"][0][name] = contact


def without(contact: str, value: float | Bad = 0.0) -> Station:
    s = Station(cabinet, oil=65.0).run(100)
    assert s.called(1)
    return s.set(**{contact: value}).run(40)


@pytest.mark.parametrize(
    ("contact", "alarm", "says"),
    [
        ("ac_supply_healthy", "ac_supply_lost", "AC supply is lost"),
        ("phase_sequence_ok", "ac_supply_lost", "(wrong phase sequence)"),
        ("control_supply_healthy", "control_supply_lost", "control supply is lost"),
    ],
)
def test_a_lost_supply_is_an_alarm_and_the_call_stays(contact: str, alarm: str, says: str) -> None:
    s = without(contact)
    assert s.alarm(alarm) == "unacknowledged"
    assert s.told(says)
    assert s.called(1)


@pytest.mark.parametrize("contact", CONTACTS)
def test_a_contact_that_cannot_be_read_is_said(contact: str) -> None:
    s = without(contact, Bad())
    assert s.alarm("contact_lost") == "unacknowledged"
    assert s.alarm("ac_supply_lost") == s.alarm("control_supply_lost") == "normal"
    assert s.alarm("supply_changeover") == "normal"


def test_the_standby_supply_is_said_and_changes_no_call() -> None:
    s = without("supply_changeover", 1.0)
    assert s.alarm("supply_changeover") == "unacknowledged"
    assert s.told("T1: the coolers run on their standby AC supply; nothing: the cooling goes on as before.")
    assert s.alarm("ac_supply_lost") == s.alarm("contact_lost") == "normal"
    assert s.value("supply_changeover") is True
    assert s.called(1)
    s.set(oil=71.0).run(60)
    assert s.called(1, 2)
    assert s.value("mode") == 2  # it cools as well as on the other
    s.set(supply_changeover=0.0).run(4)
    assert s.alarm("supply_changeover") == "returned-unacknowledged"
    assert s.told("no longer: the coolers run on their standby AC supply")


def test_control_nobody_looks_at_the_cabinet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(conditions, "transformer_conditions", lambda cycle, t: None)
    assert without("ac_supply_healthy").alarm("ac_supply_lost") == "normal"
    assert without("supply_changeover", 1.0).alarm("supply_changeover") == "normal"
