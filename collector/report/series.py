"""History of one point as the report needs it: in time order, with totals, rises and time above a limit.

Arithmetic on recorded intervals only: no names, no files, no formatting.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from collector.quality import Quality, Validity
from collector.record import blocks
from collector.record.reader import Record, Series

HOUR_S = 3600.0
TEST = Quality(test=True).bits
#: A counter's value just before the period is looked for this far back: one coarse interval and some.
LOOK_BACK_NS = 1800 * 10**9


@dataclass(frozen=True, slots=True)
class Track:
    """A point's intervals in order of wall time, each time once. Arrays of one length.

    time_ns: start, UTC [ns]; length_s: of each interval [s]; mean/low/high: NaN where the value is
    invalid, a test value or missing, so that only numbers that count are left. bits: quality as recorded.
    """

    time_ns: NDArray[np.int64]
    length_s: NDArray[np.float64]
    mean: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    bits: NDArray[np.uint16]

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def counts(self) -> NDArray[np.bool_]:
        return ~np.isnan(self.mean)

    @property
    def hours(self) -> float:
        """Hours with a value that counts."""
        return float(self.length_s[self.counts].sum()) / HOUR_S

    def hours_where(self, wanted: NDArray[np.bool_]) -> float:
        return float(self.length_s[wanted].sum()) / HOUR_S

    def hours_above(self, limit: float) -> float:
        """Hours of the intervals whose mean is above ``limit``."""
        return self.hours_where(np.nan_to_num(self.mean, nan=-np.inf) > limit)

    def average(self) -> float | None:
        """Mean over time; None without a value."""
        here = self.counts
        if not here.any():
            return None
        return float(np.average(self.mean[here], weights=self.length_s[here]))

    def highest(self) -> int | None:
        """Index of the interval with the highest value; None without one."""
        return int(np.nanargmax(self.high)) if self.counts.any() else None

    def validity_hours(self) -> dict[Validity, float]:
        validity = self.bits & 3
        return {v: self.hours_where(validity == v) for v in Validity}


_NONE = np.empty(0)
EMPTY = Track(np.empty(0, np.int64), _NONE, _NONE, _NONE, _NONE, np.empty(0, np.uint16))


@dataclass(frozen=True, slots=True)
class Rise:
    """What a counter gained in the period, and where it stood at the end.

    restarts: how often it fell (a new record or new settings): each starts it afresh and loses nothing.
    bits: worst quality of its values.
    """

    gained: float
    end: float
    restarts: int
    bits: int


def track(record: Record, point: str, start_ns: int, end_ns: int, resolution_s: float | None) -> Track:
    """Intervals starting in [start_ns, end_ns). Times lived through twice (a clock step) are merged."""
    s = record.history(point, start_ns, end_ns, resolution_s)
    if not len(s.time_ns):
        return Track(s.time_ns, s.interval_s, s.mean, s.min, s.max, s.quality)
    order = np.argsort(s.time_ns, kind="stable")
    sorted_ns = s.time_ns[order]
    columns = blocks.Columns(sorted_ns, s.mean[order], s.min[order], s.max[order], s.quality[order])
    keep_last = record.point(point).type in ("int", "enum")
    first = np.flatnonzero(np.diff(sorted_ns, prepend=sorted_ns[0] - 1))
    length = np.maximum.reduceat(s.interval_s[order], first)
    merged = blocks.merge(columns, sorted_ns, keep_last) if len(first) < len(order) else columns
    out = ((merged.quality & 3) == Validity.INVALID) | ((merged.quality & TEST) != 0)
    mean, low, high = (np.where(out, np.nan, c) for c in (merged.mean, merged.min, merged.max))
    return Track(merged.slot, length, mean, low, high, merged.quality)


def rise(
    record: Record,
    point: str,
    start_ns: int,
    end_ns: int,
    resolution_s: float | None,
    corrections: Sequence[tuple[int, float, float]] = (),
) -> Rise | None:
    """How much a counter that never falls gained in the period, in the order recorded; None without values.

    Counted from its last value before the period, if there is one shortly before, else from its first.
    corrections: (time [UTC ns], old, new) in the period, in order: no gain and no fall.
    """
    s = record.history(point, start_ns, end_ns, resolution_s)
    moved = 0.0
    for at_ns, old, new in corrections:
        s, moved = _uncorrected(s, at_ns, old + moved, new + moved), moved + old - new
    inside = _values(s)
    if inside is None:
        return None
    low, high = inside
    before = _values(record.history(point, start_ns - LOOK_BACK_NS, start_ns, resolution_s))
    base = float(before[1][-1]) if before is not None and before[1][-1] <= low[0] else float(low[0])
    fell = low[1:] < high[:-1] - 1e-9
    # Telescoped: each stretch without a fall gains its last value less its first.
    starts = np.concatenate([[base], low[1:][fell]])
    ends = np.concatenate([high[:-1][fell], high[-1:]])
    usable = s.quality[~np.isnan(s.mean)]
    worst = Validity.QUESTIONABLE if (usable & 3).any() else Validity.GOOD
    flags = int(np.bitwise_or.reduce(usable)) & ~3
    return Rise(float((ends - starts).sum()), float(high[-1]) - moved, int(fell.sum()), flags | worst)


def _uncorrected(s: Series, at_ns: int, old: float, new: float) -> Series:
    """The series as if the counter had gone on from ``old``, where it stands in the correction's interval."""
    after = s.time_ns > at_ns
    within = ~after & (s.time_ns + (s.interval_s * 1e9).astype(np.int64) > at_ns)
    shift = np.where(after, old - new, 0.0)
    mean, low, high = (np.where(within & ~np.isnan(x), old, x + shift) for x in (s.mean, s.min, s.max))
    return replace(s, mean=mean, min=low, max=high)


