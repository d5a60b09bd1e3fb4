"""A file of every schema version opens, is upgraded in place, and still tells what it told.

fixtures/record_vN.sql is what a recorder of version N wrote (90 steps over a midnight, a reset of peaks, a
snapshot, a checkpoint; write_fixture.py). run_v1.sql holds 28 steps of the real engine with a lost sensor,
four commands and a restart, by the last program of version 1. Such files are never made again: a new
version adds a new one.
"""

from __future__ import annotations

import hashlib
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from record_station import S, Walk, recorder, settings

from collector.commands.main import main
from collector.record.reader import Record, RecordError
from collector.record.recorder import StoredCheckpoint
from collector.record.schema import MIGRATIONS

FIXTURES = Path(__file__).with_name("fixtures")
CHILD = Path(__file__).with_name("record_child.py")
WAIT_S = 30.0
TABLES = ["runs", "settings", "points", "journal", "journal_blocks", "snapshots", "lines", "history"]
TABLES += ["blocks", "events", "alarms", "commands", "peaks", "peak_resets", "counters", "checkpoint"]
#: Of each file: intervals of top oil, the sum of their means, its peak before the reset, its events.
TOLD = {1: (31, 620.469, 20.122, 3), 2: (31, 623.860, 20.288, 4)}


def build(version: int, place: Path, name: str = "record_v") -> Path:
    path = place / "record.sqlite"
    conn = sqlite3.connect(path)
    conn.executescript((FIXTURES / f"{name}{version}.sql").read_text())
    conn.close()
    return path


def rows(path: Path, columns: dict[str, str] | None = None) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table of version 1; `columns`: which of a table's."""
    conn = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    found = {t: conn.execute(f"SELECT {(columns or {}).get(t, '*')} FROM {t}").fetchall() for t in TABLES}
    conn.close()
    return found


def names(path: Path) -> dict[str, str]:
    conn = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    found = {t: ", ".join(r[1] for r in conn.execute(f"PRAGMA table_info({t})")) for t in TABLES}
    conn.close()
    return found


def upgrade(path: Path) -> None:
    """Open with this program's recorder and close again."""
    r = recorder(settings(path.parent, windings=1, stages=1), boot="boot-2")
    r.start()
    assert r.stop(WAIT_S)
    assert not [p for p in path.parent.iterdir() if ".sqlite." in p.name]  # not set aside


def test_there_is_a_file_of_every_version() -> None:
    assert sorted(p.name for p in FIXTURES.glob("record_v*.sql")) == [
        f"record_v{n}.sql" for n in range(1, len(MIGRATIONS) + 1)
    ]


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS) + 1))
def test_released_scripts_are_never_edited(version: int, tmp_path: Path) -> None:
    """The schema that the first N scripts make is the one that files of version N have."""
    conn = sqlite3.connect(":memory:")
    for script in MIGRATIONS[:version]:
        conn.executescript(script)
    made = dict(conn.execute("SELECT name, sql FROM sqlite_schema"))
    conn.close()
    conn = sqlite3.connect(build(version, tmp_path))
    found = dict(conn.execute("SELECT name, sql FROM sqlite_schema"))
    conn.close()
    assert found == made


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS) + 1))
def test_old_file_is_upgraded_in_place(version: int, tmp_path: Path) -> None:
    path = build(version, tmp_path)
    s = settings(tmp_path, windings=1, stages=1)
    r = recorder(s, boot="boot-2")
    found = r.load_checkpoint()
    assert isinstance(found, StoredCheckpoint)
    assert (found.data, found.boot_id) == (b"checkpoint", "boot-1")
    r.start()
    new = list(Walk(s, wall_ns=1_783_100_000 * S).steps(40))
    for step in new:
        r.put(*step)
    assert r.stop(WAIT_S)
    assert not [p for p in tmp_path.iterdir() if ".sqlite." in p.name]  # not set aside
    conn = sqlite3.connect(path)
    assert conn.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
    assert conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    conn.close()
    with Record(path) as record:
        old = record.history("T1.top_oil_c", 0, 1_783_090_000 * S)
        count, total, peak, events = TOLD[version]
        assert len(old.mean) == count
        assert old.time_ns[0] == 1_783_036_680 * S
        assert old.mean.sum() == pytest.approx(total, abs=0.02)
        assert len(list(record.journal(run=1))) == 90
        assert [i for _, i in record.journal(run=2)] == [i for i, _, _ in new]
        assert [x.data for x in record.snapshots()] == [b"snapshot"]
        reset = next(x for x in record.peak_resets() if x.old.point == "T1.top_oil_c")
        assert (reset.who, round(reset.old.value, 3)) == ("engineer", peak)
        assert [c.command.kind for c in record.commands()] == ["reset_peaks"]
        assert len(list(record.events(end_ns=1_783_090_000 * S))) == events
        assert [x.boot_id for x in record.runs()] == ["boot-1", "boot-2"]


@pytest.mark.parametrize("name", ["record_v", "run_v"])
def test_version_1_keeps_every_row(name: str, tmp_path: Path) -> None:
    """Byte by byte, in every table, but for what this start of the program adds."""
    path = build(1, tmp_path, name)
    before, columns = rows(path), names(path)
    empty = {t for t, found in before.items() if not found}
    assert not empty
    upgrade(path)
    after = rows(path, columns)
    for table in TABLES:
        missing = set(before[table]) - set(after[table])
        # The catalogue follows the settings of the running program: points may be told anew, none goes.
        if table == "points":
            assert {row[0] for row in before[table]} <= {row[0] for row in after[table]}
        else:
            assert not missing, table
    added = {t: len(after[t]) - len(before[t]) for t in TABLES if len(after[t]) != len(before[t])}
    assert set(added) <= {"runs", "points", "settings"}


