"""The plant's physics: heat balance, effect of fans, differing phases, day and night, determinism."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from simulators.plant import STEP_S, Parameters, Plant, Programme, sensor_noise

STEADY = Parameters(load_fluctuation=0.0)


def plant(load: float, ambient: float | None = 25.0, **more: object) -> Plant:
    made = Plant(parameters=STEADY, load=Programme(((0.0, load),)), **more)  # type: ignore[arg-type]
    made.ambient = None if ambient is None else Programme(((0.0, ambient),))
    return made


def advance(made: Plant, minutes: float) -> None:
    for _ in range(round(minutes * 60.0 / STEP_S)):
        made.step()


@pytest.mark.parametrize(("load", "running"), [(0.3, 0), (0.6, 0), (0.8, 2), (1.0, 3), (1.3, 3)])
def test_heat_in_equals_heat_out_in_steady_state(load: float, running: int) -> None:
    made = plant(load)
    made.settle(running)
    assert made.loss_kw == pytest.approx(made.air_kw, rel=1e-3)
    assert made.ambient_c() < made.bottom_c < made.top_c
    assert all(made.hot_spot_c(i) > made.top_c for i in range(3))


def test_energy_is_conserved_while_it_changes() -> None:
    """Losses less heat to the air, summed over the steps, is what the nodes have stored."""
    made = plant(1.2)
    made.held_off = [True] * 3
    p = made.parameters

    def stored_kj() -> float:
        return (
            p.top_heat_kj_k * made.top_c
            + p.bottom_heat_kj_k * made.bottom_c
            + p.radiator_heat_kj_k * made.radiator_c
            + p.duct_heat_kj_k * sum(made.duct_c)
            + p.winding_heat_kj_k * sum(made.winding_c)
        )

    before, balance = stored_kj(), 0.0
    for _ in range(20_000):
        made.step()
        balance += STEP_S * (made.loss_kw - made.air_kw)
    assert made.top_c > 40.0
    assert stored_kj() - before == pytest.approx(balance, rel=1e-9)


def test_each_fan_stage_lowers_the_oil_and_the_next_one_less() -> None:
    tops = []
    for running in range(4):
        made = plant(1.0)
        made.settle(running)
        tops.append(made.top_c)
    gains = [warm - cool for warm, cool in pairwise(tops)]
    assert gains[0] > gains[1] > gains[2] > 2.0


def test_phases_differ() -> None:
    made = plant(1.0)
    made.settle(3)
    a, b, c = (made.hot_spot_c(i) for i in range(3))
    assert b - a > 1.0
    assert a - c > 1.0


def test_hot_spot_rises_before_the_oil_and_overshoots() -> None:
    """A load step on a warm unit: the rise over top oil peaks and comes back as the flow grows."""
    made = plant(0.5)
    made.settle(0)
    made.held_off = [True] * 3
    made.load = Programme(((0.0, 1.0),))
    over = []
    for _ in range(24):
        advance(made, 10.0)
        over.append(made.hot_spot_c(0) - made.top_c)
    assert max(over[:6]) > over[-1] + 1.0


def test_day_and_night() -> None:
    made = plant(0.5, ambient=None, start_hour=15.0)
    warmest = made.ambient_c()
    advance(made, 12 * 60.0)
    assert warmest - made.ambient_c() == pytest.approx(2.0 * STEADY.ambient_swing_k, abs=0.01)


def test_de_energised_relaxes_to_ambient() -> None:
    made = plant(0.8)
    made.settle(0)
    made.energised = False
    made.settle(3)
    assert made.top_c == pytest.approx(25.0, abs=0.5)
    assert made.current_a(0) == 0.0


def test_fouled_radiators_and_losses_by_temperature() -> None:
    clean, fouled = plant(0.9), plant(0.9)
    fouled.radiator_condition = 0.6
    clean.settle(3)
    fouled.settle(3)
    assert fouled.top_c > clean.top_c + 10.0
    assert fouled.loss_kw > clean.loss_kw  # hotter copper


def test_contactor_takes_time_and_fans_draw_inrush() -> None:
    made = plant(0.6)
    made.step()
    assert made.stages[0].running
    inrush = made.stages[0].current_a
    assert not made.stages[1].running  # its on-delay timer
    advance(made, 0.5)
    assert all(stage.running for stage in made.stages)
    assert inrush > 3.0 * made.stages[0].current_a
    made.held_off = [True, True, True]
    made.step()
    assert not any(stage.running for stage in made.stages)
    assert made.stages[0].speed > 0.5  # the blades are still turning


@pytest.mark.parametrize(
    ("name", "value", "running"),
    [
        ("selector", "off", False),
        ("selector", "manual", True),
        ("breaker_closed", False, False),
        ("contactor_works", False, False),
        ("motor_works", False, False),
    ],
)
def test_cabinet(name: str, value: object, running: bool) -> None:
    made = plant(0.6)
    made.held_off = [value == "manual", True, True]
    setattr(made.stages[0], name, value)
    advance(made, 1.0)
    assert made.stages[0].running is running


def test_same_seed_same_bits() -> None:
    def run(seed: int) -> dict[str, float]:
        made = Plant(seed=seed)
        made.settle()
        advance(made, 30.0)
        made.held_off = [True, False, True]
        advance(made, 30.0)
        return made.truth()

    assert run(7) == run(7)
    assert run(7) != run(8)
    assert sensor_noise(7, "top_oil_c", 100, 0.1) == sensor_noise(7, "top_oil_c", 100, 0.1)
    assert sensor_noise(7, "top_oil_c", 100, 0.1) != sensor_noise(7, "top_oil_c", 101, 0.1)


def test_step_is_small_enough() -> None:
    """Half the thermal step changes the result by less than 0.02 K over two hours of a load step."""
    made, fine = plant(0.4), plant(0.4)
    for each in (made, fine):
        each.settle(0)
        each.load = Programme(((0.0, 1.2),))
    for _ in range(round(7200 / STEP_S)):
        made._heat(STEP_S)
        fine._heat(STEP_S / 2)
        fine._heat(STEP_S / 2)
    assert made.hot_spot_c(1) == pytest.approx(fine.hot_spot_c(1), abs=0.02)


def test_programme_is_linear_with_steps() -> None:
    programme = Programme(((0.0, 1.0), (10.0, 2.0), (10.0, 5.0)))
    assert [programme.at(t) for t in (-1.0, 0.0, 5.0, 10.0, 20.0)] == [1.0, 1.0, 1.5, 5.0, 5.0]
    assert replace(programme) == programme
