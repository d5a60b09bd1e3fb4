"""Parts of the daemon that need no process: restart gap, clock steps, durable loss of life, refusals."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import pytest
from pydantic import BaseModel

from collector import daemon
from collector.messages import Decision, Outcome, Value
from collector.quality import GOOD
from collector.settings import example, load
from collector.settings.model import Settings

Model = TypeVar("Model", bound=BaseModel)
NOW = daemon.CLOCK_FLOOR_NS + 10**18
S = 10**9


def outcome(hours: float, mono_ns: int) -> Outcome:
    values = {"T1.HV_A.loss_of_life_h": Value(hours, GOOD), "T1.HV_A.hot_spot_c": Value(80.0, GOOD)}
    return Outcome(Decision(1, mono_ns, {}), values)


@pytest.fixture
def settings() -> Settings:
    found = load(example("demo.yaml")).settings
    assert found is not None
    return found


def test_gap_of_the_same_boot_is_monotonic_whatever_the_wall_clock_says() -> None:
    gap = daemon.restart_gap("boot", 500 * S, 0, ("boot", 440 * S, NOW))
    assert (gap.same_boot, gap.gap_s) == (True, 60.0)


def test_gap_of_another_boot_comes_from_a_plausible_wall_clock() -> None:
    gap = daemon.restart_gap("new", 5 * S, NOW + 3600 * S, ("old", 440 * S, NOW))
    assert (gap.same_boot, gap.gap_s) == (False, 3600.0)


@pytest.mark.parametrize(
    ("now", "then"),
    [
        pytest.param(0, NOW, id="clock starts in 1970"),
        pytest.param(NOW, 0, id="checkpoint from an unset clock"),
        pytest.param(NOW - 10 * S, NOW, id="clock went back"),
        pytest.param(NOW + (500 * 86400) * S, NOW, id="longer than any outage"),
    ],
)
def test_gap_of_another_boot_is_unknown_when_the_wall_clock_is_not_plausible(now: int, then: int) -> None:
    assert daemon.restart_gap("new", 5 * S, now, ("old", 440 * S, then)).gap_s is None


def test_a_jump_ahead_of_a_clock_that_was_right_may_be_a_stall_and_nothing_else_is() -> None:
    clock = daemon.WallClock()
    clock.observe(0, 0)  # starts in 1970: where it stood before says nothing
    clock.observe(2 * S, NOW)
    assert (clock.stepped_s > 0, clock.jumped_s) == (True, 0.0)
    clock.observe(4 * S, NOW + 3602 * S)
    assert clock.jumped_s == 3600.0
    clock.observe(6 * S, NOW + 2 * S)
    assert (clock.stepped_s, clock.jumped_s) == (-3602.0, 0.0)


def test_wall_clock_steps_are_seen_against_monotonic_time() -> None:
    clock = daemon.WallClock()
    clock.observe(0, NOW)
    assert clock.stepped_s == 0.0
    clock.observe(2 * S, NOW + 2 * S)
    assert clock.stepped_s == 0.0
    clock.observe(4 * S, NOW - 3596 * S)
    assert clock.stepped_s == pytest.approx(-3600.0)
    clock.observe(6 * S, NOW - 3594 * S)
    assert clock.stepped_s == 0.0
    assert clock.trusted
    clock.observe(8 * S, 0)
    assert not clock.trusted


def test_loss_of_life_is_published_only_as_far_as_it_is_durable() -> None:
    loss = daemon.DurableLoss()
    loss.checkpointed(10, outcome(1.0, 10))
    loss.checkpointed(20, outcome(2.0, 20))
    held_back = loss.cap(outcome(2.5, 25), None, True)
    assert "T1.HV_A.loss_of_life_h" not in held_back.values
    assert held_back.values["T1.HV_A.hot_spot_c"].value == 80.0
    assert loss.cap(outcome(2.5, 25), 10, True).values["T1.HV_A.loss_of_life_h"].value == 1.0
    assert loss.cap(outcome(2.6, 26), 19, True).values["T1.HV_A.loss_of_life_h"].value == 1.0
    assert loss.cap(outcome(2.7, 27), 20, True).values["T1.HV_A.loss_of_life_h"].value == 2.0
    # A disk that does not work: nothing would ever be durable, so the live value goes out.
    assert loss.cap(outcome(2.8, 28), 20, False).values["T1.HV_A.loss_of_life_h"].value == 2.8


def test_scaled_time_is_refused_unless_everything_is_on_loopback(settings: Settings) -> None:
    daemon.refuse_rate(settings, 60.0)
    link = replace_model(settings.links[0], host="192.0.2.7")
    outside = replace_model(settings, links=(link, *settings.links[1:]))
    with pytest.raises(daemon.StartRefused, match="link oil_tx is not on the loopback"):
        daemon.refuse_rate(outside, 60.0)
    daemon.refuse_rate(outside, 1.0)
    link = replace_model(settings.links[0], standby_host="192.0.2.8")
    with pytest.raises(daemon.StartRefused, match="standby of link oil_tx is not on the loopback"):
        daemon.refuse_rate(replace_model(settings, links=(link, *settings.links[1:])), 60.0)
    assert settings.mqtt is not None
    broker = replace_model(settings, mqtt=replace_model(settings.mqtt, host="broker.example"))
    with pytest.raises(daemon.StartRefused, match="mqtt"):
        daemon.refuse_rate(broker, 2.0)


def replace_model(model: Model, **changes: object) -> Model:
    return model.model_copy(update=changes)


def test_second_instance_of_a_station_is_refused_and_the_name_is_free_after_the_first() -> None:
    first = daemon.instance_lock("TEST_STATION_LOCK")
    with pytest.raises(daemon.StartRefused, match="another windingd already runs"):
        daemon.instance_lock("TEST_STATION_LOCK")
    daemon.instance_lock("ANOTHER_STATION_LOCK").close()
    first.close()
    daemon.instance_lock("TEST_STATION_LOCK").close()


def test_an_outcome_without_loss_of_life_passes_through() -> None:
    bare = replace(outcome(1.0, 1), values={"T1.hot_spot_c": Value(80.0, GOOD)})
    assert daemon.DurableLoss().cap(bare, None, True).values == bare.values
