"""Reading a record file, live or a copy on a laptop: points, history, events, journal.

Opens read-only and needs neither the daemon nor its settings. Nothing here may write.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

from collector.messages import Command, Decision, Inputs
from collector.operator import SOCKET_NAME
from collector.quality import Quality
from collector.record import blocks
from collector.record.journal import Decoder, MissingKeyFrame
from collector.record.schema import APPLICATION_ID, MIGRATIONS
from collector.record.upkeep import COARSE, COARSE_DAYS, COARSE_S, DAY_S, FULL, read_plain


class RecordError(Exception):
    """The file cannot be read as a record; the message says why and what would be right."""


@dataclass(frozen=True, slots=True)
class StoredPoint:
    """A point as the file's own catalogue has it."""

    key: int
    id: str
    type: str
    unit: str
    meaning: str
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Series:
    """History of one point, in the order it was recorded. All arrays have the same length.

    time_ns: start of each interval, UTC since 1970. mean/min/max: NaN where there was no value
    (int and enum points: mean holds the interval's last value). quality: :attr:`Quality.bits`.
    interval_s: length of each interval [s]. line: the stretch of steady wall clock it belongs to
    (see :class:`Line`); time_ns only rises within one.
    """

    time_ns: NDArray[np.int64]
    mean: NDArray[np.float64]
    min: NDArray[np.float64]
    max: NDArray[np.float64]
    quality: NDArray[np.uint16]
    interval_s: NDArray[np.float64]
    line: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Run:
    """One start of the daemon. rate other than 1: accelerated station time, not a record of real time."""

    run: int
    boot_id: str
    start_mono_ns: int
    start_wall_ns: int
    rate: float
    version: str
    numpy: str
    cpu: str
    python: str
    station: str


@dataclass(frozen=True, slots=True)
class Line:
    """A stretch of history without a step of the wall clock; reason says why it begins."""

    line: int
    run: int
    start_mono_ns: int
    start_wall_ns: int
    interval_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class Step:
    """One journalled step. digest: of every value of its outcome, see journal.outcome_digest."""

    run: int
    wall_ns: int
    inputs: Inputs
    decision: Decision
    digest: str


@dataclass(frozen=True, slots=True)
class Snapshot:
    run: int
    mono_ns: int
    wall_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Restart:
    """The checkpoint that a run went on from, and the gap before it [s] (None: unknown).

    from_run: the run that took the checkpoint; None when that is not in this file.
    """

    run: int
    mono_ns: int
    wall_ns: int
    same_boot: bool
    gap_s: float | None
    from_run: int | None
    from_mono_ns: int
    from_wall_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class StoredEvent:
    run: int
    mono_ns: int
    wall_ns: int
    kind: str
    subject: str
    text: str
    data: dict[str, float | int | str | bool | None]


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """An alarm point's state changed (numbers as in points.ALARM_STATES)."""

    run: int
    mono_ns: int
    wall_ns: int
    point: str
    was: int | None
    became: int | None


@dataclass(frozen=True, slots=True)
class StoredCommand:
    """accepted, answer: what became of it, as its giver was told; None where the record does not know."""

    run: int
    mono_ns: int
    wall_ns: int
    command: Command
    accepted: bool | None = None
    answer: str | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """A value with its time: a peak, or a counter's latest value."""

    point: str
    value: float
    quality: Quality
    run: int
    mono_ns: int
    wall_ns: int


@dataclass(frozen=True, slots=True)
class PeakReset:
    """A reset keeps the old value, and who reset it how."""

    old: Mark
    reset_wall_ns: int
    who: str
    how: str


