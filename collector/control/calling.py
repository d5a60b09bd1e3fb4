"""Which stages run, which cooling mode that makes, and which stages are called.

What moves one stage from call to call is the table in stages.py; here are the facts it goes by.
"""

from __future__ import annotations

from dataclasses import replace

from collector.control import belief, hold_off, precooling, proof, stages, stall
from collector.control import outputs as out
from collector.control.cycle import Asked, Cycle, Thermals
from collector.control.layout import HOUR_NS, NS, REASON, StagePlan, TransformerPlan, ns
from collector.control.modes import mode_in_force, proven_stages
from collector.control.stages import ON, Call, Facts, Proof, StageState
from collector.settings.model import Limits

#: Cold-oil block ends this much above its limit [K], so that a pump does not come and go.
COLD_OIL_BAND_K = 2.0

#: What an event says of a stage's proof.
PROOF_TEXT = {
    Proof.REST: "is at rest",
    Proof.STARTING: "is called, not proven running yet",
    Proof.RUNNING: "is proven running by its feedback",
    Proof.UNPROVEN: "is called but not proven running in time",
    Proof.BY_HAND: "runs without being called: by hand, or running down",
}


def prove(cycle: Cycle) -> None:
    """Feedback against call; run hours; the cooling mode in force."""
    elapsed = cycle.now - cycle.old.mono_ns if cycle.old.mono_ns >= 0 else 0
    for t in cycle.layout.transformers:
        running: list[bool] = []
        for s in t.stages:
            was = cycle.stages[s.index]
            if elapsed and was.proof in (Proof.RUNNING, Proof.BY_HAND):
                cycle.run_ns[s.index] += elapsed
            wired = s.feedback is not None
            if cycle.plan.assume_running_as_called and cycle.unread(s.feedback):
                feedback: bool | None = was.call in ON
            else:
                value = cycle.measured(s.feedback)  # a test proves nothing
                feedback = None if value is None else value >= 0.5
                if feedback is not None:
                    was = watch_uncalled(cycle, s, was, feedback)
                    feedback = None if was.stuck else feedback
            now = was  # while its module is left alone, nobody knows yet what called it
            if s.module not in cycle.silent or was.call in ON:
                now = stages.next_proof(was, feedback, wired, s.timing, cycle.now)
            if now is not cycle.stages[s.index]:
                cycle.stages[s.index] = now
            if now.proof is not was.proof:
                cycle.tell("stage", s.id, f"{s.id} {PROOF_TEXT[now.proof]}", was=was.proof.value)
            running.append(now.proof in (Proof.RUNNING, Proof.BY_HAND))
        mode, ok = mode_in_force(t.modes, proven_stages(tuple(running), t.needs))
        ts = cycle.transformers[t.index]
        if mode != ts.mode or ok is not ts.mode_ok:
            last_load = ts.last_load
            if mode != ts.mode:
                last_load = tuple(  # the same amperes are another load now
                    k if k is None else k * w.rated_a[ts.mode] / w.rated_a[mode]
                    for w, k in zip(t.windings, last_load, strict=True)
                )
                ids = [m.id for m in t.settings.modes]
                cycle.tell("mode", t.id, f"{t.id}: cooling mode {ids[mode]} in force", was=ids[ts.mode])
            cycle.transformers[t.index] = ts._replace(mode=mode, mode_ok=ok, last_load=last_load)
        ts = cycle.transformers[t.index]
        over_ns = -1
        if not ok:
            over_ns = cycle.now + ns(t.settings.alarms.countdown_all_pumps_lost_min * 60.0)
            if ts.pumps_until_ns >= 0:  # a reload may have shortened it; NEVER: it was told
                told = ts.pumps_until_ns == stages.NEVER
                over_ns = stages.NEVER if told else min(over_ns, ts.pumps_until_ns)
        if over_ns != ts.pumps_until_ns:
            cycle.transformers[t.index] = ts._replace(pumps_until_ns=over_ns)


