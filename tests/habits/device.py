"""Field devices with bad habits on raw sockets: hand-made frames, their own timeout, their own log.

Nothing here comes from `collector`, `simulators` or a Modbus library: what the log says is the other
side's word. What a device does wrong, and when, is told from outside (`Ways`); it never asks who is right.
"""

from __future__ import annotations

import asyncio
import bisect
import contextlib
import random
import socket
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

NOT_THERE, NOT_ANSWERING = 2, 0x0B  # exceptions: illegal data address; gateway target failed to respond
BITS, WORDS = (1, 2), (3, 4)
#: So often a line looks after its timers [s].
TICK_S = 0.04


def crc16(data: bytes) -> bytes:
    """CRC of the Modbus serial line specification, bit by bit, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)


@dataclass(frozen=True, slots=True)
class LineWays:
    """What a connection or its gateway does beside answering at once. The default is well-behaved.

    delay_s: of each answer, drawn between the two. close_after: one request per connection. drop: closed
    instead of an answer. idle_s: closed
    after so long without a request. refuse: no connection is taken, those that were are reset. hang: taken,
    never answered. glue: another answer of the same shape stands in front of the right one. split: "late"
    sends the second half later, "lost" never.
    """

    delay_s: tuple[float, float] = (0.0, 0.0)
    close_after: bool = False
    drop: bool = False
    idle_s: float | None = None
    refuse: bool = False
    hang: bool = False
    glue: bool = False
    split: str = ""


@dataclass(frozen=True, slots=True)
class UnitWays:
    """What one unit does beside answering rightly.

    refuse_writes: with this exception. ignore_writes: acknowledged, nothing happens. only: takes this write
    function alone, the other is refused with only_code. unread: coils whose reading is exception 2.
    gone: its gateway answers 0x0B for it. wrong_unit, no_transaction: as echoed. sentinel: every register
    reads 0x7FFF.
    """

    refuse_writes: int = 0
    ignore_writes: bool = False
    only: int = 0
    only_code: int = 1
    unread: frozenset[int] = frozenset()
    gone: bool = False
    wrong_unit: bool = False
    no_transaction: bool = False
    sentinel: bool = False


@dataclass(slots=True)
class Asked:
    """One request as it arrived. sound: when it was answered with what it asked for, fit to be believed.

    told: when it was answered in a right frame at all, an exception of the unit among it. None: it was not.
    """

    at: float
    line: str
    connection: int
    unit: int
    function: int
    address: int
    count: int
    bits: tuple[int, ...] = ()
    transaction: int = 0
    sound: float | None = None
    told: float | None = None


@dataclass(frozen=True, slots=True)
class Moved:
    """An output that changed. cause: write, timeout, reboot, foreign."""

    at: float
    coil: int
    on: bool
    cause: str


@dataclass
class Log:
    """What the devices of one station saw; times are monotonic seconds."""

    asked: list[Asked] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    connected: list[tuple[float, str]] = field(default_factory=list)
    #: (when, how late) our own timers were: noise of the machine, not a fault of the daemon.
    late: list[tuple[float, float]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Boot:
    """A time in which a device that starts reads zero, from address `first` on."""

    start: float
    end: float
    first: int = 0


class Unit:
    """One unit. words: (function, address) -> value at a time; contacts: address -> state."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.words: dict[tuple[int, int], Callable[[float], int]] = {}
        self.contacts: dict[int, Callable[[], int]] = {}
        self.coils: dict[int, bool] = {}
        self.ways = UnitWays()
        self.booting: list[Boot] = []

    def answer(self, ask: Asked) -> bytes:
        """The PDU it gives now; takes writes."""
        ways, function = self.ways, ask.function
        if ways.gone:
            return bytes((function | 0x80, NOT_ANSWERING))
        span = range(ask.address, ask.address + ask.count)
        if function in (5, 15):
            if ways.refuse_writes:
                return bytes((function | 0x80, ways.refuse_writes))
            if ways.only and function != ways.only:
                return bytes((function | 0x80, ways.only_code))
            if any(coil not in self.coils for coil in span):
                return bytes((function | 0x80, NOT_THERE))
            if not ways.ignore_writes:
                for coil, on in zip(span, ask.bits, strict=True):
                    self.set(coil, bool(on), "write", ask.at)
            value = (0xFF00 if ask.bits[0] else 0) if function == 5 else ask.count
            return struct.pack(">BHH", function, ask.address, value)
        zero = self.boots(ask)
        if function in BITS:
            cells = [self._bit(function, at) for at in span]
            if not cells or any(cell is None for cell in cells):
                return bytes((function | 0x80, NOT_THERE))
            packed = bytearray((len(cells) + 7) // 8)
            for i, cell in enumerate(cells):
                packed[i // 8] |= (0 if zero and function == 2 else int(bool(cell))) << i % 8
            return bytes((function, len(packed))) + bytes(packed)
        if function in WORDS:
            if any((function, at) not in self.words for at in span):
                return bytes((function | 0x80, NOT_THERE))
            held = [
                0 if zero else 0x7FFF if ways.sentinel else self.words[function, at](ask.at) for at in span
            ]
            return bytes((function, 2 * len(held))) + struct.pack(f">{len(held)}H", *held)
        return bytes((function | 0x80, 1))

    def boots(self, ask: Asked) -> bool:
        """What is asked for reads zero, since the device is still starting."""
        return any(boot.start <= ask.at < boot.end and ask.address >= boot.first for boot in self.booting)

    def _bit(self, function: int, at: int) -> int | None:
        if function == 2:
            contact = self.contacts.get(at)
            return None if contact is None else contact()
        return None if at in self.ways.unread else self.coils.get(at)

    def set(self, coil: int, on: bool, cause: str, now: float) -> None:
        """A plain unit has no outputs."""


class Module(Unit):
    """A relay module. Its outputs release `timeout_s` after what feeds it has stopped.

    fed_by: writes, own_requests, any_frame_on_line or connection.
    """

    def __init__(self, number: int, coils: tuple[int, ...], timeout_s: float, fed_by: str, log: Log) -> None:
        super().__init__(number)
        self.coils = dict.fromkeys(coils, False)
        self.timeout_s, self.fed_by = timeout_s, fed_by
        self.dead_timeout = False
        self.fed_at = time.monotonic()
        self._log = log

    def set(self, coil: int, on: bool, cause: str, now: float) -> None:
        if self.coils[coil] != on:
            self.coils[coil] = on
            self._log.moved.append(Moved(now, coil, on, cause))

    def heard(self, ask: Asked) -> None:
        """A frame on its line."""
        own = ask.unit == self.number
        fed = {
            "writes": own and ask.function in (5, 15),
            "own_requests": own,
            "any_frame_on_line": True,
            "connection": False,
        }
        if fed[self.fed_by]:
            self.fed_at = ask.at

    def tick(self, connected: bool, now: float) -> None:
        if self.fed_by == "connection" and connected:
            self.fed_at = now
        if not self.dead_timeout and now - self.fed_at > self.timeout_s:
            for coil in self.coils:
                self.set(coil, False, "timeout", now)

    def reboot(self, on: bool, now: float) -> None:
        self.fed_at = now
        for coil in self.coils:
            self.set(coil, on, "reboot", now)


class _Peer:
    def __init__(self, number: int, writer: asyncio.StreamWriter) -> None:
        self.number, self.writer = number, writer
        self.asked_at = time.monotonic()
        self.last_send = 0.0

    def send(self, data: bytes) -> None:
        if not self.writer.is_closing():
            self.writer.write(data)


class Line:
    """One place that is connected to: a device, or a gateway with several units. RTU over TCP, or Modbus TCP.

    As gateways do, an RTU line passes a late answer on to whoever is connected by then.
    """

    def __init__(self, rtu: bool, units: tuple[Unit, ...], log: Log, rng: random.Random) -> None:
        self.rtu = rtu
        self.name = "+".join(str(unit.number) for unit in units)
        self.units = {unit.number: unit for unit in units}
        self.ways = LineWays()
        self.port = 0
        self._log, self._rng = log, rng
        self._peers: list[_Peer] = []
        self._made = 0
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._ticker: asyncio.Task[None] | None = None

    async def start(self) -> None:
        # The port is kept while the listener is closed: this socket never listens.
        self._place = socket.socket()
        self._place.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        self._place.bind(("127.0.0.1", 0))
        self.port = self._place.getsockname()[1]
        await self._listen()
        self._ticker = asyncio.create_task(self._tick())

    async def stop(self) -> None:
        if self._ticker is not None:
            self._ticker.cancel()
        self._close_listener()
        self._place.close()
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _listen(self) -> None:
        if self._server is None:
            self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port, reuse_port=True)

    def _close_listener(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        self.reset()

    def reset(self) -> None:
        for peer in tuple(self._peers):
            peer.writer.transport.abort()

    async def _tick(self) -> None:
        while True:
            now = time.monotonic()
            if self.ways.refuse and self._server is not None:
                self._close_listener()
            elif not self.ways.refuse:
                await self._listen()
            for peer in tuple(self._peers):
                if self.ways.idle_s is not None and now - peer.asked_at > self.ways.idle_s:
                    peer.writer.close()
            for unit in self.units.values():
                if isinstance(unit, Module):
                    unit.tick(bool(self._peers), now)
            await asyncio.sleep(TICK_S)
            late = time.monotonic() - now - TICK_S
            if late > TICK_S:
                bisect.insort(self._log.late, (now, late))  # lines are late side by side

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._made += 1
        peer = _Peer(self._made, writer)
        self._log.connected.append((time.monotonic(), self.name))
        self._peers.append(peer)
        buffer = bytearray()
        try:
            while data := await reader.read(4096):
                buffer += data
                while (ask := self._take(buffer, peer)) is not None:
                    self._handle(peer, ask)
        except OSError:
            pass  # reset by either side: as good as closed
        finally:
            self._peers.remove(peer)
            self._tasks.discard(task)
            writer.transport.abort()

    def _take(self, buffer: bytearray, peer: _Peer) -> Asked | None:
        """The next whole request out of the stream."""
        head = 0 if self.rtu else 6
        if len(buffer) < head + 6 or (buffer[head + 1] == 15 and len(buffer) < head + 7):
            return None
        function = buffer[head + 1]
        size = 6 if function < 15 else 7 + buffer[head + 6]
        total = head + size + (2 if self.rtu else 0)
        if len(buffer) < total:
            return None
        frame = bytes(buffer[:total])
        del buffer[:total]
        body = frame[head : head + size]
        if self.rtu and crc16(body) != frame[-2:]:
            raise ConnectionError("a request with a wrong checksum")
        unit, function, address, count = struct.unpack(">BBHH", body[:6])
        bits: tuple[int, ...] = ()
        if function == 5:
            bits, count = (int(count == 0xFF00),), 1
        elif function == 15:
            bits = tuple(body[7 + i // 8] >> i % 8 & 1 for i in range(count))
        transaction = 0 if self.rtu else int.from_bytes(frame[:2], "big")
        return Asked(
            time.monotonic(), self.name, peer.number, unit, function, address, count, bits, transaction
        )

    def _handle(self, peer: _Peer, ask: Asked) -> None:
        peer.asked_at = ask.at
        self._log.asked.append(ask)
        ways = self.ways
        if ways.drop:
            peer.writer.transport.abort()
        if ways.hang or ways.drop:
            return  # nothing is processed: no write, no feeding
        for unit in self.units.values():
            if isinstance(unit, Module) and not unit.ways.gone:
                unit.heard(ask)
        unit = self.units.get(ask.unit)
        if unit is None:
            return
        pdu = unit.answer(ask)
        told = not (
            unit.ways.gone
            or unit.ways.wrong_unit
            or (unit.ways.no_transaction and not self.rtu)
            or (ways.glue and self.rtu)
            or ways.split == "lost"
        )
        sentinel = unit.ways.sentinel and ask.function in WORDS
        # Zeros of a device that is still starting are no sound answer.
        sound = told and not (pdu[0] & 0x80 or sentinel or unit.boots(ask))
        data = self._frame(
            (unit.number + 1) % 248 if unit.ways.wrong_unit else unit.number,
            0 if unit.ways.no_transaction else ask.transaction,
            pdu,
        )
        if ways.glue and not pdu[0] & 0x80 and ask.function < 5:
            data = self._frame(unit.number, (ask.transaction - 1) % 65536, self._stale(pdu)) + data
        due = max(ask.at + self._rng.uniform(*ways.delay_s), peer.last_send)
        peer.last_send = due
        loop = asyncio.get_running_loop()
        if due <= ask.at:
            self._send(peer, ask, data, told, sound)
        else:
            loop.call_later(due - ask.at, self._send, peer, ask, data, told, sound)

    def _frame(self, unit: int, transaction: int, pdu: bytes) -> bytes:
        if self.rtu:
            body = bytes((unit,)) + pdu
            return body + crc16(body)
        return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu

    def _stale(self, pdu: bytes) -> bytes:
        """Another answer of the same shape: a plausible cool temperature, currents, released outputs."""
        function, size = pdu[0], pdu[1]
        if function in BITS:
            return pdu[:2] + bytes(size)
        words = (
            [STALE_TENTHS]
            if size == 2
            else list(struct.unpack(">HH", struct.pack(">f", STALE_A))) * (size // 4)
        )
        return pdu[:2] + struct.pack(f">{size // 2}H", *words[: size // 2])

    def _send(self, peer: _Peer, ask: Asked, data: bytes, told: bool, sound: bool) -> None:
        to = peer
        if self.rtu and peer not in self._peers and self._peers:
            to = self._peers[-1]
        now = time.monotonic()
        ask.told = now if told else None
        ask.sound = now if sound else None
        if self.ways.split and not self.ways.glue:  # else a stale frame would come alone: nobody could tell
            half = len(data) // 2
            to.send(data[:half])
            if self.ways.split == "late":
                asyncio.get_running_loop().call_later(0.08, self._finish, to, data[half:])
        else:
            self._finish(to, data)

    def _finish(self, peer: _Peer, data: bytes) -> None:
        peer.send(data)
        if self.ways.close_after:
            with contextlib.suppress(OSError):
                peer.writer.close()

    def behave(self, **ways: object) -> None:
        self.ways = replace(self.ways, **ways)  # type: ignore[arg-type]


#: What a stale answer holds: no register of a station ever does (see habits_station).
STALE_TENTHS, STALE_A = 475, 77.5
