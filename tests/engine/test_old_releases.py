"""Releases and starts are counted over the last hour, reboots included: no more, no less."""

from __future__ import annotations

import pytest
from station_script import NS, Bad, Station

from collector import engine
from collector.control import saved


def three_releases_and_a_reboot(hours_before: float) -> Station:
    s = Station(oil=40.0, amps=60.0).run(3600, 20.0)
    for _ in range(3):
        s.set(oil=Bad()).run(60).set(oil=40.0).run(960, 8.0)
    s.run(hours_before * 3600, 60.0)
    data = engine.checkpoint(s.state)
    s.now, s.coils = 60 * NS, dict.fromkeys(s.coils, False)
    s.state = engine.restore(s.plan, data, engine.Gap(False, 120.0, s.now))
    return s.run(3000, 8.0)


def test_old_releases_do_not_count_after_a_reboot() -> None:
    s = three_releases_and_a_reboot(30.0)
    assert s.alarm("stage1.flapping") == "normal"
    assert s.called()


def test_releases_of_the_last_hour_do() -> None:
    s = three_releases_and_a_reboot(0.0)
    assert s.alarm("stage1.flapping") != "normal"
    assert s.called(1, 2, 3)


def test_control_times_before_the_boot_taken_for_its_beginning(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(saved, "_all_moved", lambda times, shift: tuple(max(0, t + shift) for t in times))
    with pytest.raises(AssertionError):
        test_old_releases_do_not_count_after_a_reboot()


def test_control_times_before_the_boot_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    real = saved._all_moved
    monkeypatch.setattr(saved, "_all_moved", lambda t, shift: tuple(x for x in real(t, shift) if x >= 0))
    with pytest.raises(AssertionError):
        test_releases_of_the_last_hour_do()
