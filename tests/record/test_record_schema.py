"""A file of every schema version opens, is upgraded in place, and still tells what it told.

fixtures/record_vN.sql is what a recorder of version N wrote (90 steps over a midnight, a reset of peaks, a
snapshot, a checkpoint). Such a file is never made again: a new version adds a new one.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from record_station import S, Walk, recorder, settings

from collector.record.reader import Record, RecordError
from collector.record.recorder import StoredCheckpoint
from collector.record.schema import MIGRATIONS

FIXTURES = Path(__file__).with_name("fixtures")
WAIT_S = 30.0


def build(version: int, place: Path) -> Path:
    path = place / "record.sqlite"
    conn = sqlite3.connect(path)
    conn.executescript((FIXTURES / f"record_v{version}.sql").read_text())
    conn.close()
    return path


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
        assert len(old.mean) == 31
        assert old.time_ns[0] == 1_783_036_680 * S
        assert old.mean.sum() == pytest.approx(620.469, abs=0.02)
        assert len(list(record.journal(run=1))) == 90
        assert [i for _, i in record.journal(run=2)] == [i for i, _, _ in new]
        assert [x.data for x in record.snapshots()] == [b"snapshot"]
        reset = next(x for x in record.peak_resets() if x.old.point == "T1.top_oil_c")
        assert (reset.who, round(reset.old.value, 3)) == ("engineer", 20.122)
        assert [c.command.kind for c in record.commands()] == ["reset_peaks"]
        assert len(list(record.events(end_ns=1_783_090_000 * S))) == 3
        assert [x.boot_id for x in record.runs()] == ["boot-1", "boot-2"]


def test_a_newer_file_is_refused_by_the_reader(tmp_path: Path) -> None:
    path = build(len(MIGRATIONS), tmp_path)
    conn = sqlite3.connect(path)
    conn.execute(f"PRAGMA user_version={len(MIGRATIONS) + 1}")
    conn.close()
    with pytest.raises(RecordError, match="newer than this program knows"):
        Record(path)
