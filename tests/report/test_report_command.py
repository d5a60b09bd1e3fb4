"""`windingd report`: what a person gets on the terminal, good and bad."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import report_station as rs

from collector.commands.main import main
from collector.record.reader import Record


def _fails(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    status = main(["report", *words])
    told = capsys.readouterr()
    assert told.out == ""
    assert "Traceback" not in told.err
    return status, told.err


def test_a_report_of_a_copy(three_days: rs.Told, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Only the file is needed: neither its directory, nor settings, nor a daemon."""
    copy = tmp_path / "from the station.sqlite"
    shutil.copy(three_days.path, copy)
    out = tmp_path / "r.html"
    assert main(["report", str(copy), "--transformer", "T1", "--output", str(out)]) == 0
    assert out.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert "2026-07-09T00:00:00Z to 2026-07-12T00:00:00Z" in capsys.readouterr().out
    assert [p.name for p in tmp_path.iterdir() if p.suffix == ".part"] == []


def test_the_directory_of_a_record_and_a_period(
    three_days: rs.Told, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "r.html"
    words = ["--from", "2026-07-10", "--to", "2026-07-11T06:00", "--station-time", "Europe/London"]
    assert main(["report", str(three_days.path.parent), *words, "--output", str(out)]) == 0
    assert "2026-07-09T23:00:00Z to 2026-07-11T05:00:00Z" in capsys.readouterr().out
    assert "10 Jul 2026 00:00 to 11 Jul 2026 06:00 Europe/London" in out.read_text(encoding="utf-8")


def test_the_default_is_the_last_seven_days(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two hours of history, a gap of ten days, two more hours: the last 7 days end with the record."""
    settings, text, digest = rs.station(tmp_path)
    r = rs.recorder(settings, text, digest, 1.0, "boot-1")
    from collector.messages import Decision, Inputs, Outcome, Value
    from collector.quality import GOOD

    for n in [*range(120), *range(14_400, 14_520)]:
        wall_ns = rs.T0 + n * rs.MINUTE
        outcome = Outcome(Decision(n, wall_ns, {}), {"T1.hot_spot_c": Value(50.0, GOOD)}, ())
        r.put(Inputs(wall_ns, {}), outcome, wall_ns)
    assert r.stop(60.0)
    assert main(["report", str(tmp_path), "--output", str(tmp_path / "r.html")]) == 0
    assert "2026-07-12T02:00:00Z to 2026-07-19T02:00:00Z" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "status", "expected"),
    [
        (["--from", "2026-07-10", "--to", "2026-07-10"], 1, "period is empty"),
        (["--from", "2026-07-11", "--to", "2026-07-10"], 1, "is not after its start"),
        (["--from", "2025-07-10", "--to", "2025-07-11"], 1, "the record holds 2026-07-09T00:00:00Z to"),
        (["--from", "2026-07-10T07:00:00Z", "--to", "2026-07-10T13:00:00Z"], 1, "nothing is recorded from"),
        (["--from", "July"], 64, "'July' is not a time"),
        (["--from", "2026-07-10T07:00"], 64, "does not say which time it is"),
        (["--station-time", "Mars"], 64, "is not a time zone"),
        (["--transformer", "T9"], 1, "no transformer T9 in this record (it has T1)"),
        (["--output", "/no/such/place/r.html"], 1, "No such file or directory"),
    ],
)
def test_what_cannot_be_reported(
    three_days: rs.Told,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    words: list[str],
    status: int,
    expected: str,
) -> None:
    out = tmp_path / "r.html"
    given = words if "--output" in words else [*words, "--output", str(out)]
    found, told = _fails(capsys, str(three_days.path), *given)
    assert (found, expected in told) == (status, True), told
    assert not out.exists()


def test_a_record_without_history(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings, text, digest = rs.station(tmp_path)
    r = rs.recorder(settings, text, digest, 1.0, "boot-1")
    assert r.stop(60.0)
    status, told = _fails(capsys, str(tmp_path), "--output", str(tmp_path / "r.html"))
    assert status == 1
    assert "holds no history yet" in told


def test_files_that_are_no_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    missing = _fails(capsys, str(tmp_path / "nothing.sqlite"))
    assert missing[0] == 1
    assert "no such file" in missing[1]
    (tmp_path / "text.sqlite").write_text("a spreadsheet, surely\n" * 500, encoding="utf-8")
    foreign = _fails(capsys, str(tmp_path / "text.sqlite"))
    assert foreign[0] == 1
    assert "not a record" in foreign[1]


def test_a_damaged_record_is_said(
    three_days: rs.Told, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every tenth of the file overwritten in turn: a report or one clear sentence, never a traceback."""
    whole = three_days.path.read_bytes()
    said = 0
    for tenth in range(1, 10):
        data = bytearray(whole)
        at = len(data) * tenth // 10
        data[at : at + len(data) // 10] = b"\xa5" * len(data[at : at + len(data) // 10])
        damaged = tmp_path / f"damaged{tenth}.sqlite"
        damaged.write_bytes(data)
        status = main(["report", str(damaged), "--output", str(tmp_path / "r.html")])
        told = capsys.readouterr()
        assert "Traceback" not in told.err
        if status:
            said += 1
            assert "damaged" in told.err, told.err
    print(f"damaged: {said} of 9 copies could not be reported")
    assert said > 0


def test_reading_leaves_the_record_alone(three_days: rs.Told, tmp_path: Path) -> None:
    copy = tmp_path / "record.sqlite"
    shutil.copy(three_days.path, copy)
    before = copy.read_bytes()
    assert main(["report", str(copy), "--output", str(tmp_path / "r.html")]) == 0
    assert copy.read_bytes() == before
    with Record(copy) as record:
        assert len(record.runs()) == 2
