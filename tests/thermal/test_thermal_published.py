"""Published figures: tables of relative ageing rates and the worked example of IEC 60076-7."""

from __future__ import annotations

import numpy as np
import pytest
from test_thermal_exact import run
from thermal_station import station, transformer

from collector.thermal import ageing, ieee, params
from collector.thermal.kernel import regime, steady_state
from collector.thermal.model import compile_model


@pytest.mark.parametrize(
    ("hot_spot_c", "kraft", "upgraded"),
    [
        # IEC 60076-7, relative ageing rates due to hot-spot temperature (from memory)
        (80, 0.125, 0.036), (86, 0.25, None), (92, 0.5, None), (98, 1.0, 0.282), (104, 2.0, 0.536),
        (110, 4.0, 1.0), (116, 8.0, 1.83), (128, None, 5.80), (140, 128.0, 17.2),
    ],
)  # fmt: skip
def test_relative_ageing_rates_iec(hot_spot_c: float, kraft: float | None, upgraded: float | None) -> None:
    if kraft is not None:
        assert float(ageing.kraft(hot_spot_c)) == pytest.approx(kraft, rel=1e-9)
    if upgraded is not None:  # as many digits as are printed
        assert float(ageing.thermally_upgraded(hot_spot_c)) == pytest.approx(upgraded, rel=0.011)


@pytest.mark.parametrize(
    ("hot_spot_c", "f_aa"),
    [
        # IEEE C57.91-2011, ageing acceleration factor (from memory)
        (60, 0.0028), (80, 0.0358), (100, 0.3499), (110, 1.0), (120, 2.7089), (130, 6.9842), (140, 17.20),
        (150, 40.59), (180, 424.9), (200, 1723.0),
    ],
)  # fmt: skip
def test_ageing_acceleration_factor_c57_91(hot_spot_c: float, f_aa: float) -> None:
    assert float(ageing.thermally_upgraded(hot_spot_c)) == pytest.approx(f_aa, rel=1e-3, abs=5e-5)


def test_reference_temperatures() -> None:
    """Each law is 1 at its own temperature; C57.91's 55 degC rise units at 95 degC."""
    assert float(ageing.kraft(98.0)) == pytest.approx(1.0)
    assert float(ageing.thermally_upgraded(110.0)) == pytest.approx(1.0)
    assert float(ageing.kraft_ieee_55(95.0)) == pytest.approx(1.0)


def test_doubling_every_six_to_seven_kelvin() -> None:
    """Common practice, no source: each 6 to 7 degC doubles the rate."""
    for t in range(90, 114):
        doubled = np.log(2.0) * (t + 273.0) ** 2 / 15000.0
        rate = float(ageing.thermally_upgraded(t + doubled) / ageing.thermally_upgraded(t))
        assert 6.0 <= doubled <= 7.0
        assert rate == pytest.approx(2.0, rel=0.03)


def test_arrhenius_2018() -> None:
    """IEC 60076-7:2018 (from memory): kraft dry and upgraded paper, DP 1000 to 200."""
    kraft, upgraded = params.ARRHENIUS_2018["kraft"], params.ARRHENIUS_2018["thermally_upgraded"]
    assert float(ageing.arrhenius_life_h(98.0, kraft)) == pytest.approx(102_700, rel=1e-3)
    assert float(ageing.arrhenius_life_h(110.0, upgraded)) == pytest.approx(134_000, rel=2e-3)
    for name, paper, reference_c in (("kraft", kraft, 98.0), ("thermally_upgraded", upgraded, 110.0)):
        law = params.AGEING_LAWS[f"{name}_2018"]
        assert float(ageing.ageing_rate(reference_c, law)) == pytest.approx(1.0)
        ratio = float(ageing.arrhenius_life_h(reference_c, paper) / ageing.arrhenius_life_h(120.0, paper))
        assert float(ageing.ageing_rate(120.0, law)) == pytest.approx(ratio)
        model = compile_model(station(transformer(paper=f"{name}_2018")))
        assert (model.law_a[0], model.law_c[0]) == (law.a, law.c)
    with pytest.raises(ValueError, match="dp_end"):
        ageing.arrhenius_life_h(98.0, kraft, 200.0, 1000.0)


