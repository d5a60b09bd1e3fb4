"""One task per link: one outstanding request at a time, fair shares, silence, reconnection.

All waiting is done here; what to ask and what an answer means is decided in poller.py and relays.py,
and nothing of it may move here. Time-outs and back-off are real time, polls are station time. A
request is never cancelled: it ends with its answer, its time-out or the end of the connection.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from dataclasses import replace

import structlog

from collector.clock import Clock
from collector.field.layout import DeviceLayout, LinkLayout
from collector.field.plan import exception_words
from collector.field.poller import Poller
from collector.field.relays import Bank
from collector.field.reopening import MOST_S, Reopening
from collector.field.told import Told
from collector.field.transport import Connection, LinkDown, open_connection
from collector.field.wire import (
    RTU_LEAST,
    Answer,
    Heard,
    Manner,
    Request,
    Take,
    mbap_frame,
    rtu_frame,
    take_mbap,
    take_rtu,
)
from collector.messages import Decision
from collector.quality import Reading
from collector.settings import waits
from collector.settings.model import Link

Feedback = Callable[[str], Reading | None]

_S = 1_000_000_000
_log = structlog.get_logger("field")

#: No unit gets more requests a second than this for long, whatever goes wrong, nor more than as many at once.
REQUESTS_MOST_PER_S = 100.0
#: A unit that does not answer is next asked after what its silence cost the link, doubled with each failure
#: in a row up to so many times, and never longer than so many time-outs,
_HOLD_MOST = 10.0
#: and not before this time, doubled with each failure in a row up to the longest [real s].
_REPEAT_FIRST_S, _REPEAT_MOST_S = 0.25, 5.0
#: Units that failed so often in a row count as dead (once, if they never answered),
_DEAD_AFTER = 2
#: and all of them together may cost the link no more than this share of its time.
_DEAD_SHARE = 0.25
#: After a failure so many turns are drawn by lot.
_BY_LOT = 8
#: So many time-outs in a row and no answer at all: the connection itself is doubted and opened anew.
_SILENT_MOST = 3
#: RTU: what a device's slowest recent answer took is forgotten by this factor with each quicker one.
_SLOWEST_FADES = 0.8
#: RTU: bytes that nobody asked for going on for so long mean that the line cannot be used [real s].
_NOISE_MOST_S = 1.0
#: A connection that lived so long was not ended by a habit of its peer [real s].
LONG_LIVED_S = 60.0
#: One that was reset sooner is no sign that its peer was restarted: some end every connection so [real s].
_TOO_SHORT_S = 5.0
#: Longest sleep without looking around; shortest, so that no confusion may eat the processor [real s].
_IDLE_MOST_S, _IDLE_LEAST_S = 1.0, 0.001
_NOT_ASKED = "not asked yet"
_TWO_ANSWERS = "more than one answer to one request: none of them is believed"


class Unit:
    """One device on the link, with the share of the link it may cost."""

    def __init__(self, layout: DeviceLayout, link: Link, bank: Bank | None, now_ns: int, rate: float) -> None:
        device = layout.device
        self.layout = layout
        self.id = device.id
        self.timeout_s = waits.timeout_s(link, device)
        self.turnaround_s = waits.turnaround_s(link, device)
        self.late_s = waits.late_answer_s(link, device)
        self.manner = Manner(device.answers_as_unit, device.accept_transaction_id_0)
        self.poller = Poller(layout.device, layout.wants, now_ns)
        self.bank = bank
        #: Those that a request to this unit feeds: its own, those of other devices that are the same unit,
        #: and those of the link that any of its frames feeds. While one of them must release, none goes out.
        self.banks = [bank] if bank is not None else []
        self.reason = _NOT_ASKED if self.poller.readings or bank else ""
        self.kept_silent = False
        self.slowest_s = 0.0  # of its recent answers
        self._held_until = 0.0  # loop time
        self._burst_s, self._every_s = 1.0 / rate, 1.0 / (REQUESTS_MOST_PER_S * rate)
        self._full_at = 0.0  # loop time at which it may again be asked as often at once as it ever may
        self._failures = 0  # in a row
        self._answered = False  # ever
        self._given_up = False
        self._told = Told()

    @property
    def polled(self) -> bool:
        settled = self.poller.polled and self.poller.identity.asked and not self.poller.settling.waiting
        done = settled and (self.bank is None or self.bank.polled)
        self._given_up = self._given_up or done
        return self._given_up

    def silent(self, now_ns: int) -> bool:
        return any(bank.silent(now_ns) for bank in self.banks)

    def urgent(self, now_ns: int) -> bool:
        return self.bank is not None and self.bank.urgent(now_ns)

    def feeds(self, request: Request, now_ns: int) -> None:
        """A request to it is under way, or has just ended."""
        for bank in self.banks:
            bank.fed(request.writes, now_ns)

    def feel(self, feedback: Feedback, now_ns: int) -> None:
        """Tell of outputs that cannot be read back what the feedbacks of their stages say."""
        for output, measurement in self.layout.feedbacks if self.bank is not None else ():
            reading = feedback(measurement)
            if self.bank is not None and reading is not None and reading.quality.is_good:
                self.bank.felt(output, bool(reading.value), reading.mono_ns, now_ns)

    def give_up(self, reason: str, now_ns: int) -> None:
        self.reason, self._given_up = reason, True
        self.poller.give_up(reason, now_ns)
        if self.bank is not None:
            self.bank.lost(reason)

    def offer(self, decision: Decision) -> None:
        """A module that is not the one it must be holds nothing off."""
        if self.bank is None:
            return
        self.bank.stranger = not self.poller.identity.trusted
        if self.bank.stranger:
            decision = replace(decision, energise=dict.fromkeys(decision.energise, False))
        self.bank.offer(decision)

    @property
    def dead(self) -> bool:
        retries = self.layout.device.retries
        return self._failures >= retries + (_DEAD_AFTER if self._answered else 1)

    def held_s(self, now: float, regardless: bool) -> float:
        """Real seconds until it may be asked. ``regardless`` of what its silence cost, for a release."""
        bound_s = self._full_at - self._burst_s - now
        return max(0.0, bound_s, 0.0 if regardless else self._held_until - now)

    def asked(self, now: float) -> None:
        self._full_at = max(self._full_at, now) + self._every_s

    def answered(self, answer: Answer, cost_s: float, now: float) -> None:
        """Keep account of what the device costs: silence is paid for by being asked less often."""
        reason = answer.failure or (exception_words(answer.exception) if answer.missed else "")
        if reason and self._failures < self.layout.device.retries:
            self._failures += 1  # it is asked again at once, before a word is said
            return
        if bool(reason) != bool(self.reason):
            self._told.note(now, _log.info, "device", device=self.id, reason=reason or "answers")
        self.reason = reason
        if not reason:
            self._failures, self._held_until, self._answered = 0, 0.0, True
            return
        self._given_up = True
        times = 2.0 ** (self._failures - self.layout.device.retries)
        pause = min(cost_s * min(times, _HOLD_MOST), self.timeout_s * _HOLD_MOST)
        pause = max(pause, min(_REPEAT_FIRST_S * times, _REPEAT_MOST_S))
        self._failures = min(self._failures + 1, 16)
        self._held_until = now + pause

    def reconnected(self, turned_over: bool, was_reset: bool, now_ns: int) -> None:
        """A fresh connection. After a loss it is worth a look, whatever was wrong before."""
        was_failing = self.reason not in ("", _NOT_ASKED) and not turned_over
        if not turned_over:
            self._held_until = 0.0
        self.poller.reconnected(was_failing or was_reset, now_ns)

    def tell(self, now: float) -> None:
        self._told.due(now)


class LinkTask:
    """Polls and writes the devices of one link. Create, ``await run()`` in a task, cancel to end."""

    def __init__(
        self, layout: LinkLayout, clock: Clock, feedback: Feedback, before: LinkTask | None = None
    ) -> None:
        """``feedback``: what any device of the station last said of a stage.

        ``before``: what ran in this place until a reload; its latest values are shown until read again.
        """
        self.layout = layout
        self._feedback = feedback
        self._clock = clock
        self._link = layout.link
        self._rtu = self._link.type != "tcp"
        now_ns = clock.mono_ns()
        known = {unit.id: unit for unit in before.units} if before else {}
        self.units: list[Unit] = [
            self._unit(device, now_ns, known.get(device.device.id)) for device in layout.devices
        ]
        for unit in self.units:
            at = unit.layout.device.unit
            banks = [(other.layout.device.unit, other.bank) for other in self.units]
            unit.banks = [bank for where, bank in banks if bank is not None and (where == at or bank.wide)]
        #: Answers cannot be told from each other by an id.
        self._bare = self._rtu or any(unit.manner.zero_id for unit in self.units)
        self._gap_s = waits.frame_gap_s(self._link)
        self._late_s = max((unit.late_s for unit in self.units), default=0.0)
        #: Whose turn it is, for relays and for readings: one list for both would let a module that is both
        #: spend its turn on its relays alone.
        self._relay_turns = [unit for unit in self.units if unit.bank is not None]
        self._reading_turns = list(self.units)
        self._connection: Connection | None = None
        self._wake = asyncio.Event()
        self._down = ""
        self._was_reset = False  # the last connection, by the other side: it may have been restarted
        self._told_down = True
        self._told = Told()
        self._reopening = Reopening(
            self._link.one_request_per_connection,
            self._link.back_to_first_s if self._link.standby_host else None,
        )
        self._opened_at = 0.0  # loop time
        self._turned_over = False
        self._answers = 0  # on this connection
        self._heard: set[str] = set()  # who answered on it, or on those before that it took over from
        self._repeated = False
        self._silent_in_row = 0
        self._dead_free_at = 0.0  # loop time from which a dead unit may be asked
        self._transaction = random.randrange(0xFFFF)  # not the one a killed predecessor had under way
        self._ready_at = 0.0  # loop time: the turnaround is over
        self._quiet_until: float = before._quiet_until if before else 0.0  # loop time: RTU, nothing is read
        self._noise_from: float | None = None
        self._unasked = 0  # bytes since the last answer
        self._last: tuple[Unit, Bank | Poller] | None = None  # whose read was answered last
        #: When the other side last ended a connection that had lived long [station ns], and if by a reset.
        self.cut_ns, self.cut_by_reset = -1, False
        self._decision: Decision | None = None
        self._releasing = False
        self.all_released = asyncio.Event()
        self._relays_first = True
        self._unsteady = 0  # so many turns are still drawn by lot

    def _unit(self, layout: DeviceLayout, now_ns: int, before: Unit | None) -> Unit:
        bank = None
        if layout.is_relay_module:
            same = before is not None and before.layout.device.unit == layout.device.unit
            orphans = [point for point, _ in before.layout.outputs] if before is not None and same else []
            orphans += layout.orphans
            # Answers come in real time: in a simulation at a higher rate the bound must leave room for two.
            rate, answer_s = self._clock.rate, waits.timeout_s(self._link, layout.device)
            least_ns = int(2 * answer_s * rate * _S) if rate > 1 else 0
            bank = Bank(
                layout.device,
                dict(layout.outputs),
                self.layout.rules,
                now_ns,
                orphans,
                least_ns,
            )
            if before is not None and before.bank is not None:
                bank.inherit(before.bank)
        unit = Unit(layout, self._link, bank, now_ns, self._clock.rate)
        if before is not None:
            unit.reason = before.reason
            old = dict(before.layout.wants)
            for measurement, spec in layout.wants:
                if old.get(measurement) == spec:
                    unit.poller.readings[measurement] = before.poller.readings[measurement]
        return unit

    # --- called from outside, never waiting --------------------------------------------------------

    def offer(self, decision: Decision) -> None:
        self._decision = decision
        for unit in self.units:
            unit.offer(decision)
        self._wake.set()

    def release(self) -> None:
        """From now on only releases are written, at once, without regard to back-off."""
        self._releasing = True
        self._reopening.at_once()
        for unit in self.units:
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
                    self._answers = 0
                    self._drop("a fault in windingd's link task", self._clock.mono_ns())
                    await asyncio.sleep(MOST_S)
        finally:
            if self._connection is not None:
                self._connection.close("closed by windingd")
                self._connection = None

    async def _turn(self) -> None:
        """At most one request."""
        self._wake.clear()
        connection = self._connection
        if connection is not None and connection.closed:
            if self._answers:
                self._turn_over(connection.closed, self._clock.mono_ns())
            else:
                self._drop(connection.closed, self._clock.mono_ns())
        now_ns, now = self._clock.mono_ns(), asyncio.get_running_loop().time()
        self._throw_away_unasked(now, now_ns)
        for unit in self.units:
            unit.feel(self._feedback, now_ns)
        self._keep_silence(now_ns)
        self._tell(now)
        chosen = self._choose(now_ns, now)
        if chosen is None:
            await self._idle(self._until_next(now_ns, now))
        elif self._connection is not None and self._reopening.first_due(now):
            await self._look_for_first(now_ns)
        elif self._connection is None:
            if now < self._reopening.at:
                if self._down:
                    self._give_up_due(now_ns)
                await self._idle(self._reopening.at - now)
            else:
                await self._connect()
        else:
            unit, talker = chosen
            request = talker.request(now_ns)
            if request is None:
                self._relays_first = talker is not unit.bank
                await self._idle(0.0)
            elif now < self._may_send_at(request):
                await self._idle(self._may_send_at(request) - now)
            else:
                self._pass_turn(talker is unit.bank)
                unit.feeds(request, now_ns)
                answer = await self._exchange(self._connection, unit, request)
                unit.feeds(request, self._clock.mono_ns())
                self._took(unit, talker, answer, now_ns, now)

    def _choose(self, now_ns: int, now: float) -> tuple[Unit, Bank | Poller] | None:
        """Who may ask next: first who has an output to release; then modules and readings in turn."""
        for unit in self._relay_turns:
            may = not unit.silent(now_ns) and unit.held_s(now, regardless=True) <= 0
            if may and unit.bank is not None and unit.urgent(now_ns):
                return unit, unit.bank
        relays: tuple[Unit, Bank | Poller] | None = None
        reading: tuple[Unit, Bank | Poller] | None = None
        for unit in self._relay_turns:
            due = unit.bank is not None and not unit.silent(now_ns) and _due(unit.bank, now_ns)
            if unit.bank is not None and due and self._held_s(unit, now) <= 0:
                relays = unit, unit.bank
                break
        for unit in [] if self._releasing else self._reading_turns:
            if not unit.silent(now_ns) and self._held_s(unit, now) <= 0 and _due(unit.poller, now_ns):
                reading = unit, unit.poller
                break
        return (relays or reading) if self._relays_first else (reading or relays)

    def _pass_turn(self, was_relays: bool) -> None:
        """Relays and readings alternate; after a failure it is drawn by lot whose turn it is.

        A device that is late with every n-th answer would else be late with the same one for ever.
        """
        self._relays_first = not was_relays
        if self._unsteady:
            self._unsteady -= 1
            self._relays_first = random.random() < 0.5

    def _held_s(self, unit: Unit, now: float) -> float:
        """Real seconds until the unit may be asked, for what its silence and that of all dead ones cost."""
        held_s = unit.held_s(now, regardless=self._releasing)
        return max(held_s, self._dead_free_at - now) if unit.dead and not self._releasing else held_s

    def _until_next(self, now_ns: int, now: float) -> float:
        """Real seconds until somebody wants to ask, or silence begins."""
        waits = [_IDLE_MOST_S]
        for unit in self.units:
            if unit.silent(now_ns):
                until = [ns for bank in unit.banks if (ns := bank.silent_until_ns()) is not None]
                waits += [self._clock.real_s((ns + 1 - now_ns) / _S) for ns in until]
                continue
            held = self._held_s(unit, now)
            if unit.urgent(now_ns):
                waits.append(unit.held_s(now, regardless=True))
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
        try:
            async with asyncio.timeout(max(wait_s, _IDLE_LEAST_S)):
                await self._wake.wait()
        except TimeoutError:
            return

    def _keep_silence(self, now_ns: int) -> None:
        """Where the newest decision is too old: not one request more, and the connection is closed."""
        for unit in self.units:
            silent = unit.silent(now_ns)
            before, unit.kept_silent = unit.kept_silent, silent
            if silent and not before and not self._releasing:
                why = next(bank.why_silent(now_ns) for bank in unit.banks if bank.silent(now_ns))
                reason = f"kept silent so that its outputs release: {why}"
                _log.warning("relay module kept silent", device=unit.id, reason=why)
                unit.give_up(reason, now_ns)
                self._drop("closed, because a relay module on it must be kept silent", now_ns)
                self._reopening.at_once()
            elif before and not silent:
                unit.poller.due_ns = now_ns

    # --- connection ------------------------------------------------------------------------------------

    async def _connect(self) -> None:
        loop = asyncio.get_running_loop()
        self._reopening.opening(loop.time())
        try:
            self._connection = await open_connection(self._link, self._wake.set, self._reopening.on_standby)
        except LinkDown as error:
            self._drop(str(error), self._clock.mono_ns())
            return
        self._opened_at = loop.time()
        self._silent_in_row = self._answers = 0
        if self._bare and not self._turned_over:
            # Whoever talked on this line before us may have left a request outstanding.
            self._keep_line_silent(self._opened_at, self._late_s)
        now_ns = self._clock.mono_ns()
        if not self._turned_over:
            self._heard.clear()
        for unit in self.units:
            unit.reconnected(self._turned_over, self._was_reset, now_ns)
        self._was_reset = False

    async def _look_for_first(self, now_ns: int) -> None:
        """While the second address is in use: the first takes over as soon as it can be reached."""
        try:
            first = await open_connection(self._link, self._wake.set)
        except LinkDown:
            return
        self._turn_over("back to the first address", now_ns, by_us=True)
        self._reopening.back_to_first()
        self._connection, self._opened_at = first, asyncio.get_running_loop().time()

    def _turn_over(self, reason: str, now_ns: int, by_us: bool = False) -> None:
        """A connection that worked has ended, as some peers do after each answer or when it was idle.

        What was begun goes on where it was as soon as somebody wants to ask, on the next connection.
        """
        now = asyncio.get_running_loop().time()
        self._reopening.turned_over(now, self._answers, by_peer=not by_us)
        if not by_us and not self._reopening.one_request(now):
            self._lose_banks(reason, for_now=True)
        self._close(reason, now_ns)
        self._turned_over = True

    def _drop(self, reason: str, now_ns: int) -> None:
        """The connection is gone or given up; the next attempt follows after a jittered back-off."""
        now = asyncio.get_running_loop().time()
        if self._reopening.tried and not self._told_down:
            self._told.note(now, _log.warning, "link down", link=self._link.id, reason=reason)
            self._told_down = True
        self._down = reason
        self._reopening.lost(now, hurry=self._releasing)
        self._lose_banks(reason, for_now=self._answers > 0)
        self._close(reason, now_ns, reset=True)
        self._turned_over = False
        if self._bare:
            self._keep_line_silent(now, self._late_s)

    def _lose_banks(self, reason: str, for_now: bool) -> None:
        for unit in self.units:
            if unit.bank is not None and not unit.kept_silent:
                unit.bank.lost(reason, for_now)

    def _close(self, reason: str, now_ns: int, reset: bool = False) -> None:
        connection, self._connection = self._connection, None
        self._answers = 0
        if connection is None:
            return
        lived_s = asyncio.get_running_loop().time() - self._opened_at
        if connection.by_peer and lived_s >= LONG_LIVED_S:
            self.cut_ns, self.cut_by_reset = now_ns, connection.reset
        self._was_reset = connection.by_peer and connection.reset and lived_s >= _TOO_SHORT_S
        connection.close(reason, reset)

    def _tell(self, now: float) -> None:
        self._told.due(now)
        for unit in self.units:
            unit.tell(now)

    def _give_up_due(self, now_ns: int) -> None:
        for unit in self.units:
            if not unit.silent(now_ns):
                unit.give_up(self._down, now_ns)

    # --- RTU: answers carry no id, so silence is what tells one from another ---------------------------

    def _keep_line_silent(self, now: float, late_s: float) -> None:
        self._quiet_until = max(self._quiet_until, now + late_s)

    def _may_send_at(self, request: Request) -> float:
        """Loop time. A release does not wait for a late answer: its own names address and value."""
        return self._ready_at if request.releases else max(self._ready_at, self._quiet_until)

    def _throw_away_unasked(self, now: float, now_ns: int) -> None:
        """Bytes that nobody asked for: an answer that came late, so another may be on its way."""
        connection = self._connection
        if not self._bare or connection is None or not connection.buffer:
            return
        self._unasked += len(connection.buffer)
        connection.buffer.clear()
        if self._last is not None and self._unasked >= RTU_LEAST:
            # Which of the two was the answer to the last request cannot be known.
            unit, talker = self._last
            self._last = None
            talker.withdraw(_TWO_ANSWERS, now_ns)
            unit.answered(Answer(failure=_TWO_ANSWERS), 0.0, now)
        self._noise_from = now if self._noise_from is None else self._noise_from
        if now - self._noise_from > 2 * self._late_s + _NOISE_MOST_S:
            self._down = "the line is never silent: another master, or a device that talks unasked"
            self._give_up_due(now_ns)
        self._keep_line_silent(now, self._late_s)

    async def _alone(self, connection: Connection, unit: Unit, sent: float) -> bool:
        """The answer just cut out was the only one: nothing follows it within the gap between frames,

        nor before the device's slowest recent answer would have come (what came sooner may be a late one
        that a gateway passed on just now).
        """
        loop = asyncio.get_running_loop()
        until = max(loop.time() + self._gap_s, sent + unit.slowest_s)
        while len(connection.buffer) < RTU_LEAST and not connection.closed:
            if not await connection.more(until):
                return True
        return len(connection.buffer) < RTU_LEAST

    # --- one request ---------------------------------------------------------------------------------

    async def _exchange(self, connection: Connection, unit: Unit, request: Request) -> Answer:
        """Send and wait for the answer, the time-out or the end of the connection."""
        loop = asyncio.get_running_loop()
        self._transaction = self._transaction % 0xFFFF + 1  # never 0: some peers answer 0 to everything
        frame = (rtu_frame if self._rtu else mbap_frame)(request, self._transaction)
        take: Take = take_rtu if self._rtu else take_mbap
        heard = Heard()
        sent = loop.time()
        self._last, self._unasked = None, 0
        if sent >= self._quiet_until:
            self._noise_from = None
        connection.send(frame)
        unit.asked(sent)
        deadline = sent + self._longest_s(unit, request)
        in_time = True
        while True:
            # One last look after the deadline: what came while this program stood still has come.
            answer = take(connection.buffer, request, self._transaction, unit.manner, heard)
            if answer is None and connection.closed:
                answer = Answer(failure=connection.closed, lost=True)
            elif answer is None and not in_time:
                answer = self._timed_out(connection, unit, heard)
            if answer is not None:
                break
            in_time = await connection.more(deadline)
        took_s = min(loop.time(), deadline) - sent
        if self._bare and not answer.failure and not request.writes:
            if await self._alone(connection, unit, sent):
                unit.slowest_s = max(took_s, _SLOWEST_FADES * unit.slowest_s)
            else:
                connection.buffer.clear()
                answer = Answer(failure=_TWO_ANSWERS)
        now = loop.time()
        self._ready_at = now + self._turnaround_s(unit)
        if self._bare and answer.failure:
            self._keep_line_silent(now, unit.late_s)
        return answer

    def _timed_out(self, connection: Connection, unit: Unit, heard: Heard) -> Answer:
        waited = f"within {unit.timeout_s:g} s"
        if heard.zero_id:
            return Answer(
                failure=f"answers with transaction id 0, none with that of its request {waited}", silent=True
            )
        if not connection.buffer:
            return Answer(failure=f"no answer {waited}", silent=True)
        # On TCP the rest of a broken-off frame would be taken for the head of the next: start afresh.
        return Answer(failure=f"no sound answer {waited}", silent=True, lost=not self._rtu)

    def _took(self, unit: Unit, talker: Bank | Poller, answer: Answer, asked_ns: int, started: float) -> None:
        now_ns, now = self._clock.mono_ns(), asyncio.get_running_loop().time()
        worked = self._answers > 0 or self._turned_over
        if answer.lost and not answer.silent and worked and not self._repeated:
            # The peer closed a connection that had worked, perhaps before it saw this request (it was
            # idle too long, or closes after every answer): asked once more on a fresh connection.
            self._repeated = True
            self._relays_first = talker is unit.bank
            self._turn_over(answer.failure, now_ns)
            return
        self._repeated = False
        trusted = unit.poller.identity.trusted
        talker.took(answer, asked_ns if talker is unit.poller else now_ns)
        if unit.poller.identity.trusted is not trusted and self._decision is not None:
            unit.offer(self._decision)
        self._note_released()
        # A stall of this program is no fault of the device: it never costs it more than its time-out.
        cost_s = min(now - started, unit.timeout_s) + max(0.0, self._quiet_until - now)
        unit.answered(answer, cost_s, now)
        turns = self._relay_turns if talker is unit.bank else self._reading_turns
        turns.remove(unit)
        turns.append(unit)
        if answer.failure:
            self._unsteady = _BY_LOT
        if unit.dead:
            self._dead_free_at = now + cost_s * (1.0 / _DEAD_SHARE - 1.0)
        if answer.silent:
            # One that never answered on this connection says nothing about it, as long as others did.
            if unit.id in self._heard or not self._heard:
                self._silent_in_row += 1
            if unit.poller is not talker and unit.dead:
                unit.poller.give_up(answer.failure, now_ns)
        elif not answer.failure:
            self._answered(unit, talker, now_ns, now)
        most = max(_SILENT_MOST, unit.layout.device.retries + 2)
        if self._reopening.tried and not self._heard:
            most = 1  # the connection before was lost too, and nothing has answered on this one
        if answer.lost or self._silent_in_row >= most:
            self._answers = 0  # it has just failed: no more benefit of the doubt
            self._drop(answer.failure, now_ns)

    def _answered(self, unit: Unit, talker: Bank | Poller, now_ns: int, now: float) -> None:
        self._last = unit, talker
        self._silent_in_row = 0
        self._heard.add(unit.id)
        self._answers += 1
        self._down = ""
        self._reopening.works()
        if self._told_down:
            self._told.note(now, _log.info, "link works", link=self._link.id)
            self._told_down = False
        if self._reopening.one_request(now):
            self._turn_over("one request per connection", now_ns, by_us=True)
        elif self._answers > 1:
            self._reopening.goes_on()

    def _turnaround_s(self, unit: Unit) -> float:
        return max(unit.turnaround_s, self._gap_s if self._link.type == "rtu_serial" else 0.0)

    def _longest_s(self, unit: Unit, request: Request) -> float:
        """How long an answer is waited for; serial: and the time that the bits themselves take [real s]."""
        if self._link.type != "rtu_serial":
            return unit.timeout_s
        frames = 2 * RTU_LEAST + 8 + 2 * request.size
        return unit.timeout_s + frames * waits.CHAR_BITS / self._link.baud


def _due(talker: Bank | Poller, now_ns: int) -> bool:
    due_ns = talker.next_ns(now_ns)
    return due_ns is not None and due_ns <= now_ns
