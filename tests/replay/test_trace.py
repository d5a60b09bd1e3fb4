"""Everything a trace may get wrong: read rightly, or refused with file, line, column and what would be right."""

# ruff: noqa: E501  (a table: one fault, one line)
from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as checking
from hypothesis import strategies as st
from station_script import settings as station

from collector.commands.main import main
from collector.replay import trace
from collector.replay.run import steps, write_csv
from collector.replay.trace import Trace, TraceFault, parse_time
from collector.settings import example

SETTINGS = station()
HEADER = "time,T1.top_oil_c,T1.ambient_c,T1.HV_A.current_a"
ROW = "2026-07-14T12:00:00Z,60.5,20,100"


def read(tmp_path: Path, content: str | bytes) -> list[trace.Row]:
    path = tmp_path / "trace.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return list(Trace(path, SETTINGS))


def values(tmp_path: Path, content: str | bytes) -> list[list[float | None]]:
    return [list(row.values.values()) for row in read(tmp_path, content)]


ONE = [[60.5, 20.0, 100.0]]


@pytest.mark.parametrize(
    ("what", "content", "expected"),
    [
        ("plain", f"{HEADER}\n{ROW}\n", ONE),
        ("no newline at the end", f"{HEADER}\n{ROW}", ONE),
        ("CRLF", f"{HEADER}\r\n{ROW}\r\n", ONE),
        ("byte-order mark", b"\xef\xbb\xbf" + f"{HEADER}\n{ROW}\n".encode(), ONE),
        ("quoted cells", '"time","T1.top_oil_c"\n"2026-07-14T12:00:00Z","60.5"\n', [[60.5]]),
        ("spaces around cells", "time , T1.top_oil_c\n 2026-07-14T12:00:00Z , 60.5 \n", [[60.5]]),
        ("empty cells", f"{HEADER}\n2026-07-14T12:00:00Z,,20,\n", [[None, 20.0, None]]),
        ("blank lines", f"{HEADER}\n\n{ROW}\n\n,,,\n", ONE),
        ("exponent", f"{HEADER}\n2026-07-14T12:00:00Z,6.05e1,+20.,.1e3\n", ONE),
        ("a feedback nobody wired", "time,T1.stage1.feedback\n2026-07-14T12:00:00Z,1\n", [[1.0]]),
    ],
)
def test_read_rightly(tmp_path: Path, what: str, content: str | bytes, expected: list[list[float]]) -> None:
    assert values(tmp_path, content) == expected


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-07-14T12:00:00Z", "2026-07-14T12:00:00"),
        ("2026-07-14 12:00:00Z", "2026-07-14T12:00:00"),
        ("2026-07-14T12:00Z", "2026-07-14T12:00:00"),
        ("2026-07-14T14:00:00+02:00", "2026-07-14T12:00:00"),
        ("2026-07-14T14:00:00+0200", "2026-07-14T12:00:00"),
        ("2026-07-14T06:30:00-05:30", "2026-07-14T12:00:00"),
    ],
)
def test_times_with_z_or_an_offset(text: str, utc: str) -> None:
    assert parse_time(text) == int(datetime.fromisoformat(utc + "+00:00").timestamp()) * 10**9


def test_a_step_change_a_millisecond_or_a_nanosecond_apart(tmp_path: Path) -> None:
    times = ("12:00:00Z", "12:00:00.001Z", "12:00:00.001000001Z")
    rows = read(tmp_path, HEADER + "\n" + "".join(f"2026-07-14T{t},60,20,100\n" for t in times))
    assert [row.wall_ns - rows[0].wall_ns for row in rows] == [0, 1_000_000, 1_000_001]


def test_the_hour_that_comes_twice_in_autumn_is_told_apart_by_its_offset(tmp_path: Path) -> None:
    first, second = "2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00"
    rows = read(tmp_path, f"{HEADER}\n{first},60,20,100\n{second},60,20,100\n")
    assert rows[1].wall_ns - rows[0].wall_ns == 3600 * 10**9


def row(time: str = "2026-07-14T12:00:00Z", cells: str = "60,20,100") -> str:
    return f"{HEADER}\n{time},{cells}\n"


