"""Limits by size, age and free space; the write volume; twenty days of life in little room."""

from __future__ import annotations

import os
import sqlite3
import subprocess
from pathlib import Path

import pytest
from record_station import S, Walk, recorder, settings

from collector.record import upkeep
from collector.record.reader import Record
from collector.record.upkeep import Limits, Upkeep

WAIT_S = 60.0


def used_mb(conn: sqlite3.Connection) -> float:
    pages, free, size = (
        conn.execute(f"PRAGMA {what}").fetchone()[0] for what in ("page_count", "freelist_count", "page_size")
    )
    return float((pages - free) * size / 1e6)


def test_size_limit_holds_while_recording(tmp_path: Path) -> None:
    """6 MB for days of a noisy station: the file stays within, oldest detail goes first and is announced,
    newest detail, events and counters stay."""
    s = settings(tmp_path, max_mb=6.0)
    r = recorder(s)
    r.start()
    walk = Walk(s, cycle_ns=20 * S)
    path = tmp_path / "record.sqlite"
    largest = 0
    for n, step in enumerate(walk.steps(11_000)):
        r.put(*step)
        if n % 500 == 499:
            assert r.flush(WAIT_S)
            largest = max(largest, os.path.getsize(path))
    assert r.stop(WAIT_S)
    with Record(path) as record:
        assert largest <= 6.0e6
        assert used_mb(record._conn) <= 6.0
        texts = [e.text for e in record.events(kind="record")]
        assert any("removed from the record: limit of 6 MB" in text for text in texts)
        found = [i.mono_ns for _, i in record.journal()]
        assert found[-1] == walk.mono_ns
        assert len(found) < 11_000
        assert record.skipped == 0
        assert len(list(record.events(kind="stage"))) > 100
        series = record.history("T1.top_oil_c", 0, 2**62, 900)
        assert series.time_ns[0] < 1_783_001_000 * S  # 15-minute history is there from the first day
    print(f"\nlargest file {largest / 1e6:.2f} MB of 6, {len(found)} of 11000 steps left in the journal")


def filled(path: Path) -> sqlite3.Connection:
    """A file with 20 days of blocks, 40 hours of journal and some events."""
    s = settings(path.parent)
    r = recorder(s)
    r.start()
    r.put(*Walk(s).step())
    assert r.stop(WAIT_S)
    conn = sqlite3.connect(path, isolation_level=None)
    conn.execute("BEGIN")
    for n in range(160):
        conn.execute(
            "INSERT INTO journal_blocks VALUES(?,1,?,?,?,?,450,?)",
            (n - 1000, n * 900 * S, (n + 1) * 900 * S, n, n, os.urandom(20_000)),
        )
    for day in range(20):
        for key in range(20):
            conn.execute(
                "INSERT INTO blocks(level, period, key, line, data) VALUES(1,?,?,1,?)",
                (day, key, os.urandom(5000)),
            )
    for key in range(20):
        conn.execute(
            "INSERT INTO blocks(level, period, key, line, data) VALUES(2,0,?,1,?)", (key, os.urandom(5000))
        )
    conn.execute("COMMIT")
    return conn


def counts(conn: sqlite3.Connection) -> tuple[int, int, int, int]:
    journal = conn.execute("SELECT count(*) FROM journal_blocks").fetchone()[0]
    full = conn.execute("SELECT count(DISTINCT period) FROM blocks WHERE level = 1").fetchone()[0]
    coarse = conn.execute("SELECT count(*) FROM blocks WHERE level = 2").fetchone()[0]
    events = conn.execute("SELECT count(*) FROM events").fetchone()[0]
    return journal, full, coarse, events


def test_what_a_replay_needs_goes_with_its_journal(tmp_path: Path) -> None:
    """A snapshot stays while the step after it is there; a restart while the journal of its run is whole."""
    path = tmp_path / "record.sqlite"
    r = recorder(settings(tmp_path))
    r.start()
    r.put(*Walk(settings(tmp_path)).step())
    assert r.stop(WAIT_S)
    conn = sqlite3.connect(path, isolation_level=None)
    for block, run, first, last in ((-3, 1, 100, 190), (-2, 1, 200, 290), (-1, 2, 500, 590)):
        conn.execute("INSERT INTO journal_blocks VALUES(?,?,?,?,0,0,10,x'')", (block, run, first, last))
    for run, mono in ((1, 90), (1, 150), (1, 190), (1, 290), (2, 490), (2, 590)):
        conn.execute("INSERT INTO snapshots(run, mono_ns, wall_ns, data) VALUES(?,?,0,x'')", (run, mono))
    conn.execute("INSERT INTO restarts VALUES(1,90,0,1,1.0,NULL,0,0,x''), (2,490,0,1,1.0,1,250,0,x'')")
    keep = Upkeep(path, Limits(30, 400, 2000), lambda *_: None)
    left = []
    for _ in range(3):
        assert keep._drop_journal(conn)
        snapshots = conn.execute("SELECT run, mono_ns FROM snapshots ORDER BY id").fetchall()
        left.append((snapshots, [row[0] for row in conn.execute("SELECT run FROM restarts")]))
    conn.close()
    assert left == [
        ([(1, 190), (1, 290), (2, 490), (2, 590)], [2]),
        ([(1, 290), (2, 490), (2, 590)], [2]),
        ([(2, 590)], []),
    ]