def watch_uncalled(cycle: Cycle, s: StagePlan, stage: StageState, feedback: bool) -> StageState:
    """A feedback that says "running" while the stage is held off, in Auto and with nothing else to call it:
    after its run-down it proves nothing until it has been seen to drop."""
    if not feedback:
        if stage.stuck or stage.uncalled_ns >= 0:
            return replace(stage, stuck=False, uncalled_ns=-1)
        return stage
    relay = cycle.given.relays.get(s.id)
    held = stage.call not in ON and (relay is None or (relay.energised is True and relay.link_ok))
    elsewhere = not cycle.contact(s.contacts.get("selector_auto"), True) or cycle.contact(
        s.contacts.get("parallel_start"), False
    )
    if not held or elsewhere or stage.stuck or not cycle.deciding:
        return stage if stage.uncalled_ns < 0 else replace(stage, uncalled_ns=-1)
    if stage.uncalled_ns < 0:
        return replace(stage, uncalled_ns=cycle.now)
    if cycle.now - stage.uncalled_ns < ns(s.settings.run_down_s):
        return stage
    minutes = (cycle.now - stage.uncalled_ns) / (60 * NS)
    text = f"{s.id}: its feedback says running though it is held off for {minutes:.0f} min: it proves nothing"
    cycle.tell("stage", s.id, text, feedback=True)
    return replace(stage, stuck=True, uncalled_ns=-1)


def limits_of(cycle: Cycle, t: TransformerPlan, k: int) -> tuple[Limits, Limits]:
    role = t.stages[cycle.transformers[t.index].roles[k]].settings
    return role.pickup, role.dropout


def call_stages(cycle: Cycle, t: TransformerPlan, starting: bool) -> None:
    """Every stage of a transformer, one cycle on."""
    th = cycle.thermals[t.index]
    rotate_duty(cycle, t)
    block_cold_oil(cycle, t, th)
    facts: list[Facts] = []
    for k, s in enumerate(t.stages):
        if not cycle.adopted[s.index]:
            adopt(cycle, s)
        if s.settings.exercise_every_h is not None:
            exercise(cycle, s, s.settings.exercise_every_h)
        cool_ahead(cycle, t, s, k)
        facts.append(facts_about(cycle, t, th, s, k, starting))
    # Who is wanted on its own account, who fails, who may stand in.
    wanted, unable, unproven, free, denied = [], [], [], [], []
    idle = belief.accused_stages(cycle, t, th)
    for k, s in enumerate(t.stages):
        stage = cycle.stages[s.index]
        runs = stage.proof in (Proof.RUNNING, Proof.BY_HAND)
        able = not s.contacts or (
            cycle.contact(s.contacts.get("selector_auto"), True)
            and cycle.contact(s.contacts.get("breaker_closed"), True)
        )
        f = facts[k]
        own = bool(f.release) or f.above or (stage.own and stage.call in ON and not f.below)
        if own is not stage.own:
            cycle.stages[s.index] = replace(stage, own=own)
        wanted.append((own or stage.precool_until_ns > cycle.now) and not f.block)
        unable.append(not runs and not able)
        unproven.append(stage.proof is Proof.UNPROVEN or s.index in idle)
        blocked = f.block in (REASON["interlocked"], REASON["cold-oil block"])
        denied.append(blocked and (own or bool(f.release)))
        free.append(not f.block and stage.hold_until_ns < 0)
    cycle.asked[t.index] = Asked(wanted, unable, unproven, free, denied)
    failed = [a or b for a, b in zip(unable, unproven, strict=True)]
    spares, _ = stages.spares(wanted, failed, free, range(len(facts)))
    asking: set[int] = set()
    for k in reversed(t.order):  # fans before their pump: what they ask for decides about it
        s = t.stages[k]
        stage = cycle.stages[s.index]
        support = 0
        if k in spares:
            support = REASON["spare for a stage that is not proven"]
        elif not asking.isdisjoint(t.fans_of[k]):
            support = REASON["pump for its fans"]
        elif stage.precool_until_ns > cycle.now:
            support = REASON["pre-cooling"]
        elif stage.exercise_until_ns > cycle.now:
            support = REASON["exercise"]
        facts[k].support = support
        if s.needs is not None and stages.asks(stage, facts[k], s.timing, cycle.now):
            asking.add(k)
    # Pumps before their fans: that is the order in which they start.
    for k in t.order:
        facts[k].queue_ns = turn_ns(cycle, t, facts, k)
    proof.use_a_start(cycle, t, facts)
    for k in stages.in_turn(t.order, [cycle.stages[s.index] for s in t.stages]):
        facts[k].queue_ns = turn_ns(cycle, t, facts, k)
        move_stage(cycle, t, th, t.stages[k], k, facts[k])


def turn_ns(cycle: Cycle, t: TransformerPlan, facts: list[Facts], k: int) -> int:
    """No start of this stage before that time: by the stagger, and by its pump, which goes first."""
    queue_ns = cycle.transformers[t.index].next_start_ns
    if t.stages[k].module in proof.under_proof(cycle):
        queue_ns = max(queue_ns, cycle.now + 1)  # its module's timeout is to start it
    for f in t.fans_of[k]:
        if not facts[f].block and (facts[f].release or cycle.stages[t.stages[f].index].call in ON):
            return -1  # its fans do not wait, so it does not either
    pump = t.stages[k].needs
    if pump is not None:
        call = cycle.stages[t.stages[pump].index].call
        # A pump that may not run at all is not waited for: its fans still cool the radiators' air side.
        if call not in ON and call is not Call.BLOCKED:
            return max(queue_ns, cycle.now + 1)
    return queue_ns


