"""What the failure tests have seen, and the document that is written from it.

Measured times are station seconds. Nothing here judges: a test that records has already passed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hindered import BREAKS

DOCUMENT = Path(__file__).parents[2] / "docs" / "failures.md"
_LONG_TITLE = "\n## The long proof of row 13: `--kills 200`\n"
#: What the last long run of the kill test has found.
LONG_RESULT = Path(__file__).with_name("long_kills.json")

#: The failure table: row -> (failure, what must happen).
ROWS: dict[int, tuple[str, str]] = {
    1: ("the program is killed", "the relay module's own timeout releases the outputs: every stage runs"),
    2: (
        "the event loop hangs, or only the decision task stops while polling lives",
        "no request of any kind goes to the module, its outputs release; the watchdog is not fed, a "
        "restarted "
        "daemon decides again",
    ),
    3: (
        "top oil open, short, out of range, frozen, jumping, stale",
        "every stage of that transformer runs; the oil is estimated, substituted, without a jump; alarm",
    ),
    4: (
        "a CT current missing or implausible",
        "every stage runs; the load is assumed, at least rated while the neighbours carry load; alarm",
    ),
    5: (
        "link to the sensors lost, slow, flapping",
        "as 3 and 4; no more contactor starts than the flapping rule allows, then released until "
        "acknowledged",
    ),
    6: (
        "link to the relay module lost, flapping",
        "released by the module itself; alarm; the flapping rule on return",
    ),
    7: (
        "a write is acknowledged but reads back different; another master writes",
        "alarm; written again; the stage counts by its feedback",
    ),
    8: (
        "a stage is called, no feedback (selector, breaker, contactor, motor)",
        "an alarm by name; the stage stays called and the next one is called too",
    ),
    9: (
        "broker lost for minutes or weeks; a PUBACK lost",
        "control untouched; the backlog arrives in order, complete up to its limit, and what is dropped is "
        "counted and told; a repeat carries the same (boot, sequence)",
    ),
    10: (
        "disk full, read-only, locked, hung; database damaged",
        "control untouched; alarm; a damaged file is set aside and a new one begun",
    ),
    11: (
        "bad settings at the start, at a reload",
        "exit status 78 and no link opened; the old settings stay and an alarm says so",
    ),
    12: (
        "the wall clock steps either way, or starts in 1970",
        "model and timers untouched; event; time quality; order kept",
    ),
    13: ("power cut at any moment", "the restart rule; every accepted record is there"),
    14: ("a second instance", "refuses to start; the first goes on"),
    15: (
        "a hostile or broken client on the SCADA port or the operator socket",
        "refused, bounded, logged; nothing else notices",
    ),
    16: (
        "the relay module takes writes slowly, one by one, or serves one request per connection",
        "every output that is to be released is released within a stated bound; requests and connections a "
        "second are bounded",
    ),
    17: (
        "the program or the machine stalls for seconds, then goes on",
        "nothing is held off on readings from before; every stage runs until all that control uses was read "
        "again",
    ),
    18: (
        "an RTU gateway puts a stale frame in front of an answer, or answers later than the time-out",
        "no value counts that the device did not mean for this request",
    ),
    19: (
        "a device reboots and reports zeros for a while",
        "they do not count before it has settled; nothing is held off on them",
    ),
    20: (
        "nobody takes the log: a reader that is gone or never reads, no room, closed",
        "decisions, refreshes and the watchdog go on; lost lines are counted and told",
    ),
    21: (
        "the relay module refuses writes, or acknowledges them and does nothing, while requests feed it",
        "an output that has not read back released within its bound: no request of any kind until the "
        "module's own timeout has released it; alarm",
    ),
    22: (
        "another master goes on writing the outputs",
        "the release is written again and again, and the module is never left unfed; alarm",
    ),
    23: (
        "an output that no setting names is energised: edited out of the settings, or another master's",
        "one that earlier settings used for cooling is released, no other is written; any other is an alarm",
    ),
    24: (
        "the relay module's own timeout is dead, though its register says that it is set",
        "found by the proof in service: alarm, and the module holds nothing off until somebody has confirmed "
        "it",
    ),
}


@dataclass(frozen=True)
class Seen:
    """One case of a row. detection_s: fault -> alarm at the subscriber; reaction_s: see `reaction`."""

    row: int
    case: str
    seen: str
    detection_s: float | None
    reaction_s: float | None
    test: str


@dataclass(frozen=True)
class Red:
    """A control: the mechanism taken out, and how the same check turned red."""

    row: int
    mechanism: str
    case: str
    said: str
    test: str


@dataclass
class Ledger:
    """Collects over a session. bind: the running test's name, for the fixture."""

    seen: list[Seen] = field(default_factory=list)
    red: list[Red] = field(default_factory=list)
    test: str = ""

    def note(
        self,
        row: int,
        case: str,
        seen: str,
        *,
        detection_s: float | None = None,
        reaction_s: float | None = None,
    ) -> None:
        self.seen.append(Seen(row, case, seen, detection_s, reaction_s, self.test))

    @contextmanager
    def judged(self, row: int, broken: str, case: str = "", why: str = "") -> Iterator[None]:
        """Run a check. With a mechanism taken out (`broken`) it must turn red: that is the control.

        why: what was taken out, when it is not one of hindered.BREAKS (e.g. the module's timeout).
        """
        try:
            yield
        except (AssertionError, TimeoutError) as error:
            if not broken:
                raise
            said = str(error).strip() or "it did not happen in time"
            said = said.splitlines()[0].removeprefix("AssertionError: ")
            self.red.append(Red(row, why or _doc(BREAKS[broken]), case, said, self.test))
        else:
            if broken:
                pytest.fail(
                    f"control {broken!r}: the mechanism was taken out, yet the check did not turn red"
                )

    def missing(self) -> list[int]:
        """Rows without a case or without a control."""
        done = {s.row for s in self.seen} & {r.row for r in self.red}
        return sorted(ROWS.keys() - done)

    def text(self) -> str:
        parts = [_HEAD.format(date=datetime.now(UTC).strftime("%Y-%m-%d")), self._at_a_glance()]
        for row, (failure, must) in ROWS.items():
            parts.append(f"\n## {row}. {failure[0].upper()}{failure[1:]}\n\nMust: {must}.\n")
            parts.append("| case | seen | detection [s] | reaction [s] | test |\n|---|---|--:|--:|---|")
            for s in (s for s in self.seen if s.row == row):
                parts.append(
                    f"| {_cell(s.case)} | {_cell(s.seen)} | {_figure(s.detection_s)} | "
                    f"{_figure(s.reaction_s)} | `{s.test}` |"
                )
            parts.append("\n| control: taken out on purpose | the same check says | test |\n|---|---|---|")
            for r in (r for r in self.red if r.row == row):
                case = f" ({r.case})" if r.case else ""
                parts.append(f"| {r.mechanism}{case} | red: {_cell(r.said)} | `{r.test}` |")
        return "\n".join(parts) + "\n" + long_section()

    def _at_a_glance(self) -> str:
        """One line per row: how much was tried, and the longest times."""
        lines = [
            "| row | failure | cases passed | controls turned red | detection at most [s] | "
            "reaction at most [s] |\n|--:|---|--:|--:|--:|--:|"
        ]
        for row, (failure, _) in ROWS.items():
            seen = [s for s in self.seen if s.row == row]
            red = [r for r in self.red if r.row == row]
            detection_s = max((s.detection_s for s in seen if s.detection_s is not None), default=None)
            reaction_s = max((s.reaction_s for s in seen if s.reaction_s is not None), default=None)
            lines.append(
                f"| {row} | {failure} | {len(seen)} | {len(red)} | {_figure(detection_s)} | "
                f"{_figure(reaction_s)} |"
            )
        return "\n".join(lines)


