"""Runs a trace through the step: rows in, outcomes out. Closed loop: relays follow the decisions."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from fnmatch import fnmatchcase
from typing import TextIO

from collector import engine
from collector.messages import Inputs, Outcome, RelayStatus, Value
from collector.points import Point, catalogue
from collector.quality import GOOD, Detail, Reading, invalid
from collector.replay.trace import Row
from collector.settings.model import Settings

#: A trace's first row is put at this monotonic time [ns], so that no age or timer is ever negative.
START_NS = 10**15


def readings_of(row: Row, mono_ns: int) -> dict[str, Reading]:
    """A row's cells as readings taken at `mono_ns`; an empty cell is a missing reading."""
    missing = invalid(Detail.FAILURE)
    return {
        name: Reading(value, GOOD, mono_ns, "", "replay")
        if value is not None
        else Reading(None, missing, mono_ns, "empty cell in the trace", "replay")
        for name, value in row.values.items()
    }


def steps(
    settings: Settings, settings_hash: str, columns: Sequence[str], rows: Iterable[Row]
) -> Iterator[tuple[Row, Outcome]]:
    """(row, outcome) of each row. Stages without a feedback column run as soon as they are called."""
    fed_back = any(column.endswith(".feedback") for column in columns)
    plan = engine.build(settings, settings_hash, assume_running_as_called=not fed_back)
    state = engine.initial(plan)
    relays: dict[str, RelayStatus] = {}
    first: int | None = None
    for row in rows:
        first = row.wall_ns if first is None else first
        mono_ns = START_NS + row.wall_ns - first
        inputs = Inputs(
            mono_ns=mono_ns,
            readings=readings_of(row, mono_ns),
            relays={output: RelayStatus(status.energised, mono_ns) for output, status in relays.items()},
            settings_hash=settings_hash,
        )
        state, outcome = engine.step(state, plan, inputs)
        relays = {output: RelayStatus(on, mono_ns) for output, on in outcome.decision.energise.items()}
        yield row, outcome


def _cell(point: Point, value: Value) -> str:
    shown = value.value
    if shown is None:
        return ""
    if point.declared.type == "enum":
        words = point.declared.words
        return words[int(shown)] if int(shown) < len(words) else str(shown)
    if isinstance(shown, bool):
        return "1" if shown else "0"
    return repr(shown) if isinstance(shown, float) else str(shown)


def write_csv(
    settings: Settings,
    results: Iterable[tuple[Row, Outcome]],
    output: TextIO,
    patterns: Sequence[str] = ("*",),
) -> int:
    """Write results as CSV: `time` as in the trace, then each point and its quality. Returns the row count.

    Floats are written so that they read back to the same bits.
    """
    points = [p for p in catalogue(settings) if any(fnmatchcase(p.id, pattern) for pattern in patterns)]
    writer = csv.writer(output, lineterminator="\n")
    header = ["time"]
    for point in points:
        header += [point.id, f"{point.id}.quality"]
    writer.writerow(header)
    count = 0
    absent = Value(None, invalid(Detail.FAILURE))
    for row, outcome in results:
        cells = [row.time]
        for point in points:
            value = outcome.values.get(point.id, absent)
            cells += [_cell(point, value), str(value.quality)]
        writer.writerow(cells)
        count += 1
    return count
