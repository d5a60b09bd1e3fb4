"""The step: everything windingd thinks, as one pure function of (state, plan, inputs).

Live, in replay, in the stage schedule and under property tests it is the same function. Never put
a clock, socket, file, logger or asyncio in here: what a step may know arrives in its inputs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import isfinite
from typing import Any

import numpy as np

from collector.control import alarms as al
from collector.control import lost_inputs as li
from collector.control import outputs as out
from collector.control import saved, stages, trip
from collector.control.layout import NS, REASON, StagePlan, TransformerPlan, WindingPlan, ns
from collector.control.modes import mode_in_force, proven_stages
from collector.control.stages import NEVER, ON, Call, Facts, Proof, StageState
from collector.control.state import Gap, Peak, Plan, State, Substitute, TransformerState, build, initial
from collector.messages import Command, Decision, Event, Inputs, Outcome, Value
from collector.quality import GOOD, Detail, Quality, invalid, questionable
from collector.settings.model import Limits
from collector.thermal import track
from collector.thermal.loading import bubbling_margin_k

__all__ = [
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
    "migrate",
    "restore",
    "step",
    "thaw",
]

#: Cold-oil block ends this much above its limit [K], so that a pump does not come and go.
COLD_OIL_BAND_K = 2.0
#: Longest time a measurement may be substituted by hand [min].
SUBSTITUTE_MAX_MIN = 240.0
#: Longest time an alarm may be shelved [min]: one shift.
SHELVE_MAX_MIN = 480.0
HOUR_NS = 3600.0 * NS

_NO_VALUE = Value(None, invalid(Detail.OLD_DATA))
_UNPROVEN = questionable(Detail.INACCURATE)
_ESTIMATED = Quality(_UNPROVEN.validity, Detail.INACCURATE).substituted()
_STARTED = questionable(Detail.INACCURATE)
_NOT_STARTED = invalid(Detail.FAILURE)
_DISAGREE = questionable(Detail.INCONSISTENT)
_TRUE, _FALSE = Value(True, GOOD), Value(False, GOOD)
_BOOL = {True: _TRUE, False: _FALSE}
_ALARM_VALUES = tuple(Value(int(s), GOOD) for s in al.AlarmStatus)
_REASON_VALUES = tuple(Value(i, GOOD) for i in range(len(REASON)))


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
    return _Cycle(state, plan, inputs).run()


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
            p.kind.did,
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


@dataclass(slots=True)
class _Thermals:
    """What one transformer's control and alarms go by in this cycle.

    lost: why its inputs do not suffice for control ("" : they do). oil, hot_spot, load: the values
    decided on; None: none. valid: hot spot and oil may take cooling away.
    """

    oil: float | None = None
    oil_quality: Quality = _NOT_STARTED
    hot_spot: float | None = None
    hot_spot_quality: Quality = _NOT_STARTED
    load: float | None = None
    load_quality: Quality = _NOT_STARTED
    lost: str = ""
    alarm_temperature: bool = False
    oil_lost: bool = False
    ambient_lost: bool = False
    energised: bool = True
    winding_quality: list[Quality] = field(default_factory=list)
    current_quality: list[Quality] = field(default_factory=list)


class _Cycle:
    """The scratch pad of one step: lists that are written phase by phase and frozen at the end."""

    def __init__(self, state: State, plan: Plan, inputs: Inputs) -> None:
        self.old = state
        self.plan = plan
        self.layout = plan.layout
        self.given = inputs
        self.now = inputs.mono_ns
        self.events: list[Event] = []
        self.inputs = list(state.inputs)
        self.stages = list(state.stages)
        self.adopted = list(state.adopted)
        self.outputs = list(state.outputs)
        self.run_ns = list(state.run_ns)
        self.transformers = list(state.transformers)
        self.alarms = list(state.alarms)
        self.alarm_count = state.alarm_count
        self.substitutes = state.substitutes
        self.seen: list[out.Seen] = []
        self.thermals: list[_Thermals] = []
        self.insufficient = [False] * len(state.transformers)
        self.thermal = state.thermal
        self.estimate: track.Estimate | None = state.estimate
        self.conditions: list[bool | None] = [False] * len(state.alarms)
        self.details: dict[int, str] = {}
        self.suppressed: set[int] = set()
        self.deciding = False

    def run(self) -> tuple[State, Outcome]:
        started_ns = self.old.started_ns if self.old.started_ns >= 0 else self.now
        if self.old.seen_hash and self.given.settings_hash != self.old.seen_hash:
            self.tell("reload", "station", f"new settings {self.given.settings_hash[:12]} in force")
        grace_over = self.now - started_ns >= ns(self.plan.settings.station.start_grace_s)
        self.deciding = deciding = self.old.deciding or self.given.polled or grace_over
        self.judge_inputs()
        self.prove()
        self.estimate_temperatures()
        self.look_at_outputs()
        for command in self.given.commands:
            self.obey(command)
        if deciding:
            if not self.old.deciding:
                how = "every device was polled" if self.given.polled else "start grace is over: all run"
                self.tell("start", "station", f"deciding from now on: {how}")
            for t in self.layout.transformers:
                self.call_stages(t, starting=not self.given.polled and not self.old.deciding)
            self.raise_alarms()  # before that nothing has been read, which is no loss
        energise = self.energise(deciding)
        values = self.values(deciding) if self.plan.tell_values else {}
        new = State(
            self.now,
            self.old.sequence + 1,
            self.plan.settings_hash,
            self.layout,
            started_ns,
            # A start without a complete poll stays "all run" until every device was polled.
            self.old.deciding or self.given.polled,
            tuple(self.inputs),
            tuple(self.stages),
            tuple(self.adopted),
            tuple(self.outputs),
            tuple(self.run_ns),
            tuple(self.transformers),
            tuple(self.alarms),
            self.alarm_count,
            self.substitutes,
            self.devices_down,
            self.thermal,
            self.estimate,
            self.given.settings_hash,
            self.settled_oil(),
        )
        return new, Outcome(Decision(new.sequence, self.now, energise), values, tuple(self.events))

    def tell(self, kind: str, subject: str, text: str, **data: float | int | str | bool | None) -> None:
        self.events.append(Event(self.now, kind, subject, text, data))

    # --- inputs -------------------------------------------------------------------------------

    def judge_inputs(self) -> None:
        readings, devices, now = self.given.readings, self.given.devices, self.now
        self.devices_down = self.old.devices_down
        down = {d: self.devices_down.get(d, now) for d, why in devices.items() if why}
        if down != self.devices_down:
            self.devices_down = down
        self.faults: list[li.Fault | None] = []
        for plan, old in zip(self.layout.inputs, self.inputs, strict=True):
            reading = readings.get(plan.id)
            self.faults.append(li.examine(plan.rules, old, reading, now, devices.get(plan.device, "")))
        for t in self.layout.transformers:
            self.compare(t)
        for i, plan in enumerate(self.layout.inputs):
            old = self.inputs[i]
            new = li.settle(plan.rules, old, readings.get(plan.id), self.faults[i], now)
            if new is old:
                continue
            self.inputs[i] = new
            if new.lost and (not old.lost or old.lost_ns < 0) and plan.id in readings and self.deciding:
                self.tell("quality", plan.id, f"{plan.id} is lost: {new.reason}", cause=new.cause.value)
            elif old.lost and not new.lost and old.lost_ns >= 0:
                self.tell("quality", plan.id, f"{plan.id} counts again", value=new.value)
        if self.substitutes and any(s.until_ns <= now for s in self.substitutes):
            for s in self.substitutes:
                if s.until_ns <= now:
                    self.tell("command", s.id, f"substituted value of {s.id} has run out")
            self.substitutes = tuple(s for s in self.substitutes if s.until_ns > now)

    def raw(self, i: int | None) -> float | None:
        """A reading's value if nothing is wrong with it by itself, counted or not."""
        if i is None or self.faults[i] is not None:
            return None
        return self.given.readings[self.layout.inputs[i].id].value

    def counted(self, i: int | None) -> float | None:
        """An input's value if it counts. One that failed a moment ago still does."""
        if i is None or self.inputs[i].lost:
            return None
        return self.inputs[i].value

    def compare(self, t: TransformerPlan) -> None:
        """Plausibility between inputs: phases, duplicate probes, ambient above oil, frozen oil."""
        ts = self.transformers[t.index]
        rules = t.settings.lost_inputs
        oil_i, second_i, ambient_i = (t.inputs.get(k) for k in ("top_oil_c", "top_oil_2_c", "ambient_c"))
        oil, second, ambient = self.raw(oil_i), self.raw(second_i), self.raw(ambient_i)
        changes: dict[str, Any] = {}

        rated = self.plan.model.rated_current_a
        loads: list[float | None] = []
        for w in t.windings:
            amps = self.raw(w.current)
            loads.append(None if amps is None else amps / float(rated[ts.mode, w.place]))
        low = any(load is not None and load < rules.phase_zero_pu for load in loads)
        if low or max(ts.phase_ns, default=-1) >= 0:
            phase_ns = list(ts.phase_ns)
            for k, w in enumerate(t.windings):
                others = [
                    other
                    for j, other in enumerate(loads)
                    if j != k and other is not None and t.windings[j].settings.kind == w.settings.kind
                ]
                odd = li.phase_missing(loads[k], others, rules.phase_zero_pu, rules.phase_others_pu)
                phase_ns[k] = (phase_ns[k] if phase_ns[k] >= 0 else self.now) if odd else -1
                if odd and w.current is not None and self.now - phase_ns[k] >= ns(li.DISAGREE_S):
                    reason = f"near zero while the others carry at least {min(others):.2f} pu"
                    self.faults[w.current] = li.Fault(li.Cause.PHASE, reason)
            changes["phase_ns"] = tuple(phase_ns)

        if second_i is not None:
            apart = (
                abs(oil - second) > t.settings.top_oil.max_difference_k
                if oil is not None and second is not None
                else None
            )
            disagree_ns, agree_ns, disagree = ts.disagree_ns, ts.agree_ns, ts.disagree
            if apart is not None:
                disagree_ns = (disagree_ns if disagree_ns >= 0 else self.now) if apart else -1
                agree_ns = -1 if apart else (agree_ns if agree_ns >= 0 else self.now)
                if apart and self.now - disagree_ns >= ns(li.DISAGREE_S):
                    disagree = True
                elif not apart and self.now - agree_ns >= ns(self.plan.settings.station.return_after_s):
                    disagree = False
            else:
                disagree = False
            changes |= {"disagree_ns": disagree_ns, "agree_ns": agree_ns, "disagree": disagree}

        if ambient is not None and oil is not None and ambient_i is not None:
            loaded = any(load is not None and load > li.AMBIENT_CHECK_PU for load in loads)
            above = loaded and ambient - oil > rules.ambient_above_oil_k
            ambient_ns = (ts.ambient_ns if ts.ambient_ns >= 0 else self.now) if above else -1
            if above and self.now - ambient_ns >= ns(li.AMBIENT_ABOVE_OIL_S):
                reason = f"{ambient:.1f} degC stands above top oil {oil:.1f} degC under load"
                self.faults[ambient_i] = li.Fault(li.Cause.AMBIENT, reason)
            changes["ambient_ns"] = ambient_ns

        if oil_i is not None and oil is not None:
            count = self.layout.inputs[oil_i].count
            watch = li.watch_frozen(ts.frozen, oil, self.expected_oil(t), count, self.now)
            fault = li.frozen(watch, rules.frozen_expected_k, ns(rules.frozen_after_min * 60.0), self.now)
            if fault is not None:
                self.faults[oil_i] = fault
            changes["frozen"] = watch

        if any(getattr(ts, name) != value for name, value in changes.items()):
            self.transformers[t.index] = replace(ts, **changes)

    def expected_oil(self, t: TransformerPlan) -> float | None:
        """The model's oil of the last step, if it stands on good inputs and has settled."""
        ambient = t.inputs.get("ambient_c")
        if ambient is None or self.inputs[ambient].lost or not self.old.expected:
            return None
        return self.old.expected[t.index]

    def settled_oil(self) -> tuple[float | None, ...]:
        e = self.estimate
        assert e is not None
        return tuple(
            _finite(oil) if on and not unsettled else None
            for oil, on, unsettled in zip(
                e.expected_oil_c.tolist(), e.started.tolist(), e.start_questionable.tolist(), strict=True
            )
        )

    def substitute(self, measurement: str) -> float | None:
        for s in self.substitutes:
            if s.id == measurement:
                return s.value
        return None

    # --- running and mode ---------------------------------------------------------------------

    def prove(self) -> None:
        """Feedback against call; run hours; the cooling mode in force."""
        elapsed = self.now - self.old.mono_ns if self.old.mono_ns >= 0 else 0
        for t in self.layout.transformers:
            running: list[bool] = []
            for s in t.stages:
                was = self.stages[s.index]
                if elapsed and was.proof in (Proof.RUNNING, Proof.BY_HAND):
                    self.run_ns[s.index] += elapsed
                wired = s.feedback is not None
                if self.plan.assume_running_as_called and self.unread(s.feedback):
                    feedback: bool | None = was.call in ON
                else:
                    value = self.counted(s.feedback)
                    feedback = None if value is None else value >= 0.5
                now = stages.next_proof(was, feedback, wired, s.timing, self.now)
                if now.proof is not was.proof:
                    self.stages[s.index] = now
                    self.tell("stage", s.id, f"{s.id}: {now.proof.value}", was=was.proof.value)
                running.append(now.proof in (Proof.RUNNING, Proof.BY_HAND))
            proven = proven_stages(running, [s.needs for s in t.stages])
            mode, ok = mode_in_force(t.modes, proven)
            ts = self.transformers[t.index]
            if mode != ts.mode or ok is not ts.mode_ok:
                self.transformers[t.index] = replace(ts, mode=mode, mode_ok=ok)
                if mode != ts.mode:
                    ids = [m.id for m in t.settings.modes]
                    self.tell("mode", t.id, f"{t.id}: cooling mode {ids[mode]} in force", was=ids[ts.mode])
            ts = self.transformers[t.index]
            if ok is not (ts.pumps_lost_ns < 0):
                self.transformers[t.index] = replace(ts, pumps_lost_ns=-1 if ok else self.now)

    def unread(self, i: int | None) -> bool:
        """Nothing of this input arrives at all: not wired, or not in the trace."""
        return i is None or self.layout.inputs[i].id not in self.given.readings

    def contact(self, i: int | None, otherwise: bool) -> bool:
        """A status contact; `otherwise` while it is not wired or cannot be read."""
        value = self.counted(i)
        return otherwise if value is None else value >= 0.5

    # --- temperatures -------------------------------------------------------------------------

    def estimate_temperatures(self) -> None:
        model, now = self.plan.model, self.now
        n_t, n_w = len(self.layout.transformers), len(self.layout.windings)
        oil = np.full(n_t, np.nan)
        oil_ns = np.zeros(n_t, np.int64)
        ambient = np.full(n_t, np.nan)
        ambient_ns = np.zeros(n_t, np.int64)
        current = np.full(n_w, np.nan)
        current_ns = np.zeros(n_w, np.int64)
        put_in = np.zeros(n_w, np.bool_)
        estimated = np.zeros(n_t, np.bool_)
        energised = np.ones(n_t, np.bool_)
        tap = np.full(n_t, np.nan)
        for t in self.layout.transformers:
            th = _Thermals()
            self.thermals.append(th)
            oil[t.index], oil_ns[t.index], estimated[t.index] = self.oil_sample(t, th)
            th.ambient_lost, ambient[t.index], ambient_ns[t.index] = self.ambient_sample(t)
            self.current_samples(t, th, current, current_ns, put_in)
            energised[t.index] = th.energised = self.energised(t)
            position = self.counted(t.inputs.get("tap_position"))
            if position is not None:
                tap[t.index] = position
        if model.derived:
            current, current_ns = track.derived_currents(model, current, current_ns)
        rated_scale, loss_scale = (None, None) if np.isnan(tap).all() else track.tap_factors(model, tap)
        sample = track.Sample(
            t_ns=now,
            oil_c=oil,
            oil_ns=oil_ns,
            ambient_c=ambient,
            ambient_ns=ambient_ns,
            current_a=current,
            current_ns=current_ns,
            mode=np.array([ts.mode for ts in self.transformers], np.int64),
            energised=energised,
            oil_substituted=estimated,
            current_substituted=put_in,
            rated_scale=rated_scale,
            loss_scale=loss_scale,
            returning=self.on_the_way_back(current, current_ns, put_in, ambient, estimated),
        )
        thermal = self.thermal if self.thermal is not None else track.initial(model, now - 1)
        self.thermal, self.estimate = track.advance(model, thermal, sample)
        for t in self.layout.transformers:
            self.conclude(t, self.thermals[t.index], self.estimate)

    def on_the_way_back(
        self, current: Any, current_ns: Any, put_in: Any, ambient: Any, estimated: Any
    ) -> tuple[tuple[int, float, int], ...]:
        """Good samples of inputs that do not count yet: the model draws its lines through them later."""
        if not any(state.good_ns >= 0 for state in self.inputs):
            return ()
        model = self.plan.model
        n_w, n_t = len(model.windings), len(model.transformers)
        amps, times = np.where(put_in, np.nan, current), current_ns.copy()
        found: list[tuple[int, float, int]] = []
        for t in self.layout.transformers:
            at = t.index
            places: list[tuple[int | None, int, bool]] = [
                (t.inputs.get("ambient_c"), n_w + at, bool(np.isnan(ambient[at]))),
                (t.inputs.get("top_oil_c"), n_w + n_t + at, bool(estimated[at])),
                *((w.current, w.place, bool(put_in[w.place])) for w in t.windings),
            ]
            for i, place, wanted in places:
                state = None if i is None else self.inputs[i]
                if state is None or not wanted or state.good_ns < 0 or state.value is None:
                    continue
                if place < n_w:
                    amps[place], times[place] = state.value, state.value_ns
                else:
                    found.append((place, state.value, state.value_ns))
        amps, times = track.derived_currents(model, amps, times)
        found += [(int(k), float(amps[k]), int(times[k])) for k in np.flatnonzero(put_in & ~np.isnan(amps))]
        return tuple(found)

    def oil_sample(self, t: TransformerPlan, th: _Thermals) -> tuple[float, int, bool]:
        """(value or NaN, its time, estimate stands in) for the model; quality and loss for control."""
        ts = self.transformers[t.index]
        probes = [i for i in (t.inputs.get("top_oil_c"), t.inputs.get("top_oil_2_c")) if i is not None]
        good = [self.inputs[i] for i in probes if not self.inputs[i].lost]
        if not good:
            th.oil_lost = True
            reason = self.inputs[probes[0]].reason
            th.lost = f"{t.id}.top_oil_c is lost: {reason}"
            value, at_ns, quality = None, self.now, _ESTIMATED
        else:
            value, at_ns, quality = good[0].value, good[0].value_ns, good[0].quality
            if ts.disagree and len(good) == 2 and value is not None and good[1].value is not None:
                # Nobody knows which is right: the higher one counts, and everything runs.
                value, quality = max(value, good[1].value), quality | _DISAGREE
                first, second = good[0].value, good[1].value
                th.oil_lost = True
                th.lost = f"{t.id}: the top-oil probes disagree, {first:.1f} and {second:.1f} degC"
        by_hand = self.substitute(f"{t.id}.top_oil_c")
        if by_hand is not None and (value is None or by_hand > value):
            value, at_ns, quality = by_hand, self.now, _ESTIMATED
        if th.oil_lost and ts.oil_lost_ns < 0:
            self.transformers[t.index] = replace(ts, oil_lost_ns=self.now)
        elif not th.oil_lost and ts.oil_lost_ns >= 0:
            self.transformers[t.index] = replace(ts, oil_lost_ns=-1)
        th.oil, th.oil_quality = value, quality
        if value is None:
            # Not read yet is not lost: the model must not start from an estimate meanwhile.
            stands_in = self.deciding or self.inputs[probes[0]].value is not None
            return float("nan"), at_ns, stands_in
        return value, at_ns, False

    def ambient_sample(self, t: TransformerPlan) -> tuple[bool, float, int]:
        i = t.inputs.get("ambient_c")
        by_hand = self.substitute(f"{t.id}.ambient_c")
        value = self.counted(i)
        if by_hand is not None and (value is None or by_hand > value):
            return value is None, by_hand, self.now
        if value is None or i is None:
            return True, float("nan"), 0
        return False, value, self.inputs[i].value_ns

    def energised(self, t: TransformerPlan) -> bool:
        """De-energised only if the contact says so and no current is measured."""
        if self.contact(t.inputs.get("energised"), True):
            return True
        zero = t.settings.lost_inputs.phase_zero_pu
        ts = self.transformers[t.index]
        return any(load is not None and load >= zero for load in ts.last_load)

    def current_samples(
        self, t: TransformerPlan, th: _Thermals, current: Any, current_ns: Any, put_in: Any
    ) -> None:
        """Measured currents; what is lost is assumed from the neighbours, at least rated under load."""
        ts = self.transformers[t.index]
        rated = self.plan.model.rated_current_a
        loads: list[float | None] = []
        for w in t.windings:
            amps = self.counted(w.current)
            loads.append(None if amps is None else amps / float(rated[ts.mode, w.place]))
        last = tuple(
            now if now is not None else before for now, before in zip(loads, ts.last_load, strict=True)
        )
        if last != ts.last_load:
            self.transformers[t.index] = replace(ts, last_load=last)
        qualities: dict[int, Quality] = {}
        for k, w in enumerate(t.windings):
            if w.derived_from:
                continue
            load = loads[k]
            if load is not None and w.current is not None:
                reading = self.inputs[w.current]
                current[w.place], current_ns[w.place] = reading.value, reading.value_ns
                qualities[w.place] = reading.quality
            elif self.deciding or last[k] is not None:
                others = [
                    x
                    for j, x in enumerate(loads)
                    if j != k and x is not None and t.windings[j].settings.kind == w.settings.kind
                ]
                carry = t.settings.lost_inputs.phase_zero_pu
                assumed = li.substitute_load(last[k], others, carry)
                current[w.place] = assumed * float(rated[ts.mode, w.place])
                current_ns[w.place] = self.now
                put_in[w.place] = True
                qualities[w.place] = _ESTIMATED
            else:  # not read yet: the model must not start from an assumed load
                qualities[w.place] = _NOT_STARTED
            if load is None and w.current is not None and not th.lost:
                th.lost = f"{w.id}.current_a is lost: {self.inputs[w.current].reason}"
            by_hand = self.substitute(f"{w.id}.current_a")
            if by_hand is not None and by_hand > current[w.place]:
                current[w.place], current_ns[w.place], put_in[w.place] = by_hand, self.now, True
                qualities[w.place] = _ESTIMATED
        for w in t.windings:
            if w.derived_from:
                quality = GOOD
                for source in w.derived_from:
                    quality = quality | qualities.get(source, _NOT_STARTED)
                    put_in[w.place] = put_in[w.place] or put_in[source]
                qualities[w.place] = quality
        th.current_quality = [qualities[w.place] for w in t.windings]

    def conclude(self, t: TransformerPlan, th: _Thermals, e: track.Estimate) -> None:
        """Values and qualities of this transformer's temperatures; peaks; alarm temperature."""
        i, ts = t.index, self.transformers[t.index]
        limits = t.settings.alarms
        if th.oil is None:  # the estimate stands in for the sensor
            th.oil = _finite(e.oil_c[i])
            too_long = self.now - ts.oil_lost_ns > ns(t.settings.lost_inputs.estimate_max_h * 3600.0)
            if th.oil is None:
                th.oil_quality = _NOT_STARTED
            elif too_long or (th.ambient_lost and self.substitute(f"{t.id}.ambient_c") is None):
                th.oil_quality = th.oil_quality | invalid(Detail.INACCURATE)
        # A measured oil is as good as its reading; what follows is about the gradients on top of it.
        base = th.oil_quality
        if not ts.mode_ok:
            base = base | invalid(Detail.INCONSISTENT)
        if e.start_questionable[i] or e.bridged[i]:
            base = base | _STARTED
        th.winding_quality = [base | q for q in th.current_quality]
        hot: list[tuple[float, Quality]] = []
        load: float | None = None
        load_quality = GOOD
        for k, w in enumerate(t.windings):
            value = _finite(e.hot_spot_c[w.place])
            if value is None:
                th.winding_quality[k] = _NOT_STARTED
            else:
                hot.append((value, th.winding_quality[k]))
            pu = _finite(e.load_pu[w.place])
            load_quality = load_quality | th.current_quality[k]
            if pu is not None and (load is None or pu > load):
                load = pu
        if hot:
            th.hot_spot = max(v for v, _ in hot)
            worst = hot[0][1]
            for _, q in hot[1:]:
                worst = worst | q
            th.hot_spot_quality = worst
        th.load, th.load_quality = load, load_quality if load is not None else _NOT_STARTED
        if not th.lost and (
            th.hot_spot is None or th.hot_spot_quality.is_invalid or len(hot) < len(t.windings)
        ):
            th.lost = (
                f"{t.id} has no valid hot spot: no cooling mode is proven running"
                if not ts.mode_ok
                else f"{t.id} has no valid hot spot yet"
            )
        band = limits.deadband_k if ts.at_alarm else 0.0
        th.alarm_temperature = bool(
            (th.hot_spot is not None and th.hot_spot >= limits.hot_spot_high_c - band)
            or (th.oil is not None and th.oil >= limits.top_oil_high_c - band)
        )
        doubted = tuple(was or not q.is_good for was, q in zip(ts.doubted, th.winding_quality, strict=True))
        hot_spot = _peak(ts.hot_spot, th.hot_spot, th.hot_spot_quality, self.now)
        top_oil = _peak(ts.top_oil, th.oil, th.oil_quality, self.now)
        top_load = _peak(ts.load, th.load, th.load_quality, self.now)
        if (
            th.alarm_temperature is not ts.at_alarm
            or doubted != ts.doubted
            or hot_spot is not ts.hot_spot
            or top_oil is not ts.top_oil
            or top_load is not ts.load
        ):
            self.transformers[i] = replace(
                self.transformers[i],
                at_alarm=th.alarm_temperature,
                doubted=doubted,
                hot_spot=hot_spot,
                top_oil=top_oil,
                load=top_load,
            )

    # --- outputs ------------------------------------------------------------------------------

    def look_at_outputs(self) -> None:
        settle = ns(max(out.SETTLE_S, 3 * self.plan.settings.station.cycle_s))
        for s in self.layout.stages:
            state, seen = out.look(
                self.outputs[s.index], self.given.relays.get(s.id), self.now, s.module_timeout, settle
            )
            self.outputs[s.index] = state
            self.seen.append(seen)

    def energise(self, deciding: bool) -> dict[str, bool]:
        """Output id -> coil. A cooling relay is energised to hold its stage off."""
        if not deciding:
            return {}
        coils: dict[str, bool] = {}
        for s in self.layout.stages:
            wanted = self.stages[s.index].call not in ON
            coils[s.id] = wanted
            self.outputs[s.index] = out.decided(self.outputs[s.index], wanted, self.now)
        for t in self.layout.transformers:
            contacts, active = t.settings.contacts, self.active
            if t.settings.trip.enabled and t.settings.trip.relay is not None:
                coils[f"{t.id}.trip"] = active(t.alarms["trip"])
            for name in ("hot_spot_high", "hot_spot_high_high", "top_oil_high"):
                if getattr(contacts, name) is not None:
                    coils[f"{t.id}.contact.{name}"] = active(t.alarms[name])
            if contacts.cooling_failure is not None:
                failed = (
                    active(t.alarms["cooling_insufficient"])
                    or active(t.alarms["pumps_lost"])
                    or active(t.alarms["ac_supply_lost"])
                    or any(active(s.alarms["no_feedback"]) for s in t.stages)
                )
                coils[f"{t.id}.contact.cooling_failure"] = not failed
            if contacts.device_fault is not None:
                # Fed by a completed step and nothing else: it drops out when the steps stop.
                coils[f"{t.id}.contact.device_fault"] = True
        return coils

    def active(self, alarm: int) -> bool:
        return self.alarms[alarm].active

    # --- stages -------------------------------------------------------------------------------

    def limits_of(self, t: TransformerPlan, k: int) -> tuple[Limits, Limits]:
        role = t.stages[self.transformers[t.index].roles[k]].settings
        return role.pickup, role.dropout

    def call_stages(self, t: TransformerPlan, starting: bool) -> None:
        """Every stage of a transformer, one cycle on."""
        th = self.thermals[t.index]
        self.rotate_duty(t)
        self.block_cold_oil(t, th)
        n = len(t.stages)
        facts: list[Facts] = []
        for k, s in enumerate(t.stages):
            self.adopt(s)
            self.exercise(t, th, s)
            facts.append(self.facts(t, th, s, k, starting))
        # Who is wanted on its own account, who fails, who may stand in.
        wanted, failed, free = [], [], []
        for k, s in enumerate(t.stages):
            stage = self.stages[s.index]
            runs = stage.proof in (Proof.RUNNING, Proof.BY_HAND)
            able = self.contact(s.contacts.get("selector_auto"), True) and self.contact(
                s.contacts.get("breaker_closed"), True
            )
            f = facts[k]
            own = bool(f.release) or f.above or (stage.own and stage.call in ON and not f.below)
            if own is not stage.own:
                self.stages[s.index] = replace(stage, own=own)
            wanted.append(own and not f.block)
            failed.append(not runs and (not able or stage.proof is Proof.UNPROVEN))
            free.append(not f.block and stage.hold_until_ns < 0)
        spares, self.insufficient[t.index] = stages.spares(wanted, failed, free, range(n))
        for k in t.order:
            s = t.stages[k]
            stage = self.stages[s.index]
            support = 0
            if k in spares:
                support = REASON["spare for a stage that is not proven"]
            elif any(
                other.needs == k and self.stages[other.index].call in (*ON, Call.QUEUED) for other in t.stages
            ):
                support = REASON["pump for its fans"]
            elif stage.exercise_until_ns > self.now:
                support = REASON["exercise"]
            now_facts = replace(facts[k], support=support, queue_ns=self.transformers[t.index].next_start_ns)
            self.move_stage(t, th, s, k, now_facts)

    def move_stage(self, t: TransformerPlan, th: _Thermals, s: StagePlan, k: int, facts: Facts) -> None:
        was = self.stages[s.index]
        new = stages.next_call(was, facts, s.timing, self.now)
        if facts.lost and new.call in ON:
            new = replace(new, trusted_ns=self.now + s.timing.return_hold)
        why = self.why(new, facts)
        if why != new.why:
            new = replace(new, why=why)
        if new is was:
            return
        self.stages[s.index] = new
        if new.call is was.call:
            return
        if new.call is Call.CALLED and was.call is not Call.RELEASED:
            self.transformers[t.index] = replace(
                self.transformers[t.index], next_start_ns=self.now + s.timing.stagger
            )
        pickup, dropout = self.limits_of(t, k)
        reason = next(word for word, i in REASON.items() if i == why)
        because = ""
        if why == REASON["released: input lost"]:
            because = th.lost
        elif new.call is Call.OFF and was.call is Call.CALLED:
            because = "all below dropout"
        elif why == REASON["automatic"]:
            because = _criterion(th, pickup)
        elif why == REASON["released: alarm temperature"]:
            at = t.settings.alarms
            because = _criterion(th, Limits(hot_spot_c=at.hot_spot_high_c, top_oil_c=at.top_oil_high_c))
        because = f" ({because})" if because else ""
        self.tell(
            "stage",
            s.id,
            f"{s.id}: {new.call.value}, {reason}{because}",
            was=was.call.value,
            call=new.call.value,
            rule=reason,
            top_oil_c=th.oil,
            hot_spot_c=th.hot_spot,
            load_pu=th.load,
            pickup_top_oil_c=pickup.top_oil_c,
            pickup_hot_spot_c=pickup.hot_spot_c,
            pickup_load_pu=pickup.load_pu,
            dropout_top_oil_c=dropout.top_oil_c,
            dropout_hot_spot_c=dropout.hot_spot_c,
            dropout_load_pu=dropout.load_pu,
            lost=th.lost,
            inputs_quality=str(th.hot_spot_quality),
        )

    def why(self, stage: StageState, facts: Facts) -> int:
        """Index into CALL_REASONS."""
        if stage.call is Call.BLOCKED:
            return facts.block
        if stage.call is Call.RELEASED:
            return facts.release
        if stage.call is not Call.CALLED or facts.above or stage.own:
            return REASON["automatic"]
        if facts.support:
            return facts.support
        if not facts.below:
            return REASON["automatic"]
        if self.now < stage.trusted_ns:
            return REASON["released: return not yet trusted"]
        return REASON["minimum run"]

    def adopt(self, s: StagePlan) -> None:
        """Take over what the relay does, once: a restart must not stop and start motors."""
        if self.adopted[s.index]:
            return
        self.adopted[s.index] = True
        relay = self.given.relays.get(s.id)
        was = self.stages[s.index]
        if relay is None:  # no read-back in this run (a trace): goes on as it was
            if was.at_rest_ns < 0 and was.call not in ON:
                self.stages[s.index] = replace(was, at_rest_ns=self.now)
            return
        if relay.energised and relay.link_ok:
            if was.call in ON:
                was = replace(was, call=Call.OFF, off_ns=self.now, at_rest_ns=self.now)
            elif was.at_rest_ns < 0:
                was = replace(was, at_rest_ns=self.now)
            self.outputs[s.index] = replace(self.outputs[s.index], read=True)
        elif was.call not in ON:
            # It was let go meanwhile, which is a release; unknown counts as running.
            known = self.old.sequence > 0 and self.outputs[s.index].wanted is True
            was = stages.started(was, s.timing, self.now, lost=known)
            trusted_ns = self.now + s.timing.return_hold if known else -1
            was = replace(was, call=Call.CALLED, trusted_ns=trusted_ns)
        self.stages[s.index] = was
        how = "held off" if was.call not in ON else "released"
        self.tell("stage", s.id, f"{s.id}: adopted as {how}")

    def facts(self, t: TransformerPlan, th: _Thermals, s: StagePlan, k: int, starting: bool) -> Facts:
        stage = self.stages[s.index]
        pickup, dropout = self.limits_of(t, k)
        above = (
            _reaches(th.oil, pickup.top_oil_c)
            or _reaches(th.hot_spot, pickup.hot_spot_c)
            or _reaches(th.load, pickup.load_pu)
            or k in t.modes[0]  # without these there is no cooling mode at all: they always run
        )
        below = (
            not th.lost
            and not above
            and _under(th.oil, pickup.top_oil_c, dropout.top_oil_c)
            and _under(th.hot_spot, pickup.hot_spot_c, dropout.hot_spot_c)
            and _under(th.load, pickup.load_pu, dropout.load_pu)
        )
        seen = self.seen[s.index]
        release, lost = 0, False
        if th.alarm_temperature:
            release = REASON["released: alarm temperature"]
        if th.lost:
            release, lost = release or REASON["released: input lost"], True
        if seen.released or (seen.trouble is out.Trouble.LINK):
            release, lost = release or REASON["released: output module lost"], True
        if starting:
            release = release or REASON["starting"]
        if stage.flapped:
            release = release or REASON["released: flapping"]
        hold = stage.hold_until_ns >= 0
        if hold and (release or self.now >= stage.hold_until_ns):
            word = next(w for w, i in REASON.items() if i == release) if release else "its time is over"
            self.tell("command", s.id, f"{s.id}: hold-off by hand ends: {word}", rule=word)
            self.stages[s.index] = stage = replace(stage, hold_until_ns=-1)
            hold = False
        if stage.force_until_ns >= 0:
            if self.now < stage.force_until_ns:
                release = release or REASON["forced on"]
            else:
                self.stages[s.index] = stage = replace(stage, force_until_ns=-1)
                self.tell("command", s.id, f"{s.id}: force-on ends, its time is over")
        block = 0
        if self.contact(s.contacts.get("interlock"), False):
            block = REASON["interlocked"]
        elif self.transformers[t.index].cold[k]:
            block = REASON["cold-oil block"]
        elif hold:
            block = REASON["held off by hand"]
        return Facts(block, release, lost, above, below)

    def block_cold_oil(self, t: TransformerPlan, th: _Thermals) -> None:
        """Pumps stay off in cold oil, if it is *measured* to be cold. Must also be hard-wired."""
        ts = self.transformers[t.index]
        measured = None if th.oil_lost or th.oil_quality.is_substituted else th.oil
        cold = tuple(
            measured is not None
            and s.settings.cold_oil_block_c is not None
            and measured < s.settings.cold_oil_block_c + (COLD_OIL_BAND_K if ts.cold[k] else 0.0)
            for k, s in enumerate(t.stages)
        )
        if cold != ts.cold:
            self.transformers[t.index] = replace(ts, cold=cold)

    def exercise(self, t: TransformerPlan, th: _Thermals, s: StagePlan) -> None:
        every_h = s.settings.exercise_every_h
        stage = self.stages[s.index]
        if every_h is None or stage.at_rest_ns < 0 or stage.exercise_until_ns > self.now:
            return
        if self.now - stage.at_rest_ns >= every_h * HOUR_NS and stage.call is Call.OFF:
            until_ns = self.now + ns(s.settings.exercise_s)
            self.stages[s.index] = replace(stage, exercise_until_ns=until_ns)
            self.tell("stage", s.id, f"{s.id}: exercise after {every_h:g} h at rest")

    def rotate_duty(self, t: TransformerPlan) -> None:
        """Stages alike exchange their limits by run hours, only while the whole group is at rest."""
        ts = self.transformers[t.index]
        roles = ts.roles
        for group in t.groups:
            if all(self.stages[t.stages[k].index].call is Call.OFF for k in group):
                roles = stages.rotate(group, [self.run_ns[s.index] for s in t.stages], roles)
        if roles != ts.roles:
            self.transformers[t.index] = replace(ts, roles=roles)
            first = ", ".join(f"{s.id} takes {t.stages[roles[k]].id}" for k, s in enumerate(t.stages))
            self.tell("stage", t.id, f"duty rotation by run hours: {first}")

    # --- commands -----------------------------------------------------------------------------

    def obey(self, command: Command) -> None:
        """An operator's command: done or refused, and told either way."""
        refusal = _COMMANDS[command.kind](self, command) if command.kind in _COMMANDS else "no such command"
        done = "refused: " + refusal if refusal else "done"
        self.tell(
            "command",
            command.target,
            f"{command.kind} {command.target} by {command.who} ({command.how}): {done}",
            id=command.id,
            command=command.kind,
            who=command.who,
            how=command.how,
            minutes=command.minutes,
            value=command.value,
            accepted=not refusal,
        )

    def stage_named(self, target: str) -> StagePlan | None:
        return next((s for s in self.layout.stages if s.id == target), None)

    def transformer_of(self, s: StagePlan) -> TransformerPlan:
        return next(t for t in self.layout.transformers if s in t.stages)

    def force_on(self, c: Command) -> str:
        s = self.stage_named(c.target)
        if s is None:
            return f"no stage {c.target}"
        if c.minutes is not None and not 0 < c.minutes < 1e6:
            return "minutes must be above 0 (leave them out to run until `automatic`)"
        until_ns = NEVER if c.minutes is None else self.now + ns(c.minutes * 60.0)
        self.stages[s.index] = replace(self.stages[s.index], force_until_ns=until_ns, hold_until_ns=-1)
        return ""

    def hold_off(self, c: Command) -> str:
        s = self.stage_named(c.target)
        if s is None:
            return f"no stage {c.target}"
        longest = self.plan.settings.station.hold_off_max_min
        if c.how != "local":
            return "hold-off is possible only at the station itself"
        if c.minutes is None or not 0 < c.minutes <= longest:
            return f"give minutes, above 0 and at most {longest:g}"
        th = self.thermals[self.transformer_of(s).index]
        if th.alarm_temperature:
            return "at alarm temperature no stage may be held off"
        if th.lost:
            return f"not while an input does not count: {th.lost}"
        if self.stages[s.index].flapped:
            return "released for flapping: acknowledge that first"
        self.stages[s.index] = replace(
            self.stages[s.index], hold_until_ns=self.now + ns(c.minutes * 60.0), force_until_ns=-1
        )
        return ""

    def automatic(self, c: Command) -> str:
        s = self.stage_named(c.target)
        if s is None:
            return f"no stage {c.target}"
        self.stages[s.index] = replace(self.stages[s.index], hold_until_ns=-1, force_until_ns=-1)
        return ""

    def acknowledge_flapping(self, c: Command) -> str:
        s = self.stage_named(c.target)
        if s is None:
            return f"no stage {c.target}"
        if not self.stages[s.index].flapped:
            return "it is not released for flapping"
        self.stages[s.index] = replace(self.stages[s.index], flapped=False, releases=())
        return ""

    def alarms_named(self, target: str) -> list[int]:
        if target == "all":
            return list(range(len(self.alarms)))
        i = self.layout.alarm_index.get(target)
        return [] if i is None else [i]

    def acknowledge(self, c: Command) -> str:
        found = self.alarms_named(c.target)
        for i in found:
            self.alarms[i] = al.move(self.alarms[i], al.AlarmEvent.ACKNOWLEDGE)
        return "" if found else f"no alarm {c.target}"

    def shelve(self, c: Command) -> str:
        i = self.layout.alarm_index.get(c.target)
        if i is None:
            return f"no alarm {c.target}"
        if not self.layout.alarms[i].kind.shelvable:
            return "this alarm cannot be shelved"
        if c.minutes is None or not 0 < c.minutes <= SHELVE_MAX_MIN:
            return f"give minutes, above 0 and at most {SHELVE_MAX_MIN:g}"
        moved = al.move(self.alarms[i], al.AlarmEvent.SHELVE)
        if moved.status is not al.AlarmStatus.SHELVED:
            return f"it is {moved.status.word}"
        self.alarms[i] = replace(moved, until_ns=self.now + ns(c.minutes * 60.0))
        return ""

    def unshelve(self, c: Command) -> str:
        return self.resume_alarm(c, al.AlarmStatus.SHELVED)

    def out_of_service(self, c: Command) -> str:
        i = self.layout.alarm_index.get(c.target)
        if i is None:
            return f"no alarm {c.target}"
        if not self.layout.alarms[i].kind.shelvable:
            return "this alarm cannot be taken out of service"
        self.alarms[i] = al.move(self.alarms[i], al.AlarmEvent.REMOVE)
        return ""

    def in_service(self, c: Command) -> str:
        return self.resume_alarm(c, al.AlarmStatus.OUT_OF_SERVICE)

    def resume_alarm(self, c: Command, status: al.AlarmStatus) -> str:
        i = self.layout.alarm_index.get(c.target)
        if i is None:
            return f"no alarm {c.target}"
        if self.alarms[i].status is not status:
            return f"it is not {status.word}"
        self.alarms[i] = al.resume(self.alarms[i])
        return ""

    def reset_peaks(self, c: Command) -> str:
        t = next((t for t in self.layout.transformers if t.id == c.target), None)
        if t is None:
            return f"no transformer {c.target}"
        ts = self.transformers[t.index]
        self.tell(
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
        self.transformers[t.index] = replace(ts, hot_spot=Peak(), top_oil=Peak(), load=Peak())
        return ""

    def substitute_by_hand(self, c: Command) -> str:
        i = self.layout.input_index.get(c.target)
        if i is None or self.layout.inputs[i].kind not in ("temperature", "current"):
            return f"no temperature or current {c.target}"
        if c.value is None or not isfinite(c.value):
            return "give a value"
        if c.minutes is None or not 0 < c.minutes <= SUBSTITUTE_MAX_MIN:
            return f"give minutes, above 0 and at most {SUBSTITUTE_MAX_MIN:g}"
        rest = tuple(s for s in self.substitutes if s.id != c.target)
        until_ns = self.now + ns(c.minutes * 60.0)
        self.substitutes = (*rest, Substitute(c.target, float(c.value), until_ns))
        return ""

    def end_substitute(self, c: Command) -> str:
        rest = tuple(s for s in self.substitutes if s.id != c.target)
        if len(rest) == len(self.substitutes):
            return f"{c.target} is not substituted"
        self.substitutes = rest
        return ""

    # --- alarms -------------------------------------------------------------------------------

    def raise_alarms(self) -> None:
        self.station_conditions()
        for t in self.layout.transformers:
            self.transformer_conditions(t)
            for s in t.stages:
                self.stage_conditions(t, s)
        for i, plan in enumerate(self.layout.alarms):
            was, condition, hidden = self.alarms[i], self.conditions[i], i in self.suppressed
            before = self.old.alarms[i]
            if was is before is al.QUIET and not condition and not hidden:
                continue
            new = al.follow(was, condition, self.now, plan.on_delay, plan.off_delay, plan.kind.latch, hidden)
            if new.active and not was.active:
                self.alarm_count += 1
                detail = self.details.get(i, "")
                text = f"{plan.subject}: {plan.kind.what}{f' ({detail})' if detail else ''}"
                text += f"; {plan.kind.did}. To do: {plan.kind.action}."
                new = replace(new, order=self.alarm_count, text=text)
            if new == before:
                continue
            self.alarms[i] = new
            if new.active and not was.active:
                self.tell(
                    "alarm",
                    plan.id,
                    new.text,
                    state=new.status.word,
                    active=True,
                    priority=plan.kind.priority,
                    order=new.order,
                    detail=self.details.get(i, ""),
                )
            elif new.active is not was.active or new.status is not before.status:
                over = "" if new.active else ", condition is over"
                self.tell(
                    "alarm",
                    plan.id,
                    f"{plan.id}: {new.status.word}{over}",
                    state=new.status.word,
                    active=new.active,
                    priority=plan.kind.priority,
                    was=before.status.word,
                )

    def condition(self, alarm: int, true: bool | None, detail: str = "") -> None:
        self.conditions[alarm] = true
        if true and detail:
            self.details[alarm] = detail

    def station_conditions(self) -> None:
        health, at = self.given.health, self.layout.station_alarms
        self.condition(at["record_failed"], not health.record_ok, health.record_reason)
        self.condition(at["broker_lost"], not health.broker_ok, health.broker_reason)
        stepped = health.clock_stepped_s != 0.0
        if stepped:
            self.tell(
                "clock",
                "station",
                f"the wall clock stepped by {health.clock_stepped_s:+.1f} s",
                step_s=health.clock_stepped_s,
            )
        detail = f"stepped by {health.clock_stepped_s:+.1f} s" if stepped else "not trusted"
        self.condition(at["clock_stepped"], stepped or not health.clock_trusted, detail)
        self.condition(at["settings_refused"], bool(health.settings_refused), health.settings_refused)
        stale = ns(self.plan.settings.station.stale_after_s)
        for device, alarm in self.layout.devices.items():
            if alarm is None:
                continue
            behind = [i for i in self.layout.inputs_of[device] if self.gone(i)]
            silent_ns = self.devices_down.get(device)
            silent = silent_ns is not None and self.now - silent_ns >= stale
            modules = any(
                s.module == device and self.seen[s.index].trouble is out.Trouble.LINK
                for s in self.layout.stages
            )
            if behind or silent or modules:
                why = self.given.devices.get(device, "") or next((self.inputs[i].reason for i in behind), "")
                self.condition(alarm, True, why)

    def gone(self, i: int) -> bool:
        """Lost because its device is silent, and this run does read it."""
        state = self.inputs[i]
        return state.lost and state.cause is li.Cause.LINK and self.layout.inputs[i].id in self.given.readings

    def lost_condition(self, alarm: int, i: int | None, true: bool, detail: str) -> None:
        """A measurement-lost alarm; the alarm of a silent device stands for all that is behind it."""
        self.condition(alarm, true, detail)
        if true and i is not None and self.gone(i):
            device = self.layout.devices.get(self.layout.inputs[i].device)
            if device is not None and self.conditions[device] and self.visible(device):
                self.suppressed.add(alarm)

    def visible(self, alarm: int) -> bool:
        """Not put aside by an operator: only then may it stand for others."""
        return self.alarms[alarm].status not in (al.AlarmStatus.SHELVED, al.AlarmStatus.OUT_OF_SERVICE)

    def transformer_conditions(self, t: TransformerPlan) -> None:
        th, ts, a, limits = self.thermals[t.index], self.transformers[t.index], t.alarms, t.settings.alarms
        for name, value, limit in (
            ("hot_spot_high", th.hot_spot, limits.hot_spot_high_c),
            ("hot_spot_high_high", th.hot_spot, limits.hot_spot_high_high_c),
            ("top_oil_high", th.oil, limits.top_oil_high_c),
            ("top_oil_high_high", th.oil, limits.top_oil_high_high_c),
        ):
            beyond = _beyond(value, limit, limits.deadband_k)
            if beyond and value is not None:
                self.condition(a[name], True, f"{value:.1f} degC, limit {limit:g} degC")
            else:
                self.conditions[a[name]] = beyond
        first, second = t.inputs.get("top_oil_c"), t.inputs.get("top_oil_2_c")
        if th.oil_lost:
            self.lost_condition(a["top_oil_lost"], None if ts.disagree else first, True, th.lost)
        if first is not None and second is not None and not th.oil_lost:
            for i in (first, second):
                if self.inputs[i].lost:
                    detail = f"{self.layout.inputs[i].id}: {self.inputs[i].reason}"
                    self.lost_condition(a["top_oil_redundancy_lost"], i, True, detail)
        ambient = t.inputs.get("ambient_c")
        if ambient is not None and self.inputs[ambient].lost:
            self.lost_condition(a["ambient_lost"], ambient, True, self.inputs[ambient].reason)
        for w in t.windings:
            if w.current is not None and self.inputs[w.current].lost:
                self.lost_condition(w.current_lost, w.current, True, self.inputs[w.current].reason)
        no_estimate = th.hot_spot is None or th.hot_spot_quality.is_invalid
        self.condition(a["estimate_lost"], no_estimate, th.lost)
        # The oil of a lost sensor is suppressed by nothing: pumps lost is the cause, not the estimate.
        countdown_min = limits.countdown_all_pumps_lost_min
        if not ts.mode_ok:
            passed_min = (self.now - ts.pumps_lost_ns) / (60 * NS) if ts.pumps_lost_ns >= 0 else 0.0
            detail = f"the maker allows {countdown_min:g} min, {passed_min:.0f} min have passed"
            self.condition(a["pumps_lost"], True, detail)
            self.suppressed.add(a["estimate_lost"])
        comparable = not th.oil_lost and not th.ambient_lost and th.oil_quality.is_good
        if self.estimate is not None and comparable and not self.estimate.start_questionable[t.index]:
            hotter = _finite(self.estimate.effectiveness_k[t.index])
            beyond = _beyond(hotter, limits.effectiveness_k, limits.effectiveness_k * 0.25)
            self.condition(a["effectiveness_low"], beyond, f"{hotter or 0.0:.1f} K above the expected oil")
        else:
            self.conditions[a["effectiveness_low"]] = None
        self.condition(
            a["cooling_insufficient"],
            self.insufficient[t.index],
            ", ".join(
                f"{s.id} {self.stages[s.index].proof.value}"
                for s in t.stages
                if self.stages[s.index].proof not in (Proof.RUNNING, Proof.BY_HAND)
            )
            if self.insufficient[t.index]
            else "",
        )
        ac, phases = (self.contact(t.inputs.get(k), True) for k in ("ac_supply_healthy", "phase_sequence_ok"))
        self.condition(a["ac_supply_lost"], not ac or not phases, "" if not ac else "wrong phase sequence")
        self.condition(
            a["control_supply_lost"], not self.contact(t.inputs.get("control_supply_healthy"), True)
        )
        for name in ("ac_supply_healthy", "phase_sequence_ok", "control_supply_healthy", "energised"):
            wired = t.inputs.get(name)
            if wired is not None and self.inputs[wired].lost and not self.unread(wired):
                detail = f"{self.layout.inputs[wired].id}: {self.inputs[wired].reason}"
                self.lost_condition(a["contact_lost"], wired, True, detail)
        if t.settings.trip.enabled:
            self.trip_condition(t)

    def trip_condition(self, t: TransformerPlan) -> None:
        ts, limits = self.transformers[t.index], t.settings.trip

        def pleads(i: int | None, limit: float) -> bool:
            if i is None or self.inputs[i].lost:
                return False
            return trip.evidence(self.inputs[i].value, self.inputs[i].quality, limit)

        th = self.thermals[t.index]
        calculated = any(
            trip.evidence(_finite(self.estimate.hot_spot_c[w.place]), q, limits.hot_spot_c)
            for w, q in zip(t.windings, th.winding_quality, strict=True)
            if self.estimate is not None
        )
        met = trip.criteria(
            pleads(t.inputs.get("top_oil_c"), limits.top_oil_c) and not th.oil_lost,
            calculated and not th.oil_lost,
            pleads(t.inputs.get("top_oil_2_c"), limits.top_oil_c) and not th.oil_lost,
            [pleads(w.fibre, limits.hot_spot_c) for w in t.windings],
        )
        trip_ns = (ts.trip_ns if ts.trip_ns >= 0 else self.now) if met else -1
        if trip_ns != ts.trip_ns:
            self.transformers[t.index] = replace(ts, trip_ns=trip_ns)
        due = met and self.now - trip_ns >= ns(limits.delay_s)
        self.condition(
            t.alarms["trip"], due, f"hot spot {th.hot_spot or 0:.1f}, top oil {th.oil or 0:.1f} degC"
        )

    def stage_conditions(self, t: TransformerPlan, s: StagePlan) -> None:
        stage, seen, a = self.stages[s.index], self.seen[s.index], s.alarms
        faults: list[str] = []
        if not self.contact(s.contacts.get("selector_auto"), True):
            manual = self.contact(s.contacts.get("selector_manual"), False)
            faults.append("selector in Manual" if manual else "selector not in Auto")
        if not self.contact(s.contacts.get("breaker_closed"), True):
            faults.append("motor breaker open")
        if self.contact(s.contacts.get("interlock"), False):
            faults.append("stop interlock active")
        if faults:
            self.condition(a["not_available"], True, ", ".join(faults))
        feedback_lost = (
            s.feedback is not None and self.inputs[s.feedback].lost and not self.unread(s.feedback)
        )
        if stage.proof is Proof.UNPROVEN and not feedback_lost:
            self.condition(a["no_feedback"], True, f"no feedback within {s.settings.feedback_delay_s:g} s")
            if faults:
                self.suppressed.add(a["no_feedback"])
        if seen.trouble is not out.Trouble.NONE:
            self.condition(a["output_fault"], True, seen.reason)
            link = self.layout.devices.get(s.module)
            behind = seen.trouble is out.Trouble.LINK and link is not None and self.conditions[link]
            if behind and link is not None and self.visible(link):
                self.suppressed.add(a["output_fault"])
        if stage.flapped:
            per_h = s.timing.max_releases_per_h
            self.condition(a["flapping"], True, f"more than {per_h} releases within an hour")
        wired = [i for i in (s.feedback, *s.contacts.values()) if i is not None]
        for i in wired:
            if self.inputs[i].lost and not self.unread(i):
                detail = f"{self.layout.inputs[i].id}: {self.inputs[i].reason}"
                self.lost_condition(a["input_lost"], i, True, detail)

    # --- values -------------------------------------------------------------------------------

    def values(self, deciding: bool) -> dict[str, Value]:
        """The value of every point of the catalogue."""
        v: dict[str, Value] = {}
        health = self.given.health
        v["station.decision_sequence"] = Value(self.old.sequence + 1, GOOD)
        v["station.clock_trusted"] = _BOOL[health.clock_trusted]
        v["station.record_ok"] = _BOOL[health.record_ok]
        v["station.broker_ok"] = _BOOL[health.broker_ok]
        for plan, state in zip(self.layout.inputs, self.inputs, strict=True):
            value: float | int | bool | None = state.value
            if state.lost or value is None:
                v[plan.id] = Value(None, state.quality if state.lost else _NOT_STARTED)
            elif plan.kind == "contact":
                v[plan.id] = Value(value >= 0.5, state.quality)
            elif plan.kind == "count":
                v[plan.id] = Value(int(value), state.quality)
            else:
                v[plan.id] = Value(value, state.quality)
        for t in self.layout.transformers:
            self.transformer_values(t, v)
            for s in t.stages:
                self.stage_values(s, v, deciding)
        for plan_a, alarm in zip(self.layout.alarms, self.alarms, strict=True):
            v[plan_a.id] = _ALARM_VALUES[alarm.status]
        for device, number in self.layout.devices.items():
            if number is not None:
                v[f"device.{device}.link_ok"] = _BOOL[device not in self.devices_down]
        return v

    def transformer_values(self, t: TransformerPlan, v: dict[str, Value]) -> None:
        e, th, ts, i = self.estimate, self.thermals[t.index], self.transformers[t.index], t.index
        assert e is not None
        assert self.thermal is not None
        p = t.id
        v[f"{p}.top_oil_c"] = Value(th.oil, th.oil_quality) if th.oil is not None else _NO_VALUE
        v[f"{p}.hot_spot_c"] = _value(th.hot_spot, th.hot_spot_quality)
        hottest = next((w for w in t.windings if w.place == int(e.hottest[i])), t.windings[0])
        v[f"{p}.hottest_winding"] = _value(
            hottest.settings.number if th.hot_spot is not None else None, th.hot_spot_quality
        )
        mode = t.settings.modes[ts.mode]
        unproven = any(self.stages[s.index].proof in (Proof.STARTING, Proof.UNPROVEN) for s in t.stages)
        v[f"{p}.mode"] = Value(mode.number, (_UNPROVEN if unproven else GOOD) if ts.mode_ok else _NOT_STARTED)
        expectation = th.load_quality
        if th.ambient_lost:
            expectation = expectation | invalid(Detail.OLD_DATA)
        if e.start_questionable[i]:
            expectation = expectation | _STARTED
        v[f"{p}.expected_oil_c"] = _value(_finite(e.expected_oil_c[i]), expectation)
        effectiveness = expectation | th.oil_quality
        if th.oil_lost:
            effectiveness = effectiveness | invalid(Detail.INCONSISTENT)
        v[f"{p}.effectiveness_k"] = _value(_finite(e.effectiveness_k[i]), effectiveness)
        v[f"{p}.load_pu"] = _value(th.load, th.load_quality)
        v[f"{p}.unmonitored_h"] = Value(float(self.thermal.unmonitored_s[i]) / 3600.0, GOOD)
        v[f"{p}.bubbling_margin_k"] = self.bubbling_margin(t, th)
        for name, peak in (("hot_spot_c", ts.hot_spot), ("top_oil_c", ts.top_oil), ("load_pu", ts.load)):
            v[f"{p}.peak_{name}"] = _NO_VALUE if peak.value is None else Value(peak.value, GOOD)
        for k, w in enumerate(t.windings):
            self.winding_values(t, w, k, e, v)

    def bubbling_margin(self, t: TransformerPlan, th: _Thermals) -> Value:
        """Only mineral oil has a published bubble inception temperature."""
        if th.hot_spot is None or t.settings.liquid != "mineral_oil":
            return _NO_VALUE
        margin = bubbling_margin_k(th.hot_spot, t.settings.moisture_percent)
        return _value(_finite(margin), th.hot_spot_quality)

    def winding_values(
        self, t: TransformerPlan, w: WindingPlan, k: int, e: track.Estimate, v: dict[str, Value]
    ) -> None:
        th, i, p = self.thermals[t.index], w.place, w.id
        load_q, hot_q = th.current_quality[k], th.winding_quality[k]
        load = _finite(e.load_pu[i])
        if load is not None and (w.current is None or self.inputs[w.current].lost):
            ts = self.transformers[t.index]
            amps = load * float(self.plan.model.rated_current_a[ts.mode, i])
            v[f"{p}.current_a"] = _value(amps, load_q)
        elif w.current is None:
            v[f"{p}.current_a"] = _NO_VALUE
        v[f"{p}.load_pu"] = _value(load, load_q)
        v[f"{p}.hot_spot_c"] = _value(_finite(e.hot_spot_c[i]), hot_q)
        v[f"{p}.hot_spot_uncertainty_k"] = _value(_finite(e.uncertainty_k[i]), hot_q)
        v[f"{p}.ageing_rate"] = _value(_finite(e.ageing_rate[i]), hot_q)
        v[f"{p}.gradient_k"] = _value(_finite(e.gradient_k[i]), load_q)
        life_q = _STARTED if self.transformers[t.index].doubted[k] else GOOD
        low, best, high = (float(x) for x in e.loss_of_life_h[:, i])
        v[f"{p}.loss_of_life_h"] = Value(best, life_q)
        v[f"{p}.loss_of_life_low_h"] = Value(low, life_q)
        v[f"{p}.loss_of_life_high_h"] = Value(high, life_q)
        v[f"{p}.loss_of_life_percent"] = Value(100.0 * best / t.settings.normal_life_h, life_q)
        v[f"{p}.equivalent_ageing_day"] = _value(_finite(e.equivalent_day[i]), hot_q)
        v[f"{p}.equivalent_ageing_month"] = _value(_finite(e.equivalent_month[i]), hot_q)
        v[f"{p}.equivalent_ageing_total"] = _value(_finite(e.equivalent_total[i]), hot_q)

    def stage_values(self, s: StagePlan, v: dict[str, Value], deciding: bool) -> None:
        stage, p = self.stages[s.index], s.id
        if deciding:
            v[f"{p}.called"] = _BOOL[stage.call in ON]
            v[f"{p}.reason"] = _REASON_VALUES[stage.why]
        else:  # nothing decided yet: what the relay does, if that is known
            relay = self.given.relays.get(p)
            called = not relay.energised if relay is not None and relay.energised is not None else None
            v[f"{p}.called"] = _NO_VALUE if called is None else Value(called, _UNPROVEN)
            v[f"{p}.reason"] = _REASON_VALUES[REASON["starting"]]
        running = stage.proof in (Proof.RUNNING, Proof.BY_HAND)
        assumed = self.plan.assume_running_as_called and self.unread(s.feedback)
        known = assumed or self.counted(s.feedback) is not None
        v[f"{p}.running"] = Value(running, GOOD if known and not assumed else _UNPROVEN)
        v[f"{p}.run_hours"] = Value(self.run_ns[s.index] / HOUR_NS, GOOD)
        v[f"{p}.starts"] = Value(stage.start_count, GOOD)


_COMMANDS: Mapping[str, Any] = {
    "force_on": _Cycle.force_on,
    "hold_off": _Cycle.hold_off,
    "automatic": _Cycle.automatic,
    "acknowledge": _Cycle.acknowledge,
    "shelve": _Cycle.shelve,
    "unshelve": _Cycle.unshelve,
    "out_of_service": _Cycle.out_of_service,
    "in_service": _Cycle.in_service,
    "acknowledge_flapping": _Cycle.acknowledge_flapping,
    "reset_peaks": _Cycle.reset_peaks,
    "substitute": _Cycle.substitute_by_hand,
    "end_substitute": _Cycle.end_substitute,
}


def _finite(value: Any) -> float | None:
    number = float(value)
    return number if isfinite(number) else None


def _value(value: float | int | None, quality: Quality) -> Value:
    if value is None:
        return _NO_VALUE
    return Value(value, quality)


def _reaches(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and value >= limit


def _criterion(th: _Thermals, limits: Limits) -> str:
    """Which criterion is above its limit, in words."""
    reached = [
        f"{name} {value:.{digits}f} {unit}, limit {limit:g}"
        for name, value, limit, digits, unit in (
            ("hot spot", th.hot_spot, limits.hot_spot_c, 1, "degC"),
            ("top oil", th.oil, limits.top_oil_c, 1, "degC"),
            ("load", th.load, limits.load_pu, 2, "pu"),
        )
        if value is not None and limit is not None and value >= limit
    ]
    return "; ".join(reached)


def _under(value: float | None, pickup: float | None, dropout: float | None) -> bool:
    """Below dropout; a criterion without one is judged by its pickup, an unused one does not count."""
    limit = dropout if dropout is not None else pickup
    return limit is None or (value is not None and value < limit)


def _beyond(value: float | None, limit: float, band: float) -> bool | None:
    """True above the limit, False below its deadband, None between (or unknown: stays as it is)."""
    if value is None:
        return None
    return True if value >= limit else (False if value < limit - band else None)


def _peak(peak: Peak, value: float | None, quality: Quality, now: int) -> Peak:
    if value is None or quality.is_invalid or quality.is_substituted:
        return peak
    return Peak(value, now) if peak.value is None or value > peak.value else peak
