"""A scripted Modbus device on a raw socket: hand-made MBAP and RTU frames, its own log, its own timeout.

It imports nothing from collector and nothing from pymodbus: what it logs is the other side's word.
"""

from __future__ import annotations

import asyncio
import struct
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field


def crc16(data: bytes) -> bytes:
    """CRC of the Modbus serial line specification, bit by bit, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)


@dataclass
class Req:
    """One request as it arrived."""

    at: float
    connection: int
    transaction: int
    unit: int
    function: int
    address: int
    count: int
    bits: tuple[int, ...] = ()
    words: tuple[int, ...] = ()  # written to registers; of function 22 the two masks


@dataclass
class Memory:
    """What one unit holds; a missing address answers exception 2."""

    coils: dict[int, int] = field(default_factory=dict)
    discrete: dict[int, int] = field(default_factory=dict)
    holding: dict[int, int] = field(default_factory=dict)
    input: dict[int, int] = field(default_factory=dict)
    most: int = 125  # largest block it will read

    def serve(self, req: Req) -> bytes:
        """The PDU of the right answer."""
        reads = {1: self.coils, 2: self.discrete, 3: self.holding, 4: self.input}
        writes = {5: self.coils, 15: self.coils, 6: self.holding, 16: self.holding, 22: self.holding}
        cells = {**reads, **writes}.get(req.function)
        if cells is None:
            return exception(req, 1)
        if req.function in (1, 2, 3, 4) and req.count > self.most:
            return exception(req, 3)
        span = range(req.address, req.address + req.count)
        if any(address not in cells for address in span):
            return exception(req, 2)
        if req.function in (5, 15):
            cells.update(zip(span, req.bits, strict=True))
            value = (0xFF00 if req.bits[0] else 0) if req.function == 5 else req.count
            return struct.pack(">BHH", req.function, req.address, value)
        if req.function == 22:
            keep, put = req.words
            cells[req.address] = cells[req.address] & keep | put & ~keep & 0xFFFF
            return struct.pack(">BHHH", 22, req.address, keep, put)
        if req.function in (6, 16):
            cells.update(zip(span, req.words, strict=True))
            value = req.words[0] if req.function == 6 else req.count
            return struct.pack(">BHH", req.function, req.address, value)
        values = [cells[address] for address in span]
        if req.function in (1, 2):
            data = bytearray((len(values) + 7) // 8)
            for i, bit in enumerate(values):
                data[i // 8] |= bit << i % 8
            return bytes([req.function, len(data)]) + bytes(data)
        return bytes([req.function, 2 * len(values)]) + struct.pack(f">{len(values)}H", *values)


def exception(req: Req, code: int) -> bytes:
    return bytes([req.function | 0x80, code])


class Peer:
    """One accepted connection."""

    def __init__(self, device: RawDevice, number: int, writer: asyncio.StreamWriter) -> None:
        self.device, self.number, self.writer = device, number, writer

    def frame(self, req: Req, pdu: bytes, unit: int | None = None, transaction: int | None = None) -> bytes:
        unit = req.unit if unit is None else unit
        if self.device.rtu:
            body = bytes([unit]) + pdu
            return body + crc16(body)
        transaction = req.transaction if transaction is None else transaction
        return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu

    def send(self, data: bytes) -> None:
        if not self.writer.is_closing():
            self.writer.write(data)

    def reply(self, req: Req, pdu: bytes | None = None) -> None:
        """The right answer, or ``pdu`` in a right frame."""
        self.send(self.frame(req, self.device.units[req.unit].serve(req) if pdu is None else pdu))

    def close(self) -> None:
        self.writer.transport.abort()


Behaviour = Callable[[Peer, Req], Awaitable[None] | None]


def rightly(peer: Peer, req: Req) -> None:
    peer.reply(req)


def silently(peer: Peer, req: Req) -> None:
    pass


class RawDevice:
    """A server (TCP or RTU over TCP). ``behave``: what it does with a request to a unit it knows.

    once: behaviours for the next requests, used up one by one. fed: called at every request.
    """

    def __init__(self, rtu: bool = False, **memory: dict[int, int]) -> None:
        self.rtu = rtu
        self.units: dict[int, Memory] = {1: Memory(**memory)}
        self.log: list[Req] = []
        self.behave: Behaviour = rightly
        self.once: list[Behaviour] = []
        self.fed: Callable[[Req], None] = lambda req: None
        self.connections = 0
        self.most_connections = 100
        self.refused_connections = 0
        self.peers: list[Peer] = []
        self.ends: list[str] = []  # how each connection ended, as this side saw it
        self.port = 0
        self.garbled = b""
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def memory(self) -> Memory:
        return self.units[1]

    async def start(self) -> RawDevice:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def stop(self) -> None:
        """As a power-off: listener gone, connections reset."""
        if self._server is not None:
            self._server.close()
        self.drop_all()

    def drop_all(self) -> None:
        for peer in list(self.peers):
            peer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self.peers) >= self.most_connections:
            self.refused_connections += 1
            writer.transport.abort()
            return
        self.connections += 1
        peer = Peer(self, self.connections, writer)
        self.peers.append(peer)
        try:
            while True:
                req = await (self._read_rtu if self.rtu else self._read_mbap)(reader, peer.number)
                self.log.append(req)
                self.fed(req)
                if req.unit not in self.units:
                    continue
                behave = self.once.pop(0) if self.once else self.behave
                done = behave(peer, req)
                if done is not None:
                    task = asyncio.ensure_future(done)
                    self._tasks.add(task)
                    task.add_done_callback(self._tasks.discard)
        except asyncio.IncompleteReadError:
            self.ends.append("closed")
        except ConnectionError:
            self.ends.append("reset")
        finally:
            self.peers.remove(peer)
            writer.transport.abort()

    async def _read_mbap(self, reader: asyncio.StreamReader, connection: int) -> Req:
        head = await reader.readexactly(7)
        transaction, protocol, length, unit = struct.unpack(">HHHB", head)
        assert protocol == 0
        return parse(connection, transaction, unit, await reader.readexactly(length - 1))

    async def _read_rtu(self, reader: asyncio.StreamReader, connection: int) -> Req:
        frame = await reader.readexactly(8)
        if frame[1] in (15, 16):
            frame += await reader.readexactly(frame[6] + 1)
        elif frame[1] == 22:
            frame += await reader.readexactly(2)
        assert crc16(frame[:-2]) == frame[-2:], frame.hex(" ")
        return parse(connection, 0, frame[0], frame[1:-2])


def parse(connection: int, transaction: int, unit: int, pdu: bytes) -> Req:
    function, address, count = struct.unpack(">BHH", pdu[:5])
    bits: tuple[int, ...] = ()
    words: tuple[int, ...] = ()
    if function == 5:
        assert count in (0, 0xFF00)
        bits, count = (int(count == 0xFF00),), 1
    elif function == 15:
        data = pdu[6:]
        assert len(data) == pdu[5] == (count + 7) // 8
        bits = tuple(data[i // 8] >> i % 8 & 1 for i in range(count))
    elif function == 16:
        assert len(pdu) - 6 == pdu[5] == 2 * count
        words = struct.unpack(f">{count}H", pdu[6:])
    elif function == 22:
        words, count = struct.unpack(">HH", pdu[3:]), 1
    else:
        assert len(pdu) == 5
        if function == 6:
            words, count = (count,), 1
    return Req(time.monotonic(), connection, transaction, unit, function, address, count, bits, words)


class RawRelayModule(RawDevice):
    """Releases its outputs itself after ``timeout_s`` without any request, and logs when."""

    def __init__(self, timeout_s: float, coils: int = 8, rtu: bool = False) -> None:
        super().__init__(rtu, coils=dict.fromkeys(range(coils), 0), holding={100: 0, 101: 0})
        self.timeout_s = timeout_s
        self.releases: list[float] = []
        self.released = asyncio.Event()
        self.fed = self._feed
        self._timer: asyncio.TimerHandle | None = None

    def _feed(self, req: Req) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(self.timeout_s, self._release)

    def _release(self) -> None:
        self.releases.append(time.monotonic())
        self.memory.coils.update(dict.fromkeys(self.memory.coils, 0))
        self.released.set()

    @property
    def writes(self) -> list[Req]:
        return [req for req in self.log if req.function in (5, 15)]
