"""What `windingd export` writes is a trace of `windingd replay`: understood, or refused; nothing guessed."""

# ruff: noqa: E501  (a table: one fault, one line)
from __future__ import annotations

import csv
import json
import random
from math import sin
from pathlib import Path

import pytest
from recorded import Recorded
from station_script import Bad
from station_script import settings as station

from collector.commands.main import main
from collector.replay.trace import Trace, TraceFault

#: Export rounds temperatures and currents to 0.01; the hot spot of a replay may move by so much [K].
TOLERANCE_K = 0.02


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """(record, settings file) of three hours with stages coming and going, and a lost sensor."""
    place = tmp_path_factory.mktemp("recorded")
    s = Recorded(place)
    draw = random.Random(7)
    for n in range(1080):
        load = 1.0 + 0.35 * sin(n / 120)
        oil: float | Bad = 48.0 + 22.0 * sin(n / 150) + draw.gauss(0, 0.1)
        s.set(amps=200.0 * load * (1 + draw.gauss(0, 0.003)), ambient=20.0 + 2 * sin(n / 400))
        s.set(oil=Bad() if 500 < n < 560 else oil)
        s.cycle(10.0 + draw.uniform(-0.2, 0.2))
    settings = place / "station.yaml"
    settings.write_text(json.dumps(s.tree), encoding="utf-8")
    return s.close(), settings


def table(path: Path) -> dict[str, dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return {row["time"]: row for row in csv.DictReader(file)}


@pytest.mark.parametrize("points", ["T1.*", "T1.*_c,T1.*.current_a,T1.stage*.*"])
def test_a_replay_from_the_export_is_the_replay_from_history(
    points: str, recorded: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Same rows, same hot spots within the rounding of the export, same calls."""
    record, settings = recorded
    exported, by_export, by_history = (tmp_path / f"{n}.csv" for n in ("exported", "trace", "history"))
    assert main(["export", str(record), "--points", points, "--output", str(exported)]) == 0
    capsys.readouterr()
    assert main(["replay", str(settings), "--from", str(exported), "--to", str(by_export)]) == 0
    notes = capsys.readouterr().err
    assert notes.count("note: columns not read, since they are no measurement: ") == 1
    assert "T1.HV_A.hot_spot_c" in notes
    assert "rows are means over their interval_s, taken as samples at the middle of it" in notes
    assert main(["replay", str(record), "--history", "--to", str(by_history)]) == 0
    ours, theirs = table(by_export), table(by_history)
    assert ours.keys() == theirs.keys()
    assert len(ours) > 175
    apart, calls = [], set()
    for time, row in ours.items():
        for phase in "ABC":
            point = f"T1.HV_{phase}.hot_spot_c"
            assert row[f"{point}.quality"] == theirs[time][f"{point}.quality"]
            apart.append(abs(float(row[point]) - float(theirs[time][point])))
        for n in (1, 2, 3):
            assert row[f"T1.stage{n}.called"] == theirs[time][f"T1.stage{n}.called"]
        calls.add(tuple(row[f"T1.stage{n}.called"] for n in (1, 2, 3)))
    print(f"{len(apart)} hot spots, at most {max(apart):.4f} K apart; calls seen {sorted(calls)}")
    assert max(apart) < TOLERANCE_K
    assert len(calls) >= 3
    # A minute with the sensor lost is a missing reading, so that every stage runs as it did.
    lost = [row for row in ours.values() if "substituted" in row["T1.top_oil_c.quality"]]
    assert 8 <= len(lost) <= 13
    assert all(row["T1.stage3.called"] == "1" for row in lost[1:])


SETTINGS = station()
HEAD = "time,interval_s,T1.top_oil_c,T1.top_oil_c.min,T1.top_oil_c.max,T1.top_oil_c.quality,T1.stage1.feedback"


def read(tmp_path: Path, text: str) -> tuple[list[tuple[str, list[float | None]]], list[str]]:
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    trace = Trace(path, SETTINGS)
    return [(row.time, list(row.values.values())) for row in trace], trace.notices


@pytest.mark.parametrize(
    ("quality", "oil"),
    [
        ("good", 60.5),
        ("questionable:inaccurate", 60.5),
        ("", 60.5),
        ("invalid:failure", None),
        ("invalid:oldData,operatorBlocked", None),
        ("questionable:inaccurate,substituted", None),
    ],
)
def test_quality_decides_whether_there_was_a_reading(quality: str, oil: float | None, tmp_path: Path) -> None:
    rows, _ = read(tmp_path, f"{HEAD}\n2026-07-14T12:00:00Z,60,60.5,60.1,60.9,\"{quality}\",0.35\n")
    assert rows == [("2026-07-14T12:00:30.000Z", [oil, 0.0])]


def test_notices_name_what_is_not_read(tmp_path: Path) -> None:
    _, notices = read(tmp_path, f"{HEAD},T1.hot_spot_c,T1.hot_spot_c.quality\n2026-07-14T12:00:00Z,60,60,,,,1,80,\n")
    assert [n for n in notices if "not read" in n] == [
        "columns not read, since they are no measurement: T1.hot_spot_c, T1.top_oil_c.min, T1.top_oil_c.max"
    ]


def test_a_plain_trace_with_qualities(tmp_path: Path) -> None:
    """Without interval_s a row is a sample at its time, and a contact open or closed."""
    head = "time,T1.top_oil_c,T1.top_oil_c.quality"
    rows, notices = read(tmp_path, f"{head}\n2026-07-14T12:00:00Z,60.5,good\n2026-07-14T12:01:00Z,60.7,invalid\n")
    assert rows == [("2026-07-14T12:00:00Z", [60.5]), ("2026-07-14T12:01:00Z", [None])]
    assert notices == ["a value whose quality is invalid or substituted is a missing reading"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time,T1.top_oil_c,T1.ambient_c.quality\n", ":1: T1.ambient_c.quality: quality of a column that is not"),
        ("time,T1.top_oil_c,T1.nothing_c.quality\n", ":1: T1.nothing_c.quality: no such measurement"),
        ("time,T1.top_oil_c,T1.top_oil_c_quality\n", ":1: T1.top_oil_c_quality: no such measurement"),
        (
            "time,T1.top_oil_c,T1.top_oil_c.quality\n2026-07-14T12:00:00Z,60,fine\n",
            ":2: T1.top_oil_c.quality: unknown validity 'fine' (good, questionable or invalid)",
        ),
        ("time,interval_s,T1.top_oil_c\n2026-07-14T12:00:00Z,,60\n", ":2: interval_s: '' is not a length"),
        ("time,interval_s,T1.top_oil_c\n2026-07-14T12:00:00Z,-60,60\n", ":2: interval_s: '-60' is not a length"),
        ("time,interval_s,T1.top_oil_c\n2026-07-14T12:00:00Z,60,60\n2026-07-14T12:00:00Z,60,60\n", ":3: time: 2026-07-14T12:00:00Z repeats"),
        ("time,T1.stage1.feedback\n2026-07-14T12:00:00Z,0.35\n", "0.35 is neither 0 nor 1"),
    ],
)
def test_refused(text: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(TraceFault) as refused:
        read(tmp_path, text)
    print(refused.value)
    assert says in str(refused.value)
