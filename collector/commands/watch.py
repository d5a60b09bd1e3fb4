"""Live terminal view of the running daemon; Ctrl-C ends it.

  windingd watch /etc/windingd/windingd.yaml

A value with ` ?` is questionable, with ` s` substituted, a dash is invalid. On a low screen the less
important is left out. When the daemon goes away it says so, and goes on when it is back."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from rich.console import Console, RenderableType
from rich.live import Live
from rich.text import Text

from collector.commands.common import add_settings, connect, load_or_fail
from collector.operator import OperatorClient, OperatorError
from collector.settings.model import Settings
from collector.view import render


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument(
        "--every", type=float, default=1.0, metavar="S", help="seconds between pictures (default 1)"
    )


def run(args: argparse.Namespace) -> int:
    settings, _ = load_or_fail(args.settings)
    connect(args.settings).close()  # at the start, nobody there is a failure
    console = Console(highlight=False)
    with Live(console=console, screen=console.is_terminal, auto_refresh=False) as live:
        try:
            while True:
                live.update(_picture(settings, console.height if console.is_terminal else None), refresh=True)
                time.sleep(max(0.1, args.every))
        except KeyboardInterrupt:
            return 0


def _picture(settings: Settings, height: int | None) -> RenderableType:
    try:
        with OperatorClient(Path(settings.station.data_dir)) as client:
            return render(settings, client.request(request="status"), height=height)
    except OperatorError as error:
        told = "Without windingd the relay modules release: every stage should be running."
        return Text.assemble((f"{error}\n\n", "bold red"), told)
