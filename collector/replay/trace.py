"""A CSV trace: first column `time`, then measurement ids. Read rightly or refused, never guessed.

Every refusal names file, line and column and says what would be right.
"""

from __future__ import annotations

import csv
import difflib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from collector.points import measurements
from collector.settings.model import Settings

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class TraceFault(Exception):
    """A trace that cannot be read rightly; the text is ``FILE:LINE: column: what (what would be right)``."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row. time: the cell as written. wall_ns: UTC [ns]. values: id -> value, None for an empty cell."""

    line: int
    time: str
    wall_ns: int
    values: dict[str, float | None]


def parse_time(text: str) -> int:
    """UTC nanoseconds of an ISO 8601 time with `Z` or an offset. ValueError says what would be right."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a time (write 2026-07-14T13:05:00Z)") from None
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no time zone, so it may be local time (write {text}Z if it is UTC)")
    delta = moment - EPOCH
    return (delta.days * 86400 + delta.seconds) * 10**9 + delta.microseconds * 1000


class Trace:
    """An opened trace; iterate to get its rows, each checked as it is read.

    columns: the measurement ids of the header. TraceFault at opening for the header, at iteration for a row.
    """

    def __init__(self, path: Path, settings: Settings) -> None:
        self.path = path
        self._known = {m.id for m in measurements(settings)} | {
            f"{t.id}.{w.id}.current_a" for t in settings.transformers for w in t.windings
        }
        # A trace may prove a stage's running although no feedback is wired.
        self._known |= {f"{t.id}.{s.id}.feedback" for t in settings.transformers for s in t.stages}
        self.columns = self._header()

    def _fault(self, line: int, column: str, message: str) -> TraceFault:
        return TraceFault(f"{self.path}:{line}: {column}: {message}")

    def _header(self) -> list[str]:
        try:
            with self.path.open(encoding="utf-8-sig", newline="") as file:  # a byte-order mark is passed over
                first = file.readline()
        except OSError as error:
            raise self._fault(1, "file", f"cannot be read: {error.strerror}") from None
        except UnicodeDecodeError:
            raise self._fault(1, "file", "is not UTF-8 text (save it as UTF-8 CSV)") from None
        for other, name in ((";", "semicolons"), ("\t", "tabs")):
            if other in first and "," not in first:
                raise self._fault(
                    1, "header", f"cells are separated by {name} (separate by commas, decimal point)"
                )
        names = next(csv.reader([first]), [])
        names = [name.strip() for name in names]
        if not names or names[0] != "time":
            shown = names[0] if names else "nothing"
            raise self._fault(1, shown or "(empty)", "the first column must be `time`")
        seen: set[str] = set()
        for name in names[1:]:
            if name in seen:
                raise self._fault(1, name, "stands twice in the header (give each measurement one column)")
            seen.add(name)
            if name not in self._known:
                close = difflib.get_close_matches(name, self._known, 1, 0.5)
                hint = f"did you mean {close[0]}?" if close else f"known: {', '.join(sorted(self._known))}"
                raise self._fault(1, name or "(empty)", f"no such measurement in the settings ({hint})")
        if len(names) < 2:
            raise self._fault(1, "header", "no measurement column (for example T1.top_oil_c)")
        return names[1:]

    def _number(self, line: int, column: str, cell: str) -> float | None:
        cell = cell.strip()
        if not cell:
            return None
        try:
            value = float(cell)
        except ValueError:
            hint = (
                "write a decimal point, not a comma"
                if "," in cell
                else "leave it empty if there is no reading"
            )
            raise self._fault(line, column, f"{cell!r} is not a number ({hint})") from None
        if not math.isfinite(value) or "_" in cell:
            raise self._fault(line, column, f"{cell!r} is not a finite number (leave the cell empty instead)")
        return value

    def __iter__(self) -> Iterator[Row]:
        last: int | None = None
        with self.path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            next(reader)
            try:
                for cells in reader:
                    line = reader.line_num
                    if not any(cell.strip() for cell in cells):
                        continue
                    if len(cells) != len(self.columns) + 1:
                        raise self._fault(
                            line,
                            "row",
                            f"{len(cells)} cells where the header has {len(self.columns) + 1} "
                            f"(a decimal comma or a missing separator?)",
                        )
                    try:
                        wall_ns = parse_time(cells[0].strip())
                    except ValueError as error:
                        raise self._fault(line, "time", str(error)) from None
                    if last is not None and wall_ns <= last:
                        word = "repeats the time of" if wall_ns == last else "is earlier than"
                        raise self._fault(
                            line,
                            "time",
                            f"{cells[0].strip()} {word} the row before (times must strictly increase; "
                            f"write a step change as two rows 1 ms apart)",
                        )
                    last = wall_ns
                    values = {
                        column: self._number(line, column, cell)
                        for column, cell in zip(self.columns, cells[1:], strict=True)
                    }
                    yield Row(line, cells[0].strip(), wall_ns, values)
            except csv.Error as error:
                raise self._fault(reader.line_num, "row", f"not well-formed CSV: {error}") from None
            except UnicodeDecodeError:
                raise self._fault(
                    reader.line_num + 1, "row", "is not UTF-8 text (save it as UTF-8 CSV)"
                ) from None
