"""Row 17: the daemon is stopped for longer than its decision age and goes on; the readings are old then."""

from __future__ import annotations

import asyncio
import signal
import time
from typing import Any

import pytest
from bench_kit import STAGES, Make, all_held_off, held, releases, station_s
from failure_help import both, daemon_with, ready, station_keys
from ledger import Ledger

STALL_S = 20.0  # beyond the decision age of 10 s, well within stale_after_s and the module's timeout here
MODULE_S = 60.0


def slow_module(text: str) -> str:
    """The module lets go only after a minute of silence: after the stall it still holds what it held."""
    text = text.replace("timeout_s: 10.0", f"timeout_s: {MODULE_S}")
    return text.replace("timeout_value: 100 ", f"timeout_value: {MODULE_S * 10:.0f} ")


@pytest.mark.parametrize("broken", ["", "stall"])
async def test_row_17_stall(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """SIGSTOP and SIGCONT while a transmitter falls silent. Control: the stall is not noticed.

    Without fresh readings nothing may be energised: judged by the module's log of every write.
    """
    edit = both(slow_module, station_keys(stale_after_s=120.0))
    bench = await ready(await make_bench(edit=edit, relay_timeout_s=MODULE_S, **daemon_with(broken)))
    assert bench.daemon is not None
    bench.daemon.send(signal.SIGSTOP)
    await bench.station.fault("oil_tx", "silent")
    await asyncio.sleep(STALL_S / bench.station.rate)
    assert held(bench) >= STAGES, "the module has let go during the stall: it must be our own release"
    since_ns = time.monotonic_ns()
    bench.daemon.send(signal.SIGCONT)

    def energised() -> list[dict[str, Any]]:
        return [
            line
            for line in bench.relay_log()
            if line["event"] == "write" and line["mono_ns"] > since_ns and line.get("coil") in STAGES
            if any(line["values"])
        ]

    with ledger.judged(17, broken, "stopped for 20 s"):
        await bench.until(lambda: not held(bench) & STAGES, "every stage released after the stall", 3.0)
        assert not energised(), "a coil was written energised on readings from before the stall"
        line = releases(bench, since_ns)[0]
        assert line["reason"] == "write"
    if broken:
        return
    await asyncio.sleep(1.0)  # 20 s, more than the minimum run here: time in which nothing may be held off
    assert not energised()
    await bench.station.clear("oil_tx")
    again_ns = time.monotonic_ns()
    await all_held_off(bench)
    assert energised()[0]["mono_ns"] > again_ns
    ledger.note(
        17,
        "SIGSTOP for 20 s, then SIGCONT; the oil transmitter silent meanwhile and for 20 s longer",
        "the first write of the new run of decisions released every stage; nothing was energised before the "
        "oil was read again",
        reaction_s=station_s(bench, since_ns, line),
    )
