"""A restart must not stop motors: what is found released runs on as after any release."""

from __future__ import annotations

import pytest

from collector import engine
from collector.messages import Inputs, RelayStatus
from collector.quality import GOOD, Reading
from collector.settings import example, load

NS = 10**9


@pytest.mark.parametrize("held_off_at_checkpoint", [False, True])
def test_a_stage_found_released_after_a_restart_keeps_running(held_off_at_checkpoint: bool) -> None:
    """Whatever the checkpoint says: it may be older than the last hold-off.

    Control: without the restart the same stage is held off as soon as its minimum run is over.
    """
    settings = load(example("demo.yaml")).settings
    assert settings is not None
    plan = engine.build(settings)
    now = 10**15
    state = engine.initial(plan)
    stages = [f"T1.stage{n}" for n in (1, 2, 3)]
    coils = dict.fromkeys(stages, False)

    def run(seconds: float, state: engine.State) -> engine.State:
        nonlocal now
        for _ in range(round(seconds / 2)):
            now += 2 * NS
            readings = {f"T1.HV_{p}.current_a": Reading(60.0, GOOD, now) for p in "ABC"}
            readings["T1.top_oil_c"] = Reading(40.0, GOOD, now)
            for stage in stages:
                readings[f"{stage}.feedback"] = Reading(float(not coils[stage]), GOOD, now)
            relays = {i: RelayStatus(on, now) for i, on in coils.items()}
            state, outcome = engine.step(state, plan, Inputs(now, readings, relays))
            coils.update({i: outcome.decision.energise[i] for i in stages})
        return state

    state = run(596.0, state)
    assert not any(coils.values())  # the minimum run of the start
    if held_off_at_checkpoint:
        state = run(20.0, state)
        assert all(coils.values())
    data = engine.checkpoint(state)
    control = dict(coils)
    run(20.0, state)
    assert all(coils.values()), control

    # The gateway loses its supply, the module lets go, windingd comes back five minutes later.
    now += 300 * NS
    coils.update(dict.fromkeys(stages, False))
    state = engine.restore(plan, data, engine.Gap(True, 300.0, now))
    state = run(590.0, state)
    assert not any(coils.values())
    run(60.0, state)
    assert all(coils.values())
