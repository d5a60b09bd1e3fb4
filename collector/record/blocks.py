"""Sealed history: one point's intervals of a day (or month) in one compressed block. Pure: no files.

The format is written out in docs/record.md; a change needs a new version byte, never a silent one.
"""

from __future__ import annotations

import struct
import zlib
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.points import PointType
from collector.quality import Validity

VERSION = 1
_HEADER = struct.Struct("<BBxxIqd")  # version, flags, count, first slot, step
_CONTIGUOUS, _RAW = 1, 2

#: Resolution a sealed value keeps, by unit: finer than any sensor or use, coarse enough to compress.
_STEPS = {"degC": 0.01, "K": 0.01, "A": 0.01, "pu": 1e-4, "h": 1e-4, "%": 1e-6, "": 1e-5}


class DamagedBlock(ValueError):
    """The block is of an unknown version, or not what was written."""


class Columns(NamedTuple):
    """Intervals of one point: slot numbers (int64, rising), values (NaN = none), quality bits (uint16)."""

    slot: NDArray[np.int64]
    mean: NDArray[np.float64]
    min: NDArray[np.float64]
    max: NDArray[np.float64]
    quality: NDArray[np.uint16]


EMPTY = Columns(np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0), np.empty(0, np.uint16))


def step_of(point_type: PointType | str, unit: str) -> float:
    """Resolution of a sealed value. bool: 0.001, since its mean is the fraction of the interval."""
    if point_type == "bool":
        return 0.001
    return _STEPS.get(unit, 1e-5) if point_type == "float" else 1.0


