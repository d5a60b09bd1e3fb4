"""The recorder: events, alarms, commands, peaks, counters, checkpoints; restarts, reloads, damage."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from record_station import T0, S, Walk, recorder, settings

from collector.messages import Command, Decision, Event, Inputs, Outcome, Value
from collector.quality import GOOD, Detail, Quality, invalid, questionable
from collector.record.reader import Record, RecordError
from collector.record.recorder import Recorder, StoredCheckpoint

WAIT_S = 30.0


def step(
    n: int, values: dict[str, Value], commands: tuple[Command, ...] = (), events: tuple[Event, ...] = ()
) -> tuple[Inputs, Outcome, int]:
    inputs = Inputs(n * S, {}, commands=commands, settings_hash="hash-1")
    return inputs, Outcome(Decision(n, n * S, {}), values, events), T0 + n * S


def value(number: float | int, quality: Quality = GOOD) -> Value:
    return Value(number, quality)


def test_events_alarms_and_commands(tmp_path: Path) -> None:
    r = recorder(settings(tmp_path))
    r.start()
    alarm = "T1.alarm_top_oil_high"
    force = Command("c1", "force_on", "T1.stage1", "technician", "local", 30.0)
    expect = Command("c2", "expect_load", "T1", "engineer", "socket", 60.0, 1.25, after_min=30.0)
    event = Event(2 * S, "command", "T1.stage1", "forced on: done", {"id": "c1", "accepted": True})
    refused = Event(3 * S, "command", "T1", "refused: too long", {"id": "c2", "accepted": False})
    r.put(*step(1, {alarm: value(0)}))
    r.put(*step(2, {alarm: value(1)}, (force,), (event,)))
    r.put(*step(3, {alarm: value(1)}, (expect,), (refused,)))
    r.put(*step(4, {alarm: value(3)}))
    r.note(Event(5 * S, "start", "station", "windingd started"), T0 + 5 * S)
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        first, _, second = record.events()
        assert (first.kind, first.subject, first.text, first.data) == (
            event.kind, event.subject, event.text, dict(event.data),
        )  # fmt: skip
        assert (second.kind, second.wall_ns) == ("start", T0 + 5 * S)
        assert [(c.point, c.was, c.became, c.mono_ns) for c in record.alarm_changes()] == [
            (alarm, 0, 1, 2 * S),
            (alarm, 1, 3, 4 * S),
        ]
        done, not_done = record.commands()
        assert (done.command, done.accepted, done.answer) == (force, True, "forced on: done")
        assert (not_done.command, not_done.accepted) == (expect, False)
        assert not_done.answer == "refused: too long"
        assert [e.kind for e in record.events(kind="start")] == ["start"]
        assert [e.kind for e in record.events(end_ns=T0 + 3 * S)] == ["command"]


def test_peaks_and_their_reset(tmp_path: Path) -> None:
    """Highest valid value with its time; a reset keeps the old one, with who and how."""
    r = recorder(settings(tmp_path))
    r.start()
    r.put(*step(1, {"T1.top_oil_c": value(61.0), "T1.W1.hot_spot_c": value(80.0)}))
    r.put(*step(2, {"T1.top_oil_c": value(64.5, questionable(Detail.INACCURATE))}))
    r.put(*step(3, {"T1.top_oil_c": value(200.0, invalid(Detail.FAILURE))}))
    r.put(*step(4, {"T1.top_oil_c": value(190.0, Quality(test=True))}))
    r.put(*step(70, {"T1.top_oil_c": value(63.0)}))
    assert r.flush(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        peaks = {m.point: m for m in record.peaks()}
        assert (peaks["T1.top_oil_c"].value, peaks["T1.top_oil_c"].wall_ns) == (64.5, T0 + 2 * S)
        assert peaks["T1.top_oil_c"].quality == questionable(Detail.INACCURATE)
        assert peaks["T1.W1.hot_spot_c"].value == 80.0
    r.put(*step(71, {"T1.top_oil_c": value(66.0)}))
    r.put(*step(72, {"T1.top_oil_c": value(50.0)}, (Command("c", "reset_peaks", "T1", "engineer", "local"),)))
    r.put(*step(73, {"T1.top_oil_c": value(51.0)}, (Command("c", "reset_peaks", "T9", "engineer", "local"),)))
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        assert {m.point: m.value for m in record.peaks()} == {"T1.top_oil_c": 51.0}
        resets = {x.old.point: x for x in record.peak_resets()}
        assert {k: x.old.value for k, x in resets.items()} == {"T1.top_oil_c": 66.0, "T1.W1.hot_spot_c": 80.0}
        assert resets["T1.top_oil_c"].old.wall_ns == T0 + 71 * S
        assert (resets["T1.top_oil_c"].who, resets["T1.top_oil_c"].reset_wall_ns) == ("engineer", T0 + 72 * S)


def test_counters_hold_the_latest_value(tmp_path: Path) -> None:
    r = recorder(settings(tmp_path))
    r.start()
    for n in range(1, 200):
        r.put(*step(n, {"T1.stage1.run_hours": value(n / 3600), "T1.stage1.starts": value(n // 100)}))
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        assert {m.point: m.value for m in record.counters()} == {
            "T1.stage1.run_hours": 199 / 3600,
            "T1.stage1.starts": 1.0,
        }


def test_checkpoint_is_durable_before_it_is_said_to_be(tmp_path: Path) -> None:
    """``durable_checkpoint`` never runs ahead of what another connection finds in the file."""
    s = settings(tmp_path, commit_s=0.5)
    r = recorder(s)
    assert r.load_checkpoint() is None
    r.start()
    seen = []
    for n in range(1, 30):
        r.put_checkpoint(f"state {n}".encode(), n * S, T0 + n * S)
        durable = r.durable_checkpoint()
        if n % 7 == 0:
            assert r.flush(WAIT_S)
            durable = r.durable_checkpoint()
            assert durable is not None
            assert durable.mono_ns == n * S
        if durable is not None:
            found = recorder(s).load_checkpoint()
            assert found is not None
            assert found.mono_ns >= durable.mono_ns
            seen.append(durable.mono_ns)
    assert len(set(seen)) >= 4
    assert r.stop(WAIT_S)
    assert recorder(s).load_checkpoint() == StoredCheckpoint(b"state 29", "boot-1", 29 * S, T0 + 29 * S)


def test_kill_and_restart(tmp_path: Path) -> None:
    """SIGKILL of a recording process, three times over one file: the checkpoint it called durable is there,
    the journal is a whole beginning of what was put, and the next run goes on behind it."""
    child = Path(__file__).with_name("record_child.py")
    for kill in (1, 2, 3):
        command = [sys.executable, str(child), "record", str(tmp_path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            try:
                assert process.stdout is not None
                known = [process.stdout.readline() for _ in range(3 * kill)][-1]
            finally:
                process.kill()
        durable = int(known.split()[1])
        found = recorder(settings(tmp_path)).load_checkpoint()
        assert found is not None
        assert int(found.data) >= durable > 0
        with Record(tmp_path / "record.sqlite") as record:
            run = record.runs()[-1].run
            assert run == kill
            journal = [i for _, i in record.journal(run=run)]
            assert len(journal) >= durable
            assert journal == [i for i, _, _ in Walk(settings(tmp_path)).steps(len(journal))]
            assert record.skipped == 0


def test_checkpoint_order_is_not_the_clock(tmp_path: Path) -> None:
    """A later boot has small monotonic times and may think it is 1970: it is newer all the same."""
    s = settings(tmp_path)
    for boot, mono, wall in (("boot-1", 10**15, T0), ("boot-2", 5 * S, 60 * S)):
        r = recorder(s, boot=boot)
        r.load_checkpoint()
        r.start()
        r.put_checkpoint(boot.encode(), mono, wall)
        assert r.stop(WAIT_S)
    found = recorder(s).load_checkpoint()
    assert found == StoredCheckpoint(b"boot-2", "boot-2", 5 * S, 60 * S)


def test_one_spoilt_checkpoint_leaves_the_other(tmp_path: Path) -> None:
    s = settings(tmp_path)
    r = recorder(s)
    r.start()
    for n in (1, 2):
        r.put_checkpoint(f"state {n}".encode(), n * S, T0)
        assert r.flush(WAIT_S)
    assert r.stop(WAIT_S)
    conn = sqlite3.connect(tmp_path / "record.sqlite")
    conn.execute("UPDATE checkpoint SET crc = crc + 1 WHERE sequence = 2")
    conn.commit()
    conn.close()
    found = recorder(s).load_checkpoint()
    assert found is not None
    assert found.data == b"state 1"


@pytest.mark.parametrize("how", ["deleted", "overwritten", "emptied"])
def test_restart_with_a_lost_file_uses_the_copy(tmp_path: Path, how: str) -> None:
    """Gone or garbage while we were down: the copy serves, and the new file has the checkpoint at once."""
    s = settings(tmp_path)
    r = recorder(s)
    r.start()
    r.put_checkpoint(b"state", 7 * S, T0)
    assert r.stop(WAIT_S)
    path = tmp_path / "record.sqlite"
    if how == "deleted":
        path.unlink()
    else:
        path.write_bytes(b"\x55" * 50_000 if how == "overwritten" else b"")
    again = recorder(s, boot="boot-2")
    assert again.load_checkpoint() == StoredCheckpoint(b"state", "boot-1", 7 * S, T0)
    again.start()
    assert again.flush(WAIT_S)
    again.put_snapshot(b"x", 1, 1)
    assert again.stop(WAIT_S)
    (tmp_path / "checkpoint.json").unlink()
    third = recorder(s).load_checkpoint()
    assert third is not None
    assert third.data == b"state"


@pytest.mark.parametrize("content", ["", "{", '{"data": "AAAA", "crc": 1}', "[]", '{"data": 5}'])
def test_garbage_in_the_copy_is_no_checkpoint(tmp_path: Path, content: str) -> None:
    (tmp_path / "checkpoint.json").write_text(content)
    assert recorder(settings(tmp_path)).load_checkpoint() is None


def test_damage_while_running_keeps_everything_that_matters(tmp_path: Path) -> None:
    """The file turns to garbage under the running recorder: new file with run, catalogue, settings text,
    last checkpoint; the journal in it begins with a key frame; health says what happened."""
    s = settings(tmp_path, commit_s=0.5)
    r = recorder(s)
    r.start()
    walk = Walk(s)
    for one in walk.steps(50):
        r.put(*one)
    r.put_checkpoint(b"precious", walk.mono_ns, walk.wall_ns)
    assert r.flush(WAIT_S)

    def spoil(conn: sqlite3.Connection) -> None:
        if not any("damaged" in p.name for p in tmp_path.iterdir()):
            # what SQLite says when it meets a bad page, at the moment of our choosing
            error = sqlite3.DatabaseError("database disk image is malformed")
            error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise error

    after = list(walk.steps(50))
    for one in after[:25]:
        r.put(*one)
    r._writer.put(spoil)
    for one in after[25:]:
        r.put(*one)
    assert r.flush(WAIT_S)
    ok, why = r.health()
    assert not ok
    assert "set aside" in why
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        assert [i for _, i in record.journal()] == [i for i, _, _ in after]
        assert record.skipped == 0
        assert record.settings_text("hash-1").startswith("station")
        assert len(record.points()) == len(walk.points)
        assert len(record.runs()) == 1
        assert any("set aside" in e.text for e in record.events(kind="record"))
    found = recorder(s).load_checkpoint()
    assert found is not None
    assert found.data == b"precious"


def test_runs_are_marked(tmp_path: Path) -> None:
    """Every run with boot, rate, versions and CPU features; the accelerated one tells itself."""
    for rate, boot in ((1.0, "boot-1"), (200.0, "boot-2")):
        r = recorder(settings(tmp_path), rate, boot)
        r.start()
        r.put(*step(1, {"T1.top_oil_c": value(50.0)}))
        assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        runs = record.runs()
        assert [(x.run, x.boot_id, x.rate, x.station) for x in runs] == [
            (1, "boot-1", 1.0, "TESTFIELD"),
            (2, "boot-2", 200.0, "TESTFIELD"),
        ]
        assert all(x.numpy and x.version and ":" in x.cpu for x in runs)


def test_reload_changes_catalogue_and_interval(tmp_path: Path) -> None:
    """New settings: text and points are stored, history goes on at the new interval, nothing is lost."""
    old, new = settings(tmp_path, windings=1), settings(tmp_path, windings=2, history_s=10.0)
    r = recorder(old)
    r.start()
    for n in range(1, 91):
        r.put(*step(n, {"T1.W1.load_pu": value(n)}))
    r.use_settings(new, "second text", "hash-2")
    for n in range(91, 201):
        r.put(*step(n, {"T1.W1.load_pu": value(n), "T1.W2.load_pu": value(n)}))
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        assert record.settings_text("hash-2") == "second text"
        assert record.settings_hashes() == ["hash-1", "hash-2"]
        series = record.history("T1.W1.load_pu", 0, 2**62)
        assert series.min[0] == 1
        assert series.max[-1] == 200
        assert (series.max[:-1] + 1 == series.min[1:]).all()
        assert set(series.interval_s) == {60.0, 10.0}
        assert record.history("T1.W2.load_pu", 0, 2**62).min[0] == 91


def test_disk_that_is_not_there_costs_the_step_nothing(tmp_path: Path) -> None:
    """A file is in the way: every call returns, health is bad; once it is gone the directory is made."""
    s = settings(tmp_path / "later")
    (tmp_path / "later").touch()
    r = Recorder(s, recorder(s)._clock, settings_hash="h", settings_text="t", boot_id="b")
    assert r.load_checkpoint() is None
    r.start()
    for one in Walk(s).steps(100):
        r.put(*one)
    r.put_checkpoint(b"x", 1, 1)
    while r.health()[0]:
        r.flush(0.05)
    assert r.durable_checkpoint() is None
    (tmp_path / "later").unlink()
    assert r.flush(60.0)
    assert r.durable_checkpoint() is not None
    assert r.stop(WAIT_S)
    with Record(tmp_path / "later" / "record.sqlite") as record:
        assert len(list(record.journal())) == 100


def test_removed_in_use(tmp_path: Path) -> None:
    """The file, then its whole directory: begun anew with checkpoint and this run's peaks, and told."""
    place = tmp_path / "data"
    s = settings(place)
    r = recorder(s)
    assert r.load_checkpoint() is None
    r.start()
    r.put(*step(1, {"T1.top_oil_c": value(77.0)}))
    r.put_checkpoint(b"state", S, T0 + S)
    r.put(*step(70, {"T1.top_oil_c": value(50.0)}))  # ends the interval: the peak is handed over
    assert r.flush(WAIT_S)
    for remove in (lambda: (place / "record.sqlite").unlink(), lambda: shutil.rmtree(place)):
        remove()
        r.put(*step(71, {"T1.top_oil_c": value(50.0)}))
        assert r.flush(WAIT_S)
        assert "removed in use" in r.health()[1]
        with Record(place / "record.sqlite") as record:
            assert {m.point: m.value for m in record.peaks()} == {"T1.top_oil_c": 77.0}
            assert any("removed in use" in event.text for event in record.events())
        found = recorder(s).load_checkpoint()
        assert found is not None
        assert found.data == b"state"
    assert r.stop(WAIT_S)


