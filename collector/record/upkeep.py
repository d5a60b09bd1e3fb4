"""Upkeep of a record file in small steps: sealing finished days, and limits by age and size.

Runs inside the writer's transactions. Oldest detail goes first: journal, then history at full
resolution, then 15-minute history, then events. Runs, settings, peaks, counters, checkpoints stay.
Age is counted in recorded days, not read off the wall clock, which may be wrong by decades.
"""

from __future__ import annotations

import os
import sqlite3
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from collector.record import blocks

DAY_S = 86_400
COARSE_S = 900
FULL, COARSE = 1, 2  # block levels: at the line's interval by day; 15 min by month of 30 days
COARSE_DAYS = 30
COARSE_PERIODS = 244  # 20 years of 30-day periods
EVENTS_KEPT = 1_000_000
KEYS_PER_STEP = 24
SLOTS_PER_STEP = 240
KEEP_JOURNAL_S = 86_400  # what the limit by free space leaves standing
KEEP_HISTORY_DAYS = 7
# Free space left to others: a share of the file system, at least what our own log and one large
# transaction may take (without it even deleting would fail), at most what any gateway can spare.
RESERVE_SHARE, RESERVE_LEAST, RESERVE_MOST = 0.05, 8_000_000, 64_000_000
MARGIN_BYTES = 8_000_000
VACUUM_PAGES = 500


@dataclass(frozen=True, slots=True)
class Limits:
    journal_days: float
    history_days: float
    max_mb: float


