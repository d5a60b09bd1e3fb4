"""The contract with systemd, proven by a stand-in that owns NOTIFY_SOCKET.

systemd itself does not run here; the stand-in reads the same datagrams. What WatchdogSec= and Restart= do
with them after a hang: tests/failures, row 2.
"""

from __future__ import annotations

import configparser
import shutil
import signal
import subprocess
from pathlib import Path

from bench_kit import Make, Supervisor

UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "windingd.service"


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
    template, _, instance = unit["Unit"]["OnFailure"].partition("@")
    assert instance == "%n.service"
    told = UNIT.with_name(f"{template}@.service").read_text()
    commands = [line for line in told.splitlines() if line.startswith("Exec")]
    assert commands
    for command in commands:  # it tells; it starts nothing
        assert command.startswith("ExecStart=/usr/bin/logger ")
    assert "--last-good" not in UNIT.read_text().split("ExecStart=")[1]
    if shutil.which("systemd-analyze"):
        text = UNIT.read_text().replace("/opt/windingd/bin/windingd", "/bin/true")
        copy = tmp_path / "windingd.service"
        copy.write_text(text)
        verify = ["systemd-analyze", "verify", str(copy)]
        done = subprocess.run(verify, capture_output=True, text=True, check=False)
        assert "Unknown" not in done.stderr, done.stderr