def long_section() -> str:
    """What the last long run of the kill test has found; empty before there was one."""
    if not LONG_RESULT.exists():
        return ""
    long = json.loads(LONG_RESULT.read_text())
    told = "\n".join(f"- {part}" for part in (*long["result"].split("; "), long["bridged"]))
    points = "\n".join(f"- {point}: {count}" for point, count in long["points"].items())
    return (
        f"{_LONG_TITLE}\n"
        f"On {long['date']}:\n\n{told}\n\nEvery kill with its moment stands in "
        f"`tests/failures/{LONG_RESULT.name}`. How often at which point:\n\n{points}\n"
    )


def renew_long_section() -> None:
    """Put the newest long run into the document; the rest of it stays as it is."""
    if DOCUMENT.exists():
        rest = DOCUMENT.read_text(encoding="utf-8").partition(_LONG_TITLE)[0]
        DOCUMENT.write_text(rest + long_section(), encoding="utf-8")


def _doc(function: Callable[[], None]) -> str:
    return (function.__doc__ or "").strip().rstrip(".")


def _cell(text: str) -> str:
    return " ".join(text.replace("|", "/").split())


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}"


_HEAD = """# The failure table

What happens to cooling, alarms and record when something breaks. This file is written by the tests
themselves (`pytest tests/failures --write-failure-table`), last on {date}, and only when every test has
passed and every row has a case and a control.

**How it is tested.** The daemon runs in a process of its own, on real sockets; simulated devices, broker
and subscriber are processes too. What stands under *seen* was taken from the relay module's own log, the
plant's log, the record file or an independent subscriber, never from the daemon's word alone.

**What a control is.** A check that cannot fail proves nothing. So for each row one mechanism is taken out
on purpose (in the daemon: `tests/hindered.py`, `tests/failures/killable.py`; in rows 1 and 6 in the
simulated relay module), and the same check must then turn red. What it said stands beside the control.

**Times** are station seconds. *Detection*: from the fault to the alarm at the subscriber (row 1: to the
broker's last will, row 12: to the event). *Reaction*: from the fault to the release of the cooling relay
in the module's log; where the module releases by its own timeout, from its last valid request to the
release (its timeout is 10 s unless said otherwise); in rows 9, 10 and 15, where control must not notice,
from a rise of the load to the start of stage 1 (pickup delay 4 s). Station time ran 20 to 60 times as
fast as real time while this was measured, on a busy machine of two cores: a scheduling delay of 0.1 s
real counts as 2 to 6 s here, so these figures are upper ones. Row 12 ran in real time. So did rows 16, 18,
19, 21 and 22, against devices on raw sockets that share no code with windingd (`tests/habits`; the module's
timeout is 7 or 8 s there, an input counts for 5 s): their *reaction* is from hot oil in the register to the
release of the last output, by that module's own log.
"""
