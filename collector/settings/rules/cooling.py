"""Rules about stages, alarms and temperatures of one transformer."""

from __future__ import annotations

from typing import Any

from collector.settings import watching
from collector.settings.bind import Part
from collector.settings.model import Settings
from collector.settings.reaction import reaction_s
from collector.settings.rules.common import (
    Found,
    criterion,
    find,
    stage_ids,
    unknown_name,
)
from collector.thermal.heating import highest_load_pu, hot_spot_rises_k

#: Sum of pickup delay, restart inhibit and stagger above which `check` warns, and refuses [s].
DELAY_WARNING_S = 180.0
DELAY_LIMIT_S = 600.0


_UNITS = {"top_oil_c": "10 K", "hot_spot_c": "10 K", "load_pu": "0.1"}


def stage_criteria(t: Part, stage: Part) -> Found:
    pickup, dropout = stage.pickup, stage.dropout
    keys = tuple(_UNITS)
    if not any(pickup.given(key) for key in keys):
        yield stage.fault(
            "pickup",
            "has no criterion, so nothing would ever start the stage (give top_oil_c, hot_spot_c or load_pu)",
        )
        return
    for key in keys:
        if key in pickup.broken or key in dropout.broken:
            continue
        on, off = getattr(pickup, key), getattr(dropout, key)
        if on is None and off is None:
            continue
        if off is None:
            yield stage.fault(
                f"dropout.{key}", f"is missing beside the pickup {on:g} (usual {_UNITS[key]} below it)"
            )
        elif on is None:
            yield stage.fault(
                f"dropout.{key}", f"{off:g} has no pickup.{key} beside it (give both, or neither)"
            )
        elif off >= on:
            word = "above" if off > on else "equal to"
            yield stage.fault(
                f"dropout.{key}",
                f"{off:g} is {word} the pickup {on:g} (a dropout must lie below its pickup; usual "
                f"{_UNITS[key]} below)",
            )
        elif key != "load_pu" and on - off < 3:
            yield stage.fault(
                f"dropout.{key}",
                f"only {on - off:g} K below the pickup: the stage will switch often (usual 10 K)",
                "warning",
            )


def stage_order(t: Part) -> Found:
    """Pickups rise from stage to stage, so that small loads need few fans."""
    for key in _UNITS:
        last: tuple[float, Part] | None = None
        for stage in t.stages:
            value = criterion(stage, "pickup", key)
            if value is None:
                continue
            if last is not None and value <= last[0] and not _alike(stage, last[1]):
                word = "below" if value < last[0] else "equal to"
                yield stage.fault(
                    f"pickup.{key}",
                    f"{value:g} is {word} the pickup {last[0]:g} of {last[1].path.rpartition('.')[2]} "
                    "before it (pickups rise from stage to stage; usual 10 K higher)",
                )
            if last is None or value > last[0]:
                last = (value, stage)


def _alike(stage: Part, before: Part) -> bool:
    """Stages that may share a pickup: they exchange duty, or one is the other's pump."""
    if stage.rotation_group is not None and stage.rotation_group == before.rotation_group:
        return True
    return bool(stage.needs_stage == before.id or before.needs_stage == stage.id)


def stage_needs(t: Part, stage: Part) -> Found:
    if stage.needs_stage is not None:
        known = stage_ids(t)
        if stage.needs_stage == stage.id:
            yield stage.fault("needs_stage", "the stage names itself (name the pump that these fans need)")
            return
        yield from unknown_name(stage, "needs_stage", "stage", stage.needs_stage, known)
        if stage.needs_stage in known:
            needed = find(t.stages, stage.needs_stage)
            if needed.kind != "pumps":
                yield stage.fault(
                    "needs_stage",
                    f"{needed.id} is not a pump stage (fans need their cooler's pump; is its kind: pumps "
                    "missing?)",
                )
            if stage.kind == "pumps":
                yield stage.fault("needs_stage", "is for fans only; this stage is pumps (remove it)")


