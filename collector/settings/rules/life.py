"""Rules about paper and life: which normal life belongs to which paper, which factors to which oil.

The table itself is data (thermal/params.py). Nothing here computes an ageing rate.
"""

from __future__ import annotations

from collector.settings.bind import Part
from collector.settings.rules.common import Found
from collector.thermal.ageing import environment as rate_in
from collector.thermal.ageing import kind
from collector.thermal.params import ARRHENIUS_2018, LIFE_CRITERIA, REFERENCE_C, LifeCriterion

#: Two figures are one criterion when they differ by less: 273 or 273.15 alone makes 1.7 %.
_SAME = 0.02


def criterion(t: Part) -> Found:
    """Normal life, its paper and its end point belong together."""
    hours, paper = t.normal_life_h, kind(t.paper)
    right = [c for c in LIFE_CRITERIA if c.paper == paper]
    mine = [c for c in right if _same(c, hours)]
    others = [c for c in LIFE_CRITERIA if c.paper != paper and _same(c, hours)]
    if t.life_source is None and not mine:
        said = f"{_which(others[0])}, not for {t.paper}" if others else "is none that windingd knows"
        yield t.fault("normal_life_h", f"{hours:g} h {said} ({_remedy(right)})")
        return
    if others and not mine:
        yield t.fault(
            "normal_life_h",
            f"{hours:g} h {_which(others[0])} (make sure that life_source means {t.paper})",
            "warning",
        )
    text = t.life_criterion.lower()
    meant = [c for c in right if c not in mine and any(mark in text for mark in c.marks)]
    if meant and t.life_source is None:
        yield t.fault(
            "life_criterion",
            f"{meant[0].end_point} is reached after {meant[0].hours:.0f} h, not {hours:g} h (one of the two; "
            f"{mine[0].hours:.0f} h: {mine[0].end_point})",
        )


def _same(c: LifeCriterion, hours: float) -> bool:
    return abs(hours - c.hours) <= _SAME * c.hours


def _which(c: LifeCriterion) -> str:
    paper = c.paper.replace("_", " ")
    return (
        f"({c.end_point}, {c.source}) is for {paper} paper at {REFERENCE_C[c.paper]:g} °C, {c.state}"
    )


def _remedy(right: list[LifeCriterion]) -> str:
    own = "another with its life_source"
    if not right:
        return f"nothing is known of this paper: {own}"
    return f"{', '.join(f'{c.hours:.0f} h, {c.end_point}' for c in right)}; {own}"


def environment(t: Part) -> Found:
    """Moisture and air change ageing by what is tabulated, or not at all; never silently."""
    paper, oil, moisture = kind(t.paper), t.oil_preservation, t.moisture_percent
    if oil is None:
        if paper in ARRHENIUS_2018 and t.given("moisture_percent") and moisture > 0.5:
            yield from _taken_as_dry(t, paper, moisture)
        return
    if paper == t.paper:
        better = "thermally_upgraded_2018" if paper == "thermally_upgraded" else "kraft_2018"
        yield t.fault(
            "oil_preservation", f"is no key of paper: {paper}, a law for dry paper (paper: {better})"
        )
    elif not t.given("moisture_percent"):
        yield t.fault("oil_preservation", "needs the paper's moisture_percent (give it, as measured)")
    else:
        try:
            rate_in(paper, oil, moisture)
        except ValueError as error:
            yield t.fault(
                "moisture_percent",
                f"{str(error).partition(': ')[2]} (leave oil_preservation out: ageing is then that of dry "
                "paper, which flatters)",
            )


def _taken_as_dry(t: Part, paper: str, moisture: float) -> Found:
    try:
        times = rate_in(paper, "sealed", moisture).a_per_h / ARRHENIUS_2018[paper].a_per_h
        said = f"{times:.1f} times as fast even without air"
    except ValueError:
        said = "faster, by a factor that nobody tabulates"
    yield t.fault(
        "moisture_percent",
        f"ageing is that of dry paper; with {moisture:g} % water it goes {said} (paper: {paper}_2018 with "
        "oil_preservation)",
        "note",
    )
