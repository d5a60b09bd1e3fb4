"""Who is named when readings contradict each other: always the one that is wrong, never by what it costs.

One input or part of each unit is wrong; the plant knows which. A doubt may name others beside it as long as
the readings do not tell them apart, and then says so. `CONTROLS` take one suspect away; the test must fail.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cases
import pytest
from rig import Rig

from collector import engine
from collector.control import belief
from collector.thermal import explained


def loaded(load: float = 1.0, groups: int = 2, **kind: Any) -> Rig:
    return Rig(load=load, groups=groups, step_s=60.0, **kind).run(1.0)


def scaled(by: float, *names: str) -> Callable[[Rig], None]:
    def wrong(r: Rig) -> None:
        for name in names:
            r.faults[f"{name}.current_a"] = lambda v: v * by

    return wrong


def off(by: float, *names: str) -> Callable[[Rig], None]:
    def wrong(r: Rig) -> None:
        for name in names:
            r.faults[name] = lambda v: v + by

    return wrong


def stands_still(r: Rig) -> None:
    at = r.plant.oil_c
    r.faults["top_oil_c"] = lambda _: at + r.rng.gauss(0, 0.1)
    r.load = 1.3


def blocked(r: Rig) -> None:
    r.plant.blocked = 1.6


def dead(r: Rig) -> None:
    r.dead, r.load = {"stage1", "stage2"}, 0.75


HV, LV = ("HV_A", "HV_B", "HV_C"), ("LV_A", "LV_B", "LV_C")
#: what is wrong -> (make it so, kind of unit, what must be named)
WRONG: dict[str, tuple[Callable[[Rig], None], dict[str, Any], str]] = {
    "probe low": (off(-9.0, "top_oil_c"), {}, "T1.top_oil_c reads low"),
    "probe high": (off(9.9, "top_oil_c"), {}, "T1.top_oil_c reads high"),
    "probe stands still": (stands_still, {"load": 0.3, "groups": 0}, "T1.top_oil_c"),
    "ambient high": (off(20.0, "ambient_c"), {}, "T1.ambient_c reads high"),
    "ambient high, two probes": (off(20.0, "ambient_c"), {"probes": 2}, "T1.ambient_c reads high"),
    "ambient low": (off(-20.0, "ambient_c"), {}, "T1.ambient_c reads low"),
    "currents low": (scaled(0.4, *HV), {}, "T1.HV_C.current_a reads low"),
    "currents high": (scaled(1.5, *HV), {"probes": 2}, "T1.HV_C.current_a reads high"),
    "one phase high": (scaled(2.0, "HV_B"), {}, "T1.HV_B.current_a reads high"),
    "one side low": (scaled(0.5, *HV), {"sides": 2}, "T1.HV_C.current_a reads low"),
    "one side high": (scaled(1.6, *LV), {"sides": 2}, "T1.LV_C.current_a reads high"),
    "radiators shut": (blocked, {"load": 0.6, "groups": 0}, "T1: a radiator or valve is blocked or shut"),
    "motors dead": (dead, {}, "T1.stage1, T1.stage2 does not cool"),
}


def named(what: str, hours: float = 6.0) -> list[belief.Doubt]:
    """Every doubt that was found after this went wrong."""
    wrong, kind, _ = WRONG[what]
    r = loaded(**kind)
    wrong(r)
    found: list[belief.Doubt] = []
    real = belief.one_for_all

    def seen(doubts: list[belief.Doubt]) -> list[belief.Doubt]:
        result = real(doubts)
        found.extend(result)
        return result

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(belief, "one_for_all", seen)
        r.until(lambda _: len(found) > 30, hours)
    return found


@pytest.mark.parametrize("what", WRONG)
def test_the_one_that_is_wrong_is_named(what: str) -> None:
    found = named(what)
    assert found, "no doubt at all"
    for d in found:
        words = [c.words for c in d.culprits]
        assert any(WRONG[what][2] in w for w in words), (d.quantity, words)
        assert ("the readings do not tell which" in d.words) is (len(words) > 1)


def test_two_probes_that_agree_and_currents_of_two_sides_leave_one() -> None:
    """Where nothing else is possible the culprit stands alone."""
    r = loaded(probes=2, sides=2)
    r.faults["ambient_c"] = lambda v: v + 20.0
    assert r.until(lambda r: r.standing("oil_doubtful"), 6.0) is not None
    assert "likely: T1.ambient_c reads high" in r.text("oil_doubtful")
    assert "do not tell" not in r.text("oil_doubtful")


def test_one_that_explains_every_doubt_stands_alone() -> None:
    """The two sides differ, and the oil is hotter than the load that both are said to have explains."""
    hv, lv = belief.Culprit("T1.HV", "reads low"), belief.Culprit("T1.LV", "reads high")
    blocked = belief.Culprit("T1: a radiator or valve", "is blocked or shut")
    sides = belief.Doubt("sides", 0, 0.5, 0.1, "pu", (hv, lv))
    hot = belief.Doubt("hot oil", 0, 9.0, 5.0, "K", (hv, blocked))
    assert [d.culprits for d in belief.one_for_all([sides, hot])] == [(hv,), (hv,)]
    cold = belief.Doubt("cold oil", 0, 9.0, 5.0, "K", (belief.Culprit("T1.top_oil_c", "reads low"),))
    assert belief.one_for_all([sides, cold]) == [sides, cold]
    assert belief.one_for_all([sides]) == [sides]


# --- what it costs, and whom it may favour ---------------------------------------------------------------


def test_nobody_is_looked_for_while_nothing_is_in_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """And while something is, once a step: the number of suspects is that of the inputs."""
    calls: list[str] = []
    for name in ("found_doubts", "_cold_culprits", "_hot_culprits"):
        real = getattr(belief, name)

        def counted(*given: Any, name: str = name, real: Any = real) -> Any:
            calls.append(name)
            return real(*given)

        monkeypatch.setattr(belief, name, counted)
    r = loaded()
    r.run(6.0)
    assert calls == []
    r.faults["top_oil_c"] = lambda v: v - 9.0
    assert r.until(lambda r: r.standing("oil_doubtful"), 3.0) is not None
    calls.clear()
    r.run(1.0)
    assert len(calls) <= 2 * 60


@pytest.mark.parametrize("fault", sorted(cases.FAULTS))
def test_a_doubt_never_takes_cooling_away(fault: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """From every state that comes up, the step is also made without any doubt: what that calls, runs."""
    r = loaded(0.8, 2, seed=5)
    cases.FAULTS[fault][1](r)
    real_step, real_advance = engine.step, explained.advance
    doubted: list[str] = []

    def blind(model: Any, was: explained.Explained, seen: explained.Seen) -> explained.Explained:
        x = real_advance(model, was, seen)
        none = x.cold & False
        return explained.replace(x, cold=none, hot=none, drift=x.drift * 0)

    def both(state: engine.State, plan: engine.Plan, given: Any) -> Any:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(explained, "advance", blind)
            x = state.explained
            if x is not None:
                none = x.cold & False
                x = explained.replace(x, cold=none, hot=none, drift=x.drift * 0)
            _, without = real_step(belief.replace(state, explained=x), plan, given)
        new, out = real_step(state, plan, given)
        energised = without.decision.energise
        more = [s for s, held in out.decision.energise.items() if held and not energised[s]]
        assert not more, f"held off for a doubt: {more}"
        x = new.explained
        if x is not None and (x.cold.any() or x.hot.any()):
            doubted.append(fault)
        return new, out

    monkeypatch.setattr(engine, "step", both)
    r.run(1.5, 1.2).run(1.5, 0.4)
    if fault in ("low_step", "low_drift", "ambient_high", "currents_low", "motors_dead"):
        assert doubted


# --- controls ----------------------------------------------------------------------------------------------

CONTROLS = {
    "_all_currents": "currents high",
    "_probes": "probe low",
    "idle_stages": "motors dead",
    "_place_allows": "ambient high, two probes",
}


@pytest.mark.parametrize("name", CONTROLS)
def test_control_a_suspect_who_is_left_out(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    nobody: dict[str, Any] = {"_place_allows": False, "idle_stages": frozenset()}
    monkeypatch.setattr(belief, name, lambda *_: nobody.get(name, []))
    with pytest.raises(AssertionError):
        test_the_one_that_is_wrong_is_named(CONTROLS[name])
