"""The whole path on real sockets, and what happens when it is cut."""

from __future__ import annotations

import signal
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from e2e_facts import all_held_off, held, value

from collector.demo.bench import Bench, Process

Make = Callable[..., Any]

HINDERED = (str(Path(__file__).with_name("hindered.py")),)
#: Beyond the module's own timeout: one tick of its timer and the machine's noise [station s].
SLACK_S = 20.0


def released_at(bench: Bench, after_ns: int) -> dict[str, Any] | None:
    """The module's own line of the release after `after_ns` (real ns), whatever the reason."""
    for line in bench.relay_log():
        if line["event"] == "release" and line["mono_ns"] >= after_ns:
            return line
    return None


async def test_readings_become_decisions_relays_record_and_messages(make_bench: Make) -> None:
    bench = await make_bench(load=0.3, ambient_c=15.0)
    await bench.start_daemon()
    await all_held_off(bench)

    await bench.station.set_load(1.5)
    await bench.until(lambda: not {0} & held(bench), "stage 1 released by the module's log", 60.0)
    assert released_at(bench, 0)["reason"] == "write"  # type: ignore[index]

    truth = await bench.station.truth()
    await bench.until(lambda: value(bench, "/value/T1/HV_A/hot_spot_c") is not None, "a hot spot")
    published = value(bench, "/value/T1/HV_A/hot_spot_c")
    assert published is not None
    assert published["quality"].startswith(("good", "questionable"))
    assert truth["top_oil_c"] < published["value"] < 160.0
    birth = value(bench, "/birth")
    assert birth is not None
    ids = {p["id"] for p in birth["points"]}
    assert ids >= {"T1.HV_A.hot_spot_c", "T1.stage1.called", "T1.hottest_winding"}
    called = "/value/T1/stage1/called"
    await bench.until(lambda: (value(bench, called) or {}).get("value") is True, "call published")

    assert await bench.daemon.end() == 0
    with sqlite3.connect(bench.data_dir / "record.sqlite") as record:
        tables = {name for (name,) in record.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert tables
    bench.daemon = None


async def test_sigterm_releases_every_relay_and_says_goodbye(make_bench: Make) -> None:
    bench = await make_bench()
    await bench.start_daemon()
    await all_held_off(bench)
    assert await bench.daemon.end(signal.SIGTERM) == 0
    bench.daemon = None
    await bench.until(lambda: not held(bench) & {0, 1, 2}, "released")
    assert released_at(bench, 0)["reason"] == "write"  # type: ignore[index]
    await bench.until(lambda: (value(bench, "/state") or {}).get("state") == "offline", "offline state")


async def test_killed_daemon_the_module_releases_and_the_next_one_continues(make_bench: Make) -> None:
    """Failure 1. The release is judged by the module's own log: last valid request to release."""
    bench = await make_bench()
    await bench.start_daemon()
    await all_held_off(bench)
    loss = "/value/T1/HV_A/loss_of_life_h"
    await bench.until(lambda: (value(bench, loss) or {}).get("value"), "loss of life published", 60.0)

    await bench.daemon.end(signal.SIGKILL)
    bench.daemon = None
    await bench.until(lambda: not held(bench) & {0, 1, 2}, "released by the module")
    line = released_at(bench, 0)
    assert line is not None
    assert line["reason"] == "timeout"
    took_s = (line["station_ns"] - line["last_valid_request_ns"]) / 1e9
    assert 10.0 <= took_s <= 10.0 + SLACK_S
    await bench.until(lambda: (value(bench, "/state") or {}).get("state") == "offline", "last will")

    before = value(bench, loss)
    assert before is not None
    boots = {m["payload"]["boot"] for m in bench.messages() if m["topic"].endswith(loss)}
    await bench.start_daemon()

    def continued() -> bool:
        newest = value(bench, loss)
        return newest is not None and newest["boot"] not in boots

    await bench.until(continued, "loss of life of the new run", 60.0)
    after = value(bench, loss)
    assert after is not None
    assert after["value"] >= before["value"]
    assert "continuing from checkpoint" in bench.daemon.errors.read_text()


@pytest.mark.parametrize(("hinder", "broken"), [("decide", ""), ("decide", "age"), ("loop", "")])
async def test_a_stopped_decision_starves_the_module(
    make_bench: Make, tmp_path: Path, hinder: str, broken: str
) -> None:
    """Failure 2. Control: with decisions that never age, polling keeps feeding the module."""
    flag = tmp_path / "flag"
    bench = await make_bench(
        daemon=HINDERED, env={"HINDER_FLAG": str(flag), "HINDER": hinder, "BREAK": broken}
    )
    await bench.start_daemon()
    await all_held_off(bench)
    flag.touch()
    try:
        await bench.until(lambda: not held(bench) & {0, 1, 2}, "released by the module", 6.0)
    except TimeoutError:
        assert broken, "the module was kept fed although nothing decided"
        return
    assert not broken, "the control did not turn the test red"
    line = released_at(bench, 0)
    assert line is not None
    assert line["reason"] == "timeout"
    bench.daemon.send(signal.SIGKILL)


@pytest.mark.parametrize(
    ("device", "subject"),
    [
        ("oil_tx", "T1.alarm_top_oil_lost"),
        ("ct_tx", "T1.HV_A.alarm_current_lost"),
        ("relays", "device.relays.alarm_link_lost"),
        ("fibre", "device.fibre.alarm_link_lost"),
    ],
)
async def test_cutting_a_device_leaves_cooling_running_and_an_alarm_says_why(
    make_bench: Make, device: str, subject: str
) -> None:
    bench = await make_bench()
    await bench.start_daemon()
    await all_held_off(bench)
    since_ns = time.monotonic_ns()
    await bench.station.fault(device, "cut")

    def told() -> list[str]:
        return [
            m["payload"]["text"]
            for m in bench.messages()
            if m["mono_ns"] > since_ns
            and m["topic"].endswith("/event/alarm")
            and (m["payload"]["subject"] == subject or device in m["payload"]["text"])
        ]

    await bench.until(lambda: bool(told()), f"an alarm that names {device}", 30.0)
    if device != "fibre":  # its probes only check the model: nothing to start fans for
        await bench.until(lambda: not held(bench) & {0, 1, 2}, "every stage runs", 30.0)


async def test_a_second_instance_is_refused_and_the_first_goes_on(make_bench: Make) -> None:
    """Failure 14."""
    bench = await make_bench()
    await bench.start_daemon()
    first, bench.daemon = bench.daemon, None
    second = type(first)("second", first._arguments, bench.directory)
    await second.start()
    assert second.process is not None
    assert await second.process.wait() == 1
    assert "another windingd already runs" in second.errors.read_text()
    bench.daemon = first
    assert bench.status() is not None


async def test_bad_settings_open_no_link(make_bench: Make, tmp_path: Path) -> None:
    """Failure 11, at the start."""
    bench = await make_bench(edit=lambda text: text.replace("number: 1  ", "number: one  ", 1))
    refused = Process("refused", ["-m", "collector.commands.main", "run", str(bench.settings_path)], tmp_path)
    await refused.start()
    assert refused.process is not None
    assert await refused.process.wait() == 78
    assert str(bench.settings_path) + ":" in refused.errors.read_text()
    assert not [line for line in bench.relay_log() if line["event"] == "connection"]
