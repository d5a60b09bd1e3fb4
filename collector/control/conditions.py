"""When each alarm's condition is true, and which alarm stands for others; then their states follow.

The states themselves are the table in alarms.py. Nothing here reaches back into control.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import compress, count, repeat
from operator import is_not

from collector.control import alarms as al
from collector.control import outputs as out
from collector.control import stages, trip
from collector.control.cycle import Cycle, finite
from collector.control.layout import StagePlan, TransformerPlan, ns
from collector.control.stages import Proof
from collector.points import CALL_REASONS

#: Contacts of a transformer that have no alarm of their own for being lost.
STATUS_CONTACTS = (
    "ac_supply_healthy",
    "phase_sequence_ok",
    "control_supply_healthy",
    "supply_changeover",
    "energised",
)


def raise_alarms(cycle: Cycle) -> None:
    station_conditions(cycle)
    for t in cycle.layout.transformers:
        transformer_conditions(cycle, t)
        for s in t.stages:
            stage_conditions(cycle, t, s)
    # Most alarms are quiet and stay so: only the others are gone through.
    stirring = {*compress(count(), cycle.conditions), *cycle.suppressed}
    for alarms in (cycle.alarms, cycle.old.alarms) if cycle.given.commands else (cycle.alarms,):
        stirring.update(compress(count(), map(is_not, alarms, repeat(al.QUIET))))
    for i in sorted(stirring):
        plan = cycle.layout.alarms[i]
        was, condition, hidden = cycle.alarms[i], cycle.conditions[i], i in cycle.suppressed
        if was.status is al.AlarmStatus.SUPPRESSED and was.active and condition is False:
            hidden = True  # its cause has gone with the other's; only its off-delay still runs
        before = cycle.old.alarms[i]
        latch = plan.kind.latch and i not in cycle.unlatched
        new = al.follow(was, condition, cycle.now, plan.on_delay, plan.off_delay, latch, hidden)
        if new.active and not was.active:
            cycle.alarm_count += 1
            detail = cycle.details.get(i, "")
            text = f"{plan.subject}: {plan.kind.what}{f' ({detail})' if detail else ''}"
            did = cycle.did.get(i, "")
            text += f"; {did or plan.kind.did}. To do: {plan.kind.action}."
            new = replace(new, order=cycle.alarm_count, text=text, did=did)
        if new == before:
            continue
        cycle.alarms[i] = new
        if new.active and not was.active:
            cycle.tell(
                "alarm",
                plan.id,
                new.text,
                state=new.status.word,
                active=True,
                priority=plan.kind.priority,
                order=new.order,
                detail=cycle.details.get(i, ""),
            )
        elif new.active is not was.active or new.status is not before.status:
            now = "still" if new.active else "no longer"
            cycle.tell(
                "alarm",
                plan.id,
                f"{plan.subject}: {now}: {plan.kind.what} ({new.status.word})",
                state=new.status.word,
                active=new.active,
                priority=plan.kind.priority,
                was=before.status.word,
            )


def station_conditions(cycle: Cycle) -> None:
    health, at = cycle.given.health, cycle.layout.station_alarms
    cycle.condition(at["record_failed"], not health.record_ok, health.record_reason)
    cycle.condition(at["broker_lost"], not health.broker_ok, health.broker_reason)
    stepped = health.clock_stepped_s != 0.0
    if stepped:
        cycle.tell(
            "clock",
            "station",
            f"the wall clock stepped by {health.clock_stepped_s:+.1f} s",
            step_s=health.clock_stepped_s,
        )
    detail = f"stepped by {health.clock_stepped_s:+.1f} s" if stepped else "not trusted"
    cycle.condition(at["clock_stepped"], stepped or not health.clock_trusted, detail)
    cycle.condition(at["settings_refused"], bool(health.settings_refused), health.settings_refused)
    cycle.condition(at["unnamed_output"], bool(health.unnamed_outputs), health.unnamed_outputs)
    for module, m in zip(cycle.layout.relay_modules, cycle.modules, strict=True):
        if m.failed:
            cycle.condition(module.timeout_failed, True, "no request for longer than its timeout")
    stale = ns(cycle.plan.settings.station.stale_after_s)
    lost = any(cycle.gone(i) for i, state in enumerate(cycle.inputs) if state.lost)
    trouble = any(seen.trouble is out.Trouble.LINK for seen in cycle.seen)
    if not lost and not trouble and not cycle.devices_down:
        return
    for device, alarm in cycle.layout.devices.items():
        behind = [i for i in cycle.layout.inputs_of[device] if cycle.gone(i)]
        silent_ns = cycle.devices_down.get(device)
        silent = silent_ns is not None and cycle.now - silent_ns >= stale
        modules = any(
            seen.trouble is out.Trouble.LINK and module == device
            for seen, module in zip(cycle.seen, cycle.layout.modules, strict=True)
        )
        if behind or silent or modules:
            why = cycle.given.devices.get(device, "") or next((cycle.inputs[i].reason for i in behind), "")
            cycle.condition(alarm, True, why)


def lost_condition(cycle: Cycle, alarm: int, i: int | None, true: bool, detail: str) -> None:
    """A measurement-lost alarm; the alarm of a silent device stands for all that is behind it."""
    cycle.condition(alarm, true, detail)
    if true and told_by_link(cycle, i):
        cycle.suppressed.add(alarm)


def transformer_conditions(cycle: Cycle, t: TransformerPlan) -> None:
    th, ts, a, limits = cycle.thermals[t.index], cycle.transformers[t.index], t.alarms, t.settings.alarms
    for name, value, limit in (
        ("hot_spot_high", th.hot_spot, limits.hot_spot_high_c),
        ("hot_spot_high_high", th.hot_spot, limits.hot_spot_high_high_c),
        ("top_oil_high", th.oil, limits.top_oil_high_c),
        ("top_oil_high_high", th.oil, limits.top_oil_high_high_c),
    ):
        beyond = _beyond(value, limit, limits.deadband_k)
        if beyond and value is not None:
            cycle.condition(a[name], True, f"{value:.1f} °C, limit {limit:g} °C")
            cycle.did[a[name]] = what_is_called(cycle, t)
        else:
            cycle.conditions[a[name]] = beyond
    first, second = t.inputs.get("top_oil_c"), t.inputs.get("top_oil_2_c")
    if th.oil_lost:
        lost_condition(cycle, a["top_oil_lost"], None if ts.disagree else first, True, bare(t, th.lost))
    if first is not None and second is not None and not th.oil_lost:
        for i in (first, second):
            if cycle.inputs[i].lost:
                detail = f"{cycle.layout.inputs[i].id}: {cycle.inputs[i].reason}"
                lost_condition(cycle, a["top_oil_redundancy_lost"], i, True, detail)
    ambient = t.inputs.get("ambient_c")
    if ambient is not None and cycle.inputs[ambient].lost:
        lost_condition(cycle, a["ambient_lost"], ambient, True, cycle.inputs[ambient].reason)
    elif ambient in cycle.doubtful:
        cycle.condition(a["ambient_doubtful"], True, cycle.doubtful[ambient])
    for w in t.windings:
        if w.current is not None and cycle.inputs[w.current].lost:
            lost_condition(cycle, w.current_lost, w.current, True, cycle.inputs[w.current].reason)
    no_estimate = th.hot_spot is None or th.hot_spot_quality.is_invalid
    cycle.condition(a["estimate_lost"], no_estimate, bare(t, th.lost))
    # The oil of a lost sensor is suppressed by nothing: pumps lost is the cause, not the estimate.
    countdown_min = limits.countdown_all_pumps_lost_min
    if not ts.mode_ok:
        cycle.condition(a["pumps_lost"], True, f"the maker allows {countdown_min:g} min without them")
        if 0 <= ts.pumps_until_ns <= cycle.now:
            cycle.tell("mode", t.id, f"{t.id}: the maker's {countdown_min:g} min without pumps are over")
            cycle.transformers[t.index] = ts._replace(pumps_until_ns=stages.NEVER)
        cycle.suppressed.add(a["estimate_lost"])
    comparable = not th.oil_lost and th.ambient_quality.is_good and th.oil_quality.is_good
    if cycle.estimate is not None and comparable and not cycle.estimate.start_questionable[t.index]:
        hotter = finite(cycle.estimate.effectiveness_k[t.index])
        beyond = _beyond(hotter, limits.effectiveness_k, limits.effectiveness_k * 0.25)
        cycle.condition(a["effectiveness_low"], beyond, f"{hotter or 0.0:.1f} K above the expected oil")
    else:
        cycle.conditions[a["effectiveness_low"]] = None
    doubt_conditions(cycle, t)
    cooling_condition(cycle, t)
    ac, phases = (cycle.contact(t.inputs.get(k), True) for k in ("ac_supply_healthy", "phase_sequence_ok"))
    cycle.condition(a["ac_supply_lost"], not ac or not phases, "" if not ac else "wrong phase sequence")
    cycle.condition(a["control_supply_lost"], not cycle.contact(t.inputs.get("control_supply_healthy"), True))
    cycle.condition(a["supply_changeover"], cycle.contact(t.inputs.get("supply_changeover"), False))
    for name in STATUS_CONTACTS:
        wired = t.inputs.get(name)
        if wired is not None and cycle.inputs[wired].lost and not cycle.unread(wired):
            detail = f"{cycle.layout.inputs[wired].id}: {cycle.inputs[wired].reason}"
            lost_condition(cycle, a["contact_lost"], wired, True, detail)
    contact_conditions(cycle, t)
    if t.settings.trip.enabled:
        trip_condition(cycle, t)
    else:  # disabled by new settings: its output is off, and nothing is left to reset
        cycle.unlatched.add(a["trip"])
        if ts.trip_ns >= 0:
            cycle.transformers[t.index] = cycle.transformers[t.index]._replace(trip_ns=-1)


def bare(t: TransformerPlan, lost: str) -> str:
    """Why inputs do not suffice, without what the alarm itself says already."""
    for said in (f"{t.id}.top_oil_c is lost: ", f"{t.id} has no valid hot spot: ", f"{t.id}: "):
        lost = lost.removeprefix(said)
    return "" if lost == f"{t.id} has no valid hot spot yet" else lost


def what_is_called(cycle: Cycle, t: TransformerPlan) -> str:
    """What has become of the stages at alarm temperature; "": every one is called, as it should be."""
    off = [s for s in t.stages if cycle.stages[s.index].call not in stages.ON]
    if not off:
        return "" if t.stages else "there is no stage to call"
    held = ", ".join(f"{s.settings.id} {CALL_REASONS[cycle.stages[s.index].why]}" for s in off)
    called = len(t.stages) - len(off)
    return f"{called or 'none'} of {len(t.stages)} stages {'is' if called < 2 else 'are'} called ({held})"


def doubt_conditions(cycle: Cycle, t: TransformerPlan) -> None:
    """Contradictions between readings: each by name, with what would explain it."""
    th, a, ambient = cycle.thermals[t.index], t.alarms, t.inputs.get("ambient_c")
    for d in th.doubts:
        detail = f"by {abs(d.by):.2g} {d.unit} beyond {d.band:.2g}; {d.words}"
        if d.quantity == "cold oil":
            cycle.condition(a["oil_doubtful"], True, detail)
            warm = next((c.words for c in d.culprits if c.what == f"{t.id}.ambient_c"), "")
            if warm and ambient not in cycle.doubtful:
                cycle.condition(a["ambient_doubtful"], True, f"{warm}, or the oil reads low: {detail}")
        elif d.quantity in ("drift down", "drift up"):
            detail = f"{d.by:+.1f} K over days; {d.words}"
            cycle.condition(a["oil_drifts"], True, detail)
        elif d.quantity == "phases":
            for w in t.windings:
                if any(c.what == f"{w.id}.current_a" for c in d.culprits):
                    cycle.condition(w.current_doubtful, True, detail)
        elif d.quantity == "sides" or (
            any(c.what.endswith("current_a") for c in d.culprits)
            and not any(other.quantity in ("phases", "sides") for other in th.doubts)
        ):
            cycle.condition(a["load_doubtful"], True, detail)
    if any(d.quantity in ("phases", "sides") for d in th.doubts):
        cycle.suppressed.add(a["effectiveness_low"])  # one cause: the current is wrong, not the cooling
    cycle.condition(a["cold_oil_doubtful"], bool(th.cold_contradicted), th.cold_contradicted)
    tap = t.inputs.get("tap_position")
    if th.tap_lost and tap is not None:
        lost_condition(cycle, a["tap_lost"], tap, True, cycle.inputs[tap].reason)
    energised = cycle.measured(t.inputs.get("energised"))
    flows = th.load is not None and th.load >= t.settings.lost_inputs.phase_zero_pu
    if energised is not None and energised < 0.5 and flows:
        cycle.condition(a["energised_doubtful"], True, f"open at a load of {th.load:.2f} pu")


def cooling_condition(cycle: Cycle, t: TransformerPlan) -> None:
    """Called cooling that does not run, and nothing left to stand in for it.

    A stage whose feedback has not been sampled since it was due is not held against it. One whose feedback
    cannot be read because its device is silent is, but then the device's alarm stands for that.
    """
    asked, alarm = cycle.asked[t.index], t.alarms["cooling_insufficient"]
    if asked is None:
        return
    if any(asked.denied) and not any(
        cycle.stages[s.index].proof in (Proof.STARTING, Proof.RUNNING, Proof.BY_HAND) for s in t.stages
    ):
        detail = ", ".join(
            f"{s.id} {CALL_REASONS[cycle.stages[s.index].why]}"
            for s, d in zip(t.stages, asked.denied, strict=True)
            if d
        )
        cycle.condition(alarm, True, f"nothing that is asked for can run: {detail}")
        cycle.did[alarm] = "what is asked for stays asked for, and runs as soon as nothing blocks it"
        return
    if not (any(asked.unable) or any(asked.unproven)):
        return

    def short(counts: list[bool]) -> bool:
        failed = [u or (p and c) for u, p, c in zip(asked.unable, asked.unproven, counts, strict=True)]
        return stages.spares(asked.wanted, failed, asked.free, range(len(counts)))[1]

    denied = [denies(cycle, s) for s in t.stages]
    lost = [s.feedback is None or cycle.inputs[s.feedback].lost for s in t.stages]
    if not short([d or gone for d, gone in zip(denied, lost, strict=True)]):
        return
    detail = ", ".join(
        f"{s.id} {cycle.stages[s.index].proof.value}"
        for s in t.stages
        if cycle.stages[s.index].proof not in (Proof.RUNNING, Proof.BY_HAND)
    )
    cycle.condition(alarm, True, detail)
    if not short(
        [
            d or (gone and not told_by_link(cycle, s.feedback))
            for s, d, gone in zip(t.stages, denied, lost, strict=True)
        ]
    ):
        cycle.suppressed.add(alarm)


def denies(cycle: Cycle, s: StagePlan) -> bool:
    """The feedback says "not running", and was sampled when it was due: an older sample knows nothing of
    the call. What was seen before the input was lost still counts, what is only coming back does not."""
    if s.feedback is None or cycle.unread(s.feedback):
        return True  # nobody else would tell
    state = cycle.inputs[s.feedback]
    if cycle.stages[s.index].stuck:
        return True
    if state.value is None or (state.lost and state.good_ns >= 0):
        return False
    return state.value < 0.5 and state.value_ns >= cycle.stages[s.index].due_ns


def told_by_link(cycle: Cycle, i: int | None) -> bool:
    """An input is lost by its silent device, and that device's alarm stands for it."""
    if i is None or not cycle.gone(i):
        return False
    device = cycle.layout.devices[cycle.layout.inputs[i].device]
    return bool(cycle.conditions[device]) and cycle.visible(device)


