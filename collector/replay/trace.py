"""A CSV trace: first column `time`, then measurement ids. Read rightly or refused, never guessed.

What `windingd export` writes is one too: interval means with their qualities. Every refusal names file,
line and column and says what would be right.
"""

from __future__ import annotations

import csv
import difflib
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from collector.points import catalogue, measurements
from collector.quality import Quality
from collector.replay.journal import utc
from collector.settings.model import BoolInput, Settings

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
#: Longest line [characters]; a station of 16 transformers comes to about 20 000.
MAX_LINE = 200_000

_TIME = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d(?::\d\d)?)(?:\.(\d{1,9}))?(Z|[+-]\d\d:?\d\d)?", re.ASCII)
#: What an export writes beside a point's mean.
_BESIDE = (".min", ".max", ".quality")
#: Columns of an export that stand for the row: its length [s], and its time once more.
_INTERVAL, _LOCAL = "interval_s", "station_time"
_CONTACTS = ("feedback", "selector_auto", "selector_manual", "breaker_closed", "interlock")


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
    found = _TIME.fullmatch(text)
    if found is None:
        raise ValueError(f"{_shown(text)} is not a time (write it as 2026-07-14T13:05:00Z)")
    day, clock, fraction, zone = found.groups()
    if zone is None:
        raise ValueError(
            f"{text!r} does not say which time it is: local times repeat an hour every autumn "
            f"(write {text}Z if it is UTC, or {text}+02:00 with its offset)"
        )
    try:
        moment = datetime.fromisoformat(f"{day}T{clock}{zone}")
    except ValueError as error:
        raise ValueError(f"{text!r} is not a time: {error} (write it as 2026-07-14T13:05:00Z)") from None
    since = moment - EPOCH
    return (since.days * 86400 + since.seconds) * 10**9 + int((fraction or "").ljust(9, "0"))


def moment(text: str) -> int:
    """UTC nanoseconds of a time on the command line: as `parse_time`, or a date (its midnight, UTC)."""
    written = text.strip()
    return parse_time(f"{written}T00:00Z" if re.fullmatch(r"\d{4}-\d\d-\d\d", written) else written)


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


