"""``windingd export``: the right rows in three formats, from a live file or a copy, and clear refusals."""

from __future__ import annotations

import csv
import io
import json
import os
import pty
import re
import shutil
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from record_station import T0, S, Walk, recorder, settings

from collector.commands.main import main
from collector.messages import Decision, Inputs, Outcome, Value
from collector.quality import GOOD, Detail, Quality, invalid
from collector.record.export import ExportError, parse_resolution, parse_time, station_time, utc
from collector.record.reader import Record
from collector.record.upkeep import Limits, Upkeep

WAIT_S = 30.0


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A day and a half of record, so that part of it is sealed."""
    place = tmp_path_factory.mktemp("record")
    s = settings(place, windings=2, stages=1, journal_days=0.0)
    r = recorder(s)
    r.start()
    for n, step in enumerate(Walk(s, cycle_ns=30 * S).steps(4320)):
        r.put(*step)
        if n % 1000 == 0:
            assert r.flush(WAIT_S)
    assert r.stop(WAIT_S)
    return place / "record.sqlite"


def export(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, str]]:
    assert main(["export", *words]) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def test_csv_holds_what_the_reader_gives(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = export(capsys, str(filled), "--points", "T1.W1.hot_spot_c,T1.stage1.starts")
    with Record(filled) as record:
        series = record.history("T1.W1.hot_spot_c", 0, 2**62)
    assert [row["time"] for row in rows] == [utc(t) for t in series.time_ns.tolist()]
    assert rows[0]["time"] == "2026-07-02T13:47:00Z"
    for i, row in enumerate(rows):
        mean = row["T1.W1.hot_spot_c"]
        if np.isnan(series.mean[i]):
            assert mean == ""
        else:
            assert re.fullmatch(r"-?\d+\.\d{1,2}", mean)  # steps of 0.01 °C
            assert float(mean) == pytest.approx(series.mean[i], abs=0.005 + 1e-9)
        assert row["T1.W1.hot_spot_c.quality"] == str(Quality.from_bits(int(series.quality[i])))
        assert row["interval_s"] == "60"
        int(row["T1.stage1.starts"])
    assert len(rows) == 2160


def test_sealed_or_not_the_same_numbers_are_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No 41.900000000000006 before a day is sealed and 41.9 after it, at any resolution."""
    r = recorder(settings(tmp_path, windings=1, stages=1))
    r.start()
    for n in range(120):
        now = n * 20 * S
        values = {
            "T1.top_oil_c": Value(419 * 0.1 + n * 0.1, GOOD),
            "T1.W1.loss_of_life_h": Value(0.1 + n / 30_000, GOOD),
            "T1.stage1.running": Value(n % 7 == 0, GOOD),
            "T1.effectiveness_k": Value(-0.001 * n % 0.004 - 0.002, GOOD),
        }
        r.put(Inputs(now, {}), Outcome(Decision(n, now, {}), values), T0 + now)
    assert r.stop(WAIT_S)
    path = tmp_path / "record.sqlite"
    kinds = ([], ["--resolution", "15m"], ["--format", "jsonl"])

    def written() -> list[str]:
        found = []
        for words in kinds:
            assert main(["export", str(path), "--points", "T1.*", *words]) == 0
            found.append(capsys.readouterr().out)
        return found

    plain = written()
    assert not re.search(r"\d\.\d{7}|-0\.0[^0-9]", plain[0] + plain[2])
    assert re.search(r"^2026-07-02T13:47:00Z,60,42\.\d,", plain[0], re.M)
    conn = sqlite3.connect(path, isolation_level=None)
    keep = Upkeep(path, Limits(30, 400, 2000), lambda *_: None)
    while keep.seal_history(conn, 0, 0):
        pass
    assert conn.execute("SELECT count(*) FROM history").fetchone() == (0,)
    conn.close()
    sealed = written()
    assert sealed[0] == plain[0]
    assert sealed[2] == plain[2]
    # 15 minutes are means of what is there: of rounded parts once they are sealed
    for a, b in zip(csv.reader(io.StringIO(plain[1])), csv.reader(io.StringIO(sealed[1])), strict=True):
        for x, y in zip(a, b, strict=True):
            assert x == y or float(x) == pytest.approx(float(y), abs=0.0101)
    assert not re.search(r"\d\.\d{7}", plain[1] + sealed[1])


