"""A report for a period as one self-contained HTML file, also from a copied record.

Two pages a transformer: hottest winding, peaks, plots of temperatures, load and stages, loss of life,
cooling, alarms, data quality. Print it to PDF from any browser (A4).
"""

from __future__ import annotations

import argparse
import sys
import time
from datetime import UTC
from pathlib import Path

from collector.commands.common import EX_OTHER, EX_USAGE, Failure, whole_file
from collector.record.export import ExportError, parse_time, parse_zone, utc
from collector.record.reader import Record, RecordError

_EXAMPLE = """\
example: July, with local times

  windingd report /var/lib/windingd/record.sqlite --from 2026-07-01 --to 2026-08-01 \\
      --station-time Europe/London --output july.html

Without --from and --to: the whole record, or its last 7 days. RECORD may be the live file or a copy
of it (with the -wal file beside it, if there is one). Needs matplotlib: pip install 'windingd[report]'.
"""


def add(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EXAMPLE
    parser.add_argument(
        "record", type=Path, metavar="RECORD", help="record.sqlite, or the directory it lies in"
    )
    parser.add_argument(
        "--transformer", action="append", default=[], metavar="ID", help="may be repeated (default: all)"
    )
    parser.add_argument("--from", dest="start", metavar="TIME", help="2026-07-01, or 2026-07-01T06:00:00Z")
    parser.add_argument("--to", dest="end", metavar="TIME", help="up to, not including (default: the newest)")
    parser.add_argument(
        "--station-time", metavar="ZONE", help="times in this zone, also how --from and --to are read"
    )
    parser.add_argument("--output", default="report.html", metavar="FILE", help="default: report.html")


def run(args: argparse.Namespace) -> int:
    from collector.report import ReportError, gather, render

    path = args.record / "record.sqlite" if args.record.is_dir() else args.record
    output = Path(args.output)
    try:
        zone = parse_zone(args.station_time) if args.station_time else None
        start = parse_time(args.start, zone) if args.start else None
        end = parse_time(args.end, zone) if args.end else None
        with Record(path) as record:
            facts = gather(record, start, end, args.transformer)
        page = render(facts, time.time_ns(), zone or UTC)
        with whole_file(output) as part:
            part.write_text(page, encoding="utf-8")
    except ExportError as problem:
        raise Failure(str(problem), EX_USAGE) from None
    except (ReportError, RecordError) as problem:
        raise Failure(str(problem), EX_OTHER) from None
    except OSError as problem:
        raise Failure(f"{problem.filename or output}: {problem.strerror}", EX_OTHER) from None
    for notice in facts.notices:
        print(f"note: {notice}", file=sys.stderr)
    if facts.rates:
        rates = ", ".join(f"{rate:g}" for rate in facts.rates)
        print(f"note: accelerated time (rate {rates}), not real; the report says so", file=sys.stderr)
    print(f"{output}: {utc(facts.start_ns)} to {utc(facts.end_ns)}, {len(page) / 1e6:.1f} MB")
    return 0
