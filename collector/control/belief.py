"""Which readings are in doubt though each looks good by itself, and who is likely to be wrong.

How to think about it. Each measured quantity has an expectation with a band: the oil from load, ambient and
cooling (thermal/explained.py), a phase from the other phases, one side's load from the other's, a feedback
from its call. A contradiction that lasts makes a *doubt*: data, with the single wrong inputs that would
explain it. A doubt may call for more and raises an alarm; it never takes cooling away: while it stands
nothing stops, the higher of measured and expected oil counts, and at least the load that explains the oil.
Nothing here may lower a value.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from collector.control import lost_inputs as li
from collector.control.cycle import Cycle, Thermals
from collector.control.layout import TransformerPlan, ns
from collector.control.stages import ON, Proof
from collector.thermal import explained, track
from collector.thermal.model import Floats

How = Literal["reads low", "reads high", "stands still", "does not cool", "is blocked or shut"]
#: Currents of two sides may differ by this share, and by this much [pu]: magnetising current, ratio errors,
#: the neighbouring tap. Engineering judgement, no source.
SIDES_SHARE, SIDES_PU = 0.1, 0.08
#: An ambient beyond what the place can have by this [K] explains nothing: a sensor's error or the sun.
PLACE_MARGIN_K = 5.0
#: After so long the lowest course no longer leans on the reading that it began with [s]: two of the longest
#: usual oil time constants.
BEGUN_S = 4 * 3600.0
#: Until then oil that will be warmer than a cold-oil block by this much [K] is not believed to be cold.
BEGUN_K = 20.0


@dataclass(frozen=True, slots=True)
class Culprit:
    """One input, or the cooling, that alone would explain a doubt. what: measurement or stage ids."""

    what: str
    how: How

    @property
    def words(self) -> str:
        return f"{self.what} {self.how}"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A contradiction that stands. by, band: how far off it is and how far would be usual, in unit. culprits:
    likeliest first; empty: no single one explains it."""

    quantity: Literal["cold oil", "hot oil", "phases", "sides", "drift down", "drift up"]
    since_ns: int
    by: float
    band: float
    unit: str
    culprits: tuple[Culprit, ...]

    @property
    def holds(self) -> bool:
        """Whether nothing may stop for it. An oil that drifts up calls for more by itself."""
        return self.quantity != "drift up"

    @property
    def words(self) -> str:
        if not self.culprits:
            return "no single wrong input explains it: check oil, ambient, currents and cooling"
        likely = "; or ".join(c.words for c in self.culprits)
        return f"likely: {likely}" + ("" if len(self.culprits) == 1 else " (the readings do not tell which)")


def hold_against(cycle: Cycle, sample: track.Sample) -> None:
    """The oil against what explains it, one step on; then every doubt that stands, by transformer."""
    plan = cycle.plan
    now, model = cycle.now, plan.model
    n = len(cycle.layout.transformers)
    oil, expected = np.full(n, np.nan), np.full(n, np.nan)
    low, high = sample.ambient_c.copy(), sample.ambient_c.copy()
    coolest, extra = sample.mode.copy(), np.zeros(n)
    least, most = sample.current_a, sample.current_a
    for t in cycle.layout.transformers:
        i, th = t.index, cycle.thermals[t.index]
        measured = cycle.measured(t.inputs.get("top_oil_c"))
        if measured is None and not th.oil_lost:
            measured = cycle.measured(t.inputs.get("top_oil_2_c"))
        if measured is not None and not th.oil_lost and cycle.deciding:
            oil[i] = measured
        measured_air = cycle.measured(t.inputs.get("ambient_c")) is not None
        known = cycle.old.expected[i] if cycle.old.expected else None
        if known is not None and measured_air and not th.tap_lost:
            expected[i] = known
        if not measured_air:
            low[i], high[i] = t.settings.site.ambient_low_c, t.settings.site.ambient_high_c
        coolest[i], extra[i] = may_cool(cycle, t, int(sample.mode[i]))
        watch_currents(cycle, t, scales_of(cycle, t))
    put_in = sample.current_substituted
    if (put_in is not None and put_in.any()) or np.isnan(least).any():
        least = np.where(np.isnan(least) | (put_in if put_in is not None else False), 0.0, least)
        most = np.where(np.isnan(most), model.rated_current_a[-1], most)
    cycle.explained = explained.advance(
        model,
        cycle.explained,
        explained.Seen(
            now,
            oil,
            low,
            high,
            least,
            most,
            coolest,
            sample.mode,
            extra,
            np.array([t.settings.lost_inputs.oil_margin_k for t in cycle.layout.transformers]),
            expected,
            sample.energised,
            sample.rated_scale,
            sample.loss_scale,
        ),
    )
    x = cycle.explained
    standing = x.cold | x.hot | (x.drift != 0)
    for t in cycle.layout.transformers:
        ts, th = cycle.transformers[t.index], cycle.thermals[t.index]
        if not standing[t.index] and ts.unbalance_ns < 0 and ts.sides_ns < 0:
            continue  # nobody is looked for
        found = found_doubts(cycle, t, oil[t.index])
        th.load_accused = any(
            d.quantity == "hot oil" and any(c.what.endswith("current_a") for c in d.culprits) for d in found
        )
        th.doubts = tuple(one_for_all(found))
        if any(d.holds for d in th.doubts):
            th.doubt = f"{t.id}: {th.doubts[0].quantity} in doubt: {th.doubts[0].words}"


