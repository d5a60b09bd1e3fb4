"""A year of real weather and demand through both guides, against a straightforward solution written here.

The reference is the classical Runge-Kutta method in plain floats at two-minute steps, with the loss of life
as a state of its own. Nothing of it comes from the product.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import open_data
import pytest
from test_thermal_exact import sample
from thermal_station import mode, station, transformer, winding

from collector.thermal.model import compile_model
from collector.thermal.track import advance, initial

ROW_S = 1800.0
STEPS = 15  # per row


def rk4(f: Callable[[float, list[float]], list[float]], y: list[float], t: float, h: float) -> list[float]:
    a = f(t, y)
    b = f(t + h / 2, [v + h / 2 * d for v, d in zip(y, a, strict=True)])
    c = f(t + h / 2, [v + h / 2 * d for v, d in zip(y, b, strict=True)])
    e = f(t + h, [v + h * d for v, d in zip(y, c, strict=True)])
    return [v + h / 6 * (p + 2 * q + 2 * r + s) for v, p, q, r, s in zip(y, a, b, c, e, strict=True)]


def reference(load: np.ndarray, ambient: np.ndarray, ieee: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(top oil, hot spot over oil, loss of life [h]) at the rows. Hot spot on the oil's line between rows."""
    rise, gradient, ratio = 45.0, 1.3 * 16.0, 6.0
    tau_o, tau_w = 150 * 60.0, 7 * 60.0
    x, y = (0.9, 1.6) if ieee else (0.8, 1.3)
    k = [float(v) for v in load]
    air = [float(v) for v in ambient]
    p0 = (1 + ratio * k[0] ** 2) / (1 + ratio)
    oil = [p0**x * rise + (0.0 if ieee else air[0])]
    u0 = gradient * k[0] ** y
    state = [u0, 0.0, 0.0] if ieee else [2 * u0, u0, 0.0]
    oils, gradients, lives = [oil[0] + (air[0] if ieee else 0.0)], [state[0] - state[1]], [0.0]
    h = ROW_S / STEPS
    for i in range(1, len(k)):
        k0, dk, a0, da = k[i - 1], (k[i] - k[i - 1]) / ROW_S, air[i - 1], (air[i] - air[i - 1]) / ROW_S

        def oil_rate(t: float, v: list[float], k0=k0, dk=dk, a0=a0, da=da) -> list[float]:
            p = (1 + ratio * (k0 + dk * t) ** 2) / (1 + ratio)
            if ieee:
                return [rise * (p - (v[0] / rise) ** (1 / x)) / tau_o]
            return [(p**x * rise + a0 + da * t - v[0]) / (0.5 * tau_o)]

        for j in range(STEPS):
            oil = rk4(oil_rate, oil, j * h, h)
        o0, o1 = oils[-1], oil[0] + (air[i] if ieee else 0.0)

        def rate(t: float, v: list[float], k0=k0, dk=dk, o0=o0, o1=o1) -> list[float]:
            u = gradient * (k0 + dk * t) ** y
            hot = o0 + (o1 - o0) * t / ROW_S + v[0] - v[1]
            ageing = math.exp(15000 / 383 - 15000 / (hot + 273)) / 3600
            if ieee:
                return [(u - v[0]) / tau_w, 0.0, ageing]
            return [(2 * u - v[0]) / (2 * tau_w), (u - v[1]) / (tau_o / 2), ageing]

        for j in range(STEPS):
            state = rk4(rate, state, j * h, h)
        oils.append(o1)
        gradients.append(state[0] - state[1])
        lives.append(float(state[2]))
    return np.array(oils), np.array(gradients), np.array(lives)


@pytest.mark.parametrize("guide", ["iec_60076_7", "ieee_c57_91"])
def test_a_year_of_weather_and_demand(guide: str, pytestconfig: pytest.Config) -> None:
    folder = Path(pytestconfig.cache.mkdir("open_data"))  # type: ignore[union-attr]
    hours = open_data.typical_year_c(folder)
    rows = 2 * len(hours) - 1
    ambient = np.interp(np.arange(rows) / 2, np.arange(len(hours)), hours)
    demand = np.resize(open_data.demand_mw(folder), rows)
    load = 1.15 * demand / demand.max()  # peaks of 115 % at the demand's own shape
    ieee = guide == "ieee_c57_91"
    oil, gradient, life = reference(load, ambient, ieee)

    modes = (mode(cooling="ONAF", rise=45.0, r=6.0),)
    model = compile_model(
        station(
            transformer(
                guide=guide,
                paper="thermally_upgraded",
                modes=modes,
                windings=(winding(gradient=16.0, h=1.3),),
            ),
            gap_s=7200.0,
        )
    )
    state = initial(model, -1)
    worst_hot = worst_oil = 0.0
    for i in range(rows):
        row = sample(i * ROW_S, float(oil[i]), float(ambient[i]), float(load[i] * 100))
        state, e = advance(model, state, row)
        worst_hot = max(worst_hot, abs(float(e.hot_spot_c[0]) - float(oil[i] + gradient[i])))
        worst_oil = max(worst_oil, abs(float(e.expected_oil_c[0]) - float(oil[i])))
    found = float(e.loss_of_life_h[1, 0])
    print(
        f"{guide}: {rows} half-hours, ambient {ambient.min():.1f} to {ambient.max():.1f} degC, hot spot up to"
        f" {(oil + gradient).max():.1f} degC; worst difference hot spot {worst_hot:.5f} K, expected oil"
        f" {worst_oil:.5f} K; loss of life {found:.3f} h against {life[-1]:.3f} h"
    )
    assert worst_hot < 0.01
    assert worst_oil < 0.01
    assert found == pytest.approx(life[-1], rel=1e-3)
