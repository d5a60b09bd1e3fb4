"""Read-only Modbus TCP server for SCADA: every catalogue point at its permanent address.

An asyncio server of our own, some hundred lines: pymodbus's server answers only the first of two
requests in one segment and cannot bound a hostile client. Nothing that writes may ever be put here.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import socket
import struct
from collections.abc import Callable

import structlog

from collector.addresses import FLOAT_UNIT, REGISTERS_PER_POINT, Level, place
from collector.clock import Clock
from collector.messages import Outcome, Value
from collector.points import DECLARED, Point, catalogue
from collector.quality import Detail, invalid
from collector.settings.model import Settings

log = structlog.get_logger(__name__)

#: Served where there is no number: outside any range a master would accept, even one that ignores
#: the quality register. (0 would look like a cold transformer; many masters refuse NaN.)
NO_VALUE = -9999.0
#: A float32 counts exactly up to here; larger counters are served modulo this.
COUNT_MODULUS = 1 << 24

# The server's own block in the map of every section (input and holding registers).
HEADER = 900
HEADER_MEANING = (
    "heartbeat: number of the last decision modulo 65536",
    "time of the last decision, UTC seconds since 1970, uint32, high word",
    "time of the last decision, low word",
    "age of the last decision in seconds; 65535 = 65535 or more, or none yet",
    "version of this map: 1",
    "1 = the station's clock is trusted",
    "1 = deciding; 0 = the last decision is too old, every quality is invalid:oldData",
)
MAP_VERSION = 1

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, NO_SUCH_UNIT = 1, 2, 3, 0x0B

# Bounds on a client, in real time. A polling master is far inside all of them.
IDLE_S = 300.0  # no request for so long: the place is given to another
FRAME_S = 10.0  # a frame that has begun must be complete
WRITE_S = 10.0  # a client that does not read its answers
PACE_S = 0.002  # rest after each answer: at most 500 requests a second and client
RETRY_S = 5.0  # the port is taken or the address not there yet
LOG_EVERY_S = 60.0  # a hostile client must not fill the log


class Refuse(Exception):
    """The request is answered with a Modbus exception."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception {code}")
        self.code = code