def may_cool(cycle: Cycle, t: TransformerPlan, mode: int) -> tuple[int, int]:
    """The strongest cooling mode that may be in force, proven or not, and how many groups run beside it.

    A stage may run when its relay lets it or its feedback says so; a partly running mode may cool like a
    whole one.
    """
    maybe = {
        k
        for k, s in enumerate(t.stages)
        if (stage := cycle.stages[s.index]).call in ON
        or stage.proof in (Proof.RUNNING, Proof.BY_HAND)
        or (cycle.counted(s.feedback) or 0.0) >= 0.5
    }
    for m in range(len(t.modes) - 1, mode, -1):
        if not maybe.isdisjoint(set(t.modes[m]) - set(t.modes[mode])):
            return m, len(maybe - set(t.modes[m]))
    return mode, len(maybe - set(t.modes[mode]))


def found_doubts(cycle: Cycle, t: TransformerPlan, oil: Any) -> list[Doubt]:
    x, i, ts = cycle.explained, t.index, cycle.transformers[t.index]
    found: list[Doubt] = []
    rules = t.settings.lost_inputs
    loads = phase_loads(cycle, t)
    if ts.unbalance_ns >= 0 and cycle.now - ts.unbalance_ns >= ns(rules.unbalance_after_min * 60.0):
        worst = odd_phase(t, loads, rules.phase_unbalance_pu)
        if worst is not None:
            k, by = worst
            how: How = "reads low" if by < 0 else "reads high"
            culprit = (Culprit(f"{t.windings[k].id}.current_a", how),)
            found.append(Doubt("phases", ts.unbalance_ns, by, rules.phase_unbalance_pu, "pu", culprit))
    if ts.sides_ns >= 0 and cycle.now - ts.sides_ns >= ns(rules.unbalance_after_min * 60.0):
        apart = sides_apart(t, loads, scales_of(cycle, t))
        if apart is not None and apart[0] > apart[1]:
            by, band, less, more = apart
            both = (Culprit(_currents(t, less), "reads low"), Culprit(_currents(t, more), "reads high"))
            found.append(Doubt("sides", ts.sides_ns, by, band, "pu", both))
    if x.cold[i]:
        by = float(oil - x.low_c[i]) if oil == oil else 0.0
        culprits = _cold_culprits(cycle, t, oil, found)
        found.append(Doubt("cold oil", int(x.cold_ns[i]), by, float(x.band_k[i]), "K", culprits))
    if x.hot[i]:
        by = float(oil - x.high_c[i]) if oil == oil else 0.0
        culprits = _hot_culprits(cycle, t, oil, found)
        found.append(Doubt("hot oil", int(x.hot_ns[i]), by, float(x.band_k[i]), "K", culprits))
    if x.drift[i] and not (x.cold[i] or x.hot[i]):
        low = x.drift[i] < 0
        how = "reads low" if low else "reads high"
        named = tuple(_probes(cycle, t, how))
        named += (Culprit(f"{t.id}.ambient_c", "reads high" if low else "reads low"),)
        named += tuple(_all_currents(cycle, t, "reads high" if low else "reads low", found))
        if not low:
            named = (Culprit(f"{t.id}: a radiator or valve", "is blocked or shut"), *named)
        words: Literal["drift down", "drift up"] = "drift down" if low else "drift up"
        found.append(Doubt(words, int(x.drift_ns[i]), float(x.bias_k[i]), float(x.band_k[i]), "K", named))
    return found


