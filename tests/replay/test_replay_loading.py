"""`windingd replay --loading`: permissible loading beside the other points of a trace, off by itself."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from collector.commands.main import main

DEMO = str(Path(__file__).parents[2] / "config" / "demo.yaml")


def trace(tmp_path: Path) -> str:
    currents = [f"T1.{v}_{p}.current_a" for v in ("HV", "LV") for p in "ABC"]
    lines = [",".join(["time", "T1.top_oil_c", "T1.ambient_c", *currents])]
    for minute in range(30):
        amps = ["90.0"] * 3 + ["500.0"] * 3
        lines.append(",".join([f"2026-07-14T13:{minute:02d}:00Z", f"{45 + minute / 10}", "25.0", *amps]))
    path = tmp_path / "trace.csv"
    path.write_text("\n".join(lines) + "\n")
    return str(path)


def replayed(tmp_path: Path, capsys: pytest.CaptureFixture[str], *options: str) -> list[dict[str, str]]:
    words = ["replay", DEMO, "--from", trace(tmp_path), "--to", "-", "--points", "T1.*load_*", *options]
    assert main(words) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def test_loading_in_a_trace(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    off = replayed(tmp_path, capsys)
    assert {row["T1.load_4h_pu"] for row in off} == {""}
    on = replayed(tmp_path, capsys, "--loading")
    last = on[-1]
    assert float(last["T1.load_15min_pu"]) > float(last["T1.load_continuous_pu"])
    assert float(last["T1.load_continuous_pu"]) > float(last["T1.reduced_load_continuous_pu"])
    assert last["T1.load_limited_by"]
    assert len({row["T1.load_4h_pu"] for row in on if row["T1.load_4h_pu"]}) > 20  # made anew at every row


def test_loading_without_a_result_is_wrong_usage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", DEMO, "--from", trace(tmp_path), "--compare", DEMO, "--loading"]) == 64
    assert "--loading adds" in capsys.readouterr().err
