"""Modbus framing and a small server for simulated devices: TCP, RTU over TCP, RTU on a serial line.

Written from the Modbus application protocol V1.1b3 and the serial line guide V1.02 (both from
memory), with no client library underneath. What a register means, and any fault, is the device's.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import struct
import tty
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

Framing = Literal["tcp", "rtu"]
#: (unit, request PDU) -> answer PDU, or None for silence.
Answer = Callable[[int, bytes], Awaitable[bytes | None]]
Table = Mapping[int, int]

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, FAILURE, ACKNOWLEDGE, BUSY = 1, 2, 3, 4, 5, 6
COILS, DISCRETES, HOLDING, INPUTS = "coils", "discretes", "holding", "inputs"
_READS = {1: COILS, 2: DISCRETES, 3: HOLDING, 4: INPUTS}
#: A frame that breaks off is forgotten after so long; far above 3.5 characters, since TCP chops as it likes.
RTU_SILENCE_S = 0.05


def crc16(data: bytes) -> bytes:
    """Check bytes of an RTU frame, in transmission order (low byte first)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)


def exception(function: int, code: int) -> bytes:
    return bytes((function & 0x7F | 0x80, code))


@dataclass(slots=True)
class Image:
    """A device's four tables as they are now: address -> word or bit; an absent address is a hole.

    write_coils, write_registers: called with (first address, values) of a write to existing
    addresses; an int that comes back is the exception code to refuse it with. None: read-only.
    """

    coils: Table = field(default_factory=dict)
    discretes: Table = field(default_factory=dict)
    holding: Table = field(default_factory=dict)
    inputs: Table = field(default_factory=dict)
    write_coils: Callable[[int, list[int]], int | None] | None = None
    write_registers: Callable[[int, list[int]], int | None] | None = None