class Record:
    """A record file opened for reading. Use as a context manager.

    RecordError with a plain sentence when it cannot be read. ``notice``: what a reader should know
    (for example that the log beside the file could not be used). ``skipped``: journal frames that
    could not be read because what they build on was removed meanwhile.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self.notice = ""
        self.skipped = 0
        if not self.path.is_file():
            raise RecordError(f"{self.path}: no such file (the record is data_dir/record.sqlite)")
        log = self.path.with_name(self.path.name + "-wal")
        self._still: tuple[int, int] | None = None
        try:
            # A copy without a log: read without locks, or SQLite would leave an empty log beside it. Not
            # where a daemon lives (its socket tells): it may begin to write at any moment.
            if not log.exists() and not self.path.with_name(SOCKET_NAME).exists():
                self._conn = self._as_a_copy()
            else:
                self._conn = self._connect("mode=ro")
        except sqlite3.OperationalError as problem:
            # A copy on read-only media: SQLite cannot put its index of the log beside the file.
            try:
                self._conn = self._as_a_copy()
            except sqlite3.Error:
                raise RecordError(f"{self.path}: cannot be opened ({problem})") from None
            if log.exists() and log.stat().st_size:
                self.notice = (
                    f"{log.name} could not be used (read-only directory): the newest part may be missing"
                )
        except sqlite3.DatabaseError as problem:
            raise RecordError(f"{self.path}: not a record, or damaged ({problem})") from None
        try:
            version = self._version = self._conn.execute("PRAGMA user_version").fetchone()[0]
            if self._conn.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                raise RecordError(f"{self.path}: an SQLite file, but not a record of windingd")
            if version > len(MIGRATIONS):
                raise RecordError(
                    f"{self.path}: schema version {version} is newer than this program knows"
                    f" ({len(MIGRATIONS)}): use the windingd that wrote it, or a newer one"
                )
            rows = self._conn.execute("SELECT key, id, type, unit, meaning, words FROM points ORDER BY key")
            self._points = [
                StoredPoint(key, name, kind, unit, meaning, tuple(json.loads(words)))
                for key, name, kind, unit, meaning, words in rows
            ]
            self._by_id = {p.id: p for p in self._points}
            self._by_key = {p.key: p for p in self._points}
        except sqlite3.DatabaseError as problem:
            raise RecordError(f"{self.path}: damaged ({problem})") from None

    def _connect(self, how: str) -> sqlite3.Connection:
        conn = sqlite3.connect(
            f"file:{quote(str(self.path))}?{how}", uri=True, timeout=5.0, isolation_level=None
        )
        try:
            conn.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except sqlite3.Error:
            conn.close()
            raise
        return conn

    def _as_a_copy(self) -> sqlite3.Connection:
        """Without locks, which is right only as long as nobody writes: :meth:`__exit__` looks."""
        self._still = _stamp(self.path)
        return self._connect("mode=ro&immutable=1")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
        if kind is None and self._still is not None and _stamp(self.path) != self._still:
            raise RecordError(
                f"{self.path}: was written to while it was read, so what was read may be mixed up: "
                "do it again (of a file in use, take a copy with sqlite3 .backup)"
            )

    def close(self) -> None:
        self._conn.close()

    # --- catalogue --------------------------------------------------------------------------

    def points(self) -> list[StoredPoint]:
        return list(self._points)

    def point(self, point: str | int) -> StoredPoint:
        """By id or key. KeyError when the file has no such point."""
        return self._by_key[point] if isinstance(point, int) else self._by_id[point]

    def runs(self) -> list[Run]:
        rows = self._conn.execute(
            "SELECT run, boot_id, start_mono_ns, start_wall_ns, rate, version, numpy, cpu, python, station"
            " FROM runs ORDER BY run"
        )
        return [Run(*row) for row in rows]

    def lines(self) -> list[Line]:
        rows = self._conn.execute(
            "SELECT line, run, start_mono_ns, start_wall_ns, interval_ms / 1000.0, reason"
            " FROM lines ORDER BY line"
        )
        return [Line(*row) for row in rows]

    def settings_hashes(self) -> list[str]:
        return [row[0] for row in self._conn.execute("SELECT hash FROM settings ORDER BY first_wall_ns")]

    def settings_text(self, settings_hash: str) -> str:
        """KeyError when the file has no text for this hash."""
        row = self._conn.execute("SELECT text FROM settings WHERE hash = ?", (settings_hash,)).fetchone()
        if row is None:
            raise KeyError(settings_hash)
        return zlib.decompress(row[0]).decode("utf-8")

    def settings_in_force(self) -> tuple[str, int] | None:
        """Text of the settings that the newest checkpoint was made under, and when that was [wall ns]."""
        rows = self._conn.execute("SELECT data, crc, wall_ns FROM checkpoint ORDER BY sequence DESC")
        for data, crc, wall_ns in rows.fetchall():
            if zlib.crc32(data) == crc:
                with suppress(KeyError, ValueError, zlib.error):
                    told = json.loads(zlib.decompress(data))
                    return self.settings_text(told["settings_hash"]), wall_ns
        return None

    # --- history ----------------------------------------------------------------------------

    def history(
        self, point: str | int, start_ns: int, end_ns: int, resolution_s: float | None = None
    ) -> Series:
        """History of a point (id or key), intervals starting in [start_ns, end_ns).

        resolution_s: None gives intervals as recorded; else they are merged into intervals of this
        length aligned to UTC (parts that are coarser already stay as they are).
        """
        p = self.point(point)
        keep_last = p.type in ("int", "enum")
        coarse = resolution_s is not None and resolution_s >= COARSE_S
        # One read transaction: a day that is sealed meanwhile is neither missed nor read twice.
        self._conn.execute("BEGIN")
        try:
            parts = self._parts(p.key, start_ns, end_ns, coarse)
        finally:
            self._conn.execute("COMMIT")
        parts.sort(key=lambda part: (part[0], part[2].slot[0]))
        times, lengths, numbers, columns = [], [], [], []
        for line, interval_ms, c in parts:
            numbers.append(np.full(len(c.slot), line))
            times.append(c.slot * (interval_ms * 10**6))
            lengths.append(np.full(len(c.slot), interval_ms / 1000))
            columns.append(c)
        if not columns:
            empty = blocks.EMPTY
            return Series(empty.slot, empty.mean, empty.min, empty.max, empty.quality, empty.mean, empty.slot)
        time_ns, interval_s, c = np.concatenate(times), np.concatenate(lengths), blocks.concatenate(columns)
        lines = np.concatenate(numbers)
        if resolution_s is not None:
            step = round(resolution_s * 1e9)
            bins = time_ns // step
            coarser = interval_s * 1e9 > step
            merged = blocks.merge(c._replace(slot=time_ns), bins, keep_last)
            starts = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
            time_ns = np.where(coarser[starts], time_ns[starts], merged.slot * step)
            interval_s, lines = np.maximum(interval_s[starts], resolution_s), lines[starts]
            c = merged
        inside = (time_ns >= start_ns) & (time_ns < end_ns)
        c = blocks.select(c, inside)
        return Series(time_ns[inside], c.mean, c.min, c.max, c.quality, interval_s[inside], lines[inside])

    def _parts(
        self, key: int, start_ns: int, end_ns: int, coarse: bool
    ) -> list[tuple[int, int, blocks.Columns]]:
        """(line, interval [ms], columns) of every stretch; each (line, day) from one source only."""
        lines = dict(self._conn.execute("SELECT line, interval_ms FROM lines").fetchall())
        first_day = start_ns // 10**9 // DAY_S
        last_day = max(first_day, (end_ns - 1) // 10**9 // DAY_S)
        parts: list[tuple[int, int, blocks.Columns]] = []
        sealed: set[tuple[int, int]] = set()
        if not coarse:
            for day, line, data in self._blocks(FULL, key, first_day, last_day):
                sealed.add((line, day))
                parts.append((line, lines[line], blocks.decode(data)))
        for _, line, data in self._blocks(COARSE, key, first_day // COARSE_DAYS, last_day // COARSE_DAYS):
            c = blocks.decode(data)
            interval_ms = lines[line] * max(1, COARSE_S * 1000 // lines[line])
            days = c.slot * interval_ms // (DAY_S * 1000)
            here = set(days.tolist())
            finer = [day for day in here if (line, day) in sealed]
            wanted = (days >= first_day) & (days <= last_day) & ~np.isin(days, finer)
            if wanted.any():
                parts.append((line, interval_ms, blocks.select(c, wanted)))
            sealed |= {(line, day) for day in here}
        for line in self._plain_lines():
            interval_ns = lines[line] * 10**6
            begin, end = (
                -(-first_day * DAY_S * 10**9 // interval_ns),
                (last_day + 1) * DAY_S * 10**9 // interval_ns,
            )
            c = read_plain(self._conn, key, line, begin, end + 1)
            days = c.slot * interval_ns // (DAY_S * 10**9)
            done = [day for day in set(days.tolist()) if (line, day) in sealed]
            wanted = ~np.isin(days, done)
            if wanted.any():
                parts.append((line, lines[line], blocks.select(c, wanted)))
        return parts

    def _blocks(self, level: int, key: int, first: int, last: int) -> list[tuple[int, int, bytes]]:
        # One look-up per period: the index leads with level and period, not with the point.
        return self._conn.execute(
            "WITH RECURSIVE p(period) AS (SELECT ?2 UNION ALL SELECT period + 1 FROM p WHERE period < ?3)"
            " SELECT b.period, b.line, b.data FROM p CROSS JOIN blocks b"
            " ON b.level = ?1 AND b.period = p.period AND b.key = ?4",
            (level, *self._known_periods(level, first, last), key),
        ).fetchall()

    def _known_periods(self, level: int, first: int, last: int) -> tuple[int, int]:
        """first and last, no wider than what the file holds."""
        low = self._conn.execute("SELECT min(period) FROM blocks WHERE level = ?", (level,)).fetchone()[0]
        high = self._conn.execute("SELECT max(period) FROM blocks WHERE level = ?", (level,)).fetchone()[0]
        return (first, first) if low is None else (max(first, low), min(last, high))

    def _plain_lines(self) -> list[int]:
        rows = self._conn.execute(
            "WITH RECURSIVE l(line) AS (SELECT min(line) FROM history UNION ALL"
            " SELECT (SELECT min(h.line) FROM history h WHERE h.line > l.line)"
            " FROM l WHERE l.line IS NOT NULL)"
            " SELECT line FROM l WHERE line IS NOT NULL"
        )
        return [row[0] for row in rows.fetchall()]

    def span(self) -> tuple[int, int] | None:
        """(first, last) wall time of the history [ns], or None when there is none."""
        times: list[int] = []
        lines = dict(self._conn.execute("SELECT line, interval_ms FROM lines").fetchall())
        for level, days in ((FULL, 1), (COARSE, COARSE_DAYS)):
            for what, extra in (("min", 0), ("max", 1)):
                row = self._conn.execute(
                    f"SELECT {what}(period) FROM blocks WHERE level = ?", (level,)
                ).fetchone()
                if row[0] is not None:
                    times += self._sealed_span(level, row[0], lines) or [
                        (row[0] + extra) * days * DAY_S * 10**9
                    ]
        for line in self._plain_lines():
            low, high = self._conn.execute(
                "SELECT (SELECT min(slot) FROM history WHERE line = ?1),"
                " (SELECT max(slot) FROM history WHERE line = ?1)",
                (line,),
            ).fetchone()
            times += [low * lines[line] * 10**6, (high + 1) * lines[line] * 10**6]
        return (min(times), max(times)) if times else None

    def _sealed_span(self, level: int, period: int, lines: dict[int, int]) -> list[int]:
        """First and last time in the sealed blocks of one period [ns]; nothing when one is damaged."""
        times: list[int] = []
        for line, data in self._conn.execute(
            "SELECT line, data FROM blocks WHERE level = ? AND period = ?", (level, period)
        ):
            try:
                slot = blocks.decode(data).slot
            except blocks.DamagedBlock:
                return []
            interval_ms = lines[line]
            if level == COARSE:
                interval_ms *= max(1, COARSE_S * 1000 // interval_ms)
            times += [int(slot[0]) * interval_ms * 10**6, (int(slot[-1]) + 1) * interval_ms * 10**6]
        return times

    # --- what happened ----------------------------------------------------------------------

    def events(
        self, start_ns: int | None = None, end_ns: int | None = None, kind: str | None = None
    ) -> Iterator[StoredEvent]:
        """Events in the order they happened, by wall time [ns] in [start_ns, end_ns)."""
        where, values = _period(start_ns, end_ns)
        if kind is not None:
            where, values = f"{where} AND kind = ?", [*values, kind]
        rows = self._conn.execute(
            f"SELECT run, mono_ns, wall_ns, kind, subject, text, data FROM events WHERE {where} ORDER BY id",
            values,
        )
        for run, mono_ns, wall_ns, found, subject, text, data in rows:
            yield StoredEvent(run, mono_ns, wall_ns, found, subject, text, json.loads(data))

    def events_about(self, subject: str, before_ns: int) -> Iterator[StoredEvent]:
        """Events of one subject before a wall time [ns], the newest first."""
        rows = self._conn.execute(
            "SELECT run, mono_ns, wall_ns, kind, subject, text, data FROM events"
            " WHERE subject = ? AND wall_ns < ? ORDER BY id DESC",
            (subject, before_ns),
        )
        for run, mono_ns, wall_ns, found, about, text, data in rows:
            yield StoredEvent(run, mono_ns, wall_ns, found, about, text, json.loads(data))

    def alarm_changes(self, start_ns: int | None = None, end_ns: int | None = None) -> Iterator[AlarmChange]:
        where, values = _period(start_ns, end_ns)
        rows = self._conn.execute(
            f"SELECT run, mono_ns, wall_ns, key, was, became FROM alarms WHERE {where} ORDER BY id", values
        )
        for run, mono_ns, wall_ns, key, was, became in rows:
            yield AlarmChange(run, mono_ns, wall_ns, self._name(key), was, became)

    def commands(self, start_ns: int | None = None, end_ns: int | None = None) -> Iterator[StoredCommand]:
        where, values = _period(start_ns, end_ns)
        later = "after_min, accepted, answer" if self._version >= 2 else "NULL, NULL, NULL"
        rows = self._conn.execute(
            f"SELECT run, mono_ns, wall_ns, command, kind, target, who, how, minutes, value, {later}"
            f" FROM commands WHERE {where} ORDER BY id",
            values,
        )
        for run, mono_ns, wall_ns, *command, accepted, answer in rows:
            done = None if accepted is None else bool(accepted)
            yield StoredCommand(run, mono_ns, wall_ns, Command(*command), done, answer)

    def peaks(self) -> list[Mark]:
        """Highest hot spot, top oil and load since their last reset."""
        return self._marks("peaks")

    def counters(self) -> list[Mark]:
        """Latest value of every counter, whatever detail was removed since."""
        return self._marks("counters")

    def _marks(self, table: str) -> list[Mark]:
        rows = self._conn.execute(
            f"SELECT key, value, quality, run, mono_ns, wall_ns FROM {table} ORDER BY key"
        )
        return [self._mark(row) for row in rows.fetchall()]

    def _mark(self, row: tuple[Any, ...]) -> Mark:
        key, value, quality, *when = row
        return Mark(self._name(key), value, Quality.from_bits(quality), *when)

    def peak_resets(self) -> list[PeakReset]:
        rows = self._conn.execute(
            "SELECT key, value, quality, run, mono_ns, wall_ns, reset_wall_ns, who, how"
            " FROM peak_resets ORDER BY id"
        )
        return [PeakReset(self._mark(row[:6]), *row[6:]) for row in rows.fetchall()]

    def _name(self, key: int) -> str:
        return self._by_key[key].id if key in self._by_key else f"point {key:#x}"

    # --- journal ----------------------------------------------------------------------------

    def journal(
        self, run: int | None = None, start_ns: int | None = None, end_ns: int | None = None
    ) -> Iterator[tuple[int, Inputs]]:
        """(wall_ns, Inputs) of each journalled step, in the order they happened."""
        for step in self.steps(run, start_ns, end_ns):
            yield step.wall_ns, step.inputs

    def steps(
        self, run: int | None = None, start_ns: int | None = None, end_ns: int | None = None
    ) -> Iterator[Step]:
        """As :meth:`journal`, with the decision taken and the digest of the outcome.

        start_ns, end_ns: wall time [ns], in [start_ns, end_ns). run: one run only.
        """
        low = start_ns if start_ns is not None else -(2**63)
        high = end_ns if end_ns is not None else 2**63 - 1
        only = "" if run is None else f" AND run = {int(run)}"
        self._conn.execute("BEGIN")
        try:
            # A clock step begins a new block, so that within one the wall clock only rises.
            found = self._conn.execute(
                "SELECT id, run FROM journal_blocks WHERE last_wall_ns >= ? AND first_wall_ns < ?"
                f"{only} ORDER BY id",
                (low, high),
            ).fetchall()
            rows = self._conn.execute(
                f"SELECT run, key, frame FROM journal WHERE 1{only} ORDER BY id"
            ).fetchall()
        finally:
            self._conn.execute("COMMIT")
        decoder = Decoder()
        for block_id, block_run in found:
            row = self._conn.execute("SELECT frames FROM journal_blocks WHERE id = ?", (block_id,)).fetchone()
            if row is None:
                self.skipped += 1
                continue
            frames = zlib.decompress(row[0]).decode("ascii").split("\n")
            yield from self._decode(
                decoder, [(block_run, n == 0, f) for n, f in enumerate(frames)], low, high
            )
        yield from self._decode(decoder, rows, low, high)

    def _decode(
        self, decoder: Decoder, rows: list[tuple[int, bool, str]], low: int, high: int
    ) -> Iterator[Step]:
        for run, is_key, text in rows:
            try:
                frame = decoder.decode(bool(is_key), text)
            except MissingKeyFrame:
                self.skipped += 1
                continue
            if low <= frame.wall_ns < high:
                yield Step(run, *frame)

    def snapshots(self, run: int | None = None) -> Iterator[Snapshot]:
        """State snapshots, in order: the state after the step of the same run at mono_ns."""
        rows = self._conn.execute(
            "SELECT run, mono_ns, wall_ns, data FROM snapshots WHERE run = ? OR ? IS NULL ORDER BY id",
            (run, run),
        )
        for found, mono_ns, wall_ns, data in rows:
            yield Snapshot(found, mono_ns, wall_ns, zlib.decompress(data))

    def restarts(self) -> list[Restart]:
        """Restarts from a checkpoint, in order. Empty where an older version wrote the file."""
        if self._version < 2:
            return []
        rows = self._conn.execute(
            "SELECT run, mono_ns, wall_ns, same_boot, gap_s, from_run, from_mono_ns, from_wall_ns, data"
            " FROM restarts ORDER BY run"
        )
        return [
            Restart(run, at_ns, wall_ns, bool(boot), gap_s, of, of_ns, of_wall_ns, zlib.decompress(data))
            for run, at_ns, wall_ns, boot, gap_s, of, of_ns, of_wall_ns, data in rows
        ]


def _stamp(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_mtime_ns, found.st_size


def _period(start_ns: int | None, end_ns: int | None) -> tuple[str, list[Any]]:
    parts, values = ["1"], []
    if start_ns is not None:
        parts.append("wall_ns >= ?")
        values.append(start_ns)
    if end_ns is not None:
        parts.append("wall_ns < ?")
        values.append(end_ns)
    return " AND ".join(parts), values
