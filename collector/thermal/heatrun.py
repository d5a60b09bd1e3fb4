"""Settings from a factory temperature-rise report: figures, their derivation, contradictions.

Pure: a validated report in, figures and text out. No files and no YAML reading here, and no thermal
model: the steady-state table beside the block comes from the model that runs live (see model.py).

Corrections follow IEC 60076-2 (all its figures from memory). Its exponents serve only to bring a test to
rated losses and currents; the loading exponents x and y of IEC 60076-7 are others and stay in the settings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any, Literal

import numpy as np
import yaml
from pydantic import Field, ValidationError

from collector.settings.model import Design, Id, Number, Paper, Positive, Section, Settings
from collector.thermal import kernel
from collector.thermal.ageing import ageing_rate
from collector.thermal.defaults import default_figures
from collector.thermal.ieee import ultimate_hot_spot_gradient, ultimate_top_oil_rise
from collector.thermal.model import compile_model
from collector.thermal.params import AGEING_LAWS, HOT_SPOT_FACTOR

PathKey = str | int

# --- what a report gives ---------------------------------------------------------------------------


class Altitude(Section):
    """Metres above sea level. Up to 1000 m nothing is corrected."""

    test_m: Annotated[float, Field(ge=-100, le=5000, description="usually 0 to 1000")] = 0.0
    site_m: Annotated[float, Field(ge=-100, le=5000, description="usually 0 to 4000")] = 0.0


class LoadLoss(Section):
    """Load loss on one tapping, at the stated power and reference temperature."""

    tapping: Annotated[str, Field(min_length=1)]
    kw: Annotated[float, Field(gt=0, le=20_000, description="usually 1 to 1500")]
    rated_mva: Annotated[
        float, Field(gt=0, le=2000, description="power at which kw was stated, usually 0.1 to 1000")
    ]
    reference_c: Annotated[float, Field(ge=20, le=130, description="usually 75 (IEC) or 85")] = 75.0
    i2r_kw: Positive | None = Field(
        None, description="the part of kw that is current squared times DC resistance"
    )
    total_kw: Positive | None = Field(None, description="no-load plus load loss as the report adds them up")


class Losses(Section):
    no_load_kw: Annotated[float, Field(gt=0, le=2000, description="usually 0.1 to 200")]
    reference_c: Annotated[
        float, Field(ge=20, le=130, description="temperature the total losses are referred to")
    ] = 75.0
    load: tuple[LoadLoss, ...] = Field(min_length=1)


Rise = Annotated[float, Field(gt=0, le=150, description="usually 10 to 80")]
OilRise = Annotated[float, Field(gt=0, le=100, description="usually 20 to 65")]
OilTemperature = Annotated[float, Field(ge=-20, le=140, description="usually 30 to 100")]


class OilTest(Section):
    """The part of the test with the total losses fed. Give each oil figure as a rise or as a temperature."""

    fed_loss_kw: Positive | None = Field(
        None, description="left out: the rises are already those at rated losses"
    )
    ambient_c: Annotated[float, Field(ge=-20, le=50, description="usually 10 to 30")] | None = None
    top_oil_rise_k: OilRise | None = None
    top_oil_c: OilTemperature | None = None
    average_oil_rise_k: OilRise | None = None
    average_oil_c: OilTemperature | None = None
    bottom_oil_rise_k: OilRise | None = None
    bottom_oil_c: OilTemperature | None = None


class Guarantee(Section):
    """Guaranteed rises at the site; exceeding one is a warning, the measured figure is used."""

    top_oil_rise_k: OilRise | None = None
    average_winding_rise_k: Rise | None = None
    hot_spot_rise_k: Rise | None = None


class Resistance(Section):
    """Average winding temperature by resistance, extrapolated back to the instant of shutdown."""

    cold_ohm: Positive
    cold_c: Annotated[float, Field(ge=-10, le=50, description="usually 10 to 30")]
    hot_ohm: Positive = Field(description="extrapolated to the instant of shutdown")
    average_oil_c: OilTemperature = Field(description="average oil at the instant of shutdown")


class WindingTest(Section):
    """One winding in one cooling mode. Give the average winding rise, or the resistances."""

    rated_current_a: Annotated[float, Field(gt=0, le=100_000, description="of this mode on this tapping")]
    test_current_a: Positive | None = Field(
        None, description="left out: the figures are those at rated current"
    )
    average_winding_rise_k: Rise | None = Field(
        None, description="by resistance, over ambient; usually 10 to 80"
    )
    average_oil_rise_k: OilRise | None = Field(
        None, description="at shutdown, usually 15 to 50; default that of the oil test"
    )
    resistance: Resistance | None = None
    hot_spot_rise_k: Rise | None = Field(
        None, description="measured by fibre, over ambient, at test current; usually 20 to 80"
    )
    top_oil_rise_k: OilRise | None = Field(
        None, description="when the hot spot was read, usually 20 to 65; default that of the oil test"
    )


class ModelFigures(Section):
    """Figures of the dynamic model, which a heat run does not give. Left out: those of the design."""

    oil_exponent: Annotated[float, Field(ge=0.5, le=1.2)] | None = None
    winding_exponent: Annotated[float, Field(ge=1.0, le=2.2)] | None = None
    k11: Annotated[float, Field(ge=0.1, le=2)] | None = None
    k21: Annotated[float, Field(ge=1, le=4)] | None = None
    k22: Annotated[float, Field(ge=0.5, le=4)] | None = None
    tau_o_min: Annotated[float, Field(ge=10, le=1000)] | None = None
    tau_w_min: Annotated[float, Field(ge=1, le=60)] | None = None


class TestedMode(Section):
    """The temperature-rise test of one cooling mode."""

    id: Id
    number: Number
    cooling: Literal["ONAN", "ONAF", "OFAN", "OFAF", "ODAF", "ODAN"]
    needs: tuple[Id, ...] = Field((), description="stages that must be proven running, as in the settings")
    restricted_oil: bool = Field(False, description="zigzag or otherwise restricted oil flow in the winding")
    rated_mva: Annotated[float, Field(gt=0, le=2000)]
    tapping: Annotated[str, Field(min_length=1)] = Field(
        description="the tapping of this test, one of losses.load"
    )
    oil_test: OilTest
    windings: dict[Id, WindingTest] = Field(min_length=1)
    guaranteed: Guarantee = Guarantee()
    model: ModelFigures = ModelFigures()


class ReportWinding(Section):
    id: Id
    number: Number = Field(description="with phases: of the first phase, the others follow")
    phases: tuple[Literal["A", "B", "C"], ...] = Field(
        (), description="one settings winding per phase measured"
    )
    kind: Literal["main", "common", "tertiary", "regulating"] = "main"
    conductor: Literal["copper", "aluminium"] = "copper"
    hot_spot_factor: Annotated[float, Field(ge=1.0, le=2.5, description="usually 1.1 to 1.5")] | None = Field(
        None, description="calculated by the maker; usually 1.1 to 1.5"
    )


class Unit(Section):
    """What the report is about."""

    id: Id = Field(description="transformer id in the settings")
    name: str = ""
    report: str = Field("", description="number and date of the report, for the comments")
    guide: Literal["iec_60076_7", "ieee_c57_91"] = "iec_60076_7"
    size: Literal["distribution", "medium", "large"] = "medium"
    liquid: Literal["mineral_oil", "natural_ester", "synthetic_ester", "silicone"] = "mineral_oil"
    paper: Paper = Field(description="for the ageing column")


class Report(Section):
    """A temperature-rise report as `windingd heatrun` reads it."""

    transformer: Unit
    altitude: Altitude = Altitude()
    losses: Losses
    windings: tuple[ReportWinding, ...] = Field(min_length=1)
    modes: tuple[TestedMode, ...] = Field(min_length=1, description="weakest cooling first")


# --- corrections (IEC 60076-2, from memory) ------------------------------------------------------

#: Corrections are valid this far from rated; beyond, they are said to be indicative only.
LOSS_RANGE = 0.20
CURRENT_RANGE = 0.10
#: Zero-resistance temperature of the linear law [degC], negative sign dropped.
RESISTANCE_CONSTANT_K = {"copper": 235.0, "aluminium": 225.0}
#: Ranges in which a figure raises no eyebrow; common practice, no source.
USUAL = {
    "top_oil_rise_k": (20.0, 65.0),
    "gradient_k": (3.0, 35.0),
    "hot_spot_factor": (1.05, 1.6),
    "loss_ratio": (1.0, 20.0),
}


def oil_exponent(cooling: str, size: str) -> float:
    """Exponent of (rated / fed losses) on oil rises (IEC 60076-2): 0.8 distribution, 0.9 ON, 1.0 OF, OD."""
    if cooling[:2] != "ON":
        return 1.0
    return 0.8 if size == "distribution" else 0.9


def winding_exponent(cooling: str) -> float:
    """Exponent of (rated / test current) on gradients (IEC 60076-2): 1.6, for OD 2.0."""
    return 2.0 if cooling[:2] == "OD" else 1.6


def altitude_k(cooling: str, test_m: float, site_m: float) -> float:
    """What the site's thinner air adds to every rise over ambient [K], negative when the test stood higher.

    About 1 K per 400 m (air natural) or 250 m (air forced) above 1000 m (IEC 60076-2).
    """
    per_k = 250.0 if cooling[3] == "F" else 400.0
    return (max(site_m, 1000.0) - max(test_m, 1000.0)) / per_k


def resistance_temperature_c(hot_ohm: float, cold_ohm: float, cold_c: float, conductor: str) -> float:
    """Average winding temperature [degC] from its resistance hot and cold (linear law of the metal)."""
    k = RESISTANCE_CONSTANT_K[conductor]
    return hot_ohm / cold_ohm * (k + cold_c) - k


def load_loss_at(loss: LoadLoss, reference_c: float, conductor: str) -> float | None:
    """Load loss [kW] referred to another temperature: I²R rises with resistance, stray losses fall.

    None when the temperatures differ and the I²R part is not given.
    """
    if loss.reference_c == reference_c:
        return loss.kw
    if loss.i2r_kw is None:
        return None
    k = RESISTANCE_CONSTANT_K[conductor]
    ratio = (k + reference_c) / (k + loss.reference_c)
    return loss.i2r_kw * ratio + (loss.kw - loss.i2r_kw) / ratio


# --- results ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Finding:
    """Something wrong with a report. fatal: it contradicts itself, no settings are written from it."""

    path: tuple[PathKey, ...]
    message: str
    fatal: bool = True


class Findings(list[Finding]):
    """Findings in the order in which they were found."""

    def fault(self, path: tuple[PathKey, ...], message: str) -> None:
        self.append(Finding(path, message))

    def warning(self, path: tuple[PathKey, ...], message: str) -> None:
        self.append(Finding(path, message, fatal=False))


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the settings block, rounded as written, and how it came about."""

    value: float
    how: str


