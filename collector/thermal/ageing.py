"""Relative ageing rate of paper and loss of life, as functions of the hot spot.

Pure arithmetic on arrays. No state, no settings: the law of a unit's paper is chosen elsewhere.

[1] IEC 60076-7:2018. [2] IEEE Std C57.91-2011. All constants: see params.py.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from collector.thermal.params import (
    AGEING_LAWS,
    ARRHENIUS_2018,
    ENVIRONMENT_2018,
    GAS_CONSTANT,
    KELVIN,
    REFERENCE_C,
    AgeingLaw,
    Arrhenius,
)

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


def kind(paper: str) -> str:
    """The kind of paper that a law of the settings is for: "kraft" of "kraft_2018"."""
    return paper.removesuffix("_2018")


def environment(paper: str, oil: str, moisture_percent: float) -> Arrhenius:
    """Rate of paper with so much water [% of dry weight] and oil preserved so, [1] 2018 edition.

    paper: "kraft" or "thermally_upgraded". oil: "sealed" (free of air) or "free_breathing".
    ln A runs straight between the tabulated moistures. ValueError outside them: nothing is extrapolated, and
    nothing is made of a row with air and one without.
    """
    rows = ENVIRONMENT_2018[paper, oil]
    low, high = rows[0][0], rows[-1][0]
    if not low <= moisture_percent <= high:
        known = f"{low:g} to {high:g} %" if high > low else f"{low:g} % only"
        raise ValueError(f"moisture_percent {moisture_percent:g}: {oil} has figures for {known}")
    ln_a = np.interp(moisture_percent, [w for w, _ in rows], [math.log(row.a_per_h) for _, row in rows])
    return Arrhenius(float(np.exp(ln_a)), rows[0][1].e_a_j_per_mol)


def law_in_force(paper: str, oil: str | None, moisture_percent: float) -> AgeingLaw:
    """The law of a unit's paper: relative to dry, air-free paper at its reference temperature.

    oil: None = the law as it stands, for dry paper. ValueError: no factors for this paper or moisture.
    """
    dry = AGEING_LAWS[paper]
    if oil is None:
        return dry
    of = kind(paper)
    if of == paper or (of, oil) not in ENVIRONMENT_2018:
        raise ValueError(f"oil_preservation: {paper} has no factors for moisture and oxygen")
    wet, normal = environment(of, oil, moisture_percent), ARRHENIUS_2018[of]
    reference = normal.e_a_j_per_mol / GAS_CONSTANT / (REFERENCE_C[of] + KELVIN)
    a = math.log(wet.a_per_h / normal.a_per_h) + reference
    c = wet.e_a_j_per_mol / GAS_CONSTANT
    return AgeingLaw(a, 0.0, c, f"{dry.source}, {moisture_percent:g} % water, {oil}")


def temperature_at(rate: float, law: AgeingLaw) -> float:
    """Hot spot at which paper ages at this relative rate [degC], the inverse of :func:`ageing_rate`.

    rate: > 0. Newton on ln V, which is smooth and rises everywhere.
    """
    theta, target = 100.0, math.log(rate)
    for _ in range(50):
        kelvin = theta + KELVIN
        step = (law.a + law.b * theta - law.c / kelvin - target) / (law.b + law.c / kelvin**2)
        theta = max(theta - step, -KELVIN / 2)
        if abs(step) < 1e-10:
            break
    return theta
