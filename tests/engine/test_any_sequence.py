"""Any sequence of readings, faults, commands, reloads, restarts, flapping and clock steps keeps the promises.

WINDINGD_SEQUENCES sets how many sequences are run (default 80; the long run of the documents: 10000).
Each promise's premise is counted; one that was never true fails. The watcher below judges from readings,
coils and published values; it knows the settings, not the step's state.
"""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from station_script import NS, Bad, Station

from collector import engine
from collector.control import alarms, lost_inputs, stages
from collector.control.alarms import AlarmStatus
from collector.control.stages import call_event
from collector.messages import Health
from collector.points import CALL_REASONS
from collector.quality import GOOD, Detail, Quality

SEQUENCES = int(os.environ.get("WINDINGD_SEQUENCES", "80"))
HOUR = 3600 * NS
PREMISES: Counter[str] = Counter()
STAGES = ("stage1", "stage2", "stage3")
#: Output -> the alarm that must say so when it does not follow.
FOLLOWED = {f"T1.{x}": f"T1.{x}.alarm_output_fault" for x in STAGES}
FOLLOWED["T1.contact.device_fault"] = "T1.alarm_output_fault"
#: What a field device says of a value that is not the process's own.
MARKS = (replace(GOOD, test=True), GOOD.substituted(), replace(GOOD, operator_blocked=True))
BY_HAND = "held off by hand"
EXCEPTIONS = {BY_HAND, "cold-oil block", "interlocked"}
MEASURED = ("top_oil_c", "ambient_c", "HV_A.current_a", "HV_B.current_a", "HV_C.current_a")
NEEDED = tuple(m for m in MEASURED if m != "ambient_c")
#: A hold-off by hand leans on these of its stage too.
OWN = ("feedback", "selector_auto", "breaker_closed", "interlock")
PREMISE_NAMES = (
    "a valid temperature was above a pickup for longer than the bounded delay",
    "an input of the rule was not valid",
    "alarm temperature",
    "a stage was held off by an exception",
    "a stage was held off by hand",
    "a hold-off by hand met a lost input",
    "a hold-off by hand met a restart that released its stage",
    "an alarm was unacknowledged",
    "a measurement was lost for longer than stale_after",
    "loss of life or run hours grew",
    "an output did not follow for longer than it may",
    "a contactor was started twice within an hour",
    "a stage was released until acknowledged",
    "a stage ran on a reading marked as test, substituted or blocked",
    "1 of 3 phases read zero beside a loaded one",
    "2 of 3 phases read zero beside a loaded one",
    "a load was expected",
    "a restart",
    "a reload",
    "a clock step",
)


def station_settings(tree: Any) -> None:
    t = tree["transformers"][0]
    t["stages"][0]["cabinet"]["interlock"] = {"device": "cabinet", "table": "discrete_input", "address": 31}
    t["stages"][0]["needs_stage"] = "stage3"
    t["contacts"] = {"device_fault": {"device": "cabinet", "coil": 9}}
    t["stages"][2] |= {"kind": "pumps", "cold_oil_block_c": 0.0}
    t["stages"][1] |= {"restart_inhibit_s": 60.0, "exercise_every_h": 12.0}
    tree["station"]["return_hold_s"] = 120.0


def other_settings(tree: Any) -> None:
    station_settings(tree)
    tree["transformers"][0]["stages"][1]["pickup"]["top_oil_c"] = 66.0
    tree["transformers"][0]["stages"][1]["minimum_run_s"] = 300.0


#: Longest cycle the sequences use [s]. Stages start one a cycle, so each adds one to the bounded delay.
LONGEST_CYCLE_S = 62.0


