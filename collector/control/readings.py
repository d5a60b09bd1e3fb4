"""Which readings count: each by itself, then against the others, then how long it has been good or bad.

What a lost input leads to is the business of the rooms that use it.
"""

from __future__ import annotations

from typing import Any

from collector.control import belief
from collector.control import lost_inputs as li
from collector.control.cycle import Cycle
from collector.control.layout import TransformerPlan, ns


def judge_inputs(cycle: Cycle) -> None:
    readings, devices, now = cycle.given.readings, cycle.given.devices, cycle.now
    down = {d: cycle.devices_down.get(d, now) for d, why in devices.items() if why and d not in cycle.silent}
    if down != cycle.devices_down:
        cycle.devices_down = down
    for plan, old in zip(cycle.layout.inputs, cycle.inputs, strict=True):
        reading = readings.get(plan.id)
        down_for = devices.get(plan.device, "") if devices else ""
        cycle.faults.append(li.examine(plan.rules, old, reading, now, down_for))
    for t in cycle.layout.transformers:
        compare(cycle, t)
        on_the_way_back(cycle, t)
    for i, plan in enumerate(cycle.layout.inputs):
        old = cycle.inputs[i]
        if cycle.faults[i] is li.NOT_READ and li.stays_unread(old):
            continue
        fault = cycle.faults[i]
        if plan.device in cycle.silent and plan.kind == "contact" and fault is not None and not old.lost:
            cycle.faults[i] = None  # it is left alone: as it was, however long ago
            continue
        new = li.settle(plan.rules, old, readings.get(plan.id), cycle.faults[i], now)
        if new is old:
            continue
        if new.lost and not old.lost and old.value is not None and plan.oil_of is not None:
            known = cycle.old.expected
            new = new._replace(anchor_c=old.value, anchor_expected_c=known[plan.oil_of] if known else None)
        cycle.inputs[i] = new
        if new.lost and (not old.lost or old.lost_ns < 0) and plan.id in readings and cycle.deciding:
            cycle.tell("quality", plan.id, f"{plan.id} is lost: {new.reason}", cause=new.cause.value)
        elif old.lost and not new.lost and old.lost_ns >= 0:
            cycle.tell("quality", plan.id, f"{plan.id} counts again", value=new.value)
    for i in cycle.doubtful:
        if not cycle.inputs[i].lost:
            cycle.inputs[i] = cycle.inputs[i]._replace(quality=cycle.inputs[i].quality | li.DOUBTFUL)
    if cycle.substitutes and any(s.until_ns <= now for s in cycle.substitutes):
        for s in cycle.substitutes:
            if s.until_ns <= now:
                cycle.tell("command", s.id, f"substituted value of {s.id} has run out")
        cycle.substitutes = tuple(s for s in cycle.substitutes if s.until_ns > now)


