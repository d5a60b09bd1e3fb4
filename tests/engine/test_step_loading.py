"""Permissible loading inside the step: when it is made, what counts for it, when it is no more.

The figures themselves are judged in tests/loading. Here they are only compared with a direct call.
"""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from station_script import NS, Bad, Station, base

from collector import engine
from collector.control import permitted
from collector.messages import Outcome
from collector.quality import Detail
from collector.record.journal import outcome_digest
from collector.thermal import loading


def station(*transformers: str, **keys: Any) -> Station:
    """A station whose plan makes the figures; more transformers than T1 are copies of it."""

    def more(tree: dict[str, Any]) -> None:
        cabinet = tree["transformers"][0]["stages"][1]["cabinet"]
        cabinet["interlock"] = cabinet["breaker_closed"] | {"address": 40}
        for n, name in enumerate(transformers, 2):
            copy = base()["transformers"][0] | {"id": name, "number": n}
            for k, stage in enumerate(copy["stages"]):
                stage["relay"]["coil"] = 10 * n + k
            tree["transformers"].append(copy)

    s = Station(more, **keys)
    s.plan = engine.build(s.settings, "hash", permissible_loading=True)
    s.state = engine.initial(s.plan)
    return s


def figures(s: Station) -> dict[str, Any]:
    return {name: s.value(name) for name in loading.FIGURES}


def test_the_points_are_the_figures_of_the_guides_normal_loading() -> None:
    s = station(oil=55.0, amps=150.0).run(300)
    made = s.state.loading[0]
    assert s.now - made.at_ns < permitted.EVERY_NS
    # the state of the very step that made them
    while s.state.loading[0].at_ns == made.at_ns:
        s.cycle()
    results = permitted.table(s.state, s.plan, "T1")
    assert figures(s) == loading.main_figures(results)
    assert s.value("load_15min_pu") > s.value("load_continuous_pu") > 0
    assert s.value("load_continuous_pu") > s.value("reduced_load_continuous_pu")
    assert "ageing rate" in s.value("load_limited_by")
    assert s.value("load_8h_life_h") > s.value("load_15min_life_h") > 0
    assert s.value("load_valid_min") == 15
    assert s.quality("load_8h_pu") == s.quality("hot_spot_c")


def test_once_a_minute_each_and_one_in_a_cycle() -> None:
    s = station("T2", "T3")
    made: list[list[str]] = []
    for _ in range(310):
        before = s.state.loading
        s.cycle(1.0)
        made.append(
            [
                t.id
                for t, a, b in zip(s.plan.layout.transformers, before, s.state.loading, strict=True)
                if a.at_ns != b.at_ns
            ]
        )
    assert max(len(m) for m in made) == 1
    for name in ("T1", "T2", "T3"):
        at = [i for i, m in enumerate(made) if m == [name]]
        assert len(at) >= 5
        assert {b - a for a, b in pairwise(at)} == {60}


def test_long_cycles_leave_nobody_out() -> None:
    s = station("T2", "T3").run(120, 40.0)
    assert all(s.now - f.at_ns <= 80 * NS for f in s.state.loading)
    s.run(3600, 900.0)
    assert all(f.at_ns == s.now for f in s.state.loading)


@pytest.mark.parametrize(
    "edit",
    [
        pytest.param({"stage2__selector_auto": 0.0}, id="not in Auto"),
        pytest.param({"stage2__breaker_closed": 0.0}, id="breaker open"),
        pytest.param({"stage2__interlock": 1.0}, id="interlocked"),
        pytest.param({"stage2__feedback": Bad()}, id="feedback lost"),
    ],
)
def test_a_stage_that_cannot_be_counted_on_is_left_out(edit: dict[str, Any]) -> None:
    s = station(oil=45.0).run(200)
    full = s.value("load_continuous_pu")
    s.set(**edit).run(200)
    assert s.value("load_continuous_pu") < full - 0.01
    assert "stage2" not in permitted.available(
        s.plan, s.plan.layout.transformers[0], s.state.inputs, s.state.stages
    )


def test_a_stage_not_proven_or_held_off_is_left_out() -> None:
    def there(s: Station) -> frozenset[str]:
        return permitted.available(s.plan, s.plan.layout.transformers[0], s.state.inputs, s.state.stages)

    s = station(oil=45.0).run(60)
    assert there(s) == {"stage1", "stage2", "stage3"}
    s.broken.add("stage1")
    s.set(oil=61.0).run(120)
    assert "stage1" not in there(s)
    s = station(oil=45.0).run(60)
    assert s.command("hold_off", "T1.stage2", minutes=5.0) == ""
    assert "stage2" not in there(s)


