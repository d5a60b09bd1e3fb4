"""Against pymodbus's own simulator server: all tables, types and orders over TCP and RTU framing."""

from __future__ import annotations

import asyncio
import struct
from itertools import product

import pytest
from field_help import Decider, contact, device, ids, link, reading, reg, running, station, until
from pymodbus import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

TYPES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}
VALUES = {
    "int16": -235,
    "uint16": 65001,
    "int32": -7654321,
    "uint32": 4000000000,
    "float32": 61.25,
    "float64": -12.5,
}


def registers(type_, byte_order, word_order):
    words = list(
        struct.unpack(
            f">{struct.calcsize(TYPES[type_]) // 2}H", struct.pack(">" + TYPES[type_], VALUES[type_])
        )
    )
    if word_order == "little":
        words.reverse()
    if byte_order == "little":
        words = [(w & 0xFF) << 8 | w >> 8 for w in words]
    return words


@pytest.fixture(params=[("tcp", FramerType.SOCKET), ("rtu_over_tcp", FramerType.RTU)], ids=["tcp", "rtu"])
async def server(request):
    kind, framer = request.param
    values, layout = [], []
    for type_, byte_order, word_order in product(TYPES, ("big", "little"), ("big", "little")):
        layout.append((type_, byte_order, word_order, len(values)))
        values += registers(type_, byte_order, word_order)
    bank = [SimData(0, values=values, datatype=DataType.REGISTERS)]
    bits = [SimData(0, values=[bool(n % 3) for n in range(16)], datatype=DataType.BITS)]
    coils = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    sim = SimDevice(5, simdata=(coils, bits, bank, bank))
    made = ModbusTcpServer(sim, framer=framer, address=("127.0.0.1", 0))
    task = asyncio.create_task(made.serve_forever())
    await until(lambda: made.transport is not None)
    made.kind, made.layout = kind, layout
    made.port = made.transport.sockets[0].getsockname()[1]
    yield made
    await made.shutdown()
    await asyncio.gather(task, return_exceptions=True)


@pytest.mark.parametrize("table", ["holding_register", "input_register"])
async def test_every_type_and_order(server, table):
    points = [
        reg(address, table=table, type=type_, byte_order=byte, word_order=word)
        for type_, byte, word, address in server.layout
    ]
    points.append(reg(server.layout[0][3], table=table, type="int16", scale=0.1, offset=100.0))
    for part in (points[:13], points[13:]):
        how = link(server.port, type=server.kind, late_answer_s=0.05)
        async with running(station([how], [device(unit=5, max_block=100)], part)) as field:
            await until(lambda: field.snapshot().polled)
            got = [reading(field, n) for n in range(len(part))]
        assert all(r.quality.is_good for r in got), [r.reason for r in got]
        for point, r in zip(part, got, strict=True):
            assert r.value == pytest.approx(
                VALUES[point["type"]] * point.get("scale", 1.0) + point.get("offset", 0.0)
            )
    assert len(ids(13)) == 13


async def test_bits_and_coils(server):
    settings = station(
        [link(server.port, type=server.kind, late_answer_s=0.05)],
        [device(unit=5, relay_module={"released_by": "module_timeout", "timeout_s": 10.0})],
        [reg(0, type="int16")],
        {f"stage{n}": ("D1", n) for n in range(1, 6)},
        {f"stage{n}": contact(n) for n in range(1, 6)},
        cycle_s=0.1,
    )
    async with running(settings) as field:
        wanted = {f"stage{n}": bool(n % 2) for n in range(1, 6)}
        decider = Decider(field, 0.05, **wanted)
        await until(
            lambda: all(field.snapshot().relays[f"T1.{name}"].energised == on for name, on in wanted.items())
        )
        await until(lambda: field.snapshot().polled)
        for n in range(1, 6):
            assert field.snapshot().readings[f"T1.stage{n}.feedback"].value == float(bool(n % 3))
        assert await field.release_all(3.0)
        assert not any(status.energised for status in field.snapshot().relays.values())
        await decider.stop()
