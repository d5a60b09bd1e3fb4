"""Pre-cooling on an announced load: what it calls and when, that it ends, and that it pays.

The pay is judged by the simulated plant's own hot spot, whose physics are not the controller's.
"""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

import pytest
from station_script import NS, Bad, Station

from collector import engine
from collector.control import calling, precooling
from simulators.plant import PHASES, STEP_S, Plant, Programme


def expect(s: Station, load: float = 0.84, after: float = 30.0, minutes: float = 120.0) -> str:
    return s.command("expect_load", "T1", value=load, after_min=after, minutes=minutes)


def ready(**more: Any) -> Station:
    return Station(**more).run(10)


def test_it_calls_what_the_load_would_make_pick_up_and_says_why() -> None:
    s = ready()
    assert expect(s) == ""
    s.run(20)
    assert s.called(1, 2)  # 80 and 95 degC of stage3 are not to come
    assert s.reason("stage1") == "pre-cooling"
    told = next(e for e in s.events if e.subject == "T1.stage1" and e.data.get("rule") == "pre-cooling")
    assert "to come: hot spot" in told.text
    assert "limit 75" in told.text
    assert told.data["predicted_hot_spot_c"] >= 75.0  # type: ignore[operator]
    assert told.data["predicted_top_oil_c"] < 80.0  # type: ignore[operator]
    assert s.told("a load of 0.84 pu is expected in 30 min; with the cooling now in force it would bring")


def test_control_without_the_look_ahead_nothing_is_called(monkeypatch: pytest.MonkeyPatch) -> None:
    """Control: the prediction is broken on purpose."""
    monkeypatch.setattr(precooling, "highest", lambda cycle, t, x: None)
    s = ready()
    expect(s)
    assert s.run(60).called()
    assert s.told("cannot be predicted")


def test_a_light_load_calls_nothing() -> None:
    s = ready()
    assert expect(s, load=0.5) == ""
    assert s.run(300).called()


def test_it_waits_for_its_lead_time() -> None:
    s = ready()
    expect(s, after=90.0)
    assert s.run(29 * 60, 20.0).called()
    assert s.run(3 * 60, 20.0).called(1, 2)


def test_without_lead_time_it_is_refused() -> None:
    s = ready(edit=lambda tree: tree["transformers"][0].update(pre_cooling_lead_min=0.0))
    assert "pre-cooling is off" in expect(s)
    assert s.run(60).called()


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"value": None, "minutes": 60.0}, "give a load"),
        ({"value": 9.0, "minutes": 60.0}, "give a load"),
        ({"value": float("nan"), "minutes": 60.0}, "give a load"),
        ({"value": 1.2}, "give minutes"),
        ({"value": 1.2, "minutes": 60.0, "after_min": -1.0}, "begin within"),
    ],
)
def test_what_makes_no_sense_is_refused(given: dict[str, float | None], says: str) -> None:
    s = ready()
    assert says in s.command("expect_load", "T1", **given)
    assert "no transformer" in s.command("expect_load", "T9", value=1.2, minutes=60.0)
    assert "no load is expected" in s.command("end_expect_load", "T1")


def test_it_ends_by_itself_and_the_stages_with_it() -> None:
    s = ready()
    expect(s, minutes=120.0)
    s.run(149 * 60, 20.0)
    assert s.called(1, 2)
    assert len(s.switched["T1.stage1"]) == 1  # one start, no hunting while it was expected
    s.run(5 * 60, 20.0)
    assert s.called()
    assert s.told("the time of the expected load is over")


def test_it_can_be_withdrawn_and_the_minimum_run_still_counts() -> None:
    s = ready()
    expect(s)
    s.run(20)
    assert s.command("end_expect_load", "T1") == ""
    s.cycle()
    assert s.called(1, 2)
    assert s.reason("stage1") == "minimum run"
    assert s.run(620, 10.0).called()


