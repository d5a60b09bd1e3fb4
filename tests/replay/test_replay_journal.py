"""The journal of a live run, replayed in another process, gives the same decisions, values and states.

A live run of the daemon against simulated devices: jittered by a busy machine, with sensor faults, an
operator's commands, a reload and a restart. Control: one altered digit in a copy of the journal.
"""

from __future__ import annotations

import asyncio
import json
import math
import re
import shutil
import signal
import sqlite3
import sys
import zlib
from pathlib import Path
from typing import Any

import pytest
from recorded import Recorded

from collector.commands.main import main
from collector.demo.bench import Bench
from collector.operator import OperatorClient
from collector.record.reader import Record
from simulators.station import Station

RATE = 20.0
STAGES = {0, 1, 2}


def quick(text: str) -> str:
    """Short times, so that stages come and go within seconds, and a small journal block."""
    text = re.sub(r"\n  data_dir:", "\n  return_hold_s: 10.0\n  return_after_s: 4.0\n  data_dir:", text)
    times = r"\n\1minimum_run_s: 10.0\n\1max_starts_per_h: 60\n\1pickup:"
    text, count = re.subn(r"\n(\s+)pickup:", times, text)
    assert count == 3
    return text


def held(bench: Bench) -> set[int]:
    """Coils energised, by the relay module's own log."""
    coils: set[int] = set()
    for line in bench.relay_log():
        if line["event"] == "energise":
            coils |= set(line["coils"])
        elif line["event"] == "release":
            coils -= set(line["coils"])
    return coils & STAGES


def status(bench: Bench) -> dict[str, Any]:
    found = bench.status()
    assert found is not None
    return found


