"""Row 10: the disk is full, read-only, locked, hung; the database is damaged. Control does not notice."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from bench_kit import HINDERED, Make, alarm, alarms, all_held_off, station_s
from failure_help import IDLE, by_load, load_starts_stage_1, ready
from ledger import Ledger

from collector.demo.bench import Bench

SUBJECT = "station.alarm_record_failed"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own of 12 MB; needs root."""
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", str(place)], capture_output=True
    )
    if done.returncode:
        refused = f"mounting is refused here ({done.stderr.decode().strip()}); this test needs root"
        pytest.fail(refused) if os.environ.get("CI") else pytest.skip(refused)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def remount(place: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(place)], check=True)


def fill(place: Path) -> Path:
    """A file that takes the last byte."""
    filler = place / "filler"
    with filler.open("wb", buffering=0) as file:
        for size in (1 << 16, 1 << 10, 1):
            try:
                while True:
                    file.write(bytes(size))
            except OSError:
                continue
    return filler


async def control_goes_on(bench: Bench, since_ns: int, within_s: float = 20.0) -> tuple[float, float, str]:
    """Load up starts stage 1 by decision, the alarm comes, load down holds it off again. (detection,
    reaction).
    """
    reaction_s = await load_starts_stage_1(bench)
    told = await alarm(bench, SUBJECT, since_ns, within_s)
    await bench.station.set_load(IDLE)
    await all_held_off(bench, 15.0)
    return station_s(bench, since_ns, told), reaction_s, told["payload"]["data"]["detail"]


async def over(bench: Bench, since_ns: int) -> None:
    await bench.until(
        lambda: bool(alarms(bench, SUBJECT, since_ns, active=False)), "the record works again", 45.0
    )


@pytest.mark.parametrize("broken", ["", "record health"])
async def test_row_10_full_locked_read_only_damaged(
    make_bench: Make, ledger: Ledger, small_disk: Path, broken: str
) -> None:
    """One after the other on one small disk. Control: the record always says that all is well."""
    data_dir = small_disk / "data"
    bench = await make_bench(
        load=IDLE, edit=by_load, data_dir=data_dir, daemon=HINDERED, env={"BREAK": broken}
    )
    await ready(bench)

    since_ns = time.monotonic_ns()
    filler = fill(small_disk)
    with ledger.judged(10, broken, "full"):
        detection_s, reaction_s, said = await control_goes_on(bench, since_ns, 6.0 if broken else 20.0)
    if broken:
        return
    ledger.note(
        10,
        "full",
        f"“{said}”; stage 1 started and stopped by load",
        detection_s=detection_s,
        reaction_s=reaction_s,
    )
    filler.unlink()
    await over(bench, since_ns)

    since_ns = time.monotonic_ns()
    with closing(sqlite3.connect(data_dir / "record.sqlite", isolation_level=None, timeout=20.0)) as other:
        other.execute("BEGIN IMMEDIATE")
        detection_s, reaction_s, said = await control_goes_on(bench, since_ns)
        other.execute("ROLLBACK")
    ledger.note(
        10, "locked by another process", f"“{said}”; as above", detection_s=detection_s, reaction_s=reaction_s
    )
    await over(bench, since_ns)

    assert await bench.daemon.end() == 0
    remount(small_disk, "ro")
    since_ns = time.monotonic_ns()
    await bench.launch_daemon()
    await all_held_off(bench)
    detection_s, reaction_s, said = await control_goes_on(bench, since_ns)
    remount(small_disk, "rw")
    await over(bench, since_ns)
    ledger.note(
        10,
        "read-only at the start, and later writable again",
        f"“{said}”; as above, counted from the start of the program; the record was written again by itself",
        detection_s=detection_s,
        reaction_s=reaction_s,
    )

    assert await bench.daemon.end() == 0
    record = data_dir / "record.sqlite"
    with record.open("r+b") as file:
        file.seek(4096)
        file.write(os.urandom(8192))
    since_ns = time.monotonic_ns()
    await ready(bench)
    detection_s, reaction_s, said = await control_goes_on(bench, since_ns)
    (aside,) = [
        p.name for p in data_dir.iterdir() if ".damaged-" in p.name and not p.name.endswith(("-wal", "-shm"))
    ]
    await bench.until(lambda: _events(record) > 0, "the new file is written")
    ledger.note(
        10,
        "damaged: 8 kB of the file overwritten",
        f"“{said}”; set aside as `{aside.rpartition('-')[0]}-…`, a new one begun; as above, "
        "counted from the start of the program",
        detection_s=detection_s,
        reaction_s=reaction_s,
    )


def _events(record: Path) -> int:
    try:
        with closing(sqlite3.connect(f"file:{record}?mode=ro", uri=True)) as db:
            return int(db.execute("SELECT count(*) FROM events").fetchone()[0])
    except sqlite3.OperationalError:
        return 0


@pytest.mark.parametrize("broken", ["", "disk waits"])
async def test_row_10_hung(make_bench: Make, ledger: Ledger, tmp_path: Path, broken: str) -> None:
    """The thread that commits blocks. Control: a decision waits until the last one is on disk."""
    flag = tmp_path / "flag"
    bench = await make_bench(
        load=IDLE,
        edit=by_load,
        daemon=HINDERED,
        env={"HINDER_FLAG": str(flag), "HINDER": "disk", "BREAK": broken},
    )
    await ready(bench)
    since_ns = time.monotonic_ns()
    flag.touch()
    with ledger.judged(10, broken, "hung"):
        detection_s, reaction_s, said = await control_goes_on(bench, since_ns, 30.0)
    flag.unlink()
    if broken:
        return
    await over(bench, since_ns)
    ledger.note(
        10,
        "hung: the commit does not return",
        f"“{said}”; as above (15 s real must pass before a disk counts as hung)",
        detection_s=detection_s,
        reaction_s=reaction_s,
    )