def contact_conditions(cycle: Cycle, t: TransformerPlan) -> None:
    """Trip and alarm outputs that do not follow; a silent module is told by its own alarm."""
    of_modules = {s.module for s in t.stages}
    watchdogs = [w for module, w in cycle.layout.watchdogs.items() if module in of_modules]
    troubled = [c for c in (*t.contacts, *watchdogs) if cycle.seen[c.index].trouble is not out.Trouble.NONE]
    if not troubled:
        return
    alarm = t.alarms["output_fault"]
    cycle.condition(alarm, True, "; ".join(f"{c.id}: {cycle.seen[c.index].reason}" for c in troubled))
    links = [
        cycle.layout.devices[c.module] for c in troubled if cycle.seen[c.index].trouble is out.Trouble.LINK
    ]
    if len(links) == len(troubled) and all(cycle.conditions[i] and cycle.visible(i) for i in links):
        cycle.suppressed.add(alarm)


def trip_condition(cycle: Cycle, t: TransformerPlan) -> None:
    ts, limits = cycle.transformers[t.index], t.settings.trip

    def pleads(i: int | None, limit: float) -> bool:
        if i is None or cycle.inputs[i].lost:
            return False
        return trip.evidence(cycle.inputs[i].value, cycle.inputs[i].quality, limit)

    th = cycle.thermals[t.index]
    calculated = any(
        trip.evidence(finite(cycle.estimate.hot_spot_c[w.place]), q, limits.hot_spot_c)
        for w, q in zip(t.windings, th.winding_quality, strict=True)
        if cycle.estimate is not None
    )
    first, second = t.inputs.get("top_oil_c"), t.inputs.get("top_oil_2_c")
    of_main, of_second = trip.speaks_for(calculated, cycle.measured(first) is None)
    met = trip.criteria(
        pleads(first, limits.top_oil_c) and not th.oil_lost,
        of_main and not th.oil_lost,
        (pleads(second, limits.top_oil_c) or of_second) and not th.oil_lost,
        [pleads(w.fibre, limits.hot_spot_c) for w in t.windings],
    )
    trip_ns = (ts.trip_ns if ts.trip_ns >= 0 else cycle.now) if met else -1
    if trip_ns != ts.trip_ns:
        cycle.transformers[t.index] = ts._replace(trip_ns=trip_ns)
    due = met and cycle.now - trip_ns >= ns(limits.delay_s)
    cycle.condition(
        t.alarms["trip"], due, f"hot spot {th.hot_spot or 0:.1f} °C, top oil {th.oil or 0:.1f} °C"
    )


