"""The value and quality of every point of the catalogue, from the step's state.

Nothing is decided here, and nothing here is read back by a later step.
"""

from __future__ import annotations

from itertools import zip_longest

from collector.control import alarms as al
from collector.control.cycle import NOT_STARTED, STARTED, Cycle, Thermals, finite
from collector.control.layout import HOUR_NS, NS, REASON, StagePlan, TransformerPlan, WindingPlan
from collector.control.stages import ON, Proof
from collector.messages import Value
from collector.quality import GOOD, Detail, Quality, invalid, questionable
from collector.thermal import track
from collector.thermal.loading import FIGURES, bubbling_margin_k

#: Loss of life is questionable above this share of its time on questionable or substituted hot spots: even
#: at three times the ageing (10 K, the worst that a substituted value should be off) it is then 2 % off, far
#: within its own low and high figures; and four days in a year are rather a repair left undone than a fault.
DOUBTFUL_SHARE = 0.01

_NO_VALUE = Value(None, invalid(Detail.OLD_DATA))
_UNPROVEN = questionable(Detail.INACCURATE)
_BOOL = {True: Value(True, GOOD), False: Value(False, GOOD)}
_ALARM_VALUES = tuple(Value(int(s), GOOD) for s in al.AlarmStatus)
_REASON_VALUES = tuple(Value(i, GOOD) for i in range(len(REASON)))


def values(cycle: Cycle) -> dict[str, Value]:
    """The value of every point of the catalogue."""
    v: dict[str, Value] = {}
    health = cycle.given.health
    v["station.decision_sequence"] = Value(cycle.old.sequence + 1, GOOD)
    v["station.clock_trusted"] = _BOOL[health.clock_trusted]
    v["station.record_ok"] = _BOOL[health.record_ok]
    v["station.broker_ok"] = _BOOL[health.broker_ok]
    for plan, state in zip(cycle.layout.inputs, cycle.inputs, strict=True):
        value: float | int | bool | None = state.value
        if state.lost or value is None:
            v[plan.id] = Value(None, state.quality if state.lost else NOT_STARTED)
        elif plan.kind == "contact":
            v[plan.id] = Value(value >= 0.5, state.quality)
        elif plan.kind == "count":
            v[plan.id] = Value(int(value), state.quality)
        else:
            v[plan.id] = Value(value, state.quality)
    for t in cycle.layout.transformers:
        transformer_values(cycle, t, v)
        for s in t.stages:
            stage_values(cycle, s, v)
    for plan_a, alarm in zip(cycle.layout.alarms, cycle.alarms, strict=True):
        v[plan_a.id] = _ALARM_VALUES[alarm.status]
    for device in cycle.layout.devices:
        v[f"device.{device}.link_ok"] = _BOOL[device not in cycle.devices_down]
    for module, m in zip(cycle.layout.relay_modules, cycle.modules, strict=True):
        days = (cycle.now - m.proven[0]) / (24.0 * HOUR_NS) if m.proven else None
        v[f"device.{module.id}.release_proven_days"] = _NO_VALUE if days is None else Value(days, GOOD)
    return v


def transformer_values(cycle: Cycle, t: TransformerPlan, v: dict[str, Value]) -> None:
    e, th, ts, i = cycle.estimate, cycle.thermals[t.index], cycle.transformers[t.index], t.index
    assert e is not None
    assert cycle.thermal is not None
    p = t.id
    v[f"{p}.top_oil_c"] = Value(th.oil, th.oil_quality) if th.oil is not None else _NO_VALUE
    v[f"{p}.hot_spot_c"] = _value(th.hot_spot, th.hot_spot_quality)
    hottest = next((w for w in t.windings if w.place == int(e.hottest[i])), t.windings[0])
    v[f"{p}.hottest_winding"] = _value(
        hottest.settings.number if th.hot_spot is not None else None, th.hot_spot_quality
    )
    mode = t.settings.modes[ts.mode]
    unproven = any(cycle.stages[s.index].proof in (Proof.STARTING, Proof.UNPROVEN) for s in t.stages)
    v[f"{p}.mode"] = Value(mode.number, (_UNPROVEN if unproven else GOOD) if ts.mode_ok else NOT_STARTED)
    expectation = th.load_quality
    if th.ambient_lost:
        expectation = expectation | invalid(Detail.OLD_DATA)
    elif not th.ambient_quality.is_good:
        expectation = expectation | th.ambient_quality
    if e.start_questionable[i]:
        expectation = expectation | STARTED
    v[f"{p}.expected_oil_c"] = _value(finite(e.expected_oil_c[i]), expectation)
    effectiveness = expectation | th.oil_quality
    if th.oil_lost:
        effectiveness = effectiveness | invalid(Detail.INCONSISTENT)
    v[f"{p}.effectiveness_k"] = _value(finite(e.effectiveness_k[i]), effectiveness)
    v[f"{p}.load_pu"] = _value(th.load, th.load_quality)
    v[f"{p}.explained_low_c"] = _value(finite(cycle.explained.low_c[i]), GOOD)
    v[f"{p}.explained_high_c"] = _value(finite(cycle.explained.high_c[i]), GOOD)
    bias = finite(cycle.explained.bias_k[i]) if cycle.explained.watched_s[i] else None
    v[f"{p}.oil_bias_k"] = _value(bias, GOOD)
    v[f"{p}.unmonitored_h"] = Value(float(cycle.thermal.unmonitored_s[i]) / 3600.0, GOOD)
    v[f"{p}.bubbling_margin_k"] = bubbling_margin(cycle, t, th)
    loading_values(cycle, t, v)
    for name, peak in (("hot_spot_c", ts.hot_spot), ("top_oil_c", ts.top_oil), ("load_pu", ts.load)):
        v[f"{p}.peak_{name}"] = _NO_VALUE if peak.value is None else Value(peak.value, GOOD)
    for k, w in enumerate(t.windings):
        winding_values(cycle, t, w, k, e, v)


