"""Speed side by side in one run: printed, never asserted."""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np
from scipy.integrate import solve_ivp
from test_thermal_exact import S, sample
from thermal_station import station, transformer, winding

from collector.thermal.kernel import integrate, regime
from collector.thermal.model import Model, compile_model
from collector.thermal.track import Sample, advance, initial


def rows_of(model: Model, count: int) -> list[Sample]:
    w, t = len(model.windings), len(model.transformers)
    rng = np.random.default_rng(5)
    rows = []
    for i in range(1, count + 1):
        ns = i * 60 * S
        rows.append(
            Sample(
                ns, rng.uniform(50, 55, t), np.full(t, ns), rng.uniform(20, 21, t), np.full(t, ns),
                rng.uniform(80, 90, w), np.full(w, ns), np.zeros(t, dtype=np.int64),
            )
        )  # fmt: skip
    return rows


def step_us(model: Model, count: int, repeat: int) -> float:
    rows, best = rows_of(model, count), float("inf")
    for _ in range(repeat):
        state, _ = advance(model, initial(model, 0), rows[0])
        begin = time.perf_counter()
        for row in rows[1:]:
            state, _ = advance(model, state, row)
        best = min(best, (time.perf_counter() - begin) / (count - 1))
    return best * 1e6


def three(**more: str) -> Model:
    windings = tuple(winding(f"HV_{p}", i + 1, phase=p) for i, p in enumerate("ABC"))
    return compile_model(station(transformer(windings=windings, **more)))


def test_three_thousand_windings_beside_three() -> None:
    for name, base in (("IEC", three()), ("IEEE", three(guide="ieee_c57_91"))):
        small = step_us(base, 400, 5)
        large = step_us(base.tiled(1000), 30, 5)
        print(
            f"\n{name}: thermal step {small:.0f} us with 3 windings, {large:.0f} us with 3000:"
            f" {large / small:.1f} times (wanted: at most 10)"
        )
        assert small > 0
        assert large > 0


def test_beside_solve_ivp_at_equal_accuracy() -> None:
    """One winding, one minute per row; solve_ivp with the loosest tolerance that keeps 0.01 K."""
    model = compile_model(station())
    ours = step_us(model, 400, 5)
    rows = [(60.0 * i, 50.0 + 5 * (i % 2), 20.0, 80.0 + 10 * (i % 3)) for i in range(200)]

    def rhs(t: float, y: np.ndarray, k0: float, k1: float, begin: float) -> list[float]:
        k = k0 + (k1 - k0) * (t - begin) / 60.0
        u = 20.3 * k**1.3
        oil = ((1 + 1000 * k * k) / 1001) ** 0.8 * 38.3 + 20.0
        return [(2 * u - y[0]) / 840, (u - y[1]) / 4500, (oil - y[2]) / 4500]

    y = np.array([30.0, 15.0, 55.0])
    begin = time.perf_counter()
    for a, b in pairwise(rows):
        ends = (a[3] / 100, b[3] / 100, a[0])
        y = solve_ivp(rhs, (a[0], b[0]), y, args=ends, rtol=1e-4, atol=1e-3).y[:, -1]
    theirs = (time.perf_counter() - begin) / (len(rows) - 1) * 1e6
    state = initial(model, -1)
    for row in rows:
        state, _ = advance(model, state, sample(*row))
    lines = np.array([[row[3], row[2], row[1]] for row in rows * 7])
    begin = time.perf_counter()
    integrate(
        model, regime(model, np.array([0])), state.z, state.offset_k, np.full(len(lines) - 1, 60.0), lines
    )
    together = (time.perf_counter() - begin) / (len(lines) - 1) * 1e6
    print(
        f"\none row: {ours:.0f} us here with ageing and uncertainty, {together:.1f} us with a day in one"
        f" call, {theirs:.0f} us in solve_ivp with neither"
    )
    assert np.isfinite(state.z).all()
