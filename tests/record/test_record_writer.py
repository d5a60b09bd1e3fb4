"""The writer thread: durable means durable, trouble is said and survived, nobody waits for the disk."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from record_child import INSERT, SCHEMA

from collector.record.writer import Writer

CHILD = Path(__file__).with_name("record_child.py")
WAIT_S = 30.0


@contextmanager
def child(what: str, path: Path) -> Iterator[subprocess.Popen[str]]:
    """A process of record_child.py; killed at the end at the latest."""
    command = [sys.executable, str(CHILD), what, str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def rows(path: Path) -> list[int]:
    conn = sqlite3.connect(path)
    try:
        assert conn.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        return [n for (n,) in conn.execute("SELECT n FROM t ORDER BY n")]
    finally:
        conn.close()


class Watched(Writer):
    """A writer whose attempts can be awaited one by one, and whose pauses the test ends."""

    def __init__(self, path: Path, **options: Any) -> None:
        self.attempted = threading.Semaphore(0)
        self.texts: list[str] = []
        options.setdefault("commit_s", 0.01)
        super().__init__(
            path, options.pop("schema", SCHEMA), announce=lambda _, text: self.texts.append(text), **options
        )

    def _attempt(self, batch: Any) -> bool:
        try:
            return super()._attempt(batch)
        finally:
            self.attempted.release()


def until(writer: Watched, condition: Callable[[], bool]) -> None:
    """Wait for ``condition``, looked at after each attempt of the writer."""
    while not condition():
        assert writer.attempted.acquire(timeout=WAIT_S), f"no attempt any more; health {writer.health()}"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MB (root only)."""
    if os.geteuid() != 0:
        pytest.skip("mounting needs root")
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)], capture_output=True)
    if done.returncode:
        pytest.skip("this machine does not allow mounts")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def kill_after(what: str, path: Path, wanted: int) -> int:
    """Start the child, SIGKILL it after ``wanted`` acknowledged rows; how many it had acknowledged."""
    acknowledged = 0
    with child(what, path) as process:
        assert process.stdout is not None
        while acknowledged < wanted:
            acknowledged = int(process.stdout.readline())
        process.send_signal(signal.SIGKILL)
        for line in process.stdout:  # what it had said before it died
            if line.endswith("\n"):
                acknowledged = int(line)
    return acknowledged


def test_acknowledged_rows_survive_a_kill(tmp_path: Path) -> None:
    """SIGKILL of the writing process: every acknowledged row is there, none out of order."""
    total = 0
    for wanted in (1, 40, 400, 1500):
        path = tmp_path / f"{wanted}.sqlite"
        acknowledged = kill_after("write", path, wanted)
        found = rows(path)
        assert found == list(range(1, len(found) + 1))
        assert len(found) >= acknowledged
        total += acknowledged
    print(f"4 kills, {total} acknowledged rows, all there")


def test_control_acknowledging_too_early_is_caught(tmp_path: Path) -> None:
    """The same kill with rows acknowledged on hand-over: rows are missing, so the test above can turn red."""
    acknowledged = kill_after("early", tmp_path / "a.sqlite", 40)
    assert len(rows(tmp_path / "a.sqlite")) < acknowledged