@dataclass
class Upkeep:
    """Remembers only where sealing stands; forgetting it (``reset``) costs repeated work, nothing else."""

    path: Path
    limits: Limits
    announce: Callable[[sqlite3.Connection, str], None]
    _day: tuple[int, int] | None = None
    _sealed: set[int] = field(default_factory=set)
    _rounds: int = 0

    def reset(self) -> None:
        self._day = None
        self._sealed.clear()

    def step(self, conn: sqlite3.Connection, current_line: int, current_day: int) -> None:
        """One bounded piece of work; once a station minute."""
        self.seal_journal(conn)
        self.seal_history(conn, current_line, current_day)
        if self._rounds % 60 == 0:
            self.limit_age(conn)
        self._rounds += 1
        self.limit_size(conn)

    # --- sealing ----------------------------------------------------------------------------

    def seal_journal(self, conn: sqlite3.Connection) -> bool:
        """The oldest stretch from one key frame to the next becomes a block. True when there was one."""
        keys = conn.execute("SELECT id FROM journal WHERE key = 1 ORDER BY id LIMIT 2").fetchall()
        if len(keys) < 2:
            return False
        (first,), (end,) = keys
        rows = conn.execute(
            "SELECT run, mono_ns, wall_ns, frame FROM journal WHERE id >= ? AND id < ? ORDER BY id",
            (first, end),
        ).fetchall()
        run, mono, wall, _ = rows[0]
        frames = zlib.compress("\n".join(row[3] for row in rows).encode("ascii"), 9)
        conn.execute(
            "INSERT OR REPLACE INTO journal_blocks VALUES(?,?,?,?,?,?,?,?)",
            (first, run, mono, rows[-1][1], wall, rows[-1][2], len(rows), frames),
        )
        conn.execute("DELETE FROM journal WHERE id < ?", (end,))
        return True

    def seal_history(self, conn: sqlite3.Connection, current_line: int, current_day: int) -> bool:
        """A piece of the oldest finished day. True when something was done."""
        oldest = conn.execute("SELECT line, slot FROM history ORDER BY line, slot LIMIT 1").fetchone()
        if oldest is None:
            return False
        line, slot = oldest
        interval_ms = conn.execute("SELECT interval_ms FROM lines WHERE line = ?", (line,)).fetchone()[0]
        day = slot * interval_ms // 1000 // DAY_S
        if line == current_line and day >= current_day:
            return False
        if (line, day) != self._day:
            self.reset()
            self._day = (line, day)
        begin, end = first_slot(day, interval_ms), first_slot(day + 1, interval_ms)
        left = [
            p
            for p in conn.execute("SELECT key, type, unit FROM points").fetchall()
            if p[0] not in self._sealed
        ]
        for key, kind, unit in left[:KEYS_PER_STEP]:
            self._seal_point(conn, line, day, (begin, end), interval_ms, (key, kind, unit))
            self._sealed.add(key)
        if len(left) <= KEYS_PER_STEP:
            # Slots are not needed to be contiguous: the n-th distinct slot ends this piece.
            last = conn.execute(
                "SELECT max(slot) FROM (SELECT DISTINCT slot FROM history WHERE line = ? AND slot >= ?"
                " AND slot < ? ORDER BY slot LIMIT ?)",
                (line, begin, end, SLOTS_PER_STEP),
            ).fetchone()
            if last[0] is not None:
                conn.execute("DELETE FROM history WHERE line = ? AND slot <= ?", (line, last[0]))
        return True

    def _seal_point(
        self,
        conn: sqlite3.Connection,
        line: int,
        day: int,
        slots: tuple[int, int],
        interval_ms: int,
        point: tuple[int, str, str],
    ) -> None:
        key, kind, unit = point
        columns = read_plain(conn, key, line, *slots)
        if not len(columns.slot):
            return
        step = blocks.step_of(kind, unit)
        place = (FULL, day, key, line)
        old = _block(conn, place)
        # An interrupted deletion leaves part of a day: what is sealed already stays.
        columns = _append(old, columns)
        _put_block(conn, place, blocks.encode(columns, step))
        factor = max(1, COARSE_S * 1000 // interval_ms)
        coarse = blocks.coarser(columns, factor, kind in ("int", "enum"))
        place = (COARSE, day // COARSE_DAYS, key, line)
        _put_block(conn, place, blocks.encode(_append(_block(conn, place), coarse), step))

    # --- limits -----------------------------------------------------------------------------

    def limit_age(self, conn: sqlite3.Connection) -> None:
        keep_ns = int(self.limits.journal_days * DAY_S * 1e9)
        while (span := _journal_ns(conn)) > keep_ns and self._drop_journal(conn):
            if span - _journal_ns(conn) <= 0:
                break
        while _periods(conn, FULL) > self.limits.history_days and self._drop_period(conn, FULL):
            pass
        while _periods(conn, COARSE) > COARSE_PERIODS and self._drop_period(conn, COARSE):
            pass
        newest = conn.execute("SELECT max(id) FROM events").fetchone()[0] or 0
        conn.execute("DELETE FROM events WHERE id <= ?", (newest - EVENTS_KEPT,))

    def limit_size(self, conn: sqlite3.Connection, at_least: int = 0) -> int:
        """Delete oldest detail until the file's used pages and the disk's free space are within limits.

        at_least: bytes to free in any case. Returns bytes freed inside the file. For the disk's sake (it
        may be others who fill it) a day of journal and a week of full history are left standing.
        """
        page: int = conn.execute("PRAGMA page_size").fetchone()[0]
        start = used = _used_pages(conn) * page
        limit = int(self.limits.max_mb * 1e6)
        limit -= min(MARGIN_BYTES, limit // 5)  # room for what one transaction may add
        short = max(0, -_free_beyond_reserve(self.path))
        removed: set[str] = set()
        while (hard := used > limit or start - used < at_least) or start - used < short:
            if _journal_ns(conn) > KEEP_JOURNAL_S * 10**9 and self._drop_journal(conn):
                removed.add("journal")
            elif _periods(conn, FULL) > KEEP_HISTORY_DAYS and self._drop_period(conn, FULL):
                removed.add("history at full resolution")
            elif hard and self._drop_journal(conn):
                removed.add("journal")
            elif hard and (self._drop_period(conn, FULL) or self._drop_plain(conn)):
                removed.add("history at full resolution")
            elif hard and self._drop_period(conn, COARSE):
                removed.add("15-minute history")
            elif hard and self._drop_events(conn):
                removed.add("events")
            else:
                break
            used = _used_pages(conn) * page
        if removed:
            why = "the disk is nearly full" if short else f"limit of {self.limits.max_mb:g} MB"
            self.announce(conn, f"oldest {', '.join(sorted(removed))} removed from the record: {why}")
        if short or conn.execute("PRAGMA page_count").fetchone()[0] * page > limit:
            free: int = conn.execute("PRAGMA freelist_count").fetchone()[0]
            for _ in range(min(free, VACUUM_PAGES)):
                conn.execute("PRAGMA incremental_vacuum(1)")  # one page a call, whatever number is given
        return start - used

    def _drop_journal(self, conn: sqlite3.Connection) -> bool:
        """The oldest block, and the snapshots and restarts that only it could follow."""
        oldest = conn.execute(
            "SELECT id, run, last_mono_ns FROM journal_blocks ORDER BY id LIMIT 1"
        ).fetchone()
        if oldest is None:
            return False
        block, run, last_ns = oldest
        conn.execute("DELETE FROM journal_blocks WHERE id = ?", (block,))
        conn.execute("DELETE FROM snapshots WHERE run < ? OR (run = ? AND mono_ns < ?)", (run, run, last_ns))
        conn.execute("DELETE FROM restarts WHERE run <= ?", (run,))
        return True

    def _drop_period(self, conn: sqlite3.Connection, level: int) -> bool:
        oldest = conn.execute(
            "SELECT period FROM blocks WHERE level = ? ORDER BY id LIMIT 1", (level,)
        ).fetchone()
        if oldest is None:
            return False
        conn.execute("DELETE FROM blocks WHERE level = ? AND period = ?", (level, oldest[0]))
        return True

    def _drop_plain(self, conn: sqlite3.Connection) -> bool:
        """Oldest intervals that are not sealed yet: only where the limit is too small for a day of them."""
        oldest = conn.execute("SELECT line, slot FROM history ORDER BY line, slot LIMIT 1").fetchone()
        if oldest is None:
            return False
        conn.execute(
            "DELETE FROM history WHERE line = ? AND slot < ?", (oldest[0], oldest[1] + SLOTS_PER_STEP)
        )
        return True

    def _drop_events(self, conn: sqlite3.Connection) -> bool:
        oldest = conn.execute("SELECT min(id) FROM events").fetchone()[0]
        if oldest is None:
            return False
        conn.execute("DELETE FROM events WHERE id < ?", (oldest + 1000,))
        return True


def first_slot(day: int, interval_ms: int) -> int:
    """First slot that starts within this UTC day."""
    return -(-day * DAY_S * 1000 // interval_ms)


def read_plain(conn: sqlite3.Connection, key: int, line: int, begin: int, end: int) -> blocks.Columns:
    """Unsealed intervals of one point with begin <= slot < end."""
    rows = conn.execute(
        # Rows lie by time; one look-up per slot is far quicker than reading every other point's rows.
        "WITH RECURSIVE s(slot) AS ("
        "SELECT min(slot) FROM history WHERE line = ?1 AND slot >= ?2 AND slot < ?3 UNION ALL"
        " SELECT (SELECT min(h.slot) FROM history h WHERE h.line = ?1 AND h.slot > s.slot AND h.slot < ?3)"
        " FROM s WHERE s.slot IS NOT NULL)"
        " SELECT h.slot, h.quality, h.mean, h.min, h.max FROM s JOIN history h"
        " ON h.line = ?1 AND h.slot = s.slot AND h.key = ?4",
        (line, begin, end, key),
    ).fetchall()
    if not rows:
        return blocks.EMPTY
    slot, quality, mean, low, high = zip(*rows, strict=True)
    middle = np.array(mean, dtype=float)  # None becomes NaN
    lowest, highest = np.array(low, dtype=float), np.array(high, dtype=float)
    return blocks.Columns(
        np.array(slot, np.int64),
        middle,
        np.where(np.isnan(lowest), middle, lowest),
        np.where(np.isnan(highest), middle, highest),
        np.array(quality, np.uint16),
    )


def _append(old: blocks.Columns, new: blocks.Columns) -> blocks.Columns:
    """``new`` slots after the last of ``old`` added to it."""
    if not len(old.slot):
        return new
    later = new.slot > old.slot[-1]
    return blocks.concatenate([old, blocks.select(new, later)])


def _block(conn: sqlite3.Connection, place: tuple[int, int, int, int]) -> blocks.Columns:
    row = conn.execute(
        "SELECT data FROM blocks WHERE level = ? AND period = ? AND key = ? AND line = ?", place
    ).fetchone()
    return blocks.decode(row[0]) if row else blocks.EMPTY


def _put_block(conn: sqlite3.Connection, place: tuple[int, int, int, int], data: bytes) -> None:
    conn.execute(
        "INSERT INTO blocks(level, period, key, line, data) VALUES(?,?,?,?,?)"
        " ON CONFLICT(level, period, key, line) DO UPDATE SET data = excluded.data",
        (*place, data),
    )


def _journal_ns(conn: sqlite3.Connection) -> int:
    total = conn.execute("SELECT sum(last_mono_ns - first_mono_ns) FROM journal_blocks").fetchone()[0]
    return int(total or 0)


def _periods(conn: sqlite3.Connection, level: int) -> int:
    # Loose index scan: one look-up per period.
    return int(
        conn.execute(
            "WITH RECURSIVE p(period) AS (SELECT min(period) FROM blocks WHERE level = ?1 UNION ALL"
            " SELECT (SELECT min(b.period) FROM blocks b WHERE b.level = ?1 AND b.period > p.period)"
            " FROM p WHERE p.period IS NOT NULL) SELECT count(period) FROM p",
            (level,),
        ).fetchone()[0]
    )


def _used_pages(conn: sqlite3.Connection) -> int:
    pages: int = conn.execute("PRAGMA page_count").fetchone()[0]
    free: int = conn.execute("PRAGMA freelist_count").fetchone()[0]
    return pages - free


def _free_beyond_reserve(path: Path) -> int:
    """Bytes free on the file system less the reserve that is left to others."""
    fs = os.statvfs(path.parent)
    size = fs.f_blocks * fs.f_frsize
    reserve = min(RESERVE_MOST, max(RESERVE_LEAST, int(RESERVE_SHARE * size)))
    return int(fs.f_bavail * fs.f_frsize) - reserve
