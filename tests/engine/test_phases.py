"""A phase that reads near zero: lost where another phase of the same winding carries load, and only there."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest
from station_script import Station

from collector.control import lost_inputs as li
from collector.settings import sides


def winding(tree: Any, name: str, phase: str | None, number: int, rated_a: float) -> None:
    w = deepcopy(tree["transformers"][0]["windings"][0])
    w |= {"id": name, "number": number, "phase": phase}
    w["current"]["address"] = 10 * number
    for mode in w["modes"].values():
        mode["rated_current_a"] *= rated_a / 200.0
    tree["transformers"][0]["windings"].append(w)


def two_secondaries(tree: Any) -> None:
    """HV and two equal LV windings of three phases each, LV1 and LV2 taking turns in the file."""
    for k, phase in enumerate("ABC"):
        winding(tree, f"LV1_{phase}", phase, 4 + 2 * k, 1000.0)
        winding(tree, f"LV2_{phase}", phase, 5 + 2 * k, 1000.0)


def one_current_each(tree: Any) -> None:
    """Two equal windings of one measured current each, one with a letter and one without; and a neutral."""
    del tree["transformers"][0]["windings"][1:]
    winding(tree, "LV1", None, 2, 200.0)
    winding(tree, "LV2", None, 3, 200.0)
    winding(tree, "HV_N", "N", 4, 200.0)


def single_phase_tank(tree: Any) -> None:
    """One unit of a bank: HV and two secondaries, all of phase A, all of 200 A."""
    del tree["transformers"][0]["windings"][1:]
    winding(tree, "LV1_A", "A", 2, 200.0)
    winding(tree, "LV2_A", "A", 3, 200.0)


def loads(s: Station, **amps: float) -> Station:
    return s.set(**{f"{name}__current_a": value for name, value in amps.items()})


def lost(s: Station) -> set[str]:
    return {
        w.id.removeprefix("T1.")
        for w in s.plan.layout.windings
        if s.alarm(f"{w.id[3:]}.current_lost") != "normal"
    }


def two_phases_gone() -> Station:
    return loads(Station(amps=360.0).run(20), HV_A=0.0, HV_B=2.0, HV_C=90.0)


def test_two_phases_at_zero_beside_one_that_carries_load_are_both_lost() -> None:
    s = two_phases_gone().run(8)
    assert s.called()  # for 10 s they may be sampled at different instants
    s.run(8)
    assert lost(s) == {"HV_A", "HV_B"}
    assert s.called(1, 2, 3)
    # The highest of the others and of the last valid one (360 A), which zero was not.
    for phase in ("HV_A", "HV_B"):
        assert s.value(f"{phase}.current_a") >= 360.0 - 1e-6
        assert s.value(f"{phase}.load_pu") >= 1.0
        assert s.quality(f"{phase}.load_pu").is_substituted
    assert s.told("near zero while another phase carries 0.30 pu")
    loads(s, HV_A=250.0, HV_B=250.0, HV_C=250.0).run(14)
    assert s.alarm("HV_A.current_lost") == s.alarm("HV_B.current_lost") == "returned-unacknowledged"


def test_control_compared_with_the_least_loaded_phase_two_lost_ones_hide_each_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(
        li,
        "phase_missing",
        lambda load, others, zero, carry: load is not None and load < zero and min(others) >= carry,
    )
    assert lost(two_phases_gone().run(60)) == set()


def beside_an_idle_winding() -> Station:
    s = loads(Station(two_secondaries, amps=150.0), LV1_A=750.0, LV1_B=750.0, LV1_C=750.0)
    loads(s, LV2_A=0.0, LV2_B=0.0, LV2_C=0.0).run(120)
    assert lost(s) == set()
    return loads(s, HV_B=0.0, LV1_C=0.0).run(16)


def test_an_idle_second_winding_is_no_fault_and_hides_none() -> None:
    s = beside_an_idle_winding()
    assert lost(s) == {"HV_B", "LV1_C"}
    assert s.called(1, 2, 3)


def test_control_compared_across_windings_the_idle_one_counts_as_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def across(t: Any) -> Any:
        return tuple(tuple(j for j in range(len(t.windings)) if j != k) for k in range(len(t.windings)))

    monkeypatch.setattr(sides, "phases_of", across)
    with pytest.raises(AssertionError):
        beside_an_idle_winding()


@pytest.mark.parametrize(
    ("edit", "amps"),
    [
        (None, {"HV_A": 0.0, "HV_B": 0.0, "HV_C": 0.0}),  # off load
        (
            None,
            {"HV_A": 0.0, "HV_B": 0.0, "HV_C": 50.0},
        ),  # 0.17 pu: charging current and noise stay below 0.3
        (None, {"HV_A": 18.0, "HV_B": 200.0, "HV_C": 200.0}),  # 0.06 pu: unbalanced, not zero
        (one_current_each, {"HV_A": 180.0, "LV1": 180.0, "LV2": 0.0, "HV_N": 0.0}),
        (single_phase_tank, {"HV_A": 180.0, "LV1_A": 180.0, "LV2_A": 0.0}),
        (
            two_secondaries,
            {f"{w}_{p}": a for w, a in (("HV", 150.0), ("LV1", 0.0), ("LV2", 750.0)) for p in "ABC"},
        ),
    ],
    ids=["all zero", "light load", "unbalanced", "one current each", "single-phase tank", "idle secondary"],
)
def test_what_is_legitimate_raises_nothing(edit: Any, amps: dict[str, float]) -> None:
    s = loads(Station(edit, amps=150.0), **amps).run(120)
    assert lost(s) == set()
    assert s.called()


def test_phases_of_one_winding_are_told_from_two_equal_ones() -> None:
    s = Station(two_secondaries)
    ids = [w.id.removeprefix("T1.") for w in s.plan.layout.windings]
    groups = {frozenset({ids[k], *(ids[j] for j in w.phases)}) for k, w in enumerate(s.plan.layout.windings)}
    assert groups == {frozenset(f"{w}_{p}" for p in "ABC") for w in ("HV", "LV1", "LV2")}