def move_stage(cycle: Cycle, t: TransformerPlan, th: Thermals, s: StagePlan, k: int, facts: Facts) -> None:
    was = cycle.stages[s.index]
    new = stages.next_call(was, facts, s.timing, cycle.now)
    if facts.lost:
        new = replace(new, trusted_ns=cycle.now + s.timing.return_hold)
    why = reason_for(cycle, new, facts)
    if why != new.why:
        new = replace(new, why=why)
    if new is was:
        return
    cycle.stages[s.index] = new
    if new.call is was.call:
        return
    if new.call is Call.CALLED and was.call is not Call.RELEASED:
        next_start_ns = cycle.now + s.timing.stagger
        cycle.transformers[t.index] = cycle.transformers[t.index]._replace(next_start_ns=next_start_ns)
    pickup, dropout = limits_of(cycle, t, k)
    reason = next(word for word, i in REASON.items() if i == why)
    ahead = why == REASON["pre-cooling"]
    because = ""
    if why == REASON["automatic"]:
        because = _criterion(th, pickup)
    elif why == REASON["released: alarm temperature"]:
        at = t.settings.alarms
        because = _criterion(th, Limits(hot_spot_c=at.hot_spot_high_c, top_oil_c=at.top_oil_high_c))
    elif ahead:
        because = _criterion(precooling.to_come(cycle.transformers[t.index].expected), pickup)
        because = f"to come: {because}" if because else ""
    if why == REASON["released: input lost"]:
        because = th.lost
    if why == REASON["released: not read since a stall"]:
        because = ", ".join(th.awaited)
    text = call_text(s, was.call, new.call, reason, because)
    cycle.tell(
        "stage",
        s.id,
        f"{s.id} {text}",
        was=was.call.value,
        call=new.call.value,
        rule=reason,
        top_oil_c=th.oil,
        hot_spot_c=th.hot_spot,
        load_pu=th.load,
        pickup_top_oil_c=pickup.top_oil_c,
        pickup_hot_spot_c=pickup.hot_spot_c,
        pickup_load_pu=pickup.load_pu,
        dropout_top_oil_c=dropout.top_oil_c,
        dropout_hot_spot_c=dropout.hot_spot_c,
        dropout_load_pu=dropout.load_pu,
        lost=th.lost,
        inputs_quality=str(th.hot_spot_quality),
        **(precooling.figures(cycle.transformers[t.index].expected) if ahead else {}),
    )


def call_text(s: StagePlan, was: Call, call: Call, reason: str, because: str) -> str:
    """What has become of a call, as a sentence without its subject. because: criteria or lost input."""
    why = reason.removeprefix("released: ")
    why = {
        "starting": "windingd has just started",
        "minimum run": "its minimum run is not over",
        "return not yet trusted": "what came back is not trusted yet",
    }.get(why, why)
    if reason == "released: input lost" and because:
        why = because
    elif because:
        why = because if reason == "automatic" else f"{why} ({because})"
    criteria = f" ({because})" if because else ""
    if call is Call.BLOCKED:
        return f"is {why}" if why == "held off by hand" else f"is held off: {why}"
    if call is Call.RELEASED:
        return f"is released: {why}"
    if call is Call.CALLED:
        stays = "stays called" if was is Call.RELEASED else "is called"
        return f"{stays}: {'not every criterion is below dropout' if why == 'automatic' else why}"
    if call is Call.DELAY:
        return f"is above pickup{criteria}: the pickup delay of {s.settings.pickup_delay_s:g} s runs"
    if call is Call.QUEUED:
        return f"is due to start and waits its turn{criteria}"
    if was in ON:
        return "is held off: every criterion is below dropout"
    return "stays held off: nothing " + (
        "blocks it any more" if was is Call.BLOCKED else "is above pickup now"
    )


def reason_for(cycle: Cycle, stage: StageState, facts: Facts) -> int:
    """Index into CALL_REASONS."""
    if stage.call is Call.BLOCKED:
        return facts.block
    if stage.call is Call.RELEASED:
        return facts.release
    if facts.doubt and stage.call is Call.CALLED and not facts.support:
        return REASON["kept on: a reading is in doubt"]
    if stage.call is not Call.CALLED or facts.above or stage.own:
        return REASON["automatic"]
    if facts.support:
        return facts.support
    if not facts.below:
        return REASON["automatic"]
    if cycle.now < stage.trusted_ns:
        return REASON["released: return not yet trusted"]
    return REASON["minimum run"]


