"""What an operator may ask for, and what is refused.

A command sets a wish in the state; whether the stage or alarm follows is for the rules to say.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import isfinite

from collector.control import alarms as al
from collector.control import hold_off as rules
from collector.control import lost_inputs as li
from collector.control import precooling, proof
from collector.control.cycle import Cycle
from collector.control.layout import StagePlan, TransformerPlan, ns
from collector.control.stages import NEVER
from collector.control.state import NOTHING_EXPECTED, ExpectedLoad, Peak, Substitute
from collector.messages import Command
from collector.thermal import track

#: Longest time a measurement may be substituted by hand [min].
SUBSTITUTE_MAX_MIN = 240.0
#: Longest time an alarm may be shelved [min]: one shift.
SHELVE_MAX_MIN = 480.0
#: An expected load: highest [pu], longest [min], and how far ahead it may begin [min]: a week.
EXPECTED_MAX_PU, EXPECTED_MAX_MIN, EXPECTED_AHEAD_MIN = 3.0, 1440.0, 10_080.0

#: Loss of life that a correction may set [h]: the longest normal life that settings take, ten times over.
CORRECTED_MAX_H = 10_000_000.0


def obey(cycle: Cycle, command: Command) -> None:
    """An operator's command: done or refused, and told either way."""
    refusal = COMMANDS[command.kind](cycle, command) if command.kind in COMMANDS else "no such command"
    done = "refused: " + refusal if refusal else "done"
    cycle.tell(
        "command",
        command.target,
        f"{command.kind} {command.target} by {command.who} ({command.how}): {done}",
        id=command.id,
        command=command.kind,
        who=command.who,
        how=command.how,
        minutes=command.minutes,
        value=command.value,
        after_min=command.after_min,
        accepted=not refusal,
    )


def stage_named(cycle: Cycle, target: str) -> StagePlan | None:
    return next((s for s in cycle.layout.stages if s.id == target), None)


def transformer_of(cycle: Cycle, s: StagePlan) -> TransformerPlan:
    return next(t for t in cycle.layout.transformers if s in t.stages)


def force_on(cycle: Cycle, c: Command) -> str:
    s = stage_named(cycle, c.target)
    if s is None:
        return f"no stage {c.target}"
    if c.minutes is not None and not 0 < c.minutes < 1e6:
        return "minutes must be above 0 (leave them out to run until `automatic`)"
    until_ns = NEVER if c.minutes is None else cycle.now + ns(c.minutes * 60.0)
    cycle.stages[s.index] = replace(cycle.stages[s.index], force_until_ns=until_ns, hold_until_ns=-1)
    return ""


def hold_off(cycle: Cycle, c: Command) -> str:
    s = stage_named(cycle, c.target)
    if s is None:
        return f"no stage {c.target}"
    longest = cycle.plan.settings.station.hold_off_max_min
    if c.how != "local":
        return "hold-off is possible only at the station itself"
    if c.minutes is None or not 0 < c.minutes <= longest:
        return f"give minutes, above 0 and at most {longest:g}"
    t = transformer_of(cycle, s)
    th = cycle.thermals[t.index]
    if th.alarm_temperature:
        return "at alarm temperature no stage may be held off"
    doubt = rules.doubt(cycle, t, th, s)
    if doubt:
        return f"not while an input does not count: {doubt}"
    if cycle.stages[s.index].flapped:
        return "released for flapping: acknowledge that first"
    if came_back := rules.just_back(cycle, t, s):
        return came_back
    if hot := rules.too_hot(cycle, t, th, s):
        return hot
    left_min = rules.left_today_min(cycle, cycle.stages[s.index])
    if c.minutes > left_min:
        day_min = cycle.plan.settings.station.hold_off_day_min
        return f"within 24 h it may be held off for {day_min:g} min in all, and {left_min:.0f} are left"
    cycle.stages[s.index] = replace(
        cycle.stages[s.index], hold_until_ns=cycle.now + ns(c.minutes * 60.0), force_until_ns=-1
    )
    return ""


def automatic(cycle: Cycle, c: Command) -> str:
    s = stage_named(cycle, c.target)
    if s is None:
        return f"no stage {c.target}"
    cycle.stages[s.index] = replace(cycle.stages[s.index], hold_until_ns=-1, force_until_ns=-1)
    return ""


def acknowledge_flapping(cycle: Cycle, c: Command) -> str:
    s = stage_named(cycle, c.target)
    if s is None:
        return f"no stage {c.target}"
    if not cycle.stages[s.index].flapped:
        return "it is not released for flapping"
    cycle.stages[s.index] = replace(cycle.stages[s.index], flapped=False, releases=())
    return ""


def alarms_named(cycle: Cycle, target: str) -> list[int]:
    if target == "all":
        return list(range(len(cycle.alarms)))
    i = cycle.layout.alarm_index.get(target)
    return [] if i is None else [i]


