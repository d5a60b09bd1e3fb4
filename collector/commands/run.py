"""Run the daemon in the foreground, as systemd does.

  windingd run /etc/windingd/windingd.yaml

SIGTERM or Ctrl-C: every cooling relay is released (cooling runs), then it exits. SIGHUP: reload.
Logs go to standard error, one line each; --json gives JSON lines."""

from __future__ import annotations

import argparse
import logging
import sys

import structlog

from collector.commands.common import EX_USAGE, Failure, add_settings, load_or_fail
from collector.replay.trace import parse_time


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument("--json", action="store_true", help="log as JSON lines")
    parser.add_argument(
        "--rate",
        type=float,
        default=1.0,
        help="station seconds per real second; other than 1 only on loopback links (simulations)",
    )
    parser.add_argument(
        "--wall-start",
        metavar="TIME",
        help="with --rate: the station's wall clock at the start (2026-07-14T12:00:00Z)",
    )


def set_up_logging(*, json_lines: bool) -> None:
    """structlog to standard error; libraries' own warnings go the same way."""
    renderer = (
        structlog.processors.JSONRenderer()
        if json_lines
        else structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(name)s: %(message)s")
    logging.getLogger("pymodbus").setLevel(
        logging.CRITICAL
    )  # every fault it meets is reported by the field itself


def run(args: argparse.Namespace) -> int:
    from collector import daemon

    set_up_logging(json_lines=args.json)
    _, loaded = load_or_fail(args.settings)
    for remark in loaded.remarks:
        print(remark, file=sys.stderr)
    wall_ns = None
    if args.wall_start is not None:
        if args.rate == 1.0:
            raise Failure("--wall-start goes with --rate", EX_USAGE)
        try:
            wall_ns = parse_time(args.wall_start)
        except ValueError as error:
            raise Failure(f"--wall-start: {error}", EX_USAGE) from None
    try:
        return daemon.run(args.settings, loaded, args.rate, wall_ns)
    except daemon.StartRefused as refusal:
        raise Failure(str(refusal)) from None
