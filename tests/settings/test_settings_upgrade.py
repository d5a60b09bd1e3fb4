"""`windingd check --upgrade`: an older file is told key by key what it needs, and then can be run.

fixtures/*.yaml are the examples as the first files of the project were written (before every device had a
number, and before a module's outputs had a bound to release within). They stay as they are.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from collector.commands.main import main
from collector.settings import load_bytes
from collector.settings.bind import shapes
from collector.settings.loader import example
from collector.settings.upgrade import CHANGES, needs

OLD = Path(__file__).with_name("fixtures")
LINE = re.compile(r"(?P<file>[^:]+):(?P<line>\d+): (?P<path>[\w.\[\]]+): (?P<words>.*)")
WRITE = re.compile(r"\bwrite (?P<key>\w+): (?P<value>[\w.]+)")


def told(capsys: pytest.CaptureFixture[str], path: Path) -> tuple[int, list[dict[str, str]]]:
    status = main(["check", "--upgrade", str(path)])
    lines = capsys.readouterr().out.splitlines()
    return status, [m.groupdict() for m in map(LINE.fullmatch, lines) if m]


def obeyed(text: str, found: list[dict[str, str]]) -> str:
    """The file with what the lines say written where they say it, from the last line up."""
    lines = text.splitlines()
    for row in sorted(found, key=lambda r: -int(r["line"])):
        write = WRITE.search(row["words"])
        if write is None:
            continue
        at, new = int(row["line"]) - 1, f"{write['key']}: {write['value']}"
        if "{" in lines[at]:  # the section stands in one line
            lines[at] = lines[at].replace("{", "{" + new + ", ", 1)
        elif lines[at].lstrip().startswith("- "):
            indent = " " * (len(lines[at]) - len(lines[at].lstrip()) + 2)
            lines.insert(at + 1, indent + new)
        else:  # a section's own line: its keys stand below it, as deep as the first of them
            lines.insert(at + 1, " " * (len(lines[at + 1]) - len(lines[at + 1].lstrip())) + new)
    return "\n".join(lines) + "\n"


def test_a_file_without_device_numbers_is_told_which_and_then_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old = OLD / "small_serial_first.yaml"
    status, found = told(capsys, old)
    assert status == 78
    numbers = [(r["path"], WRITE.search(r["words"])) for r in found if r["path"].endswith(".number")]
    assert [(path, m and m["value"]) for path, m in numbers] == [
        ("devices.transmitter.number", "1"),
        ("devices.meter.number", "2"),
        ("devices.relay.number", "3"),
    ]
    text = old.read_text(encoding="utf-8")
    assert [r["path"] for r in found if "life_source" in r["words"]] == ["transformers.T1.normal_life_h"]
    for row in found:  # each at the line where its section begins, or at the key itself
        line = text.splitlines()[int(row["line"]) - 1]
        *_, section, key = row["path"].split(".")
        assert section in line or key in line or line.lstrip().startswith("- "), (row, line)
    new = tmp_path / "new.yaml"
    new.write_text(obeyed(text, found), encoding="utf-8")
    status, again = told(capsys, new)
    assert status == 0, again
    assert not [r for r in again if WRITE.search(r["words"])], "each remedy is taken"
    kept = yaml.safe_load(new.read_text(encoding="utf-8"))
    assert kept["station"]["gap_s"] == 300.0
    # What once let wrong values through is told, and nobody is shown the way back to it.
    assert all("settle_s" not in d for d in kept["devices"])
    assert kept["links"] == yaml.safe_load(text)["links"]
    assert "settle_s" in {r["path"].rsplit(".", 1)[-1] for r in again}


def test_numbers_that_are_there_are_not_given_again() -> None:
    text = (OLD / "small_serial_first.yaml").read_text(encoding="utf-8")
    text = text.replace("  - id: meter", "  - id: meter\n    number: 1")
    found = [f for f in needs(text.encode(), "s") if f.path.endswith(".number")]
    assert [(f.path, WRITE.search(f.message)["value"]) for f in found] == [  # type: ignore[index]
        ("devices.transmitter.number", "2"),
        ("devices.relay.number", "3"),
    ]


def test_a_fault_that_no_table_can_mend_is_told_as_ever(capsys: pytest.CaptureFixture[str]) -> None:
    status, found = told(capsys, OLD / "three_winding_first.yaml")
    assert status == 78
    bound = [r for r in found if r["path"] == "devices.cooler_relays.relay_module.timeout_s"]
    assert len(bound) == 1
    assert "release_within_s of 10" in bound[0]["words"]
    assert len([r for r in found if r["path"].endswith(".number")]) == 4  # each once


@pytest.mark.parametrize("change", CHANGES, ids=lambda c: f"{c.section.__name__}.{c.key}")
def test_every_row_is_of_a_key_that_there_is(change: object) -> None:
    shape = shapes(change.section).get(change.key)  # type: ignore[attr-defined]
    assert shape is not None
    assert shape.adapter is not None
    if change.write is not None:  # type: ignore[attr-defined]
        value = shape.adapter.validate_python(float(change.write))  # type: ignore[attr-defined]
        assert value != change.section.model_fields[change.key].default  # type: ignore[attr-defined]


def test_a_file_that_says_all_needs_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "new.yaml"
    text = example("small_serial.yaml").read_text(encoding="utf-8")
    while found := [f for f in needs(text.encode(), "s") if WRITE.search(f.message)]:
        rows = [{"line": str(f.line), "path": f.path, "words": f.message} for f in found]
        text = obeyed(text, rows)
    assert load_bytes(text.encode(), "s").faults == []
    path.write_text(text, encoding="utf-8")
    status, left = told(capsys, path)
    assert status == 0
    assert all("nothing to write" in r["words"] for r in left)


def test_a_missing_or_unreadable_file_is_told_as_by_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "--upgrade", str(tmp_path / "none.yaml")]) == 78
    assert "cannot be read" in capsys.readouterr().out
    (tmp_path / "bad.yaml").write_text("a: [", encoding="utf-8")
    assert main(["check", "--upgrade", str(tmp_path / "bad.yaml")]) == 78
    assert "bad.yaml:1" in capsys.readouterr().out
