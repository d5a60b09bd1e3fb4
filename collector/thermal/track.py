"""Hot spot, oil and ageing followed through time: samples in, a new state and an estimate out.

Pure: no clock, no I/O, no "now" but the sample's. State arrays are read-only; every step returns new ones.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.thermal.kernel import Path, Regime, ageing_rate, integrate, regime, steady, steady_state
from collector.thermal.model import SENSE_HOT_SPOT_C, Bools, Floats, Ints, Model
from collector.thermal.params import HIGHEST_AMBIENT_C


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """What one step knows. W windings and T transformers in the order of the :class:`Model`.

    t_ns: time of this step [ns], later than the state's.
    oil_c, oil_ns: measured top oil [degC] and the time of each sample [ns], shape (T,).
    ambient_c, ambient_ns: ambient air [degC] and its sample time [ns], shape (T,).
    current_a, current_ns: winding current, primary [A, rms], and its sample time [ns], shape (W,).
        Of a winding with a derived current: see :func:`derived_currents`.
        NaN = no good sample now. A value whose time is not later than that input's last one is no new
        sample and is ignored, so the latest reading may simply be handed in again at each step.
    mode: cooling mode in force *from t_ns on*: index into ``Model.mode_ids[t]``, shape (T,).
    energised: shape (T,), None = all. From t_ns on.
    oil_substituted: shape (T,), None = nowhere: the oil sensor is lost, the estimate stands in from t_ns on.
    current_substituted: shape (W,), None = nowhere: current_a is not measured but put in by the
        lost-input rule [A]; its current_ns is not looked at.
    rated_scale: factor on the rated current by tap position, shape (W,), None = 1. From t_ns on.
    loss_scale: factor on the load loss by tap position, shape (T,), None = 1. From t_ns on.
    returning: (input, value, sample time [ns]) of good samples that do not count yet, since their input has
        only just come back; input in the order of the model's rows (currents, ambient, oil). Nothing is
        published from them; once the input counts again they are corners of its line.
    """

    t_ns: int
    oil_c: Floats
    oil_ns: Ints
    ambient_c: Floats
    ambient_ns: Ints
    current_a: Floats
    current_ns: Ints
    mode: Ints
    energised: Bools | None = None
    oil_substituted: Bools | None = None
    current_substituted: Bools | None = None
    rated_scale: Floats | None = None
    loss_scale: Floats | None = None
    returning: tuple[tuple[int, float, int], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """What is known at ``t_ns``. Temperatures are NaN for a transformer that has not started.

    hot_spot_c: [degC] (W,). gradient_k: hot spot minus top oil [K] (W,). load_pu: K in the mode in
    force (W,). uncertainty_k: expanded uncertainty of the hot spot, k = 2 [K] (W,).
    oil_c: top oil used, measured or (while substituted) estimated [degC] (T,).
    expected_oil_c: what load, ambient and mode explain [degC] (T,).
    effectiveness_k: oil_c as last measured minus expected [K] (T,); while the sensor is lost, the
    difference that is carried on.
    ageing_rate: relative ageing rate now (W,).
    loss_of_life_h: [h] shape (3, W): at hot spot minus U, best, plus U. Decreases by :func:`corrected` only.
    equivalent_day, equivalent_month, equivalent_total: equivalent ageing factor of the last 24 h
    (beginning at a full hour), the last 30 days (beginning at a full day), since the start (W,).
    hottest: index of the hottest winding of each transformer (T,).
    started: all inputs have been seen, the estimate is running (T,).
    start_questionable: less than 3 tau_o/k22 since a start without a state (T,).
    gap: some input is lost or came back less than one step ago; no line was drawn across (T,).
    bridged: a restart gap is being, or was just, drawn across by a line (T,).
    refused: some value was outside physical sense or not finite and was not used (T,).
    lag_s: how far the part of the integral that no later sample can change is behind t_ns [s].
    z, regime: compartments now and parameters in force from now on, as kernel.integrate takes them, for
    forecasts (with effectiveness_k as the offset).
    """

    t_ns: int
    hot_spot_c: Floats
    gradient_k: Floats
    load_pu: Floats
    uncertainty_k: Floats
    oil_c: Floats
    expected_oil_c: Floats
    effectiveness_k: Floats
    ageing_rate: Floats
    loss_of_life_h: Floats
    equivalent_day: Floats
    equivalent_month: Floats
    equivalent_total: Floats
    hottest: Ints
    started: Bools
    start_questionable: Bools
    gap: Bools
    bridged: Bools
    refused: Bools
    lag_s: float
    z: Floats
    regime: Regime


@dataclass(frozen=True, slots=True, eq=False)
class ThermalState:
    """Everything the model remembers. Opaque to other rooms but for the fields named here.

    t_ns: time of the last step [ns]. unmonitored_s: time without model, not in loss of life [s] (T,).
    unmonitored_life_h: conservative figure for that time [h] (W,), see :func:`resume`.
    unknown_gaps: number of restarts after an unknown time (T,).
    """

    t_ns: int
    #: up to here all inputs are known for good; z, offset_k (measured - expected oil), inputs belong to it
    firm_ns: int
    z: Floats
    offset_k: Floats
    inputs: Floats
    #: last value of each input, measured or substituted, NaN = never; time of its last good sample (I,)
    latest: Floats
    good_ns: Ints
    #: what a restart adds to the longest gap that is bridged [ns] (I,)
    slack_ns: Ints
    #: gap too long: no longer waited for (I,); current put in by the lost-input rule (W,)
    lost: Bools
    filling: Bools
    #: knots after firm_ns, and what is in force from firm_ns on
    rows: tuple[_Row, ...]
    controls: tuple[_Control, ...]
    #: firm and live are one, nothing waits, nothing is substituted, all have started
    simple: bool
    started: Bools
    restored: Bools
    bridging: Bools
    settled_ns: Ints
    #: loss of life at firm_ns, and the highest ever published [h] (3, W)
    life_h: Floats
    published_h: Floats
    monitored_s: Floats
    start: _Mark
    hours: tuple[_Mark, ...]
    days: tuple[_Mark, ...]
    windows: Floats
    unmonitored_s: Floats
    unmonitored_life_h: Floats
    unknown_gaps: Ints


_S = 1_000_000_000
_HOUR = 3600 * _S
_DAY = 24 * _HOUR
#: A step is two knots this far apart.
_STEP_NS = 1
#: At most so many rows wait for a missing sample; then its gap counts as longer than may be bridged.
_MOST_PENDING = 1500
_NEVER = -(1 << 62)


class _Row(NamedTuple):
    """Knots of inputs at one time: NaN where an input has none. fill: held or substituted, no sample.

    back: samples of inputs that do not count yet; NaN where none.
    """

    t_ns: int
    values: Floats
    fill: Bools
    back: Floats


class _Control(NamedTuple):
    """What is in force from t_ns on. estimated: transformers on estimated oil (None = none)."""

    t_ns: int
    regime: Regime
    estimated: Bools | None


class _Mark(NamedTuple):
    """Published loss of life [h] (W,) and monitored time [s] (T,) at a time, for the ageing factors."""

    t_ns: int
    life_h: Floats
    monitored_s: Floats


def _const(array: NDArray[Any]) -> NDArray[Any]:
    array.setflags(write=False)
    return array


def initial(model: Model, t_ns: int) -> ThermalState:
    """A state that has seen nothing; loss of life begins at the settings' ``loss_of_life_start_h``."""
    w, t = len(model.windings), len(model.transformers)
    i = w + 2 * t
    life = _const(np.tile(model.life_start_h, (3, 1)))
    monitored = _const(np.zeros(t))
    start = _Mark(t_ns, model.life_start_h, monitored)
    return ThermalState(
        t_ns=t_ns,
        firm_ns=t_ns,
        z=_const(np.concatenate((np.zeros(2 * w), np.full(t, 20.0)))),
        offset_k=_const(np.zeros(t)),
        inputs=_const(np.concatenate((np.zeros(w), np.full(2 * t, 20.0)))),
        latest=_const(np.full(i, np.nan)),
        good_ns=_const(np.full(i, _NEVER, dtype=np.int64)),
        slack_ns=_const(np.zeros(i, dtype=np.int64)),
        lost=_const(np.zeros(i, dtype=np.bool_)),
        filling=_const(np.zeros(w, dtype=np.bool_)),
        rows=(),
        controls=(_Control(t_ns, regime(model, np.zeros(t, dtype=np.int64)), None),),
        simple=False,
        started=_const(np.zeros(t, dtype=np.bool_)),
        restored=_const(np.zeros(t, dtype=np.bool_)),
        bridging=_const(np.zeros(t, dtype=np.bool_)),
        settled_ns=_const(np.full(t, t_ns, dtype=np.int64)),
        life_h=life,
        published_h=life,
        monitored_s=monitored,
        start=start,
        hours=(start,),
        days=(start,),
        windows=_windows(model, start, (start,), (start,)),
        unmonitored_s=monitored,
        unmonitored_life_h=_const(np.zeros(w)),
        unknown_gaps=_const(np.zeros(t, dtype=np.int64)),
    )