def test_worked_example_250_mva() -> None:
    """IEC 60076-7, worked example, 250 MVA ONAF (parameters and published values from memory).

    Top-oil rise 12.7 K and gradient 0 at the beginning, ambient 25.6 degC. The oil is what the model
    expects, as in the example. Recomputed values: scipy, to the second decimal.
    """
    from collector.thermal.kernel import integrate

    model = compile_model(station())
    r = regime(model, np.array([0]))
    z, at = np.array([0.0, 0.0, 25.6 + 12.7]), 0.0
    expected = {
        190: (61.87, 83.78),
        365: (44.41, 54.06),
        500: (89.84, 128.05),
        705: (35.03, 37.57),
        730: (67.92, 138.64),
    }
    published = {190: (61.9, 83.8), 730: (None, 138.6)}
    for load, until in ((1.0, 190), (0.6, 365), (1.5, 500), (0.3, 705), (2.1, 730)):
        rows = np.array([[load * 100.0, 25.6, 0.0]] * 2)
        path = integrate(model, r, z, np.zeros(1), np.array([(until - at) * 60.0]), rows, np.array([True]))
        z, at = path.z[-1], until
        oil, hot = float(path.expected_c[-1, 0]), float(path.hot_spot_c[-1, 0])
        assert oil == pytest.approx(expected[until][0], abs=0.01)
        assert hot == pytest.approx(expected[until][1], abs=0.01)
        if until in published:
            assert hot == pytest.approx(published[until][1], abs=0.1)
            if published[until][0]:
                assert oil == pytest.approx(published[until][0], abs=0.1)


def test_worked_example_through_the_step() -> None:
    """The same through advance(), minute by minute, the oil given as measured: gradients must agree."""
    rows = []
    for load, begin, until in (
        (1.0, 0, 190),
        (0.6, 190, 365),
        (1.5, 365, 500),
        (0.3, 500, 705),
        (2.1, 705, 730),
    ):
        rows += [
            (60.0 * m + (0.001 if m == begin and begin else 0.0), 50.0, 25.6, load * 100)
            for m in range(begin, until)
        ]
        rows.append((60.0 * until, 50.0, 25.6, load * 100))
    model = compile_model(station())
    # the step starts in steady state; with no load before, gradient 0 as in the example
    _, estimates = run(model, [(-60.0, 50.0, 25.6, 0.0), (-0.001, 50.0, 25.6, 0.0), *rows])
    gradients = {round(e.t_ns / 60e9): float(e.gradient_k[0]) for e in estimates}
    for minute, gradient in ((190, 21.91), (365, 9.65), (500, 38.21), (705, 2.53), (730, 70.71)):
        assert gradients[minute] == pytest.approx(gradient, abs=0.015)


def test_steady_state_is_what_a_long_time_gives() -> None:
    model = compile_model(station())
    hot, oil = steady_state(model, np.array([1.0]), np.array([20.0]), np.array([0]))
    assert oil == pytest.approx([58.3], abs=1e-9)  # ambient + top-oil rise at rated load
    assert hot == pytest.approx([58.3 + 1.4 * 14.5], abs=1e-9)  # + H g_r
    loads = np.linspace(0.25, 1.5, 6)[:, None]
    hots, _ = steady_state(model, loads, np.array([[20.0]]), np.array([0]))
    assert hots.shape == (6, 1)
    assert (np.diff(hots[:, 0]) > 0).all()


def test_ieee_ultimate_values() -> None:
    """C57.91 clause 7: ultimate rises."""
    assert float(ieee.ultimate_top_oil_rise(1.0, 55.0, 5.0, 0.9)) == pytest.approx(55.0)
    assert float(ieee.ultimate_top_oil_rise(0.0, 55.0, 5.0, 0.8)) == pytest.approx(55.0 * (1 / 6) ** 0.8)
    assert float(ieee.ultimate_hot_spot_gradient(1.2, 25.0, 0.8)) == pytest.approx(25.0 * 1.2**1.6)


def test_parameter_sets_are_those_of_the_guide() -> None:
    """IEC 60076-7, table of thermal characteristics (from memory): x, y, k11, k21, k22, tau_o, tau_w."""
    table = {
        "distribution_onan": (0.8, 1.6, 1.0, 1.0, 2.0, 180, 4),
        "medium_large_onan_restricted": (0.8, 1.3, 0.5, 3.0, 2.0, 210, 10),
        "medium_large_onan": (0.8, 1.3, 0.5, 2.0, 2.0, 210, 10),
        "medium_large_onaf_restricted": (0.8, 1.3, 0.5, 3.0, 2.0, 150, 7),
        "medium_large_onaf": (0.8, 1.3, 0.5, 2.0, 2.0, 150, 7),
        "medium_large_of_restricted": (1.0, 1.3, 1.0, 1.45, 1.0, 90, 7),
        "medium_large_of": (1.0, 1.3, 1.0, 1.3, 1.0, 90, 7),
        "medium_large_od": (1.0, 2.0, 1.0, 1.0, 1.0, 90, 7),
    }
    assert set(params.DESIGNS) == set(table)
    for name, row in table.items():
        d = params.DESIGNS[name]
        assert (d.x, d.y, d.k11, d.k21, d.k22, d.tau_o_min, d.tau_w_min) == row
