"""Permissible loading against brute force: an independent solution at the figures that were found.

The reference below is written from the equations of IEC 60076-7:2018, 8.2, and IEEE C57.91-2011, clause 7,
solved with scipy, and shares no code with the product. Limits are checked as data in another place.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from collector.settings.model import Settings
from collector.thermal import loading
from collector.thermal.loading import Forecast, LoadingResult, Plan, Present
from collector.thermal.model import compile_model
from collector.thermal.track import Estimate, Sample, advance, initial

STAGES = frozenset({"fans1", "fans2"})
MINUTE = 60 * 10**9
#: x, y (IEC) or n, 2m (IEEE), k11, k21, k22, tau_o, tau_w [min] of the three modes below.
ONAN = (0.8, 1.3, 0.5, 2.0, 2.0, 210.0, 10.0)
ONAF = (0.8, 1.3, 0.5, 2.0, 2.0, 150.0, 7.0)
RESTRICTED = (0.8, 1.3, 0.5, 3.0, 2.0, 150.0, 7.0)
KEYS = ("oil_exponent", "winding_exponent", "k11", "k21", "k22", "tau_o_min", "tau_w_min")


def station(**changes: Any) -> Settings:
    """One transformer, two windings, three modes: none, one, both of two stages."""
    register = {"device": "d", "reference": 30001, "type": "int16"}
    modes = [
        ("ONAN", 1, "ONAN", (), 52.0, 3.0, ONAN),
        ("ONAF1", 2, "ONAF", ("fans1",), 50.0, 5.0, ONAF),
        ("ONAF2", 3, "ONAF", ("fans1", "fans2"), 48.0, 8.0, RESTRICTED),
    ]
    relay = {"device": "d", "coil": 0}
    limits = {"top_oil_c": 60.0}
    transformer: dict[str, Any] = {
        "id": "T1",
        "number": 1,
        "size": "medium",
        "paper": "kraft",
        "normal_life_h": 180000.0,
        "life_criterion": "functional life",
        "top_oil": register,
        "ambient": register,
        "modes": tuple(
            {
                "id": i, "number": n, "cooling": c, "needs": needs, "top_oil_rise_k": rise, "loss_ratio": r,
                **dict(zip(KEYS, figures, strict=True)),
            }
            for i, n, c, needs, rise, r, figures in modes
        ),
        "windings": tuple(
            {
                "id": name, "number": number, "current": register, "hot_spot_factor": factor,
                "modes": {
                    m: {"gradient_k": g, "rated_current_a": a}
                    for m, g, a in zip(("ONAN", "ONAF1", "ONAF2"), gradients, amperes, strict=True)
                },
            }
            for name, number, factor, gradients, amperes in (
                ("HV", 1, 1.3, (9.0, 13.0, 18.0), (120.0, 160.0, 200.0)),
                ("LV", 2, 1.4, (8.0, 12.0, 17.0), (600.0, 800.0, 1000.0)),
            )
        ),
        "stages": tuple(
            {"id": s, "number": i + 1, "relay": relay, "pickup": limits, "dropout": {"top_oil_c": 50.0}}
            for i, s in enumerate(("fans1", "fans2"))
        ),
        "limit_sets": ({"id": "own", "hot_spot_c": 115.0, "top_oil_c": 100.0, "load_pu": 3.0},),
        **changes,
    }  # fmt: skip
    return Settings.model_validate(
        {
            "station": {"id": "S"},
            "links": ({"id": "l", "type": "tcp", "host": "127.0.0.1"},),
            "devices": ({"id": "d", "number": 1, "link": "l"},),
            "transformers": (transformer,),
        }
    )


PLAN = loading.plan(station(), "T1")
IEEE = loading.plan(
    station(guide="ieee_c57_91", modes=tuple(
        {
            "id": i, "number": n, "cooling": c, "needs": needs, "top_oil_rise_k": rise, "loss_ratio": r,
            "tau_o_min": 150.0, "tau_w_min": 7.0,
        }
        for i, n, c, needs, rise, r in (
            ("ONAN", 1, "ONAN", (), 52.0, 3.0), ("ONAF1", 2, "ONAF", ("fans1",), 50.0, 5.0),
            ("ONAF2", 3, "ONAF", ("fans1", "fans2"), 48.0, 8.0),
        )
    )), "T1",
)  # fmt: skip


# --- the reference --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reference:
    """Mode figures written out once more: rise, R, (H g) per winding, exponents and time constants."""

    rise: float
    r: float
    hg: tuple[float, float]
    rated: tuple[float, float]
    figures: tuple[float, ...]
    ieee: bool = False


REFERENCE = {
    "ONAN": Reference(52.0, 3.0, (1.3 * 9.0, 1.4 * 8.0), (120.0, 600.0), ONAN),
    "ONAF1": Reference(50.0, 5.0, (1.3 * 13.0, 1.4 * 12.0), (160.0, 800.0), ONAF),
    "ONAF2": Reference(48.0, 8.0, (1.3 * 18.0, 1.4 * 17.0), (200.0, 1000.0), RESTRICTED),
}
IEEE_REFERENCE = {
    "ONAN": replace(REFERENCE["ONAN"], figures=(0.8, 1.6, 1.0, 1.0, 1.0, 150.0, 7.0), ieee=True),
    "ONAF2": replace(REFERENCE["ONAF2"], figures=(0.9, 1.6, 1.0, 1.0, 1.0, 150.0, 7.0), ieee=True),
}


def solve(
    ref: Reference, present: Present,
    current: Callable[[float], np.ndarray], ambient: Callable[[float], float],
    minutes: float,
) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:  # fmt: skip
    """(hot spot (2, N), top oil (N,)) as functions of the minute; currents per winding [A]."""
    x, y, k11, k21, k22, tau_o, tau_w = ref.figures

    def slope(t: float, z: np.ndarray) -> np.ndarray:
        k = current(t) / np.array(ref.rated)
        p = (1 + ref.r * k[0] ** 2) / (1 + ref.r)  # both windings are main: the first counts for the oil
        f1 = (k21 * np.array(ref.hg) * k**y - z[:2]) / (k22 * tau_w)
        f2 = ((k21 - 1) * np.array(ref.hg) * k**y - z[2:4]) / (tau_o / k22)
        if ref.ieee:
            d = z[4] / ref.rise
            oil = ref.rise * (p - math.copysign(abs(d) ** (1 / x), d)) / tau_o
        else:
            oil = (p**x * ref.rise + ambient(t) - z[4]) / (k11 * tau_o)
        return np.concatenate((f1, f2, [oil]))

    z0 = np.concatenate((present.z[:4], [present.z[4]]))
    found = solve_ivp(slope, (0, minutes), z0, rtol=1e-9, atol=1e-9, dense_output=True, max_step=20.0)

    def at(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        z = found.sol(t)
        fade = np.exp(-t / (k11 * tau_o)) if present.offset_k < 0 else 1.0
        base = np.array([ambient(v) for v in t]) if ref.ieee else 0.0
        oil = z[4] + base + present.offset_k * fade
        return oil + z[:2] - z[2:4], oil

    return at


def state(
    plan: Plan, mode: int, load: float, ambient_c: float, offset_k: float, share: float = 0.9
) -> Present:
    """As after a long time at a constant load of HV; LV at ``share`` of its per-unit load."""
    ref = list(REFERENCE.values())[mode]
    amperes = load * np.array(ref.rated) * np.array([1.0, share])
    x, y, _, k21, *_ = ref.figures
    if plan is IEEE:
        x, y, k21 = (0.8 if mode == 0 else 0.9), 1.6, 1.0
    k = amperes / np.array(ref.rated)
    rise = ((1 + ref.r * k[0] ** 2) / (1 + ref.r)) ** x * ref.rise
    gradient = np.array(ref.hg) * k**y
    oil = rise if plan is IEEE else rise + ambient_c
    z = np.concatenate((k21 * gradient, (k21 - 1) * gradient, [oil]))
    return Present(10**15, z, offset_k, amperes, ambient_c)


def worst(
    found: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]], result: LoadingResult, minutes: float
) -> float:
    """The largest excess of hot spot or top oil over its limit within so many minutes [K]."""
    hot, oil = found(np.arange(0.5, minutes + 0.01, 0.5))
    return float(max(hot.max() - result.limits.hot_spot_c, oil.max() - result.limits.top_oil_c))


# --- brute force ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("guide", "reference"), [(PLAN, REFERENCE), (IEEE, IEEE_REFERENCE)], ids=["iec", "ieee"]
)
@pytest.mark.parametrize(
    ("mode", "load", "ambient_c", "offset_k"),
    [(0, 0.5, 35.0, 4.0), (2, 0.9, 20.0, -5.0), (2, 0.2, -10.0, 0.0)],
)
def test_the_largest_load_just_reaches_its_limit(
    guide: Plan, reference: dict[str, Reference], mode: int, load: float, ambient_c: float, offset_k: float
) -> None:
    present = state(guide, mode, load, ambient_c, offset_k)
    per_pu = present.current_a / (present.current_a / np.array([200.0, 1000.0])).max()
    checked = 0
    for result in loading.permissible_loading(guide, present, STAGES):
        assert [c.mode for c in result.cases] == ["ONAF2", "ONAN"]
        assert result.cases[1].without == "fans1"  # without the first group no mode with fans is left
        for case in result.cases:
            for n, hold in enumerate(case.holds):
                capped = case is result.cases[1] and hold.load_pu == result.cases[0].holds[n].load_pu
                if capped or hold.limited_by.startswith("current"):
                    assert capped or hold.load_pu == result.limits.load_pu
                    excess = worst(
                        solve(reference[case.mode], present, lambda t, h=hold: h.load_pu * per_pu,
                              lambda t: ambient_c, hold.duration_min), result, hold.duration_min)  # fmt: skip
                    assert excess < 0.05
                    continue
                found = solve(
                    reference[case.mode], present, lambda t, h=hold: h.load_pu * per_pu, lambda t: ambient_c,
                    hold.duration_min,
                )  # fmt: skip
                assert worst(found, result, hold.duration_min) == pytest.approx(0.0, abs=0.05), (result, hold)
                checked += 1
    assert checked > 20, "premise: temperatures limit most of the figures"


@pytest.mark.parametrize(
    ("guide", "reference"), [(PLAN, REFERENCE), (IEEE, IEEE_REFERENCE)], ids=["iec", "ieee"]
)
def test_the_limit_is_reached_after_the_minutes_stated(guide: Plan, reference: dict[str, Reference]) -> None:
    """From half load to 1.6 times nameplate."""
    present = replace(state(guide, 2, 0.5, 30.0, 3.0), current_a=1.6 * np.array([200.0, 900.0]))
    reached = 0
    for result in loading.permissible_loading(guide, present, STAGES):
        for case in result.cases:
            if case.minutes_limited_by.startswith("current"):
                assert case.minutes == 0.0
                assert result.limits.load_pu < 1.6
                continue
            found = solve(reference[case.mode], present, lambda t: present.current_a, lambda t: 30.0, 1500.0)
            assert 0 < case.minutes < 1440
            hot, oil = found(np.array([case.minutes]))
            excess = max(hot.max() - result.limits.hot_spot_c, oil[0] - result.limits.top_oil_c)
            if case is result.cases[1] and case.minutes == result.cases[0].minutes:
                assert excess < 0.1  # never more than with all stages
            else:
                assert excess == pytest.approx(0.0, abs=0.1), (result.limits, case)
            assert worst(found, result, case.minutes - 0.5) < 0.0
            reached += 1
    assert reached >= 6


def test_a_load_that_never_reaches_a_limit_is_said_so() -> None:
    for result in loading.permissible_loading(PLAN, state(PLAN, 2, 0.3, 10.0, 0.0), STAGES):
        assert all(case.minutes == math.inf for case in result.cases)
        assert all(case.minutes_limited_by == "" for case in result.cases)


def test_a_forecast_of_load_and_ambient_counts_instead() -> None:
    present = state(PLAN, 2, 0.8, 25.0, 2.0)
    t0 = present.t_ns
    forecast = Forecast(
        (t0, t0 + 90 * MINUTE, t0 + 200 * MINUTE, t0 + 600 * MINUTE),
        (0.8, 1.45, 1.3, 0.7),
        (25.0, 34.0, 38.0, 15.0),
    )
    when = np.array([0.0, 90.0, 200.0, 600.0])
    per_pu = present.current_a / 0.8

    def ambient(t: float) -> float:
        return float(np.interp(t, when, forecast.ambient_c))

    plain = loading.permissible_loading(PLAN, present, STAGES)
    results = loading.permissible_loading(PLAN, present, STAGES, forecast)
    for result, without in zip(results, plain, strict=True):
        case = result.cases[0]
        load = solve(
            REFERENCE["ONAF2"],
            present,
            lambda t: np.interp(t, when, forecast.load_pu) * per_pu,
            ambient,
            1500.0,
        )
        if case.minutes < math.inf and not case.minutes_limited_by.startswith("current"):
            hot, oil = load(np.array([case.minutes]))
            excess = max(hot.max() - result.limits.hot_spot_c, oil[0] - result.limits.top_oil_c)
            assert excess == pytest.approx(0.0, abs=0.1)
        for hold, base in zip(case.holds, without.cases[0].holds, strict=True):
            assert hold.load_pu <= base.load_pu + 1e-6 or hold.duration_min <= 15
            if not hold.limited_by.startswith("current"):
                found = solve(
                    REFERENCE["ONAF2"],
                    present,
                    lambda t, h=hold: h.load_pu * per_pu,
                    ambient,
                    hold.duration_min,
                )
                assert worst(found, result, hold.duration_min) == pytest.approx(0.0, abs=0.05)
        assert result.valid_until_ns == t0 + 15 * MINUTE
    assert any(r.cases[0].minutes < 200 for r in results)
    assert all(r.cases[0].minutes == math.inf for r in plain if r.limits.hot_spot_c > 115)


@pytest.mark.parametrize(
    ("times", "load", "ambient", "words"),
    [
        ((0, 10), (1.0,), (20.0, 20.0), "for each"),
        ((0,), (1.0,), (20.0,), "two or more"),
        ((0, 0), (1.0, 1.0), (20.0, 20.0), "do not increase"),
        ((0, 10), (1.0, math.nan), (20.0, 20.0), "0 to 5 pu"),
        ((0, 10), (1.0, 1.0), (20.0, 99.0), "-60 to 60"),
        ((5, 10), (1.0, 1.0), (20.0, 20.0), "does not cover"),
        ((-10, 0), (1.0, 1.0), (20.0, 20.0), "does not cover"),
    ],
)
def test_a_forecast_without_sense_gives_no_figure(
    times: tuple[int, ...], load: tuple[float, ...], ambient: tuple[float, ...], words: str
) -> None:
    present = state(PLAN, 2, 0.8, 25.0, 2.0)
    forecast = Forecast(tuple(present.t_ns + t * MINUTE for t in times), load, ambient)
    for result in loading.permissible_loading(PLAN, present, STAGES, forecast):
        assert result.cases == ()
        assert words in result.reason


# --- order ----------------------------------------------------------------------------------------------

_STATES = st.tuples(
    st.integers(0, 2), st.floats(0.0, 1.4), st.floats(-20.0, 40.0), st.floats(-8.0, 12.0), st.floats(0.5, 1.2)
)
_premises = {"limited by a temperature": 0, "examples": 0}


@settings(max_examples=60, deadline=None)
@given(drawn=_STATES, hotter_k=st.floats(0.0, 15.0))
def test_longer_hotter_and_less_cooling_never_allow_more(
    drawn: tuple[int, float, float, float, float], hotter_k: float
) -> None:
    mode, load, ambient_c, offset_k, share = drawn
    present = state(PLAN, mode, load, ambient_c, offset_k, share)
    _premises["examples"] += 1
    hotter = replace(present, ambient_c=ambient_c + hotter_k)
    for cool, hot in zip(
        loading.permissible_loading(PLAN, present, STAGES),
        loading.permissible_loading(PLAN, hotter, STAGES),
        strict=True,
    ):
        for case in cool.cases:
            loads = [hold.load_pu for hold in case.holds]
            assert loads == sorted(loads, reverse=True)
            assert all(0 <= v <= cool.limits.load_pu for v in loads)
            _premises["limited by a temperature"] += "current" not in case.holds[-1].limited_by
        for full, less in zip(_figures(cool.cases[0]), _figures(cool.cases[1]), strict=True):
            assert less.load_pu <= full.load_pu + 1e-4
        assert cool.cases[1].minutes <= cool.cases[0].minutes + 0.1
        for case, warm in zip(cool.cases, hot.cases, strict=True):
            assert warm.minutes <= case.minutes + 1e-6
            for a, b in zip(_figures(case), _figures(warm), strict=True):
                assert b.load_pu <= a.load_pu + 1e-6


def _figures(case: loading.Case) -> list[loading.Hold]:
    return [hold for _, hold in loading.lines(case)]


def test_the_premises_of_the_property_were_true() -> None:
    print(_premises)
    assert _premises["examples"] == 0 or _premises["limited by a temperature"] > 0


def test_a_higher_offset_allows_less_and_tighter_limits_allow_less() -> None:
    cool = loading.permissible_loading(PLAN, state(PLAN, 2, 0.8, 25.0, 0.0), STAGES)
    hot = loading.permissible_loading(PLAN, state(PLAN, 2, 0.8, 25.0, 6.0), STAGES)
    own = next(r for r in cool if r.limits.id == "own").cases[0].holds[5]
    for a, b in zip(cool, hot, strict=True):
        assert b.cases[0].holds[-1].load_pu < a.cases[0].holds[-1].load_pu or a.limits.load_pu <= 1.8
        if a.limits.hot_spot_c > 115:
            assert own.load_pu < a.cases[0].holds[-1].load_pu


# --- cooling, parts, words ------------------------------------------------------------------------------


def test_a_part_in_series_limits_by_name_and_a_load_above_it_has_no_minutes_left() -> None:
    plan = loading.plan(
        station(load_limits=({"part": "bushing LV", "winding": "LV", "max_current_a": 1100.0},)), "T1"
    )
    present = state(PLAN, 2, 0.5, 0.0, 0.0, share=1.0)
    result = loading.permissible_loading(plan, present, STAGES)[0]
    assert result.cases[0].holds[0].limited_by == "bushing LV (1100 A)"
    assert result.cases[0].holds[0].load_pu == pytest.approx(1.1)
    assert result.cases[0].holds[0].current_a == pytest.approx(220.0)  # of HV, the winding the loads refer to
    assert result.winding == "HV"
    over = replace(present, current_a=np.array([230.0, 1150.0]))
    case = loading.permissible_loading(plan, over, STAGES)[0].cases[0]
    assert (case.minutes, case.minutes_limited_by) == (0.0, "bushing LV (1100 A)")


def test_what_is_above_its_limit_now_cannot_be_held_at_any_load() -> None:
    result = loading.permissible_loading(PLAN, state(PLAN, 2, 1.6, 30.0, 0.0), STAGES)[0]
    assert [hold.load_pu for hold in result.cases[0].holds] == [0.0] * 6
    assert result.cases[0].holds[0].limited_by.endswith("(above its limit now)")
    assert result.cases[0].minutes == 0.0


def test_an_idle_transformer_takes_all_windings_at_equal_load() -> None:
    idle = replace(state(PLAN, 0, 0.0, 20.0, 0.0), current_a=np.array([0.4, 0.0]))
    equal = replace(state(PLAN, 0, 0.0, 20.0, 0.0), current_a=np.array([20.0, 100.0]))
    for a, b in zip(
        loading.permissible_loading(PLAN, idle, STAGES),
        loading.permissible_loading(PLAN, equal, STAGES),
        strict=True,
    ):
        assert [h.load_pu for h in a.cases[0].holds] == pytest.approx([h.load_pu for h in b.cases[0].holds])


def test_stages_that_are_not_available_lower_the_mode_and_fans_need_their_pump() -> None:
    assert loading.reached_mode(PLAN, {"fans1", "fans2"}) == 2
    assert loading.reached_mode(PLAN, {"fans1"}) == 1
    assert loading.reached_mode(PLAN, {"fans2"}) == 0
    pumped = replace(PLAN, pump={"fans1": "fans2", "fans2": None})
    assert loading.reached_mode(pumped, {"fans1"}) == 0
    assert loading.largest_stage(PLAN, {"fans1", "fans2"}) == "fans1"
    assert loading.largest_stage(PLAN, set()) == ""
    present = state(PLAN, 2, 0.8, 25.0, 0.0)
    none = loading.permissible_loading(PLAN, present, set())[0]
    assert [case.mode for case in none.cases] == ["ONAN", "ONAN"]
    assert none.cases[0].holds == none.cases[1].holds
    bare = replace(
        PLAN, needs=(frozenset({"fans2"}), frozenset({"fans1", "fans2"}), frozenset({"fans1", "fans2"}))
    )
    lost = loading.permissible_loading(bare, present, STAGES)[0]
    assert lost.cases[0].mode == "ONAF2"
    assert lost.cases[1].reason == "without fans2 no cooling mode is left"
    assert lost.cases[1].holds == ()
    assert math.isnan(lost.cases[1].minutes)


def test_a_tap_that_lowers_the_rated_current_lowers_the_amperes() -> None:
    present = state(PLAN, 2, 0.5, 20.0, 0.0, share=1.0)
    tapped = replace(present, rated_scale=np.array([0.9, 1.0]), loss_scale=1.1)
    for a, b in zip(
        loading.permissible_loading(PLAN, present, STAGES),
        loading.permissible_loading(PLAN, tapped, STAGES),
        strict=True,
    ):
        assert b.winding == "HV"
        assert b.cases[0].holds[-1].current_a < a.cases[0].holds[-1].current_a


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"reason": "top oil is not measured"}, "top oil is not measured"),
        ({"ambient_c": math.nan}, "ambient is missing"),
        ({"current_a": np.array([100.0, math.nan])}, "a winding current is missing"),
        ({"current_a": np.array([100.0])}, "a winding current is missing"),
        ({"z": np.full(5, math.nan)}, "the thermal estimate is not running"),
        ({"offset_k": math.inf}, "the thermal estimate is not running"),
    ],
)
def test_bad_inputs_give_no_figure_but_the_reason(change: dict[str, Any], words: str) -> None:
    present = replace(state(PLAN, 2, 0.8, 25.0, 0.0), **change)
    results = loading.permissible_loading(PLAN, present, STAGES)
    assert len(results) == 8
    assert all(result.cases == () and result.reason == words for result in results)
    assert [row[2] for row in loading.rows(results)] == ["no figure"] * 8


def followed(tree: Settings, **last: Any) -> tuple[Sample, Estimate]:
    """Two hours of two transformers through the live step; T2 is hotter and at another tap."""
    model, sample, estimate = compile_model(tree), None, None
    running = initial(model, 0)
    for i in range(1, 121):
        t = i * MINUTE
        now = np.array([t, t])
        values: dict[str, Any] = {
            "t_ns": t,
            "oil_c": np.array([50.0 + 0.1 * i, 70.0]),
            "oil_ns": now,
            "ambient_c": np.array([20.0, 25.0]),
            "ambient_ns": now,
            "current_a": np.array([150.0, 700.0, 190.0, 950.0]),
            "current_ns": np.repeat(now, 2),
            "mode": np.array([2, 2]),
            "rated_scale": np.array([1.0, 1.0, 0.95, 1.0]),
            "loss_scale": np.array([1.0, 1.05]),
        }
        sample = Sample(**(values | (last if i == 120 else {})))
        running, estimate = advance(model, running, sample)
    assert sample is not None
    assert estimate is not None
    return sample, estimate


def two() -> Settings:
    tree = station()
    second = tree.transformers[0].model_copy(update={"id": "T2", "number": 2})
    return tree.model_copy(update={"transformers": (tree.transformers[0], second)})


def test_the_present_is_that_of_the_live_step() -> None:
    tree = two()
    sample, estimate = followed(tree)
    now = loading.present(compile_model(tree), sample, estimate, "T2")
    assert now.reason == ""
    assert now.current_a.tolist() == [190.0, 950.0]
    assert now.ambient_c == 25.0
    assert now.rated_scale is not None
    assert now.rated_scale.tolist() == [0.95, 1.0]
    assert now.loss_scale == 1.05
    assert now.z[4] + now.offset_k == pytest.approx(70.0)  # expected plus difference = measured
    assert estimate.oil_c[1] + now.z[:2] - now.z[2:4] == pytest.approx(estimate.hot_spot_c[2:])
    results = loading.permissible_loading(loading.plan(tree, "T2"), now, STAGES)
    assert {r.transformer for r in results} == {"T2"}
    assert all(len(r.cases) == 2 and r.t_ns == 120 * MINUTE for r in results)
    assert loading.present(compile_model(tree), sample, estimate, "T1").rated_scale is None


@pytest.mark.parametrize(
    ("last", "words"),
    [
        (
            {"oil_c": np.array([62.0, math.nan]), "oil_substituted": np.array([False, True])},
            "top oil is not measured",
        ),
        ({"current_substituted": np.array([False, False, True, False])}, "a winding current is substituted"),
        ({"current_a": np.array([150.0, 700.0, 190.0, 1e9])}, "an input is outside physical sense"),
        ({"current_a": np.array([150.0, 700.0, math.nan, 950.0])}, "a winding current is missing"),
        ({"ambient_c": np.array([20.0, math.nan])}, "ambient is missing"),
    ],
)
def test_a_lost_input_of_the_live_step_gives_no_figure_there_and_leaves_the_other(
    last: dict[str, Any], words: str
) -> None:
    tree = two()
    sample, estimate = followed(tree, **last)
    for transformer, reason in (("T1", ""), ("T2", words)):
        now = loading.present(compile_model(tree), sample, estimate, transformer)
        found = loading.permissible_loading(loading.plan(tree, transformer), now, STAGES)
        assert {r.reason for r in found} == {reason}
        assert all((r.cases == ()) == (reason != "") for r in found)


def test_before_the_first_complete_sample_there_is_no_figure() -> None:
    tree = two()
    model = compile_model(tree)
    nothing = Sample(
        t_ns=1, oil_c=np.full(2, math.nan), oil_ns=np.zeros(2, dtype=np.int64),
        ambient_c=np.full(2, math.nan),
        ambient_ns=np.zeros(2, dtype=np.int64), current_a=np.full(4, math.nan),
        current_ns=np.zeros(4, dtype=np.int64), mode=np.zeros(2, dtype=np.int64),
    )  # fmt: skip
    _, estimate = advance(model, initial(model, 0), nothing)
    assert loading.present(model, nothing, estimate, "T1").reason == "the thermal estimate is not running"


def test_limit_sets_of_the_guides_and_of_the_user_with_their_sources() -> None:
    """Limits of both guides: from memory."""
    sets = {
        s.id: (s.hot_spot_c, s.top_oil_c, s.load_pu) for s in loading.limit_sets(station().transformers[0])
    }
    assert sets == {
        "iec_normal_cyclic": (120, 105, 1.5),
        "iec_long_time_emergency": (140, 115, 1.5),
        "iec_short_time_emergency": (160, 115, 1.8),
        "ieee_normal_life_expectancy": (120, 105, 2.0),
        "ieee_planned_beyond_nameplate": (130, 110, 2.0),
        "ieee_long_time_emergency": (140, 110, 2.0),
        "ieee_short_time_emergency": (180, 110, 2.0),
        "own": (115, 100, 3.0),
    }
    sources = {s.source for s in loading.limit_sets(station().transformers[0])}
    assert sources == {"IEC 60076-7, medium, from memory", "IEEE C57.91, from memory", "settings"}
    assert loading.limit_sets(station(size="large").transformers[0])[0].load_pu == 1.3
    assert (
        loading.limit_sets(station(guide="ieee_c57_91").transformers[0])[0].id
        == "ieee_normal_life_expectancy"
    )


def test_bubbles_start_about_140_degrees_at_2_percent_moisture() -> None:
    """IEC 60076-7: about 140 degC at about 2 % moisture (from memory)."""
    assert loading.bubble_inception_c(2.0) == pytest.approx(140.0, abs=1.0)
    falling = [loading.bubble_inception_c(w) for w in (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)]
    assert falling == sorted(falling, reverse=True)
    assert loading.bubble_inception_c(0.0) == loading.bubble_inception_c(0.5)
    assert loading.bubbling_margin_k(150.0, 2.0) == pytest.approx(-10.0, abs=1.0)
    results = loading.permissible_loading(PLAN, state(PLAN, 2, 0.8, 25.0, 0.0), STAGES)
    assert [r.limits.id for r in results if r.bubbles] == [
        "iec_short_time_emergency",
        "ieee_short_time_emergency",
    ]
    ester = loading.plan(station(liquid="natural_ester"), "T1")  # the equation is for mineral oil
    assert not any(
        r.bubbles for r in loading.permissible_loading(ester, state(PLAN, 2, 0.8, 25.0, 0.0), STAGES)
    )


def test_rows_for_people() -> None:
    results = loading.permissible_loading(PLAN, state(PLAN, 2, 0.8, 25.0, 0.0), STAGES)
    table = list(loading.rows(results))
    # six durations, for short-time emergency two of them; every day's sets: two figures without end
    assert len(table) == 2 * (6 * 6 + 2 * 2 + 3 * 2)
    assert all(len(row) == len(loading.HEADING) for row in table)
    assert [row[3] for row in table[:8]] == [
        "15 min", "30 min", "1 h", "2 h", "4 h", "8 h", "without end", "at present ambient"
    ]  # fmt: skip
    assert [row[6].count(" / ") for row in table[:8]] == [2] * 6 + [0, 0]
    assert table[8][1] == "ONAN without fans1"
    assert table[0][2] == "not within 24 h"


def test_main_figures_for_points() -> None:
    results = loading.permissible_loading(PLAN, state(PLAN, 2, 0.9, 25.0, 0.0), STAGES)
    figures = loading.main_figures(results)
    full, less = results[0].cases
    assert figures["load_minutes"] == 1440.0  # not within 24 h
    assert figures["load_15min_pu"] == full.holds[0].load_pu
    assert full.continuous is not None
    assert full.present_ambient is not None
    assert figures["load_continuous_pu"] == full.continuous.load_pu
    assert figures["load_present_ambient_pu"] == full.present_ambient.load_pu
    assert figures["load_4h_life_h"] == full.holds[4].life_h[1]
    assert figures["reduced_load_4h_pu"] == less.holds[4].load_pu
    assert figures["reduced_load_minutes"] == less.minutes < 1440
    assert figures["load_limited_by"] == "ageing rate of HV"
    bad = replace(state(PLAN, 2, 0.8, 25.0, 0.0), reason="top oil is not measured")
    none = loading.main_figures(loading.permissible_loading(PLAN, bad, STAGES))
    assert none.keys() == figures.keys()
    assert set(none.values()) == {None}
