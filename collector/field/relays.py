"""The writer of one relay module: adoption, refresh with the newest decision, read-back, release.

Pure: it names the next request and takes the answer. A module is fed only while it obeys. There is no
heartbeat of windingd's life here and must never be: every write carries a decision, and not one request more
goes out once the newest is too old, or once an output that is to be released has not read back so within its
bound. Many modules are fed by any request, and only their silence releases the outputs. A module's heartbeat
register is written under the same rule, and not even while an output is yet to read back released.

There is no list of requests to work off either: what is asked next follows from what each output is and
ought to be now. A new decision changes those bits and nothing else, so it can never put a release back.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from collector.field.codec import Spec, raw_value, spec
from collector.field.output_point import OutputPoint, write_request
from collector.field.plan import Block, blocks, exception_words
from collector.field.wire import GATEWAY_EXCEPTIONS, READ_FUNCTION, WRITE_ONE, WRITE_SEVERAL, Answer, Request
from collector.messages import Decision, Disobeys, RelayStatus
from collector.settings.model import Device, Register
from collector.settings.reaction import bound_s, silence_s

_S = 1_000_000_000
_ILLEGAL_FUNCTION = 1
#: A refusal of function 15 or 16 that may only mean "not these at once": then each is written by itself.
_NOT_TOGETHER = frozenset({1, 2, 3})
#: Attempts of a failed adoption or release follow each other no faster than this [station ns].
_AGAIN_NS = _S // 10
#: A release that was refused, or acknowledged and not carried out, is written again after this: soon, but a
#: slow line must still have time for other devices [station ns].
_RELEASE_AGAIN_NS = _S // 4
#: A hold-off that was refused is tried again after this, or with a release in between [station ns].
_HOLD_AGAIN_NS = _S
#: So many requests in a row without an answer, and the module counts as lost.
_LOST_AFTER = 2
_NOT_READ, _HEARTBEAT = "not read yet", "heartbeat register"
_READING, _WRITING = "reading it: ", "writing it: "


@dataclass(frozen=True, slots=True)
class Rules:
    """Station-wide limits, in station nanoseconds.

    max_age: an older decision is never written. grace: so long after the start the module may be
    asked without any decision. hold: so long a foreign write stays visible.
    """

    max_age_ns: int
    grace_ns: int
    hold_ns: int


@dataclass(slots=True)
class _State:
    """One output: on or off. Times in ns; -1: not.

    actual: as last read. word: what stood there. expected: what it must still read if nobody else writes;
    None: not known.
    written: as last acknowledged. off: read back released, and not put on since.
    owed_ns: since when it is to be released and has not read back so; nothing but a read-back ends it.
    held: it was on when it was last read, or has been written so since.
    begun: a release was sent; until it has read back released it is not put on, whatever is decided.
    awaited: it was written: to be read before it is written again. wrote_ns: when it last was.
    carried: the decision that was last acknowledged. let_go_ns: since when it is seen to be released after
    a loss; only a later decision may energise it. against_until_ns: another master held it off.
    stopped: one that cannot be read back: its stage has stood still since it was put on.
    """

    actual: bool | None = None
    word: int = 0
    read_ns: int = 0
    expected: bool | None = None
    written: bool | None = None
    off: bool = False
    owed_ns: int = -1
    begun: bool = False
    held: bool = False
    awaited: bool = False
    wrote_ns: int = -1
    again_ns: int = -1
    carried: Decision | None = None
    fault: str = ""
    foreign_until_ns: int = -1
    against_until_ns: int = -1
    let_go_ns: int = -1
    stopped: bool = False


@dataclass(slots=True)
class _Span:
    """What is read at once, and of which outputs. read_ns, asked_ns: when it was last read, and tried."""

    block: Block
    points: tuple[OutputPoint, ...]
    read_ns: int = -1
    asked_ns: int = -1


@dataclass(frozen=True, slots=True)
class _Read:
    """before_write: a look at what others may have done before it is written over."""

    span: _Span
    before_write: bool = False


@dataclass(frozen=True, slots=True)
class _Write:
    """decision None: a release at the end, or of an orphan before any decision."""

    decision: Decision | None
    points: tuple[OutputPoint, ...]
    on: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class _Verify:
    """Read one of the module's own release settings; ``right``: what it must hold."""

    what: str
    spec: Spec
    right: int


@dataclass(frozen=True, slots=True)
class _Beat:
    """Write the module's heartbeat register."""

    value: int


_Step = _Read | _Write | _Verify | _Beat


@dataclass(slots=True)
class _Attempt:
    """The one try after a silence: each output written 0 once, then each block read once."""

    since_ns: int
    writes: set[OutputPoint]
    reads: list[_Span]
    answered: bool = False


