"""A station of 60 transformers and 240 devices: it loads, decides, and every address is read by masters that
share no code with the server (raw frames, pymodbus).

Addresses are worked out here a second time, from the tables of docs/interfaces.md.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import large_station
import pytest
from conftest_publish import PATIENCE_S, Steps, with_scada
from pymodbus.client import AsyncModbusTcpClient

from collector import engine
from collector.clock import Clock
from collector.commands.points import rows
from collector.messages import Inputs, Outcome
from collector.points import measurements
from collector.publish.scada import ScadaServer
from collector.quality import GOOD, Reading
from collector.settings import load
from collector.settings.model import Settings

TRANSFORMERS, DEVICES, UNIT = 60, 240, 11
NS = 10**9


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    path = tmp_path_factory.mktemp("large") / "large.yaml"
    path.write_text(large_station.text(TRANSFORMERS, unit=UNIT), encoding="utf-8")
    loaded = load(path)
    assert loaded.settings is not None, loaded.faults
    assert (len(loaded.settings.transformers), len(loaded.settings.devices)) == (TRANSFORMERS, DEVICES)
    return loaded.settings


def expected_place(point: str, offset: int) -> tuple[int, int]:
    """(unit id, register) by the tables of the documents: T17.HV_B.…, T17.stage2.…, device.relays17.…"""
    first, _, rest = point.partition(".")
    second = rest.partition(".")[0] if "." in rest else ""
    if first == "station":
        return UNIT, 3 * offset
    if first == "device":
        kind = second.rstrip("0123456789")
        number = 4 * (int(second[len(kind) :]) - 1) + ["oil", "cts", "relays", "cabinet"].index(kind) + 1
        k = (number - 1) // 39
        return UNIT + k, 300 + 15 * (number - 39 * k) + 3 * offset
    number = int(first[1:])
    k = (number - 1) // 16
    base = 4000 * (number - 16 * k) - 3000
    if second.startswith("HV_"):
        base = 4000 * (number - 16 * k) - 2800 + 100 * (" ABC".index(second[3:]))
    elif second.startswith("stage"):
        base = 4000 * (number - 16 * k) - 400 + 100 * int(second[5:])
    return UNIT + k, base + 3 * offset


def golden_offsets() -> dict[tuple[str, str], int]:
    lines = Path(__file__).with_name("golden_addresses.txt").read_text(encoding="utf-8").split("\n")
    return {(p[0], p[2]): int(p[1]) for p in map(str.split, lines) if p}


def level_of(point: str) -> str:
    parts = point.split(".")
    if parts[0] in ("station", "device"):
        return parts[0]
    return "transformer" if len(parts) == 2 else "winding" if parts[1].startswith("HV_") else "stage"


def blocks(places: list[int]) -> Iterator[tuple[int, int]]:
    """(first register, how many) of reads that ask for nothing but what is listed; a point has three."""
    start = end = -1
    for at in sorted(places):
        if at != end or at + 3 - start > 125:
            if end > start:
                yield start, end - start
            start = at
        end = at + 3
    yield start, end - start


async def read_unit(port: int, unit: int, places: list[int]) -> dict[tuple[int, int], int]:
    """(unit id, register) -> word, with frames written by hand, all requests in one stream."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    found: dict[tuple[int, int], int] = {}
    asked = list(blocks(places))

    async def ask() -> None:
        for i, (at, n) in enumerate(asked):
            writer.write(struct.pack(">HHHBBHH", i, 0, 6, unit, 4, at, n))
            await writer.drain()

    async def take() -> None:
        for i, (at, n) in enumerate(asked):
            head = await reader.readexactly(9)
            assert struct.unpack(">HHHBBB", head) == (i, 0, 3 + 2 * n, unit, 4, 2 * n), (unit, at, n, head)
            words = struct.unpack(f">{n}H", await reader.readexactly(2 * n))
            found.update({(unit, at + j): word for j, word in enumerate(words)})

    await asyncio.wait_for(asyncio.gather(ask(), take()), PATIENCE_S)
    writer.close()
    return found


async def read_all(port: int, wanted: dict[int, list[int]]) -> dict[tuple[int, int], int]:
    """Every unit id by a master of its own."""
    parts = await asyncio.gather(*(read_unit(port, unit, places) for unit, places in wanted.items()))
    return {place: word for part in parts for place, word in part.items()}


def number(found: dict[tuple[int, int], int], unit: int, at: int) -> tuple[float, int]:
    """(float32, quality) at a place."""
    raw = struct.pack(">HH", found[unit, at], found[unit, at + 1])
    return struct.unpack(">f", raw)[0], found[unit, at + 2]


