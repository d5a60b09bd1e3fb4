"""The station as a whole: relay module and contactors by their own logs, power, life and death."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusTcpClient

from simulators import Station
from simulators.station import Event

Connect = Callable[..., Awaitable[AsyncModbusTcpClient]]


def released(event: Event) -> bool:
    return bool(event["event"] == "release")


async def hold_off(
    station: Station, connect: Connect, timeout_tenths: int | None = None
) -> AsyncModbusTcpClient:
    """Energise the three cooling relays and wait until the plant knows.

    timeout_tenths: 0 switches the module's timeout off, where a test is not about it; then every
    stage has stopped when this returns.
    """
    client = await connect(station.ports["relays"])
    if timeout_tenths is not None:
        await client.write_register(100, timeout_tenths, device_id=3)
    await client.write_coils(0, [True] * 3, device_id=3)
    await station.wait_log("plant", lambda e: e["event"] == "contacts" and e["held_off"] == [True] * 3)
    if timeout_tenths == 0:
        await station.wait_truth(lambda truth: not any(truth[f"stage{stage}.running"] for stage in (1, 2, 3)))
    return client


async def all_run(station: Station) -> None:
    await station.wait_truth(lambda truth: all(truth[f"stage{stage}.running"] for stage in (1, 2, 3)))


async def test_relays_release_after_the_timeout_by_their_own_log(station: Station, connect: Connect) -> None:
    await hold_off(station, connect)
    release = await station.wait_log("relays", released)
    assert release["reason"] == "timeout"
    assert release["coils"] == [0, 1, 2]
    waited_s = (release["station_ns"] - release["last_valid_request_ns"]) / 1e9
    requests = [e for e in station.log("relays") if e["event"] == "request"]
    assert requests[-1]["station_ns"] - release["last_valid_request_ns"] < 1e9
    assert waited_s >= 10.0
    await all_run(station)


async def test_any_request_feeds_the_timeout(station: Station, connect: Connect) -> None:
    """Reads alone hold the relays for longer than the timeout; what ends them is the silence after."""
    client = await hold_off(station, connect, timeout_tenths=200)
    begin_ns = station.clock.station_ns()
    while station.clock.station_ns() - begin_ns < 50e9:
        await client.read_discrete_inputs(0, count=1, device_id=3)
        await asyncio.sleep(0.05)
    assert not any(released(e) for e in station.log("relays"))
    release = await station.wait_log("relays", released)
    assert release["last_valid_request_ns"] - begin_ns >= 49e9


async def test_a_connection_or_another_units_request_does_not_feed(
    station: Station, connect: Connect
) -> None:
    client = await hold_off(station, connect)
    last = [e for e in station.log("relays") if e["event"] == "request"][-1]
    stranger = await asyncio.open_connection("127.0.0.1", station.ports["relays"])
    while not any(released(e) for e in station.log("relays")):
        stranger[1].write(bytes.fromhex("0001 0000 0006 4d 01 0000 0001"))  # unit 77
        await asyncio.sleep(0.05)
    release = next(e for e in station.log("relays") if released(e))
    assert release["last_valid_request_ns"] <= last["station_ns"]
    stranger[1].close()
    client.close()


async def test_control_without_timeout_the_relays_stay(station: Station, connect: Connect) -> None:
    """Control of the tests above: the timeout switched off by register 100 is not survived by them."""
    await hold_off(station, connect, timeout_tenths=0)
    begin_ns = station.clock.station_ns()
    await station.wait_log("plant", lambda e: e["event"] == "truth" and e["station_ns"] > begin_ns + 25e9)
    assert not any(released(e) for e in station.log("relays"))


async def test_timeout_and_safe_state_are_registers(station: Station, connect: Connect) -> None:
    client = await connect(station.ports["relays"])
    assert (await client.write_register(101, 7, device_id=3)).exception_code == 3
    await hold_off(station, connect, timeout_tenths=30)
    release = await station.wait_log("relays", released)
    assert 3.0 <= (release["station_ns"] - release["last_valid_request_ns"]) / 1e9 < 10.0


async def test_safe_state_hold_keeps_the_relays(station: Station, connect: Connect) -> None:
    """What register 101 = 1 would do to a station: the timeout is logged, nothing is released."""
    client = await connect(station.ports["relays"])
    await client.write_register(101, 1, device_id=3)
    await hold_off(station, connect)
    await station.wait_log("relays", lambda e: e["event"] == "timeout")
    assert (await client.read_coils(0, count=3, device_id=3)).bits[:3] == [True] * 3
    assert not any(released(e) for e in station.log("relays"))


async def test_transformer_switched_off(station: Station, connect: Connect) -> None:
    client = await connect(station.ports["relays"])
    await station.set_energised(False)
    await station.wait_truth(lambda truth: truth["HV_A.current_a"] == 0.0)
    async with asyncio.timeout(20.0):
        while (await client.read_discrete_inputs(27, count=1, device_id=3)).bits[0]:
            pass  # each read is answered by the device: the next one may see the plant's news


async def test_relay_stuck_and_welded(station: Station, connect: Connect) -> None:
    client = await hold_off(station, connect, timeout_tenths=0)
    await station.fault("relays", "stuck", stage=1)
    await station.fault("relays", "welded", stage=2)
    assert not (await client.write_coils(0, [False] * 3, device_id=3)).isError()  # acknowledged all the same
    coils = (await client.read_coils(0, count=3, device_id=3)).bits[:3]
    assert coils == [True, False, False]
    await station.wait_log(
        "plant", lambda e: e["event"] == "contacts" and e["held_off"] == [True, True, False]
    )


@pytest.mark.parametrize(
    ("fault", "arguments", "inputs"),
    [
        ("contactor", {"stage": 2}, {1: False, 9: True, 17: True}),
        ("motor", {"stage": 2}, {1: False, 9: True, 17: True}),
        ("selector", {"stage": 2}, {1: False, 9: False, 17: True}),
        ("selector", {"stage": 2, "position": "manual"}, {1: True, 9: False, 17: True}),
        ("breaker", {"stage": 2}, {1: False, 9: True, 17: False}),
        ("supply", {}, {0: False, 1: False, 2: False, 24: False}),
        ("changeover", {}, {0: True, 1: True, 2: True, 24: True, 28: True}),
    ],
)
async def test_cabinet_faults_on_the_wire(
    station: Station, connect: Connect, fault: str, arguments: dict[str, object], inputs: dict[int, bool]
) -> None:
    client = await connect(station.ports["relays"])
    await station.fault("relays", fault, **arguments)
    async with asyncio.timeout(20.0):
        while True:
            bits = (await client.read_discrete_inputs(0, count=32, device_id=3)).bits
            if {address: bits[address] for address in inputs} == inputs and bits[2] == (fault != "supply"):
                break


async def test_power_cycle_on_command_releases_and_logs(station: Station, connect: Connect) -> None:
    await hold_off(station, connect, timeout_tenths=0)
    await station.fault("relays", "rebooting", seconds=15)
    release = await station.wait_log("relays", released)
    assert release["reason"] == "power off"
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", station.ports["relays"])
    back = await station.wait_log("relays", lambda e: e["event"] == "power on", after_ns=release["mono_ns"])
    assert back["coils"] == []
    client = await connect(station.ports["relays"])
    assert (await client.read_coils(0, count=3, device_id=3)).bits[:3] == [False] * 3


async def test_killed_relay_module_lets_go(station: Station, connect: Connect) -> None:
    await hold_off(station, connect, timeout_tenths=0)
    await station.kill("relays")
    await station.wait_log(
        "plant", lambda e: e["event"] == "device" and e["device"] == "relays" and not e["present"]
    )
    await all_run(station)
    await station.revive("relays")
    client = await connect(station.ports["relays"])
    assert (await client.read_coils(0, count=3, device_id=3)).bits[:3] == [False] * 3


async def test_stopped_device_is_silent_and_comes_back(station: Station, connect: Connect) -> None:
    client = await connect(station.ports["oil_tx"], timeout_s=0.3)
    station.pause("oil_tx")
    with pytest.raises(Exception, match="No response"):
        await client.read_input_registers(0, count=1, device_id=1)
    station.resume("oil_tx")
    again = await connect(station.ports["oil_tx"], timeout_s=5.0)
    assert not (await again.read_input_registers(0, count=1, device_id=1)).isError()


async def test_hung_relay_module_releases_when_it_wakes(station: Station, connect: Connect) -> None:
    """What ran out while it hung has run out, even when a request is already waiting for it."""
    await hold_off(station, connect)
    station.pause("relays")
    hung_ns = station.clock.station_ns()
    _, writer = await asyncio.open_connection("127.0.0.1", station.ports["relays"])
    writer.write(bytes.fromhex("0001 0000 0006 03 01 0000 0001"))
    await station.wait_truth(lambda truth: truth["time_s"] > hung_ns / 1e9 + 11.0)
    assert not any(released(e) for e in station.log("relays"))
    station.resume("relays")
    release = await station.wait_log("relays", released)
    assert release["reason"] == "timeout"
    assert release["last_valid_request_ns"] < hung_ns
    writer.close()


async def test_a_fault_survives_the_devices_reboot(station: Station, connect: Connect) -> None:
    await station.fault("oil_tx", "open")
    await station.reboot("oil_tx")
    await station.wait_log("oil_tx", lambda e: e["event"] == "faults" and bool(e["faults"]))
    client = await connect(station.ports["oil_tx"])
    assert (await client.read_input_registers(0, count=1, device_id=1)).registers == [32767]


async def test_a_fault_may_end_by_itself(station: Station) -> None:
    await station.fault("fibre", "silent", for_s=5)
    begun = await station.wait_log("fibre", lambda e: e["event"] == "faults" and bool(e["faults"]))
    ended = await station.wait_log(
        "fibre", lambda e: e["event"] == "faults" and not e["faults"], after_ns=begun["mono_ns"]
    )
    assert ended["station_ns"] - begun["faults"][0]["since_ns"] >= 5e9


async def test_devices_keep_their_values_without_the_plant(station: Station, connect: Connect) -> None:
    client = await connect(station.ports["ct_tx"])
    await station.kill("plant")
    first = (await client.read_holding_registers(0, count=6, device_id=2)).registers
    second = (await client.read_holding_registers(0, count=6, device_id=2)).registers
    assert first == second
    assert any(first)


async def test_scenario(tmp_path: Path, connect: Connect) -> None:
    scenario = tmp_path / "afternoon.yaml"
    scenario.write_text(
        "load_pu: [[0, 0.4], [10, 1.2]]\n"
        "ambient_c: [[0, 35]]\n"
        "commands:\n"
        "  - {at_min: 1, command: fault, device: oil_tx, fault: short}\n"
        "  - {at_min: 3, command: fault, device: oil_tx, fault: sneezing}\n",
        encoding="utf-8",
    )
    async with Station(rate=200.0, scenario=scenario, devices=("oil_tx",)) as station:
        await station.wait_log("oil_tx", lambda e: e["event"] == "faults" and bool(e["faults"]))
        refused = await station.wait_log("plant", lambda e: e["event"] == "refused")
        assert "sneezing" in refused["error"]
        truth = await station.truth()
        assert truth["ambient_c"] == 35.0
        assert truth["load_pu"] > 0.5


_PARENT = """
import asyncio, sys
from simulators import Station
async def main():
    station = Station(log_dir=sys.argv[1])
    await station.start()
    station.pause("fibre")
    print(*[station.pid(name) for name in ("plant", *station.ports)], flush=True)
    await asyncio.Event().wait()