def test_no_figure_on_bad_inputs_and_at_once() -> None:
    s = station(oil=55.0, amps=150.0).run(300)
    assert s.value("load_4h_pu") is not None
    s.set(HV_B__current_a=Bad())
    while not s.quality("HV_B.current_a").is_invalid and s.value("load_4h_pu") is not None:
        s.cycle()
    assert set(figures(s).values()) == {None}
    assert s.quality("load_4h_pu").is_invalid
    assert s.value("load_valid_min") == 0
    s.run(120)
    assert s.state.loading[0].figures == ()
    assert "substituted" in permitted.table(s.state, s.plan, "T1")[0].reason
    s.set(HV_B__current_a=150.0).run(600)
    assert s.value("load_4h_pu") is not None
    assert s.value("load_valid_min") == 15


def test_an_old_figure_runs_out(monkeypatch: pytest.MonkeyPatch) -> None:
    s = station(oil=55.0, amps=150.0).run(300)
    monkeypatch.setattr(permitted, "renew", lambda cycle: None)
    left = []
    for _ in range(16):
        s.run(60)
        left.append(s.value("load_valid_min"))
    assert left[0] in (14, 15)
    assert left[-2:] == [0, 0]
    assert all(a - b in (0, 1) for a, b in pairwise(left))
    assert s.value("load_minutes") is None
    assert s.quality("load_minutes").is_invalid
    assert s.quality("load_minutes").detail is Detail.OLD_DATA


def test_off_unless_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("permissible loading was made")

    monkeypatch.setattr(loading, "permissible_loading", never)
    s = Station(oil=55.0).run(120)
    assert s.plan.loading == ()
    assert set(figures(s).values()) == {None}
    assert s.value("load_valid_min") == 0


def test_it_survives_a_snapshot_to_the_bit_and_replays() -> None:
    s = station("T2", oil=58.0, amps=160.0).run(205)
    told = engine.checkpoint(s.state)
    assert any(f["figures"] for f in json.loads(told)["loading"])
    other = engine.build(s.settings, "hash", permissible_loading=True)
    state = engine.thaw(other, told)
    assert engine.checkpoint(state) == told
    inputs = []
    digests: list[str] = []
    for k in range(120):
        s.set(oil=58.0 + 0.01 * k)
        s.now += 2 * NS
        inputs.append(s.inputs())
        s.state, outcome = engine.step(s.state, s.plan, inputs[-1])
        digests.append(_digest(outcome))
    again = []
    for given in inputs:
        state, outcome = engine.step(state, other, given)
        again.append(_digest(outcome))
    assert again == digests
    assert engine.checkpoint(state) == engine.checkpoint(s.state)


def _digest(outcome: Outcome) -> str:
    return str(outcome_digest(outcome))


def test_a_restart_or_reload_begins_without_figures() -> None:
    s = station(oil=55.0).run(200)
    assert s.state.loading[0].figures
    migrated = engine.migrate(s.state, s.plan, engine.build(s.settings, "new", permissible_loading=True))
    assert not migrated.loading[0].figures
    s.restart(20.0)
    assert not s.state.loading[0].figures
    s.run(60)
    assert s.value("load_4h_pu") is None or s.quality("load_4h_pu") == s.quality("hot_spot_c")


def test_nothing_is_decided_by_it() -> None:
    def script(s: Station) -> list[Any]:
        seen = []
        for oil, amps in ((50.0, 120.0), (63.0, 170.0), (97.0, 190.0), (40.0, 60.0)):
            s.set(oil=oil, amps=amps)
            for _ in range(40):
                outcome = s.cycle(11.0)
                told = {k: v for k, v in outcome.values.items() if ".load_" not in k and "reduced" not in k}
                seen.append((outcome.decision, outcome.events, told))
        return seen

    quiet = station()
    quiet.plan = replace(quiet.plan, loading=())
    assert script(station()) == script(quiet)


def test_figures_that_cannot_be_made_cost_no_decision(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise ArithmeticError("top oil did not settle")

    s = station(oil=55.0).run(120)
    monkeypatch.setattr(loading, "permissible_loading", fails)
    s.run(120)
    assert s.value("load_4h_pu") is None
    assert "did not settle" in [e for e in s.events if e.kind == "loading"][-1].text
    assert s.outcome is not None
    assert s.outcome.decision.energise.keys() == s.coils.keys()


def test_a_forecast_stands_in_for_load_and_ambient_as_they_are() -> None:
    s = station(oil=55.0, amps=150.0).run(120)
    now = s.state.mono_ns
    hot = loading.Forecast((now, now + 8 * 3600 * NS), (1.0, 1.0), (20.0, 45.0))
    with_it = permitted.table(s.state, s.plan, "T1", hot)[0]
    without = permitted.table(s.state, s.plan, "T1")[0]
    assert with_it.cases[0].holds[-1].load_pu < without.cases[0].holds[-1].load_pu
    late = replace(hot, times_ns=(now + NS, now + 2 * NS))
    assert "does not cover the present" in permitted.table(s.state, s.plan, "T1", late)[0].reason
