"""History out of a record file, row by row: CSV, JSON lines or Parquet.

Reads through reader.py only, holds one piece of the period in memory, and prints nothing itself.
"""

from __future__ import annotations

import csv
import difflib
import fnmatch
import json
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import IO, Any, Literal, Protocol
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from collector.quality import Quality
from collector.record import blocks
from collector.record.reader import Record, Series, StoredPoint

Format = Literal["csv", "jsonl", "parquet"]
CHUNK_S = 7 * 86_400  # period read at once: bounds memory, whatever the length of the export
_UNITS = {"s": 1, "m": 60, "min": 60, "h": 3600, "d": 86_400}


class ExportError(Exception):
    """What was asked for cannot be exported; the message says why and what would be right."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to export. Times in UTC nanoseconds since 1970, [start, end). zone: beside UTC, or None."""

    points: tuple[StoredPoint, ...]
    start_ns: int
    end_ns: int
    resolution_s: float | None
    zone: ZoneInfo | None = None


#: One point in one interval: mean, min, max, quality; empty texts where there is none.
Cell = tuple[Any, Any, Any, str]
_ABSENT: Cell = ("", "", "", "")


class Sink(Protocol):
    """One row: interval start (UTC ns), interval length [s], then a cell per point."""

    def write(self, time_ns: int, interval_s: float, cells: Sequence[Cell]) -> None: ...

    def close(self) -> None: ...


# --- what a person writes on the command line --------------------------------------------------


def choose(record: Record, patterns: Sequence[str]) -> tuple[StoredPoint, ...]:
    """Points by id or shell pattern (``T1.*.hot_spot_c``), in the order asked for, each once."""
    known = {p.id: p for p in record.points()}
    chosen: dict[str, StoredPoint] = {}
    for pattern in patterns:
        found = [pattern] if pattern in known else fnmatch.filter(known, pattern)
        if not found:
            near = difflib.get_close_matches(pattern, known, n=3, cutoff=0.5)
            hint = f"did you mean {', '.join(near)}?" if near else "--list shows what this record holds"
            what = "no point matches the pattern" if any(c in pattern for c in "*?[") else "no such point"
            raise ExportError(f"{what}: {pattern} ({hint})")
        chosen.update((name, known[name]) for name in found)
    return tuple(chosen.values())


def parse_time(text: str, zone: ZoneInfo | None = None) -> int:
    """UTC nanoseconds of a time as a person writes it. ExportError says how to write it.

    ``2026-07-12``, ``2026-07-12T14:30``, with seconds and fraction; ``Z`` or ``+02:00``. A time without
    either is station time when ``zone`` is given, and refused otherwise: nothing is guessed.
    """
    how = "write it as 2026-07-12T14:30:00Z, or with +02:00, or as a date"
    written = text.strip()
    if not re.fullmatch(
        r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2}([.]\d{1,9})?)?)?(Z|[+-]\d{2}:\d{2})?", written
    ):
        raise ExportError(f"{text!r} is not a time ({how})")
    try:
        time = datetime.fromisoformat(written)
    except ValueError as problem:
        raise ExportError(f"{text!r}: {problem} ({how})") from None
    if time.tzinfo is None:
        if zone is None and len(written) > 10:
            raise ExportError(
                f"{text!r} does not say which time it is (add Z for UTC, or give --station-time)"
            )
        time = time.replace(tzinfo=zone) if zone else time.replace(tzinfo=UTC)
        # An hour that local time skips or lives through twice has another offset with fold=1.
        if time.utcoffset() != time.replace(fold=1).utcoffset():
            raise ExportError(
                f"{text!r} does not exist or comes twice in {zone}, where the clocks change then "
                f"(write {time.isoformat()} or {time.replace(fold=1).isoformat()})"
            )
    since = time - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * 10**9 + since.microseconds * 1000


