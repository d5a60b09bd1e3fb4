"""What the running daemon sees and does now; its alarms, and what an operator may do about them.

  windingd status /etc/windingd/windingd.yaml
  windingd status station.yaml --json | jq '.values["T1.HV_A.hot_spot_c"]'
  windingd status station.yaml --alarms                   what is wrong, what windingd did, what to do
  windingd status station.yaml --acknowledge T1.top_oil_lost      (or: all)
  windingd status station.yaml --shelve T1.stage1.no_feedback --minutes 60
  windingd status station.yaml --substitute T1.ambient_c 31.5 --minutes 60
  windingd status station.yaml --reset-peaks T1
  windingd status station.yaml --expect-load T1 1.3 --after 60 --minutes 240    cool before it comes
  windingd status station.yaml --end-expect-load T1
  windingd status station.yaml --loading                  how much load may be held, and for how long
  windingd status station.yaml --loading T1 --forecast tomorrow.csv
  windingd status station.yaml --correct-life T1.HV_A 0 --why "rewound, works order 4711"
  windingd status station.yaml --loading T1 --day shape.csv   how high the peak of such a day may be

Acknowledging or shelving never changes cooling. A substituted value or an expected load may add cooling,
never take it away. It is in pu of the mode with most cooling; a dispatch system may announce it.
Every command is recorded with who gave it. Exit status 1 when no daemon answers or a command is refused."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path

from rich.console import Console

from collector.commands.common import EX_OK, EX_USAGE, Failure, add_settings, connect, load_or_fail
from collector.commands.stages import give
from collector.messages import CommandKind
from collector.operator import OperatorError
from collector.points import catalogue
from collector.settings.model import Settings

_ON_ALARMS: tuple[CommandKind, ...] = ("acknowledge", "shelve", "unshelve", "out_of_service", "in_service")
_TIMED = ("shelve", "substitute", "expect_load")


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--json", action="store_true", help="everything as one JSON object")
    what.add_argument("--alarms", action="store_true", help="standing alarms in full, first-out first")
    what.add_argument("--acknowledge", metavar="ALARM", help="one alarm, or all")
    what.add_argument("--shelve", metavar="ALARM", help="put aside for --minutes; it comes back by itself")
    what.add_argument("--unshelve", metavar="ALARM")
    what.add_argument("--out-of-service", metavar="ALARM", help="until --in-service")
    what.add_argument("--in-service", metavar="ALARM")
    what.add_argument(
        "--substitute",
        nargs=2,
        metavar=("MEASUREMENT", "VALUE"),
        help="use VALUE where it is higher, for --minutes",
    )
    what.add_argument("--end-substitute", metavar="MEASUREMENT")
    what.add_argument(
        "--confirm-reading",
        metavar="MEASUREMENT",
        help="a lost temperature that reads well but fits nothing counts again, on your word",
    )
    what.add_argument(
        "--expect-load",
        nargs=2,
        metavar=("TRANSFORMER", "PU"),
        help="a load to come --after so long, for --minutes: stages that it would call start before it",
    )
    what.add_argument("--end-expect-load", metavar="TRANSFORMER", help="it does not come, or is over")
    what.add_argument(
        "--correct-life",
        nargs=2,
        metavar=("WINDING", "HOURS"),
        help="set its loss of life (T1.HV_A 0 after a rewind), with --why; the old figure is recorded",
    )
    what.add_argument("--reset-peaks", metavar="TRANSFORMER", help="the old peaks are kept in the record")
    what.add_argument(
        "--loading",
        nargs="?",
        const="",
        metavar="TRANSFORMER",
        help="permissible loading under every limit set; without TRANSFORMER of all",
    )
    parser.add_argument(
        "--forecast",
        type=Path,
        metavar="FILE.csv",
        help="with --loading: time,load_pu,ambient_c to come, from before now on",
    )
    parser.add_argument(
        "--day",
        type=Path,
        metavar="FILE.csv",
        help="with --loading: hour,load of a day that repeats; how high its peak may be",
    )
    parser.add_argument("--why", metavar="TEXT", help="with --correct-life: for the record")
    parser.add_argument("--minutes", type=float, metavar="M")
    parser.add_argument(
        "--after", type=float, metavar="M", help="with --expect-load: minutes until it begins (0: now)"
    )


def run(args: argparse.Namespace) -> int:
    timed = any(getattr(args, option) for option in _TIMED)
    if timed != (args.minutes is not None):
        raise Failure(
            "--minutes goes with --shelve, --substitute or --expect-load, and they need it", EX_USAGE
        )
    if args.after is not None and not args.expect_load:
        raise Failure("--after goes with --expect-load", EX_USAGE)
    if (args.why is not None) != (args.correct_life is not None):
        raise Failure("--why goes with --correct-life, and that needs it", EX_USAGE)
    if args.forecast is not None and args.loading is None:
        raise Failure("--forecast goes with --loading", EX_USAGE)
    if args.day is not None and args.loading is None:
        raise Failure("--day goes with --loading", EX_USAGE)
    settings, _ = load_or_fail(args.settings)
    if args.loading is not None:
        return _loading(args)
    command = _command(args, settings)
    with connect(args.settings) as client:
        if command is not None:
            kind, target, value = command
            return give(
                client, settings, kind, target, minutes=args.minutes, value=value, after_min=args.after,
                why=args.why,
            )
        try:
            status = client.request(request="status")
        except OperatorError as error:
            raise Failure(str(error)) from None
    if args.json:
        print(json.dumps(status, indent=2))
        return EX_OK
    from collector.technician import tables
    from collector.view import render

    picture = tables.alarms_picture(settings, status) if args.alarms else render(settings, status)
    Console(highlight=False).print(picture)
    return EX_OK


def _loading(args: argparse.Namespace) -> int:
    from collector.technician import loading_view

    try:
        forecast = None if args.forecast is None else loading_view.read_forecast(args.forecast)
        day = None if args.day is None else loading_view.read_day(args.day)
        with connect(args.settings) as client:
            wanted = args.loading or None
            found = client.request(request="loading", transformer=wanted, forecast=forecast, day=day)
    except (loading_view.ForecastFault, OperatorError) as error:
        raise Failure(str(error)) from None
    Console(highlight=False).print(loading_view.picture(found["transformers"]))
    return EX_OK


def _command(args: argparse.Namespace, settings: Settings) -> tuple[CommandKind, str, float | None] | None:
    for kind in _ON_ALARMS:
        if given := getattr(args, kind):
            return kind, given if (kind, given) == ("acknowledge", "all") else alarm_id(settings, given), None
    if args.substitute:
        measurement, text = args.substitute
        value = _number(text, f"--substitute {measurement} {text}: VALUE is a number, in the unit of its id")
        return "substitute", measurement, value
    if args.expect_load:
        transformer, text = args.expect_load
        value = _number(
            text, f"--expect-load {transformer} {text}: PU is a number, of the mode with most cooling"
        )
        return "expect_load", transformer, value
    if args.end_expect_load:
        return "end_expect_load", args.end_expect_load, None
    if args.end_substitute:
        return "end_substitute", args.end_substitute, None
    if args.confirm_reading:
        return "confirm_reading", args.confirm_reading, None
    if args.correct_life:
        winding, text = args.correct_life
        value = _number(text, f"--correct-life {winding} {text}: HOURS is a number")
        return "correct_life", winding, value
    if args.reset_peaks:
        return "reset_peaks", args.reset_peaks, None
    return None


def _number(text: str, wrong: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise Failure(wrong, EX_USAGE)
    return value


def alarm_id(settings: Settings, name: str) -> str:
    """`T1.alarm_top_oil_lost` for that or for `T1.top_oil_lost`, as views show it. Failure names some."""
    owner, _, last = name.rpartition(".")
    wanted = name if last.startswith("alarm_") else f"{owner}.alarm_{last}"
    ids = [p.id for p in catalogue(settings) if ".alarm_" in p.id]
    if wanted not in ids:
        near = [i.replace("alarm_", "") for i in ids if owner and i.startswith(f"{owner}.alarm_")]
        hint = (
            f"{owner} has {', '.join(i.rpartition('.')[2] for i in near)}"
            if near
            else "windingd status --alarms lists them"
        )
        raise Failure(f"{name}: no such alarm ({hint})", EX_USAGE)
    return wanted
