"""Row 13: a power cut. The write-ahead log is cut at many offsets, as a cut may leave it, and taken up again.

SIGKILL alone would not show this: the page cache survives it.
"""

from __future__ import annotations

import asyncio
import shutil
import signal
import sqlite3
import time
import zlib
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest
from bench_kit import HINDERED, Make, all_held_off, all_released, releases, value
from failure_help import both, by_load, ready
from ledger import Ledger

from collector import engine
from collector.demo.bench import Bench
from collector.settings import load

OFFSETS = 200
LOSS, UNMONITORED = "/value/T1/HV_A/loss_of_life_h", "/value/T1/unmonitored_h"


def committing(every_s: float) -> Callable[[str], str]:
    """A checkpoint every step, and a commit so often [station s]."""

    def edit(text: str) -> str:
        text = by_load(text)
        assert "  commit_s: 5.0" in text
        return text.replace("  commit_s: 5.0", f"  checkpoint_s: 1.0\n  commit_s: {every_s}")

    return edit


@dataclass(frozen=True)
class Left:
    """What a file still holds. life_h: loss of life of its newest checkpoint, None without one."""

    rows: int
    life_h: float | None


def left(record: Path, plan: engine.Plan) -> Left:
    """Open as any reader does. AssertionError when the file is not whole."""
    with closing(sqlite3.connect(record)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        if not db.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'checkpoint'").fetchone()[0]:
            return Left(0, None)
        rows = db.execute("SELECT (SELECT count(*) FROM journal) + (SELECT count(*) FROM events)").fetchone()[
            0
        ]
        newest = db.execute("SELECT data, crc FROM checkpoint ORDER BY sequence DESC LIMIT 1").fetchone()
    if newest is None:
        return Left(rows, None)
    assert zlib.crc32(newest[0]) == newest[1]
    state = engine.thaw(plan, zlib.decompress(newest[0]))
    return Left(rows, None if state.thermal is None else float(state.thermal.published_h[1, 0]))


def cut_copy(data_dir: Path, place: Path, log: bytes, offset: int) -> Path:
    """The data directory as a power cut may leave it: its log ends at `offset`."""
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    shutil.copy(data_dir / "record.sqlite", place)
    (place / "record.sqlite-wal").write_bytes(log[:offset])
    return place / "record.sqlite"


async def taken_up(bench: Bench, kept: Path, number: int, there: Left) -> None:
    """Start on a cut copy, on another boot: loss of life goes on from what was there, the gap is counted."""
    shutil.rmtree(bench.data_dir)
    shutil.copytree(kept, bench.data_dir)
    bench.env["WINDINGD_BOOT_ID"] = f"boot-{number}"
    since_ns = time.monotonic_ns()
    await bench.start_daemon()

    def newest(topic: str) -> float | None:
        found = [
            m["payload"]["value"]
            for m in bench.messages()
            if m["topic"].endswith(topic) and m["mono_ns"] > since_ns
        ]
        return found[-1] if found else None

    await bench.until(lambda: newest(LOSS) is not None and newest(UNMONITORED) is not None, "published again")
    if there.life_h:
        assert newest(LOSS) >= there.life_h * (1 - 5e-6)  # type: ignore[operator]
        assert newest(UNMONITORED) > 0.0, "the gap was not counted"  # type: ignore[operator]
    await all_held_off(bench)
    await bench.daemon.end(signal.SIGKILL)
    bench.daemon = None
    await all_released(bench)


@pytest.mark.parametrize("broken", ["", "durable"])
async def test_row_13_power_cut(make_bench: Make, ledger: Ledger, tmp_path: Path, broken: str) -> None:
    """Cut at many offsets. Control: loss of life is published before it is on disk."""
    env = {"BREAK": broken}
    # Of the control only what is lost after a commit is wanted: few of them, and time to publish between.
    commits, every_s = (2, 60.0) if broken else (12, 8.0)
    bench = await ready(
        await make_bench(edit=both(committing(every_s)), publish_s=2.0, daemon=HINDERED, env=env)
    )
    loaded = load(bench.settings_path)
    assert loaded.settings is not None
    plan = engine.build(loaded.settings, loaded.hash)
    log_path = bench.data_dir / "record.sqlite-wal"
    await bench.until(lambda: bool((value(bench, LOSS) or {}).get("value")), "loss of life published", 60.0)
    for _ in range(commits):
        size = log_path.stat().st_size
        await bench.until(lambda size=size: log_path.stat().st_size != size, "a commit")  # type: ignore[misc]
    await asyncio.sleep(every_s / 32.0)  # so that steps lie between the last commit and the cut
    since_ns = time.monotonic_ns()
    await bench.daemon.end(signal.SIGKILL)
    bench.daemon = None
    await all_released(bench)
    assert releases(bench, since_ns)[0]["reason"] == "timeout"

    log = log_path.read_bytes()
    saved = tmp_path / "saved"
    shutil.copytree(
        bench.data_dir, saved, ignore=lambda _, names: [n for n in names if n.endswith((".sock", "-shm"))]
    )
    whole = left(cut_copy(saved, tmp_path / "cut", log, len(log)), plan)
    told = value(bench, LOSS)
    assert told is not None
    with ledger.judged(13, broken, "power cut"):
        assert whole.life_h is not None
        assert told["value"] <= whole.life_h * (1 + 5e-6), (
            f"{told['value']} h published, {whole.life_h} h came back"
        )
    if broken:
        return
    found = [
        left(cut_copy(saved, tmp_path / "cut", log, len(log) * i // OFFSETS), plan)
        for i in range(OFFSETS + 1)
    ]
    for earlier, later in pairwise(found):
        assert earlier.rows <= later.rows
        assert (earlier.life_h or 0.0) <= (later.life_h or 0.0)
    kept = len({f.rows for f in found})
    for number, share in enumerate((0.7, 0.9, 1.0)):
        offset = int(len(log) * share)
        cut_copy(saved, tmp_path / "cut", log, offset)
        there = left(tmp_path / "cut" / "record.sqlite", plan)
        cut_copy(saved, tmp_path / "cut", log, offset)  # looking at it has already repaired it
        await taken_up(bench, tmp_path / "cut", number, there)
    ledger.note(
        13,
        f"write-ahead log of {len(log) // 1024} kB cut at {OFFSETS + 1} offsets",
        f"every copy opened whole, with {kept} different numbers of commits, never fewer for a later cut; "
        "started on "
        "three of them on another boot: loss of life went on from the copy's checkpoint, the gap counted as "
        "unmonitored",
    )
