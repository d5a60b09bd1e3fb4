"""Inputs that count -> thermal model -> the hot spot, oil and load that control and alarms go by.

Equations are in thermal/; here is what stands in for a lost input, and what quality comes of it.
"""

from __future__ import annotations

from math import isfinite
from typing import Any

import numpy as np

from collector.control import belief
from collector.control import lost_inputs as li
from collector.control.cycle import NOT_STARTED, STARTED, Cycle, Thermals, finite
from collector.control.layout import TransformerPlan, WindingPlan, ns
from collector.control.state import Peak
from collector.quality import GOOD, Detail, Quality, invalid, questionable
from collector.thermal import track
from collector.thermal.model import SENSE_HOT_SPOT_C, Floats

_ESTIMATED = questionable(Detail.INACCURATE).substituted()
_DISAGREE = questionable(Detail.INCONSISTENT)
_BEYOND = questionable(Detail.OUT_OF_RANGE)


def estimate_temperatures(cycle: Cycle) -> None:
    model, now = cycle.plan.model, cycle.now
    n_t, n_w = len(cycle.layout.transformers), len(cycle.layout.windings)
    oil = np.full(n_t, np.nan)
    oil_ns = np.zeros(n_t, np.int64)
    ambient = np.full(n_t, np.nan)
    ambient_ns = np.zeros(n_t, np.int64)
    current = np.full(n_w, np.nan)
    current_ns = np.zeros(n_w, np.int64)
    put_in = np.zeros(n_w, np.bool_)
    estimated = np.zeros(n_t, np.bool_)
    energised = np.ones(n_t, np.bool_)
    tap = np.full(n_t, np.nan)
    for t in cycle.layout.transformers:
        th = Thermals()
        cycle.thermals.append(th)
        oil[t.index], oil_ns[t.index], estimated[t.index] = oil_sample(cycle, t, th)
        th.ambient_lost, ambient[t.index], ambient_ns[t.index] = ambient_sample(cycle, t)
        if "ambient_c" in t.inputs:
            th.ambient_quality = cycle.inputs[t.inputs["ambient_c"]].quality
        tap[t.index] = tap_position(cycle, t, th)
        current_samples(cycle, t, th, current, current_ns, put_in)
        energised[t.index] = th.energised = is_energised(cycle, t, th)
    if model.derived:
        current, current_ns = track.derived_currents(model, current, current_ns)
    rated_scale, loss_scale = (None, None) if np.isnan(tap).all() else track.tap_factors(model, tap)
    sample = track.Sample(
        t_ns=now,
        oil_c=oil,
        oil_ns=oil_ns,
        ambient_c=ambient,
        ambient_ns=ambient_ns,
        current_a=current,
        current_ns=current_ns,
        mode=np.array([ts.mode for ts in cycle.transformers], np.int64),
        energised=energised,
        oil_substituted=estimated,
        current_substituted=put_in,
        rated_scale=rated_scale,
        loss_scale=loss_scale,
        returning=on_the_way_back(cycle, current, current_ns, put_in, ambient, estimated),
    )
    thermal = cycle.thermal if cycle.thermal is not None else track.initial(model, now - 1)
    cycle.sample = sample
    cycle.thermal, cycle.estimate = track.advance(model, thermal, sample)
    belief.hold_against(cycle, sample)
    hot, load = known(cycle.estimate.hot_spot_c), known(cycle.estimate.load_pu)
    # Across so long a hole between two steps no line is drawn: what came meanwhile was held.
    hole = cycle.old.mono_ns >= 0 and now - cycle.old.mono_ns > ns(cycle.plan.settings.station.gap_s)
    for t in cycle.layout.transformers:
        conclude(cycle, t, cycle.thermals[t.index], cycle.estimate, hot, load, hole)


def known(values: Floats) -> list[float | None]:
    """Plain numbers, None for NaN and infinity."""
    return [x if isfinite(x) else None for x in values.tolist()]