def stage_conditions(cycle: Cycle, t: TransformerPlan, s: StagePlan) -> None:
    stage, seen, a = cycle.stages[s.index], cycle.seen[s.index], s.alarms
    faults: list[str] = []
    if not cycle.contact(s.contacts.get("selector_auto"), True):
        manual = cycle.contact(s.contacts.get("selector_manual"), False)
        faults.append("selector in Manual" if manual else "selector not in Auto")
    if not cycle.contact(s.contacts.get("breaker_closed"), True):
        faults.append("motor breaker open")
    if cycle.contact(s.contacts.get("interlock"), False):
        faults.append("stop interlock active")
    if faults:
        cycle.condition(a["not_available"], True, ", ".join(faults))
    if stage.stuck:
        cycle.condition(a["feedback_stuck"], True, "")
    if stage.hold_until_ns >= 0 and stage.above_ns >= 0:
        cycle.condition(a["held_off_hot"], True, "")
    if stage.proof is Proof.UNPROVEN and denies(cycle, s):
        cycle.condition(a["no_feedback"], True, f"no feedback within {s.settings.feedback_delay_s:g} s")
        if faults or stage.stuck:
            cycle.suppressed.add(a["no_feedback"])
    if seen.trouble is not out.Trouble.NONE:
        cycle.condition(a["output_fault"], True, seen.reason)
        link = cycle.layout.devices[s.module]
        if seen.trouble is out.Trouble.LINK and cycle.conditions[link] and cycle.visible(link):
            cycle.suppressed.add(a["output_fault"])
    if stage.flapped:
        per_h = s.timing.max_releases_per_h
        cycle.condition(a["flapping"], True, f"more than {per_h} releases within an hour")
    for i in (s.feedback, *s.contacts.values()):
        if i is not None and cycle.inputs[i].lost and not cycle.unread(i):
            detail = f"{cycle.layout.inputs[i].id}: {cycle.inputs[i].reason}"
            lost_condition(cycle, a["input_lost"], i, True, detail)


def _beyond(value: float | None, limit: float, band: float) -> bool | None:
    """True above the limit, False below its deadband, None between (or unknown: stays as it is)."""
    if value is None:
        return None
    return True if value >= limit else (False if value < limit - band else None)