@dataclass(slots=True)
class _Ways:
    """How the outputs of one table can be written, as far as the module has not refused it.

    together: neighbours at once. one: by the function for a single one; several: by that for more.
    """

    together: bool = True
    one: bool = True
    several: bool = True


class Bank:
    """The outputs of one device. Times are station nanoseconds.

    outputs: point -> output id. orphans: outputs that earlier settings named and these do not: released once.
    least_bound_ns: what a write and its read-back may take, where station time runs faster than answers come.
    """

    def __init__(
        self,
        device: Device,
        outputs: Mapping[OutputPoint, str],
        rules: Rules,
        now_ns: int,
        orphans: Iterable[OutputPoint] = (),
        least_bound_ns: int = 0,
    ) -> None:
        self._device = device
        self._outputs = dict(outputs)
        self._rules = rules
        self._started_ns = now_ns
        self._orphans = {point for point in orphans if not any(point.overlaps(other) for other in outputs)}
        self.stranger = False  # it is not the device that it must be: what it once held off is none of its
        self._states = {point: _State(read_ns=now_ns) for point in (*self._outputs, *self._orphans)}
        self._at = {point.key: point for point in self._states}
        self._spans = list(_spans(self._states, device))
        self._span_of = {point: span for span in self._spans for point in span.points}
        self._decision: Decision | None = None
        self._asked: _Step | None = None
        self._again_ns = now_ns
        self._verify_ns = now_ns
        self._unread = list(self._spans)  # not read since the connection was made
        self._looked_at: _Span | None = None
        self._adopted = False
        self._ours = False  # adopted before: what it does is known to be our doing
        self._failures = 0
        self._down = _NOT_READ
        self._ways = {"coil": _Ways(), "holding_register": _Ways()}
        self._releasing = False
        self.released = not self._states
        checks, self._unverified = _checks(device)
        self._checks = list(checks)
        self._check_again: set[str] = set()
        module = device.relay_module
        self._heartbeat = module.heartbeat if module is not None else None
        self._beats, self._beat_ns = 0, now_ns
        self._fed_by = module.fed_by if module is not None else "own_requests"
        self._bound_ns = max(int(bound_s(module) * _S), least_bound_ns) if module is not None else None
        self._silence_ns = int(silence_s(module) * _S) if module is not None else 0
        self._fed_ns = now_ns  # when a request last may have reached it
        self._heard_ns = -1
        self._seen_ns = now_ns  # the last time that was told
        self._lost_ns = now_ns  # since then its outputs are to be read, or felt, before one is put on
        self._cut = False  # the connection was closed since `_review`
        self._starving = False
        self._stuck = False
        self._attempt: _Attempt | None = None

    # --- what the link asks ------------------------------------------------------------------

    def silent(self, now_ns: int) -> bool:
        """No request of any kind may go to this device: its outputs are to release by themselves."""
        self._review(now_ns)
        if self._releasing:
            if self.released:
                return True
        elif self._decision is None:
            if now_ns - self._started_ns > self._rules.grace_ns:
                return True
        elif not self.fresh(self._decision, now_ns):
            return True
        elif self.left_alone:
            return self._fed_by != "writes"
        # One that is fed by writes only may go on being read, until it has shown that this is not so.
        return self._unfed(now_ns) and (self._fed_by != "writes" or self._stuck)

    @property
    def left_alone(self) -> bool:
        """The newest decision says so: its outputs are to release by themselves while somebody watches."""
        return self._decision is not None and self._device.id in self._decision.leave_alone

    def why_silent(self, now_ns: int) -> str:
        """In words, for whoever wonders why the device is not asked."""
        if self.left_alone:
            return "left alone by decision"
        if self._starving:
            return self._disobedience()
        return "no decision that is new enough"

    def fresh(self, decision: Decision, now_ns: int) -> bool:
        """Not too old; nor from so far ahead that its clock cannot be ours."""
        return abs(now_ns - decision.mono_ns) <= self._rules.max_age_ns

    def silent_from_ns(self) -> int:
        """When silence begins unless a newer decision or a read-back comes."""
        if self._decision is None:
            stale_ns = self._started_ns + self._rules.grace_ns + 1
        else:
            stale_ns = self._decision.mono_ns + self._rules.max_age_ns + 1
        owed = [state.owed_ns for state in self._states.values() if state.owed_ns >= 0]
        if not owed or self._bound_ns is None or self._starving:
            return stale_ns
        return min(stale_ns, min(owed) + self._bound_ns + 1)

    def silent_until_ns(self) -> int | None:
        """When a module that is left unfed may be asked again; None: it is not, or a decision must come."""
        return self._fed_ns + self._silence_ns if self._starving and self._attempt is None else None

    @property
    def wide(self) -> bool:
        """It is fed by more than requests to its own unit: its silence is that of the whole link."""
        return self._fed_by in ("any_frame_on_line", "connection")

    def fed(self, write: bool, now_ns: int) -> None:
        """A request that feeds it may have reached it, whoever it was for."""
        if write or self._fed_by != "writes":
            self._fed_ns = max(self._fed_ns, now_ns)

    def urgent(self, now_ns: int) -> bool:
        """An output that is to be released has not read back so, and something can be done about it now."""
        owed = any(state.owed_ns >= 0 for state in self._states.values())
        if not owed or self._unfed(now_ns) or self.left_alone:
            return False
        return any(due_ns <= now_ns for due_ns, _ in self._releases())

    @property
    def polled(self) -> bool:
        """Outputs and release settings were asked for at least once."""
        return all(span.asked_ns >= 0 for span in self._spans) and (
            not self._checks or self._verify_ns > self._started_ns
        )

    def next_ns(self, now_ns: int) -> int | None:
        """When the next request is wanted; None: never (until something is offered)."""
        self._review(now_ns)
        return min((max(due_ns, self._again_ns) for due_ns, _ in self._agenda(now_ns)), default=None)

    def request(self, now_ns: int) -> Request | None:
        """The next request, or None when nothing is due. Asks nothing while silent.

        Nothing is taken as sent before its answer, its failure or the end of the connection is told.
        """
        if self.silent(now_ns) or now_ns < self._again_ns:
            return None
        if self._starving and self._attempt is None and not self._unfed(now_ns) and not self.left_alone:
            self._attempt = _Attempt(now_ns, set(self._states), list(self._spans))
            for state in self._states.values():
                state.awaited = False  # written first, whatever was sent before the silence
        if self._may_have_let_go(now_ns):
            self._unread, self._looked_at, self._lost_ns = list(self._spans), None, now_ns
            for state in self._states.values():
                state.expected = None  # what it has let go of is neither disobedience nor a foreign write
        wanted = next((what for due_ns, what in self._agenda(now_ns) if due_ns <= now_ns), None)
        if wanted is None:
            return None
        step = self._run(wanted) if isinstance(wanted, OutputPoint) else wanted
        self._asked = step
        unit = self._device.unit
        if isinstance(step, _Read):
            block = step.span.block
            return Request(unit, READ_FUNCTION[block.table], block.address, block.size)
        if isinstance(step, _Write):
            first = step.points[0]
            one = (
                self._ways[first.table].one
                if first.function is None
                else first.function in WRITE_ONE.values()
            )
            return write_request(unit, step.points, step.on, one)
        if isinstance(step, _Beat):
            assert self._heartbeat is not None
            ways, address = self._ways["holding_register"], self._heartbeat.holding_register
            function = (WRITE_ONE if ways.one else WRITE_SEVERAL)["holding_register"]
            return Request(unit, function, address, 1, words=(step.value,))
        place = step.spec.place
        return Request(unit, READ_FUNCTION[place.table], place.address, place.size)

    def took(self, answer: Answer, now_ns: int) -> None:
        """Take the answer to the last request. ``now_ns``: when it arrived."""
        step, self._asked = self._asked, None
        self._sent(step, now_ns)  # one without an answer may have arrived all the same
        if answer.failure or answer.exception in GATEWAY_EXCEPTIONS:
            self._failed(step, answer.failure or exception_words(answer.exception), answer.lost, now_ns)
            return
        self._failures = 0
        self._heard_ns = now_ns
        if self._attempt is not None:
            self._attempt.answered = True
        refusal = exception_words(answer.exception) if answer.exception else ""
        if step is None:
            return  # asked before `release` cleared the way: what it says no longer matters
        if isinstance(step, _Verify):
            self._verified(step, answer.words, refusal)
        elif isinstance(step, _Beat):
            self._beaten(answer.exception, refusal)
        elif isinstance(step, _Write):
            if not refusal:
                self._wrote(step)
            elif not self._other_write(step, answer.exception):
                self._write_refused(step, refusal, now_ns)
        elif refusal:
            self._read_refused(step, refusal, now_ns)
        else:
            self._read(step, answer.words, now_ns)
        self._review(now_ns)

    # --- what the station asks -----------------------------------------------------------------

    def offer(self, decision: Decision) -> None:
        """A newer decision; ignored once released."""
        if self._releasing:
            return
        self._decision = decision
        if self.left_alone:
            for state in self._states.values():
                state.expected = None
        for point, state in self._states.items():
            if state.owed_ns < 0 and not state.off and self._must_release(point):
                state.owed_ns = decision.mono_ns

    def release(self, now_ns: int) -> None:
        """From now on nothing is written but 0, until all read back as released."""
        self._releasing = True
        self._asked = None
        self._again_ns = now_ns
        for state in self._states.values():
            state.off = state.awaited = False  # written and read once more, whatever was known

    def lost(self, reason: str, for_now: bool = False) -> None:
        """The connection is gone, or is given up: outputs are read first when it is back.

        for_now: it had worked and is opened again at once (some modules close it when idle, some after
        each answer): what was begun goes on, and the module counts as lost only if that, or the next
        request, fails.
        """
        looked_at, asked = self._looked_at, self._asked
        self._sent(asked, self._seen_ns)
        if isinstance(asked, _Write):
            for point in asked.points:
                # It may never have arrived: written again first, on the look that was taken before it.
                self._states[point].awaited = False
                self._states[point].wrote_ns = -1
            self._looked_at = looked_at
        self._asked = None
        self._cut = True
        for state in self._states.values():
            # The module may have released by itself meanwhile: that is no foreign write.
            if not (for_now and state.awaited):
                state.expected = None
        if for_now:
            self._failures += 1
            return
        self._adopted, self._lost_ns = False, self._seen_ns
        self._unread = list(self._spans)
        self._check_again = {step.what for step in self._checks}
        self._down = reason
        self._unverified.update((step.what, _NOT_READ) for step in self._checks)
        self._ways = {"coil": _Ways(), "holding_register": _Ways()}
        self._attempt = None
        self._verify_ns = self._started_ns
        for state in self._states.values():
            state.written = state.carried = None
            state.off = state.awaited = False  # nor is it known any more to be released

    def felt(self, output: str, runs: bool, read_ns: int, now_ns: int) -> None:
        """What the feedback of a stage says, whose output cannot be read back: one that runs is released.

        While the output is on, a stage that has not stopped yet coasts. One that had, and runs again, was
        let go of by the module. It is never taken for another master's: a motor may stop by itself.
        """
        point = next(point for point, name in self._outputs.items() if name == output)
        state = self._states[point]
        if read_ns <= (max(state.read_ns, state.wrote_ns) if state.awaited else state.read_ns):
            return
        on = not runs
        if state.written:
            on, state.stopped = not (runs and state.stopped), state.stopped or not runs
        if state.held and not on and not state.begun:
            state.let_go_ns = now_ns
        if on and state.awaited:
            state.again_ns = now_ns + _RELEASE_AGAIN_NS
        state.actual, state.held, state.word, state.read_ns = on, on, point.write.code(on), read_ns
        state.off, state.awaited = not on, False
        state.fault = ""
        if not self._spans and self._down == _NOT_READ:
            self._down = ""  # what it does is known, though nothing was ever asked
        if on and state.written is False:
            state.fault = "released and acknowledged, but by its feedback the stage does not run"
        self._review(now_ns)

    def withdraw(self, reason: str, now_ns: int) -> None:
        """What the last answer said is not to be believed after all: the outputs are read anew."""
        self.lost(reason)
        self._again_ns = now_ns + _AGAIN_NS

    def inherit(self, before: Bank) -> None:
        """After a reload: show what was last read, until it is read again. What was owed stays owed."""
        for point, state in self._states.items():
            known = before._states.get(point)
            if known is not None:
                state.actual, state.word, state.read_ns = known.actual, known.word, known.read_ns
                state.owed_ns, state.begun = known.owed_ns, known.begun
        self._down = before._down
        if self._device.relay_module == before._device.relay_module:
            self._unverified = dict(before._unverified)
        if (self._device.link, self._device.unit) == (before._device.link, before._device.unit):
            self._ours = before._ours
            self._fed_ns, self._heard_ns = before._fed_ns, before._heard_ns
            self._starving, self._stuck = before._starving, before._stuck

    def status(self, now_ns: int) -> dict[str, RelayStatus]:
        """output id -> status."""
        # What has not been read yet, at the start or after the module was away, is no difference.
        unverified = "; ".join(f"{what}: {why}" for what, why in self._unverified.items() if why != _NOT_READ)
        orphan: Disobeys = next((d for d in map(self._disobeys, self._orphans) if d), "")
        result = {}
        for point, output in self._outputs.items():
            state = self._states[point]
            foreign = now_ns < state.foreign_until_ns
            disobeys: Disobeys = self._disobeys(point) or orphan
            if not disobeys and now_ns < state.against_until_ns:
                disobeys = "foreign"
            reasons = [
                self._disobedience() if disobeys in ("late", "stuck") else self._down,
                state.fault,
                "changed although nothing was written: another master, or the module's own timeout"
                if foreign
                else "",
                unverified,
            ]
            result[output] = RelayStatus(
                None if self._down or state.actual is None else state.actual is not point.inverted,
                state.read_ns,
                not self._down,
                foreign,
                not unverified,
                "; ".join(filter(None, reasons)),
                disobeys,
            )
        return result

    # --- does the module obey? -------------------------------------------------------------------

    def _must_release(self, point: OutputPoint) -> bool:
        """It is to be released: by decision, at the end, as an orphan, or because a release was begun."""
        state = self._states[point]
        if self._releasing or (state.begun and state.owed_ns >= 0):
            return True
        if self._decision is None:
            return False
        if point in self._orphans:
            return not self.stranger
        return self._decided(point) is False

    def _decided(self, point: OutputPoint) -> bool | None:
        """On or off, by the newest decision; None: it says nothing about it."""
        output = self._outputs.get(point)
        on = None if self._decision is None or output is None else self._decision.energise.get(output)
        return None if on is None else on is not point.inverted

    def _review(self, now_ns: int) -> None:
        """What is owed, whether the bound is over, whether the silence is."""
        self._seen_ns = max(self._seen_ns, now_ns)
        if not self._spans and self._decision is not None:
            self._adopted = self._ours = True  # nothing can be read before it is written
        if self._cut:
            self._cut = False
            if self._fed_by == "connection":
                self._fed_ns = now_ns  # it was fed until here, by an attempt to connect too
        for point, state in self._states.items():
            if state.off:
                state.owed_ns, state.begun = -1, False
            elif not self._must_release(point):
                state.owed_ns = -1
            elif state.owed_ns < 0:
                state.owed_ns = now_ns
        owed_ns = min((state.owed_ns for state in self._states.values() if state.owed_ns >= 0), default=None)
        if owed_ns is None:
            self._starving = self._stuck = False
            self._attempt = None
        elif not self._starving and self._bound_ns is not None and now_ns - owed_ns > self._bound_ns:
            self._starving = True
            if self._fed_by == "connection":
                self._fed_ns = now_ns
        attempt = self._attempt
        if attempt is not None:
            felt = not any(state.awaited for point, state in self._states.items() if point.read is None)
            done = not attempt.writes and not attempt.reads and self._asked is None and felt
            if done or now_ns - attempt.since_ns > (self._bound_ns or 0):
                self._give_up_attempt()
        if self._releasing:
            self.released = all(state.off for state in self._states.values())

    def _give_up_attempt(self) -> None:
        """It has had its chance, after a silence that its time-out cannot have outlasted."""
        if self._attempt is not None and self._attempt.answered:
            self._stuck = True
        self._attempt = None

    def _unfed(self, now_ns: int) -> bool:
        """Its time-out may not have passed yet since a request last reached it, and it is to pass."""
        return self._starving and self._attempt is None and now_ns - self._fed_ns <= self._silence_ns

    def _may_have_let_go(self, now_ns: int) -> bool:
        """It was left unfed for so long, by whatever, that its time-out may have passed: looked at before it
        is written, for what it has let go of has started motors and is not held off unseen.
        """
        module = self._device.relay_module
        if module is None or self._unread or not self._adopted or self._starving or self._releasing:
            return False
        read_ns = min((span.read_ns for span in self._spans), default=self._lost_ns)
        known_ns = max(self._fed_ns, read_ns)
        return now_ns - known_ns > int(module.timeout_s / 2.0 * _S)

    def _disobeys(self, point: OutputPoint) -> Disobeys:
        state = self._states[point]
        if not self._starving or state.owed_ns < 0 or self._heard_ns < state.owed_ns:
            return ""  # or it has not been heard since: then its silence is the fault, not its output
        return "stuck" if self._stuck else "late"

    def _disobedience(self) -> str:
        """What is wrong and what is done about it; of the worst output."""
        module = self._device.relay_module
        assert module is not None
        owed = [(point, state) for point, state in self._states.items() if state.owed_ns >= 0]
        owed.sort(key=lambda one: not one[1].fault)
        shown = "cannot be read"
        for point, state in owed[:1]:
            if point.read is None:
                shown = "by its feedback the stage does not run"
            elif state.actual is not None:
                shown = f"reads back {state.word}"
        passed = f"its time-out of {module.timeout_s:g} s must have passed"
        left = f"left without any request until {passed}"
        if self._stuck:
            return f"not released though {passed}: {shown}; {left}"
        return f"to be released within {bound_s(module):g} s, but {shown}; {left}"

    # --- what to ask next --------------------------------------------------------------------------

    def _agenda(self, now_ns: int) -> Iterator[tuple[int, OutputPoint | _Read | _Verify | _Beat]]:
        """(when it is due, what) in order of importance. A point: write it, with its neighbours."""
        if self._unfed(now_ns) or self.left_alone:  # here only where it is fed by writes alone
            yield from ((self._poll_due_ns(span), _Read(span)) for span in self._spans)
            return
        yield from self._releases()
        if self._starving:
            reads = self._spans if self._attempt is None else self._attempt.reads
            yield from ((self._again_ns, _Read(span)) for span in reads)
            return
        if self._releasing:
            return
        if self._unread:
            yield from ((self._again_ns, _Read(span)) for span in self._unread)
            return
        if self._may_beat() and self._heartbeat is not None:
            values = self._heartbeat.values
            yield max(self._beat_ns, self._again_ns), _Beat(values[self._beats % len(values)])
        if self._adopted and (checks := self._due_checks()):
            yield self._verify_ns if not self._check_again else self._again_ns, checks[0]
        if self._decision is not None and self._adopted:
            for point in sorted(self._states, key=lambda p: (self._states[p].wrote_ns, p.key)):
                state, span = self._states[point], self._span_of.get(point)
                if state.owed_ns >= 0 or state.awaited or self._bit(point) is None:
                    continue
                if span is None:
                    yield self._refresh_due_ns(state), point
                    continue
                # Read before writing, else a foreign write between two refreshes is never seen; but a
                # decision that comes between the two does not call for another look.
                fresh = span.read_ns >= self._decision.mono_ns or span is self._looked_at
                seen = fresh and span.read_ns > state.wrote_ns
                yield self._refresh_due_ns(state), point if seen else _Read(span, True)
        yield from ((self._poll_due_ns(span), _Read(span)) for span in self._spans)

    def _may_beat(self) -> bool:
        """Its time-out may be kept from acting: it is known, decided for, and nothing is to be released."""
        owed = any(state.owed_ns >= 0 for state in self._states.values())
        return self._adopted and self._decision is not None and not owed

    def _releases(self) -> Iterator[tuple[int, OutputPoint | _Read]]:
        """Outputs that are to be released and have not read back so: written first, then read back."""
        attempt = self._attempt
        for point in sorted(self._states, key=lambda p: (self._states[p].owed_ns, p.key)):
            state = self._states[point]
            if state.off or (state.begun and state.awaited) or self._bit(point) is not False:
                continue
            if attempt is None or point in attempt.writes:
                # What a hold-off that was refused must wait is no reason for a release to wait.
                yield max(state.again_ns if state.begun else 0, self._again_ns), point
        if attempt is None:
            for span in self._spans:
                if any(self._states[point].awaited for point in span.points):
                    yield self._again_ns, _Read(span)

    def _bit(self, point: OutputPoint) -> bool | None:
        """What may be written to an output now; None: nothing."""
        state, decision = self._states[point], self._decision
        if self._releasing:
            return False
        if decision is None:
            return None
        known = self._ours or self._starving  # a module that was left unfed is released unseen
        if self._must_release(point):
            # Nothing is written before the outputs were read once: they may be another master's.
            return False if known or self._adopted else None
        if not self._decided(point):
            return None
        # What was found released is not energised again before the step has seen it: it counts as a
        # start and must run on. A decision from before that look leaves such an output alone.
        held = self._starving or not self._adopted or decision.mono_ns < state.let_go_ns
        if point.read is None and not held:
            if state.read_ns <= self._lost_ns:
                return None
            if self._down and state.actual is False:
                return False  # it runs: a write that changes nothing, so that the step may see it
        return None if held else True

    def _run(self, point: OutputPoint) -> _Write:
        """One output with the neighbours that are written with it: a release takes no hold-off along."""
        on = {point.key: self._bit(point)}
        function = point.function
        release = not self._states[point].off and on[point.key] is False and function is None
        together = (
            self._ways[point.table].together if function is None else function in WRITE_SEVERAL.values()
        )
        for step in (1, -1) if together else ():
            key = point.beside(step)
            while key is not None and (beside := self._at.get(key)) is not None:
                bit = self._bit(beside)
                if bit is None or (release and bit) or beside.function != function:
                    break
                on[key] = bit
                key = beside.beside(step)
        keys = sorted(on)
        return _Write(
            self._decision, tuple(self._at[key] for key in keys), tuple(bool(on[key]) for key in keys)
        )

    def _due_checks(self) -> list[_Verify]:
        """Those of a new connection first, then those that were not as declared, in turn."""
        due = [step for step in self._checks if step.what in self._unverified.keys() | self._check_again]
        return sorted(due, key=lambda step: step.what not in self._check_again)

    # --- what came of it -----------------------------------------------------------------------------

    def _sent(self, step: _Step | None, now_ns: int) -> None:
        """Whatever has become of it, the module may have taken it."""
        if step is None:
            return
        self.fed(isinstance(step, _Write | _Beat), now_ns)
        if isinstance(step, _Beat):
            self._beats += 1
            self._beat_ns = now_ns + self._feed_every_ns()
        if isinstance(step, _Verify):
            self._check_again.discard(step.what)
            self._checks.remove(step)
            self._checks.append(step)
            self._verify_ns = now_ns + self._poll_ns()
        if isinstance(step, _Read):
            step.span.asked_ns = now_ns
            self._looked_at = step.span if step.before_write else None
            if self._attempt is not None and step.span in self._attempt.reads:
                self._attempt.reads.remove(step.span)
        if not isinstance(step, _Write):
            return
        self._looked_at = None
        for point, bit in zip(step.points, step.on, strict=True):
            state = self._states[point]
            state.expected, state.wrote_ns = None, now_ns
            if bit:
                state.off, state.held = False, True
            elif not state.off:
                state.begun = state.awaited = True
            if self._attempt is not None:
                self._attempt.writes.discard(point)

    def _wrote(self, step: _Write) -> None:
        for point, bit in zip(step.points, step.on, strict=True):
            state = self._states[point]
            state.carried = step.decision
            if point.read is None:
                self._wrote_unseen(point, bit)
                continue
            state.awaited |= state.actual != bit or bool(state.fault)
            state.written = state.expected = bit
            if bit:
                state.let_go_ns = -1

    def _wrote_unseen(self, point: OutputPoint, bit: bool) -> None:
        """Only its feedback can tell; but not at the end, when nothing else is read, nor of an orphan."""
        state = self._states[point]
        state.stopped = bool(state.written and bit and state.stopped)
        state.written = bit
        if bit:
            state.actual, state.awaited, state.let_go_ns, state.fault = True, False, -1, ""
        elif self._releasing or point in self._orphans:
            state.off = True
            self._orphans.discard(point)
        if not self._spans and self._down:
            self._down = ""
            for other in self._states.values():
                if other.let_go_ns >= 0:  # seen only from now on
                    other.let_go_ns = self._heard_ns

    def _write_refused(self, step: _Write, refusal: str, now_ns: int) -> None:
        for point, bit in zip(step.points, step.on, strict=True):
            state = self._states[point]
            state.fault = f"{_WRITING}{refusal}"
            state.again_ns = now_ns + (_HOLD_AGAIN_NS if bit else _RELEASE_AGAIN_NS)

    def _other_write(self, step: _Write, exception: int) -> bool:
        """Another function for the same bits, if there is one that was not refused yet."""
        if step.points[0].function is not None or step.points[0].write.bit is not None:
            return False
        ways = self._ways[step.points[0].table]
        single, lacking = len(step.points) == 1, exception == _ILLEGAL_FUNCTION
        if not single and exception in _NOT_TOGETHER:
            ways.together, ways.several = False, ways.several and not lacking
        elif single and lacking and ways.one and ways.several:
            ways.one = False
        else:
            return False
        for point in step.points:
            self._states[point].awaited = False
            if self._attempt is not None:
                self._attempt.writes.add(point)
        return True

    def _read(self, step: _Read, words: tuple[int, ...], now_ns: int) -> None:
        for point in step.span.points:
            assert point.read is not None
            state, cell = self._states[point], point.read
            word = cell.held(words[cell.address - step.span.block.address])
            on = word != cell.off
            if state.fault.startswith(_READING):
                state.fault = ""
            if state.held and not on and not state.begun:
                state.let_go_ns = now_ns  # not by us: by its own time-out, its supply or another master
            if state.awaited and state.written is not None and state.expected is not None:
                if on != state.written:
                    sent = point.write.code(state.written)
                    state.fault = f"written {sent} and acknowledged, but reads back {word}"
                    state.again_ns = now_ns + _RELEASE_AGAIN_NS
                else:
                    state.fault = ""
            elif state.expected is not None and on != state.expected:
                if on == state.written:
                    state.fault = ""  # it has obeyed after all, only late
                else:
                    state.foreign_until_ns = now_ns + self._rules.hold_ns
                    if on and self._must_release(point):
                        state.against_until_ns = now_ns + self._rules.hold_ns
            # While it is left alone it may let go at any time, and that is no foreign write.
            state.actual, state.expected = on, None if self.left_alone else on
            state.held = on
            state.word, state.read_ns = word, now_ns
            state.off, state.awaited = not on, False
            wanted = False if self._must_release(point) else self._decided(point)
            if state.fault.startswith(_WRITING) and wanted in (on, None):
                state.fault = ""  # it is as it is to be, by whatever
            if word not in (cell.on, cell.off) and not state.fault:
                state.fault = (
                    f"{_READING}it holds {word}, neither {cell.on} (energised) nor {cell.off} (released)"
                )
        step.span.read_ns = now_ns
        self._note_read(step.span, now_ns)

    def _read_refused(self, step: _Read, refusal: str, now_ns: int) -> None:
        for point in step.span.points:
            state = self._states[point]
            state.fault = f"{_READING}{refusal}"
            state.actual, state.read_ns, state.expected = None, now_ns, None
            state.off = state.awaited = False
            state.again_ns = now_ns + _RELEASE_AGAIN_NS
        step.span.read_ns = now_ns
        self._note_read(step.span, now_ns)
        if not self._adopted and not self._releasing:
            # Never write to outputs whose state is unknown: they may be another master's.
            self._unread = list(self._spans)
            self._down = f"outputs cannot be read: {refusal}"
            self._again_ns = now_ns + max(_AGAIN_NS, self._poll_ns() // 5)

    def _note_read(self, span: _Span, now_ns: int) -> None:
        """Once every block was read: are the outputs known?"""
        if span in self._unread:
            self._unread.remove(span)
        if self._releasing and not all(state.off for state in self._states.values()):
            self._again_ns = now_ns + _AGAIN_NS
        if self._unread:
            return
        if all(self._states[point].actual is not None for point in self._span_of):
            if not self._adopted:
                for state in self._states.values():
                    if state.let_go_ns >= 0:  # seen only from now on: until here the link counted as lost
                        state.let_go_ns = now_ns
            self._adopted, self._ours, self._down = True, True, ""
        self._orphans = {point for point in self._orphans if not self._states[point].off}

    def _failed(self, step: object, reason: str, lost: bool, now_ns: int) -> None:
        if isinstance(step, _Verify):
            # Some devices do not answer at all when asked for a register they do not have.
            self._unverified[step.what] = f"cannot be read, {reason}"
        self._failures += 1
        self._again_ns = now_ns + _AGAIN_NS
        if self._attempt is not None:
            # One that answers no write may still be read; one that answers no read has had its chance.
            self._attempt.writes.clear()
            if isinstance(step, _Read) and not lost:
                self._give_up_attempt()
        elif lost or self._failures >= _LOST_AFTER:
            self.lost(reason)

    # --- release settings of the module ----------------------------------------------------------

    def _verified(self, step: _Verify, words: tuple[int, ...], refusal: str) -> None:
        if refusal:
            self._unverified[step.what] = f"cannot be read, {refusal}"
            return
        got = raw_value(step.spec, words) if step.spec.place.table.endswith("register") else words[0]
        if got == step.right:
            self._unverified.pop(step.what, None)
        else:
            self._unverified[step.what] = f"the module holds {got:g}, the settings say {step.right}"

    def _beaten(self, exception: int, refusal: str) -> None:
        ways = self._ways["holding_register"]
        if exception == _ILLEGAL_FUNCTION and ways.one and ways.several:
            ways.one, self._beat_ns = False, self._again_ns
        elif refusal:
            self._unverified[_HEARTBEAT] = f"cannot be written, {refusal}"
        else:
            self._unverified.pop(_HEARTBEAT, None)

    # --- times -------------------------------------------------------------------------------------

    def _poll_ns(self) -> int:
        return int(self._device.poll_s * _S)

    def _poll_due_ns(self, span: _Span) -> int:
        return span.asked_ns + self._poll_ns() if span.asked_ns >= 0 else self._again_ns

    def _refresh_due_ns(self, state: _State) -> int:
        """A third of the module's timeout, so that two refreshes may fail; a new decision comes sooner."""
        if state.carried is not self._decision:
            return max(state.again_ns, self._again_ns)
        return max(state.wrote_ns + self._feed_every_ns(), state.again_ns)

    def _feed_every_ns(self) -> int:
        module = self._device.relay_module
        return int(module.timeout_s / 3.0 * _S) if module else self._poll_ns()


def _spans(points: Iterable[OutputPoint], device: Device) -> Iterator[_Span]:
    """How the states of these outputs are read with the fewest requests."""
    cells = [(point, point.read) for point in points if point.read is not None]
    for block in blocks((cell.place for _, cell in cells), device.max_gap, device.max_block):
        yield _Span(block, tuple(point for point, cell in cells if cell.place in block.places))


def _checks(device: Device) -> tuple[tuple[_Verify, ...], dict[str, str]]:
    """What to verify on the module, and in words what is not verified so far."""
    module = device.relay_module
    if module is None:
        return (), {}
    declared: tuple[tuple[str, Register | None, int | None], ...] = (
        ("module timeout", module.timeout_register, module.timeout_value),
        ("safe state", module.safe_state_register, module.safe_state_value),
        ("power-on state", module.power_on_register, module.power_on_value),
    )
    steps: list[_Verify] = []
    unverified: dict[str, str] = {}
    for what, register, right in declared:
        if register is None or right is None:
            continue
        unverified[what] = _NOT_READ
        if register.device != device.id:
            unverified[what] = f"its register is on device {register.device}, it must be on {device.id}"
            continue
        try:
            steps.append(_Verify(what, spec(register, device), right))
        except ValueError as error:
            unverified[what] = str(error)
    return tuple(steps), unverified
