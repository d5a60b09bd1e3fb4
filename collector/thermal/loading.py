"""Permissible loading: how long the present load may stay, and how much may be held for how long.

Pure. No second thermal model here: every temperature comes from kernel.py, many scenarios side by side in
one call. Meant to run about once a minute per transformer, outside the hot path of the step.

[1] IEC 60076-7:2018. [2] IEEE Std C57.91-2011. Limits of both guides are data in params.py, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass

import numpy as np

from collector.settings.model import Settings, Transformer
from collector.thermal import kernel, params
from collector.thermal.ageing import law_in_force, temperature_at
from collector.thermal.model import Floats, Ints, Model, compile_model
from collector.thermal.track import Estimate, Sample

#: Durations of the figures [min].
DURATIONS_MIN = (15.0, 30.0, 60.0, 120.0, 240.0, 480.0)
#: "Minutes until the limit" looks so far ahead [min]; infinity in a result = not reached within it.
HORIZON_MIN = 1440.0
#: A figure stands for so long [min]: the shortest duration; inputs will have moved by then.
VALID_MIN = 15.0

# Candidate loads are so many even steps from zero to the largest limit. Temperatures are smooth in the load:
# a cubic through four steps of 0.15 pu is right within 0.01 K.
_STEPS = 14


def _spaced(*spans: tuple[float, float]) -> Floats:
    """0 and then times [s] at so many minutes' spacing up to so many minutes, span after span."""
    parts, begin = [], 0.0
    for spacing, end in spans:
        parts.append(np.arange(begin, end, spacing))
        begin = end
    return np.append(np.concatenate(parts), begin) * 60.0


# When temperatures are looked at: often while the gradient swings, seldom once only the oil moves. The time
# of a crossing needs closer looks than the peak of a load that only just reaches its limit.
_HOLD_S = _spaced((1.0, 3.0), (3.0, 90.0), (6.0, 120.0), (10.0, 240.0), (20.0, 480.0))
_CROSSING_S = _spaced((1.0, 60.0), (2.0, 180.0), (5.0, 480.0), (15.0, HORIZON_MIN))


@dataclass(frozen=True, slots=True)
class LimitSet:
    """Hot spot and top oil [degC] and load [pu of the rated current with full cooling] not to be exceeded.

    The load limit guards what the thermal model does not know (stray flux, leads, joints); fans do not cool
    that, so it refers to the nameplate also when cooling is missing. longest_min: the set may be used for so
    long; infinity = every day, hot_spot_c being the peak of a cycle.
    """

    id: str
    source: str
    hot_spot_c: float
    top_oil_c: float
    load_pu: float
    longest_min: float


@dataclass(frozen=True, slots=True)
class Part:
    """A bushing, tap changer, CT or lead in series with a winding."""

    name: str
    winding: int
    max_current_a: float


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """One transformer made ready. Build it with :func:`plan`; it never changes.

    model: this transformer alone. grid, pair: its copies side by side, for all candidate loads in both
    cooling cases, and for the two cases. needs: per mode the stages it needs; pump: stage -> its pump.
    weighted_ambient_c: of the year [degC]. steady_hot_spot_c: at which paper ages as fast as it may without
    end (W,). event_life_h: no figure of a duration costs more [h]; None = no such limit. day_life_h: what
    a day repeated without end may cost [h].
    """

    transformer: str
    model: Model
    grid: Model
    pair: Model
    loads_pu: Floats
    limit_sets: tuple[LimitSet, ...]
    parts: tuple[Part, ...]
    winding_ids: tuple[str, ...]
    needs: tuple[frozenset[str], ...]
    pump: Mapping[str, str | None]
    bubble_inception_c: float | None
    weighted_ambient_c: float
    steady_hot_spot_c: Floats
    event_life_h: float | None
    day_life_h: float


@dataclass(frozen=True, slots=True, eq=False)
class Present:
    """What is known now of one transformer with W windings.

    t_ns: station-monotonic time [ns]. z: compartments of the kernel, (2W + 1,). offset_k: measured minus
    expected top oil [K], carried forward. current_a: primary, (W,). ambient_c: [degC].
    rated_scale (W,), loss_scale: by tap position. reason: why no figure may be given; "" = inputs are good.
    """

    t_ns: int
    z: Floats
    offset_k: float
    current_a: Floats
    ambient_c: float
    rated_scale: Floats | None = None
    loss_scale: float = 1.0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Forecast:
    """Load and ambient to come, straight lines between the times, the last value held.

    times_ns: strictly increasing, the first not later than now. load_pu: of the rated current with full
    cooling, highest winding. ambient_c: [degC].
    """

    times_ns: tuple[int, ...]
    load_pu: tuple[float, ...]
    ambient_c: tuple[float, ...]

    def fault(self, t_ns: int) -> str:
        """Why this forecast cannot be used at ``t_ns``; "" when it can."""
        if not len(self.times_ns) == len(self.load_pu) == len(self.ambient_c) >= 2:
            return "forecast: needs two or more times, with a load and an ambient for each"
        if any(b <= a for a, b in zip(self.times_ns, self.times_ns[1:], strict=False)):
            return "forecast: times do not increase"
        if not (all(0 <= k <= 5 for k in self.load_pu) and all(-60 <= a <= 60 for a in self.ambient_c)):
            return "forecast: a load outside 0 to 5 pu, or an ambient outside -60 to 60 degC"
        if not self.times_ns[0] <= t_ns < self.times_ns[-1]:
            return "forecast: does not cover the present"
        return ""