def test_write_ahead_log_cut_anywhere(tmp_path: Path) -> None:
    """SIGKILL is no power cut (the page cache survives), so the log itself is cut: at 240 lengths.

    At each the file opens, passes its integrity check, and holds whole commits in the accepted order,
    never fewer than the commits whose frames lie wholly before the cut.
    """
    path = tmp_path / "a.sqlite"
    log = tmp_path / "a.sqlite-wal"
    commits: list[tuple[int, int]] = []  # (length of the log, rows) after each commit
    held = sqlite3.connect(path)  # keeps the log from being folded in when the writer closes
    writer = Watched(path, on_durable=lambda n: commits.append((log.stat().st_size, n)), commit_s=60.0)
    writer.start()
    for n in range(1, 161):
        writer.put((INSERT, (n, "y" * (37 * n % 900))))
        if n % 4 == 0:
            assert writer.flush(WAIT_S)
    held.execute("SELECT count(*) FROM t").fetchone()
    size = log.stat().st_size
    image, main = log.read_bytes(), path.read_bytes()
    assert len(commits) >= 40
    assert commits[-1] == (size, 160)
    offsets = sorted({size * i // 239 for i in range(240)} | {at + d for at, _ in commits for d in (-1, 0)})
    for offset in offsets:
        copy = tmp_path / "cut.sqlite"
        copy.write_bytes(main)
        (tmp_path / "cut.sqlite-wal").write_bytes(image[:offset])
        (tmp_path / "cut.sqlite-shm").unlink(missing_ok=True)
        conn = sqlite3.connect(copy)
        assert conn.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        known = conn.execute("SELECT count(*) FROM sqlite_schema WHERE name = 't'").fetchone()[0]
        found = [n for (n,) in conn.execute("SELECT n FROM t ORDER BY rowid")] if known else []
        conn.close()
        whole = max((n for length, n in commits if length <= offset), default=0)
        assert found == list(range(1, whole + 1)), f"log cut at {offset} of {size}"
    assert len(offsets) >= 200
    print(f"log of {size} bytes cut at {len(offsets)} offsets, {len(commits)} commits")
    held.close()
    assert writer.stop(WAIT_S)


def test_log_with_spoilt_bytes_keeps_whole_commits(tmp_path: Path) -> None:
    """Bytes changed in the log (a torn sector): what follows is not used, what precedes stays whole."""
    path, log = tmp_path / "a.sqlite", tmp_path / "a.sqlite-wal"
    held = sqlite3.connect(path)
    writer = Watched(path, commit_s=60.0)
    writer.start()
    for n in range(1, 81):
        writer.put((INSERT, (n, "z" * 200)))
        assert n % 4 or writer.flush(WAIT_S)
    held.execute("SELECT count(*) FROM t").fetchone()
    image, main = log.read_bytes(), path.read_bytes()
    lengths = set()
    for at in range(40, len(image), len(image) // 60):
        (tmp_path / "b.sqlite").write_bytes(main)
        (tmp_path / "b.sqlite-wal").write_bytes(image[:at] + bytes([image[at] ^ 0x55]) + image[at + 1 :])
        (tmp_path / "b.sqlite-shm").unlink(missing_ok=True)
        conn = sqlite3.connect(tmp_path / "b.sqlite")
        assert conn.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        known = conn.execute("SELECT count(*) FROM sqlite_schema WHERE name = 't'").fetchone()[0]
        found = [n for (n,) in conn.execute("SELECT n FROM t ORDER BY rowid")] if known else []
        conn.close()
        assert len(found) % 4 == 0
        assert found == list(range(1, len(found) + 1))
        lengths.add(len(found))
    assert len(lengths) > 10
    held.close()
    assert writer.stop(WAIT_S)


def test_full_by_page_limit_is_said_and_survived(tmp_path: Path) -> None:
    """``max_page_count`` reached: health is bad, nothing raises, work waits; freed room ends it."""
    freed = threading.Event()

    def make_room(conn: sqlite3.Connection) -> None:
        if freed.is_set():
            conn.execute("DELETE FROM t")

    writer = Watched(tmp_path / "a.sqlite", max_mb=0.3, on_full=make_room)
    writer.start()
    for n in range(1, 400):
        writer.put((INSERT, (n, "x" * 1000)))
    until(writer, lambda: not writer.health()[0])
    assert "disk full or size limit reached" in writer.health()[1]
    assert writer.durable < 399
    with writer._lock:
        for _ in range(200):
            writer._queue.pop()  # the rest now fits, once there is room
    freed.set()
    until(writer, lambda: writer.waiting == 0)
    assert writer.health() == (True, "")
    assert any("written again after" in text for text in writer.texts)
    assert writer.stop(WAIT_S)


def test_full_disk(small_disk: Path) -> None:
    """A real file system without room: said, kept waiting, and written when there is room again."""
    ballast = small_disk / "ballast"
    writer = Watched(small_disk / "a.sqlite")
    writer.start()
    assert writer.wait_durable(writer.put((INSERT, (1, "first"))) or 0, WAIT_S)
    with suppress(OSError), ballast.open("wb", buffering=0) as file:
        while True:
            file.write(b"\0" * 4096)
    for n in range(2, 200):
        writer.put((INSERT, (n, "x" * 1000)))
    until(writer, lambda: not writer.health()[0])
    assert "a.sqlite" in writer.health()[1]
    assert writer.waiting == 198
    ballast.unlink()
    until(writer, lambda: writer.waiting == 0)
    assert writer.stop(WAIT_S)
    assert rows(small_disk / "a.sqlite") == list(range(1, 200))


def test_read_only_disk(small_disk: Path) -> None:
    """The file system turns read-only under the writer, as flash does at the end of its life, and back."""
    path = small_disk / "a.sqlite"
    writer = Watched(path)
    writer.start()
    assert writer.wait_durable(writer.put((INSERT, (1, "first"))) or 0, WAIT_S)
    assert writer.stop(WAIT_S)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    writer = Watched(path)
    writer.start()
    writer.put((INSERT, (2, "second")))
    until(writer, lambda: not writer.health()[0])
    assert "read-only" in writer.health()[1] or "cannot be opened" in writer.health()[1]
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    until(writer, lambda: writer.waiting == 0)
    assert writer.health() == (True, "")
    assert writer.stop(WAIT_S)
    assert rows(path) == [1, 2]


def test_locked_by_another_process(tmp_path: Path) -> None:
    """Another process holds the lock: put returns, drops are counted and announced."""
    path = tmp_path / "a.sqlite"
    first = Watched(path)
    first.start()
    assert first.wait_durable(first.put((INSERT, (1, "x"))) or 0, WAIT_S)
    assert first.stop(WAIT_S)
    with child("lock", path) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "locked\n"
        writer = Watched(path, queue_max=50)
        writer.start()
        numbers = [writer.put((INSERT, (n, "x"))) for n in range(2, 102)]
        assert numbers == [*range(1, 51), *[None] * 50]
        assert writer.dropped == 50
        assert not writer.health()[0]
        until(writer, lambda: "locked by another process" in writer.health()[1])
    until(writer, lambda: writer.waiting == 0)
    assert any("50 items were dropped" in text for text in writer.texts)
    assert "50 items were dropped" in writer.health()[1]  # for a while, so that an alarm can be made of it
    assert writer.stop(WAIT_S)
    assert rows(path) == list(range(1, 52))


def test_hung_disk_holds_nobody(tmp_path: Path) -> None:
    """A commit that never returns: put still takes, health says so, stop gives up at its deadline."""
    entered, release = threading.Event(), threading.Event()

    def hang(_: sqlite3.Connection) -> None:
        entered.set()
        release.wait()

    writer = Watched(tmp_path / "a.sqlite", hang_s=0.0)
    writer.start()
    writer.put(hang)
    assert entered.wait(WAIT_S)
    assert writer.put((INSERT, (1, "x"))) == 2
    ok, why = writer.health()
    assert not ok
    assert "has not answered" in why
    assert writer.stop(0.01) is False
    release.set()
    writer._thread.join(WAIT_S)


def test_hung_disk_does_not_hold_the_exit(tmp_path: Path) -> None:
    """A process whose writer hangs for ever ends all the same."""
    done = subprocess.run(
        [sys.executable, str(CHILD), "hang", str(tmp_path / "a.sqlite")],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0
    assert done.stdout == "stopped False\n"


def test_control_a_thread_that_is_no_daemon_holds_the_exit(tmp_path: Path) -> None:
    """The same with an ordinary thread hanging beside it: the process has said its last word and stays."""
    with child("held", tmp_path / "a.sqlite") as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "stopped False\n"
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(2.0)


@pytest.mark.parametrize("where", ["header", "middle", "whole"])
def test_damaged_file_is_set_aside(tmp_path: Path, where: str) -> None:
    """Overwritten bytes: renamed with a UTC stamp, a new file begun, work goes on, health says so."""
    path = tmp_path / "a.sqlite"
    writer = Watched(path)
    writer.start()
    for n in range(1, 300):
        writer.put((INSERT, (n, "x" * 500)))
    assert writer.stop(WAIT_S)
    image = bytearray(path.read_bytes())
    span = {"header": range(100), "middle": range(8192, 40960), "whole": range(len(image))}[where]
    for at in span:
        image[at] = at * 7 % 251
    path.write_bytes(image)
    writer = Watched(path)
    writer.start()
    assert writer.wait_durable(writer.put((INSERT, (1000, "new"))) or 0, WAIT_S)
    ok, why = writer.health()
    assert not ok
    assert "damaged" in why
    assert "set aside" in why
    assert writer.stop(WAIT_S)
    assert rows(path) == [1000]
    aside = [p.name for p in tmp_path.iterdir() if "damaged" in p.name]
    assert len(aside) == 1
    assert (tmp_path / aside[0]).read_bytes() == bytes(image)
    assert any(aside[0] in text for text in writer.texts)


def test_damage_under_a_running_writer(tmp_path: Path) -> None:
    """Damage that only shows while writing: same answer, and what was queued lands in the new file."""
    path = tmp_path / "a.sqlite"
    writer = Watched(path)
    writer.start()

    def damaged(_: sqlite3.Connection) -> None:
        if not any("damaged" in p.name for p in tmp_path.iterdir()):
            other = sqlite3.connect(":memory:")
            other.execute("CREATE TABLE x(y)")
            image = bytearray(other.serialize())
            image[100] = 99  # not a page type
            other.deserialize(bytes(image))
            other.execute("SELECT * FROM x").fetchall()

    assert writer.wait_durable(writer.put((INSERT, (1, "old"))) or 0, WAIT_S)
    writer.put(damaged)
    assert writer.wait_durable(writer.put((INSERT, (2, "new"))) or 0, WAIT_S)
    assert "damaged" in writer.health()[1]
    assert writer.stop(WAIT_S)
    assert rows(path) == [2]


@pytest.mark.parametrize("kind", ["newer", "foreign"])
def test_file_that_is_not_ours(tmp_path: Path, kind: str) -> None:
    """A file of a newer program, or of another one, is set aside untouched."""
    path = tmp_path / "a.sqlite"
    conn = sqlite3.connect(path)
    conn.execute("CREATE TABLE other(x)")
    conn.execute("PRAGMA application_id=7" if kind == "newer" else "PRAGMA application_id=8")
    conn.execute("PRAGMA user_version=99")
    conn.commit()
    conn.close()
    writer = Watched(path, application_id=7)
    writer.start()
    assert writer.wait_durable(writer.put((INSERT, (1, "x"))) or 0, WAIT_S)
    assert writer.stop(WAIT_S)
    (aside,) = (p for p in tmp_path.iterdir() if f".{kind}-" in p.name and p.suffix != ".sqlite-wal")
    conn = sqlite3.connect(aside)
    assert conn.execute("SELECT name FROM sqlite_schema").fetchall() == [("other",)]
    conn.close()


def test_set_aside_files_are_bounded(tmp_path: Path) -> None:
    for _ in range(5):
        path = tmp_path / "a.sqlite"
        path.write_bytes(b"not a database, certainly" * 100)
        writer = Watched(path)
        writer.start()
        assert writer.wait_durable(writer.put((INSERT, (1, "x"))) or 0, WAIT_S)
        assert writer.stop(WAIT_S)
    assert sum("damaged" in p.name for p in tmp_path.iterdir()) == 3
    assert any("only 3 are kept" in text for text in writer.texts)


def test_a_bad_item_does_not_block_the_rest(tmp_path: Path) -> None:
    """An item that fails by its own fault is thrown away, counted and announced; its neighbours are kept."""
    writer = Watched(tmp_path / "a.sqlite", commit_s=60.0)
    writer.put((INSERT, (1, "x")))
    writer.put((INSERT, (1, "the same number again")))
    writer.put(("INSERT INTO nowhere VALUES(1)", ()))
    writer.put(lambda conn: [][0])
    last = writer.put((INSERT, (2, "y")), urgent=True)
    writer.start()
    assert writer.wait_durable(last or 0, WAIT_S)
    assert writer.refused == 3
    assert writer.health()[0]
    assert sum("could not be recorded" in text for text in writer.texts) == 3
    assert writer.stop(WAIT_S)
    assert rows(tmp_path / "a.sqlite") == [1, 2]


def test_commits_are_batched_and_urgent_ones_are_not(tmp_path: Path) -> None:
    writer = Watched(tmp_path / "a.sqlite", commit_s=3600.0)
    writer.start()
    until(writer, lambda: writer.commits == 1)  # opening
    for n in range(1, 1001):
        writer.put((INSERT, (n, "x")))
    assert writer.durable == 0
    last = writer.put((INSERT, (1001, "now")), urgent=True)
    assert writer.wait_durable(last or 0, WAIT_S)
    assert writer.commits == 2
    assert writer.stop(WAIT_S)


def test_order_is_that_of_put_over_several_threads(tmp_path: Path) -> None:
    """Accepted order: the sequence numbers say in which order the rows lie in the file."""
    schema = ("CREATE TABLE t(id INTEGER PRIMARY KEY, n INTEGER, text TEXT);",)
    writer = Watched(tmp_path / "a.sqlite", schema=schema)
    taken: list[tuple[int, int]] = []

    def put(start: int) -> None:
        for n in range(start, start + 300):
            sequence = writer.put(("INSERT INTO t(n) VALUES(?)", (n,)))
            taken.append((sequence or 0, n))

    writer.start()
    threads = [threading.Thread(target=put, args=(1000 * k,)) for k in range(3)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert writer.stop(WAIT_S)
    conn = sqlite3.connect(tmp_path / "a.sqlite")
    found = [n for (n,) in conn.execute("SELECT n FROM t ORDER BY id")]
    conn.close()
    assert found == [n for _, n in sorted(taken)]


def test_missing_directory_is_waited_for(tmp_path: Path) -> None:
    """The data directory comes later (a mount at boot): said, then used."""
    place = tmp_path / "later"
    writer = Watched(place / "a.sqlite")
    writer.start()
    writer.put((INSERT, (1, "x")))
    until(writer, lambda: "cannot be opened" in writer.health()[1])
    place.mkdir()
    until(writer, lambda: writer.waiting == 0)
    assert writer.stop(WAIT_S)


def test_schema_is_upgraded_in_place_one_step_at_a_time(tmp_path: Path) -> None:
    """The machinery of upgrades, on a schema made for this test; a failing step changes nothing."""
    path = tmp_path / "a.sqlite"
    writer = Watched(path)
    writer.start()
    assert writer.wait_durable(writer.put((INSERT, (1, "x"))) or 0, WAIT_S)
    assert writer.stop(WAIT_S)
    before = shutil.copy(path, tmp_path / "before.sqlite")
    add = "ALTER TABLE t ADD COLUMN more TEXT NOT NULL DEFAULT 'old';"
    broken = Watched(path, schema=(*SCHEMA, add, "CREATE TABLE u(a); CREATE TABLE u(a);"))
    broken.start()
    until(broken, lambda: not broken.health()[0])
    broken.stop(WAIT_S)
    conn = sqlite3.connect(path)
    assert conn.execute("PRAGMA user_version").fetchone() == (2,)
    assert conn.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'u'").fetchone() == (0,)
    conn.close()
    for start in (path, Path(before)):
        writer = Watched(start, schema=(*SCHEMA, add, "CREATE TABLE u(a);"))
        writer.start()
        last = writer.put(("INSERT INTO t VALUES(?,?,?)", (2, "y", "new")))
        assert writer.wait_durable(last or 0, WAIT_S)
        assert writer.stop(WAIT_S)
        conn = sqlite3.connect(start)
        assert conn.execute("SELECT * FROM t ORDER BY n").fetchall() == [(1, "x", "old"), (2, "y", "new")]
        assert conn.execute("PRAGMA user_version").fetchone() == (3,)
        conn.close()
