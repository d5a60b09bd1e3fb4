"""Cooling stages: when one is called, and whether it is proven running.

How to think about it. A stage has two lives that are looked at apart. The *call* is what windingd
does with the relay: energised holds the stage off (OFF, DELAY, QUEUED, BLOCKED), released lets it
run (CALLED, RELEASED). The *proof* is what the feedback says about the motors. Neither reads the
other's table; the step joins them.

Each cycle the facts are boiled down to ONE event for each life, and the tables below say what
becomes of it. The event functions hold the rules and the order in which they win:
block (interlock, cold oil, by hand) > release (cooling must run, whatever else) > an ordinary start
or stop. A start may wait for its delays, a release never waits; a stop may always be put off.

Two rules about this file: nothing may be put in that reads a clock or a socket, and no state may
change except through CALL_TABLE and PROOF_TABLE.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

NS = 1_000_000_000
HOUR_NS = 3600 * NS
#: A deadline that never comes [ns].
NEVER = 1 << 62


class Call(Enum):
    """What windingd does with the stage's relay."""

    __hash__ = object.__hash__  # members are one of a kind; looked up in the tables at every step

    OFF = "off"  # relay energised: held off
    DELAY = "pickup delay"  # held off; a criterion is above pickup, its delay runs
    QUEUED = "waiting its turn"  # held off; start is due, waits for stagger or restart inhibit
    BLOCKED = "blocked"  # held off against any call: interlock, cold oil, by hand
    CALLED = "called"  # relay released: runs by the rules
    RELEASED = "released"  # relay released whatever the temperature


class CallEvent(Enum):
    __hash__ = object.__hash__

    BLOCK = "block"  # interlock, cold oil or hold-off by hand
    RELEASE = "release"  # must run now: input lost, alarm temperature, forced, flapping ...
    TURN = "turn"  # the start is due and nothing stands in its way
    DUE = "due"  # the start is due, but another has just started or the rest is not over
    RISE = "rise"  # above pickup, the delay runs
    STOP = "stop"  # all below dropout, inputs valid, all minimum times over
    STAY = "stay"  # none of these


_C, _E = Call, CallEvent
CALL_TABLE: dict[tuple[Call, CallEvent], Call] = {
    (_C.OFF, _E.BLOCK): _C.BLOCKED,
    (_C.OFF, _E.RELEASE): _C.RELEASED,
    (_C.OFF, _E.TURN): _C.CALLED,
    (_C.OFF, _E.DUE): _C.QUEUED,
    (_C.OFF, _E.RISE): _C.DELAY,
    (_C.OFF, _E.STAY): _C.OFF,
    (_C.DELAY, _E.BLOCK): _C.BLOCKED,
    (_C.DELAY, _E.RELEASE): _C.RELEASED,
    (_C.DELAY, _E.TURN): _C.CALLED,
    (_C.DELAY, _E.DUE): _C.QUEUED,
    (_C.DELAY, _E.RISE): _C.DELAY,
    (_C.DELAY, _E.STAY): _C.OFF,
    (_C.QUEUED, _E.BLOCK): _C.BLOCKED,
    (_C.QUEUED, _E.RELEASE): _C.RELEASED,
    (_C.QUEUED, _E.TURN): _C.CALLED,
    (_C.QUEUED, _E.DUE): _C.QUEUED,
    (_C.QUEUED, _E.RISE): _C.DELAY,
    (_C.QUEUED, _E.STAY): _C.OFF,
    (_C.BLOCKED, _E.BLOCK): _C.BLOCKED,
    (_C.BLOCKED, _E.RELEASE): _C.RELEASED,
    (_C.BLOCKED, _E.TURN): _C.CALLED,
    (_C.BLOCKED, _E.DUE): _C.QUEUED,
    (_C.BLOCKED, _E.RISE): _C.DELAY,
    (_C.BLOCKED, _E.STAY): _C.OFF,
    (_C.CALLED, _E.BLOCK): _C.BLOCKED,
    (_C.CALLED, _E.RELEASE): _C.RELEASED,
    (_C.CALLED, _E.STOP): _C.OFF,
    (_C.CALLED, _E.STAY): _C.CALLED,
    (_C.RELEASED, _E.BLOCK): _C.BLOCKED,
    (_C.RELEASED, _E.RELEASE): _C.RELEASED,
    (_C.RELEASED, _E.STAY): _C.CALLED,
}


