"""Other settings on the same load and weather: what-if, as recorded, side by side; history and usage."""

from __future__ import annotations

import csv
import re
import sqlite3
import zlib
from collections.abc import Iterator
from math import sin
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from recorded import WALL_NS, Recorded
from scipy.integrate import solve_ivp
from station_script import settings as station

from collector.commands.main import main
from collector.messages import Outcome
from collector.quality import Validity
from collector.record.reader import Record
from collector.replay import lanes
from collector.replay.history import History
from collector.replay.run import steps
from collector.replay.summary import Summarise, UnitSummary, hours_above
from collector.replay.trace import Row
from collector.settings import example

COLUMNS = ["T1.top_oil_c", "T1.ambient_c", *(f"T1.HV_{p}.current_a" for p in "ABC")]


def sooner(tree: Any) -> None:
    """Stages 1 and 2 together are mode ONAF; here both start 15 K sooner."""
    for stage in tree["transformers"][0]["stages"][:2]:
        for key in ("pickup", "dropout"):
            stage[key] = {name: value - 15.0 for name, value in stage[key].items()}


def rows(count: int = 1500, step_s: float = 60.0, **more: float) -> list[Row]:
    made = []
    for i in range(count):
        load = 0.75 + 0.35 * sin(i * step_s / 60 / 230)
        ambient = 20 + 8 * sin(i * step_s / 60 / 229 - 1)
        oil = ambient + 45 * load**1.5
        values = dict(zip(COLUMNS, [oil, ambient, 200 * load, 200 * load, 200 * load], strict=True))
        made.append(Row(i + 2, "", WALL_NS + int(i * step_s * 1e9), {**values, **more}))
    return made


def stepped(others: list[lanes.Lane], trace: list[Row], columns: list[str] = COLUMNS) -> list[lanes.Stepped]:
    return list(lanes.run([lanes.Lane("base", station(), "h"), *others], columns, trace))


def series(done: list[lanes.Stepped], point: str, lane: int = 0) -> np.ndarray:
    values = [d.outcome.values[lanes.name(point, lane)].value for d in done]
    return np.array([np.nan if v is None else float(v) for v in values])


def test_what_if_with_the_same_settings_changes_nothing() -> None:
    done = stepped([lanes.Lane("same", station(), "h", closed_loop=True, shifted=True)], rows())
    for point in ("T1.top_oil_c", "T1.HV_A.hot_spot_c", "T1.HV_A.loss_of_life_h", "T1.stage1.called"):
        assert np.array_equal(series(done, point), series(done, point, 1), equal_nan=True)
    assert series(done, "T1.stage1.called").any()


def test_cooling_that_starts_sooner_cools_by_what_the_model_says() -> None:
    """The oil moves by model(new) - model(old): solved here by scipy from the modes that were in force."""
    trace = rows()
    done = stepped([lanes.Lane("sooner", station(sooner), "h", closed_loop=True, shifted=True)], trace)
    modes = [series(done, "T1.mode", lane).astype(int) - 1 for lane in (0, 1)]
    assert (modes[0] != modes[1]).sum() > 60
    moved = series(done, "T1.top_oil_c", 1) - series(done, "T1.top_oil_c")
    assert moved.min() < -1.0
    expected = model_oil(trace, modes[1]) - model_oil(trace, modes[0])
    assert np.abs(moved - expected).max() < 0.01
    cooler = series(done, "T1.HV_A.loss_of_life_h", 1)[-1] < series(done, "T1.HV_A.loss_of_life_h")[-1]
    assert cooler
    # it is marked as an estimate, and so is what rests on it; the recorded lane is not
    oil = done[-1].outcome.values["T1~1.top_oil_c"].quality
    assert oil.validity is Validity.QUESTIONABLE
    assert not oil.is_substituted
    assert done[-1].outcome.values["T1.top_oil_c"].quality.is_good
    assert not done[-1].outcome.values["T1~1.HV_A.hot_spot_c"].quality.is_good


