"""What `check` says of a unit whose readings are held against little, and of one without a thermostat."""

from __future__ import annotations

import io
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from rig import Rig

from collector import engine
from collector.settings import Loaded, load
from collector.settings.watching import gaps
from collector.view import render

DEMO = Path(__file__).parents[2] / "config" / "demo.yaml"
BACKSTOP = '    backstop: {limit_c: 95.0, last_test: "2026-05-12"}\n'


def demo(tmp_path: Path, *changes: tuple[str, str]) -> Loaded:
    """The demo's settings file, changed so."""
    text = DEMO.read_text("utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "station.yaml"
    path.write_text(text, "utf-8")
    return load(str(path))


def said(tmp_path: Path, *changes: tuple[str, str]) -> list[str]:
    found = demo(tmp_path, *changes)
    return [str(f) for f in (*found.faults, *found.remarks)]


def test_a_unit_without_a_backstop_is_warned_of(tmp_path: Path) -> None:
    assert not any("T1.backstop" in line for line in said(tmp_path))
    (line,) = [s for s in said(tmp_path, (BACKSTOP, "")) if "T1.backstop" in s]
    assert "T1.backstop: warning: no thermostat of its own starts the cooling" in line


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("limit_c: 95.0", "limit_c: 99.0", "99 is above the alarm top_oil_high_c 95"),
        ('"2026-05-12"', '"May"', "last_test"),
        ("limit_c: 95.0, ", "", "limit_c"),
        (
            BACKSTOP,
            "    site: {ambient_low_c: 30.0, ambient_high_c: 20.0}\n",
            "is not below ambient_high_c 20",
        ),
    ],
)
def test_faults_of_backstop_and_site(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert any(words in line for line in said(tmp_path, (old, new))), said(tmp_path, (old, new))


def test_what_cannot_be_watched_is_said(tmp_path: Path) -> None:
    text = DEMO.read_text("utf-8")
    begin = text.index("    ambient:\n")
    ambient = text[begin : text.index("\n", text.index("{", begin)) + 1]
    lines = said(tmp_path, (ambient, ""))
    assert any("ambient: note: is not measured" in s and "-25 to 40 °C" in s for s in lines)
    assert any("their ampere-turns are not compared" in s for s in lines)
    assert any("probe and ambient cannot be told apart" in s for s in lines)


def windings(t: dict[str, Any], change: str) -> None:
    hv, lv = t["windings"][:3], t["windings"][3:]
    if change == "one side":
        t["windings"] = hv
    elif change == "one CT missing":
        del lv[1]["current"]
        lv[1]["derived_current"] = {"factors": {"HV_B": 5.5}}
    elif change == "auto":
        for w in lv:
            w["kind"] = "common"
    elif change == "tertiary":
        t["windings"].append(deepcopy(lv[0]) | {"id": "TV", "number": 7, "kind": "tertiary", "phase": None})
    elif change == "two secondaries":  # alike in every figure
        t["windings"] += [deepcopy(w) | {"id": f"LV2_{w['phase']}", "number": 10 + w["number"]} for w in lv]


@pytest.mark.parametrize("change", ["", "one side", "one CT missing", "auto", "tertiary", "two secondaries"])
def test_currents_of_two_sides_are_compared_or_check_says_that_they_are_not(change: str) -> None:
    """LV reads half of what it should; nothing is compared where ampere-turns need not balance."""
    r = Rig(edit=lambda t: windings(t, change), sides=2, load=0.8, groups=2, step_s=60.0)
    for p in "ABC":
        r.faults[f"LV_{p}.current_a"] = r.faults[f"LV2_{p}.current_a"] = lambda v: v * 0.5
    r.run(0.5)
    told = "reads low" in r.text("load_doubtful") and "LV_A" in r.text("load_doubtful")
    said = any("ampere-turns are not compared" in g.words for g in gaps(r.settings.transformers[0]))
    assert told is (change == "")
    assert said is not told


@pytest.mark.parametrize("name", ["three_winding_pumps.yaml", "small_serial.yaml", "demo.yaml"])
def test_check_of_the_examples_says_what_their_currents_are_compared_with(name: str) -> None:
    """The tertiary of the three-winding unit carries load of its own."""
    found = load(str(DEMO.parent / name))
    said = [str(f) for f in found.remarks if "ampere-turns are not compared" in str(f)]
    assert found.settings is not None
    compared = [len(t.sides) == 2 for t in engine.build(found.settings, "x").layout.transformers]
    assert len(said) == compared.count(False)


def picture(tmp_path: Path, height: int | None, *changes: tuple[str, str]) -> str:
    """The demo station in the terminal, before anything has been read."""
    settings = demo(tmp_path, *changes).settings
    assert settings is not None
    status: dict[str, Any] = {"wall_ns": 0, "rate": 1.0, "values": {}, "devices": {}, "injected": []}
    status |= {"stages": [], "alarms": [], "events": []}
    console = Console(width=100, record=True, file=io.StringIO())
    console.print(render(settings, status, height=height))
    return " ".join(console.export_text().split())


@pytest.mark.parametrize("height", [None, 24])
def test_the_picture_warns_of_a_missing_thermostat_as_long_as_there_is_none(
    tmp_path: Path, height: int | None
) -> None:
    """In the lowest picture too; `status` and `watch` show the same."""
    words = "NO thermostat of its own starts the cooling"
    assert words in picture(tmp_path, height, (BACKSTOP, ""))
    assert words not in picture(tmp_path, height)


def test_the_picture_says_what_is_held_against_nothing(tmp_path: Path) -> None:
    text = DEMO.read_text("utf-8")
    begin = text.index("    ambient:\n")
    ambient = text[begin : text.index("\n", text.index("{", begin)) + 1]
    assert "no ambient: oil only against air of -25 to 40 °C" in picture(tmp_path, None, (ambient, ""))
    assert "no ambient" not in picture(tmp_path, None)
