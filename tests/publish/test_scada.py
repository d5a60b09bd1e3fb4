"""The SCADA server on real sockets, with a C client (mbpoll) and with hostile raw sockets (row 15).

Framing here is written by hand and shares no code with the server.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest
from conftest_publish import PATIENCE_S, Steps, until, with_scada
from hypothesis import given
from hypothesis import settings as limits
from hypothesis import strategies as st

from collector.clock import Clock
from collector.messages import Value
from collector.points import catalogue
from collector.publish import scada
from collector.publish.scada import HEADER, NO_VALUE, ScadaServer
from collector.quality import GOOD, SUBSTITUTED, Detail, Quality, invalid
from collector.settings.model import Settings


@asynccontextmanager
async def serving(settings: Settings, **keys: Any) -> AsyncIterator[tuple[ScadaServer, Steps]]:
    clock = Clock()
    server = ScadaServer(with_scada(settings, **keys), clock)
    task = asyncio.create_task(server.run())
    await asyncio.wait_for(server.listening(), PATIENCE_S)
    try:
        yield server, Steps(settings, clock)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


class Master:
    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer, self.transaction = reader, writer, 0

    @staticmethod
    async def to(server: ScadaServer) -> Master:
        return Master(*await asyncio.open_connection("127.0.0.1", server.port))

    def frame(self, pdu: bytes, unit: int = 1) -> bytes:
        self.transaction += 1
        return struct.pack(">HHHB", self.transaction, 0, len(pdu) + 1, unit) + pdu

    async def answer(self) -> tuple[int, bytes]:
        """(transaction, pdu) of the next answer."""
        head = await asyncio.wait_for(self.reader.readexactly(7), PATIENCE_S)
        transaction, protocol, length, _ = struct.unpack(">HHHB", head)
        assert protocol == 0
        return transaction, await asyncio.wait_for(self.reader.readexactly(length - 1), PATIENCE_S)

    async def ask(self, pdu: bytes, unit: int = 1) -> bytes:
        self.writer.write(self.frame(pdu, unit))
        transaction, answer = await self.answer()
        assert transaction == self.transaction
        return answer

    async def registers(self, at: int, count: int, function: int = 4) -> tuple[int, ...]:
        answer = await self.ask(struct.pack(">BHH", function, at, count))
        assert answer[:2] == bytes((function, 2 * count)), answer
        return struct.unpack(f">{count}H", answer[2:])

    async def point(self, at: int) -> tuple[float, Quality]:
        high, low, bits = await self.registers(at, 3)
        return struct.unpack(">f", struct.pack(">HH", high, low))[0], Quality.from_bits(bits)

    async def bits(self, at: int, count: int, function: int = 2) -> list[int]:
        answer = await self.ask(struct.pack(">BHH", function, at, count))
        assert answer[:2] == bytes((function, (count + 7) // 8)), answer
        return [answer[2 + i // 8] >> i % 8 & 1 for i in range(count)]

    async def close(self) -> None:
        self.writer.close()
        await self.writer.wait_closed()


async def test_every_point_at_its_address_with_quality(station: Settings) -> None:
    points = [p for p in catalogue(station) if p.declared.type != "text"]
    async with serving(station) as (server, steps):
        expected = {}
        for i, point in enumerate(points):
            kind = point.declared.type
            value: float | int | bool = {"float": i + 0.25, "int": i, "bool": bool(i % 2), "enum": i % 3}[
                kind
            ]
            expected[point.id] = Value(value, (GOOD, SUBSTITUTED, invalid(Detail.FAILURE))[i % 3])
        server.offer(steps(expected), 0)
        master = await Master.to(server)
        for point in points:
            want = expected[point.id]
            assert await master.point(point.address) == (float(want.value or 0), want.quality), point.id
            if point.declared.type == "bool":
                state = [int(bool(want.value)), int(not want.quality.is_good)]
                assert (await master.bits(point.address, 2)) == state, point.id
        await master.close()


async def test_alarm_bits(station: Settings) -> None:
    """state, doubtful, unacknowledged, for each ISA-18.2 state (points.ALARM_STATES)."""
    alarm = next(p for p in catalogue(station) if p.id == "T1.alarm_hot_spot_high")
    table = {0: [0, 0, 0], 1: [1, 0, 1], 2: [1, 0, 0], 3: [0, 0, 1], 4: [0, 0, 0], 5: [0, 0, 0], 6: [0, 0, 0]}
    async with serving(station) as (server, steps):
        master = await Master.to(server)
        for state, want in table.items():
            server.offer(steps({alarm.id: state}), 0)
            assert await master.bits(alarm.address, 3) == want
            assert await master.bits(alarm.address, 3, function=1) == want
        await master.close()


async def test_no_number_is_never_a_plausible_number(station: Settings) -> None:
    async with serving(station) as (server, steps):
        master = await Master.to(server)
        assert await master.point(1000) == (NO_VALUE, invalid(Detail.OLD_DATA)), "before the first decision"
        for bad in (float("nan"), float("inf"), 1e300):
            server.offer(steps({"T1.top_oil_c": bad}), 0)
            value, quality = await master.point(1000)
            assert value == NO_VALUE
            assert quality.is_invalid
        await master.close()


async def test_heartbeat_and_time(station: Settings) -> None:
    async with serving(station) as (server, steps):
        for _ in range(3):
            server.offer(steps(), 1_751_378_709_000_000_000)
        master = await Master.to(server)
        sequence, high, low, age, version, trusted, deciding = await master.registers(HEADER, 7)
        assert (sequence, high << 16 | low, version, trusted, deciding) == (3, 1_751_378_709, 1, 1, 1)
        assert age == 0
        server.offer(steps({"station.clock_trusted": False}), 0)
        assert (await master.registers(HEADER, 7))[5] == 0
        await master.close()


class StandingClock(Clock):
    """A clock that the test moves."""

    now = 0

    def mono_ns(self) -> int:
        return StandingClock.now


async def test_deciding_stopped_makes_everything_old(station: Settings) -> None:
    server = ScadaServer(with_scada(station), StandingClock())
    task = asyncio.create_task(server.run())
    await asyncio.wait_for(server.listening(), PATIENCE_S)
    steps = Steps(station, StandingClock())
    server.offer(steps({"T1.top_oil_c": 61.5}), 0)
    StandingClock.now = steps.at_ns + int(station.station.decision_max_age_s * 1e9)
    master = await Master.to(server)
    assert await master.point(1000) == (61.5, GOOD)
    StandingClock.now += 1_000_000_000
    value, quality = await master.point(1000)
    assert value == 61.5
    assert quality == invalid(Detail.OLD_DATA)
    called = next(p for p in catalogue(station) if p.id.endswith("stage1.called"))
    assert (await master.bits(called.address, 2))[1] == 1
    assert (await master.registers(HEADER, 7))[6] == 0
    await master.close()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_every_function_code_but_reading_is_exception_1(station: Settings) -> None:
    async with serving(station) as (server, steps):
        server.offer(steps(), 0)
        master = await Master.to(server)
        before = await master.registers(1000, 3)
        for function in range(128):
            for body in (struct.pack(">HH", 1000, 1), b"", struct.pack(">HHBH", 1000, 1, 2, 0xFF00)):
                answer = await master.ask(bytes((function,)) + body)
                if function in (1, 2, 3, 4):
                    continue
                assert answer == bytes((function | 0x80, 1)), function
        assert await master.registers(1000, 3) == before
        await master.close()


@pytest.mark.parametrize(
    ("pdu", "unit", "want"),
    [
        (struct.pack(">BHH", 4, 999, 1), 1, b"\x84\x02"),
        (struct.pack(">BHH", 4, 65535, 2), 1, b"\x84\x02"),
        (struct.pack(">BHH", 4, 5000, 3), 1, b"\x84\x02"),  # there is no transformer 2
        (struct.pack(">BHH", 2, 1000, 1), 1, b"\x82\x02"),  # top oil is not a bit
        (struct.pack(">BHH", 4, 1000, 0), 1, b"\x84\x03"),
        (struct.pack(">BHH", 4, 1000, 126), 1, b"\x84\x03"),
        (struct.pack(">BHH", 1, 1000, 2001), 1, b"\x81\x03"),
        (struct.pack(">BHH", 4, 1000, 1) + b"\x00", 1, b"\x84\x03"),
        (struct.pack(">BHH", 4, 1000, 1), 2, b"\x84\x0b"),
    ],
)
async def test_wrong_questions(station: Settings, pdu: bytes, unit: int, want: bytes) -> None:
    async with serving(station) as (server, steps):
        server.offer(steps(), 0)
        master = await Master.to(server)
        assert await master.ask(pdu, unit) == want
        await master.close()


async def test_probe_not_fitted_reads_as_bad_reference_inside_a_block(station: Settings) -> None:
    async with serving(station) as (server, steps):
        server.offer(steps(), 0)
        master = await Master.to(server)
        block = await master.registers(1000, 27)  # all nine measured points of a transformer
        value = struct.unpack(">f", struct.pack(">HH", *block[15:17]))[0]
        assert value == NO_VALUE
        assert Quality.from_bits(block[17]) == invalid(Detail.BAD_REFERENCE)
        await master.close()


async def test_two_requests_in_one_segment_are_both_answered(station: Settings) -> None:
    async with serving(station) as (server, steps):
        server.offer(steps(), 0)
        master = await Master.to(server)
        ask = struct.pack(">BHH", 4, 1000, 3)
        master.writer.write(b"".join(master.frame(ask) for _ in range(20)))
        assert [(await master.answer())[0] for _ in range(20)] == list(range(1, 21))
        await master.close()


async def test_request_in_single_bytes(station: Settings) -> None:
    async with serving(station) as (server, steps):
        server.offer(steps(), 0)
        master = await Master.to(server)
        for byte in master.frame(struct.pack(">BHH", 4, 1000, 3)):
            master.writer.write(bytes((byte,)))
            await master.writer.drain()
            await asyncio.sleep(0)
        assert (await master.answer())[1][:2] == b"\x04\x06"
        await master.close()


async def gone(master: Master) -> bool:
    """True once the server has closed this connection."""
    try:
        return await asyncio.wait_for(master.reader.read(), PATIENCE_S) == b""
    except ConnectionError:
        return True


async def test_too_many_clients_and_places_come_free(station: Settings) -> None:
    async with serving(station, max_clients=3) as (server, steps):
        server.offer(steps(), 0)
        masters = [await Master.to(server) for _ in range(3)]
        for master in masters:
            await master.registers(1000, 1)
        for _ in range(50):
            assert await gone(await Master.to(server))
        assert server.clients == 3
        assert server.refused == 50
        for master in masters:  # those inside notice nothing
            await master.registers(1000, 1)
        for master in masters:
            await master.close()
        await until(lambda: server.clients == 0)
        again = await Master.to(server)
        await again.registers(1000, 1)
        await again.close()


@pytest.mark.parametrize(
    "noise",
    [
        b"GET / HTTP/1.1\r\nHost: x\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        b"\xff" * 4096,
        b"\x00\x01\x00\x00\x00\x00\x01",
        b"\x00\x01\x00\x00\xff\xff\x01\x03",
    ],
)
async def test_garbage_ends_only_its_own_connection(station: Settings, noise: bytes) -> None:
    async with serving(station) as (server, steps):
        server.offer(steps(), 0)
        honest, hostile = await Master.to(server), await Master.to(server)
        hostile.writer.write(noise)
        assert await gone(hostile)
        await honest.registers(1000, 1)
        await honest.close()


@pytest.mark.parametrize("patience_s", [0.2, 3600.0], ids=["bounded", "control"])
async def test_silent_and_half_frame_clients_lose_their_places(
    station: Settings, monkeypatch: pytest.MonkeyPatch, patience_s: float
) -> None:
    """The control waits for them for ever: then two silent clients lock everyone else out."""
    monkeypatch.setattr(scada, "IDLE_S", patience_s)
    monkeypatch.setattr(scada, "FRAME_S", patience_s)
    async with serving(station, max_clients=2) as (server, steps):
        server.offer(steps(), 0)
        silent, half = await Master.to(server), await Master.to(server)
        half.writer.write(b"\x00\x01\x00\x00\x00\x06\x01\x04")
        if patience_s < 1:
            assert await gone(half)
            assert await gone(silent)
            honest = await Master.to(server)
            await honest.registers(1000, 1)
            await honest.close()
        else:
            await until(lambda: server.clients == 2)
            assert await gone(await Master.to(server)), "locked out"


async def test_client_that_never_reads_is_dropped(station: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scada, "WRITE_S", 0.2)
    monkeypatch.setattr(scada, "PACE_S", 0.0)
    async with serving(station) as (server, steps):
        server.offer(steps(), 0)
        deaf = await Master.to(server)
        deaf.writer.transport.pause_reading()  # type: ignore[attr-defined]
        ask = deaf.frame(struct.pack(">BHH", 4, 1300, 42))

        async def flood() -> None:
            while True:
                deaf.writer.write(ask * 200)
                await deaf.writer.drain()

        flooding = asyncio.create_task(flood())
        await until(lambda: server.clients == 1)
        await until(lambda: server.clients == 0)
        flooding.cancel()
        await asyncio.gather(flooding, return_exceptions=True)
        honest = await Master.to(server)
        await honest.registers(1000, 1)
        await honest.close()
        deaf.writer.transport.abort()


async def test_a_flood_of_requests_leaves_the_loop_to_others(station: Settings) -> None:
    """Each client gets a bounded share: the loop goes round while one floods."""
    async with serving(station) as (server, steps):
        server.offer(steps(), 0)
        flood, honest = await Master.to(server), await Master.to(server)
        ask = struct.pack(">BHH", 4, 1000, 27)
        flood.writer.write(b"".join(flood.frame(ask) for _ in range(500)))
        for _ in range(20):
            await honest.registers(1000, 1)
        assert (await flood.answer())[0] == 1
        await honest.close()
        await flood.close()


async def test_taken_port_is_told_and_tried_again(station: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scada, "RETRY_S", 0.05)
    squatter = await asyncio.start_server(lambda _r, w: w.close(), "127.0.0.1", 0)
    port = squatter.sockets[0].getsockname()[1]
    server = ScadaServer(with_scada(station, port=port), Clock())
    task = asyncio.create_task(server.run())
    await until(lambda: str(port) in server.health()[1])
    squatter.close()
    await squatter.wait_closed()
    await asyncio.wait_for(server.listening(), PATIENCE_S)
    assert server.health() == (True, "")
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


@limits(max_examples=300, deadline=None)
@given(pdu=st.binary(min_size=1, max_size=253), unit=st.integers(0, 255))
def test_any_request_gets_a_right_answer(station: Settings, pdu: bytes, unit: int) -> None:
    server = ScadaServer(with_scada(station), Clock())
    answer = server.answer(unit, pdu)
    assert len(answer) <= 253
    if unit != 1:
        assert answer == bytes((pdu[0] | 0x80, 0x0B))
    elif pdu[0] not in (1, 2, 3, 4):
        assert answer == bytes((pdu[0] | 0x80, 1))
    else:
        assert answer[0] == pdu[0] or (
            answer[0] == pdu[0] | 0x80 and answer[1] in (2, 3) and len(answer) == 2
        )


@limits(max_examples=60, deadline=None)
@given(chunks=st.lists(st.binary(min_size=1, max_size=300), min_size=1, max_size=6))
def test_any_bytes_leave_the_server_serving(station: Settings, chunks: list[bytes]) -> None:
    async def scenario() -> None:
        async with serving(station) as (server, steps):
            server.offer(steps(), 0)
            hostile = await Master.to(server)
            for chunk in chunks:
                hostile.writer.write(chunk)
                await asyncio.sleep(0)
            hostile.writer.transport.abort()
            honest = await Master.to(server)
            assert len(await honest.registers(1000, 3)) == 3
            await honest.close()

    asyncio.run(scenario())


async def mbpoll(tool: Callable[[str], str], server: ScadaServer, *options: str) -> str:
    process = await asyncio.create_subprocess_exec(
        tool("mbpoll"),
        "-m",
        "tcp",
        "-p",
        str(server.port),
        "-a",
        "1",
        "-0",
        "-1",
        *options,
        "127.0.0.1",
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    out, _ = await asyncio.wait_for(process.communicate(), PATIENCE_S)
    return out.decode()


async def test_c_client_reads_floats_bits_and_is_refused_a_write(
    station: Settings, tool: Callable[[str], str]
) -> None:
    """mbpoll (libmodbus): -t 3:float -B is a float32 in two input registers, high word first."""
    async with serving(station) as (server, steps):
        server.offer(steps({"T1.hot_spot_c": 83.75, "T1.stage1.called": True}), 0)
        points = {p.id: p for p in catalogue(station)}
        hot, called = points["T1.hot_spot_c"].address, points["T1.stage1.called"].address
        for table in ("3:float", "4:float"):
            assert "83.75" in await mbpoll(tool, server, "-t", table, "-B", "-r", str(hot), "-c", "1")
        assert f"[{called}]: \t1" in await mbpoll(tool, server, "-t", "1", "-r", str(called), "-c", "1")
        process = await asyncio.create_subprocess_exec(
            tool("mbpoll"),
            "-m",
            "tcp",
            "-p",
            str(server.port),
            "-a",
            "1",
            "-0",
            "-t",
            "4",
            "-r",
            str(hot),
            "127.0.0.1",
            "7",
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
        out, _ = await asyncio.wait_for(process.communicate(), PATIENCE_S)
        assert b"Illegal function" in out
