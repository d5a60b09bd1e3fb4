"""Steady-state rises straight from the figures of a settings file, for `check`. No time, no state.

The thermal engine is elsewhere; this is the hand calculation that it is laid beside.
"""

from __future__ import annotations

from typing import Any

from collector.thermal.params import DESIGNS, HOT_SPOT_FACTOR, IEEE_EXPONENTS

_IEC_FIGURES = ("oil_exponent", "winding_exponent", "k11", "k21", "k22", "tau_o_min", "tau_w_min")
_IEEE_FIGURES = ("tau_o_min", "tau_w_min")


def exponents(t: Any, mode: Any) -> tuple[float, float] | None:
    """(oil exponent, winding exponent) in force; None when a figure is missing."""
    oil, winding = mode.oil_exponent, mode.winding_exponent
    if t.guide == "ieee_c57_91" and t.liquid == "mineral_oil":
        clause_7 = IEEE_EXPONENTS[mode.cooling]
        oil, winding = oil or clause_7.n, winding or 2 * clause_7.m
    design = DESIGNS.get(mode.design or t.design or "")
    if design is not None:
        oil, winding = oil or design.x, winding or design.y
    return None if oil is None or winding is None else (oil, winding)


def missing_figures(t: Any, mode: Any) -> list[str]:
    """Keys that must be given in this mode because nothing supplies a default."""
    mineral = t.liquid == "mineral_oil"
    if mineral and (mode.design or t.design):
        return []
    keys: tuple[str, ...] = _IEEE_FIGURES if t.guide == "ieee_c57_91" and mineral else _IEC_FIGURES
    if t.guide == "ieee_c57_91":
        keys = tuple(key for key in keys if key not in ("k11", "k21", "k22"))
    return [key for key in keys if getattr(mode, key) is None]


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
    figures = exponents(t, mode)
    assert figures is not None
    k = amperes / rating.rated_current_a
    return float(((1 + mode.loss_ratio * k * k) / (1 + mode.loss_ratio)) ** figures[0] * mode.top_oil_rise_k)


def winding_rise_at(t: Any, mode: Any, rating: Any, amperes: float) -> float:
    """Gradient [K] of a mode at a current: g_r * K^y. IEC 60076-7."""
    figures = exponents(t, mode)
    assert figures is not None
    return float(rating.gradient_k * (amperes / rating.rated_current_a) ** figures[1])
