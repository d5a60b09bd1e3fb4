"""From step values to intervals: mean, min, max and quality of every numeric point. Pure: no files.

An interval belongs to the wall clock (slot = UTC seconds / interval), but order belongs to the *line*: a
stretch of one run without a clock step. A step of the wall clock ends the line, never the order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import NamedTuple

from collector.messages import Value
from collector.points import Point
from collector.quality import Quality, Validity
from collector.record.keys import key_of

CLOCK_STEP_NS = 10**9  # a slewed clock moves less than this between two steps

#: Highest values kept until reset, each with its time.
PEAKS = {"transformer": ("hot_spot_c", "top_oil_c", "load_pu"), "winding": ("hot_spot_c", "load_pu")}
#: Latest values kept in a table of their own: they must outlive every limit on detail.
COUNTERS = (
    "run_hours",
    "starts",
    "loss_of_life_h",
    "loss_of_life_low_h",
    "loss_of_life_high_h",
    "unmonitored_h",
    "unmonitored_life_h",
)


class Row(NamedTuple):
    """One point's interval. min and max are None where equal to mean: most points stand still."""

    key: int
    quality: int
    mean: float | None
    min: float | None
    max: float | None


class Line(NamedTuple):
    """A stretch of one run in which the wall clock ran steadily. n: 0, 1, ... within the run."""

    n: int
    start_mono_ns: int
    start_wall_ns: int
    interval_ms: int
    reason: str


class Closed(NamedTuple):
    """A finished interval."""

    line: Line
    slot: int
    rows: list[Row]
    counters: list[tuple[int, float, int, int, int]]  # key, value, quality, mono_ns, wall_ns


Peak = tuple[float, int, int, int]  # value, quality, mono_ns, wall_ns


class _Sum:
    """One point within the running interval.

    Invalid samples count only while there is no valid one: a mean is of valid samples, and where some
    were left out it is questionable, with their details.
    """

    __slots__ = ("bad", "count", "high", "keep_last", "key", "last", "low", "quality", "total")

    def __init__(self, key: int, keep_last: bool) -> None:
        self.key, self.keep_last = key, keep_last
        self.clear()

    def clear(self) -> None:
        self.quality: Quality | None = None  # of the valid samples
        self.bad: Quality | None = None  # of the invalid ones
        self._clear_numbers()

    def _clear_numbers(self) -> None:
        self.count, self.total, self.last = 0, 0.0, 0.0
        self.low, self.high = float("inf"), float("-inf")

    def add(self, value: Value) -> None:
        if value.quality.validity is Validity.INVALID:
            self.bad = value.quality if self.bad is None else self.bad | value.quality
            if self.quality is not None:
                return
        elif self.quality is None:
            self.quality = value.quality
            self._clear_numbers()
        elif self.quality is not value.quality:
            self.quality = self.quality | value.quality
        number = value.value
        if number is None or isinstance(number, str):
            return
        number = float(number)
        if number != number:
            return
        self.count += 1
        self.total += number
        self.last = number
        if number < self.low:
            self.low = number
        if number > self.high:
            self.high = number

    def row(self) -> Row | None:
        quality = self.quality or self.bad
        if quality is None:
            return None
        if self.quality is not None and self.bad is not None:
            quality = self.quality | replace(self.bad, validity=Validity.QUESTIONABLE)
        if not self.count:
            return Row(self.key, quality.bits, None, None, None)
        # The mean of equal values is that value, not a rounding of their sum.
        mean = self.last if self.keep_last or self.low == self.high else self.total / self.count
        mean = min(max(mean, self.low), self.high)
        if self.low == mean == self.high:
            return Row(self.key, quality.bits, mean, None, None)
        return Row(self.key, quality.bits, mean, self.low, self.high)


class Accumulator:
    """Collects steps into intervals of ``interval_s`` station seconds."""

    def __init__(self, points: Iterable[Point], interval_s: float) -> None:
        self._line_n = -1
        self._line: Line | None = None
        self._offset = 0
        self._slot = 0
        self._now = (0, 0)
        self.use(points, interval_s)

    def use(self, points: Iterable[Point], interval_s: float) -> None:
        """Take other points or another interval, after :meth:`close`."""
        self._sums: dict[str, _Sum] = {}
        self._peak_keys: dict[str, int] = {}
        self._counters: set[int] = set()
        self._transformer: dict[int, int] = {}
        for p in points:
            if p.declared.type == "text":
                continue
            key = key_of(p)
            self._sums[p.id] = _Sum(key, p.declared.type in ("int", "enum"))
            if p.declared.name in PEAKS.get(p.declared.level, ()):
                self._peak_keys[p.id] = key
                self._transformer[key] = p.transformer
            if p.declared.name in COUNTERS:
                self._counters.add(key)
        self.peaks: dict[int, Peak] = {}
        interval_ms = round(interval_s * 1000)
        if self._line is not None and interval_ms != self._line.interval_ms:
            self._line = None
        self._interval_ms = interval_ms

    def add(self, values: Mapping[str, Value], mono_ns: int, wall_ns: int) -> list[Closed]:
        """One step's values; gives the intervals that ended before it (none, or one)."""
        closed: list[Closed] = []
        offset = wall_ns - mono_ns
        moved = offset - self._offset
        if self._line is None or abs(moved) >= CLOCK_STEP_NS:
            reason = "start" if self._line is None else f"wall clock stepped {moved / 1e9:+.3f} s"
            closed += self.close()
            self._line_n += 1
            self._line = Line(self._line_n, mono_ns, wall_ns, self._interval_ms, reason)
            self._slot = wall_ns // (self._interval_ms * 10**6)
        else:
            slot = wall_ns // (self._interval_ms * 10**6)
            if slot > self._slot:
                closed += self.close()
                self._slot = slot
        self._offset = offset
        self._now = (mono_ns, wall_ns)
        for name, value in values.items():
            point = self._sums.get(name)
            if point is not None:
                point.add(value)
        for name, key in self._peak_keys.items():
            if (found := values.get(name)) is not None:
                self._peak(key, found, mono_ns, wall_ns)
        return closed

    def _peak(self, key: int, value: Value, mono_ns: int, wall_ns: int) -> None:
        number = value.value
        if number is None or isinstance(number, str) or value.quality.is_invalid or value.quality.test:
            return
        highest = self.peaks.get(key)
        if highest is None or number > highest[0]:
            self.peaks[key] = (float(number), value.quality.bits, mono_ns, wall_ns)

    def close(self) -> list[Closed]:
        """End the running interval now. Empty when nothing was added to it."""
        rows = [row for point in self._sums.values() if (row := point.row()) is not None]
        if self._line is None or not rows:
            return []
        counters = []
        for point in self._sums.values():
            if point.key in self._counters and point.count and point.quality is not None:
                counters.append((point.key, point.last, point.quality.bits, *self._now))
            point.clear()
        return [Closed(self._line, self._slot, rows, counters)]

    def take_peaks(self, transformer: int | None = None) -> dict[int, Peak]:
        """Highest values since they were last taken, of one transformer or of all; they start afresh."""
        taken = {
            k: p for k, p in self.peaks.items() if transformer is None or self._transformer[k] == transformer
        }
        for key in taken:
            del self.peaks[key]
        return taken