@dataclass(frozen=True, slots=True)
class WindingFigures:
    """One winding in one mode; rises over ambient at rated load, at the site [K]."""

    gradient: Figure
    rated_current_a: float
    average_winding_rise_k: float
    measured_hot_spot_factor: Figure | None


@dataclass(frozen=True, slots=True)
class ModeFigures:
    """One mode; rises over ambient at rated losses, at the site [K]."""

    top_oil_rise: Figure
    average_oil_rise_k: float
    loss_ratio: Figure
    total_kw: float
    windings: Mapping[str, WindingFigures]


@dataclass(frozen=True, slots=True)
class Derived:
    """Everything taken from a report. modes: per mode id. hot_spot_factor: per winding id."""

    report: Report
    modes: Mapping[str, ModeFigures]
    hot_spot_factor: Mapping[str, Figure]

    def hot_spot_rise_k(self, mode: str, winding: str) -> float:
        """Hot-spot rise over ambient at rated load at the site [K]."""
        figures = self.modes[mode]
        return (
            figures.top_oil_rise.value
            + self.hot_spot_factor[winding].value * figures.windings[winding].gradient.value
        )


# --- derivation -------------------------------------------------------------------------------------


def derive(report: Report) -> tuple[Derived | None, tuple[Finding, ...]]:
    """Settings figures from a report, and everything that is wrong with it.

    Returns None for the figures when a finding is fatal.
    """
    findings = Findings()
    modes: dict[str, ModeFigures] = {}
    findings += _names(report)
    if not findings:
        for index, mode in enumerate(report.modes):
            figures = _mode(report, index, mode, findings)
            if figures is not None:
                modes[mode.id] = figures
    if any(f.fatal for f in findings):
        return None, tuple(findings)
    factors = {w.id: _hot_spot_factor(report, i, modes, findings) for i, w in enumerate(report.windings)}
    derived = Derived(report, modes, factors)
    findings += _guarantees(derived)
    findings += _more_cooling(derived)
    findings += _currents_against_power(report)
    findings += _refused_by_settings(derived)
    return (None if any(f.fatal for f in findings) else derived), tuple(findings)


