"""Child processes of the record's tests. ``python record_child.py WHAT PATH``: see main()."""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
import time
from functools import partial
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


def acknowledge_too_early(path: Path) -> None:
    """The control of the kill test: says a row is safe as soon as it is handed over."""
    writer = Writer(path, SCHEMA, commit_s=3600.0)
    writer.start()
    writer.wait_durable(writer.put(("SELECT 1", ()), urgent=True) or 0, 30.0)  # the file is there
    for n in count(1):
        writer.put((INSERT, (n, "x")))
        print(n, flush=True)


def exit_held_by_thread(path: Path) -> None:
    """The control of the exit test: the same hang in a thread that is no daemon."""
    import threading

    threading.Thread(target=exit_while_hung, args=(path,)).start()
    threading.Thread(target=threading.Event().wait).start()


def record_for_ever(path: Path) -> None:
    """A recorder with a checkpoint at every step; prints the monotonic time of each durable one, once."""
    from record_station import Walk, recorder, settings

    s = settings(path, commit_s=0.5)
    r = recorder(s, rate=50.0)
    r.load_checkpoint()
    r.start()
    said = 0
    for inputs, outcome, wall_ns in Walk(s).steps(10**6):
        r.put(inputs, outcome, wall_ns)
        r.put_checkpoint(str(outcome.decision.sequence).encode(), inputs.mono_ns, wall_ns)
        durable = r.durable_checkpoint()
        if durable is not None and durable.mono_ns != said:
            said = durable.mono_ns
            print(outcome.decision.sequence, durable.data.decode(), flush=True)
        while r._writer.waiting > 1000:
            time.sleep(0.001)


class _Dying(sqlite3.Connection):
    """Kills its process after so many statements of a script that upgrades a file."""

    statements = 0
    transaction = True

    def executescript(self, script: str) -> sqlite3.Cursor:
        done = 0
        text = ""
        for line in script.splitlines(keepends=True):
            for part in line.replace(";", ";\0").split("\0"):
                text += part
                if not sqlite3.complete_statement(text):
                    continue
                statement, text = text, ""
                if not statement.strip(" \n;"):
                    continue
                if not self.transaction and statement.strip().startswith(("BEGIN", "COMMIT")):
                    continue
                self.execute(statement)
                done += 1
                if done == self.statements:
                    os.kill(os.getpid(), signal.SIGKILL)
        raise AssertionError(f"only {done} statements")


def die_in_upgrade(path: Path, *, transaction: bool = True) -> None:
    """Upgrade a record file and be killed after the n-th statement (third argument) of it."""
    from record_station import recorder, settings

    _Dying.statements, _Dying.transaction = int(sys.argv[3]), transaction
    connect = sqlite3.connect
    sqlite3.connect = lambda *a, **k: connect(*a, **{"factory": _Dying, **k})  # type: ignore[assignment]
    r = recorder(settings(path.parent, windings=1, stages=1), boot="boot-2")
    r.start()
    print("upgraded", r.stop(30.0), flush=True)


def main() -> None:
    what, path = sys.argv[1], Path(sys.argv[2])
    {
        "write": write_for_ever,
        "early": acknowledge_too_early,
        "lock": hold_lock,
        "hang": exit_while_hung,
        "held": exit_held_by_thread,
        "record": record_for_ever,
        "upgrade": die_in_upgrade,
        "upgrade-without-transaction": partial(die_in_upgrade, transaction=False),
    }[what](path)


if __name__ == "__main__":
    main()
