"""Permissible loading for a person: the request with its forecast, the daemon's answer, the table.

The figures come from control/permitted.py. Nothing here is part of the step, and nothing is computed twice.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from collector.control import permitted
from collector.control.state import Plan, State
from collector.replay.trace import moment
from collector.technician import tables
from collector.thermal.loading import (
    HORIZON_MIN,
    Day,
    Forecast,
    LoadingResult,
    duration_words,
    life_words,
    lines,
)

COLUMNS = ("time", "load_pu", "ambient_c")
DAY_COLUMNS = ("hour", "load", "ambient_c")
#: Rows of a forecast at most: two days of half hours, and the request still fits a line of the socket.
MAX_ROWS = 100


class ForecastFault(Exception):
    """The forecast file cannot be used; the text says where, what is wrong and what would be right."""


def read_forecast(path: Path) -> list[list[float]]:
    """Rows of (time [UTC s], load [pu], ambient [degC]) of a CSV file with the columns `COLUMNS`."""

    def row(cells: Sequence[str]) -> list[float]:
        # rounded, so that MAX_ROWS of them fit a line of the operator socket
        return [moment(cells[0]) // 10**9, round(float(cells[1]), 4), round(float(cells[2]), 2)]

    return _rows(path, (COLUMNS,), row, "2026-07-14T13:00Z,0.85,24.5")


def read_day(path: Path) -> list[list[float]]:
    """Rows of (hour, load) or (hour, load, ambient [degC]) of a CSV file with the columns `DAY_COLUMNS`."""

    def row(cells: Sequence[str]) -> list[float]:
        return [round(float(cell), 4) for cell in cells]

    rows = _rows(path, (DAY_COLUMNS[:2], DAY_COLUMNS), row, "13,0.85")
    try:
        day_of({"day": rows})
    except ValueError as error:
        raise ForecastFault(f"{path}: {error}") from None
    return rows


def _rows(
    path: Path,
    headings: Sequence[tuple[str, ...]],
    row: Callable[[Sequence[str]], list[float]],
    example: str,
) -> list[list[float]]:
    """What `row` makes of each line of a CSV file that begins with one of these headings."""
    try:
        lines_of = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ForecastFault(f"{path}: {error}") from None
    heading = tuple(name.strip() for name in lines_of[0].split(",")) if lines_of else ()
    if heading not in headings:
        raise ForecastFault(f"{path}:1: the first line must be: {' or '.join(map(','.join, headings))}")
    rows: list[list[float]] = []
    for number, cells in enumerate(csv.reader(lines_of[1:]), 2):
        if not cells:
            continue
        try:
            if len(cells) != len(heading):
                raise ValueError(f"{len(cells)} cells instead of {len(heading)}")
            made = row(cells)
            if not all(map(math.isfinite, made)):
                raise ValueError("a value is not a finite number")
        except ValueError as error:
            raise ForecastFault(f"{path}:{number}: {error} ({example})") from None
        rows.append(made)
    if len(rows) > MAX_ROWS:
        raise ForecastFault(f"{path}: {len(rows)} rows (at most {MAX_ROWS}; take every second one)")
    return rows


def forecast_of(request: Mapping[str, Any], mono_ns: int, wall_ns: int) -> Forecast | None:
    """The forecast of a request, on the station's monotonic time. ValueError: it is not one."""
    rows = request.get("forecast")
    if rows is None:
        return None
    if not isinstance(rows, list) or not all(isinstance(r, list) and len(r) == 3 for r in rows):
        raise ValueError("forecast: rows of time [UTC s], load [pu], ambient [degC]")
    rows = [[float(x) for x in row] for row in rows]
    if not all(math.isfinite(x) and abs(x) < 1e11 for row in rows for x in row):
        raise ValueError("forecast: a value is not a finite number")
    return Forecast(
        tuple(mono_ns + round(at * 1e9) - wall_ns for at, _, _ in rows),
        tuple(load for _, load, _ in rows),
        tuple(ambient for _, _, ambient in rows),
    )


def day_of(request: Mapping[str, Any]) -> Day | None:
    """The repeated day of a request. ValueError: it is not one."""
    rows = request.get("day")
    if rows is None:
        return None
    if not isinstance(rows, list) or not all(isinstance(r, list) and len(r) in (2, 3) for r in rows):
        raise ValueError("day: rows of hour, load and perhaps ambient [degC]")
    columns = list(zip(*([float(x) for x in row] for row in rows), strict=True))
    if not columns or not all(math.isfinite(x) for column in columns for x in column):
        raise ValueError("day: a value is not a finite number")
    day = Day(*columns)
    if day.fault():
        raise ValueError(day.fault())
    return day