def test_an_earlier_record_that_turns_up_late_waits_to_be_joined(tmp_path: Path) -> None:
    """Nothing is written to it before; what was put meanwhile follows."""
    place = tmp_path / "data"
    s = settings(place)
    first = recorder(s)
    first.load_checkpoint()
    first.start()
    first.put_checkpoint(b"high", 5 * S, T0)
    assert first.stop(WAIT_S)
    place.rename(tmp_path / "elsewhere")
    place.touch()
    r = Recorder(s, recorder(s)._clock, settings_hash="h", settings_text="t", boot_id="another boot")
    assert r.load_checkpoint() is None
    r.start()
    r.put_checkpoint(b"low", 6 * S, T0 + S)
    assert not r.flush(0.1)
    place.unlink()
    (tmp_path / "elsewhere").rename(place)
    while (found := r.late()) is None:
        assert not r.flush(0.05)
    assert found.data == b"high"
    assert not r.flush(0.5)
    assert not r.health()[0]
    again = recorder(s).load_checkpoint()
    assert again is not None
    assert again.data == b"high"
    r.put_checkpoint(b"joined", 7 * S, T0 + 2 * S)
    r.joined(found)
    assert r.flush(WAIT_S)
    again = recorder(s).load_checkpoint()
    assert again is not None
    assert again.data == b"joined"
    assert r.late() is None
    assert r.stop(WAIT_S)


