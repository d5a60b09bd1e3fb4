"""Permissible loading for a person: the request with its forecast, the daemon's answer, the table.

The figures come from control/permitted.py. Nothing here is part of the step, and nothing is computed twice.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from collector.control import permitted
from collector.control.state import Plan, State
from collector.replay.trace import moment
from collector.technician import tables
from collector.thermal.loading import HORIZON_MIN, Forecast, LoadingResult

COLUMNS = ("time", "load_pu", "ambient_c")
#: Rows of a forecast at most: two days of half hours, and the request still fits a line of the socket.
MAX_ROWS = 100


class ForecastFault(Exception):
    """The forecast file cannot be used; the text says where, what is wrong and what would be right."""


def read_forecast(path: Path) -> list[list[float]]:
    """Rows of (time [UTC s], load [pu], ambient [degC]) of a CSV file with the columns `COLUMNS`."""
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ForecastFault(f"{path}: {error}") from None
    if not lines or tuple(name.strip() for name in lines[0].split(",")) != COLUMNS:
        raise ForecastFault(f"{path}:1: the first line must be: {','.join(COLUMNS)}")
    rows: list[list[float]] = []
    for number, cells in enumerate(csv.reader(lines[1:]), 2):
        if not cells:
            continue
        try:
            if len(cells) != len(COLUMNS):
                raise ValueError(f"{len(cells)} cells instead of {len(COLUMNS)}")
            # rounded, so that MAX_ROWS of them fit a line of the operator socket
            row = [moment(cells[0]) // 10**9, round(float(cells[1]), 4), round(float(cells[2]), 2)]
            if not all(map(math.isfinite, row)):
                raise ValueError("a value is not a finite number")
        except ValueError as error:
            raise ForecastFault(f"{path}:{number}: {error} (2026-07-14T13:00Z,0.85,24.5)") from None
        rows.append(row)
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


def answer(
    state: State, plan: Plan, transformer: str, forecast: Forecast | None, wall_ns: int
) -> dict[str, Any]:
    """One transformer's figures as JSON; infinite minutes are None. wall_ns: wall clock at state.mono_ns."""
    results = permitted.table(state, plan, transformer, forecast)
    if not results:
        return {"transformer": transformer, "reason": "nothing has been decided yet", "sets": []}
    first = results[0]
    return {
        "transformer": transformer,
        "reason": first.reason,
        "winding": first.winding,
        "valid_until_wall_ns": wall_ns + first.valid_until_ns - state.mono_ns,
        "sets": [] if first.reason else [_set(result) for result in results],
    }


def _set(result: LoadingResult) -> dict[str, Any]:
    limits = result.limits
    return {
        "limits": limits.id,
        "source": limits.source,
        "hot_spot_c": limits.hot_spot_c,
        "top_oil_c": limits.top_oil_c,
        "load_pu": limits.load_pu,
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
                        "minutes": hold.duration_min if math.isfinite(hold.duration_min) else None,
                        "load_pu": hold.load_pu,
                        "current_a": hold.current_a,
                        "limited_by": hold.limited_by,
                    }
                    for hold in case.holds
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
            Text(f"pu of the rated current of {unit['winding']} with full cooling; until: as load stands now")
        )
        parts.append(_table([], heading=True))
        for limits in unit["sets"]:
            words = f"{limits['limits']}: hot spot {limits['hot_spot_c']:g} °C, "
            words += f"top oil {limits['top_oil_c']:g} °C, {limits['load_pu']:g} pu"
            parts.append(Text(words + (" (bubbles)" if limits["bubbles"] else ""), style="cyan"))
            parts.append(_table(limits["cases"]))
        parts.append(Text(""))
    return Group(*parts)


#: Title and width of each column; together they fit 80 columns.
_COLUMNS = (
    *(("", 16), ("until", 8), ("15 min", 6), ("1 h", 4), ("2 h", 4), ("4 h", 4), ("8 h", 4)),
    *(("endless", 7), ("limited by", 18)),
)


def _table(cases: Sequence[Mapping[str, Any]], heading: bool = False) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0), show_header=heading, header_style="bold")
    for k, (title, width) in enumerate(_COLUMNS):
        number = 0 < k < len(_COLUMNS) - 1
        table.add_column(title, justify="right" if number else "left", min_width=width, no_wrap=number)
    for case in cases:
        cooling = "  " + (f"without {case['without']}" if case["without"] else case["mode"])
        if case["reason"]:
            table.add_row(cooling, *[""] * (len(_COLUMNS) - 2), case["reason"])
            continue
        minutes = f"> {HORIZON_MIN / 60:g} h" if case["minutes"] is None else f"{case['minutes']:.0f} min"
        loads = [f"{hold['load_pu']:.2f}" for hold in case["holds"]]
        table.add_row(cooling, minutes, *loads, case["holds"][-1]["limited_by"])
    return table
