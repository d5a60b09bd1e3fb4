"""Row 24: the relay module's own timeout, tried in service on real sockets and judged by the module's log."""

from __future__ import annotations

import asyncio
import time
from itertools import pairwise

import pytest
from bench_kit import (
    HINDERED,
    SLACK_S,
    STAGES,
    Make,
    alarm,
    alarms,
    all_held_off,
    all_released,
    held,
    releases,
    since_last_request_s,
    station_s,
    value,
)
from failure_help import command, ready
from ledger import Ledger

from collector.demo.bench import Bench

TIMEOUT_S = 10.0
FIRST_S = 30.0  # of station time: the module counts as commissioned
RATE = 8.0  # a busy machine must not stall the daemon for longer than its decision age: that ends a proof


async def bench_with(make_bench: Make, broken: str = "") -> Bench:
    """Every stage held off; the first proof comes within some seconds."""
    env = {"FIRST_PROOF_S": f"{FIRST_S:g}", "BREAK": broken}
    return await ready(await make_bench(rate=RATE, publish_s=2.0, daemon=HINDERED, env=env))


def longest_silence_s(bench: Bench, since_ns: int) -> float:
    """Between two requests, by the module's log [station s]."""
    requests = [m for m in bench.station.log("relays") if m["event"] == "request"]
    at = [m["station_ns"] for m in requests if m["mono_ns"] >= since_ns]
    return max((later - earlier) / 1e9 for earlier, later in pairwise(at))


async def test_row_24_a_timeout_that_works_is_proven(make_bench: Make, ledger: Ledger) -> None:
    bench = await bench_with(make_bench)
    since_ns = time.monotonic_ns()
    await bench.until(lambda: bool(releases(bench, since_ns)), "released in a proof", 20.0)
    line = releases(bench, since_ns)[0]
    assert line["reason"] == "timeout"
    assert set(line["coils"]) >= STAGES
    took_s = since_last_request_s(line)
    assert TIMEOUT_S <= took_s <= TIMEOUT_S + SLACK_S
    proven = "/value/device/relays/release_proven_days"
    await bench.until(lambda: (value(bench, proven) or {}).get("value") is not None, "proven", 10.0)
    await all_held_off(bench)
    wrong = [m for m in bench.messages() if m["topic"].endswith("/event/alarm") and m["mono_ns"] >= since_ns]
    raised = [m["payload"]["subject"] for m in wrong if m["payload"]["data"].get("active")]
    assert not raised, "a proof is no fault"
    ledger.note(
        24,
        "a timeout that works, in a cool hour",
        "the module got no request and released every stage by itself; read before it was written; no alarm, "
        "held off again after the minimum run",
        reaction_s=took_s,
    )


@pytest.mark.parametrize("broken", ["", "proof in service"])
async def test_row_24_a_dead_timeout_is_found(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """The module's register reads back as declared, its timeout does nothing. Control: it is never tried."""
    bench = await bench_with(make_bench, broken)
    await bench.station.fault("relays", "no_timeout")
    since_ns = time.monotonic_ns()
    with ledger.judged(24, broken, "dead timeout"):
        told = await alarm(bench, "device.relays.alarm_timeout_failed", since_ns, 12.0)
        await all_released(bench, 5.0)
    if broken:
        return
    line = releases(bench, since_ns)[0]
    assert line["reason"] == "write"
    silent_s = longest_silence_s(bench, since_ns)
    assert silent_s > TIMEOUT_S
    await asyncio.sleep(4.0)  # 32 s, more than the minimum run here: time in which nothing may be held off
    assert not held(bench) & STAGES
    await bench.station.clear("relays")
    assert command(bench, kind="confirm_module", target="relays")["accepted"]
    await all_held_off(bench)
    assert not alarms(bench, "T1.stage1.alarm_flapping", since_ns)
    ledger.note(
        24,
        "timeout dead, its register as declared",
        f"left without a request for {silent_s:.0f} s it still held every stage: alarm, all released by "
        "writing, none held off again before the module was confirmed",
        detection_s=station_s(bench, since_ns, told),
    )
