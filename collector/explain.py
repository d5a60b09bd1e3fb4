"""Why a stage, alarm, mode or value was as it was, in plain sentences, from a record.

The journal is replayed up to the time asked about; what is told stands in the step's own state. Where the
journal has gone the events tell what they kept. No rule is decided here, and nothing is written.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from collector import engine
from collector.control import alarms as al
from collector.control import stall
from collector.control.layout import NS, AlarmPlan, StagePlan, TransformerPlan
from collector.control.modes import proven_stages
from collector.control.stages import HOUR_NS, NEVER, ON, Call, Proof, StageState
from collector.messages import Value
from collector.points import CALL_REASONS, Declared
from collector.quality import Quality
from collector.record.reader import Record, StoredEvent
from collector.replay import journal
from collector.replay.journal import JournalError, Replayed, Tally

#: A last step so long before the time asked about is said to be old [ns].
_OLD_NS = 60 * 10**9
#: So many snapshots back a step is looked for.
_TRIED = 4


class ExplainError(Exception):
    """It cannot be explained; the text says why and what would be right."""


def explain(record: Record, subject: str, at_ns: int | None = None) -> list[str]:
    """Sentences about `subject` at `at_ns` (wall time [ns]; None: the last recorded step).

    subject: a stage ("T1.stage2"), an alarm ("T1.alarm_top_oil_high"), a cooling mode ("T1.mode"), or any
    other point or measurement, of which the quality is explained. ExplainError: nothing is known of it.
    """
    try:
        last, differ = _last_step(record, at_ns)
    except JournalError as missing:
        return _from_events(record, subject, at_ns, str(missing))
    told = _Told(record, last)
    lines = told.about(subject)
    if differ:
        lines.insert(
            0,
            f"The replay differs from the record in {differ} places (`windingd replay --journal` lists them; "
            "another version of windingd?): what follows need not be what was decided on then.",
        )
    if at_ns is not None and at_ns - last.recorded.wall_ns > _OLD_NS:
        lines.insert(0, f"No step is recorded at {journal.utc(at_ns)}; this is the last one before it.")
    return lines


def _last_step(record: Record, at_ns: int | None) -> tuple[Replayed, int]:
    """The last step up to a time, from the snapshot before it, and how often the replay differs up to it."""
    end = None if at_ns is None else at_ns + 1
    last, why = None, None
    before = [s for s in record.snapshots() if end is None or s.wall_ns < end]
    for snapshot in [*reversed(before[-_TRIED:])]:  # the newest may have been taken after the last step
        tally = Tally()
        try:
            for last in journal.replay(record, tally, None, end, snapshot):  # noqa: B007
                pass
        except JournalError as error:
            why = error
        if last is not None:
            return last, tally.differ
    when = "" if at_ns is None else f" at or before {journal.utc(at_ns)}"
    raise why or JournalError(f"{record.path}: no journal{when}")


# --- from the state ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Criterion:
    """One criterion of a stage: value now, pickup and dropout; None: unknown or not used."""

    name: str
    value: float | None
    quality: Quality
    pickup: float | None
    dropout: float | None
    unit: str
    digits: int

    def number(self, x: float | None) -> str:
        return "unknown" if x is None else f"{x:.{self.digits}f} {self.unit}"

    @property
    def above(self) -> bool:
        return self.value is not None and self.pickup is not None and self.value >= self.pickup

    @property
    def below(self) -> bool:
        limit = self.dropout if self.dropout is not None else self.pickup
        return limit is None or (self.value is not None and self.value < limit)


class _Told:
    """Everything known at one step, and the sentences made of it."""

    def __init__(self, record: Record, last: Replayed) -> None:
        self.record = record
        self.state, self.plan = last.state, last.plan
        self.layout = last.plan.layout
        self.values = last.outcome.values
        self.inputs = last.recorded.inputs
        self.now = self.inputs.mono_ns
        self.wall_ns = last.recorded.wall_ns

    # --- words ---

    def at(self, mono_ns: int) -> str:
        """Wall time of a monotonic time, without the date if it is the day of this step."""
        text = journal.utc(self.wall_ns + mono_ns - self.now)
        return text[11:19] + "Z" if text[:10] == journal.utc(self.wall_ns)[:10] else text[:19] + "Z"

    def time(self) -> str:
        return journal.utc(self.wall_ns)[:19] + "Z"

    def number(self, point: str, unit: str = "°C", digits: int = 1) -> str:
        value = self.values.get(point)
        if value is None or not isinstance(value.value, int | float):
            return "unknown"
        doubt = "" if value.quality.is_good else f" ({value.quality})"
        return f"{value.value:.{digits}f} {unit}{doubt}"

    def event_of(self, subject: str, kinds: Iterable[str]) -> StoredEvent | None:
        """The last event about a subject up to this step."""
        return next(
            (
                e
                for e in self.record.events_about(subject, self.wall_ns + 1)
                if e.kind in kinds and (e.kind != "stage" or "call" in e.data)
            ),
            None,
        )

    # --- what is it about ---

    def about(self, subject: str) -> list[str]:
        for t in self.layout.transformers:
            for k, s in enumerate(t.stages):
                if subject in (s.id, f"{s.id}.called", f"{s.id}.reason", f"{s.id}.running"):
                    return self.stage(t, s, k)
            if subject in (t.id, f"{t.id}.mode"):
                return self.mode(t)
        if subject in self.layout.alarm_index:
            i = self.layout.alarm_index[subject]
            return self.alarm(self.layout.alarms[i], self.state.alarms[i])
        if subject in self.layout.input_index:
            return self.measurement(self.layout.input_index[subject])
        if subject in self.values:
            return self.derived(subject, self.values[subject])
        known = [s.id for s in self.layout.stages] + list(self.layout.alarm_index) + list(self.values)
        raise ExplainError(unknown(subject, [t.id for t in self.layout.transformers] + known))

    # --- stages ---

    def criteria(self, t: TransformerPlan, k: int) -> list[_Criterion]:
        role = t.stages[self.state.transformers[t.index].roles[k]].settings
        found = []
        for name, point, key, unit, digits in (
            ("top oil", "top_oil_c", "top_oil_c", "°C", 1),
            ("hot spot", "hot_spot_c", "hot_spot_c", "°C", 1),
            ("load", "load_pu", "load_pu", "pu", 2),
        ):
            pickup, dropout = getattr(role.pickup, key), getattr(role.dropout, key)
            if pickup is None and dropout is None:
                continue
            value = self.values[f"{t.id}.{point}"]
            number = float(value.value) if isinstance(value.value, int | float) else None
            found.append(_Criterion(name, number, value.quality, pickup, dropout, unit, digits))
        return found

    def stage(self, t: TransformerPlan, s: StagePlan, k: int) -> list[str]:
        stage = self.state.stages[s.index]
        criteria = self.criteria(t, k)
        word = CALL_REASONS[stage.why]
        called = stage.call in ON
        name = f" ({s.settings.name})" if s.settings.name else ""
        lines = [
            f"{s.id}{name} at {self.time()}: "
            + (
                "called, its relay is released so that it runs"
                if called
                else "held off, its relay is energised"
            )
            + f"{self.since(s, stage)}."
        ]
        lines.append(f"Rule: {word}. " + self.rule(t, s, k, stage, criteria))
        lines.append(f"Values: {self.values_of(criteria)}.")
        if not all(c.quality.is_good for c in criteria):
            lines += self.doubts(t, told=word == "released: input lost")
        if (role := self.state.transformers[t.index].roles[k]) != k:
            lines.append(f"By duty rotation it works to the limits of {t.stages[role].id}.")
        lines.append(self.proof(s, stage, called))
        lines.append("What would change it: " + self.change(t, s, stage, criteria))
        event = self.event_of(s.id, ("stage",))
        if event is not None:
            lines.append(f"Last change, {journal.utc(event.wall_ns)[:19]}Z: {_sentence(event)}")
        return lines

    def since(self, s: StagePlan, stage: StageState) -> str:
        """Since when its relay has been as it is."""
        since = max(stage.starts, default=-1) if stage.call in ON else max(stage.off_ns, stage.at_rest_ns)
        return f", since {self.at(since)}" if since >= 0 else ""

    @staticmethod
    def values_of(criteria: Sequence[_Criterion]) -> str:
        told = []
        for c in criteria:
            doubt = "" if c.quality.is_good else f", quality {c.quality}"
            told.append(
                f"{c.name} {c.number(c.value)}{doubt} (pickup {_limit(c, c.pickup)}, "
                f"dropout {_limit(c, c.dropout)})"
            )
        return "; ".join(told) or "it has no temperature or load criterion"

    def rule(
        self, t: TransformerPlan, s: StagePlan, k: int, stage: StageState, criteria: Sequence[_Criterion]
    ) -> str:
        above = [c for c in criteria if c.above]
        reached = " and ".join(
            f"{c.name} {c.number(c.value)} has reached its pickup of {c.number(c.pickup)}" for c in above
        )
        if stage.call is Call.DELAY:
            delay = f"the pickup delay of {s.settings.pickup_delay_s:g} s runs"
            return f"{reached[:1].upper()}{reached[1:]}; {delay}."
        if stage.call is Call.QUEUED:
            return (
                "Its start is due but waits its turn, so that motors do not start together or without rest."
            )
        word = CALL_REASONS[stage.why]
        if word == "automatic" and stage.call is Call.OFF:
            return "No criterion has reached its pickup."
        if word == "automatic":
            if above:
                return f"{reached[:1].upper()}{reached[1:]}."
            if k in t.modes[0]:
                return "The weakest cooling mode needs it, so it always runs."
            held = " and ".join(
                f"{c.name} {c.number(c.value)} is not below its dropout of {_limit(c, c.dropout or c.pickup)}"
                for c in criteria
                if not c.below
            )
            return f"It was called before and {held or 'is still called on its own account'}."
        return self.other_rule(t, s, stage, word)

    def other_rule(self, t: TransformerPlan, s: StagePlan, stage: StageState, word: str) -> str:
        ts = self.state.transformers[t.index]
        if word == "forced on":
            until = (
                "until `automatic`"
                if stage.force_until_ns >= NEVER
                else f"until {self.at(stage.force_until_ns)}"
            )
            return f"An operator forced it on, {until}.{self.who(s.id)}"
        if word == "held off by hand":
            return f"An operator holds it off until {self.at(stage.hold_until_ns)}.{self.who(s.id)}"
        if word == "interlocked":
            return (
                "Its stop interlock (fire, deluge or protection) is active; no other stage stands in for it."
            )
        if word == "cold-oil block":
            block = s.settings.cold_oil_block_c or 0.0
            return (
                f"The measured top oil of {self.number(f'{t.id}.top_oil_c')} is cold: pumps stay off below "
                f"{block:g} °C, until it has risen to {block + engine.COLD_OIL_BAND_K:g} °C."
            )
        if word == "released: input lost":
            return f"{self.lost(t)}. Without valid inputs every stage of {t.id} runs."
        if word == "released: alarm temperature":
            return f"{self.hot(t)}. At alarm temperature every stage of {t.id} runs at once."
        if word == "released: flapping":
            count = sum(1 for r in stage.releases if self.now - r < HOUR_NS)
            return (
                f"It was released by lost inputs or its module more than {s.timing.max_releases_per_h} times "
                f"within an hour ({count} in the last one), so it stays released until acknowledged."
            )
        if word == "starting":
            return "windingd has just started and not every device has been polled: all run."
        if word == "spare for a stage that is not proven":
            failed = [
                f"{o.id} ({self.state.stages[o.index].proof.value})"
                for o in t.stages
                if o is not s and self.state.stages[o.index].own
                and self.state.stages[o.index].proof not in (Proof.RUNNING, Proof.BY_HAND)
            ]  # fmt: skip
            others = ", ".join(failed) or "a called stage"
            return f"It stands in for {others}, which is called but not proven running."
        if word == "pump for its fans":
            fans = [o.id for o in t.stages if o.needs is not None and t.stages[o.needs] is s]
            on = [f for f in fans if self.values[f"{f}.called"].value]
            return f"{', '.join(on or fans)} needs this pump to cool."
        if word == "pre-cooling":
            return self.expected_load(t)
        if word == "exercise":
            return f"It is exercised until {self.at(stage.exercise_until_ns)}, after long rest."
        if word == "kept on: a reading is in doubt":
            return "A reading is in doubt, so that nothing stops: the standing alarms name it."
        if word == "minimum run":
            if self.now < stage.run_until_ns:
                until = self.at(stage.run_until_ns)
                return f"Every criterion is below dropout, but its minimum run lasts until {until}."
            count = sum(1 for x in stage.starts if self.now - x < HOUR_NS)
            return (
                f"Every criterion is below dropout, but it has started {count} times within an hour "
                f"(limit {s.timing.max_starts_per_h}), so it goes on running."
            )
        if word == "released: return not yet trusted":
            return (
                f"Every criterion is below dropout, but an input or its module came back only lately: it "
                f"runs on until that has been good for long enough, at {self.at(stage.trusted_ns)}."
            )
        if word == "released: output module lost":
            relay = self.inputs.relays.get(s.id)
            why = (
                relay.reason
                if relay is not None and relay.reason
                else "it does not answer or let go by itself"
            )
            return f"Its relay module {s.module} is not under control ({why}), so it counts as released."
        if word == "released: another output does not obey":
            transformer = s.id.partition(".")[0]
            return f"An output of {transformer} that is to be released is not, so every other stage runs."
        assert ts is not None
        if word == "released: its module has let go in a proof":
            return (
                f"Its relay module {s.module} has just been left unfed and has released it by its own "
                "timeout."
            )
        if word == "released: its module failed the proof":
            return (
                f"Its relay module {s.module} did not release by its own timeout when it was left unfed, so "
                "it holds nothing off until somebody confirms it (windingd stages --confirm-module)."
            )
        if word == "released: not read since a stall":
            old = ", ".join(stall.awaited(self.layout, self.state.inputs, t, ts.fresh_from_ns))
            return f"No decision was made for a while, or so it seems; not read since then: {old}."
        return ""

    def expected_load(self, t: TransformerPlan) -> str:
        x = self.state.transformers[t.index].expected
        text = f"A load of {x.load_pu:g} pu is expected from {self.at(x.begin_ns)} to {self.at(x.end_ns)}."
        if x.top_oil_c is not None:
            text += (
                f" Looked ahead at {self.at(x.made_ns)} with the cooling in force then, it would bring top "
                f"oil to {x.top_oil_c:.1f} °C and hot spot to {x.hot_spot_c:.1f} °C."
            )
        return text + " What it would make pick up runs until it is over."

    def who(self, stage: str) -> str:
        event = next((e for e in self.record.events_about(stage, self.wall_ns + 1) if "who" in e.data), None)
        if event is None:
            return ""
        return f" By {event.data['who']} ({event.data['how']}) at {journal.utc(event.wall_ns)[:19]}Z."

    def lost(self, t: TransformerPlan) -> str:
        """Which inputs of a transformer do not count, in words."""
        told = []
        for name in ("top_oil_c", "top_oil_2_c"):
            i = t.inputs.get(name)
            if i is not None and self.state.inputs[i].lost:
                told.append(self.lost_input(i))
        ts = self.state.transformers[t.index]
        if ts.disagree:
            one, two = (self.number(f"{t.id}.{n}") for n in ("top_oil_c", "top_oil_2_c"))
            told.append(f"The top-oil probes disagree ({one} and {two})")
        for w in t.windings:
            if w.current is not None and self.state.inputs[w.current].lost:
                told.append(self.lost_input(w.current))
        if not told and not ts.mode_ok:
            told.append("No cooling mode is proven running, so there is no valid hot spot")
        return "; ".join(told) or f"{t.id} has no valid hot spot yet"

    def lost_input(self, i: int) -> str:
        state, plan = self.state.inputs[i], self.layout.inputs[i]
        since = f", lost since {self.at(state.lost_ns)}" if state.lost_ns >= 0 else ""
        return f"{plan.id} does not count: {state.reason}{since}"

    def hot(self, t: TransformerPlan) -> str:
        limits = t.settings.alarms
        told = []
        for name, point, limit in (
            ("Hot spot", f"{t.id}.hot_spot_c", limits.hot_spot_high_c),
            ("Top oil", f"{t.id}.top_oil_c", limits.top_oil_high_c),
        ):
            value = self.values[point].value
            if isinstance(value, int | float) and value >= limit - limits.deadband_k:
                how = "above" if value >= limit else f"within the deadband of {limits.deadband_k:g} K below"
                told.append(f"{name} {self.number(point)} is {how} its high limit of {limit:g} °C")
        return "; ".join(told) or "A temperature is at its high limit"

    def proof(self, s: StagePlan, stage: StageState, called: bool) -> str:
        by_hand = "as it did before it was called" if called else "uncalled: by hand, or running down"
        words = {
            Proof.REST: "Its feedback shows it at rest.",
            Proof.STARTING: "It is called; its feedback is not due yet.",
            Proof.RUNNING: "Its feedback proves it running.",
            Proof.UNPROVEN: f"It is called but not proven running within {s.settings.feedback_delay_s:g} s.",
            Proof.BY_HAND: f"Its feedback says that it runs {by_hand}.",
        }
        if s.feedback is None and called:
            return "It has no feedback, so its running is never proven and never counts for the cooling mode."
        if s.feedback is None:
            return "It has no feedback, so whether it stands still is not known."
        faults = []
        for contact, healthy, text in (
            ("selector_auto", 1.0, "its selector is not in Auto"),
            ("breaker_closed", 1.0, "its motor breaker is open"),
            ("interlock", 0.0, "its stop interlock is active"),
        ):
            i = s.contacts.get(contact)
            if (
                i is not None
                and not self.state.inputs[i].lost
                and self.state.inputs[i].value not in (None, healthy)
            ):
                faults.append(text)
        return words[stage.proof] + (f" At the cabinet, {' and '.join(faults)}." if faults else "")

    def change(
        self, t: TransformerPlan, s: StagePlan, stage: StageState, criteria: Sequence[_Criterion]
    ) -> str:
        word = CALL_REASONS[stage.why]
        if stage.call not in ON:
            start = self.start_when(s, stage, criteria)
            if word == "held off by hand":
                return (
                    f"the hold-off ends at {self.at(stage.hold_until_ns)}, by `automatic`, at alarm "
                    f"temperature, or when an input is lost; then it goes by its limits: {start}"
                )
            if word == "interlocked":
                return f"the interlock clears; then {start}"
            if word == "cold-oil block":
                return f"the oil warms up, or its measurement is lost; then {start}"
            return start
        if self.state.transformers and t.stages.index(s) in t.modes[0]:
            return "nothing: without it there is no cooling mode (only an interlock stops it)."
        stop = self.stop_when(s, stage, criteria)
        if word == "forced on":
            return f"`automatic` or the end of its time; then {stop}"
        if word == "released: input lost":
            back = f"{self.plan.settings.station.return_after_s:g} s"
            return f"the inputs come back and stay good for {back}; then {stop}"
        if word == "released: flapping":
            return f"acknowledging the flapping (`windingd stages`); then {stop}"
        if word == "released: alarm temperature":
            limits = t.settings.alarms
            return (
                f"hot spot below {limits.hot_spot_high_c - limits.deadband_k:g} °C and top oil below "
                f"{limits.top_oil_high_c - limits.deadband_k:g} °C end the release; then {stop}"
            )
        if word == "released: output module lost":
            return f"the module {s.module} answers and follows again; then {stop}"
        if word == "released: another output does not obey":
            return f"that output is released and reads back so; then {stop}"
        if word == "spare for a stage that is not proven":
            return f"the other stage is proven running or no longer called; then {stop}"
        if word == "pump for its fans":
            return f"its fans are no longer called; then {stop}"
        if word == "pre-cooling":
            return f"the end of the expected load, or `windingd status --end-expect-load {t.id}`; then {stop}"
        if word == "starting":
            return f"every device has been polled; then {stop}"
        return stop

    def start_when(self, s: StagePlan, stage: StageState, criteria: Sequence[_Criterion]) -> str:
        conditions = " or ".join(
            f"{c.name} reaches {_limit(c, c.pickup)} (now {c.number(c.value)})"
            for c in criteria
            if c.pickup is not None
        )
        if stage.call is Call.DELAY:
            due = self.at(stage.above_ns + s.timing.pickup_delay)
            return f"it starts at {due} if the criterion stays above pickup until then."
        if stage.call is Call.QUEUED:
            earliest = max(
                stage.off_ns + s.timing.restart_inhibit if stage.off_ns >= 0 else -1, self.queue_ns(s)
            )
            return f"it starts at {self.at(max(earliest, self.now))} at the earliest."
        delay = f", after {s.settings.pickup_delay_s:g} s" if s.settings.pickup_delay_s else ""
        return (
            f"it starts when {conditions or 'it is forced on'}{delay}; "
            f"at alarm temperature, or when an input is lost, at once."
        )

    def queue_ns(self, s: StagePlan) -> int:
        t = next(t for t in self.layout.transformers if s in t.stages)
        return self.state.transformers[t.index].next_start_ns

    def stop_when(self, s: StagePlan, stage: StageState, criteria: Sequence[_Criterion]) -> str:
        conditions = " and ".join(
            f"{c.name} is below {_limit(c, c.pickup if c.dropout is None else c.dropout)} "
            f"(now {c.number(c.value)})"
            for c in criteria
        )
        earliest, why = self.earliest_stop(s, stage)
        wait = f", not before {self.at(earliest)} ({why})" if earliest > self.now else ""
        return f"it drops out when {conditions or 'nothing calls it'}{wait}."

    def earliest_stop(self, s: StagePlan, stage: StageState) -> tuple[int, str]:
        recent = sorted(x for x in stage.starts if self.now - x < HOUR_NS)
        limits = [(stage.run_until_ns, "minimum run"), (stage.trusted_ns, "return not yet trusted")]
        if len(recent) >= s.timing.max_starts_per_h:
            limits.append((recent[-s.timing.max_starts_per_h] + HOUR_NS, "starts per hour"))
        return max(limits)

    # --- alarms ---

    def alarm(self, plan: AlarmPlan, alarm: al.AlarmState) -> list[str]:
        kind = plan.kind
        active = "its condition is present" if alarm.active else "its condition is not present"
        if alarm.status is al.AlarmStatus.RETURNED:
            active = "its condition has gone, and nobody has acknowledged it yet"
        lines = [f"{plan.id} at {self.time()}: {alarm.status.word}; {active}."]
        if alarm.active and alarm.raised_ns >= 0:
            lines.append(f"Raised at {self.at(alarm.raised_ns)}: {_degrees(alarm.text)}")
        elif alarm.text:
            raised = f" at {self.at(alarm.raised_ns)}" if alarm.raised_ns >= 0 else ""
            lines.append(f"Last raised{raised}: {_degrees(alarm.text)}")
        else:
            lines.append(f"It stands for: {kind.what}. When it is raised: {kind.did}.")
        lines.append(
            f"Rule: raised when its condition has been there {_for(plan.on_delay)}, over when it has been "
            f"gone {_for(plan.off_delay)}."
        )
        if limit := self.alarm_limit(plan):
            lines.append(limit)
        if alarm.pending_ns >= 0:
            what, delay = ("raised", plan.on_delay) if not alarm.active else ("over", plan.off_delay)
            lines.append(
                f"A delay runs: it is {what} at {self.at(alarm.pending_ns + delay)} if nothing changes."
            )
        if alarm.status is al.AlarmStatus.SHELVED and alarm.until_ns >= 0:
            lines.append(f"It is shelved until {self.at(alarm.until_ns)}{self.by(plan.id)}.")
        elif alarm.status is al.AlarmStatus.SUPPRESSED:
            lines.append("It is suppressed by design: another alarm stands for the common cause.")
        elif alarm.status is al.AlarmStatus.OUT_OF_SERVICE:
            lines.append(f"It is out of service{self.by(plan.id)}.")
        lines.append(f"Priority {kind.priority}; to do: {kind.action} (within {kind.respond_min} min).")
        if alarm.status is al.AlarmStatus.RETURNED:
            lines.append(
                "What would change it: acknowledging it makes it normal, which never changes control; it is "
                "raised anew when the condition comes back."
            )
            return lines
        change = "the condition ends" if alarm.active else "the condition appears"
        latch = " and it is acknowledged: it latches" if kind.latch and alarm.active else ""
        lines.append(
            f"What would change it: {change}{latch}; acknowledging changes its state, never control."
        )
        return lines

    def by(self, subject: str) -> str:
        event = next(
            (e for e in self.record.events_about(subject, self.wall_ns + 1) if "who" in e.data), None
        )
        return "" if event is None else f", by {event.data['who']} at {journal.utc(event.wall_ns)[:19]}Z"

    def alarm_limit(self, plan: AlarmPlan) -> str:
        t = next((t for t in self.layout.transformers if t.id == plan.subject), None)
        if t is None:
            return ""
        a = t.settings.alarms
        limits = {
            "hot_spot_high": ("hot_spot_c", a.hot_spot_high_c, a.deadband_k, "°C"),
            "hot_spot_high_high": ("hot_spot_c", a.hot_spot_high_high_c, a.deadband_k, "°C"),
            "top_oil_high": ("top_oil_c", a.top_oil_high_c, a.deadband_k, "°C"),
            "top_oil_high_high": ("top_oil_c", a.top_oil_high_high_c, a.deadband_k, "°C"),
            "effectiveness_low": ("effectiveness_k", a.effectiveness_k, a.effectiveness_k * 0.25, "K"),
        }
        if plan.kind.name not in limits:
            return ""
        point, limit, band, unit = limits[plan.kind.name]
        now = self.number(f"{t.id}.{point}", unit)
        return f"Limit {limit:g} {unit} (gone below {limit - band:g} {unit}); now {now}."

    # --- cooling mode ---

    def mode(self, t: TransformerPlan) -> list[str]:
        ts = self.state.transformers[t.index]
        modes = t.settings.modes
        running = [self.state.stages[s.index].proof in (Proof.RUNNING, Proof.BY_HAND) for s in t.stages]
        proven = proven_stages(tuple(running), t.needs)
        event = self.event_of(t.id, ("mode",))
        since = f", since {journal.utc(event.wall_ns)[:19]}Z" if event is not None else ""
        mode = modes[ts.mode]
        kind = "" if mode.id == mode.cooling else f" ({mode.cooling})"
        lines = [f"{t.id} at {self.time()}: cooling mode {mode.id}{kind} in force{since}."]
        if not ts.mode_ok:
            lines = [f"{t.id} at {self.time()}: no cooling mode is proven running; the estimate is invalid."]
        lines.append("Rule: the strongest mode whose stages are all proven running by their feedback.")
        if t.stages:
            each = ", ".join(
                f"{s.settings.id} {self.state.stages[s.index].proof.value}"
                + ("" if p or not running[k] else " (but its pump is not proven)")
                for k, (s, p) in enumerate(zip(t.stages, proven, strict=True))
            )
            lines.append(f"Stages: {each}.")
        for i, needs in enumerate(t.modes):
            if i <= ts.mode and ts.mode_ok:
                continue
            missing = [t.stages[k].settings.id for k in needs if not proven[k]]
            if missing:
                verb = "is" if len(missing) == 1 else "are"
                lines.append(
                    f"{modes[i].id} is not in force because {_and(missing)} {verb} not proven running."
                )
        kept_by = " or ".join(t.stages[k].settings.id for k in t.modes[ts.mode])
        if kept_by and ts.mode_ok:
            lines.append(f"What would change it: {mode.id} ends when {kept_by} is no longer proven running.")
        elif ts.mode_ok and len(modes) > 1:
            lines.append("What would change it: the stages of another mode are proven running.")
        return lines

    # --- values and measurements ---

    def measurement(self, i: int) -> list[str]:
        state, plan = self.state.inputs[i], self.layout.inputs[i]
        point = self.values.get(plan.id)
        reading = self.inputs.readings.get(plan.id)
        declared = self.declared(plan.id)
        unit = declared.unit if declared is not None else ""
        contact = declared is not None and declared.type == "bool"
        shown = "unknown" if point is None or point.value is None else _plain(point.value, unit)
        quality = str(point.quality) if point is not None else "unknown"
        if not state.lost:
            lines = [f"{plan.id} at {self.time()}: {shown}, quality {quality}; it counts."]
        else:
            since = f" since {self.at(state.lost_ns)}" if state.lost_ns >= 0 else ""
            lines = [f"{plan.id} at {self.time()}: it does not count{since}: {state.reason}."]
            if point is not None and point.value is not None:
                lines.append(f"In its place stands {shown}, quality {quality}.")
            if state.value is not None:
                last = _plain(state.value, unit, contact)
                lines.append(f"Last plausible value {last} at {self.at(state.value_ns)}.")
        if declared is not None:
            lines.append(f"It is: {declared.meaning}.")
        if reading is not None:
            text = "no value" if reading.value is None else _plain(reading.value, unit, contact)
            why = f" ({reading.reason})" if reading.reason else ""
            source = f" from {reading.source}" if reading.source else ""
            lines.append(
                f"Read{source} at {self.at(reading.mono_ns)}: {text}, quality {reading.quality}{why}."
            )
        else:
            lines.append("Nothing is read for it in this record.")
        down = self.inputs.devices.get(plan.device)
        if down:
            lines.append(f"Device {plan.device} does not answer: {down}.")
        for sub in self.state.substitutes:
            if sub.id == plan.id:
                lines.append(
                    f"An operator put in {sub.value:g} until {self.at(sub.until_ns)}; "
                    f"it may add cooling, never take it away."
                )
        lines.append(f"Rule: {self.input_rule(i)}")
        if state.lost:
            if state.good_ns >= 0:
                back = self.at(state.good_ns + plan.rules.back)
                lines.append(f"What would change it: it is good again and counts from {back} if it stays so.")
            else:
                fit = ""
                if plan.oil_of is not None:
                    fit = " that fit its last good value moved on by the model, or what is explained; or"
                    fit += " somebody confirms it (`status --confirm-reading`)"
                lines.append(f"What would change it: good readings for {plan.rules.back / NS:g} s{fit}.")
        return lines

    def input_rule(self, i: int) -> str:
        plan = self.layout.inputs[i]
        rate = plan.rules.rate_k_per_min
        jump = f", jumps faster than {rate:.0f} K/min" if rate is not None else ""
        stale, back = (f"{x / NS:g} s" for x in (plan.rules.stale, plan.rules.back))
        return (
            f"an input is lost when its reading is invalid or older than {stale}{jump} or is implausible "
            f"beside others; it counts again after {back} of good readings."
        )

    def declared(self, point: str) -> Declared | None:
        return next((p.declared for p in self.layout.points if p.id == point), None)

    def derived(self, point: str, value: Value) -> list[str]:
        declared = self.declared(point)
        unit = declared.unit if declared is not None else ""
        shown = "no value" if value.value is None else _plain(value.value, unit)
        lines = [f"{point} at {self.time()}: {shown}, quality {value.quality}."]
        if declared is not None:
            lines.append(f"It is: {declared.meaning}. Quality rule: {declared.quality}.")
        t = next((t for t in self.layout.transformers if point.startswith(f"{t.id}.")), None)
        if t is None:
            return lines
        made_of = next((w.derived_from for w in t.windings if point == f"{w.id}.current_a"), ())
        if made_of:
            windings = [w.id for u in self.layout.transformers for w in u.windings if w.place in made_of]
            lines.append(f"No transducer measures it: it is calculated from the current of {_and(windings)}.")
        if value.quality.is_good:
            return lines
        lost = self.lost_of(t)
        lines += self.doubts(t)
        if not self.state.transformers[t.index].mode_ok:
            lines.append("No cooling mode is proven running, so there is no valid hot spot.")
        if value.quality.is_substituted and not lost:
            lines.append("A value put in by an operator or assumed by rule goes into it.")
        return lines

    def lost_of(self, t: TransformerPlan) -> list[str]:
        """Inputs of a transformer that do not count, as sentences."""
        return [
            f"{self.lost_input(i)}."
            for i in (*t.inputs.values(), *(w.current for w in t.windings if w.current is not None))
            if self.state.inputs[i].lost and self.layout.inputs[i].id in self.inputs.readings
        ]

    def doubts(self, t: TransformerPlan, told: bool = False) -> list[str]:
        """Why temperatures of a transformer may be questionable. told: the lost inputs are known already."""
        lines = [] if told else self.lost_of(t)
        thermal = self.state.thermal
        if thermal is not None and int(thermal.settled_ns[t.index]) > self.now:
            settled = self.at(int(thermal.settled_ns[t.index]))
            lines.append(
                "The model started without a usable history: hot spots are questionable until it has "
                f"settled, at {settled}."
            )
        return lines


def _limit(c: _Criterion, limit: float | None) -> str:
    return "none" if limit is None else c.number(limit)


def _for(delay_ns: int) -> str:
    return f"for {delay_ns / NS:g} s" if delay_ns else "in one step"


def _plain(value: float | int | bool | str, unit: str = "", contact: bool = False) -> str:
    if isinstance(value, bool) or contact:
        return "yes" if value else "no"
    text = str(value)
    if isinstance(value, float):  # an ageing rate of 0.004 is not 0.00
        text = f"{value:.2f}" if value == 0.0 or abs(value) >= 0.1 else f"{value:.2g}"
    return f"{text} {_degrees(unit)}".rstrip()


def _degrees(text: str) -> str:
    return text.replace("degC", "°C")


def _and(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def _sentence(event: StoredEvent) -> str:
    return f"{_degrees(event.text.rstrip('.'))}{_then(event)}."


def _then(event: StoredEvent) -> str:
    """The values an event was decided on."""
    told = []
    for name, key, unit, digits in (
        ("top oil", "top_oil_c", "°C", 1),
        ("hot spot", "hot_spot_c", "°C", 1),
        ("load", "load_pu", "pu", 2),
    ):
        value = event.data.get(key)
        if isinstance(value, int | float) and (
            event.data.get(f"pickup_{key}") is not None or event.data.get(f"dropout_{key}") is not None
        ):
            told.append(f"{name} {value:.{digits}f} {unit}")
    return f"; at that time {', '.join(told)}" if told else ""


def unknown(subject: str, known: Sequence[str]) -> str:
    close = difflib.get_close_matches(subject, known, 1, 0.4)
    hint = f"did you mean {close[0]}?" if close else f"for example {known[0]}"
    return f"{subject}: no stage, alarm, measurement or point of that name in the record ({hint})"


# --- from events, where the journal has gone ---------------------------------------------------------


def _from_events(record: Record, subject: str, at_ns: int | None, why: str) -> list[str]:
    known = [p.id for p in record.points()]
    stages = {p.rpartition(".")[0] for p in known if p.endswith(".called")}
    transformers = {p.rpartition(".")[0] for p in known if p.endswith(".mode")}
    wanted = subject.removesuffix(".mode") if subject.removesuffix(".mode") in transformers else subject
    if wanted not in stages | transformers and wanted not in known:
        raise ExplainError(unknown(subject, [*sorted(transformers), *sorted(stages), *known]))
    end = (1 << 62) if at_ns is None else at_ns + 1
    events = []
    for event in record.events_about(wanted, end):
        events.append(event)
        if "call" in event.data or len(events) == 5:
            break
    if not events:
        span = record.span()
        begins = f" (the record begins at {journal.utc(span[0])[:19]}Z)" if span is not None else ""
        raise ExplainError(f"{why}; and no event about {subject} is recorded before that time{begins}")
    when = "the newest" if at_ns is None else f"before {journal.utc(at_ns)}"
    lines = [
        f"The journal does not tell ({why}).",
        f"What the events say of {subject}, {when} first:",
    ]
    for event in events:
        lines.append(f"{journal.utc(event.wall_ns)[:19]}Z: {_sentence(event)}")
        limits = [
            f"{name} pickup {event.data.get(f'pickup_{key}')}, dropout {event.data.get(f'dropout_{key}')}"
            for name, key in (("top oil", "top_oil_c"), ("hot spot", "hot_spot_c"), ("load", "load_pu"))
            if event.data.get(f"pickup_{key}") is not None
        ]
        if limits:
            lines.append(f"Limits then: {'; '.join(limits)}. Rule: {event.data.get('rule')}.")
    return lines


__all__ = ["ExplainError", "explain"]
