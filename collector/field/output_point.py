"""An output point: how one output is written, how it is read back, and which code means what.

Pure. Everywhere else an output is *on* (energised: it holds its stage off) or *off* (released, which is also
what its module's own release leaves); only here is it known what stands on the wire for that. A kind of
output is a value of this class and never a case elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from collector.field.codec import Place, Table
from collector.field.wire import MASK_WRITE, WRITE_ONE, WRITE_SEVERAL, Request
from collector.settings.model import Relay

WritableTable = Literal["coil", "holding_register"]


@dataclass(frozen=True, slots=True)
class Cell:
    """A coil or discrete input, a register, or a bit of one; what it holds while the output is on and off."""

    table: Table
    address: int
    bit: int | None = None
    on: int = 1
    off: int = 0

    @property
    def place(self) -> Place:
        return Place(self.table, self.address, 1)

    def code(self, on: bool) -> int:
        return self.on if on else self.off

    def held(self, word: int) -> int:
        """What it holds when that is read of its place."""
        return word if self.bit is None else word >> self.bit & 1


@dataclass(frozen=True, slots=True)
class OutputPoint:
    """read: None where only the feedback of its stage tells its state. function: the only one to write it by.

    inverted: it is off while the output is energised (contacts that tell an alarm by dropping out).
    """

    write: Cell
    read: Cell | None
    function: int | None = None
    inverted: bool = False

    @property
    def table(self) -> WritableTable:
        return "coil" if self.write.table == "coil" else "holding_register"

    @property
    def key(self) -> tuple[str, int, int]:
        """Which output of its module it is, however it is written; outputs are ordered by it."""
        return self.write.table, self.write.address, -1 if self.write.bit is None else self.write.bit

    def overlaps(self, other: OutputPoint) -> bool:
        """Writing the one writes the other too: the same coil, or a register and a bit of it."""
        mine, theirs = self.key, other.key
        return mine[:2] == theirs[:2] and (mine[2] == theirs[2] or -1 in (mine[2], theirs[2]))

    def beside(self, steps: int) -> tuple[str, int, int] | None:
        """The key of a neighbour that one request could write with it."""
        return None if self.write.bit is not None else (self.table, self.write.address + steps, -1)

    def __str__(self) -> str:
        bit = "" if self.write.bit is None else f" bit {self.write.bit}"
        return f"{self.write.table.replace('_', ' ')} {self.write.address}{bit}"


def coil(address: int) -> OutputPoint:
    """The usual output: a coil, 1 while it is on, read back where it is written."""
    cell = Cell("coil", address)
    return OutputPoint(cell, cell)


def output_point(relay: Relay) -> OutputPoint:
    """The output that a section of the settings describes."""
    if relay.holding_register is not None:
        write = Cell(
            "holding_register",
            relay.holding_register,
            relay.bit,
            relay.energised_code,
            relay.released_code,
        )
    else:
        assert relay.coil is not None  # one of the two, by the cross check
        write = Cell("coil", relay.coil, None, relay.energised_code, relay.released_code)
    read: Cell | None = None if relay.write_only else write
    if (other := relay.read_back) is not None:
        read = Cell(other.table, other.address, other.bit, other.energised_code, other.released_code)
    return OutputPoint(write, read, relay.function, relay.invert)


def write_request(unit: int, points: Sequence[OutputPoint], on: Sequence[bool], one: bool) -> Request:
    """Write neighbours. ``one``: a single one by the function that takes no more than one."""
    cell, releases = points[0].write, not all(on)
    codes = tuple(point.write.code(is_on) for point, is_on in zip(points, on, strict=True))
    if cell.bit is not None:
        mask = 1 << cell.bit
        words = (0xFFFF ^ mask, mask * codes[0])
        return Request(unit, MASK_WRITE, cell.address, 1, words=words, releases=releases)
    function = (WRITE_ONE if one and len(codes) == 1 else WRITE_SEVERAL)[points[0].table]
    if cell.table == "coil":
        return Request(unit, function, cell.address, len(codes), tuple(map(bool, codes)), releases=releases)
    return Request(unit, function, cell.address, len(codes), words=codes, releases=releases)
