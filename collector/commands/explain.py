"""Why a stage, an alarm, the cooling mode or a value was as it was, in plain sentences, from a record.

  windingd explain /var/lib/windingd T1.stage2 --at 2026-07-14T13:05:00Z
  windingd explain record.sqlite T1.alarm_top_oil_high
  windingd explain record.sqlite T1.mode --at 2026-07-14T13:05:00Z
  windingd explain record.sqlite T1.HV_A.current_a

RECORD is the data directory or a record file, live or copied. Without --at: the last recorded step. The
journal is replayed up to that time, so the values and limits told are the very ones the decision was taken
on; where the journal has gone, the recorded events tell what they kept."""

from __future__ import annotations

import argparse
import sqlite3
import sys
import zlib
from pathlib import Path

from collector.commands.common import EX_OK, EX_USAGE, Failure
from collector.explain import ExplainError, explain
from collector.record.blocks import DamagedBlock
from collector.record.reader import Record, RecordError
from collector.replay.trace import moment


def add(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("record", type=Path, metavar="RECORD", help="data directory or record.sqlite")
    parser.add_argument(
        "subject", metavar="SUBJECT", help="stage, alarm, T1.mode, measurement or any other point"
    )
    parser.add_argument("--at", metavar="TIME", help="2026-07-14T13:05:00Z (default: the last recorded step)")


def run(args: argparse.Namespace) -> int:
    try:
        at_ns = moment(args.at) if args.at else None
    except ValueError as error:
        raise Failure(f"--at: {error}", EX_USAGE) from None
    path = args.record / "record.sqlite" if args.record.is_dir() else args.record
    try:
        with Record(path) as record:
            if record.notice:
                print(f"note: {record.notice}", file=sys.stderr)
            for line in explain(record, args.subject, at_ns):
                print(line)
    except (RecordError, ExplainError) as error:
        raise Failure(str(error)) from None
    except (sqlite3.DatabaseError, zlib.error, DamagedBlock) as error:
        raise Failure(f"{path}: damaged ({error}); another time may still be readable (give --at)") from None
    return EX_OK
