"""What several subcommands share: exit statuses, the failure that carries one, loading settings."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
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
        raise Failure(f"{count} fault{'s' if count != 1 else ''} in {path}; nothing was done", EX_CONFIG)
    return loaded.settings, loaded


def connect(path: Path) -> OperatorClient:
    """A client of the daemon that runs these settings; Failure when none answers."""
    settings, _ = load_or_fail(path)
    try:
        return OperatorClient(Path(settings.station.data_dir))
    except OperatorError as error:
        raise Failure(str(error)) from None


@contextmanager
def whole_file(final: Path) -> Iterator[Path]:
    """A path to write to; it becomes `final` only when the block ends well, so that nothing is lost.

    Failure when `final` is there and is no ordinary file: renaming would take a device's or a
    directory's place (for standard output the subcommands take ``-``).
    """
    if final.exists() and not final.is_file():
        raise Failure(f"{final} is not an ordinary file (name a file, or - for standard output)", EX_USAGE)
    part = final.with_name(final.name + ".part")
    try:
        yield part
        part.replace(final)
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
