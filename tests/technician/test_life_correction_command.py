"""A correction of loss of life as everybody sees it: the broker's event, SCADA, the record, a power cut."""

from __future__ import annotations

import asyncio
import getpass
import signal
import socket
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from collector.commands.main import main
from collector.demo.bench import Bench
from collector.record.reader import Record

Make = Callable[..., Any]
#: T1, winding 1 (HV_A): register 1300 + 3 x offset, loss of life 6, corrections 15 (golden_addresses.txt).
LIFE, CORRECTIONS = 1318, 1345


def scada(port: int, register: int) -> float:
    """One value as a SCADA system reads it, in raw Modbus TCP: a float32 in two registers."""
    with socket.create_connection(("127.0.0.1", port), 10.0) as s:
        s.sendall(struct.pack(">HHHBBHH", 7, 0, 6, 1, 4, register, 2))
        answer = b""
        while len(answer) < 13:
            answer += s.recv(13 - len(answer))
    assert answer[7:9] == b"\x04\x04", answer
    return float(struct.unpack(">f", answer[9:13])[0])


HINDERED = (str(Path(__file__).parents[1] / "hindered.py"),)


def seldom(text: str) -> str:
    """Checkpoints once an hour: a correction cannot live on one that was due anyway."""
    assert text.count("  commit_s: 5.0") == 1
    return text.replace("  commit_s: 5.0", "  checkpoint_s: 3600.0\n  commit_s: 5.0")


def life(bench: Bench) -> float:
    found = bench.status()
    assert found is not None
    return float(found["values"]["T1.HV_A.loss_of_life_h"][0])


async def killed_and_back(bench: Bench) -> None:
    assert bench.daemon is not None
    bench.daemon.send(signal.SIGKILL)
    assert await bench.daemon.end() != 0
    await bench.start_daemon()


async def test_a_correction_is_told_to_everybody_and_outlives_a_kill(
    make_bench: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    bench: Bench = await make_bench(load=0.6, edit=seldom)

    async def status(*words: str) -> tuple[int, str]:
        capsys.readouterr()
        code = await asyncio.to_thread(main, ["status", str(bench.settings_path), *words])
        said = capsys.readouterr()
        return code, said.out + said.err

    correct = ("--correct-life", "T1.HV_A")
    assert (await status(*correct, "5000"))[0] == 64  # not without a reason
    assert (await status(*correct, "much", "--why", "x"))[0] == 64
    code, said = await status("--correct-life", "T1.HV_Z", "1", "--why", "x")
    assert (code, "no winding T1.HV_Z" in said) == (1, True)

    code, said = await status(*correct, "5000", "--why", "log books of 1988 to 2019")
    assert (code, "correct_life T1.HV_A by" in said) == (0, True)
    assert 5000.0 <= life(bench) < 5001.0
    await bench.until(lambda: scada(bench.scada_port, LIFE) > 4999.0, "SCADA reads the new figure")
    assert scada(bench.scada_port, CORRECTIONS) == 1.0
    assert (await status(*correct, "40", "--why", "they were of the other unit"))[0] == 0
    # what is published may fall this once
    await bench.until(lambda: scada(bench.scada_port, LIFE) < 41.0, "SCADA reads the lower figure")
    assert scada(bench.scada_port, CORRECTIONS) == 2.0

    def events() -> list[dict[str, Any]]:
        return [m["payload"] for m in bench.messages() if "/event/life" in m["topic"]]

    await bench.until(lambda: len(events()) == 2, "both events at the broker")
    first, second = (e["data"] for e in events())
    assert (first["new_h"], first["why"], first["who"]) == (
        5000.0, "log books of 1988 to 2019", getpass.getuser()
    )  # fmt: skip
    assert second["new_h"] == 40.0
    assert second["old_h"] == pytest.approx(5000.0, abs=1.0)

    await killed_and_back(bench)
    assert 40.0 <= life(bench) < 41.0
    with Record(bench.data_dir / "record.sqlite") as record:
        told = list(record.events(kind="life"))
    assert [e.data["new_h"] for e in told] == [5000.0, 40.0]
    assert {e.subject for e in told} == {"T1.HV_A"}


async def test_control_a_correction_that_waits_for_a_checkpoint_is_lost(make_bench: Make) -> None:
    bench: Bench = await make_bench(load=0.6, edit=seldom, daemon=HINDERED, env={"BREAK": "correction"})
    await asyncio.to_thread(
        main, ["status", str(bench.settings_path), "--correct-life", "T1.HV_A", "40", "--why", "x"]
    )
    assert 40.0 <= life(bench) < 41.0
    with Record(bench.data_dir / "record.sqlite") as record:
        await bench.until(lambda: bool(list(record.events(kind="life"))), "the event is durable")
    assert scada(bench.scada_port, LIFE) < 1.0  # still held back
    await killed_and_back(bench)
    assert life(bench) < 1.0