def test_what_goes_first(tmp_path: Path) -> None:
    """Journal down to a day, then full history down to a week, then the rest of both, coarse history last."""
    path = tmp_path / "record.sqlite"
    conn = filled(path)
    said: list[str] = []
    seen = []
    for max_mb in (10.0, 5.0, 4.1, 3.0, 2.2, 1.0, 0.3):
        keep = Upkeep(path, Limits(30, 400, max_mb), lambda _, text: said.append(text))
        conn.execute("BEGIN")
        keep.limit_size(conn)
        conn.execute("COMMIT")
        assert used_mb(conn) <= max_mb
        seen.append(counts(conn))
    conn.close()
    print(f"\n(journal blocks, full days, coarse blocks, events): {seen}")
    assert seen[0][0] == 160
    journal, full, coarse = ([s[i] for s in seen] for i in range(3))
    assert journal == sorted(journal, reverse=True)
    assert full == sorted(full, reverse=True)
    assert any(96 <= j <= 97 and f < 20 for j, f in zip(journal, full, strict=True))
    assert all(j == 0 for j, f in zip(journal, full, strict=True) if f < 7)
    assert all(c == 20 for c, f in zip(coarse, full, strict=True) if f > 0)
    assert all("limit of" in text for text in said)


def test_nearly_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Others fill the disk: the record gives room back, but keeps a day of journal and a week of history."""
    path = tmp_path / "record.sqlite"
    conn = filled(path)
    before = os.path.getsize(path)
    monkeypatch.setattr(upkeep, "_free_beyond_reserve", lambda _: -(10**9))
    said: list[str] = []
    keep = Upkeep(path, Limits(30, 400, 2000), lambda _, text: said.append(text))
    for _ in range(3):
        conn.execute("BEGIN")
        keep.limit_size(conn)
        conn.execute("COMMIT")
    conn.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    journal, full, coarse, _ = counts(conn)
    assert (journal, full, coarse) == (96, 7, 20)
    assert os.path.getsize(path) < before - 2_000_000
    assert "the disk is nearly full" in said[0]
    conn.close()


def test_history_age_is_counted_in_recorded_days(tmp_path: Path) -> None:
    """A wall clock that jumped to 2099 and back must not age everything at once."""
    path = tmp_path / "record.sqlite"
    conn = filled(path)
    conn.execute("INSERT INTO blocks(level, period, key, line, data) VALUES(1, 47000, 1, 1, x'00')")
    keep = Upkeep(path, Limits(30, 10, 2000), lambda *_: None)
    keep.limit_age(conn)
    periods = [
        p for (p,) in conn.execute("SELECT DISTINCT period FROM blocks WHERE level = 1 ORDER BY period")
    ]
    assert periods == [*range(11, 20), 47000]
    conn.close()


def test_write_volume(tmp_path: Path) -> None:
    """Two station hours with a commit every 5 s, 113 points, two thirds of the readings new in each cycle.

    What the kernel counts as written by this process (/proc/self/io), scaled to a day. The bound is
    generous; the figure is printed and stated in docs/record.md.
    """
    s = settings(tmp_path)
    walk = Walk(s)
    steps = list(walk.steps(3600))
    r = recorder(s)
    r.start()
    assert r.flush(WAIT_S)
    before = written()
    for n, step in enumerate(steps):
        r.put(*step)
        if n % 30 == 29:
            r.put_checkpoint(b"s" * 4000 + os.urandom(4000), step[0].mono_ns, step[2])
        if n % 5 in (2, 4):
            assert r.flush(WAIT_S)
    calls, blocks_ = (after - b for after, b in zip(written(), before, strict=True))
    assert r.stop(WAIT_S)
    print(f"\nper day: {calls * 12 / 1e6:.0f} MB in write calls, {blocks_ * 12 / 1e6:.0f} MB of blocks")
    assert calls * 12 / 1e6 < 1000


def written() -> tuple[int, int]:
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(fields["wchar"]), int(fields["write_bytes"])


def test_never_a_full_disk(tmp_path: Path) -> None:
    """A real file system of 24 MB of which others hold 10, max_mb 2000: the record stops growing in time."""
    if os.geteuid() != 0:
        pytest.skip("mounting needs root")
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(place)], capture_output=True
    )
    if done.returncode:
        pytest.skip("this machine does not allow mounts")
    try:
        (place / "others").write_bytes(b"\0" * 10_000_000)
        s = settings(place, windings=1, stages=1)
        r = recorder(s)
        r.start()
        walk = Walk(s, cycle_ns=40 * S)
        least = 10**9
        for n, step in enumerate(walk.steps(14_000)):
            r.put(*step)
            if n % 500 == 499:
                assert r.flush(WAIT_S), r.health()
                fs = os.statvfs(place)
                least = min(least, fs.f_bavail * fs.f_frsize)
        assert r.health() == (True, "")
        assert r._writer.dropped == 0
        assert r.stop(WAIT_S)
        with Record(place / "record.sqlite") as record:
            assert any("the disk is nearly full" in e.text for e in record.events(kind="record"))
        print(f"\nleast free space: {least} bytes")
        assert least > 0
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)
