"""Rows 3 to 6: sensors that lie, and links that are lost, slow or flapping."""

from __future__ import annotations

import asyncio
import time
from typing import Any

import pytest
from bench_kit import (
    SLACK_S,
    STAGES,
    Make,
    Message,
    alarm,
    alarms,
    all_held_off,
    all_released,
    held,
    releases,
    since_last_request_s,
    station_s,
)
from failure_help import NO_TIMEOUT, both, by_load, command, daemon_with, ready, station_keys
from ledger import Ledger

from collector.demo.bench import Bench
from collector.demo.story import RELAY_TIMEOUT_S, patient

TIMEOUT_S = 10.0  # the relay module's own
RELEASES_PER_H = 3  # what the flapping rule allows; the one after it stays


async def loses(
    bench: Bench, device: str, subject: str, within_s: float, **fault: Any
) -> tuple[float, float]:
    """Put a fault on; every stage must be released by decision and the alarm told. (detection, reaction)
    [s].
    """
    since_ns = time.monotonic_ns()
    await bench.station.fault(device, **fault)
    await all_released(bench, within_s)
    last = releases(bench, since_ns)[-1]
    assert last["reason"] == "write", f"released by {last['reason']}, not by a decision"
    told = await alarm(bench, subject, since_ns, 5.0)
    return station_s(bench, since_ns, told), station_s(bench, since_ns, last)


def values_since(bench: Bench, topic: str, since_ns: int) -> list[Message]:
    return [m["payload"] for m in bench.messages() if m["topic"].endswith(topic) and m["mono_ns"] >= since_ns]


async def substituted(bench: Bench, topic: str, since_ns: int) -> Message:
    """The first published value that is marked as substituted."""

    def found() -> list[Message]:
        return [p for p in values_since(bench, topic, since_ns) if "substituted" in p["quality"]]

    await bench.until(lambda: bool(found()), f"{topic} substituted", 5.0)
    return found()[0]


OIL = {
    "open": {"fault": "open", "channel": "top_oil_c"},
    "short": {"fault": "short", "channel": "top_oil_c"},
    "out of range": {"fault": "fixed", "channel": "top_oil_c", "value": 300.0},
    "jumping by 25 K": {"fault": "jumping", "channel": "top_oil_c"},
    "stale: the transmitter answers busy": {"fault": "busy"},
}


