"""The record of a proof test: JSON lines as things happen, and the same as a page for the file.

Only writes down and lays out; what is tried and what counts as passed is decided in prove.py.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

Line = dict[str, Any]


class RecordRefused(Exception):
    """The file is the record of something else; the text says what would be right."""


class ProofRecord:
    """Appends lines to a file, each on disk before the test goes on. A file that is there is continued.

    RecordRefused when it belongs to another station, other settings, or a test that has ended.
    """

    def __init__(self, path: Path, station: str, settings_hash: str) -> None:
        self.path = path
        self.lines: list[Line] = []
        if path.exists():
            self.lines = list(_read(path))
            first = self.lines[0] if self.lines else {}
            if first.get("event") != "begin" or first.get("station") != station:
                raise RecordRefused(
                    f"{path} is not the record of a proof test of {station} (give another file)"
                )
            if first.get("settings_hash") != settings_hash:
                raise RecordRefused(f"{path} was begun with other settings (give another file, begin anew)")
            if self.lines[-1]["event"] == "end":
                raise RecordRefused(f"{path} is complete (give another file to prove again)")
        self._file = path.open("a", encoding="utf-8")

    def write(self, event: str, **fields: Any) -> None:
        utc = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        # The machine's monotonic clock beside it: durations hold even when the wall clock is set meanwhile.
        line = {"event": event, "utc": utc, "mono_ns": time.monotonic_ns(), **fields}
        self.lines.append(line)
        self._file.write(json.dumps(line, ensure_ascii=False) + "\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def passed(self, step: str) -> bool:
        """This step was done before and passed."""
        return any(
            line["event"] == "step" and line["step"] == step and line["result"] == "passed"
            for line in self.lines
        )

    def pulled(self, step: str) -> Line | None:
        """The begin of a pull that has no result yet: the test was cut off with the supply."""
        for line in reversed(self.lines):
            if line.get("step") == step and line["event"] in ("pull", "step"):
                return line if line["event"] == "pull" else None
        return None

    def close(self) -> None:
        """Close the file and write the page beside it: FILE.md."""
        self._file.close()
        page(self.path).write_text("\n".join(report(self.lines)) + "\n", encoding="utf-8")


def page(path: Path) -> Path:
    return path.with_name(path.name + ".md")


def _read(path: Path) -> Iterator[Line]:
    """Whole lines; the last one may be torn, when the supply went with it."""
    text = path.read_text(encoding="utf-8")
    whole = text[: text.rfind("\n") + 1]
    if whole != text:
        path.write_text(whole, encoding="utf-8")
    for number, line in enumerate(whole.splitlines(), 1):
        try:
            found = json.loads(line)
        except ValueError:
            raise RecordRefused(f"{path}:{number}: not a line of a proof record") from None
        if not isinstance(found, dict) or "event" not in found:
            raise RecordRefused(f"{path}:{number}: not a line of a proof record")
        yield found


def report(lines: list[Line]) -> Iterator[str]:
    """The page, in Markdown."""
    first, last = lines[0], lines[-1]
    # A step done again counts as it went last.
    steps = {line["step"]: line for line in lines if line["event"] == "step"}
    outcome = last["result"] if last["event"] == "end" else "not finished"
    yield f"# Proof test of the cooling, station {first['station']}"
    yield ""
    yield f"**Result: {outcome}**"
    yield ""
    names = {line["name"]: line["login"] for line in lines if line["event"] in ("begin", "resume")}
    facts: Mapping[str, str] = {
        "begun": first["utc"],
        "ended": last["utc"],
        "by": ", ".join(f"{name} (login {login})" for name, login in names.items()),
        "settings": f"{first['settings']}, hash {first['settings_hash']}",
        "windingd": first["version"],
    }
    for name, value in facts.items():
        yield f"- {name}: {value}"
    if first["rate"] != 1:
        yield f"- **simulated station**, time {first['rate']:g} times as fast; durations are station time"
    for step, line in steps.items():
        yield ""
        yield f"## {line['title']}: {line['result']}"
        yield ""
        yield "| what | found | right | seen by |"
        yield "|---|---|---|---|"
        for fact in lines:
            if fact["event"] == "fact" and fact["step"] == step and fact["attempt"] == line["attempt"]:
                right = {True: "yes", False: "**NO**", None: ""}[fact["ok"]]
                yield f"| {_cell(fact['what'])} | {_cell(fact['found'])} | {right} | {fact['by']} |"
    yield ""
    yield "Signed: ____________________    Date: ____________"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")
