"""The module's own timeout proven in service: it lets go, it is dead, it is disturbed."""

from __future__ import annotations

from typing import Any

import pytest
from station_script import NS, Bad, Station

from collector import engine
from collector.control import proof
from collector.points import CALL_REASONS

MODULE = "relays"
HOUR = 3600.0


def monthly(tree: dict[str, Any]) -> None:
    """Feedbacks over the module itself, as with one device in a cabinet; the oil may stand still for days."""
    tree["transformers"][0]["lost_inputs"] = {"frozen_expected_k": 100.0}
    for stage in tree["transformers"][0]["stages"]:
        stage["feedback"] = stage["feedback"] | {"device": MODULE}


def one_stage(tree: dict[str, Any]) -> None:
    t = tree["transformers"][0]
    t["stages"] = t["stages"][:1]
    t["modes"][1]["needs"] = ["stage1"]


def at_six_hours(edit: Any = None, **more: Any) -> Station:
    """Commissioned, idle and cool for nearly six hours: the first proof is about to come."""
    s = Station(edit, **more).run(40)
    return s.run(6 * HOUR - 60, 300.0)


def left_alone(s: Station) -> bool:
    assert s.outcome is not None
    return MODULE in s.outcome.decision.leave_alone


def until_left_alone(s: Station, within_s: float, step_s: float = 2.0) -> float:
    begun = s.now
    while not left_alone(s):
        assert s.now - begun <= within_s * NS, "the module is not left alone"
        s.cycle(step_s)
    return (s.now - begun) / NS


def told(s: Station) -> list[str]:
    return [str(e.data["proof"]) for e in s.events if "proof" in e.data]


def until_told(s: Station, what: str, within_s: float) -> None:
    """Long steps while nothing goes on, short ones while the module is left alone: they are no stall."""
    end = s.now + round(within_s * NS)
    while told(s)[-1:] != [what]:
        assert s.now < end, f"not {what}, but {told(s)}"
        s.cycle(60.0 if told(s)[-1:] != ["begun"] else 2.0)


def days(s: Station) -> float | None:
    assert s.outcome is not None
    return s.outcome.values[f"device.{MODULE}.release_proven_days"].value  # type: ignore[return-value]


def nothing_is_wrong(s: Station) -> None:
    """No alarm, nothing counted for flapping, no input lost."""
    raised = [e.subject for e in s.events if e.kind == "alarm" and e.data.get("active")]
    assert not raised
    assert not any(stage.releases for stage in s.state.stages)
    assert not any(e.kind == "quality" and "is lost" in e.text for e in s.events)


# --- in a cool hour ---------------------------------------------------------------------------------


@pytest.mark.parametrize("edit", [monthly, None], ids=["feedback over the module", "over another device"])
def test_the_first_proof_comes_in_a_cool_hour_of_the_first_day(edit: Any) -> None:
    s = at_six_hours(edit)
    assert days(s) is None
    until_left_alone(s, 400.0)
    assert s.called()
    begun = s.now
    while left_alone(s):
        assert not s.coils["T1.stage1"] or s.now - begun < 12 * NS
        s.cycle()
    assert s.now - begun <= 24 * NS  # timeout 10 s, margin 11 s
    s.run(10)
    assert told(s) == ["begun", "proven"]
    assert s.called(1, 2, 3)  # as after any release
    assert s.value("stage1.starts") == 1
    assert s.value("stage1.running") is True
    took = next(e for e in s.events if e.data.get("proof") == "proven").data["took_s"]
    assert 10.0 <= took <= 24.0  # type: ignore[operator]
    assert days(s) == pytest.approx(0.0, abs=0.001)
    s.run(700, 10.0)
    assert s.called()
    nothing_is_wrong(s)


def test_the_decision_names_nothing_that_must_be_read_first() -> None:
    """Between the silence and the read nothing is written, else a dead timeout would read released."""
    s = at_six_hours(monthly)
    until_left_alone(s, 400.0)
    while left_alone(s):
        s.cycle()
    assert s.outcome is not None
    assert not s.outcome.decision.energise.keys() & {"T1.stage1", "T1.stage2", "T1.stage3"}


