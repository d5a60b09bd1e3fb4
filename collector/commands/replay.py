"""Run a trace through the very step that runs live, so that anyone can check the physics from outside.

  windingd replay station.yaml --from trace.csv --to result.csv
  windingd replay station.yaml --from trace.csv --to - --points 'T1.*.hot_spot_c'

trace.csv: first column `time` (UTC, 2026-07-14T13:05:00Z), then measurement ids such as T1.top_oil_c,
T1.ambient_c, T1.HV_A.current_a, T1.stage1.feedback. An empty cell is a missing reading; a step change is
two rows 1 ms apart; without a feedback column a stage runs as soon as it is called.
result.csv: the same times, then every point with its quality beside it."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from collector.commands.common import EX_USAGE, Failure, add_settings, load_or_fail
from collector.points import catalogue
from collector.replay.run import steps, write_csv
from collector.replay.trace import Trace, TraceFault


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument("--from", dest="source", type=Path, required=True, metavar="TRACE.csv")
    parser.add_argument(
        "--to", dest="target", required=True, metavar="RESULT.csv", help="- for standard output"
    )
    parser.add_argument(
        "--points",
        action="append",
        metavar="PATTERN",
        help="only these points (may be repeated; * and ? match)",
    )


def run(args: argparse.Namespace) -> int:
    from fnmatch import fnmatchcase

    settings, loaded = load_or_fail(args.settings)
    patterns = args.points or ["*"]
    ids = [p.id for p in catalogue(settings)]
    for pattern in patterns:
        if not any(fnmatchcase(i, pattern) for i in ids):
            raise Failure(f"--points {pattern}: no such point (windingd points lists them)", EX_USAGE)
    try:
        trace = Trace(args.source, settings)
        results = steps(settings, loaded.hash, trace.columns, trace)
        if args.target == "-":
            write_csv(settings, results, sys.stdout, patterns)
            return 0
        # Written beside the target and renamed: a refused trace leaves an older result as it was.
        target = Path(args.target)
        partial = target.with_name(target.name + ".part")
        try:
            with partial.open("w", encoding="utf-8", newline="") as output:
                count = write_csv(settings, results, output, patterns)
            partial.replace(target)
        finally:
            partial.unlink(missing_ok=True)
    except TraceFault as fault:
        raise Failure(str(fault)) from None
    except OSError as error:
        raise Failure(f"{error.filename}: {error.strerror}") from None
    print(f"{count} rows replayed to {target}", file=sys.stderr)
    return 0
