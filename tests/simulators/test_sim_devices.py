"""Each device as seen on the wire, by pymodbus and by the C client mbpoll, with and without faults."""

from __future__ import annotations

import asyncio
import math
import os
import re
import struct
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.framer import FramerType

from simulators import Station, StationError
from simulators.modbus import Image, crc16, serve_request
from simulators.raw import check_bytes

Connect = Callable[..., Awaitable[AsyncModbusTcpClient]]
Tool = Callable[[str], str]


def signed(word: int) -> int:
    return word - 0x10000 if word & 0x8000 else word


async def tenths(client: AsyncModbusTcpClient, unit: int, address: int = 0) -> int:
    answer = await client.read_input_registers(address, count=1, device_id=unit)
    assert not answer.isError()
    return signed(answer.registers[0])


async def amperes(client: AsyncModbusTcpClient, phase: int) -> float:
    answer = await client.read_holding_registers(2 * phase, count=2, device_id=2)
    low, high = answer.registers
    return float(struct.unpack(">f", struct.pack(">HH", high, low))[0])


async def test_every_device_tells_the_plants_truth(station: Station, connect: Connect) -> None:
    truth = await station.truth()
    oil = await connect(station.ports["oil_tx"])
    for address, name in enumerate(("top_oil_c", "ambient_c", "bottom_oil_c")):
        assert await tenths(oil, 1, address) / 10 == pytest.approx(truth[name], abs=1.0)
    ct = await connect(station.ports["ct_tx"])
    for phase, name in enumerate("ABC"):
        assert 60.0 * await amperes(ct, phase) == pytest.approx(truth[f"HV_{name}.current_a"], rel=0.03)
    fibre = await connect(station.ports["fibre"])
    for address, name in enumerate("ABC"):
        assert await tenths(fibre, 4, address) / 10 == pytest.approx(truth[f"HV_{name}.hot_spot_c"], abs=2.0)
    relays = await connect(station.ports["relays"])
    settings = await relays.read_holding_registers(100, count=3, device_id=3)
    assert settings.registers == [100, 0, 0]
    inputs = (await relays.read_discrete_inputs(0, count=32, device_id=3)).bits
    assert inputs[8:11] == inputs[16:19] == [True] * 3
    assert inputs[24]


async def run_tool(*command: str) -> str:
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    output, _ = await asyncio.wait_for(process.communicate(), 20.0)
    assert process.returncode == 0, output.decode()
    return output.decode()


def polled(output: str) -> list[float]:
    return [float(value) for value in re.findall(r"^\[\d+\]:\s+(\S+)", output, re.MULTILINE)]


async def test_mbpoll_reads_and_writes_every_device(station: Station, tool: Tool) -> None:
    mbpoll = tool("mbpoll")

    async def poll(
        device: str, unit: int, kind: str, *more: str, values: tuple[str, ...] = ()
    ) -> list[float]:
        port = str(station.ports[device])
        options = ["-m", "tcp", "-p", port, "-a", str(unit), "-t", kind, "-0", "-1", "-q", *more]
        return polled(await run_tool(mbpoll, *options, "127.0.0.1", *values))

    truth = await station.truth()
    oil = await poll("oil_tx", 1, "3", "-r", "0", "-c", "3")
    assert oil[0] / 10 == pytest.approx(truth["top_oil_c"], abs=1.0)
    amps = await poll("ct_tx", 2, "4:float", "-r", "0", "-c", "3")
    assert 60 * amps[1] == pytest.approx(truth["HV_B.current_a"], rel=0.03)
    probes = await poll("fibre", 4, "3", "-r", "0", "-c", "3")
    assert probes[2] / 10 == pytest.approx(truth["HV_C.hot_spot_c"], abs=2.0)
    await poll("relays", 3, "0", "-r", "1", values=("1", "1"))
    assert await poll("relays", 3, "0", "-r", "0", "-c", "4") == [0, 1, 1, 0]


@pytest.mark.parametrize(
    ("fault", "arguments", "expected"),
    [("open", {}, 32767), ("short", {}, -32768), ("failed", {}, 32767), ("fixed", {"value": 250.0}, 2500)],
)
async def test_sentinels_of_the_oil_transmitter(
    station: Station, connect: Connect, fault: str, arguments: dict[str, float], expected: int
) -> None:
    client = await connect(station.ports["oil_tx"])
    await station.fault("oil_tx", fault, channel="top_oil_c", **arguments)
    assert abs(await tenths(client, 1) - expected) <= (0 if fault != "fixed" else 1)
    assert 250 < await tenths(client, 1, 1) < 350  # the neighbour is not touched
    await station.clear("oil_tx")
    assert 300 < await tenths(client, 1) < 1500