def decided(settings: Settings) -> Outcome:
    """Three real steps: each transformer has an oil of its own, 40 °C and a tenth of its number."""
    plan = engine.build(settings, "large")
    state = engine.initial(plan)
    outcome = None
    for n in range(1, 4):
        now = 10**15 + n * 2 * NS
        readings = {}
        for m in measurements(settings):
            unit, _, name = m.id.partition(".")
            value: float | bool = {
                "top_oil_c": 40.0 + int(unit[1:]) / 10, "ambient_c": 20.0
            }.get(name, 150.0 if name.endswith("current_a") else True)  # fmt: skip
            readings[m.id] = Reading(value, GOOD, now - NS // 10)
        state, outcome = engine.step(state, plan, Inputs(now, readings, settings_hash="large"))
    assert outcome is not None
    return outcome


class StandingClock(Clock):
    """No decision grows old while it is read."""

    def mono_ns(self) -> int:
        return 10**15


async def test_every_address_of_60_transformers_and_240_devices(large: Settings) -> None:
    listed = [asdict(row) for row in rows(large)]  # what `windingd points` prints
    offsets = golden_offsets()
    places = {}
    for row in listed:
        offset = offsets[level_of(row["id"]), row["id"].rpartition(".")[2]]
        if row["type"] == "text":
            assert row["register"] is None
            continue
        places[row["id"]] = expected_place(row["id"], offset)
        assert (row["modbus_unit"], row["register"]) == places[row["id"]], row["id"]
    assert len(set(places.values())) == len(places) > 8000
    wanted: dict[int, list[int]] = {}
    for unit, at in places.values():
        wanted.setdefault(unit, []).append(at)
    assert sorted(wanted) == list(range(UNIT, UNIT + 7))  # device 240 is in section 6

    clock = StandingClock()
    server = ScadaServer(with_scada(large, unit=UNIT), clock)
    task = asyncio.create_task(server.run())
    await asyncio.wait_for(server.listening(), PATIENCE_S)
    # A number of its own for every point: what is read at an address is that point and no other.
    own = {name: i for i, name in enumerate(places, 1)}
    kinds = {row["id"]: row["type"] for row in listed}
    steps = Steps(large, clock)
    server.offer(steps({n: i + 0.25 if kinds[n] == "float" else i for n, i in own.items()}), 0)
    found = await read_all(server.port, wanted)
    for name, (unit, at) in places.items():
        assert number(found, unit, at) == (own[name] + (0.25 if kinds[name] == "float" else 0), 0), name

    # What the step has decided: plausible, and of the right transformer.
    outcome = decided(large)
    server.offer(steps(dict(outcome.values)), 0)
    found = await read_all(server.port, wanted)
    for t in range(1, TRANSFORMERS + 1):
        oil, quality = number(found, *places[f"T{t}.top_oil_c"])
        assert oil == pytest.approx(40.0 + t / 10, abs=1e-4)
        assert quality == 0
        hot_spot, quality = number(found, *places[f"T{t}.HV_B.hot_spot_c"])
        assert oil + 1 < hot_spot < oil + 20
        assert number(found, *places[f"T{t}.stage2.called"])[0] == 0
    for name, (unit, at) in places.items():
        value, told = outcome.values[name], number(found, unit, at)
        want = -9999.0 if value.value is None else float(value.value)
        assert told[0] == pytest.approx(want, rel=1e-6), name
        assert told[1] & 3 == value.quality.bits & 3, name

    client = AsyncModbusTcpClient("127.0.0.1", port=server.port, timeout=PATIENCE_S)
    assert await client.connect()
    for unit in range(UNIT, UNIT + 7):
        heart = await client.read_input_registers(900, count=7, device_id=unit)
        assert (heart.registers[0], heart.registers[6]) == (2, 1)
    for t in (1, 16, 17, 33, 60):
        unit, at = places[f"T{t}.top_oil_c"]
        answer = await client.read_holding_registers(at, count=3, device_id=unit)
        (oil,) = struct.unpack(">f", struct.pack(">HH", *answer.registers[:2]))
        assert oil == pytest.approx(40.0 + t / 10, abs=1e-4)
    for unit in (UNIT - 1, UNIT + 7, 0):
        assert (await client.read_input_registers(900, count=1, device_id=unit)).exception_code == 0x0B
    # A section in which there are only devices has no transformers, and no other section's points.
    assert (await client.read_input_registers(1000, count=3, device_id=UNIT + 6)).exception_code == 2
    assert (await client.read_input_registers(0, count=3, device_id=UNIT + 1)).exception_code == 2
    client.close()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