class Trace:
    """An opened trace; iterate to get its rows, each checked as it is read.

    columns: the measurement ids of the header. notices: how the file is taken, where it is more than a plain
    trace. TraceFault at opening for the header, at iteration for a row.
    """

    def __init__(self, path: Path, settings: Settings) -> None:
        self.path = path
        wired = {m.id: m.input for m in measurements(settings)}
        self._known = set(wired) | {
            f"{t.id}.{w.id}.current_a" for t in settings.transformers for w in t.windings
        }
        # A trace may prove a stage's running although no feedback is wired.
        self._known |= {f"{t.id}.{s.id}.feedback" for t in settings.transformers for s in t.stages}
        self._contacts = {i for i in self._known if i.rpartition(".")[2] in _CONTACTS}
        self._contacts |= {i for i, source in wired.items() if isinstance(source, BoolInput)}
        self._derived = {p.id for p in catalogue(settings)} - self._known
        self._done = self._size = 0
        self.notices: list[str] = []
        header = self._header()
        self._width = len(header) + 1
        # places in a row
        self._place = {name: n for n, name in enumerate(header, 1) if name in self._known}
        self._quality = {
            name.removesuffix(".quality"): n for n, name in enumerate(header, 1) if name.endswith(".quality")
        }
        self._interval = header.index(_INTERVAL) + 1 if _INTERVAL in header else None
        self.columns = list(self._place)
        self._tell(header)

    def progress(self) -> float:
        """How much of the file has been read, 0 to 1."""
        return self._done / self._size if self._size else 0.0

    def _fault(self, line: int, column: str, message: str) -> TraceFault:
        return TraceFault(f"{self.path}:{line}: {column}: {message}")

    def _lines(self, file: TextIO) -> Iterator[str]:
        """Lines as the csv module wants them, none longer than MAX_LINE."""
        number = 0
        while True:
            number += 1
            try:
                line = file.readline(MAX_LINE + 1)
            except UnicodeDecodeError:
                raise self._fault(number, "row", "is not UTF-8 text (save the file as UTF-8 CSV)") from None
            if not line:
                return
            if len(line) > MAX_LINE:
                raise self._fault(
                    number, "row", f"longer than {MAX_LINE} characters (is this a CSV file with line ends?)"
                )
            if "\0" in line:
                raise self._fault(
                    number, "row", "holds a zero byte, so it is not text (save it as UTF-8 CSV)"
                )
            self._done += len(line)
            yield line

    def _header(self) -> list[str]:
        try:
            self._size = self.path.stat().st_size
            with self.path.open(encoding="utf-8-sig", newline="") as file:  # a byte-order mark is passed over
                first = next(self._lines(file), "")
        except OSError as error:
            raise self._fault(
                1, "file", f"cannot be read: {error.strerror} (give the path of a CSV file)"
            ) from None
        if not first.strip():
            raise self._fault(
                1, "header", "nothing here (the first line names the columns: time,T1.top_oil_c,...)"
            )
        for other, name in ((";", "semicolons"), ("\t", "tabs")):
            if other in first and "," not in first:
                raise self._fault(
                    1,
                    "header",
                    f"cells are separated by {name} (separate them by commas, and write a decimal point)",
                )
        try:
            names = next(csv.reader([first], strict=True), [])
        except csv.Error as error:
            raise self._fault(
                1, "header", f"not well-formed CSV: {error} (close every quotation mark)"
            ) from None
        names = [name.strip() for name in names]
        if names[0] != "time":
            raise self._fault(1, _shown(names[0]), "the first column must be `time`")
        seen: set[str] = set()
        for name in names[1:]:
            if name in seen:
                raise self._fault(1, name, "stands twice in the header (give each measurement one column)")
            seen.add(name)
            if not self._understood(name):
                raise self._fault(1, name or "(empty)", self._unknown(name))
            if name.endswith(".quality") and name.removesuffix(".quality") not in names:
                raise self._fault(1, name, "quality of a column that is not there (give both, or neither)")
        if not self._known & seen:
            derived = next((f"{name} is derived; " for name in names if name in self._derived), "")
            raise self._fault(1, "header", f"no measurement column ({derived}give one such as T1.top_oil_c)")
        return names[1:]

    def _understood(self, name: str) -> bool:
        stem = next((name.removesuffix(end) for end in _BESIDE if name.endswith(end)), name)
        return stem in self._known or stem in self._derived or name in (_INTERVAL, _LOCAL)

    def _tell(self, header: list[str]) -> None:
        """Says how an export is taken, and what of it is not read."""
        if self._interval is not None:
            self.notices.append(
                "approximate: rows are means over their interval_s, taken as samples at the middle of it"
            )
        unread = [name for name in header if name in self._derived or name == _LOCAL]
        unread += [name for name in header if name.endswith((".min", ".max")) and name[:-4] in self._known]
        if unread:
            self.notices.append(f"columns not read, since they are no measurement: {', '.join(unread)}")
        if self._quality.keys() & self._place.keys():
            self.notices.append("a value whose quality is invalid or substituted is a missing reading")

    def _unknown(self, name: str) -> str:
        """What to say of a column that no measurement goes by."""
        stem, _, unit = name.rpartition("_")
        for known in sorted(self._known):
            right_stem, _, right = known.rpartition("_")
            if stem and stem.lower() == right_stem.lower() and unit != right:
                return f"another unit than the settings' (convert the values and name the column {known})"
        close = difflib.get_close_matches(name, self._known, 1, 0.5)
        if close:
            return f"no such measurement in the settings (did you mean {close[0]}?)"
        all_ids = sorted(self._known)
        more = f" and {len(all_ids) - 12} more" if len(all_ids) > 12 else ""
        return f"no such measurement in the settings (known: {', '.join(all_ids[:12])}{more})"

    def _number(self, line: int, column: str, cell: str) -> float | None:
        cell = cell.strip()
        if not cell:
            return None
        try:
            value = float(cell)
        except ValueError:
            hint = "leave it empty if there is no reading"
            if "," in cell:
                hint = "write a decimal point, not a comma"
            elif column in self._contacts:
                hint = "write 1 or 0"
            raise self._fault(line, column, f"{_shown(cell)} is not a number ({hint})") from None
        if not math.isfinite(value):
            raise self._fault(
                line, column, f"{_shown(cell)} is not a finite number (leave it empty if there is no reading)"
            )
        if "_" in cell or not cell.isascii():
            raise self._fault(
                line, column, f"{_shown(cell)} is not a plain number (write digits and a point)"
            )
        if column in self._contacts and self._interval is not None and 0.0 <= value <= 1.0:
            return float(value >= 0.5)  # closed for most of the interval
        if column in self._contacts and value not in (0.0, 1.0):
            raise self._fault(line, column, f"{cell} is neither 0 nor 1 (a contact is open or closed)")
        if value < 0.0 and column.endswith(".current_a"):
            raise self._fault(line, column, f"{cell} A is negative (currents are rms magnitudes)")
        return value

    def _value(self, line: int, column: str, cells: list[str]) -> float | None:
        value = self._number(line, column, cells[self._place[column]])
        place = self._quality.get(column)
        if place is None or not cells[place].strip():
            return value
        try:
            quality = Quality.parse(cells[place].strip())
        except ValueError as error:
            raise self._fault(
                line, f"{column}.quality", f"{error} (write it as export does, for example good)"
            ) from None
        return None if quality.is_invalid or quality.is_substituted else value

    def _middle(self, line: int, begin_ns: int, cell: str) -> tuple[str, int]:
        """Time of an interval's mean, and as text."""
        try:
            length_s = float(cell)
        except ValueError:
            length_s = math.nan
        if not 0.0 < length_s < math.inf:
            raise self._fault(line, _INTERVAL, f"{_shown(cell)} is not a length in seconds (write 60)")
        wall_ns = begin_ns + round(length_s * 5e8)
        return utc(wall_ns), wall_ns

    def __iter__(self) -> Iterator[Row]:
        last: int | None = None
        width = self._width
        self._done = 0
        with self.path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(self._lines(file), strict=True)
            next(reader)
            try:
                for cells in reader:
                    line = reader.line_num
                    if not any(cell.strip() for cell in cells):
                        continue
                    if len(cells) != width:
                        raise self._fault(
                            line,
                            "row",
                            f"{len(cells)} cells where the header has {width} "
                            f"(a decimal comma, or a separator too few or too many?)",
                        )
                    try:
                        wall_ns = parse_time(cells[0].strip())
                    except ValueError as error:
                        raise self._fault(line, "time", str(error)) from None
                    time = cells[0].strip()
                    if self._interval is not None:
                        time, wall_ns = self._middle(line, wall_ns, cells[self._interval].strip())
                    if last is not None and wall_ns <= last:
                        word = "repeats the time of" if wall_ns == last else "is earlier than"
                        raise self._fault(
                            line,
                            "time",
                            f"{cells[0].strip()} {word} the row before (times must strictly increase; "
                            f"write a step change as two rows 1 ms apart)",
                        )
                    last = wall_ns
                    values = {column: self._value(line, column, cells) for column in self.columns}
                    yield Row(line, time, wall_ns, values)
            except csv.Error as error:
                raise self._fault(
                    max(1, reader.line_num),
                    "row",
                    f"not well-formed CSV: {error} (close every quotation mark)",
                ) from None
        if last is None:
            raise self._fault(2, "row", "no rows after the header (one row per time)")