class ScadaServer:
    """`settings.scada` must be set. Nothing is opened before :meth:`run`."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        if settings.scada is None:
            raise ValueError("settings have no scada section")
        self._settings = settings.scada
        self._clock = clock
        self._max_age_ns = int(settings.station.decision_max_age_s * 1e9)
        self._maps = {self._settings.unit + FLOAT_UNIT + k: m for k, m in _layout(settings).items()}
        self._outcome: Outcome | None = None
        self._wall_ns = 0
        self._clients: set[asyncio.StreamWriter] = set()
        self._reason = "not started"
        self._listening = asyncio.Event()
        self._logged: dict[str, tuple[float, int]] = {}
        self.port = self._settings.port
        self.refused = 0

    def offer(self, outcome: Outcome, wall_ns: int) -> None:
        """One completed step, for the next requests. Never blocks: encoding is done when asked for."""
        self._outcome, self._wall_ns = outcome, wall_ns

    def health(self) -> tuple[bool, str]:
        """(listening, else why not)."""
        return not self._reason, self._reason

    @property
    def clients(self) -> int:
        return len(self._clients)

    async def listening(self) -> None:
        """Returns once the port is open."""
        await self._listening.wait()

    async def run(self) -> None:
        """Serves until cancelled. A port that is taken is tried again; the daemon lives without it."""
        while True:
            try:
                server = await asyncio.start_server(
                    self._serve, self._settings.listen, self._settings.port, limit=1024
                )
                break
            except OSError as error:
                where = f"{self._settings.listen}:{self._settings.port}"
                self._reason = f"SCADA port {where} cannot be opened: {error.strerror or error}"
                self._note("listen", self._reason)
                await asyncio.sleep(RETRY_S)
        self.port = server.sockets[0].getsockname()[1]
        self._reason = ""
        self._listening.set()
        try:
            await server.serve_forever()
        finally:
            self._reason = "stopped"
            self._listening.clear()
            server.close()
            for writer in tuple(self._clients):
                writer.transport.abort()

    # --- one client --------------------------------------------------------------------------

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer = writer.get_extra_info("peername")
        if len(self._clients) >= self._settings.max_clients:
            # Never entered among the clients, so a flood of newcomers cannot lock the others out.
            self.refused += 1
            self._note("refused", "SCADA client refused: all places taken", peer=peer)
            writer.transport.abort()
            return
        self._clients.add(writer)
        # Answers that nobody reads are held for ten requests, not for megabytes.
        writer.transport.set_write_buffer_limits(high=2048)
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        try:
            alive = True
            while alive:
                alive = await self._answer_one(reader, writer)
                await asyncio.sleep(PACE_S)
        except TimeoutError:
            self._note("slow", "SCADA client dropped: idle, half a frame, or not reading", peer=peer)
        except asyncio.IncompleteReadError as error:
            if error.partial:
                self._note("half", "SCADA client left in mid-frame", peer=peer)
        except OSError as error:
            self._note("lost", f"SCADA client lost: {error}", peer=peer)
        finally:
            self._clients.discard(writer)
            writer.transport.abort()

    async def _answer_one(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        """Reads one request and answers it. False when the stream is not Modbus TCP: then it ends."""
        async with asyncio.timeout(IDLE_S):
            first = await reader.readexactly(1)
        async with asyncio.timeout(FRAME_S):
            header = first + await reader.readexactly(6)
            transaction, protocol, length, unit = struct.unpack(">HHHB", header)
            if protocol != 0 or not 2 <= length <= 254:
                self._note("garbage", "SCADA client dropped: not Modbus TCP", header=header.hex())
                return False
            pdu = await reader.readexactly(length - 1)
        answer = self.answer(unit, pdu)
        writer.write(struct.pack(">HHHB", transaction, 0, len(answer) + 1, unit) + answer)
        async with asyncio.timeout(WRITE_S):
            await writer.drain()
        return True

    def _note(self, kind: str, text: str, **context: object) -> None:
        """Logs the first of its kind, then at most one a minute with the number left out."""
        now = asyncio.get_running_loop().time()
        last, left_out = self._logged.get(kind, (-math.inf, 0))
        if now - last < LOG_EVERY_S:
            self._logged[kind] = (last, left_out + 1)
            return
        self._logged[kind] = (now, 0)
        log.warning(text, left_out=left_out, **context)

    # --- the protocol, no I/O ------------------------------------------------------------------

    def answer(self, unit: int, pdu: bytes) -> bytes:
        """The answer to one request. Everything but reading is exception 1 (illegal function)."""
        function = pdu[0]
        try:
            if unit not in self._maps:
                # As a gateway says of a unit that does not answer: a wrong unit id is then seen at
                # once, where silence would look like a dead network.
                raise Refuse(NO_SUCH_UNIT)
            registers, states = self._maps[unit]
            if function in (1, 2):
                start, count = _range(pdu, 2000)
                return self._pack_bits(function, self._collect(start, count, states, _bit))
            if function in (3, 4):
                start, count = _range(pdu, 125)
                words = self._collect(start, count, registers, self._register)
                return struct.pack(f">BB{count}H", function, 2 * count, *words)
            raise Refuse(ILLEGAL_FUNCTION)
        except Refuse as refusal:
            return bytes((function | 0x80, refusal.code))

    def _collect(
        self, start: int, count: int, served: Layout, read: Callable[[int, Layout, _Step], int]
    ) -> list[int]:
        step = _Step(self._outcome, self._deciding())
        return [read(at, served, step) for at in range(start, start + count)]

    def _register(self, at: int, served: Layout, step: _Step) -> int:
        if HEADER <= at < HEADER + len(HEADER_MEANING):
            return self._header()[at - HEADER]
        point, part = _served(at, served)
        return step.registers(point)[part]

    @staticmethod
    def _pack_bits(function: int, states: list[int]) -> bytes:
        packed = sum(state << i for i, state in enumerate(states))
        data = packed.to_bytes((len(states) + 7) // 8, "little")
        return bytes((function, len(data))) + data

    def _deciding(self) -> bool:
        """Judged at reading time: a daemon that stopped deciding must not look alive."""
        return self._outcome is not None and self._age_ns() <= self._max_age_ns

    def _age_ns(self) -> int:
        assert self._outcome is not None
        return max(0, self._clock.mono_ns() - self._outcome.decision.mono_ns)

    def _header(self) -> tuple[int, ...]:
        if self._outcome is None:
            return (0, 0, 0, 0xFFFF, MAP_VERSION, 0, 0)
        seconds = self._wall_ns // 1_000_000_000 & 0xFFFFFFFF
        age = min(0xFFFF, self._age_ns() // 1_000_000_000)
        sequence = self._outcome.decision.sequence & 0xFFFF
        clock = self._outcome.values.get("station.clock_trusted")
        trusted, deciding = int(clock is not None and bool(clock.value)), int(self._deciding())
        return (sequence, seconds >> 16, seconds & 0xFFFF, age, MAP_VERSION, trusted, deciding)


class _Step:
    """One outcome as seen by one request: each value is encoded once."""

    def __init__(self, outcome: Outcome | None, deciding: bool) -> None:
        self._outcome = outcome
        self._deciding = deciding
        self._cache: dict[str, tuple[int, int, int]] = {}

    def value(self, point: Point | None) -> Value:
        if point is None:
            return Value(None, invalid(Detail.BAD_REFERENCE))
        if self._outcome is None:
            return Value(None, invalid(Detail.OLD_DATA))
        value = self._outcome.values.get(point.id, Value(None, invalid(Detail.FAILURE)))
        return value if self._deciding else Value(value.value, value.quality | invalid(Detail.OLD_DATA))

    def registers(self, point: Point | None) -> tuple[int, int, int]:
        key = point.id if point else ""
        if key not in self._cache:
            self._cache[key] = registers(self.value(point))
        return self._cache[key]


def registers(value: Value) -> tuple[int, int, int]:
    """(float32 high word, low word, quality bits) of one value."""
    number, quality = value.value, value.quality
    if isinstance(number, int) and abs(number) >= COUNT_MODULUS:
        number %= COUNT_MODULUS
    if isinstance(number, (int, float)) and math.isfinite(number):
        with contextlib.suppress(OverflowError):
            high, low = struct.unpack(">HH", struct.pack(">f", number))
            return high, low, quality.bits
    high, low = struct.unpack(">HH", struct.pack(">f", NO_VALUE))
    return high, low, (quality | invalid(Detail.NONE)).bits


def bits(value: Value, *, alarm: bool) -> tuple[int, int, int]:
    """(state, quality not good, unacknowledged) of a bool or an alarm.

    An alarm's state is 1 while its condition stands and it is neither shelved, suppressed nor out of
    service; the third bit is 1 until it is acknowledged. See points.ALARM_STATES.
    """
    doubtful = int(not value.quality.is_good or value.value is None)
    if not alarm:
        return int(value.value is not None and bool(value.value)), doubtful, 0
    return int(value.value in (1, 2)), doubtful, int(value.value in (1, 3))


def has_bits(point: Point) -> bool:
    """Bools and alarms are also served as discrete inputs (and coils), at the register's address."""
    return "state" in point.aspects