class Proof(Enum):
    """What the feedback proves."""

    __hash__ = object.__hash__

    REST = "at rest"  # not called, no feedback
    STARTING = "starting"  # called, feedback not due yet (or none is wired)
    RUNNING = "running"  # called and proven
    UNPROVEN = "not proven"  # called, feedback overdue
    BY_HAND = "running uncalled"  # feedback without a call: by hand at the cabinet, or running down


class ProofEvent(Enum):
    __hash__ = object.__hash__

    PROVEN = "feedback while called"
    UNCALLED = "feedback while not called"
    WAIT = "called, no feedback yet"
    LATE = "called, no feedback in time"
    IDLE = "not called, no feedback"


_P, _F = Proof, ProofEvent
PROOF_TABLE: dict[tuple[Proof, ProofEvent], Proof] = {
    (_P.REST, _F.PROVEN): _P.RUNNING,
    (_P.REST, _F.UNCALLED): _P.BY_HAND,
    (_P.REST, _F.WAIT): _P.STARTING,
    (_P.REST, _F.IDLE): _P.REST,
    (_P.STARTING, _F.PROVEN): _P.RUNNING,
    (_P.STARTING, _F.UNCALLED): _P.BY_HAND,
    (_P.STARTING, _F.WAIT): _P.STARTING,
    (_P.STARTING, _F.LATE): _P.UNPROVEN,
    (_P.STARTING, _F.IDLE): _P.REST,
    (_P.RUNNING, _F.PROVEN): _P.RUNNING,
    (_P.RUNNING, _F.UNCALLED): _P.BY_HAND,
    (_P.RUNNING, _F.WAIT): _P.STARTING,  # the feedback dropped: counted out at once, alarm when overdue
    (_P.RUNNING, _F.IDLE): _P.REST,
    (_P.UNPROVEN, _F.PROVEN): _P.RUNNING,
    (_P.UNPROVEN, _F.UNCALLED): _P.BY_HAND,
    (_P.UNPROVEN, _F.LATE): _P.UNPROVEN,
    (_P.UNPROVEN, _F.IDLE): _P.REST,
    (_P.BY_HAND, _F.PROVEN): _P.RUNNING,
    (_P.BY_HAND, _F.UNCALLED): _P.BY_HAND,
    (_P.BY_HAND, _F.WAIT): _P.STARTING,
    (_P.BY_HAND, _F.IDLE): _P.REST,
}

#: Call states in which the relay is released, so that the stage runs.
ON = frozenset({Call.CALLED, Call.RELEASED})


@dataclass(frozen=True, slots=True)
class Timing:
    """A stage's times and counts, from settings [ns]."""

    pickup_delay: int
    minimum_run: int
    restart_inhibit: int
    feedback_delay: int
    stagger: int
    return_hold: int
    max_starts_per_h: int
    max_releases_per_h: int


