"""The permanent 32-bit number of a point, by which the record knows it whatever it is called.

Layout, from the top: 0 | level (3 bits) | transformer number (8) | winding, stage or device number (10) |
offset (10).
Never change this layout: files of twenty years depend on it.
"""

from __future__ import annotations

from collector.addresses import Level
from collector.points import Point

_LEVELS: tuple[Level, ...] = ("station", "transformer", "winding", "stage", "device")  # append only
LARGEST = 1023
LARGEST_TRANSFORMER = 255


def key_of(point: Point) -> int:
    """Key of a catalogue point. ValueError when a number is too large for its place."""
    for what, number, largest in (
        ("transformer number", point.transformer, LARGEST_TRANSFORMER),
        ("winding, stage or device number", point.item, LARGEST),
        ("offset", point.declared.offset, LARGEST),
    ):
        if not 0 <= number <= largest:
            raise ValueError(f"{point.id}: {what} {number} does not fit the record (0 to {largest})")
    level = _LEVELS.index(point.declared.level)
    return level << 28 | point.transformer << 20 | point.item << 10 | point.declared.offset


def parts_of(key: int) -> tuple[Level, int, int, int]:
    """(level, transformer, winding or stage or device number, offset). Inverse of :func:`key_of`."""
    return _LEVELS[key >> 28 & 7], key >> 20 & LARGEST_TRANSFORMER, key >> 10 & LARGEST, key & LARGEST