def one_for_all(found: list[Doubt]) -> list[Doubt]:
    """Where some single wrong input explains every doubt that stands, it is named alone in each of them."""
    if len(found) < 2:
        return found
    common = [c for c in found[0].culprits if all(c in d.culprits for d in found)]
    return [replace(d, culprits=tuple(common)) for d in found] if common else found


def _place_allows(t: TransformerPlan, ambient_c: float) -> bool:
    site = t.settings.site
    return site.ambient_low_c - PLACE_MARGIN_K <= ambient_c <= site.ambient_high_c + PLACE_MARGIN_K


def _probes(cycle: Cycle, t: TransformerPlan, how: How) -> list[Culprit]:
    """The oil probe, unless a second one agrees with it; first one that does not move with the model."""
    ts, rules = cycle.transformers[t.index], t.settings.lost_inputs
    after_ns = ns(rules.frozen_after_min * 60.0)
    still = [
        Culprit(f"{t.id}.{name}", "stands still")
        for name, watch in (("top_oil_c", ts.frozen_1), ("top_oil_2_c", ts.frozen_2))
        if li.stands_still(watch, rules.frozen_expected_k, after_ns, cycle.now)
    ]
    if still and how == "reads low":
        return still
    second = t.inputs.get("top_oil_2_c")
    if second is not None and cycle.measured(second) is not None:
        return []
    return [Culprit(f"{t.id}.top_oil_c", how)]


def _all_currents(cycle: Cycle, t: TransformerPlan, how: How, found: list[Doubt]) -> list[Culprit]:
    """The currents that stand for the load, unless the other side says the same."""
    named = next((d for d in found if d.quantity in ("phases", "sides")), None)
    if named is not None:
        return [c for c in named.culprits if c.how == how]
    if len(t.sides) == 2:
        return []
    measured = [w for w in t.windings if w.current is not None]
    return [Culprit(", ".join(f"{w.id}.current_a" for w in measured), how)] if measured else []


def _cold_culprits(cycle: Cycle, t: TransformerPlan, oil: Any, found: list[Doubt]) -> tuple[Culprit, ...]:
    """Single wrong inputs that would let the oil be so cold, likeliest first: each must still be possible."""
    x, i = cycle.explained, t.index
    result = _probes(cycle, t, "reads low")
    missing = float(x.low_c[i] + x.band_k[i] - oil) if oil == oil else 0.0
    ambient = cycle.measured(t.inputs.get("ambient_c"))
    if ambient is not None and _place_allows(t, ambient - missing):
        result.append(Culprit(f"{t.id}.ambient_c", "reads high"))
    if missing < _load_rise(cycle, t):
        result += _all_currents(cycle, t, "reads high", found)
    return tuple(result)


def _shown_load(cycle: Cycle, t: TransformerPlan) -> float:
    """The least load that any of its windings shows, in the mode in force [pu]: one that is low is enough."""
    assert cycle.estimate is not None
    return float(np.nan_to_num(cycle.estimate.load_pu[[w.place for w in t.windings]]).min())


def _load_rise(cycle: Cycle, t: TransformerPlan) -> float:
    """The part of the expected rise that comes from load, without which an idle unit is left [K]."""
    e = cycle.estimate
    assert e is not None
    w, i = len(cycle.layout.windings), t.index
    rated, x = float(e.regime.gain[2 * w + i]), float(cycle.plan.model.x[e.regime.mode[i], i])
    sample = cycle.sample
    assert sample is not None
    now = explained.steady(cycle.plan.model, e.regime, np.nan_to_num(sample.current_a))
    return float(now.rise_k[i] - rated * e.regime.loss_base[i] ** x)