#: Address -> (point, which of its three places).
Layout = dict[int, tuple[Point | None, int]]


def _served(at: int, served: Layout) -> tuple[Point | None, int]:
    try:
        return served[at]
    except KeyError:
        raise Refuse(ILLEGAL_ADDRESS) from None


def _bit(at: int, served: Layout, step: _Step) -> int:
    point, part = _served(at, served)
    return bits(step.value(point), alarm=point is not None and point.is_alarm)[part]


def _layout(settings: Settings) -> dict[int, tuple[Layout, Layout]]:
    """Section -> its registers and its bits; only sections in which the station has anything.

    A declared point which this station does not have (a probe that is not fitted) is served as "no
    value, invalid:badReference", so that a master can use one block for every unit.
    """
    places: set[tuple[Level, int, int]] = {("station", 0, 0)}
    for t in settings.transformers:
        places.add(("transformer", t.number, 0))
        places.update(("winding", t.number, w.number) for w in t.windings)
        places.update(("stage", t.number, s.number) for s in t.stages)
    places.update(("device", 0, d.number) for d in settings.devices)
    present = {point.place: point for point in catalogue(settings)}
    maps: dict[int, tuple[Layout, Layout]] = {}
    for level, transformer, item in places:
        for declared in DECLARED:
            if declared.level != level or declared.type == "text":
                continue
            at = place(level, transformer, item, declared.offset)
            words, states = maps.setdefault(at.section, ({}, {}))
            point = present.get(at)
            for part in range(REGISTERS_PER_POINT):
                words[at.register + part] = (point, part)
                if has_bits(point or Point(declared.name, declared)):
                    states[at.register + part] = (point, part)
    return maps


def _range(pdu: bytes, most: int) -> tuple[int, int]:
    if len(pdu) != 5:
        raise Refuse(ILLEGAL_VALUE)
    start, count = struct.unpack(">HH", pdu[1:])
    if not 1 <= count <= most:
        raise Refuse(ILLEGAL_VALUE)
    if start + count > 65536:
        raise Refuse(ILLEGAL_ADDRESS)
    return start, count
