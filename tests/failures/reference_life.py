"""Loss of life of one winding, integrated plainly from its inputs. Imports nothing from the product.

Hot spot on measured oil, IEC 60076-7:2018, 8.2 (differential equations of the two gradient terms), ageing of
kraft paper as in its clause 6: both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Figures:
    """As they stand in the settings of the kill test. gradient_k: hot-spot factor x gradient [K]."""

    gradient_k: float = 1.3 * 8.0
    y: float = 1.3
    k21: float = 2.0
    k22: float = 2.0
    tau_o_s: float = 210.0 * 60.0
    tau_w_s: float = 10.0 * 60.0
    rated_a: float = 126.0


def loss_of_life_h(
    oil: tuple[Array, Array], current: tuple[Array, Array], at_s: list[float], f: Figures, step_s: float = 0.5
) -> Array:
    """Loss of life [h] since the first sample at the given times [s].

    oil [degC], current [A]: (times, values).

    Straight lines between samples, the last one held; starts in steady state. Fourth-order Runge-Kutta for
    the gradients, Simpson's rule for the ageing rate, in steps of at most `step_s`.
    """
    begin = max(oil[0][0], current[0][0])
    edges = np.unique(np.concatenate([[begin], oil[0], current[0], at_s]))
    edges = edges[(edges >= begin) & (edges <= max(at_s))]
    counts = np.maximum(1, np.ceil(np.diff(edges) / step_s)).astype(int)
    grid = np.concatenate(
        [[begin], *(np.linspace(a, b, n + 1)[1:] for a, b, n in zip(edges, edges[1:], counts, strict=False))]
    )
    half = 0.5 * (grid[1:] + grid[:-1])

    def ultimate(t: Array) -> Array:
        return np.asarray(f.gradient_k * (np.interp(t, *current) / f.rated_a) ** f.y)

    u0, um = ultimate(grid), ultimate(half)
    a, b = 1.0 / (f.k22 * f.tau_w_s), f.k22 / f.tau_o_s
    h1, h2 = f.k21 * u0[0], (f.k21 - 1.0) * u0[0]
    g0, gm = np.empty(len(grid)), np.empty(len(half))
    g0[0] = h1 - h2
    for i, h in enumerate(np.diff(grid)):
        h1_m, h1_e = _rk4(h1, f.k21 * u0[i], f.k21 * um[i], f.k21 * u0[i + 1], a, h)
        h2_m, h2_e = _rk4(h2, (f.k21 - 1) * u0[i], (f.k21 - 1) * um[i], (f.k21 - 1) * u0[i + 1], b, h)
        gm[i], g0[i + 1], h1, h2 = h1_m - h2_m, h1_e - h2_e, h1_e, h2_e
    v0 = 2.0 ** ((np.interp(grid, *oil) + g0 - 98.0) / 6.0)
    vm = 2.0 ** ((np.interp(half, *oil) + gm - 98.0) / 6.0)
    total = np.concatenate([[0.0], np.cumsum(np.diff(grid) * (v0[:-1] + 4.0 * vm + v0[1:]) / 6.0)])
    return np.asarray(np.interp(at_s, grid, total) / 3600.0)


def _rk4(y: float, u0: float, um: float, u1: float, k: float, h: float) -> tuple[float, float]:
    """dy/dt = k (u - y): the value after half the step (third order) and after the whole."""
    a = k * (u0 - y)
    b = k * (um - y - 0.5 * h * a)
    c = k * (um - y - 0.5 * h * b)
    d = k * (u1 - y - h * c)
    whole = y + h * (a + 2.0 * b + 2.0 * c + d) / 6.0
    middle = 0.5 * (y + whole) + h * (a - k * (u1 - whole)) / 8.0  # cubic Hermite
    return middle, whole
