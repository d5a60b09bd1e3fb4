"""Row 17: the daemon is stopped for longer than its decision age and goes on; the readings are old then."""

from __future__ import annotations

import asyncio
import os
import signal
import sqlite3
import subprocess
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from bench_kit import HINDERED, STAGES, Make, all_held_off, held, releases, station_s
from failure_help import both, daemon_with, patient, ready, station_keys, unhurried, without
from ledger import Ledger

STALL_S = 20.0  # beyond the decision age of 10 s, well within stale_after_s and the module's timeout here
MODULE_S = 60.0


@pytest.mark.parametrize("broken", ["", "stall"])
async def test_row_17_stall(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """SIGSTOP and SIGCONT while a transmitter falls silent. Control: the stall is not noticed.

    Without fresh readings nothing may be energised: judged by the module's log of every write.
    """
    edit = both(patient, station_keys(stale_after_s=120.0))
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


def namespaces() -> None:
    """Skip, or fail in CI, where the kernel refuses a time namespace; it needs root."""
    done = subprocess.run(["unshare", "--time", "--boottime", "60", "true"], capture_output=True, check=False)
    if done.returncode:
        refused = f"no time namespace here ({done.stderr.decode().strip()}); this test needs root"
        pytest.fail(refused) if os.environ.get("CI") else pytest.skip(refused)


async def test_row_17_suspended(make_bench: Make, ledger: Ledger, tmp_path: Path) -> None:
    """The machine was suspended for a minute, in service and between two runs. Control: the monotonic clock.

    In service the clock is the daemon's, moved in its own process; between two runs it is the kernel's, that
    of a time namespace. The wall clock is left out of it: here it has no part in what is judged.
    """
    namespaces()
    flag, ahead = tmp_path / "flag", tmp_path / "ahead"
    bench = await make_bench(
        daemon=(str(Path(__file__).with_name("in_time.py")), str(ahead), *HINDERED),
        env={"HINDER_FLAG": str(flag), "HINDER": "suspend"},
        edit=unhurried,
        relay_timeout_s=MODULE_S,
    )
    away_s = 60.0 * bench.station.rate

    def told(since_ns: int) -> list[float]:
        return [
            m["payload"]["data"]["gap_s"]
            for m in bench.messages()
            if m["topic"].endswith("/event/stall") and m["mono_ns"] > since_ns
        ]

    for broken in ("boot-time clock", ""):
        for left in (flag, ahead, *bench.data_dir.glob("*")):
            left.unlink(missing_ok=True)
        await without(bench, broken)
        await ready(bench)
        since_ns = time.monotonic_ns()
        flag.touch()
        within_s = 2.0 if broken else 15.0
        with ledger.judged(17, broken, "suspended in service"):
            await bench.until(lambda: bool(releases(bench, since_ns)), "released after the suspend", within_s)  # noqa: B023
            line = releases(bench, since_ns)[0]
            assert line["reason"] == "write"
            assert set(line["coils"]) >= STAGES
            await bench.until(lambda: max(told(since_ns), default=0.0) >= away_s, "the stall is told", 15.0)  # noqa: B023
            assert max(told(since_ns)) <= away_s + 200.0
        await all_held_off(bench)
        await without(bench, broken)
        ahead.write_text("60")
        await bench.start_daemon()
        assert bench.daemon is not None
        assert await bench.daemon.end() == 0
        bench.daemon = None
        with ledger.judged(17, broken, "suspended between two runs"):
            with closing(sqlite3.connect(bench.data_dir / "record.sqlite")) as db:
                ((gap_s, same_boot),) = db.execute("SELECT gap_s, same_boot FROM restarts").fetchall()
            assert same_boot
            assert gap_s >= away_s, f"a gap of {gap_s:.0f} s was aged, the clock stood still in the suspend"
            assert gap_s <= away_s + 60.0 * bench.station.rate
    ledger.note(
        17,
        "the machine suspended for a minute (the boot-time clock moved, the monotonic one not)",
        f"every stage released by a write until all was read again; the stall was told as "
        f"{max(told(since_ns)):.0f} s; between two runs {gap_s:.0f} s were aged",
        reaction_s=station_s(bench, since_ns, line),
    )