# --- the step ----------------------------------------------------------------------------------------


def advance(model: Model, state: ThermalState, sample: Sample) -> tuple[ThermalState, Estimate]:
    """Carry the state to ``sample.t_ns``.

    Each input runs on a straight line between its own consecutive good samples, though the samples of
    different inputs are not simultaneous or one is missing for a while. What lies before the oldest "last
    good sample" can no longer change and is kept as the *firm* state. What is published is the *live*
    estimate: the firm state carried on to now with the samples at hand and, beyond the last one, the held
    or substituted value. When a missing sample arrives the firm state follows along the line.

    A gap longer than ``Model.gap_s`` is not bridged: the last good value is held until a substituted one
    takes over, and the value after the gap begins anew.

    A value that is not finite or beyond physical sense, or a sample time in the future, is not used and
    flagged ``refused``. ValueError when time does not go forward or an array has the wrong shape; then
    nothing has changed.
    """
    t = sample.t_ns
    if t <= state.t_ns:
        raise ValueError(f"time goes backwards: step at {t} ns after {state.t_ns} ns (must be later)")
    values = np.concatenate((sample.current_a, sample.ambient_c, sample.oil_c))
    times = np.concatenate((sample.current_ns, sample.ambient_ns, sample.oil_ns))
    if values.shape != state.inputs.shape or times.shape != values.shape:
        raise ValueError(
            f"sample does not fit: {values.shape[0]} values, {times.shape[0]} times; the model has"
            f" {len(model.windings)} windings and {len(model.transformers)} transformers"
        )
    sane = (values >= model.input_low) & (values <= model.input_high)
    new = sane & (times > state.good_ns) & (times <= t)
    now = regime(model, sample.mode, sample.energised, sample.rated_scale, sample.loss_scale)
    estimated = sample.oil_substituted
    if estimated is not None and not estimated.any():
        estimated = None
    filled = sample.current_substituted
    if filled is not None and not filled.any():
        filled = None
    if (
        state.simple
        and not sample.returning
        and estimated is None
        and filled is None
        and t - state.t_ns <= int(model.gap_s * _S)
        and (np.where(new, times, _NEVER) == np.where(state.lost, _NEVER, t)).all()
    ):
        return _simple(model, state, t, values, times, sane, new, now)
    return _general(model, state, t, values, times, sane, new, now, estimated, filled, sample.returning)


def _simple(
    model: Model,
    state: ThermalState,
    t: int,
    values: Floats,
    times: Ints,
    sane: Bools,
    new: Bools,
    now: Regime,
) -> tuple[ThermalState, Estimate]:
    """The usual case: every input was sampled at this very time, so firm and live are one."""
    control = state.controls[0]
    if new.all():
        inputs = latest = values
    else:
        inputs, latest = np.where(new, values, state.inputs), np.where(new, values, state.latest)
    dt_s = np.array([(t - state.t_ns) / _S])
    line = np.array((state.inputs, inputs))
    path = _integrate(model, control.regime, state.z, state.offset_k, dt_s, line, None)
    life = state.life_h + path.life_s[:, 0] / 3600.0
    published = np.maximum(state.published_h, life)
    monitored = state.monitored_s + dt_s
    hours = _marked(state.hours, _HOUR, 24, t, published, monitored)
    days = _marked(state.days, _DAY, 30, t, published, monitored)
    same = hours is state.hours and days is state.days
    windows = state.windows if same else _windows(model, state.start, hours, days)
    bridging = state.bridging
    following = ThermalState(
        t_ns=t,
        firm_ns=t,
        z=_const(path.z[0]),
        offset_k=_const(path.offset_k),
        inputs=_const(inputs),
        latest=_const(latest),
        good_ns=_const(np.where(new, times, state.good_ns)),
        slack_ns=state.slack_ns,
        lost=state.lost,
        filling=state.filling,
        rows=(),
        controls=state.controls if now is control.regime else (_Control(t, now, None),),
        simple=True,
        started=state.started,
        restored=state.restored,
        bridging=bridging,
        settled_ns=state.settled_ns,
        life_h=_const(life),
        published_h=_const(published),
        monitored_s=_const(monitored),
        start=state.start,
        hours=hours,
        days=days,
        windows=windows,
        unmonitored_s=state.unmonitored_s,
        unmonitored_life_h=state.unmonitored_life_h,
        unknown_gaps=state.unknown_gaps,
    )
    if bridging.any():
        none = _const(np.zeros_like(bridging))
        following = replace(following, bridging=none, slack_ns=_const(np.zeros_like(state.slack_ns)))
    gap = None if new.all() else state.lost & ~np.isnan(state.latest)
    return following, _estimate(model, following, path, gap, bridging, _refused(sane, values))