def _hot_culprits(cycle: Cycle, t: TransformerPlan, oil: Any, found: list[Doubt]) -> tuple[Culprit, ...]:
    x, i = cycle.explained, t.index
    result: list[Culprit] = []
    needed = float(x.needed_pu[i])
    if needed < explained.MOST_LOAD_PU and needed > _shown_load(cycle, t):
        result += _all_currents(cycle, t, "reads low", found)
    result += [
        Culprit(", ".join(s.id for s in t.stages if s.index in idle_stages(cycle, t)), "does not cool")
    ] * bool(idle_stages(cycle, t))
    result.append(Culprit(f"{t.id}: a radiator or valve", "is blocked or shut"))
    missing = float(oil - x.high_c[i] + x.band_k[i]) if oil == oil else 0.0
    ambient = cycle.measured(t.inputs.get("ambient_c"))
    if ambient is not None and _place_allows(t, ambient + missing):
        result.append(Culprit(f"{t.id}.ambient_c", "reads low"))
    return (*result, *_probes(cycle, t, "reads high"))


def idle_stages(cycle: Cycle, t: TransformerPlan) -> frozenset[int]:
    """Stages that the mode in force stands on beyond the next lower one: they may turn without effect."""
    mode = cycle.transformers[t.index].mode
    if mode == 0:
        return frozenset()
    beyond = set(t.modes[mode]) - set(t.modes[mode - 1])
    return frozenset(t.stages[k].index for k in beyond)


def raise_values(cycle: Cycle, t: TransformerPlan, th: Thermals) -> None:
    """While the oil is hotter than explained: at least the load that explains it, and the next lower mode."""
    x, i = cycle.explained, t.index
    if not x.hot[i] or th.oil is None:
        return
    model, mode = cycle.plan.model, cycle.transformers[i].mode
    assert cycle.sample is not None
    places = np.array([w.place for w in t.windings])
    amps: Floats = np.maximum(np.nan_to_num(cycle.sample.current_a[places]), 0.0)
    gradients = [0.0]
    needed = float(x.needed_pu[i])
    # A load just come on is enough for the oil, but its winding may not be warm yet: not below that gradient.
    if needed == needed and (th.load_accused or (th.load is not None and needed <= th.load)):
        if th.load is not None and needed > th.load:
            th.load, th.load_quality = needed, th.load_quality | li.DOUBTFUL.substituted()
        y = model.y[mode, places]
        gradients.append(float((model.rated_gradient_k[mode, places] * needed**y).max()))
    if mode > 0:
        lower = mode - 1
        k = amps / model.rated_current_a[lower, places]
        rated = model.rated_gradient_k[lower, places]
        gradients.append(float((rated * k ** model.y[lower, places]).max()))
    at_least = th.oil + max(gradients)
    if th.hot_spot is not None and at_least > th.hot_spot:
        th.hot_spot, th.hot_spot_quality = at_least, th.hot_spot_quality | li.DOUBTFUL.substituted()


def accused_stages(cycle: Cycle, t: TransformerPlan, th: Thermals) -> frozenset[int]:
    """Stages that turn by their feedback but show no effect on the oil: the next ones are called as well."""
    return idle_stages(cycle, t) if any(d.quantity == "hot oil" for d in th.doubts) else frozenset()


def just_begun(cycle: Cycle, t: TransformerPlan) -> bool:
    """Whether what the oil is held against still leans on the first reading."""
    return bool(cycle.now - cycle.explained.begun_ns[t.index] < ns(BEGUN_S))


def not_cold(cycle: Cycle, t: TransformerPlan, th: Thermals, limit_c: float) -> str:
    """What speaks against oil that is read to be below limit_c, in words; "": nothing, it may be cold."""
    x, i = cycle.explained, t.index
    if th.doubt:
        return th.doubt
    if x.low_c[i] > limit_c:
        return f"at least {x.low_c[i]:.1f} °C expected"
    if just_begun(cycle, t) and x.goal_c[i] > limit_c + BEGUN_K:
        # Its course began at this very reading: nothing has borne it out yet.
        return f"just begun, and at least {x.goal_c[i]:.1f} °C expected in steady state"
    for s in t.stages:
        pickup = s.settings.pickup
        if pickup.hot_spot_c is not None and th.hot_spot is not None and th.hot_spot >= pickup.hot_spot_c:
            return f"hot spot {th.hot_spot:.1f} °C is above a pickup"
        if pickup.load_pu is not None and th.load is not None and th.load >= pickup.load_pu:
            return f"load {th.load:.2f} pu is above a pickup"
    return ""


