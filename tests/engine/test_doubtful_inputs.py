"""What makes a figure doubtful without being lost: an unknown tap position, a hole between two steps, time
that nobody watched."""

from __future__ import annotations

from typing import Any

import pytest
from station_script import Bad, Station

QUESTIONABLE = "questionable"


def with_taps(tree: Any) -> None:
    tree["transformers"][0]["tap_changer"] = {
        "position": {"device": "oil_tx", "table": "input_register", "address": 5, "type": "int16"},
        "principal": 9,
        "step_percent": 1.25,
        "windings": ["HV_A"],
    }


def settled(edit: Any, **values: float) -> Station:
    return Station(edit, oil=60.0).set(**values).run(6 * 3600, 60.0)


@pytest.mark.parametrize("position", [5.0, 13.0])
def test_a_lost_tap_position_stays_where_it_was_and_is_said(position: float) -> None:
    """Falling back on the principal tapping would lower the hot spot of a tap above it."""
    s = settled(with_taps, tap_position=position)
    assert s.value("HV_A.load_pu") == pytest.approx(100 / (200 / (1 + (position - 9) * 0.0125)))
    assert s.quality("HV_A.hot_spot_c").is_good
    before = s.value("HV_A.hot_spot_c")
    s.set(tap_position=Bad()).run(3600, 60.0)
    assert s.value("HV_A.hot_spot_c") == pytest.approx(before, abs=1e-6)
    assert s.quality("HV_A.hot_spot_c").validity.name.lower() == QUESTIONABLE
    assert s.quality("HV_B.hot_spot_c").is_good  # its rated current does not go with the tap
    s.set(tap_position=position).run(600, 60.0)
    assert s.quality("HV_A.hot_spot_c").is_good


def test_a_hole_between_steps_longer_than_gap_s_is_said() -> None:
    s = settled(None)
    s.cycle(1200.0)
    assert s.quality("HV_A.hot_spot_c").is_good  # as long as a line may be
    s.cycle(1201.0)
    assert s.quality("HV_A.hot_spot_c").validity.name.lower() == QUESTIONABLE
    s.cycle(2.0)
    assert s.quality("HV_A.hot_spot_c").is_good


def test_unmonitored_hours_come_with_a_conservative_figure_beside_loss_of_life() -> None:
    """Ageing at rated load, 40 degC ambient and the strongest cooling: 40 + 48 + 1.3 x 15 K = 107.5 degC."""
    s = settled(None)
    assert s.value("HV_A.unmonitored_life_h") == 0.0
    life = s.value("HV_A.loss_of_life_h")
    s.restart(10 * 3600.0, same_boot=False).run(4.0)
    assert s.value("unmonitored_h") == pytest.approx(10.0, abs=0.01)
    assert s.value("HV_A.unmonitored_life_h") == pytest.approx(10.0 * 2 ** ((107.5 - 98) / 6), rel=1e-3)
    assert s.value("HV_A.loss_of_life_h") == pytest.approx(life, abs=0.01)