def _integrate(
    model: Model,
    regime: Regime,
    z: Floats,
    offset_k: Floats,
    dt_s: Floats,
    inputs: Floats,
    estimated: Bools | None,
) -> Path:
    """`kernel.integrate`, whose figures are bounded; yet should one not be finite, it alone is left out.

    Its compartment stays as it was, no life is counted on it, and its hot spot stands at the bound, which is
    beyond every alarm and marked as out of range: one winding's figure must not end the others', nor a
    checkpoint, which takes only numbers.
    """
    path = integrate(model, regime, z, offset_k, dt_s, inputs, estimated)
    if np.isfinite(path.z).all() and np.isfinite(path.life_s).all() and np.isfinite(path.offset_k).all():
        return path
    bound, zero = SENSE_HOT_SPOT_C, 0.0
    return Path(
        z=np.where(np.isfinite(path.z), path.z, z),
        load_pu=_finite(path.load_pu, zero),
        oil_c=_finite(path.oil_c, bound),
        expected_c=_finite(path.expected_c, bound),
        hot_spot_c=_finite(path.hot_spot_c, bound),
        uncertainty_k=_finite(path.uncertainty_k, zero),
        rate=_finite(path.rate, zero),
        life_s=_finite(path.life_s, zero),
        offset_k=np.where(np.isfinite(path.offset_k), path.offset_k, offset_k),
    )


def _finite(values: Floats, otherwise: float) -> Floats:
    return np.where(np.isfinite(values), values, otherwise)


def _refused(sane: Bools, values: Floats) -> Bools | None:
    return None if sane.all() else ~sane & ~np.isnan(values)


def _general(
    model: Model,
    state: ThermalState,
    t: int,
    values: Floats,
    times: Ints,
    sane: Bools,
    new: Bools,
    now: Regime,
    estimated: Bools | None,
    filled: Bools | None,
    returning: tuple[tuple[int, float, int], ...],
) -> tuple[ThermalState, Estimate]:
    w, n = len(model.windings), len(model.transformers)
    oil = slice(w + n, None)
    fills = np.zeros(len(values), dtype=np.bool_)
    if filled is not None:
        fills[:w] = filled & sane[:w]
        new[:w] &= ~filled
    if estimated is not None:
        new[oil] &= ~estimated
    latest, good_ns = state.latest.copy(), state.good_ns.copy()
    lost, slack_ns = state.lost.copy(), state.slack_ns.copy()
    running = state.started[model.input_owner]
    seen = ~np.isnan(latest)
    limit = int(model.gap_s * _S) + slack_ns
    late = times - np.where(seen, good_ns, times) > limit
    jump = new & running & (lost | late)  # begins anew
    line = new & running & ~jump  # goes on along a line
    pending = _Pending(state)
    for i, value, at in returning:
        if running[i] and model.input_low[i] <= value <= model.input_high[i] and good_ns[i] < at <= t:
            pending.add_back(i, value, max(at, state.firm_ns + _STEP_NS))

    # a sample within the gap limit wipes out what stood in for it meanwhile
    pending.forget(line, jump)
    controls = list(state.controls)
    back = line[oil]
    if back.any():
        controls = [c._replace(estimated=_without(c.estimated, back)) for c in controls]

    begin_fill = fills[:w] & running[:w] & ~state.filling
    if begin_fill.any():
        held = np.concatenate((begin_fill, np.zeros(2 * n, dtype=np.bool_)))
        pending.add(t - _STEP_NS, held, latest, fill=True)
    pending.add(t, fills & running, values, fill=True)
    for at in np.unique(times[jump]).tolist():
        which = jump & (times == at)
        pending.add(max(at - _STEP_NS, state.firm_ns), which, latest, fill=True)
        pending.add(max(at, state.firm_ns + _STEP_NS), which, values, fill=False)
        controls = _measured_from(controls, max(at - _STEP_NS, state.firm_ns), which[oil])
    for at in np.unique(times[line]).tolist():
        pending.add(at, line & (times == at), values, fill=False)
    latest = np.where(new | fills, values, latest)
    good_ns = np.where(new, times, good_ns)
    slack_ns = np.where(new, 0, slack_ns)
    lost = (lost & ~new) | (running & seen & ~new & (t - good_ns > limit))
    waits = running & ~lost
    if len(pending.rows) > _MOST_PENDING and waits.any():
        lost |= waits & (good_ns == good_ns[waits].min())
        waits &= ~lost

    previous = controls[-1]
    if now is not previous.regime or not _same(estimated, previous.estimated):
        controls.append(_Control(t, now, None if estimated is None else _const(estimated.copy())))

    target = min(t, max(state.firm_ns, int(good_ns[waits].min()))) if waits.any() else t
    stops = sorted({row.t_ns for row in pending.rows} | {c.t_ns for c in controls} | {target, t})
    stops = [stop for stop in stops if state.firm_ns < stop <= t]
    courses = _courses(state.firm_ns, state.inputs, pending.rows, stops)

    # firm up to the target, then live up to now
    z, offset, life = state.z, state.offset_k, state.life_h
    firm_z, firm_offset, firm_life, firm_inputs = z, offset, life, state.inputs
    at, inputs, path = state.firm_ns, state.inputs, None
    alive = state.started[model.owner]
    for end, control in _stretches(controls, state.firm_ns, target, t):
        count = sum(1 for stop in stops if at < stop <= end)
        offset_in_stops = stops.index(next(stop for stop in stops if stop > at))
        block = slice(offset_in_stops, offset_in_stops + count)
        points = np.array([at, *stops[block]], dtype=np.int64)
        path = _integrate(
            model,
            control.regime,
            z,
            offset,
            np.diff(points) / _S,
            np.vstack((inputs, courses[block])),
            control.estimated,
        )
        z, offset, inputs, at = path.z[-1], path.offset_k, courses[block.stop - 1], end
        life = life + np.where(alive, path.life_s.sum(axis=1), 0.0) / 3600.0
        if end == target:
            firm_z, firm_offset, firm_life, firm_inputs = z, offset, life, inputs
    assert path is not None

    # restored, but not all inputs are back: this time is not monitored either
    away_s = np.where(state.restored & ~state.started, (t - state.t_ns) / _S, 0.0)
    unmonitored_s, unmonitored_life_h = _unmonitored(model, state, away_s)
    published = np.maximum(state.published_h, life)
    monitored = state.monitored_s + np.where(state.started, (t - state.t_ns) / _S, 0.0)
    hours = _marked(state.hours, _HOUR, 24, t, published, monitored)
    days = _marked(state.days, _DAY, 30, t, published, monitored)
    bridged = state.bridging
    unbridged = np.zeros(n, dtype=np.bool_)
    np.logical_or.at(unbridged, model.input_owner, slack_ns > 0)
    following = replace(
        state,
        t_ns=t,
        firm_ns=target,
        z=_const(np.array(firm_z)),
        offset_k=_const(np.array(firm_offset)),
        inputs=_const(np.array(firm_inputs)),
        latest=_const(latest),
        good_ns=_const(good_ns),
        slack_ns=_const(slack_ns),
        lost=_const(lost),
        filling=_const(fills[:w]),
        rows=tuple(row for row in pending.rows if row.t_ns > target),
        controls=_in_force(controls, target),
        bridging=_const(bridged & unbridged),
        life_h=_const(np.array(firm_life)),
        published_h=_const(published),
        monitored_s=_const(monitored),
        hours=hours,
        days=days,
        windows=_windows(model, state.start, hours, days),
        unmonitored_s=unmonitored_s,
        unmonitored_life_h=unmonitored_life_h,
    )
    gap = (lost & ~np.isnan(latest) & running) | jump
    ready = ~state.started & _complete(model, latest, estimated)
    if ready.any():
        following, path = _start(model, following, ready, estimated, path)
    simple = (
        not following.rows
        and target == t
        and len(following.controls) == 1
        and following.controls[0].estimated is None
        and not fills.any()
        and bool(following.started.all())
    )
    following = replace(following, simple=simple)
    return following, _estimate(model, following, path, gap, bridged, _refused(sane, values))