@dataclass(frozen=True, slots=True)
class Hold:
    """The largest load that may be held for a duration.

    duration_min: infinity = without end. load_pu: of the rated current with full cooling, highest winding.
    current_a: of that winding (LoadingResult.winding). limited_by: in plain words. life_h: what it costs in
    that time, of the winding that ages most, at hot spot - U, as estimated, + U [h]; () without end.
    """

    duration_min: float
    load_pu: float
    current_a: float
    limited_by: str
    life_h: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Case:
    """Figures with one state of the cooling.

    without: the stage taken away ("" in the first case). mode: cooling mode reached. minutes: until the limit
    if load and ambient stay, or follow the forecast; infinity = not within HORIZON_MIN. holds: for as long as
    the limit set may be used. continuous: without end, at the weighted ambient of the year;
    present_ambient: the same if it stayed as it is now (with a forecast: at its highest); both None where the
    set is not for every day. reason: why there are no figures (then mode is "", minutes NaN, holds empty).
    """

    without: str
    mode: str
    minutes: float
    minutes_limited_by: str
    holds: tuple[Hold, ...]
    continuous: Hold | None = None
    present_ambient: Hold | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class LoadingResult:
    """Permissible loading of one transformer under one limit set.

    cases: with the stages that are available; the same less the largest stage. Empty when the inputs are bad:
    then ``reason`` says why. valid_until_ns: an older figure is not to be used. winding: the one the loads
    and amperes refer to. bubbles: the hot-spot limit lies above the bubble inception temperature.
    """

    transformer: str
    limits: LimitSet
    t_ns: int
    valid_until_ns: int
    winding: str
    cases: tuple[Case, ...]
    bubbles: bool
    reason: str = ""


# --- limits ------------------------------------------------------------------------------------------


def limit_sets(transformer: Transformer) -> tuple[LimitSet, ...]:
    """The limits of the transformer's own guide first, then of the other, then the user's own."""
    iec = [
        _guide("iec", name, f"IEC 60076-7, {transformer.size}, from memory", limits)
        for name, limits in params.IEC_LIMITS[transformer.size].items()
    ]
    ieee = [
        _guide("ieee", name, "IEEE C57.91, from memory", limits)
        for name, limits in params.IEEE_LIMITS.items()
    ]
    own = [
        LimitSet(s.id, "settings", s.hot_spot_c, s.top_oil_c, s.load_pu, s.longest_min or math.inf)
        for s in transformer.limit_sets
    ]
    return (*iec, *ieee, *own) if transformer.guide == "iec_60076_7" else (*ieee, *iec, *own)


def _guide(guide: str, name: str, source: str, limits: params.LoadingLimits) -> LimitSet:
    words = name.replace(" ", "_").replace("-", "_")
    return LimitSet(f"{guide}_{words}", source, *astuple(limits))


def bubble_inception_c(moisture_percent: float, gas_percent: float = 8.0) -> float:
    """Hot spot at which bubbles may leave wet paper in mineral oil [degC], at atmospheric pressure.

    moisture_percent: water in paper, % of dry weight, usually 0.5 to 4; below 0.5 the value at 0.5:
    the equation is not meant for drier paper. gas_percent: gas in oil by volume; 8 = saturated with air, the
    cautious assumption for breathing tanks.

        theta = 6996.7 / (22.454 + 1.4495 ln W - ln P) - exp(0.473 W) V^1.585 / 30 - 273,   P = 760 torr

    [2], annex A, from memory; about 140 degC at 2 %, which agrees with [1].
    """
    w = max(moisture_percent, 0.5)
    dry = 6996.7 / (22.454 + 1.4495 * math.log(w) - math.log(760.0))
    return float(dry - math.exp(0.473 * w) * gas_percent**1.585 / 30.0 - params.KELVIN)


def bubbling_margin_k(hot_spot_c: float, moisture_percent: float) -> float:
    """Bubble inception temperature minus hot spot [K]; negative = bubbles are to be expected."""
    return bubble_inception_c(moisture_percent) - hot_spot_c


# --- plan -------------------------------------------------------------------------------------------