def model_oil(trace: list[Row], modes: np.ndarray) -> np.ndarray:
    """Top oil by IEC 60076-7 for the scripted station's two modes; design figures from memory."""
    rise, r, tau = (50.0, 48.0), (3.0, 6.75), (210.0 * 60 * 0.5, 150.0 * 60 * 0.5)
    rated = (200.0, 300.0)
    oil = [trace[0].values["T1.top_oil_c"]]
    for i in range(1, len(trace)):
        a, b, m = trace[i - 1].values, trace[i].values, int(modes[i - 1])
        span = (trace[i].wall_ns - trace[i - 1].wall_ns) / 1e9

        def rhs(t: float, y: Any, a: Any = a, b: Any = b, m: int = m, span: float = span) -> list[float]:
            amps = a[COLUMNS[2]] + (b[COLUMNS[2]] - a[COLUMNS[2]]) * t / span
            air = a[COLUMNS[1]] + (b[COLUMNS[1]] - a[COLUMNS[1]]) * t / span
            p = (1 + r[m] * (amps / rated[m]) ** 2) / (1 + r[m])
            return [(p**0.8 * rise[m] + air - y[0]) / tau[m]]

        oil.append(float(solve_ivp(rhs, (0, span), [oil[-1]], rtol=1e-8, atol=1e-8).y[0, -1]))
    return np.array(oil)


def test_as_recorded_keeps_oil_and_running_and_only_calls_differ() -> None:
    columns = [*COLUMNS, *(f"T1.stage{n}.feedback" for n in (1, 2, 3))]
    trace = rows(**{f"T1.stage{n}.feedback": 0.0 for n in (1, 2, 3)})
    done = stepped([lanes.Lane("sooner", station(sooner), "h")], trace, columns)
    for point in ("T1.top_oil_c", "T1.HV_A.hot_spot_c", "T1.mode"):
        assert np.array_equal(series(done, point), series(done, point, 1), equal_nan=True)
    assert series(done, "T1.stage1.called", 1).sum() > series(done, "T1.stage1.called").sum()


def test_recorded_feedback_decides_the_mode_of_the_first_and_calls_that_of_the_other() -> None:
    columns = [*COLUMNS, *(f"T1.stage{n}.feedback" for n in (1, 2, 3))]
    trace = rows(**{f"T1.stage{n}.feedback": 0.0 for n in (1, 2, 3)})
    done = stepped([lanes.Lane("other", station(sooner), "h", True, True)], trace, columns)
    assert set(series(done, "T1.mode")) == {1.0}
    assert set(series(done, "T1.mode", 1)) == {1.0, 2.0}


def test_many_scenarios_in_one_step_are_each_what_they_are_alone() -> None:
    alone = [outcome for _, outcome in steps(station(sooner), "h", COLUMNS, rows(600))]
    done = stepped([lanes.Lane(str(n), station(sooner), "h") for n in range(5)], rows(600))
    for point in ("T1.HV_B.hot_spot_c", "T1.HV_B.loss_of_life_h", "T1.stage2.called", "T1.stage2.reason"):
        together = series(done, point, 5)
        single = np.array([np.nan if (v := o.values[point].value) is None else float(v) for o in alone])
        assert np.allclose(together, single, rtol=1e-12, atol=0, equal_nan=True)


def test_leaving_values_out_changes_no_state() -> None:
    lane = lanes.Lane("", station(), "h")
    full = [d.state for d in lanes.run([lane], COLUMNS, rows(400))]
    lean = [d.state for d in lanes.run([lane], COLUMNS, rows(400), values=False)]
    for a, b in zip(full, lean, strict=True):
        assert a.stages == b.stages
        assert a.alarms == b.alarms
        assert a.estimate is not None
        assert b.estimate is not None
        assert np.array_equal(a.estimate.loss_of_life_h, b.estimate.loss_of_life_h)


def test_a_gap_in_the_trace_and_empty_cells_do_not_upset_a_what_if() -> None:
    trace = rows(600)
    del trace[200:350]
    trace[100] = Row(0, "", trace[100].wall_ns, dict.fromkeys(COLUMNS))
    done = stepped([lanes.Lane("other", station(sooner), "h", True, True)], trace)
    assert np.isfinite(series(done, "T1.HV_A.loss_of_life_h", 1)).all()


# --- summary ----------------------------------------------------------------------------------------


def test_hours_above_a_limit_are_cut_where_the_line_crosses_it() -> None:
    value = np.array([90.0, 110.0, 110.0, 100.0, np.nan, 120.0, 120.0])
    hours = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 0.5])
    assert hours_above(value, hours, 100.0) == pytest.approx(0.5 + 1.0 + 1.0 + 0.5)
    assert hours_above(value, hours, 105.0) == pytest.approx(0.25 + 1.0 + 0.5 + 0.5)