class _Pending:
    """Knots that lie after the firm state, in order of time. Lives within one step only."""

    def __init__(self, state: ThermalState) -> None:
        self.rows = list(state.rows)
        self.none = _const(np.full_like(state.inputs, np.nan))

    def forget(self, line: Bools, jump: Bools) -> None:
        """Inputs that are back. Along a line: samples that did not count yet now do, held and substituted
        knots go. With a jump: samples that did not count yet go."""
        kept = []
        for row in self.rows:
            wiped = row.fill & line
            counts = line & ~np.isnan(row.back)
            gone = jump & ~np.isnan(row.back)
            if wiped.any() or counts.any() or gone.any():
                values = np.where(counts, row.back, np.where(wiped, np.nan, row.values))
                back = np.where(counts | gone, np.nan, row.back)
                row = _Row(row.t_ns, _const(values), _const(row.fill & ~wiped), _const(back))
                if np.isnan(values).all() and np.isnan(back).all():
                    continue
            kept.append(row)
        self.rows = kept

    def _at(self, t_ns: int) -> int:
        """Index of the row at a time, which is put in if there is none."""
        index = bisect_left(self.rows, t_ns, key=lambda row: row.t_ns)
        if index == len(self.rows) or self.rows[index].t_ns != t_ns:
            no = _const(np.zeros(len(self.none), dtype=np.bool_))
            self.rows.insert(index, _Row(t_ns, self.none, no, self.none))
        return index

    def add(self, t_ns: int, which: Bools, values: Floats, fill: bool) -> None:
        """Knots of some inputs at a time; one that stands there already stays, unless it only filled in."""
        if which.any():
            index = self._at(t_ns)
            row = self.rows[index]
            free = which & (np.isnan(row.values) | (row.fill & (not fill)))
            merged, filled = np.where(free, values, row.values), np.where(free, fill, row.fill)
            self.rows[index] = row._replace(values=_const(merged), fill=_const(filled))

    def add_back(self, i: int, value: float, t_ns: int) -> None:
        """A sample that does not count yet."""
        index = self._at(t_ns)
        back = np.array(self.rows[index].back)
        back[i] = value
        self.rows[index] = self.rows[index]._replace(back=_const(back))


def _courses(from_ns: int, inputs: Floats, rows: list[_Row], stops: list[int]) -> Floats:
    """Every input at the stops, on straight lines through its knots, held beyond the last: (stops, I)."""
    if len(rows) == 1 and len(stops) == 1 and rows[0].t_ns == stops[0] and not np.isnan(rows[0].values).any():
        return rows[0].values[None, :]
    size = len(inputs)
    following = np.full((len(rows) + 1, size), np.nan)
    when = np.zeros((len(rows) + 1, size))
    for i in range(len(rows) - 1, -1, -1):
        row = rows[i]
        knot = ~np.isnan(row.values)
        following[i] = np.where(knot, row.values, following[i + 1])
        when[i] = np.where(knot, (row.t_ns - from_ns) / _S, when[i + 1])
    result = np.empty((len(stops), size))
    value, at_s, i = inputs, 0.0, 0
    for j, stop in enumerate(stops):
        while i < len(rows) and rows[i].t_ns < stop:
            i += 1
        s = (stop - from_ns) / _S
        ahead = when[i] - at_s
        with np.errstate(invalid="ignore", divide="ignore"):
            moved = value + (following[i] - value) * ((s - at_s) / ahead)
        value = np.where(np.isnan(following[i]), value, np.where(when[i] == s, following[i], moved))
        result[j] = value
        at_s = s
    return result


def _stretches(controls: list[_Control], begin: int, target: int, end: int) -> Iterator[tuple[int, _Control]]:
    """(end of stretch, control in force) from begin to end, cut at control changes and at the target."""
    cuts = sorted({c.t_ns for c in controls if begin < c.t_ns < end} | {target, end} - {begin})
    for cut in cuts:
        yield cut, next(c for c in reversed(controls) if c.t_ns < cut)


def _measured_from(controls: list[_Control], t_ns: int, back: Bools) -> list[_Control]:
    """The controls with some transformers no longer on estimated oil from t_ns on."""
    before = [c for c in controls if c.t_ns <= t_ns]
    if not back.any() or not before:
        return controls
    if before[-1].t_ns < t_ns:
        before.append(before[-1]._replace(t_ns=t_ns))
    later = [before[-1], *controls[len([c for c in controls if c.t_ns <= t_ns]) :]]
    return before[:-1] + [c._replace(estimated=_without(c.estimated, back)) for c in later]


