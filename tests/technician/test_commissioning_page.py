"""Every command of the commissioning page is one that windingd understands."""

from __future__ import annotations

import argparse
import importlib
import re
import shlex
from pathlib import Path

import pytest

from collector.commands.main import SUBCOMMANDS

PAGE = Path(__file__).parents[2] / "docs" / "commissioning.md"


def commands() -> list[str]:
    text = PAGE.read_text(encoding="utf-8")
    found = re.findall(r"^ {4}windingd (.+)$", text, re.M) + re.findall(r"`windingd ([a-z]+ [^`]+)`", text)
    return sorted({line.split(" > ")[0] for line in found})


def test_there_are_commands_of_each_kind() -> None:
    subs = {line.split()[0] for line in commands()}
    assert subs >= {"check", "stages", "watch", "status", "points", "inject", "run"}
    assert subs <= set(SUBCOMMANDS)


@pytest.mark.parametrize("line", commands())
def test_a_command_of_the_page_is_understood(line: str) -> None:
    sub, *words = shlex.split(line)
    parser = argparse.ArgumentParser(exit_on_error=False)
    importlib.import_module(f"collector.commands.{sub}").add(parser)
    parser.parse_args(words)
