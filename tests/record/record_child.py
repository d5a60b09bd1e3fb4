"""Child processes of the record's tests. ``python record_child.py WHAT PATH``: see main()."""

from __future__ import annotations

import sqlite3
import sys
import time
from itertools import count
from pathlib import Path

from collector.record.writer import Writer

SCHEMA = ("CREATE TABLE t(n INTEGER PRIMARY KEY, text TEXT NOT NULL);",)
INSERT = "INSERT INTO t(n, text) VALUES(?, ?)"


def write_for_ever(path: Path) -> None:
    """Numbered rows without end; prints every number once it is acknowledged as durable."""

    def acknowledge(sequence: int) -> None:
        print(sequence, flush=True)

    writer = Writer(path, SCHEMA, commit_s=0.005, on_durable=acknowledge)
    writer.start()
    for n in count(1):
        while writer.waiting > 5000:
            time.sleep(0.001)
        writer.put((INSERT, (n, "x" * (n % 300))))


def hold_lock(path: Path) -> None:
    """Hold the file's write lock until killed; prints ``locked``."""
    conn = sqlite3.connect(path, isolation_level=None)
    conn.execute("BEGIN EXCLUSIVE")
    print("locked", flush=True)
    sys.stdin.read()


def exit_while_hung(path: Path) -> None:
    """A writer whose commit never returns, and a main thread that wants to go home."""
    import threading

    entered = threading.Event()

    def hang(_: sqlite3.Connection) -> None:
        entered.set()
        threading.Event().wait()

    writer = Writer(path, SCHEMA, commit_s=0.01)
    writer.start()
    writer.put(hang)
    entered.wait()
    print("stopped", writer.stop(0.05), flush=True)


def main() -> None:
    what, path = sys.argv[1], Path(sys.argv[2])
    {"write": write_for_ever, "lock": hold_lock, "hang": exit_while_hung}[what](path)


if __name__ == "__main__":
    main()
