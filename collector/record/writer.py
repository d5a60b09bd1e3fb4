"""One SQLite file, written by one daemon thread: bounded queue, batched durable commits, honest health.

Nothing here knows what is recorded. No caller ever waits for the disk: ``put`` and ``health`` touch
memory only, and a hung disk delays neither a decision nor an exit.
"""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, Literal

import structlog

from collector.record.files import BESIDE, identity, own_file

log = structlog.get_logger("record")

Work = Callable[[sqlite3.Connection], None]
Statement = tuple[str, Sequence[Any]]

BATCH_MAX = 5000  # items in one transaction: bounds its memory and the time of a retry
CHECK_S = 2.0  # longest integrity check at opening
KEPT_ASIDE = 3  # set-aside files kept; they must not fill the disk either
BUSY_MS = 1000
BACK_OFF_S = (0.2, 30.0)  # first and longest pause between attempts

# Primary result codes that are the environment's fault: they pass, so the work is kept and tried again.
_PASSING = {
    sqlite3.SQLITE_FULL: "disk full or size limit reached",
    sqlite3.SQLITE_READONLY: "file or disk is read-only",
    sqlite3.SQLITE_IOERR: "input/output error",
    sqlite3.SQLITE_BUSY: "locked by another process",
    sqlite3.SQLITE_LOCKED: "locked",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened",
    sqlite3.SQLITE_PERM: "no permission",
    sqlite3.SQLITE_NOMEM: "out of memory",
    sqlite3.SQLITE_PROTOCOL: "locking protocol failed",
}
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


class _Unusable(Exception):
    """The file cannot serve as ours and must be set aside; ``kind`` becomes part of its new name."""

    def __init__(self, kind: Literal["damaged", "newer", "foreign"], why: str) -> None:
        super().__init__(why)
        self.kind = kind