def acknowledge(cycle: Cycle, c: Command) -> str:
    found = alarms_named(cycle, c.target)
    for i in found:
        cycle.alarms[i] = al.move(cycle.alarms[i], al.AlarmEvent.ACKNOWLEDGE)
    return "" if found else f"no alarm {c.target}"


def shelve(cycle: Cycle, c: Command) -> str:
    i = cycle.layout.alarm_index.get(c.target)
    if i is None:
        return f"no alarm {c.target}"
    if not cycle.layout.alarms[i].kind.shelvable:
        return "this alarm cannot be shelved"
    if c.minutes is None or not 0 < c.minutes <= SHELVE_MAX_MIN:
        return f"give minutes, above 0 and at most {SHELVE_MAX_MIN:g}"
    moved = al.move(cycle.alarms[i], al.AlarmEvent.SHELVE)
    if moved.status is not al.AlarmStatus.SHELVED:
        return f"it is {moved.status.word}"
    cycle.alarms[i] = replace(moved, until_ns=cycle.now + ns(c.minutes * 60.0))
    return ""


def unshelve(cycle: Cycle, c: Command) -> str:
    return resume_alarm(cycle, c, al.AlarmStatus.SHELVED)


def out_of_service(cycle: Cycle, c: Command) -> str:
    i = cycle.layout.alarm_index.get(c.target)
    if i is None:
        return f"no alarm {c.target}"
    if not cycle.layout.alarms[i].kind.shelvable:
        return "this alarm cannot be taken out of service"
    cycle.alarms[i] = al.move(cycle.alarms[i], al.AlarmEvent.REMOVE)
    return ""


def in_service(cycle: Cycle, c: Command) -> str:
    return resume_alarm(cycle, c, al.AlarmStatus.OUT_OF_SERVICE)


def resume_alarm(cycle: Cycle, c: Command, status: al.AlarmStatus) -> str:
    i = cycle.layout.alarm_index.get(c.target)
    if i is None:
        return f"no alarm {c.target}"
    if cycle.alarms[i].status is not status:
        return f"it is not {status.word}"
    cycle.alarms[i] = al.resume(cycle.alarms[i])
    return ""


def reset_peaks(cycle: Cycle, c: Command) -> str:
    t = next((t for t in cycle.layout.transformers if t.id == c.target), None)
    if t is None:
        return f"no transformer {c.target}"
    ts = cycle.transformers[t.index]
    cycle.tell(
        "command",
        t.id,
        f"{t.id}: peaks reset",
        hot_spot_c=ts.hot_spot.value,
        hot_spot_mono_ns=ts.hot_spot.mono_ns,
        top_oil_c=ts.top_oil.value,
        top_oil_mono_ns=ts.top_oil.mono_ns,
        load_pu=ts.load.value,
        load_mono_ns=ts.load.mono_ns,
    )
    cycle.transformers[t.index] = ts._replace(hot_spot=Peak(), top_oil=Peak(), load=Peak())
    return ""


def substitute_by_hand(cycle: Cycle, c: Command) -> str:
    i = cycle.layout.input_index.get(c.target)
    if i is None or cycle.layout.inputs[i].kind not in ("temperature", "current"):
        return f"no temperature or current {c.target}"
    if c.value is None or not isfinite(c.value):
        return "give a value"
    if c.minutes is None or not 0 < c.minutes <= SUBSTITUTE_MAX_MIN:
        return f"give minutes, above 0 and at most {SUBSTITUTE_MAX_MIN:g}"
    rest = tuple(s for s in cycle.substitutes if s.id != c.target)
    until_ns = cycle.now + ns(c.minutes * 60.0)
    cycle.substitutes = (*rest, Substitute(c.target, float(c.value), until_ns))
    return ""


def end_substitute(cycle: Cycle, c: Command) -> str:
    rest = tuple(s for s in cycle.substitutes if s.id != c.target)
    if len(rest) == len(cycle.substitutes):
        return f"{c.target} is not substituted"
    cycle.substitutes = rest
    return ""


def expect_load(cycle: Cycle, c: Command) -> str:
    t = next((t for t in cycle.layout.transformers if t.id == c.target), None)
    if t is None:
        return f"no transformer {c.target}"
    if t.settings.pre_cooling_lead_min == 0:
        return "pre-cooling is off (pre_cooling_lead_min: 0)"
    if c.value is None or not 0 < c.value <= EXPECTED_MAX_PU:
        return f"give a load in pu of the mode with most cooling, above 0 and at most {EXPECTED_MAX_PU:g}"
    if c.minutes is None or not 0 < c.minutes <= EXPECTED_MAX_MIN:
        return f"give minutes, above 0 and at most {EXPECTED_MAX_MIN:g}: how long it lasts"
    after_min = 0.0 if c.after_min is None else c.after_min
    if not 0 <= after_min <= EXPECTED_AHEAD_MIN:
        return f"it must begin within 0 to {EXPECTED_AHEAD_MIN:g} min from now"
    begin_ns = cycle.now + ns(after_min * 60.0)
    expected = ExpectedLoad(float(c.value), begin_ns, begin_ns + ns(c.minutes * 60.0))
    cycle.transformers[t.index] = cycle.transformers[t.index]._replace(expected=expected)
    return ""