def plan(settings: Settings, transformer: str) -> Plan:
    """One transformer of checked settings made ready. KeyError: no such transformer."""
    found = {t.id: t for t in settings.transformers}[transformer]
    model = compile_model(settings.model_copy(update={"transformers": (found,)}))
    sets = limit_sets(found)
    ids = tuple(w.id for w in found.windings)
    return Plan(
        transformer=transformer,
        model=model,
        grid=model.tiled(2 * (_STEPS + 1)),
        pair=model.tiled(2),
        loads_pu=np.linspace(0.0, max(s.load_pu for s in sets), _STEPS + 1),
        limit_sets=sets,
        parts=tuple(Part(p.part, ids.index(p.winding), p.max_current_a) for p in found.load_limits),
        winding_ids=ids,
        needs=tuple(frozenset(m.needs) for m in found.modes),
        pump={s.id: s.needs_stage for s in found.stages},
        bubble_inception_c=(
            bubble_inception_c(found.moisture_percent) if found.liquid == "mineral_oil" else None
        ),
        weighted_ambient_c=found.site.ambient_weighted_c,
        steady_hot_spot_c=np.full(
            len(ids),
            temperature_at(
                found.loading.ageing_rate_max,
                law_in_force(found.paper, found.oil_preservation, found.moisture_percent),
            ),
        ),
        event_life_h=found.loading.event_life_h,
        day_life_h=24.0 * found.loading.ageing_rate_max,
    )


def present(model: Model, sample: Sample, estimate: Estimate, transformer: str) -> Present:
    """The present of one transformer of a station, as the last step left it.

    model: of the whole station. sample, estimate: what went into that step and came out of it. Substituted
    or missing inputs give a reason, so that no figure is made of them.
    """
    t, count = model.transformer_index[transformer], len(model.windings)
    w = np.flatnonzero(model.owner == t)
    scale, loss = estimate.regime.rated_scale[w], float(estimate.regime.loss_scale[t])
    return Present(
        t_ns=estimate.t_ns,
        z=np.concatenate((estimate.z[w], estimate.z[count + w], estimate.z[2 * count + t][None])),
        offset_k=float(estimate.effectiveness_k[t]),
        current_a=sample.current_a[w],
        ambient_c=float(sample.ambient_c[t]),
        rated_scale=None if (scale == 1.0).all() else scale,
        loss_scale=loss,
        reason=_unusable(sample, estimate, t, w),
    )


def _unusable(sample: Sample, estimate: Estimate, t: int, w: Ints) -> str:
    if not estimate.started[t]:
        return "the thermal estimate is not running"
    if sample.oil_substituted is not None and sample.oil_substituted[t]:
        return "top oil is not measured"
    if sample.current_substituted is not None and sample.current_substituted[w].any():
        return "a winding current is substituted"
    if estimate.refused[t]:
        return "an input is outside physical sense"
    if estimate.gap[t]:
        return "an input is lost, or has only just come back"
    return ""


def reached_mode(plan: Plan, stages: Collection[str]) -> int | None:
    """Index of the strongest cooling mode that these stages give; None when they satisfy none."""
    working = set(stages)
    while lost := {s for s in working if (pump := plan.pump.get(s)) is not None and pump not in working}:
        working -= lost
    reached = [i for i, needs in enumerate(plan.needs) if needs <= working]
    return reached[-1] if reached else None


def largest_stage(plan: Plan, stages: Collection[str]) -> str:
    """The stage whose loss costs most cooling (the first of equals); "" when there is none to lose."""

    def left(stage: str) -> int:
        mode = reached_mode(plan, set(stages) - {stage})
        return -1 if mode is None else mode

    return min((s for s in plan.pump if s in stages), key=left, default="")


# --- the figures ------------------------------------------------------------------------------------


def permissible_loading(
    plan: Plan, present: Present, stages: Collection[str], forecast: Forecast | None = None
) -> tuple[LoadingResult, ...]:
    """Permissible loading of one transformer, one result per limit set.

    stages: ids of the stages that are healthy and in Auto; the mode they give is taken as reached at once.
    forecast: in place of "load and ambient stay as they are": its load counts for the minutes until the
    limit, its ambient for all figures of a duration (present_ambient: its highest).

    Held loads keep the present proportions of the windings; without load, all windings are taken at equal
    per-unit load. A limit counts as kept as long as no instant of the duration exceeds it.
    """
    reason = present.reason or (forecast.fault(present.t_ns) if forecast else "") or _bad(plan, present)
    until = present.t_ns + round(VALID_MIN * 60e9)
    if forecast is not None and not reason:
        until = min(until, forecast.times_ns[-1])
    winding, unit_a = (0, np.zeros(0)) if reason else _unit(plan, present)
    cases: list[list[Case]] = [[] for _ in plan.limit_sets]
    if not reason:
        gone = largest_stage(plan, stages)
        modes = [reached_mode(plan, stages), reached_mode(plan, set(stages) - {gone})]
        minutes = _minutes(plan, present, unit_a, modes, _times(_CROSSING_S, present, forecast), forecast)
        times_s = _times(_HOLD_S, present, forecast)
        holds = _holds(plan, present, unit_a, winding, modes, times_s, forecast)
        endless = _endless(plan, present, unit_a, winding, modes, forecast)
        for i in range(len(plan.limit_sets)):
            for c, (without, mode) in enumerate(zip(("", gone), modes, strict=True)):
                if mode is None:
                    lost = f"without {without} " if without else ""
                    said = f"{lost}no cooling mode is left"
                    cases[i].append(Case(without, "", math.nan, "", (), reason=said))
                else:
                    # A weaker mode's slower winding may look better for some minutes: never believed.
                    until_limit = min(minutes[i][: c + 1])
                    name = plan.model.mode_ids[0][mode]
                    cases[i].append(Case(without, name, *until_limit, holds[i][c], *endless[i][c]))
    return tuple(
        LoadingResult(
            transformer=plan.transformer,
            limits=limits,
            t_ns=present.t_ns,
            valid_until_ns=until,
            winding=plan.winding_ids[winding],
            cases=tuple(found),
            bubbles=plan.bubble_inception_c is not None and limits.hot_spot_c > plan.bubble_inception_c,
            reason=reason,
        )
        for limits, found in zip(plan.limit_sets, cases, strict=True)
    )