def adopt(cycle: Cycle, s: StagePlan) -> None:
    """Take over what the relay does, once: a restart must not stop and start motors."""
    cycle.adopted[s.index] = True
    relay = cycle.given.relays.get(s.id)
    was = cycle.stages[s.index]
    held = relay is not None and relay.energised and relay.link_ok and s.module not in cycle.unguarded
    if was.hold_until_ns >= 0 and relay is not None and not held:
        was = hold_off.end(cycle, s, was, "at the start its relay is found released")
    if relay is None:  # no read-back in this run (a trace): goes on as it was
        if was.at_rest_ns < 0 and was.call not in ON:
            cycle.stages[s.index] = replace(was, at_rest_ns=cycle.now)
        return
    if held:
        if was.call in ON:
            was = replace(was, call=Call.OFF, off_ns=cycle.now, at_rest_ns=cycle.now)
        elif was.at_rest_ns < 0:
            was = replace(was, at_rest_ns=cycle.now)
        cycle.outputs[s.index] = replace(cycle.outputs[s.index], read=True)
    elif was.call not in ON:
        # It was let go meanwhile, which is a release; unknown counts as running.
        known = cycle.old.sequence > 0 and cycle.outputs[s.index].wanted is True
        was = stages.started(was, s.timing, cycle.now, lost=known)
        trusted_ns = cycle.now + s.timing.return_hold if known else -1
        was = replace(was, call=Call.CALLED, trusted_ns=trusted_ns, queued_ns=-1)
    else:
        # It ran at the checkpoint and runs now. It may have been held off and let go in between, so what
        # is left of its times does not count: it runs on as after any release.
        was = replace(
            was,
            run_until_ns=max(was.run_until_ns, cycle.now + s.timing.minimum_run),
            trusted_ns=max(was.trusted_ns, cycle.now + s.timing.return_hold),
        )
    cycle.stages[s.index] = was
    how = "energised, which holds it off" if was.call not in ON else "released, so that it runs"
    cycle.tell("stage", s.id, f"{s.id}: at the start its relay is found {how}")


def facts_about(
    cycle: Cycle, t: TransformerPlan, th: Thermals, s: StagePlan, k: int, starting: bool
) -> Facts:
    stage = cycle.stages[s.index]
    pickup, dropout = limits_of(cycle, t, k)
    # Without the stages of the weakest mode there is no cooling mode at all: they always run.
    above = _above(th, pickup) or k in t.modes[0]
    below = (
        not th.lost
        and not th.not_measured
        and not above
        and _under(th.oil, pickup.top_oil_c, dropout.top_oil_c)
        and _under(th.hot_spot, pickup.hot_spot_c, dropout.hot_spot_c)
        and _under(th.load, pickup.load_pu, dropout.load_pu)
    )
    seen = cycle.seen[s.index]
    release, lost = 0, False
    if th.alarm_temperature:
        release = REASON["released: alarm temperature"]
    if th.lost:
        release, lost = release or REASON["released: input lost"], True
    # A module whose own release is not as declared must not hold anything off: nothing would let go of it.
    lost_module = seen.released or seen.trouble in (out.Trouble.LINK, out.Trouble.UNVERIFIED)
    # While its watchdog relay is down the stage runs, whatever its own relay does.
    if lost_module or s.module in cycle.unguarded:
        release, lost = release or REASON["released: output module lost"], True
    if th.awaited:
        # No loss: what a module let go of meanwhile is counted as that.
        release = release or REASON["released: not read since a stall"]
    if any(cycle.seen[other.index].disobeys == "stuck" for other in t.stages):
        release, lost = release or REASON["released: another output does not obey"], True
    if s.module in cycle.let_go:
        release = release or REASON["released: its module has let go in a proof"]
    if s.module in cycle.distrusted:
        release = release or REASON["released: its module failed the proof"]
    if starting:
        release = release or REASON["starting"]
    if stage.flapped:
        release = release or REASON["released: flapping"]
    if stage.hold_until_ns >= 0:
        cycle.stages[s.index] = stage = hold_off.follow(cycle, t, th, s, stage, release)
    if stage.force_until_ns >= 0:
        if cycle.now < stage.force_until_ns:
            release = release or REASON["forced on"]
        else:
            cycle.stages[s.index] = stage = replace(stage, force_until_ns=-1)
            cycle.tell("command", s.id, f"{s.id}: force-on ends, its time is over")
    block = 0
    interlock = cycle.measured(s.contacts.get("interlock"))
    read_since = stall.read_since(cycle, t, s.contacts.get("interlock"))
    if interlock is not None and interlock >= 0.5 and read_since:
        block = REASON["interlocked"]
    elif cycle.transformers[t.index].cold[k]:
        block = REASON["cold-oil block"]
    elif stage.hold_until_ns >= 0:
        block = REASON["held off by hand"]
    below = below and s.module not in cycle.silent
    return Facts(block, release, lost, above, below and not th.doubt, doubt=below and bool(th.doubt))


