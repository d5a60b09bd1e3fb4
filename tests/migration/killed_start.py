"""``windingd run`` that ends itself by SIGKILL after so many statements on its record (first argument)."""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
from typing import Any

from collector.commands.main import main

left = int(sys.argv[1])


def counted() -> None:
    global left
    left -= 1
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)


class Mortal(sqlite3.Connection):
    """Dies after a statement, whoever gives it: before the commit, within the transaction, after it."""

    def execute(self, *a: Any) -> sqlite3.Cursor:
        done = super().execute(*a)
        counted()
        return done

    def executemany(self, *a: Any) -> sqlite3.Cursor:
        done = super().executemany(*a)
        counted()
        return done

    def executescript(self, script: str) -> sqlite3.Cursor:
        done = super().executescript(script)
        counted()
        return done


connect = sqlite3.connect
sqlite3.connect = lambda *a, **k: connect(*a, **{"factory": Mortal, **k})  # type: ignore[assignment]
sys.exit(main(["run", *sys.argv[2:]]))
