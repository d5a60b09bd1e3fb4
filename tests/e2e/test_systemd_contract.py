"""The contract with systemd, proven by a stand-in that owns NOTIFY_SOCKET and enforces the watchdog.

systemd itself does not run here; the stand-in reads the same datagrams and does what WatchdogSec= and
Restart= would: no WATCHDOG=1 for so long, then SIGKILL and start again.
"""

from __future__ import annotations

import asyncio
import configparser
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from e2e_facts import all_held_off, held

Make = Callable[..., Any]
UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "windingd.service"
HINDERED = (str(Path(__file__).with_name("hindered.py")),)
WATCHDOG_S = 2.0


class Supervisor:
    """Owns the notification socket; the datagrams with the real time of their arrival."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self._socket.bind(str(path))
        self.seen: list[tuple[float, str]] = []

    def read(self) -> list[tuple[float, str]]:
        while True:
            try:
                data = self._socket.recv(4096)
            except BlockingIOError:
                return self.seen
            self.seen.append((time.monotonic(), data.decode()))

    def count(self, assignment: str) -> int:
        return sum(assignment in text.split("\n") for _, text in self.read())

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def supervisor(tmp_path: Path) -> Any:
    owner = Supervisor(tmp_path / "notify")
    yield owner
    owner.close()


async def test_ready_after_the_first_decision_and_watchdog_fed_whatever_is_lost(
    make_bench: Make, supervisor: Supervisor, tmp_path: Path
) -> None:
    bench = await make_bench(env={"NOTIFY_SOCKET": str(tmp_path / "notify")})
    assert supervisor.count("READY=1") == 0
    await bench.start_daemon()
    assert supervisor.count("READY=1") == 1
    for device in ("oil_tx", "ct_tx", "relays", "fibre"):
        await bench.station.fault(device, "cut")
    assert bench.broker is not None
    await bench.broker.end()
    before = supervisor.count("WATCHDOG=1")
    await bench.until(lambda: supervisor.count("WATCHDOG=1") >= before + 20, "fed with every link down")
    assert await bench.daemon.end(signal.SIGTERM) == 0
    bench.daemon = None
    assert supervisor.count("STOPPING=1") == 1


@pytest.mark.parametrize("hinder", ["loop", "decide"])
async def test_a_hang_is_not_fed_and_the_restarted_daemon_decides_again(
    make_bench: Make, supervisor: Supervisor, tmp_path: Path, hinder: str
) -> None:
    """Failure 2, the restart. Only a completed decision feeds the watchdog: polling alone does not."""
    flag = tmp_path / "flag"
    bench = await make_bench(
        daemon=HINDERED,
        env={"HINDER_FLAG": str(flag), "HINDER": hinder, "NOTIFY_SOCKET": str(tmp_path / "notify")},
    )
    await bench.start_daemon()
    await all_held_off(bench)
    flag.touch()
    while True:
        fed = [at for at, text in supervisor.read() if "WATCHDOG=1" in text]
        if time.monotonic() - fed[-1] > WATCHDOG_S:
            break
        await asyncio.sleep(0.05)
    await bench.until(lambda: not held(bench) & {0, 1, 2}, "released by the module")
    await bench.daemon.end(signal.SIGKILL)
    flag.unlink()
    await bench.start_daemon()
    assert supervisor.count("READY=1") == 2


def test_unit_file_says_what_the_daemon_needs(tmp_path: Path) -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(UNIT)
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert service["RestartPreventExitStatus"] == "78"
    assert service["User"] == "windingd"
    assert service["NoNewPrivileges"] == "yes"
    assert float(service["WatchdogSec"]) > 10
    if shutil.which("systemd-analyze"):
        text = UNIT.read_text().replace("/opt/windingd/bin/windingd", "/bin/true")
        copy = tmp_path / "windingd.service"
        copy.write_text(text)
        verify = ["systemd-analyze", "verify", str(copy)]
        done = subprocess.run(verify, capture_output=True, text=True, check=False)
        assert "Unknown" not in done.stderr, done.stderr
