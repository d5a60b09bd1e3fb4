"""The stage schedule comes from the production step: it agrees with settings, and moves when a rule does.

Each control breaks one rule of the step; a schedule that was copied from the settings would not notice.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest

from collector.commands.main import main
from collector.control import calling, stages
from collector.settings import example, load
from collector.settings.model import Settings
from collector.technician.schedule import STEP_K, StageSchedule, schedule


@cache
def demo() -> Settings:
    found = load(example("demo.yaml")).settings
    assert found is not None
    return found


def changed(change: Callable[[dict[str, Any]], object]) -> Settings:
    """The demo station with its first transformer changed in place."""
    tree = json.loads(demo().model_dump_json(exclude_unset=True))
    change(tree["transformers"][0])
    return Settings.model_validate_json(json.dumps(tree))


def rows(settings: Settings) -> dict[str, StageSchedule]:
    return {row.id.partition(".")[2]: row for found in schedule(settings).values() for row in found}


def test_the_schedule_of_the_demo_station_is_what_its_settings_ask_for() -> None:
    found = rows(demo())
    for stage in demo().transformers[0].stages:
        row = found[stage.id]
        assert row.oil_on is not None
        assert row.oil_off is not None
        assert row.load_on is not None
        assert row.load_off is not None
        assert row.oil_on.top_oil_c == pytest.approx(stage.pickup.top_oil_c, abs=1e-6)
        assert row.oil_off.top_oil_c == pytest.approx(stage.dropout.top_oil_c - STEP_K, abs=1e-6)
        # The hot spot moves on by itself; it is met within two steps, never missed on the unsafe side.
        assert 0 <= row.load_on.hot_spot_c - stage.pickup.hot_spot_c <= 2 * STEP_K
        assert 0 <= stage.dropout.hot_spot_c - row.load_off.hot_spot_c <= 2 * STEP_K
        assert (row.oil_on.by, row.load_on.by) == ("top oil", "hot spot")
        assert row.delay_s == stage.pickup_delay_s
        assert row.minimum_run_s == stage.minimum_run_s
        assert row.at_alarm_s == 0.0
        assert row.together_s is not None
        assert row.together_s <= row.bound_s
    together = sorted(row.together_s for row in found.values() if row.together_s is not None)
    assert together == [30.0, 36.0, 42.0]  # 30 s, and the stagger of 5 s in cycles of 2 s


def test_control_a_pickup_that_comes_late_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    reaches = calling._reaches
    monkeypatch.setattr(
        calling, "_reaches", lambda value, limit: reaches(value, None if limit is None else limit + 1.5)
    )
    row = rows(demo())["stage1"]
    assert row.oil_on is not None
    assert row.oil_on.top_oil_c == pytest.approx(61.5, abs=1e-6)


def test_control_a_start_that_waits_at_alarm_temperature_or_too_long_is_seen(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    event = stages.call_event

    def reluctant(stage: Any, facts: Any, timing: Any, now: int) -> Any:
        found = event(stage, facts, timing, now)
        late = stage.above_ns >= 0 and now - stage.above_ns < 50 * 10**9
        return stages.CallEvent.RISE if late and stage.call not in stages.ON else found

    monkeypatch.setattr(stages, "call_event", reluctant)
    found = rows(demo())
    assert all(row.at_alarm_s is not None and row.at_alarm_s >= 50.0 for row in found.values())
    assert any(row.together_s is not None and row.together_s > row.bound_s for row in found.values())


def test_other_criteria_and_rules_are_named() -> None:
    def change(t: dict[str, Any]) -> None:
        first, second, third = t["stages"]
        first["pickup"], first["dropout"] = {"load_pu": 0.9}, {"load_pu": 0.7}
        second["needs_stage"] = "stage3"  # its pump would pick up later by itself
        third["pickup"]["top_oil_c"], third["dropout"]["top_oil_c"] = 99.0, 90.0

    found = rows(changed(change))
    by_load = found["stage1"].load_on
    assert by_load is not None
    assert by_load.by == "load"
    assert 0.9 <= by_load.load_pu <= 0.91
    assert found["stage1"].oil_on is not None
    assert found["stage1"].oil_on.by == "released: alarm temperature"
    pump = found["stage3"].oil_on
    assert pump is not None
    assert pump.by == "pump for its fans"
    assert pump.top_oil_c == pytest.approx(70.0, abs=1.5 * STEP_K)


def test_the_delays_of_a_rest_and_a_stagger_add_up_to_no_more_than_their_sum() -> None:
    def change(t: dict[str, Any]) -> None:
        for stage in t["stages"]:
            stage |= {
                "pickup_delay_s": 7.0,
                "restart_inhibit_s": 45.0,
                "stagger_s": 3.0,
                "minimum_run_s": 61.0,
            }

    found = rows(changed(change)).values()
    assert max(row.together_s or 0.0 for row in found) >= 44.0  # the last to stop must rest
    for row in found:
        assert row.together_s is not None
        assert row.together_s <= row.bound_s
        assert row.at_alarm_s == 0.0
        assert row.minimum_run_s == 62.0  # a whole cycle of 2 s


def test_the_table_fits_eighty_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["stages", str(example("demo.yaml"))]) == 0
    said = capsys.readouterr().out
    assert max(len(line) for line in said.splitlines()) <= 80
    assert "60.0 / 49.9" in said
    assert "…" not in said