def stage_advice(t: Part, stage: Part) -> Found:
    if stage.cold_oil_block_c is not None:
        if stage.kind != "pumps":
            yield stage.fault(
                "cold_oil_block_c", "is for pumps only; this stage is fans (remove it, or kind: pumps)"
            )
        else:
            lowest = criterion(stage, "pickup", "top_oil_c")
            if lowest is not None and stage.cold_oil_block_c >= lowest:
                yield stage.fault(
                    "cold_oil_block_c",
                    f"{stage.cold_oil_block_c:g} is not below the pickup {lowest:g}: the pumps would be "
                    "blocked when called (usual 0 to 20)",
                )
            yield stage.fault(
                "cold_oil_block_c",
                "must also be hard-wired (a release starts everything, windingd or not)",
                "note",
            )
    if not stage.hardware_stagger and len(t.stages) > 1:
        yield stage.fault(
            "hardware_stagger",
            "a release starts all stages at once; on-delay timers in the contactor circuit prevent that "
            "(set hardware_stagger: true when fitted)",
            "warning",
        )
    if stage.feedback is None:
        yield stage.fault(
            "feedback",
            "no proof of running: the stage counts as unproven, never in a cooling mode (wire a contact, "
            "for pumps a flow switch)",
            "warning",
        )


def worst_delay_s(t: Any, stage: Any, cycle_s: float) -> float:
    """Longest time from above pickup to called [s]: pickup delay, restart inhibit, stagger of all others.

    Fans wait for their pump, so for its restart inhibit as well. Only decisions start anything, and one
    starts one stage, so each stage adds a cycle.
    """
    others = sum(other.stagger_s for other in t.stages if other is not stage)
    pump = next((other for other in t.stages if other.id == stage.needs_stage), stage)
    rest = max(stage.restart_inhibit_s, pump.restart_inhibit_s)
    return float(stage.pickup_delay_s + rest + others + cycle_s * len(t.stages))


def stage_delays(root: Part, t: Part, stage: Part) -> Found:
    delay = worst_delay_s(t, stage, root.station.cycle_s)
    key = "restart_inhibit_s" if stage.restart_inhibit_s > stage.pickup_delay_s else "pickup_delay_s"
    text = f"pickup delay, restart inhibit, stagger and cycles add up to {delay:g} s"
    if delay > DELAY_LIMIT_S:
        yield stage.fault(key, f"{text} (at most {DELAY_LIMIT_S:g}; usual below {DELAY_WARNING_S:g})")
    elif delay > DELAY_WARNING_S:
        yield stage.fault(key, f"{text} before it starts (usual below {DELAY_WARNING_S:g})", "warning")


def slow_reaction(root: Part, settings: Settings) -> Found:
    """The time until a module that does not obey lets go, against what the hot spot does meanwhile."""
    for n, t in enumerate(settings.transformers):
        devices = {d.id: d.relay_module for d in settings.devices}
        modules = [devices[stage.relay.device] for stage in t.stages]
        pickups = [x.pickup.hot_spot_c for x in t.stages if x.pickup.hot_spot_c is not None]
        if not pickups or not any(modules):
            continue
        worst_s = max(reaction_s(settings.station, module) for module in modules if module is not None)
        (rise_k,) = hot_spot_rises_k(settings, n, [worst_s])
        margin_k = t.alarms.hot_spot_high_c - max(pickups)
        if rise_k > margin_k:
            yield root.transformers[n].fault(
                "stages",
                f"if its relay module does not obey, cooling starts {worst_s:g} s after hot oil, and the "
                f"hot spot rises {rise_k:.0f} K meanwhile at {highest_load_pu(settings, n):g} pu, more than "
                f"the {margin_k:g} K from the last pickup to the alarm (shorter stale_after_s, timeout_s or "
                "release_within_s)",
                "warning",
            )


def rotation(t: Part) -> Found:
    groups: dict[str, list[Part]] = {}
    for stage in t.stages:
        if stage.rotation_group is not None:
            groups.setdefault(stage.rotation_group, []).append(stage)
    for name, members in groups.items():
        if len(members) == 1:
            yield members[0].fault(
                "rotation_group",
                f"{members[0].path.rpartition('.')[2]} is alone in {name}: there is nothing to exchange "
                "duty with",
                "warning",
            )
        for other in members[1:]:
            if other.kind != members[0].kind:
                yield other.fault(
                    "rotation_group", f"{name} has pumps and fans (only alike stages exchange duty)"
                )