def answer(
    state: State,
    plan: Plan,
    transformer: str,
    forecast: Forecast | None,
    wall_ns: int,
    day: Day | None = None,
) -> dict[str, Any]:
    """One transformer's figures as JSON; infinite minutes are None. wall_ns: wall clock at state.mono_ns."""
    results = permitted.table(state, plan, transformer, forecast)
    if not results:
        return {"transformer": transformer, "reason": "nothing has been decided yet", "sets": [], "day": []}
    first = results[0]
    peaks = () if day is None or first.reason else permitted.day(state, plan, transformer, day)
    return {
        "transformer": transformer,
        "reason": first.reason,
        "winding": first.winding,
        "valid_until_wall_ns": wall_ns + first.valid_until_ns - state.mono_ns,
        "sets": [] if first.reason else [_set(result) for result in results],
        "day": [asdict(peak) for peak in peaks],
    }


def _set(result: LoadingResult) -> dict[str, Any]:
    limits = result.limits
    return {
        "limits": limits.id,
        "source": limits.source,
        "hot_spot_c": limits.hot_spot_c,
        "top_oil_c": limits.top_oil_c,
        "load_pu": limits.load_pu,
        "longest_min": limits.longest_min if math.isfinite(limits.longest_min) else None,
        "bubbles": result.bubbles,
        "cases": [
            {
                "without": case.without,
                "mode": case.mode,
                "reason": case.reason,
                "minutes": case.minutes if math.isfinite(case.minutes) else None,
                "minutes_limited_by": case.minutes_limited_by,
                "holds": [
                    {
                        "for": words,
                        "minutes": hold.duration_min if math.isfinite(hold.duration_min) else None,
                        "load_pu": hold.load_pu,
                        "current_a": hold.current_a,
                        "life_h": list(hold.life_h),
                        "limited_by": hold.limited_by,
                    }
                    for words, hold in lines(case)
                ],
            }
            for case in result.cases
        ],
    }


def picture(found: Sequence[Mapping[str, Any]]) -> RenderableType:
    """Every transformer's table: limit set by limit set, with all stages and less the largest one."""
    parts: list[RenderableType] = []
    for unit in found:
        if unit["reason"]:
            parts += [Text(f"{unit['transformer']}: no figure: {unit['reason']}", style="yellow"), Text("")]
            continue
        until = tables.moment(unit["valid_until_wall_ns"])
        parts.append(Text(f"{unit['transformer']}: permissible loading, valid until {until}", style="bold"))
        parts.append(
            Text(
                f"pu and A: of {unit['winding']}, rated with full cooling; life h: low / best / high, of the "
                "winding that ages most; until: as load stands now"
            )
        )
        for peak in unit["day"]:
            parts.append(_day_line(peak))
        for limits in unit["sets"]:
            longest = limits["longest_min"]
            used = "every day" if longest is None else f"at most {duration_words(longest)}"
            words = f"{limits['limits']} ({used}): hot spot {limits['hot_spot_c']:g} °C, "
            words += f"top oil {limits['top_oil_c']:g} °C, {limits['load_pu']:g} pu"
            parts.append(Text(words + (" (bubbles)" if limits["bubbles"] else ""), style="cyan"))
            for case in limits["cases"]:
                parts += _case(case)
        parts.append(Text(""))
    return Group(*parts)


def _day_line(peak: Mapping[str, Any]) -> Text:
    cooling = f"without {peak['without']}" if peak["without"] else peak["mode"]
    if peak["reason"]:
        return Text(f"  day, {cooling}: no figure: {peak['reason']}", style="yellow")
    return Text(
        f"  day, {cooling}: peak {peak['load_pu']:.2f} pu ({peak['current_a']:.0f} A), costs "
        f"{life_words(peak['life_h'])} h of life a day; limited by {peak['limited_by']}"
    )


#: Title and width of each column; together they fit 80 columns.
_COLUMNS = (("    for", 22), ("pu", 4), ("A", 5), ("life h", 20), ("limited by", 24))


def _case(case: Mapping[str, Any]) -> list[RenderableType]:
    cooling = "  " + (f"without {case['without']}" if case["without"] else case["mode"])
    if case["reason"]:
        return [Text(f"{cooling}: {case['reason']}", style="yellow")]
    minutes = "more than " + f"{HORIZON_MIN / 60:g} h"
    if case["minutes"] is not None:
        minutes = f"{case['minutes']:.0f} min ({case['minutes_limited_by']})"
    table = Table(box=None, padding=(0, 1, 0, 0), show_header=True, header_style="bold")
    for k, (title, width) in enumerate(_COLUMNS):
        number = 0 < k < len(_COLUMNS) - 1
        table.add_column(title, justify="right" if number else "left", min_width=width, no_wrap=number)
    for hold in case["holds"]:
        table.add_row(
            f"    {hold['for']}", f"{hold['load_pu']:.2f}", f"{hold['current_a']:.0f}",
            life_words(hold["life_h"]), hold["limited_by"],
        )  # fmt: skip
    return [Text(f"{cooling}, until limit {minutes}"), table]