def _in_force(controls: list[_Control], t_ns: int) -> tuple[_Control, ...]:
    """The control in force just after t_ns, and all later ones."""
    index = max(i for i, c in enumerate(controls) if c.t_ns <= t_ns or i == 0)
    return tuple(controls[index:])


def _same(a: Bools | None, b: Bools | None) -> bool:
    return b is None if a is None else b is not None and bool((a == b).all())


def _without(estimated: Bools | None, back: Bools) -> Bools | None:
    if estimated is None:
        return None
    left = estimated & ~back
    return _const(left) if left.any() else None


# --- start -------------------------------------------------------------------------------------------


def _complete(model: Model, latest: Floats, estimated: Bools | None) -> Bools:
    """Transformers of which enough has been seen: all currents and the oil, or ambient to estimate it."""
    w, n = len(model.windings), len(model.transformers)
    known = ~np.isnan(latest)
    oil = known[w + n :]
    if estimated is not None:
        oil = oil | (estimated & known[w : w + n])
    return np.logical_and.reduceat(known[:w], model.first) & oil


def _start(
    model: Model, state: ThermalState, ready: Bools, estimated: Bools | None, path: Path
) -> tuple[ThermalState, Path]:
    """Begin with the transformers that are ready, as if they had long stood as they stand now.

    The expected oil begins at the measured oil. With a restored state: the higher of that and this.
    """
    w, n = len(model.windings), len(model.transformers)
    own = ready[model.owner]
    which = ready[model.input_owner]
    r = state.controls[-1].regime
    known = ~np.isnan(state.latest)
    inputs = np.where(which & known, state.latest, state.inputs)
    z = steady(model, r, inputs)
    rise = z[2 * w :] - inputs[w : w + n] * r.ambient_gain
    ambient, oil = inputs[w : w + n], inputs[w + n :]
    # without an ambient the expectation has nothing to stand on: it begins with the one that fits
    ambient = np.where(ready & ~known[w : w + n], oil - rise, ambient)
    oil = np.where(ready & ~known[w + n :], ambient + rise, oil)
    inputs = np.concatenate((inputs[:w], ambient, oil))
    z[2 * w :] = np.where(r.ambient_gain > 0, oil, oil - ambient)
    restored = state.restored & ready
    if restored.any():
        hotter = restored[model.owner] & (state.z[:w] - state.z[w : 2 * w] > z[:w] - z[w : 2 * w])
        both = np.concatenate((hotter, hotter, restored & (state.z[2 * w :] > z[2 * w :])))
        z = np.where(both, state.z, z)
    z = np.where(np.concatenate((own, own, ready)), z, state.z)
    expected = z[2 * w :] + ambient * (1.0 - r.ambient_gain)
    absent = which & ~known
    state = replace(
        state,
        z=_const(z),
        inputs=_const(inputs),
        offset_k=_const(np.where(ready, oil - expected, state.offset_k)),
        started=_const(state.started | ready),
        restored=_const(state.restored & ~ready),
        lost=_const(state.lost | absent),
        settled_ns=_const(np.where(ready, state.t_ns + (r.settle_s * _S).astype(np.int64), state.settled_ns)),
    )
    now = _integrate(model, r, state.z, state.offset_k, np.zeros(1), np.stack((inputs, inputs)), estimated)
    mixed = {}
    for name in ("load_pu", "hot_spot_c", "uncertainty_k", "rate"):
        mixed[name] = np.where(own, getattr(now, name)[-1:], getattr(path, name)[-1:])
    for name in ("oil_c", "expected_c"):
        mixed[name] = np.where(ready, getattr(now, name)[-1:], getattr(path, name)[-1:])
    mixed["z"] = np.where(np.concatenate((own, own, ready)), now.z[-1:], path.z[-1:])
    return state, replace(path, offset_k=np.where(ready, now.offset_k, path.offset_k), **mixed)


# --- the estimate ------------------------------------------------------------------------------------


