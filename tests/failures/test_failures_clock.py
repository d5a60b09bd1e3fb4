"""Row 12: the wall clock starts in 1970 and steps, forward and back. Everything runs in real time here.

libfaketime moves the daemon's wall clock alone, while it runs; monotonic time is left as it is.
"""

from __future__ import annotations

import asyncio
import re
import signal
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from bench_kit import HINDERED, Make, Message, alarm, all_held_off, held, releases, station_s
from failure_help import BUSY, IDLE, both, by_load, station_keys
from ledger import Ledger

from collector.demo.bench import Bench

MINIMUM_RUN_S = 8.0
LIBRARY = "libfaketimeMT.so.1"  # the one for programs with threads


def brisk(text: str) -> str:
    """Real time: a cycle of half a second and short times everywhere."""
    text = both(by_load, station_keys(cycle_s=0.5, return_hold_s=0.5, return_after_s=0.5))(text)
    text = re.sub(r"poll_s: \S+", "poll_s: 0.5", text)
    text = text.replace("pickup_delay_s: 4.0", "pickup_delay_s: 1.0")
    text = text.replace("  commit_s: 5.0", "  checkpoint_s: 1.0\n  commit_s: 0.5")
    return text.replace("minimum_run_s: 20.0", f"minimum_run_s: {MINIMUM_RUN_S}")


class WallClock:
    """The daemon's wall clock, as an offset in seconds from the true one, changed while it runs."""

    def __init__(self, place: Path) -> None:
        self._file = place / "offset"

    def step_to(self, offset_s: float) -> int:
        """Takes effect at the daemon's next look; the moment (real monotonic ns)."""
        new = self._file.with_suffix(".new")
        new.write_text(f"{offset_s:+.0f}\n")
        new.rename(self._file)
        return time.monotonic_ns()

    def env(self) -> dict[str, str]:
        library = next(Path("/usr").glob(f"lib*/**/faketime/{LIBRARY}"), None)
        if library is None:
            pytest.fail(f"faketime is installed, but not its {LIBRARY}")
        return {
            "LD_PRELOAD": str(library),
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        }


def values(bench: Bench, topic: str, since_ns: int) -> list[Message]:
    return [m for m in bench.messages() if m["topic"].endswith(topic) and m["mono_ns"] >= since_ns]


async def told(bench: Bench, since_ns: int) -> Message:
    """The event of a clock step."""
    await bench.until(lambda: bool(values(bench, "/event/clock", since_ns)), "clock event", 10.0)
    return values(bench, "/event/clock", since_ns)[0]


