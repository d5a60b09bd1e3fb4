"""Rows 7 and 8: a relay that does not obey, another master, and a called stage that does not run."""

from __future__ import annotations

import socket
import struct
import time
from typing import Any

import pytest
from bench_kit import Make, alarm, all_held_off, held, releases, station_s
from failure_help import BUSY, IDLE, by_load, daemon_with, ready
from ledger import Ledger

from collector.demo.bench import Bench

RELAY_UNIT = 3


def write_coil(port: int, coil: int, on: bool) -> None:
    """Another master: one write to one coil, over a connection of its own (Modbus TCP, function 5)."""
    pdu = struct.pack(">BHH", 5, coil, 0xFF00 if on else 0)
    with socket.create_connection(("127.0.0.1", port), 5.0) as line:
        line.sendall(struct.pack(">HHHB", 7, 0, len(pdu) + 1, RELAY_UNIT) + pdu)
        assert line.recv(260)[7:] == pdu


@pytest.mark.parametrize("broken", ["", "read-back"])
async def test_row_7_stuck_relay(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """The write is acknowledged, the coil stays. Control: nobody reads back."""
    bench = await ready(await make_bench(load=IDLE, edit=by_load, **daemon_with(broken)))
    await bench.station.fault("relays", "stuck", stage=1)
    since_ns = time.monotonic_ns()
    await bench.station.set_load(BUSY)

    def writes() -> list[Any]:
        return [
            m
            for m in bench.relay_log()
            if m["event"] == "write"
            and m["mono_ns"] > since_ns
            and m.get("coil") == 0
            and m["values"][0] == 0
        ]

    await bench.until(lambda: bool(writes()), "stage 1 called", 10.0)
    called_ns = writes()[0]["mono_ns"]
    with ledger.judged(7, broken, "stuck relay"):
        told = await alarm(bench, "T1.stage1.alarm_output_fault", called_ns, 5.0)
        assert "reads back" in told["payload"]["text"]
    if broken:
        return
    told_ns = told["mono_ns"]
    await bench.until(lambda: writes()[-1]["mono_ns"] > told_ns, "written again after the alarm", 5.0)
    await bench.until(lambda: 1 not in held(bench), "stage 2 stands in", 5.0)
    assert 0 in held(bench)
    assert not (await bench.station.truth())["stage1.running"]
    spare = releases(bench, called_ns, coil=1)[0]
    again = len(writes()) - 1
    await bench.station.clear("relays")
    await bench.until(lambda: 0 not in held(bench), "stage 1 released as soon as its relay can", 5.0)
    ledger.note(
        7,
        "relay of stage 1 stuck, writes acknowledged",
        f"alarm; written again {again} times; stage 2 called in its place after "
        f"{station_s(bench, called_ns, spare):.0f} s; released when the relay came free",
        detection_s=station_s(bench, called_ns, told),
    )


@pytest.mark.parametrize("broken", ["", "read-back"])
async def test_row_7_another_master(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """It holds off a stage that should run. Control: nobody reads back."""
    bench = await ready(await make_bench(load=IDLE, edit=by_load, **daemon_with(broken)))
    await bench.station.set_load(BUSY)
    await bench.until(lambda: 0 not in held(bench), "stage 1 called", 10.0)
    await bench.station.wait_truth(lambda truth: bool(truth["stage1.running"]))
    since_ns = time.monotonic_ns()
    write_coil(bench.station.ports["relays"], 0, True)
    await bench.until(lambda: bool(releases(bench, since_ns, coil=0)), "stage 1 released again", 4.0)
    line = releases(bench, since_ns, coil=0)[0]
    assert line["reason"] == "write"
    with ledger.judged(7, broken, "another master holds stage 1 off"):
        told = await alarm(bench, "T1.stage1.alarm_output_fault", since_ns, 4.0)
    if broken:
        return
    ledger.note(
        7,
        "another master holds off a stage that is to run",
        "alarm; the coil written back with the next decision",
        detection_s=station_s(bench, since_ns, told),
        reaction_s=station_s(bench, since_ns, line),
    )


CABINET = {
    "selector not in Auto": ("selector", "T1.stage1.alarm_not_available", "selector"),
    "motor breaker tripped": ("breaker", "T1.stage1.alarm_not_available", "breaker"),
    "contactor does not pull in": ("contactor", "T1.stage1.alarm_no_feedback", "feedback"),
    "motor does not turn": ("motor", "T1.stage1.alarm_no_feedback", "feedback"),
}


async def stands_in(bench: Bench, subject: str, word: str, since_ns: int) -> tuple[float, float]:
    """Alarm by name, stage 1 stays called, stage 2 is called too and runs. (detection, stage 2 released)
    [s].
    """
    told = await alarm(bench, subject, since_ns, 6.0)
    assert word in told["payload"]["text"]
    await bench.until(lambda: bool(releases(bench, since_ns, coil=1)), "stage 2 released", 6.0)
    assert 0 not in held(bench), "stage 1 must stay called"
    assert 2 in held(bench), "stage 3 had no reason"
    truth = await bench.station.wait_truth(lambda truth: bool(truth["stage2.running"]))
    assert not truth["stage1.running"]
    return station_s(bench, since_ns, told), station_s(bench, since_ns, releases(bench, since_ns, coil=1)[0])


@pytest.mark.parametrize("broken", ["", "proof"])
async def test_row_8_called_but_not_running(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """Four causes, one after the other. Stage 1 alone is called (by load). Control: a call is proof
    enough.
    """
    bench = await ready(await make_bench(load=IDLE, edit=by_load, **daemon_with(broken)))
    cases = dict(list(CABINET.items())[2:3]) if broken else CABINET
    for case, (fault, subject, word) in cases.items():
        since_ns = time.monotonic_ns()
        await bench.station.fault("relays", fault, stage=1)
        await bench.station.set_load(BUSY)
        await bench.until(lambda: 0 not in held(bench), "stage 1 called", 10.0)
        with ledger.judged(8, broken, case):
            detection_s, reaction_s = await stands_in(bench, subject, word, since_ns)
        if broken:
            return
        ledger.note(
            8,
            case,
            "the alarm names it; stage 1 stayed called, stage 2 called too and ran by the plant's log, stage "
            "3 not",
            detection_s=detection_s,
            reaction_s=reaction_s,
        )
        await bench.station.set_load(IDLE)
        await bench.station.clear("relays", fault)
        await all_held_off(bench, 25.0)
