"""Whatever the inputs are, every figure stays a number within physical bounds and is saved."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from station_script import Bad, Station

from collector import engine
from collector.control.alarms import AlarmStatus
from collector.quality import Detail
from collector.thermal import kernel, track


def all_numbers(tree: Any) -> bool:
    if isinstance(tree, dict):
        return all(all_numbers(x) for x in tree.values())
    if isinstance(tree, list):
        return all(all_numbers(x) for x in tree)
    return not isinstance(tree, float) or math.isfinite(tree)


def ieee(tree: dict[str, Any]) -> None:
    tree["transformers"][0] |= {"guide": "ieee_c57_91", "paper": "thermally_upgraded"}


def after_a_gap(amps: float, lost: bool, edit: Any = None) -> Station:
    """An hour's gap at a current beyond any sense, as far as the model takes one."""
    s = Station(edit).run(60)
    s.set(amps=amps)
    if lost:
        s.set(oil=Bad(Detail.OUT_OF_RANGE))
    s.cycle(3600.0)
    s.cycle(3600.0)
    return s.run(20)


@pytest.mark.parametrize("edit", [None, ieee], ids=["iec", "ieee"])
@pytest.mark.parametrize("lost", [False, True], ids=["oil measured", "oil estimated"])
@pytest.mark.parametrize("amps", [1200.0, 8999.0], ids=["4 x rated", "30 x rated"])
def test_a_gap_beyond_any_sense_ends_no_checkpoint(amps: float, lost: bool, edit: Any) -> None:
    s = after_a_gap(amps, lost, edit)
    assert all_numbers(json.loads(engine.checkpoint(s.state)))
    for point, value in s.outcome.values.items() if s.outcome else ():
        if isinstance(value.value, float):
            assert math.isfinite(value.value), point
    life = [s.value(f"HV_A.loss_of_life_{x}h") for x in ("low_", "", "high_")]
    assert 0 < life[0] <= life[1] <= life[2] < 3e9  # two hours at the fastest ageing there is
    assert s.called(1, 2, 3)
    s.restart(20.0).run(20)
    assert s.value("HV_A.loss_of_life_h") >= life[1]


def test_a_hot_spot_at_the_bound_says_so_and_is_an_alarm() -> None:
    s = after_a_gap(8999.0, lost=True)
    assert s.value("hot_spot_c") == 400.0
    assert Detail.OUT_OF_RANGE in s.quality("HV_A.hot_spot_c").detail
    assert not s.quality("HV_A.hot_spot_c").is_good
    assert s.alarm("hot_spot_high_high") == AlarmStatus.UNACKNOWLEDGED.word


def test_control_without_the_bound_the_checkpoint_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kernel, "_FASTEST", math.inf)
    monkeypatch.setattr(track, "_integrate", track.integrate)
    with np.errstate(over="ignore"):
        s = after_a_gap(8999.0, lost=True)
    assert not np.isfinite(s.state.thermal.life_h).all()  # type: ignore[union-attr]


def spoil_one_winding(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on the integration gives no number for the second of three windings."""
    integrate = track.integrate

    def spoilt(*given: Any) -> Any:
        path = integrate(*given)
        z, life, hot = np.array(path.z), np.array(path.life_s), np.array(path.hot_spot_c)
        z[:, 1], life[:, :, 1], hot[:, 1] = math.nan, math.inf, math.nan
        return replace(path, z=z, life_s=life, hot_spot_c=hot)

    monkeypatch.setattr(track, "integrate", spoilt)


def test_one_windings_figure_spoils_no_other_and_no_checkpoint(monkeypatch: pytest.MonkeyPatch) -> None:
    s, twin = Station(oil=70.0).run(60), Station(oil=70.0).run(60)
    before = s.value("HV_B.loss_of_life_h")
    twin.run(600)
    spoil_one_winding(monkeypatch)
    s.run(600)
    assert all_numbers(json.loads(engine.checkpoint(s.state)))
    assert s.value("HV_B.loss_of_life_h") == before
    assert Detail.OUT_OF_RANGE in s.quality("HV_B.hot_spot_c").detail
    assert s.called(1, 2, 3)
    for point in ("HV_A.loss_of_life_h", "HV_C.loss_of_life_h", "HV_C.gradient_k"):
        assert s.value(point) == twin.value(point), point


def test_a_state_that_is_no_number_is_saved_and_restored_as_far_as_it_is_one() -> None:
    """As one saved by an older version may be: the others' figures come back bit by bit."""
    s = Station(oil=70.0).run(600)
    thermal = s.state.thermal
    assert thermal is not None
    life, z = np.array(thermal.life_h), np.array(thermal.z)
    life[2, 1] = math.inf
    z[0] = math.nan
    published = s.value("HV_B.loss_of_life_high_h")
    s.state = replace(s.state, thermal=replace(thermal, life_h=life, z=z))
    told = json.loads(engine.checkpoint(s.state))
    assert told["thermal"]["life_h"][2][1] is None
    s.restart(20.0).run(30)
    assert s.value("HV_B.loss_of_life_high_h") >= published
    assert s.value("HV_A.hot_spot_c") > 70.0
    back = s.state.thermal
    assert back is not None
    assert back.published_h[1, 2] >= thermal.published_h[1, 2]
    assert all_numbers(json.loads(engine.checkpoint(s.state)))
