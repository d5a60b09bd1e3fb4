"""Draws the transition tables and the alarm list as Markdown, from the very tables the step uses.

`python -m collector.control.tables FILE...` renews what stands between the markers of each file;
`--check` only says whether it is up to date. No rules here.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import TypeVar

from collector.control.alarms import ALARM_TABLE, KINDS, AlarmEvent, AlarmStatus
from collector.control.stages import CALL_TABLE, PROOF_TABLE, Call, CallEvent, Proof, ProofEvent

State = TypeVar("State", bound=Enum)
Event = TypeVar("Event", bound=Enum)


def _word(item: Enum) -> str:
    return item.word if isinstance(item, AlarmStatus) else str(item.value)


def grid(table: Mapping[tuple[State, Event], State], states: type[State], events: type[Event]) -> str:
    """One row per state, one column per event; "·" stays as it is, empty: cannot happen."""
    lines = ["| state | " + " | ".join(_word(e) for e in events) + " |", "|---" * (len(events) + 1) + "|"]
    for state in states:
        cells = []
        for event in events:
            new = table.get((state, event))
            cells.append("" if new is None else "·" if new is state else _word(new))
        lines.append(f"| **{_word(state)}** | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def alarm_list() -> str:
    lines = [
        "| alarm | priority | what is wrong | what windingd does | consequence | what to do | within |",
        "|---" * 7 + "|",
    ]
    for k in KINDS:
        name = f"{k.level}: {k.name}" + ("" if k.shelvable else " (not shelvable)")
        cells = (name, k.priority, k.what, k.did, k.consequence, k.action, f"{k.respond_min} min")
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def drawings() -> dict[str, str]:
    """Marker name -> Markdown."""
    return {
        "stage call": grid(CALL_TABLE, Call, CallEvent),
        "stage proof": grid(PROOF_TABLE, Proof, ProofEvent),
        "alarm states": grid(ALARM_TABLE, AlarmStatus, AlarmEvent),
        "alarm list": alarm_list(),
    }


def renewed(text: str) -> str:
    """`text` with everything between ``<!-- table: NAME -->`` and ``<!-- end -->`` drawn afresh.

    ValueError names a table that does not exist.
    """
    known = drawings()

    def draw(match: re.Match[str]) -> str:
        name = match[1].strip()
        if name not in known:
            raise ValueError(f"no table {name!r} (one of: {', '.join(known)})")
        return f"<!-- table: {name} -->\n{known[name]}\n<!-- end -->"

    return re.sub(r"<!-- table: (.*?) -->.*?<!-- end -->", draw, text, flags=re.DOTALL)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m collector.control.tables", description=__doc__)
    parser.add_argument("--check", action="store_true", help="change nothing; status 1 when not up to date")
    parser.add_argument("files", nargs="*", type=Path, help="Markdown files; none: print every table")
    given = parser.parse_args()
    if not given.files:
        for name, drawn in drawings().items():
            print(f"## {name}\n\n{drawn}\n")
        return 0
    old = [path for path in given.files if renewed(path.read_text("utf-8")) != path.read_text("utf-8")]
    for path in old:
        if given.check:
            print(f"{path}: tables are not up to date (run without --check)")
        else:
            path.write_text(renewed(path.read_text("utf-8")), "utf-8")
    return 1 if given.check and old else 0


if __name__ == "__main__":
    raise SystemExit(main())
