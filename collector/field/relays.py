"""The writer of one relay module: adoption, refresh with the newest decision, read-back, release.

Pure: it names the next request and takes the answer. There is no heartbeat here and must never be:
every write carries a decision, and once the newest is too old not one request more goes out, since
many modules are fed by any request and only their silence releases the outputs.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from collector.field.codec import Place, Spec, raw_value, spec
from collector.field.plan import Block, blocks, exception_words
from collector.field.wire import (
    GATEWAY_EXCEPTIONS,
    READ_COILS,
    READ_FUNCTION,
    WRITE_COIL,
    WRITE_COILS,
    Answer,
    Request,
    write_coils,
)
from collector.messages import Decision, RelayStatus
from collector.settings.model import Device, Register

_S = 1_000_000_000
_ILLEGAL_FUNCTION = 1
#: Attempts of a failed adoption or release follow each other no faster than this [station ns].
_AGAIN_NS = _S // 10
#: So many requests in a row without an answer, and the module counts as lost.
_LOST_AFTER = 2
_NOT_READ = "not read yet"
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
class _Coil:
    """One output. ``actual``: as last read. ``expected``: what it must still read if nobody else writes.

    ``let_go_ns``: since when it is seen to be released after a loss; only a later decision may energise it.
    """

    actual: bool | None = None
    read_ns: int = 0
    expected: bool | None = None
    written: bool | None = None
    fault: str = ""
    foreign_until_ns: int = -1
    let_go_ns: int = -1


@dataclass(frozen=True, slots=True)
class _Read:
    """Read a block of coils. ``after_write``: the read-back of what was just written."""

    block: Block
    after_write: bool


@dataclass(frozen=True, slots=True)
class _Write:
    decision: Decision | None  # None: a release
    address: int
    bits: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class _Verify:
    """Read one of the module's own release settings; ``right``: what it must hold."""

    what: str
    spec: Spec
    right: int


_Step = _Read | _Write | _Verify


