"""What several subcommands share: exit statuses, the failure that carries one, loading settings."""

from __future__ import annotations

import sys
from pathlib import Path

EX_OK = 0
EX_OTHER = 1
EX_USAGE = 64
EX_CONFIG = 78


class Failure(Exception):
    """A failure with one clear sentence for a person and the exit status that goes with it."""

    def __init__(self, message: str, status: int = EX_OTHER) -> None:
        super().__init__(message)
        self.status = status
