"""Pre-cooling: what an announced load would bring with the cooling now in force, once a minute.

Only looks ahead, with the kernel that everything else goes by; which stages are called for it stands in
calling.py. It may add cooling, so no input needs to be good here: where one is lost every stage runs anyway.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from collector.control.cycle import Cycle, Thermals
from collector.control.layout import NS, TransformerPlan, ns
from collector.control.state import NOTHING_EXPECTED, ExpectedLoad
from collector.thermal import kernel
from collector.thermal.model import Floats

#: A new look ahead so often [ns], and how closely it looks at the expected load [s].
EVERY_NS, LOOK_S = 60 * NS, 120.0
#: The load is taken to change over so long [s].
STEP_S = 1.0


def look_ahead(cycle: Cycle, t: TransformerPlan) -> None:
    """Predict for the load that is expected of a transformer, from its lead time on until it ends."""
    x = cycle.transformers[t.index].expected
    if x.end_ns < 0:
        return
    if cycle.now >= x.end_ns:
        forget(cycle, t)
        cycle.tell("loading", t.id, f"{t.id}: the time of the expected load is over")
        return
    lead_ns = ns(t.settings.pre_cooling_lead_min * 60.0)
    recent = x.made_ns >= 0 and cycle.now - x.made_ns < EVERY_NS
    if recent or not lead_ns or cycle.now < x.begin_ns - lead_ns:
        return
    first = x.made_ns < 0
    found = highest(cycle, t, x)
    oil, hot, load = found if found is not None else (None, None, None)
    x = replace(x, made_ns=cycle.now, top_oil_c=oil, hot_spot_c=hot, mode_load_pu=load)
    cycle.transformers[t.index] = cycle.transformers[t.index]._replace(expected=x)
    if first:
        begins = max(0.0, (x.begin_ns - cycle.now) / (60 * NS))
        would = (
            "what it would bring cannot be predicted, for an input is missing"
            if found is None
            else f"with the cooling now in force it would bring top oil to {oil:.1f} °C and hot spot to "
            f"{hot:.1f} °C"
        )
        text = f"{t.id}: a load of {x.load_pu:g} pu is expected in {begins:.0f} min; {would}"
        cycle.tell("loading", t.id, text, **figures(x))


def highest(cycle: Cycle, t: TransformerPlan, x: ExpectedLoad) -> tuple[float, float, float] | None:
    """Highest top oil and hot spot [degC] and load [pu of the mode in force] while the expected load lasts.

    Present load until it begins, present ambient and cooling throughout. None: an input is missing.
    """
    model, e, sample = cycle.plan.model, cycle.estimate, cycle.sample
    if e is None or sample is None or not e.started[t.index]:
        return None
    count, of_t = len(model.windings), np.array([w.place for w in t.windings])
    ambient, current = sample.ambient_c, sample.current_a
    if not (np.isfinite(ambient[t.index]) and np.isfinite(current[of_t]).all()):
        return None
    strongest = len(t.settings.modes) - 1
    expected = np.array(current)
    expected[of_t] = x.load_pu * model.rated_current_a[strongest, of_t] * e.regime.rated_scale[of_t]
    wait_s = max(0.0, (x.begin_ns - cycle.now) / NS)
    length_s = max(STEP_S, (x.end_ns - max(x.begin_ns, cycle.now)) / NS)
    looks: Floats = np.linspace(STEP_S, STEP_S + length_s, 1 + max(1, round(length_s / LOOK_S)))
    times_s = np.concatenate(([0.0, wait_s], wait_s + looks))
    inputs = np.zeros((len(times_s), count + 2 * len(model.transformers)))
    inputs[:2, :count], inputs[2:, :count] = current, expected
    inputs[:, count : count + len(ambient)] = ambient
    # The other transformers only stand beside: what is not known of them is of no account here.
    z, offset, inputs = (np.nan_to_num(a) for a in (e.z, e.effectiveness_k, inputs))
    everywhere = np.ones(len(ambient), dtype=np.bool_)
    try:
        path = kernel.integrate(
            model, e.regime, z, offset, np.diff(times_s), inputs, everywhere, ageing=False
        )
    except ArithmeticError:  # told as "cannot be predicted"; an announcement must never cost a decision
        return None
    oil, hot = path.oil_c[2:, t.index].max(), path.hot_spot_c[2:, of_t].max()
    if not (np.isfinite(oil) and np.isfinite(hot)):
        return None
    return float(oil), float(hot), float(path.load_pu[-1, of_t].max())


def to_come(x: ExpectedLoad) -> Thermals:
    """The highest values that were predicted, in the form that limits are compared with."""
    return Thermals(oil=x.top_oil_c, hot_spot=x.hot_spot_c, load=x.mode_load_pu)


def figures(x: ExpectedLoad) -> dict[str, float | None]:
    """What an event says about the expected load."""
    return {
        "expected_load_pu": x.load_pu,
        "predicted_top_oil_c": x.top_oil_c,
        "predicted_hot_spot_c": x.hot_spot_c,
        "predicted_load_pu": x.mode_load_pu,
    }


def forget(cycle: Cycle, t: TransformerPlan) -> None:
    """Nothing is expected any more; what was called for it goes on by its limits."""
    cycle.transformers[t.index] = cycle.transformers[t.index]._replace(expected=NOTHING_EXPECTED)
    for s in t.stages:
        if cycle.stages[s.index].precool_until_ns >= 0:
            cycle.stages[s.index] = replace(cycle.stages[s.index], precool_until_ns=-1)
