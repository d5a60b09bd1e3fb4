"""Hold-off by hand: when it may be given, and what ends it before its time.

It leans on every input of its stage. Whoever holds it off is at the station, but not at the sensors. No rule
of automatic calling belongs here.
"""

from __future__ import annotations

from dataclasses import replace

from collector.control.cycle import Cycle, Thermals
from collector.control.layout import NS, REASON, StagePlan, TransformerPlan, ns
from collector.control.stages import StageState

#: The account of hold-offs [ns].
DAY_NS = 24 * 3600 * NS
#: From this share of the way from pickup to alarm no stage may be held off. Engineering judgement, no source.
HOLD_OFF_SHARE = 0.5


def needs(t: TransformerPlan, s: StagePlan) -> tuple[int, ...]:
    """Inputs without which nobody knows whether holding this stage off is safe: its own, and those of its
    transformer that control goes by (bottom oil and fibre probes are for people)."""
    of_transformer = [i for name, i in t.inputs.items() if name != "bottom_oil_c"]
    currents = [w.current for w in t.windings if w.current is not None]
    own = [*s.contacts.values(), *((s.feedback,) if s.feedback is not None else ())]
    return (*of_transformer, *currents, *own)


def doubt(cycle: Cycle, t: TransformerPlan, th: Thermals, s: StagePlan) -> str:
    """Which input does not count, in words; "": all do."""
    if th.lost or th.not_measured or th.doubt:
        return th.lost or th.not_measured or th.doubt
    if th.awaited:
        return f"{th.awaited[0]} has not been read since a stall"
    for i in needs(t, s):
        state, name = cycle.inputs[i], cycle.layout.inputs[i].id
        if state.lost and not cycle.unread(i):
            return f"{name} is lost: {state.reason}"
        if not state.lost and not state.quality.is_measured:
            return f"{name} is not a measured value: {state.quality}"
    return ""


def just_back(cycle: Cycle, t: TransformerPlan, s: StagePlan) -> str:
    """What came back so recently that a hold-off may not lean on it yet, in words; "": nothing."""
    hold = s.timing.return_hold
    back = [(cycle.stages[s.index].trusted_ns, f"windingd, an input or the module of {s.id}")]
    for i in needs(t, s):
        if cycle.inputs[i].back_ns >= 0:
            back.append((cycle.inputs[i].back_ns + hold, cycle.layout.inputs[i].id))
    until_ns, what = max(back)
    if until_ns <= cycle.now:
        return ""
    wait_s = -((cycle.now - until_ns) // NS)
    return f"{what} has just come back and must first be good for {hold / NS:g} s: try again in {wait_s} s"


def follow(
    cycle: Cycle, t: TransformerPlan, th: Thermals, s: StagePlan, stage: StageState, release: int
) -> StageState:
    """A hold-off one cycle on: ended by its time, by whatever must run, by a doubtful input; or cut short."""
    stage = booked(cycle, stage)
    rule = next(w for w, i in REASON.items() if i == release) if release else ""
    why = doubt(cycle, t, th, s) if rule in ("", "released: input lost") else rule
    why = why or too_hot(cycle, t, th, s)
    if why or cycle.now >= stage.hold_until_ns:
        return end(cycle, s, stage, why or "its time is over")
    longest_min = cycle.plan.settings.station.hold_off_max_min
    until_ns = cycle.now + ns(longest_min * 60.0)
    if stage.hold_until_ns <= until_ns:
        return stage
    text = f"{s.id}: hold-off by hand is cut to {longest_min:g} min: the settings allow no more now"
    cycle.tell("command", s.id, text)
    return replace(stage, hold_until_ns=until_ns)


def booked(cycle: Cycle, stage: StageState) -> StageState:
    """With the time that it has been held off up to now on its account of the last day."""
    begun = bool(stage.holds) and stage.holds[-1] >= cycle.old.mono_ns >= 0
    if begun:
        return replace(stage, holds=(*stage.holds[:-1], cycle.now))
    pairs = zip(stage.holds[::2], stage.holds[1::2], strict=True)
    kept = [ns for pair in pairs if cycle.now - pair[1] < DAY_NS for ns in pair]
    return replace(stage, holds=(*kept, cycle.now, cycle.now))


def left_today_min(cycle: Cycle, stage: StageState) -> float:
    """What may still be held off of this stage within the last 24 h [min]."""
    pairs = zip(stage.holds[::2], stage.holds[1::2], strict=True)
    held_ns = sum(max(0, until - max(begin, cycle.now - DAY_NS)) for begin, until in pairs)
    return max(0.0, cycle.plan.settings.station.hold_off_day_min - held_ns / (60.0 * NS))


def too_hot(cycle: Cycle, t: TransformerPlan, th: Thermals, s: StagePlan) -> str:
    """Which criterion has come so far from the stage's pickup towards the alarm that it must run; "": none
    has."""
    k = t.stages.index(s)
    pickup = t.stages[cycle.transformers[t.index].roles[k]].settings.pickup
    limits = t.settings.alarms
    for name, value, on, high in (
        ("top oil", th.oil, pickup.top_oil_c, limits.top_oil_high_c),
        ("hot spot", th.hot_spot, pickup.hot_spot_c, limits.hot_spot_high_c),
    ):
        if value is not None and on is not None and value >= (bound := on + HOLD_OFF_SHARE * (high - on)):
            return f"{name} {value:.1f} °C: from {bound:.1f} °C on, half of the way to the alarm, it must run"
    return ""


def end(cycle: Cycle, s: StagePlan, stage: StageState, why: str) -> StageState:
    text = f"{s.id}: hold-off by hand ends: {why.removeprefix('released: ')}"
    cycle.tell("command", s.id, text, rule=why)
    return replace(stage, hold_until_ns=-1)
