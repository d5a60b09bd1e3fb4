"""Stages and alarms as they stand, in plain words with values, limits and remaining times.

Reads the step's state; computes nothing that the step goes by, and changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from collector.control import stall
from collector.control.alarms import AlarmStatus
from collector.control.layout import NS, StagePlan, TransformerPlan
from collector.control.stages import HOUR_NS, NEVER, ON, Call, StageState, recent
from collector.control.state import Plan, State
from collector.engine import alarm_list
from collector.messages import Outcome
from collector.points import CALL_REASONS
from collector.settings.model import Limits

#: (key of Limits and point name, word, unit, form) of each criterion.
CRITERIA = (
    ("top_oil_c", "top oil", "°C", "{:.1f}"),
    ("hot_spot_c", "hot spot", "°C", "{:.1f}"),
    ("load_pu", "load", "pu", "{:.2f}"),
)


@dataclass(frozen=True, slots=True)
class StageView:
    """One stage as a technician reads it.

    call, proof: states of the stage tables. relay: as read back. reason: word of points.CALL_REASONS;
    why: one sentence with values and limits. waits: (what, seconds left); None: without end.
    cabinet: contact -> closed; None when it cannot be read.
    """

    id: str
    name: str
    called: bool
    call: str
    proof: str
    relay: str
    reason: str
    why: str
    waits: tuple[tuple[str, float | None], ...]
    feedback: bool | None
    cabinet: dict[str, bool | None]
    run_hours: float
    starts: int
    starts_last_hour: int
    flapped: bool


@dataclass(frozen=True, slots=True)
class StandingAlarm:
    """One alarm that is not normal. Ages and remaining times in seconds; None: does not apply."""

    id: str
    status: str
    active: bool
    priority: str
    text: str
    did: str
    consequence: str
    action: str
    respond_min: int
    order: int
    raised_s_ago: float | None
    shelved_s: float | None


def stage_views(state: State, plan: Plan, outcome: Outcome | None) -> tuple[StageView, ...]:
    """Every stage of the station, in the order of the settings."""
    if outcome is None or state.layout is not plan.layout:
        return ()  # no step yet under these settings
    return tuple(
        _view(state, t, s, k, outcome) for t in plan.layout.transformers for k, s in enumerate(t.stages)
    )


def alarm_views(state: State, plan: Plan) -> tuple[StandingAlarm, ...]:
    """Every alarm that is not normal, first-out first."""
    if state.layout is not plan.layout:
        return ()
    views = []
    for a in alarm_list(state, plan):
        memory = state.alarms[plan.layout.alarm_index[a.id]]
        shelved = memory.status is AlarmStatus.SHELVED and memory.until_ns >= 0
        views.append(
            StandingAlarm(
                a.id, a.status, a.active, a.priority, a.text, a.did, a.consequence, a.action, a.respond_min,
                a.order,
                (state.mono_ns - a.raised_ns) / NS if a.raised_ns >= 0 else None,
                (memory.until_ns - state.mono_ns) / NS if shelved else None,
            )
        )  # fmt: skip
    return tuple(views)


def _view(state: State, t: TransformerPlan, s: StagePlan, k: int, outcome: Outcome) -> StageView:
    stage, output = state.stages[s.index], state.outputs[s.index]
    values = {key: _number(outcome, f"{t.id}.{key}") for key, *_ in CRITERIA}
    roles = state.transformers[t.index].roles
    role = t.stages[roles[k]] if roles else s
    relay = {None: "not read", True: "energised", False: "released"}[output.read]
    if output.silent_ns >= 0:
        relay = "not read"
    return StageView(
        id=s.id,
        name=s.settings.name,
        called=stage.call in ON,
        call=stage.call.value,
        proof=stage.proof.value,
        relay=relay,
        reason=CALL_REASONS[stage.why],
        why=_why(state, t, s, stage, values, role.settings.pickup, role.settings.dropout),
        waits=_waits(state, t, s, stage),
        feedback=_contact(state, s.feedback),
        cabinet={name: _contact(state, place) for name, place in s.contacts.items()},
        run_hours=state.run_ns[s.index] / HOUR_NS,
        starts=stage.start_count,
        starts_last_hour=recent(stage.starts, state.mono_ns),
        flapped=stage.flapped,
    )


def _number(outcome: Outcome, point: str) -> float | None:
    found = outcome.values.get(point)
    value = found.value if found is not None else None
    return float(value) if isinstance(value, int | float) else None


def _contact(state: State, place: int | None) -> bool | None:
    if place is None or state.inputs[place].lost:
        return None
    value = state.inputs[place].value
    return None if value is None else value >= 0.5


def _against(values: dict[str, float | None], limits: Limits, word: str, *, beyond: bool) -> list[str]:
    """E.g. top oil 61.2 °C (pickup 60), for every criterion that is at or above its limit, or below it."""
    found = []
    for key, name, unit, form in CRITERIA:
        limit, value = getattr(limits, key), values[key]
        if limit is not None and value is not None and (value >= limit) is beyond:
            found.append(f"{name} {form.format(value)} {unit} ({word} {limit:g})")
    return found


def _lost(state: State, t: TransformerPlan) -> str:
    """What is lost of the inputs that this transformer's cooling is decided on."""
    places = [(t.inputs.get("top_oil_c"), f"{t.id}.top_oil_c")]
    places += [(w.current, f"{w.id}.current_a") for w in t.windings]
    for place, name in places:
        if place is not None and state.inputs[place].lost:
            return f"{name} is lost: {state.inputs[place].reason}"
    if state.transformers[t.index].disagree:
        return "the two top-oil probes disagree"
    if not state.transformers[t.index].mode_ok:
        return "no cooling mode is proven running, so there is no valid hot spot"
    return ""


