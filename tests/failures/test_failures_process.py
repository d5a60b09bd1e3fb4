"""Rows 1, 2, 11 and 14: the process itself is killed, hangs, is given bad settings, or is there twice."""

from __future__ import annotations

import asyncio
import signal
import time
from pathlib import Path
from typing import Any

import pytest
from bench_kit import (
    HINDERED,
    RATE,
    SLACK_S,
    STAGES,
    Make,
    Supervisor,
    alarm,
    all_held_off,
    all_released,
    held,
    releases,
    since_last_request_s,
    value,
)
from failure_help import IDLE, NO_TIMEOUT, both, by_load, daemon_with, ready, unhurried, without
from ledger import Ledger

from collector.demo.bench import Bench, Process

TIMEOUT_S = 10.0  # the relay module's own
WATCHDOG_S = 2.0  # real; the stand-in for systemd's WatchdogSec


def released_by_timeout(bench: Bench, since_ns: int) -> float:
    """The module's first release since then must be its own; station seconds after the last valid request."""
    line = releases(bench, since_ns)[0]
    assert line["reason"] == "timeout", f"released by {line['reason']}"
    took_s = since_last_request_s(line)
    assert TIMEOUT_S <= took_s <= TIMEOUT_S + SLACK_S
    return took_s


async def exit_status(process: Process, within_s: float) -> int:
    """Of a process that must end by itself."""
    assert process.process is not None
    try:
        return await asyncio.wait_for(process.process.wait(), within_s)
    except TimeoutError:
        raise TimeoutError(f"{process.name}: still running after {within_s:g} s") from None