def on_the_way_back(
    cycle: Cycle, current: Any, current_ns: Any, put_in: Any, ambient: Any, estimated: Any
) -> tuple[tuple[int, float, int], ...]:
    """Good samples of inputs that do not count yet: the model draws its lines through them later."""
    if not any(state.good_ns >= 0 for state in cycle.inputs):
        return ()
    model = cycle.plan.model
    n_w, n_t = len(model.windings), len(model.transformers)
    amps, times = np.where(put_in, np.nan, current), current_ns.copy()
    found: list[tuple[int, float, int]] = []
    for t in cycle.layout.transformers:
        at = t.index
        places: list[tuple[int | None, int, bool]] = [
            (t.inputs.get("ambient_c"), n_w + at, bool(np.isnan(ambient[at]))),
            (t.inputs.get("top_oil_c"), n_w + n_t + at, bool(estimated[at])),
            *((w.current, w.place, bool(put_in[w.place])) for w in t.windings),
        ]
        for i, place, wanted in places:
            state = None if i is None else cycle.inputs[i]
            if state is None or not wanted or state.good_ns < 0 or state.value is None:
                continue
            if place < n_w:
                amps[place], times[place] = state.value, state.value_ns
            else:
                found.append((place, state.value, state.value_ns))
    amps, times = track.derived_currents(model, amps, times)
    found += [(int(k), float(amps[k]), int(times[k])) for k in np.flatnonzero(put_in & ~np.isnan(amps))]
    return tuple(found)


def oil_sample(cycle: Cycle, t: TransformerPlan, th: Thermals) -> tuple[float, int, bool]:
    """(value or NaN, its time, estimate stands in) for the model; quality and loss for control."""
    ts = cycle.transformers[t.index]
    probes = [i for i in (t.inputs.get("top_oil_c"), t.inputs.get("top_oil_2_c")) if i is not None]
    good = [cycle.inputs[i] for i in probes if not cycle.inputs[i].lost]
    if not good:
        th.oil_lost = True
        reason = cycle.inputs[probes[0]].reason
        th.lost = f"{t.id}.top_oil_c is lost: {reason}"
        value, at_ns, quality, least = None, cycle.now, _ESTIMATED, None
        stuck, expected_c = higher_than_expected(cycle, t, probes), oil_to_go_by(cycle, t)
        if stuck is not None and expected_c is not None:  # the higher of the two counts
            value = least = max(stuck, expected_c)
    else:
        probe = next((p for p in good if p.quality.is_measured), good[0])
        for other in good:  # a test or substituted value may only call for more
            if not other.quality.is_measured and (other.value or 0.0) > (probe.value or 0.0):
                probe = other
        value, at_ns, quality = probe.value, probe.value_ns, probe.quality
        least = value
        if not quality.is_measured:
            th.not_measured = f"{t.id}'s top oil is not a measured value: {quality}"
            expected = None if cycle.old.estimate is None else finite(cycle.old.estimate.oil_c[t.index])
            if expected is not None and not any(p.quality.is_measured for p in good):
                least = expected
                if value is not None and value < expected:  # would take cooling away: the estimate stands in
                    value, at_ns, quality = None, cycle.now, quality | _ESTIMATED
        if ts.disagree and len(good) == 2 and value is not None and good[1].value is not None:
            # Nobody knows which is right: the higher one counts, and everything runs.
            value, quality = max(value, good[1].value), quality | _DISAGREE
            least = value
            first, second = good[0].value, good[1].value
            th.oil_lost = True
            th.lost = f"{t.id}: the top-oil probes disagree, {first:.1f} and {second:.1f} °C"
    low = cycle.explained.cold[t.index] or cycle.explained.drift[t.index] < 0
    if value is not None and not th.oil_lost and low:
        quality = quality | li.DOUBTFUL
        expected_c = oil_to_go_by(cycle, t)
        if expected_c is not None and expected_c > value:  # colder than anything explains: expected counts
            value = least = expected_c
            at_ns, quality = cycle.now, quality | _ESTIMATED
    by_hand = cycle.substitute(f"{t.id}.top_oil_c") if cycle.substitutes else None
    if by_hand is not None and (least is None or by_hand > least):
        value, at_ns, quality = by_hand, cycle.now, _ESTIMATED
    until_ns = -1
    if th.oil_lost or value is None:
        until_ns = cycle.now + ns(t.settings.lost_inputs.estimate_max_h * 3600.0)
        if ts.estimate_until_ns >= 0:  # a reload may have shortened it
            until_ns = min(until_ns, ts.estimate_until_ns)
    if until_ns != ts.estimate_until_ns:
        cycle.transformers[t.index] = ts._replace(estimate_until_ns=until_ns)
    th.oil, th.oil_quality = value, quality
    if value is None:
        # Not read yet is not lost: the model must not start from an estimate meanwhile.
        stands_in = cycle.deciding or cycle.inputs[probes[0]].value is not None
        return float("nan"), at_ns, stands_in
    return value, at_ns, False


