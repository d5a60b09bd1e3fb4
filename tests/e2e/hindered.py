"""``windingd run`` with one thing hindered or broken on purpose; a process of its own for the tests.

HINDER_FLAG: a file; once it exists, what HINDER names happens:
  decide  only the decision task stops, polling goes on
  loop    the event loop hangs in a blocking call
BREAK: a mechanism taken out from the start, to show that the test would notice:
  age     a decision never gets too old
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
from pathlib import Path

from collector.commands.main import main
from collector.daemon import Daemon
from collector.field.relays import Bank
from collector.messages import Decision

FLAG = Path(os.environ["HINDER_FLAG"])
HINDER = os.environ.get("HINDER", "")
BREAK = os.environ.get("BREAK", "")

cycle = Daemon._cycle



def hindered(self: Daemon) -> None:
    if FLAG.exists():
        if HINDER == "loop":
            time.sleep(3600)
        task = asyncio.current_task()
        assert task is not None
        raise asyncio.CancelledError  # the decision task ends here and is not started again
    cycle(self)


def always_fresh(self: Bank, decision: Decision, now_ns: int) -> bool:
    return True


def never_silent(self: Bank, now_ns: int) -> bool:
    return False


Daemon._cycle = hindered  # type: ignore[method-assign]
if BREAK == "age":
    Bank.fresh = always_fresh  # type: ignore[method-assign]
    Bank.silent = never_silent  # type: ignore[method-assign]

sys.exit(main(sys.argv[1:]))
