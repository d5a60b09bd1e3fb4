"""Steady-state rises straight from the figures of a settings file, for `check`. No time, no state.

The thermal engine is elsewhere; this is the hand calculation that it is laid beside.
"""

from __future__ import annotations

from typing import Any

from collector.thermal.defaults import figures_in_force
from collector.thermal.params import HOT_SPOT_FACTOR


def hot_spot_factor(t: Any, winding: Any) -> float:
    """H as given, else by the size of the unit."""
    if winding.hot_spot_factor is not None:
        return float(winding.hot_spot_factor)
    return HOT_SPOT_FACTOR[t.size]


def steady_state(t: Any, mode: Any, winding: Any, ambient_c: float) -> tuple[float, float]:
    """(top oil, hot spot) [degC] in steady state at this mode's rated current (K = 1, so no exponents)."""
    oil = ambient_c + mode.top_oil_rise_k
    return oil, oil + hot_spot_factor(t, winding) * winding.modes[mode.id].gradient_k


def oil_rise_at(t: Any, mode: Any, rating: Any, amperes: float) -> float:
    """Top-oil rise [K] of a mode at a current: ((1 + R K^2) / (1 + R))^x * rise. IEC 60076-7."""
    k, x = amperes / rating.rated_current_a, figures_in_force(t, mode)["oil_exponent"]
    return float(((1 + mode.loss_ratio * k * k) / (1 + mode.loss_ratio)) ** x * mode.top_oil_rise_k)


def winding_rise_at(t: Any, mode: Any, rating: Any, amperes: float) -> float:
    """Gradient [K] of a mode at a current: g_r * K^y. IEC 60076-7."""
    y = figures_in_force(t, mode)["winding_exponent"]
    return float(rating.gradient_k * (amperes / rating.rated_current_a) ** y)
