"""History of chosen points to CSV, JSON lines or Parquet, also from a copied record file."""

from __future__ import annotations

import argparse
import os
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from collector.commands.common import EX_OTHER, EX_USAGE, Failure, whole_file
from collector.record import export
from collector.record.blocks import DamagedBlock
from collector.record.reader import Record, RecordError

_EXAMPLE = """\
example: the hot spots and top oil of two days, a row every 15 minutes, with local time beside UTC

  windingd export /var/lib/windingd/record.sqlite \\
      --points 'T1.*.hot_spot_c,T1.top_oil_c' \\
      --from 2026-07-12 --to 2026-07-14 --resolution 15m \\
      --station-time Europe/London --output july.csv

A row is an interval, stamped with its start. A point X has four columns: X, the mean (of a number of
things or a state: the last value), X.min, X.max and X.quality. An empty cell means no value. The CSV
is a trace that windingd replay reads. RECORD may be the live file or a copy of it (with the -wal file
beside it, if there is one).
"""


def add(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EXAMPLE
    parser.add_argument(
        "record", type=Path, metavar="RECORD", help="record.sqlite, or the directory it lies in"
    )
    parser.add_argument("--points", default="*", help="ids or patterns, separated by commas (default: all)")
    parser.add_argument("--from", dest="start", metavar="TIME", help="first interval (default: the oldest)")
    parser.add_argument("--to", dest="end", metavar="TIME", help="up to, not including (default: the newest)")
    parser.add_argument("--resolution", default="recorded", help="1m, 15m, 1h, 1d, or recorded (the default)")
    parser.add_argument(
        "--format", choices=("csv", "jsonl", "parquet"), help="default: by the file's suffix, or csv"
    )
    parser.add_argument("--output", default="-", metavar="FILE", help="- is standard output (the default)")
    parser.add_argument(
        "--station-time", metavar="ZONE", help="adds local time; also how --from and --to are read"
    )
    parser.add_argument("--list", action="store_true", help="print the points in the record and exit")


def run(args: argparse.Namespace) -> int:
    path = args.record / "record.sqlite" if args.record.is_dir() else args.record
    try:
        with Record(path) as record:
            if record.notice:
                print(f"note: {record.notice}", file=sys.stderr)
            return _list(record) if args.list else _export(record, args)
    except export.ExportError as problem:
        raise Failure(str(problem), EX_USAGE) from None
    except RecordError as problem:
        raise Failure(str(problem), EX_OTHER) from None
    except (sqlite3.DatabaseError, DamagedBlock) as problem:
        raise Failure(f"{path}: damaged ({problem}); other points or periods may still be readable") from None
    except BrokenPipeError:
        # The reader of our output has seen enough; Python must not complain again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as problem:
        raise Failure(f"{problem.filename or args.output}: {problem.strerror}", EX_OTHER) from None


def _list(record: Record) -> int:
    for p in record.points():
        print(f"{p.id}\t{p.unit or '-'}\t{p.type}\t{p.meaning}")
    return 0


def _export(record: Record, args: argparse.Namespace) -> int:
    zone = export.parse_zone(args.station_time) if args.station_time else None
    span = record.span()
    if span is None:
        raise export.ExportError(
            f"{record.path} holds no history yet (the first interval ends after history_s)"
        )
    start = export.parse_time(args.start, zone) if args.start else 0
    end = export.parse_time(args.end, zone) if args.end else span[1]
    if args.start and args.end and end <= start:
        raise export.ExportError(f"--to {args.end} is not after --from {args.start}")
    if end <= span[0] or start >= span[1]:
        raise export.ExportError(
            f"nothing recorded then (the record holds {export.utc(span[0])} to {export.utc(span[1])})"
        )
    patterns = [word.strip() for word in args.points.split(",") if word.strip()]
    if not patterns:
        raise export.ExportError("--points names none (give ids or patterns; --list shows them)")
    points = export.choose(record, patterns)
    wanted = export.Wanted(points, start, end, export.parse_resolution(args.resolution), zone)
    fast = sorted({run.rate for run in record.runs() if run.rate != 1.0})
    if fast:
        rates = ", ".join(f"{rate:g}" for rate in fast)
        print(f"note: the record holds accelerated runs (rate {rates}), not real time", file=sys.stderr)
    kind = args.format or {".jsonl": "jsonl", ".parquet": "parquet"}.get(Path(args.output).suffix, "csv")
    with _sink(kind, args.output, wanted) as sink, _bar() as progress:
        rows = export.export(record, wanted, sink, progress)
    print(f"{rows} rows, {len(points)} points", file=sys.stderr)
    return 0


@contextmanager
def _sink(kind: str, output: str, wanted: export.Wanted) -> Iterator[export.Sink]:
    """The file appears under its name only when it is whole."""
    binary = kind == "parquet"
    if output == "-":
        if binary and sys.stdout.isatty():
            raise export.ExportError("Parquet is not for a terminal (give --output FILE)")
        stream: IO[Any] = sys.stdout.buffer if binary else sys.stdout
        sink = _make(kind, stream, wanted)
        yield sink
        sink.close()
        return
    with (
        whole_file(Path(output)) as part,
        part.open("wb") if binary else part.open("w", encoding="utf-8", newline="") as file,
    ):
        sink = _make(kind, file, wanted)
        yield sink
        sink.close()


def _make(kind: str, file: IO[Any], wanted: export.Wanted) -> export.Sink:
    make: dict[str, Callable[[IO[Any], export.Wanted], export.Sink]] = {
        "csv": export.CsvSink,
        "jsonl": export.JsonSink,
        "parquet": export.ParquetSink,
    }
    return make[kind](file, wanted)


@contextmanager
def _bar() -> Iterator[Callable[[float], None] | None]:
    """A progress bar on a terminal (standard error), nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("exporting"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("export", total=1.0)
        yield lambda done: bar.update(task, completed=done)