def test_formats_agree(filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """CSV, JSON lines and Parquet hold the same rows; local time stands beside UTC."""
    import pyarrow.parquet

    out = {kind: tmp_path / f"x.{kind}" for kind in ("csv", "jsonl", "parquet")}
    for path in out.values():
        words = [str(filled), "--points", "T1.*_c", "--resolution", "15m", "--station-time", "Europe/London"]
        assert main(["export", *words, "--output", str(path)]) == 0
    assert not capsys.readouterr().out
    rows = list(csv.DictReader(out["csv"].open(newline="")))
    objects = [json.loads(line) for line in out["jsonl"].open()]
    table: dict[str, list[Any]] = pyarrow.parquet.read_table(out["parquet"]).to_pydict()
    assert len(rows) == len(objects) == len(table["time"]) > 140
    for i, (row, thing) in enumerate(zip(rows, objects, strict=True)):
        assert row["time"] == thing["time"]
        assert table["time"][i].timestamp() == datetime.fromisoformat(row["time"]).timestamp()
        assert row["station_time"] == thing["station_time"] == table["station_time"][i]
        assert datetime.fromisoformat(row["station_time"]).astimezone(UTC) == datetime.fromisoformat(
            row["time"]
        )
        assert row["station_time"].endswith("+01:00")
        values = thing["values"]["T1.W2.hot_spot_c"]
        assert float(row["T1.W2.hot_spot_c.max"]) == values["max"] == table["T1.W2.hot_spot_c.max"][i]
        assert row["T1.W2.hot_spot_c.quality"] == values["quality"] == table["T1.W2.hot_spot_c.quality"][i]


def test_the_period_of_a_sealed_record_is_that_of_its_intervals(
    filled: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not that of the months its blocks are kept by."""
    with Record(filled) as record:
        span = record.span()
        times = record.history("T1.W1.hot_spot_c", 0, 2**62).time_ns
    assert span is not None
    assert 0 <= int(times[0]) - span[0] < 900 * S  # the 15-minute intervals reach a little further
    assert 0 < span[1] - int(times[-1]) <= 900 * S
    assert main(["export", str(filled), "--from", "2031-01-01"]) == 64
    assert "(the record holds 2026-07-02T13:4" in capsys.readouterr().err


def test_period_pattern_and_order(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--from", "2026-07-02T14:00:00Z", "--to", "2026-07-02T17:00+02:00", "--resolution", "15m"]
    rows = export(capsys, str(filled), "--points", "T1.W2.load_pu, T1.W?.hot_spot_c", *words)
    assert [row["time"][11:16] for row in rows] == ["14:00", "14:15", "14:30", "14:45"]
    assert [n for n in rows[0] if n.startswith("T1.") and not n.endswith((".min", ".max", ".quality"))] == [
        "T1.W2.load_pu",
        "T1.W1.hot_spot_c",
        "T1.W2.hot_spot_c",
    ]


def test_a_copy_on_a_read_only_place(
    filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The bare file, copied to a laptop; and on media that cannot be written."""
    copy = tmp_path / "copied.sqlite"
    shutil.copy(filled, copy)
    expected = export(capsys, str(filled), "--points", "T1.top_oil_c")
    assert export(capsys, str(copy), "--points", "T1.top_oil_c") == expected
    assert export(capsys, str(filled.parent), "--points", "T1.top_oil_c") == expected
    if os.geteuid() == 0:
        place = tmp_path / "media"
        place.mkdir()
        if subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(place)], capture_output=True).returncode == 0:
            try:
                shutil.copy(filled, place / "r.sqlite")
                subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
                assert export(capsys, str(place / "r.sqlite"), "--points", "T1.top_oil_c") == expected
            finally:
                subprocess.run(["umount", "-l", str(place)], check=True)