@pytest.mark.parametrize(
    ("what", "content", "line", "says"),
    [
        ("empty file", "", 1, "header: nothing here (the first line names the columns"),
        ("only a mark", b"\xef\xbb\xbf", 1, "header: nothing here"),
        ("header only", HEADER + "\n", 2, "row: no rows after the header"),
        ("no measurement", "time\n2026-07-14T12:00:00Z\n", 1, "header: no measurement column"),
        ("no time column", "T1.top_oil_c\n60\n", 1, "the first column must be `time`"),
        ("time not first", "T1.top_oil_c,time\n60,2026-07-14T12:00:00Z\n", 1, "the first column must be `time`"),
        ("semicolons", f"{HEADER}\n{ROW}\n".replace(",", ";"), 1, "separated by semicolons (separate them by commas"),
        ("tabs", f"{HEADER}\n{ROW}\n".replace(",", "\t"), 1, "separated by tabs"),
        ("semicolons below", f"{HEADER}\n{ROW}\n{ROW.replace(',', ';')}\n", 3, "row: 1 cells where the header has 4"),
        ("decimal commas", row(cells="60,5,20,100"), 2, "row: 5 cells where the header has 4 (a decimal comma"),
        ("quoted decimal comma", row(cells='"60,5",20,100'), 2, "T1.top_oil_c: '60,5' is not a number (write a decimal point"),
        ("wrong unit", "time,T1.top_oil_f\n", 1, "T1.top_oil_f: another unit than the settings' (convert the values and name the column T1.top_oil_c)"),
        ("wrong unit of a current", "time,T1.HV_A.current_ka\n", 1, "name the column T1.HV_A.current_a)"),
        ("no unit", "time,T1.top_oil\n", 1, "did you mean T1.top_oil_c?"),
        ("wrong name", "time,T1.oil_temperature\n", 1, "T1.oil_temperature: no such measurement"),
        ("another transformer", "time,T7.top_oil_c\n", 1, "did you mean T1.top_oil_c?"),
        ("a derived point", "time,T1.HV_A.hot_spot_c\n", 1, "no measurement column (T1.HV_A.hot_spot_c is derived; give one such as T1.top_oil_c)"),
        ("a column twice", "time,T1.top_oil_c,T1.top_oil_c\n", 1, "T1.top_oil_c: stands twice"),
        ("an empty name", "time,T1.top_oil_c,\n", 1, "(empty): no such measurement"),
        ("a cell too few", row(cells="60,20"), 2, "row: 3 cells"),
        ("words", row(cells="n/a,20,100"), 2, "T1.top_oil_c: 'n/a' is not a number (leave it empty"),
        ("not a number", row(cells="60,nan,100"), 2, "T1.ambient_c: 'nan' is not a finite number"),
        ("infinite", row(cells="60,20,1e999"), 2, "T1.HV_A.current_a: '1e999' is not a finite number"),
        ("digits with _", row(cells="6_0,20,100"), 2, "is not a plain number"),
        ("other digits", row(cells="٦٠,20,100"), 2, "is not a plain number"),
        ("hexadecimal", row(cells="0x3c,20,100"), 2, "is not a number"),
        ("negative current", row(cells="60,20,-100"), 2, "T1.HV_A.current_a: -100 A is negative"),
        ("a contact at 2", "time,T1.stage1.feedback\n2026-07-14T12:00:00Z,2\n", 2, "T1.stage1.feedback: 2 is neither 0 nor 1"),
        ("a contact in words", "time,T1.stage1.feedback\n2026-07-14T12:00:00Z,on\n", 2, "write 1 or 0"),
        ("local time", row("2026-07-14T12:00:00"), 2, "time: '2026-07-14T12:00:00' does not say which time it is"),
        ("a date", row("2026-07-14"), 2, "time: '2026-07-14' is not a time"),
        ("day first", row("14.07.2026 12:00"), 2, "time: '14.07.2026 12:00' is not a time (write it as"),
        ("month first", row("07/14/2026 12:00"), 2, "is not a time"),
        ("seconds since 1970", row("1784030400"), 2, "is not a time"),
        ("no such day", row("2026-02-30T12:00:00Z"), 2, "is not a time: day is out of range"),
        ("no such hour", row("2026-07-14T25:00:00Z"), 2, "is not a time"),
        ("an empty time", row(""), 2, "time: '' is not a time"),
        ("a repeated time", f"{HEADER}\n{ROW}\n{ROW}\n", 3, "repeats the time of the row before (times must strictly increase; write a step change as two rows 1 ms apart)"),
        ("the same moment in another zone", f"{HEADER}\n{ROW}\n2026-07-14T14:00:00+02:00,60,20,100\n", 3, "repeats the time"),
        ("a backward time", f"{HEADER}\n{ROW}\n2026-07-14T11:59:59Z,60,20,100\n", 3, "time: 2026-07-14T11:59:59Z is earlier than"),
        ("UTF-16", f"{HEADER}\n{ROW}\n".encode("utf-16"), 1, "is not UTF-8 text (save the file as UTF-8 CSV)"),
        ("Latin-1", f"{HEADER}\n{ROW}\n2026-07-14T12:01:00Z,60\xb0,20,100\n".encode("latin-1"), None, "is not UTF-8 text"),
        ("binary", bytes(range(256)) * 4, 1, "is not"),
        ("zero bytes", f"{HEADER}\n{ROW[:-1]}\0\n", 2, "holds a zero byte"),
        ("an open quotation mark", f'{HEADER}\n"{ROW}\n', None, "close every quotation mark"),
        ("a huge line", f"{HEADER}\n{ROW}{'9' * 300_000}\n", 2, "longer than 200000 characters"),
        ("a huge header", "time," + "x" * 300_000, 1, "longer than 200000 characters"),
        ("a long cell", row(cells="x" * 150_000 + ",20,100"), 2, "row: not well-formed CSV: field larger"),
    ],
)  # fmt: skip
def test_refused_with_line_column_and_remedy(
    tmp_path: Path, what: str, content: str | bytes, line: int | None, says: str
) -> None:
    with pytest.raises(TraceFault) as refused:
        read(tmp_path, content)
    text = str(refused.value)
    print(text[:300])
    assert says in text
    assert text.startswith(f"{tmp_path / 'trace.csv'}:" + (f"{line}: " if line else ""))
    assert len(text) < 700
    assert "\n" not in text


