"""The terminal of the proof test: says, asks, shows what is waited for. No logic of the test."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from pathlib import Path

import yaml
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from collector.commands.common import EX_OK, EX_OTHER, EX_USAGE, Failure
from collector.operator import OperatorError
from collector.settings.model import Settings
from collector.technician.proof_record import ProofRecord, RecordRefused, page
from collector.technician.prove import Proof, Reply, Stopped
from collector.technician.tables import span

YES, NO = ("y", "yes"), ("n", "no")


class Person:
    """A technician at a terminal."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self._waiting = False

    def say(self, text: str) -> None:
        self.clear()
        if text.startswith("---"):
            self.console.rule(f"[bold]{text[4:]}[/]", align="left", style="blue")
        elif text.startswith("CAUTION  "):
            self.console.print(Padding(Text.assemble(("! ", "bold yellow"), text[9:]), (0, 0, 0, 1)))
        elif text.startswith("    "):
            style = "bold red" if text.startswith("    NOT") else "green" if text.startswith("    ok") else ""
            self.console.print(Padding(Text(text.strip(), style=style), (0, 0, 0, 4)))
        else:
            self.console.print(Text(text, style="bold"))

    def name(self) -> str:
        while True:
            given = self._input("Your name, for the record: ").strip()
            if given:
                return given

    def ask(self, key: str, question: str) -> Reply:
        self.console.print(Text(question, style="bold cyan"))
        while True:
            word, _, note = self._input("  y / n, and a remark if you like: ").strip().partition(" ")
            if word.lower() in YES + NO:
                return Reply(word.lower() in YES, note.strip())

    def waiting(self, what: str, passed_s: float) -> None:
        if self.console.is_terminal:
            line = f"  … waiting for {what} ({span(passed_s)})"
            print("\r\x1b[2K" + line[: self.console.width - 1], end="", flush=True)
            self._waiting = True

    def clear(self) -> None:
        """Take the line that says what is waited for off the screen."""
        if self._waiting:
            print("\r\x1b[2K", end="", flush=True)
            self._waiting = False

    def _input(self, prompt: str) -> str:
        self.clear()
        try:
            return input(prompt)
        except EOFError:
            raise Stopped("nobody answers: standard input has ended") from None


class Answers(Person):
    """Answers given beforehand: patterns of keys to yes or no, the first that matches; `name` is required."""

    def __init__(self, console: Console, path: Path) -> None:
        super().__init__(console)
        try:
            given = yaml.safe_load(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, yaml.YAMLError) as error:
            raise Failure(f"{path}: {error}", EX_USAGE) from None
        if not isinstance(given, dict) or not isinstance(given.get("name"), str):
            raise Failure(f'{path}: needs `name: ...`, then lines such as `"* running": yes`', EX_USAGE)
        self._name = given.pop("name")
        if wrong := [key for key, value in given.items() if not isinstance(value, bool)]:
            raise Failure(f"{path}: {wrong[0]}: yes or no", EX_USAGE)
        self._given: dict[str, bool] = {str(key): value for key, value in given.items()}

    def name(self) -> str:
        return str(self._name)

    def ask(self, key: str, question: str) -> Reply:
        for pattern, yes in self._given.items():
            if fnmatchcase(key, pattern):
                self.say(f"{question}  {'yes' if yes else 'no'}")
                return Reply(yes, "answered beforehand")
        raise Stopped(f"no answer to {key!r} in the answers file ({question})")


def prove(
    settings: Settings, settings_hash: str, path: Path, record: Path | None, answers: Path | None
) -> int:
    """Run the proof test at this terminal. Exit status 0 only when every step passed."""
    console = Console(highlight=False)
    if answers is None and not sys.stdin.isatty():
        raise Failure("--prove asks a person: run it on a terminal, or give --answers FILE", EX_USAGE)
    technician = Answers(console, answers) if answers is not None else Person(console)
    name = f"proof_{settings.station.id}_{datetime.now(UTC):%Y-%m-%dT%H%MZ}.jsonl"
    try:
        kept = ProofRecord(record or Path(name), settings.station.id, settings_hash)
    except (RecordRefused, OSError) as error:
        raise Failure(str(error)) from None
    try:
        good = Proof(settings, settings_hash, path, kept, technician).run()
    except (Stopped, OperatorError) as error:
        raise Failure(f"{error} (--record {kept.path} goes on from here)") from None
    finally:
        kept.close()
        technician.clear()
        console.print(Text(f"Record: {kept.path}, as a page: {page(kept.path)}"), soft_wrap=True)
    return EX_OK if good else EX_OTHER