def _values(s: Series) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    here = ~np.isnan(s.mean)
    return (s.min[here], s.max[here]) if here.any() else None


@dataclass(frozen=True, slots=True)
class Bins:
    """A track on an even grid for drawing, min and max of every bin kept. NaN where there is nothing."""

    edges_ns: NDArray[np.int64]
    mean: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


def binned(t: Track, start_ns: int, end_ns: int, most: int) -> Bins:
    """At most ``most`` bins, none shorter than the longest interval, so that a gap stays a gap."""
    longest = float(t.length_s.max()) if len(t) else 60.0
    width = max(round(longest * 1e9), -(-(end_ns - start_ns) // most), 1)
    count = max(1, -(-(end_ns - start_ns) // width))
    edges = start_ns + width * np.arange(count + 1, dtype=np.int64)
    mean, low, high = np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan)
    here = t.counts
    if here.any():
        place = (t.time_ns[here] - start_ns) // width
        starts = np.flatnonzero(np.diff(place, prepend=place[0] - 1))
        weight = t.length_s[here]
        total = np.add.reduceat(weight, starts)
        mean[place[starts]] = np.add.reduceat(t.mean[here] * weight, starts) / total
        low[place[starts]] = np.minimum.reduceat(t.low[here], starts)
        high[place[starts]] = np.maximum.reduceat(t.high[here], starts)
    return Bins(edges, mean, low, high)


def stretches(t: Track, wanted: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(start, end) [ns] of neighbouring intervals that are ``wanted``."""
    index = np.flatnonzero(wanted)
    if not len(index):
        return []
    begin = t.time_ns[index]
    end = begin + (t.length_s[index] * 1e9).astype(np.int64)
    apart = np.flatnonzero(begin[1:] > end[:-1])
    first = np.concatenate([[0], apart + 1])
    last = np.concatenate([apart, [len(index) - 1]])
    return [(int(begin[a]), int(end[b])) for a, b in zip(first, last, strict=True)]


def gaps(t: Track, start_ns: int, end_ns: int) -> list[tuple[int, int]]:
    """(start, end) [ns] of what is not recorded within the period.

    At its ends less than an interval is not a gap: that part belongs to an interval that begins outside.
    """
    if not len(t):
        return [(start_ns, end_ns)]
    found, at = [], start_ns
    for begin, end in stretches(t, np.ones(len(t), np.bool_)):
        if begin > at:
            found.append((at, begin))
        at = max(at, end)
    if end_ns > at:
        found.append((at, end_ns))
    edge_ns = float(t.length_s.max()) * 1e9
    return [(a, b) for a, b in found if b - a >= edge_ns or not (a == start_ns or b == end_ns)]
