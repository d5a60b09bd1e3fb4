"""Rules about modes and windings: what a temperature-rise test cannot have given."""

from __future__ import annotations

import difflib

from collector.settings.bind import Part
from collector.settings.rules.common import (
    Found,
    criterion,
    find,
    first_seen,
    ids_of,
    listed,
    reserved,
    stage_ids,
    unknown_name,
)
from collector.settings.steady import (
    hot_spot_factor,
    oil_rise_at,
    steady_state,
    winding_rise_at,
)
from collector.thermal.defaults import figures_in_force, missing_figures


def names(t: Part) -> Found:
    for key, what in (("modes", "mode"), ("limit_sets", "limit set")):
        yield from first_seen(listed(t, key), "id", f"another {what}")
    for key, what in (("modes", "mode"), ("windings", "winding"), ("stages", "stage")):
        yield from first_seen(listed(t, key), "number", f"another {what}")
    both = listed(t, "windings") + listed(t, "stages")
    yield from first_seen(both, "id", "another winding or stage")
    for part in both:
        if "id" not in part.broken and part.id in reserved():
            yield part.fault("id", f"{part.id} is the name of a point (choose another)")


def mode_needs(t: Part, mode: Part) -> Found:
    known = stage_ids(t)
    for i, name in enumerate(mode.needs):
        yield from unknown_name(mode, f"needs[{i}]", "stage", name, known)
    if len(set(mode.needs)) < len(mode.needs):
        yield mode.fault("needs", "names a stage twice (name each once)")


def mode_set(t: Part) -> Found:
    natural = [mode for mode in t.modes if not mode.needs]
    if not natural and any(mode.cooling.startswith("ON") for mode in t.modes):
        yield t.fault(
            "modes",
            "every mode needs a stage, so none holds when no stage is proven running (give the ONAN mode, "
            "without needs)",
        )


def mode_cooling(t: Part, mode: Part) -> Found:
    stages = [find(t.stages, name) for name in mode.needs]
    letters = mode.cooling
    pumps = [stage for stage in stages if stage.kind == "pumps"]
    fans = [stage for stage in stages if stage.kind == "fans"]
    if letters[0:2] in ("OF", "OD"):
        if not pumps:
            yield mode.fault(
                "needs" if mode.given("needs") else "cooling",
                f"{letters} needs a pump stage (name one of kind: pumps)",
            )
        for pump in pumps:
            if pump.feedback is None:
                yield mode.fault(
                    "needs",
                    f"{letters} needs proof that {pump.id} runs (give that stage a feedback: a flow switch)",
                )
    elif pumps:
        yield mode.fault(
            "cooling", f"{letters} is without pumps, but {pumps[0].id} in needs is one (OFAF or ODAF?)"
        )
    if letters.endswith("AF") and not fans:
        yield mode.fault(
            "needs" if mode.given("needs") else "cooling",
            f"{letters} needs a fan stage (name the fans that must run)",
        )
    if letters.endswith("AN") and fans:
        yield mode.fault(
            "cooling", f"{letters} is without fans, but {fans[0].id} in needs is one ({letters[:2]}AF?)"
        )
    for stage in fans:
        pump = stage.needs_stage
        if pump not in mode.needs and any(other.id == pump and other.kind == "pumps" for other in t.stages):
            yield mode.fault(
                "needs", f"{stage.id} does nothing without {stage.needs_stage} (name that stage too)"
            )


def mode_figures(t: Part, mode: Part) -> Found:
    if t.liquid != "mineral_oil":
        for part in (mode, t):
            if part.design is not None:
                yield part.fault(
                    "design",
                    f"holds for mineral oil only, not for {t.liquid} (remove it and give every figure)",
                )
    missing = missing_figures(t, mode)
    if missing:
        why = (
            f"{t.liquid} has no defaults"
            if t.liquid != "mineral_oil"
            else "there is no design to take them from"
        )
        yield mode.fault(
            "",
            f"{', '.join(missing)} missing: {why} (give them"
            + (", or design)" if t.liquid == "mineral_oil" else ")"),
        )


