"""Run the daemon in the foreground, as systemd does.

  windingd run /etc/windingd/windingd.yaml

SIGTERM or Ctrl-C: every cooling relay is released (cooling runs), then it exits. SIGHUP: reload.
Logs go to standard error, one line each; --json gives JSON lines."""

from __future__ import annotations

import argparse
import logging
import sys

import structlog

from collector.commands.common import Failure, add_settings, load_or_fail


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument("--json", action="store_true", help="log as JSON lines")
    parser.add_argument(
        "--rate",
        type=float,
        default=1.0,
        help="station seconds per real second; other than 1 only on loopback links (simulations)",
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
    settings, loaded = load_or_fail(args.settings)
    for remark in loaded.remarks:
        print(remark, file=sys.stderr)
    try:
        return daemon.run(args.settings, loaded, args.rate)
    except daemon.StartRefused as refusal:
        raise Failure(str(refusal)) from None