def _names(report: Report) -> Iterator[Finding]:
    tappings = [entry.tapping for entry in report.losses.load]
    for i, tapping in enumerate(tappings):
        if tapping in tappings[:i]:
            yield Finding(
                ("losses", "load", i, "tapping"), f"tapping {tapping!r} stands here twice (once each)"
            )
    known = [w.id for w in report.windings]
    for key, ids in (("windings", known), ("modes", [m.id for m in report.modes])):
        for i, name in enumerate(ids):
            if name in ids[:i]:
                yield Finding((key, i, "id"), f"{name!r} stands here twice (ids are unique)")
    for i, mode in enumerate(report.modes):
        if mode.tapping not in tappings:
            yield Finding(
                ("modes", i, "tapping"),
                f"no load loss is given for tapping {mode.tapping!r} (one of {', '.join(tappings)})",
            )
        for name in mode.windings:
            if name not in known:
                yield Finding(("modes", i, "windings", name), f"unknown winding (one of {', '.join(known)})")
        for name in known:
            if name not in mode.windings:
                yield Finding(
                    ("modes", i, "windings"), f"winding {name} is missing (every winding in every mode)"
                )
        missing = [key for key, value in mode.model.model_dump().items() if value is None]
        if report.transformer.liquid != "mineral_oil" and missing:
            yield Finding(
                ("modes", i, "model"),
                f"no design has figures for {report.transformer.liquid} (give {', '.join(missing)})",
            )
    taken: dict[int, str] = {}
    for i, winding in enumerate(report.windings):
        if len(set(winding.phases)) < len(winding.phases):
            yield Finding(("windings", i, "phases"), "a phase stands here twice (such as [A, B, C])")
        for offset in range(max(1, len(winding.phases))):
            other = taken.setdefault(winding.number + offset, winding.id)
            if other != winding.id:
                yield Finding(
                    ("windings", i, "number"),
                    f"number {winding.number + offset} is also taken by {other} "
                    "(phases take consecutive numbers from here)",
                )


def _oil(test: OilTest, name: str, path: tuple[PathKey, ...], findings: Findings) -> float | None:
    """Rise of one oil figure [K], from whichever form the report gives; None when it gives neither."""
    rise: float | None = getattr(test, f"{name}_rise_k")
    absolute: float | None = getattr(test, f"{name}_c")
    if absolute is None:
        return rise
    if test.ambient_c is None:
        findings.fault((*path, f"{name}_c"), "a temperature needs ambient_c beside it (or give the rise)")
        return rise
    computed = absolute - test.ambient_c
    if computed <= 0:
        findings.fault(
            (*path, f"{name}_c"),
            f"{absolute:g} degC is not above the ambient of {test.ambient_c:g} degC "
            "(oil under test is warmer than the air)",
        )
        return None
    if rise is not None and abs(rise - computed) > 1.0:
        findings.fault(
            (*path, f"{name}_rise_k"),
            f"{rise:g} K contradicts {absolute:g} degC at {test.ambient_c:g} degC ambient ({computed:.1f} K)",
        )
    return rise if rise is not None else computed