def oil_to_go_by(cycle: Cycle, t: TransformerPlan) -> float | None:
    """The oil that the last step expected. Without an ambient that with the warmest air of the place;
    without a settled one the lowest that is explained."""
    x, i = cycle.explained, t.index
    if cycle.counted(t.inputs.get("ambient_c")) is None:
        return finite(x.high_c[i] - x.band_k[i])
    expected = cycle.old.expected[i] if cycle.old.expected else None
    found = expected if expected is not None else finite(x.low_c[i])
    if found is not None and belief.just_begun(cycle, t):
        # It began at the very reading that is in doubt: where it goes counts already.
        found = max(found, float(x.goal_c[i] + x.band_k[i]))
    return found


def higher_than_expected(cycle: Cycle, t: TransformerPlan, probes: list[int]) -> float | None:
    """What the probes stand at, where all that speaks against them is that they stand still."""
    stuck = [
        s.value for i in probes if (s := cycle.inputs[i]).cause is li.Cause.FROZEN and s.value is not None
    ]
    return max(stuck) if stuck else None


def ambient_sample(cycle: Cycle, t: TransformerPlan) -> tuple[bool, float, int]:
    i = t.inputs.get("ambient_c")
    by_hand = cycle.substitute(f"{t.id}.ambient_c") if cycle.substitutes else None
    value = cycle.counted(i)
    if by_hand is not None and (value is None or by_hand > value):
        return value is None, by_hand, cycle.now
    if value is None or i is None:
        return True, float("nan"), 0
    return False, value, cycle.inputs[i].value_ns


def tap_position(cycle: Cycle, t: TransformerPlan, th: Thermals) -> float:
    """Where the tap changer stands; lost: where it was last seen, since the principal tapping may flatter."""
    i = t.inputs.get("tap_position")
    if i is None:
        return float("nan")
    th.tap_lost = cycle.inputs[i].lost
    if not cycle.inputs[i].quality.is_measured:
        said = f"{t.id}.tap_position is not a measured value: {cycle.inputs[i].quality}"
        th.not_measured = th.not_measured or said
    value = cycle.inputs[i].value
    return float("nan") if value is None else value


def is_energised(cycle: Cycle, t: TransformerPlan, th: Thermals) -> bool:
    """De-energised only if the contact says so and no current is measured."""
    energised = cycle.measured(t.inputs.get("energised"))
    if energised is None or energised >= 0.5:
        return True
    zero = t.settings.lost_inputs.phase_zero_pu
    return any(load is not None and load >= zero for load in th.last_load)


def made_up(cycle: Cycle, w: WindingPlan) -> bool:
    """The current counts, but as a test or substituted value."""
    return w.current is not None and not cycle.inputs[w.current].quality.is_measured


