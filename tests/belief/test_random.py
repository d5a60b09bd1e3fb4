"""A small part of the long runs: random faults at 10 s steps, and some weeks of healthy units."""

from __future__ import annotations

import cases
import pytest
import years


@pytest.mark.parametrize("seed", range(1, 21))
def test_no_true_hot_spot_stays_above_its_limit_with_a_stage_held_off(seed: int) -> None:
    case = cases.run(seed, hours=2.0, step_s=10.0)
    assert case.inhibited_s <= cases.STATED_S, case


def test_healthy_units_are_not_doubted() -> None:
    assert years.healthy(range(1, 7), days=8.0, step_s=900.0).told == []