def summary_of(trace: list[Row]) -> UnitSummary:
    scenario = [lanes.Lane("base", station(), "h")]
    summary = Summarise(scenario)
    for done in lanes.run(scenario, COLUMNS, trace, values=False):
        summary.add(done)
    return summary.result()[0][0]


def test_a_summary_agrees_with_the_step_by_step_result() -> None:
    trace = rows(6000)
    outcomes: list[Outcome] = [o for _, o in steps(station(), "h", COLUMNS, trace)]
    unit = summary_of(trace)

    def last(point: str) -> float:
        return float(outcomes[-1].values[point].value or 0.0)

    hot = [o.values["T1.hot_spot_c"].value for o in outcomes]
    assert unit.hot_spot.value == max(h for h in hot if h is not None)
    assert unit.loss_of_life_h["HV_A"] == pytest.approx(last("T1.HV_A.loss_of_life_h"), rel=1e-12)
    assert unit.run_hours["stage1"] == last("T1.stage1.run_hours")
    assert unit.starts["stage1"] == last("T1.stage1.starts") > 1
    assert unit.hours == pytest.approx(5999 / 60)
    assert unit.unmonitored_h == pytest.approx(0.0, abs=1e-9)


def test_a_gap_is_not_counted_as_time_with_a_hot_spot() -> None:
    trace = rows(600)
    del trace[200:350]
    unit = summary_of(trace)
    assert unit.unmonitored_h == pytest.approx(151 / 60)


def test_alarms_are_counted_each_time_they_are_raised() -> None:
    trace = rows(900, 10.0)
    for begin in (100, 500):
        for i in range(begin, begin + 60):
            trace[i].values["T1.top_oil_c"] = 97.0
    unit = summary_of(trace)
    assert unit.alarms["top_oil_high"] == 2
    assert unit.above["top oil high (95 °C)"] == pytest.approx(2 * 60 * 10 / 3600, rel=0.05)


# --- the command ------------------------------------------------------------------------------------


@pytest.fixture
def files(tmp_path: Path) -> dict[str, Path]:
    """A trace for the demo station, its settings, and other ones."""
    text = example("demo.yaml").read_text(encoding="utf-8")
    # The trace is no real plant's: its oil is not what its load explains, and that is not the matter here.
    text = text.replace("\n    backstop:", "\n    lost_inputs: {oil_margin_k: 200.0}\n    backstop:")
    was, sooner = "{top_oil_c: 70.0, hot_spot_c: 85.0}", "{top_oil_c: 62.0, hot_spot_c: 77.0}"
    other = text.replace(f"pickup: {was}", f"pickup: {sooner}").replace("/var/lib/windingd", "/elsewhere")
    assert other != text
    elsewhere = other.replace("\n  data_dir:", "\n  gap_s: 600.0\n  data_dir:")
    found = {}
    for name, content in (("base", text), ("other", other), ("elsewhere", elsewhere)):
        found[name] = tmp_path / f"{name}.yaml"
        found[name].write_text(content, encoding="utf-8")
    found["trace"] = tmp_path / "trace.csv"
    with found["trace"].open("w", encoding="utf-8") as file:
        print("time", *COLUMNS, sep=",", file=file)
        for i, row in enumerate(rows(400)):
            stamp = f"2026-07-14T{i // 60:02d}:{i % 60:02d}:00Z"
            print(stamp, *(f"{v:.2f}" for v in row.values.values()), sep=",", file=file)
    return found


