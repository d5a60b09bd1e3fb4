"""An independent, plain solution of both guides, for the tests. Imports nothing from the product.

Equations: IEC 60076-7:2018 8.2 and IEEE C57.91-2011 clause 7, as differential equations, one winding, one
transformer, solved by scipy between the corners of its piecewise-linear inputs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

Line = tuple[Sequence[float], Sequence[float]]  # times [s], values


@dataclass(frozen=True)
class Unit:
    """Plain figures of one winding in one cooling mode. tau in minutes, as the guides print them."""

    rise: float = 38.3
    gradient: float = 20.3  # H g_r
    r: float = 1000.0
    x: float = 0.8
    y: float = 1.3
    k11: float = 0.5
    k21: float = 2.0
    k22: float = 2.0
    tau_o: float = 150.0
    tau_w: float = 7.0
    rated: float = 100.0
    ieee: bool = False  # then x is n, y is 2m; y2 is the rise over ambient
    energised: bool = True


def at(line: Line, t: float) -> float:
    return float(np.interp(t, line[0], line[1]))


def derivative(unit: Unit, k: float, ambient: float, y: Sequence[float]) -> list[float]:
    if k < 0:  # a corner of the step-size control may lie a hair beyond a ramp to zero
        k = 0.0
    ultimate = unit.gradient * k**unit.y
    p = ((1.0 if unit.energised else 0.0) + unit.r * k * k) / (1.0 + unit.r)
    if unit.ieee:
        d = y[2] / unit.rise
        loss = np.sign(d) * abs(d) ** (1.0 / unit.x)
        return [(ultimate - y[0]) / (60 * unit.tau_w), 0.0, unit.rise * (p - loss) / (60 * unit.tau_o)]
    return [
        (unit.k21 * ultimate - y[0]) / (60 * unit.k22 * unit.tau_w),
        ((unit.k21 - 1) * ultimate - y[1]) / (60 * unit.tau_o / unit.k22),
        (p**unit.x * unit.rise + ambient - y[2]) / (60 * unit.k11 * unit.tau_o),
    ]


def solve(
    units: Callable[[float], Unit],
    current: Line,
    ambient: Line,
    y0: Sequence[float],
    begin: float,
    stops: Sequence[float],
    corners: Sequence[float] = (),
) -> np.ndarray:
    """y = [dtheta_h1, dtheta_h2, oil] at the stops [s]. units(t): figures in force just after t."""
    points = sorted({*stops, *(c for c in (*corners, *current[0], *ambient[0]) if begin < c <= max(stops))})
    y, t, rows = np.asarray(y0, dtype=float), begin, {}
    for point in points:
        unit = units(t)

        def rhs(s: float, v: Sequence[float], unit: Unit = unit) -> list[float]:
            return derivative(unit, at(current, s) / unit.rated, at(ambient, s), v)

        y = solve_ivp(rhs, (t, point), y, method="DOP853", rtol=1e-10, atol=1e-10).y[:, -1]
        t = point
        rows[point] = y
    return np.array([rows[s] for s in stops])


def steady(unit: Unit, k: float, ambient: float) -> list[float]:
    ultimate = unit.gradient * k**unit.y
    p = (1 + unit.r * k * k) / (1 + unit.r)
    if unit.ieee:
        return [ultimate, 0.0, p**unit.x * unit.rise]
    return [unit.k21 * ultimate, (unit.k21 - 1) * ultimate, p**unit.x * unit.rise + ambient]