async def replayed(record: Path, *more: str) -> tuple[int, str]:
    """(exit status, output) of ``windingd replay RECORD --journal`` in a process of its own."""
    arguments = ["-m", "collector.commands.main", "replay", str(record), "--journal", *more]
    process = await asyncio.create_subprocess_exec(
        sys.executable, *arguments, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    output, _ = await process.communicate()
    assert process.returncode is not None
    return process.returncode, output.decode()


@pytest.fixture(scope="session")
def live_record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The data directory of one eventful live run, made once."""
    directory = tmp_path_factory.mktemp("live")
    asyncio.run(_live(directory))
    return directory / "data"


async def _live(directory: Path) -> None:
    station = Station(rate=RATE, load=0.4, ambient_c=15.0, log_dir=directory / "devices")
    async with Bench(station, directory, publish_s=20.0, edit=quick) as bench:
        await bench.start_daemon()
        await bench.until(lambda: held(bench) == STAGES, "three stages held off", 60.0)
        await bench.station.fault("oil_tx", "open", address=0)
        await bench.until(lambda: not held(bench), "every stage runs on a lost sensor", 60.0)
        await bench.station.clear("oil_tx")
        await bench.until(lambda: held(bench) == STAGES, "held off again", 60.0)
        with OperatorClient(bench.data_dir) as client:
            client.request(request="command", kind="force_on", target="T1.stage2", minutes=600)
        await bench.until(lambda: 1 not in held(bench), "stage 2 forced on", 60.0)
        # A reload in the middle: another limit.
        text = bench.settings_path.read_text(encoding="utf-8")
        changed = text.replace("pickup: {top_oil_c: 80.0, hot", "pickup: {top_oil_c: 79.0, hot")
        assert changed != text
        bench.settings_path.write_text(changed, encoding="utf-8")
        before = status(bench)["settings_hash"]
        assert bench.daemon is not None
        bench.daemon.send(signal.SIGHUP)
        await bench.until(lambda: status(bench)["settings_hash"] != before, "reload")
        with OperatorClient(bench.data_dir) as client:
            client.request(request="command", kind="automatic", target="T1.stage2")
        await bench.until(lambda: held(bench) == STAGES, "stage 2 held off again", 60.0)
        await bench.daemon.end(signal.SIGKILL)
        bench.daemon = None
        await bench.until(lambda: not held(bench), "released by the module", 30.0)
        await bench.start_daemon()
        await bench.until(lambda: held(bench) == STAGES, "held off after the restart", 60.0)
        await bench.station.fault("ct_tx", "cut")
        await bench.until(lambda: not held(bench), "every stage runs without currents", 60.0)
        since = status(bench)["sequence"]
        await bench.until(lambda: status(bench)["sequence"] > since + 60, "sixty steps more", 60.0)
        assert bench.daemon is not None
        assert await bench.daemon.end(signal.SIGTERM) == 0
        bench.daemon = None


async def test_every_decision_value_and_state_again_in_another_process(live_record: Path) -> None:
    status, output = await replayed(live_record)
    print(output)
    assert status == 0, output
    steps = int(re.search(r"(\d+) steps in 2 runs", output)[1])  # type: ignore[index]
    assert steps > 100
    assert f"decisions equal: {steps} of {steps}" in output
    assert f"equal: {steps} of {steps}" in output
    states = re.search(r"states with loss of life equal \(bit by bit\): (\d+) of (\d+)", output)
    assert states is not None
    assert states[1] == states[2]
    assert int(states[1]) >= 3  # at the reload, at the checkpoint restarted from, at the end
    assert "restores from a checkpoint equal (bit by bit): 1 of 1 restarts" in output
    assert int(re.search(r"(\d+) stage changes", output)[1]) >= 5  # type: ignore[index]
    assert re.search(r"[1-9]\d* commands, 1 reloads", output)
    assert "result: no difference" in output


async def test_what_the_journal_holds_is_what_the_relay_module_saw(live_record: Path) -> None:
    """The stage changes are real ones: the record's own decisions moved coils."""
    with Record(live_record / "record.sqlite") as record:
        coils = [dict(step.decision.energise) for step in record.steps()]
    assert any(all(not c[f"T1.stage{n}"] for n in (1, 2, 3)) for c in coils if c)
    assert any(all(c[f"T1.stage{n}"] for n in (1, 2, 3)) for c in coils if c)


def altered(record: Path, directory: Path) -> Path:
    """A copy in which the least significant bit of one recorded reading is another one."""
    directory.mkdir()
    for file in record.glob("record.sqlite*"):
        shutil.copy(file, directory / file.name)
    with sqlite3.connect(directory / "record.sqlite") as conn:
        blocks = conn.execute("SELECT id, frames FROM journal_blocks ORDER BY id").fetchall()
        plain = conn.execute("SELECT id, frame FROM journal ORDER BY id").fetchall()
        for where, rows in (("block", blocks), ("row", plain)):
            for row, content in rows:
                frames = zlib.decompress(content).decode().split("\n") if where == "block" else [content]
                for i, text in enumerate(frames):
                    frame = json.loads(text)
                    if "p" in frame:  # a key frame: readings by name
                        continue
                    new = (c for c in frame.get("r", ()) if len(c) == 3 and isinstance(c[2], float))
                    change = next(new, None)
                    if change is None:
                        continue
                    change[2] = math.nextafter(change[2], math.inf)
                    frames[i] = json.dumps(frame, separators=(",", ":"))
                    if where == "block":
                        packed = zlib.compress("\n".join(frames).encode(), 9)
                        conn.execute("UPDATE journal_blocks SET frames = ? WHERE id = ?", (packed, row))
                    else:
                        conn.execute("UPDATE journal SET frame = ? WHERE id = ?", (frames[i], row))
                    return directory
    raise AssertionError("no reading to alter")


async def test_the_live_run_was_eventful(live_record: Path) -> None:
    """What that replay had to get right: faults, commands, a reload, a restart from a checkpoint."""
    with Record(live_record / "record.sqlite") as record:
        steps = list(record.steps())
        restarts, commands, runs = record.restarts(), list(record.commands()), record.runs()
    lost = {i for step in steps for i, r in step.inputs.readings.items() if r.quality.is_invalid}
    assert {"T1.top_oil_c", "T1.HV_A.current_a"} <= lost
    assert [(c.command.kind, c.accepted) for c in commands] == [("force_on", True), ("automatic", True)]
    assert all(c.command.who and c.command.how and c.answer for c in commands)
    assert len({step.inputs.settings_hash for step in steps}) == 2
    assert [(r.run, r.from_run, r.same_boot) for r in restarts] == [(runs[1].run, runs[0].run, True)]


async def test_control_one_altered_input_bit_is_told(live_record: Path, tmp_path: Path) -> None:
    status, output = await replayed(altered(live_record, tmp_path / "copy"))
    print(output)
    assert status == 1
    assert "result: no difference" not in output
    assert re.search(r"differs: \S+Z (step|decision) \d+", output)


# --- a restart ------------------------------------------------------------------------------------


def restarted(directory: Path, *, same_boot: bool = True) -> Path:
    """A scripted run, killed ten steps after its last checkpoint, and the run after it."""
    station = Recorded(directory, oil=55.0, amps=180.0)
    station.run(60.0)
    station.checkpoint()
    station.set(oil=64.0).run(20.0)
    station.restart(gap_s=40.0, same_boot=same_boot)
    station.run(60.0)
    return station.close()


def told(path: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    status = main(["replay", str(path), "--journal"])
    return status, capsys.readouterr().out


@pytest.mark.parametrize("same_boot", [True, False])
def test_the_restore_from_the_checkpoint_is_computed_again(
    same_boot: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, output = told(restarted(tmp_path, same_boot=same_boot), capsys)
    assert status == 0, output
    assert "restores from a checkpoint equal (bit by bit): 1 of 1 restarts" in output
    # The checkpoint itself is a state of the run before, and equal too.
    assert "states with loss of life equal (bit by bit): 1 of 1 snapshots" in output
    assert "70 steps in 2 runs" in output


def test_control_one_altered_bit_of_the_checkpoint_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = restarted(tmp_path)
    with sqlite3.connect(path) as conn:
        checkpoint = json.loads(zlib.decompress(conn.execute("SELECT data FROM restarts").fetchone()[0]))
        life = checkpoint["thermal"]["life_h"][0]
        life[0] = math.nextafter(life[0], math.inf)
        packed = zlib.compress(json.dumps(checkpoint, separators=(",", ":")).encode())
        conn.execute("UPDATE restarts SET data = ?", (packed,))
    conn.close()
    status, output = told(path, capsys)
    assert status == 1
    assert "restores from a checkpoint equal (bit by bit): 0 of 1 restarts" in output
    what = r"differs: \S+Z restart from the checkpoint of \S+Z: thermal\.life_h\[0\]\[0\] differ"
    assert re.search(what, output)


def test_control_one_altered_bit_of_the_gap_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = restarted(tmp_path)
    with sqlite3.connect(path) as conn:
        (gap_s,) = conn.execute("SELECT gap_s FROM restarts").fetchone()
        conn.execute("UPDATE restarts SET gap_s = ?", (gap_s + 1e-6,))
    conn.close()
    status, output = told(path, capsys)
    assert status == 1
    assert "restores from a checkpoint equal (bit by bit): 0 of 1 restarts" in output


def test_a_checkpoint_that_cannot_be_restored_is_a_difference(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = restarted(tmp_path)
    with sqlite3.connect(path) as conn:
        conn.execute("UPDATE restarts SET data = ?, from_run = NULL", (zlib.compress(b"{}"),))
    conn.close()
    status, output = told(path, capsys)
    assert status == 1
    assert "checkpoint is not of format" in output


def test_steps_that_never_reached_the_disk_are_no_difference(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A snapshot behind steps that are missing is where the replay goes on, not a state to compare with."""
    station = Recorded(tmp_path, oil=55.0)
    station.run(20.0)
    kept = station.recorder.put
    station.recorder.put = lambda *_: None  # type: ignore[method-assign]
    station.run(10.0)
    station.recorder.put = kept  # type: ignore[method-assign]
    station.snapshot()
    station.run(20.0)
    status, output = told(station.close(), capsys)
    assert status == 0, output
    assert "decisions equal: 20 of 20" in output
    assert re.search(r"note: steps before \S+Z are not in the journal", output)
