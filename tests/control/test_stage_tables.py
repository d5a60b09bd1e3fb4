"""The tables of stages and alarms by themselves, and the small rules beside them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from collector.control import alarms as al
from collector.control import tables
from collector.control.alarms import ALARM_TABLE, AlarmEvent, AlarmState, AlarmStatus
from collector.control.lost_inputs import phase_missing, substitute_load
from collector.control.modes import mode_in_force, proven_stages
from collector.control.outputs import OutputState, Trouble, decided, look
from collector.control.stages import (
    CALL_TABLE,
    HOUR_NS,
    NS,
    ON,
    PROOF_TABLE,
    Call,
    CallEvent,
    Facts,
    Proof,
    StageState,
    Timing,
    call_event,
    may_stop,
    next_call,
    next_proof,
    proof_event,
    rotate,
    spares,
    started,
)
from collector.control.trip import criteria, evidence
from collector.messages import RelayStatus
from collector.points import DECLARED
from collector.quality import GOOD, SUBSTITUTED, Quality, Validity

T = Timing(30 * NS, 600 * NS, 60 * NS, 10 * NS, 5 * NS, 300 * NS, 6, 3)
NOW = 10**15


def test_release_and_block_lead_to_the_same_state_from_everywhere() -> None:
    for (_, event), new in CALL_TABLE.items():
        if event is CallEvent.RELEASE:
            assert new is Call.RELEASED
        if event is CallEvent.BLOCK:
            assert new is Call.BLOCKED
    for state in Call:
        assert (state, CallEvent.RELEASE) in CALL_TABLE
        assert (state, CallEvent.BLOCK) in CALL_TABLE


def test_a_running_stage_is_held_off_only_by_stop_or_block() -> None:
    ways = {event for (state, event), new in CALL_TABLE.items() if state in ON and new not in ON}
    assert ways == {CallEvent.STOP, CallEvent.BLOCK}


def test_no_call_state_is_a_dead_end() -> None:
    for state in Call:
        reached, new = {state}, {state}
        while new:
            new = {b for (a, _), b in CALL_TABLE.items() if a in reached} - reached
            reached |= new
        assert reached == set(Call), state


@pytest.mark.parametrize("call", Call)
@pytest.mark.parametrize("block", [0, 3])
@pytest.mark.parametrize("release", [0, 5])
@pytest.mark.parametrize("above", [False, True])
@pytest.mark.parametrize("support", [0, 9])
@pytest.mark.parametrize("age_s", [0, 31])
@pytest.mark.parametrize("queue_s", [-5, 5])
def test_every_event_that_can_come_has_a_row(
    call: Call, block: int, release: int, above: bool, support: int, age_s: int, queue_s: int
) -> None:
    stage = StageState(call=call, above_ns=NOW - age_s * NS)
    facts = Facts(block, release, bool(release), above, not above, support, NOW + queue_s * NS)
    assert (call, call_event(stage, facts, T, NOW)) in CALL_TABLE


@pytest.mark.parametrize("proof", Proof)
@pytest.mark.parametrize("called", [False, True])
@pytest.mark.parametrize("feedback", [None, False, True])
def test_every_proof_event_that_can_come_has_a_row(proof: Proof, called: bool, feedback: bool | None) -> None:
    waiting = proof in (Proof.STARTING, Proof.UNPROVEN)
    for overdue in {False, waiting} if proof is not Proof.UNPROVEN else {True}:
        assert (proof, proof_event(called, feedback, overdue)) in PROOF_TABLE


def test_only_feedback_proves() -> None:
    for (_, event), new in PROOF_TABLE.items():
        assert (new in (Proof.RUNNING, Proof.BY_HAND)) == (event.name in ("PROVEN", "UNCALLED"))


def test_nothing_but_time_and_all_conditions_lets_a_stage_stop() -> None:
    stage = StageState(call=Call.CALLED, run_until_ns=NOW, trusted_ns=NOW)
    good = Facts(below=True)
    assert may_stop(stage, good, T, NOW)
    assert not may_stop(stage, replace(good, below=False), T, NOW)
    assert not may_stop(stage, replace(good, above=True), T, NOW)
    assert not may_stop(stage, replace(good, support=9), T, NOW)
    assert not may_stop(replace(stage, run_until_ns=NOW + 1), good, T, NOW)
    assert not may_stop(replace(stage, trusted_ns=NOW + 1), good, T, NOW)
    assert not may_stop(replace(stage, starts=(NOW - 1,) * 6), good, T, NOW)
    assert may_stop(replace(stage, starts=(NOW - HOUR_NS,) * 6), good, T, NOW)


def test_a_release_ignores_delay_stagger_and_rest() -> None:
    stage = StageState(call=Call.OFF, off_ns=NOW)
    facts = Facts(release=5, lost=True, queue_ns=NOW + 10**12)
    new = next_call(stage, facts, T, NOW)
    assert new.call is Call.RELEASED
    assert new.start_count == 1
    assert new.releases == (NOW,)


def test_more_than_three_releases_in_an_hour_latch() -> None:
    stage = StageState()
    for n in range(1, 5):
        stage = started(stage, T, NOW + n * 60 * NS, lost=True)
        assert stage.flapped == (n > 3)
    calm = StageState()
    for n in range(1, 10):
        calm = started(calm, T, NOW + n * HOUR_NS, lost=True)
    assert not calm.flapped


def test_a_stage_without_feedback_input_is_never_proven_and_never_late() -> None:
    stage = StageState(call=Call.CALLED)
    for n in range(100):
        stage = next_proof(stage, None, False, T, NOW + n * 60 * NS)
    assert stage.proof is Proof.STARTING


def test_spares() -> None:
    order = range(3)
    free = [True, True, True]
    assert spares([True, False, False], [False] * 3, free, order) == (frozenset(), False)
    assert spares([True, False, False], [True, False, False], free, order) == (frozenset({1}), False)
    assert spares([True, False, False], [True, True, False], free, order) == (frozenset({1, 2}), False)
    assert spares([True, False, False], [True, True, True], free, order) == (frozenset({1, 2}), True)
    assert spares([True, True, True], [True, False, False], free, order) == (frozenset(), True)
    assert spares([True, False, False], [True, False, False], [True, False, True], order) == (
        frozenset({2}),
        False,
    )


def test_rotation_gives_the_first_role_to_the_least_used() -> None:
    assert rotate((0, 2), [50, 0, 20], (0, 1, 2)) == (2, 1, 0)
    assert rotate((0, 2), [20, 0, 20], (0, 1, 2)) == (0, 1, 2)


def test_mode_is_the_strongest_that_is_proven() -> None:
    modes = ((), (0,), (0, 1))
    assert mode_in_force(modes, (False, True)) == (0, True)
    assert mode_in_force(modes, (True, False)) == (1, True)
    assert mode_in_force(modes, (True, True)) == (2, True)
    assert mode_in_force(((0,), (0, 1)), (False, True)) == (0, False)
    assert proven_stages((True, False), (1, None)) == (False, False)
    assert proven_stages((True, True), (1, 0)) == (False, False)  # each needs the other: nonsense, not a loop


# --- alarms -----------------------------------------------------------------------------------


def test_every_declared_alarm_has_its_words_and_the_other_way_round() -> None:
    declared = {(d.level, d.name.removeprefix("alarm_")) for d in DECLARED if d.name.startswith("alarm_")}
    assert {(k.level, k.name) for k in al.KINDS} == declared
    for k in al.KINDS:
        assert min(map(len, (k.what, k.did, k.consequence, k.action))) > 8


def test_an_unacknowledged_alarm_goes_only_where_it_may() -> None:
    ways = {e: b for (a, e), b in ALARM_TABLE.items() if a is AlarmStatus.UNACKNOWLEDGED}
    assert ways == {
        AlarmEvent.CLEAR: AlarmStatus.RETURNED,
        AlarmEvent.ACKNOWLEDGE: AlarmStatus.ACKNOWLEDGED,
        AlarmEvent.SHELVE: AlarmStatus.SHELVED,
        AlarmEvent.SUPPRESS: AlarmStatus.SUPPRESSED,
        AlarmEvent.REMOVE: AlarmStatus.OUT_OF_SERVICE,
    }


@pytest.mark.parametrize("aside", [AlarmStatus.SHELVED, AlarmStatus.SUPPRESSED, AlarmStatus.OUT_OF_SERVICE])
def test_what_was_put_aside_comes_back_unacknowledged_if_its_cause_is_there(aside: AlarmStatus) -> None:
    assert al.resume(AlarmState(aside, active=True)).status is AlarmStatus.UNACKNOWLEDGED
    assert al.resume(AlarmState(aside, active=False)).status is AlarmStatus.NORMAL


def test_delays_deadband_and_latch() -> None:
    def go(a: AlarmState, condition: bool | None, at: int, latch: bool = False) -> AlarmState:
        return al.follow(a, condition, at, 5, 30, latch, False)

    a = go(al.QUIET, True, 0)
    assert not a.active
    assert not go(a, False, 3).active
    a = go(a, True, 5)
    assert (a.active, a.status, a.raised_ns) == (True, AlarmStatus.UNACKNOWLEDGED, 5)
    assert go(a, None, 100).active
    b = go(go(a, False, 10), False, 40)
    assert b.status is AlarmStatus.RETURNED
    latched = go(go(a, False, 10, True), False, 100, True)
    assert latched.active
    freed = go(al.move(latched, AlarmEvent.ACKNOWLEDGE), False, 101, True)
    assert freed.status is AlarmStatus.NORMAL


def test_shelving_ends_by_time() -> None:
    a = AlarmState(AlarmStatus.SHELVED, active=True, until_ns=100)
    assert al.follow(a, True, 99, 0, 0, False, False).status is AlarmStatus.SHELVED
    assert al.follow(a, True, 100, 0, 0, False, False).status is AlarmStatus.UNACKNOWLEDGED


# --- inputs, outputs, trip --------------------------------------------------------------------


def test_phases() -> None:
    assert phase_missing(0.01, [0.5, 0.6], 0.05, 0.3)
    assert not phase_missing(0.01, [0.0, 0.02], 0.05, 0.3)
    assert not phase_missing(0.4, [0.5], 0.05, 0.3)
    assert not phase_missing(None, [0.5], 0.05, 0.3)


def test_an_assumed_load_is_the_highest_and_at_least_rated_under_load() -> None:
    assert substitute_load(0.4, [0.5, 0.6], 0.05) == 1.0
    assert substitute_load(1.3, [0.5], 0.05) == 1.3
    assert substitute_load(0.0, [1.2], 0.05) == 1.2
    assert substitute_load(0.0, [0.0, 0.01], 0.05) == 0.01
    assert substitute_load(None, [], 0.05) == 1.0


def test_an_output_that_follows_late_is_no_trouble_and_one_that_does_not_is() -> None:
    o = decided(OutputState(), True, NOW)
    o, seen = look(o, RelayStatus(False, NOW + NS), NOW + NS, 10 * NS, 15 * NS)
    assert seen.trouble is Trouble.NONE
    assert not seen.released  # it has not followed yet: that is no release
    o, seen = look(o, RelayStatus(False, NOW + 20 * NS), NOW + 20 * NS, 10 * NS, 15 * NS)
    assert seen.trouble is Trouble.MISMATCH
    o, seen = look(o, RelayStatus(True, NOW + 21 * NS), NOW + 21 * NS, 10 * NS, 15 * NS)
    assert seen.trouble is Trouble.NONE
    o, seen = look(o, RelayStatus(False, NOW + 22 * NS), NOW + 22 * NS, 10 * NS, 15 * NS)
    assert seen.released


def test_a_module_whose_settings_are_not_as_declared_is_a_fault() -> None:
    _, seen = look(OutputState(), RelayStatus(True, NOW, verified=False), NOW, 0, 0)
    assert seen.trouble is Trouble.UNVERIFIED


def test_trip_evidence() -> None:
    assert evidence(161.0, GOOD, 160.0)
    assert not evidence(159.0, GOOD, 160.0)
    assert not evidence(None, GOOD, 160.0)
    assert not evidence(161.0, SUBSTITUTED, 160.0)
    assert not evidence(161.0, Quality(test=True), 160.0)
    assert not evidence(161.0, Quality(Validity.QUESTIONABLE), 160.0)
    assert not criteria(True, True, False, [False])
    assert criteria(False, True, True, [])
    assert criteria(True, False, False, [False, True])


# --- drawn into documents ---------------------------------------------------------------------


def test_tables_are_drawn_between_markers(tmp_path: Path) -> None:
    text = "before\n<!-- table: stage call -->\nold\n<!-- end -->\nafter\n"
    new = tables.renewed(text)
    assert "old" not in new
    assert new.startswith("before\n")
    assert new.endswith("after\n")
    assert "| **waiting its turn** |" in new
    assert tables.renewed(new) == new
    with pytest.raises(ValueError, match="no table 'nothing'"):
        tables.renewed("<!-- table: nothing --><!-- end -->")


def test_the_page_on_cooling_is_up_to_date() -> None:
    page = Path(__file__).parents[2] / "docs" / "cooling.md"
    text = page.read_text("utf-8")
    assert tables.renewed(text) == text, f"python -m collector.control.tables {page.name}"
    assert len(tables.drawings()) == text.count("<!-- table: ")
