"""One task per link: one outstanding request at a time, fair shares, silence, reconnection.

All waiting is done here; what to ask and what an answer means is decided in poller.py and relays.py,
and nothing of it may move here. Time-outs and back-off are real time, polls are station time. A
request is never cancelled: it ends with its answer, its time-out or the end of the connection.
"""

from __future__ import annotations

import asyncio
import random

import structlog

from collector.clock import Clock
from collector.field.layout import DeviceLayout, LinkLayout
from collector.field.plan import exception_words
from collector.field.poller import GATEWAY_EXCEPTIONS, Poller
from collector.field.relays import Bank
from collector.field.transport import Connection, LinkDown, open_connection
from collector.field.wire import Answer, Request, mbap_frame, rtu_frame, take_mbap, take_rtu
from collector.messages import Decision

_S = 1_000_000_000
_log = structlog.get_logger("field")

#: Reconnection [real s]: first pause and longest, each drawn from its upper half so that a
#: substation's gateways do not all come back in step.
_RECONNECT_FIRST_S, _RECONNECT_MOST_S = 0.25, 5.0
#: A unit that does not answer is next asked after this many times what the silence cost the link, at most.
_HOLD_MOST = 10.0
#: So many time-outs in a row and no answer at all: the connection itself is doubted and opened anew.
_SILENT_MOST = 3
#: RTU: bytes still coming so shortly before the end of the silence prolong it, once over [real s].
_STILL_TALKING_S = 0.05
#: RTU: bytes that nobody asked for going on for so long mean that the line cannot be used [real s].
_NOISE_MOST_S = 1.0
#: Longest sleep without looking around [real s].
_IDLE_MOST_S = 1.0
#: RTU: silence between frames in characters (Modbus over serial line V1.02, 2.5.1.1); bits a character.
_FRAME_GAP_CHARS, _CHAR_BITS = 3.5, 11


class Unit:
    """One device on the link, with the share of the link it may cost."""

    def __init__(self, layout: DeviceLayout, bank: Bank | None, now_ns: int) -> None:
        self.layout = layout
        self.id = layout.device.id
        self.poller = Poller(layout.device, layout.wants, now_ns)
        self.bank = bank
        #: Its own, and those of other devices that are the same unit: a request to one feeds all.
        self.banks = [bank] if bank is not None else []
        self.reason = "not asked yet" if self.poller.readings or bank else ""
        self.held_until = 0.0  # loop time
        self.kept_silent = False
        self._misses = 0
        self._given_up = False

    @property
    def polled(self) -> bool:
        done = self.poller.polled and (self.bank is None or self.bank.polled)
        self._given_up = self._given_up or done
        return self._given_up

    def silent(self, now_ns: int) -> bool:
        return any(bank.silent(now_ns) for bank in self.banks)

    def give_up(self, reason: str, now_ns: int) -> None:
        self.reason, self._given_up = reason, True
        self.poller.give_up(reason, now_ns)
        if self.bank is not None:
            self.bank.lost(reason)

    def answered(self, answer: Answer, started: float, now: float) -> None:
        """Keep account of what the device costs: silence is paid for by being asked less often."""
        missed = answer.silent or answer.lost or answer.exception in GATEWAY_EXCEPTIONS
        reason = answer.failure or (exception_words(answer.exception) if missed else "")
        if bool(reason) != bool(self.reason):
            _log.info("device", device=self.id, reason=reason or "answers")
        self.reason = reason
        self._given_up = self._given_up or missed
        if not missed:
            self._misses, self.held_until = 0, 0.0
            return
        cost = (now - started) * min(2.0**self._misses, _HOLD_MOST)
        self._misses += 1
        self.held_until = now + cost


