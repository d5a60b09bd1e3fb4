"""What several subcommands share: exit statuses, the failure that carries one, loading settings."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from collector.operator import OperatorClient, OperatorError
from collector.settings import Loaded, load
from collector.settings.model import Settings

EX_OK = 0
EX_OTHER = 1
EX_USAGE = 64
EX_CONFIG = 78


class Failure(Exception):
    """A failure with one clear sentence for a person and the exit status that goes with it."""

    def __init__(self, message: str, status: int = EX_OTHER) -> None:
        super().__init__(message)
        self.status = status


def add_settings(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("settings", type=Path, metavar="SETTINGS", help="settings file")


def load_or_fail(path: Path) -> tuple[Settings, Loaded]:
    """Settings without faults; otherwise every fault on standard error and a Failure (exit 78)."""
    loaded = load(path)
    if loaded.settings is None:
        for fault in loaded.faults:
            print(fault, file=sys.stderr)
        count = len(loaded.faults)
        raise Failure(f"{count} fault{'s' if count != 1 else ''} in {path}; nothing was started", EX_CONFIG)
    return loaded.settings, loaded


def connect(path: Path) -> OperatorClient:
    """A client of the daemon that runs these settings; Failure when none answers."""
    settings, _ = load_or_fail(path)
    try:
        return OperatorClient(Path(settings.station.data_dir))
    except OperatorError as error:
        raise Failure(str(error)) from None