def full_load(t: Part) -> Found:
    """Full load at 40 degC ambient, in steady state, against the alarms. The worst case is said.

    A unit at the limit of its guarantee comes above a usual high alarm (IEC 60076-2, from memory: 78 K
    hot-spot rise, 118 degC): a warning. Above high-high a rise or an alarm is wrong.
    """
    for alarm, which, what in (("hot_spot_high_c", 1, "the hot spot"), ("top_oil_high_c", 0, "top oil")):
        limit, pickups = (
            getattr(t.alarms, alarm),
            [criterion(s, "pickup", alarm.replace("_high", "")) for s in t.stages],
        )
        if any(pickup is not None and pickup >= limit for pickup in pickups):
            continue  # the alarm itself is said to be too low
        cases = [
            (steady_state(t, mode, w, 40.0)[which], mode, w)
            for mode in t.modes
            for w in t.windings
            if mode.id in w.modes
        ]
        if not cases:
            continue
        value, mode, winding = max(cases, key=lambda case: case[0])
        most = getattr(t.alarms, alarm.replace("_high_c", "_high_high_c"))
        if value > limit:
            grave = value > most
            over = f"{alarm.replace('_high_c', '_high_high_c')} {most:g}" if grave else f"{alarm} {limit:g}"
            where = f"{what} of {winding.id}" if which else what
            text = (
                f"full load in mode {mode.id} at 40 °C ambient brings {where} to {value:.1f} °C in "
                f"steady state, above {over}"
            )
            remedy = "check the rises, or raise the alarm"
            if not grave:
                remedy = "it comes at full load on the hottest day"
            yield mode.fault("top_oil_rise_k", f"{text} ({remedy})", "fault" if grave else "warning")


def mode_pair(t: Part, weak: Part, strong: Part) -> Found:
    """More cooling gives lower rises at equal amperes."""
    if weak is strong:
        return
    order = [part for part in t.modes if part is weak or part is strong]
    if set(weak.needs) == set(strong.needs):
        if order[0] is weak:
            yield strong.fault(
                "needs" if strong.given("needs") else "id",
                f"needs the same stages as mode {weak.id}: which of the two holds? (one mode per set of "
                "stages)",
            )
        return
    if not set(weak.needs) < set(strong.needs):
        return
    if order[0] is strong:
        yield strong.fault(
            "id", f"{strong.id} stands before {weak.id}, which needs fewer stages (weakest cooling first)"
        )
    known = figures_in_force(t, weak).keys() & figures_in_force(t, strong).keys()
    if not {"oil_exponent", "winding_exponent"} <= known:
        return  # said by mode_figures
    told_oil = False
    for winding in t.windings:
        a, b = winding.modes.get(weak.id), winding.modes.get(strong.id)
        if a is None or b is None:
            continue
        amperes = a.rated_current_a
        oil_weak, oil_strong = oil_rise_at(t, weak, a, amperes), oil_rise_at(t, strong, b, amperes)
        if oil_strong >= oil_weak and not told_oil and winding.kind == "main":
            told_oil = True
            yield strong.fault(
                "top_oil_rise_k",
                f"more cooling but more rise: at {amperes:g} A in {winding.id} top oil rises "
                f"{oil_strong:.1f} K, in mode {weak.id} "
                f"{oil_weak:.1f} K (lower at equal amperes)",
            )
        # The gradient alone may be higher with fans: colder oil is thicker and flows slower.
        factor = hot_spot_factor(t, winding)
        hot_weak = oil_weak + factor * winding_rise_at(t, weak, a, amperes)
        hot_strong = oil_strong + factor * winding_rise_at(t, strong, b, amperes)
        if hot_strong >= hot_weak and oil_strong < oil_weak:
            yield b.fault(
                "gradient_k",
                f"more cooling but more rise: at {amperes:g} A the hot spot rises {hot_strong:.1f} K, in "
                f"mode {weak.id} {hot_weak:.1f} K "
                "(lower at equal amperes)",
            )


def design_and_size(t: Part) -> Found:
    designs = [(t, t.design)] + [(mode, mode.design) for mode in t.modes]
    for part, design in designs:
        if design is None:
            continue
        if design.startswith("distribution") != (t.size == "distribution"):
            yield part.fault(
                "design",
                f"{design} does not go with size: {t.size} (one of them sets the hot-spot factor's default)",
                "warning",
            )
    for mode in t.modes:
        design = mode.design or t.design
        if design is None or t.liquid != "mineral_oil":
            continue
        letters = design.removesuffix("_restricted").rpartition("_")[2].upper()
        if not mode.cooling.startswith(letters):
            part = mode if mode.design is not None else t
            if part is mode:
                yield mode.fault(
                    "design", f"{design} is for {letters} cooling, the mode is {mode.cooling}", "warning"
                )
            elif missing_figures(_without_design(t), mode):
                yield mode.fault(
                    "cooling",
                    f"takes exponents and time constants from the transformer's design {design}, made for "
                    f"{letters} (give the mode its own design)",
                    "warning",
                )


def _without_design(t: Part) -> Part:
    bare = Part(t.cls, t.file, t.path, t.line)
    bare.values, bare.lines, bare.broken = {**t.values, "design": None}, t.lines, t.broken
    return bare


