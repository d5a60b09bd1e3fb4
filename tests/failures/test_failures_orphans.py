"""Row 23: an output that no setting names any more, and one that none ever named. The module's log judges."""

from __future__ import annotations

import signal
import time
from typing import Any

from bench_kit import HINDERED, Make, alarm, held, station_s, value
from failure_help import patient, ready, without
from ledger import Ledger
from test_failures_outputs import write_coil

from collector.demo.bench import Bench

#: The module's own timeout: 20 s real here, so that it still holds what it held when the next run begins.
MODULE_S, RATE = 200.0, 10.0
MOVED, FOREIGN, DEVICE_FAULT = 5, 4, 8  # coils: stage 3's new one, another master's, the alarm contact
SUBJECT = "station.alarm_unnamed_output"


def rewired(text: str) -> str:
    """Stage 3 hangs on another coil from now on: coil 2 has no name any more."""
    new = text.replace("relay: {device: relays, coil: 2}", f"relay: {{device: relays, coil: {MOVED}}}")
    assert new != text
    return new


def written(bench: Bench, coil: int, since_ns: int) -> list[dict[str, Any]]:
    """The module's lines of writes that touch a coil."""
    return [
        line
        for line in bench.relay_log()
        if line["event"] == "write" and line["mono_ns"] > since_ns
        if line["coil"] <= coil < line["coil"] + len(line["values"])
    ]


async def test_row_23_outputs_without_a_name(make_bench: Make, ledger: Ledger) -> None:
    """Killed, edited, started again. Controls: other coils are not read; earlier settings are not asked."""
    bench = await make_bench(
        rate=RATE,
        edit=lambda text: patient(text, MODULE_S),
        relay_timeout_s=MODULE_S,
        publish_s=4.0,
        daemon=HINDERED,
    )
    relays = bench.station.ports["relays"]
    await without(bench, "unnamed coils")
    await ready(bench)
    since_ns = time.monotonic_ns()
    write_coil(relays, FOREIGN, True)
    with ledger.judged(23, "unnamed coils", "another master's output in between"):
        await alarm(bench, SUBJECT, since_ns, 3.0)
    write_coil(relays, FOREIGN, False)

    await without(bench, "orphans")
    bench.settings_path.write_text(rewired(bench.settings_path.read_text()))
    await bench.launch_daemon()
    await bench.until(lambda: {0, 1, MOVED} <= held(bench), "stage 3 held off by its new coil", 40.0)
    with ledger.judged(23, "orphans", "stage 3 edited to another coil, killed and started again"):
        await bench.until(lambda: 2 not in held(bench), "the coil without a name released", 2.0)

    await without(bench, "")
    assert held(bench) == {0, 1, 2, MOVED, DEVICE_FAULT}
    since_ns = time.monotonic_ns()
    await bench.launch_daemon()
    await bench.until(lambda: 2 not in held(bench), "the coil without a name released", 30.0)
    (line,) = [x for x in bench.relay_log() if x["event"] == "release" and x["mono_ns"] > since_ns]
    assert (line["coils"], line["reason"]) == ([2], "write")
    ledger.note(
        23,
        "stage 3 moved to another coil in the settings, SIGKILL, start: its old coil still energised",
        "released by a write, alone; the other stages stayed held off",
        reaction_s=station_s(bench, since_ns, line),
    )

    since_ns = time.monotonic_ns()
    write_coil(relays, FOREIGN, True)
    told = await alarm(bench, SUBJECT, since_ns, 20.0)
    assert f"relays: coil {FOREIGN}" in told["payload"]["text"]
    text = bench.settings_path.read_text()
    at = "      released_by: module_timeout\n"
    bench.settings_path.write_text(text.replace(at, f"{at}      foreign_coils: [{FOREIGN}]\n", 1))
    assert bench.daemon is not None
    bench.daemon.send(signal.SIGHUP)
    state = f"/value/station/{SUBJECT.removeprefix('station.')}"
    await bench.until(lambda: (value(bench, state) or {}).get("word", "")[:8] == "returned", "no alarm", 20.0)
    assert held(bench) == {0, 1, FOREIGN, MOVED, DEVICE_FAULT}
    assert len(written(bench, FOREIGN, since_ns)) == 1, "windingd wrote to another master's coil"
    ledger.note(
        23,
        "another master energises a coil between the named ones",
        f"“{told['payload']['data']['detail']}”; nothing was written to it; in foreign_coils: no alarm",
        detection_s=station_s(bench, since_ns, told),
    )