def _usual(name: str, value: float, path: tuple[PathKey, ...], findings: Findings) -> None:
    low, high = USUAL[name]
    if not low <= value <= high:
        findings.warning(
            path,
            f"{name} comes out as {value:.4g}, outside the usual range "
            f"(usually {low:g} to {high:g}): check the report",
        )


def _mode(report: Report, index: int, mode: TestedMode, findings: Findings) -> ModeFigures | None:
    path: tuple[PathKey, ...] = ("modes", index)
    losses = _losses(report, mode, path, findings)
    test_path = (*path, "oil_test")
    top = _oil(mode.oil_test, "top_oil", test_path, findings)
    average = _oil(mode.oil_test, "average_oil", test_path, findings)
    bottom = _oil(mode.oil_test, "bottom_oil", test_path, findings)
    if top is None:
        findings.fault(test_path, "no top-oil figure (give top_oil_rise_k, or top_oil_c with ambient_c)")
    if average is None and bottom is None:
        findings.fault(test_path, "no average-oil figure (give average_oil_rise_k or bottom_oil_rise_k)")
    if top is None or losses is None or (average is None and bottom is None):
        return None
    if bottom is not None and bottom > top:
        findings.fault(
            test_path,
            f"bottom oil above top oil: {bottom:.1f} K against {top:.1f} K (oil leaves a winding at the top)",
        )
        return None
    oil_how = ""
    if average is None:
        assert bottom is not None
        average = (top + bottom) / 2
        oil_how = f" (average oil = (top {top:.1f} + bottom {bottom:.1f}) / 2)"
    elif bottom is not None and abs(average - (top + bottom) / 2) > 3.0:
        findings.warning(
            test_path,
            f"average oil {average:.1f} K is not the middle of top {top:.1f} and bottom "
            f"{bottom:.1f} K (about {(top + bottom) / 2:.1f} K)",
        )
    if average > top:
        findings.fault(
            test_path,
            f"average oil above top oil: {average:.1f} K against {top:.1f} K "
            "(top oil is the hottest of the tank)",
        )
        return None
    load_kw, loss_how = losses
    total = report.losses.no_load_kw + load_kw
    factor, factor_how = 1.0, "at rated losses"
    if (fed := mode.oil_test.fed_loss_kw) is not None:
        exponent = oil_exponent(mode.cooling, report.transformer.size)
        factor = (total / fed) ** exponent
        factor_how = f"with {fed:g} kW fed; x ({total:.1f} / {fed:g})^{exponent:g} = {top * factor:.2f} K"
        factor_how += " (IEC 60076-2)"
        if abs(fed / total - 1) > LOSS_RANGE:
            findings.warning(
                (*test_path, "fed_loss_kw"),
                f"{fed:g} kW is {fed / total:.0%} of the total losses of {total:.1f} kW, outside the "
                "range of the correction (80 to 120 %): the corrected rises are indicative only",
            )
    higher = altitude_k(mode.cooling, report.altitude.test_m, report.altitude.site_m)
    altitude_how = (
        ""
        if higher == 0
        else (
            f"; {higher:+.2f} K for altitude, site {report.altitude.site_m:g} m, "
            f"test {report.altitude.test_m:g} m, "
            f"1 K per {250 if mode.cooling[3] == 'F' else 400} m above 1000 m"
        )
    )
    top_rise = round(top * factor + higher, 2)
    _usual("top_oil_rise_k", top_rise, test_path, findings)
    ratio = round(load_kw / report.losses.no_load_kw, 3)
    _usual("loss_ratio", ratio, ("losses",), findings)
    average_rise = average * factor + higher
    windings = {}
    for name, test in mode.windings.items():
        figures = _winding(
            report, mode, name, test, (*path, "windings", name), top, average, average_rise, oil_how, findings
        )
        if figures is not None:
            windings[name] = figures
    return ModeFigures(
        Figure(top_rise, f"{top:.2f} K measured {factor_how}{altitude_how}"),
        average_rise,
        Figure(ratio, f"{loss_how} / no-load loss {report.losses.no_load_kw:g} kW"),
        total,
        windings,
    )


def _losses(
    report: Report, mode: TestedMode, path: tuple[PathKey, ...], findings: Findings
) -> tuple[float, str] | None:
    """Load loss of a mode at its own rated power and tapping [kW], and how it came about."""
    i, loss = next((i, e) for i, e in enumerate(report.losses.load) if e.tapping == mode.tapping)
    loss_path: tuple[PathKey, ...] = ("losses", "load", i)
    if loss.i2r_kw is not None and loss.i2r_kw > loss.kw:
        findings.fault(
            (*loss_path, "i2r_kw"),
            f"{loss.i2r_kw:g} kW is more than the load loss it is part of (at most {loss.kw:g})",
        )
        return None
    reference = report.losses.reference_c
    kw = load_loss_at(loss, reference, report.windings[0].conductor)
    if kw is None:
        findings.fault(
            (*loss_path, "reference_c"),
            f"stated at {loss.reference_c:g} degC, total losses refer to {reference:g} degC "
            "(state both at one temperature, or give i2r_kw for the conversion)",
        )
        return None
    added = report.losses.no_load_kw + kw
    wrong_sum = Finding(
        (*loss_path, "total_kw"),
        f"losses inconsistent: {loss.total_kw} kW in all, but no-load plus load "
        f"loss at {reference:g} degC is {added:.1f} kW (within 1 %)",
    )
    if loss.total_kw is not None and abs(loss.total_kw / added - 1) > 0.01 and wrong_sum not in findings:
        findings.append(wrong_sum)
    how = f"load loss {kw:.1f} kW (tapping {loss.tapping}, {loss.rated_mva:g} MVA, {reference:g} degC)"
    if mode.rated_mva != loss.rated_mva:
        kw *= (mode.rated_mva / loss.rated_mva) ** 2
        how += f" x ({mode.rated_mva:g} / {loss.rated_mva:g})^2 = {kw:.1f} kW"
    return kw, how


