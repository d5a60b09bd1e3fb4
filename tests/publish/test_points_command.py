"""`windingd points` in its four forms; each lists the whole catalogue with the served addresses."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from conftest_publish import ROOT

from collector.commands.main import main
from collector.points import catalogue
from collector.settings.model import Settings

DEMO = str(ROOT / "config" / "demo.yaml")


def printed(capsys: pytest.CaptureFixture[str], *options: str) -> str:
    assert main(["points", DEMO, *options]) == 0
    return capsys.readouterr().out


def test_csv(station: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    rows = list(csv.DictReader(io.StringIO(printed(capsys, "--format", "csv"))))
    assert [r["id"] for r in rows] == [p.id for p in catalogue(station)]
    hot_spot = next(r for r in rows if r["id"] == "T1.HV_A.hot_spot_c")
    assert hot_spot["register"] == "1309"
    assert hot_spot["register_reference"] == "301310"
    assert hot_spot["quality_register"] == "1311"
    assert hot_spot["discrete"] == ""
    assert hot_spot["topic"] == "windingd/HOLLOWBECK/value/T1/HV_A/hot_spot_c"
    assert hot_spot["unit"] == "degC"
    text = next(r for r in rows if r["id"] == "T1.load_limited_by")
    assert text["register"] == text["quality_reference"] == ""
    assert next(r for r in rows if r["id"] == "device.oil_tx.link_ok")["register"] == "315"
    alarm = next(r for r in rows if r["id"] == "T1.alarm_hot_spot_high")
    assert alarm["discrete_reference"] == "101181"
    assert "1 unacknowledged" in alarm["words"]


def test_json(station: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    body = json.loads(printed(capsys, "--format", "json"))
    assert len(body["points"]) == len(catalogue(station))
    assert body["scada"]["unit"] == 1


def test_text_and_markdown(station: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    text, table = printed(capsys), printed(capsys, "--format", "markdown")
    for point in catalogue(station):
        assert f".{point.declared.name}" in text
        assert f"`{point.id}`" in table
    assert "1309" in text
    assert "heartbeat" in text


def test_only_one_level(capsys: pytest.CaptureFixture[str]) -> None:
    rows = list(csv.DictReader(io.StringIO(printed(capsys, "--format", "csv", "--level", "stage"))))
    assert rows
    assert all(r["id"].startswith("T1.stage") for r in rows)


def test_faulty_settings_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("station: {id: 7}\n")
    assert main(["points", str(bad)]) == 78
    assert "bad.yaml:1" in capsys.readouterr().err