@pytest.mark.parametrize("broken", ["", "module timeout"])
async def test_row_1_killed(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """SIGKILL. Control: the module's own timeout does not work."""
    bench = await ready(await make_bench())
    if broken:
        await bench.station.fault("relays", "no_timeout")
    loss = "/value/T1/HV_A/loss_of_life_h"
    await bench.until(lambda: (value(bench, loss) or {}).get("value"), "loss of life published", 60.0)
    since_ns = time.monotonic_ns()
    await bench.daemon.end(signal.SIGKILL)
    bench.daemon = None
    with ledger.judged(1, broken, why=NO_TIMEOUT):
        await all_released(bench, 4.0)
        took_s = released_by_timeout(bench, since_ns)
    if broken:
        return
    await bench.until(lambda: (value(bench, "/state") or {}).get("state") == "offline", "last will")
    last_will = next(m for m in reversed(bench.messages()) if m["topic"].endswith("/state"))
    ledger.note(
        1,
        "SIGKILL with every stage held off",
        "released by the module's timeout; the broker published the last will; the next run went on from the "
        "checkpoint, loss of life did not go back",
        detection_s=(last_will["mono_ns"] - since_ns) / 1e9 * RATE,
        reaction_s=took_s,
    )
    before = value(bench, loss)
    assert before is not None
    await bench.start_daemon()

    def continued() -> bool:
        newest = value(bench, loss)
        return newest is not None and newest["boot"] != before["boot"]

    await bench.until(continued, "loss of life of the new run", 60.0)
    after = value(bench, loss)
    assert after is not None
    assert after["value"] >= before["value"]
    assert "continuing from checkpoint" in bench.daemon.errors.read_text()


@pytest.mark.parametrize(("hinder", "broken"), [("decide", ""), ("decide", "age"), ("loop", "")])
async def test_row_2_hang(
    make_bench: Make, supervisor: Supervisor, ledger: Ledger, tmp_path: Path, hinder: str, broken: str
) -> None:
    """Only the decision task ends, or the loop blocks. Control: decisions never age; polling feeds it.

    A stand-in enforces the watchdog: nothing fed for WATCHDOG_S, then SIGKILL and start again.
    """
    flag = tmp_path / "flag"
    bench = await make_bench(
        daemon=HINDERED,
        env={
            "HINDER_FLAG": str(flag),
            "HINDER": hinder,
            "BREAK": broken,
            "NOTIFY_SOCKET": str(tmp_path / "notify"),
        },
    )
    await ready(bench)
    since_ns = time.monotonic_ns()
    flag.touch()
    with ledger.judged(2, broken, "only the decision task ends"):
        await all_released(bench, 6.0)
        took_s = released_by_timeout(bench, since_ns)
    if broken:
        return
    while True:
        fed = [at for at, text in supervisor.read() if "WATCHDOG=1" in text]
        if time.monotonic() - fed[-1] > WATCHDOG_S:
            break
        await asyncio.sleep(0.05)
    requests = [line for line in bench.station.log("relays") if line["event"] == "request"]
    silent_s = (time.monotonic_ns() - requests[-1]["mono_ns"]) / 1e9 * RATE
    assert silent_s > TIMEOUT_S, "the module still got requests"
    await bench.daemon.end(signal.SIGKILL)
    flag.unlink()
    await bench.start_daemon()
    assert supervisor.count("READY=1") == 2
    await all_held_off(bench)
    ledger.note(
        2,
        {"decide": "only the decision task ends", "loop": "the event loop blocks"}[hinder],
        f"the module got no request more and released by its timeout; watchdog not fed for {WATCHDOG_S:g} s "
        "real, "
        "restarted by the stand-in for systemd, decided again",
        reaction_s=took_s,
    )


@pytest.mark.parametrize("broken", ["", "cross checks"])
async def test_row_11_bad_settings_at_the_start(
    make_bench: Make, ledger: Ledger, tmp_path: Path, broken: str
) -> None:
    """A dropout above its pickup. Control: settings are not checked against each other."""
    bench = await make_bench(
        edit=lambda text: text.replace("dropout: {top_oil_c: 50.0,", "dropout: {top_oil_c: 65.0,", 1)
    )
    how = HINDERED if broken else ("-m", "collector.commands.main")
    rate = ("--rate", f"{bench.station.rate:g}")
    arguments = [*how, "run", str(bench.settings_path), *rate]
    refused = Process("daemon with bad settings", arguments, tmp_path, {"BREAK": broken})
    await refused.start()
    assert refused.process is not None
    try:
        with ledger.judged(11, broken, "bad settings at the start"):
            assert await exit_status(refused, 12.0 if broken else 60.0) == 78
            assert f"{bench.settings_path}:" in refused.errors.read_text()
            connected = [line for line in bench.relay_log() if line["event"] == "connection"]
            assert not connected, f"{len(connected)} connection(s) to the relay module"
        if not broken:
            ledger.note(
                11,
                "start with a dropout above its pickup",
                "exit status 78, file and line named, no connection in the relay module's log",
            )
    finally:
        await refused.end(signal.SIGKILL)


def _spoilt(text: str) -> str:
    return text.replace("rated_mva: 40.0", "rated_mva: forty", 1)


async def test_row_11_last_good(make_bench: Make, ledger: Ledger) -> None:
    """Bad settings at a start, with --last-good: nothing without a record; with one, decisions and an alarm.

    Control: it is not told.
    """
    bench = await make_bench(load=IDLE, publish_s=4.0, edit=unhurried, relay_timeout_s=60.0, daemon=HINDERED)
    good = bench.settings_path.read_text()
    option = ("--last-good", str(bench.data_dir))
    bench.settings_path.write_text(_spoilt(good))
    await bench.launch_daemon(*option)
    assert bench.daemon is not None
    assert await exit_status(bench.daemon, 60.0) == 78
    assert "no such file (the record is data_dir/record.sqlite)" in bench.daemon.errors.read_text()
    assert not [line for line in bench.relay_log() if line["event"] == "connection"]
    bench.settings_path.write_text(good)
    await ready(bench)
    assert await bench.daemon.end() == 0
    bench.daemon = None
    bench.settings_path.write_text(_spoilt(good))
    refused = "station.alarm_settings_refused"
    for broken in ("refusal", ""):
        await without(bench, broken)
        since_ns = time.monotonic_ns()
        await bench.launch_daemon(*option)
        await all_held_off(bench)
        with ledger.judged(11, broken, "started with the last good settings"):
            told = await alarm(bench, refused, since_ns, 3.0 if broken else 20.0)
    assert "last good settings" in told["payload"]["text"]
    assert "rated_mva" in told["payload"]["text"]
    assert (bench.data_dir / "last-good.yaml").read_text() == good
    since_ns = time.monotonic_ns()
    bench.settings_path.write_text(good)
    bench.daemon.send(signal.SIGHUP)
    state = "/value/station/alarm_settings_refused"
    await bench.until(lambda: (value(bench, state) or {}).get("word", "")[:8] == "returned", "the alarm goes")
    assert not releases(bench, since_ns)
    ledger.note(
        11,
        "start with a bad file and --last-good",
        "without a record exit status 78 and no connection; with one every stage held off under the settings "
        "last in force, the alarm names the fault; gone with a good file and SIGHUP",
    )


@pytest.mark.parametrize("broken", ["", "refusal", "migrate"])
async def test_row_11_reload(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """A bad file is refused and told; a good one changes a pickup and nothing is forgotten.

    Controls: the refusal is not told; the reload begins with an empty state.
    """
    bench = await ready(await make_bench(load=IDLE, edit=both(by_load), publish_s=4.0, **daemon_with(broken)))
    good = bench.settings_path.read_text()
    loss, hot, hours = (
        "/value/T1/HV_A/loss_of_life_h",
        "/value/T1/HV_A/hot_spot_c",
        "/value/T1/stage1/run_hours",
    )
    await bench.until(
        lambda: all((value(bench, topic) or {}).get("value") for topic in (loss, hot, hours)), "values", 60.0
    )

    since_ns = time.monotonic_ns()
    bench.settings_path.write_text(_spoilt(good))
    bench.daemon.send(signal.SIGHUP)
    with ledger.judged(11, broken if broken == "refusal" else "", "bad settings at a reload"):
        told = await alarm(bench, "station.alarm_settings_refused", since_ns, 5.0)
    if broken == "refusal":
        return
    assert "rated_mva" in told["payload"]["text"]
    assert held(bench) >= STAGES, "the old settings must go on holding the stages off"
    detection_s = (told["mono_ns"] - since_ns) / 1e9 * RATE

    before = {topic: value(bench, topic)["value"] for topic in (loss, hot, hours)}  # type: ignore[index]
    bench.settings_path.write_text(
        good.replace("load_pu: 1.2", "load_pu: 0.4").replace("load_pu: 0.9", "load_pu: 0.3")
    )
    since_ns = time.monotonic_ns()
    bench.daemon.send(signal.SIGHUP)
    await bench.until(lambda: 0 not in held(bench), "stage 1 at its new pickup", 8.0)
    line = releases(bench, since_ns)[0]

    def later(topic: str) -> dict[str, Any] | None:
        found = [
            m["payload"] for m in bench.messages() if m["topic"].endswith(topic) and m["mono_ns"] > since_ns
        ]
        return found[-1] if found else None

    with ledger.judged(11, broken, "good settings at a reload"):
        await bench.until(
            lambda: all((later(t) or {}).get("value") is not None for t in before),
            "values after the reload",
            10.0,
        )
        # The stage was released long ago in station time, so its run hours have moved on, not begun anew.
        for topic in (loss, hours):
            assert later(topic)["value"] >= before[topic], f"{topic} fell from {before[topic]}"  # type: ignore[index]
        assert abs(later(hot)["value"] - before[hot]) < 2.0, "the thermal state was not carried over"  # type: ignore[index]
        assert line["reason"] == "write"
        assert line["coils"] == [0], f"coils {line['coils']} moved, only stage 1 had reason to"
    if broken:
        return
    ledger.note(
        11,
        "SIGHUP with a bad file",
        "the alarm names the key; every stage stayed held off under the old settings",
        detection_s=detection_s,
    )
    ledger.note(
        11,
        "SIGHUP with a lower pickup",
        "stage 1 alone released at its new pickup; hot spot, loss of life and run hours went on",
        reaction_s=(line["mono_ns"] - since_ns) / 1e9 * RATE,
    )


@pytest.mark.parametrize("broken", ["", "lock"])
async def test_row_14_second_instance(make_bench: Make, ledger: Ledger, tmp_path: Path, broken: str) -> None:
    """Refused; the first goes on. Control: no lock."""
    bench = await ready(await make_bench(**daemon_with(broken)))
    since_ns = time.monotonic_ns()
    arguments = [
        *(HINDERED if broken else ("-m", "collector.commands.main")),
        "run",
        str(bench.settings_path),
    ]
    second = Process(
        "second instance", [*arguments, "--rate", f"{RATE:g}"], bench.directory, {"BREAK": broken}
    )
    await second.start()
    assert second.process is not None
    try:
        with ledger.judged(14, broken):
            assert await exit_status(second, 12.0 if broken else 60.0) == 1
            assert "another windingd already runs" in second.errors.read_text()
            new = [m for m in bench.relay_log() if m["event"] == "connection" and m["mono_ns"] > since_ns]
            assert not new, "it has connected to the relay module"
            assert not releases(bench, since_ns), "the first was disturbed"
    finally:
        await second.end(signal.SIGKILL)
    if not broken:
        assert bench.status() is not None
        ledger.note(
            14,
            "started a second time with the same settings",
            "exit status 1, no connection to the relay module; no relay of the first one moved",
        )