def _winding(
    report: Report,
    mode: TestedMode,
    name: str,
    test: WindingTest,
    path: tuple[PathKey, ...],
    top: float,
    average: float,
    average_site: float,
    oil_how: str,
    findings: Findings,
) -> WindingFigures | None:
    """Gradient and measured hot-spot factor of one winding. top, average: rises in the oil test [K]."""
    conductor = next(w.conductor for w in report.windings if w.id == name)
    gradients: list[tuple[float, str]] = []
    oil = test.average_oil_rise_k if test.average_oil_rise_k is not None else average
    rise = test.average_winding_rise_k
    if rise is not None:
        gradients.append(
            (
                rise - oil,
                f"average winding {rise:.2f} K - average oil {oil:.2f} K"
                + (oil_how if test.average_oil_rise_k is None else ""),
            )
        )
    if (r := test.resistance) is not None:
        if r.hot_ohm <= r.cold_ohm:
            findings.fault(
                (*path, "resistance", "hot_ohm"),
                f"{r.hot_ohm:g} ohm hot is not above {r.cold_ohm:g} "
                "ohm cold (resistance rises with temperature)",
            )
            return None
        hot_c = resistance_temperature_c(r.hot_ohm, r.cold_ohm, r.cold_c, conductor)
        k = RESISTANCE_CONSTANT_K[conductor]
        gradients.append(
            (
                hot_c - r.average_oil_c,
                f"average winding {r.hot_ohm:g} / {r.cold_ohm:g} x ({k:g} + {r.cold_c:g}) - {k:g} = "
                f"{hot_c:.2f} degC at shutdown - average oil {r.average_oil_c:g} degC",
            )
        )
    if not gradients:
        findings.fault(path, "no average winding temperature (give average_winding_rise_k or resistance)")
        return None
    gradient, how = gradients[-1]  # the resistances are the measurement, the rise is its consequence
    if len(gradients) == 2 and abs(gradients[0][0] - gradient) > 1.0:
        findings.fault(
            (*path, "average_winding_rise_k"),
            f"contradicts the resistances: gradient {gradients[0][0]:.1f} K from the rise, "
            f"{gradient:.1f} K from the resistances (within 1 K)",
        )
    if gradient <= 0:
        findings.fault(
            path,
            f"negative gradient: {how} = {gradient:.2f} K "
            "(a loaded winding is warmer than its oil, usually by 3 to 35 K)",
        )
        return None
    hot_spot = test.hot_spot_rise_k
    factor: Figure | None = None
    current = test.test_current_a if test.test_current_a is not None else test.rated_current_a
    if hot_spot is not None:
        top_then = test.top_oil_rise_k if test.top_oil_rise_k is not None else top
        winding_rise = rise if rise is not None else oil + gradient
        if hot_spot <= winding_rise:
            findings.fault(
                (*path, "hot_spot_rise_k"),
                f"hot spot below average winding: {hot_spot:g} K against {winding_rise:.1f} K "
                "(the hottest spot is hotter than the mean)",
            )
            return None
        ratio = (hot_spot - top_then) / gradient
        if not 1.0 <= ratio <= 2.5:
            findings.fault(
                (*path, "hot_spot_rise_k"),
                f"gives a hot-spot factor of ({hot_spot:g} - {top_then:.1f}) / {gradient:.2f} = "
                f"{ratio:.2f} (1.0 to 2.5, usually 1.1 to 1.5)",
            )
            return None
        factor = Figure(
            round(ratio, 3),
            f"measured in {mode.id} at {current:g} A: (hot spot {hot_spot:g} K - top oil "
            f"{top_then:.2f} K) / gradient {gradient:.2f} K",
        )
    how += f" = {gradient:.2f} K"
    corrected = gradient
    if test.test_current_a is not None:
        exponent = winding_exponent(mode.cooling)
        corrected = gradient * (test.rated_current_a / current) ** exponent
        how += (
            f" at {current:g} A; x ({test.rated_current_a:g} / {current:g})^{exponent:g} = {corrected:.2f} K "
            "(IEC 60076-2)"
        )
        if abs(current / test.rated_current_a - 1) > CURRENT_RANGE:
            findings.warning(
                (*path, "test_current_a"),
                f"{current:g} A is {current / test.rated_current_a:.0%} of rated, outside the range of "
                "the correction (90 to 110 %): the corrected gradient is indicative only",
            )
    _usual("gradient_k", corrected, path, findings)
    return WindingFigures(
        Figure(round(corrected, 2), how), test.rated_current_a, average_site + corrected, factor
    )