def test_it_survives_a_restart_and_a_reload() -> None:
    s = ready()
    expect(s, after=90.0)
    s.restart(60.0, release=False).run(10)
    s.reload(lambda tree: tree["transformers"][0].update(name="Other"))
    assert s.run(27 * 60, 20.0).called()
    assert s.run(4 * 60, 20.0).called(1, 2)
    s.restart(60.0, release=False).run(60)
    assert s.called(1, 2)
    assert s.reason("stage1") == "pre-cooling"


def test_a_checkpoint_from_before_there_was_pre_cooling_is_read() -> None:
    s = ready()
    saved = json.loads(engine.checkpoint(s.state))
    assert "expected" not in saved["transformers"]["T1"]  # defaults are left out, as before
    engine.thaw(s.plan, json.dumps(saved).encode())


def test_a_block_stays_a_block_and_a_lost_input_releases_as_ever() -> None:
    s = ready()
    expect(s)
    s.command("hold_off", "T1.stage1", minutes=10.0)
    s.run(20)
    assert s.reason("stage1") == "held off by hand"
    assert s.called(2)
    s.set(oil=Bad()).run(20)
    assert s.called(1, 2, 3)


def test_without_ambient_it_says_that_it_cannot_look_ahead() -> None:
    s = ready()
    s.set(ambient=Bad()).run(60)
    expect(s)
    s.run(20)
    assert s.called()
    assert s.told("cannot be predicted, for an input is missing")
    s.set(ambient=20.0).run(120)
    assert s.called(1, 2)


def peak(announce: bool) -> float:
    """Highest true hot spot [degC] of the plant through an hour of heavy load after a quiet while."""
    load = Programme(((0.0, 0.4), (5400.0, 0.4), (5460.0, 1.35), (9000.0, 1.35)))
    plant = Plant(load=load, ambient=Programme(((0.0, 28.0),)))
    plant.held_off = [True] * 3
    plant.settle()
    # A warm unit below its first pickup: it is the load that will call the fans.
    s = Station(higher_pickups, oil=plant.top_c, amps=plant.current_a(0) * 1.43, ambient=28.0)
    highest = 0.0
    for cycle in range(int(9000 / 10)):
        for _ in range(int(10 / STEP_S)):
            plant.step()
        s.values["top_oil_c"] = plant.top_c
        for k, phase in enumerate(PHASES):
            s.values[f"{phase}.current_a"] = plant.current_a(k) * 300.0 / plant.parameters.rated_current_a
        s.cycle(10.0)
        if announce and cycle == 3:
            assert s.command("expect_load", "T1", value=1.35, after_min=88.0, minutes=60.0) == ""
        plant.held_off = [bool(s.coils[f"T1.stage{n}"]) for n in (1, 2, 3)]
        highest = max(highest, *(plant.hot_spot_c(k) for k in range(3)))
    return highest


def higher_pickups(tree: Any) -> None:
    """Each stage as by default, but no alarm temperature that would call them all."""
    tree["transformers"][0]["alarms"] = {"hot_spot_high_c": 160.0, "hot_spot_high_high_c": 170.0}


def test_it_pays_in_the_hot_spot_of_the_simulated_plant() -> None:
    without, with_it = peak(announce=False), peak(announce=True)
    print(f"highest true hot spot: {without:.1f} degC without, {with_it:.1f} degC with pre-cooling")
    assert with_it < without - 1.0


def test_control_an_announcement_that_calls_nothing_does_not_pay(monkeypatch: pytest.MonkeyPatch) -> None:
    """Control: stages are never called ahead."""
    monkeypatch.setattr(calling, "cool_ahead", lambda cycle, t, s, k: None)
    assert peak(announce=True) == peak(announce=False)


def test_a_look_ahead_is_made_once_a_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []
    real = precooling.highest

    def counted(cycle: Any, t: Any, x: Any) -> Any:
        made.append(cycle.now)
        return real(cycle, t, x)

    monkeypatch.setattr(precooling, "highest", counted)
    s = ready()
    expect(s)
    s.run(600)
    assert len(made) in (10, 11)
    assert all(b - a == 60 * NS for a, b in pairwise(made))
