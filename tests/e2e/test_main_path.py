"""The whole path on real sockets, from a reading to relay, record and message, and its orderly end."""

from __future__ import annotations

import signal
import sqlite3
import time

from bench_kit import STAGES, Make, alarm, all_held_off, held, released_at, value


async def test_readings_become_decisions_relays_record_and_messages(make_bench: Make) -> None:
    bench = await make_bench(load=0.3, ambient_c=15.0)
    await bench.start_daemon()
    await all_held_off(bench)

    await bench.station.set_load(1.9)
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


async def test_a_healthy_start_raises_no_alarm(make_bench: Make) -> None:
    """What has not been read yet is not lost: an operator must not be greeted by a storm at every restart."""
    bench = await make_bench()
    for _ in range(2):
        since_ns = time.monotonic_ns()
        await bench.start_daemon()
        await all_held_off(bench)
        new = [m for m in bench.messages() if m["mono_ns"] > since_ns]
        told = [m["payload"]["text"] for m in new if m["topic"].endswith("/event/alarm")]
        assert not told
        assert await bench.daemon.end() == 0
        bench.daemon = None


async def test_a_sensor_that_is_missing_from_the_start_is_alarmed(make_bench: Make) -> None:
    bench = await make_bench()
    await bench.station.fault("oil_tx", "cut")
    since_ns = time.monotonic_ns()
    await bench.start_daemon()
    await alarm(bench, "device.oil_tx.alarm_link_lost", since_ns, 10.0)
    assert not held(bench) & STAGES, "no stage may be held off without a valid oil temperature"