def bubbling_margin(cycle: Cycle, t: TransformerPlan, th: Thermals) -> Value:
    """Only mineral oil has a published bubble inception temperature."""
    if th.hot_spot is None or t.settings.liquid != "mineral_oil":
        return _NO_VALUE
    margin = bubbling_margin_k(th.hot_spot, t.settings.moisture_percent)
    return _value(finite(margin), th.hot_spot_quality)


def loading_values(cycle: Cycle, t: TransformerPlan, v: dict[str, Value]) -> None:
    """Permissible loading while it is good; as good as the present hot spot, if that one is measured."""
    held, quality = cycle.loading[t.index], cycle.thermals[t.index].hot_spot_quality
    left_min = max(0, (held.valid_until_ns - cycle.now + 60 * NS - 1) // (60 * NS))
    if quality.is_invalid or quality.is_substituted:
        left_min = 0
    for name, figure in zip_longest(FIGURES, held.figures if left_min else ()):
        v[f"{t.id}.{name}"] = _NO_VALUE if figure is None else Value(figure, quality)
    v[f"{t.id}.load_valid_min"] = Value(left_min, GOOD)


def winding_values(
    cycle: Cycle, t: TransformerPlan, w: WindingPlan, k: int, e: track.Estimate, v: dict[str, Value]
) -> None:
    th, i, p = cycle.thermals[t.index], w.place, w.id
    load_q, hot_q = th.current_quality[k], th.winding_quality[k]
    load = finite(e.load_pu[i])
    if load is not None and (w.current is None or cycle.inputs[w.current].lost):
        ts = cycle.transformers[t.index]
        amps = load * float(cycle.plan.model.rated_current_a[ts.mode, i])
        v[f"{p}.current_a"] = _value(amps, load_q)
    elif w.current is None:
        v[f"{p}.current_a"] = _NO_VALUE
    v[f"{p}.load_pu"] = _value(load, load_q)
    v[f"{p}.hot_spot_c"] = _value(finite(e.hot_spot_c[i]), hot_q)
    v[f"{p}.hot_spot_uncertainty_k"] = _value(finite(e.uncertainty_k[i]), hot_q)
    v[f"{p}.ageing_rate"] = _value(finite(e.ageing_rate[i]), hot_q)
    v[f"{p}.gradient_k"] = _value(finite(e.gradient_k[i]), load_q)
    life_q = life_quality(cycle, t, k)
    low, best, high = (float(x) for x in e.loss_of_life_h[:, i])
    v[f"{p}.loss_of_life_h"] = Value(best, life_q)
    v[f"{p}.loss_of_life_low_h"] = Value(low, life_q)
    v[f"{p}.loss_of_life_high_h"] = Value(high, life_q)
    v[f"{p}.life_corrections"] = Value(cycle.transformers[t.index].corrections[k], GOOD)
    v[f"{p}.loss_of_life_percent"] = Value(100.0 * best / t.settings.normal_life_h, life_q)
    assert cycle.thermal is not None
    assumed = float(cycle.thermal.unmonitored_life_h[i])
    v[f"{p}.unmonitored_life_h"] = Value(assumed, STARTED if assumed else GOOD)
    v[f"{p}.equivalent_ageing_day"] = _value(finite(e.equivalent_day[i]), hot_q)
    v[f"{p}.equivalent_ageing_month"] = _value(finite(e.equivalent_month[i]), hot_q)
    v[f"{p}.equivalent_ageing_total"] = _value(finite(e.equivalent_total[i]), hot_q)


def life_quality(cycle: Cycle, t: TransformerPlan, k: int) -> Quality:
    assert cycle.thermal is not None
    doubtful_s = cycle.transformers[t.index].doubtful_s[k]
    most_s = DOUBTFUL_SHARE * float(cycle.thermal.monitored_s[t.index])
    return STARTED if doubtful_s > most_s else GOOD


def stage_values(cycle: Cycle, s: StagePlan, v: dict[str, Value]) -> None:
    stage, p = cycle.stages[s.index], s.id
    if cycle.deciding:
        v[f"{p}.called"] = _BOOL[stage.call in ON]
        v[f"{p}.reason"] = _REASON_VALUES[stage.why]
    else:  # nothing decided yet: what the relay does, if that is known
        relay = cycle.given.relays.get(p)
        called = not relay.energised if relay is not None and relay.energised is not None else None
        v[f"{p}.called"] = _NO_VALUE if called is None else Value(called, _UNPROVEN)
        v[f"{p}.reason"] = _REASON_VALUES[REASON["starting"]]
    running = stage.proof in (Proof.RUNNING, Proof.BY_HAND)
    assumed = cycle.plan.assume_running_as_called and cycle.unread(s.feedback)
    known = assumed or cycle.counted(s.feedback) is not None
    v[f"{p}.running"] = Value(running, GOOD if known and not assumed else _UNPROVEN)
    v[f"{p}.run_hours"] = Value(cycle.run_ns[s.index] / HOUR_NS, GOOD)
    v[f"{p}.starts"] = Value(stage.start_count, GOOD)


def _value(value: float | int | None, quality: Quality) -> Value:
    if value is None:
        return _NO_VALUE
    return Value(value, quality)
