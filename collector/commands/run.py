"""Run the daemon in the foreground, as systemd does.

  windingd run /etc/windingd/windingd.yaml

  windingd run --last-good /var/lib/windingd /etc/windingd/windingd.yaml
                                       bad settings: with the last good ones of that record, and an alarm

SIGTERM or Ctrl-C: every cooling relay is released (cooling runs), then it exits. SIGHUP: reload.
Logs go to standard error, one line each; --json gives JSON lines. A log that nobody takes delays nothing."""

from __future__ import annotations

import argparse
import atexit
import logging
import os
import sys
from collections.abc import MutableMapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import structlog
from structlog.typing import Processor

from collector.commands.common import EX_CONFIG, EX_USAGE, Failure, add_settings, load_or_fail
from collector.log_stream import LogStream, open_standard_descriptors
from collector.record.files import own_file
from collector.record.reader import Record, RecordError
from collector.record.recorder import FILE_NAME
from collector.replay.trace import parse_time
from collector.settings import Loaded, load, load_bytes

#: The settings that --last-good runs with, in the data directory.
LAST_GOOD = "last-good.yaml"
#: An exit gives the last lines so long to be taken, when somebody is slow to take them [s].
LAST_LINES_S = 0.5


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument("--json", action="store_true", help="log as JSON lines")
    parser.add_argument(
        "--last-good",
        type=Path,
        metavar="DATA_DIR",
        help="where SETTINGS has faults, run with the settings last in force by the record in DATA_DIR",
    )
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


def last_good(data_dir: Path, bad: Loaded) -> tuple[Loaded, str]:
    """The settings last in force by the record there, and in words why they are used.

    They are left beside the record as ``last-good.yaml``, for the subcommands: the file given is of no use
    to them. Failure: there are none.
    """
    for fault in bad.faults:
        print(fault, file=sys.stderr)
    try:
        with Record(data_dir / FILE_NAME) as record:
            found = record.settings_in_force()
    except RecordError as error:
        raise Failure(f"--last-good: {error}; nothing was done", EX_CONFIG) from None
    if found is None:
        raise Failure(f"--last-good: no settings in force in {data_dir}; nothing was done", EX_CONFIG)
    text, wall_ns = found
    loaded = load_bytes(text.encode(), f"settings of {data_dir}")
    if loaded.settings is None:
        raise Failure(
            f"--last-good: this version finds the settings of the record faulty, first: {loaded.faults[0]}; "
            "nothing was done",
            EX_CONFIG,
        )
    if Path(loaded.settings.station.data_dir).resolve() != data_dir.resolve():
        raise Failure(
            f"--last-good: the settings in {data_dir} belong to data_dir {loaded.settings.station.data_dir} "
            "(give that one); nothing was done",
            EX_CONFIG,
        )
    try:
        own_file(data_dir / LAST_GOOD)
        (data_dir / LAST_GOOD).write_text(text, encoding="utf-8")
    except OSError as error:
        print(f"windingd run: {LAST_GOOD} cannot be written: {error}", file=sys.stderr)
    until = datetime.fromtimestamp(wall_ns / 1e9, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return loaded, (
        f"started with the last good settings (in force until {until}, now {data_dir / LAST_GOOD}), because "
        f"of {len(bad.faults)} fault(s), first: {bad.faults[0]}"
    )


def run(args: argparse.Namespace) -> int:
    from collector import daemon

    log = set_up_logging(json_lines=args.json)
    loaded, refused = load(args.settings), ""
    if loaded.settings is None and args.last_good is not None:
        loaded, refused = last_good(args.last_good, loaded)
    elif loaded.settings is None:
        load_or_fail(args.settings)
    if refused:
        print(f"windingd run: {refused}", file=sys.stderr)
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
        return daemon.run(args.settings, loaded, args.rate, wall_ns, log, refused)
    except daemon.StartRefused as refusal:
        raise Failure(str(refusal)) from None