def proof_lines(state: State, plan: Plan) -> list[str]:
    """Of each relay module: when its own release was last proven, in words."""
    lines = []
    for p, m in zip(plan.layout.relay_modules, state.modules, strict=True):
        said = "release not proven yet"
        if m.proven:
            days = (state.mono_ns - m.proven[0]) / (24 * HOUR_NS)
            ago = f"{days:.0f} days ago" if days >= 2 else f"{days * 24:.0f} h ago"
            took = f" (within {m.took_s:.1f} s)" if m.took_s is not None else ""
            said = f"release proven {ago}{took}"
        if m.failed:
            said = "RELEASE FAILED when it was left unfed; it holds nothing off until confirmed"
        elif m.going_on:
            said = f"left unfed now, to prove its release; before that: {said}"
        lines.append(f"{p.id}: {said}")
    return lines


def _why(
    state: State, t: TransformerPlan, s: StagePlan, stage: StageState, values: dict[str, float | None],
    pickup: Limits, dropout: Limits,
) -> str:  # fmt: skip
    """One sentence: why the stage is called or not, with values and limits."""
    reason, now = CALL_REASONS[stage.why], state.mono_ns
    above = _against(values, pickup, "pickup", beyond=True)
    if stage.call is Call.BLOCKED:
        if reason == "cold-oil block":
            oil = values["top_oil_c"]
            shown = f"top oil {oil:.1f} °C" if oil is not None else "oil"
            return f"held off: {shown} is too cold for it (block below {s.settings.cold_oil_block_c:g} °C)"
        return {
            "interlocked": "held off: a stop interlock is active",
            "held off by hand": "held off by hand",
        }[reason]
    if stage.call is Call.RELEASED:
        if reason == "released: input lost":
            return _lost(state, t) or "an input was lost a moment ago"
        if reason == "released: alarm temperature":
            alarms = t.settings.alarms
            limits = Limits(top_oil_c=alarms.top_oil_high_c, hot_spot_c=alarms.hot_spot_high_c)
            hot = _against(values, limits, "alarm", beyond=True)
            return " and ".join(hot) or "within the deadband of an alarm temperature"
        if reason == "released: flapping":
            most = s.timing.max_releases_per_h
            return f"let go more than {most} times in an hour; find the cause, then acknowledge"
        if reason == "released: output module lost":
            return f"the relay module {s.module} does not answer, or let go by itself"
        if reason == "released: another output does not obey":
            return "another stage's relay is not released though it is to be: this one runs in its place"
        if reason == "forced on":
            return "forced on by hand"
        if reason == "released: its module has let go in a proof":
            return f"its relay module {s.module} was left unfed and has let go by its own timeout, as it must"
        if reason == "released: its module failed the proof":
            return f"its relay module {s.module} did not let go when left unfed: mend it, then confirm it"
        if reason == "released: not read since a stall":
            ts = state.transformers[t.index]
            old = ", ".join(stall.awaited(state.layout, state.inputs, t, ts.fresh_from_ns))
            return f"no decision was made for a while: {old} must be read again first"
        return "started without a complete poll: everything runs until every device was read"
    if stage.call is Call.CALLED:
        if above:
            return " and ".join(above)
        if reason == "pre-cooling":
            x = state.transformers[t.index].expected
            begins, ends = (max(0, at - now) / NS / 60 for at in (x.begin_ns, x.end_ns))
            expected = f"a load of {x.load_pu:g} pu is expected from {begins:.0f} to {ends:.0f} min from now"
            to_come = {"top_oil_c": x.top_oil_c, "hot_spot_c": x.hot_spot_c, "load_pu": x.mode_load_pu}
            would = " and ".join(_against(to_come, pickup, "pickup", beyond=True))
            return f"{expected}: {would} to come" if would else expected
        waiting = _against(values, _stop_limits(pickup, dropout), "dropout", beyond=True)
        if waiting:
            return "not yet below dropout: " + " and ".join(waiting)
        if reason == "automatic" and (lost := _lost(state, t)):
            return lost
        words = {
            "spare for a stage that is not proven": "stands in for a stage that is not proven running",
            "pump for its fans": "its fans are called and need this pump",
            "exercise": "exercise run after a long rest",
            "released: return not yet trusted": "what was lost is back, but not long enough to be trusted",
            "minimum run": "below dropout, but the minimum run is not over",
        }
        if reason == "minimum run" and now >= stage.run_until_ns:
            return f"below dropout, but {recent(stage.starts, now)} starts within an hour: a stop is put off"
        return words.get(reason, "below dropout, stops at the next decision")
    if above:
        return " and ".join(above)
    below = _against(values, pickup, "pickup", beyond=False)
    return "not called: " + ", ".join(below) if below else "not called"


