"""A doubt outlives a restart and new settings, is exact in replay, and an older checkpoint is taken."""

from __future__ import annotations

import json

import pytest
from rig import NS, Rig, tree

from collector import engine
from collector.settings.model import Settings


def in_doubt() -> Rig:
    r = Rig(load=1.0, groups=2, step_s=60.0).run(1.0)
    r.faults["top_oil_c"] = lambda v: v - 9.9
    assert r.until(lambda r: r.standing("oil_doubtful"), 4.0) is not None
    return r


def test_a_thawed_state_goes_on_bit_by_bit() -> None:
    r = in_doubt()
    thawed = engine.thaw(r.engine_plan, engine.checkpoint(r.state))
    assert engine.checkpoint(thawed) == engine.checkpoint(r.state)
    real = engine.step
    other = [thawed]

    def both(state: engine.State, plan: engine.Plan, given: object) -> object:
        other[0], second = real(other[0], plan, given)  # type: ignore[arg-type]
        new, first = real(state, plan, given)  # type: ignore[arg-type]
        assert first == second
        return new, first

    engine.step = both  # type: ignore[assignment]
    try:
        r.run(1.0)
    finally:
        engine.step = real
    assert engine.checkpoint(other[0]) == engine.checkpoint(r.state)


@pytest.mark.parametrize(("gap_s", "same_boot"), [(60.0, True), (4 * 3600.0, False)])
def test_a_doubt_outlives_a_restart(gap_s: float, same_boot: bool) -> None:
    r = in_doubt()
    saved = engine.checkpoint(r.state)
    r.now += round(gap_s * NS)
    r.state = engine.restore(r.engine_plan, saved, engine.Gap(same_boot, gap_s, r.now))
    r.run(0.2)
    assert r.standing("oil_doubtful")


def test_a_doubt_outlives_new_settings() -> None:
    r = in_doubt()
    shape = tree()
    shape["transformers"][0]["alarms"] = {"hot_spot_high_c": 112.0}
    plan = engine.build(Settings.model_validate_json(json.dumps(shape)), "rig")
    r.state = engine.migrate(r.state, r.engine_plan, plan)
    r.engine_plan = plan
    r.run(0.1)
    assert r.standing("oil_doubtful")


def test_a_checkpoint_from_before_there_were_doubts_is_taken() -> None:
    r = in_doubt()
    told = json.loads(engine.checkpoint(r.state))
    del told["explained_ns"], told["transformers"]["T1"]["explained"]
    r.now += 60 * NS
    r.state = engine.restore(r.engine_plan, json.dumps(told).encode(), engine.Gap(True, 60.0, r.now))
    r.run(0.1)
    assert r.value("explained_low_c") is not None
