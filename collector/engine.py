"""The step: everything windingd thinks, as one pure function of (state, plan, inputs).

Live, in replay, in the stage schedule and under property tests it is the same function. Never put
a clock, socket, file, logger or asyncio in here: what a step may know arrives in its inputs.
"""

from __future__ import annotations

from dataclasses import dataclass

from collector.control import alarms as al
from collector.control import (
    calling,
    commands,
    conditions,
    permitted,
    precooling,
    proof,
    readings,
    relays,
    saved,
    stall,
    temperatures,
    values,
)
from collector.control.calling import COLD_OIL_BAND_K
from collector.control.cycle import Cycle
from collector.control.layout import ns
from collector.control.state import Gap, Peak, Plan, State, TransformerState, build, initial
from collector.messages import Decision, Inputs, Outcome

__all__ = [
    "COLD_OIL_BAND_K",
    "AlarmView",
    "Gap",
    "Peak",
    "Plan",
    "State",
    "TransformerState",
    "alarm_list",
    "build",
    "checkpoint",
    "initial",
    "join",
    "migrate",
    "restore",
    "step",
    "thaw",
]


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm as an operator reads it. order: first-out, lowest came first. Times in ns; -1: none."""

    id: str
    status: str
    active: bool
    priority: str
    text: str
    did: str
    consequence: str
    action: str
    respond_min: int
    raised_ns: int
    order: int


def step(state: State, plan: Plan, inputs: Inputs) -> tuple[State, Outcome]:
    """One cycle. Raises ValueError only when time does not increase; never for what a reading holds.

    Outcome.decision.energise is empty until `inputs.polled` or `start_grace_s` is over (then all run).
    """
    if inputs.mono_ns <= state.mono_ns:
        raise ValueError(f"time must increase: {inputs.mono_ns} ns after {state.mono_ns} ns")
    cycle = Cycle(state, plan, inputs)
    if state.seen_hash and inputs.settings_hash != state.seen_hash:
        cycle.tell("reload", "station", f"new settings {inputs.settings_hash[:12]} in force")
    cycle.started_ns = state.started_ns if state.started_ns >= 0 else inputs.mono_ns
    grace_over = inputs.mono_ns - cycle.started_ns >= ns(plan.settings.station.start_grace_s)
    cycle.deciding = state.deciding or inputs.polled or grace_over

    readings.judge_inputs(cycle)  # which readings count
    calling.prove(cycle)  # which stages run, by their feedback: that is the cooling mode of the model
    temperatures.estimate_temperatures(cycle)  # hot spot, oil and load, and what they are worth
    relays.look_at_outputs(cycle)  # does each relay do what it was told
    proof.follow(cycle)  # has a module that was left alone let go by itself
    stall.look_for_stalls(cycle)  # are they younger than the last time in which nobody decided
    for command in inputs.commands:  # before the stages: a wish is obeyed in the step that it came with
        commands.obey(cycle, command)
    if cycle.deciding:  # before that not everything has been read: nothing is called, nothing is an alarm
        if not state.deciding:
            grace = "the start grace is over; every stage runs until every device was polled"
            how = "every device was polled" if inputs.polled else grace
            cycle.tell("start", "station", f"deciding from now on: {how}")
        for t in plan.layout.transformers:
            precooling.look_ahead(cycle, t)  # before the stages: what is asked for is called in this step
            calling.call_stages(cycle, t, starting=not inputs.polled and not state.deciding)
        proof.settle(cycle)
        proof.use_a_cool_hour(cycle)
        conditions.raise_alarms(cycle)  # after the stages: whether cooling suffices is known only now
        permitted.renew(cycle)  # permissible loading, for people: nothing else goes by it
    energise = relays.energise(cycle)  # after the alarms: contacts and trip follow them
    told = values.values(cycle) if plan.tell_values else {}
    new = _frozen(cycle)
    return new, Outcome(
        Decision(new.sequence, inputs.mono_ns, energise, proof.left_alone(cycle)), told, tuple(cycle.events))


def _frozen(cycle: Cycle) -> State:
    return State(
        mono_ns=cycle.now,
        sequence=cycle.old.sequence + 1,
        settings_hash=cycle.plan.settings_hash,
        layout=cycle.layout,
        started_ns=cycle.started_ns,
        # A start without a complete poll stays "all run" until every device was polled.
        deciding=cycle.old.deciding or cycle.given.polled,
        inputs=tuple(cycle.inputs),
        stages=tuple(cycle.stages),
        adopted=tuple(cycle.adopted),
        outputs=tuple(cycle.outputs),
        run_ns=tuple(cycle.run_ns),
        transformers=tuple(cycle.transformers),
        alarms=tuple(cycle.alarms),
        alarm_count=cycle.alarm_count,
        substitutes=cycle.substitutes,
        devices_down=cycle.devices_down,
        thermal=cycle.thermal,
        estimate=cycle.estimate,
        seen_hash=cycle.given.settings_hash,
        expected=temperatures.settled_oil(cycle),
        sample=cycle.sample,
        loading=tuple(cycle.loading),
        explained=cycle.explained,
        modules=tuple(cycle.modules),
    )


def checkpoint(state: State) -> bytes:
    """The state as JSON (UTF-8); floats survive bit by bit."""
    return saved.dump(state)


def restore(plan: Plan, data: bytes, gap: Gap) -> State:
    """The state of a checkpoint, moved to the time of the restart. ValueError: damaged or not ours."""
    return saved.load(plan, data, gap)


def thaw(plan: Plan, data: bytes) -> State:
    """The very state a checkpoint was made of: for replay, which goes on where it was taken.

    ValueError: damaged, or of other settings than the plan's.
    """
    return saved.thaw(plan, data)


def join(
    plan: Plan, state: State, began: State, data: bytes, gap: Gap, *, peaks: bool
) -> tuple[State, dict[str, tuple[float, float]]]:
    """The state with what an earlier record's checkpoint holds more; see `saved.join`."""
    return saved.join(plan, state, began, data, gap, peaks=peaks)


def migrate(state: State, old_plan: Plan, new_plan: Plan) -> State:
    """The state under new settings: thermal state, timers, alarms, counters kept by id."""
    return saved.carry_over(state, old_plan, new_plan)


def alarm_list(state: State, plan: Plan) -> tuple[AlarmView, ...]:
    """Every alarm that is not normal, first-out first."""
    shown = [
        AlarmView(
            p.id,
            a.status.word,
            a.active,
            p.kind.priority,
            a.text,
            a.did or p.kind.did,
            p.kind.consequence,
            p.kind.action,
            p.kind.respond_min,
            a.raised_ns,
            a.order,
        )
        for p, a in zip(plan.layout.alarms, state.alarms, strict=True)
        if a.active or a.status is not al.AlarmStatus.NORMAL
    ]
    return tuple(sorted(shown, key=lambda v: v.order))
