"""Permissible loading for a person: forecast files, and the table of a running station, which replays."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from collector.commands.main import main
from collector.demo.bench import Bench
from collector.record.reader import Record
from collector.replay.journal import Tally, replay
from collector.technician.loading_view import MAX_ROWS, ForecastFault, forecast_of, read_forecast

Make = Callable[..., Any]
GOOD_ROW = "2026-07-14T13:00Z,0.85,24.5"


def forecast_csv(at_ns: int, hours: int = 24, load: float = 0.9) -> str:
    """Hourly rows from one hour before `at_ns` on, warmer by the hour."""
    lines = ["time,load_pu,ambient_c"]
    for hour in range(-1, hours):
        when = datetime.fromtimestamp(at_ns // 10**9 + 3600 * hour, UTC)
        lines.append(f"{when:%Y-%m-%dT%H:%M:%S}Z,{load},{20 + hour}")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ":1: the first line must be: time,load_pu,ambient_c"),
        ("time,load,ambient\n", ":1: the first line must be"),
        (f"time,load_pu,ambient_c\n{GOOD_ROW}\n2026-07-14T14:00Z,0.9\n", ":3: 2 cells instead of 3"),
        ("time,load_pu,ambient_c\nnoon,0.9,20\n", ":2: "),
        ("time,load_pu,ambient_c\n2026-07-14T13:00Z,much,20\n", ":2: "),
        ("time,load_pu,ambient_c\n2026-07-14T13:00Z,nan,20\n", ":2: a value is not a finite number"),
        ("time,load_pu,ambient_c\n" + f"{GOOD_ROW}\n" * (MAX_ROWS + 1), "rows (at most"),
    ],
)
def test_a_bad_forecast_file_is_told(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "f.csv"
    path.write_text(text)
    with pytest.raises(ForecastFault) as told:
        read_forecast(path)
    assert str(told.value).startswith(str(path))
    assert said in str(told.value)


def test_a_forecast_is_moved_to_the_stations_time(tmp_path: Path) -> None:
    path = tmp_path / "f.csv"
    path.write_text(f"time,load_pu,ambient_c\n{GOOD_ROW}\n\n2026-07-14T15:30Z,1.1,30\n")
    rows = read_forecast(path)
    wall_ns = 1_784_034_000 * 10**9  # 2026-07-14T13:00Z
    found = forecast_of({"forecast": rows}, 5 * 10**9, wall_ns)
    assert found is not None
    assert found.times_ns == (5 * 10**9, (5 + 9000) * 10**9)
    assert (found.load_pu, found.ambient_c) == ((0.85, 1.1), (24.5, 30.0))
    assert forecast_of({}, 0, 0) is None


@pytest.mark.parametrize("rows", [7, [[1, 2]], [[1, 2, float("inf")]], [["a", 1, 2]], [1, 2, 3]])
def test_a_bad_forecast_in_a_request_is_refused(rows: object) -> None:
    with pytest.raises(ValueError, match=r"forecast|could not convert"):
        forecast_of({"forecast": rows}, 0, 0)


async def test_the_table_of_a_running_station(
    make_bench: Make, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench: Bench = await make_bench(load=0.5)

    async def status(*words: str) -> tuple[int, str]:
        capsys.readouterr()
        code = await asyncio.to_thread(main, ["status", str(bench.settings_path), *words])
        said = capsys.readouterr()
        return code, said.out + said.err

    def now() -> dict[str, Any]:
        found = bench.status()
        assert found is not None
        return found

    await bench.until(lambda: now()["values"]["T1.load_4h_pu"][0] is not None, "figures")
    code, said = await status("--loading")
    assert code == 0
    for words in (
        "T1: permissible loading", "iec_normal_cyclic (every day)", "at present ambient", "without end",
        "iec_short_time_emergency (at most 30 min)", "ageing rate of LV_",
    ):  # fmt: skip
        assert words in said, said
    whole = now()["values"]["T1.load_continuous_pu"][0]
    assert f"{whole:.2f}" in said

    path = tmp_path / "day.csv"
    path.write_text("hour,load\n0,0.5\n7,0.6\n18,1.0\n22,0.7\n")
    code, day = await status("--loading", "T1", "--day", str(path))
    assert code == 0
    assert "day, ONAF2: peak" in day
    assert "day, without stage" in day
    assert (await status("--day", str(path)))[0] == 64
    path.write_text("hour,load\n1,0.5\n")
    code, wrong = await status("--loading", "T1", "--day", str(path))
    assert (code, "hours must begin at 0" in wrong) == (1, True)

    path = tmp_path / "forecast.csv"
    path.write_text(forecast_csv(now()["wall_ns"]))
    code, warmer = await status("--loading", "T1", "--forecast", str(path))
    assert code == 0
    ahead = [next(x for x in text.splitlines() if x.startswith("    8 h")) for text in (said, warmer)]
    assert ahead[0] != ahead[1]
    path.write_text(forecast_csv(now()["wall_ns"] + 86400 * 10**9))
    code, late = await status("--loading", "T1", "--forecast", str(path))
    assert (code, "does not cover the present" in late) == (0, True)
    code, refused = await status("--loading", "T9")
    assert (code, "no transformer" in refused) == (1, True)
    assert (await status("--forecast", str(path)))[0] == 64

    # The record of it replays: every figure, with its quality, at the very step.
    made = now()["sequence"]
    await bench.until(lambda: now()["sequence"] > made + 60, "a minute more")
    assert bench.daemon is not None
    assert await bench.daemon.end() == 0
    tally = Tally()
    with Record(bench.data_dir / "record.sqlite") as record:
        told = [done.outcome.values["T1.load_8h_pu"].value for done in replay(record, tally)]
    figures = {value for value in told if value is not None}
    assert len(figures) > 2
    assert (tally.steps, tally.differ) == (tally.values_equal, 0), tally.differences