def test_commands_of_version_1_learn_from_their_events(tmp_path: Path) -> None:
    """When it begins, whether it was accepted, what was answered: version 1 had it in the event only."""
    path = build(1, tmp_path, "run_v")
    with Record(path) as record:
        old = list(record.commands())
    assert [(c.command.id, c.command.after_min, c.accepted, c.answer) for c in old] == [
        (f"c{n}", None, None, None) for n in (1, 2, 3, 4)
    ]
    conn = sqlite3.connect(path)
    # An event of the same moment that is no JSON (a number that was infinite) must not stop the upgrade.
    conn.execute(
        "INSERT INTO events(run, mono_ns, wall_ns, kind, subject, text, data)"
        " SELECT run, mono_ns, wall_ns, 'command', 'T1', 'odd', '{\"id\": Infinity}' FROM commands"
    )
    conn.commit()
    conn.close()
    upgrade(path)
    with Record(path) as record:
        new = list(record.commands())
    assert [(c.command.id, c.command.kind, c.command.who, c.command.after_min, c.accepted) for c in new] == [
        ("c1", "expect_load", "shift engineer", 30.0, True),
        ("c2", "hold_off", "fitter", None, False),
        ("c3", "force_on", "fitter", None, True),
        ("c4", "reset_peaks", "engineer", None, True),
    ]
    assert new[1].answer == "hold_off T1.stage9 by fitter (socket): refused: no stage T1.stage9"


def test_a_copy_of_version_1_is_read_as_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """export, replay, report and explain on a laptop: no upgrade, not one byte of the file changed."""
    path = build(1, tmp_path, "run_v")
    before = hashlib.sha256(path.read_bytes()).digest()
    assert main(["export", str(path), "--points", "T1.top_oil_c,T1.HV_A.hot_spot_c"]) == 0
    assert len(capsys.readouterr().out.splitlines()) > 8
    main(["replay", str(path), "--journal"])  # its rules and points may have changed since: no equality asked
    told = capsys.readouterr().out
    assert "28 steps in 2 runs replayed" in told
    assert "the checkpoint it went on from is not in the record" in told
    assert main(["replay", str(path), "--history", "--to", str(tmp_path / "result.csv")]) == 0
    assert main(["report", str(path), "--output", str(tmp_path / "report.html")]) == 0
    assert main(["explain", str(path), "T1.stage2"]) == 0
    assert "T1.stage2" in capsys.readouterr().out
    assert hashlib.sha256(path.read_bytes()).digest() == before


def killed_in_upgrade(path: Path, statement: int, what: str = "upgrade") -> None:
    """This program upgrades the file in a process of its own, SIGKILLed after the n-th statement."""
    process = subprocess.run(
        [sys.executable, str(CHILD), what, str(path), str(statement)], capture_output=True, text=True
    )
    assert process.returncode == -signal.SIGKILL, process.stderr


#: BEGIN, three columns, the update, the table, user_version, application_id; the ninth is COMMIT.
STATEMENTS = 8


def test_a_kill_in_the_middle_of_the_upgrade_loses_nothing(tmp_path: Path) -> None:
    """SIGKILL after every single statement of the upgrade: version 1 with every row, then upgraded."""
    for statement in range(1, STATEMENTS + 1):
        place = tmp_path / str(statement)
        place.mkdir()
        path = build(1, place, "run_v")
        before, columns = rows(path), names(path)
        killed_in_upgrade(path, statement)
        assert names(path) == columns
        assert rows(path) == before
        upgrade(path)
        assert set(before["history"]) <= set(rows(path, columns)["history"])
        with Record(path) as record:
            assert [c.accepted for c in record.commands()] == [True, False, True, True]
    print(f"{STATEMENTS} kills, nothing lost")
    path = build(1, tmp_path, "run_v")
    killed_in_upgrade(path, STATEMENTS + 1)  # and right after COMMIT it is whole
    with Record(path) as record:
        assert [c.accepted for c in record.commands()] == [True, False, True, True]


def test_control_an_upgrade_without_a_transaction(tmp_path: Path) -> None:
    """The same kill with each statement on its own: half an upgrade, which the test above would see."""
    path = build(1, tmp_path, "run_v")
    columns = names(path)
    killed_in_upgrade(path, 2, "upgrade-without-transaction")
    assert names(path) != columns


def test_a_newer_file_is_set_aside_by_the_writer(tmp_path: Path) -> None:
    path = build(len(MIGRATIONS), tmp_path)
    conn = sqlite3.connect(path)
    conn.execute(f"PRAGMA user_version={len(MIGRATIONS) + 1}")
    conn.close()
    before = rows(path)
    r = recorder(settings(tmp_path, windings=1, stages=1), boot="boot-2")
    r.start()
    assert r.stop(WAIT_S)
    aside = list(tmp_path.glob("record.sqlite.newer-*Z"))
    assert [rows(p) for p in aside] == [before]
    with Record(path) as record:
        assert [run.boot_id for run in record.runs()] == ["boot-2"]
        assert any("newer file" in e.text for e in record.events())


def test_a_newer_file_is_refused_by_the_reader(tmp_path: Path) -> None:
    path = build(len(MIGRATIONS), tmp_path)
    conn = sqlite3.connect(path)
    conn.execute(f"PRAGMA user_version={len(MIGRATIONS) + 1}")
    conn.close()
    with pytest.raises(RecordError, match="newer than this program knows"):
        Record(path)