def _hot_spot_factor(
    report: Report, index: int, modes: Mapping[str, ModeFigures], findings: Findings
) -> Figure:
    """A winding's one factor in the settings: the largest measured, else the maker's, else the default."""
    winding = report.windings[index]
    path: tuple[PathKey, ...] = ("windings", index, "hot_spot_factor")
    measured = [
        f for m in modes.values() if (f := m.windings[winding.id].measured_hot_spot_factor) is not None
    ]
    stated = winding.hot_spot_factor
    if measured:
        largest = max(measured, key=lambda figure: figure.value)
        smallest = min(figure.value for figure in measured)
        if largest.value - smallest > 0.15:
            findings.warning(
                path,
                f"measured factors differ between modes, {smallest:g} to {largest.value:g}: the "
                "largest is used (within 0.15)",
            )
        if stated is not None and abs(stated - largest.value) > 0.15:
            findings.warning(
                path, f"stated {stated:g}, measured {largest.value:g}: the measured one is used (within 0.15)"
            )
        _usual("hot_spot_factor", largest.value, path, findings)
        how = largest.how if len(measured) == 1 else f"{largest.how}; the largest of {len(measured)} modes"
        return Figure(largest.value, how)
    if stated is not None:
        _usual("hot_spot_factor", stated, path, findings)
        return Figure(stated, "calculated by the maker, as the report states")
    if report.transformer.liquid != "mineral_oil":
        findings.fault(path, f"is missing (no default for {report.transformer.liquid}: give it)")
    default = HOT_SPOT_FACTOR[report.transformer.size]
    return Figure(
        default,
        f"the report gives none: default for size {report.transformer.size} (IEC 60076-7, from memory)",
    )


def _guarantees(derived: Derived) -> Iterator[Finding]:
    for i, mode in enumerate(derived.report.modes):
        figures = derived.modes[mode.id]
        found: list[tuple[str, float, str]] = [("top_oil_rise_k", figures.top_oil_rise.value, "")]
        for name, winding in figures.windings.items():
            found.append(("average_winding_rise_k", winding.average_winding_rise_k, f" of {name}"))
            found.append(("hot_spot_rise_k", derived.hot_spot_rise_k(mode.id, name), f" of {name}"))
        for key, value, of in found:
            limit: float | None = getattr(mode.guaranteed, key)
            if limit is not None and value > limit + 0.05:  # less than the last digit of a report
                yield Finding(
                    ("modes", i, "guaranteed", key),
                    f"rise above the guarantee: {value:.1f} K{of} at rated load at the site, guaranteed "
                    f"{limit:g} K; the measured figure is used",
                    fatal=False,
                )


def _more_cooling(derived: Derived) -> Iterator[Finding]:
    """At equal amperes a mode with more cooling is cooler, at the lower rated current and at the higher."""
    modes = list(enumerate(derived.report.modes))
    for (_, weak), (i, strong) in pairwise(modes):
        for power in sorted({weak.rated_mva, strong.rated_mva}):
            oil = [_oil_rise_k(derived, mode, power / mode.rated_mva) for mode in (weak, strong)]
            if oil[1] >= oil[0]:
                yield Finding(
                    ("modes", i, "oil_test"),
                    f"more cooling but more rise: at {power:g} MVA top oil would rise {oil[1]:.1f} K in "
                    f"{strong.id}, {oil[0]:.1f} K in {weak.id} (less in the mode listed later)",
                )
                break
            for name in strong.windings:
                hot = [
                    rise + _gradient_k(derived, mode, name, power / mode.rated_mva)
                    for rise, mode in zip(oil, (weak, strong), strict=True)
                ]
                if hot[1] >= hot[0]:
                    yield Finding(
                        ("modes", i, "windings", name),
                        f"more cooling but more rise: at {power:g} MVA the hot spot would rise "
                        f"{hot[1]:.1f} K in "
                        f"{strong.id}, {hot[0]:.1f} K in {weak.id} (less in the mode listed later)",
                    )


def _exponents(report: Report, mode: TestedMode) -> tuple[float, float]:
    """Loading exponents (x, y) of a mode as the settings will have them."""
    unit = report.transformer
    default = default_figures(unit.guide, unit.liquid, design(report, mode), mode.cooling)
    x, y = mode.model.oil_exponent, mode.model.winding_exponent
    return (
        x if x is not None else default["oil_exponent"],
        y if y is not None else default["winding_exponent"],
    )


def _oil_rise_k(derived: Derived, mode: TestedMode, load_pu: float) -> float:
    figures, (x, _) = derived.modes[mode.id], _exponents(derived.report, mode)
    return float(ultimate_top_oil_rise(load_pu, figures.top_oil_rise.value, figures.loss_ratio.value, x))


def _gradient_k(derived: Derived, mode: TestedMode, winding: str, load_pu: float) -> float:
    """Hot spot over top oil [K]."""
    rated = derived.hot_spot_factor[winding].value * derived.modes[mode.id].windings[winding].gradient.value
    return float(ultimate_hot_spot_gradient(load_pu, rated, _exponents(derived.report, mode)[1] / 2))


