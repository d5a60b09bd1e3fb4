"""Store-and-forward: messages wait here, on local disk and in order, until the broker has them.

Its thread of its own (a daemon thread, bounded queue) because a message that is acknowledged before
the next commit must never reach the flash at all. Nothing here knows MQTT, and nothing waits for it.
"""

from __future__ import annotations

import asyncio
import contextlib
import queue
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from collector.record.files import identity, own_directory, own_file

log = structlog.get_logger(__name__)

QUEUE_MOST = 20_000  # operations waiting for a hung disk
MEMORY_MOST = 10_000  # messages kept while the disk refuses
RETRY_S = 10.0  # real seconds between two tries of a disk that refuses

_SCHEMA = """
CREATE TABLE IF NOT EXISTS outbox (
    n INTEGER PRIMARY KEY AUTOINCREMENT,
    boot TEXT NOT NULL,
    sequence INTEGER NOT NULL,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL,
    UNIQUE (boot, sequence)
);
"""


@dataclass(frozen=True, slots=True)
class Message:
    """One message to be delivered at least once. (boot, sequence) names it for ever."""

    boot: str
    sequence: int
    topic: str
    payload: bytes

    @property
    def key(self) -> tuple[str, int]:
        return self.boot, self.sequence


class Outbox:
    """Bounded by `rows`; when full, the oldest go and are counted. All times real seconds.

    put() and ack() never block. `dropped` counts what was lost, `reason` says why the disk is not
    used ("" when it is), `waiting` is the number of messages not yet acknowledged (never too small).
    """

    def __init__(self, path: Path, rows: int, commit_s: float, mount: Path | None = None) -> None:
        """mount: the file is made only while a file system is mounted here."""
        self._path = path
        self._mount = mount
        self._identity: tuple[int, int] | None = None  # of the file that is open
        self._rows = rows
        self._commit_s = commit_s
        self._queue: queue.Queue[tuple[str, Any]] = queue.Queue(QUEUE_MOST)
        self._fresh: dict[tuple[str, int], tuple[int, Message]] = {}  # not on disk yet, with n
        self._gone: list[tuple[str, int]] = []  # on disk, to be deleted
        self._n = 0
        self._stored = 0
        self._db: sqlite3.Connection | None = None
        self._tried = float("-inf")
        self._lost_in_queue = 0  # written by the event loop only
        self._lost = 0  # written by the thread only
        self.reason = ""
        self.set_aside = ""  # where a damaged file went; whoever has told it clears it
        self._thread = threading.Thread(target=self._work, name="outbox", daemon=True)

    @property
    def dropped(self) -> int:
        return self._lost + self._lost_in_queue

    @property
    def waiting(self) -> int:
        return self._queue.qsize() + max(0, self._stored + len(self._fresh) - len(self._gone))

    def start(self) -> None:
        self._thread.start()

    # --- event loop side -----------------------------------------------------------------------

    def put(self, message: Message) -> None:
        if not self._send("put", message):
            self._lost_in_queue += 1

    def ack(self, key: tuple[str, int]) -> None:
        """Delivered: forget it. An ack lost to a hung disk only means one repeat."""
        self._send("ack", key)

    async def fetch(self, after: int, most: int) -> list[tuple[int, Message]]:
        """The oldest messages with n > after, in order. Waits for the disk; cancel at will."""
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[list[tuple[int, Message]]] = loop.create_future()

        def deliver(found: list[tuple[int, Message]]) -> None:
            def settle() -> None:
                if not answer.done():
                    answer.set_result(found)

            with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
                loop.call_soon_threadsafe(settle)

        if not self._send("fetch", (after, most, deliver)):
            return []
        return await answer

    async def flush(self, deadline_s: float) -> bool:
        """Commits what waits. False when the disk did not manage in time."""
        loop = asyncio.get_running_loop()
        done = asyncio.Event()

        def deliver() -> None:
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(done.set)

        if not self._send("flush", deliver):
            return False
        try:
            await asyncio.wait_for(done.wait(), max(0.0, deadline_s))
        except TimeoutError:
            return False
        return not self.reason

    def stop(self) -> None:
        """Commits and ends the thread, when the disk lets it. Does not wait."""
        self._send("stop", None)

    def _send(self, kind: str, what: object) -> bool:
        try:
            self._queue.put_nowait((kind, what))
        except queue.Full:
            return False
        return True

    # --- thread side ---------------------------------------------------------------------------

    def _work(self) -> None:
        self._open()
        due: float | None = None
        while True:
            try:
                patience = None if due is None else max(0.0, due - time.monotonic())
                kind, what = self._queue.get(timeout=patience)
            except queue.Empty:
                self._commit()
                due = None if not (self._fresh or self._gone) else time.monotonic() + self._commit_s
                continue
            if kind == "put":
                self._n += 1
                self._fresh[what.key] = (self._n, what)
                self._trim_memory()
            elif kind == "ack":
                if self._fresh.pop(what, None) is None:
                    self._gone.append(what)
            elif kind == "fetch":
                after, most, deliver = what
                deliver(self._read(after, most))
            elif kind == "flush":
                self._commit(force=True)
                what()
            else:
                self._commit(force=True)
                if self._db is not None:
                    self._db.close()
                return
            if due is None and (self._fresh or self._gone):
                due = time.monotonic() + self._commit_s
            elif due is not None and time.monotonic() >= due:
                self._commit()
                due = time.monotonic() + self._commit_s if self._fresh or self._gone else None

    def _open(self) -> None:
        """Opens or begins the file; a damaged one is set aside, never deleted."""
        self._tried = time.monotonic()
        for attempt in (1, 2):
            try:
                self._db = self._opened()
                self.reason = ""
                return
            except sqlite3.OperationalError as error:
                self._refused(error)
                return
            except (sqlite3.DatabaseError, OSError) as error:
                self._refused(error)
                if attempt == 2 or not isinstance(error, sqlite3.DatabaseError):
                    return
                self._set_aside()

    def _opened(self) -> sqlite3.Connection:
        own_directory(self._path.parent, self._mount)
        own_file(self._path)
        db = sqlite3.connect(self._path, isolation_level=None, timeout=2.0)
        try:
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            if db.execute("PRAGMA quick_check").fetchone() != ("ok",):
                raise sqlite3.DatabaseError("quick_check finds it damaged")
            db.executescript(_SCHEMA)
            (last,) = db.execute(
                "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'outbox'"
            ).fetchone()
            (self._stored,) = db.execute("SELECT count(*) FROM outbox").fetchone()
        except BaseException:
            db.close()
            raise
        if self._fresh and last >= min(n for n, _ in self._fresh.values()):
            # Came back after a time without disk: what waited in memory goes behind what is stored.
            self._fresh = {key: (last + i, m) for i, (key, (_, m)) in enumerate(self._fresh.items(), 1)}
            last += len(self._fresh)
        self._n = max(self._n, last)
        self._identity = identity(self._path)
        return db

    def _set_aside(self) -> None:
        aside = self._path.with_name(f"{self._path.name}.damaged-{time.time_ns()}")
        try:
            self._path.rename(aside)
            for suffix in ("-wal", "-shm"):
                self._path.with_name(self._path.name + suffix).unlink(missing_ok=True)
        except OSError as error:
            self._refused(error)
            return
        self.set_aside = str(aside)

    def _refused(self, error: Exception) -> None:
        text = f"outbox {self._path} cannot be used: {error}"
        if text != self.reason:
            log.error(text)
        self.reason = text

    def _guarded(self, work: Callable[[sqlite3.Connection], None], force: bool = False) -> bool:
        if self._db is not None and identity(self._path) != self._identity:
            self._refused(OSError("it was removed in use, or something was mounted over it"))
            self._lost += self._stored
            self._give_up()
        if self._db is None and (force or time.monotonic() - self._tried >= RETRY_S):
            self._open()
        if self._db is None:
            return False
        try:
            work(self._db)
        except sqlite3.Error as error:
            self._refused(error)
            self._give_up()
            return False
        return True

    def _give_up(self) -> None:
        assert self._db is not None
        with contextlib.suppress(sqlite3.Error):
            self._db.close()
        self._db, self._stored = None, 0

    def _commit(self, force: bool = False) -> None:
        """One transaction: what came and was not acknowledged, what was acknowledged, what is too much."""
        if not (self._fresh or self._gone):
            return
        rows = [(n, m.boot, m.sequence, m.topic, m.payload) for n, m in self._fresh.values()]
        counts = [0, 0]

        def work(db: sqlite3.Connection) -> None:
            db.execute("BEGIN IMMEDIATE")
            db.executemany("INSERT OR IGNORE INTO outbox VALUES (?, ?, ?, ?, ?)", rows)
            db.executemany("DELETE FROM outbox WHERE boot = ? AND sequence = ?", self._gone)
            (stored,) = db.execute("SELECT count(*) FROM outbox").fetchone()
            excess = max(0, stored - self._rows)
            if excess:
                oldest = "SELECT n FROM outbox ORDER BY n LIMIT ?"
                db.execute(f"DELETE FROM outbox WHERE n IN ({oldest})", (excess,))
            db.execute("COMMIT")
            counts[:] = stored - excess, excess

        if self._guarded(work, force):
            self._stored = counts[0]
            self._lost += counts[1]
            self._fresh.clear()
            self._gone.clear()

    def _trim_memory(self) -> None:
        most = min(MEMORY_MOST, self._rows)
        while len(self._fresh) > most:
            if self._db is not None:
                self._commit()
                if not self._fresh:
                    return
            del self._fresh[next(iter(self._fresh))]
            self._lost += 1

    def _read(self, after: int, most: int) -> list[tuple[int, Message]]:
        found: list[tuple[int, Message]] = []

        def work(db: sqlite3.Connection) -> None:
            gone = set(self._gone)
            cursor = after
            while len(found) < most:
                rows = db.execute(
                    "SELECT n, boot, sequence, topic, payload FROM outbox WHERE n > ? ORDER BY n LIMIT ?",
                    (cursor, most),
                ).fetchall()
                for n, *rest in rows:
                    message = Message(*rest)
                    if message.key not in gone and len(found) < most:
                        found.append((n, message))
                if len(rows) < most:
                    return
                cursor = rows[-1][0]

        self._guarded(work)
        fresh = [(n, m) for n, m in self._fresh.values() if n > after]
        return (found + fresh)[:most]