def _stop_limits(pickup: Limits, dropout: Limits) -> Limits:
    """Each criterion is judged by its dropout, or by its pickup where it has none."""
    merged = {key: getattr(dropout, key) if getattr(dropout, key) is not None else getattr(pickup, key)
              for key, *_ in CRITERIA}  # fmt: skip
    return Limits(**merged)


def _waits(
    state: State, t: TransformerPlan, s: StagePlan, stage: StageState
) -> tuple[tuple[str, float | None], ...]:
    now, timing, waits = state.mono_ns, s.timing, []

    def left(what: str, until_ns: int) -> None:
        if until_ns > now:
            waits.append((what, None if until_ns >= NEVER else (until_ns - now) / NS))

    if stage.call is Call.DELAY and stage.above_ns >= 0:
        left("pickup delay", stage.above_ns + timing.pickup_delay)
    if stage.call is Call.QUEUED:
        if stage.off_ns >= 0:
            left("restart inhibit", stage.off_ns + timing.restart_inhibit)
        left("stagger", state.transformers[t.index].next_start_ns)
    if stage.call in ON:
        left("minimum run", stage.run_until_ns)
        left("return not yet trusted", stage.trusted_ns)
        if recent(stage.starts, now) >= timing.max_starts_per_h:
            left("starts per hour", stage.starts[-timing.max_starts_per_h] + HOUR_NS)
        if stage.due_ns < NEVER and stage.proof.name == "STARTING":
            left("feedback due", stage.due_ns)
    left("forced on", stage.force_until_ns)
    left("held off by hand", stage.hold_until_ns)
    left("exercise", stage.exercise_until_ns)
    return tuple(waits)