def winding_current(t: Part, winding: Part) -> Found:
    current, derived = winding.current, winding.derived_current
    if current is None and derived is None:
        yield winding.fault(
            "current", "is missing (give current from a CT, or derived_current from other windings)"
        )
    if current is not None and derived is not None:
        yield winding.fault("derived_current", "both current and derived_current are given (give one)")
    if current is None:
        return
    if current.reads == "primary_a":
        for key in ("ct_primary_a", "ct_secondary_a"):
            if getattr(current, key) is not None:
                yield current.fault(
                    key, "does not belong to reads: primary_a (remove it, or reads: secondary_a or percent)"
                )
    else:
        needed = ("ct_primary_a", "ct_secondary_a") if current.reads == "secondary_a" else ("ct_primary_a",)
        for key in needed:
            if getattr(current, key) is None:
                yield current.fault(key, f"is missing (needed for reads: {current.reads})")
        if current.reads == "percent" and current.ct_secondary_a is not None:
            yield current.fault(
                "ct_secondary_a", "does not belong to reads: percent (remove it; 100 % = ct_primary_a)"
            )
        ct = current.ct_secondary_a
        if current.reads == "secondary_a" and ct is not None and ct not in (1, 5):
            yield current.fault("ct_secondary_a", f"{ct:g} A is unusual (1 or 5)", "warning")
    rated = max(mode.rated_current_a for mode in winding.modes.values())
    if current.max_a is not None and current.max_a < 1.5 * rated:
        severe = current.max_a <= rated
        yield current.fault(
            "max_a",
            f"{current.max_a:g} A is {'not above' if severe else 'less than 1.5 times'} the rated current "
            f"{rated:g} A: an overload would count as lost (usual 4 times)",
            "fault" if severe else "warning",
        )
    if (
        current.ct_primary_a is not None
        and current.reads != "primary_a"
        and not rated / 4 <= current.ct_primary_a <= 20 * rated
    ):
        yield current.fault(
            "ct_primary_a",
            f"{current.ct_primary_a:g} A for a rated current of {rated:g} A (is the ratio right?)",
            "warning",
        )


def winding_factor(t: Part, winding: Part) -> Found:
    if t.liquid != "mineral_oil" and winding.hot_spot_factor is None:
        yield winding.fault(
            "hot_spot_factor", f"is missing: {t.liquid} has no defaults (give the maker's, usual 1.1 to 1.5)"
        )


def winding_modes(t: Part) -> Found:
    """Every winding has figures for every mode. Windings that share theirs by alias are told once."""
    known = ids_of(t.modes)
    seen: set[int] = set()
    for winding in t.windings:
        if "modes" in winding.broken or winding.origins["modes"] in seen:
            continue
        seen.add(winding.origins["modes"])
        misnamed = [name for name in winding.modes if name not in known]
        for name in misnamed:
            close = difflib.get_close_matches(name, known, 1, 0.5)
            hint = f"did you mean {close[0]}?" if close else f"there are: {', '.join(known)}"
            yield winding.modes[name].fault("", f"no mode is called {name} ({hint})")
        for name in known:
            if name not in winding.modes and not difflib.get_close_matches(name, misnamed, 1, 0.5):
                yield winding.fault(
                    "modes", f"mode {name} is missing (give its gradient_k and rated_current_a)"
                )


def derived_current(t: Part, winding: Part) -> Found:
    derived = winding.derived_current
    if derived is None:
        return
    known = ids_of(t.windings)
    for name, factor in derived.factors.items():
        if name == winding.id:
            yield derived.fault(
                f"factors.{name}", "the winding's current is derived from itself (name other windings)"
            )
            continue
        yield from unknown_name(derived, f"factors.{name}", "winding", name, known)
        source = next((w for w in t.windings if w.id == name), None)
        if source is not None and source.current is None and source.derived_current is not None:
            text = f"the current of {name} is derived itself (name windings whose current is measured)"
            yield derived.fault(f"factors.{name}", text)
        if factor == 0:
            yield derived.fault(
                f"factors.{name}", f"the factor of {name} is 0 (give the turns ratio, or leave it out)"
            )


def oil_weights(t: Part) -> Found:
    weights = [winding.oil_weight for winding in t.windings]
    if any(weight is not None for weight in weights) and not any(weights):
        yield t.windings[0].fault(
            "oil_weight", "all weights are 0, so no current would heat the oil (give the main winding 1)"
        )
    if all(w.kind != "main" for w in t.windings) and not any(weights):
        yield t.fault(
            "windings",
            "no winding is of kind main: all count alike for the oil (kind: main, or give oil_weight)",
            "warning",
        )


def tap_changer(t: Part) -> Found:
    tap = t.tap_changer
    if tap is None:
        return
    known = ids_of(t.windings)
    for i, name in enumerate(tap.windings):
        yield from unknown_name(tap, f"windings[{i}]", "winding", name, known)
    if not tap.windings:
        yield tap.fault("windings", "is empty (name the windings whose rated current changes with the tap)")
    if tap.step_percent == 0:
        yield tap.fault("step_percent", "0 changes nothing (usual 1.25 to 2.5)")


def loading(t: Part) -> Found:
    known = ids_of(t.windings)
    for limit in t.load_limits:
        if "winding" not in limit.broken:
            yield from unknown_name(limit, "winding", "winding", limit.winding, known)