def test_files_set_aside_are_asked_too(tmp_path: Path) -> None:
    """One in place goes first; without it the newest set aside that holds a checkpoint."""
    s = settings(tmp_path)
    for n, kind in enumerate(("newer-20260101T000000Z", "damaged-20260201T000000Z")):
        name = f"record.sqlite.{kind}"
        r = recorder(s)
        r.start()
        r.put_checkpoint(f"state {n}".encode(), n * S, T0)
        assert r.stop(WAIT_S)
        (tmp_path / "checkpoint.json").unlink()
        (tmp_path / "record.sqlite").rename(tmp_path / name)
        os.utime(tmp_path / name, (n, n))
    (tmp_path / "record.sqlite.damaged-20260301T000000Z").write_bytes(b"rubbish")
    r = recorder(s)
    found = r.load_checkpoint()
    assert found is not None
    assert found.data == b"state 1"
    assert [c.data for c in r.set_aside] == [b"state 0"]


def test_reading_what_is_no_record(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no such file"):
        Record(tmp_path / "nothing")
    (tmp_path / "text").write_text("time,T1.top_oil_c\n" * 100)
    with pytest.raises(RecordError, match="not a record"):
        Record(tmp_path / "text")
    conn = sqlite3.connect(tmp_path / "other")
    conn.execute("CREATE TABLE t(x)")
    conn.close()
    with pytest.raises(RecordError, match="not a record of windingd"):
        Record(tmp_path / "other")


def test_reading_while_writing(tmp_path: Path) -> None:
    """A reader in the middle of the journal neither blocks the writer nor is disturbed by it."""
    s = settings(tmp_path, commit_s=0.5)
    r = recorder(s)
    r.start()
    walk = Walk(s)
    first = list(walk.steps(1200))
    for one in first:
        r.put(*one)
    assert r.flush(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        reading = record.journal()
        got = [next(reading)]
        for one in walk.steps(1500):
            r.put(*one)
        assert r.flush(WAIT_S)
        got += list(reading)
        assert [i for _, i in got] == [i for i, _, _ in first]
    assert r.stop(WAIT_S)


def test_event_data_of_numpy_is_json(tmp_path: Path) -> None:
    import numpy as np

    r = recorder(settings(tmp_path))
    r.start()
    r.put(*step(1, {}, (), (Event(S, "mode", "T1", "x", {"a": np.float64(0.1), "b": np.bool_(True)}),)))
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        (event,) = record.events()
        assert json.dumps(event.data) == '{"a": 0.1, "b": true}'