def test_a_missing_file_and_a_directory(tmp_path: Path) -> None:
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(TraceFault, match="cannot be read"):
            list(Trace(path, SETTINGS))


def test_the_command_refuses_in_one_line_and_leaves_an_older_result(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source, result = tmp_path / "trace.csv", tmp_path / "result.csv"
    result.write_text("older")
    source.write_text(f"{HEADER}\n{ROW}\n{ROW}\n")
    arguments = ["replay", str(example("demo.yaml")), "--from", str(source), "--to", str(result)]
    assert main(arguments) == 1
    message = capsys.readouterr().err
    assert message == f"windingd replay: {source}:3: time: {ROW[:20]} repeats the time of the row before (times must strictly increase; write a step change as two rows 1 ms apart)\n"
    assert result.read_text() == "older"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["result.csv", "trace.csv"]
    source.write_text(f"{HEADER}\n{ROW}\n")
    assert main(arguments) == 0
    assert result.read_text().startswith("time,")


def test_over_a_gap_no_line_is_drawn(tmp_path: Path) -> None:
    """Two hours without rows are longer than gap_s: the last values are held, not joined to the next ones."""
    begin = datetime(2026, 7, 14, 12, tzinfo=UTC)
    rows = [
        f"{begin + timedelta(minutes=m):%Y-%m-%dT%H:%M:%SZ},{70 if m < 100 else 100},20,250,250,250"
        for m in [*range(60), *range(180, 240)]
    ]
    header = "time,T1.top_oil_c,T1.ambient_c,T1.HV_A.current_a,T1.HV_B.current_a,T1.HV_C.current_a"
    path = tmp_path / "trace.csv"
    path.write_text("\n".join([header, *rows]) + "\n")
    source = Trace(path, SETTINGS)
    done = [outcome for _, outcome in steps(SETTINGS, "h", source.columns, source)]
    loss = [float(outcome.values["T1.HV_A.loss_of_life_h"].value or 0.0) for outcome in done]
    rate_before = (loss[59] - loss[49]) / 10  # per minute
    held = (loss[60] - loss[59]) / 121
    assert held == pytest.approx(rate_before, rel=0.2)  # along a line to 100 degC it would be six times that
    assert (loss[119] - loss[109]) / 10 > 10 * rate_before


def test_a_value_outside_the_sensors_range_counts_as_lost(tmp_path: Path) -> None:
    """An open Pt100 in the trace is an open Pt100: as at the station, every stage runs."""
    path = tmp_path / "trace.csv"
    late = "2026-07-14T12:10:00Z,850,20,100\n2026-07-14T12:11:00Z,850,20,100\n"
    path.write_text(f"{HEADER}\n{ROW}\n{late}")
    source = Trace(path, SETTINGS)
    *_, (_, last) = steps(SETTINGS, "h", source.columns, source)
    assert last.values["T1.top_oil_c"].quality.is_substituted
    assert float(last.values["T1.top_oil_c"].value or 0) < 100
    assert all(last.values[f"T1.stage{n}.called"].value for n in (1, 2, 3))


# --- any content at all -----------------------------------------------------------------------------

number = st.floats(-60, 180, allow_nan=False).map(lambda x: round(x, 3))
cell = st.one_of(st.none(), number)
zone = st.sampled_from([UTC, timezone(timedelta(hours=2)), timezone(-timedelta(hours=5, minutes=30))])


@checking(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.tuples(st.integers(1, 10**13), cell, cell), min_size=1, max_size=12),
    in_zone=zone,
    newline=st.sampled_from(["\n", "\r\n"]),
    quoted=st.booleans(),
    mark=st.booleans(),
    end=st.booleans(),
)
def test_what_is_written_is_what_is_read(
    tmp_path: Path,
    rows: list[tuple[int, float | None, float | None]],
    in_zone: timezone,
    newline: str,
    quoted: bool,
    mark: bool,
    end: bool,
) -> None:
    """However it is quoted, ended or marked: the same times and numbers."""
    at = int(datetime(2026, 7, 14, tzinfo=UTC).timestamp()) * 10**9
    out = io.StringIO()
    writer = csv.writer(out, lineterminator=newline, quoting=csv.QUOTE_ALL if quoted else csv.QUOTE_MINIMAL)
    writer.writerow(["time", "T1.top_oil_c", "T1.ambient_c"])
    expected = []
    for step, oil, ambient in rows:
        at += step
        local = datetime.fromtimestamp(at // 10**9, in_zone)
        offset = local.strftime("%z")
        writer.writerow([f"{local:%Y-%m-%dT%H:%M:%S}.{at % 10**9:09d}{offset}", oil, ambient])
        expected.append((at, oil, ambient))
    text = out.getvalue() if end else out.getvalue().rstrip("\r\n")
    found = read(tmp_path, (b"\xef\xbb\xbf" if mark else b"") + text.encode())
    assert [(r.wall_ns, *r.values.values()) for r in found] == expected


@checking(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    content=st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(lambda t: t.encode("utf-8", "surrogatepass")),
        st.text(alphabet=',;"\n\r\t .-+:0123456789TZe_nai', max_size=200).map(
            lambda t: f"{HEADER}\n{t}".encode()
        ),
    )
)
def test_any_bytes_are_rows_or_one_plain_sentence(tmp_path: Path, content: bytes) -> None:
    told = ""
    rows: list[trace.Row] = []
    try:
        rows = read(tmp_path, content)
    except TraceFault as fault:
        told = str(fault)
    if told:
        assert "\n" not in told
        assert told.startswith(f"{tmp_path / 'trace.csv'}:")
        assert "(" in told or "must be" in told
    else:
        assert rows
        assert all(a.wall_ns < b.wall_ns for a, b in pairwise(rows))


def test_results_read_back_to_the_same_bits(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    path.write_text(f"{HEADER}\n{ROW}\n2026-07-14T12:01:00Z,60.6,20.1,101\n")
    source = Trace(path, SETTINGS)
    done = list(steps(SETTINGS, "h", source.columns, source))
    out = io.StringIO()
    write_csv(SETTINGS, done, out, ["T1.HV_A.*"])
    out.seek(0)
    for written, (_, outcome) in zip(csv.DictReader(out), done, strict=True):
        for point in ("hot_spot_c", "loss_of_life_h", "gradient_k"):
            value = outcome.values[f"T1.HV_A.{point}"].value
            cell = written[f"T1.HV_A.{point}"]
            assert (float(cell) if cell else None) == value