def test_compare_prints_a_column_for_each(
    files: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    base = ["replay", str(files["base"]), "--from", str(files["trace"])]
    assert main([*base, "--compare", str(files["other"])]) == 0
    out, notes = capsys.readouterr()
    print(out)
    assert "the model starts without a history, as if the first load had lasted, and" in notes
    assert "What the settings alone change" in out
    for words in ("base.yaml", "other.yaml", "hot spot high (110 °C)", "loss of life", "run hours", "starts"):
        assert words in out
    assert "Others: estimate" in out
    stage2 = re.search(r"stage2\s+│\s+([\d.]+)\s+│\s+([\d.]+)", out)
    assert stage2 is not None
    assert float(stage2[2]) > float(stage2[1])


def test_what_if_writes_the_other_settings_values(files: dict[str, Path], tmp_path: Path) -> None:
    result = tmp_path / "result.csv"
    base = ["replay", str(files["base"]), "--from", str(files["trace"])]
    points = ["--points", "T1.top_oil_c", "--points", "T1.stage*.called", "--to", str(result)]
    assert main([*base, "--what-if", str(files["other"]), *points]) == 0
    with result.open(encoding="utf-8") as file:
        written = list(csv.DictReader(file))
    assert len(written) == 400
    assert {row["T1.top_oil_c.quality"] for row in written} == {"questionable:inaccurate"}
    assert {row["T1.stage2.called"] for row in written} == {"0", "1"}
    assert main([*base, "--what-if", str(files["other"]), "--mode", "as-recorded", *points]) == 0
    with result.open(encoding="utf-8") as file:
        assert {row["T1.top_oil_c.quality"] for row in csv.DictReader(file)} == {"good"}


def misuse() -> Iterator[tuple[list[str], int, str]]:
    source = ["base", "--from", "trace"]
    yield source, 64, "--to RESULT.csv is missing"
    yield [*source, "--to", "-", "--points", "T1.nothing"], 64, "no such point"
    yield [*source, "--to", "x.csv", "--since", "2026-07-14"], 64, "--since and --until go with"
    yield [*source, "--compare", "other", "--to", "x.csv"], 64, "prints a table"
    yield [*source, "--compare", "none.yaml"], 78, "1 fault in none.yaml"
    yield [*source, "--compare", "elsewhere"], 1, "differs from base.yaml in `station:`"
    yield [*source, "--what-if", "other", "--points", "T1.*"], 64, "--points chooses columns"
    yield ["base", "--journal", "--compare", "other"], 64, "use --history"
    yield ["base", "--journal"], 1, "not a record"
    yield ["none", "--journal"], 1, "no such file"
    yield ["base", "--history", "--to", "x.csv"], 1, "not a record"
    yield ["base", "--history"], 64, "--history needs"
    yield ["base", "--journal", "--since", "yesterday"], 64, "is not a time"
    yield ["base", "--journal", "--since", "2026-07-14", "--until", "2026-07-13"], 64, "is not after"
    yield ["base", "--journal", "--settings", "base"], 64, "--settings goes with --history"
    yield ["base", "--from", "trace", "--journal"], 64, "not allowed with"


@pytest.mark.parametrize(("arguments", "status", "says"), list(misuse()), ids=lambda x: None)
def test_wrong_usage_is_told_in_plain_words(
    arguments: list[str], status: int, says: str, files: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    words = [str(files.get(word, word)) for word in arguments]
    try:
        found = main(["replay", *words])
    except SystemExit as end:  # argparse
        found = int(str(end.code))
    told = capsys.readouterr().err
    print(told)
    assert found == status
    assert says in told
    assert "Traceback" not in told


# --- history ----------------------------------------------------------------------------------------


def test_history_replays_approximately_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    s = Recorded(tmp_path, oil=55.0, amps=180.0)
    for hour in range(4):
        s.set(oil=55.0 + 4 * hour, amps=180.0 + 10 * hour).run(3600, 10.0)
    live = s.value("HV_A.loss_of_life_h")
    path = s.close()
    with Record(path) as record:
        trace = History(record, s.settings, None, None)
        assert {"T1.top_oil_c", "T1.HV_A.current_a", "T1.stage1.feedback"} <= set(trace.columns)
        assert trace.interval_s == 60.0
        done = [o for _, o in steps(s.settings, "h", trace.columns, trace)]
    again = float(done[-1].values["T1.HV_A.loss_of_life_h"].value or 0.0)
    assert again == pytest.approx(live, rel=0.03)
    result = tmp_path / "result.csv"
    points = ["--points", "T1.hot_spot_c", "--to", str(result)]
    assert main(["replay", str(tmp_path), "--history", *points]) == 0
    assert "approximate: history holds means of 60 s" in capsys.readouterr().err
    with result.open(encoding="utf-8") as file:
        written = list(csv.DictReader(file))
    assert written[0]["time"] == "2026-07-14T12:00:30.000Z"  # the middle of the first minute
    assert len(written) == 241
    between = ["--since", "2026-07-14T13:00:00Z", "--until", "2026-07-14T14:00:00Z"]
    assert main(["replay", str(path), "--history", *between, *points]) == 0
    assert len(result.read_text(encoding="utf-8").splitlines()) == 61
    capsys.readouterr()
    assert main(["replay", str(path), "--history", "--since", "2030-01-01", *points]) == 1
    assert "no measurement recorded from 2030-01-01" in capsys.readouterr().err


def test_the_journal_of_a_period_to_csv(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """From a snapshot in the middle: the values are the live ones, to the last bit."""
    s = Recorded(tmp_path).run(120)
    s.snapshot()
    live = [s.cycle().values["T1.HV_A.hot_spot_c"].value for _ in range(30)]
    path = s.close()
    result = tmp_path / "result.csv"
    arguments = ["--since", "2026-07-14T12:02:01Z", "--points", "T1.HV_A.hot_spot_c", "--to", str(result)]
    assert main(["replay", str(path), "--journal", *arguments]) == 0
    assert "decisions equal: 30 of 30" in capsys.readouterr().out
    with result.open(encoding="utf-8") as file:
        assert [float(row["T1.HV_A.hot_spot_c"]) for row in csv.DictReader(file)] == live


def test_no_journal_for_a_time_is_told_with_what_there_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = Recorded(tmp_path).run(60).close()
    assert main(["replay", str(path), "--journal", "--until", "2026-07-14T11:00:00Z"]) == 1
    told = capsys.readouterr().err
    assert "no journal that can be replayed for the beginning to 2026-07-14T11:00:00.000Z" in told
    assert "(it holds 2026-07-14T12:00:02.000Z to 2026-07-14T12:01:00.000Z)" in told


def test_a_recording_from_another_machine_is_compared_within_a_tolerance_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The last bit of the state is not the same elsewhere: told apart from a real difference."""
    s = Recorded(tmp_path).run(120)
    s.snapshot()
    path = s.run(20).close()
    with sqlite3.connect(path) as conn:
        conn.execute("UPDATE runs SET numpy = '1.0.0'")
        data = conn.execute("SELECT data FROM snapshots ORDER BY id DESC LIMIT 1").fetchone()[0]
    state = zlib.decompress(data).decode()
    hot = re.search(r'"z":\[([\d.]+)', state)
    assert hot is not None
    for factor, status in ((1 + 1e-12, 0), (1 + 1e-6, 1)):
        changed = state.replace(hot[0], f'"z":[{float(hot[1]) * factor!r}')
        with sqlite3.connect(path) as conn:
            newest = "(SELECT max(id) FROM snapshots)"
            packed = zlib.compress(changed.encode())
            conn.execute(f"UPDATE snapshots SET data = ? WHERE id = {newest}", (packed,))
        assert main(["replay", str(path), "--journal"]) == status
        out = capsys.readouterr().out
        assert "note: recorded with another numpy (1.0.0" in out
        assert "compared within 1e-09" in out
        assert ("thermal.z[0] differ" in out) is (status == 1)


def test_a_corrected_factor_is_offered_as_a_correction_of_life(
    files: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Hot-spot factor 1.3 was taken, 1.6 is the maker's: the difference over the trace."""
    text = files["base"].read_text(encoding="utf-8")
    tree = yaml.safe_load(text)
    for winding in tree["transformers"][0]["windings"]:
        winding["hot_spot_factor"] = 1.6
    corrected = tmp_path / "corrected.yaml"
    corrected.write_text(yaml.safe_dump(tree, sort_keys=False), encoding="utf-8")
    base = ["replay", str(files["base"]), "--from", str(files["trace"]), "--what-if", str(corrected)]
    assert main([*base, "--mode", "as-recorded"]) == 0
    out = capsys.readouterr().out
    both = re.search(r"loss of life \[h\].*?HV_A\s+│\s+([\d.]+)\s+│\s+([\d.]+)", out, re.DOTALL)
    assert both is not None, out
    more = float(both[2]) - float(both[1])
    assert more > 0
    offered = re.search(r"of T1\.HV_A\s+[\d.]+\s+h,\s+\+([\d.]+)\s+h\.", out)
    assert offered is not None, out
    assert float(offered[1]) == pytest.approx(more, abs=0.0011)
    assert "--correct-life" in out
    assert main(base) == 0  # what if: its oil is an estimate, no figure to correct anything by
    assert "--correct-life" not in capsys.readouterr().out
