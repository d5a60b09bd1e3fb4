"""The backlog on its own: order, bound, restart, damaged and refusing disks, and the quiet flash."""

from __future__ import annotations

import asyncio
import os
import sqlite3
from pathlib import Path

import pytest
from conftest_publish import until

from collector.publish import outbox as module
from collector.publish.outbox import Message, Outbox


def message(i: int, boot: str = "b") -> Message:
    return Message(boot, i, "t", b"%d" % i)


async def opened(path: Path, rows: int = 1000, commit_s: float = 0.05) -> Outbox:
    box = Outbox(path, rows, commit_s)
    box.start()
    await box.fetch(0, 1)  # the thread is through with opening
    return box


async def contents(box: Outbox) -> list[int]:
    found, after = [], 0
    while batch := await box.fetch(after, 7):
        after = batch[-1][0]
        found += [m.sequence for _, m in batch]
    return found


async def test_order_ack_and_restart(tmp_path: Path) -> None:
    box = await opened(tmp_path / "o.db")
    for i in range(50):
        box.put(message(i))
    assert await box.flush(10)
    for i in (0, 1, 10):
        box.ack(("b", i))
    for i in range(50, 60):
        box.put(message(i))
    want = [i for i in range(60) if i not in (0, 1, 10)]
    assert await contents(box) == want
    assert await box.flush(10)
    box.stop()
    again = await opened(tmp_path / "o.db")
    again.put(message(0, "c"))
    assert await contents(again) == [*want, 0]
    again.stop()


async def test_what_is_acknowledged_before_the_commit_never_touches_the_disk(tmp_path: Path) -> None:
    box = await opened(tmp_path / "o.db", commit_s=3600)
    for i in range(500):
        box.put(message(i))
        box.ack(("b", i))
    assert await box.flush(10)
    box.stop()
    db = sqlite3.connect(tmp_path / "o.db")
    assert db.execute("SELECT count(*) FROM sqlite_sequence").fetchone() == (0,), "no row was ever inserted"


async def test_bounded_oldest_go_and_are_counted(tmp_path: Path) -> None:
    box = await opened(tmp_path / "o.db", rows=100)
    for i in range(350):
        box.put(message(i))
    assert await box.flush(10)
    assert await contents(box) == list(range(250, 350))
    assert box.dropped == 250
    assert box.waiting == 100
    box.stop()


async def test_damaged_file_is_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "o.db"
    path.write_bytes(b"SQLite format 3\0" + b"\x5a" * 8192)
    box = await opened(path)
    box.put(message(1))
    assert await box.flush(10)
    assert await contents(box) == [1]
    assert box.reason == ""
    assert [name for name in os.listdir(tmp_path) if name.startswith("o.db.damaged-")]
    box.stop()


async def test_disk_that_refuses_and_comes_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "RETRY_S", 0.05)
    (tmp_path / "blocked").write_text("a file where the directory should be")
    box = await opened(tmp_path / "blocked" / "o.db")
    for i in range(5):
        box.put(message(i))
    assert not await box.flush(10)
    assert "cannot be used" in box.reason
    assert await contents(box) == list(range(5)), "memory stands in"
    (tmp_path / "blocked").unlink()
    await until(lambda: box.reason == "")
    assert await contents(box) == list(range(5))
    box.stop()
    await until(lambda: (tmp_path / "blocked" / "o.db").exists())


async def test_full_disk_keeps_in_memory_bounded(tmp_path: Path) -> None:
    """A full disk: max_page_count makes SQLite itself say so."""
    box = await opened(tmp_path / "o.db", rows=50, commit_s=3600)
    real = box._opened

    def small() -> sqlite3.Connection:
        db = real()
        db.execute("PRAGMA max_page_count = 6")
        return db

    box._opened = small  # type: ignore[method-assign]
    box._db = None
    for i in range(80):
        box.put(Message("b", i, "t", b"x" * 2000))
    assert not await box.flush(10)
    assert "full" in box.reason
    assert await contents(box) == list(range(30, 80))
    assert box.dropped == 30
    box.stop()


async def test_hung_disk_never_blocks_the_loop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import threading

    monkeypatch.setattr(module, "QUEUE_MOST", 100)
    hang = threading.Event()
    box = Outbox(tmp_path / "o.db", 1000, 0.01)
    box._opened = lambda: hang.wait() and None  # type: ignore[method-assign, assignment, return-value]
    box.start()
    for i in range(500):
        box.put(message(i))
    assert box.dropped >= 399
    assert not await box.flush(0.05)
    box.stop()
    hang.set()
    await asyncio.sleep(0)
