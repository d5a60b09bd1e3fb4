"""Every rule of cooling, through the step; each with its named control that breaks the rule's mechanism.

A rule is a check (a scenario with assertions) and a breakage. The check must hold as the product is,
and must fail with the breakage: then it really looks at that mechanism.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest
from station_script import Bad, Station

from collector import engine
from collector.control import alarms as al
from collector.control import (
    calling,
    commands,
    conditions,
    layout,
    modes,
    outputs,
    relays,
    stages,
    temperatures,
    trip,
)
from collector.control import lost_inputs as li
from collector.control.cycle import Cycle
from collector.control.layout import REASON
from collector.control.stages import Facts
from collector.quality import GOOD, Detail

modes_real = modes.mode_in_force
Break = Callable[[pytest.MonkeyPatch], None]


@dataclass(frozen=True)
class Rule:
    name: str
    check: Callable[[], None]
    control: str  # what is broken, in words
    breaks: Break


RULES: list[Rule] = []


def rule(control: str, breaks: Break) -> Callable[[Callable[[], None]], Callable[[], None]]:
    def add(check: Callable[[], None]) -> Callable[[], None]:
        RULES.append(Rule(check.__name__, check, control, breaks))
        return check

    return add


def patch(owner: Any, name: str, new: Any) -> Break:
    return lambda m: m.setattr(owner, name, new)


def facts_as(**forced: Any) -> Break:
    """The stages see these facts, whatever is true."""

    def apply(m: pytest.MonkeyPatch) -> None:
        real = stages.next_call
        m.setattr(stages, "next_call", lambda s, f, t, n: real(s, replace(f, **forced), t, n))

    return apply


def timing_as(**forced: Any) -> Break:
    def apply(m: pytest.MonkeyPatch) -> None:
        real = stages.next_call
        m.setattr(stages, "next_call", lambda s, f, t, n: real(s, f, replace(t, **forced), n))

    return apply


def never_stops(m: pytest.MonkeyPatch) -> None:
    m.setattr(stages, "may_stop", lambda *_: False)


def stops_at_once(m: pytest.MonkeyPatch) -> None:
    m.setattr(stages, "may_stop", lambda s, f, t, n: f.below and not f.support)


def never_lost(m: pytest.MonkeyPatch) -> None:
    m.setattr(li, "examine", lambda *_: None)

    def settle(r: Any, s: li.InputState, reading: Any, f: Any, now: int) -> li.InputState:
        if reading is None or reading.value is None:
            return s._replace(lost=False)
        return s._replace(lost=False, value=reading.value, value_ns=reading.mono_ns)

    m.setattr(li, "settle", settle)


# --- start and stop ---------------------------------------------------------------------------


@rule("the pickup delay is zero", timing_as(pickup_delay=0))
def starts_after_the_pickup_delay_and_not_before() -> None:
    s = Station().run(10)
    assert s.called()
    s.set(oil=60.5).run(28)
    assert s.called()
    s.run(6)
    assert s.called(1)
    assert s.reason("stage1") == "automatic"


@rule("criteria are never above pickup", facts_as(above=False))
def hot_spot_alone_starts() -> None:
    s = Station(oil=55.0, amps=100.0).run(10)
    assert s.called()
    s.set(amps=420.0).run(60 * 60)
    assert s.value("hot_spot_c") > 75
    assert s.called(1, 2) or s.called(1) or s.called(1, 2, 3)


def load_criterion(tree: Any) -> None:
    tree["transformers"][0]["stages"][0]["pickup"]["load_pu"] = 0.9
    tree["transformers"][0]["stages"][0]["dropout"]["load_pu"] = 0.7


@rule("criteria are never above pickup", facts_as(above=False))
def load_alone_starts() -> None:
    s = Station(load_criterion).run(10)
    s.set(amps=190.0).run(40)
    assert s.called(1)
    s.set(amps=100.0).run(700)
    assert s.called()


@rule("one criterion below dropout is enough", facts_as(below=True))
def stops_only_when_all_criteria_are_below_dropout() -> None:
    s = Station(load_criterion).set(oil=61.0).run(60)
    s.set(oil=45.0, amps=150.0).run(1200)  # oil below dropout, load not
    assert s.called(1)
    s.set(amps=100.0).run(60)
    assert s.called()


@rule("stops as soon as all are below dropout", stops_at_once)
def runs_at_least_the_minimum_run() -> None:
    s = Station().set(oil=61.0).run(40)
    assert s.called(1)
    s.set(oil=45.0).run(500)
    assert s.called(1)
    assert s.reason("stage1") == "minimum run"
    s.run(120)
    assert s.called()


@rule("starts may be as many as you like", timing_as(max_starts_per_h=1000))
def too_many_starts_prolong_running_and_refuse_none() -> None:
    def edit(tree: Any) -> None:
        tree["transformers"][0]["stages"][0] |= {"max_starts_per_h": 2, "minimum_run_s": 60.0}

    s = Station(edit)
    for _ in range(2):
        s.set(oil=61.0).run(60)
        assert s.called(1)
        s.set(oil=45.0).run(120)
    assert s.called(1)  # a third start within the hour would be one too many, so it runs on
    s.run(3600)
    assert s.called()


@rule("no stagger", facts_as(queue_ns=-1))
def ordinary_starts_are_staggered() -> None:
    s = Station().run(10).set(oil=85.0)
    first: dict[int, float] = {}
    start = s.now
    for _ in range(60):
        s.cycle(1.0)
        for n in (1, 2, 3):
            if s.value(f"stage{n}.called") and n not in first:
                first[n] = (s.now - start) / 1e9
    assert first[2] - first[1] >= 5
    assert first[3] - first[2] >= 5
    assert first[3] <= 30 + 2 * 5 + 3  # bounded


@rule("no restart inhibit", timing_as(restart_inhibit=0))
def rest_delays_a_new_start_within_its_bound() -> None:
    def edit(tree: Any) -> None:
        tree["transformers"][0]["stages"][0] |= {"restart_inhibit_s": 120.0, "minimum_run_s": 0.0}

    s = Station(edit).set(oil=61.0).run(40)
    s.set(oil=45.0).run(10)
    assert s.called()
    s.set(oil=61.0).run(100)
    assert s.called()
    s.run(40)
    assert s.called(1)


@rule("alarm temperature releases nothing", facts_as(release=0))
def alarm_temperature_calls_every_stage_at_once() -> None:
    s = Station().run(10).set(oil=95.5)
    s.cycle()
    assert s.called(1, 2, 3)
    assert s.reason("stage3") == "released: alarm temperature"


# --- lost inputs ------------------------------------------------------------------------------


@rule("a bad reading is taken as it is", never_lost)
def lost_top_oil_runs_every_stage() -> None:
    s = Station().run(60)
    s.set(oil=Bad()).run(4)  # a sentinel twice in a row
    assert s.called(1, 2, 3)
    assert s.alarm("top_oil_lost") == "unacknowledged"
    assert s.quality("top_oil_c").is_substituted
    assert s.told("sentinel 0x7FFF")
    assert abs(s.value("top_oil_c") - 40.0) < 0.2  # no jump


@rule("the return is trusted at once", stops_at_once)
def after_return_stages_stay_released_for_hold_and_minimum_run() -> None:
    s = Station().run(60).set(oil=Bad()).run(10)
    s.set(oil=40.0).run(60 * 4)
    assert s.called(1, 2, 3)
    s.run(60 * 8)
    assert s.called()


@rule(
    "an input counts as soon as it is good",
    lambda m: m.setattr(
        li, "settle", (lambda real: lambda r, s, g, f, n: real(replace(r, back=0), s, g, f, n))(li.settle)
    ),
)
def an_input_counts_again_only_after_return_after() -> None:
    s = Station().run(20).set(oil=Bad()).run(10)
    s.set(oil=40.0).run(6)
    assert s.alarm("top_oil_lost") == "unacknowledged"
    s.run(8)
    assert s.alarm("top_oil_lost") == "returned-unacknowledged"


@rule(
    "nothing is ever stale",
    lambda m: m.setattr(
        li, "examine", (lambda real: lambda r, *a: real(replace(r, stale=10**18), *a))(li.examine)
    ),
)
def a_reading_that_is_not_renewed_is_lost() -> None:
    s = Station().run(20)
    s.frozen_reads["top_oil_c"] = s.readings()["T1.top_oil_c"]
    s.run(28)
    assert s.called()
    s.run(6)
    assert s.called(1, 2, 3)
    assert s.told("not read for")


@rule(
    "a passing fault is final",
    lambda m: m.setattr(
        li, "examine", (lambda real: lambda *a: (f := real(*a)) and replace(f, soft=False))(li.examine)
    ),
)
def one_bad_sample_is_forgiven() -> None:
    s = Station().run(20).set(oil=Bad()).run(2)
    s.set(oil=40.0).run(60)
    assert s.called()
    assert s.alarm("top_oil_lost") == "normal"


@rule("a bad reading is taken as it is", never_lost)
def lost_current_runs_every_stage_and_assumes_rated_load() -> None:
    s = Station().run(60)
    s.set(HV_B__current_a=Bad()).run(6)
    assert s.called(1, 2, 3)
    assert s.alarm("HV_B.current_lost") == "unacknowledged"
    assert s.value("HV_B.load_pu") >= 1.0
    assert s.quality("HV_B.hot_spot_c").is_substituted
    assert s.quality("HV_A.hot_spot_c").is_good or not s.quality("HV_A.hot_spot_c").is_substituted


def _ambient_counts(m: pytest.MonkeyPatch) -> None:
    real = temperatures.ambient_sample

    def sample(cycle: Any, t: Any) -> Any:
        cycle.thermals[t.index].lost = "ambient"
        return real(cycle, t)

    m.setattr(temperatures, "ambient_sample", sample)


@rule("a lost ambient runs every stage", _ambient_counts)
def lost_ambient_changes_no_cooling() -> None:
    s = Station().run(60).set(ambient=Bad()).run(60)
    assert s.called()
    assert s.alarm("ambient_lost") == "unacknowledged"
    assert s.quality("expected_oil_c").is_invalid
    assert s.quality("effectiveness_k").is_invalid


@rule(
    "the estimate never runs out",
    lambda m: m.setattr(temperatures, "ns", lambda x: 10**19 if x == 24 * 3600 else round(x * 1e9)),
)
def estimated_oil_is_invalid_after_its_longest_time() -> None:
    s = Station().run(60).set(oil=Bad()).run(3600 * 23, 60.0)
    assert not s.quality("hot_spot_c").is_invalid
    s.run(3600 * 2, 60.0)
    assert s.quality("hot_spot_c").is_invalid
    assert s.alarm("estimate_lost") == "unacknowledged"


def limit_rate(tree: Any) -> None:
    tree["transformers"][0]["top_oil"]["max_rate_k_per_min"] = 30.0


@rule(
    "anything may jump",
    lambda m: m.setattr(
        li, "examine", (lambda real: lambda r, *a: real(replace(r, rate_k_per_min=None), *a))(li.examine)
    ),
)
def a_jump_is_not_believed() -> None:
    s = Station(limit_rate).run(20).set(oil=75.0).run(2)
    assert s.called(1, 2, 3)
    assert s.told("jumped from 40.0 to 75.0")
    assert s.value("top_oil_c") < 45


@rule("frozen readings are not noticed", patch(li, "frozen", lambda *_: None))
def a_frozen_sensor_is_noticed_when_the_model_moves() -> None:
    def edit(tree: Any) -> None:
        tree["transformers"][0]["top_oil"]["max_rate_k_per_min"] = 30.0

    s = Station(edit, oil=45.0, amps=200.0).run(3600 * 6, 60.0)
    s.set(oil=47.0).run(120, 60.0)
    s.set(amps=20.0).run(3600 * 4, 60.0)  # load gone, the model cools, the reading stands
    assert s.told("stands at 47.0")
    assert s.alarm("top_oil_lost") == "unacknowledged"
    assert s.called(1, 2, 3)


@rule(
    "constant means frozen",
    lambda m: m.setattr(
        li,
        "frozen",
        lambda w, k, after, now: (
            li.Fault(li.Cause.FROZEN, "x") if w.value is not None and now - w.since_ns > after else None
        ),
    ),
)
def an_idle_unit_is_rightly_constant() -> None:
    s = Station(oil=20.0, amps=0.0).run(3600 * 48, 60.0)
    assert s.alarm("top_oil_lost") == "normal"
    assert s.called()


@rule("phases are not compared", patch(li, "phase_missing", lambda *_: False))
def a_phase_at_zero_beside_loaded_ones_is_lost() -> None:
    s = Station(amps=150.0).run(20).set(HV_A__current_a=0.0).run(6)
    assert s.called()
    s.run(10)
    assert s.called(1, 2, 3)
    assert s.alarm("HV_A.current_lost") == "unacknowledged"
    assert s.value("HV_A.load_pu") >= 1.0


@rule("a current of zero is always doubted", patch(li, "phase_missing", lambda load, *_: load == 0.0))
def all_phases_at_zero_are_legitimate() -> None:
    s = Station(amps=150.0).run(20).set(amps=0.0).run(120)
    assert s.called()
    assert s.alarm("HV_A.current_lost") == "normal"


def two_probes(tree: Any) -> None:
    probe = {"device": "oil_tx", "table": "input_register", "type": "int16", "scale": 0.1, "address": 5}
    tree["transformers"][0]["top_oil"]["redundant"] = probe


@rule("disagreement is not noticed", lambda m: m.setattr(li, "DISAGREE_S", 1e9))
def duplicate_probes_that_disagree_run_everything_and_the_higher_counts() -> None:
    s = Station(two_probes).run(20)
    s.set(top_oil_2_c=55.0).run(20)
    assert s.called(1, 2, 3)
    assert s.alarm("top_oil_lost") == "unacknowledged"
    assert s.value("top_oil_c") == 55.0
    assert s.told("disagree")


@rule(
    "only the first probe is looked at",
    lambda m: m.setattr(
        temperatures,
        "oil_sample",
        (
            lambda real: (
                lambda self, t, th: real(
                    self, replace(t, inputs={k: v for k, v in t.inputs.items() if k != "top_oil_2_c"}), th
                )
            )
        )(temperatures.oil_sample),
    ),
)
def one_probe_of_two_carries_on_alone() -> None:
    s = Station(two_probes).run(20).set(oil=Bad()).run(20)
    assert s.called()
    assert s.alarm("top_oil_redundancy_lost") == "unacknowledged"
    assert s.alarm("top_oil_lost") == "normal"
    assert s.quality("top_oil_c").is_good or not s.quality("top_oil_c").is_substituted


@rule("ambient is not compared", lambda m: m.setattr(li, "AMBIENT_ABOVE_OIL_S", 1e9))
def ambient_above_oil_under_load_doubts_the_ambient() -> None:
    s = Station(oil=40.0, amps=150.0, ambient=50.0).run(3600 * 1.9, 30.0)
    assert s.alarm("ambient_doubtful") == "normal"
    s.run(3600 * 0.2, 30.0)
    assert s.alarm("ambient_doubtful") == "unacknowledged"
    assert s.told("stands above the top oil under load, or does not fit the oil (50.0 °C, top oil 40.0 °C)")
    assert s.called()
    # It is used as before: doubted, not lost.
    assert s.alarm("ambient_lost") == "normal"
    assert s.value("ambient_c") == 50.0
    for point in ("ambient_c", "expected_oil_c", "effectiveness_k"):
        assert Detail.INCONSISTENT in s.quality(point).detail, point
        assert not s.quality(point).is_invalid
    assert Detail.INCONSISTENT not in s.quality("hot_spot_c").detail
    s.set(ambient=44.0).run(400, 20.0)
    assert s.alarm("ambient_doubtful") == "returned-unacknowledged"
    assert s.quality("ambient_c").is_good
    assert Detail.INCONSISTENT not in s.quality("expected_oil_c").detail


@rule(
    "ambient is compared whatever the load",
    lambda m: m.setattr(li, "AMBIENT_CHECK_PU", -1.0),
)
def ambient_above_the_oil_of_an_idle_unit_is_no_wonder() -> None:
    s = Station(oil=20.0, amps=40.0, ambient=35.0).run(3600 * 4, 60.0)
    assert s.alarm("ambient_doubtful") == "normal"
    assert s.quality("ambient_c").is_good


# --- feedback, spares, availability -----------------------------------------------------------


@rule("no spare is called", patch(stages, "spares", lambda w, f, r, o: (frozenset(), False)))
def without_feedback_the_next_stage_is_called_too() -> None:
    s = Station()
    s.broken.add("stage1")
    s.set(oil=61.0).run(40)
    assert s.called(1)
    s.run(14)
    assert s.called(1, 2)
    assert s.alarm("stage1.no_feedback") == "unacknowledged"
    assert s.reason("stage2") == "spare for a stage that is not proven"
    assert s.value("stage1.running") is False
    assert s.alarm("cooling_insufficient") == "normal"


@rule(
    "shortage is not told",
    lambda m: m.setattr(stages, "spares", (lambda real: lambda *a: (real(*a)[0], False))(stages.spares)),
)
def no_spare_left_is_cooling_insufficient() -> None:
    s = Station()
    s.broken |= {"stage1", "stage2", "stage3"}
    s.set(oil=61.0).run(120)
    assert s.called(1, 2, 3)
    assert s.alarm("cooling_insufficient") == "unacknowledged"


def all_on_one_module(tree: Any) -> None:
    """Feedbacks and cabinet contacts are read from the relay module itself."""
    for stage in tree["transformers"][0]["stages"]:
        for bit in (stage["feedback"], *stage["cabinet"].values()):
            bit["device"] = "relays"


def cut(s: Station) -> Station:
    s.down["relays"], s.link_down = "no answer within 1.0 s", set(s.ids)
    return s


def join(s: Station) -> Station:
    s.down.clear()
    s.link_down = set()
    s.coils = dict.fromkeys(s.coils, False)  # the module let go meanwhile
    return s


def shown(s: Station) -> set[str]:
    """Alarms that an operator sees: not normal, and no other one stands for them."""
    return {v.id for v in engine.alarm_list(s.state, s.plan) if v.status != "suppressed by design"}


def raised_while(s: Station, seconds: int) -> set[str]:
    seen: set[str] = set()
    for _ in range(seconds // 2):
        s.cycle()
        seen |= shown(s)
    return seen


@rule("a feedback read before the call contradicts it", patch(conditions, "denies", lambda *_: True))
def a_cut_module_raises_its_own_alarm_and_no_other() -> None:
    s = Station(all_on_one_module).run(60)
    assert raised_while(cut(s), 180) == {"device.relays.alarm_link_lost"}
    assert s.called(1, 2, 3)
    assert s.value("stage1.running") is False
    assert s.state.stages[0].proof is stages.Proof.UNPROVEN
    assert s.alarm("cooling_insufficient") == "suppressed by design"
    join(s).run(60)
    assert shown(s) == {"device.relays.alarm_link_lost"}  # returned, not acknowledged
    assert s.alarm("cooling_insufficient") == "normal"


@rule("a device's alarm stands for nothing", patch(conditions, "told_by_link", lambda *_: False))
def unread_feedback_is_told_by_its_device_alone() -> None:
    s = Station().run(60).set(oil=61.0).run(60)
    s.down["cabinet"] = "no answer within 1.0 s"
    assert raised_while(s, 180) == {"device.cabinet.alarm_link_lost"}
    assert s.called(1, 2, 3)  # nobody proves the first, so the next one is called, and so on
    s.command("shelve", "device.cabinet.alarm_link_lost", minutes=30.0)
    s.run(4)
    assert s.alarm("cooling_insufficient") == "unacknowledged"  # nothing stands for it any more


@rule("no feedback ever contradicts a call", patch(conditions, "denies", lambda *_: False))
def a_feedback_that_says_not_running_is_told_before_during_and_after_a_cut() -> None:
    s = Station(all_on_one_module)
    s.broken |= {"stage1", "stage2", "stage3"}
    s.set(oil=81.0).run(120)
    told = {"T1.alarm_cooling_insufficient"} | {f"T1.stage{n}.alarm_no_feedback" for n in (1, 2, 3)}
    assert shown(s) == told
    cut(s).run(120)  # seen not running before the cut: that is not the link's doing
    assert shown(s) == told | {"device.relays.alarm_link_lost"}
    join(s).run(60)
    assert shown(s) == told | {"device.relays.alarm_link_lost"}
    assert s.alarm("cooling_insufficient") == "unacknowledged"
    fresh = Station(all_on_one_module).run(60)
    fresh.broken |= {"stage1", "stage2", "stage3"}  # and after the cut: the motors do not follow the release
    join(cut(fresh).run(120)).set(oil=81.0).run(60)
    assert shown(fresh) >= told


@rule(
    "bad feedback counts as running",
    lambda m: m.setattr(
        stages,
        "proof_event",
        (lambda real: lambda c, f, o: real(c, True if f is None else f, o))(stages.proof_event),
    ),
)
def lost_feedback_leaves_the_stage_called_but_unproven() -> None:
    s = Station().set(oil=61.0).run(60)
    assert s.value("stage1.running") is True
    s.set(stage1__feedback=Bad()).run(20)
    assert s.value("stage1.called") is True
    assert s.value("stage1.running") is False
    assert s.called(1, 2)
    assert s.alarm("stage1.input_lost") == "unacknowledged"
    assert s.alarm("stage1.no_feedback") == "normal"


@rule(
    "selector and breaker are not looked at",
    lambda m: m.setattr(Cycle, "contact", lambda self, i, otherwise: otherwise),
)
def a_stage_not_in_auto_or_tripped_is_named_and_replaced() -> None:
    s = Station()
    s.broken |= {"stage1"}
    s.set(stage1__selector_auto=0.0).run(10)
    assert s.alarm("stage1.not_available") == "unacknowledged"
    assert s.told("selector not in Auto")
    s.set(oil=61.0).run(40)
    assert s.called(1, 2)  # at once, not after the feedback delay
    assert s.alarm("stage1.no_feedback") in ("normal", "suppressed by design")


def interlock(tree: Any) -> None:
    tree["transformers"][0]["stages"][0]["cabinet"]["interlock"] = {
        "device": "cabinet",
        "table": "discrete_input",
        "address": 31,
    }


@rule("interlock is not looked at", facts_as(block=0))
def an_interlocked_stage_stays_off_and_is_not_replaced() -> None:
    s = Station(interlock).set(oil=61.0, stage1__interlock=1.0).run(120)
    assert s.called()
    assert s.reason("stage1") == "interlocked"
    assert s.alarm("stage1.not_available") == "unacknowledged"
    s.set(oil=96.0).run(4)
    assert s.called(2, 3)
    s.set(stage1__interlock=0.0).run(4)
    assert s.called(1, 2, 3)


@rule(
    "every stage counts as proven",
    lambda m: m.setattr(calling, "proven_stages", lambda running, needs: (True,) * len(running)),
)
def only_proven_stages_count_for_the_mode() -> None:
    s = Station(oil=45.0).run(10)
    assert s.value("mode") == 1
    s.broken.add("stage2")
    s.set(oil=71.0).run(120)
    assert s.called(1, 2, 3)
    assert s.value("mode") == 1
    s.broken.clear()
    s.run(10)
    assert s.value("mode") == 2


def _pumps(tree: Any) -> None:
    t = tree["transformers"][0]
    t["stages"][0]["needs_stage"] = "stage3"
    t["stages"][2] |= {
        "kind": "pumps",
        "cold_oil_block_c": 0.0,
        "pickup": {"top_oil_c": 90.0},
        "dropout": {"top_oil_c": 80.0},
    }
    t["modes"][1]["needs"] = ["stage1"]


@rule(
    "fans do not call their pump",
    lambda m: m.setattr(
        stages,
        "next_call",
        (
            lambda real: (
                lambda s, f, t, n: real(
                    s,
                    replace(f, support=0 if f.support == REASON["pump for its fans"] else f.support),
                    t,
                    n,
                )
            )
        )(stages.next_call),
    ),
)
def fans_call_their_pump() -> None:
    s = Station(_pumps).set(oil=61.0).run(60)
    assert s.called(1, 3)
    assert s.reason("stage3") == "pump for its fans"
    assert s.value("mode") == 2
    s.set(oil=45.0).run(1300)
    assert s.called()


def _equal_pump(tree: Any) -> None:
    """Fans and pump with one pickup, all due at once; the pump comes later in the settings."""
    _pumps(tree)
    stages_ = tree["transformers"][0]["stages"]
    stages_[2] |= {"pickup": dict(stages_[0]["pickup"]), "dropout": dict(stages_[0]["dropout"])}


def _in_order(s: Station, *numbers: int) -> bool:
    """These stages were released in this order, none of them together."""
    times = [s.switched[f"T1.stage{n}"][0] for n in numbers]
    return times == sorted(set(times))


@rule(
    "stages are started by their place",
    patch(layout, "_order", lambda stages: tuple(range(len(stages)))),
)
def a_pump_starts_before_its_fans() -> None:
    s = Station(_equal_pump).set(oil=71.0).run(80)
    assert s.called(1, 2, 3)
    assert _in_order(s, 3, 1, 2)


def _resting_pump(tree: Any) -> None:
    _pumps(tree)
    tree["transformers"][0]["stages"][2] |= {"minimum_run_s": 0.0, "restart_inhibit_s": 60.0}


@rule(
    "fans do not wait for their pump",
    patch(calling, "turn_ns", lambda cycle, t, facts, k: cycle.transformers[t.index].next_start_ns),
)
def fans_wait_while_their_pump_rests() -> None:
    s = Station(_resting_pump)
    s.command("force_on", "T1.stage3", minutes=1.0)
    s.run(50).set(oil=61.0).run(46)  # the pump has just stopped; its fans have been due for some seconds
    assert s.called()
    s.run(40)
    assert s.called(1, 3)
    assert _in_order(s, 3, 1)


def _pumps_and_interlock(tree: Any) -> None:
    _pumps(tree)
    interlock(tree)


@rule(
    "a pump waits its turn whatever its fans do",
    patch(calling, "turn_ns", lambda cycle, t, facts, k: cycle.transformers[t.index].next_start_ns),
)
def a_pump_starts_at_once_with_fans_that_do_not_wait() -> None:
    s = Station(_pumps_and_interlock).run(10).set(oil=71.0, amps=0.0, stage1__interlock=1.0)
    while not s.called(2):
        s.cycle(2.0)
    s.set(stage1__interlock=0.0)  # within the stagger of stage2's start
    s.command("force_on", "T1.stage1", minutes=10.0)
    assert s.called(1, 2, 3)


@rule(
    "fans count without their pump",
    lambda m: m.setattr(calling, "proven_stages", lambda running, needs: tuple(running)),
)
def fans_without_their_pump_do_not_cool() -> None:
    s = Station(_pumps)
    s.broken.add("stage3")
    s.set(oil=61.0).run(60)
    assert s.value("stage1.running") is True
    assert s.value("mode") == 1


@rule("cold oil is not looked at", facts_as(block=0))
def cold_oil_blocks_a_pump_unless_the_oil_is_unknown() -> None:
    s = Station(_pumps, oil=-5.0, ambient=-10.0).run(10)
    s.set(HV_A__current_a=Bad()).run(10)
    assert s.called(1, 2)
    assert s.reason("stage3") == "cold-oil block"
    s.set(oil=Bad()).run(10)
    assert s.called(1, 2, 3)


def _always_pumped(tree: Any) -> None:
    t = tree["transformers"][0]
    t["stages"][0] |= {"kind": "pumps"}
    t["modes"][0] |= {"cooling": "OFAN", "design": "medium_large_of", "needs": ["stage1"]}
    t["modes"][1] |= {"cooling": "OFAF", "design": "medium_large_of", "needs": ["stage1", "stage2"]}


@rule(
    "some mode always counts as proven",
    lambda m: m.setattr(calling, "mode_in_force", lambda modes, p: (modes_real(modes, p)[0], True)),
)
def without_its_pumps_an_of_unit_has_no_estimate_and_a_countdown() -> None:
    s = Station(_always_pumped).run(1000, 5.0)
    assert s.called(1)  # no pickup is reached, but without this pump there is no cooling mode
    assert not s.quality("hot_spot_c").is_invalid
    s.broken.add("stage1")
    s.run(40)
    assert s.quality("hot_spot_c").is_invalid
    assert s.quality("top_oil_c").is_good
    assert s.called(1, 2, 3)
    assert s.alarm("pumps_lost") == "unacknowledged"
    assert s.told("the maker allows 20 min")
    assert not s.run(1150).told("20 min without pumps are over")
    assert s.run(12).told("20 min without pumps are over")


# --- by hand ----------------------------------------------------------------------------------


def hold_forever(m: pytest.MonkeyPatch) -> None:
    real = calling.facts_about

    def facts(self: Any, t: Any, th: Any, s: Any, k: int, starting: bool) -> Facts:
        stage = self.stages[s.index]
        found = real(self, t, th, s, k, starting)
        if stage.hold_until_ns >= 0:
            self.stages[s.index] = stage
            return replace(found, block=REASON["held off by hand"])
        return found

    m.setattr(calling, "facts_about", facts)


@rule("a hold-off lasts for ever", hold_forever)
def hold_off_ends_by_time() -> None:
    s = Station().set(oil=61.0).run(60)
    assert s.command("hold_off", "T1.stage1", minutes=5.0) == ""
    assert s.called()
    s.run(290)
    assert s.called()
    s.run(60)
    assert s.called(1)


@rule("a hold-off lasts for ever", hold_forever)
def hold_off_ends_when_an_input_is_lost() -> None:
    s = Station().set(oil=61.0).run(60)
    s.command("hold_off", "T1.stage1", minutes=50.0)
    s.set(HV_C__current_a=Bad()).run(6)
    assert s.called(1, 2, 3)
    assert s.told("hold-off by hand ends")


@rule("a hold-off lasts for ever", hold_forever)
def hold_off_ends_at_alarm_temperature() -> None:
    s = Station().set(oil=61.0).run(60)
    s.command("hold_off", "T1.stage1", minutes=50.0)
    s.set(oil=95.0).run(2)
    assert s.called(1, 2, 3)


@rule("every hold-off is accepted", lambda m: m.setitem(commands.COMMANDS, "hold_off", lambda self, c: ""))
def hold_off_is_refused_where_it_must_be() -> None:
    s = Station().run(10)
    assert "at the station" in s.command("hold_off", "T1.stage1", "mqtt", minutes=5.0)
    assert "at most 60" in s.command("hold_off", "T1.stage1", minutes=61.0)
    assert "give minutes" in s.command("hold_off", "T1.stage1")
    s.set(oil=96.0).run(4)
    assert "alarm temperature" in s.command("hold_off", "T1.stage1", minutes=5.0)
    s.set(oil=40.0).run(4)
    s.set(oil=Bad()).run(4)
    assert "does not count" in s.command("hold_off", "T1.stage1", minutes=5.0)


@rule("force-on does nothing", lambda m: m.setitem(commands.COMMANDS, "force_on", lambda self, c: ""))
def force_on_runs_until_automatic_or_its_time() -> None:
    s = Station().run(10)
    assert s.command("force_on", "T1.stage2") == ""
    assert s.called(2)
    s.run(7200, 30.0)
    assert s.called(2)
    s.command("automatic", "T1.stage2")
    s.run(30)
    assert s.called()
    s.command("force_on", "T1.stage2", minutes=20.0)
    s.run(1100)
    assert s.called(2)
    s.run(200)
    assert s.called()


def _trust_by_hand(m: pytest.MonkeyPatch) -> None:
    real = temperatures.oil_sample

    def oil(self: Any, t: Any, th: Any) -> Any:
        value, at, estimated = real(self, t, th)
        by_hand = self.substitute(f"{t.id}.top_oil_c")
        th.oil = value if by_hand is None else by_hand
        return (by_hand, self.now, False) if by_hand is not None else (value, at, estimated)

    m.setattr(temperatures, "oil_sample", oil)


@rule("a substituted value is believed", _trust_by_hand)
def a_substituted_value_adds_cooling_and_never_takes_it_away() -> None:
    s = Station(oil=61.0).run(60)
    assert s.called(1)
    assert s.command("substitute", "T1.top_oil_c", value=30.0, minutes=60.0) == ""
    s.run(1200, 10.0)
    assert s.called(1)
    s.command("substitute", "T1.top_oil_c", value=71.0, minutes=60.0)
    s.run(60)
    assert s.called(1, 2)
    assert s.quality("top_oil_c").is_substituted


# --- duty -------------------------------------------------------------------------------------


@rule("roles are never exchanged", patch(stages, "rotate", lambda g, r, roles: tuple(roles)))
def duty_rotates_by_run_hours_at_rest() -> None:
    def edit(tree: Any) -> None:
        for stage in tree["transformers"][0]["stages"][:2]:
            stage["rotation_group"] = "fans"

    s = Station(edit).set(oil=61.0).run(60)
    assert s.called(1)
    s.set(oil=45.0).run(700)
    assert s.called()
    s.set(oil=61.0).run(60)
    assert s.called(2)


@rule("no exercise", lambda m: m.setattr(calling, "exercise", lambda *_: None))
def a_stage_long_at_rest_is_exercised() -> None:
    def edit(tree: Any) -> None:
        tree["transformers"][0]["stages"][1] |= {"exercise_every_h": 5.0, "minimum_run_s": 60.0}

    s = Station(edit).run(3600 * 4.9, 60.0)  # before the first proof of its module, a start too
    assert s.called()
    s.run(600, 10.0)
    assert s.called(2)
    assert s.reason("stage2") == "exercise"
    s.run(600, 10.0)
    assert s.called()


# --- relays, start, flapping ------------------------------------------------------------------


@rule(
    "decides at once",
    lambda m: m.setattr(
        engine, "step", (lambda real: lambda s, p, i: real(s, p, replace(i, polled=True)))(engine.step)
    ),
)
def nothing_is_written_before_the_first_complete_poll() -> None:
    s = Station(polled=False).run(20)
    assert s.outcome is not None
    assert not s.outcome.decision.energise
    s.polled = True
    s.run(2)
    assert s.outcome.decision.energise
    assert s.called()


def decides_early(m: pytest.MonkeyPatch) -> None:
    real = engine.step
    m.setattr(engine, "step", lambda s, p, i: real(s, p, replace(i, polled=True)))


@rule("what is not read yet counts as lost", decides_early)
def what_has_not_been_read_yet_is_no_alarm_and_no_start_of_the_model() -> None:
    s = Station(polled=False)
    late = {name: s.values[name] for name in ("HV_A.current_a", "HV_B.current_a", "HV_C.current_a")}
    s.values |= dict.fromkeys(late, Bad(Detail.OLD_DATA, "not read yet"))
    s.run(10)
    assert not engine.alarm_list(s.state, s.plan)
    assert s.value("hot_spot_c") is None
    s.values |= late
    s.polled = True
    s.run(4)
    assert not engine.alarm_list(s.state, s.plan)
    assert s.value("hot_spot_c") == pytest.approx(40.0 + 13.0 * 0.5**1.3, abs=0.1)


@rule(
    "the grace never ends",
    lambda m: m.setattr(engine, "ns", lambda x: 10**18 if x == 30.0 else round(x * 1e9)),
)
def without_a_complete_poll_the_grace_ends_in_all_run() -> None:
    s = Station(polled=False).run(40)
    assert s.called(1, 2, 3)


@rule("read-back is not adopted", lambda m: m.setattr(calling, "adopt", lambda *_: None))
def at_start_a_running_stage_goes_on_running() -> None:
    s = Station(held=False).run(2)
    assert s.called(1, 2, 3)
    s.run(500)
    assert s.called(1, 2, 3)
    s.run(200)
    assert s.called()


@rule("read-back is not adopted", lambda m: m.setattr(calling, "adopt", lambda *_: None))
def what_cannot_be_read_back_runs() -> None:
    s = Station(held=None).run(4)
    assert s.called(1, 2, 3)


def notices_no_release(m: pytest.MonkeyPatch) -> None:
    m.setattr(calling, "adopt", lambda *_: None)
    real = outputs.look
    m.setattr(outputs, "look", lambda *a: (real(*a)[0], outputs.NOTHING))


@rule("a release is not noticed", notices_no_release)
def a_restart_that_released_the_stages_counts_as_a_start_and_holds() -> None:
    s = Station().run(60).restart(20.0).run(2)
    assert s.called(1, 2, 3)
    assert s.value("stage1.starts") == 1
    s.run(500)
    assert s.called(1, 2, 3)
    s.run(300)
    assert s.called()


@rule(
    "a release is not noticed",
    lambda m: m.setattr(
        outputs, "look", (lambda real: lambda *a: (real(*a)[0], outputs.NOTHING))(outputs.look)
    ),
)
def a_module_that_let_go_keeps_its_stages_released() -> None:
    s = Station().run(60)
    s.link_down = set(s.ids)
    s.run(8)
    assert s.called()  # its timeout of 10 s is not over: nothing has happened yet
    s.run(6)
    assert s.called(1, 2, 3)
    s.coils = dict.fromkeys(s.coils, False)
    s.link_down = set()
    s.run(200)
    assert s.called(1, 2, 3)
    s.run(800)
    assert s.called()


@rule(
    "a release is not noticed",
    lambda m: m.setattr(
        outputs, "look", (lambda real: lambda *a: (real(*a)[0], outputs.NOTHING))(outputs.look)
    ),
)
def a_module_that_rebooted_between_polls_is_noticed() -> None:
    s = Station().run(60)
    s.coils["T1.stage2"] = False
    s.run(4)
    assert s.called(2)
    assert s.value("stage2.starts") == 1


@rule("releases are not counted", timing_as(max_releases_per_h=1000))
def a_flapping_link_ends_in_released_until_acknowledged() -> None:
    def edit(tree: Any) -> None:
        tree["station"] |= {"return_hold_s": 10.0, "max_releases_per_h": 3}
        for stage in tree["transformers"][0]["stages"]:
            stage |= {"minimum_run_s": 10.0, "max_starts_per_h": 60}

    s = Station(edit).run(20)
    for n in range(4):
        assert s.called(), n
        s.set(oil=Bad()).run(8)
        assert s.called(1, 2, 3)
        s.set(oil=40.0).run(60)
    assert s.called(1, 2, 3)
    assert s.alarm("stage1.flapping") == "unacknowledged"
    s.run(2 * 3600, 30.0)
    assert s.called(1, 2, 3)
    for n in (1, 2, 3):
        assert s.command("acknowledge_flapping", f"T1.stage{n}") == ""
    s.run(60)
    assert s.called()


@rule(
    "read-back is not compared",
    lambda m: m.setattr(
        outputs, "look", (lambda real: lambda *a: (real(*a)[0], outputs.NOTHING))(outputs.look)
    ),
)
def a_coil_that_does_not_follow_is_an_alarm() -> None:
    s = Station().run(10)
    s.stuck["T1.stage1"] = True
    s.set(oil=61.0).run(60)
    assert s.called(1, 2)  # no feedback, so the next one too
    assert s.alarm("stage1.output_fault") == "unacknowledged"
    assert s.told("reads back energised")


@rule(
    "read-back is not compared",
    lambda m: m.setattr(
        outputs, "look", (lambda real: lambda *a: (real(*a)[0], outputs.NOTHING))(outputs.look)
    ),
)
def a_module_that_would_not_release_by_itself_holds_nothing_off() -> None:
    s = Station().run(10)
    s.unverified |= {"T1.stage1", "T1.stage2", "T1.stage3"}
    s.run(4)
    assert s.called(1, 2, 3)
    assert s.alarm("stage1.output_fault") == "unacknowledged"


@rule(
    "read-back is not compared",
    lambda m: m.setattr(
        outputs, "look", (lambda real: lambda *a: (real(*a)[0], outputs.NOTHING))(outputs.look)
    ),
)
def another_master_is_an_alarm() -> None:
    s = Station().run(10)
    s.foreign.add("T1.stage1")
    s.run(2)
    s.foreign.clear()
    s.run(30)
    assert s.alarm("stage1.output_fault") == "returned-unacknowledged"
    assert s.told("another master")


# --- alarms -----------------------------------------------------------------------------------


@rule("anything may be shelved", lambda m: m.setitem(commands.COMMANDS, "shelve", lambda self, c: ""))
def the_gravest_alarms_cannot_be_shelved() -> None:
    s = Station().run(10)
    for alarm in (
        "T1.alarm_hot_spot_high_high",
        "T1.alarm_cooling_insufficient",
        "T1.stage1.alarm_output_fault",
    ):
        assert "cannot be shelved" in s.command("shelve", alarm, minutes=10.0)
    assert s.command("shelve", "T1.alarm_top_oil_high", minutes=10.0) == ""


def _acknowledging_ends_release(m: pytest.MonkeyPatch) -> None:
    real = calling.facts_about

    def facts(self: Any, t: Any, th: Any, s: Any, k: int, starting: bool) -> Facts:
        found = real(self, t, th, s, k, starting)
        status = self.alarms[t.alarms["top_oil_high"]].status
        quiet = status in (al.AlarmStatus.ACKNOWLEDGED, al.AlarmStatus.SHELVED)
        return replace(found, release=0, above=False, below=True) if quiet else found

    m.setattr(calling, "facts_about", facts)


@rule("acknowledging changes control", _acknowledging_ends_release)
def acknowledging_or_shelving_changes_no_control() -> None:
    s = Station().run(10).set(oil=96.0).run(900)
    assert s.alarm("top_oil_high") == "unacknowledged"
    s.command("acknowledge", "T1.alarm_top_oil_high")
    assert s.alarm("top_oil_high") == "acknowledged"
    s.run(900)
    assert s.called(1, 2, 3)
    s.command("shelve", "T1.alarm_top_oil_high", minutes=30.0)
    assert s.alarm("top_oil_high") == "shelved"
    s.run(900)
    assert s.called(1, 2, 3)
    s.run(1000)
    assert s.alarm("top_oil_high") == "unacknowledged"  # the cause is still there


@rule(
    "nothing is suppressed",
    lambda m: m.setattr(
        al,
        "follow",
        (lambda real: lambda a, c, n, on, off, latch, hide: real(a, c, n, on, off, latch, False))(al.follow),
    ),
)
def one_cause_is_one_alarm() -> None:
    s = Station().run(20)
    s.down["oil_tx"] = "no answer within 1.0 s"
    s.run(40)
    assert s.called(1, 2, 3)
    assert s.alarm("device.oil_tx.link_lost") == "unacknowledged"
    assert s.alarm("top_oil_lost") == "suppressed by design"
    assert s.alarm("ambient_lost") == "suppressed by design"
    s.down.clear()
    s.run(30)
    assert s.alarm("device.oil_tx.link_lost") == "returned-unacknowledged"
    assert s.alarm("top_oil_lost") == "normal"


@rule(
    "no deadband",
    lambda m: m.setattr(conditions, "_beyond", lambda v, limit, band: v is not None and v >= limit),
)
def alarms_have_deadband_and_delays() -> None:
    s = Station().run(10).set(oil=95.5).run(2)
    assert s.alarm("top_oil_high") == "normal"
    s.run(6)
    assert s.alarm("top_oil_high") == "unacknowledged"
    s.command("acknowledge", "all")
    s.set(oil=93.0).run(120)
    assert s.alarm("top_oil_high") == "acknowledged"
    s.set(oil=91.0).run(20)
    assert s.alarm("top_oil_high") == "acknowledged"
    s.run(30)
    assert s.alarm("top_oil_high") == "normal"


@rule(
    "the order is lost",
    lambda m: m.setattr(
        conditions, "replace", lambda x, **k: replace(x, **{n: v for n, v in k.items() if n != "order"})
    ),
)
def the_first_alarm_out_is_known() -> None:
    s = Station().run(10)
    s.set(HV_A__current_a=Bad()).run(10)
    s.set(oil=Bad()).run(10)
    views = engine.alarm_list(s.state, s.plan)
    assert [v.id for v in views][:2] == ["T1.HV_A.alarm_current_lost", "T1.alarm_top_oil_lost"]
    assert views[0].order == 1
    assert "To do: check CT circuit" in views[0].text


# --- trip and contacts ------------------------------------------------------------------------


def tripping(tree: Any) -> None:
    two_probes(tree)
    t = tree["transformers"][0]
    t["trip"] = {"enabled": True, "relay": {"device": "cabinet", "coil": 1}, "delay_s": 60.0}
    t["contacts"] = {
        "device_fault": {"device": "cabinet", "coil": 2},
        "cooling_failure": {"device": "cabinet", "coil": 3},
        "top_oil_high": {"device": "cabinet", "coil": 4},
    }


def coil(s: Station, output: str) -> bool:
    assert s.outcome is not None
    return s.outcome.decision.energise[output]


@rule(
    "one sensor is enough",
    lambda m: m.setattr(trip, "criteria", lambda a, b, c, d: a or b or c or any(d)),
)
def a_trip_needs_two_independent_sensors_and_its_delay() -> None:
    s = Station(tripping).run(20)
    s.set(oil=116.0, top_oil_2_c=113.0).run(120)
    assert not coil(s, "T1.trip")
    s.set(top_oil_2_c=116.0).run(50)
    assert not coil(s, "T1.trip")
    s.run(30)
    assert coil(s, "T1.trip")
    s.set(oil=60.0, top_oil_2_c=60.0).run(120)
    assert coil(s, "T1.trip")  # latched
    s.command("acknowledge", "T1.alarm_trip")
    s.run(4)
    assert not coil(s, "T1.trip")


@rule(
    "any value may trip",
    lambda m: m.setattr(trip, "evidence", lambda v, q, lim: v is not None and v >= lim),
)
def a_test_value_never_trips() -> None:
    s = Station(tripping).run(20)
    s.qualities = {k: replace(GOOD, test=True) for k in ("top_oil_c", "top_oil_2_c")}
    s.set(oil=116.0, top_oil_2_c=116.0).run(200)
    assert not coil(s, "T1.trip")
    assert s.called(1, 2, 3)


@rule(
    "trip is always on offer",
    lambda m: m.setattr(
        relays,
        "energise",
        (lambda real: lambda cycle: {**real(cycle), "T1.trip": True})(relays.energise),
    ),
)
def trip_is_off_by_default() -> None:
    s = Station().run(10).set(oil=150.0, amps=400.0).run(600, 10.0)
    assert s.outcome is not None
    assert "T1.trip" not in s.outcome.decision.energise
    assert s.alarm("trip") == "normal"


@rule("contacts do not follow the alarms", lambda m: m.setattr(relays, "active", lambda self, i: False))
def alarm_contacts_follow_and_two_drop_out() -> None:
    s = Station(tripping).run(20)
    assert coil(s, "T1.contact.device_fault")
    assert coil(s, "T1.contact.cooling_failure")
    assert not coil(s, "T1.contact.top_oil_high")
    s.broken |= {"stage1", "stage2", "stage3"}
    s.set(oil=96.0, top_oil_2_c=96.0).run(60)
    assert coil(s, "T1.contact.top_oil_high")
    assert not coil(s, "T1.contact.cooling_failure")
    assert coil(s, "T1.contact.device_fault")


@pytest.mark.parametrize("r", RULES, ids=lambda r: r.name)
def test_rule(r: Rule) -> None:
    r.check()


@pytest.mark.parametrize("r", RULES, ids=lambda r: f"{r.name}: {r.control}")
def test_control(r: Rule, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same check fails when the rule's mechanism is broken on purpose."""
    r.breaks(monkeypatch)
    with pytest.raises((AssertionError, KeyError)):
        r.check()
