"""Modes of the record's files whatever the umask; what reading a copy leaves beside it; live files."""

from __future__ import annotations

import os
import shutil
import socket
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from record_station import S, Walk, recorder, settings

from collector.operator import SOCKET_NAME
from collector.publish.outbox import Message, Outbox
from collector.record.files import own_directory, own_file
from collector.record.reader import Record, RecordError

WAIT_S = 30.0


@pytest.fixture(params=[0o000, 0o077], ids=["umask 0", "umask 077"])
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    """Nothing is withheld, or everything: in both cases the mode is ours."""
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def modes(place: Path) -> dict[str, str]:
    return {p.name: oct(p.stat().st_mode & 0o777) for p in place.iterdir()}


def test_every_file_is_made_with_its_mode(umask: int, tmp_path: Path) -> None:
    """Database, log and index while it is written, the checkpoint's copy, the directory."""
    place = tmp_path / "var" / "station"
    own_directory(place)
    r = recorder(settings(place))
    r.start()
    for step in Walk(settings(place)).steps(10):
        r.put(*step)
    r.put_checkpoint(b"state", 20 * S, 20 * S)
    assert r.flush(WAIT_S)
    assert oct(place.stat().st_mode & 0o777) == "0o750"
    files = ("record.sqlite", "record.sqlite-wal", "record.sqlite-shm", "checkpoint.json")
    assert modes(place) == dict.fromkeys(files, "0o640")
    assert r.stop(WAIT_S)
    assert modes(place) == dict.fromkeys(("record.sqlite", "checkpoint.json"), "0o640")


def test_a_file_set_aside_and_the_one_begun_for_it(umask: int, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    path.write_bytes(b"\x55" * 50_000)
    path.chmod(0o666)
    r = recorder(settings(tmp_path))
    r.start()
    r.put(*Walk(settings(tmp_path)).step())
    assert r.flush(WAIT_S)
    found = modes(tmp_path)
    assert any("damaged" in name for name in found)
    assert set(found.values()) == {"0o640"}
    assert r.stop(WAIT_S)


def test_a_file_of_an_older_version_gets_its_mode(umask: int, tmp_path: Path) -> None:
    """Where the umask once decided; the directory is left as somebody set it."""
    tmp_path.chmod(0o770)
    conn = sqlite3.connect(tmp_path / "old.sqlite")
    conn.execute("PRAGMA journal_mode=WAL")
    conn.execute("CREATE TABLE t(x)")
    for name in ("old.sqlite", "old.sqlite-wal", "old.sqlite-shm"):
        (tmp_path / name).chmod(0o666)
    own_directory(tmp_path)
    own_file(tmp_path / "old.sqlite")
    assert set(modes(tmp_path).values()) == {"0o640"}
    assert oct(tmp_path.stat().st_mode & 0o777) == "0o770"
    conn.close()


async def test_the_outbox_too(umask: int, tmp_path: Path) -> None:
    box = Outbox(tmp_path / "data" / "outbox.db", 1000, 0.05)
    box.start()
    box.put(Message("b", 1, "t", b"payload"))
    assert await box.flush(10)
    assert oct((tmp_path / "data").stat().st_mode & 0o777) == "0o750"
    assert set(modes(tmp_path / "data").values()) == {"0o640"}
    box.stop()


def test_control_sqlite_alone_goes_by_the_umask(umask: int, tmp_path: Path) -> None:
    """Without the code under test the same file has another mode."""
    conn = sqlite3.connect(tmp_path / "plain.sqlite")
    conn.execute("CREATE TABLE t(x)")
    conn.close()
    assert modes(tmp_path)["plain.sqlite"] != "0o640"


# --- reading ------------------------------------------------------------------------------------


def filled(place: Path) -> Path:
    r = recorder(settings(place))
    r.start()
    for step in Walk(settings(place), cycle_ns=20 * S).steps(30):
        r.put(*step)
    assert r.stop(WAIT_S)
    return place / "record.sqlite"


def count(path: Path) -> int:
    with Record(path) as record:
        return len(record.history("T1.top_oil_c", 0, 2**62).time_ns)


def test_reading_a_copy_leaves_nothing_beside_it(tmp_path: Path) -> None:
    here, there = tmp_path / "gateway", tmp_path / "laptop"
    here.mkdir()
    there.mkdir()
    shutil.copy(filled(here), there / "copied.sqlite")
    before = (there / "copied.sqlite").read_bytes()
    assert count(there / "copied.sqlite") == 10
    assert [p.name for p in there.iterdir()] == ["copied.sqlite"]
    assert (there / "copied.sqlite").read_bytes() == before


def test_control_an_ordinary_reader_leaves_an_empty_log(tmp_path: Path) -> None:
    path = filled(tmp_path)
    conn = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    conn.execute("SELECT count(*) FROM points").fetchone()
    conn.close()
    assert (tmp_path / "record.sqlite-wal").stat().st_size == 0


def test_a_copy_with_its_log_is_read_with_it(tmp_path: Path) -> None:
    """What stands in the log only is read too, and stays where it is."""
    here, there = tmp_path / "gateway", tmp_path / "laptop"
    here.mkdir()
    there.mkdir()
    r = recorder(settings(here))
    r.start()
    for step in Walk(settings(here), cycle_ns=20 * S).steps(30):
        r.put(*step)
    assert r.flush(WAIT_S)
    for name in ("record.sqlite", "record.sqlite-wal"):
        shutil.copy(here / name, there / name)
    assert r.stop(WAIT_S)
    log = (there / "record.sqlite-wal").read_bytes()
    assert len(log) > 10_000
    assert count(there / "record.sqlite") == 9  # the last interval was not over yet
    assert (there / "record.sqlite-wal").read_bytes() == log


def test_a_live_file_is_read_as_one(tmp_path: Path) -> None:
    """A writer that begins, writes and checkpoints meanwhile: the reader sees a whole state throughout.

    The daemon's socket says that one lives here, also while its file has no log yet.
    """
    path = filled(tmp_path)
    with socket.socket(socket.AF_UNIX) as lives_here:
        lives_here.bind(str(tmp_path / SOCKET_NAME))
        with Record(path) as record:
            first = len(record.history("T1.top_oil_c", 0, 2**62).time_ns)
            write_more(tmp_path)
            with Record(path) as second:
                assert len(second.history("T1.top_oil_c", 0, 2**62).time_ns) > first
            assert len(record.history("T1.top_oil_c", 0, 2**62).time_ns) > first


def test_a_copy_that_is_written_to_meanwhile_is_told(tmp_path: Path) -> None:
    """No socket, no log: taken for a copy. When it was none after all, the reader says so at the end."""
    path = filled(tmp_path)
    with pytest.raises(RecordError, match="was written to while it was read"), Record(path):
        write_more(tmp_path)


def write_more(place: Path) -> None:
    r = recorder(settings(place))
    r.start()
    for step in Walk(settings(place), wall_ns=1_783_100_000 * S, cycle_ns=20 * S).steps(200):
        r.put(*step)
    assert r.stop(WAIT_S)
