"""Scenarios side by side: copies of a station with settings of their own, stepped together as one station.

The step is the live one; here a trace's rows become its inputs. No rule of the step may be repeated here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from collector import engine
from collector.field.codec import station_specs
from collector.messages import Inputs, Outcome
from collector.quality import GOOD, Detail, Reading, invalid, questionable
from collector.replay.trace import Row
from collector.settings.model import BoolInput, Cabinet, Section, Settings, Stage, Transformer
from collector.thermal import track

#: A trace's first row is put at this monotonic time [ns], so that no age or timer is ever negative.
START_NS = 10**15
#: Oil that was calculated for another cooling than the recorded one. Not marked substituted: the rules
#: about substituted values are for lost sensors, and would not act as they would on a real unit.
ESTIMATED = questionable(Detail.INACCURATE)

_MISSING, _OUTSIDE = invalid(Detail.FAILURE), invalid(Detail.OUT_OF_RANGE)
_ANY = (-math.inf, math.inf)


class LaneError(Exception):
    """These scenarios cannot be stepped together; the text says why."""


@dataclass(frozen=True, slots=True)
class Lane:
    """One scenario.

    closed_loop: what is called runs, whatever the trace says about feedback. shifted: top oil is the
    trace's + the model's oil of this lane - the model's oil of the first lane (an estimate).
    """

    label: str
    settings: Settings
    settings_hash: str
    closed_loop: bool = False
    shifted: bool = False


@dataclass(frozen=True, slots=True)
class Stepped:
    """All lanes at one row. Ids of lane n > 0 have ``~n`` after the transformer: see :func:`name`."""

    row: Row
    state: engine.State
    outcome: Outcome


def name(point: str, lane: int) -> str:
    """A point's id in a lane: ``T1.top_oil_c`` of lane 2 is ``T1~2.top_oil_c``."""
    if lane == 0:
        return point
    head, dot, tail = point.partition(".")
    return f"{head}~{lane}{dot}{tail}"


def run(
    lanes: Sequence[Lane],
    columns: Sequence[str],
    rows: Iterable[Row],
    *,
    values: bool = True,
    loading: bool = False,
) -> Iterator[Stepped]:
    """Step every lane through the rows. values: False leaves the outcome's values out, which is faster.

    loading: permissible loading too, which costs more than all the rest.

    LaneError when the lanes' stations differ in more than their transformers.
    """
    station = _together(lanes, columns)
    plan = engine.build(
        station, lanes[0].settings_hash, assume_running_as_called=True, permissible_loading=loading
    )
    if not values:
        plan = replace(plan, tell_values=False)
    state = engine.initial(plan)
    layout = plan.layout
    # column -> the ids it feeds
    feeds: dict[str, list[str]] = {column: [] for column in columns}
    for i, lane in enumerate(lanes):
        for column in columns:
            own = name(column, i)
            if _unfed(lane, column):
                continue
            if lane.shifted and column.rpartition(".")[2] in ("top_oil_c", "top_oil_2_c"):
                continue
            if own in layout.input_index:
                feeds[column].append(own)
    shift = _Shift(plan, lanes, columns) if any(lane.shifted for lane in lanes) else None
    ranges = _ranges(lanes[0].settings)
    first: int | None = None
    for row in rows:
        first = row.wall_ns if first is None else first
        mono_ns = START_NS + row.wall_ns - first
        readings: dict[str, Reading] = {}
        sound = row.values
        for column, value in row.values.items():
            low, high = ranges.get(column, _ANY)
            if value is None:
                reading = Reading(None, _MISSING, mono_ns, "empty cell in the trace", "replay")
            elif not low <= value <= high:  # as the field would judge it
                reason = f"{value:.6g} is outside {low:g}..{high:g}"
                reading = Reading(None, _OUTSIDE, mono_ns, reason, "replay")
                sound = {**sound, column: None}
            else:
                reading = Reading(value, GOOD, mono_ns, "", "replay")
            for own in feeds[column]:
                readings[own] = reading
        if shift is not None:
            shift.add(state, sound, mono_ns, readings)
        # No read-back in a trace: outputs are taken to do what is decided.
        inputs = Inputs(mono_ns, readings, settings_hash=plan.settings_hash)
        state, outcome = engine.step(state, plan, inputs)
        yield Stepped(row, state, outcome)


def _ranges(settings: Settings) -> dict[str, tuple[float, float]]:
    """What each measurement may be, by the settings: beyond it a sensor is open, short or in another unit."""
    found: dict[str, tuple[float, float]] = {}
    for measurement, spec in station_specs(settings):
        if not isinstance(spec, str):
            low = -math.inf if spec.low is None or spec.zero_drift is not None else spec.low
            found[measurement.id] = (low, math.inf if spec.high is None else spec.high)
    return found


def _together(lanes: Sequence[Lane], columns: Sequence[str]) -> Settings:
    base = lanes[0].settings
    transformers: list[Transformer] = []
    for i, lane in enumerate(lanes):
        for section in ("station", "devices"):
            if _acting(lane.settings, section) != _acting(base, section):
                raise LaneError(
                    f"{lane.label} differs from {lanes[0].label} in `{section}:` "
                    f"(only what stands under `transformers:` can be compared)"
                )
        for t in lane.settings.transformers:
            heard = _contacts_heard(t, base, [c for c in columns if not _unfed(lane, c)])
            transformers.append(heard.model_copy(update={"id": name(t.id, i)}))
    return base.model_copy(update={"transformers": tuple(transformers)})


