"""A relay module's own timeout, proven in service: left unfed, does it let go of what it holds off?

How to think about it. Everything that windingd promises ends in this timeout, and a register
that says it is set proves nothing. So once per `proof_interval_days` the decision leaves the module alone (no
request of any kind), waits until it must have let go, and then *reads before it writes*: what it held must
read released. While this goes on nothing is decided for what it holds; whatever wants cooling, or a block,
meanwhile ends it. The stages that the module let go of then run as after any release, but no fault is
counted: it did its duty.

    at rest --begin--> unfed --timeout and margin over--> read --released--> proven, at rest
                         |                                 '--still held--> failed: holds nothing off
                         '---- a call changes ---> ended, at rest; tried again later

The best moment is when its stages are to start anyway: the timeout starts them. Else a cool hour. Only one
module of a station at a time, so that not more motors start together than one module's release starts.
No rule about when a stage is called belongs here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING

from collector.control import outputs as out
from collector.control.layout import NS, ModulePlan, TransformerPlan
from collector.control.stages import ON, Call, CallEvent, Facts, call_event, risen

if TYPE_CHECKING:
    from collector.control.cycle import Cycle

HOUR = 3600 * NS
#: A module counts as commissioned so long before its first proof [ns]: people are still at work on it. At the
#: latest four times this, which is a day, it need no longer be cool, only nothing called.
FIRST = 6 * HOUR
#: From this share of the interval on a start that comes anyway is used; beyond the other it is overdue.
EARLY, OVERDUE = 0.8, 1.25
#: Beyond its timeout a module is left unfed for this share of it and as many seconds, and two cycles: its
#: clock, a request in flight, and our own beat (common practice, no source).
MARGIN_SHARE, MARGIN_S = 0.2, 5.0
#: A start that comes anyway is put off by no more than this [ns]: the hot spot's fast part moves by a few
#: kelvin in a minute at rated load (winding time constants 4 to 10 min, IEC 60076-7, from memory).
MOST_WAIT = 60 * NS
#: A cool hour: so far below every pickup [K, pu].
COOL_K, COOL_PU = 5.0, 0.1
#: After a proof that told nothing it is tried again no sooner [ns].
AGAIN = HOUR


class Phase(Enum):
    REST = "at rest"
    UNFED = "left unfed"
    READ = "read first"
    ENDED = "ended before it told anything"


@dataclass(frozen=True, slots=True)
class ModuleState:
    """One relay module's memory.

    known, proven: when first seen and last proven [ns], in a tuple of one: such times may lie before this
    boot. took_s: how long its release took then, at most [s]. failed: it did not let go, and nobody has
    confirmed it since. silent_ns, lifted_ns: since when it is left unfed, and read again.
    held: the outputs that read energised when that began. again_ns: not tried before.
    """

    phase: Phase = Phase.REST
    known: tuple[int, ...] = ()
    proven: tuple[int, ...] = ()
    took_s: float | None = None
    failed: bool = False
    silent_ns: int = -1
    lifted_ns: int = -1
    again_ns: int = -1
    held: tuple[str, ...] = ()

    @property
    def going_on(self) -> bool:
        return self.phase is not Phase.REST

    def ended(self, now: int, **what: object) -> ModuleState:
        done = replace(self, phase=Phase.REST, silent_ns=-1, lifted_ns=-1, held=(), again_ns=now + AGAIN)
        return replace(done, **what)  # type: ignore[arg-type]


def margin(plan: ModulePlan, cycle_ns: int) -> int:
    return round(plan.timeout * MARGIN_SHARE) + round(MARGIN_S * NS) + 2 * cycle_ns


def under_proof(cycle: Cycle) -> frozenset[str]:
    """Modules of which nothing is concluded in this cycle from their silence or from what they let go of."""
    plans = cycle.layout.relay_modules
    return frozenset(p.id for p, m in zip(plans, cycle.modules, strict=True) if m.going_on)


def left_alone(cycle: Cycle) -> frozenset[str]:
    """Modules to which no request goes after this cycle."""
    plans = cycle.layout.relay_modules
    return frozenset(p.id for p, m in zip(plans, cycle.modules, strict=True) if m.phase is Phase.UNFED)


def undecided(cycle: Cycle, output: str) -> bool:
    """This output is to be read before it is written: the decision does not name it."""
    return any(m.phase in (Phase.READ, Phase.ENDED) and output in m.held for m in cycle.modules)


# --- a proof that goes on ---------------------------------------------------------------------------


def follow(cycle: Cycle) -> None:
    """Before the calls: has the module let go, in time, by what is read?"""
    cycle_ns = round(cycle.plan.settings.station.cycle_s * NS)
    for i, plan in enumerate(cycle.layout.relay_modules):
        m = cycle.modules[i]
        if not m.known and any(
            (relay := cycle.given.relays.get(cycle.layout.stages[k].id)) is not None and relay.link_ok
            for k in plan.stages
        ):
            cycle.modules[i] = m = replace(m, known=(cycle.now,))
        if m.phase is Phase.UNFED:
            took_s = by_feedback_s(cycle, plan, m)
            if took_s is not None or cycle.now - m.silent_ns >= plan.timeout + margin(plan, cycle_ns):
                cycle.modules[i] = replace(m, phase=Phase.READ, lifted_ns=cycle.now, took_s=took_s)
        elif m.phase is Phase.READ:
            cycle.modules[i] = judge(cycle, plan, m)
        elif m.phase is Phase.ENDED:
            cycle.let_go.add(plan.id)
            cycle.modules[i] = m.ended(cycle.now)


def by_feedback_s(cycle: Cycle, plan: ModulePlan, m: ModuleState) -> float | None:
    """How long the release took by feedbacks that another device reads; None: they do not tell (yet)."""
    times = []
    for k in plan.stages:
        s = cycle.layout.stages[k]
        if s.id not in m.held:
            continue
        if s.feedback is None or cycle.layout.inputs[s.feedback].device == plan.id:
            return None
        value = cycle.measured(s.feedback)
        if value is None or value < 0.5 or cycle.inputs[s.feedback].value_ns <= m.silent_ns:
            return None
        times.append(cycle.inputs[s.feedback].value_ns)
    return (max(times) - m.silent_ns) / NS if times else None


def judge(cycle: Cycle, plan: ModulePlan, m: ModuleState) -> ModuleState:
    """By the first read after the silence, before anything was written."""
    read = {o: on for o in m.held if (on := still_held(cycle, m, o)) is not None}
    subject, held = f"device.{plan.id}", ", ".join(m.held)
    if len(read) < len(m.held):
        if cycle.now - m.lifted_ns < cycle.layout.stale:
            return m
        cycle.let_go.add(plan.id)
        text = f"{subject}: nothing could be read of it after it was left unfed; its release is not proven"
        cycle.tell("output", subject, text, proof="no answer", held=held)
        return m.ended(cycle.now)
    silent_s = (m.lifted_ns - m.silent_ns) / NS
    if still := [o for o, energised in read.items() if energised]:
        text = f"{subject}: after {silent_s:.1f} s without a request it still holds off {', '.join(still)}"
        cycle.tell("output", subject, text, proof="failed", held=held, still=", ".join(still))
        cycle.distrusted.add(plan.id)
        return m.ended(cycle.now, failed=True)
    cycle.let_go.add(plan.id)
    took_s = m.took_s if m.took_s is not None else silent_s
    how = "by feedback" if m.took_s is not None else "read after that, before it was written"
    text = f"{subject}: its own timeout has released {held} within {took_s:.1f} s ({how}): release proven"
    cycle.tell("output", subject, text, proof="proven", held=held, took_s=took_s)
    return m.ended(cycle.now, proven=(cycle.now,), took_s=took_s)


def still_held(cycle: Cycle, m: ModuleState, output: str) -> bool | None:
    """By a read after the silence, of the output or, where it cannot be read, of its stage's feedback.

    None: not read yet.
    """
    s = next(s for s in cycle.layout.stages if s.id == output)
    if s.settings.relay.write_only:
        runs = cycle.measured(s.feedback)
        if s.feedback is None or runs is None or cycle.inputs[s.feedback].value_ns <= m.lifted_ns:
            return None
        return runs < 0.5
    relay = cycle.given.relays.get(output)
    if relay is None or not relay.link_ok or relay.mono_ns <= m.lifted_ns:
        return None
    return relay.energised


def settle(cycle: Cycle) -> None:
    """After the calls: whatever has changed a call of what is left unfed ends the proof."""
    for i, plan in enumerate(cycle.layout.relay_modules):
        m = cycle.modules[i]
        if m.phase not in (Phase.UNFED, Phase.READ):
            continue
        changed = [
            s.id
            for s in (cycle.layout.stages[k] for k in plan.stages)
            if (cycle.stages[s.index].call in ON) is not (cycle.old.stages[s.index].call in ON)
        ]
        if changed:
            subject = f"device.{plan.id}"
            text = f"{subject}: the proof of its release is broken off, {changed[0]} is called or held off"
            cycle.tell("output", subject, text, proof="broken off", held=", ".join(m.held))
            cycle.modules[i] = replace(m, phase=Phase.ENDED, lifted_ns=cycle.now)


# --- when to begin ----------------------------------------------------------------------------------


def use_a_start(cycle: Cycle, t: TransformerPlan, facts: list[Facts]) -> None:
    """All that a module still holds off is to start now: then its own timeout shall start it."""
    th = cycle.thermals[t.index]
    if th.alarm_temperature or th.lost or th.awaited or th.not_measured:
        return
    cycle_ns = round(cycle.plan.settings.station.cycle_s * NS)
    for i, plan in enumerate(cycle.layout.relay_modules):
        if not due(cycle, plan, cycle.modules[i], EARLY) or plan.timeout + margin(plan, cycle_ns) > MOST_WAIT:
            continue
        starting = []
        for k in plan.stages:
            s = cycle.layout.stages[k]
            stage = cycle.stages[s.index]
            if stage.call in ON:
                continue
            place = next((n for n, own in enumerate(t.stages) if own is s), None)
            if place is None:
                break
            f = facts[place]
            event = call_event(risen(stage, f, cycle.now), f, s.timing, cycle.now)
            if event is not CallEvent.TURN or not f.above:
                break
            starting.append(s.id)
        else:
            if starting:
                begin(cycle, i, plan, starting, "its stages are to start anyway")


def use_a_cool_hour(cycle: Cycle) -> None:
    """After the calls: nothing is called, nothing is warm, nothing is wrong."""
    if not cycle.given.relays:
        return
    for i, plan in enumerate(cycle.layout.relay_modules):
        m = cycle.modules[i]
        if not due(cycle, plan, m, 1.0):
            continue
        held = [cycle.layout.stages[k] for k in plan.stages]
        if any(cycle.stages[s.index].call is not Call.OFF for s in held):
            continue
        late = due(cycle, plan, m, OVERDUE)
        mine = [t for t in cycle.layout.transformers if any(s in held for s in t.stages)]
        if all(quiet(cycle, t, held_of(t, plan), cool=not late) for t in mine):
            begin(cycle, i, plan, [s.id for s in held], "nothing is warm and nothing is called")


def held_of(t: TransformerPlan, plan: ModulePlan) -> list[int]:
    return [k for k, s in enumerate(t.stages) if s.index in plan.stages]


def quiet(cycle: Cycle, t: TransformerPlan, held: Iterable[int], cool: bool) -> bool:
    th, ts = cycle.thermals[t.index], cycle.transformers[t.index]
    if th.alarm_temperature or th.lost or th.awaited or th.not_measured:
        return False
    if not cool:  # overdue: it can only add cooling, and a doubt may last for weeks
        return True
    subjects = {t.id, *(s.id for s in t.stages), *(w.id for w in t.windings)}
    alarms = zip(cycle.layout.alarms, cycle.alarms, strict=True)
    grave = ("urgent", "high")
    if any(a.active and p.subject in subjects and p.kind.priority in grave for p, a in alarms):
        return False
    for k in held:
        pickup = t.stages[ts.roles[k]].settings.pickup
        for value, limit, band in (
            (th.oil, pickup.top_oil_c, COOL_K),
            (th.hot_spot, pickup.hot_spot_c, COOL_K),
            (th.load, pickup.load_pu, COOL_PU),
        ):
            if limit is not None and (value is None or value > limit - band):
                return False
    return True


def due(cycle: Cycle, plan: ModulePlan, m: ModuleState, share: float) -> bool:
    """share: of the interval that must have passed since the last proof; the first one comes sooner."""
    if m.going_on or m.failed or not m.known or cycle.now < m.again_ns:
        return False
    if any(other.going_on for other in cycle.modules) or not provable(cycle, plan):
        return False
    if m.proven:
        return cycle.now - m.proven[0] >= share * plan.interval
    first = min(FIRST, plan.interval // 4)
    return cycle.now - m.known[0] >= (first if share <= 1.0 else 3 * first)


def provable(cycle: Cycle, plan: ModulePlan) -> bool:
    """What is read through it, or over a line that is silent with it, must not be lost meanwhile."""
    cycle_ns = round(cycle.plan.settings.station.cycle_s * NS)
    return plan.only_contacts or plan.timeout + 2 * margin(plan, cycle_ns) < cycle.layout.stale


def begin(cycle: Cycle, i: int, plan: ModulePlan, stages: list[str], why: str) -> None:
    """Leave it alone from this decision on, if all of these outputs are known to be held by it."""
    by_id = {s.id: s for s in cycle.layout.stages}
    for o in stages:
        s, relay = by_id[o], cycle.given.relays.get(o)
        known = relay is not None and relay.link_ok and relay.energised is True
        if not known or cycle.seen[s.index] != out.NOTHING:
            return
    m = cycle.modules[i]
    cycle.modules[i] = replace(
        m, phase=Phase.UNFED, silent_ns=cycle.now, lifted_ns=-1, held=tuple(stages), took_s=m.took_s
    )
    subject, held = f"device.{plan.id}", ", ".join(stages)
    text = f"{subject}: left without requests, to prove that it releases {held} by itself ({why})"
    cycle.tell("output", subject, text, proof="begun", held=held)
