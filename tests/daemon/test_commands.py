"""The dispatcher: every subcommand answers --help with a worked example; exit statuses."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from collector.commands.main import SUBCOMMANDS
from collector.settings import example


def windingd(*words: str) -> subprocess.CompletedProcess[str]:
    arguments = [sys.executable, "-m", "collector.commands.main", *words]
    return subprocess.run(arguments, capture_output=True, text=True, check=False, timeout=60)


@pytest.mark.parametrize("name", SUBCOMMANDS)
def test_help_shows_a_worked_example(name: str) -> None:
    done = windingd(name, "--help")
    assert done.returncode == 0, done.stderr
    assert f"windingd {name}" in done.stdout.split("usage:", 1)[1].split("\n", 1)[1], "no worked example"


@pytest.mark.parametrize("words", [(), ("nonsense",), ("check",), ("run", "a", "b"), ("replay", "x.yaml")])
def test_wrong_usage_is_64(words: tuple[str, ...]) -> None:
    done = windingd(*words)
    assert done.returncode == 64
    assert "Traceback" not in done.stderr


def test_bad_configuration_is_78_and_a_missing_daemon_is_1(tmp_path: object) -> None:
    assert windingd("run", f"{tmp_path}/none.yaml").returncode == 78
    assert windingd("status", f"{tmp_path}/none.yaml").returncode == 78
    done = windingd("--version")
    assert (done.returncode, done.stdout.split()[0]) == (0, "windingd")


def test_a_result_never_takes_the_place_of_a_device(tmp_path: Path) -> None:
    """As root a rename would put an ordinary file where /dev/null was; here a FIFO stands for it."""
    device = tmp_path / "device"
    os.mkfifo(device)
    trace = tmp_path / "trace.csv"
    trace.write_text("time,T1.top_oil_c\n2026-07-14T12:00:00Z,50\n")
    done = windingd("replay", str(example("demo.yaml")), "--from", str(trace), "--to", str(device))
    assert done.returncode == 64
    assert "is not an ordinary file" in done.stderr
    assert device.is_fifo()