def _acting(settings: Settings, section: str) -> object:
    """What of a section acts in a replay: names, folders and register maps do not."""
    if section == "station":
        return settings.station.model_dump(exclude={"id", "name", "data_dir", "data_mount"})
    return [(d.id, d.number, d.relay_module and d.relay_module.timeout_s) for d in settings.devices]


def _unfed(lane: Lane, column: str) -> bool:
    return lane.closed_loop and column.endswith(".feedback")


def _contacts_heard(t: Transformer, base: Settings, columns: Sequence[str]) -> Transformer:
    """With the contacts that the trace tells of, and no others: one without a column is as good as not wired.

    A trace may prove a stage's running although no feedback is wired.
    """
    wired = BoolInput(device=base.devices[0].id, table="discrete_input", address=0)

    def heard(of: Section, prefix: str, names: Sequence[str]) -> dict[str, Any]:
        return {n: getattr(of, n) if f"{prefix}.{n}" in columns else None for n in names}

    def stage_heard(s: Stage) -> Stage:
        proof = (s.feedback or wired) if f"{t.id}.{s.id}.feedback" in columns else None
        cabinet = s.cabinet.model_copy(update=heard(s.cabinet, f"{t.id}.{s.id}", list(Cabinet.model_fields)))
        return s.model_copy(update={"feedback": proof, "cabinet": cabinet})

    contacts = [n for n in Transformer.model_fields if isinstance(getattr(t, n), BoolInput)]
    stages = tuple(stage_heard(s) for s in t.stages)
    return t.model_copy(update={**heard(t, t.id, contacts), "stages": stages})


class _Shift:
    """Top oil of the shifted lanes: recorded + own model - model of the first lane.

    The model's oil depends on load, ambient and cooling only, so it is known before the row's own oil is.
    """

    def __init__(self, plan: engine.Plan, lanes: Sequence[Lane], columns: Sequence[str]) -> None:
        self.model = plan.model
        index = {t.id: t.index for t in plan.layout.transformers}
        self.pairs: list[tuple[str, str, int, int]] = []  # column, own id, own and first lane's transformer
        for i, lane in enumerate(lanes):
            for t in lane.settings.transformers if lane.shifted else ():
                if t.id not in index:
                    raise LaneError(f"{lane.label}: transformer {t.id} is not in {lanes[0].label}")
                for probe in ("top_oil_c", "top_oil_2_c"):
                    column = f"{t.id}.{probe}"
                    if column in columns and name(column, i) in plan.layout.input_index:
                        self.pairs.append((column, name(column, i), index[name(t.id, i)], index[t.id]))
        self.currents: list[tuple[int, str]] = []
        self.ambients: list[tuple[int, str]] = []
        self.oils: list[tuple[int, str]] = []
        for unit in plan.layout.transformers:
            plain = unit.id.partition("~")[0]
            self.ambients.append((unit.index, f"{plain}.ambient_c"))
            self.oils.append((unit.index, f"{plain}.top_oil_c"))
            for w in unit.windings:
                self.currents.append((w.place, f"{plain}.{w.settings.id}.current_a"))

    def add(
        self,
        state: engine.State,
        cells: Mapping[str, float | None],
        mono_ns: int,
        readings: dict[str, Reading],
    ) -> None:
        moved = self.moved(state, cells, mono_ns)
        for column, own, mine, first in self.pairs:
            value = cells[column]
            if value is None:
                readings[own] = Reading(None, _MISSING, mono_ns, "no oil in the trace", "replay")
                continue
            by = 0.0 if moved is None else float(moved[mine] - moved[first])
            readings[own] = Reading(value + (by if by == by else 0.0), ESTIMATED, mono_ns, "", "replay")

    def moved(
        self, state: engine.State, cells: Mapping[str, float | None], mono_ns: int
    ) -> np.ndarray | None:
        """The model's oil at this row [degC] (T,); None before the first."""
        if state.thermal is None or state.estimate is None:
            return None
        n_t, n_w = len(self.model.transformers), len(self.model.windings)

        def values(size: int, of: list[tuple[int, str]]) -> tuple[np.ndarray, np.ndarray]:
            result = np.full(size, np.nan)
            for place, column in of:
                value = cells.get(column)
                if value is not None:
                    result[place] = value
            return result, np.where(np.isnan(result), 0, mono_ns)

        current, current_ns = values(n_w, self.currents)
        if self.model.derived:
            current, current_ns = track.derived_currents(self.model, current, current_ns)
        ambient, ambient_ns = values(n_t, self.ambients)
        oil, oil_ns = values(n_t, self.oils)
        mode = np.array([ts.mode for ts in state.transformers], np.int64)
        sample = track.Sample(mono_ns, oil, oil_ns, ambient, ambient_ns, current, current_ns, mode)
        return track.advance(self.model, state.thermal, sample)[1].expected_oil_c