def compare(cycle: Cycle, t: TransformerPlan) -> None:
    """Plausibility between inputs: phases, duplicate probes, ambient above oil, frozen oil."""
    ts = cycle.transformers[t.index]
    rules = t.settings.lost_inputs
    oil_i, second_i, ambient_i = (t.inputs.get(k) for k in ("top_oil_c", "top_oil_2_c", "ambient_c"))
    oil, second, ambient = cycle.raw(oil_i), cycle.raw(second_i), cycle.raw(ambient_i)
    changes: dict[str, Any] = {}

    loads: list[float | None] = []
    for w in t.windings:
        amps = cycle.raw(w.current)
        # One base for all modes: a rule in pu of the mode in force comes and goes with the fans.
        loads.append(None if amps is None else amps / w.rated_a[-1])
    low = any(load is not None and load < rules.phase_zero_pu for load in loads)
    if low or max(ts.phase_ns, default=-1) >= 0:
        phase_ns = list(ts.phase_ns)
        for k, w in enumerate(t.windings):
            others = [other for j in w.phases if (other := loads[j]) is not None]
            odd = li.phase_missing(loads[k], others, rules.phase_zero_pu, rules.phase_others_pu)
            phase_ns[k] = (phase_ns[k] if phase_ns[k] >= 0 else cycle.now) if odd else -1
            if odd and w.current is not None and cycle.now - phase_ns[k] >= ns(li.DISAGREE_S):
                reason = f"near zero while another phase carries {max(others):.2f} pu"
                cycle.faults[w.current] = li.Fault(li.Cause.PHASE, reason)
        changes["phase_ns"] = tuple(phase_ns)

    if second_i is not None:
        apart = (
            abs(oil - second) > t.settings.top_oil.max_difference_k
            if oil is not None and second is not None
            else None
        )
        disagree_ns, agree_ns, disagree = ts.disagree_ns, ts.agree_ns, ts.disagree
        if apart is not None:
            disagree_ns = (disagree_ns if disagree_ns >= 0 else cycle.now) if apart else -1
            agree_ns = -1 if apart else (agree_ns if agree_ns >= 0 else cycle.now)
            if apart and cycle.now - disagree_ns >= ns(li.DISAGREE_S):
                disagree = True
            elif not apart and cycle.now - agree_ns >= ns(cycle.plan.settings.station.return_after_s):
                disagree = False
        else:
            disagree = False
        changes |= {"disagree_ns": disagree_ns, "agree_ns": agree_ns, "disagree": disagree}

    if ambient_i is not None:
        above = False  # what cannot be compared cannot be doubted
        if ambient is not None and oil is not None and ambient - oil > rules.ambient_above_oil_k:
            above = any(load is not None and load > li.AMBIENT_CHECK_PU for load in loads)
        ambient_ns = (ts.ambient_ns if ts.ambient_ns >= 0 else cycle.now) if above else -1
        if above and cycle.now - ambient_ns >= ns(li.AMBIENT_ABOVE_OIL_S):
            cycle.doubtful[ambient_i] = f"{ambient:.1f} °C, top oil {oil:.1f} °C"
        changes["ambient_ns"] = ambient_ns

    expected = expected_oil(cycle, t)
    for name, i, value in (("frozen_1", oil_i, oil), ("frozen_2", second_i, second)):
        if i is None or value is None:
            continue
        changes[name] = li.watch_slope(getattr(ts, name), value, expected, cycle.now)
    if oil_i is not None and oil is not None:
        count = cycle.layout.inputs[oil_i].count
        watch = li.watch_frozen(ts.frozen, oil, expected, count, cycle.now)
        fault = li.frozen(watch, rules.frozen_expected_k, ns(rules.frozen_after_min * 60.0), cycle.now)
        if fault is not None:
            cycle.faults[oil_i] = fault
        changes["frozen"] = watch

    if any(getattr(ts, name) != value for name, value in changes.items()):
        cycle.transformers[t.index] = ts._replace(**changes)


def on_the_way_back(cycle: Cycle, t: TransformerPlan) -> None:
    """What was lost and reads well again must also fit, else it stays lost: a probe that fell out of its
    pocket reads the air, and reads it well."""
    for name in ("top_oil_c", "top_oil_2_c", "ambient_c"):
        i = t.inputs.get(name)
        if i is None:
            continue
        state, value = cycle.inputs[i], cycle.raw(i)
        if not state.lost or state.value is None or state.lost_ns < 0 or value is None:
            continue
        if name == "ambient_c":
            moved_k = li.AIR_K_PER_H * (cycle.now - state.lost_ns) / (3600.0 * li.NS)
            fits: bool | None = abs(value - state.value) <= li.JUMP_MARGIN_K + moved_k
            if state.cause is not li.Cause.JUMP:
                fits = True
        else:
            fits = belief.agrees(cycle, t, state, value)
        if fits is False:
            said = f"reads {value:.1f} °C, which fits neither its last good value nor what is expected"
            cycle.faults[i] = li.Fault(li.Cause.JUMP, said)


def expected_oil(cycle: Cycle, t: TransformerPlan) -> float | None:
    """The model's oil of the last step, if it stands on good inputs and has settled."""
    ambient = t.inputs.get("ambient_c")
    if ambient is None or not cycle.inputs[ambient].quality.is_good or not cycle.old.expected:
        return None
    return cycle.old.expected[t.index]
