"""Published parameters as data: thermal constants, limits, ageing constants, each with its source.

Data only. No figure without a source; what is recalled from a standard without its text at hand is
marked "from memory", what engineers merely do is marked "common practice, no source".

[1] IEC 60076-7:2018, Power transformers - Part 7: Loading guide for mineral-oil-immersed transformers.
[2] IEEE Std C57.91-2011, Guide for loading mineral-oil-immersed transformers and step-voltage regulators.
[3] IEC 60076-2:2011, Power transformers - Part 2: Temperature rise for liquid-immersed transformers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

KELVIN = 273.0
"""Offset from degree Celsius as both guides use it in their ageing laws [K]; not 273.15."""


@dataclass(frozen=True, slots=True)
class ThermalConstants:
    """One row of the parameter table of [1].

    x: oil exponent on total losses. y: winding exponent on current. k11, k21, k22: thermal model
    constants. tau_o_min: average-oil time constant [min]. tau_w_min: winding time constant [min].
    """

    x: float
    y: float
    k11: float
    k21: float
    k22: float
    tau_o_min: float
    tau_w_min: float


#: [1], table of recommended thermal characteristics, mineral oil (from memory).
DESIGNS: Mapping[str, ThermalConstants] = MappingProxyType({
    "distribution_onan": ThermalConstants(0.8, 1.6, 1.0, 1.0, 2.0, 180.0, 4.0),
    "medium_large_onan_restricted": ThermalConstants(0.8, 1.3, 0.5, 3.0, 2.0, 210.0, 10.0),
    "medium_large_onan": ThermalConstants(0.8, 1.3, 0.5, 2.0, 2.0, 210.0, 10.0),
    "medium_large_onaf_restricted": ThermalConstants(0.8, 1.3, 0.5, 3.0, 2.0, 150.0, 7.0),
    "medium_large_onaf": ThermalConstants(0.8, 1.3, 0.5, 2.0, 2.0, 150.0, 7.0),
    "medium_large_of_restricted": ThermalConstants(1.0, 1.3, 1.0, 1.45, 1.0, 90.0, 7.0),
    "medium_large_of": ThermalConstants(1.0, 1.3, 1.0, 1.3, 1.0, 90.0, 7.0),
    "medium_large_od": ThermalConstants(1.0, 2.0, 1.0, 1.0, 1.0, 90.0, 7.0),
})

#: [1], hot-spot factor H where the maker gives none (from memory).
HOT_SPOT_FACTOR: Mapping[str, float] = MappingProxyType({"distribution": 1.1, "medium": 1.3, "large": 1.3})


@dataclass(frozen=True, slots=True)
class IeeeExponents:
    """[2], 7.2.6: m on the winding's loss, n on the oil's total loss."""

    m: float
    n: float


#: [2], table 4, by the letters of the cooling mode (from memory). OFAN and ODAN, which the table does not
#: name, take the row of the same oil flow: what drives the oil decides, not what moves the air.
IEEE_EXPONENTS: Mapping[str, IeeeExponents] = MappingProxyType({
    "ONAN": IeeeExponents(0.8, 0.8),
    "ONAF": IeeeExponents(0.8, 0.9),
    "OFAN": IeeeExponents(0.8, 0.9),
    "OFAF": IeeeExponents(0.8, 0.9),
    "ODAN": IeeeExponents(1.0, 1.0),
    "ODAF": IeeeExponents(1.0, 1.0),
})


@dataclass(frozen=True, slots=True)
class AgeingLaw:
    """ln V = a + b theta - c / (theta + 273), theta in degC: every law of both guides has this form."""

    a: float
    b: float
    c: float
    source: str


@dataclass(frozen=True, slots=True)
class Arrhenius:
    """Rate of chain scission A exp(-E_A / (R T)): pre-exponential A [1/h], activation energy E_A [J/mol]."""

    a_per_h: float
    e_a_j_per_mol: float


GAS_CONSTANT = 8.314
"""[J/(mol K)], with the digits of [1]."""

#: [1], 2018 edition (from memory): (paper, oil preservation) -> (water in paper [% of dry weight], rate) at
#: every tabulated moisture, rising. sealed: free of air; free_breathing: with air, which has one row only.
ENVIRONMENT_2018: Mapping[tuple[str, str], tuple[tuple[float, Arrhenius], ...]] = MappingProxyType({
    ("kraft", "sealed"): (
        (0.5, Arrhenius(4.1e10, 128_000.0)),
        (1.5, Arrhenius(1.5e11, 128_000.0)),
        (3.5, Arrhenius(4.5e11, 128_000.0)),
    ),
    ("kraft", "free_breathing"): ((0.5, Arrhenius(4.6e5, 89_000.0)),),
    ("thermally_upgraded", "sealed"): (
        (0.5, Arrhenius(1.6e4, 86_000.0)),
        (1.5, Arrhenius(3.0e4, 86_000.0)),
        (3.5, Arrhenius(6.1e4, 86_000.0)),
    ),
    ("thermally_upgraded", "free_breathing"): ((0.5, Arrhenius(3.2e4, 82_000.0)),),
})

#: The dry, air-free row: what the plain ``_2018`` laws are, and what normal life refers to.
ARRHENIUS_2018: Mapping[str, Arrhenius] = MappingProxyType({
    paper: ENVIRONMENT_2018[paper, "sealed"][0][1] for paper in ("kraft", "thermally_upgraded")
})

#: Hot spot at which normal paper of its kind ages at rate 1 [degC], both guides (from memory).
REFERENCE_C: Mapping[str, float] = MappingProxyType({
    "kraft": 98.0,
    "thermally_upgraded": 110.0,
    "kraft_ieee_55": 95.0,
})


def _relative(paper: Arrhenius, reference_c: float, source: str) -> AgeingLaw:
    """The 2018 form as a relative rate, 1 at ``reference_c`` [degC]; A falls out of it."""
    c = paper.e_a_j_per_mol / GAS_CONSTANT
    return AgeingLaw(c / (reference_c + KELVIN), 0.0, c, source)


_LN2 = 0.6931471805599453

#: By the settings' ``paper``.
AGEING_LAWS: Mapping[str, AgeingLaw] = MappingProxyType({
    "kraft": AgeingLaw(-98.0 * _LN2 / 6.0, _LN2 / 6.0, 0.0, "[1] non-upgraded paper, 2^((theta-98)/6)"),
    "thermally_upgraded": AgeingLaw(
        15000.0 / 383.0, 0.0, 15000.0, "[1] thermally upgraded paper = [2] F_AA, 110 degC"
    ),
    "kraft_ieee_55": AgeingLaw(15000.0 / 368.0, 0.0, 15000.0, "[2] 55 degC rise units, 95 degC"),
    "kraft_2018": _relative(ARRHENIUS_2018["kraft"], 98.0, "[1] 2018 edition, Arrhenius form"),
    "thermally_upgraded_2018": _relative(
        ARRHENIUS_2018["thermally_upgraded"], 110.0, "[1] 2018 edition, Arrhenius form"
    ),
})

@dataclass(frozen=True, slots=True)
class LifeCriterion:
    """A normal life and what it belongs to; it is a figure of that paper in that state only.

    paper: kind, whose law gives rate 1 at REFERENCE_C. marks: words of a text, in lower case, that name this
    end point and no other.
    """

    paper: Literal["kraft", "thermally_upgraded"]
    state: str
    end_point: str
    hours: float
    source: str
    marks: tuple[str, ...]


_DRY = "dry (0.5 % water), free of air"
_C57_91 = "IEEE C57.91, from memory"

#: Every normal life that windingd knows the source of. Another needs a source of its own.
LIFE_CRITERIA = (
    LifeCriterion("thermally_upgraded", _DRY, "50 % retained tensile strength", 65_000.0, _C57_91,
                  ("50 % retained", "50% retained", "50 % tensile", "50% tensile")),
    LifeCriterion("thermally_upgraded", _DRY, "25 % retained tensile strength", 135_000.0, _C57_91,
                  ("25 % retained", "25% retained", "25 % tensile", "25% tensile")),
    LifeCriterion("thermally_upgraded", _DRY, "retained degree of polymerisation 200", 150_000.0, _C57_91,
                  ("retained degree of polymeri", "retained dp 200")),
    LifeCriterion("thermally_upgraded", _DRY, "functional life tests", 180_000.0, _C57_91,
                  ("functional life",)),
    LifeCriterion("thermally_upgraded", _DRY, "degree of polymerisation 1000 to 200", 134_000.0,
                  "IEC 60076-7:2018, from memory", ("polymerisation 1000", "dp 1000")),
    LifeCriterion("kraft", _DRY, "degree of polymerisation 1000 to 200", 102_700.0,
                  "IEC 60076-7:2018, from memory", ("polymerisation 1000", "dp 1000")),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class LoadingLimits:
    """One kind of loading: hot spot [degC], top oil [degC], current [pu], how long it may be used [min].

    longest_min: inf = every day; then hot_spot_c is the peak of a cycle, not a temperature to stay at.
    """

    hot_spot_c: float
    top_oil_c: float
    load_pu: float
    longest_min: float


Size = Literal["distribution", "medium", "large"]

_EVERY_DAY = math.inf
#: Weeks or months until what failed is back [1]; one to three months [2] (from memory): the shortest of both.
_WEEKS_MIN = 30 * 1440.0
#: Half an hour [1]; [2] speaks of hours at most, the shorter figure holds for it too (from memory).
_HALF_AN_HOUR_MIN = 30.0
#: The peak of a day.
_DAY_MIN = 1440.0

#: [1], limits by size and kind of loading (from memory). Distribution units: current limits of [1].
IEC_LIMITS: Mapping[Size, Mapping[str, LoadingLimits]] = MappingProxyType({
    "distribution": MappingProxyType({
        "normal cyclic": LoadingLimits(120.0, 105.0, 1.5, _EVERY_DAY),
        "long-time emergency": LoadingLimits(140.0, 115.0, 1.8, _WEEKS_MIN),
        "short-time emergency": LoadingLimits(160.0, 115.0, 2.0, _HALF_AN_HOUR_MIN),
    }),
    "medium": MappingProxyType({
        "normal cyclic": LoadingLimits(120.0, 105.0, 1.5, _EVERY_DAY),
        "long-time emergency": LoadingLimits(140.0, 115.0, 1.5, _WEEKS_MIN),
        "short-time emergency": LoadingLimits(160.0, 115.0, 1.8, _HALF_AN_HOUR_MIN),
    }),
    "large": MappingProxyType({
        "normal cyclic": LoadingLimits(120.0, 105.0, 1.3, _EVERY_DAY),
        "long-time emergency": LoadingLimits(140.0, 115.0, 1.3, _WEEKS_MIN),
        "short-time emergency": LoadingLimits(160.0, 115.0, 1.5, _HALF_AN_HOUR_MIN),
    }),
})

#: [2], the four kinds of loading (from memory). The guide's general ceiling of twice rated current.
IEEE_LIMITS: Mapping[str, LoadingLimits] = MappingProxyType({
    "normal life expectancy": LoadingLimits(120.0, 105.0, 2.0, _EVERY_DAY),
    "planned beyond nameplate": LoadingLimits(130.0, 110.0, 2.0, _DAY_MIN),
    "long-time emergency": LoadingLimits(140.0, 110.0, 2.0, _WEEKS_MIN),
    "short-time emergency": LoadingLimits(180.0, 110.0, 2.0, _HALF_AN_HOUR_MIN),
})

# --- uncertainty: half-widths of rectangular distributions (JCGM 100, 4.3.7) where no figure is given ---

#: Hot-spot factor: a maker's own figure, and the guide's default. Engineering judgement, no source;
#: the default's width is the spread between the guide's two defaults.
HOT_SPOT_FACTOR_HALF_WIDTH_GIVEN = 0.1
HOT_SPOT_FACTOR_HALF_WIDTH_DEFAULT = 0.2
#: Average winding gradient: two resistances and two oil temperatures. Engineering judgement, no source.
GRADIENT_HALF_WIDTH_K = 1.5
#: Top-oil rise of the temperature-rise test, for the estimated oil. Engineering judgement, no source.
TOP_OIL_RISE_HALF_WIDTH_K = 2.0
#: Oil exponent and loss ratio (share of it) of the settings against the unit's own: what one test at one loss
#: leaves open. Engineering judgement, no source.
OIL_EXPONENT_HALF_WIDTH = 0.05
LOSS_RATIO_HALF_WIDTH = 0.1
#: Sun, wind and rain on tank and coolers, over hours [K]. Engineering judgement, no source.
WEATHER_HALF_WIDTH_K = 2.0
#: Oil in the pocket against the oil beside it [K]. Engineering judgement, no source.
POCKET_HALF_WIDTH_K = 2.0

#: Ambient for the conservative figure of unmonitored hours [degC]: highest ambient of [3] (from memory).
HIGHEST_AMBIENT_C = 40.0