@pytest.mark.parametrize("broken", ["", "wall"])
async def test_row_12_wall_clock(
    make_bench: Make, ledger: Ledger, tool: Callable[[str], str], tmp_path: Path, broken: str
) -> None:
    """Starts in 1970, is set right, steps a day ahead and two hours back. Control: timers run on the wall
    clock.
    """
    tool("faketime")
    clock = WallClock(tmp_path)
    clock.step_to(600.0 - time.time())
    bench = await make_bench(
        rate=1.0, load=IDLE, edit=brisk, publish_s=0.5, daemon=HINDERED, env={**clock.env(), "BREAK": broken}
    )
    await bench.start_daemon()
    await all_held_off(bench)
    loss, hot = "/value/T1/HV_A/loss_of_life_h", "/value/T1/HV_A/hot_spot_c"
    await bench.until(lambda: bool(values(bench, hot, 0)), "hot spot published")
    early = values(bench, hot, 0)[-1]["payload"]
    assert early["time"].startswith("1970-")
    assert early["time_quality"] == "clockNotSynchronized"

    # Set right.
    since_ns = clock.step_to(0.0)
    with ledger.judged(12, broken, "set right after a start in 1970"):
        event = await told(bench, since_ns)
        await asyncio.sleep(2.0)  # four decisions: time in which nothing may happen
        moved = releases(bench, since_ns)
        assert not moved, f"coils {moved[0]['coils']} were released by the step"
    if broken:
        await bench.daemon.end(signal.SIGKILL)  # it does not know any more what time it is
        return
    raised = await alarm(bench, "station.alarm_clock_stepped", 0)
    await bench.until(
        lambda: values(bench, hot, since_ns)[-1]["payload"]["time_quality"] == "good",
        "time quality good",
        10.0,
    )
    assert not values(bench, hot, since_ns)[-1]["payload"]["time"].startswith("1970-")
    ledger.note(
        12,
        "starts in 1970, is set right later",
        "times marked clockNotSynchronized until then, good after; event and alarm "
        f"({raised['payload']['data']['priority']} priority); no relay moved",
        detection_s=station_s(bench, since_ns, event),
    )

    # A day ahead during the minimum run.
    await bench.station.set_load(BUSY)
    await bench.until(lambda: 0 not in held(bench), "stage 1 called", 15.0)
    began = releases(bench, since_ns, coil=0)[0]
    await bench.station.set_load(IDLE)
    step_ns = clock.step_to(86_400.0)
    event = await told(bench, step_ns)
    assert event["payload"]["data"]["step_s"] == pytest.approx(86_400.0, abs=2.0)
    await bench.until(lambda: 0 in held(bench), "stage 1 held off", 30.0)
    ended = next(
        m
        for m in bench.relay_log()
        if m["event"] == "energise" and 0 in m["coils"] and m["mono_ns"] > step_ns
    )
    ran_s = (ended["mono_ns"] - began["mono_ns"]) / 1e9
    assert ran_s >= MINIMUM_RUN_S - 0.7, "the step has cut the minimum run short"
    ledger.note(
        12,
        "a day ahead during a minimum run of 8 s",
        f"event; stage 1 ran {ran_s:.1f} s by the module's log",
        detection_s=station_s(bench, step_ns, event),
    )

    # Two hours back during a pickup delay.
    call_ns = time.monotonic_ns()
    await bench.station.set_load(BUSY)
    step_ns = clock.step_to(86_400.0 - 7_200.0)
    event = await told(bench, step_ns)
    await bench.until(lambda: 0 not in held(bench), "stage 1 called after the step back", 10.0)
    line = releases(bench, call_ns, coil=0)[0]
    assert line["reason"] == "write"
    ledger.note(
        12,
        "two hours back during a pickup delay of 1 s",
        "event; stage 1 started by load all the same",
        detection_s=station_s(bench, step_ns, event),
        reaction_s=station_s(bench, call_ns, line),
    )

    # Model and order over all of it.
    lost = [
        (m["mono_ns"], m["payload"]["value"])
        for m in values(bench, loss, 0)
        if m["payload"]["value"] is not None
    ]
    assert lost == sorted(lost, key=lambda pair: pair[1]), "loss of life went back"
    real_h = (lost[-1][0] - lost[0][0]) / 3.6e12
    gained_h = lost[-1][1] - lost[0][1]
    assert 0 < gained_h < real_h, f"{gained_h} h of life in {real_h} h below 98 degC"
    spots = [m["payload"]["value"] for m in values(bench, hot, 0) if m["payload"]["value"] is not None]
    assert max(abs(b - a) for a, b in pairwise(spots)) < 2.0, "the model jumped"
    numbers = [
        m["payload"]["sequence"]
        for m in bench.messages()
        if "/event/" in m["topic"] and not m["retain"] and m["payload"].get("boot") == early["boot"]
    ]
    assert numbers == sorted(numbers)
    assert await bench.daemon.end() == 0
    bench.daemon = None
    with closing(sqlite3.connect(bench.data_dir / "record.sqlite")) as record:
        rows: list[tuple[Any, ...]] = record.execute(
            "SELECT mono_ns, wall_ns FROM events ORDER BY rowid"
        ).fetchall()
    assert [r[0] for r in rows] == sorted(r[0] for r in rows), "the record's order is not that of the events"
    assert [r[1] for r in rows] != sorted(r[1] for r in rows), "no event after the step back?"
    ledger.note(
        12,
        "over all steps",
        f"loss of life rose by {gained_h * 3600:.3f} s in {real_h * 3600:.0f} s, the hot spot without a "
        "jump; "
        f"{len(numbers)} messages and {len(rows)} recorded events in order",
    )