def temperature_range(part: Part) -> Found:
    if part.min_c >= part.max_c:
        yield part.fault(
            "min_c" if part.given("min_c") else "max_c",
            f"min_c {part.min_c:g} is not below max_c {part.max_c:g} (usual -50 and 180)",
        )


def redundancy(t: Part) -> Found:
    second = t.top_oil.redundant
    if second is not None and second.device == t.top_oil.device:
        yield second.fault(
            "device",
            f"both probes hang on {second.device}: losing it loses both (two devices are better)",
            "note",
        )


def alarm_order(t: Part) -> Found:
    for name in ("top_oil", "hot_spot"):
        high, above = f"{name}_high_c", f"{name}_high_high_c"
        a, b = getattr(t.alarms, high), getattr(t.alarms, above)
        if b <= a:
            yield t.fault(
                f"alarms.{above if t.alarms.given(above) else high}",
                f"{above} {b:g} is not above {high} {a:g} (usual 10 to 15 K above)",
            )


def alarms_and_pickups(t: Part) -> Found:
    """The last stage must be called before the alarm says that something is wrong."""
    for name in ("top_oil", "hot_spot"):
        key, alarm = f"{name}_c", f"{name}_high_c"
        worst: tuple[float, Part] | None = None
        for stage in t.stages:
            value = criterion(stage, "pickup", key)
            if value is not None and (worst is None or value > worst[0]):
                worst = (value, stage)
        if worst is None or getattr(t.alarms, alarm) > worst[0]:
            continue
        value, limit = worst[0], getattr(t.alarms, alarm)
        if t.alarms.given(alarm):
            yield t.fault(
                f"alarms.{alarm}",
                f"{limit:g} is not above the last pickup {value:g} of {worst[1].id} (alarm only above all "
                "pickups; usual 10 to 15 K)",
            )
        else:
            yield worst[1].fault(
                f"pickup.{key}",
                f"{value:g} is not below the alarm {alarm} {limit:g} (lower the pickup, or set the alarm)",
            )


def alarm_range(t: Part) -> Found:
    limit = t.alarms.top_oil_high_high_c
    if t.top_oil.max_c <= limit:
        yield t.top_oil.fault(
            "max_c",
            f"readings above {t.top_oil.max_c:g} count as lost, so the alarm at {limit:g} could never come "
            "(usual 180)",
        )


def backstop(t: Part) -> Found:
    """A thermostat that would come too late."""
    if t.backstop is not None and t.backstop.limit_c > t.alarms.top_oil_high_c:
        yield t.backstop.fault(
            "limit_c",
            f"{t.backstop.limit_c:g} is above the alarm top_oil_high_c {t.alarms.top_oil_high_c:g}: the "
            "oil would be at alarm temperature before it starts the cooling (usual at or somewhat below the "
            "alarm)",
            "warning",
        )


def site(t: Part) -> Found:
    if t.site.ambient_low_c >= t.site.ambient_high_c:
        yield t.site.fault(
            "ambient_low_c" if t.site.given("ambient_low_c") else "ambient_high_c",
            f"ambient_low_c {t.site.ambient_low_c:g} is not below ambient_high_c {t.site.ambient_high_c:g} "
            "(usual -25 and 40)",
        )
    elif not t.site.ambient_low_c <= t.site.ambient_weighted_c <= t.site.ambient_high_c:
        yield t.site.fault(
            "ambient_weighted_c" if t.site.given("ambient_weighted_c") else "",
            f"ambient_weighted_c {t.site.ambient_weighted_c:g} is not between ambient_low_c "
            f"{t.site.ambient_low_c:g} and ambient_high_c {t.site.ambient_high_c:g} (usual: some kelvin "
            "above the yearly mean)",
        )


def unwatched(t: Part) -> Found:
    """Which readings can be wrong without being held against anything."""
    for gap in watching.gaps(t):
        yield t.fault(gap.key, gap.words, gap.severity)


def lost_inputs(t: Part) -> Found:
    lost = t.lost_inputs
    if lost.phase_zero_pu >= lost.phase_others_pu:
        key = "phase_zero_pu" if lost.given("phase_zero_pu") else "phase_others_pu"
        yield lost.fault(
            key,
            f"phase_zero_pu {lost.phase_zero_pu:g} is not below phase_others_pu {lost.phase_others_pu:g} "
            "(usual 0.05 and 0.3)",
        )
