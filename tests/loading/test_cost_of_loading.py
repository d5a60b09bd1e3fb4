"""What a permissible load costs, and which load may stay without end: judged by brute-force integration.

The reference integrates the equations of IEC 60076-7 and C57.91 with scipy and adds up ageing itself; it
shares no code with the product. Ageing laws as both guides print them: kraft 2^((theta - 98)/6).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import test_permissible_loading as base
from scipy.optimize import brentq

from collector.settings import example, load
from collector.thermal import loading

STAGES = base.STAGES
DAY_H = 24.0


def kraft(hot_spot_c: Any) -> Any:
    return 2.0 ** ((np.asarray(hot_spot_c) - 98.0) / 6.0)


# --- without end ----------------------------------------------------------------------------------------


def test_the_demo_may_carry_without_end_what_ages_it_as_intended() -> None:
    """Red before: 1.32 pu "without end" at 20 °C held 120 °C, an ageing rate of 12.7: life gone in 1.6 years.

    Steady state written out from the demo's own figures: rise 47 K, R 8, x 0.8, H g 1.3 · 15.8 K, y 1.3.
    """
    found = load(example("demo.yaml"))
    assert found.settings is not None
    plan = loading.plan(found.settings, "T1")
    w = len(plan.winding_ids)
    z = np.concatenate((np.full(w, 20.0), np.full(w, 10.0), [50.0]))
    rated = plan.model.rated_current_a[2]
    present = loading.Present(10**15, z, 0.0, 0.8 * rated, 20.0)
    stages = {"stage1", "stage2", "stage3"}
    case = loading.permissible_loading(plan, present, stages)[0].cases[0]

    def hot_spot(pu: float, ambient_c: float) -> float:
        return ambient_c + 47.0 * ((1 + 8 * pu**2) / 9) ** 0.8 + 1.3 * 15.8 * pu**1.3

    assert kraft(hot_spot(1.32, 20.0)) > 10.0  # what was offered
    assert case.continuous is not None
    right = float(brentq(lambda pu: kraft(hot_spot(pu, 20.0)) - 1.0, 0.5, 2.0))
    assert case.continuous.load_pu == pytest.approx(right, abs=1e-3)
    assert case.continuous.limited_by.startswith("ageing rate")


@pytest.mark.parametrize(("weighted_c", "rate"), [(20.0, 1.0), (10.0, 1.0), (27.0, 0.5), (20.0, 3.0)])
@pytest.mark.parametrize("ambient_c", [-10.0, 20.0, 38.0])
@pytest.mark.parametrize("offset_k", [5.0, -5.0])
def test_without_end_is_the_load_of_the_allowed_ageing(
    weighted_c: float, rate: float, ambient_c: float, offset_k: float
) -> None:
    """At the yearly weighted ambient whatever the day is like; the figure of the day has its own name."""
    settings = base.station(
        site={"ambient_weighted_c": weighted_c}, loading={"ageing_rate_max": rate}, limit_sets=()
    )
    plan = loading.plan(settings, "T1")
    present = base.state(base.PLAN, 2, 0.9, ambient_c, offset_k)
    case = loading.permissible_loading(plan, present, STAGES)[0].cases[0]

    def ageing(pu: float, ambient: float) -> float:
        oil = ambient + max(offset_k, 0.0) + 48.0 * ((1 + 8 * pu**2) / 9) ** 0.8
        return float(kraft(oil + max(1.3 * 18.0 * pu**1.3, 1.4 * 17.0 * (0.9 * pu) ** 1.3))) - rate

    for hold, ambient in ((case.continuous, weighted_c), (case.present_ambient, ambient_c)):
        assert hold is not None
        right = min(float(brentq(ageing, 0.1, 3.0, args=(ambient,))), 1.5)
        assert hold.load_pu == pytest.approx(right, abs=1e-4)
        assert hold.duration_min == math.inf


def test_a_part_and_the_load_limit_hold_without_end_too() -> None:
    part = {"part": "bushing LV", "winding": "LV", "max_current_a": 700.0}
    plan = loading.plan(base.station(load_limits=(part,)), "T1")
    present = base.state(base.PLAN, 2, 0.5, 0.0, 0.0, share=1.0)
    case = loading.permissible_loading(plan, present, STAGES)[0].cases[0]
    assert case.continuous is not None
    assert case.continuous.limited_by == "bushing LV (700 A)"
    assert case.continuous.load_pu == pytest.approx(0.7)
    cold = loading.plan(base.station(site={"ambient_weighted_c": -30.0, "ambient_low_c": -40.0}), "T1")
    case = loading.permissible_loading(cold, present, STAGES)[0].cases[0]
    assert case.continuous is not None
    assert (case.continuous.load_pu, case.continuous.limited_by) == (1.5, "current limit 1.5 pu")


def test_wet_paper_may_carry_less_without_end() -> None:
    """A of 1.5 % water is 3.66 times that of 0.5 %: 11 K at 128 kJ/mol (IEC 60076-7:2018, from memory)."""
    wet = base.station(
        paper="kraft_2018", oil_preservation="sealed", moisture_percent=1.5, normal_life_h=102_700.0
    )
    kelvin = 1 / (1 / 371.0 + math.log(1.5e11 / 4.1e10) * 8.314 / 128e3) - 273.0
    assert 86.0 < kelvin < 88.0
    present = base.state(base.PLAN, 2, 0.5, 20.0, 0.0)
    case = loading.permissible_loading(loading.plan(wet, "T1"), present, STAGES)[0].cases[0]
    assert case.continuous is not None
    pu = case.continuous.load_pu
    hot = 20 + 48.0 * ((1 + 8 * pu**2) / 9) ** 0.8 + max(23.4 * pu**1.3, 23.8 * (0.9 * pu) ** 1.3)
    assert hot == pytest.approx(kelvin, abs=0.01)


# --- for how long a set may be used ---------------------------------------------------------------------


def test_no_figure_is_given_for_longer_than_a_set_may_be_used() -> None:
    """Short-time emergency: half an hour, both guides (from memory; C57.91 speaks of hours at most)."""
    present = base.state(base.PLAN, 2, 0.8, 20.0, 0.0)
    own = {"id": "own", "hot_spot_c": 150.0, "top_oil_c": 115.0, "load_pu": 1.7, "longest_min": 120.0}
    plan = loading.plan(base.station(limit_sets=(own,)), "T1")
    results = {r.limits.id: r for r in loading.permissible_loading(plan, present, STAGES)}
    for name, longest in (
        ("iec_short_time_emergency", 30.0), ("ieee_short_time_emergency", 30.0), ("own", 120.0),
        ("iec_long_time_emergency", 480.0), ("iec_normal_cyclic", 480.0),
    ):  # fmt: skip
        for case in results[name].cases:
            assert case.holds[-1].duration_min == longest
            normal = name == "iec_normal_cyclic"
            assert (case.continuous is not None) == (case.present_ambient is not None) == normal


# --- what it costs --------------------------------------------------------------------------------------


def brute_force(
    plan: Any, ref: base.Reference, present: loading.Present, pu: float, minutes: float
) -> tuple[float, float, float]:
    """Hours of life of the winding that ages most: low, best, high, by Simpson over seconds."""
    per_pu = present.current_a / (present.current_a / np.array([200.0, 1000.0])).max()
    amperes = pu * per_pu
    found = base.solve(ref, present, lambda t: amperes, lambda t: present.ambient_c, minutes)
    t = np.linspace(0.0, minutes, 2 * int(minutes * 4) + 1)
    hot, oil = found(t)
    x, y = ref.figures[0], ref.figures[1]
    k_oil = amperes[0] / ref.rated[0]
    fade = np.exp(-t / (ref.figures[2] * ref.figures[5])) if present.offset_k < 0 else 1.0
    rise = oil - present.offset_k * fade - present.ambient_c
    best = None
    for w in range(2):
        gradient = hot[w] - oil
        # U (k = 2) on estimated oil, docs/physics.md section 8: half-widths that the settings leave open
        factor = (1.3, 1.4)[w]
        u_g = math.hypot(0.1 / factor, 1.5 * factor / ref.hg[w]) / math.sqrt(3.0)
        u_i, u_amb, u_rise = (width / math.sqrt(3.0) for width in (0.01, 1.0, 2.0))
        share = ref.r * k_oil**2 / (1 + ref.r * k_oil**2)
        variance = (
            u_amb**2 + (u_rise * rise / ref.rise) ** 2 + (gradient * u_g) ** 2
            + ((y * gradient + 2 * x * share * rise) * u_i) ** 2
        )  # fmt: skip
        u = 2.0 * np.sqrt(variance)
        weights = np.ones(len(t))
        weights[1:-1:2], weights[2:-1:2] = 4.0, 2.0
        lives = tuple(
            float(weights @ kraft(hot[w] + s * u)) * (t[1] - t[0]) / 3.0 / 60.0 for s in (-1.0, 0.0, 1.0)
        )
        if best is None or lives[1] > best[1]:
            best = lives
    assert best is not None
    return best


@pytest.mark.parametrize(
    ("guide", "reference"),
    [(base.PLAN, base.REFERENCE), (base.IEEE, base.IEEE_REFERENCE)],
    ids=["iec", "ieee"],
)
@pytest.mark.parametrize(
    ("mode", "load", "ambient_c", "offset_k"),
    [(0, 0.5, 35.0, 4.0), (2, 0.9, 20.0, -5.0), (2, 0.2, -10.0, 0.0)],
)
def test_every_row_says_what_it_costs(
    guide: Any,
    reference: dict[str, base.Reference],
    mode: int,
    load: float,
    ambient_c: float,
    offset_k: float,
) -> None:
    present = base.state(guide, mode, load, ambient_c, offset_k)
    rows = 0
    for result in loading.permissible_loading(guide, present, STAGES):
        for case in result.cases:
            for hold in case.holds:
                right = brute_force(guide, reference[case.mode], present, hold.load_pu, hold.duration_min)
                assert hold.life_h == pytest.approx(right, rel=0.01), (result.limits.id, case.mode, hold)
                rows += 1
    assert rows > 60


def test_an_owner_may_limit_the_cost_of_an_event() -> None:
    """No row costs more, as the brute force counts; rows that cost less without it stay as they were."""
    present = base.state(base.PLAN, 2, 0.8, 20.0, 0.0)
    plan = loading.plan(base.station(loading={"event_life_h": 6.0}), "T1")
    limited = 0
    for free, held in zip(
        loading.permissible_loading(base.PLAN, present, STAGES),
        loading.permissible_loading(plan, present, STAGES),
        strict=True,
    ):
        for a, b in zip(free.cases[0].holds, held.cases[0].holds, strict=True):
            if a.life_h[1] <= 6.0 * 0.999:
                assert b.load_pu == a.load_pu
                continue
            cost = brute_force(plan, base.REFERENCE["ONAF2"], present, b.load_pu, b.duration_min)
            assert cost[1] == pytest.approx(6.0, rel=0.01)
            assert b.limited_by in ("life of HV (6 h an event)", "life of LV (6 h an event)")
            limited += 1
    assert limited > 10
    # too hot already: the oil alone ages more than that
    hot = replace(base.state(base.PLAN, 2, 1.7, 35.0, 0.0))
    none = loading.permissible_loading(plan, hot, STAGES)[2].cases[0].holds[0]
    assert none.load_pu == 0.0


# --- a day that repeats ---------------------------------------------------------------------------------

HOURS, SHAPE = (0.0, 6.0, 8.0, 12.0, 17.0, 21.0), (0.5, 0.55, 0.9, 0.8, 1.1, 0.7)
AIR = (12.0, 10.0, 14.0, 22.0, 24.0, 17.0)


@pytest.mark.parametrize("rate", [1.0, 0.25, 20.0])
@pytest.mark.parametrize("ambient", [(), AIR], ids=["weighted", "own air"])
def test_the_peak_of_a_day_uses_up_a_day(rate: float, ambient: tuple[float, ...]) -> None:
    """The shape repeated until nothing changes from day to day, and its life added up over the last one."""
    rate_key = {"loading": {"ageing_rate_max": min(rate, 10.0)}, "limit_sets": ()}
    plan = loading.plan(base.station(**rate_key), "T1")
    present = base.state(base.PLAN, 2, 0.7, 30.0, 3.0)
    day = loading.Day(HOURS, SHAPE, ambient)
    full, less = loading.daily_peak(plan, present, STAGES, day)
    assert (full.mode, less.mode, less.without) == ("ONAF2", "ONAN", "fans1")
    assert less.load_pu < full.load_pu
    per_pu = present.current_a / 0.7
    corners = np.append(HOURS, 24.0) * 60.0

    def share(t: float) -> float:
        return float(np.interp(t % 1440.0, corners, (*SHAPE, SHAPE[0])) / max(SHAPE))

    def air(t: float) -> float:
        given = ambient or (20.0,) * len(HOURS)
        return float(np.interp(t % 1440.0, corners, (*given, given[0])))

    for peak in (full, less):
        pu = peak.load_pu
        ref = base.REFERENCE[peak.mode]
        found = base.solve(ref, present, lambda t, k=pu: k * share(t) * per_pu, air, 5760.0)
        t = np.linspace(4320.0, 5760.0, 2881)
        hot, oil = found(t)
        lives = np.trapezoid(kraft(hot), t, axis=1) / 60.0
        assert peak.life_h[1] == pytest.approx(lives.max(), rel=0.01)
        assert peak.life_h[0] < peak.life_h[1] < peak.life_h[2]
        if peak.limited_by.startswith("life of"):
            assert lives.max() == pytest.approx(24.0 * min(rate, 10.0), rel=0.01)
        else:
            assert max(hot.max() - 120.0, oil.max() - 105.0) == pytest.approx(0.0, abs=0.05) or pu == 1.5
    assert full.limited_by.startswith("life of") == (rate < 10.0)


@pytest.mark.parametrize(
    ("day", "words"),
    [
        (loading.Day((), ()), "one or more"),
        (loading.Day((1.0, 2.0), (1.0, 1.0)), "begin at 0"),
        (loading.Day((0.0, 5.0, 5.0), (1.0, 1.0, 1.0)), "increase"),
        (loading.Day((0.0, 24.0), (1.0, 1.0)), "below 24"),
        (loading.Day((0.0,), (0.0,)), "above 0"),
        (loading.Day((0.0, 1.0), (1.0, -1.0)), "not be negative"),
        (loading.Day((0.0, 1.0), (1.0, 1.0), (20.0,)), "one or more"),
        (loading.Day((0.0,), (1.0,), (99.0,)), "-60 to 60"),
    ],
)
def test_a_day_without_sense_is_refused(day: loading.Day, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        loading.daily_peak(base.PLAN, base.state(base.PLAN, 2, 0.7, 30.0, 3.0), STAGES, day)


def test_a_steady_day_may_carry_what_may_be_carried_without_end() -> None:
    present = base.state(base.PLAN, 2, 0.7, 30.0, 3.0)
    peak = loading.daily_peak(base.PLAN, present, STAGES, loading.Day((0.0,), (1.0,)))[0]
    case = loading.permissible_loading(base.PLAN, present, STAGES)[0].cases[0]
    assert case.continuous is not None
    assert peak.load_pu == pytest.approx(case.continuous.load_pu, abs=1e-3)