async def test_broken_probe_and_broken_ct(station: Station, connect: Connect) -> None:
    fibre, ct = await connect(station.ports["fibre"]), await connect(station.ports["ct_tx"])
    await station.fault("fibre", "short", channel="HV_B")
    assert await tenths(fibre, 4, 1) == 32767
    await station.fault("ct_tx", "open", channel="HV_A")
    await station.fault("ct_tx", "failed", channel="HV_C.current_a")
    assert await amperes(ct, 0) == 0.0
    assert math.isnan(await amperes(ct, 2))
    assert await amperes(ct, 1) > 1.0


async def until(read: Callable[[], Awaitable[float]], wanted: Callable[[float], bool]) -> float:
    """Read again until the value is what is wanted; each read is an event on the wire."""
    async with asyncio.timeout(20.0):
        while True:
            value = await read()
            if wanted(value):
                return value
            await asyncio.sleep(0.01)


async def test_frozen_drifting_and_jumping(station: Station, connect: Connect) -> None:
    client = await connect(station.ports["oil_tx"])
    await station.fault("oil_tx", "frozen", channel="ambient_c")
    held = await tenths(client, 1, 1)
    await station.set_ambient(10.0)
    await station.wait_log("plant", lambda e: e["event"] == "truth" and e["truth"]["ambient_c"] == 10.0)
    assert await tenths(client, 1, 1) == held
    await station.clear()
    await until(lambda: tenths(client, 1, 1), lambda value: abs(value - 100) < 10)

    await station.fault("oil_tx", "drifting", channel="ambient_c", per_h=3600.0)
    await until(lambda: tenths(client, 1, 1), lambda value: value > 200)
    await station.clear()

    await station.fault("oil_tx", "jumping", channel="ambient_c", by=30.0, period_s=5.0)
    await until(lambda: tenths(client, 1, 1), lambda value: abs(value - 400) < 10)
    await until(lambda: tenths(client, 1, 1), lambda value: abs(value - 100) < 10)


async def test_a_test_set_in_the_sensors_place(connect: Connect) -> None:
    """Its straight line at the moment of the answer, as float32; a second one takes the first one's place."""
    async with Station(rate=20.0, devices=("oil_tx",), options={"oil_tx": ("--float32",)}) as station:
        client = await connect(station.ports["oil_tx"])

        async def oil_c() -> float:
            words = (await client.read_input_registers(0, count=2, device_id=1)).registers
            return float(struct.unpack(">f", struct.pack(">HH", words[1], words[0]))[0])

        await station.fault("oil_tx", "injected", channel="top_oil_c", points=[[0.0, 10.0], [1e5, 110.0]])
        before_s = station.clock.station_ns() / 1e9
        read_c = await oil_c()
        after_s = station.clock.station_ns() / 1e9
        assert 10.0 + before_s * 1e-3 - 1e-4 <= read_c <= 10.0 + after_s * 1e-3 + 1e-4
        await station.fault("oil_tx", "injected", channel="top_oil_c", points=[[0.0, 42.125]])
        assert await oil_c() == 42.125
        assert len((await station.status())["faults"]["oil_tx"]) == 1
        await station.fault("oil_tx", "open", channel="top_oil_c")
        assert math.isnan(await oil_c())
        with pytest.raises(StationError, match="injected needs points"):
            await station.fault("oil_tx", "injected", channel="top_oil_c")


@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6])
async def test_refusing_with_each_exception(station: Station, connect: Connect, code: int) -> None:
    client = await connect(station.ports["ct_tx"])
    if code == 6:
        await station.fault("ct_tx", "busy")
    else:
        await station.fault("ct_tx", "refusing", code=code)
    answer = await client.read_holding_registers(0, count=2, device_id=2)
    assert answer.isError()
    assert answer.exception_code == code


async def test_silent_slow_and_hole(station: Station, connect: Connect) -> None:
    client = await connect(station.ports["oil_tx"], timeout_s=0.3)
    await station.fault("oil_tx", "silent")
    with pytest.raises(ModbusIOException):
        await client.read_input_registers(0, count=1, device_id=1)
    await station.clear()

    patient = await connect(station.ports["oil_tx"], timeout_s=5.0)
    await station.fault("oil_tx", "slow", seconds=0.4)
    begin = time.monotonic()
    await tenths(patient, 1)
    assert time.monotonic() - begin >= 0.4  # by the fault's own meaning: never sooner
    await station.clear()

    await station.fault("oil_tx", "hole", address=1)
    block = await patient.read_input_registers(0, count=3, device_id=1)
    assert block.isError()
    assert block.exception_code == 2
    assert await tenths(patient, 1, 0) > 0
    assert await tenths(patient, 1, 2) > 0


async def test_mute_relay_module_hears_but_does_not_answer(station: Station, connect: Connect) -> None:
    client = await connect(station.ports["relays"], timeout_s=0.3)
    await station.fault("relays", "mute")
    with pytest.raises(ModbusIOException):
        await client.write_coil(2, True, device_id=3)
    assert await station.wait_log("relays", lambda e: e["event"] == "energise" and e["coils"] == [2])