class Watcher:
    """Follows one station from outside and asserts the promises after every cycle."""

    def __init__(self, s: Station) -> None:
        self.s = s
        self.above: dict[str, int] = {}
        self.bad: dict[str, int] = {}
        self.wish: dict[str, int] = {}  # until when a stage has been asked to be held off by hand
        self.apart: dict[str, int] = {}
        self.odd: dict[str, int] = {}  # since when a phase reads zero beside a loaded one
        self.cut: set[str] = set()  # outputs whose module was silent in the last cycle
        self.started: dict[str, list[int]] = {x: [] for x in STAGES}
        self.excused: set[str] = set()  # stages whose contactor a person or interlock has switched
        self.coil: dict[str, bool] = {}
        self.life: dict[str, float] = {}
        self.status: dict[str, AlarmStatus] = {}
        self.touched = True  # an operator's command in this cycle

    def forget_timers(self) -> None:
        """After a restart or reload delays may begin anew; what has been counted stays."""
        self.above.clear()
        self.apart.clear()
        self.odd.clear()
        self.touched = True

    def look(self) -> None:
        s, o = self.s, self.s.outcome
        assert o is not None
        now, values, coils = s.now, o.values, o.decision.energise
        alarm_temperature = self.needs_cooling(now, values, coils)
        self.lost_inputs(now, values, coils)
        self.by_hand(now)
        self.alarms(values)
        self.counters(values)
        self.outputs(now, values, coils)
        if alarm_temperature:
            PREMISES["alarm temperature"] += 1
        for x in STAGES:
            if values[f"T1.{x}.reason"].value == CALL_REASONS.index("released: flapping"):
                PREMISES["a stage was released until acknowledged"] += 1
        self.touched = False

    def reason(self, x: str) -> str:
        assert self.s.outcome is not None
        return CALL_REASONS[self.s.outcome.values[f"T1.{x}.reason"].value]  # type: ignore[index]

    def off(self, x: str, coils: Any) -> bool:
        return coils.get(f"T1.{x}", False)

    def needs_cooling(self, now: int, values: Any, coils: Any) -> bool:
        t = self.s.settings.transformers[0]
        oil, hot = values["T1.top_oil_c"], values["T1.hot_spot_c"]
        stagger = sum(x.stagger_s for x in t.stages)
        at_alarm = (not oil.quality.is_invalid and oil.value >= t.alarms.top_oil_high_c) or (
            not hot.quality.is_invalid and hot.value >= t.alarms.hot_spot_high_c
        )
        for stage in t.stages:
            above = (not oil.quality.is_invalid and oil.value >= stage.pickup.top_oil_c) or (
                not hot.quality.is_invalid and hot.value >= stage.pickup.hot_spot_c
            )
            if not above:
                self.above.pop(stage.id, None)
                continue
            since = self.above.setdefault(stage.id, now)
            bound = stage.pickup_delay_s + stage.restart_inhibit_s + stagger
            excepted = self.reason(stage.id) in EXCEPTIONS
            if excepted:
                PREMISES["a stage was held off by an exception"] += 1
                self.above[stage.id] = now
            if at_alarm:
                assert not self.off(stage.id, coils) or excepted, f"{stage.id} off at alarm temperature"
                assert self.reason(stage.id) != BY_HAND
            if now - since > (bound + LONGEST_CYCLE_S * (len(t.stages) + 1)) * NS:
                PREMISES["a valid temperature was above a pickup for longer than the bounded delay"] += 1
                assert not self.off(stage.id, coils) or excepted, f"{stage.id} off above its pickup"
        return bool(at_alarm)

    def lost_for_long(self, name: str, now: int) -> bool:
        given = self.s.values.get(name)
        device = next((m.device for m in self.s.plan.layout.inputs if m.id == f"T1.{name}"), None)
        bad = isinstance(given, Bad) or device in self.s.down or name in self.s.frozen_reads
        if device is None or not bad:  # None: not wired
            self.bad.pop(name, None)
            return False
        since = self.bad.setdefault(name, now)
        return now - since > (self.s.settings.station.stale_after_s + 62) * NS

    def by_hand(self, now: int) -> None:
        """Held off by hand only as long as was asked for, and never beside a lost input."""
        for x in STAGES:
            held = self.reason(x) == BY_HAND
            if held:
                PREMISES["a stage was held off by hand"] += 1
                assert now < self.wish.get(x, 0), f"{x} held off by hand, which nobody asks for"
            own = (f"{x}.{name}" for name in OWN)
            lost = [name for name in (*MEASURED, *own) if self.lost_for_long(name, now)]
            if lost and now < self.wish.get(x, 0):
                PREMISES["a hold-off by hand met a lost input"] += 1
            assert not (held and lost), f"{x} held off by hand while {lost} is lost"

    def lost_inputs(self, now: int, values: Any, coils: Any) -> None:
        for name in MEASURED:
            if not self.lost_for_long(name, now):
                continue
            PREMISES["a measurement was lost for longer than stale_after"] += 1
            alarm = {"top_oil_c": "T1.alarm_top_oil_lost", "ambient_c": "T1.alarm_ambient_lost"}.get(
                name, f"T1.{name.removesuffix('.current_a')}.alarm_current_lost"
            )
            assert values[alarm].value != AlarmStatus.NORMAL, f"{name} is lost without an alarm"
            if name in NEEDED and coils:
                PREMISES["an input of the rule was not valid"] += 1
                for x in STAGES:
                    allowed = self.reason(x) in EXCEPTIONS - {BY_HAND}
                    assert not self.off(x, coils) or allowed, f"{x} off while {name} is lost"
        self.phases(now, values, coils)
        # And by the published quality, without waiting: what is not valid now takes no cooling away now.
        if coils and values["T1.hot_spot_c"].quality.is_invalid:
            for x in STAGES:
                allowed = self.reason(x) in EXCEPTIONS - {BY_HAND}
                assert not self.off(x, coils) or allowed, f"{x} off without a valid hot spot"

    def phases(self, now: int, values: Any, coils: Any) -> None:
        """However many phases read zero beside one that carries a third of rated load: each is lost."""
        amps = {m: self.s.values[m] for m in MEASURED if m.endswith("current_a")}
        seen = "cts" not in self.s.down and not set(amps) & {*self.s.frozen_reads, *self.s.qualities}
        plain = [a for a in amps.values() if isinstance(a, float)]
        if not seen or len(plain) < len(amps) or max(plain) < 100.0:
            self.odd.clear()
            return
        self.odd = {m: self.odd.get(m, now) for m, a in amps.items() if a == 0.0}
        dead = [m for m, since in self.odd.items() if now - since > (10 + 2 * 62) * NS]
        if not dead or not coils:
            return
        PREMISES[f"{len(dead)} of 3 phases read zero beside a loaded one"] += 1
        for m in dead:
            alarm = values[f"T1.{m.removesuffix('.current_a')}.alarm_current_lost"].value
            assert alarm != AlarmStatus.NORMAL, f"{m} is zero beside a loaded phase without an alarm"
        for x in STAGES:
            assert not self.off(x, coils) or self.reason(x) in EXCEPTIONS - {BY_HAND}, (
                f"{x} off without {dead}"
            )

    def alarms(self, values: Any) -> None:
        gone = {AlarmStatus.UNACKNOWLEDGED: (AlarmStatus.NORMAL, AlarmStatus.ACKNOWLEDGED)}
        gone[AlarmStatus.RETURNED] = (AlarmStatus.NORMAL,)
        for p in self.s.plan.layout.alarms:
            status = AlarmStatus(values[p.id].value)
            before = self.status.get(p.id, status)
            if before is AlarmStatus.UNACKNOWLEDGED:
                PREMISES["an alarm was unacknowledged"] += 1
            if not self.touched:
                assert status not in gone.get(before, ()), f"{p.id}: {before.word} -> {status.word} by itself"
            self.status[p.id] = status

    def counters(self, values: Any) -> None:
        counted = [f"T1.HV_{p}.loss_of_life_h" for p in "ABC"]
        counted += [f"T1.HV_{p}.loss_of_life_high_h" for p in "ABC"]
        counted += [f"T1.{x}.run_hours" for x in STAGES] + [f"T1.{x}.starts" for x in STAGES]
        for point in counted:
            value, before = values[point].value, self.life.get(point, 0)
            assert value >= before, f"{point} went from {before} to {value}"
            if value > before and not point.endswith("starts"):
                PREMISES["loss of life or run hours grew"] += 1
            self.life[point] = value

    def outputs(self, now: int, values: Any, coils: Any) -> None:
        for output in self.cut - self.s.link_down:
            self.apart.pop(output, None)  # read back again: judged anew from here
        self.cut = set(self.s.link_down)
        for output, alarm in FOLLOWED.items():
            real = self.s.coils[output]
            if output in coils and (coils[output] is not real or output in self.s.link_down):
                since = self.apart.setdefault(output, now)
                if now - since > (out_settle_s(self.s) + 62) * NS:
                    PREMISES["an output did not follow for longer than it may"] += 1
                    assert values[alarm].value != AlarmStatus.NORMAL, f"{output}: no alarm"
            else:
                self.apart.pop(output, None)
        for x in STAGES:
            output = f"T1.{x}"
            if coils and self.reason(x) in EXCEPTIONS | {"forced on"}:
                self.excused.add(x)
            before, after = self.coil.get(output, coils.get(output)), coils.get(output)
            marked = [m for m in NEEDED if m in self.s.qualities and m not in self.s.frozen_reads]
            if marked and before is False:
                PREMISES["a stage ran on a reading marked as test, substituted or blocked"] += 1
                assert after is not True or self.reason(x) in EXCEPTIONS, f"{x} stopped on a marked {marked}"
            if before is True and after is False:
                recent = [t for t in self.started[x] if now - t < HOUR] + [now]
                self.started[x] = recent
                if len(recent) > 1:
                    PREMISES["a contactor was started twice within an hour"] += 1
                stage = next(g for g in self.s.settings.transformers[0].stages if g.id == x)
                assert x in self.excused or len(recent) <= stage.max_starts_per_h, f"{x} started {recent}"
            if after is not None:
                self.coil[output] = after


