"""The permanent 32-bit number of a point, by which the record knows it whatever it is called.

Layout: level (2 bits) | transformer number (10) | winding or stage number (10) | offset (10).
Never change this layout: files of twenty years depend on it.
"""

from __future__ import annotations

from collector.points import Level, Point

_LEVELS: tuple[Level, ...] = ("station", "transformer", "winding", "stage")
LARGEST = 1023


def key_of(point: Point) -> int:
    """Key of a catalogue point. ValueError when a number is above 1023."""
    for what, number in (
        ("transformer number", point.transformer),
        ("winding or stage number", point.item),
        ("offset", point.declared.offset),
    ):
        if not 0 <= number <= LARGEST:
            raise ValueError(f"{point.id}: {what} {number} does not fit the record (0 to {LARGEST})")
    level = _LEVELS.index(point.declared.level)
    return level << 30 | point.transformer << 20 | point.item << 10 | point.declared.offset


def parts_of(key: int) -> tuple[Level, int, int, int]:
    """(level, transformer number, winding or stage number, offset). Inverse of :func:`key_of`."""
    return _LEVELS[key >> 30 & 3], key >> 20 & LARGEST, key >> 10 & LARGEST, key & LARGEST
