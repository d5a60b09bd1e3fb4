"""Planned reads: which blocks to ask a device for, and how a refused block is taken apart.

Pure: no clock, no sockets. A value is never split over two requests, and nothing but exceptions 2
and 3 may change a plan (a busy or ailing device must not cost readings for a day).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

from collector.field.codec import Place, Table

#: "Illegal data address" and "illegal data value": the device objects to this very block.
REFUSALS = frozenset({2, 3})

EXCEPTION_WORDS = {
    1: "illegal function: the device cannot do this kind of request",
    2: "illegal data address: no such register",
    3: "illegal data value: the device refuses this block",
    4: "device failure",
    5: "acknowledge: the device is still working on it",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target did not respond",
}


def exception_words(code: int) -> str:
    """Plain words for a Modbus exception, for example ``exception 6 (device busy)``."""
    return f"exception {code} ({EXCEPTION_WORDS.get(code, 'not in the Modbus standard')})"


class Block(NamedTuple):
    """One read request and the places whose values it brings."""

    table: Table
    address: int
    size: int
    places: tuple[Place, ...]


def blocks(places: Iterable[Place], max_gap: int = 0, max_block: int = 125) -> tuple[Block, ...]:
    """Read requests that bring every place exactly once.

    max_gap: items nobody asked for that one block may bridge; max_block: items per request (registers,
    or bits of a bit table). A place longer than max_block is left out: see :func:`unreadable`.
    """
    result: list[Block] = []
    for place in sorted(set(places)):
        if place.size > max_block:
            continue
        if result:
            last = result[-1]
            end = max(last.address + last.size, place.end)
            gap = place.address - (last.address + last.size)
            if last.table == place.table and gap <= max_gap and end - last.address <= max_block:
                result[-1] = Block(last.table, last.address, end - last.address, (*last.places, place))
                continue
        result.append(Block(place.table, place.address, place.size, (place,)))
    return tuple(result)


def unreadable(place: Place, max_block: int) -> str:
    """Why a place can never be asked for, or ""."""
    if place.size <= max_block:
        return ""
    return f"takes {place.size} registers, but max_block of its device is {max_block}: it would be split"


def take_apart(block: Block) -> tuple[Block, ...]:
    """The parts of a refused block: first without bridged gaps, else in two halves. One place: nothing."""
    if len(block.places) < 2:
        return ()
    whole = blocks(block.places, 0, block.size)
    if len(whole) > 1:
        return whole
    middle = len(block.places) // 2
    return tuple(
        part
        for half in (block.places[:middle], block.places[middle:])
        for part in blocks(half, 0, block.size)
    )


@dataclass(frozen=True, slots=True)
class DevicePlan:
    """What is asked of one device at present. ``refused``: place -> why it is not asked for any more."""

    whole: tuple[Block, ...]
    now: tuple[Block, ...]
    refused: tuple[tuple[Place, str], ...] = ()

    @staticmethod
    def of(places: Iterable[Place], max_gap: int, max_block: int) -> DevicePlan:
        whole = blocks(places, max_gap, max_block)
        return DevicePlan(whole, whole)

    @property
    def is_whole(self) -> bool:
        return self.now == self.whole

    def restored(self) -> DevicePlan:
        """Everything is asked for whole again: after a reconnection and every ``replan_h``."""
        return replace(self, now=self.whole, refused=())

    def without(self, block: Block, code: int) -> tuple[DevicePlan, tuple[Block, ...]]:
        """The plan after ``block`` was refused twice with ``code``, and the parts to ask for instead.

        ValueError for any other exception: those pass, and the plan stays.
        """
        if code not in REFUSALS:
            raise ValueError(f"{exception_words(code)} does not change a plan")
        parts = take_apart(block)
        at = self.now.index(block)
        refused = self.refused
        if not parts:
            refused = (*refused, (block.places[0], exception_words(code)))
        return replace(self, now=(*self.now[:at], *parts, *self.now[at + 1 :]), refused=refused), parts