class Bank:
    """The outputs of one device. Times are station nanoseconds.

    outputs: coil -> output id. orphans: coils that earlier settings named and these do not: written 0 once.
    """

    def __init__(
        self,
        device: Device,
        outputs: Mapping[int, str],
        rules: Rules,
        now_ns: int,
        orphans: Iterable[int] = (),
    ) -> None:
        self._device = device
        self._outputs = dict(outputs)
        self._rules = rules
        self._started_ns = now_ns
        self._orphans = set(orphans) - set(outputs)
        self._coils = {coil: _Coil(read_ns=now_ns) for coil in (*self._outputs, *self._orphans)}
        places = [Place("coil", coil, 1) for coil in self._coils]
        self._blocks = blocks(places, device.max_gap, device.max_block)
        self._decision: Decision | None = None
        self._carried: Decision | None = None  # the decision of the last complete refresh
        self._refreshed_ns = now_ns
        self._checked_ns: int | None = None
        self._again_ns = now_ns
        self._verify_ns = now_ns
        self._steps: deque[_Step] = deque()
        self._adopted = False
        self._failures = 0
        self._down = _NOT_READ
        self._no_function: set[int] = set()  # what this module answered "illegal function" to
        self._releasing = False
        self.released = not self._coils
        self._checks, self._unverified = _checks(device)
        self._check_again: set[str] = set()

    # --- what the link asks ------------------------------------------------------------------

    def silent(self, now_ns: int) -> bool:
        """No request of any kind may go to this device: its outputs are to release by themselves."""
        if self._releasing:
            return self.released
        if self._decision is None:
            return now_ns - self._started_ns > self._rules.grace_ns
        return self.left_alone or not self.fresh(self._decision, now_ns)

    @property
    def left_alone(self) -> bool:
        """The newest decision says so: its outputs are to release by themselves while somebody watches."""
        return self._decision is not None and self._device.id in self._decision.leave_alone

    def fresh(self, decision: Decision, now_ns: int) -> bool:
        """Not too old; nor from so far ahead that its clock cannot be ours."""
        return abs(now_ns - decision.mono_ns) <= self._rules.max_age_ns

    def silent_from_ns(self) -> int:
        """When silence begins unless a newer decision comes."""
        if self._decision is None:
            return self._started_ns + self._rules.grace_ns + 1
        return self._decision.mono_ns + self._rules.max_age_ns + 1

    @property
    def polled(self) -> bool:
        """Outputs and release settings were asked for at least once."""
        return (not self._coils or self._checked_ns is not None) and (
            not self._checks or self._verify_ns > self._started_ns
        )

    def next_ns(self, now_ns: int) -> int | None:
        """When the next request is wanted; None: never (until something is offered)."""
        if self._steps:
            return now_ns
        if self._releasing:
            return None if self.released else self._again_ns
        if not self._coils and not self._checks:
            return None
        if not self._adopted:
            return self._again_ns
        if self._decision is not None and self._decision is not self._carried:
            return self._again_ns
        due = self._check_due_ns()
        if self._decision is not None:
            due = min(due, self._refresh_due_ns())
        if self._due_checks():
            due = min(due, self._verify_ns)
        return max(due, self._again_ns)

    def request(self, now_ns: int) -> Request | None:
        """The next request, or None when nothing is due. Asks nothing while silent."""
        if self.silent(now_ns):
            return None
        first = self._steps[0] if self._steps else None
        if isinstance(first, _Write) and first.decision is not self._decision and not self._releasing:
            # A newer decision has come: no refresh goes out with an older one.
            self._steps = deque(self._writes())
        if not self._steps:
            self._steps.extend(self._begin(now_ns))
        if not self._steps:
            return None
        step = self._steps[0]
        unit = self._device.unit
        if isinstance(step, _Read):
            return Request(unit, READ_COILS, step.block.address, step.block.size)
        if isinstance(step, _Write):
            return write_coils(unit, step.address, step.bits, WRITE_COIL not in self._no_function)
        place = step.spec.place
        return Request(unit, READ_FUNCTION[place.table], place.address, place.size)

    def took(self, answer: Answer, now_ns: int) -> None:
        """Take the answer to the last request. ``now_ns``: when it arrived."""
        if answer.failure or answer.exception in GATEWAY_EXCEPTIONS:
            self._failed(answer.failure or exception_words(answer.exception), answer.lost, now_ns)
            return
        self._failures = 0
        if not self._steps:
            return  # asked before `release` cleared the way: what it says no longer matters
        step = self._steps.popleft()
        refusal = exception_words(answer.exception) if answer.exception else ""
        if isinstance(step, _Verify):
            self._verify_ns = now_ns + self._poll_ns()
            self._verified(step, answer.words, refusal)
        elif answer.exception == _ILLEGAL_FUNCTION and isinstance(step, _Write) and self._other_write(step):
            self._steps = deque(self._writes())
            if self._releasing:
                self._steps.extend(self._reads(after_write=True))
        elif refusal:
            self._refused(step, refusal, now_ns)
        elif isinstance(step, _Read):
            self._read(step, answer.words, now_ns)
        else:
            self._wrote(step, now_ns)
        if not self._steps and not isinstance(step, _Verify):
            self._note_known(now_ns)

    # --- what the station asks -----------------------------------------------------------------

    def offer(self, decision: Decision) -> None:
        """A newer decision; ignored once released."""
        if not self._releasing:
            self._decision = decision

    def release(self, now_ns: int) -> None:
        """From now on nothing is written but 0, until all read back as released."""
        self._releasing = True
        self._steps.clear()
        self._again_ns = now_ns

    def lost(self, reason: str, for_now: bool = False) -> None:
        """The connection is gone, or is given up: outputs are read first when it is back.

        for_now: it had worked and is opened again at once (some modules close it when idle, some after
        each answer): what was begun goes on, and the module counts as lost only if that, or the next
        request, fails.
        """
        for coil in self._coils.values():
            # The module may have released by itself meanwhile: that is no foreign write.
            coil.expected = None
        if for_now:
            self._failures += 1
            return
        self._steps.clear()
        self._adopted = False
        self._carried = None
        self._check_again = {step.what for step in self._checks}
        self._down = reason
        self._unverified.update((step.what, _NOT_READ) for step in self._checks)
        self._verify_ns = self._started_ns
        self._no_function.clear()
        for coil in self._coils.values():
            coil.written = None

    def withdraw(self, reason: str, now_ns: int) -> None:
        """What the last answer said is not to be believed after all: the outputs are read anew."""
        self.lost(reason)
        self._again_ns = now_ns + _AGAIN_NS

    def inherit(self, before: Bank) -> None:
        """After a reload: show what was last read, until it is read again."""
        for number, coil in self._coils.items():
            known = before._coils.get(number)
            if known is not None:
                coil.actual, coil.read_ns = known.actual, known.read_ns
        self._down = before._down
        if self._device.relay_module == before._device.relay_module:
            self._unverified = dict(before._unverified)

    def status(self, now_ns: int) -> dict[str, RelayStatus]:
        """output id -> status."""
        # What has not been read yet, at the start or after the module was away, is no difference.
        unverified = "; ".join(f"{what}: {why}" for what, why in self._unverified.items() if why != _NOT_READ)
        result = {}
        for number, output in self._outputs.items():
            coil = self._coils[number]
            foreign = now_ns < coil.foreign_until_ns
            reasons = [
                self._down,
                coil.fault,
                "changed although nothing was written: another master, or the module's own timeout"
                if foreign
                else "",
                unverified,
            ]
            result[output] = RelayStatus(
                None if self._down else coil.actual,
                coil.read_ns,
                not self._down,
                foreign,
                not unverified,
                "; ".join(filter(None, reasons)),
            )
        return result

    # --- steps -----------------------------------------------------------------------------------

    def _begin(self, now_ns: int) -> list[_Step]:
        if self._releasing:
            if self.released or now_ns < self._again_ns:
                return []
            return [*self._writes(), *self._reads(after_write=True)]
        if now_ns < self._again_ns:
            return []
        if not self._adopted:
            return self._reads() or self._note_known(now_ns)
        if self._decision is not None and (
            self._decision is not self._carried or now_ns >= self._refresh_due_ns()
        ):
            writes = self._writes()
            if writes:
                # Read before writing, else a foreign write between two refreshes is never seen.
                return [*self._reads(), *writes]
            self._carried, self._refreshed_ns = self._decision, now_ns
        if now_ns >= self._check_due_ns():
            return self._reads() or self._note_known(now_ns)
        return self._due_checks() if now_ns >= self._verify_ns else []

    def _due_checks(self) -> list[_Step]:
        return [step for step in self._checks if step.what in self._unverified.keys() | self._check_again]

    def _reads(self, after_write: bool = False) -> list[_Step]:
        return [_Read(block, after_write) for block in self._blocks]

    def _writes(self) -> list[_Step]:
        """Runs of neighbouring coils that the newest decision (or the release) says something about."""
        decision = None if self._releasing else self._decision
        wanted: dict[int, bool] = dict.fromkeys(self._orphans, False)
        if decision is None:
            wanted.update(dict.fromkeys(self._outputs, False))
        else:
            wanted.update(
                (coil, decision.energise[output])
                for coil, output in self._outputs.items()
                # What was found released is not energised again before the step has seen it: it counts as
                # a start and must run on. A decision from before that look leaves such a coil alone.
                if output in decision.energise
                and not (decision.energise[output] and decision.mono_ns < self._coils[coil].let_go_ns)
            )
        steps: list[_Step] = []
        for coil in sorted(wanted):
            last = steps[-1] if steps else None
            together = WRITE_COILS not in self._no_function
            if together and isinstance(last, _Write) and last.address + len(last.bits) == coil:
                steps[-1] = _Write(decision, last.address, (*last.bits, wanted[coil]))
            else:
                steps.append(_Write(decision, coil, (wanted[coil],)))
        return steps

    def _other_write(self, step: _Write) -> bool:
        """No FC 15: from now on coil by coil. No FC 5: by FC 15. False: the module has neither."""
        single = len(step.bits) == 1 and WRITE_COIL not in self._no_function
        self._no_function.add(WRITE_COIL if single else WRITE_COILS)
        return len(self._no_function) == 1

    def _read(self, step: _Read, words: tuple[int, ...], now_ns: int) -> None:
        for place in step.block.places:
            coil = self._coils[place.address]
            on = bool(words[place.address - step.block.address])
            if coil.fault.startswith(_READING):
                coil.fault = ""
            if coil.expected is None and coil.actual and not on:
                coil.let_go_ns = now_ns  # while we were away, be it ever so short
            if step.after_write:
                if coil.written is not None and on != coil.written:
                    coil.fault = f"written {int(coil.written)} and acknowledged, but reads back {int(on)}"
                else:
                    coil.fault = ""
            elif coil.expected is not None and on != coil.expected:
                if on == coil.written:
                    coil.fault = ""  # it has obeyed after all, only late
                else:
                    coil.foreign_until_ns = now_ns + self._rules.hold_ns
            coil.actual = coil.expected = on
            coil.read_ns = now_ns

    def _wrote(self, step: _Write, now_ns: int) -> None:
        changed = False
        for number, bit in enumerate(step.bits, step.address):
            coil = self._coils[number]
            changed |= coil.actual != bit or bool(coil.fault)
            coil.written = coil.expected = bit
            if bit:
                coil.let_go_ns = -1
        reading = any(isinstance(later, _Read) for later in self._steps)
        if changed and not reading:
            self._steps.extend(self._reads(after_write=True))
        self._note_carried(step, now_ns)

    def _note_carried(self, step: _Write, now_ns: int) -> None:
        if not any(isinstance(later, _Write) for later in self._steps):
            self._carried, self._refreshed_ns = step.decision, now_ns

    def _refused(self, step: _Read | _Write, refusal: str, now_ns: int) -> None:
        touched = (
            [place.address for place in step.block.places]
            if isinstance(step, _Read)
            else range(step.address, step.address + len(step.bits))
        )
        for number in touched:
            coil = self._coils[number]
            coil.fault = f"{_READING if isinstance(step, _Read) else _WRITING}{refusal}"
            if isinstance(step, _Read):
                coil.actual, coil.read_ns, coil.expected = None, now_ns, None
        if isinstance(step, _Write):
            self._note_carried(step, now_ns)
        elif not self._adopted and not self._releasing:
            # Never write to outputs whose state is unknown: they may be another master's.
            self._steps.clear()
            self._down = f"outputs cannot be read: {refusal}"
            self._checked_ns = now_ns
            self._again_ns = now_ns + max(_AGAIN_NS, self._poll_ns() // 5)

    def _note_known(self, now_ns: int) -> list[_Step]:
        """After a row of reads: are the outputs known, and are they released? Returns no further steps."""
        self._checked_ns = now_ns
        known = all(coil.actual is not None for coil in self._coils.values())
        if self._releasing:
            self._again_ns = now_ns + _AGAIN_NS
            self.released = known and not any(coil.actual for coil in self._coils.values())
        if known and not self._adopted:
            for coil in self._coils.values():
                if coil.let_go_ns >= 0:  # seen only from now on: until here the link counted as lost
                    coil.let_go_ns = now_ns
        if known:
            self._adopted, self._down = True, ""
        self._orphans = {n for n in self._orphans if self._coils[n].actual is not False}
        return []

    def _failed(self, reason: str, lost: bool, now_ns: int) -> None:
        step = self._steps[0] if self._steps else None
        if isinstance(step, _Verify):
            # Some devices do not answer at all when asked for a register they do not have.
            self._check_again.discard(step.what)
            self._unverified[step.what] = f"cannot be read, {reason}"
            self._verify_ns = now_ns + self._poll_ns()
        self._steps.clear()
        self._failures += 1
        self._carried = None
        self._checked_ns = self._checked_ns or now_ns
        self._again_ns = now_ns + _AGAIN_NS
        if lost or self._failures >= _LOST_AFTER:
            self.lost(reason)

    # --- release settings of the module ----------------------------------------------------------

    def _verified(self, step: _Verify, words: tuple[int, ...], refusal: str) -> None:
        self._check_again.discard(step.what)
        if refusal:
            self._unverified[step.what] = f"cannot be read, {refusal}"
            return
        got = raw_value(step.spec, words) if step.spec.place.table.endswith("register") else words[0]
        if got == step.right:
            self._unverified.pop(step.what, None)
        else:
            self._unverified[step.what] = f"the module holds {got:g}, the settings say {step.right}"

    # --- times -------------------------------------------------------------------------------------

    def _poll_ns(self) -> int:
        return int(self._device.poll_s * _S)

    def _check_due_ns(self) -> int:
        return (self._checked_ns or self._started_ns) + self._poll_ns()

    def _refresh_due_ns(self) -> int:
        """A third of the module's timeout, so that two refreshes may fail; a new decision comes sooner."""
        module = self._device.relay_module
        return self._refreshed_ns + (int(module.timeout_s / 3.0 * _S) if module else self._poll_ns())


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
