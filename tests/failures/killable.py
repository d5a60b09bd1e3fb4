"""``windingd run`` that ends itself by SIGKILL at a named point; a process of its own for the kill test.

KILL_AT names the point, KILL_SKIP how often it is passed before. Points outside the start are armed by
the file KILL_FLAG. KILL_GO: import everything, then wait for this file. KILL_LOG gets one line with the
point and the moment, just before. KILL_BREAK=gap, for the control: a restart goes on as if no time had
passed.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import sys
import time
from pathlib import Path
from typing import Any

from collector import daemon as daemon_module
from collector import engine
from collector.commands.main import main
from collector.daemon import Daemon
from collector.field import Field
from collector.field.link import LinkTask
from collector.field.relays import Bank
from collector.field.transport import Connection
from collector.record import writer
from collector.record.recorder import Recorder

WRITES = (5, 15)
AT = os.environ.get("KILL_AT", "")
FLAG, LOG = Path(os.environ["KILL_FLAG"]), Path(os.environ["KILL_LOG"])
skip = int(os.environ.get("KILL_SKIP", "0"))


def point(name: str) -> None:
    global skip
    if name != AT or not (name.startswith("start") or FLAG.exists()):
        return
    if skip > 0:
        skip -= 1
        return
    with LOG.open("a", encoding="utf-8") as log:
        log.write(json.dumps({"point": name, "mono_ns": time.monotonic_ns()}) + "\n")
    os.kill(os.getpid(), signal.SIGKILL)


def around(owner: Any, name: str, before: str = "", after: str = "", when: Any = lambda *a: True) -> None:
    """Points before and after a call of owner.name, if its arguments are as wanted."""
    call = getattr(owner, name)

    def passed(*a: Any, **k: Any) -> Any:
        wanted = when(*a)
        if before and wanted:
            point(before)
        result = call(*a, **k)
        if after and wanted:
            point(after)
        return result

    setattr(owner, name, passed)


class Mortal(sqlite3.Connection):
    """The record's connection with points around its commits."""

    def execute(self, sql: str, *rest: Any) -> sqlite3.Cursor:
        if sql == "COMMIT":
            point("commit: before COMMIT")
        done = super().execute(sql, *rest)
        if sql == "COMMIT":
            point("commit: after COMMIT, before anybody knows")
        elif sql.startswith("INSERT INTO journal"):
            point("commit: transaction open")
        return done


class Sqlite:
    """The sqlite3 module, with connections that have points."""

    def __getattr__(self, name: str) -> Any:
        return getattr(sqlite3, name)

    def connect(self, *a: Any, **k: Any) -> sqlite3.Connection:
        point("start: record being opened")
        return sqlite3.connect(*a, **k, factory=Mortal)


async def exchange(self: LinkTask, connection: Connection, unit: Any, request: Any) -> Any:
    if request.function not in WRITES:
        return await original_exchange(self, connection, unit, request)
    point("write: before a request to the relays")
    answer = await original_exchange(self, connection, unit, request)
    point("write: answered")
    return answer


def no_time_passed(boot: str, mono_ns: int, wall_ns: int, then: Any) -> engine.Gap:
    return engine.Gap(True, 0.0, mono_ns)


if os.environ.get("KILL_BREAK") == "gap":
    daemon_module.restart_gap = no_time_passed

around(Daemon, "__init__", before="start: before any file is opened")
around(Recorder, "load_checkpoint", after="start: checkpoint read")
around(Daemon, "_gather", after="start: first inputs gathered")
around(Bank, "took", after="start: outputs read for the first time")
around(Field, "offer", after="start: first decision made")
around(
    engine,
    "step",
    before="cycle: before the step",
    after="cycle: after the step, before its decision is offered",
)
around(Field, "offer", after="cycle: decision offered, nothing recorded")
around(Recorder, "put_checkpoint", after="cycle: checkpoint handed to the record")
around(
    Connection,
    "send",
    after="write: request sent, not answered",
    when=lambda self, frame: frame[7:8] in (b"\x05", b"\x0f"),
)
original_exchange = LinkTask._exchange
LinkTask._exchange = exchange  # type: ignore[method-assign]
writer.sqlite3 = Sqlite()  # type: ignore[attr-defined]

if __name__ == "__main__":
    assert daemon_module.engine is engine
    if go := os.environ.get("KILL_GO"):
        Path(f"{go}.ready").touch()
        while not Path(go).exists():
            time.sleep(0.002)
    sys.exit(main(sys.argv[1:]))