def end_expect_load(cycle: Cycle, c: Command) -> str:
    t = next((t for t in cycle.layout.transformers if t.id == c.target), None)
    if t is None:
        return f"no transformer {c.target}"
    if cycle.transformers[t.index].expected == NOTHING_EXPECTED:
        return "no load is expected"
    precooling.forget(cycle, t)
    return ""


def confirm_reading(cycle: Cycle, c: Command) -> str:
    i = cycle.layout.input_index.get(c.target)
    if i is None or cycle.layout.inputs[i].kind != "temperature":
        return f"no temperature {c.target}"
    if c.how != "local":
        return "a reading is confirmed only at the station itself"
    state, reading = cycle.inputs[i], cycle.given.readings.get(c.target)
    if not state.lost:
        return f"{c.target} counts already"
    fault = cycle.faults[i]
    if reading is None or reading.value is None or (fault is not None and fault.cause is not li.Cause.JUMP):
        return f"{c.target} does not read well: {state.reason}"
    cycle.inputs[i] = li.InputState(
        False,
        li.Cause.NONE,
        "",
        reading.value,
        reading.mono_ns,
        reading.mono_ns,
        quality=reading.quality,
        back_ns=cycle.now,
    )
    cycle.tell("quality", c.target, f"{c.target} counts again: confirmed by {c.who}", value=reading.value)
    return ""


def correct_life(cycle: Cycle, c: Command) -> str:
    """After a rewind, an oil treatment, a history that was found, a factor that was wrong."""
    t, k = next(
        ((t, k) for t in cycle.layout.transformers for k, w in enumerate(t.windings) if w.id == c.target),
        (None, 0),
    )
    if t is None:
        return f"no winding {c.target}"
    if c.how != "local":
        return "loss of life is corrected only at the station itself"
    if c.value is None or not 0 <= c.value <= CORRECTED_MAX_H:
        return f"give the hours of life lost, 0 to {CORRECTED_MAX_H:.0f}"
    if not c.why.strip():
        return "say why: it is recorded with the old and the new figure"
    assert cycle.thermal is not None
    assert cycle.estimate is not None
    place = t.windings[k].place
    low, old, high = (float(x) for x in cycle.thermal.published_h[:, place])
    cycle.thermal = track.corrected(cycle.plan.model, cycle.thermal, place, float(c.value))
    cycle.estimate = replace(cycle.estimate, loss_of_life_h=cycle.thermal.published_h)
    new_low, new, new_high = (float(x) for x in cycle.thermal.published_h[:, place])
    ts = cycle.transformers[t.index]
    counted = tuple(n + (i == k) for i, n in enumerate(ts.corrections))
    # what it was in doubt about is no part of the new figure
    doubtful = tuple(0.0 if i == k else s for i, s in enumerate(ts.doubtful_s))
    cycle.transformers[t.index] = ts._replace(corrections=counted, doubtful_s=doubtful)
    cycle.tell(
        "life",
        c.target,
        f"{c.target}: loss of life corrected from {old:.4g} h to {new:.4g} h by {c.who}: {c.why.strip()}",
        old_h=old, new_h=new, old_low_h=low, new_low_h=new_low, old_high_h=high, new_high_h=new_high,
        who=c.who, how=c.how, why=c.why.strip(),
    )  # fmt: skip
    return ""


def confirm_module(cycle: Cycle, c: Command) -> str:
    for i, plan in enumerate(cycle.layout.relay_modules):
        if plan.id == c.target:
            if not cycle.modules[i].failed:
                return "it has not failed a proof"
            # As one that was just commissioned: the next proof comes within a day.
            cycle.modules[i] = proof.ModuleState(known=(cycle.now,))
            cycle.distrusted.discard(plan.id)
            return ""
    return f"no relay module {c.target} that releases by its own timeout"


COMMANDS: Mapping[str, Callable[[Cycle, Command], str]] = {
    "force_on": force_on,
    "hold_off": hold_off,
    "automatic": automatic,
    "acknowledge": acknowledge,
    "shelve": shelve,
    "unshelve": unshelve,
    "out_of_service": out_of_service,
    "in_service": in_service,
    "acknowledge_flapping": acknowledge_flapping,
    "reset_peaks": reset_peaks,
    "substitute": substitute_by_hand,
    "end_substitute": end_substitute,
    "expect_load": expect_load,
    "end_expect_load": end_expect_load,
    "confirm_reading": confirm_reading,
    "correct_life": correct_life,
    "confirm_module": confirm_module,
}
