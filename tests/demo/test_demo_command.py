"""The demo's command line, and that nothing of a bench outlives it. The story itself: test_demo_story.py."""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from collector.commands.main import main

PARENT = """
import asyncio, signal, sys
from pathlib import Path
from collector.demo.bench import Process

async def run():
    signal.signal(signal.SIGHUP, signal.SIG_DFL)  # whoever started the tests may ignore it
    child = Process("child", ["-c", "import threading; threading.Event().wait()"], Path(sys.argv[1]))
    await child.start()
    print(child.process.pid, flush=True)
    await child.process.wait()

asyncio.run(run())
"""


@pytest.mark.parametrize(
    ("broker", "words"),
    [
        ("localhost", "HOST:PORT"),
        ("127.0.0.1:99999", "HOST:PORT"),
        ("192.0.2.1:1883", "on this machine"),
        ("broker.example:1883", "on this machine"),
    ],
)
def test_a_broker_that_cannot_be_is_refused_at_once(
    broker: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--mqtt", broker]) == 64
    assert words in capsys.readouterr().err


def test_a_broker_that_does_not_answer_is_said_before_anything_starts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as taken:  # bound, not listening: refuses
        taken.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        assert main(["demo", "--mqtt", address, "--keep", str(tmp_path / "afternoon")]) == 1
    assert f"no broker answers at {address}" in capsys.readouterr().err
    assert not (tmp_path / "afternoon").exists()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGHUP], ids=("killed", "terminal closed"))
def test_a_part_of_the_bench_ends_with_it(number: signal.Signals, tmp_path: Path) -> None:
    command = [sys.executable, "-c", PARENT, str(tmp_path)]
    parent = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    child = os.pidfd_open(int(parent.stdout.readline()))
    try:
        assert not select.select([child], [], [], 0)[0], "runs while the bench runs"
        parent.send_signal(number)
        parent.wait()
        assert select.select([child], [], [], 20)[0], "the child outlived the bench"
    finally:
        os.close(child)
        parent.stdout.close()