async def test_cut_link_breaks_and_refuses_connections(station: Station, connect: Connect) -> None:
    client = await connect(station.ports["fibre"])
    assert await tenths(client, 4) > 0
    await station.fault("fibre", "cut")
    with pytest.raises((ModbusIOException, ConnectionException)):
        await client.read_input_registers(0, count=1, device_id=4)
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", station.ports["fibre"])
    await station.clear("fibre")
    again = await connect(station.ports["fibre"])
    assert await tenths(again, 4) > 0


async def test_another_unit_is_met_with_silence(station: Station, connect: Connect) -> None:
    client = await connect(station.ports["oil_tx"], timeout_s=0.3)
    with pytest.raises(ModbusIOException):
        await client.read_input_registers(0, count=1, device_id=9)


async def test_several_requests_in_one_segment_are_all_answered(station: Station) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", station.ports["oil_tx"])
    requests = [struct.pack(">HHHBBHH", tid, 0, 6, 1, 4, 0, 1) for tid in (7, 8, 9)]
    writer.write(b"".join(requests))
    for tid in (7, 8, 9):
        answer = await asyncio.wait_for(reader.readexactly(11), 5.0)
        assert struct.unpack(">HHH", answer[:6]) == (tid, 0, 5)
    writer.close()


async def test_a_wrong_fault_is_refused_with_what_would_be_right(station: Station) -> None:
    with pytest.raises(StationError, match=r"oil_tx has no fault 'stuck'.*frozen"):
        await station.fault("oil_tx", "stuck")
    with pytest.raises(StationError, match="no channel 'HV_A'"):
        await station.fault("oil_tx", "open", channel="HV_A")
    with pytest.raises(StationError, match="no stage 4"):
        await station.fault("relays", "contactor", stage=4)
    with pytest.raises(StationError, match="value is -1"):
        await station.set_load(-1.0)


async def test_rtu_over_tcp(connect: Connect) -> None:
    async with Station(devices=("oil_tx",), options={"oil_tx": ("--framing", "rtu")}) as station:
        client = await connect(station.ports["oil_tx"], framer=FramerType.RTU)
        assert await tenths(client, 1) > 0


async def test_rtu_on_a_serial_line_read_by_mbpoll(tool: Tool, tmp_path: Path) -> None:
    """Two devices on one pseudo terminal, as on an RS-485 line; the C client on the other end."""
    socat, mbpoll = tool("socat"), tool("mbpoll")
    ends = [tmp_path / "device", tmp_path / "client"]
    line = await asyncio.create_subprocess_exec(
        socat, "-d", "-d", *(f"pty,raw,echo=0,link={end}" for end in ends), stderr=asyncio.subprocess.PIPE
    )
    assert line.stderr is not None
    while b"starting data transfer" not in await asyncio.wait_for(line.stderr.readline(), 10.0):
        pass
    device = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "simulators", "device", "oil_tx", "fibre", "--serial", str(ends[0]),
        "--set", "top_oil_c=63.2", "--set", "HV_C.hot_spot_c=88.8", "--parent", str(os.getpid()),
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert device.stdout is not None
    try:
        assert b"ready" in await asyncio.wait_for(device.stdout.readline(), 20.0)
        serial = [mbpoll, "-m", "rtu", "-b", "19200", "-P", "none", "-t", "3", "-0", "-c", "1", "-1", "-q"]
        assert polled(await run_tool(*serial, "-a", "1", "-r", "0", str(ends[1]))) == [632]
        assert polled(await run_tool(*serial, "-a", "4", "-r", "2", str(ends[1]))) == [888]
    finally:
        device.kill()
        line.kill()
        await device.wait()
        await line.wait()


def test_two_ways_to_the_check_bytes_agree() -> None:
    """Worked check bytes of 02 07: 41 12 (Modbus over serial line V1.02, annex B, from memory)."""
    assert crc16(bytes((0x02, 0x07))) == check_bytes(bytes((0x02, 0x07))) == bytes((0x41, 0x12))


@pytest.mark.parametrize(
    ("request_hex", "answer_hex"),
    [
        ("0300000001", "8302"),  # no such register
        ("0400000000", "8403"),  # count 0
        ("04000000ff", "8403"),  # count above 125
        ("0400", "8403"),  # too short
        ("2b0e0100", "ab01"),  # function unknown
        ("0500001234", "8501"),  # nothing to write here
        ("0400000002", "04040001ffff"),
    ],
)
def test_server_answers_what_the_protocol_says(request_hex: str, answer_hex: str) -> None:
    image = Image(inputs={0: 1, 1: 0xFFFF})
    assert serve_request(image, bytes.fromhex(request_hex)).hex() == answer_hex