def _bad(plan: Plan, present: Present) -> str:
    w = len(plan.winding_ids)
    z, current = present.z, present.current_a
    if z.shape != (2 * w + 1,) or not np.isfinite(z).all() or not math.isfinite(present.offset_k):
        return "the thermal estimate is not running"
    if current.shape != (w,) or not np.isfinite(current).all() or current.min() < 0:
        return "a winding current is missing"
    if not math.isfinite(present.ambient_c):
        return "ambient is missing"
    return ""


def _unit(plan: Plan, present: Present) -> tuple[int, Floats]:
    """Index of the highest loaded winding, and every winding's current at 1 pu of it [A] (W,)."""
    strongest = len(plan.needs) - 1
    rated = plan.model.rated_current_a[strongest]
    if present.rated_scale is not None:
        rated = rated * present.rated_scale
    load = present.current_a / rated
    highest = int(np.argmax(load))
    # below a few per cent the proportions are those of noise and of the magnetising current
    unit = present.current_a / load[highest] if load[highest] > 0.05 else rated
    return highest, np.asarray(unit)


def _times(times_s: Floats, present: Present, forecast: Forecast | None) -> Floats:
    """Times to look at, from now [s], with every corner of the forecast among them."""
    if forecast is None:
        return times_s
    corners = (np.array(forecast.times_ns) - present.t_ns) / 1e9
    return np.union1d(times_s, corners[(corners > 0) & (corners < times_s[-1])])


def _ahead(present: Present, forecast: Forecast | None, times_s: Floats) -> Floats:
    """Ambient at these times [degC]."""
    if forecast is None:
        return np.full(len(times_s), present.ambient_c)
    when = (np.array(forecast.times_ns) - present.t_ns) / 1e9
    return np.interp(times_s, when, forecast.ambient_c)