def test_gaps_and_missing_values_stay_empty(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No row where nothing ran, an empty cell where there was no value, always a quality beside it."""
    r = recorder(settings(tmp_path))
    r.start()
    bad = Value(None, invalid(Detail.FAILURE))
    for minute, oil in ((0, Value(60.25, GOOD)), (1, bad), (7, Value(61.0, GOOD))):
        now = minute * 60 * S
        r.put(Inputs(now, {}), Outcome(Decision(1, now, {}), {"T1.top_oil_c": oil}), T0 + now)
    assert r.stop(WAIT_S)
    rows = export(capsys, str(tmp_path), "--points", "T1.top_oil_c")
    assert [(row["time"][14:16], row["T1.top_oil_c"], row["T1.top_oil_c.quality"]) for row in rows] == [
        ("46", "60.25", "good"),
        ("47", "", "invalid:failure"),
        ("53", "61.0", "good"),
    ]


def test_points_of_different_reloads_stand_side_by_side(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    r = recorder(settings(tmp_path, windings=1))
    r.start()
    for minute in range(4):
        if minute == 2:
            r.use_settings(settings(tmp_path, windings=2), "text", "hash-2")
        now = minute * 60 * S
        values = {f"T1.W{n}.load_pu": Value(float(minute), GOOD) for n in ((1, 2) if minute >= 2 else (1,))}
        r.put(Inputs(now, {}), Outcome(Decision(1, now, {}), values), T0 + now)
    assert r.stop(WAIT_S)
    rows = export(capsys, str(tmp_path), "--points", "*.load_pu")
    assert [(row["T1.W1.load_pu"], row["T1.W2.load_pu"]) for row in rows] == [
        ("0.0", ""), ("1.0", ""), ("2.0", "2.0"), ("3.0", "3.0"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "status", "expected"),
    [
        (["--points", "T1.topoil_c"], 64, "no such point: T1.topoil_c (did you mean T1.top_oil_c"),
        (["--points", " , "], 64, "--points names none"),
        (["--points", "T7.*"], 64, "no point matches the pattern: T7.*"),
        (["--from", "12.07.2026"], 64, "'12.07.2026' is not a time (write it as 2026-07-12T14:30:00Z"),
        (["--from", "2026-02-30"], 64, "'2026-02-30'"),
        (["--from", "2026-07-02T15:00"], 64, "does not say which time it is (add Z for UTC"),
        (
            ["--from", "2026-07-03", "--to", "2026-07-02"],
            64,
            "--to 2026-07-02 is not after --from 2026-07-03",
        ),
        (["--from", "2031-01-01", "--to", "2031-01-02"], 64, "nothing recorded"),
        (
            ["--from", "2026-10-25T01:30", "--station-time", "Europe/London"],
            64,
            "(write 2026-10-25T01:30:00+01:00 or 2026-10-25T01:30:00+00:00)",
        ),
        (["--resolution", "5"], 64, "'5' is not a resolution (write 1m, 15m, 1h, 1d, or recorded)"),
        (["--station-time", "Mars/Olympus"], 64, "is not a time zone (write one of the tz database"),
        (["--output", "/nonexistent/x.csv"], 1, "/nonexistent/x.csv"),
    ],
)
def test_refusals_say_what_would_be_right(
    filled: Path, capsys: pytest.CaptureFixture[str], words: list[str], status: int, expected: str
) -> None:
    assert main(["export", str(filled), *words]) == status
    said = capsys.readouterr().err
    assert expected in said
    assert "Traceback" not in said


def test_files_that_are_no_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(tmp_path)]) == 1
    assert "no such file (the record is data_dir/record.sqlite)" in capsys.readouterr().err
    (tmp_path / "a.csv").write_text("time\n" * 500)
    assert main(["export", str(tmp_path / "a.csv")]) == 1
    assert "not a record" in capsys.readouterr().err


def test_damaged_file_is_a_sentence(filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Damage from the third page on (the catalogue too), and only further back (met in the middle)."""
    whole = filled.read_bytes()
    for start in (8192, len(whole) // 3):
        image = bytearray(whole)
        for at in range(start, len(image), 3):
            image[at] = at * 31 % 256
        (tmp_path / "bad.sqlite").write_bytes(image)
        assert main(["export", str(tmp_path / "bad.sqlite"), "--output", str(tmp_path / "x.csv")]) == 1
        said = capsys.readouterr().err
        assert "damaged" in said
        assert "Traceback" not in said
        assert not (tmp_path / "x.csv").exists()


def test_a_failed_export_leaves_no_half_file(filled: Path, tmp_path: Path) -> None:
    out = tmp_path / "x.csv"
    assert main(["export", str(filled), "--points", "nothing", "--output", str(out)]) == 64
    assert list(tmp_path.iterdir()) == []


def test_parquet_without_its_extra(
    filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["export", str(filled), "--output", str(tmp_path / "x.parquet")]) == 64
    assert "pip install 'windingd[parquet]'" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_reader_of_the_pipe_goes_away(filled: Path) -> None:
    """``| head -1``: no traceback, exit 0."""
    script = 'set -o pipefail; python -m collector.commands.main export "$0" | head -1 > /dev/null'
    code = "import sys; from collector.commands.main import main; sys.exit(main(sys.argv[1:]))"
    script = '"$1" -c "$2" export "$0" | head -1 > /dev/null; exit ${PIPESTATUS[0]}'
    done = subprocess.run(
        ["bash", "-c", script, str(filled), sys.executable, code], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr


def test_progress_bar_only_on_a_terminal(filled: Path, tmp_path: Path) -> None:
    code = "import sys; from collector.commands.main import main; sys.exit(main(sys.argv[1:]))"
    words = [sys.executable, "-c", code, "export", str(filled), "--output", str(tmp_path / "x.csv")]
    plain = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert plain.stderr == f"2160 rows, {len(settings_points(filled))} points\n"
    ours, theirs = pty.openpty()
    done = subprocess.Popen(words, stderr=theirs, env={**os.environ, "TERM": "xterm", "COLUMNS": "80"})
    os.close(theirs)
    seen = b""
    try:
        while chunk := os.read(ours, 4096):
            seen += chunk
    except OSError:  # how Linux says that the other side of a terminal was closed
        pass
    os.close(ours)
    assert done.wait(60) == 0
    assert b"exporting" in seen
    assert b"%" in seen


def settings_points(path: Path) -> list[str]:
    with Record(path) as record:
        return [p.id for p in record.points()]


def test_list_and_accelerated_note(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    s = settings(tmp_path)
    r = recorder(s, rate=50.0)
    r.start()
    for step in Walk(s).steps(60):
        r.put(*step)
    assert r.stop(WAIT_S)
    assert main(["export", str(tmp_path), "--list"]) == 0
    assert "T1.W1.hot_spot_c\tdegC\tfloat\twinding hot spot\n" in capsys.readouterr().out
    assert main(["export", str(tmp_path), "--points", "T1.top_oil_c"]) == 0
    assert "accelerated runs (rate 50)" in capsys.readouterr().err


def test_times_as_people_write_them() -> None:
    assert parse_time("2026-07-12T14:30:00Z") == 1783866600 * S
    assert parse_time("2026-07-12 16:30+02:00") == 1783866600 * S
    assert parse_time("2026-07-12T14:30:00.25Z") == 1783866600 * S + S // 4
    assert parse_time("2026-07-12") == 1783814400 * S
    london = ZoneInfo("Europe/London")
    assert parse_time("2026-07-12T15:30", london) == 1783866600 * S
    assert parse_time("2026-07-12", london) == (1783814400 - 3600) * S
    for bad in ("", "now", "2026-7-12", "2026-07-12T14", "1783866600", "2026-07-12T25:00Z", "12/07/2026"):
        with pytest.raises(ExportError):
            parse_time(bad)
    for unclear in ("2026-10-25T01:30", "2026-03-29T01:30"):  # comes twice; does not exist
        with pytest.raises(ExportError, match="does not exist or comes twice in Europe/London"):
            parse_time(unclear, london)
    assert parse_time("2026-10-25T01:30+01:00", london) == 1792888200 * S
    assert parse_resolution("15m") == 900
    assert parse_resolution("1d") == 86_400
    # the hour that is lived through twice in autumn differs by its offset
    repeated = [station_time(1792890000 * S + h * 3600 * S, london) for h in (0, 1)]
    assert repeated == ["2026-10-25T01:00:00+00:00", "2026-10-25T02:00:00+00:00"]
    assert station_time(1792886400 * S, london) == "2026-10-25T01:00:00+01:00"
