"""`windingd SUB ...`: finds the subcommand and turns its result into an exit status.

0 fine, 64 wrong usage, 78 bad configuration, 1 anything else. Subcommands are imported only when
asked for, so that a missing extra never breaks the others.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from collector.commands.common import EX_USAGE, Failure

#: subcommand -> one line for the overview; the module of the same name has add(parser) and run(args).
SUBCOMMANDS = {
    "run": "run the daemon",
    "demo": "a simulated station on this machine: a hot afternoon in two minutes",
    "check": "list every fault of a settings file",
    "schema": "print the JSON schema of settings files, for an editor",
    "points": "print the points list for SCADA and MQTT",
    "status": "what the running daemon sees and does now",
    "watch": "live terminal view of the running daemon",
    "stages": "cooling stages: state, force on, hold off, prove at the cabinet",
    "inject": "set a published point to a test value, to prove it to SCADA",
    "replay": "run a recorded or written trace through the live step",
    "explain": "why a stage, alarm or mode was as it was",
    "export": "history to CSV, JSON lines or Parquet",
    "report": "a self-contained HTML report for a period",
    "heatrun": "settings from a factory temperature-rise report",
}


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        self.print_usage(sys.stderr)
        self.exit(EX_USAGE, f"{self.prog}: {message}\n")


def _overview() -> str:
    rows = "\n".join(f"  {name:9} {text}" for name, text in SUBCOMMANDS.items())
    return f"subcommands:\n{rows}\n\nwindingd SUB --help shows a worked example of each."


def main(argv: Sequence[str] | None = None) -> int:
    """Run one subcommand and return its exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    top = _Parser(
        prog="windingd",
        description="Winding hot-spot monitor and fail-safe cooling controller for power transformers.",
        epilog=_overview(),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="store_true", help="print the version and exit")
    top.add_argument("subcommand", nargs="?", choices=SUBCOMMANDS, metavar="SUB")
    head = top.parse_args(words[:1])
    if head.version:
        from importlib.metadata import version

        print(f"windingd {version('windingd')}")
        return 0
    if head.subcommand is None:
        top.print_help()
        return EX_USAGE
    module = importlib.import_module(f"collector.commands.{head.subcommand}")
    parser = _Parser(
        prog=f"windingd {head.subcommand}",
        description=(module.__doc__ or "").strip(),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    module.add(parser)
    args = parser.parse_args(words[1:])
    try:
        return int(module.run(args))
    except Failure as failure:
        print(f"windingd {head.subcommand}: {failure}", file=sys.stderr)
        return failure.status
    except KeyboardInterrupt:
        return 1
    except BrokenPipeError:  # the reader of our output (head, less) went away: nothing to complain about
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


if __name__ == "__main__":
    sys.exit(main())