def out_settle_s(s: Station) -> float:
    return max(15.0, 3 * s.settings.station.cycle_s, 10.0) + 2 * s.settings.station.cycle_s


def bad() -> st.SearchStrategy[Bad]:
    return st.sampled_from(
        [
            Bad(),
            Bad(Detail.OUT_OF_RANGE, "above max_c"),
            Bad(Detail.OLD_DATA, "no answer"),
            Bad(Detail.BAD_REFERENCE, "refused"),
        ]
    )


class AnySequence(RuleBasedStateMachine):
    @initialize(oil=st.sampled_from([10.0, 45.0, 58.0, 85.0]), held=st.sampled_from([True, False, None]))
    def begin(self, oil: float, held: bool | None) -> None:
        self.s = Station(station_settings, oil=oil, held=held)
        self.s.coils["T1.contact.device_fault"] = False
        self.w = Watcher(self.s)
        self.go(4, 2.0)

    def go(self, seconds: float, step_s: float) -> None:
        end = self.s.now + round(seconds * NS)
        while self.s.now < end:
            self.s.cycle(step_s)
            self.w.look()

    @rule(time=st.sampled_from([(2, 2.0), (10, 2.0), (60, 5.0), (300, 20.0), (1200, 60.0)]))
    def time_passes(self, time: tuple[float, float]) -> None:
        self.go(*time)

    @rule(oil=st.sampled_from([-10.0, 20.0, 45.0, 58.0, 62.0, 73.0, 85.0, 96.0, 110.0]))
    def oil_goes_to(self, oil: float) -> None:
        self.s.set(oil=oil)
        self.go(40, 20.0)

    @rule(amps=st.sampled_from([0.0, 60.0, 150.0, 220.0, 400.0]))
    def load_goes_to(self, amps: float) -> None:
        self.s.set(amps=amps)
        self.go(2, 2.0)

    @rule(phases=st.sampled_from(["C", "AB", "BC"]), wait=st.sampled_from([4.0, 300.0]))
    def phases_go_to_zero(self, phases: str, wait: float) -> None:
        if wait > 4.0:
            self.everything_is_read_well_again()
        self.s.set(amps=150.0)
        for phase in phases:
            self.s.values[f"HV_{phase}.current_a"] = 0.0
        self.go(wait, min(wait, 20.0))

    @rule(name=st.sampled_from(MEASURED), how=bad(), wait=st.sampled_from([2.0, 6.0, 100.0]))
    def an_input_fails(self, name: str, how: Bad, wait: float) -> None:
        self.s.set(**{name.replace(".", "__"): how})
        self.go(wait, min(wait, 10.0))

    @rule(name=st.sampled_from(MEASURED))
    def a_reading_is_not_renewed(self, name: str) -> None:
        reading = self.s.readings().get(f"T1.{name}")
        if reading is not None:
            self.s.frozen_reads[name] = reading

    @rule(name=st.sampled_from(NEEDED), quality=st.sampled_from(MARKS), wait=st.sampled_from([4.0, 1800.0]))
    def a_reading_is_marked(self, name: str, quality: Quality, wait: float) -> None:
        self.s.qualities[name] = quality
        self.go(wait, min(wait, 60.0))

    @rule(quality=st.sampled_from(MARKS))
    def cold_oil_is_injected_while_a_stage_runs(self, quality: Quality) -> None:
        self.everything_is_read_well_again()
        self.s.set(oil=62.0)
        self.go(120, 20.0)
        self.s.qualities["top_oil_c"] = quality
        self.s.set(oil=30.0)
        self.go(3000, 60.0)

    @rule()
    def everything_is_read_well_again(self) -> None:
        self.s.frozen_reads.clear()
        self.s.qualities.clear()
        self.s.down.clear()
        for name in MEASURED:
            if isinstance(self.s.values[name], Bad) or name.endswith("current_a"):
                self.s.values[name] = 45.0 if name.endswith("_c") else 100.0
        self.s.values["ambient_c"] = 20.0
        for x in STAGES:
            self.s.values.pop(f"{x}.feedback", None)
            for name in OWN:
                if isinstance(self.s.values.get(f"{x}.{name}"), Bad):
                    self.s.values[f"{x}.{name}"] = float(name != "interlock")
        self.go(20, 10.0)

    @rule(device=st.sampled_from(["oil_tx", "cts", "cabinet"]), wait=st.sampled_from([4.0, 100.0]))
    def a_device_falls_silent(self, device: str, wait: float) -> None:
        self.s.down[device] = "no answer within 1.0 s"
        self.go(wait, min(wait, 10.0))

    @rule(times=st.integers(4, 6))
    def an_input_flaps(self, times: int) -> None:
        for _ in range(times):
            self.s.set(oil=Bad(Detail.OUT_OF_RANGE))
            self.go(10, 5.0)
            self.s.set(oil=45.0)
            self.go(800, 40.0)

    @rule(stage=st.sampled_from(STAGES), feedback=st.sampled_from([None, 0.0, 1.0, Bad()]))
    def feedback_does_as_it_likes(self, stage: str, feedback: float | Bad | None) -> None:
        if feedback is None:
            self.s.values.pop(f"{stage}.feedback", None)
        else:
            self.s.values[f"{stage}.feedback"] = feedback
        self.go(2, 2.0)

    @rule(stage=st.sampled_from(STAGES), on=st.booleans())
    def a_contactor_fails_or_is_mended(self, stage: str, on: bool) -> None:
        (self.s.broken.discard if on else self.s.broken.add)(stage)

    @rule(
        contact=st.sampled_from(["stage1.interlock", "stage2.selector_auto", "stage3.breaker_closed"]),
        value=st.sampled_from([0.0, 1.0]),
    )
    def a_cabinet_contact_moves(self, contact: str, value: float) -> None:
        self.s.values[contact] = value
        self.go(2, 2.0)

    @rule(
        output=st.sampled_from(sorted(FOLLOWED)),
        to=st.sampled_from([True, False, None]),
        wait=st.sampled_from([2.0, 200.0]),
    )
    def a_coil_sticks_or_comes_free(self, output: str, to: bool | None, wait: float) -> None:
        if to is None:
            self.s.stuck.pop(output, None)
        else:
            self.s.stuck[output] = to
        self.go(wait, min(wait, 20.0))

    @rule(wait=st.sampled_from([4.0, 30.0, 200.0]))
    def the_relay_module_is_cut_off(self, wait: float) -> None:
        self.s.link_down = set(self.s.ids)
        self.go(wait, min(wait, 10.0))
        if wait > 10.0:
            self.s.coils = dict.fromkeys(self.s.coils, False)
        self.s.link_down = set()
        self.go(10, 5.0)

    @rule(
        kind=st.sampled_from(["force_on", "hold_off", "automatic", "acknowledge_flapping"]),
        stage=st.sampled_from(STAGES),
        minutes=st.sampled_from([None, 1.0, 10.0, 60.0, 1e9, -1.0]),
        how=st.sampled_from(["local", "mqtt"]),
    )
    def a_stage_is_commanded(self, kind: str, stage: str, minutes: float | None, how: str) -> None:
        self.command_stage(kind, stage, minutes, how)

    def command_stage(self, kind: str, stage: str, minutes: float | None, how: str) -> str:
        self.w.touched = True
        refusal = self.s.command(kind, f"T1.{stage}", how, minutes=minutes)
        if kind == "hold_off" and not refusal and minutes is not None:
            self.w.wish[stage] = self.s.now + round(minutes * 60 * NS)
        self.w.look()
        return refusal

    @rule(
        stage=st.sampled_from(STAGES), spoil=st.sampled_from([None, "ambient_c", *OWN]), restart=st.booleans()
    )
    def a_hold_off_by_hand_runs_into_trouble(self, stage: str, spoil: str | None, restart: bool) -> None:
        """Given in good order in the warm; then an input that it leans on fails, or the program dies."""
        self.everything_is_read_well_again()
        self.s.set(oil=62.0)
        self.go(400, 40.0)
        if self.command_stage("hold_off", stage, 60.0, "local"):
            return
        self.go(60, 20.0)
        if restart:
            PREMISES["a hold-off by hand met a restart that released its stage"] += 1
            self.a_restart(8.0, same_boot=True, release=True)
            assert self.w.reason(stage) != BY_HAND, f"{stage} held off by hand again after its release"
        elif spoil is not None:
            self.s.values[spoil if spoil in MEASURED else f"{stage}.{spoil}"] = Bad(Detail.OUT_OF_RANGE)
            self.go(120, 20.0)

    @rule(
        load=st.sampled_from([0.3, 1.0, 1.5, 99.0]),
        after=st.sampled_from([None, 0.0, 30.0, 90.0]),
        minutes=st.sampled_from([None, 5.0, 240.0]),
        end=st.booleans(),
    )
    def a_load_is_expected(self, load: float, after: float | None, minutes: float | None, end: bool) -> None:
        """The next decision with the announcement holds off nothing that it would let run without."""
        state, now, plain = self.s.state, self.s.now + 2 * NS, self.s.plan
        inputs = replace(self.s.inputs(), mono_ns=now)
        _, without = engine.step(state, plain, inputs)
        PREMISES["a load was expected"] += 1
        if end:
            self.s.command("end_expect_load", "T1")
        else:
            self.s.command("expect_load", "T1", value=load, after_min=after, minutes=minutes)
            assert self.s.outcome is not None
            for output, off in without.decision.energise.items():
                assert off or not self.s.outcome.decision.energise[output], f"{output}: taken away"
        self.w.look()

    @rule(
        kind=st.sampled_from(["acknowledge", "shelve", "unshelve", "out_of_service", "in_service"]),
        pick=st.integers(0, 60),
        minutes=st.sampled_from([1.0, 60.0]),
    )
    def an_alarm_is_handled(self, kind: str, pick: int, minutes: float) -> None:
        alarms = self.s.plan.layout.alarms
        target = "all" if pick == 0 and kind == "acknowledge" else alarms[pick % len(alarms)].id
        self.w.touched = True
        self.s.command(kind, target, minutes=minutes)
        self.w.look()

    @rule(name=st.sampled_from(MEASURED), value=st.sampled_from([-20.0, 30.0, 75.0, 130.0]))
    def a_value_is_substituted(self, name: str, value: float) -> None:
        self.s.command("substitute", f"T1.{name}", value=value, minutes=10.0)
        self.w.look()

    @rule(
        gap=st.sampled_from([1.0, 20.0, 600.0, 3600.0, 100_000.0]),
        same_boot=st.booleans(),
        release=st.booleans(),
    )
    def a_restart(self, gap: float, same_boot: bool, release: bool) -> None:
        PREMISES["a restart"] += 1
        self.s.restart(gap, same_boot=same_boot, release=release or gap > 10)
        if release or gap > 10:
            self.w.wish.clear()
        self.w.forget_timers()
        self.w.bad.clear()
        for output, held in self.s.coils.items():
            if held:  # stuck there, perhaps against the call: found held off, it is left so
                self.w.coil[output] = True
        self.go(4, 2.0)

    @rule(other=st.booleans())
    def a_reload(self, other: bool) -> None:
        PREMISES["a reload"] += 1
        self.s.reload(other_settings if other else station_settings, f"hash{other}")
        self.w.forget_timers()
        self.go(2, 2.0)

    @rule(seconds=st.sampled_from([-1e9, -3600.0, 5.0, 1e9]), trusted=st.booleans())
    def the_wall_clock_steps(self, seconds: float, trusted: bool) -> None:
        PREMISES["a clock step"] += 1
        self.s.health = Health(
            clock_stepped_s=seconds, clock_trusted=trusted, record_ok=trusted, broker_ok=trusted
        )
        self.go(2, 2.0)
        self.s.health = Health()

    @invariant()
    def the_state_can_be_saved(self) -> None:
        if hasattr(self, "s"):
            assert engine.checkpoint(self.s.state)


