"""What is read from one device and when: its poll cycle, its plan, its latest readings.

Pure: it names the next request and takes the answer; the link owns the socket and the clock. One
failure costs this device's values only, and only for one cycle. A reading is as old as its *request*:
what an answer says was so at some moment after that, however late it came.
"""

from __future__ import annotations

import random
from collections import Counter, deque
from collections.abc import Iterable

from collector.field.codec import Place, Spec, decode
from collector.field.identity import Identity
from collector.field.plan import REFUSALS, Block, DevicePlan, exception_words, unreadable
from collector.field.scales import Scalable, Scales, Words
from collector.field.settling import Settling, settling
from collector.field.wire import NOT_NOW, READ_FUNCTION, Answer, Request
from collector.quality import Detail, Reading, invalid
from collector.settings.model import Device

_S = 1_000_000_000
#: A device of which not one value can be read is asked for everything again so soon [s]: it may be starting.
_REPLAN_NOTHING_LEFT_S = 60.0
#: Reconnections sooner after each other make nothing whole again [s]: some devices close after each answer.
_REPLAN_EVERY_S = 60.0
#: So many requests in a row without an answer (and its ``retries``), and the rest of the cycle is given up.
_GIVE_UP_AFTER = 2


class Poller:
    """Reads one device. ``readings`` holds the latest of each measurement; times are station ns."""

    def __init__(self, device: Device, wants: Iterable[tuple[str, Spec | str]], now_ns: int) -> None:
        self.readings: dict[str, Reading] = {}
        self._device = device
        self._at: dict[Place, list[tuple[str, Spec]]] = {}
        for measurement, spec in wants:
            fault = spec if isinstance(spec, str) else unreadable(spec.place, device.max_block)
            if not fault and isinstance(spec, Spec):
                self._at.setdefault(spec.place, []).append((measurement, spec))
            self.readings[measurement] = Reading(
                None,
                invalid(Detail.BAD_REFERENCE if fault else Detail.OLD_DATA),
                now_ns,
                fault or "not read yet",
                device.id,
            )
        self.settling: Settling = settling(device, self._at)
        self.identity = Identity(device, now_ns)
        self._identifying = False  # the request under way
        self._scales = Scales.of(self._at)
        for place in self._scales.scale_of.values():
            self._at.setdefault(place, [])
        self._plan = DevicePlan.of(self._at, device.max_gap, device.max_block)
        self._queue: deque[Block] = deque()
        self._asked: dict[Block, int] = {}  # when last [ns]
        self._cycle_ns = -1  # begin of the last cycle
        self._missed = 0  # requests in a row without an answer
        self._repeats: Counter[Block] = Counter()  # in this cycle
        self._unsteady = False  # one of the last cycle's
        self._stored: set[Place] = set()  # by the last answer
        self._doubted = False
        self._replan_ns: int | None = None
        self._restorable_ns = now_ns
        self.due_ns = now_ns
        self.polled = not self._at

    def next_ns(self, now_ns: int) -> int | None:
        """When the next request is wanted; None: never."""
        if self._queue:
            return now_ns
        dues = (self.identity.next_ns(), self.due_ns if self._at else None)
        return min((due for due in dues if due is not None), default=None)

    def request(self, now_ns: int) -> Request | None:
        """The next request, or None when nothing is due."""
        who = self.identity.request(now_ns)
        self._identifying = who is not None
        if who is not None:
            return who
        if not self._queue and self._at and now_ns >= self.due_ns:
            self._begin_cycle(now_ns)
        if not self._queue:
            return None
        block = self._queue[0]
        return Request(self._device.unit, READ_FUNCTION[block.table], block.address, block.size)

    def took(self, answer: Answer, now_ns: int) -> None:
        """Take the answer to the last request. ``now_ns``: when that was *asked*."""
        self._stored = set()
        self._missed = self._missed + 1 if answer.missed else 0
        if self._identifying:
            self.identity.took(answer, now_ns)
            if answer.failure or answer.exception in NOT_NOW:
                self.settling.missed()
            if self.identity.doubt:
                self._fail(self._at, self.identity.doubt, now_ns, self._detail_of_doubt)
            return
        block = self._queue[0]
        self._asked[block] = now_ns
        if answer.exception in REFUSALS and not self._doubted:
            self._doubted = True  # asked once more: only a repeated refusal changes the plan
            return
        self._doubted = False
        self._queue.popleft()
        retries = self._device.retries
        if answer.missed and self._missed <= retries and self._repeats[block] < retries:
            self.settling.missed()
            self._repeats[block] += 1
            self._queue.append(block)  # behind the others
            self._unsteady = True
            return
        if answer.ok:
            self._store(block, answer.words, now_ns)
        elif answer.exception in REFUSALS:
            self._plan, parts = self._plan.without(block, answer.exception)
            self._queue = deque([*parts, *(later for later in self._queue if later != block)])
            wait_s = self._device.replan_h * 3600.0
            if not self._plan.now:
                wait_s = min(wait_s, _REPLAN_NOTHING_LEFT_S)
            if self._replan_ns is None or not self._plan.now:
                self._replan_ns = now_ns + int(wait_s * _S)
            self._note_refused(now_ns)
        else:
            reason = answer.failure or exception_words(answer.exception)
            stale = bool(answer.failure) or answer.exception in NOT_NOW
            self.settling.missed()
            self._fail(block.places, reason, now_ns, Detail.OLD_DATA if stale else Detail.FAILURE)
            self._unsteady = True
            if self._missed >= max(_GIVE_UP_AFTER, retries + 1):
                self._fail_rest(reason, now_ns)
        self.polled = self.polled or not self._queue

    def withdraw(self, reason: str, now_ns: int) -> None:
        """What the last answer brought is not to be believed after all."""
        if self._stored:
            self.settling.withdraw(self._stored)
            self._fail(self._stored, reason, now_ns)
            self._stored, self._unsteady = set(), True

    def give_up(self, reason: str, now_ns: int) -> None:
        """The device cannot be asked at present: what is due fails with ``reason`` until the next cycle."""
        if not self._queue:
            if not self._at or now_ns < self.due_ns:
                return
            self._begin_cycle(now_ns)
        self._fail_rest(reason, now_ns)
        self.polled = True

    def reconnected(self, was_failing: bool, now_ns: int) -> None:
        """A fresh connection: refused blocks are tried whole again; a device that failed is read at once."""
        if not self._plan.is_whole and now_ns >= self._restorable_ns:
            self._replan_ns = now_ns
            self._restorable_ns = now_ns + int(_REPLAN_EVERY_S * _S)
        self.identity.again(now_ns, was_failing)
        if was_failing:
            self.settling.back()
            self.due_ns = now_ns
        else:
            self.settling.reopened()

    def _begin_cycle(self, now_ns: int) -> None:
        # A link too slow for its polls reads on without a pause, but does not gather a backlog.
        self.due_ns = max(self.due_ns + int(self._device.poll_s * _S), now_ns)
        if self._replan_ns is not None and now_ns >= self._replan_ns:
            self._plan, self._replan_ns = self._plan.restored(), None
        self._note_refused(now_ns)
        self._show(self._scales.over())
        self._queue.extend(self._in_order())
        self._cycle_ns, self._unsteady = now_ns, False
        self._repeats.clear()
        self.polled = self.polled or not self._queue

    def _in_order(self) -> list[Block]:
        """What the last cycle did not come to goes first, the longest unasked before all.

        After a cycle with a failure the rest is shuffled: a device that is late with every n-th answer
        would else be late with the same block for ever.
        """

        def place(block: Block) -> tuple[int, float]:
            asked = min(self._asked.get(block, -1), self._cycle_ns)
            return asked, random.random() if self._unsteady else 0.0

        order = sorted(self._plan.now, key=place)
        scales = [block for block in order if self._scales.apart(block.places)]
        # After the values, so that these count at once; the first time before them too.
        order = [block for block in order if block not in scales] + scales
        return order if self._scales.known else scales + order

    def _store(self, block: Block, words: tuple[int, ...], now_ns: int) -> None:
        held = {place: words[place.address - block.address :][: place.size] for place in block.places}
        self._stored = set(block.places)
        self._show(self._scales.take(held, now_ns))

    def _show(self, answers: Iterable[Scalable]) -> None:
        for answer in answers:
            self._stored |= answer.words.keys()
            if self.identity.doubt:
                self._fail(answer.words, self.identity.doubt, answer.asked_ns, self._detail_of_doubt)
                continue
            if answer.fault:
                self._fail(answer.words, answer.fault, answer.asked_ns)
                continue
            readings = {
                place: {
                    measurement: self._reading(spec, words, answer.scales.get(place, ()), answer.asked_ns)
                    for measurement, spec in self._at[place]
                }
                for place, words in answer.words.items()
            }
            self.readings |= self.settling.judge(answer.words, readings, self.readings, answer.asked_ns)

    @property
    def _detail_of_doubt(self) -> Detail:
        return Detail.FAILURE if self.identity.wrong else Detail.OLD_DATA

    def _reading(self, spec: Spec, words: Words, scale_words: Words, asked_ns: int) -> Reading:
        got = decode(spec, words, scale_words)
        return Reading(got.value, got.quality, asked_ns, got.reason, self._device.id)

    def _note_refused(self, now_ns: int) -> None:
        for place, reason in self._plan.refused:
            for measurement, _ in self._at[place]:
                self.readings[measurement] = Reading(
                    None, invalid(Detail.BAD_REFERENCE), now_ns, reason, self._device.id
                )

    def _fail(
        self, places: Iterable[Place], reason: str, now_ns: int, detail: Detail = Detail.OLD_DATA
    ) -> None:
        failed = [*places]
        for place in failed:
            for measurement, _ in self._at[place]:
                self.readings[measurement] = Reading(None, invalid(detail), now_ns, reason, self._device.id)
        self._show(self._scales.lost(failed))

    def _fail_rest(self, reason: str, now_ns: int) -> None:
        while self._queue:
            self._fail(self._queue.popleft().places, reason, now_ns)
        self._doubted = False