@pytest.mark.parametrize("broken", ["", "inputs"])
async def test_row_3_top_oil(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """One after the other on one bench. Control: a bad reading is passed over."""
    bench = await ready(await make_bench(edit=by_load, publish_s=4.0, **daemon_with(broken)))
    oil = "/value/T1/top_oil_c"
    known = lambda: [p["value"] for p in values_since(bench, oil, 0) if p["value"] is not None]  # noqa: E731
    await bench.until(lambda: bool(known()), "top oil published")
    for case, fault in OIL.items():
        subject = "device.oil_tx.alarm_link_lost" if "stale" in case else "T1.alarm_top_oil_lost"
        since_ns = time.monotonic_ns()
        before = known()[-1]
        with ledger.judged(3, broken, case):
            detection_s, reaction_s = await loses(bench, "oil_tx", subject, 4.0, **fault)
            estimate = await substituted(bench, oil, since_ns)
            assert abs(estimate["value"] - before) < 3.0, f"jumped from {before} to {estimate['value']}"
        if broken:
            return
        seen = f"every stage released; oil {before:.1f} °C measured, {estimate['value']:.1f} °C estimated"
        ledger.note(3, case, seen, detection_s=detection_s, reaction_s=reaction_s)
        await bench.station.clear("oil_tx")
        await all_held_off(bench, 20.0)


def swift(text: str) -> str:
    """Time-outs for a rate of 60, and a model whose oil settles within minutes."""
    text = patient(text).replace("top_oil_rise_k:", "tau_o_min: 10.0\n        top_oil_rise_k:")
    return text.replace("    alarms:\n", "    lost_inputs: {frozen_after_min: 5.0}\n    alarms:\n", 1)


@pytest.mark.parametrize("broken", ["", "inputs"])
async def test_row_3_top_oil_frozen(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """The sensor stands still while a load step lets the model expect more than 3 K."""
    bench = await make_bench(
        rate=60.0, edit=swift, publish_s=10.0, relay_timeout_s=RELAY_TIMEOUT_S, **daemon_with(broken)
    )
    await ready(bench)
    expected = "/value/T1/expected_oil_c"
    settled = lambda: [p for p in values_since(bench, expected, 0) if p["quality"] == "good"]  # noqa: E731
    await bench.until(lambda: bool(settled()), "the model has settled", 60.0)
    before_c = settled()[-1]["value"]
    await bench.station.set_load(0.8)
    assert held(bench) >= STAGES
    with ledger.judged(3, broken, "frozen"):
        detection_s, reaction_s = await loses(
            bench,
            "oil_tx",
            "T1.alarm_top_oil_lost",
            12.0 if broken else 30.0,
            fault="frozen",
            channel="top_oil_c",
        )
    if broken:
        return
    moved_k = settled()[-1]["value"] - before_c
    truth = await bench.station.truth()
    assert truth["HV_A.hot_spot_c"] < 75.0, "the load alone would have started stage 1"
    seen = f"every stage released after the 5 min that this test sets; the model expected {moved_k:+.1f} K"
    ledger.note(3, "frozen during a load step", seen, detection_s=detection_s, reaction_s=reaction_s)


CURRENTS = {
    "not a number": ("HV_A", {"fault": "failed"}),
    "zero while the others carry load": ("HV_B", {"fault": "open"}),
    "out of range": ("HV_C", {"fault": "fixed", "value": 1000.0}),
}


@pytest.mark.parametrize("broken", ["", "inputs"])
async def test_row_4_current(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """One phase after the other. Control: a bad reading is passed over."""
    bench = await ready(await make_bench(edit=by_load, publish_s=4.0, **daemon_with(broken)))
    for case, (phase, fault) in CURRENTS.items():
        since_ns = time.monotonic_ns()
        with ledger.judged(4, broken, case):
            detection_s, reaction_s = await loses(
                bench, "ct_tx", f"T1.{phase}.alarm_current_lost", 4.0, channel=phase, **fault
            )
            load = await substituted(bench, f"/value/T1/{phase}/load_pu", since_ns)
            if load["value"] < 1.0:  # told in the cycle of a change of mode: the next is of the new one
                load = await substituted(bench, f"/value/T1/{phase}/load_pu", time.monotonic_ns())
            assert load["value"] >= 1.0, f"{load['value']} pu is assumed, less than rated"
        if broken:
            return
        seen = f"every stage released; {phase} assumed at {load['value']:.2f} pu, substituted"
        ledger.note(4, f"{phase} {case}", seen, detection_s=detection_s, reaction_s=reaction_s)
        await bench.station.clear("ct_tx")
        await all_held_off(bench, 20.0)


LINKS = {
    "oil transmitter unreachable": ("oil_tx", {"fault": "cut"}),
    "current transducer unreachable": ("ct_tx", {"fault": "cut"}),
    "oil transmitter answers after 3 s real, time-out 1 s": ("oil_tx", {"fault": "slow", "seconds": 3.0}),
}


@pytest.mark.parametrize("broken", ["", "inputs"])
async def test_row_5_link_to_sensors(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """Lost and slow; then the probes' link, for which nothing has to start. Control: as row 3."""
    bench = await ready(await make_bench(edit=by_load, **daemon_with(broken)))
    for case, (device, fault) in LINKS.items():
        with ledger.judged(5, broken, case):
            detection_s, reaction_s = await loses(
                bench, device, f"device.{device}.alarm_link_lost", 5.0, **fault
            )
        if broken:
            return
        ledger.note(
            5,
            case,
            "every stage released; one alarm, for the link",
            detection_s=detection_s,
            reaction_s=reaction_s,
        )
        await bench.station.clear(device)
        await all_held_off(bench, 25.0)
    since_ns = time.monotonic_ns()
    await bench.station.fault("fibre", "cut")
    told = await alarm(bench, "device.fibre.alarm_link_lost", since_ns)
    assert not releases(bench, since_ns)
    ledger.note(
        5,
        "fibre probes unreachable",
        "alarm; no relay moved: the probes only check the model",
        detection_s=station_s(bench, since_ns, told),
    )


async def flap(bench: Bench, device: str, times: int) -> None:
    """Cut and restore, each time until the stages were released and, if they may, held off again."""
    for _ in range(times):
        await bench.station.fault(device, "cut")
        await all_released(bench, 15.0)
        await bench.station.clear(device)
        try:
            await all_held_off(bench, 8.0)
        except TimeoutError:
            if alarms(bench, "T1.stage1.alarm_flapping"):
                return  # released until acknowledged


def starts(bench: Bench, stage: int, since_ns: int) -> int:
    """How often the plant's log says that this stage's motors started."""
    return sum(
        1
        for line in bench.station.log("plant")
        if line["event"] == "stage"
        and line["stage"] == stage
        and line["running"]
        and line["mono_ns"] >= since_ns
    )


@pytest.mark.parametrize(("device", "row"), [("oil_tx", 5), ("relays", 6)])
@pytest.mark.parametrize("broken", ["", "flapping"])
async def test_row_5_and_6_flapping(
    make_bench: Make, ledger: Ledger, device: str, row: int, broken: str
) -> None:
    """A link that comes and goes. Control: releases are not counted."""
    edit = both(by_load, station_keys(max_releases_per_h=RELEASES_PER_H, stale_after_s=12.0))
    bench = await ready(await make_bench(edit=edit, **daemon_with(broken)))
    since_ns = time.monotonic_ns()
    with ledger.judged(row, broken, "flapping"):
        await flap(bench, device, RELEASES_PER_H + 3)
        count = len(releases(bench, since_ns, coil=0))
        assert count <= RELEASES_PER_H + 1, (
            f"{count} releases of stage 1, {starts(bench, 1, since_ns)} starts"
        )
        told = await alarm(bench, "T1.stage1.alarm_flapping", since_ns, 5.0)
    if broken:
        return
    assert starts(bench, 1, since_ns) <= RELEASES_PER_H + 1
    ledger.note(
        row,
        "flapping",
        f"released {count} times ({starts(bench, 1, since_ns)} motor starts by the plant's log), then left "
        "running "
        "until acknowledged; held off again after that",
        detection_s=station_s(bench, releases(bench, since_ns, coil=0)[-1]["mono_ns"], told),
    )
    for stage in (1, 2, 3):
        command(bench, kind="acknowledge_flapping", target=f"T1.stage{stage}")
    await all_held_off(bench, 20.0)


async def test_row_5_short_gaps_move_nothing(make_bench: Make, ledger: Ledger) -> None:
    """Gaps shorter than stale_after_s are no loss."""
    bench = await ready(await make_bench(edit=both(by_load, station_keys(stale_after_s=80.0))))
    since_ns = time.monotonic_ns()
    for _ in range(5):
        await bench.station.fault("oil_tx", "cut")
        await asyncio.sleep(0.3)  # the length of the gap, not a wait for something
        await bench.station.clear("oil_tx")
        back_ns = time.monotonic_ns()
        await bench.until(
            lambda back_ns=back_ns: any(
                line["event"] == "connected" or line["event"] == "connection"
                for line in bench.station.log("oil_tx")
                if line["mono_ns"] >= back_ns
            ),
            "reconnected",
            6.0,
        )
    assert not releases(bench, since_ns)
    ledger.note(5, "five gaps shorter than stale_after_s", "no relay moved")


@pytest.mark.parametrize("broken", ["", "module timeout"])
async def test_row_6_link_to_relays(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """Cut. Control: the module's own timeout does not work."""
    bench = await ready(await make_bench())
    if broken:
        await bench.station.fault("relays", "no_timeout")
    since_ns = time.monotonic_ns()
    await bench.station.fault("relays", "cut")
    with ledger.judged(6, broken, "unreachable", NO_TIMEOUT):
        await all_released(bench, 4.0)
        line = releases(bench, since_ns)[0]
        assert line["reason"] == "timeout"
        took_s = since_last_request_s(line)
        assert TIMEOUT_S <= took_s <= TIMEOUT_S + SLACK_S
        told = await alarm(bench, "device.relays.alarm_link_lost", since_ns)
    if broken:
        return
    await bench.station.clear("relays")
    back_ns = time.monotonic_ns()
    await all_held_off(bench, 20.0)
    moved = [m for m in bench.relay_log() if m["event"] == "energise" and m["mono_ns"] > back_ns]
    first = next(m for m in moved if STAGES & set(m["coils"]))
    held_s = station_s(bench, back_ns, first)
    assert held_s >= 20.0, "held off again before the return was trusted"
    ledger.note(
        6,
        "unreachable",
        f"released by the module's own timeout; after the return left running for {held_s:.0f} s",
        detection_s=station_s(bench, since_ns, told),
        reaction_s=took_s,
    )
