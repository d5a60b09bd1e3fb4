"""Relative ageing rate of paper and loss of life, as functions of the hot spot.

Pure arithmetic on arrays. No state, no settings: the law of a unit's paper is chosen elsewhere.

[1] IEC 60076-7:2018. [2] IEEE Std C57.91-2011. All constants: see params.py.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from collector.thermal.params import AGEING_LAWS, GAS_CONSTANT, KELVIN, AgeingLaw, Arrhenius

Floats = NDArray[np.float64]


def ageing_rate(hot_spot_c: ArrayLike, law: AgeingLaw) -> Floats:
    """Relative ageing rate V of any law of both guides, which all have one form.

    hot_spot_c: [degC], usually 0 to 160.

        V = exp(a + b theta - c / (theta + 273))
    """
    theta = np.asarray(hot_spot_c, dtype=np.float64)
    return np.asarray(np.exp(law.a + law.b * theta - law.c / (theta + KELVIN)))


def kraft(hot_spot_c: ArrayLike) -> Floats:
    """V of non-upgraded paper: 2^((theta - 98) / 6), 1 at 98 degC [1]. hot_spot_c in [degC], 80 to 140."""
    return ageing_rate(hot_spot_c, AGEING_LAWS["kraft"])


def thermally_upgraded(hot_spot_c: ArrayLike) -> Floats:
    """V of upgraded paper: exp(15000/383 - 15000/(theta + 273)), 1 at 110 degC [1]; F_AA of [2]."""
    return ageing_rate(hot_spot_c, AGEING_LAWS["thermally_upgraded"])


def kraft_ieee_55(hot_spot_c: ArrayLike) -> Floats:
    """V of the 55 degC rise units of [2]: exp(15000/368 - 15000/(theta + 273)), 1 at 95 degC."""
    return ageing_rate(hot_spot_c, AGEING_LAWS["kraft_ieee_55"])


def arrhenius_rate(hot_spot_c: ArrayLike, paper: Arrhenius) -> Floats:
    """Chain scissions per hour, A exp(-E_A / (R (theta + 273))) [1/h], 2018 edition of [1]."""
    theta = np.asarray(hot_spot_c, dtype=np.float64)
    return np.asarray(paper.a_per_h * np.exp(-paper.e_a_j_per_mol / (GAS_CONSTANT * (theta + KELVIN))))


def arrhenius_life_h(
    hot_spot_c: ArrayLike, paper: Arrhenius, dp_start: float = 1000.0, dp_end: float = 200.0
) -> Floats:
    """Hours until the degree of polymerisation has fallen from dp_start to dp_end at constant hot spot.

    hot_spot_c: [degC]. dp_start: usually 1000 to 1200; dp_end: 200 is the usual end of life.

        t = (1/DP_end - 1/DP_start) / (A exp(-E_A / (R T)))                                    [1]

    ValueError unless 0 < dp_end < dp_start.
    """
    if not 0 < dp_end < dp_start:
        raise ValueError(f"dp_end {dp_end} must lie between 0 and dp_start {dp_start}")
    return np.asarray((1.0 / dp_end - 1.0 / dp_start) / arrhenius_rate(hot_spot_c, paper))
