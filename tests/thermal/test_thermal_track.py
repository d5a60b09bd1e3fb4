"""Following through time: start, lost inputs, gaps, restart, reload, the state as JSON, bad input."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import fields, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import thermal_reference as ref
from hypothesis import given, settings
from hypothesis import strategies as st
from test_thermal_exact import ONAF, ONAN, TWO_MODES, sample
from thermal_station import mode, station, transformer, winding

from collector.thermal.ageing import ageing_rate
from collector.thermal.kernel import steady_state
from collector.thermal.model import Model, compile_model, oil_weights
from collector.thermal.params import AGEING_LAWS
from collector.thermal.track import (
    Estimate,
    Sample,
    ThermalState,
    advance,
    conservative_rate,
    derived_currents,
    from_dict,
    initial,
    migrate,
    resume,
    tap_factors,
    to_dict,
)

S = 1_000_000_000
MODEL = compile_model(station(gap_s=300.0))


def steps(
    model: Model, state: ThermalState, begin: float, end: float, every: float, row: Any
) -> tuple[ThermalState, list[Estimate]]:
    """row(t) -> Sample, at begin, begin + every, ... < end [s]."""
    found = []
    t = begin
    while t < end - 1e-9:
        state, estimate = advance(model, state, row(t))
        found.append(estimate)
        t = round(t + every, 3)
    return state, found


def constant(oil: float = 60.0, ambient: float = 20.0, current: float = 80.0) -> Any:
    return lambda t: sample(t, oil, ambient, current)


def without(s: Sample, *names: str, **more: Any) -> Sample:
    gone = {name: np.full_like(getattr(s, name), np.nan) for name in names}
    return replace(s, **gone, **more)


def equal(a: ThermalState, b: ThermalState) -> bool:
    return json.dumps(to_dict(a)) == json.dumps(to_dict(b))


# --- start --------------------------------------------------------------------------------------------


def test_start_is_in_steady_state_and_questionable_for_three_tau() -> None:
    state, e = advance(MODEL, initial(MODEL, 0), sample(1.0, 60.0, 20.0, 80.0))
    gradient = 1.4 * 14.5 * 0.8**1.3
    assert e.hot_spot_c[0] == pytest.approx(60.0 + gradient, abs=1e-9)
    assert e.start_questionable[0]
    settle = 3 * 150 * 60 / 2
    state, found = steps(MODEL, state, 61.0, 61.0 + settle, 60.0, constant())
    assert [x.start_questionable[0] for x in found].index(False) == pytest.approx(settle / 60, abs=1)
    assert found[-1].hot_spot_c[0] == pytest.approx(60.0 + gradient, abs=1e-9)


def test_before_the_inputs_are_seen_there_is_no_number() -> None:
    state, e = advance(MODEL, initial(MODEL, 0), without(sample(1.0, 60.0, 20.0, 80.0), "current_a"))
    assert not e.started[0]
    assert np.isnan(e.hot_spot_c[0])
    assert e.loss_of_life_h[1, 0] == 0.0
    state, e = advance(MODEL, state, without(sample(2.0, 60.0, 20.0, 80.0), "oil_c", "ambient_c"))
    assert e.started[0]  # the oil came a step before the current
    assert e.hot_spot_c[0] > 60.0


def test_without_ambient_the_oil_is_enough() -> None:
    row = lambda t: without(sample(t, 60.0, 20.0, 80.0), "ambient_c")  # noqa: E731
    _, found = steps(MODEL, initial(MODEL, 0), 1.0, 600.0, 2.0, row)
    assert found[-1].started[0]
    assert not found[-1].gap[0]
    assert found[-1].lag_s == 0.0
    assert found[-1].hot_spot_c[0] == pytest.approx(60.0 + 1.4 * 14.5 * 0.8**1.3)


def test_loss_of_life_begins_at_the_set_value() -> None:
    model = compile_model(station(transformer(windings=(winding(loss_of_life_start_h=1234.0),))))
    _, found = steps(model, initial(model, 0), 1.0, 7202.0, 60.0, constant())
    hours = (found[-1].t_ns - found[0].t_ns) / 3.6e12
    rate = float(ageing_rate(found[-1].hot_spot_c[0], AGEING_LAWS["kraft"]))
    assert found[-1].loss_of_life_h[1, 0] == pytest.approx(1234.0 + rate * hours, rel=1e-9)
    assert found[-1].equivalent_total[0] == pytest.approx(rate, rel=1e-9)
    assert found[-1].equivalent_day[0] == pytest.approx(rate, rel=1e-9)


# --- lost inputs ---------------------------------------------------------------------------------------


def test_a_lost_oil_sensor_makes_no_jump_and_the_estimate_follows_the_load() -> None:
    state, found = steps(MODEL, initial(MODEL, 0), 2.0, 3600.0, 2.0, constant(62.0))
    before = found[-1]
    missing = lambda t: without(sample(t, 0.0, 20.0, 80.0), "oil_c")  # noqa: E731
    state, held = steps(MODEL, state, 3600.0, 3630.0, 2.0, missing)
    assert held[-1].oil_c[0] == 62.0
    lost = lambda t: without(  # noqa: E731
        sample(t, 0.0, 20.0, 130.0), "oil_c", oil_substituted=np.array([True])
    )
    state, gone = steps(MODEL, state, 3630.0, 14400.0, 2.0, lost)
    assert gone[0].oil_c[0] == pytest.approx(62.0, abs=0.02)
    assert gone[0].hot_spot_c[0] == pytest.approx(held[-1].hot_spot_c[0], abs=0.3)
    assert gone[0].uncertainty_k[0] > before.uncertainty_k[0]
    carried = gone[0].effectiveness_k[0]
    assert carried > 0  # 62 degC is hotter than this load explains: carried on as it is
    assert gone[-1].effectiveness_k[0] == pytest.approx(carried, abs=1e-9)
    assert gone[-1].oil_c[0] > 62.0
    assert all(b.oil_c[0] >= a.oil_c[0] - 1e-9 for a, b in pairwise(gone))
    # back after longer than gap_s: no line across, the measurement counts from now on
    state, back = steps(MODEL, state, 14400.0, 14410.0, 2.0, lambda t: sample(t, 70.0, 20.0, 130.0))
    assert back[0].oil_c[0] == 70.0
    assert back[0].gap[0]
    assert not back[-1].gap[0]


def test_an_oil_colder_than_expected_is_not_relied_on() -> None:
    model = MODEL
    state, found = steps(model, initial(model, 0), 60.0, 40_000.0, 60.0, constant(35.0))
    cold = found[-1].effectiveness_k[0]
    assert cold < -5
    lost = lambda t: without(  # noqa: E731
        sample(t, 0.0, 20.0, 80.0), "oil_c", oil_substituted=np.array([True])
    )
    state, gone = steps(model, state, 40_020.0, 80_000.0, 60.0, lost)
    assert gone[0].oil_c[0] == pytest.approx(35.0, abs=0.2)
    assert gone[-1].effectiveness_k[0] == pytest.approx(cold * np.exp(-(80_000 - 40_000) / 4500), abs=0.05)


def test_a_short_gap_is_bridged_by_a_line() -> None:
    """Values between were held and substituted while the sample was missing; in the end the line counts."""
    whole = initial(MODEL, 0)
    holed = initial(MODEL, 0)
    for t in range(2, 402, 2):
        ramp = 50.0 + 0.1 * t
        row = sample(t, 60.0, 20.0, ramp)
        whole, _ = advance(MODEL, whole, row)
        if 100 < t < 200:
            row = without(row, "current_a")
            if t > 130:
                row = replace(row, current_a=np.array([150.0]), current_substituted=np.array([True]))
        holed, b = advance(MODEL, holed, row)
        if t == 150:
            assert b.load_pu[0] == 1.5
            assert b.lag_s == 50.0
    assert b.lag_s == 0.0
    assert not b.gap[0]
    assert holed.z == pytest.approx(whole.z, abs=1e-6)
    assert holed.life_h == pytest.approx(whole.life_h, rel=1e-8)
    # what was published in the meantime stays: it never goes backwards
    assert (holed.published_h >= holed.life_h).all()


def test_samples_of_the_way_back_are_corners_of_the_line() -> None:
    """An input counts only some time after it came back; its samples of that time are not lost."""
    whole, holed = initial(MODEL, 0), initial(MODEL, 0)
    rng = np.random.default_rng(8)
    for i in range(1, 31):
        t, current = i * 60.0, float(rng.uniform(20, 180))
        oil = float(rng.uniform(50, 80))
        row = sample(t, oil, 20.0, current)
        if i not in (10, 11):
            whole, a = advance(MODEL, whole, row)
        else:
            whole, a = advance(MODEL, whole, without(row, "current_a", "oil_c"))
        if i in (10, 11, 12, 13):  # missing, then back but not counting
            lost = np.array([True])
            back = ((0, current, round(t * S)), (2, oil, round(t * S))) if i > 11 else ()
            row = without(row, "oil_c", oil_substituted=lost, current_substituted=lost, returning=back)
            row = replace(row, current_a=np.array([100.0]))
        holed, b = advance(MODEL, holed, row)
        if i in (12, 13):
            assert b.load_pu[0] == 1.0  # nothing is published from what does not count
            assert any(not np.isnan(x.back).all() for x in holed.rows)
            holed = from_dict(MODEL, json.loads(json.dumps(to_dict(holed))))
    assert holed.rows == ()
    assert holed.z == pytest.approx(whole.z, abs=1e-6)
    assert b.hot_spot_c == pytest.approx(a.hot_spot_c, abs=1e-6)
    assert holed.life_h == pytest.approx(whole.life_h, rel=1e-8)


def test_a_long_gap_is_held_then_begins_anew() -> None:
    """Reference: the value held until the substitution, the substituted one, then the new one, as steps."""
    state = initial(MODEL, 0)
    t, v = [0.0], [80.0]
    flags = []
    for at in range(2, 1202, 2):
        row = sample(at, 60.0, 20.0, 80.0 if at <= 100 else 40.0)
        if 100 < at < 900:
            row = without(row, "current_a")
            if at >= 130:
                row = replace(row, current_a=np.array([120.0]), current_substituted=np.array([True]))
        state, e = advance(MODEL, state, row)
        flags.append((at, bool(e.gap[0])))
    t += [129.999999, 130.0, 899.999999, 900.0]
    v += [80.0, 120.0, 120.0, 40.0]
    y0 = ref.steady(ref.Unit(), 0.8, 20.0)
    y0[2] = 60.0
    found = ref.solve(lambda s: ref.Unit(), (t, v), ([0.0], [20.0]), y0, 2.0, [1200.0])[0]
    assert state.z == pytest.approx(found, abs=0.01)
    on = [at for at, gap in flags if gap]
    assert (min(on), max(on)) == (402, 900)  # 300 s after the last sample, until the next


def test_rows_further_apart_than_the_gap_are_steps() -> None:
    model = compile_model(station(gap_s=300.0))
    state = initial(model, 0)
    t, v = [0.0], [80.0]
    for i in range(8):
        at, current = 900.0 * i + 1, 80.0 if i % 2 else 120.0
        state, e = advance(model, state, sample(at, 60.0, 20.0, current))
        t += [at - 1e-6, at]
        v += [v[-1], current]
        assert e.gap[0] == (i > 0)
    y0 = ref.steady(ref.Unit(), 1.2, 20.0)
    y0[2] = 60.0
    found = ref.solve(lambda s: ref.Unit(), (t[2:], v[2:]), ([0.0], [20.0]), y0, 1.0, [at])[0]
    assert state.z == pytest.approx(found, abs=0.01)


def test_a_missing_input_never_makes_the_waiting_grow_without_bound() -> None:
    model = compile_model(station(gap_s=7200.0))
    state, _ = steps(model, initial(model, 0), 0.2, 2.0, 0.2, constant())
    missing = lambda t: without(sample(t, 60.0, 20.0, 80.0), "current_a")  # noqa: E731
    longest = 0
    for i in range(2000):
        state, e = advance(model, state, missing(2.0 + 0.2 * i))
        longest = max(longest, len(state.rows))
    assert longest <= 1501
    assert e.gap[0]
    assert e.lag_s == 0.0


def test_published_loss_of_life_never_goes_backwards() -> None:
    """Any mixture of values, holes, substitutions, restarts and changes of mode."""
    premises: Counter[str] = Counter()

    @settings(max_examples=60, deadline=None)
    @given(seed=st.integers(0, 100_000))
    def check(seed: int) -> None:
        rng = np.random.default_rng(seed)
        model = compile_model(station(TWO_MODES, gap_s=100.0))
        state, last, t = initial(model, 0), np.zeros((3, 1)), 0.0
        for _ in range(60):
            t = round(t + float(rng.choice([0.001, 2.0, 60.0, 900.0])), 3)
            row = sample(
                t, rng.uniform(20, 120), rng.uniform(-20, 40), rng.uniform(0, 200), int(rng.integers(2))
            )
            for name in ("oil_c", "ambient_c", "current_a"):
                if rng.random() < 0.3:
                    bad = float(rng.choice([np.nan, np.inf, -np.inf, 1e9]))
                    premises["value beyond sense"] += not np.isnan(bad)
                    row = replace(row, **{name: np.array([bad])})
            if rng.random() < 0.2:
                row = replace(row, oil_substituted=np.array([True]))
                premises["oil substituted"] += 1
            if rng.random() < 0.2:
                row = replace(row, current_substituted=np.array([True]))
                premises["current substituted"] += 1
            if rng.random() < 0.1:
                row = replace(row, energised=np.array([False]))
                premises["de-energised"] += 1
            state, e = advance(model, state, row)
            assert (e.loss_of_life_h >= last).all()
            last = e.loss_of_life_h
            at_now = state.firm_ns == state.t_ns
            premises["live integral went back"] += bool(at_now and (state.life_h < state.published_h).any())
            for f in fields(state):
                value = getattr(state, f.name)
                if isinstance(value, np.ndarray):
                    assert not value.flags.writeable, f.name
                    if f.name != "latest":
                        assert np.isfinite(value).all(), f.name
            if rng.random() < 0.1:
                gap = float(rng.choice([0.0, 50.0, 5000.0]))
                again = from_dict(model, json.loads(json.dumps(to_dict(state))))
                t += gap
                premises["restart"] += 1
                state = resume(model, again, round(t * S), gap, bridge=gap < 100)

    check()
    print(dict(premises))
    for premise in (
        "value beyond sense",
        "oil substituted",
        "current substituted",
        "de-energised",
        "restart",
        "live integral went back",
    ):
        assert premises[premise], f"never happened: {premise}"


# --- bad input -----------------------------------------------------------------------------------------


def test_time_going_backwards_is_refused() -> None:
    state, _ = advance(MODEL, initial(MODEL, 0), sample(10.0, 60.0, 20.0, 80.0))
    for t in (10.0, 9.0):
        with pytest.raises(ValueError, match="time goes backwards"):
            advance(MODEL, state, sample(t, 60.0, 20.0, 80.0))


def test_a_sample_of_another_station_is_refused() -> None:
    row = replace(sample(1.0, 60.0, 20.0, 80.0), current_a=np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="sample does not fit"):
        advance(MODEL, initial(MODEL, 0), row)
    with pytest.raises(ValueError, match="cooling mode"):
        advance(MODEL, initial(MODEL, 0), replace(sample(1.0, 60.0, 20.0, 80.0), mode=np.array([3])))


@pytest.mark.parametrize("bad", [np.inf, -np.inf, 1e12, -1.0])
def test_values_beyond_sense_never_reach_a_state(bad: float) -> None:
    state, _ = advance(MODEL, initial(MODEL, 0), sample(1.0, 60.0, 20.0, 80.0))
    state, e = advance(MODEL, state, sample(2.0, 60.0, 20.0, bad))
    assert e.refused[0]
    assert e.load_pu[0] == pytest.approx(0.8)
    state, e = advance(MODEL, state, sample(3.0, 60.0, 20.0, 80.0))
    assert not e.refused[0]
    assert np.isfinite(state.z).all()


def test_an_old_or_future_sample_is_no_new_sample() -> None:
    state, _ = advance(MODEL, initial(MODEL, 0), sample(10.0, 60.0, 20.0, 80.0))
    old = replace(sample(12.0, 99.0, 20.0, 80.0), oil_ns=np.array([10 * S]))
    state, e = advance(MODEL, state, old)
    assert e.oil_c[0] == 60.0
    assert e.lag_s == 2.0
    future = replace(sample(14.0, 99.0, 20.0, 80.0), oil_ns=np.array([15 * S]))
    state, e = advance(MODEL, state, future)
    assert e.oil_c[0] == 60.0


# --- restart and reload --------------------------------------------------------------------------------


def test_state_survives_json_to_the_bit() -> None:
    premises: Counter[str] = Counter()

    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 100_000), missing=st.sampled_from([0.0, 0.4]))
    def check(seed: int, missing: float) -> None:
        rng = np.random.default_rng(seed)
        model = compile_model(station(TWO_MODES))
        a = initial(model, 0)
        for i in range(1, 30):
            row = sample(
                i * 7.3, rng.uniform(40, 90), rng.uniform(0, 40), rng.uniform(0, 150), int(rng.integers(2))
            )
            for name in ("oil_c", "current_a"):
                if rng.random() < missing:
                    row = without(row, name)
            a, x = advance(model, a, row)
            if i == 15:
                b = from_dict(model, json.loads(json.dumps(to_dict(a))))
                assert equal(a, b)
                premises["saved while samples were awaited"] += bool(a.rows)
                premises["saved with nothing waiting"] += not a.rows
            elif i > 15:
                b, y = advance(model, b, row)
                assert equal(a, b)
                assert x.hot_spot_c.tobytes() == y.hot_spot_c.tobytes()

    check()
    print(dict(premises))
    for premise in ("saved while samples were awaited", "saved with nothing waiting"):
        assert premises[premise], f"never happened: {premise}"


def test_a_damaged_state_is_refused() -> None:
    data = to_dict(initial(MODEL, 0))
    for damage in ({"z": [1.0]}, {"z": ["x", 1.0, 2.0]}, {"controls": []}, {"inputs": "x"}):
        with pytest.raises(ValueError, match="thermal state cannot be read"):
            from_dict(MODEL, {**data, **damage})
    with pytest.raises(ValueError, match="thermal state cannot be read"):
        from_dict(MODEL, {})


def test_a_bridged_restart_is_as_if_nothing_had_happened() -> None:
    """Inputs on a line across the gap, though it is longer than gap_s; flagged until the samples are back."""
    through = initial(MODEL, 0)
    cut = initial(MODEL, 0)
    for t in range(2, 102, 2):
        through, _ = advance(MODEL, through, sample(t, 60.0, 20.0, 80.0))
    cut = resume(MODEL, from_dict(MODEL, to_dict(through)), 5_000 * S, 600.0, bridge=True)
    cut, b = advance(MODEL, cut, sample(5002.0, 66.0, 20.0, 120.0))
    assert b.bridged[0]
    wide = compile_model(station(gap_s=1200.0))
    through, a = advance(wide, through, sample(702.0, 66.0, 20.0, 120.0))
    assert cut.z == pytest.approx(through.z, abs=1e-9)
    assert b.loss_of_life_h == pytest.approx(a.loss_of_life_h, rel=1e-12)
    assert not b.gap[0]
    cut, b = advance(MODEL, cut, sample(5004.0, 66.0, 20.0, 120.0))
    assert not b.bridged[0]
    assert cut.unmonitored_s[0] == 0.0


@pytest.mark.parametrize(("current", "restored_wins"), [(20.0, True), (150.0, False)])
def test_a_long_restart_takes_the_higher_state(current: float, restored_wins: bool) -> None:
    state, found = steps(MODEL, initial(MODEL, 0), 60.0, 36_000.0, 60.0, constant(70.0, 20.0, 100.0))
    life = found[-1].loss_of_life_h
    again = resume(MODEL, state, 10 * S, 7200.0, bridge=False)
    assert again.unmonitored_s[0] == 7200.0
    again, e = advance(MODEL, again, sample(12.0, 60.0, 20.0, current))
    full, other = 1.4 * 14.5, 1.4 * 14.5 * (current / 100) ** 1.3
    assert e.gradient_k[0] == pytest.approx(full if restored_wins else other, abs=0.01)
    assert e.start_questionable[0]
    assert e.loss_of_life_h == pytest.approx(life, abs=1e-12)
    assert again.unmonitored_s[0] == 7202.0  # and the two seconds until the first sample


def test_unmonitored_hours_have_a_conservative_figure() -> None:
    state, _ = steps(MODEL, initial(MODEL, 0), 60.0, 36_000.0, 60.0, constant(60.0, 20.0, 80.0))
    again = resume(MODEL, state, 10 * S, 7200.0, bridge=False)
    hot, _ = steady_state(MODEL, np.array([1.0]), np.array([40.0]), np.array([0]))
    assert hot[0] == pytest.approx(40 + 38.3 + 20.3)
    assert again.unmonitored_life_h[0] == pytest.approx(2.0 * 2 ** ((hot[0] - 98) / 6))
    assert conservative_rate(MODEL)[0] == pytest.approx(2 ** ((hot[0] - 98) / 6))
    unknown = resume(MODEL, state, 10 * S, None, bridge=False)
    assert unknown.unknown_gaps[0] == 1
    assert unknown.unmonitored_s[0] == 0.0
    with pytest.raises(ValueError, match="gap of -1"):
        resume(MODEL, state, 10 * S, -1.0, bridge=False)


def test_time_before_the_inputs_are_back_is_unmonitored_too() -> None:
    state, _ = steps(MODEL, initial(MODEL, 0), 60.0, 36_000.0, 60.0, constant())
    state = resume(MODEL, state, 10 * S, 100.0, bridge=False)
    blind = lambda t: without(sample(t, 60.0, 20.0, 80.0), "oil_c")  # noqa: E731
    state, found = steps(MODEL, state, 12.0, 112.0, 2.0, blind)
    assert not found[-1].started[0]
    assert state.unmonitored_s[0] == pytest.approx(200.0)
    state = resume(MODEL, state, 10 * S, 300.0, bridge=False)  # and another restart before they came
    assert state.unmonitored_s[0] == pytest.approx(500.0)
    state, found = steps(MODEL, state, 12.0, 112.0, 2.0, constant())
    assert found[0].started[0]
    assert state.unmonitored_s[0] == pytest.approx(502.0)  # the step until they came
    assert state.unmonitored_life_h[0] == pytest.approx(conservative_rate(MODEL)[0] * 502 / 3600)


def test_a_transformer_that_starts_late_does_not_disturb_the_other() -> None:
    both = compile_model(station(transformer("T1", 1), transformer("T2", 2)))
    alone, state = initial(MODEL, 0), initial(both, 0)
    rng = np.random.default_rng(1)
    for i in range(1, 60):
        t = i * 2 * S
        oil, ambient, current = 60.0 + rng.random(), 20.0, float(rng.uniform(50, 120))
        second = np.nan if i < 20 else 70.0
        ns2 = np.array([t, t - S])
        pair = lambda a, b: np.array([a, b])  # noqa: E731
        state, e = advance(
            both,
            state,
            Sample(
                t,
                pair(oil, second),
                ns2,
                pair(ambient, 20.0),
                ns2,
                pair(current, 90.0),
                ns2,
                np.array([0, 0]),
            ),
        )
        alone, x = advance(MODEL, alone, sample(i * 2.0, oil, ambient, current))
        assert e.started.tolist() == [True, i >= 20]
        assert e.hot_spot_c[0] == pytest.approx(x.hot_spot_c[0], abs=1e-5)
        assert np.isnan(e.hot_spot_c[1]) == (i < 20)
    assert e.hot_spot_c[1] == pytest.approx(70.0 + 20.3 * 0.9**1.3, abs=1e-6)
    assert e.lag_s == 1.0


def test_reload_keeps_what_stays_and_starts_what_is_new() -> None:
    t1 = transformer("T1", 1, windings=(winding("HV_A", 1), winding("HV_B", 2)))
    old = compile_model(station(t1))
    state = initial(old, 0)
    ns = np.zeros(2, dtype=np.int64)
    for i in range(1, 50):
        one = np.array([i * 60 * S])
        row = Sample(i * 60 * S, np.array([60.0]), one, np.array([20.0]), one, np.array([80.0, 120.0]),
                     ns + i * 60 * S, np.array([0]))  # fmt: skip
        state, before = advance(old, state, row)
    moved = transformer("T1", 2, windings=(winding("HV_A", 1, gradient=16.0), winding("HV_B", 2)))
    new = compile_model(station(transformer("T0", 1), moved))
    after = migrate(old, new, state)
    assert after.started.tolist() == [False, True]
    assert after.published_h[:, 1:].tolist() == state.published_h.tolist()
    assert after.z[[1, 2]].tolist() == state.z[:2].tolist()
    assert from_dict(new, json.loads(json.dumps(to_dict(after)))).t_ns == state.t_ns
    t = 50 * 60 * S
    row = Sample(t, np.array([50.0, 60.0]), np.full(2, t), np.array([20.0, 20.0]), np.full(2, t),
                 np.array([10.0, 80.0, 120.0]), np.full(3, t), np.array([0, 0]))  # fmt: skip
    after, e = advance(new, after, row)
    assert e.started.all()
    assert e.gradient_k[2] == pytest.approx(before.gradient_k[1], abs=0.01)
    assert (e.loss_of_life_h[:, 1:] >= before.loss_of_life_h).all()
    same = migrate(old, old, state)
    kept = {k: v for k, v in to_dict(state).items() if k not in ("simple", "controls")}
    assert {k: v for k, v in to_dict(same).items() if k in kept} == kept


def test_reload_from_one_guide_to_the_other_keeps_the_temperatures() -> None:
    iec = compile_model(station())
    ieee = compile_model(station(transformer(guide="ieee_c57_91")))
    state, found = steps(iec, initial(iec, 0), 60.0, 36_000.0, 60.0, constant(60.0, 20.0, 80.0))
    there = migrate(iec, ieee, state)
    there, a = advance(ieee, there, sample(35_941.0, 60.0, 20.0, 80.0))
    assert a.hot_spot_c[0] == pytest.approx(found[-1].hot_spot_c[0], abs=0.1)
    assert a.expected_oil_c[0] == pytest.approx(found[-1].expected_oil_c[0], abs=0.1)
    back = migrate(ieee, iec, there)
    back, b = advance(iec, back, sample(35_942.0, 60.0, 20.0, 80.0))
    assert b.hot_spot_c[0] == pytest.approx(found[-1].hot_spot_c[0], abs=0.2)


# --- load, modes, energised, taps -----------------------------------------------------------------------


def test_de_energised_oil_relaxes_to_ambient_and_unloaded_keeps_no_load_loss() -> None:
    model = compile_model(station(transformer(modes=(mode(r=5.0),))))
    for on, rise in ((False, 0.0), (True, 38.3 * (1 / 6) ** 0.8)):
        row = lambda t, on=on: replace(sample(t, 60.0, 20.0, 0.0), energised=np.array([on]))  # noqa: E731
        _, found = steps(model, initial(model, 0), 60.0, 100_000.0, 600.0, row)
        assert found[-1].expected_oil_c[0] == pytest.approx(20.0 + rise, abs=1e-3)


def test_a_mode_change_leaves_the_state_continuous() -> None:
    model = compile_model(station(TWO_MODES))
    state, found = steps(
        model, initial(model, 0), 60.0, 36_000.0, 60.0, lambda t: sample(t, 60.0, 20.0, 50.0, 0)
    )
    t = 35_940.001
    state, _ = advance(model, state, sample(t, 60.0, 20.0, 50.0, 1))
    state, after = advance(model, state, sample(t + 0.001, 60.0, 20.0, 50.0, 1))
    assert after.hot_spot_c[0] == pytest.approx(found[-1].hot_spot_c[0], abs=1e-3)
    assert after.load_pu[0] == pytest.approx(0.5)
    assert found[-1].load_pu[0] == pytest.approx(50 / 60)
    assert (ONAN.rated, ONAF.rated) == (60.0, 100.0)


def test_derived_currents_are_magnitudes_of_sums() -> None:
    """Common winding of an auto-transformer: low-voltage minus high-voltage current."""
    common = winding("C_A", 3, derived_current={"factors": {"HV_A": -1.0, "LV_A": 1.0}}, kind="common")
    model = compile_model(station(transformer(windings=(winding("HV_A", 1), winding("LV_A", 2), common))))
    amperes, times = derived_currents(model, np.array([100.0, 60.0, np.nan]), np.array([5, 3, 0]))
    assert amperes.tolist() == [100.0, 60.0, 40.0]
    assert times.tolist() == [5, 3, 3]
    amperes, _ = derived_currents(model, np.array([100.0, np.nan, np.nan]), np.array([5, 3, 0]))
    assert np.isnan(amperes[2])


def phases(prefix: str, begin: int, **more: Any) -> list[dict[str, Any]]:
    return [winding(f"{prefix}_{p}", begin + i, phase=p, **more) for i, p in enumerate("ABC")]


def test_default_oil_weights_count_one_side_once() -> None:
    def weights(*windings: dict[str, Any]) -> list[float]:
        return oil_weights(station(transformer(windings=windings)).transformers[0])

    hv, lv, third = phases("HV", 1), phases("LV", 4), [1 / 3] * 3
    assert weights(*hv, *lv) == pytest.approx([*third, 0, 0, 0])
    assert weights(*[w for pair in zip(hv, lv, strict=True) for w in pair]) == pytest.approx([1 / 3, 0] * 3)
    derived = phases("HV", 1, derived_current={"factors": {"LV_A": 0.2}})
    assert weights(*derived, *lv) == pytest.approx([0, 0, 0, *third])  # measured before derived
    assert weights(winding("HV", 1), winding("LV", 2)) == [1.0, 0.0]
    assert weights(winding("HV", 1, oil_weight=0.6), winding("LV", 2, oil_weight=0.4), winding("TV", 3)) == [
        0.6,
        0.4,
        0,
    ]


def test_oil_follows_the_weighted_squares_of_the_phases() -> None:
    model = compile_model(station(transformer(modes=(mode(r=5.0),), windings=tuple(phases("HV", 1)))))
    _, oil = steady_state(model, np.array([1.2, 0.9, 0.3]), np.array([20.0]), np.array([0]))
    square = (1.2**2 + 0.9**2 + 0.3**2) / 3
    assert oil[0] == pytest.approx(20.0 + 38.3 * ((1 + 5 * square) / 6) ** 0.8)


def test_tap_scales_rated_current_and_load_loss() -> None:
    tap = {
        "position": {"device": "d", "table": "input_register", "address": 50, "type": "uint16"},
        "principal": 9, "step_percent": 1.25, "windings": ("HV_A",),
    }  # fmt: skip
    model = compile_model(station(transformer(tap_changer=tap)))
    scale, loss = tap_factors(model, np.array([1.0]))  # 10 % fewer turns
    assert scale == pytest.approx([1 / 0.9])
    assert loss == pytest.approx([(1 + 1 / 0.9) / 2])
    assert tap_factors(model, np.array([np.nan]))[0].tolist() == [1.0]
    row = replace(sample(60.0, 60.0, 20.0, 100.0), rated_scale=scale, loss_scale=loss)
    state, _ = advance(model, initial(model, 0), row)
    _, e = advance(
        model, state, replace(sample(120.0, 60.0, 20.0, 100.0), rated_scale=scale, loss_scale=loss)
    )
    assert e.load_pu[0] == pytest.approx(0.9)


def test_missing_figures_are_named() -> None:
    with pytest.raises(ValueError, match=r"transformers\.0\.modes\.0\.k11: missing") as fault:
        compile_model(station(transformer(design=None)))
    for name in ("oil_exponent", "winding_exponent", "k21", "k22", "tau_o_min", "tau_w_min"):
        assert name in str(fault.value)
    with pytest.raises(ValueError, match="no defaults for natural_ester"):
        compile_model(station(transformer(liquid="natural_ester")))
    with pytest.raises(ValueError, match="no default for natural_ester"):
        compile_model(station(transformer(liquid="natural_ester", windings=(winding(h=None),))))
    with pytest.raises(ValueError, match="no figures for cooling mode OTHER"):
        compile_model(station(transformer(modes=(mode(), mode("OTHER", 2)))))


# --- ageing windows -------------------------------------------------------------------------------------


def test_equivalent_ageing_of_day_and_month() -> None:
    """Forty cold days, then a hot one: day and month forget, the total does not."""
    model = compile_model(station())
    state, _ = steps(model, initial(model, 0), 600.0, 40 * 86400.0, 600.0, constant(40.0))
    state, found = steps(model, state, 40 * 86400.0, 41 * 86400.0 + 601, 600.0, constant(98.0))
    hot = float(ageing_rate(found[-1].hot_spot_c[0], AGEING_LAWS["kraft"]))
    last = found[-1]
    assert last.equivalent_day[0] == pytest.approx(hot, rel=0.02)
    cold = hot * 2 ** ((40.0 - 98.0) / 6)
    assert last.equivalent_month[0] == pytest.approx((hot + 29 * cold) / 30, rel=0.03)
    assert last.equivalent_total[0] == pytest.approx((hot + 40 * cold) / 41, rel=0.03)
    assert len(state.hours) <= 26
    assert len(state.days) <= 32
