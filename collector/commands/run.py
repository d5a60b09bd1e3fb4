"""Run the daemon in the foreground, as systemd does.

  windingd run /etc/windingd/windingd.yaml

SIGTERM or Ctrl-C: every cooling relay is released (cooling runs), then it exits. SIGHUP: reload.
Logs go to standard error, one line each; --json gives JSON lines. A log that nobody takes delays nothing."""

from __future__ import annotations

import argparse
import atexit
import logging
import os
import sys
from collections.abc import MutableMapping
from typing import Any

import structlog
from structlog.typing import Processor

from collector.commands.common import EX_USAGE, Failure, add_settings, load_or_fail
from collector.log_stream import LogStream, open_standard_descriptors
from collector.replay.trace import parse_time

#: An exit gives the last lines so long to be taken, when somebody is slow to take them [s].
LAST_LINES_S = 0.5


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


def set_up_logging(*, json_lines: bool) -> LogStream:
    """structlog to standard error; libraries' own warnings, and whatever is printed there, go the same way.

    Nothing of it can raise or wait: decisions must not depend on who reads the log.
    """
    open_standard_descriptors()
    colours = not json_lines and os.isatty(2)
    render = careful(
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        structlog.processors.JSONRenderer() if json_lines else structlog.dev.ConsoleRenderer(colors=colours),
    )

    def lost(lines: int) -> str:
        event = {"event": "log lines were lost: nobody took them", "lines": lines}
        return str(render(None, "warning", event))

    stream = LogStream(2, lost)
    sys.stderr = stream
    atexit.register(stream.drain, LAST_LINES_S)
    structlog.configure(processors=[render], logger_factory=structlog.WriteLoggerFactory(stream))  # type: ignore[arg-type]  # it writes, no more is asked
    logging.basicConfig(stream=stream, level=logging.WARNING, format="%(name)s: %(message)s")
    logging.getLogger("pymodbus").setLevel(
        logging.CRITICAL
    )  # every fault it meets is reported by the field itself
    return stream


def careful(*chain: Processor) -> Processor:
    """The processors in a row; what one of them raises becomes part of the line."""

    def render(logger: Any, method: str, event: MutableMapping[str, Any]) -> Any:
        told = event.get("event")
        done: Any = event
        try:
            for processor in chain:
                done = processor(logger, method, done)
        except Exception as problem:  # noqa: BLE001  a log line must never end what logs it
            return f"{method}: {told} (a detail cannot be shown: {type(problem).__name__})"
        return done

    return render


def run(args: argparse.Namespace) -> int:
    from collector import daemon

    log = set_up_logging(json_lines=args.json)
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
        return daemon.run(args.settings, loaded, args.rate, wall_ns, log)
    except daemon.StartRefused as refusal:
        raise Failure(str(refusal)) from None