@dataclass(frozen=True, slots=True)
class StageState:
    """One stage's memory. Times are station-monotonic ns; -1: not running.

    above_ns: since when a criterion is above pickup. queued_ns: since when it waits its turn.
    run_until_ns: end of the minimum run. trusted_ns: end of the hold after an input or module came back.
    off_ns: when last held off.
    starts, releases: times of the last hour's. flapped: released until acknowledged.
    own: called on its own account (its criteria, or a release), not only as a spare or pump.
    hold_until_ns, force_until_ns: operator's commands. exercise_until_ns: end of an exercise run.
    precool_until_ns: end of the expected load that pre-cooling calls it for.
    start_count: starts since commissioning. at_rest_ns: since when it has not been called.
    uncalled_ns: since when its feedback says "running" though nothing calls it. stuck: that was for too long,
    so that the feedback proves nothing until it drops. holds: begin and end of the last day's hold-offs.
    """

    call: Call = Call.OFF
    proof: Proof = Proof.REST
    above_ns: int = -1
    run_until_ns: int = -1
    trusted_ns: int = -1
    off_ns: int = -1
    due_ns: int = NEVER
    starts: tuple[int, ...] = ()
    releases: tuple[int, ...] = ()
    flapped: bool = False
    own: bool = False
    hold_until_ns: int = -1
    force_until_ns: int = -1
    exercise_until_ns: int = -1
    precool_until_ns: int = -1
    at_rest_ns: int = -1
    start_count: int = 0
    why: int = 0
    queued_ns: int = -1
    uncalled_ns: int = -1
    stuck: bool = False
    holds: tuple[int, ...] = ()


@dataclass(slots=True)
class Facts:
    """What one stage's call depends on in one cycle: scratch, filled in as the cycle finds it out.

    block, release: why (index into CALL_REASONS), or 0. lost: the release is by a lost input, estimate
    or module, so that it counts for flapping and the return is held. above: a criterion is above pickup.
    below: all are below dropout and every input is valid. support: called for another stage,
    pre-cooling or exercise. queue_ns: no start before this (stagger, or a pump that must go first). doubt:
    all are below dropout, but a reading is in doubt, so that it may not stop.
    """

    block: int = 0
    release: int = 0
    lost: bool = False
    above: bool = False
    below: bool = False
    support: int = 0
    queue_ns: int = -1
    doubt: bool = False


def call_event(stage: StageState, facts: Facts, timing: Timing, now: int) -> CallEvent:
    """The one event that counts for the call in this cycle. `stage.above_ns` is already up to date."""
    if facts.block:
        return CallEvent.BLOCK
    if facts.release:
        return CallEvent.RELEASE
    if stage.call in ON:
        if stage.call is Call.CALLED and may_stop(stage, facts, timing, now):
            return CallEvent.STOP
        return CallEvent.STAY
    due = facts.support or (facts.above and now - stage.above_ns >= timing.pickup_delay)
    if due:
        rested = stage.off_ns < 0 or now - stage.off_ns >= timing.restart_inhibit
        return CallEvent.TURN if rested and now >= facts.queue_ns else CallEvent.DUE
    return CallEvent.RISE if facts.above else CallEvent.STAY


def may_stop(stage: StageState, facts: Facts, timing: Timing, now: int) -> bool:
    """Whether a called stage may be held off again. Every limit here only prolongs running."""
    if not facts.below or facts.support or facts.above:
        return False
    if now < stage.run_until_ns or now < stage.trusted_ns:
        return False
    # The next start must still fit into the hour; starts are never refused, so stops are put off.
    return recent(stage.starts, now) < timing.max_starts_per_h


def recent(times: Sequence[int], now: int) -> int:
    """How many of `times` lie within the last hour."""
    return sum(1 for t in times if now - t < HOUR_NS)


def risen(stage: StageState, facts: Facts, now: int) -> StageState:
    """With its time above pickup up to date."""
    above_ns = (stage.above_ns if stage.above_ns >= 0 else now) if facts.above else -1
    return stage if above_ns == stage.above_ns else replace(stage, above_ns=above_ns)


def asks(stage: StageState, facts: Facts, timing: Timing, now: int) -> bool:
    """Whether it will run after this cycle, or would if it had its turn: then its pump must run too."""
    event = call_event(risen(stage, facts, now), facts, timing, now)
    if event is CallEvent.STAY:
        return stage.call in ON
    return event in (CallEvent.RELEASE, CallEvent.TURN, CallEvent.DUE)