def current_samples(
    cycle: Cycle, t: TransformerPlan, th: Thermals, current: Any, current_ns: Any, put_in: Any
) -> None:
    """Measured currents; what is lost is assumed from the neighbours, at least rated under load."""
    ts = cycle.transformers[t.index]
    loads: list[float | None] = []
    for w in t.windings:
        amps = cycle.counted(w.current)
        loads.append(None if amps is None else amps / w.rated_a[ts.mode])
    # A phase that has just gone to zero beside loaded ones is on trial: that is not its last valid load.
    last = tuple(
        before if now is None or (before is not None and (odd_ns >= 0 or made_up(cycle, w))) else now
        for w, now, before, odd_ns in zip(t.windings, loads, ts.last_load, ts.phase_ns, strict=True)
    )
    th.last_load = last
    qualities: dict[int, Quality] = {}
    for k, w in enumerate(t.windings):
        if w.derived_from:
            continue
        load = loads[k]
        if load is not None and w.current is not None:
            reading = cycle.inputs[w.current]
            current[w.place], current_ns[w.place] = reading.value, reading.value_ns
            qualities[w.place] = reading.quality
            if made_up(cycle, w):
                said = f"{w.id}.current_a is not a measured value: {reading.quality}"
                th.not_measured = th.not_measured or said
                current[w.place] = max(current[w.place], (last[k] or 0.0) * w.rated_a[ts.mode])
        elif cycle.deciding or last[k] is not None:
            others = [
                x
                for j, x in enumerate(loads)
                if j != k and x is not None and t.windings[j].settings.kind == w.settings.kind
            ]
            carry = t.settings.lost_inputs.phase_zero_pu
            assumed = li.substitute_load(last[k], others, carry)
            current[w.place] = assumed * w.rated_a[ts.mode]
            current_ns[w.place] = cycle.now
            put_in[w.place] = True
            qualities[w.place] = _ESTIMATED
        else:  # not read yet: the model must not start from an assumed load
            qualities[w.place] = NOT_STARTED
        if load is None and w.current is not None and not th.lost:
            th.lost = f"{w.id}.current_a is lost: {cycle.inputs[w.current].reason}"
        by_hand = cycle.substitute(f"{w.id}.current_a") if cycle.substitutes else None
        if by_hand is not None and by_hand > current[w.place]:
            current[w.place], current_ns[w.place], put_in[w.place] = by_hand, cycle.now, True
            qualities[w.place] = _ESTIMATED
    for w in t.windings:
        if w.derived_from:
            quality = GOOD
            for source in w.derived_from:
                quality = quality | qualities.get(source, NOT_STARTED)
                put_in[w.place] = put_in[w.place] or put_in[source]
            qualities[w.place] = quality
    if th.tap_lost:  # the rated current is not known for sure
        for w in t.windings:
            if cycle.plan.model.tapped[w.place]:
                qualities[w.place] = qualities[w.place] | STARTED
    th.current_quality = [qualities[w.place] for w in t.windings]


