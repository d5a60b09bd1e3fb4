"""Time limits run on while nobody looks: a restart, another boot and an unknown gap never give time back."""

from __future__ import annotations

from typing import Any

import pytest
from station_script import NS, Bad, Station

from collector import engine
from collector.control import saved

OVER = "T1: the maker's 20 min without pumps are over"


def always_pumped(tree: Any) -> None:
    t = tree["transformers"][0]
    t["stages"][0] |= {"kind": "pumps"}
    t["modes"][0] |= {"cooling": "OFAN", "design": "medium_large_of", "needs": ["stage1"]}
    t["modes"][1] |= {"cooling": "OFAF", "design": "medium_large_of", "needs": ["stage1", "stage2"]}


def pumps_lost(minutes: float = 5.0) -> Station:
    s = Station(always_pumped).run(1000, 5.0)
    s.broken.add("stage1")
    s.run(minutes * 60)
    assert s.alarm("pumps_lost") == "unacknowledged"
    assert not s.told(OVER)
    return s


def reboot(s: Station, gap_s: float | None, uptime_s: float = 50.0) -> Station:
    """Another boot: the machine's clock begins anew. gap_s None: nobody knows how long it was off."""
    data = engine.checkpoint(s.state)
    s.now = round(uptime_s * NS)
    s.coils = dict.fromkeys(s.coils, False)
    s.state = engine.restore(s.plan, data, engine.Gap(False, gap_s, s.now))
    return s


def as_if_the_time_had_passed(s: Station) -> None:
    s.run(4)
    assert [e.text for e in s.events].count(OVER) == 1
    assert s.alarm("pumps_lost") == "unacknowledged"
    assert s.quality("hot_spot_c").is_invalid
    assert s.called(1, 2, 3)
    s.run(1300, 10.0)
    assert [e.text for e in s.events].count(OVER) == 1  # told once
    s.restart(20.0).run(10)
    assert [e.text for e in s.events].count(OVER) == 1
    s.broken.clear()
    s.run(10)
    assert s.alarm("pumps_lost") == "returned-unacknowledged"
    s.broken.add("stage1")
    s.run(1190, 10.0)
    assert [e.text for e in s.events].count(OVER) == 1  # the next time it has all its minutes again
    s.run(40)
    assert [e.text for e in s.events].count(OVER) == 2


def still_running_after(s: Station, minutes_left: float) -> None:
    s.run(minutes_left * 60 - 30, 10.0)
    assert not s.told(OVER)
    assert s.alarm("pumps_lost") == "unacknowledged"
    assert s.quality("hot_spot_c").is_invalid
    s.run(60)
    assert s.told(OVER)


def test_the_countdown_ends_in_the_gap_of_a_restart() -> None:
    as_if_the_time_had_passed(pumps_lost().restart(16 * 60.0))


def test_the_countdown_ends_while_the_machine_is_off() -> None:
    as_if_the_time_had_passed(reboot(pumps_lost(), 16 * 60.0))


def test_of_a_gap_that_nobody_knows_the_countdown_is_over() -> None:
    as_if_the_time_had_passed(reboot(pumps_lost(), None))


def test_a_short_gap_leaves_what_is_left() -> None:
    still_running_after(pumps_lost().restart(10 * 60.0), 5.0)


def test_a_short_gap_with_another_boot_leaves_what_is_left() -> None:
    still_running_after(reboot(pumps_lost(), 10 * 60.0), 5.0)


def test_pumps_that_run_again_after_the_gap_end_it() -> None:
    s = pumps_lost()
    s.broken.clear()
    s.restart(16 * 60.0).run(60)
    assert s.alarm("pumps_lost") == "returned-unacknowledged"
    assert not s.told(OVER)


def no_time_passed(m: pytest.MonkeyPatch) -> None:
    """A restart that takes its timers up where they were left."""
    real = saved._restored
    m.setattr(saved, "_moved", lambda ns, shift: ns if ns < 0 or ns >= saved.NEVER else ns + shift)
    m.setattr(saved, "_overdue", lambda ts: ts)

    def restored(plan: Any, told: Any, gap: Any) -> Any:
        elapsed = engine.Gap(gap.same_boot, 0.0, gap.mono_ns)
        return real(plan, told, elapsed)

    m.setattr(saved, "_restored", restored)


@pytest.mark.parametrize(
    "check",
    [
        test_the_countdown_ends_in_the_gap_of_a_restart,
        test_the_countdown_ends_while_the_machine_is_off,
        test_of_a_gap_that_nobody_knows_the_countdown_is_over,
    ],
)
def test_control_timers_taken_up_where_they_were_left(check: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    no_time_passed(monkeypatch)
    with pytest.raises(AssertionError):
        check()


def oil_lost() -> Station:
    s = Station().run(60).set(oil=Bad()).run(3600, 60.0)
    assert not s.quality("top_oil_c").is_invalid
    return s


@pytest.mark.parametrize("gap_s", [24 * 3600.0, None])
def test_an_estimate_whose_time_ran_out_while_the_machine_was_off_is_invalid(gap_s: float | None) -> None:
    s = reboot(oil_lost(), gap_s).run(60)
    assert s.quality("top_oil_c").is_invalid
    assert s.quality("hot_spot_c").is_invalid
    assert s.called(1, 2, 3)


def test_an_estimate_has_no_more_time_after_another_boot_than_before() -> None:
    s = reboot(oil_lost(), 10 * 3600.0).run(12.5 * 3600, 60.0)
    assert not s.quality("top_oil_c").is_invalid
    s.run(3600, 60.0)
    assert s.quality("top_oil_c").is_invalid


def shelved_over_a_reboot() -> Station:
    s = Station().run(60).set(ambient=Bad()).run(10)
    assert s.command("shelve", "T1.alarm_ambient_lost", minutes=30.0) == ""
    return reboot(s, 3600.0).run(10)


def test_a_shelving_that_ran_out_while_the_machine_was_off_is_over() -> None:
    assert shelved_over_a_reboot().alarm("ambient_lost") == "unacknowledged"


def test_control_a_time_before_the_boot_that_means_never(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(saved, "_moved", lambda ns, shift: ns if ns < 0 or ns >= saved.NEVER else ns + shift)
    assert shelved_over_a_reboot().alarm("ambient_lost") == "shelved"
