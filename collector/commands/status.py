"""What the running daemon sees and does now.

  windingd status /etc/windingd/windingd.yaml
  windingd status station.yaml --json | jq '.values["T1.HV_A.hot_spot_c"]'

Exit status 1 when no daemon answers."""

from __future__ import annotations

import argparse
import json

from rich.console import Console

from collector.commands.common import add_settings, connect, load_or_fail
from collector.view import render


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument("--json", action="store_true", help="everything as one JSON object")


def run(args: argparse.Namespace) -> int:
    settings, _ = load_or_fail(args.settings)
    with connect(args.settings) as client:
        status = client.request(request="status")
    if args.json:
        print(json.dumps(status, indent=2))
    else:
        Console(highlight=False).print(render(settings, status))
    return 0