def block_cold_oil(cycle: Cycle, t: TransformerPlan, th: Thermals) -> None:
    """Pumps stay off in cold oil, if it is *measured* to be cold, the model agrees, and nothing is hot or
    loaded. Must also be hard-wired."""
    ts = cycle.transformers[t.index]
    measured = None if th.oil_lost or not th.oil_quality.is_measured or th.awaited else th.oil
    cold = [False] * len(t.stages)
    th.cold_contradicted = ""
    if measured is not None:
        for k, s in enumerate(t.stages):
            limit = s.settings.cold_oil_block_c
            cold[k] = limit is not None and measured < limit + (COLD_OIL_BAND_K if ts.cold[k] else 0.0)
            if cold[k] and limit is not None and (why := belief.not_cold(cycle, t, th, limit)):
                cold[k], th.cold_contradicted = False, f"{measured:.1f} °C read, {why}"
    if tuple(cold) != ts.cold:
        cycle.transformers[t.index] = ts._replace(cold=tuple(cold))


def exercise(cycle: Cycle, s: StagePlan, every_h: float) -> None:
    stage = cycle.stages[s.index]
    if stage.at_rest_ns < 0 or stage.exercise_until_ns > cycle.now:
        return
    if cycle.now - stage.at_rest_ns >= every_h * HOUR_NS and stage.call is Call.OFF:
        until_ns = cycle.now + ns(s.settings.exercise_s)
        cycle.stages[s.index] = replace(stage, exercise_until_ns=until_ns)
        cycle.tell("stage", s.id, f"{s.id}: exercise after {every_h:g} h at rest")


def cool_ahead(cycle: Cycle, t: TransformerPlan, s: StagePlan, k: int) -> None:
    """Call for the expected load what it would make pick up, until it is over: with a stage running the
    next look ahead shows less, and going by that would stop and start it."""
    x = cycle.transformers[t.index].expected
    if x.made_ns != cycle.now or x.end_ns <= cycle.stages[s.index].precool_until_ns:
        return
    if _above(precooling.to_come(x), limits_of(cycle, t, k)[0]):
        cycle.stages[s.index] = replace(cycle.stages[s.index], precool_until_ns=x.end_ns)


def rotate_duty(cycle: Cycle, t: TransformerPlan) -> None:
    """Stages alike exchange their limits by run hours, only while the whole group is at rest."""
    ts = cycle.transformers[t.index]
    roles = ts.roles
    for group in t.groups:
        if all(cycle.stages[t.stages[k].index].call is Call.OFF for k in group):
            roles = stages.rotate(group, [cycle.run_ns[s.index] for s in t.stages], roles)
    if roles != ts.roles:
        cycle.transformers[t.index] = ts._replace(roles=roles)
        first = ", ".join(f"{s.id} takes {t.stages[roles[k]].id}" for k, s in enumerate(t.stages))
        cycle.tell("stage", t.id, f"duty rotation by run hours: {first}")


def _above(th: Thermals, pickup: Limits) -> bool:
    return (
        _reaches(th.oil, pickup.top_oil_c)
        or _reaches(th.hot_spot, pickup.hot_spot_c)
        or _reaches(th.load, pickup.load_pu)
    )


def _reaches(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and value >= limit


def _criterion(th: Thermals, limits: Limits) -> str:
    """Which criterion is above its limit, in words."""
    reached = [
        f"{name} {value:.{digits}f} {unit}, limit {limit:g} {unit}"
        for name, value, limit, digits, unit in (
            ("hot spot", th.hot_spot, limits.hot_spot_c, 1, "°C"),
            ("top oil", th.oil, limits.top_oil_c, 1, "°C"),
            ("load", th.load, limits.load_pu, 2, "pu"),
        )
        if value is not None and limit is not None and value >= limit
    ]
    return "; ".join(reached)


def _under(value: float | None, pickup: float | None, dropout: float | None) -> bool:
    """Below dropout; a criterion without one is judged by its pickup, an unused one does not count."""
    limit = dropout if dropout is not None else pickup
    return limit is None or (value is not None and value < limit)
