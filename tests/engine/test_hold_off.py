"""What a hold-off by hand leans on: every input of its stage, a relay that held, and what the settings allow.

The plain rules (time, alarm temperature, only at the station) are in test_rules.py.
"""

from __future__ import annotations

from typing import Any

import pytest
from station_script import Bad, Station

from collector.control import calling, hold_off
from collector.quality import Detail


def every_contact(tree: Any) -> None:
    t = tree["transformers"][0]
    for address, name in ((31, "interlock"), (32, "selector_manual")):
        t["stages"][0]["cabinet"][name] = {"device": "cabinet", "table": "discrete_input", "address": address}
    for address, name in enumerate(("energised", "ac_supply_healthy", "supply_changeover"), 50):
        t[name] = {"device": "cabinet", "table": "discrete_input", "address": address}
    probe = {"device": "oil_tx", "table": "input_register", "type": "int16", "scale": 0.1, "address": 5}
    t["top_oil"]["redundant"] = probe
    t["bottom_oil"] = {**probe, "address": 6}
    t["windings"][0]["fibre_probe"] = {**probe, "address": 7}


LEANS_ON = (
    "top_oil_c",
    "top_oil_2_c",
    "ambient_c",
    "HV_C.current_a",
    "energised",
    "ac_supply_healthy",
    "supply_changeover",
    "stage1.feedback",
    "stage1.selector_auto",
    "stage1.selector_manual",
    "stage1.breaker_closed",
    "stage1.interlock",
)


def held(edit: Any = every_contact, minutes: float = 50.0) -> Station:
    """The first stage is above its pickup and held off by hand."""
    s = Station(edit, oil=61.0).run(60)
    assert s.called(1)
    assert s.command("hold_off", "T1.stage1", minutes=minutes) == ""
    s.run(60)
    assert s.called()
    return s


def put(s: Station, **values: Any) -> Station:
    for name, value in values.items():
        s.values[name] = value
    return s


@pytest.mark.parametrize("name", LEANS_ON)
def test_it_ends_when_any_input_it_leans_on_is_lost(name: str) -> None:
    s = held()
    put(s, **{name: Bad(Detail.OUT_OF_RANGE, "broken wire")}).run(4)
    assert s.told(f"hold-off by hand ends: T1.{name} is lost: broken wire")
    assert s.value("stage1.called")
    assert "does not count" in s.command("hold_off", "T1.stage1", minutes=5.0)


@pytest.mark.parametrize("name", LEANS_ON)
def test_it_is_refused_until_what_came_back_has_been_good_for_the_return_hold(name: str) -> None:
    s = held()
    feedback = name == "stage1.feedback"  # else the contactor says what it does
    good = s.values.get(name)
    put(s, **{name: Bad(Detail.OUT_OF_RANGE)}).run(4)
    put(s, **({} if feedback else {name: good}))
    if feedback:
        del s.values[name]
    s.run(14)
    refusal = s.command("hold_off", "T1.stage1", minutes=5.0)
    assert "has just come back and must first be good for 300 s: try again in" in refusal
    s.run(270)
    assert "just come back" in s.command("hold_off", "T1.stage1", minutes=5.0)
    s.run(30)
    assert s.command("hold_off", "T1.stage1", minutes=5.0) == ""


@pytest.mark.parametrize("name", ["bottom_oil_c", "HV_A.fibre_c", "stage2.feedback", "stage3.selector_auto"])
def test_it_stays_when_something_else_is_lost(name: str) -> None:
    s = put(held(), **{name: Bad(Detail.OUT_OF_RANGE)}).run(60)
    assert not s.value("stage1.called")
    assert s.reason("stage1") == "held off by hand"


def blind(m: pytest.MonkeyPatch) -> None:
    m.setattr(hold_off, "doubt", lambda cycle, t, th, s: th.lost)
    m.setattr(hold_off, "just_back", lambda *_: "")


