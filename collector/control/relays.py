"""What the relays do, and what they are asked to do: stages, alarm contacts, trip, watchdog relays.

Nothing is decided here about stages or alarms; it only turns their states into coils.
"""

from __future__ import annotations

from collector.control import outputs as out
from collector.control import proof
from collector.control.cycle import Cycle
from collector.control.layout import ns
from collector.control.stages import ON


def look_at_outputs(cycle: Cycle) -> None:
    """What each output does against what was decided."""
    if not cycle.given.relays:  # no read-back in this run (a trace)
        cycle.seen = [out.NOTHING] * len(cycle.outputs)
        return
    settle = ns(max(out.SETTLE_S, 3 * cycle.plan.settings.station.cycle_s))
    for s in cycle.layout.stages:
        if s.module in cycle.silent:
            cycle.seen.append(out.NOTHING)
            continue
        state, seen = out.look(
            cycle.outputs[s.index], cycle.given.relays.get(s.id), cycle.now, s.module_timeout, settle
        )
        cycle.outputs[s.index] = state
        cycle.seen.append(seen)
    for c in cycle.layout.contacts:
        if c.module in cycle.silent:
            cycle.seen.append(out.NOTHING)
            continue
        cycle.outputs[c.index], seen = out.look(
            cycle.outputs[c.index],
            cycle.given.relays.get(c.id),
            cycle.now,
            c.module_timeout,
            settle,
            "energised",
        )
        cycle.seen.append(seen)
    guard(cycle)


def guard(cycle: Cycle) -> None:
    """Which modules' watchdog relays are down, or are to be: whatever such a module holds off runs.

    A module's watchdog relay is energised only while each of its outputs does what was decided.
    """
    plan = cycle.layout
    for module, w in plan.watchdogs.items():
        relay, seen = cycle.given.relays.get(w.id), cycle.seen[w.index]
        disobeying = [
            seen.reason or "it does not obey"
            for seen, state, where in zip(cycle.seen, cycle.outputs, plan.modules, strict=True)
            if where == module and _not_released(seen, state)
        ]
        if disobeying:
            cycle.unguarded[module] = disobeying[0]
        elif relay is not None and (relay.energised is False or seen.trouble is out.Trouble.LINK):
            cycle.unguarded[module] = seen.reason or "its watchdog relay is released"


def _not_released(seen: out.Seen, state: out.OutputState) -> bool:
    if seen.trouble is out.Trouble.MISMATCH:
        return state.wanted is False
    return bool(seen.disobeys) or seen.trouble is out.Trouble.LINK


def energise(cycle: Cycle) -> dict[str, bool]:
    """Output id -> coil. A cooling relay is energised to hold its stage off."""
    if not cycle.deciding:
        return {}
    coils: dict[str, bool] = {}
    for s in cycle.layout.stages:
        wanted = cycle.stages[s.index].call not in ON
        if wanted and proof.undecided(cycle, s.id):
            continue
        coils[s.id] = wanted
        cycle.outputs[s.index] = out.decided(cycle.outputs[s.index], wanted, cycle.now)
    for t in cycle.layout.transformers:
        contacts = t.settings.contacts
        if t.settings.trip.relay is not None:  # disabled: kept off, also if it was on until just now
            coils[f"{t.id}.trip"] = t.settings.trip.enabled and active(cycle, t.alarms["trip"])
        for name in ("hot_spot_high", "hot_spot_high_high", "top_oil_high"):
            if getattr(contacts, name) is not None:
                coils[f"{t.id}.contact.{name}"] = active(cycle, t.alarms[name])
        if contacts.cooling_failure is not None:
            failed = (
                active(cycle, t.alarms["cooling_insufficient"])
                or active(cycle, t.alarms["pumps_lost"])
                or active(cycle, t.alarms["ac_supply_lost"])
                or any(active(cycle, s.alarms["no_feedback"]) for s in t.stages)
            )
            coils[f"{t.id}.contact.cooling_failure"] = not failed
        if contacts.device_fault is not None:
            # Fed by a completed step and nothing else: it drops out when the steps stop. And when a stage
            # does not run that must: then nobody shall rely on what windingd says it does.
            coils[f"{t.id}.contact.device_fault"] = not any(
                cycle.seen[s.index].disobeys in ("stuck", "foreign") for s in t.stages
            )
        for c in t.contacts:
            cycle.outputs[c.index] = out.decided(cycle.outputs[c.index], coils[c.id], cycle.now)
    for module, w in cycle.layout.watchdogs.items():
        coils[w.id] = not any(
            where == module and _not_released(seen, state)
            for seen, state, where in zip(cycle.seen, cycle.outputs, cycle.layout.modules, strict=True)
        )
        cycle.outputs[w.index] = out.decided(cycle.outputs[w.index], coils[w.id], cycle.now)
    return coils


def active(cycle: Cycle, alarm: int) -> bool:
    return cycle.alarms[alarm].active