def serve_request(image: Image, pdu: bytes) -> bytes:
    """Answer PDU for a request PDU: functions 1 to 6, 15 and 16; exception 1, 2 or 3 otherwise."""
    function = pdu[0]
    if function in _READS:
        if len(pdu) != 5:
            return exception(function, ILLEGAL_VALUE)
        start, count = struct.unpack(">HH", pdu[1:5])
        if not 1 <= count <= (2000 if function <= 2 else 125):
            return exception(function, ILLEGAL_VALUE)
        table: Table = getattr(image, _READS[function])
        addresses = range(start, start + count)
        if any(address not in table for address in addresses):
            return exception(function, ILLEGAL_ADDRESS)
        values = [table[address] for address in addresses]
        if function <= 2:
            packed = sum(bool(bit) << place for place, bit in enumerate(values))
            body = packed.to_bytes((count + 7) // 8, "little")
        else:
            body = struct.pack(f">{count}H", *values)
        return bytes((function, len(body))) + body
    if function in (5, 6, 15, 16):
        return _serve_write(image, function, pdu)
    return exception(function, ILLEGAL_FUNCTION)


def _serve_write(image: Image, function: int, pdu: bytes) -> bytes:
    coils = function in (5, 15)
    write = image.write_coils if coils else image.write_registers
    if write is None:
        return exception(function, ILLEGAL_FUNCTION)
    if len(pdu) < 5:
        return exception(function, ILLEGAL_VALUE)
    start, second = struct.unpack(">HH", pdu[1:5])
    if function in (5, 6):
        if len(pdu) != 5 or (coils and second not in (0, 0xFF00)):
            return exception(function, ILLEGAL_VALUE)
        values = [int(second != 0) if coils else second]
    else:
        size = (second + 7) // 8 if coils else 2 * second
        if not 1 <= second <= (1968 if coils else 123) or len(pdu) != 6 + size or pdu[5] != size:
            return exception(function, ILLEGAL_VALUE)
        if coils:
            packed = int.from_bytes(pdu[6:], "little")
            values = [packed >> place & 1 for place in range(second)]
        else:
            values = list(struct.unpack(f">{second}H", pdu[6:]))
    table = image.coils if coils else image.holding
    if any(start + place not in table for place in range(len(values))):
        return exception(function, ILLEGAL_ADDRESS)
    refused = write(start, values)
    if refused is not None:
        return exception(function, refused)
    return pdu[:5]


def rtu_request_length(frame: bytes) -> int | None:
    """Length of the RTU request that begins here, check bytes included; None while not yet known."""
    if len(frame) < 2:
        return None
    if frame[1] in (1, 2, 3, 4, 5, 6):
        return 8
    if frame[1] in (15, 16):
        return 9 + frame[6] if len(frame) > 6 else None
    return None  # only the silence after it tells where an unknown function ends


class Server:
    """One listening socket or serial line of a device. Closing it also breaks what is connected.

    answer: the device. note: receives (event, fields) for the device's log. max_connections: a
    further one is closed at once; many field devices have room for one.
    """

    def __init__(
        self,
        answer: Answer,
        note: Callable[..., None],
        *,
        framing: Framing = "tcp",
        host: str = "127.0.0.1",
        port: int = 0,
        max_connections: int = 8,
    ) -> None:
        self._answer = answer
        self._note = note
        self._framing = framing
        self._host = host
        self.port = port
        self._max_connections = max_connections
        self._server: asyncio.Server | None = None
        self._connections: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def open(self) -> None:
        """Listen; port 0 becomes the free port that was found."""
        if self._server is None:
            self._server = await asyncio.start_server(self._connected, self._host, self.port)
            self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Refuse further connections and break those that are there."""
        if self._server is not None:
            self._server.close()
            self._server = None
        tasks = list(self._connections)
        for task, writer in self._connections.items():
            writer.transport.abort()
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer = "{}:{}".format(*writer.get_extra_info("peername")[:2])
        task = asyncio.current_task()
        assert task is not None
        if len(self._connections) >= self._max_connections:
            self._note("refused", peer=peer)
            writer.transport.abort()
            return
        self._connections[task] = writer
        self._note("connected", peer=peer)
        try:
            if self._framing == "tcp":
                await self._serve_tcp(reader, writer)
            else:
                await serve_rtu(lambda: reader.read(512), writer.write, self._answer, self._note)
        except (ConnectionError, asyncio.IncompleteReadError, asyncio.CancelledError):
            pass  # the peer went, or the link was cut: both are ordinary here
        finally:
            del self._connections[task]
            self._note("disconnected", peer=peer)
            writer.close()

    async def _serve_tcp(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            transaction, protocol, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
            if protocol != 0 or not 2 <= length <= 254:
                self._note("malformed", header=[transaction, protocol, length, unit])
                return
            pdu = await reader.readexactly(length - 1)
            answer = await self._answer(unit, pdu)
            if answer is not None:
                writer.write(struct.pack(">HHHB", transaction, 0, len(answer) + 1, unit) + answer)
                await writer.drain()


async def serve_rtu(
    read: Callable[[], Awaitable[bytes]],
    write: Callable[[bytes], object],
    answer: Answer,
    note: Callable[..., None],
) -> None:
    """Serve RTU frames from a byte stream until it ends. A frame with wrong check bytes is not answered."""
    buffer = b""
    pending: asyncio.Future[bytes] | None = None
    try:
        while True:
            pending = pending or asyncio.ensure_future(read())
            done, _ = await asyncio.wait({pending}, timeout=RTU_SILENCE_S if buffer else None)
            silence = not done
            if done:
                data, pending = pending.result(), None
                if not data:
                    return
                buffer += data
            while buffer:
                length = rtu_request_length(buffer)
                if length is None or len(buffer) < length:
                    if not silence:
                        break
                    length = len(buffer)
                frame, buffer = buffer[:length], buffer[length:]
                if len(frame) < 4 or crc16(frame[:-2]) != frame[-2:]:
                    note("malformed", frame=frame.hex())
                    buffer = b""
                    break
                response = await answer(frame[0], frame[1:-2])
                if response is not None and frame[0] != 0:
                    reply = frame[:1] + response
                    write(reply + crc16(reply))
    finally:
        if pending is not None:
            pending.cancel()


async def serve_serial(path: str, answer: Answer, note: Callable[..., None]) -> None:
    """Serve RTU on a serial line or pseudo terminal until it hangs up; line speed is not simulated."""
    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(descriptor)
    loop = asyncio.get_running_loop()
    received: asyncio.Queue[bytes] = asyncio.Queue()

    def readable() -> None:
        try:
            data = os.read(descriptor, 512)
        except BlockingIOError:
            return
        except OSError:
            data = b""  # the other end of the line is gone
        if not data:
            loop.remove_reader(descriptor)
        received.put_nowait(data)

    loop.add_reader(descriptor, readable)
    try:
        await serve_rtu(received.get, lambda data: os.write(descriptor, data), answer, note)
    finally:
        with contextlib.suppress(OSError):
            loop.remove_reader(descriptor)
        os.close(descriptor)
