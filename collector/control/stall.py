"""After a stall nothing is held off on old readings: what was in front of us may be long past.

A stall is time in which nobody decided: the process stopped, a virtual machine was suspended, the loop
blocked. Where no clock moved, only signs of it are left. The thermal model is untouched by all this: a gap
that was measured is integrated as any other, one that was not cannot be. Nothing here knows a stage's limits.
"""

from __future__ import annotations

from collections.abc import Sequence

from collector.control import hold_off
from collector.control import outputs as out
from collector.control.cycle import Cycle
from collector.control.layout import NS, Layout, TransformerPlan, ns
from collector.control.lost_inputs import InputState

#: What shows a stall, in words. The first is a stall; the others are signs that there may have been one.
SIGNS = {
    "gap": "no decision was made for so long",
    "wall clock": "the wall clock jumped ahead, so that this machine may have stood still",
    "connections": "every connection was reset at once, so that this machine may have stood still",
    "outputs": "a module has released all that it held, so that this machine may have stood still",
}


def look_for_stalls(cycle: Cycle) -> None:
    """Note for each transformer from when on its inputs must have been read; say which are awaited."""
    # Without outputs (a trace) nothing is held off, and the time between rows is no stall.
    sign, gap_s = station_sign(cycle) if cycle.given.relays else ("", 0.0)
    for t in cycle.layout.transformers:
        ts = cycle.transformers[t.index]
        of_t = sign or ("outputs" if cycle.given.relays and all_let_go(cycle, t) else "")
        if of_t:
            cycle.transformers[t.index] = ts = ts._replace(fresh_from_ns=cycle.now)
        if ts.fresh_from_ns < 0:
            continue
        old = awaited(cycle.layout, cycle.inputs, t, ts.fresh_from_ns)
        cycle.thermals[t.index].awaited = old
        if of_t and (old or of_t == "gap"):
            text = f"{t.id}: {SIGNS[of_t]}"
            if gap_s:
                text += f" ({gap_s:.1f} s)"
            if old:
                text += f"; nothing is held off before {old[0]} and what else control uses is read again"
            cycle.tell("stall", t.id, text, sign=of_t, gap_s=gap_s or None, awaited=len(old))
        if not old:
            cycle.transformers[t.index] = ts._replace(fresh_from_ns=-1)


def station_sign(cycle: Cycle) -> tuple[str, float]:
    """Which sign of a stall there is for the whole station, and how long it was [s]; 0: nobody knows."""
    if cycle.old.mono_ns >= 0 and cycle.old.sequence > 0:
        gap = cycle.now - cycle.old.mono_ns
        if gap > ns(cycle.plan.settings.station.decision_max_age_s):
            return "gap", gap / NS
    return cycle.given.health.possible_stall, 0.0


def all_let_go(cycle: Cycle, t: TransformerPlan) -> bool:
    """A module that answers has released every stage of this transformer that it held, all by itself."""
    held: dict[str, list[bool]] = {}
    fresh: set[str] = set()
    for s in t.stages:
        if cycle.outputs[s.index].wanted is True:
            seen = cycle.seen[s.index]
            held.setdefault(s.module, []).append(cycle.outputs[s.index].read is False)
            if seen.released and seen.trouble is not out.Trouble.LINK:
                fresh.add(s.module)
    return any(all(held[module]) for module in fresh)


def awaited(
    layout: Layout, inputs: Sequence[InputState], t: TransformerPlan, since_ns: int
) -> tuple[str, ...]:
    """Inputs of this transformer that count, but on a reading from before. A lost one has its own rule."""
    used = dict.fromkeys(i for s in t.stages for i in hold_off.needs(t, s))
    return tuple(layout.inputs[i].id for i in used if not inputs[i].lost and inputs[i].value_ns < since_ns)


def read_since(cycle: Cycle, t: TransformerPlan, i: int | None) -> bool:
    """This input was read since the last stall, so that a block may lean on it."""
    return i is None or cycle.inputs[i].value_ns >= cycle.transformers[t.index].fresh_from_ns
