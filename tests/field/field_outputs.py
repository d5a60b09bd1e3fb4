"""Relay modules of every kind on raw sockets, each with its own log of what its contacts did.

What is written where, what is shown where and what a code means is the device's own affair here: nothing is
imported from collector.
"""

from __future__ import annotations

import asyncio
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from field_raw import Peer, RawDevice, Req, exception

WRITES = (5, 6, 15, 16, 22)
OTHERS = 0xA5F0  # bits of another master in a register that carries outputs too


@dataclass(frozen=True)
class Kind:
    """What a module is like, from its manual; and the keys that say so.

    at: address of its first output. bit: of the first output in register `at`. functions: by which it is
    written. on, off: codes that energise and release. shown: (table, address, bit, on, off) of the first
    output's state; None: where it is written; (): nowhere. keys: of its first output; without: those that one
    gets which is taken for simpler than it is.
    """

    table: str
    at: int
    functions: tuple[int, ...]
    keys: dict[str, Any]
    without: dict[str, Any]
    on: int = 1
    off: int = 0
    bit: int | None = None
    shown: tuple[str, int, int | None, int, int] | tuple[()] | None = None


REST = {"timeout_code": 0, "power_off_code": 0, "power_on_code": 0}
REST_1 = {"timeout_code": 1, "power_off_code": 1, "power_on_code": 1}
KINDS = {
    "registers": Kind("holding", 10, (6, 16), {"holding_register": 10, **REST}, {"coil": 10}),
    "codes": Kind(
        "holding", 10, (6, 16),
        {"holding_register": 10, "energised_code": 0xAA55, "released_code": 0x55AA, "timeout_code": 0x55AA,
         "power_off_code": 0x55AA, "power_on_code": 0x55AA},
        {"holding_register": 10, **REST}, on=0xAA55, off=0x55AA,
    ),
    "bits": Kind(
        "holding", 10, (6, 16, 22), {"holding_register": 10, "bit": 2, **REST},
        {"holding_register": 10, **REST}, bit=2,
    ),
    "inverted": Kind(
        "coils", 0, (5, 15), {"coil": 0, "energised_code": 0, "released_code": 1, **REST_1}, {"coil": 0},
        on=0, off=1,
    ),
    "discrete": Kind(
        "coils", 0, (5, 15), {"coil": 0, "read_back": {"table": "discrete_input", "address": 20}, **REST},
        {"coil": 0}, shown=("discrete", 20, None, 1, 0),
    ),
    "status bit": Kind(
        "holding", 10, (6,),
        {"holding_register": 10, "read_back": {"table": "input_register", "address": 30, "bit": 9}, **REST},
        {"holding_register": 10, **REST}, shown=("input", 30, 9, 1, 0),
    ),
    "status codes": Kind(
        "coils", 0, (5,),
        {"coil": 0, **REST,
         "read_back": {"table": "input_register", "address": 30, "energised_code": 7, "released_code": 3}},
        {"coil": 0, "read_back": {"table": "input_register", "address": 30}, **REST},
        shown=("input", 30, None, 7, 3),
    ),
}  # fmt: skip


UNSEEN = Kind("coils", 0, (5, 15), {"coil": 0, "write_only": True, **REST}, {"coil": 0}, shown=())


@dataclass
class Contact:
    energised: bool = False
    moved: Callable[[bool], None] = lambda energised: None
    moves: list[tuple[float, bool]] = field(default_factory=list)

    def move(self, energised: bool) -> None:
        if energised is not self.energised:
            self.energised = energised
            self.moves.append((time.monotonic(), energised))
            self.moved(energised)