# --- currents against each other ----------------------------------------------------------------------


def phase_loads(cycle: Cycle, t: TransformerPlan) -> list[float | None]:
    """Measured load of each winding in pu of its rating with most cooling, whatever mode is in force."""
    loads: list[float | None] = []
    for w in t.windings:
        amps = cycle.raw(w.current)
        loads.append(None if amps is None else amps / w.rated_a[-1])
    return loads


def scales_of(cycle: Cycle, t: TransformerPlan) -> Floats | None:
    """Tap factor on the rated current of each winding; None: there is no tap changer that is read."""
    if cycle.sample is None or cycle.sample.rated_scale is None:
        return None
    return np.asarray(cycle.sample.rated_scale[np.array([w.place for w in t.windings])])


def watch_currents(cycle: Cycle, t: TransformerPlan, scales: Floats | None) -> None:
    """Since when a phase stands off from the others, and one side from the other."""
    if not t.compared:
        return
    ts, limit = cycle.transformers[t.index], t.settings.lost_inputs.phase_unbalance_pu
    loads = phase_loads(cycle, t)
    odd = odd_phase(t, loads, limit) is not None
    apart = sides_apart(t, loads, scales)
    wide = apart is not None and apart[0] > apart[1]
    unbalance_ns = (ts.unbalance_ns if ts.unbalance_ns >= 0 else cycle.now) if odd else -1
    sides_ns = (ts.sides_ns if ts.sides_ns >= 0 else cycle.now) if wide else -1
    if unbalance_ns != ts.unbalance_ns or sides_ns != ts.sides_ns:
        cycle.transformers[t.index] = ts._replace(unbalance_ns=unbalance_ns, sides_ns=sides_ns)


def odd_phase(t: TransformerPlan, loads: list[float | None], limit: float) -> tuple[int, float] | None:
    """(winding, how far off [pu]) of the phase that stands farthest from the mean of its others."""
    worst: tuple[int, float] | None = None
    for k, w in enumerate(t.windings):
        load = loads[k]
        others = [x for j in w.phases if (x := loads[j]) is not None]
        if load is None or len(others) < 2:
            continue
        by = load - sum(others) / len(others)
        if abs(by) > limit and (worst is None or abs(by) > abs(worst[1])):
            worst = (k, by)
    return worst


def sides_apart(
    t: TransformerPlan, loads: list[float | None], scales: Floats | None
) -> tuple[float, float, tuple[int, ...], tuple[int, ...]] | None:
    """(difference, band [pu], the side that shows less, the one that shows more); None: cannot be compared.

    Load in pu of each side's rating is ampere-turns over rated ampere-turns, with the tap's rated current.
    """
    if len(t.sides) != 2:
        return None
    means: list[float] = []
    for side in t.sides:
        found = [
            x / (1.0 if scales is None else float(scales[k])) for k in side if (x := loads[k]) is not None
        ]
        if len(found) < len(side):
            return None
        means.append(sum(found) / len(found))
    first, second = means
    less, more = (t.sides[0], t.sides[1]) if first <= second else (t.sides[1], t.sides[0])
    return abs(first - second), SIDES_PU + SIDES_SHARE * max(means), less, more


def _currents(t: TransformerPlan, side: tuple[int, ...]) -> str:
    return ", ".join(f"{t.windings[k].id}.current_a" for k in side)


# --- the oil on its way back --------------------------------------------------------------------------


def agrees(cycle: Cycle, t: TransformerPlan, state: li.InputState, value: float) -> bool | None:
    """Whether an oil that was lost fits again: the last good value moved on by the model, or what load,
    ambient and cooling explain. None: there is nothing to hold it against."""
    x, i = cycle.explained, t.index
    if np.isnan(x.low_c[i]):
        return None
    if x.low_c[i] <= value <= x.high_c[i]:
        return True
    expected = cycle.old.expected[i] if cycle.old.expected else None
    if state.anchor_c is None or state.anchor_expected_c is None or expected is None:
        return False
    moved_on = state.anchor_c + expected - state.anchor_expected_c
    return abs(value - moved_on) <= li.JUMP_MARGIN_K
