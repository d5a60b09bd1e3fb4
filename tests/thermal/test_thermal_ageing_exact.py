"""Loss of life against mpmath's quadrature of the exact hot spot, tens of kelvin within one interval."""

from __future__ import annotations

from collections import Counter

import mpmath as mp
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from thermal_station import station, transformer

from collector.thermal.kernel import integrate, regime
from collector.thermal.model import compile_model


def exact_life(law: str, dt: float, z0: tuple[float, float], oil: tuple[float, float], k: float) -> mp.mpf:
    """Constant K: exponentials towards the ultimate gradient, on a straight oil line (IEC 60076-7, 8.2)."""
    ultimate = mp.mpf("20.3") * mp.mpf(k) ** mp.mpf("1.3")
    t1, t2 = mp.mpf(2 * 7 * 60), mp.mpf(150 * 60) / 2

    def hot(t: mp.mpf) -> mp.mpf:
        h1 = 2 * ultimate + (z0[0] - 2 * ultimate) * mp.exp(-t / t1)
        h2 = ultimate + (z0[1] - ultimate) * mp.exp(-t / t2)
        return oil[0] + (oil[1] - oil[0]) * t / dt + h1 - h2

    def rate(t: mp.mpf) -> mp.mpf:
        if law == "kraft":
            return mp.power(2, (hot(t) - 98) / 6)
        reference = 383 if law == "thermally_upgraded" else 368
        return mp.exp(mp.mpf(15000) / reference - 15000 / (hot(t) + 273))

    return mp.quad(rate, mp.linspace(0, dt, 9))


def test_within_a_tenth_of_a_percent() -> None:
    """Any law, load, oil line and length up to 15 min."""
    premises: Counter[str] = Counter()

    @settings(max_examples=60, deadline=None)
    @given(
        law=st.sampled_from(["kraft", "thermally_upgraded", "kraft_ieee_55"]),
        dt=st.floats(0.2, 900.0),
        h1=st.floats(0.0, 100.0),
        oil0=st.floats(20.0, 100.0),
        move=st.floats(-50.0, 50.0),
        k=st.floats(0.0, 2.1),
    )
    @example(law="kraft", dt=900.0, h1=0.0, oil0=40.0, move=50.0, k=2.1)
    @example(law="thermally_upgraded", dt=900.0, h1=100.0, oil0=100.0, move=-50.0, k=0.0)
    @example(law="kraft_ieee_55", dt=420.0, h1=0.0, oil0=60.0, move=0.0, k=2.1)
    def check(law: str, dt: float, h1: float, oil0: float, move: float, k: float) -> None:
        model = compile_model(station(transformer(paper=law)))
        z0 = (h1, h1 / 2)
        rows = np.array([[k * 100, 20.0, oil0], [k * 100, 20.0, oil0 + move]])
        path = integrate(
            model, regime(model, np.array([0])), np.array([*z0, 50.0]), np.zeros(1), np.array([dt]), rows
        )
        moved = float(path.hot_spot_c[0, 0]) - (oil0 + h1 / 2)
        premises["moves up by 20 K or more"] += moved > 20
        premises["moves down by 20 K or more"] += moved < -20
        premises["longer than five minutes"] += dt > 300
        exact = float(exact_life(law, dt, z0, (oil0, oil0 + move), k))
        assert path.life_s[1, 0, 0] == pytest.approx(exact, rel=1e-3)
        assert path.life_s[0, 0, 0] < path.life_s[1, 0, 0] < path.life_s[2, 0, 0]

    check()
    print(dict(premises))
    for premise in ("moves up by 20 K or more", "moves down by 20 K or more", "longer than five minutes"):
        assert premises[premise], f"never happened: {premise}"


def test_the_worst_interval_of_the_sweep() -> None:
    """A load step from rest to 2.1 and a falling ramp of oil, all within 15 min."""
    model = compile_model(station())
    rows = np.array([[210.0, 20.0, 90.0], [210.0, 20.0, 40.0]])
    path = integrate(
        model, regime(model, np.array([0])), np.array([0.0, 0.0, 50.0]), np.zeros(1), np.array([900.0]), rows
    )
    exact = float(exact_life("kraft", 900.0, (0.0, 0.0), (90.0, 40.0), 2.1))
    assert path.life_s[1, 0, 0] == pytest.approx(exact, rel=1e-4)