def _refused_by_settings(derived: Derived) -> Iterator[Finding]:
    """What came out so far from physical sense, or so long, that no settings file may hold it."""
    try:
        settings_sketch(derived)
    except ValidationError as error:
        report = derived.report
        owners = [i for i, w in enumerate(report.windings) for _ in settings_windings(w)]
        said: set[Finding] = set()
        for fault in error.errors():
            if fault["type"] == "too_short":  # a list that lacks what was refused within it
                continue
            loc = fault["loc"]
            if loc[0] != "transformers" or len(loc) < 4 or loc[2] not in ("windings", "modes"):
                words = ".".join(map(str, loc))
                message = f"gives {words}, which no settings file may hold ({fault['msg']})"
                yield Finding(("transformer",), message)
                continue
            _, _, section, index, *keys = loc
            name = keys[-1] if keys else "value"
            message = f"{name} comes out as {fault['input']}, which no settings file may hold ({fault['msg']}"
            if name in USUAL:
                message += "; usually {:g} to {:g}".format(*USUAL[str(name)])
            place = owners[int(index)] if section == "windings" else int(index)
            finding = Finding((str(section), place), message + ")")
            if finding not in said:  # phases alike
                said.add(finding)
                yield finding


def _currents_against_power(report: Report) -> Iterator[Finding]:
    """On one tapping, currents of two modes stand in the ratio of their rated powers."""
    for i, mode in enumerate(report.modes):
        first = next((m for m in report.modes[:i] if m.tapping == mode.tapping), None)
        for name, test in mode.windings.items() if first is not None else ():
            assert first is not None
            expected = first.windings[name].rated_current_a * mode.rated_mva / first.rated_mva
            if abs(test.rated_current_a / expected - 1) > 0.02:
                yield Finding(
                    ("modes", i, "windings", name, "rated_current_a"),
                    f"{test.rated_current_a:g} A does not go with {mode.rated_mva:g} MVA: {first.id} has "
                    f"{first.windings[name].rated_current_a:g} A at {first.rated_mva:g} MVA on that tapping "
                    f"(about {expected:.0f} A)",
                    fatal=False,
                )


# --- the settings block -----------------------------------------------------------------------------

_INDENT = "    "


def design(report: Report, mode: TestedMode) -> Design | None:
    """Parameter set of the loading guide for a mode; None when a liquid has none (figures must be given)."""
    if report.transformer.liquid != "mineral_oil":
        return None
    if report.transformer.size == "distribution" and mode.cooling == "ONAN":
        return "distribution_onan"
    restricted = mode.restricted_oil
    if mode.cooling == "ONAN":
        return "medium_large_onan_restricted" if restricted else "medium_large_onan"
    if mode.cooling == "ONAF":
        return "medium_large_onaf_restricted" if restricted else "medium_large_onaf"
    if mode.cooling[:2] == "OF":
        return "medium_large_of_restricted" if restricted else "medium_large_of"
    return "medium_large_od"


def settings_windings(winding: ReportWinding) -> tuple[tuple[str, int, str | None], ...]:
    """(id, number, phase) of the settings windings that one winding of the report stands for."""
    if not winding.phases:
        return ((winding.id, winding.number, None),)
    return tuple(
        (f"{winding.id}_{phase}", winding.number + i, phase) for i, phase in enumerate(winding.phases)
    )


def _flow(value: object) -> str:
    return (
        yaml.safe_dump(value, default_flow_style=True, width=10**6, sort_keys=False)
        .removesuffix("\n")
        .removesuffix("\n...")
    )


#: Keys of a settings winding that the report decides; all others are carried over from the wiring.
_FROM_REPORT = frozenset({"id", "number", "kind", "phase", "hot_spot_factor", "modes"})


def block(derived: Derived, wiring: Mapping[str, Mapping[str, Any]] | None = None) -> str:
    """The `modes` and `windings` of one transformer as YAML, each figure under its derivation.

    wiring: winding id -> that winding's section in existing settings; what a report knows nothing of
        (current, phase, probes, loss of life at the start) is carried over. Without it a comment stands
        where the current belongs.
    """
    report, known = derived.report, wiring or {}
    unit = report.transformer
    lines = [
        f"# {unit.id}{' ' + unit.name if unit.name else ''}: from the temperature-rise report"
        f"{' ' + unit.report if unit.report else ''}.",
        f"# Paste in place of `modes` and `windings` of transformer {unit.id} (four spaces deep), which has",
        f"# guide: {unit.guide}, size: {unit.size}, liquid: {unit.liquid}, paper: {unit.paper}.",
        "# Exponents and time constants are no results of a heat run: the design's apply, if not given.",
        "# Exponents, altitude and default factors marked IEC are from memory of the standard.",
        "modes:",
    ]
    for mode in report.modes:
        figures = derived.modes[mode.id]
        lines += [
            f"  - id: {mode.id}",
            f"    number: {mode.number}",
            f"    needs: {_flow(list(mode.needs))}",
            f"    cooling: {mode.cooling}",
        ]
        if (parameters := design(report, mode)) is not None:
            lines.append(f"    design: {parameters}")
        lines += _figure("top_oil_rise_k", figures.top_oil_rise, "    ")
        lines += _figure("loss_ratio", figures.loss_ratio, "    ")
        given = {key: value for key, value in mode.model.model_dump().items() if value is not None}
        if given:
            lines.append("    # given beside the heat run, not measured by it")
            lines += [f"    {key}: {_flow(value)}" for key, value in given.items()]
    lines.append("windings:")
    for winding in report.windings:
        alike = settings_windings(winding)
        for index, (name, number, phase) in enumerate(alike):
            wired = known.get(name, {})
            lines += [f"  - id: {name}", f"    number: {number}", f"    kind: {winding.kind}"]
            if phase is not None or "phase" in wired:
                lines.append(f"    phase: {phase if phase is not None else wired['phase']}")
            lines += [f"    {key}: {_flow(value)}" for key, value in wired.items() if key not in _FROM_REPORT]
            if "current" not in wired and "derived_current" not in wired:
                lines.append("    # current: {device: ..., reference: ..., type: ...}   <- its register")
            factor = derived.hot_spot_factor[winding.id]
            if index:
                lines += [f"    hot_spot_factor: {_flow(factor.value)}", f"    modes: *{winding.id}_modes"]
                continue
            lines += _figure("hot_spot_factor", factor, "    ")
            lines.append(
                f"    modes: &{winding.id}_modes   # the phases are alike" if len(alike) > 1 else "    modes:"
            )
            for mode in report.modes:
                figure = derived.modes[mode.id].windings[winding.id]
                lines.append(f"      {mode.id}:")
                lines += _figure("gradient_k", figure.gradient, "        ")
                lines.append(f"        rated_current_a: {_flow(figure.rated_current_a)}")
    return "".join(f"{_INDENT}{line}\n" for line in lines)