asyncio.run(main())
"""


async def test_processes_end_with_the_parent_even_when_it_is_killed(tmp_path: Path) -> None:
    parent = await asyncio.create_subprocess_exec(
        sys.executable, "-c", _PARENT, str(tmp_path), stdout=asyncio.subprocess.PIPE
    )
    assert parent.stdout is not None
    pids = [int(word) for word in (await asyncio.wait_for(parent.stdout.readline(), 30.0)).split()]
    assert len(pids) == 5
    descriptors = [os.pidfd_open(pid) for pid in pids]
    parent.send_signal(signal.SIGKILL)
    await parent.wait()
    loop = asyncio.get_running_loop()
    for descriptor in descriptors:
        ended = asyncio.Event()
        loop.add_reader(descriptor, ended.set)  # readable when the process has ended
        await asyncio.wait_for(ended.wait(), 10.0)
        loop.remove_reader(descriptor)
        os.close(descriptor)


async def test_command_line_of_a_running_station() -> None:
    async with Station(rate=20.0) as station:
        port = ("--control-port", str(station.control_port))

        async def run(*arguments: str) -> tuple[int | None, str, str]:
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "simulators", *arguments, *port,
                stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
            )  # fmt: skip
            out, err = await asyncio.wait_for(process.communicate(), 20.0)
            return process.returncode, out.decode(), err.decode()

        assert (await run("fault", "oil_tx", "open", "channel=ambient_c"))[0] == 0
        assert (await run("load", "1.3"))[0] == 0
        assert (await run("ambient", "35"))[0] == 0
        status = json.loads((await run("status"))[1])
        assert status["truth"]["ambient_c"] == 35.0
        assert status["truth"]["load_pu"] == pytest.approx(1.3, rel=0.05)
        assert status["faults"]["oil_tx"][0]["channel"] == "ambient_c"
        assert (await run("clear"))[0] == 0
        assert json.loads((await run("status"))[1])["faults"] == {}
        code, _, message = await run("fault", "oil_tx", "sneezing")
        assert code == 64
        assert "oil_tx has no fault 'sneezing'" in message