class OutputModule(RawDevice):
    """Two outputs of a kind. Any request to it feeds its time-out, which lets go of both.

    fed_by: or only its writes, any frame on its line, an open connection. dead: its time-out does not act.
    beat_at: or only a heartbeat register, when it is written with the next of these values.
    """

    def __init__(
        self,
        kind: Kind,
        timeout_s: float = 1.0,
        rtu: bool = False,
        beat_at: int | None = None,
        beats: tuple[int, ...] = (0, 1),
        fed_by: str = "own_requests",
    ) -> None:
        super().__init__(rtu)
        self.fed_by, self.dead = fed_by, False
        self.beat_at, self.beats, self.last_beat = beat_at, beats, -1
        self.beaten: list[float] = []
        self.kind, self.timeout_s = kind, timeout_s
        self.contacts = [Contact(), Contact()]
        self.others = OTHERS
        self.fed_at = time.monotonic()
        self.releases: list[float] = []
        self.fed = self.feed
        self.behave = self.obey
        self._timer: asyncio.TimerHandle | None = None
        self.show()

    # --- its time-out

    def feed(self, req: Req) -> None:
        if self.beat_at is not None:
            if req.function not in (6, 16) or req.address != self.beat_at:
                return
            self.beaten.append(req.at)
            if req.words[0] not in self.beats or req.words[0] == self.last_beat:
                return
            self.last_beat = req.words[0]
        else:
            own = req.unit == 1 and (self.fed_by != "writes" or req.function in WRITES)
            if not own and self.fed_by not in ("any_frame_on_line", "connection"):
                return
        self.fed_at = req.at
        if self._timer is not None:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(self.timeout_s, self.let_go)

    def let_go(self) -> None:
        if self.dead:
            return
        if self.fed_by == "connection":
            if self.peers:
                self.fed_at = time.monotonic()
            if time.monotonic() - self.fed_at < self.timeout_s:
                self._timer = asyncio.get_running_loop().call_later(0.05, self.let_go)
                return
        self.releases.append(time.monotonic())
        for contact in self.contacts:
            contact.move(False)
        self.show()

    # --- what it shows and what it takes

    def show(self) -> None:
        """Put the states where they are read; where they are only written nothing can be read."""
        kind = self.kind
        if kind.shown == ():
            return
        table, at, bit, on, off = kind.shown or (kind.table, kind.at, kind.bit, kind.on, kind.off)
        cells = getattr(self.memory, table)
        if bit is not None:
            cells[at] = self.others
        for n, contact in enumerate(self.contacts):
            code = on if contact.energised else off
            if bit is None:
                cells[at + n] = code
            else:
                cells[at] = cells[at] & ~(1 << bit + n) | code << bit + n

    def obey(self, peer: Peer, req: Req) -> None:
        peer.reply(req, self.carry_out(req) if req.function in WRITES else None)

    def carry_out(self, req: Req) -> bytes:
        kind = self.kind
        if self.beat_at is not None and req.address == self.beat_at and req.function in (6, 16):
            return confirmation(req)
        if req.function not in kind.functions:
            return exception(req, 1)
        if kind.bit is not None:
            return self._register_of_bits(req)
        codes = req.bits or req.words
        outputs = range(req.address - kind.at, req.address - kind.at + len(codes))
        if outputs[0] < 0 or outputs[-1] >= len(self.contacts):
            return exception(req, 2)
        if any(code not in (kind.on, kind.off) for code in codes):
            return exception(req, 3)
        for n, code in zip(outputs, codes, strict=True):
            self.contacts[n].move(code == kind.on)
        self.show()
        return confirmation(req)

    def _register_of_bits(self, req: Req) -> bytes:
        bit = self.kind.bit
        assert bit is not None
        if req.address != self.kind.at or len(req.words) > 2 - (req.function != 22):
            return exception(req, 2)
        held = self.memory.holding[req.address]
        if req.function == 22:
            keep, put = req.words
            held = held & keep | put & ~keep & 0xFFFF
        else:
            held = req.words[0]
        mine = sum(1 << bit + n for n in range(len(self.contacts)))
        for n, contact in enumerate(self.contacts):
            contact.move(bool(held >> bit + n & 1))
        self.others = held & ~mine
        self.show()
        return confirmation(req)

    # --- how it may misbehave

    def refuse(self, peer: Peer, req: Req) -> None:
        peer.reply(req, exception(req, 4) if req.function in WRITES else None)

    def ignore(self, peer: Peer, req: Req) -> None:
        """Acknowledged, and nothing done."""
        peer.reply(req, confirmation(req) if req.function in WRITES else None)

    def mute(self, peer: Peer, req: Req) -> None:
        """No answer at all, to anything; it is fed all the same."""

    @property
    def writes(self) -> list[Req]:
        return [req for req in self.log if req.function in WRITES]

    def energises(self, req: Req) -> bool:
        """This write puts an output on."""
        if req.function == 22:
            return bool(req.words[1])
        return self.kind.on in (req.bits or req.words)


def confirmation(req: Req) -> bytes:
    if req.function == 22:
        return struct.pack(">BHHH", 22, req.address, *req.words)
    if req.function == 5:
        return struct.pack(">BHH", 5, req.address, 0xFF00 if req.bits[0] else 0)
    value = req.words[0] if req.function == 6 else req.count
    return struct.pack(">BHH", req.function, req.address, value)