def next_call(stage: StageState, facts: Facts, timing: Timing, now: int) -> StageState:
    """The stage one cycle on. Counts starts and releases, starts and ends the timers."""
    stage = risen(stage, facts, now)
    call = CALL_TABLE[stage.call, call_event(stage, facts, timing, now)]
    if call is stage.call:
        return stage
    was_on, is_on = stage.call in ON, call in ON
    if is_on and not was_on:
        stage = started(stage, timing, now, lost=facts.lost)
    elif was_on and not is_on:
        stage = replace(stage, off_ns=now, at_rest_ns=now, trusted_ns=-1)
    return replace(stage, call=call, queued_ns=now if call is Call.QUEUED else -1)


def in_turn(order: Sequence[int], states: Sequence[StageState]) -> list[int]:
    """`order`, but those that wait go first, the longest first: else one that starts again and again would
    keep the others from ever having their turn."""
    return sorted(order, key=lambda k: states[k].queued_ns if states[k].queued_ns >= 0 else NEVER)


def started(stage: StageState, timing: Timing, now: int, *, lost: bool) -> StageState:
    """Book a start: of windingd's own, or (lost) a release, which counts as a start and for flapping."""
    starts = (*(t for t in stage.starts if now - t < HOUR_NS), now)
    releases = stage.releases
    if lost:
        releases = (*(t for t in releases if now - t < HOUR_NS), now)
    return replace(
        stage,
        starts=starts,
        releases=releases,
        flapped=stage.flapped or len(releases) > timing.max_releases_per_h,
        run_until_ns=now + timing.minimum_run,
        start_count=stage.start_count + 1,
        at_rest_ns=-1,
    )


def proof_event(called: bool, feedback: bool | None, overdue: bool) -> ProofEvent:
    """The one event for the proof. feedback None: bad or not wired, which proves nothing."""
    if feedback:
        return ProofEvent.PROVEN if called else ProofEvent.UNCALLED
    if not called:
        return ProofEvent.IDLE
    return ProofEvent.LATE if overdue else ProofEvent.WAIT


def next_proof(stage: StageState, feedback: bool | None, wired: bool, timing: Timing, now: int) -> StageState:
    """The proof one cycle on. A stage without a feedback input is never proven and never overdue."""
    waiting = stage.proof is Proof.STARTING or stage.proof is Proof.UNPROVEN
    event = proof_event(stage.call in ON, feedback, waiting and now >= stage.due_ns)
    proof = PROOF_TABLE[stage.proof, event]
    if proof is stage.proof:
        return stage
    due_ns = stage.due_ns
    if proof is Proof.STARTING:
        due_ns = now + timing.feedback_delay if wired else NEVER
    return replace(stage, proof=proof, due_ns=due_ns)


def spares(
    wanted: Sequence[bool], failed: Sequence[bool], free: Sequence[bool], order: Sequence[int]
) -> tuple[frozenset[int], bool]:
    """Which stages stand in for wanted ones that do not run, and whether there are enough.

    wanted: called on its own account. failed: called but not proven in time, or known unable to run.
    free: may be called as a spare (not interlocked, blocked or held off). order: which is next.
    A spare that fails in turn is kept called, and the one after it is called too.
    """
    missing = sum([w and f for w, f in zip(wanted, failed, strict=True)])
    if not missing:
        return frozenset(), False
    chosen: set[int] = set()
    for i in order:
        if missing == 0:
            break
        if wanted[i] or not free[i]:
            continue
        chosen.add(i)
        if not failed[i]:
            missing -= 1
    return frozenset(chosen), missing > 0


def rotate(group: Sequence[int], run_ns: Sequence[int], roles: Sequence[int]) -> tuple[int, ...]:
    """Duty rotation: the member of `group` with the fewest run hours takes the earliest role.

    roles: for every stage, the stage whose pickup and dropout it works to. Returned with the group's
    roles exchanged; call only while the whole group is at rest.
    """
    result = list(roles)
    for member, role in zip(sorted(group, key=lambda i: (run_ns[i], i)), sorted(group), strict=True):
        result[member] = role
    return tuple(result)
