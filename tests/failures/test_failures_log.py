"""Row 20: nobody takes the log. Decisions, refreshes and the watchdog go on, and so does the exit."""

from __future__ import annotations

import asyncio
import fcntl
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bench_kit import HINDERED, STAGES, Make, Supervisor, all_held_off, held, releases
from failure_help import BUSY, IDLE, both, by_load, load_starts_stage_1, unhurried, without
from ledger import Ledger

from collector.demo.bench import Bench

SELF = str(Path(__file__).with_name("with_stderr.py"))


@contextmanager
def pipe(path: Path) -> Iterator[int]:
    """A named pipe of 4 kB with a reading end that nobody reads."""
    os.mkfifo(path)
    reader = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    fcntl.fcntl(reader, fcntl.F_SETPIPE_SZ, 4096)
    try:
        yield reader
    finally:
        os.close(reader)


def fill(path: Path) -> None:
    """Not one byte more goes into the pipe."""
    writer = os.open(path, os.O_WRONLY | os.O_NONBLOCK)
    try:
        while True:
            os.write(writer, b"x")
    except BlockingIOError:
        os.close(writer)


def read_all(reader: int) -> bytes:
    found = b""
    try:
        while chunk := os.read(reader, 65536):
            found += chunk
    except BlockingIOError:
        pass
    return found


async def control_goes_on(bench: Bench, supervisor: Supervisor) -> float:
    """By the module's own log a load starts stage 1 and ends it, and the watchdog is fed all the while."""
    fed = supervisor.count("WATCHDOG=1")
    took_s = await load_starts_stage_1(bench)
    await bench.station.set_load(IDLE)
    await all_held_off(bench, 15.0)
    await bench.until(lambda: supervisor.count("WATCHDOG=1") > fed + 5, "the watchdog is fed", 10.0)
    return took_s


async def ends_well(bench: Bench) -> None:
    """SIGTERM: every output released by a write, exit status 0, within the time that releasing may take."""
    since_ns = time.monotonic_ns()
    assert bench.daemon is not None
    assert await bench.daemon.end() == 0
    assert {line["reason"] for line in releases(bench, since_ns)} == {"write"}
    bench.daemon = None


async def test_row_20_a_log_that_nobody_takes(
    make_bench: Make, supervisor: Supervisor, ledger: Ledger, tmp_path: Path
) -> None:
    """A pipe that is full, its reader gone, read again; no room; closed. Control: who logs waits."""
    fifo, where = tmp_path / "log", tmp_path / "where"
    where.symlink_to(fifo)
    program = (SELF, str(where), *HINDERED)
    bench = await make_bench(
        load=IDLE,
        edit=both(by_load, unhurried),
        relay_timeout_s=60.0,
        daemon=program,
        env={"NOTIFY_SOCKET": str(tmp_path / "notify")},
    )
    with pipe(fifo) as reader:
        for broken in ("log stream", ""):
            await without(bench, broken)
            await bench.station.set_load(IDLE)
            await launch(bench, reader)
            fill(fifo)
            with ledger.judged(20, broken, "a pipe that is never read"):
                full_s = await control_goes_on(bench, supervisor)
    gone_s = await control_goes_on(bench, supervisor)
    second = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
    await bench.station.set_load(BUSY)
    seen = b""

    def told() -> bool:
        nonlocal seen
        seen += read_all(second)
        return b"log lines were lost" in seen and b'"lines": ' in seen

    await bench.until(told, "what was lost is told", 10.0)
    await bench.station.set_load(IDLE)
    fill(fifo)
    await ends_well(bench)
    os.close(second)
    ledger.note(20, "a pipe that is full and never read", "stage 1 by load; watchdog fed", reaction_s=full_s)
    ledger.note(
        20,
        "the reader of the pipe ends, later another one comes",
        "as above; the new reader was told how many lines were lost; SIGTERM with the pipe full again: "
        "outputs released by a write, exit status 0",
        reaction_s=gone_s,
    )

    for case, descriptor in (("/dev/full", "/dev/full"), ("closed", "/dev/null")):
        where.unlink()
        if case != "closed":
            where.symlink_to(case)
        await bench.start_daemon()
        await all_held_off(bench)
        assert bench.daemon is not None
        assert bench.daemon.process is not None
        behind = os.readlink(f"/proc/{bench.daemon.process.pid}/fd/2")
        assert behind == descriptor, "a socket or the database took its number"
        took_s = await control_goes_on(bench, supervisor)
        await ends_well(bench)
        ledger.note(20, f"standard error is {case}", "as above, from the start on", reaction_s=took_s)
        bad = await asyncio.create_subprocess_exec(sys.executable, *program, "run", str(tmp_path / "none"))
        assert await bad.wait() == 78, "with bad settings the exit status says it where no line can"


async def launch(bench: Bench, reader: int) -> None:
    """Started, its log read until every stage is held off."""
    await bench.launch_daemon()
    seen = b""

    def held_off() -> bool:
        nonlocal seen
        seen += read_all(reader)
        return b"deciding from now on" in seen and held(bench) >= STAGES

    await bench.until(held_off, "three stages held off while the log is read", 60.0)