@pytest.mark.parametrize("name", sorted(set(LEANS_ON) - {"top_oil_c", "HV_C.current_a"}))
def test_control_a_hold_off_that_looks_at_temperatures_only(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    blind(monkeypatch)
    with pytest.raises(AssertionError):
        test_it_ends_when_any_input_it_leans_on_is_lost(name)


@pytest.mark.parametrize("name", LEANS_ON)
def test_control_a_hold_off_that_trusts_at_once(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hold_off, "just_back", lambda *_: "")
    with pytest.raises(AssertionError):
        test_it_is_refused_until_what_came_back_has_been_good_for_the_return_hold(name)


def cut_and_joined() -> Station:
    """The relay module was away for longer than its timeout, and is back."""
    s = Station(oil=61.0).run(60)
    s.link_down = set(s.ids)
    s.run(20)
    s.coils = dict.fromkeys(s.coils, False)
    s.link_down = set()
    return s.run(60)


def test_it_is_refused_in_the_return_hold_of_the_relay_module() -> None:
    s = cut_and_joined()
    assert "module of T1.stage1 has just come back" in s.command("hold_off", "T1.stage1", minutes=5.0)
    s.run(300)
    assert s.command("hold_off", "T1.stage1", minutes=5.0) == ""


# --- restart ------------------------------------------------------------------------------------


def restarted(*, release: bool) -> Station:
    return held().restart(8.0, release=release).run(4)


def killed_with_the_command_still_in_its_hand() -> Station:
    """The checkpoint knows of the hold-off, and not yet that the relay followed."""
    s = Station(every_contact, oil=61.0).run(60)
    assert s.command("hold_off", "T1.stage1", minutes=50.0) == ""
    return s.restart(20.0).run(4)


@pytest.mark.parametrize(
    "begin", [lambda: restarted(release=True), killed_with_the_command_still_in_its_hand]
)
def test_a_restart_in_which_the_module_let_go_ends_it(begin: Any) -> None:
    s = begin()
    assert s.value("stage1.called")
    assert s.told("T1.stage1: hold-off by hand ends: at the start its relay is found released")
    assert s.state.stages[0].hold_until_ns < 0
    s.run(1200)
    assert s.called(1, 2)


def test_a_restart_so_short_that_the_module_held_keeps_it_and_its_end() -> None:
    s = restarted(release=False)
    assert s.called()
    assert s.reason("stage1") == "held off by hand"
    s.run(50 * 60 - 60 - 8 - 4 - 10, 10.0)
    assert s.called()
    s.run(60)
    assert s.called(1)


def test_control_a_restart_that_forgets_the_release(monkeypatch: pytest.MonkeyPatch) -> None:
    real = calling.adopt

    def adopt(cycle: Any, s: Any) -> None:
        until_ns = cycle.stages[s.index].hold_until_ns
        real(cycle, s)
        cycle.stages[s.index] = calling.replace(cycle.stages[s.index], hold_until_ns=until_ns)

    monkeypatch.setattr(calling, "adopt", adopt)
    with pytest.raises(AssertionError):
        assert killed_with_the_command_still_in_its_hand().value("stage1.called")


# --- reload -------------------------------------------------------------------------------------


def at_most(minutes: float) -> Any:
    def edit(tree: Any) -> None:
        every_contact(tree)
        tree["station"]["hold_off_max_min"] = minutes

    return edit


def test_new_settings_that_allow_less_cut_it_short() -> None:
    s = held().reload(at_most(5.0)).run(4)
    assert s.told("T1.stage1: hold-off by hand is cut to 5 min: the settings allow no more now")
    s.run(280)
    assert s.called()
    s.run(30)
    assert s.called(1)


def test_new_settings_that_allow_enough_leave_it() -> None:
    s = held().reload(at_most(55.0)).run(600)
    assert s.called()
    assert not s.told("is cut to")


def test_settings_that_allow_less_at_a_restart_cut_it_short_too() -> None:
    s = held()
    s.plan = Station(at_most(5.0)).plan
    s.restart(8.0, release=False).run(310)
    assert s.called(1)


def test_control_old_allowances_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    def follow(cycle: Any, t: Any, th: Any, s: Any, stage: Any, release: int) -> Any:
        over = release or cycle.now >= stage.hold_until_ns
        return hold_off.end(cycle, s, stage, str(release)) if over else stage

    monkeypatch.setattr(hold_off, "follow", follow)
    with pytest.raises(AssertionError):
        test_new_settings_that_allow_less_cut_it_short()