PROFILE = settings(
    max_examples=SEQUENCES,
    stateful_step_count=30,
    deadline=None,
    derandomize=SEQUENCES < 1000,
    suppress_health_check=list(HealthCheck),
    print_blob=True,
)


@pytest.mark.timeout(0 if SEQUENCES >= 1000 else 300)
def test_any_sequence_keeps_the_promises(capsys: pytest.CaptureFixture[str]) -> None:
    run_state_machine_as_test(AnySequence, settings=PROFILE)  # type: ignore[no-untyped-call]
    with capsys.disabled():
        print(f"\n{SEQUENCES} sequences; how often each premise was true:")
        for name in PREMISE_NAMES:
            print(f"  {PREMISES[name]:>9}  {name}")
    missing = [name for name in PREMISE_NAMES if not PREMISES[name]]
    assert not missing, f"never true, so nothing was proven about: {missing}"


BREAKS = {
    "stages stop as soon as they are below dropout": lambda m: m.setattr(
        stages, "may_stop", lambda s, f, t, n: not f.above
    ),
    "lost inputs release nothing": lambda m: m.setattr(
        stages, "call_event", lambda s, f, t, n: call_event(s, replace(f, release=0), t, n)
    ),
    "a test value counts as measured": lambda m: m.setattr(
        Quality, "is_measured", property(lambda quality: True)
    ),
    "lost phases hide each other": lambda m: m.setattr(
        lost_inputs,
        "phase_missing",
        lambda load, others, zero, carry: (load or 0) < zero and min(others, default=0.0) >= carry,
    ),
    "alarms clear themselves": lambda m: m.setitem(
        alarms.ALARM_TABLE, (AlarmStatus.UNACKNOWLEDGED, alarms.AlarmEvent.CLEAR), AlarmStatus.NORMAL
    ),
}


@pytest.mark.parametrize("name", BREAKS)
def test_control_a_broken_promise_is_found(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Control of the sequences: with the mechanism broken on purpose, the watcher must object."""
    BREAKS[name](monkeypatch)
    profile = settings(PROFILE, max_examples=200, phases=[Phase.generate], report_multiple_bugs=False)
    with pytest.raises(AssertionError):
        run_state_machine_as_test(AnySequence, settings=profile)  # type: ignore[no-untyped-call]
