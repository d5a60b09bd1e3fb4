"""What a scenario comes to: hours above limits, peaks, loss of life, run hours, starts, alarms.

Counts only what the step's state says. Printing is at the end; nothing here reads a file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from rich.console import Console
from rich.table import Table
from rich.text import Text

from collector import engine
from collector.control.layout import TransformerPlan
from collector.replay.journal import utc
from collector.replay.lanes import Lane, Stepped

_H = 3600e9
_CHUNK = 4096


@dataclass(slots=True)
class Peak:
    value: float = float("-inf")
    wall_ns: int = 0


@dataclass(slots=True)
class UnitSummary:
    """One transformer of one scenario. Loss of life per winding [h]; above: limit in words -> hours."""

    id: str
    hours: float = 0.0
    unmonitored_h: float = 0.0
    hot_spot: Peak = field(default_factory=Peak)
    top_oil: Peak = field(default_factory=Peak)
    load: Peak = field(default_factory=Peak)
    above: dict[str, float] = field(default_factory=dict)
    loss_of_life_h: dict[str, float] = field(default_factory=dict)
    run_hours: dict[str, float] = field(default_factory=dict)
    starts: dict[str, int] = field(default_factory=dict)
    alarms: dict[str, int] = field(default_factory=dict)


class Summarise:
    """Takes every step of :func:`lanes.run`; `result` gives a UnitSummary per lane and transformer."""

    def __init__(self, lanes: Sequence[Lane]) -> None:
        self.lanes = lanes
        self.state: engine.State | None = None
        self.begin: engine.State | None = None
        self.units: list[tuple[int, TransformerPlan, UnitSummary]] = []
        self.raised: dict[int, int] = {}
        self.alarm_count = 0
        self._wall: list[int] = []
        self._hot: list[np.ndarray] = []
        self._oil: list[np.ndarray] = []
        self._load: list[np.ndarray] = []

    def add(self, done: Stepped) -> None:
        state = done.state
        e = state.estimate
        assert e is not None
        if self.state is None:
            self._open(state)
        self.state = state
        if state.alarm_count != self.alarm_count:
            for i, alarm in enumerate(state.alarms):
                if alarm.order > self.alarm_count:
                    self.raised[i] = self.raised.get(i, 0) + 1
            self.alarm_count = state.alarm_count
        self._wall.append(done.row.wall_ns)
        self._hot.append(e.hot_spot_c)
        self._oil.append(e.oil_c)
        self._load.append(e.load_pu)
        if len(self._wall) > _CHUNK:
            self._close_chunk()

    def _open(self, state: engine.State) -> None:
        self.begin = state
        for t in state.layout.transformers:
            plain, _, lane = t.id.partition("~")
            self.units.append((int(lane or 0), t, UnitSummary(plain)))

    def _close_chunk(self) -> None:
        """All intervals but the last row, which begins the next chunk."""
        if len(self._wall) < 2:
            return
        wall = np.array(self._wall, dtype=np.int64)
        hot, oil, load = (np.array(x) for x in (self._hot, self._oil, self._load))
        hours = np.diff(wall) / _H
        for lane, t, unit in self.units:
            station = self.lanes[lane].settings.station
            bridged = np.where(hours * 3600.0 <= station.gap_s, hours, 0.0)
            places = [w.place for w in t.windings]
            highest = hot[:, places].max(axis=1)
            known = np.isfinite(highest[1:]) & np.isfinite(highest[:-1])
            unit.hours += float(bridged[known].sum())
            unit.unmonitored_h += float(hours.sum() - bridged[known].sum())
            for peak, series in (
                (unit.hot_spot, highest),
                (unit.top_oil, oil[:, t.index]),
                (unit.load, load[:, places].max(axis=1)),
            ):
                if np.isfinite(series).any():
                    at = int(np.nanargmax(series))
                    if series[at] > peak.value:
                        peak.value, peak.wall_ns = float(series[at]), int(wall[at])
            a = t.settings.alarms
            for words, series, limit in (
                ("hot spot high", highest, a.hot_spot_high_c),
                ("hot spot high-high", highest, a.hot_spot_high_high_c),
                ("top oil high", oil[:, t.index], a.top_oil_high_c),
                ("top oil high-high", oil[:, t.index], a.top_oil_high_high_c),
            ):
                key = f"{words} ({limit:g} °C)"
                unit.above[key] = unit.above.get(key, 0.0) + hours_above(series, bridged, limit)
        self._wall, self._hot = self._wall[-1:], self._hot[-1:]
        self._oil, self._load = self._oil[-1:], self._load[-1:]

    def result(self) -> list[list[UnitSummary]]:
        """Per lane, its transformers. Empty when there was no row."""
        self._close_chunk()
        found: list[list[UnitSummary]] = [[] for _ in self.lanes]
        if (
            self.state is None
            or self.begin is None
            or self.state.estimate is None
            or self.begin.estimate is None
        ):
            return found
        end, begin = self.state.estimate.loss_of_life_h[1], self.begin.estimate.loss_of_life_h[1]
        for lane, t, unit in self.units:
            for w in t.windings:
                unit.loss_of_life_h[w.settings.id] = float(end[w.place] - begin[w.place])
            for s in t.stages:
                unit.run_hours[s.settings.id] = self.state.run_ns[s.index] / _H
                unit.starts[s.settings.id] = self.state.stages[s.index].start_count
            prefix = f"{t.id}."
            for i, count in self.raised.items():
                alarm = self.state.layout.alarms[i]
                if alarm.id.startswith(prefix):
                    unit.alarms[alarm.id.removeprefix(prefix).replace("alarm_", "")] = count
            found[lane].append(unit)
        return found


def hours_above(series: np.ndarray, hours: np.ndarray, limit: float) -> float:
    """Hours on which a value, straight between its samples, is above a limit. NaN counts as not above."""
    a, b = series[:-1] - limit, series[1:] - limit
    known = np.isfinite(a) & np.isfinite(b)
    a, b = np.where(known, a, -1.0), np.where(known, b, -1.0)
    high, low = np.maximum(a, b), np.minimum(a, b)
    rise = np.where(high > low, high - low, 1.0)
    share = np.where(low >= 0.0, 1.0, np.where(high <= 0.0, 0.0, high / rise))
    return float((share * np.where(known, hours, 0.0)).sum())


def print_side_by_side(
    console: Console, lanes: Sequence[Lane], found: Sequence[Sequence[UnitSummary]], remarks: Sequence[str]
) -> None:
    """One table per transformer of the first lane: a row per figure, a column per scenario."""
    for unit in found[0]:
        units = [next((u for u in lane if u.id == unit.id), UnitSummary(unit.id)) for lane in found]
        table = Table(title=unit.id, title_justify="left", show_lines=False)
        table.add_column("", no_wrap=True)
        for lane in lanes:
            table.add_column(Text(lane.label), justify="right", no_wrap=True)
        for head, rows in _sections(units):
            if not rows:
                continue
            table.add_section()
            table.add_row(Text(head, style="bold"), *([""] * len(lanes)))
            for label, cells in rows:
                table.add_row(Text(f"  {label}"), *(Text(c) for c in cells))
        console.print(table)
    for remark in remarks:
        console.print(Text(remark))


def _sections(units: Sequence[UnitSummary]) -> list[tuple[str, list[tuple[str, list[str]]]]]:
    def rows(which: str, form: str) -> list[tuple[str, list[str]]]:
        keys = dict.fromkeys(k for u in units for k in getattr(u, which))
        zero = 0 if form == "d" else 0.0
        return [(k, [_shown(getattr(u, which).get(k, zero), form) for u in units]) for k in keys]

    def peak(label: str, attribute: str, form: str, unit: str) -> tuple[str, list[str]]:
        peaks = [getattr(u, attribute) for u in units]
        return label, [f"{p.value:{form}}{unit}  {utc(p.wall_ns)[:16]}Z" if p.wall_ns else "-" for p in peaks]

    return [
        (
            "time [h]",
            [
                ("with a hot spot", [_shown(u.hours, ".1f") for u in units]),
                ("without (gaps, lost inputs)", [_shown(u.unmonitored_h, ".1f") for u in units]),
            ],
        ),
        (
            "highest",
            [
                peak("hot spot", "hot_spot", ".1f", " °C"),
                peak("top oil", "top_oil", ".1f", " °C"),
                peak("load", "load", ".2f", " pu"),
            ],
        ),
        ("hours above limit", rows("above", ".2f")),
        ("loss of life [h]", rows("loss_of_life_h", ".3f")),
        ("run hours", rows("run_hours", ".1f")),
        ("starts", rows("starts", "d")),
        ("alarms raised", rows("alarms", "d")),
    ]


def _shown(value: float | int, form: str) -> str:
    return format(value, form)