def _figure(key: str, figure: Figure, indent: str) -> list[str]:
    return [f"{indent}# {figure.how}", f"{indent}{key}: {_flow(figure.value)}"]


# --- what windingd will show ------------------------------------------------------------------------

LOADS_PERCENT = (25, 50, 75, 100, 125, 150)


@dataclass(frozen=True, slots=True)
class TableRow:
    """Steady state of one mode at one load; winding -> (gradient [K], hot spot [degC], ageing rate)."""

    mode: str
    load_percent: int
    top_oil_c: float
    windings: Mapping[str, tuple[float, float, float]]


def settings_sketch(derived: Derived) -> Settings:
    """The block in the smallest settings around it: what the live model makes of it, without any device."""
    unit = derived.report.transformer
    parsed = yaml.safe_load(block(derived))
    register = {"device": "none", "reference": 30001, "type": "int16"}
    for winding in parsed["windings"]:
        winding["current"] = register
    transformer = {
        "id": unit.id,
        "number": 1,
        "guide": unit.guide,
        "size": unit.size,
        "liquid": unit.liquid,
        "paper": unit.paper,
        "normal_life_h": 180_000.0,
        "life_criterion": "not used here",
        "top_oil": register,
        "ambient": register,
        **parsed,
    }
    tree = {
        "station": {"id": "HEATRUN"},
        "links": [{"id": "none", "type": "tcp", "host": "127.0.0.1"}],
        "devices": [{"id": "none", "number": 1, "link": "none"}],
        "transformers": [transformer],
    }
    return Settings.model_validate(_tuples(tree))


def _tuples(value: Any) -> Any:
    """Lists as the strict settings model wants them."""
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value


def steady_state(derived: Derived, ambient_c: float) -> tuple[TableRow, ...]:
    """Steady state of the live model per mode at 25 to 150 % of its rated current and a constant ambient."""
    model = compile_model(settings_sketch(derived))
    unit = derived.report.transformer
    index = {
        w.id: model.winding_index[f"{unit.id}.{settings_windings(w)[0][0]}"] for w in derived.report.windings
    }
    load = np.repeat(np.array(LOADS_PERCENT)[:, None] / 100.0, len(model.windings), axis=1)
    ambient = np.full((len(LOADS_PERCENT), 1), ambient_c)
    rows = []
    for m, mode in enumerate(derived.report.modes):
        hot_spot, oil = kernel.steady_state(model, load, ambient, np.array([m]))
        ageing = ageing_rate(hot_spot, AGEING_LAWS[unit.paper])
        for i, percent in enumerate(LOADS_PERCENT):
            windings = {
                name: (float(hot_spot[i, w] - oil[i, 0]), float(hot_spot[i, w]), float(ageing[i, w]))
                for name, w in index.items()
            }
            rows.append(TableRow(mode.id, percent, float(oil[i, 0]), windings))
    return tuple(rows)


def table(derived: Derived, ambient_c: float) -> str:
    """The steady-state table as text, with the report's own rises below each mode."""
    report = derived.report
    names = [winding.id for winding in report.windings]
    lines = [
        f"Steady state in windingd, ambient {ambient_c:g} degC; 100 % = the mode's rated current.",
        f"Guide {report.transformer.guide}, paper {report.transformer.paper}; gradient = hot spot minus oil.",
    ]
    rows = steady_state(derived, ambient_c)
    head = f"{'load':>6} {'top oil':>9}" + "".join(f" |{name:^34}" for name in names)
    units = f"{'%':>6} {'degC':>9}" + f" |{'gradient K':>10} {'hot spot degC':>13} {'ageing':>9}" * len(names)
    for mode in report.modes:
        lines += ["", f"{mode.id} ({mode.cooling}, {mode.rated_mva:g} MVA)", head, units]
        for row in rows:
            if row.mode == mode.id:
                cells = (f" |{g:10.1f} {h:13.1f} {v:9.3g}" for g, h, v in row.windings.values())
                lines.append(f"{row.load_percent:6d} {row.top_oil_c:9.1f}" + "".join(cells))
        figures = derived.modes[mode.id]
        rises = ", ".join(
            f"{name} average {figures.windings[name].average_winding_rise_k:.1f} K, "
            f"hot spot {derived.hot_spot_rise_k(mode.id, name):.1f} K"
            for name in names
        )
        lines.append(
            f"report, brought to rated load and site: top oil {figures.top_oil_rise.value:.1f} K, {rises}"
        )
    return "\n".join(lines) + "\n"