def conclude(
    cycle: Cycle,
    t: TransformerPlan,
    th: Thermals,
    e: track.Estimate,
    hot_spots_c: list[float | None],
    loads_pu: list[float | None],
    hole: bool,
) -> None:
    """Values and qualities of this transformer's temperatures; peaks; alarm temperature.

    hot_spots_c, loads_pu: those of the estimate, for all windings. hole: see `estimate_temperatures`.
    """
    i, ts = t.index, cycle.transformers[t.index]
    limits = t.settings.alarms
    if th.oil is None:  # the estimate stands in for the sensor
        th.oil = finite(e.oil_c[i])
        too_long = cycle.now > ts.estimate_until_ns
        if th.oil is None:
            th.oil_quality = NOT_STARTED
        elif too_long or (th.ambient_lost and cycle.substitute(f"{t.id}.ambient_c") is None):
            th.oil_quality = th.oil_quality | invalid(Detail.INACCURATE)
    # A measured oil is as good as its reading; what follows is about the gradients on top of it.
    base = th.oil_quality
    if not ts.mode_ok:
        base = base | invalid(Detail.INCONSISTENT)
    if e.bridged[i] or hole:
        base = base | STARTED
    found = [hot_spots_c[w.place] for w in t.windings]
    integrated = [base | q for q in th.current_quality]
    for k, v in enumerate(found):
        if v is not None and v >= SENSE_HOT_SPOT_C:  # the bound: no figure of a transformer
            integrated[k] = integrated[k] | _BEYOND
    started = [q | STARTED for q in integrated] if e.start_questionable[i] else integrated
    th.winding_quality = [NOT_STARTED if v is None else q for v, q in zip(found, started, strict=True)]
    hot = [v for v in found if v is not None]
    if hot:
        th.hot_spot = max(hot)
        th.hot_spot_quality = worst([q for v, q in zip(found, started, strict=True) if v is not None])
    loads = [x for w in t.windings if (x := loads_pu[w.place]) is not None]
    currents = worst(th.current_quality)
    if loads:
        th.load, th.load_quality = max(loads), currents
    if th.doubts:
        belief.raise_values(cycle, t, th)
    if not th.lost and (th.hot_spot is None or th.hot_spot_quality.is_invalid or len(hot) < len(t.windings)):
        th.lost = (
            f"{t.id} has no valid hot spot: no cooling mode is proven running"
            if not ts.mode_ok
            else f"{t.id} has no valid hot spot yet"
        )
    band = limits.deadband_k if ts.at_alarm else 0.0
    th.alarm_temperature = bool(
        (th.hot_spot is not None and th.hot_spot >= limits.hot_spot_high_c - band)
        or (th.oil is not None and th.oil >= limits.top_oil_high_c - band)
    )
    doubtful_s = ts.doubtful_s if all(q.is_good for q in integrated) else _doubtful(cycle, t, integrated)
    hot_spot = _peak(ts.hot_spot, th.hot_spot, th.hot_spot_quality, cycle.now)
    top_oil = _peak(ts.top_oil, th.oil, th.oil_quality, cycle.now)
    top_load = _peak(ts.load, th.load, th.load_quality, cycle.now)
    if (
        th.alarm_temperature is not ts.at_alarm
        or doubtful_s is not ts.doubtful_s
        or hot_spot is not ts.hot_spot
        or top_oil is not ts.top_oil
        or top_load is not ts.load
        or th.last_load != ts.last_load
    ):
        cycle.transformers[i] = cycle.transformers[i]._replace(
            at_alarm=th.alarm_temperature,
            doubtful_s=doubtful_s,
            hot_spot=hot_spot,
            top_oil=top_oil,
            load=top_load,
            last_load=th.last_load,
        )


def worst(qualities: list[Quality]) -> Quality:
    found = GOOD
    for q in qualities:
        found = found | q
    return found


def _doubtful(cycle: Cycle, t: TransformerPlan, integrated: list[Quality]) -> tuple[float, ...]:
    """Per winding, the time whose ageing rests on a questionable or substituted hot spot [s].

    integrated: the hot spots' quality but for the start period: the gradient assumed there is forgotten with
    its time constants and means minutes of ageing, in a counter of years.
    """
    was, old = cycle.transformers[t.index].doubtful_s, cycle.old.thermal
    if old is None or cycle.thermal is None:
        return was
    passed_s = float(cycle.thermal.monitored_s[t.index] - old.monitored_s[t.index])
    if passed_s <= 0.0:
        return was
    return tuple(s if q.is_good else s + passed_s for s, q in zip(was, integrated, strict=True))


def settled_oil(cycle: Cycle) -> tuple[float | None, ...]:
    e = cycle.estimate
    assert e is not None
    return tuple(
        finite(oil) if on and not unsettled else None
        for oil, on, unsettled in zip(
            e.expected_oil_c.tolist(), e.started.tolist(), e.start_questionable.tolist(), strict=True
        )
    )


def _peak(peak: Peak, value: float | None, quality: Quality, now: int) -> Peak:
    if value is None or (peak.value is not None and value <= peak.value):
        return peak
    return Peak(value, now) if quality.is_measured and not quality.is_invalid else peak