def _run(
    model: Model, copies: int, present: Present, modes: Sequence[int | None], times_s: Floats,
    currents: Floats, ambient: Floats, ageing: bool = False,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Hot spot (P + 1, copies, W) and top oil (P + 1, copies) [degC] at these times, the first of them now.

    And the life used from now until then [s], at hot spot - U, best, + U (3, P + 1, copies, W); zeros without
    ageing. currents: (P + 1, copies, W) [A]. ambient: (P + 1,). modes: one per equal share of the copies.
    """
    w = currents.shape[-1]
    regime = _regime(model, copies, present, modes)
    inputs = np.zeros((len(times_s), copies * (w + 2)))
    inputs[:, : copies * w] = currents.reshape(len(times_s), -1)
    inputs[:, copies * w : copies * (w + 1)] = ambient[:, None]
    parts = np.split(present.z, (w, 2 * w))
    z = np.concatenate([np.tile(part, copies) for part in parts])
    offset = np.full(copies, present.offset_k)
    everywhere = np.ones(copies, dtype=np.bool_)
    path = kernel.integrate(model, regime, z, offset, np.diff(times_s), inputs, everywhere, ageing)
    oil_now = present.z[2 * w] + (ambient[0] if model.ieee[0] else 0.0) + present.offset_k
    hot_now = oil_now + present.z[:w] - present.z[w : 2 * w]
    hot = np.concatenate((np.tile(hot_now, copies)[None], path.hot_spot_c))
    oil = np.concatenate((np.full((1, copies), oil_now), path.oil_c))
    life = np.zeros((3, len(times_s), copies, w))
    if ageing:
        np.cumsum(path.life_s.reshape(3, -1, copies, w), axis=1, out=life[:, 1:])
    return hot.reshape(len(times_s), copies, w), oil, life


def _regime(model: Model, copies: int, present: Present, modes: Sequence[int | None]) -> kernel.Regime:
    # a case without any mode is run in the weakest and thrown away
    mode = np.repeat(np.array([0 if m is None else m for m in modes], dtype=np.int64), copies // len(modes))
    scale = None if present.rated_scale is None else np.tile(present.rated_scale, copies)
    loss = None if present.loss_scale == 1.0 else np.full(copies, present.loss_scale)
    return kernel.regime(model, mode, None, scale, loss)


def _minutes(
    plan: Plan, present: Present, unit_a: Floats, modes: Sequence[int | None], times_s: Floats,
    forecast: Forecast | None,
) -> list[list[tuple[float, str]]]:  # fmt: skip
    """Per limit set and case: minutes until the first limit, and which."""
    if forecast is None:
        current = np.tile(present.current_a, (len(times_s), 1))
    else:
        when = (np.array(forecast.times_ns) - present.t_ns) / 1e9
        current = np.interp(times_s, when, forecast.load_pu)[:, None] * unit_a
    load = (current / np.where(unit_a > 0, unit_a, np.inf)).max(axis=1)
    currents = np.repeat(current[:, None, :], 2, axis=1)
    hot, oil, _ = _run(plan.pair, 2, present, modes, times_s, currents, _ahead(present, forecast, times_s))
    through = [current[:, part.winding] for part in plan.parts]
    return [
        [
            _first(times_s, np.column_stack((hot[:, c], oil[:, c], load, *through)), names, levels)
            for c in range(2)
        ]
        for names, levels in (_levels(plan, limits) for limits in plan.limit_sets)
    ]


def _levels(plan: Plan, limits: LimitSet) -> tuple[list[str], Floats]:
    """Names and limits of everything that may limit: hot spots, top oil, load, parts."""
    names = [f"hot spot of {winding}" for winding in plan.winding_ids]
    names += ["top oil", _load_words(limits), *(_part_words(part) for part in plan.parts)]
    levels = [limits.hot_spot_c] * len(plan.winding_ids) + [limits.top_oil_c, limits.load_pu]
    return names, np.array(levels + [part.max_current_a for part in plan.parts])


def _load_words(limits: LimitSet) -> str:
    return f"current limit {limits.load_pu:g} pu"


def _part_words(part: Part) -> str:
    return f"{part.name} ({part.max_current_a:g} A)"


def _first(times_s: Floats, series: Floats, names: Sequence[str], levels: Floats) -> tuple[float, str]:
    """Minutes until any series is above its level, on straight lines between the times, and whose."""
    above = series > levels
    rows = np.flatnonzero(above.any(axis=1))
    if not len(rows):
        return math.inf, ""
    i = int(rows[0])
    if i == 0:
        return 0.0, names[int(np.argmax(above[0]))]
    before, after = series[i - 1], series[i]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(above[i], (levels - before) / (after - before), np.inf)
    first = int(np.argmin(part))
    return float(times_s[i - 1] + part[first] * (times_s[i] - times_s[i - 1])) / 60.0, names[first]


def _holds(
    plan: Plan, present: Present, unit_a: Floats, winding: int, modes: Sequence[int | None],
    times_s: Floats, forecast: Forecast | None,
) -> list[list[tuple[Hold, ...]]]:  # fmt: skip
    """Per limit set and case: the largest load for every duration, what limits it and what it costs."""
    steps, w = len(plan.loads_pu), len(unit_a)
    candidates = np.tile(plan.loads_pu[:, None] * unit_a, (2, 1))  # case 0, then case 1
    ambient = _ahead(present, forecast, times_s)
    currents = np.broadcast_to(candidates, (len(times_s), *candidates.shape))
    hot, oil, used = _run(plan.grid, 2 * steps, present, modes, times_s, currents, ambient, ageing=True)
    hot, oil = hot.reshape(-1, 2, steps, w), oil.reshape(-1, 2, steps)
    temperatures = np.concatenate((hot, oil[..., None]), axis=-1)  # (times, case, load, winding or oil)
    ends = np.searchsorted(times_s, np.array(DURATIONS_MIN) * 60.0)
    # the logarithm of life is as smooth in the load as temperatures are: (3, durations, case, load, winding)
    life = np.log(used[:, ends].reshape(3, len(ends), 2, steps, w) / 3600.0)
    event = None if plan.event_life_h is None else np.full(w, math.log(plan.event_life_h))
    costs = [_cost_words(winding_id, plan.event_life_h) for winding_id in plan.winding_ids]
    found = []
    for limits in plan.limit_sets:
        names, levels = _levels(plan, limits)
        fixed = [limits.load_pu, *(_ratio(part.max_current_a, unit_a[part.winding]) for part in plan.parts)]
        per_case: list[tuple[Hold, ...]] = []
        for c in range(2):
            load = _load_at(temperatures[1:, c], plan.loads_pu, levels[: w + 1])
            # what is too hot now cannot be held at any load
            load = np.concatenate((np.where(temperatures[:1, c, 0] > levels[: w + 1], 0.0, np.inf), load))
            affordable = None if event is None else _load_at(life[1, :, c], plan.loads_pu, event)
            holds = []
            for d, duration in enumerate(DURATIONS_MIN):
                if duration > limits.longest_min:
                    break
                largest = np.append(load[: ends[d] + 1].min(axis=0), fixed)
                if affordable is not None:
                    largest = np.append(largest, affordable[: d + 1].min(axis=0))
                which = int(np.argmin(largest))
                value, words = float(largest[which]), (names + costs)[which]
                if value == 0.0:
                    now = which <= w and temperatures[0, c, 0, which] > levels[which]
                    words += " (above its limit now)" if now else " (even without load)"
                if c and per_case[0][d].load_pu <= value:  # less cooling never allows more
                    value, words = per_case[0][d].load_pu, per_case[0][d].limited_by
                hours = np.exp(_at_load(life[:, d, c], plan.loads_pu, value))
                cost = tuple(hours[:, int(np.argmax(hours[1]))].tolist())
                holds.append(Hold(duration, value, value * float(unit_a[winding]), words, cost))
            per_case.append(tuple(holds))
        found.append(per_case)
    return found


def _cost_words(winding: str, event_life_h: float | None) -> str:
    return f"life of {winding} ({event_life_h:g} h an event)" if event_life_h is not None else ""


def _ratio(limit_a: float, unit_a: float) -> float:
    return limit_a / unit_a if unit_a > 0 else math.inf


def _endless(
    plan: Plan, present: Present, unit_a: Floats, winding: int, modes: Sequence[int | None],
    forecast: Forecast | None,
) -> list[list[tuple[Hold | None, Hold | None]]]:  # fmt: skip
    """Per limit set and case: the load without end at the weighted ambient of the year, and at today's.

    In steady state no winding's paper may age faster than without end is allowed, whatever peak the limit set
    takes for a cycle.
    """
    steps, w = len(plan.loads_pu), len(unit_a)
    candidates = np.tile(plan.loads_pu[:, None] * unit_a, (2, 1))
    now_c = present.ambient_c if forecast is None else max(forecast.ambient_c)
    ambients = (plan.weighted_ambient_c, now_c)
    steady = np.stack([_steady(plan, present, modes, candidates, ambient_c) for ambient_c in ambients])
    steady = steady.reshape(2, 2, steps, w + 1)  # (ambient, case, load, winding or oil)
    found: list[list[tuple[Hold | None, Hold | None]]] = []
    for limits in plan.limit_sets:
        if math.isfinite(limits.longest_min):
            found.append([(None, None)] * 2)
            continue
        names, levels = _levels(plan, limits)
        for i, slow_c in enumerate(plan.steady_hot_spot_c):
            if slow_c < levels[i]:
                names[i], levels[i] = f"ageing rate of {plan.winding_ids[i]}", slow_c
        fixed = [limits.load_pu, *(_ratio(part.max_current_a, unit_a[part.winding]) for part in plan.parts)]
        per_ambient: list[list[Hold]] = []
        for k in range(2):
            load = _load_at(steady[k], plan.loads_pu, levels[: w + 1])
            holds: list[Hold] = []
            for c in range(2):
                largest = np.append(load[c], fixed)
                which = int(np.argmin(largest))
                value = float(largest[which])
                words = names[which] + (" (even without load)" if value == 0.0 else "")
                hold = Hold(math.inf, value, value * float(unit_a[winding]), words)
                holds.append(min([*holds, hold], key=lambda h: h.load_pu))
            per_ambient.append(holds)
        found.append([(per_ambient[0][c], per_ambient[1][c]) for c in range(2)])
    return found


def _steady(
    plan: Plan, present: Present, modes: Sequence[int | None], candidates: Floats, ambient_c: float
) -> Floats:
    """Steady state of every candidate: hot spots and top oil [degC] (copies, W + 1)."""
    copies, w = candidates.shape
    regime = _regime(plan.grid, copies, present, modes)
    inputs = np.zeros(copies * (w + 2))
    inputs[: copies * w] = candidates.ravel()
    inputs[copies * w : copies * (w + 1)] = ambient_c
    z = kernel.steady(plan.grid, regime, inputs)
    gradient = (z[: copies * w] - z[copies * w : 2 * copies * w]).reshape(copies, w)
    # as in kernel.integrate: an oil hotter than expected stays so, a colder one is not relied on
    oil = z[2 * copies * w :] + ambient_c * (1.0 - regime.ambient_gain) + max(present.offset_k, 0.0)
    return np.column_stack((oil[:, None] + gradient, oil))


def _at_load(values: Floats, loads_pu: Floats, load_pu: float) -> Floats:
    """Values (..., loads, N) at one load between the candidates (..., N): the cubic through four."""
    step = loads_pu[1] - loads_pu[0]
    base = int(np.clip(load_pu // step - 1, 0, len(loads_pu) - 4))
    u = load_pu / step - base
    weights = [
        math.prod((u - j) / (i - j) for j in range(4) if j != i) for i in range(4)
    ]
    return np.asarray(np.tensordot(weights, np.moveaxis(values[..., base : base + 4, :], -2, 0), 1))


def _load_at(temperatures: Floats, loads_pu: Floats, levels: Floats) -> Floats:
    """The load at which each temperature reaches its level [pu]: 0 = even without load, inf = beyond all.

    temperatures: (times, loads, N), increasing with the load. levels: (N,). Returns (times, N). Inverse of
    the cubic through the four candidates around.
    """
    count = len(loads_pu)
    cell = (temperatures < levels).sum(axis=1) - 1  # the level lies between candidates cell and cell + 1
    base = np.clip(cell - 1, 0, count - 4)
    nodes = np.take_along_axis(temperatures, base[:, None, :] + np.arange(4)[None, :, None], axis=1)
    d1 = nodes[:, 1] - nodes[:, 0]
    d2 = nodes[:, 2] - 2 * nodes[:, 1] + nodes[:, 0]
    d3 = nodes[:, 3] - 3 * nodes[:, 2] + 3 * nodes[:, 1] - nodes[:, 0]
    low = np.clip(cell - base, 0, 2).astype(np.float64)
    u = low + 0.5
    for _ in range(6):  # Newton on a cubic that is nearly straight within its cell
        value = nodes[:, 0] + u * (d1 + (u - 1) / 2 * (d2 + (u - 2) / 3 * d3))
        slope = d1 + (2 * u - 1) / 2 * d2 + (3 * u * u - 6 * u + 2) / 6 * d3
        u = np.clip(u - (value - levels) / np.where(slope > 0, slope, np.inf), low, low + 1.0)
    load = (base + u) * (loads_pu[1] - loads_pu[0])
    return np.asarray(np.where(cell < 0, 0.0, np.where(cell >= count - 1, np.inf, load)))


# --- for the catalogue of points -----------------------------------------------------------------------


def main_figures(results: Sequence[LoadingResult]) -> dict[str, float | str | None]:
    """The figures worth a point, of the first limit set: the guide's normal loading.

    load_minutes: until the first limit, HORIZON_MIN standing for "or longer" [min]. load_15min_pu,
    load_1h_pu, 2h, 4h, 8h: largest load [pu]; load_15min_life_h ...: what it costs, as estimated [h].
    load_continuous_pu: without end at the weighted ambient of the year; load_limited_by: what limits that.
    load_present_ambient_pu: without end if the ambient stayed. The loads with ``reduced_`` in front: less the
    largest stage. None where there is no figure.
    """
    found: dict[str, float | str | None] = dict.fromkeys(FIGURES)
    for c, prefix in enumerate(("", "reduced_")):
        case = results[0].cases[c] if results[0].cases else None
        if case is None or case.continuous is None or case.present_ambient is None:
            continue
        found[f"{prefix}load_minutes"] = min(case.minutes, HORIZON_MIN)
        holds = {hold.duration_min: hold for hold in case.holds}
        for name, minutes in _POINT_DURATIONS.items():
            found[f"{prefix}load_{name}_pu"] = holds[minutes].load_pu
            if not c:
                found[f"load_{name}_life_h"] = holds[minutes].life_h[1]
        found[f"{prefix}load_continuous_pu"] = case.continuous.load_pu
        found[f"{prefix}load_limited_by"] = case.continuous.limited_by
        found[f"{prefix}load_present_ambient_pu"] = case.present_ambient.load_pu
    return found


_POINT_DURATIONS = {"15min": 15.0, "1h": 60.0, "2h": 120.0, "4h": 240.0, "8h": 480.0}
#: Keys of :func:`main_figures`. A saved state holds the figures in this order: append only.
FIGURES = (
    *(
        f"{prefix}load_{name}"
        for prefix in ("", "reduced_")
        for name in ("minutes", *(f"{d}_pu" for d in _POINT_DURATIONS), "continuous_pu", "limited_by")
    ),
    *(f"{prefix}load_present_ambient_pu" for prefix in ("", "reduced_")),
    *(f"load_{name}_life_h" for name in _POINT_DURATIONS),
)


# --- a day of a given shape ---------------------------------------------------------------------------

#: So many days of one shape are run; the last one counts, when the first is forgotten.
_DAYS = 3
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Day:
    """The load of a day, repeated without end: straight lines between the hours, and back to the first at 24.

    hours: strictly increasing from 0, below 24. load: any scale, its highest is the peak. ambient_c: [degC]
    at the same hours; () = the weighted ambient of the year.
    """

    hours: tuple[float, ...]
    load: tuple[float, ...]
    ambient_c: tuple[float, ...] = ()

    def fault(self) -> str:
        """Why this day cannot be used; "" when it can."""
        if not len(self.hours) == len(self.load) >= 1 or len(self.ambient_c) not in (0, len(self.hours)):
            return "day: needs one or more hours, with a load for each"
        rising = all(a < b for a, b in zip(self.hours, (*self.hours[1:], 24.0), strict=True))
        if self.hours[0] != 0.0 or not rising:
            return "day: hours must begin at 0 and increase, all below 24"
        if not (all(k >= 0 for k in self.load) and max(self.load) > 0):
            return "day: loads must not be negative, and one above 0"
        if not all(-60 <= a <= 60 for a in self.ambient_c):
            return "day: an ambient outside -60 to 60 degC"
        return ""


@dataclass(frozen=True, slots=True)
class Peak:
    """The largest peak of a repeated day in one state of the cooling. life_h: of such a day (see Hold)."""

    without: str
    mode: str
    load_pu: float
    current_a: float
    limited_by: str
    life_h: tuple[float, ...]
    reason: str = ""


def daily_peak(plan: Plan, present: Present, stages: Collection[str], day: Day) -> tuple[Peak, ...]:
    """How high the peak of this day may be under the guide's normal limits, day after day, in both cases.

    A day may use no more life than a day times the ageing rate allowed without end. ValueError: the
    present or the day gives no figure.
    """
    reason = present.reason or _bad(plan, present) or day.fault()
    if reason:
        raise ValueError(reason)
    winding, unit_a = _unit(plan, present)
    gone = largest_stage(plan, stages)
    modes = [reached_mode(plan, stages), reached_mode(plan, set(stages) - {gone})]
    corners = np.append(np.array(day.hours), 24.0) * 3600.0
    before = np.concatenate([corners + d * _DAY_S for d in range(_DAYS)])
    looked_at = np.arange((_DAYS - 1) * _DAY_S, _DAYS * _DAY_S + 1.0, 180.0)  # for the highest temperatures
    times_s = np.union1d(before, looked_at)
    load = np.interp(times_s % _DAY_S, corners, np.array((*day.load, day.load[0])) / max(day.load))
    given = day.ambient_c or (plan.weighted_ambient_c,) * len(day.hours)
    ambient = np.interp(times_s % _DAY_S, corners, (*given, given[0]))
    steps, w = len(plan.loads_pu), len(unit_a)
    candidates = np.tile(plan.loads_pu[:, None] * unit_a, (2, 1))
    currents = load[:, None, None] * candidates
    hot, oil, used = _run(plan.grid, 2 * steps, present, modes, times_s, currents, ambient, ageing=True)
    last = np.flatnonzero(times_s >= (_DAYS - 1) * _DAY_S)
    life = np.log((used[:, -1] - used[:, last[0]]).reshape(3, 2, steps, w) / 3600.0)
    hot, oil = hot[last].reshape(-1, 2, steps, w), oil[last].reshape(-1, 2, steps, 1)
    highest = np.concatenate((hot, oil), axis=-1)
    limits = plan.limit_sets[0]
    names, levels = _levels(plan, limits)
    fixed = [limits.load_pu, *(_ratio(part.max_current_a, unit_a[part.winding]) for part in plan.parts)]
    names += [f"life of {name} (a day may use {plan.day_life_h:g} h)" for name in plan.winding_ids]
    found: list[Peak] = []
    for c, (without, mode) in enumerate(zip(("", gone), modes, strict=True)):
        if mode is None:
            found.append(Peak(without, "", math.nan, math.nan, "", (), "no cooling mode is left"))
            continue
        by_temperature = _load_at(highest.max(axis=0)[None, c], plan.loads_pu, levels[: w + 1])[0]
        by_life = _load_at(life[1, None, c], plan.loads_pu, np.full(w, math.log(plan.day_life_h)))[0]
        largest = np.concatenate((by_temperature, fixed, by_life))
        which = int(np.argmin(largest))
        value, words = float(largest[which]), names[which]
        if c and found[0].load_pu <= value:
            value, words = found[0].load_pu, found[0].limited_by
        hours = np.exp(_at_load(life[:, c], plan.loads_pu, value))
        cost = tuple(hours[:, int(np.argmax(hours[1]))].tolist())
        current = value * float(unit_a[winding])
        found.append(Peak(without, plan.model.mode_ids[0][mode], value, current, words, cost))
    return tuple(found)


# --- for people --------------------------------------------------------------------------------------

HEADING = ("limits", "cooling", "until limit", "for", "load pu", "load A", "hours of life", "limited by")


def rows(results: Sequence[LoadingResult]) -> Iterator[tuple[str, ...]]:
    """Printable rows under ``HEADING``: one per limit set, cooling case and duration."""
    for result in results:
        name = f"{result.transformer} {result.limits.id}" + (" (bubbles!)" if result.bubbles else "")
        if result.reason:
            yield (name, "", "no figure", "", "", "", "", result.reason)
        for case in result.cases:
            cooling = case.mode + (f" without {case.without}" if case.without else "")
            if case.reason:
                yield (name, cooling, "no figure", "", "", "", "", case.reason)
            for words, hold in lines(case):
                yield (
                    name, cooling, _minutes_words(case), words, f"{hold.load_pu:.2f}",
                    f"{hold.current_a:.0f} {result.winding}", life_words(hold.life_h), hold.limited_by,
                )  # fmt: skip


def lines(case: Case) -> Iterator[tuple[str, Hold]]:
    """Every figure of a case with the words for its duration."""
    for hold in case.holds:
        yield duration_words(hold.duration_min), hold
    if case.continuous is not None:
        yield "without end", case.continuous
    if case.present_ambient is not None:
        yield "at present ambient", case.present_ambient


def life_words(life_h: Sequence[float]) -> str:
    """Low / best / high; nothing for a load without end, whose rate is the allowed one."""
    return " / ".join(f"{hours:.2g}" if hours < 100 else f"{hours:.0f}" for hours in life_h)


def _minutes_words(case: Case) -> str:
    if math.isinf(case.minutes):
        return f"not within {HORIZON_MIN / 60:g} h"
    return f"{case.minutes:.0f} min, {case.minutes_limited_by}"


def duration_words(minutes: float) -> str:
    if minutes < 60:
        return f"{minutes:g} min"
    return f"{minutes / 60:g} h" if minutes <= 2880 else f"{minutes / 1440:g} days"
