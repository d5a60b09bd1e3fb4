"""Rows of a trace through the step, and the result as CSV. Closed loop: relays follow the decisions."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from fnmatch import fnmatchcase
from typing import TextIO

from collector.messages import Outcome, Value
from collector.points import Point, catalogue
from collector.quality import Detail, invalid
from collector.replay import lanes
from collector.replay.trace import Row
from collector.settings.model import Settings

_ABSENT = Value(None, invalid(Detail.FAILURE))


def steps(
    settings: Settings, settings_hash: str, columns: Sequence[str], rows: Iterable[Row]
) -> Iterator[tuple[Row, Outcome]]:
    """(row, outcome) of each row. A stage without a feedback column runs as soon as it is called."""
    lane = lanes.Lane("", settings, settings_hash)
    for done in lanes.run([lane], columns, rows):
        yield done.row, done.outcome


def lane_outcome(outcome: Outcome, lane: int, points: Sequence[str]) -> Outcome:
    """One lane's values under the points' own ids."""
    found = {p: outcome.values.get(lanes.name(p, lane), _ABSENT) for p in points}
    return Outcome(outcome.decision, found, outcome.events)


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
    for row, outcome in results:
        cells = [row.time]
        for point in points:
            value = outcome.values.get(point.id, _ABSENT)
            cells += [_cell(point, value), str(value.quality)]
        writer.writerow(cells)
        count += 1
    return count