class Writer:
    """Writes one SQLite file from its own daemon thread.

    path: the file. When it is removed in use, or something is mounted over it, it is opened anew.
    migrations: SQL scripts; script i takes the schema from version i to i + 1 (PRAGMA user_version).
    commit_s: real time between commits [s]; what a power cut may cost.
    queue_max: items kept in memory; more are dropped, counted, and announced.
    application_id: PRAGMA application_id of this kind of file.
    max_mb: hard ceiling of the file (PRAGMA max_page_count); None: no ceiling.
    hang_s: an attempt that takes longer makes health bad.
    notice_s: how long health stays bad after a drop or a set-aside file, so that nobody misses it.

    Hooks, all called in the writer thread:
    before_open(): before each opening: makes the directory; OSError puts the opening off and says why.
    on_open(conn, new): inside the first transaction after each opening; ``new``: the file was created.
    on_reset(): a transaction was rolled back or the file reopened: forget what was thought written.
    on_durable(sequence): everything up to this sequence number is committed and synced.
    announce(conn, text): inside the first good transaction after trouble, to put it on record.
    on_full(conn): outside a transaction, after "disk full": free space if you can.

    A *work* is ``(sql, parameters)`` or a function of the connection. It runs inside a transaction and
    runs again if that is rolled back, so it must not change memory that it reads. A work that fails
    by its own fault (bad SQL, wrong types) is thrown away, counted in ``refused``, and logged.
    """

    def __init__(
        self,
        path: Path | str,
        migrations: Sequence[str],
        *,
        commit_s: float = 5.0,
        queue_max: int = 20_000,
        application_id: int = 0,
        max_mb: float | None = None,
        hang_s: float = 15.0,
        notice_s: float = 60.0,
        before_open: Callable[[], None] | None = None,
        on_open: Callable[[sqlite3.Connection, bool], None] | None = None,
        on_reset: Callable[[], None] | None = None,
        on_durable: Callable[[int], None] | None = None,
        announce: Callable[[sqlite3.Connection, str], None] | None = None,
        on_full: Callable[[sqlite3.Connection], None] | None = None,
    ) -> None:
        self.path = Path(path)
        self.dropped = 0  # items never taken, since start
        self.refused = 0  # items thrown away for their own fault, since start
        self.commits = 0
        self._migrations = tuple(migrations)
        self._commit_s = commit_s
        self._queue_max = queue_max
        self._application_id = application_id
        self._max_mb = max_mb
        self._hang_s = hang_s
        self._notice_s = notice_s
        self._before_open = before_open
        self._on_open, self._on_reset, self._on_durable = on_open, on_reset, on_durable
        self._announce, self._on_full = announce, on_full
        self._lock = threading.Condition()
        self._queue: deque[tuple[int, Work | Statement]] = deque()
        self._sequence = 0
        self._durable = 0
        self._urgent = False
        self._stopping = False
        self._reason = ""
        self._notice = ""
        self._notice_until = 0.0
        self._busy_since: float | None = None
        self._unannounced: list[str] = []
        self._dropped_unannounced = 0
        self._bad_since: float | None = None
        self._conn: sqlite3.Connection | None = None
        self._identity = (0, 0)  # of the file that is open
        self._kept_open: list[sqlite3.Connection] = []
        self._new = False
        self._greeted = False
        self._thread = threading.Thread(target=self._run, name=f"writer {self.path.name}", daemon=True)

    # --- for callers in any thread: memory only -------------------------------------------------

    def start(self) -> None:
        self._thread.start()

    def put(self, work: Work | Statement, *, urgent: bool = False) -> int | None:
        """Queue a work. Its sequence number, or None when it was dropped because the queue is full.

        It is accepted once ``durable`` has reached its number. urgent: commit at once.
        """
        with self._lock:
            if len(self._queue) >= self._queue_max or self._stopping:
                self.dropped += 1
                self._dropped_unannounced += 1
                return None
            self._sequence += 1
            self._queue.append((self._sequence, work))
            if urgent:
                self._urgent = True
                self._lock.notify_all()
            return self._sequence

    @property
    def durable(self) -> int:
        """Highest sequence number that is committed and synced."""
        return self._durable

    @property
    def waiting(self) -> int:
        return len(self._queue)

    def health(self) -> tuple[bool, str]:
        """(is the file being written, plain words why not). Never waits for the disk."""
        now = time.monotonic()
        busy = self._busy_since
        if busy is not None and now - busy > self._hang_s:
            return False, f"{self.path.name}: the disk has not answered for {now - busy:.0f} s"
        if self._reason:
            return False, self._reason
        if self._dropped_unannounced:
            return (
                False,
                f"{self.path.name}: {self._dropped_unannounced} items were dropped, the queue is full",
            )
        if now < self._notice_until:
            return False, self._notice
        return True, ""

    def wait_durable(self, sequence: int, timeout_s: float) -> bool:
        """Wait until ``sequence`` is durable; False at the time-out. For tests and command-line tools."""
        with self._lock:
            return self._lock.wait_for(lambda: self._durable >= sequence, timeout_s)

    def flush(self, timeout_s: float) -> bool:
        """Commit what is queued now; False when it is not durable within the time-out."""
        with self._lock:
            target = self._sequence
            self._urgent = True
            self._lock.notify_all()
            return self._lock.wait_for(lambda: self._durable >= target, timeout_s)

    def stop(self, deadline_s: float) -> bool:
        """Commit what is queued and close. False when that was not done by the deadline [s]."""
        with self._lock:
            self._stopping = True
            self._lock.notify_all()
        if self._thread.ident is None:
            return not self._queue
        self._thread.join(deadline_s)
        return not self._thread.is_alive() and not self._queue

    # --- the writer thread ----------------------------------------------------------------------

    def _run(self) -> None:
        back_off = BACK_OFF_S[0]
        due = time.monotonic()
        while True:
            with self._lock:
                self._lock.wait_for(lambda: self._stopping or self._urgent, max(0.0, due - time.monotonic()))
                self._urgent = False
                stopping = self._stopping
                batch = list(islice(self._queue, BATCH_MAX))
            started = time.monotonic()
            done = self._attempt(batch)
            with self._lock:
                more = len(self._queue) > 0
            if done:
                back_off = BACK_OFF_S[0]
                due = started + (0.0 if more and len(batch) == BATCH_MAX else self._commit_s)
                if stopping and not more:
                    break
            elif stopping:
                break  # one last attempt was made; stop() reports what was not written
            else:
                # An urgent work does not shorten the pause: the disk needs it more than we do.
                with self._lock:
                    self._lock.wait_for(lambda: self._stopping, back_off)
                back_off = min(2 * back_off, BACK_OFF_S[1])
                due = time.monotonic()
        self._close()

    def _attempt(self, batch: list[tuple[int, Work | Statement]]) -> bool:
        """One transaction. True when committed (or nothing to do); never raises."""
        self._busy_since = time.monotonic()
        running: int | None = None
        try:
            self._leave_what_was_removed()
            conn = self._conn or self._open()
            if not batch and self._greeted and not self._unannounced and not self._dropped_unannounced:
                return True
            dropped = self._dropped_unannounced
            news = self._news(dropped)
            conn.execute("BEGIN IMMEDIATE")
            if not self._greeted and self._on_open is not None:
                self._on_open(conn, self._new)
            for running, work in batch:  # noqa: B007  (the number says which work failed)
                if callable(work):
                    work(conn)
                else:
                    conn.execute(*work)
            running = None
            if self._announce is not None:
                for text in news:
                    self._announce(conn, text)
            conn.execute("COMMIT")
        except _Unusable as problem:
            self._set_aside(problem.kind, str(problem))
            return False
        except Exception as problem:  # noqa: BLE001  the thread must outlive every fault; it is reported
            self._failed(problem, running)
            return False
        finally:
            self._busy_since = None
        self._committed(batch, news, dropped)
        return True

    def _news(self, dropped: int) -> list[str]:
        news = list(self._unannounced)
        if self._bad_since is not None:
            news.append(f"the record is written again after {time.monotonic() - self._bad_since:.0f} s")
        if dropped:
            news.append(f"{dropped} items were dropped: the disk did not take them in time")
        return news

    def _committed(self, batch: list[tuple[int, Work | Statement]], news: list[str], dropped: int) -> None:
        self.commits += 1
        self._greeted, self._new = True, False
        self._reason, self._bad_since = "", None
        self._unannounced.clear()
        for text in news:
            log.warning(text, file=str(self.path))
        with self._lock:
            self._dropped_unannounced -= dropped
            for _ in batch:
                self._queue.popleft()
        if dropped:
            self._notify(f"{self.path.name}: {dropped} items were dropped")
        if not batch:
            return
        if self._on_durable is not None:
            try:
                self._on_durable(batch[-1][0])
            except Exception as problem:  # noqa: BLE001  a bad listener must not stop the record
                log.error("listener of durable commits failed", error=repr(problem))
        with self._lock:
            self._durable = batch[-1][0]
            self._lock.notify_all()

    def _failed(self, problem: Exception, running: int | None) -> None:
        code = getattr(problem, "sqlite_errorcode", None)
        primary = code & 0xFF if code is not None else None
        self._rollback()
        if primary in _DAMAGED:
            self._set_aside("damaged", str(problem))
            return
        if primary in _PASSING or isinstance(problem, OSError) or running is None:
            what = "cannot be opened" if self._conn is None else "cannot be written"
            self._bad(f"{self.path.name}: {_PASSING.get(primary or 0, what)} ({problem})")
            if primary == sqlite3.SQLITE_FULL and self._on_full is not None and self._conn is not None:
                try:
                    self._on_full(self._conn)
                except sqlite3.Error as second:
                    log.warning("could not free space", file=str(self.path), error=str(second))
                    self._rollback()
            self._close()
            return
        # The work's own fault: without this it would block everything behind it for ever.
        self.refused += 1
        log.error("a record item was refused", file=str(self.path), error=repr(problem))
        self._unannounced.append(f"an item could not be recorded: {problem!r}")
        with self._lock:
            self._queue = deque(item for item in self._queue if item[0] != running)
            self._urgent = True

    def _bad(self, reason: str) -> None:
        if self._bad_since is None:
            self._bad_since = time.monotonic()
        if reason != self._reason:
            log.warning("the record cannot be written", reason=reason)
        self._reason = reason

    def _notify(self, text: str) -> None:
        self._notice, self._notice_until = text, time.monotonic() + self._notice_s

    def _rollback(self) -> None:
        if self._conn is not None and self._conn.in_transaction:
            try:
                self._conn.execute("ROLLBACK")
            except sqlite3.Error as problem:
                log.warning("rollback failed", file=str(self.path), error=str(problem))
        if self._on_reset is not None:
            self._on_reset()

    def _leave_what_was_removed(self) -> None:
        """SQLite would go on writing to a file that nobody finds any more."""
        now = identity(self.path)
        if self._conn is None or now == self._identity:
            return
        if now is not None and now[1] == self._identity[1]:
            # Another file system's file of the same number: closing would delete that one's log.
            self._kept_open.append(self._conn)
            self._conn, self._greeted = None, False
        self._close()
        text = f"{self.path.name}: it was removed in use, or something was mounted over it"
        self._unannounced.append(text)
        self._notify(text)
        log.error(text)

    def _open(self) -> sqlite3.Connection:
        if self._before_open is not None:
            self._before_open()
        self._new = not self.path.exists() or not self.path.stat().st_size
        own_file(self.path)
        conn = sqlite3.connect(self.path, timeout=BUSY_MS / 1000, isolation_level=None)
        try:
            if self._new:
                conn.execute("PRAGMA page_size=4096")
                conn.execute("PRAGMA auto_vacuum=INCREMENTAL")
            conn.execute("PRAGMA journal_mode=WAL")
            conn.execute("PRAGMA synchronous=FULL")
            conn.execute("PRAGMA wal_autocheckpoint=500")
            conn.execute("PRAGMA journal_size_limit=4194304")
            if self._max_mb is not None:
                page = conn.execute("PRAGMA page_size").fetchone()[0]
                conn.execute(f"PRAGMA max_page_count={max(64, int(self._max_mb * 1e6 / page))}")
            self._check(conn)
            self._migrate(conn)
        except BaseException:
            conn.close()
            raise
        if self._new:
            _sync_directory(self.path.parent)
        self._identity = identity(self.path) or (0, 0)
        self._conn, self._greeted = conn, False
        if self._on_reset is not None:
            self._on_reset()
        return conn

    def _check(self, conn: sqlite3.Connection) -> None:
        """Ours, not newer than we know, and sound as far as CHECK_S seconds of checking can tell."""
        version = conn.execute("PRAGMA user_version").fetchone()[0]
        kind = conn.execute("PRAGMA application_id").fetchone()[0]
        tables = conn.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        if tables and kind != self._application_id:
            raise _Unusable("foreign", f"application_id {kind:#x}, expected {self._application_id:#x}")
        if version > len(self._migrations):
            raise _Unusable("newer", f"schema version {version}, this program knows {len(self._migrations)}")
        until = time.monotonic() + CHECK_S
        conn.set_progress_handler(lambda: int(time.monotonic() > until), 10_000)
        try:
            found = conn.execute("PRAGMA quick_check(1)").fetchone()[0]
        except sqlite3.OperationalError as problem:
            if problem.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
                raise
            found = "ok"  # too large to check whole at every start; damage shows when it is touched
        finally:
            conn.set_progress_handler(None, 0)
        if found != "ok":
            raise _Unusable("damaged", str(found))

    def _migrate(self, conn: sqlite3.Connection) -> None:
        version = conn.execute("PRAGMA user_version").fetchone()[0]
        for number, script in enumerate(self._migrations[version:], start=version + 1):
            try:
                conn.executescript(
                    f"BEGIN IMMEDIATE;\n{script}\n;PRAGMA user_version={number};"
                    f"PRAGMA application_id={self._application_id};COMMIT;"
                )
            except sqlite3.Error:
                if conn.in_transaction:
                    conn.execute("ROLLBACK")
                raise

    def _set_aside(self, kind: str, why: str) -> None:
        self._close()
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        aside = self.path.with_name(f"{self.path.name}.{kind}-{stamp}")
        extra = 1
        while aside.exists():
            extra += 1
            aside = self.path.with_name(f"{self.path.name}.{kind}-{stamp}-{extra}")
        try:
            # The log belongs to its database: under the new name both still open together.
            for suffix in (*BESIDE, ""):
                part = self.path.with_name(self.path.name + suffix)
                if part.exists():
                    part.rename(aside.with_name(aside.name + suffix))
            _sync_directory(self.path.parent)
        except OSError as problem:
            self._bad(f"{self.path.name}: {kind} ({why}) and cannot be set aside ({problem})")
            return
        text = f"{self.path.name}: {kind} file ({why}) set aside as {aside.name}, a new one was begun"
        self._unannounced.append(text)
        self._notify(text)
        log.error(text)
        self._thin_out_set_aside()
        with self._lock:
            self._urgent = True

    def _thin_out_set_aside(self) -> None:
        for path in set_aside_files(self.path)[:-KEPT_ASIDE]:
            for suffix in ("", *BESIDE):
                path.with_name(path.name + suffix).unlink(missing_ok=True)
            self._unannounced.append(f"set-aside file {path.name} removed: only {KEPT_ASIDE} are kept")

    def _close(self) -> None:
        conn, self._conn = self._conn, None
        self._greeted = False
        if conn is not None:
            try:
                conn.close()
            except sqlite3.Error as problem:
                log.warning("closing failed", file=str(self.path), error=str(problem))


def set_aside_files(path: Path) -> list[Path]:
    """Files that stood at `path` once and could not serve, the newest last."""
    found = [p for p in path.parent.glob(f"{path.name}.*-*Z*") if not p.name.endswith(BESIDE)]
    return sorted(found, key=lambda p: p.stat().st_mtime_ns)


def _sync_directory(path: Path) -> None:
    """A new or renamed file is durable only once its directory is."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
