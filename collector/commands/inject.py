"""Set a published point to a test value, to prove it to SCADA and to MQTT subscribers.

  windingd inject station.yaml T1.HV_A.hot_spot_c 111.1 --minutes 5
  windingd inject station.yaml T1.HV_A.hot_spot_c --end
  windingd inject station.yaml --end

The value goes out with quality good,substituted,test. Control, alarms and record never see it."""

from __future__ import annotations

import argparse

from collector.commands.common import EX_USAGE, Failure, add_settings, connect
from collector.operator import OperatorError


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument("point", nargs="?", help="point id, as `windingd points` lists it")
    parser.add_argument("value", nargs="?", help="a number, true/false, or an enum's word")
    parser.add_argument("--minutes", type=float, default=5.0, help="how long it stands (default 5)")
    parser.add_argument("--end", action="store_true", help="end this point's test value, or all of them")


def run(args: argparse.Namespace) -> int:
    if args.end == (args.value is not None) or (args.value is None and not args.end):
        raise Failure("give a POINT and a VALUE, or --end", EX_USAGE)
    with connect(args.settings) as client:
        try:
            answer = client.request(
                request="inject", point=args.point, value=args.value, minutes=args.minutes
            )
        except OperatorError as error:
            raise Failure(str(error)) from None
    if args.end:
        print(f"ended: {args.point or 'every test value'}")
    else:
        print(f"{answer['injected']} = {answer['value']} (test) for {answer['minutes']:g} min")
    return 0
