"""A record's journal through the step again: every decision, value and state beside what was recorded.

Restarts and reloads inside the journal are followed. Nothing here decides anything, and nothing writes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np

from collector import engine
from collector.control.saved import packed_settings
from collector.messages import Outcome
from collector.record.boot import cpu_features
from collector.record.journal import outcome_digest
from collector.record.reader import Record, Restart, Run, Snapshot, Step
from collector.record.recorder import own_version
from collector.settings.loader import load_bytes, once_good
from collector.settings.model import Settings

#: Where numpy or the processor differ from the recording's, states are compared within this.
TOLERANCE = 1e-9
#: A snapshot's wall time is taken a moment after its step's [ns].
_MOMENT_NS = 5 * 10**9


class JournalError(Exception):
    """The journal cannot be replayed; the text says why and what would be right."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """One step again. state, outcome: of the replay. recorded: what the journal holds of it."""

    recorded: Step
    plan: engine.Plan
    state: engine.State
    outcome: Outcome


@dataclass(slots=True)
class Tally:
    """What a replay has found so far. exact: same numpy and processor features, so bits are compared.

    restores: restarts whose checkpoint was restored again, and compared with what the run began with.
    stage_changes: how often a stage was called or held off. states: snapshots compared on the way.
    differences: the first of them in words; differ: how many steps or states differ in all.
    """

    exact: bool = True
    notes: list[str] = field(default_factory=list)
    runs: int = 0
    steps: int = 0
    decisions_equal: int = 0
    values_equal: int = 0
    states: int = 0
    states_equal: int = 0
    restores: int = 0
    restores_equal: int = 0
    stage_changes: int = 0
    commands: int = 0
    reloads: int = 0
    missing: int = 0
    differ: int = 0
    differences: list[str] = field(default_factory=list)

    def difference(self, text: str) -> None:
        self.differ += 1
        if len(self.differences) < 20:
            self.differences.append(text)

    def note(self, text: str) -> None:
        if text not in self.notes:
            self.notes.append(text)


def utc(wall_ns: int) -> str:
    """ISO 8601 with a Z, to the millisecond."""
    moment = datetime.fromtimestamp(wall_ns // 10**6 / 1000, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def span(record: Record) -> tuple[int, int] | None:
    """Wall times of the first and last journalled step [ns]; None: no journal."""
    first = last = None
    for step in record.steps():
        first = step.wall_ns if first is None else min(first, step.wall_ns)
        last = step.wall_ns if last is None else max(last, step.wall_ns)
    return None if first is None or last is None else (first, last)


def replay(
    record: Record,
    tally: Tally,
    start_ns: int | None = None,
    end_ns: int | None = None,
    begin: Snapshot | None = None,
) -> Iterator[Replayed]:
    """Every step from the last snapshot before `start_ns` (wall time [ns], None: the oldest) to `end_ns`.

    begin: start from this snapshot instead.
    JournalError when there is no journal for that time. What is found goes into `tally`.
    """
    runs = {run.run: run for run in record.runs()}
    by_run: dict[int, list[Snapshot]] = {}
    for snapshot in record.snapshots():
        if end_ns is None or snapshot.wall_ns < end_ns:
            by_run.setdefault(snapshot.run, []).append(snapshot)
    begin = begin or _beginning(by_run, start_ns)
    restarts = {restart.run: restart for restart in record.restarts()}
    for r in restarts.values():
        if r.from_run in by_run:  # what a later run went on from is a state of that run too
            by_run[r.from_run].append(Snapshot(r.from_run, r.from_mono_ns, r.from_wall_ns, r.data))
    for known in by_run.values():
        known.sort(key=lambda s: s.mono_ns)
    joins = list(record.events(kind="join"))
    follower: _Follower | None = None
    for step in record.steps(None, None if begin is None else begin.wall_ns - _MOMENT_NS, end_ns):
        if begin is not None and (step.run, step.inputs.mono_ns) <= (begin.run, begin.mono_ns):
            continue
        if follower is None or follower.run.run != step.run:
            if follower is not None:
                follower.finish()
            run = runs[step.run]
            known = by_run.get(step.run, [])
            if begin is not None and begin.run == step.run:
                known = [s for s in known if s.mono_ns >= begin.mono_ns]
            follower = _Follower(record, run, known, restarts.get(step.run), tally)
            follower.joins = {e.mono_ns for e in joins if e.run == step.run}
            tally.runs += 1
        done = follower.step(step)
        if done is not None:
            yield done
    if follower is not None:
        follower.finish()
    if record.skipped:
        tally.note(f"{record.skipped} frames of the journal cannot be read: what they build on is gone")
    if not tally.steps:
        raise JournalError(_nothing(record, start_ns, end_ns))


def _beginning(by_run: dict[int, list[Snapshot]], start_ns: int | None) -> Snapshot | None:
    if start_ns is None:
        return None
    before = [s for known in by_run.values() for s in known if s.wall_ns <= start_ns]
    return max(before, key=lambda s: (s.run, s.mono_ns, s.wall_ns)) if before else None


def _nothing(record: Record, start_ns: int | None, end_ns: int | None) -> str:
    held = span(record)
    if held is None:
        return (
            f"{record.path}: no journal in this record (record.journal_days is 0, or its days are over); "
            f"replay from its history instead: --history"
        )
    if not any(True for _ in record.snapshots()):
        return f"{record.path}: no state snapshot in this journal, so there is nothing to start from"
    begin = "the beginning" if start_ns is None else utc(start_ns)
    end = "the end" if end_ns is None else utc(end_ns)
    return (
        f"{record.path}: no journal that can be replayed for {begin} to {end} "
        f"(it holds {utc(held[0])} to {utc(held[1])})"
    )


class _Follower:
    """Replays one run: from snapshot to snapshot, each of them compared with the state arrived at."""

    def __init__(
        self, record: Record, run: Run, snapshots: list[Snapshot], restart: Restart | None, tally: Tally
    ) -> None:
        self.record, self.run, self.tally = record, run, tally
        self.snapshots, self.restart = snapshots, restart
        self.plans: dict[str, engine.Plan] = {}
        self.plan: engine.Plan | None = None
        self.state: engine.State | None = None
        self.held: dict[str, bool] | None = None
        self.joins: set[int] = set()  # when an earlier record's figures were taken in
        here = (np.__version__, cpu_features())
        if (run.numpy, run.cpu) != here:
            tally.exact = False
            what = "numpy" if run.numpy != here[0] else "processor features"
            tally.note(
                f"recorded with another {what} ({run.numpy}, {_short(run.cpu)}; here {here[0]}, "
                f"{_short(here[1])}): states are compared within {TOLERANCE:g}, decisions exactly"
            )
        if run.version != own_version():
            tally.note(
                f"recorded by windingd {run.version}, replayed by {own_version()}: where rules changed "
                "between them, values and decisions differ"
            )
        if run.rate != 1.0:
            tally.note(f"recorded at {run.rate:g} times real time, with a simulated station")

    def step(self, step: Step) -> Replayed | None:
        now = step.inputs.mono_ns
        while self.snapshots and self.snapshots[0].mono_ns < now:
            self.pass_by(self.snapshots.pop(0))
        if self.plan is None or self.state is None:
            self.tally.missing += 1  # no state known yet: the next snapshot begins
            return None
        if step.decision.sequence != self.state.sequence + 1:
            count = step.decision.sequence - self.state.sequence - 1
            self.tally.note(f"{count} steps before {utc(step.wall_ns)} are not in the journal")
            self.plan = self.state = None
            self.tally.missing += 1
            return None
        if step.inputs.settings_hash != self.plan.settings_hash:
            self.reload(self.plan_of(step.inputs.settings_hash, None))
        self.state, outcome = engine.step(self.state, self.plan, step.inputs)
        self.compare(step, outcome)
        return Replayed(step, self.plan, self.state, outcome)

    def finish(self) -> None:
        """The snapshots taken after the last step: the end of the run, or a reload that no step saw."""
        for snapshot in self.snapshots:
            if self.state is not None and snapshot.mono_ns == self.state.mono_ns:
                self.pass_by(snapshot)

    def compare(self, step: Step, outcome: Outcome) -> None:
        tally, when = self.tally, utc(step.wall_ns)
        tally.steps += 1
        tally.commands += len(step.inputs.commands)
        was, now = dict(step.decision.energise), dict(outcome.decision.energise)
        alone, alone_now = step.decision.leave_alone, outcome.decision.leave_alone
        same = was == now and alone == alone_now and outcome.decision.sequence == step.decision.sequence
        tally.decisions_equal += same
        if not same:
            odd = [o for o in {**was, **now} if was.get(o) is not now.get(o)]
            told = ", ".join(f"{o} recorded {_coil(was.get(o))}, replayed {_coil(now.get(o))}" for o in odd)
            if alone != alone_now:
                told += f" left alone: recorded {sorted(alone)}, replayed {sorted(alone_now)}"
            tally.difference(f"{when} decision {step.decision.sequence}: {told}")
        if outcome_digest(outcome) == step.digest:
            tally.values_equal += 1
        elif tally.exact and same:
            tally.difference(f"{when} step {step.decision.sequence}: some value or its quality differs")
        stages = {s.id: now[s.id] for s in self.state.layout.stages if s.id in now} if self.state else {}
        if self.held:
            tally.stage_changes += sum(self.held.get(s, on) is not on for s, on in stages.items())
        self.held = stages or self.held

    def pass_by(self, snapshot: Snapshot) -> None:
        """A snapshot on the way: where the replay begins, a reload, or a state to compare with."""
        told = json.loads(snapshot.data)
        plan = self.plan_of(told["settings_hash"], snapshot.data)
        if self.state is not None and self.state.mono_ns != snapshot.mono_ns:
            self.tally.note(f"steps before {utc(snapshot.wall_ns)} are not in the journal")
            self.state = None
        if snapshot.mono_ns in self.joins:
            when = utc(snapshot.wall_ns)
            self.tally.note(f"{when}: an earlier record was joined; the state is taken as it was recorded")
            self.state = self.restart = None
        if self.state is None or self.plan is None:
            self.restore(plan, snapshot, told)
            try:
                self.plan, self.state = plan, engine.thaw(plan, snapshot.data)
            except ValueError as error:
                self.tally.note(f"{utc(snapshot.wall_ns)}: {error}; going on from the next one")
                self.plan = None
            return
        if told["settings_hash"] != self.plan.settings_hash:
            self.reload(plan)
        self.tally.states += 1
        self.tally.states_equal += self.same(self.state, told, f"{utc(snapshot.wall_ns)} state")

    def restore(self, plan: engine.Plan, first: Snapshot, told: dict[str, Any]) -> None:
        """At a restart: the checkpoint restored again gives the state that the run began with."""
        r, self.restart = self.restart, None
        if r is None or r.mono_ns != first.mono_ns:
            if first.mono_ns == told["mono_ns"] and told["started_ns"] < 0 and not told["deciding"]:
                self.tally.note(
                    f"{utc(first.wall_ns)}: this restart is taken up as the run recorded it; the checkpoint "
                    "it went on from is not in the record"
                )
            return
        self.tally.restores += 1
        when = f"{utc(first.wall_ns)} restart from the checkpoint of {utc(r.from_wall_ns)}"
        try:
            state = engine.restore(plan, r.data, engine.Gap(r.same_boot, r.gap_s, r.mono_ns))
        except ValueError as error:
            self.tally.difference(f"{when}: {error}")
            return
        self.tally.restores_equal += self.same(state, told, when)

    def same(self, state: engine.State, told: Mapping[str, Any], what: str) -> bool:
        """Whether a state is the one recorded; the fields that differ are told."""
        mine = json.loads(engine.checkpoint(state))
        tolerance = 0.0 if self.tally.exact else TOLERANCE
        odd = [where for where in differing(told, mine, tolerance) if where != "settings"]
        if odd:
            more = f" and {len(odd) - 3} more" if len(odd) > 3 else ""
            self.tally.difference(f"{what}: {', '.join(odd[:3])}{more} differ")
        return not odd

    def reload(self, plan: engine.Plan) -> None:
        assert self.plan is not None
        assert self.state is not None
        self.state = engine.migrate(self.state, self.plan, plan)
        self.plan = plan
        self.tally.reloads += 1

    def plan_of(self, settings_hash: str, snapshot: bytes | None) -> engine.Plan:
        """The plan of recorded settings: from the stored text, else from what the snapshot carries."""
        if settings_hash not in self.plans:
            settings = self.settings(settings_hash, snapshot)
            self.plans[settings_hash] = engine.build(settings, settings_hash, permissible_loading=True)
        return self.plans[settings_hash]

    def settings(self, settings_hash: str, snapshot: bytes | None) -> Settings:
        short = settings_hash[:12]
        try:
            text = self.record.settings_text(settings_hash)
            loaded = load_bytes(text.encode(), f"settings {short}")
            settings = loaded.settings or once_good(text)
            if settings is not None:
                if loaded.settings is None:
                    self.tally.note(f"settings {short} are faulty to this version: {loaded.faults[0]}")
                elif loaded.hash != settings_hash:
                    self.tally.note(f"settings {short} mean something else to this version of windingd")
                return settings
            why = str(loaded.faults[0])
        except KeyError:
            why = "their text is not in the record"
        if snapshot is not None:
            try:
                return packed_settings(snapshot)
            except ValueError as error:
                why = str(error)
        raise JournalError(f"{self.record.path}: settings {short} cannot be used: {why}")


def differing(a: object, b: object, tolerance: float, where: str = "") -> list[str]:
    """Paths at which two JSON values differ; numbers with a fraction within `tolerance`, rel. and abs."""
    if isinstance(a, dict) and isinstance(b, dict):
        found: list[str] = []
        for key in dict.fromkeys([*a, *b]):
            inner = f"{where}.{key}" if where else str(key)
            if key in a and key in b:
                found += differing(a[key], b[key], tolerance, inner)
            else:
                found.append(inner)
        return found
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        return [
            x
            for i, (p, q) in enumerate(zip(a, b, strict=True))
            for x in differing(p, q, tolerance, f"{where}[{i}]")
        ]
    if isinstance(a, float) and isinstance(b, float):
        same = a == b if tolerance == 0.0 else math.isclose(a, b, rel_tol=tolerance, abs_tol=tolerance)
    else:
        same = type(a) is type(b) and a == b
    return [] if same else [where]


def _coil(energised: bool | None) -> str:
    return {True: "energised (held off)", False: "released", None: "not decided"}[energised]


def _short(cpu: str) -> str:
    return cpu if len(cpu) < 40 else cpu[:36] + " ..."
