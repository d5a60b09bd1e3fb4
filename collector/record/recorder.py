"""What the daemon hands over once per step, and what it gets back at a start: the record's front door.

No SQL of readers, no decisions: a failing record makes ``health`` bad and nothing else.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
import platform
import sqlite3
import threading
import time
import uuid
import zlib
from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

import numpy as np
import structlog

from collector.clock import Clock
from collector.messages import Command, Event, Inputs, Outcome
from collector.points import ALARM_STATES, Point, catalogue
from collector.record import boot, journal
from collector.record.files import FILE_MODE, own_directory
from collector.record.history import Accumulator, Closed, Peak
from collector.record.keys import key_of, parts_of
from collector.record.schema import APPLICATION_ID, MIGRATIONS
from collector.record.upkeep import DAY_S, Limits, Upkeep
from collector.record.writer import KEPT_ASIDE, Writer, set_aside_files
from collector.settings.model import Settings

log = structlog.get_logger("record")

FILE_NAME = "record.sqlite"
COPY_NAME = "checkpoint.json"
UNUSABLE = "checkpoint.unusable-{}.json"  # as the copy: of another version, kept until one can use it
COPY_EVERY_S = 900.0  # real time; the copy serves only when the file itself is lost while we are down
QUEUE_STEPS = 5000  # nearly three hours of two-second steps; some tens of MB at most
FORMER_MOST = 50  # earlier settings that are looked through for outputs without a name
UPKEEP_NS = 60 * 10**9


class StoredCheckpoint(NamedTuple):
    """A checkpoint as found in (or known to have reached) the file."""

    data: bytes
    boot_id: str
    mono_ns: int
    wall_ns: int


@dataclass(frozen=True, slots=True)
class _Under:
    """What the settings in force mean for the record."""

    hash: str
    points: tuple[Point, ...]
    transformers: dict[str, int]  # id -> number
    journal: bool


class Recorder:
    """The record of one station in ``data_dir/record.sqlite``. Every method returns at once.

    settings_text, settings_hash: stored once per hash, so that the journal can be replayed.
    A power cut may cost what came within the last ``commit_s``. Order within the file is that of the
    calls (run, then monotonic time), whatever the wall clock does.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        *,
        settings_text: str = "",
        settings_hash: str = "",
        boot_id: str | None = None,
    ) -> None:
        self.path = Path(settings.station.data_dir) / FILE_NAME
        mount = settings.station.data_mount
        self._mount = None if mount is None else Path(mount)
        self._clock = clock
        self._boot_id = boot_id or boot.boot_id()
        self._uuid = uuid.uuid4().hex
        self._started = (clock.mono_ns(), clock.wall_ns())
        self._station = settings.station.id
        self._under = _under(settings, settings_hash)
        self._texts = {settings_hash: settings_text}  # all of this run: a new file needs them again
        self._accumulator = Accumulator(self._under.points, settings.record.history_s)
        self._alarm_keys = _alarm_keys(self._under.points)
        self._alarms: dict[str, Any] = {}
        self._next_upkeep = 0
        # Between commits and the writer's thread:
        self._encoder = journal.Encoder()
        self._found: StoredCheckpoint | None = None  # an earlier run's
        self._known: set[tuple[str, int]] | None = None  # checkpoints whose figures are in the state already
        self.set_aside: list[StoredCheckpoint] = []
        self._late: StoredCheckpoint | None = None  # met after the start; the file waits for `joined`
        self._first_ns: int | None = None  # of this run's first checkpoint
        self._former: list[str] | None = None
        self._highest: dict[int, Peak] = {}  # of this run, for a file that is begun within it
        self._checkpoint: StoredCheckpoint | None = None  # the newest, durable or not
        self._durable: StoredCheckpoint | None = None
        self._pending: deque[tuple[int, StoredCheckpoint]] = deque()
        self._copied_at = float("-inf")
        self._stopping = False
        self._upkeep = Upkeep(self.path, _limits(settings), self._announce)
        self._writer = Writer(
            self.path,
            MIGRATIONS,
            # An accelerated demo would otherwise sync the disk hundreds of times a second.
            commit_s=max(0.1, clock.real_s(settings.record.commit_s)),
            queue_max=QUEUE_STEPS,
            application_id=APPLICATION_ID,
            max_mb=settings.record.max_mb,
            notice_s=clock.real_s(60.0),
            before_open=self._before_open,
            on_open=self._on_open,
            on_reset=self._on_reset,
            on_durable=self._on_durable,
            announce=self._announce,
            on_full=self._on_full,
        )

    # --- for the daemon: memory only ------------------------------------------------------------

    def load_checkpoint(self, deadline_s: float = 5.0) -> StoredCheckpoint | None:
        """Latest durable checkpoint, or None. Call before :meth:`start`; a hung disk costs deadline_s.

        From the file; from ``checkpoint.json`` (at most 15 min older) when that has none or is damaged; from
        the newest file set aside when there is neither. What else lies in files set aside: `set_aside`. A
        record that is found only later: :meth:`late`. One that was :meth:`kept <keep>` counts as set aside.
        """
        found: list[tuple[StoredCheckpoint, ...]] = []
        reader = threading.Thread(
            target=lambda: found.append(self._read_first()), name="checkpoint reader", daemon=True
        )
        reader.start()
        reader.join(deadline_s)
        self._known = set()
        if not found:
            log.error("no checkpoint could be read in time: starting without", deadline_s=deadline_s)
            return None
        if not found[0]:
            return None
        first, *self.set_aside = found[0]
        self._known.add(_name(first))
        self._found = self._checkpoint = self._durable = first
        return first

    def late(self) -> StoredCheckpoint | None:
        """An earlier record's checkpoint that turned up after the start, when its disk was there at last.

        Nothing is written to that record before :meth:`joined` says that its figures are in the state, and
        a checkpoint of that state was put: else the lower figures of this run would stand for its own.
        """
        return self._late

    def joined(self, found: StoredCheckpoint) -> None:
        """What ``late`` gave is done with."""
        assert self._known is not None
        self._known.add(_name(found))
        self._late = None

    def start(self) -> None:
        self._writer.start()

    def put(self, inputs: Inputs, outcome: Outcome, wall_ns: int) -> None:
        """One step: journal, history, events, alarms, commands, peaks. wall_ns: of the step."""
        mono_ns = inputs.mono_ns
        for closed in self._accumulator.add(outcome.values, mono_ns, wall_ns):
            self._put_interval(closed)
        changes = self._alarm_changes(outcome)
        under = self._under
        digest = journal.outcome_digest(outcome) if under.journal else ""
        decision, events, commands = outcome.decision, outcome.events, inputs.commands
        answers = {str(e.data.get("id")): e for e in events if e.kind == "command" and "accepted" in e.data}
        if under.journal or events or commands or changes:

            def write(conn: sqlite3.Connection) -> None:
                run = self._run(conn)
                if under.journal:
                    is_key, frame = self._encoder.encode(inputs, decision, digest, wall_ns)
                    conn.execute(
                        "INSERT INTO journal(run, mono_ns, wall_ns, key, frame) VALUES(?,?,?,?,?)",
                        (run, mono_ns, wall_ns, is_key, frame),
                    )
                _write_events(conn, run, wall_ns, events)
                conn.executemany(
                    "INSERT INTO alarms(run, mono_ns, wall_ns, key, was, became) VALUES(?,?,?,?,?,?)",
                    [(run, mono_ns, wall_ns, *change) for change in changes],
                )
                conn.executemany(
                    "INSERT INTO commands(run, mono_ns, wall_ns, command, kind, target, who, how, minutes,"
                    " value, after_min, accepted, answer) VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?)",
                    [(run, mono_ns, wall_ns, *_command(c, answers.get(c.id))) for c in commands],
                )

            self._writer.put(write, urgent=bool(commands))
        for command in commands:
            if command.kind == "reset_peaks":
                self._reset_peaks(command, wall_ns)
        if mono_ns >= self._next_upkeep:
            self._next_upkeep = mono_ns + UPKEEP_NS
            day = wall_ns // 10**9 // DAY_S
            self._writer.put(lambda conn: self._upkeep.step(conn, self._current_line(conn), day))

    def put_snapshot(self, data: bytes, mono_ns: int, wall_ns: int) -> None:
        """State after the step at mono_ns, from which a replay of the journal may start."""
        if not self._under.journal:
            return
        packed = zlib.compress(data, 6)
        self._writer.put(
            lambda conn: _execute(
                conn,
                "INSERT INTO snapshots(run, mono_ns, wall_ns, data) VALUES(?,?,?,?)",
                (self._run(conn), mono_ns, wall_ns, packed),
            )
        )

    def put_restart(
        self, found: StoredCheckpoint, same_boot: bool, gap_s: float | None, mono_ns: int, wall_ns: int
    ) -> None:
        """This run goes on from ``found``, after a gap [s] (None: unknown): a replay restores it again.

        mono_ns, wall_ns: of the restart.
        """
        if not self._under.journal:
            return
        packed = zlib.compress(found.data, 6)

        def write(conn: sqlite3.Connection) -> None:
            of = conn.execute(
                "SELECT run FROM checkpoint WHERE boot_id = ? AND mono_ns = ? AND run > 0",
                (found.boot_id, found.mono_ns),
            ).fetchone()
            conn.execute(
                "INSERT OR REPLACE INTO restarts(run, mono_ns, wall_ns, same_boot, gap_s, from_run,"
                " from_mono_ns, from_wall_ns, data) VALUES(?,?,?,?,?,?,?,?,?)",
                (
                    self._run(conn), mono_ns, wall_ns, same_boot, gap_s, of[0] if of else None,
                    found.mono_ns, found.wall_ns, packed,
                ),
            )  # fmt: skip

        self._writer.put(write)

    def keep(self, found: StoredCheckpoint) -> str:
        """``found`` cannot be used by this program: kept in a file of its own, whose name is returned, before
        this run's checkpoints take its place. A start that can use it joins what it holds more.
        """
        stamp = datetime.fromtimestamp(found.wall_ns // 10**9, UTC).strftime("%Y%m%dT%H%M%SZ")
        path = self.path.with_name(UNUSABLE.format(stamp))

        def write(conn: sqlite3.Connection) -> None:
            _write_copy(path, found)
            for old in _kept(self.path)[:-KEPT_ASIDE]:
                old.unlink(missing_ok=True)

        self._writer.put(write, urgent=True)
        return path.name

    def put_checkpoint(self, data: bytes, mono_ns: int, wall_ns: int) -> None:
        """State to restart from; durable within commit_s, see :meth:`durable_checkpoint`."""
        checkpoint = StoredCheckpoint(data, self._boot_id, mono_ns, wall_ns)
        self._checkpoint = checkpoint
        self._first_ns = mono_ns if self._first_ns is None else self._first_ns
        sequence = self._writer.put(lambda conn: _write_checkpoint(conn, self._run(conn), checkpoint))
        if sequence is not None:
            self._pending.append((sequence, checkpoint))

    def durable_checkpoint(self) -> StoredCheckpoint | None:
        """The newest checkpoint known to be on disk: published loss of life must not exceed it.

        While ``health`` is bad it stands still; then there is no disk to be true to.
        """
        return self._durable

    def use_settings(self, settings: Settings, settings_text: str, settings_hash: str) -> None:
        """A reload: catalogue, text and limits of the new settings, before the first step under them.

        data_dir, commit_s and the file's hard ceiling stay as they were at the start.
        """
        for closed in self._accumulator.close():
            self._put_interval(closed)
        self._under = under = _under(settings, settings_hash)
        self._texts[settings_hash] = settings_text
        self._accumulator.use(under.points, settings.record.history_s)
        self._alarm_keys = _alarm_keys(under.points)
        self._upkeep.limits = _limits(settings)
        self._writer.put(lambda conn: self._write_settings(conn, under))

    def former_settings(self) -> list[str] | None:
        """Texts of earlier runs' settings, the newest first; None: the record was not opened yet."""
        return self._former

    def note(self, event: Event, wall_ns: int) -> None:
        """An event that no step saw."""
        self._writer.put(lambda conn: _write_events(conn, self._run(conn), wall_ns, (event,)))

    def health(self) -> tuple[bool, str]:
        """(record is being written, why not): for ``Health.record_ok`` and ``record_reason``."""
        return self._writer.health()

    def flush(self, timeout_s: float) -> bool:
        """Commit what was put so far; False when that is not durable in time. It waits: not for the loop."""
        return self._writer.flush(timeout_s)

    def stop(self, deadline_s: float) -> bool:
        """Flush and close; False when that could not be done by the deadline [s]."""
        for closed in self._accumulator.close():
            self._put_interval(closed)
        self._stopping = True
        return self._writer.stop(deadline_s)

    # --- still in the caller's thread -----------------------------------------------------------

    def _put_interval(self, closed: Closed) -> None:
        peaks = self._accumulator.take_peaks()
        higher = {k: p for k, p in peaks.items() if k not in self._highest or p[0] > self._highest[k][0]}
        self._highest = self._highest | higher

        def write(conn: sqlite3.Connection) -> None:
            run, line = self._run(conn), closed.line
            number = self._line(conn, line.n)
            if number is None:
                number = conn.execute(
                    "INSERT INTO lines(run, n, start_mono_ns, start_wall_ns, interval_ms, reason)"
                    " VALUES(?,?,?,?,?,?)",
                    (run, line.n, line.start_mono_ns, line.start_wall_ns, line.interval_ms, line.reason),
                ).lastrowid
            conn.executemany(
                "INSERT INTO history(line, slot, key, quality, mean, min, max) VALUES(?,?,?,?,?,?,?)"
                # a reload within an interval gives it twice: the later part stands
                " ON CONFLICT DO UPDATE SET quality = excluded.quality, mean = excluded.mean,"
                " min = excluded.min, max = excluded.max",
                [(number, closed.slot, *row) for row in closed.rows],
            )
            conn.executemany(
                "INSERT OR REPLACE INTO counters(key, value, quality, mono_ns, wall_ns, run)"
                " VALUES(?,?,?,?,?,?)",
                [(*counter, run) for counter in closed.counters],
            )
            _write_peaks(conn, run, peaks)

        self._writer.put(write)

    def _reset_peaks(self, command: Command, wall_ns: int) -> None:
        """Peaks so far are written, kept in peak_resets, then start afresh."""
        number = self._under.transformers.get(command.target)
        if number is None and command.target != "all":
            return  # the step has refused it
        peaks = self._accumulator.take_peaks(number)
        self._highest = {
            k: p for k, p in self._highest.items() if number is not None and parts_of(k)[1] != number
        }
        # level and transformer number sit in the key; see keys.py
        where, values = ("1", ()) if number is None else ("(key >> 20) & 255 = ?", (number,))

        def write(conn: sqlite3.Connection) -> None:
            _write_peaks(conn, self._run(conn), peaks)
            conn.execute(
                "INSERT INTO peak_resets(key, value, quality, run, mono_ns, wall_ns, reset_wall_ns, who, how)"
                f" SELECT key, value, quality, run, mono_ns, wall_ns, ?, ?, ? FROM peaks WHERE {where}",
                (wall_ns, command.who, command.how, *values),
            )
            conn.execute(f"DELETE FROM peaks WHERE {where}", values)

        self._writer.put(write)

    def _alarm_changes(self, outcome: Outcome) -> list[tuple[int, Any, Any]]:
        changes = []
        for name, key in self._alarm_keys.items():
            value = outcome.values.get(name)
            if value is None:
                continue
            was = self._alarms.get(name, 0)
            if value.value != was:
                changes.append((key, was, value.value))
                self._alarms[name] = value.value
        return changes

    # --- in a thread that may wait for the disk ---------------------------------------------------

    def _read_first(self) -> tuple[StoredCheckpoint, ...]:
        """The checkpoint to start from, then those of files set aside."""
        try:
            own_directory(self.path.parent, self._mount)
        except OSError as problem:
            log.error("the record's directory cannot be used: starting without it", error=str(problem))
            return ()
        aside = [_read_file(path) for path in reversed(set_aside_files(self.path))]
        aside += [_read_copy(path) for path in reversed(_kept(self.path))]
        found = [c for c in (_read_checkpoint(self.path), *aside) if c is not None]
        return tuple({_name(c): c for c in reversed(found)}.values())[::-1]

    def _before_open(self) -> None:
        own_directory(self.path.parent, self._mount)
        if self._known is None:  # nobody has asked for a state: there is none to join
            return
        found = _read_checkpoint(self.path)
        if found is not None and not self._own(found):
            self._late = found
            raise OSError("an earlier record has turned up and is being joined")

    def _own(self, found: StoredCheckpoint) -> bool:
        """Its figures are in this run's state: the run went on from it, joined it, or wrote it."""
        first = self._first_ns
        ours = found.boot_id == self._boot_id and first is not None and found.mono_ns >= first
        return ours or self._known is None or _name(found) in self._known

    def _on_open(self, conn: sqlite3.Connection, new: bool) -> None:
        rate = self._clock.rate
        conn.execute(
            "INSERT OR IGNORE INTO runs(uuid, boot_id, start_mono_ns, start_wall_ns, rate, version, numpy,"
            " cpu, python, station) VALUES(?,?,?,?,?,?,?,?,?,?)",
            (
                self._uuid, self._boot_id, *self._started, rate, own_version(), np.__version__,
                boot.cpu_features(), platform.python_version(), self._station,
            ),
        )  # fmt: skip
        if self._former is None:
            self._former = _former_settings(conn, self._texts)
        self._write_settings(conn, self._under)
        checkpoint = self._checkpoint
        if checkpoint is not None:
            _write_checkpoint(conn, 0 if checkpoint is self._found else self._run(conn), checkpoint)
        _write_peaks(conn, self._run(conn), self._highest)

    def _write_settings(self, conn: sqlite3.Connection, under: _Under) -> None:
        for settings_hash, text in list(self._texts.items()):
            if settings_hash:
                conn.execute(
                    "INSERT OR IGNORE INTO settings(hash, first_wall_ns, text) VALUES(?,?,?)",
                    (settings_hash, self._clock.wall_ns(), zlib.compress(text.encode("utf-8"), 9)),
                )
        known = {row[0]: row[1:] for row in conn.execute("SELECT * FROM points").fetchall()}
        for p in under.points:
            d = p.declared
            row = (p.id, d.type, d.unit, d.meaning, d.quality, json.dumps(d.words))
            if d.type != "text" and known.get(key_of(p)) != row:
                conn.execute("INSERT OR REPLACE INTO points VALUES(?,?,?,?,?,?,?)", (key_of(p), *row))

    def _on_reset(self) -> None:
        self._encoder.reset()
        self._upkeep.reset()

    def _on_durable(self, sequence: int) -> None:
        newest = None
        while self._pending and self._pending[0][0] <= sequence:
            newest = self._pending.popleft()[1]
        if newest is not None:
            self._durable = newest
            now = time.monotonic()
            if self._stopping or now - self._copied_at >= COPY_EVERY_S:
                self._copied_at = now
                _write_copy(self.path.with_name(COPY_NAME), newest)

    def _on_full(self, conn: sqlite3.Connection) -> None:
        """The file's own ceiling: free room in any case. The disk: only what upkeep may take for its sake."""
        page, pages, ceiling = (
            conn.execute(f"PRAGMA {what}").fetchone()[0]
            for what in ("page_size", "page_count", "max_page_count")
        )
        free = conn.execute("PRAGMA freelist_count").fetchone()[0]
        ours = ceiling - pages + free < 2_000_000 // page
        conn.execute("BEGIN IMMEDIATE")
        freed = self._upkeep.limit_size(conn, at_least=2_000_000 if ours else 0)
        conn.execute("COMMIT")
        log.warning("freed room in the record", bytes=freed)

    def _announce(self, conn: sqlite3.Connection, text: str) -> None:
        event = Event(self._clock.mono_ns(), "record", "station", text)
        _write_events(conn, self._run(conn), self._clock.wall_ns(), (event,))

    def _run(self, conn: sqlite3.Connection) -> int:
        run: int = conn.execute("SELECT run FROM runs WHERE uuid = ?", (self._uuid,)).fetchone()[0]
        return run

    def _line(self, conn: sqlite3.Connection, n: int) -> int | None:
        row = conn.execute("SELECT line FROM lines WHERE run = ? AND n = ?", (self._run(conn), n)).fetchone()
        return row[0] if row else None

    def _current_line(self, conn: sqlite3.Connection) -> int:
        """The line still being written; 0 when there is none in the file yet."""
        row = conn.execute("SELECT max(line) FROM lines WHERE run = ?", (self._run(conn),)).fetchone()
        return row[0] or 0


def _under(settings: Settings, settings_hash: str) -> _Under:
    transformers = {t.id: t.number for t in settings.transformers}
    return _Under(settings_hash, catalogue(settings), transformers, settings.record.journal_days > 0)


def _limits(settings: Settings) -> Limits:
    r = settings.record
    return Limits(r.journal_days, r.history_days, r.max_mb)


def _alarm_keys(points: tuple[Point, ...]) -> dict[str, int]:
    return {p.id: key_of(p) for p in points if p.declared.words == ALARM_STATES}


def own_version() -> str:
    try:
        return version("windingd")
    except PackageNotFoundError:
        return "not installed"


def _command(c: Command, answer: Event | None) -> tuple[Any, ...]:
    """A row of ``commands`` after its times. answer: the step's event about it."""
    told = (None, None) if answer is None else (answer.data["accepted"], answer.text)
    return (c.id, c.kind, c.target, c.who, c.how, c.minutes, c.value, c.after_min, *told)


def _execute(conn: sqlite3.Connection, sql: str, values: tuple[Any, ...]) -> None:
    conn.execute(sql, values)


def _write_events(conn: sqlite3.Connection, run: int, wall_ns: int, events: tuple[Event, ...]) -> None:
    conn.executemany(
        "INSERT INTO events(run, mono_ns, wall_ns, kind, subject, text, data) VALUES(?,?,?,?,?,?,?)",
        [
            (
                run,
                e.mono_ns,
                wall_ns,
                e.kind,
                e.subject,
                e.text,
                json.dumps(dict(e.data), default=lambda v: v.item()),
            )
            for e in events
        ],
    )


def _write_peaks(conn: sqlite3.Connection, run: int, peaks: dict[int, Peak]) -> None:
    conn.executemany(
        "INSERT INTO peaks(key, value, quality, mono_ns, wall_ns, run) VALUES(?,?,?,?,?,?)"
        " ON CONFLICT(key) DO UPDATE SET value = excluded.value, quality = excluded.quality,"
        " run = excluded.run, mono_ns = excluded.mono_ns, wall_ns = excluded.wall_ns"
        " WHERE excluded.value > peaks.value",
        [(key, *peak, run) for key, peak in peaks.items()],
    )


def _write_checkpoint(conn: sqlite3.Connection, run: int, c: StoredCheckpoint) -> None:
    """Into the older of two slots: a torn page costs one checkpoint, never both.

    run: 0 for one that an earlier run wrote and that is put back into a new file.
    """
    newest = conn.execute(
        "SELECT slot, sequence, run, boot_id, mono_ns FROM checkpoint ORDER BY sequence DESC LIMIT 1"
    ).fetchone()
    slot, sequence = (1 - newest[0], newest[1] + 1) if newest else (0, 1)
    # Repeated after a rollback or a reopening: a later one of this run may be there already.
    # Between runs of one boot monotonic times do not compare (an accelerated run is ahead).
    if (
        newest
        and newest[3] == c.boot_id
        and (newest[2] == run or newest[4] == c.mono_ns)
        and newest[4] >= c.mono_ns
    ):
        return
    packed = zlib.compress(c.data, 6)
    conn.execute(
        "INSERT OR REPLACE INTO checkpoint(slot, sequence, run, boot_id, mono_ns, wall_ns, crc, data)"
        " VALUES(?,?,?,?,?,?,?,?)",
        (slot, sequence, run, c.boot_id, c.mono_ns, c.wall_ns, zlib.crc32(packed), packed),
    )


def _former_settings(conn: sqlite3.Connection, ours: Mapping[str, str]) -> list[str]:
    rows = conn.execute("SELECT hash, text FROM settings ORDER BY first_wall_ns DESC LIMIT ?", (FORMER_MOST,))
    texts = []
    for settings_hash, packed in rows.fetchall():
        if settings_hash not in ours:
            with suppress(zlib.error, UnicodeDecodeError):
                texts.append(zlib.decompress(packed).decode("utf-8"))
    return texts


def _name(c: StoredCheckpoint) -> tuple[str, int]:
    return c.boot_id, c.mono_ns


def _read_checkpoint(path: Path) -> StoredCheckpoint | None:
    """From the record file, else from its copy. Never raises: a start without is better than no start."""
    return _read_file(path) or _read_copy(path.with_name(COPY_NAME))


def _read_file(path: Path) -> StoredCheckpoint | None:
    if os.path.exists(path):  # unlike Path.exists, False where we may not look
        try:
            conn = sqlite3.connect(f"file:{quote(str(path))}?mode=ro", uri=True, timeout=1.0)
            try:
                rows = conn.execute(
                    "SELECT data, boot_id, mono_ns, wall_ns, crc FROM checkpoint ORDER BY sequence DESC"
                ).fetchall()
            finally:
                conn.close()
            for data, boot_id, mono_ns, wall_ns, crc in rows:
                if zlib.crc32(data) == crc:
                    return StoredCheckpoint(zlib.decompress(data), boot_id, mono_ns, wall_ns)
        except (sqlite3.Error, zlib.error) as problem:
            log.error("no checkpoint in the record", file=str(path), error=str(problem))
    return None


def _kept(path: Path) -> list[Path]:
    """Checkpoints that could not be used, the oldest first."""
    return sorted(path.parent.glob(UNUSABLE.format("*")))


def _write_copy(path: Path, c: StoredCheckpoint) -> None:
    packed = zlib.compress(c.data, 6)
    text = json.dumps(
        {
            "boot_id": c.boot_id,
            "mono_ns": c.mono_ns,
            "wall_ns": c.wall_ns,
            "crc": zlib.crc32(packed),
            "data": base64.b64encode(packed).decode("ascii"),
        }
    )
    new = path.with_name(path.name + ".new")
    try:
        with new.open("w", encoding="ascii") as file:
            os.fchmod(file.fileno(), FILE_MODE)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as problem:
        log.warning("the copy of the checkpoint could not be written", file=str(path), error=str(problem))


def _read_copy(path: Path) -> StoredCheckpoint | None:
    try:
        found = json.loads(path.read_text(encoding="ascii"))
        packed = base64.b64decode(found["data"])
        if zlib.crc32(packed) != found["crc"]:
            raise ValueError("checksum differs")
        return StoredCheckpoint(zlib.decompress(packed), found["boot_id"], found["mono_ns"], found["wall_ns"])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, binascii.Error, zlib.error) as problem:
        log.error("the copy of the checkpoint cannot be read", file=str(path), error=str(problem))
        return None