class LinkTask:
    """Polls and writes the devices of one link. Create, ``await run()`` in a task, cancel to end."""

    def __init__(self, layout: LinkLayout, clock: Clock, before: LinkTask | None = None) -> None:
        """``before``: what ran in this place until a reload; its latest values are shown until read again."""
        self.layout = layout
        self._clock = clock
        self._link = layout.link
        self._rtu = self._link.type != "tcp"
        now_ns = clock.mono_ns()
        known = {unit.id: unit for unit in before.units} if before else {}
        self.units: list[Unit] = [
            self._unit(device, now_ns, known.get(device.device.id)) for device in layout.devices
        ]
        for unit in self.units:
            same = [other for other in self.units if other.layout.device.unit == unit.layout.device.unit]
            unit.banks = [other.bank for other in same if other.bank is not None]
        self._order = list(self.units)
        self._connection: Connection | None = None
        self._wake = asyncio.Event()
        self._down = ""
        self._told_down = True
        self._answers = 0  # on this connection
        self._repeated = False
        self._attempts = 0
        self._retry_at = 0.0
        self._silent_in_row = 0
        self._transaction = random.randrange(0xFFFF)  # not the one a killed predecessor had under way
        self._ready_at: float = before._ready_at if before else 0.0  # loop time
        self._noise_from: float | None = None
        self._releasing = False
        self.all_released = asyncio.Event()
        self._relays_first = True

    def _unit(self, layout: DeviceLayout, now_ns: int, before: Unit | None) -> Unit:
        bank = None
        if layout.is_relay_module:
            same = before is not None and before.layout.device.unit == layout.device.unit
            orphans = [coil for coil, _ in before.layout.outputs] if before is not None and same else []
            bank = Bank(layout.device, dict(layout.outputs), self.layout.rules, now_ns, orphans)
            if before is not None and before.bank is not None:
                bank.inherit(before.bank)
        unit = Unit(layout, bank, now_ns)
        if before is not None:
            unit.reason = before.reason
            old = dict(before.layout.wants)
            for measurement, spec in layout.wants:
                if old.get(measurement) == spec:
                    unit.poller.readings[measurement] = before.poller.readings[measurement]
        return unit

    # --- called from outside, never waiting --------------------------------------------------------

    def offer(self, decision: Decision) -> None:
        for unit in self.units:
            if unit.bank is not None:
                unit.bank.offer(decision)
        self._wake.set()

    def release(self) -> None:
        """From now on only releases are written, at once, without regard to back-off."""
        self._releasing = True
        self._retry_at = 0.0
        for unit in self.units:
            unit.held_until = 0.0
            if unit.bank is not None:
                unit.bank.release(self._clock.mono_ns())
        self._note_released()
        self._wake.set()

    def _note_released(self) -> None:
        if self._releasing and all(unit.bank.released for unit in self.units if unit.bank is not None):
            self.all_released.set()

    # --- the task ------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Until cancelled. A fault of our own is logged and costs this link one pause, never another link."""
        try:
            while True:
                try:
                    await self._turn()
                except Exception:  # noqa: BLE001 - logged with its traceback; the other links go on
                    _log.exception("fault in link task", link=self._link.id)
                    self._drop("a fault in windingd's link task", self._clock.mono_ns())
                    await asyncio.sleep(_RECONNECT_MOST_S)
        finally:
            if self._connection is not None:
                self._connection.close("closed by windingd")
                self._connection = None

    async def _turn(self) -> None:
        """At most one request."""
        now_ns, now = self._clock.mono_ns(), asyncio.get_running_loop().time()
        self._wake.clear()
        if self._connection is not None and self._connection.closed:
            self._drop(self._connection.closed, now_ns)
        self._keep_silence(now_ns)
        chosen = self._choose(now_ns, now)
        if chosen is None:
            await self._idle(self._until_next(now_ns, now))
        elif self._connection is None:
            if now < self._retry_at:
                self._give_up_due(now_ns)
                await self._idle(self._retry_at - now)
            else:
                await self._connect()
        elif now < self._ready(now):
            await self._idle(self._ready_at - now)
        else:
            unit, talker = chosen
            request = talker.request(now_ns)
            self._relays_first = talker is not unit.bank
            if request is None:
                await asyncio.sleep(0)
                return
            self._noise_from = None
            answer = await self._exchange(self._connection, request)
            self._took(unit, talker, answer, now)

    def _choose(self, now_ns: int, now: float) -> tuple[Unit, Bank | Poller] | None:
        """Who may ask next: relay modules and readings in turn, units round robin."""
        relays: tuple[Unit, Bank | Poller] | None = None
        reading: tuple[Unit, Bank | Poller] | None = None
        for unit in self._order:
            held = now < unit.held_until and not self._releasing
            if held or unit.silent(now_ns):
                continue
            if relays is None and unit.bank is not None and _due(unit.bank, now_ns):
                relays = unit, unit.bank
            if reading is None and not self._releasing and _due(unit.poller, now_ns):
                reading = unit, unit.poller
        return (relays or reading) if self._relays_first else (reading or relays)

    def _until_next(self, now_ns: int, now: float) -> float:
        """Real seconds until somebody wants to ask, or silence begins."""
        waits = [_IDLE_MOST_S]
        for unit in self.units:
            if unit.silent(now_ns):
                continue
            held = 0.0 if self._releasing else unit.held_until - now
            talkers: list[Bank | Poller] = [] if self._releasing else [unit.poller]
            if unit.bank is not None:
                talkers.append(unit.bank)
                if not self._releasing:
                    waits.append(self._clock.real_s((unit.bank.silent_from_ns() - now_ns) / _S))
            for talker in talkers:
                due_ns = talker.next_ns(now_ns)
                if due_ns is not None:
                    waits.append(max(held, self._clock.real_s((due_ns - now_ns) / _S)))
        return min(waits)

    async def _idle(self, wait_s: float) -> None:
        """Sleep, but wake for a decision, a release or the end of the connection."""
        if wait_s <= 0:
            await asyncio.sleep(0)
            return
        try:
            async with asyncio.timeout(wait_s):
                await self._wake.wait()
        except TimeoutError:
            return

    def _keep_silence(self, now_ns: int) -> None:
        """Where the newest decision is too old: not one request more, and the connection is closed."""
        for unit in self.units:
            silent = unit.silent(now_ns)
            before, unit.kept_silent = unit.kept_silent, silent
            if silent and not before and not self._releasing:
                alone = any(bank.left_alone for bank in unit.banks)
                why = "left alone by decision" if alone else "no decision that is new enough"
                reason = f"kept silent so that its outputs release: {why}"
                _log.warning("relay module kept silent", device=unit.id)
                unit.give_up(reason, now_ns)
                self._drop("closed, because a relay module on it must be kept silent", now_ns)
                self._retry_at = 0.0
            elif before and not silent:
                unit.poller.due_ns = now_ns

    # --- connection ------------------------------------------------------------------------------------

    async def _connect(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            self._connection = await open_connection(self._link, self._wake.set)
        except LinkDown as error:
            self._drop(str(error), self._clock.mono_ns())
            return
        now_ns = self._clock.mono_ns()
        self._silent_in_row = self._answers = 0
        if self._rtu:
            # Whoever talked on this line before us may have left a request outstanding.
            self._keep_line_silent(loop.time())
        for unit in self.units:
            unit.poller.reconnected(bool(unit.reason), now_ns)

    def _drop(self, reason: str, now_ns: int) -> None:
        """The connection is gone or given up; the next attempt follows after a jittered back-off."""
        if self._connection is not None:
            self._connection.close(reason, reset=True)
            self._connection = None
        if self._attempts and not self._told_down:
            _log.warning("link down", link=self._link.id, reason=reason)
            self._told_down = True
        self._down = reason
        # At once after a connection that worked: some devices close it after every answer.
        pause = min(_RECONNECT_MOST_S, _RECONNECT_FIRST_S * 2.0**self._attempts) if self._attempts else 0.0
        if self._releasing:
            pause = min(pause, _RECONNECT_FIRST_S)
        self._attempts = min(self._attempts + 1, 10)
        now = asyncio.get_running_loop().time()
        self._retry_at = now + pause * random.uniform(0.5, 1.0)
        for unit in self.units:
            if unit.bank is not None and not unit.kept_silent:
                unit.bank.lost(reason, for_now=self._answers > 0)
        self._answers = 0
        if self._rtu:
            self._keep_line_silent(now)

    def _give_up_due(self, now_ns: int) -> None:
        for unit in self.units:
            if not unit.silent(now_ns):
                unit.give_up(self._down, now_ns)

    def _keep_line_silent(self, now: float) -> None:
        self._ready_at = max(self._ready_at, now + self._link.late_answer_s)

    def _ready(self, now: float) -> float:
        """Loop time from which a request may go out. RTU: throws away what arrives until then."""
        connection = self._connection
        if self._rtu and connection is not None and connection.buffer:
            # Nobody asked for these bytes: an answer that came late, so another may be on its way.
            connection.buffer.clear()
            self._noise_from = now if self._noise_from is None else self._noise_from
            if now - self._noise_from > 2 * self._link.late_answer_s + _NOISE_MOST_S:
                self._down = "the line is never silent: another master, or a device that talks unasked"
                self._give_up_due(self._clock.mono_ns())
            if now >= self._ready_at:
                self._keep_line_silent(now)
            elif self._ready_at - now < _STILL_TALKING_S:
                self._ready_at = now + _STILL_TALKING_S
        return self._ready_at

    # --- one request ---------------------------------------------------------------------------------

    async def _exchange(self, connection: Connection, request: Request) -> Answer:
        """Send and wait for the answer, the time-out or the end of the connection."""
        loop = asyncio.get_running_loop()
        self._transaction = self._transaction % 0xFFFF + 1  # never 0: some peers answer 0 to everything
        frame = (rtu_frame if self._rtu else mbap_frame)(request, self._transaction)
        take = take_rtu if self._rtu else take_mbap
        connection.send(frame)
        deadline = loop.time() + self._link.timeout_s + self._on_the_wire_s(len(frame), request)
        while True:
            answer = take(connection.buffer, request, self._transaction)
            if answer is not None:
                break
            if connection.closed:
                answer = Answer(failure=connection.closed, lost=True)
            elif not await connection.more(deadline):
                answer = self._timed_out(connection)
            if answer is not None:
                break
        now = loop.time()
        self._ready_at = now + self._turnaround_s()
        if self._rtu and answer.failure:
            self._keep_line_silent(now)
        return answer

    def _timed_out(self, connection: Connection) -> Answer:
        waited = f"within {self._link.timeout_s:g} s"
        if not connection.buffer:
            return Answer(failure=f"no answer {waited}", silent=True)
        # On TCP the rest of a broken-off frame would be taken for the head of the next: start afresh.
        return Answer(failure=f"no sound answer {waited}", silent=True, lost=not self._rtu)

    def _took(self, unit: Unit, talker: Bank | Poller, answer: Answer, started: float) -> None:
        now_ns, now = self._clock.mono_ns(), asyncio.get_running_loop().time()
        if answer.lost and not answer.silent and self._answers and not self._repeated:
            # The peer closed a connection that had worked, perhaps before it saw this request (it was
            # idle too long, or closes after every answer): asked once more on a fresh connection.
            self._repeated = True
            self._drop(answer.failure, now_ns)
            return
        self._repeated = False
        talker.took(answer, now_ns)
        self._note_released()
        unit.answered(answer, started, now)
        self._order.remove(unit)
        self._order.append(unit)
        if answer.silent:
            self._silent_in_row += 1
            if unit.poller is not talker:
                unit.poller.give_up(answer.failure, now_ns)
        elif not answer.failure:
            self._silent_in_row = self._attempts = 0
            self._answers += 1
            self._down = ""
            if self._told_down:
                _log.info("link works", link=self._link.id)
                self._told_down = False
        if answer.lost or self._silent_in_row >= _SILENT_MOST:
            self._answers = 0  # it has just failed: no more benefit of the doubt
            self._drop(answer.failure, now_ns)

    def _turnaround_s(self) -> float:
        if self._link.type != "rtu_serial":
            return self._link.turnaround_s
        return max(self._link.turnaround_s, _FRAME_GAP_CHARS * _CHAR_BITS / self._link.baud)

    def _on_the_wire_s(self, sent: int, request: Request) -> float:
        """Serial: the time the bits themselves take, which is no fault of the device [real s]."""
        if self._link.type != "rtu_serial":
            return 0.0
        return (sent + 5 + 2 * request.size) * _CHAR_BITS / self._link.baud


def _due(talker: Bank | Poller, now_ns: int) -> bool:
    due_ns = talker.next_ns(now_ns)
    return due_ns is not None and due_ns <= now_ns
