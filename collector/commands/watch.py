"""Live terminal view of the running daemon; Ctrl-C ends it.

  windingd watch /etc/windingd/windingd.yaml

A value with ` ?` is questionable, with ` s` substituted, a dash is invalid."""

from __future__ import annotations

import argparse
import time

from rich.console import Console
from rich.live import Live

from collector.commands.common import add_settings, connect, load_or_fail
from collector.view import render


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument(
        "--every", type=float, default=1.0, metavar="S", help="seconds between pictures (default 1)"
    )


def run(args: argparse.Namespace) -> int:
    settings, _ = load_or_fail(args.settings)
    console = Console(highlight=False)
    with connect(args.settings) as client, Live(console=console, screen=console.is_terminal) as live:
        try:
            while True:
                height = console.height if console.is_terminal else None
                live.update(render(settings, client.request(request="status"), height=height), refresh=True)
                time.sleep(args.every)
        except KeyboardInterrupt:
            return 0
