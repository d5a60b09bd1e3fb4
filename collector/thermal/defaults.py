"""The figures of a cooling mode that its settings leave out: one rule, by guide, liquid, design and letters.

The numbers are in params.py. No settings model in here: settings, heat run and thermal model all ask.
"""

from __future__ import annotations

from dataclasses import astuple
from typing import Any

from collector.thermal.params import DESIGNS, IEEE_EXPONENTS

#: Keys of a mode in the settings, in the order of params.ThermalConstants.
FIGURES = ("oil_exponent", "winding_exponent", "k11", "k21", "k22", "tau_o_min", "tau_w_min")


def default_figures(guide: str, liquid: str, design: str | None, cooling: str) -> dict[str, float]:
    """Key -> default, without the keys that have none and must be given.

    IEC: the design's parameter set. IEEE: n and 2m by the letters of the mode, k's 1, the time constants
    from the design if there is one. No defaults that depend on a liquid other than mineral oil.
    """
    ieee, mineral = guide == "ieee_c57_91", liquid == "mineral_oil"
    found: dict[str, float] = {}
    if mineral and design is not None:
        found = dict(zip(FIGURES, astuple(DESIGNS[design]), strict=True))
    if ieee:
        found |= {"k11": 1.0, "k21": 1.0, "k22": 1.0}
    if ieee and mineral:
        exponents = IEEE_EXPONENTS[cooling]
        found |= {"oil_exponent": exponents.n, "winding_exponent": 2 * exponents.m}
    return found


def figures_in_force(transformer: Any, mode: Any) -> dict[str, float]:
    """Key -> figure of a mode in the settings: as given, else by default. What is missing is not in it.

    transformer, mode: of the settings' model, or the valid parts of a file that is being checked.
    """
    design = mode.design or transformer.design
    found = default_figures(transformer.guide, transformer.liquid, design, mode.cooling)
    return found | {key: getattr(mode, key) for key in FIGURES if getattr(mode, key) is not None}


def missing_figures(transformer: Any, mode: Any) -> list[str]:
    """Keys that must be given in this mode because nothing supplies a default."""
    found = figures_in_force(transformer, mode)
    return [key for key in FIGURES if key not in found]