def to_step(values: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """Values as a sealed block gives them back; those that steps cannot hold, and NaN, as they are."""
    scaled = values / step
    # + 0.0: a sealed value knows no minus nought
    return np.where(np.abs(scaled) < 2.0**51, np.rint(scaled) / round(1 / step) + 0.0, values)


def encode(c: Columns, step: float) -> bytes:
    """Block of at least one interval. Values are rounded to ``step`` (exact when that cannot hold them)."""
    count = len(c.slot)
    gaps = np.diff(c.slot)
    contiguous = bool((gaps == 1).all())
    here = ~np.isnan(c.mean)
    scaled = np.stack([c.mean, c.min, c.max])[:, here] / step
    raw = not bool((np.abs(scaled) < 2.0**51).all())  # also catches infinities
    parts = [] if contiguous else [_pack(gaps)]
    parts += [np.packbits(here).tobytes(), _shuffle(c.quality.astype("<u2"))]
    if raw:
        parts += [_shuffle(column[here].astype("<f8")) for column in (c.mean, c.min, c.max)]
    else:
        mean, low, high = np.rint(scaled).astype(np.int64)
        parts += [_pack(np.diff(mean, prepend=0)), _pack(mean - low), _pack(high - mean)]
    flags = contiguous * _CONTIGUOUS | raw * _RAW
    return _HEADER.pack(VERSION, flags, count, int(c.slot[0]), step) + zlib.compress(b"".join(parts), 9)


def decode(block: bytes) -> Columns:
    """Inverse of :func:`encode`. DamagedBlock for an unknown version or damaged bytes."""
    if len(block) < _HEADER.size or block[0] != VERSION:
        raise DamagedBlock(f"history block of version {block[:1].hex() or 'none'}, expected {VERSION:02x}")
    _, flags, count, first, step = _HEADER.unpack_from(block)
    try:
        data = memoryview(zlib.decompress(block[_HEADER.size :]))
    except zlib.error as problem:
        raise DamagedBlock(f"damaged history block: {problem}") from None
    if flags & _CONTIGUOUS:
        slot = np.arange(first, first + count, dtype=np.int64)
    else:
        gaps, data = _unpack(data, count - 1)
        slot = first + np.concatenate([[0], np.cumsum(gaps)])
    size = (count + 7) // 8
    here = np.unpackbits(np.frombuffer(data[:size], np.uint8), count=count).astype(bool)
    quality, data = _unshuffle(data[size:], count, np.dtype("<u2"))
    present = int(here.sum())
    columns = np.full((3, count), np.nan)
    if flags & _RAW:
        for column in columns:
            column[here], data = _unshuffle(data, present, np.dtype("<f8"))
    else:
        delta, data = _unpack(data, present)
        below, data = _unpack(data, present)
        above, data = _unpack(data, present)
        mean = np.cumsum(delta)
        # Division by the whole number 1 / step gives 65.3, where * 0.01 would give 65.30000000000001.
        per_unit = round(1 / step)
        columns[:, here] = np.stack([mean, mean - below, mean + above]) / per_unit
    return Columns(slot, columns[0], columns[1], columns[2], quality.astype(np.uint16))


def coarser(c: Columns, factor: int, keep_last: bool = False) -> Columns:
    """``factor`` slots merged into one, see :func:`merge`."""
    if factor == 1 or not len(c.slot):
        return c
    return merge(c, c.slot // factor, keep_last)


def merge(c: Columns, slot: NDArray[np.int64], keep_last: bool = False) -> Columns:
    """Neighbouring intervals with the same new ``slot`` merged into one.

    Mean of means, min of mins, max of maxes, worst quality. As within an interval, invalid parts count
    only where there is no other; where some were left out the whole is questionable, with their details.
    keep_last: the mean of an int or enum point is its last value, not an average.
    """
    starts = np.flatnonzero(np.diff(slot, prepend=slot[0] - 1))
    usable = (c.quality & 3) != Validity.INVALID
    any_usable = np.logical_or.reduceat(usable, starts)
    lengths = np.diff(starts, append=len(slot))
    here = ~np.isnan(c.mean) & (usable | ~np.repeat(any_usable, lengths))
    n = np.add.reduceat(here.astype(np.int64), starts)
    empty = n == 0
    if keep_last:
        last = np.where(here, np.arange(len(slot)), -1)
        mean = c.mean[np.maximum.reduceat(last, starts)]
    else:
        mean = np.add.reduceat(np.where(here, c.mean, 0.0), starts) / np.where(empty, 1, n)
    low = np.minimum.reduceat(np.where(here, c.min, np.inf), starts)
    high = np.maximum.reduceat(np.where(here, c.max, -np.inf), starts)
    mean, low, high = (np.where(empty, np.nan, column) for column in (mean, low, high))
    all_good = np.logical_and.reduceat((c.quality & 3) == Validity.GOOD, starts)
    validity = np.where(
        all_good, Validity.GOOD, np.where(any_usable, Validity.QUESTIONABLE, Validity.INVALID)
    )
    flags = np.bitwise_or.reduceat(c.quality & ~np.uint16(3), starts)
    return Columns(slot[starts], mean, low, high, (validity.astype(np.uint16) | flags).astype(np.uint16))


def select(c: Columns, wanted: NDArray[np.bool_]) -> Columns:
    return Columns(c.slot[wanted], c.mean[wanted], c.min[wanted], c.max[wanted], c.quality[wanted])


def concatenate(parts: list[Columns]) -> Columns:
    return Columns(*(np.concatenate(columns) for columns in zip(*parts, strict=True))) if parts else EMPTY


def _pack(values: NDArray[np.int64]) -> bytes:
    """Width byte (1, 2, 4, 8), then the integers in that width, byte planes apart."""
    low, high = (int(values.min()), int(values.max())) if len(values) else (0, 0)
    width = next(w for w in (1, 2, 4, 8) if -(1 << 8 * w - 1) <= low and high < 1 << 8 * w - 1)
    return bytes([width]) + _shuffle(values.astype(f"<i{width}"))


def _unpack(data: memoryview, count: int) -> tuple[NDArray[np.int64], memoryview]:
    values, rest = _unshuffle(data[1:], count, np.dtype(f"<i{data[0]}"))
    return values.astype(np.int64), rest


def _shuffle(values: NDArray[np.generic]) -> bytes:
    return values.view(np.uint8).reshape(len(values), values.itemsize).T.tobytes()


def _unshuffle(
    data: memoryview, count: int, kind: np.dtype[np.generic]
) -> tuple[NDArray[np.generic], memoryview]:
    size = count * kind.itemsize
    planes = np.frombuffer(data[:size], np.uint8).reshape(kind.itemsize, count)
    return np.ascontiguousarray(planes.T).view(kind).reshape(count), data[size:]
