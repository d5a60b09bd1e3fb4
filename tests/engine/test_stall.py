"""After a stall, or a sign of one, nothing is held off before fresh readings."""

from __future__ import annotations

from dataclasses import replace

import pytest
from station_script import NS, Bad, Station

from collector import engine
from collector.control import stall
from collector.messages import Health


def held_off() -> Station:
    s = Station().run(60)
    assert s.called()
    return s


def keep_readings(s: Station, *but: str) -> None:
    """From now on nothing is read anew, but for these."""
    for name, reading in s.readings().items():
        if name.removeprefix("T1.") not in but:
            s.frozen_reads[name.removeprefix("T1.")] = reading


def stall_for(s: Station, seconds: float) -> None:
    keep_readings(s)
    s.cycle(seconds)


def test_after_a_stall_every_stage_runs_until_all_is_read_again() -> None:
    s = held_off()
    stall_for(s, 15.0)
    assert s.called(1, 2, 3)
    assert s.reason("stage1") == "released: not read since a stall"
    assert s.told("T1: no decision was made for so long (15.0 s); nothing is held off before T1.top_oil_c")
    waits = list(s.frozen_reads)
    for name in waits[:-1]:  # one after the other; the last one holds all
        del s.frozen_reads[name]
        s.cycle(0.2)
        assert s.reason("stage1") == "released: not read since a stall"
    s.frozen_reads.clear()
    s.run(4)
    assert s.reason("stage1") == "minimum run"
    s.run(650)
    assert s.called()


def test_control_without_the_rule_it_is_held_off_on_old_readings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stall, "look_for_stalls", lambda cycle: None)
    s = held_off()
    stall_for(s, 15.0)
    assert s.called()


def test_what_is_lost_is_not_waited_for() -> None:
    """A dead device after the stall: its own rule takes over, and a feedback holds nothing up for ever."""
    s = held_off()
    s.down["cabinet"] = "no answer"
    s.run(60)
    assert s.called()
    keep_readings(s)
    for name in [n for n in s.frozen_reads if n.startswith("stage")]:
        del s.frozen_reads[name]
    s.cycle(15.0)
    assert s.called(1, 2, 3)
    s.frozen_reads.clear()
    s.run(4)
    assert s.reason("stage1") == "minimum run"


def test_a_stall_within_the_decision_age_or_with_fresh_readings_changes_nothing() -> None:
    s = held_off()
    stall_for(s, 9.0)
    assert s.called()
    s.frozen_reads.clear()
    s.cycle(2.0)
    s.cycle(15.0)  # everything read with this very step: nothing old is in use
    assert s.called()
    assert any(e.kind == "stall" and e.data["awaited"] == 0 for e in s.events)


def test_it_is_a_start_but_no_flapping() -> None:
    """What the module let go of meanwhile has its own rule; our own precaution is no fault of an input."""
    s = held_off()
    for _ in range(5):
        stall_for(s, 15.0)
        s.frozen_reads.clear()
        s.run(640)
        assert s.called()
    assert s.value("stage1.starts") == 5
    assert s.alarm("stage1.flapping") == "normal"


def test_a_coarse_trace_is_no_stall() -> None:
    """Rows of a quarter of an hour, some readings older than their row: nothing is held off there anyway."""
    s = Station()
    keep_readings(s, "top_oil_c", "HV_A.current_a", "HV_B.current_a", "HV_C.current_a")
    plan, state, now = s.plan, s.state, s.now
    for _ in range(8):
        now += 900 * NS
        s.now = now
        inputs = replace(s.inputs(), relays={})
        state, outcome = engine.step(state, plan, inputs)
        assert not [e for e in outcome.events if e.kind == "stall"]
    assert all(outcome.decision.energise.values())


@pytest.mark.parametrize("sign", ["wall clock", "connections"])
def test_a_sign_of_a_stall_without_a_moved_clock(sign: str) -> None:
    """A paused guest: the model goes on as if nothing had been, the stages wait for fresh readings."""
    s, twin = held_off(), held_off()
    keep_readings(s)
    keep_readings(twin)
    s.health = Health(possible_stall=sign)  # type: ignore[arg-type]
    s.cycle(2.0)
    twin.cycle(2.0)
    s.health = Health()
    assert s.called(1, 2, 3)
    assert twin.called()
    assert s.value("HV_A.loss_of_life_h") == twin.value("HV_A.loss_of_life_h")
    assert s.value("HV_A.hot_spot_c") == twin.value("HV_A.hot_spot_c")
    s.cycle(2.0)
    assert s.called(1, 2, 3)
    s.frozen_reads.clear()
    s.run(650)
    assert s.called()


def test_a_module_that_let_everything_go_is_a_sign_for_all_of_its_transformer() -> None:
    def two_modules(tree: dict[str, list[dict[str, object]]]) -> None:
        other = {**tree["devices"][2], "id": "relays2", "number": 5, "unit": 5}
        tree["devices"].append(other)
        tree["transformers"][0]["stages"][2]["relay"] = {"device": "relays2", "coil": 3}  # type: ignore[index]

    s = Station(two_modules).run(60)
    keep_readings(s)
    s.coils["T1.stage1"] = False  # one of two only: a hand or another master
    s.cycle(2.0)
    assert s.called(1)
    s.coils["T1.stage2"] = False
    s.cycle(2.0)
    assert s.called(1, 2, 3)
    assert s.reason("stage3") == "released: not read since a stall"


def test_an_interlock_of_before_the_stall_blocks_nothing_until_it_is_read() -> None:
    def interlocked(tree: dict[str, list[dict[str, object]]]) -> None:
        stage = tree["transformers"][0]["stages"][0]  # type: ignore[index]
        stage["cabinet"]["interlock"] = {"device": "cabinet", "table": "discrete_input", "address": 31}

    s = Station(interlocked).set(oil=75.0, stage1__interlock=1.0).run(60)
    assert s.called(2)
    stall_for(s, 15.0)
    assert s.called(1, 2, 3)
    del s.frozen_reads["stage1.interlock"]
    s.cycle(2.0)
    assert s.called(2, 3)


def test_cold_oil_of_before_the_stall_holds_no_pump() -> None:
    def pump(tree: dict[str, list[dict[str, object]]]) -> None:
        tree["transformers"][0]["stages"][2] |= {"kind": "pumps", "cold_oil_block_c": 10.0}  # type: ignore[index]

    s = Station(pump, oil=0.0).run(60)
    assert s.reason("stage3") == "cold-oil block"
    stall_for(s, 15.0)
    assert s.called(1, 2, 3)
    s.frozen_reads.clear()
    s.cycle(2.0)
    assert s.reason("stage3") == "cold-oil block"


def test_a_hold_off_by_hand_ends_and_is_refused_until_all_is_read() -> None:
    s = held_off().set(oil=65.0)
    s.run(40)
    assert s.command("hold_off", "T1.stage1", minutes=30.0) == ""
    s.run(4)
    stall_for(s, 15.0)
    assert s.called(1, 2, 3)
    assert s.told("T1.stage1: hold-off by hand ends: not read since a stall")
    assert "has not been read since a stall" in s.command("hold_off", "T1.stage1", minutes=30.0)


def test_it_is_kept_over_a_reload_and_a_lost_input_comes_first() -> None:
    s = held_off()
    stall_for(s, 15.0)
    s.reload(None)
    s.cycle(2.0)
    assert s.reason("stage1") == "released: not read since a stall"
    s.frozen_reads.clear()
    s.set(oil=Bad())
    s.run(6)
    assert s.reason("stage1") == "released: input lost"