def parse_resolution(text: str) -> float | None:
    """Seconds; None for ``recorded``. ``1m``, ``15m``, ``1h``, ``10s``, ``1d``."""
    if text == "recorded":
        return None
    match = re.fullmatch(r"(\d+)(s|m|min|h|d)", text)
    if match is None or int(match[1]) == 0:
        raise ExportError(f"{text!r} is not a resolution (write 1m, 15m, 1h, 1d, or recorded)")
    return int(match[1]) * float(_UNITS[match[2]])


def parse_zone(text: str) -> ZoneInfo:
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ExportError(
            f"{text!r} is not a time zone (write one of the tz database, such as Europe/Berlin)"
        ) from None


# --- rows ---------------------------------------------------------------------------------------


def export(
    record: Record, wanted: Wanted, sink: Sink, progress: Callable[[float], None] | None = None
) -> int:
    """Write every interval of the period; the number of rows. progress: called with 0 to 1."""
    rows = 0
    start, end = wanted.start_ns, wanted.end_ns
    span = record.span()
    if span is None:
        return 0
    # The first interval of a coarse resolution begins before what it is made of.
    step = round((wanted.resolution_s or 0) * 1e9) or 1
    start, end = max(start, span[0] // step * step), min(end, span[1])
    chunk = CHUNK_S * 10**9
    at = start
    while at < end:
        # Chunks end on multiples of the chunk, so that no interval is cut in two.
        until = min(end, (at // chunk + 1) * chunk)
        series = [record.history(p.key, at, until, wanted.resolution_s) for p in wanted.points]
        for row in _rows(wanted, series):
            sink.write(*row)
            rows += 1
        at = until
        if progress is not None:
            progress((at - start) / (end - start))
    return rows


def _rows(
    wanted: Wanted, series: Sequence[Series]
) -> Iterator[tuple[int, float, list[Cell]]]:
    """Points side by side. Intervals of a time that was lived through twice (a clock step) stay apart."""
    places: dict[tuple[int, int, float], list[int | None]] = {}
    for column, s in enumerate(series):
        turn = s.line if wanted.resolution_s is None else _turns(s)
        for index, place in enumerate(
            zip(turn.tolist(), s.time_ns.tolist(), s.interval_s.tolist(), strict=True)
        ):
            places.setdefault(place, [None] * len(series))[column] = index
    columns = [_cells(p, s) for p, s in zip(wanted.points, series, strict=True)]
    for (_, time_ns, interval_s), indices in sorted(places.items(), key=lambda item: item[0]):
        yield (
            time_ns,
            interval_s,
            [_ABSENT if i is None else column[i] for i, column in zip(indices, columns, strict=True)],
        )


def _turns(s: Series) -> NDArray[np.int64]:
    """How often the wall clock went back before each interval: 0 in an ordinary record."""
    return np.cumsum(np.diff(s.time_ns, prepend=s.time_ns[:1]) < 0)


def _cells(p: StoredPoint, s: Series) -> list[Cell]:
    """A point's intervals. Numbers have the resolution that sealing keeps, sealed already or not."""
    step = blocks.step_of(p.type, p.unit)
    columns: list[list[Any]] = [blocks.to_step(c, step).tolist() for c in (s.mean, s.min, s.max)]
    if p.type in ("int", "enum"):
        columns = [[v if v != v else int(v) for v in column] for column in columns]
    words = {bits: str(Quality.from_bits(bits)) for bits in set(s.quality.tolist())}
    return [
        (mean, low, high, words[bits]) if mean == mean else ("", "", "", words[bits])
        for mean, low, high, bits in zip(*columns, s.quality.tolist(), strict=True)
    ]


def utc(time_ns: int) -> str:
    """``2026-07-12T14:30:00Z``, with a fraction only where there is one."""
    time = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_ns // 1000)
    return time.isoformat().replace("+00:00", "Z")


def station_time(time_ns: int, zone: ZoneInfo) -> str:
    """Local time with its offset, so that the repeated hour in autumn stays unambiguous."""
    time = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_ns // 1000)
    return time.astimezone(zone).isoformat()


def columns_of(points: Sequence[StoredPoint]) -> list[str]:
    """Four columns a point: its id (mean, or last value of an int), then .min, .max and .quality."""
    return [name for p in points for name in (p.id, f"{p.id}.min", f"{p.id}.max", f"{p.id}.quality")]


class CsvSink:
    """RFC 4180, a trace that replay reads: first column ``time``; an empty cell is a missing value."""

    def __init__(self, file: IO[str], wanted: Wanted) -> None:
        self._file, self._zone = file, wanted.zone
        self._csv = csv.writer(file, lineterminator="\n")
        local = ["station_time"] if wanted.zone else []
        self._csv.writerow(["time", *local, "interval_s", *columns_of(wanted.points)])

    def write(self, time_ns: int, interval_s: float, cells: Sequence[Cell]) -> None:
        local = [station_time(time_ns, self._zone)] if self._zone else []
        flat = [value for cell in cells for value in cell]
        self._csv.writerow([utc(time_ns), *local, f"{interval_s:g}", *flat])

    def close(self) -> None:
        self._file.flush()


class JsonSink:
    """One object a line: {"time": ..., "interval_s": ..., "values": {id: {mean, min, max, quality}}}."""

    def __init__(self, file: IO[str], wanted: Wanted) -> None:
        self._file, self._zone = file, wanted.zone
        self._ids = [p.id for p in wanted.points]

    def write(self, time_ns: int, interval_s: float, cells: Sequence[Cell]) -> None:
        row: dict[str, Any] = {"time": utc(time_ns)}
        if self._zone:
            row["station_time"] = station_time(time_ns, self._zone)
        row["interval_s"] = interval_s
        row["values"] = {
            name: {"mean": _null(mean), "min": _null(low), "max": _null(high), "quality": quality}
            for name, (mean, low, high, quality) in zip(self._ids, cells, strict=True)
            if quality
        }
        self._file.write(json.dumps(row, allow_nan=False) + "\n")

    def close(self) -> None:
        self._file.flush()


class ParquetSink:
    """Columns as in CSV, times as timestamp[ns, UTC], written in row groups of ROWS. Needs pyarrow."""

    ROWS = 20_000

    def __init__(self, file: IO[bytes], wanted: Wanted) -> None:
        try:
            import pyarrow
            import pyarrow.parquet
        except ImportError:
            raise ExportError(
                "Parquet needs the extra 'parquet': pip install 'windingd[parquet]' (or use --format csv)"
            ) from None
        self._arrow, self._zone = pyarrow, wanted.zone
        fields = [("time", pyarrow.timestamp("ns", tz="UTC"))]
        if wanted.zone:
            fields.append(("station_time", pyarrow.string()))
        fields.append(("interval_s", pyarrow.float64()))
        for p in wanted.points:
            kind = pyarrow.int64() if p.type in ("int", "enum") else pyarrow.float64()
            fields += [(p.id, kind), (f"{p.id}.min", kind), (f"{p.id}.max", kind)]
            fields.append((f"{p.id}.quality", pyarrow.string()))
        self._schema = pyarrow.schema(fields)
        self._writer = pyarrow.parquet.ParquetWriter(file, self._schema)
        self._rows: list[list[Any]] = []

    def write(self, time_ns: int, interval_s: float, cells: Sequence[Cell]) -> None:
        local = [station_time(time_ns, self._zone)] if self._zone else []
        self._rows.append([time_ns, *local, interval_s, *(_null(value) for cell in cells for value in cell)])
        if len(self._rows) >= self.ROWS:
            self._write_group()

    def _write_group(self) -> None:
        columns = zip(*self._rows, strict=True)
        arrays = [
            self._arrow.array(column, type=field.type)
            for column, field in zip(columns, self._schema, strict=True)
        ]
        self._writer.write_table(self._arrow.Table.from_arrays(arrays, schema=self._schema))
        self._rows.clear()

    def close(self) -> None:
        if self._rows:
            self._write_group()
        self._writer.close()


def _null(value: Any) -> Any:
    return None if value == "" else value
