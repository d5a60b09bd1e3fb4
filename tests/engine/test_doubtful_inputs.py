"""What makes a hot spot doubtful without being lost: an unknown tap position, a hole between two steps."""

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