def _marked(
    marks: tuple[_Mark, ...], every: int, keep: int, t: int, published: Floats, monitored: Floats
) -> tuple[_Mark, ...]:
    """Marks at full hours or days; the first is the beginning of the window that ends now."""
    if t // every == marks[-1].t_ns // every:
        return marks
    oldest = (t // every - keep) * every
    kept = [mark for mark in marks if mark.t_ns >= oldest]
    return (*kept, _Mark(t, _const(np.array(published[1])), _const(np.array(monitored))))


def _windows(model: Model, start: _Mark, hours: tuple[_Mark, ...], days: tuple[_Mark, ...]) -> Floats:
    """Loss of life [h] and monitored time [h] at the beginning of the three windows: (2, 3, W)."""
    marks = (hours[0], days[0], start)
    return _const(np.array([[m.life_h for m in marks], [m.monitored_s[model.owner] / 3600.0 for m in marks]]))


def _per_transformer(model: Model, flags: Bools | None) -> Bools:
    result = np.zeros(len(model.transformers), dtype=np.bool_)
    if flags is not None:
        result[model.input_owner[flags]] = True
    return result


def _estimate(
    model: Model, state: ThermalState, path: Path, gap: Bools | None, bridged: Bools, refused: Bools | None
) -> Estimate:
    hot, oil, expected, offset = path.hot_spot_c[-1], path.oil_c[-1], path.expected_c[-1], path.offset_k
    load, u, rate = path.load_pu[-1], path.uncertainty_k[-1], path.rate[-1]
    gradient = hot - oil[model.owner]
    # equivalent ageing factor: loss of life over monitored time; NaN before any time has passed
    monitored_h = (state.monitored_s / 3600.0)[model.owner]
    hours = monitored_h - state.windows[1]
    if not hours.all():
        hours[hours == 0.0] = np.nan
    factors = (state.published_h[1] - state.windows[0]) / hours
    # Beyond the bound a figure says nothing about a transformer; the states behind it are kept as they are.
    hot, oil, expected = (np.minimum(x, SENSE_HOT_SPOT_C) for x in (hot, oil, expected))
    highest = np.maximum.reduceat(hot, model.first)
    index = np.where(hot == highest[model.owner], np.arange(len(hot)), len(hot))
    hottest = np.minimum.reduceat(index, model.first)
    if not state.started.all():
        on, own = state.started, state.started[model.owner]
        oil, expected, offset = (np.where(on, x, np.nan) for x in (oil, expected, offset))
        hot, gradient, load, u, rate = (np.where(own, x, np.nan) for x in (hot, gradient, load, u, rate))
    return Estimate(
        t_ns=state.t_ns,
        hot_spot_c=hot,
        gradient_k=gradient,
        load_pu=load,
        uncertainty_k=u,
        oil_c=oil,
        expected_oil_c=expected,
        effectiveness_k=offset,
        ageing_rate=rate,
        loss_of_life_h=state.published_h,
        equivalent_day=factors[0],
        equivalent_month=factors[1],
        equivalent_total=factors[2],
        hottest=hottest,
        started=state.started,
        start_questionable=state.settled_ns > state.t_ns,
        gap=_per_transformer(model, gap),
        bridged=bridged,
        refused=_per_transformer(model, refused),
        lag_s=(state.t_ns - state.firm_ns) / _S,
        z=path.z[-1],
        regime=state.controls[-1].regime,
    )


# --- restart and reload ------------------------------------------------------------------------------


def conservative_rate(model: Model) -> Floats:
    """Ageing rate assumed for time without a monitor (W,): rated load, strongest cooling, 40 degC ambient.

    While windingd is away every stage runs (its relays release), and 40 degC is the highest ambient for which
    a unit is rated [IEC 60076-2, from memory]; for a unit that may have been overloaded meanwhile the
    figure is too low and the owner must set it by hand.
    """
    t, w = len(model.transformers), len(model.windings)
    hot, _ = steady_state(model, np.ones(w), np.full(t, HIGHEST_AMBIENT_C), model.strongest)
    return ageing_rate(model, hot)


def resume(model: Model, state: ThermalState, t_ns: int, gap_s: float | None, bridge: bool) -> ThermalState:
    """A restored state made ready to go on at ``t_ns`` of the present boot, ``gap_s`` after it was saved.

    gap_s: None = unknown (other boot, wall clock not plausible). bridge: the gap is short enough
    (``bridge_s``) and on the same boot: it is integrated with inputs on a line and flagged. Otherwise the
    higher of the restored and the steady state is taken at the first sample, the gap is counted apart
    as unmonitored hours, and ``unmonitored_life_h`` grows by gap x the higher of the ageing rate of
    the restored state and :func:`conservative_rate`. An unknown gap is only counted.

    ValueError for a negative gap.
    """
    if gap_s is not None and not 0 <= gap_s < float("inf"):
        raise ValueError(f"gap of {gap_s} s (must be zero or more, or None if unknown)")
    gap_ns = 0 if gap_s is None else round(gap_s * _S)
    shift = t_ns - gap_ns - state.t_ns
    moved = _shifted(state, shift)
    if bridge and gap_s is not None:
        return replace(
            moved,
            slack_ns=_const(np.where(np.isnan(state.latest) | state.lost, 0, gap_ns)),
            bridging=state.started,
        )
    known = state.started | state.restored
    unmonitored_s, unmonitored_life_h = _unmonitored(model, state, np.where(known, gap_ns / _S, 0.0))
    fresh = initial(model, t_ns)
    return replace(
        moved,
        t_ns=t_ns,
        firm_ns=t_ns,
        latest=fresh.latest,
        good_ns=fresh.good_ns,
        slack_ns=fresh.slack_ns,
        lost=fresh.lost,
        filling=fresh.filling,
        rows=(),
        controls=(_Control(t_ns, state.controls[-1].regime, None),),
        simple=False,
        started=fresh.started,
        restored=_const(state.restored | known),
        bridging=fresh.bridging,
        life_h=state.published_h,
        unmonitored_s=unmonitored_s,
        unmonitored_life_h=unmonitored_life_h,
        unknown_gaps=_const(state.unknown_gaps + (known if gap_s is None else 0)),
    )


def join(
    model: Model, state: ThermalState | None, began: ThermalState | None, found: ThermalState | None
) -> ThermalState | None:
    """The state with what another state of the same windings has counted more than this run began with.

    Temperatures stay; each counter is the higher of `began` and `found` plus what was added since `began`.
    The ageing factors of a day and a month are those of this run.
    """
    if found is None or state is None:
        return state or found
    start = began or initial(model, state.t_ns)
    more_h = np.maximum(0.0, found.published_h - start.published_h)

    def mark(m: _Mark) -> _Mark:
        return m._replace(life_h=_const(m.life_h + more_h[1]))

    def higher(name: str) -> NDArray[Any]:
        gained = np.maximum(0, getattr(found, name) - getattr(start, name))
        return _const(getattr(state, name) + gained)

    first, hours, days = mark(state.start), tuple(map(mark, state.hours)), tuple(map(mark, state.days))
    return replace(
        state,
        life_h=_const(state.life_h + more_h),
        published_h=_const(state.published_h + more_h),
        start=first,
        hours=hours,
        days=days,
        windows=_windows(model, first, hours, days),
        unmonitored_s=higher("unmonitored_s"),
        unmonitored_life_h=higher("unmonitored_life_h"),
        unknown_gaps=higher("unknown_gaps"),
    )


def corrected(model: Model, state: ThermalState, winding: int, life_h: float) -> ThermalState:
    """The state with another published loss of life of one winding [h]: the one way in which it may fall.

    low and high keep their distance from it, and begin anew at 0. The ageing factors stay what they are, for
    their marks move along.
    """
    published = np.array(state.published_h)
    published[:, winding] += life_h - published[1, winding]
    published = np.maximum(published, 0.0)
    if life_h == 0.0:
        published[:, winding] = 0.0
    more_h = published - state.published_h

    def mark(m: _Mark) -> _Mark:
        return m._replace(life_h=_const(m.life_h + more_h[1]))

    first, hours, days = mark(state.start), tuple(map(mark, state.hours)), tuple(map(mark, state.days))
    return replace(
        state,
        life_h=_const(state.life_h + more_h),
        published_h=_const(published),
        start=first,
        hours=hours,
        days=days,
        windows=_windows(model, first, hours, days),
    )


def _unmonitored(model: Model, state: ThermalState, away_s: Floats) -> tuple[Floats, Floats]:
    """Unmonitored time grown by away_s [s] (T,), and its conservative figure with it."""
    if not away_s.any():
        return state.unmonitored_s, state.unmonitored_life_h
    w, n = len(model.windings), len(model.transformers)
    hot = state.inputs[w + n :][model.owner] + state.z[:w] - state.z[w : 2 * w]
    worst = np.maximum(ageing_rate(model, hot), conservative_rate(model))
    life_h = state.unmonitored_life_h + worst * away_s[model.owner] / 3600.0
    return _const(state.unmonitored_s + away_s), _const(life_h)


def _shifted(state: ThermalState, ns: int) -> ThermalState:
    """All times moved, to another boot's monotonic clock."""
    if ns == 0:
        return state
    return replace(
        state,
        t_ns=state.t_ns + ns,
        firm_ns=state.firm_ns + ns,
        good_ns=_const(np.where(state.good_ns == _NEVER, _NEVER, state.good_ns + ns)),
        settled_ns=_const(state.settled_ns + ns),
        rows=tuple(row._replace(t_ns=row.t_ns + ns) for row in state.rows),
        controls=tuple(c._replace(t_ns=c.t_ns + ns) for c in state.controls),
        start=state.start._replace(t_ns=state.start.t_ns + ns),
        hours=tuple(mark._replace(t_ns=mark.t_ns + ns) for mark in state.hours),
        days=tuple(mark._replace(t_ns=mark.t_ns + ns) for mark in state.days),
    )


def migrate(old: Model, new: Model, state: ThermalState) -> ThermalState:
    """The state under new settings: transformers and windings keep theirs by id, new ones start.

    Temperatures, counters and loss of life stay as they are; the new figures act from now on. A transformer
    that gained or lost a winding begins again from the higher of its state and the steady state. Knots that
    waited for a late sample are given up (at most the lag of the live estimate).
    """
    w, n, ow, on = len(new.windings), len(new.transformers), len(old.windings), len(old.transformers)
    fresh = initial(new, state.t_ns)
    pairs_w = [(i, old.winding_index[x]) for i, x in enumerate(new.windings) if x in old.winding_index]
    pairs_t = [
        (i, old.transformer_index[x]) for i, x in enumerate(new.transformers) if x in old.transformer_index
    ]
    to_w, from_w = _split(pairs_w)
    to_t, from_t = _split(pairs_t)
    to_z, from_z = _split(
        pairs_w + [(i + w, j + ow) for i, j in pairs_w] + [(i + 2 * w, j + 2 * ow) for i, j in pairs_t]
    )
    to_i, from_i = _split(
        pairs_w + [(i + w, j + ow) for i, j in pairs_t] + [(i + w + n, j + ow + on) for i, j in pairs_t]
    )

    def kept(name: str, to: Ints, source: Ints, axis: int = -1) -> NDArray[Any]:
        result = np.array(getattr(fresh, name))
        result[..., to] = getattr(state, name)[..., source]
        return _const(result)

    def mark(m: _Mark) -> _Mark:
        life, monitored = np.array(fresh.start.life_h), np.zeros(n)
        life[to_w], monitored[to_t] = m.life_h[from_w], m.monitored_s[from_t]
        return _Mark(m.t_ns, _const(life), _const(monitored))

    z = np.array(kept("z", to_z, from_z))
    inputs = kept("inputs", to_i, from_i)
    ambient = inputs[w : w + n]
    for i, j in pairs_t:  # the other guide: rise over ambient and temperature, one gradient and two
        if new.ieee[i] and not old.ieee[j]:
            z[2 * w + i] -= ambient[i]
        elif old.ieee[j] and not new.ieee[i]:
            z[2 * w + i] += ambient[i]
    changed = np.zeros(w, dtype=np.bool_)
    changed[to_w] = new.ieee[new.owner[to_w]] != old.ieee[old.owner[from_w]]
    k21 = new.k21[0]
    gradient = z[:w] - z[w : 2 * w]
    z[:w] = np.where(changed, k21 * gradient, z[:w])
    z[w : 2 * w] = np.where(changed, (k21 - 1.0) * gradient, z[w : 2 * w])
    grown = np.ones(n, dtype=np.bool_)
    for i, j in pairs_t:
        same = {x for x, o in zip(new.windings, new.owner, strict=True) if o == i} == {
            x for x, o in zip(old.windings, old.owner, strict=True) if o == j
        }
        grown[i] = not same
    started = kept("started", to_t, from_t)
    modes = np.zeros(n, dtype=np.int64)
    r = state.controls[-1].regime
    for i, j in pairs_t:
        name = old.mode_ids[j][int(r.mode[j])]
        modes[i] = new.mode_ids[i].index(name) if name in new.mode_ids[i] else 0
    energised = np.ones(n, dtype=np.bool_)
    energised[to_t] = r.energised[from_t]
    again = started & grown
    latest, good_ns = np.array(kept("latest", to_i, from_i)), np.array(kept("good_ns", to_i, from_i))
    lost = np.array(kept("lost", to_i, from_i))
    anew = again[new.input_owner]
    latest[anew], good_ns[anew], lost[anew] = np.nan, _NEVER, False
    published = kept("published_h", to_w, from_w)
    start = mark(state.start)
    hours, days = tuple(mark(m) for m in state.hours), tuple(mark(m) for m in state.days)
    return replace(
        fresh,
        z=_const(z),
        offset_k=kept("offset_k", to_t, from_t),
        inputs=inputs,
        latest=_const(latest),
        good_ns=_const(good_ns),
        slack_ns=kept("slack_ns", to_i, from_i),
        lost=_const(lost),
        filling=kept("filling", to_w, from_w),
        controls=(_Control(state.t_ns, regime(new, modes, energised), None),),
        started=_const(started & ~grown),
        restored=_const(kept("restored", to_t, from_t) | again),
        bridging=kept("bridging", to_t, from_t),
        settled_ns=kept("settled_ns", to_t, from_t),
        life_h=published,
        published_h=published,
        monitored_s=kept("monitored_s", to_t, from_t),
        start=start,
        hours=hours,
        days=days,
        windows=_windows(new, start, hours, days),
        unmonitored_s=kept("unmonitored_s", to_t, from_t),
        unmonitored_life_h=kept("unmonitored_life_h", to_w, from_w),
        unknown_gaps=kept("unknown_gaps", to_t, from_t),
    )


def _split(pairs: list[tuple[int, int]]) -> tuple[Ints, Ints]:
    return np.array([i for i, _ in pairs], dtype=np.int64), np.array([j for _, j in pairs], dtype=np.int64)


# --- to and from JSON --------------------------------------------------------------------------------


def _out(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return [_out(item) for item in value.tolist()]
    if isinstance(value, list):
        return [_out(item) for item in value]
    return None if isinstance(value, float) and value != value else value


def to_dict(state: ThermalState) -> dict[str, Any]:
    """JSON-able; :func:`from_dict` gives the same bits back (floats by their shortest exact decimal)."""
    result: dict[str, Any] = {}
    for f in fields(state):
        value = getattr(state, f.name)
        if f.name == "rows":
            value = [[row.t_ns, _out(row.values), _out(row.fill), _out(row.back)] for row in value]
        elif f.name == "controls":
            value = [
                {
                    "t_ns": c.t_ns,
                    "mode": _out(c.regime.mode),
                    "energised": _out(c.regime.energised),
                    "rated_scale": _out(c.regime.rated_scale),
                    "loss_scale": _out(c.regime.loss_scale),
                    "estimated": None if c.estimated is None else _out(c.estimated),
                }
                for c in value
            ]
        elif f.name in ("hours", "days"):
            value = [[m.t_ns, _out(m.life_h), _out(m.monitored_s)] for m in value]
        elif f.name == "start":
            value = [value.t_ns, _out(value.life_h), _out(value.monitored_s)]
        else:
            value = _out(value)
        result[f.name] = value
    return result


def from_dict(model: Model, data: dict[str, Any]) -> ThermalState:
    """Inverse of :func:`to_dict`. ValueError if it is damaged or of another station."""
    like = initial(model, 0)
    try:
        values: dict[str, Any] = {}
        for f in fields(like):
            pattern, value = getattr(like, f.name), data[f.name]
            if isinstance(pattern, np.ndarray):
                values[f.name] = _in(value, pattern)
            elif f.name == "rows":
                values["rows"] = tuple(
                    _Row(int(t), _in(v, like.inputs), _in(fill, like.lost), _in(back, like.inputs))
                    for t, v, fill, back in value
                )
            elif f.name == "controls":
                values["controls"] = tuple(_control(model, like, c) for c in value)
            elif f.name in ("hours", "days"):
                values[f.name] = tuple(_mark(like, m) for m in value)
            elif f.name == "start":
                values["start"] = _mark(like, value)
            else:
                values[f.name] = type(pattern)(value)
        if not values["controls"] or not values["hours"] or not values["days"]:
            raise ValueError("nothing in force, or no mark")
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise ValueError(f"thermal state cannot be read: {error!r}") from error
    return _mended(model, ThermalState(**values), like)


def _mended(model: Model, state: ThermalState, like: ThermalState) -> ThermalState:
    """Figures that are not finite, of a state saved without a bound: loss of life goes on from what was
    published or kept last, and a temperature begins anew, as after a gap."""
    finite = ("z", "offset_k", "inputs", "life_h", "published_h", "monitored_s")
    if all(np.isfinite(getattr(state, name)).all() for name in finite):
        return state
    life, published = state.life_h, state.published_h
    life = np.where(np.isfinite(life), life, published)
    life = np.where(np.isfinite(life), life, like.life_h)
    published = np.where(np.isfinite(published), published, life)
    kept = {name: getattr(state, name) for name in ("z", "offset_k", "inputs")}
    n = len(model.transformers)
    bad = np.zeros(n, dtype=np.bool_)
    owners = {
        "z": np.concatenate((model.owner, model.owner, np.arange(n))),
        "offset_k": np.arange(n),
        "inputs": model.input_owner,
    }
    for name, owner in owners.items():
        bad[owner[~np.isfinite(kept[name])]] = True
        kept[name] = _const(np.where(np.isfinite(kept[name]), kept[name], getattr(like, name)))
    latest = np.where(bad[model.input_owner], np.nan, state.latest)
    return replace(
        state,
        **kept,
        life_h=_const(life),
        published_h=_const(published),
        monitored_s=_const(_finite(state.monitored_s, 0.0)),
        latest=_const(latest),
        simple=state.simple and not bad.any(),
        started=_const(state.started & ~bad),
        restored=_const(state.restored | (bad & state.started)),
    )


def _in(value: Any, like: NDArray[Any]) -> NDArray[Any]:
    if like.dtype == np.float64:
        array = np.array(value, dtype=np.object_)
        array = np.where(array == None, np.nan, array).astype(np.float64)  # noqa: E711
    else:
        array = np.array(value, dtype=like.dtype)
    if array.shape != like.shape:
        raise ValueError(f"shape {array.shape} instead of {like.shape}")
    return _const(array)


def _mark(like: ThermalState, value: Any) -> _Mark:
    return _Mark(int(value[0]), _in(value[1], like.start.life_h), _in(value[2], like.start.monitored_s))


def _control(model: Model, like: ThermalState, value: Any) -> _Control:
    r = like.controls[0].regime
    found = regime(
        model,
        _in(value["mode"], r.mode),
        _in(value["energised"], r.energised),
        _in(value["rated_scale"], r.rated_scale),
        _in(value["loss_scale"], r.loss_scale),
    )
    estimated = None if value["estimated"] is None else _in(value["estimated"], like.started)
    return _Control(int(value["t_ns"]), found, estimated)


# --- what the engine needs to make a sample ----------------------------------------------------------


def derived_currents(model: Model, current_a: Floats, current_ns: Ints) -> tuple[Floats, Ints]:
    """Fill in the windings that have a derived current: |sum of factor x current| [A].

    The currents of a phase are added as if in phase with each other, since transducers give magnitudes only.
    At a lagging load on one side and, say, a capacitor bank on a tertiary they are not: the factors must be
    chosen, and accuracy_percent set, with that in mind.

    NaN where a source is NaN. The sample time is the oldest source's. Quality: the worst of the sources,
    ``Model.derived[w]`` gives their indices and factors.
    """
    if not model.derived:
        return current_a, current_ns
    amperes, times = np.array(current_a, dtype=np.float64), np.array(current_ns, dtype=np.int64)
    for index, sources in model.derived.items():
        amperes[index] = abs(sum(factor * float(current_a[s]) for s, factor in sources))
        times[index] = min(int(current_ns[s]) for s, _ in sources)
    return amperes, times


def tap_factors(model: Model, position: Floats) -> tuple[Floats, Floats]:
    """(rated_scale (W,), loss_scale (T,)) for tap positions (T,); NaN = unknown or no tap changer: 1.

    At tap voltage u = 1 + (position - principal) x step the tapped winding carries the same power at 1/u of
    its current. Its loss at that current goes with turns x current^2 = 1/u; the other winding's stays. Half
    the load loss is taken to be the tapped winding's (common practice, no source).
    """
    u = 1.0 + (np.asarray(position, dtype=np.float64) - model.tap_principal) * model.tap_step_pu
    u = np.where(np.isfinite(u) & (u > 0.5) & (u < 2.0), u, 1.0)
    return np.where(model.tapped, 1.0 / u[model.owner], 1.0), 0.5 * (1.0 + 1.0 / u)