def test_a_dead_timeout_is_a_high_alarm_and_holds_nothing_off_until_confirmed() -> None:
    s = at_six_hours(monthly)
    s.no_timeout.add(MODULE)
    until_left_alone(s, 400.0)
    s.run(40)
    assert told(s) == ["begun", "failed"]
    assert s.called(1, 2, 3)
    assert s.reason("stage1") == "released: its module failed the proof"
    assert s.alarm(f"device.{MODULE}.timeout_failed") == "unacknowledged"
    assert not any(stage.releases for stage in s.state.stages)
    s.run(2 * HOUR, 60.0)
    s.command("acknowledge", f"device.{MODULE}.alarm_timeout_failed")
    s.restart(30.0).run(60).reload(monthly).run(60)
    assert s.called(1, 2, 3)
    assert s.alarm(f"device.{MODULE}.timeout_failed") == "acknowledged"
    assert "no relay module" in s.command("confirm_module", "cabinet")
    assert s.command("confirm_module", MODULE) == ""
    s.no_timeout.clear()
    s.run(700, 10.0)
    assert s.called()
    assert "has not failed" in s.command("confirm_module", MODULE)
    s.run(5 * HOUR, 300.0)
    until_told(s, "proven", HOUR)  # as a module that was just commissioned


def test_control_what_is_written_before_it_is_read_hides_a_dead_timeout(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(proof, "undecided", lambda cycle, output: False)
    monkeypatch.setattr(engine.relays.proof, "undecided", lambda cycle, output: False)
    s = at_six_hours(monthly)
    s.no_timeout.add(MODULE)
    until_left_alone(s, 400.0)
    while left_alone(s):
        s.cycle()
    assert s.outcome is not None
    assert s.outcome.decision.energise.keys() >= {"T1.stage1"}


def test_it_comes_again_after_the_interval_and_not_before() -> None:
    s = at_six_hours(monthly, ambient=16.0)
    until_left_alone(s, 400.0)
    s.run(700, 10.0)
    s.run(29.9 * 24 * HOUR, 1800.0)
    assert told(s) == ["begun", "proven"]
    assert days(s) == pytest.approx(29.9, abs=0.05)
    until_left_alone(s, 3 * HOUR, 60.0)
    nothing_is_wrong(s)


def test_not_while_it_is_warm_but_within_the_day_though() -> None:
    """Oil 3 K below the first pickup all day: after 18 h it is enough that nothing is called."""
    s = at_six_hours(monthly, oil=57.0)
    s.run(11 * HOUR, 300.0)
    assert not told(s)
    until_told(s, "proven", 2 * HOUR)
    assert told(s) == ["begun", "proven"]


@pytest.mark.parametrize("disturbed", ["output fault", "lost input", "called stage"])
def test_not_while_anything_is_wrong(disturbed: str) -> None:
    s = at_six_hours(monthly)
    if disturbed == "output fault":
        s.stuck["T1.stage1"] = False
    elif disturbed == "lost input":
        s.set(oil=Bad())
    else:
        s.set(oil=62.0)
    s.run(20).run(20 * HOUR, 300.0)
    assert not told(s)


# --- while the stages are wanted anyway ---------------------------------------------------------------


def test_a_start_that_comes_anyway_is_left_to_the_timeout() -> None:
    s = at_six_hours(one_stage, oil=57.0).run(120)
    assert not told(s)
    s.set(oil=62.0).run(28)
    assert s.called()
    until_left_alone(s, 10.0)
    begun = s.now
    while s.coils["T1.stage1"]:
        s.cycle()
    assert s.now - begun <= 30 * NS
    s.run(20)
    assert told(s) == ["begun", "proven"]
    assert s.value("stage1.starts") == 1
    s.run(1200, 20.0)
    assert s.called(1)  # its own criterion is above dropout
    nothing_is_wrong(s)


def test_no_start_is_left_to_it_at_alarm_temperature() -> None:
    s = at_six_hours(one_stage, oil=57.0).run(120)
    s.set(oil=96.0).cycle()
    assert s.called(1)
    assert not told(s)


def test_no_start_is_left_to_it_beside_a_stage_that_is_not_wanted() -> None:
    s = at_six_hours(oil=57.0).run(120)
    s.set(oil=62.0).run(120)
    assert s.called(1)
    assert not told(s)


# --- disturbed ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("after_s", [4.0, 14.0], ids=["before the module let go", "after it"])
@pytest.mark.parametrize("what", ["alarm temperature", "lost input", "force_on"])
def test_whatever_wants_cooling_ends_it_at_once(after_s: float, what: str) -> None:
    s = at_six_hours(monthly)
    until_left_alone(s, 400.0)
    s.run(after_s)
    if what == "alarm temperature":
        s.set(oil=97.0).cycle()
    elif what == "lost input":
        s.set(oil=Bad()).run(4)
    else:
        assert s.command("force_on", "T1.stage2") == ""
    assert not left_alone(s)
    assert s.coils["T1.stage2"] is False
    s.run(10)
    assert s.called(1, 2, 3)
    assert told(s) == ["begun", "broken off"]
    assert all(len(stage.releases) <= (what == "lost input") for stage in s.state.stages)
    assert days(s) is None
    s.set(oil=40.0).command("automatic", "T1.stage2")
    until_told(s, "proven", 2 * HOUR)  # tried again
    assert told(s) == ["begun", "broken off", "begun", "proven"]


def test_a_module_that_never_answers_again_is_a_lost_module() -> None:
    s = at_six_hours(monthly)
    until_left_alone(s, 400.0)
    s.run(12)
    s.link_down = set(s.ids)
    s.down[MODULE] = "no answer"
    s.run(120)
    assert told(s) == ["begun", "no answer"]
    assert s.called(1, 2, 3)
    assert s.alarm(f"device.{MODULE}.link_lost") == "unacknowledged"


@pytest.mark.parametrize("how", ["restart", "reload"])
def test_over_a_restart_or_reload_it_told_nothing_and_is_tried_again(how: str) -> None:
    s = at_six_hours(monthly)
    until_left_alone(s, 400.0)
    s.run(6)
    if how == "restart":
        s.alone.clear()
        s.restart(20.0)
    else:
        s.reload(monthly)
    s.run(30)
    assert not left_alone(s)
    assert "proven" not in told(s)
    until_told(s, "proven", 3 * HOUR)


def test_when_it_was_proven_is_known_after_a_restart_and_another_boot() -> None:
    s = at_six_hours(monthly)
    until_left_alone(s, 400.0)
    s.run(700, 10.0)
    s.run(12 * 24 * HOUR, 3600.0)
    before = days(s)
    s.now -= 9 * 10**14  # another boot: the clock begins anew
    saved = engine.checkpoint(s.state)
    s.state = engine.restore(s.plan, saved, engine.Gap(False, 600.0, s.now))
    s.run(20)
    assert before is not None
    assert days(s) == pytest.approx(before + 600 / 86400, abs=0.001)


# --- several ------------------------------------------------------------------------------------------


def two_modules(tree: dict[str, Any]) -> None:
    tree["devices"].append(tree["devices"][2] | {"id": "relays2", "number": 5, "unit": 5})
    tree["transformers"][0]["stages"][2]["relay"] = {"device": "relays2", "coil": 3}


def test_one_module_after_the_other() -> None:
    s = at_six_hours(two_modules)
    together = 0
    for _ in range(4 * 1800):
        s.cycle()
        assert s.outcome is not None
        together = max(together, len(s.outcome.decision.leave_alone))
    assert together == 1
    assert [e.subject for e in s.events if e.data.get("proof") == "proven"] == [
        "device.relays",
        "device.relays2",
    ]


def with_a_temperature(tree: dict[str, Any]) -> None:
    """The oil is read through the module, which releases only after a minute: longer than stale_after_s."""
    tree["devices"][2]["relay_module"]["timeout_s"] = 60.0
    tree["transformers"][0]["top_oil"]["device"] = MODULE


def test_not_where_a_measurement_would_be_lost_meanwhile() -> None:
    s = at_six_hours(with_a_temperature).run(24 * HOUR, 300.0)
    assert not told(s)


def test_a_module_released_by_a_watchdog_relay_has_no_such_point() -> None:
    def watchdog(tree: dict[str, Any]) -> None:
        tree["devices"][2]["relay_module"]["released_by"] = "watchdog_relay"

    s = at_six_hours(watchdog).run(24 * HOUR, 300.0)
    assert not told(s)
    assert s.outcome is not None
    assert f"device.{MODULE}.release_proven_days" not in s.outcome.values


def test_both_new_reasons_are_at_the_end_of_the_list() -> None:
    assert CALL_REASONS[-2:] == (
        "released: its module has let go in a proof",
        "released: its module failed the proof",
    )
