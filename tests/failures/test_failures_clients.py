"""Row 15: hostile and broken clients on the SCADA port and on the operator socket."""

from __future__ import annotations

import asyncio
import json
import os
import random
import struct
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import pytest
from bench_kit import Make, held, releases
from failure_help import IDLE, by_load, daemon_with, load_starts_stage_1, ready
from ledger import Ledger

from collector.demo.bench import Bench
from collector.operator import SOCKET_NAME

SEED = 20_260_714
SCADA_CLIENTS = 8  # scada.max_clients as it stands in the settings
OPERATOR_CLIENTS = 16
Stream = tuple[asyncio.StreamReader, asyncio.StreamWriter]
Open = Callable[[], Awaitable[Stream]]


def frame(pdu: bytes, unit: int = 1, protocol: int = 0, length: int | None = None) -> bytes:
    return struct.pack(">HHHB", 1, protocol, len(pdu) + 1 if length is None else length, unit) + pdu


async def still_open(streams: list[Stream]) -> int:
    """How many are not closed by the other side within a second."""

    async def closed(reader: asyncio.StreamReader) -> bool:
        try:
            return await asyncio.wait_for(reader.read(1), 1.0) == b""
        except TimeoutError:
            return False
        except OSError:
            return True

    return sum(not c for c in await asyncio.gather(*(closed(reader) for reader, _ in streams)))


async def crowd(connect: Open, number: int) -> int:
    """So many connections at once that ask nothing; how many are kept."""
    streams = []
    for _ in range(number):
        with suppress(OSError):
            streams.append(await connect())
    kept = await still_open(streams)
    for _, writer in streams:
        writer.transport.abort()
    return kept


async def throw(connect: Open, *pieces: bytes) -> None:
    """Send, read a little, leave. What comes back is not looked at."""
    for piece in pieces:
        with suppress(OSError, TimeoutError):
            reader, writer = await connect()
            writer.write(piece)
            with suppress(TimeoutError):
                await asyncio.wait_for(reader.read(512), 0.05)
            writer.transport.abort()


async def ask(connect: Open, request: bytes) -> bytes:
    """One proper exchange; tried again while all places are still taken by the crowd before."""
    end = time.monotonic() + 5.0
    while True:
        try:
            reader, writer = await connect()
            writer.write(request)
            answer = await asyncio.wait_for(reader.readexactly(9), 2.0)
        except (OSError, TimeoutError, asyncio.IncompleteReadError):
            if time.monotonic() > end:
                raise TimeoutError("a proper client is not served") from None
            await asyncio.sleep(0.05)
            continue
        writer.transport.abort()
        return answer


def memory_mb(pid: int) -> float:
    text = Path(f"/proc/{pid}/status").read_text()
    return int(text.partition("VmRSS:")[2].split()[0]) / 1024


@pytest.mark.parametrize("broken", ["", "clients"])
async def test_row_15_hostile_clients(make_bench: Make, ledger: Ledger, broken: str) -> None:
    """Crowds, rubbish, half frames, writes of every function code, readers that do not read.

    Control: any number of clients.
    """
    bench: Bench = await ready(await make_bench(load=IDLE, edit=by_load, **daemon_with(broken)))
    assert bench.daemon.process is not None
    pid = bench.daemon.process.pid
    chance = random.Random(SEED)
    fd = os.open(bench.data_dir, os.O_RDONLY | os.O_DIRECTORY)

    async def scada() -> Stream:
        return await asyncio.open_connection("127.0.0.1", bench.scada_port)

    async def local() -> Stream:
        return await asyncio.open_unix_connection(f"/proc/self/fd/{fd}/{SOCKET_NAME}")

    try:
        before_mb, lines = memory_mb(pid), bench.daemon.errors.read_text().count("\n")
        since_ns = time.monotonic_ns()
        with ledger.judged(15, broken, "a crowd of 60 on the SCADA port"):
            kept = await crowd(scada, 60)
            assert kept <= SCADA_CLIENTS, f"{kept} connections were kept"
        if not broken:
            local_kept = await crowd(local, 100)
            assert local_kept <= OPERATOR_CLIENTS, (
                f"{local_kept} connections were kept on the operator socket"
            )
        rubbish = [chance.randbytes(chance.randint(1, 400)) for _ in range(60)]
        await throw(
            scada,
            *rubbish,
            frame(b"\x03", protocol=7),
            frame(b"\x03\0\0\0\1", length=65535),
            frame(b"\x03\0\0\0\1", length=0),
            frame(b"\x03\0\0\0\1")[:9],
            *(frame(bytes([code]) + b"\0\0\0\1\2\0\1") for code in range(128)),
            frame(b"\x03\0\0\0\x7d") * 400,
        )
        await throw(
            local,
            *(piece + b"\n" for piece in rubbish[:20]),
            b"x" * 1_000_000,
            b"[" * 4000 + b"\n",
            b"[1]\n",
            b"{}\n",
            json.dumps(
                {"request": "command", "kind": "hold_off", "target": "T1.stage1", "minutes": "no"}
            ).encode()
            + b"\n",
            json.dumps({"request": "inject", "point": "nowhere", "value": "1"}).encode() + b"\n",
        )
        refusal = await ask(scada, frame(b"\x05\0\0\xff\0"))
        assert refusal[7:9] == b"\x85\x01", "a write must be refused as an illegal function"
        answer = await ask(scada, frame(b"\x04" + struct.pack(">HH", 900, 1)))
        assert answer[7] == 4, "a proper client is no longer served"
        assert bench.status() is not None
        requests = [line for line in bench.station.log("relays") if line["event"] == "request"]
        gaps = [b["station_ns"] - a["station_ns"] for a, b in pairwise(requests) if b["mono_ns"] > since_ns]
        assert not releases(bench, since_ns), "a relay moved"
        assert len(held(bench)) >= 3
        grown_mb = memory_mb(pid) - before_mb
        said = bench.daemon.errors.read_text().count("\n") - lines
        assert grown_mb < 60.0
        assert said < 200
        reaction_s = await load_starts_stage_1(bench)
    finally:
        os.close(fd)
    if broken:
        return
    ledger.note(
        15,
        f"crowds, {len(rubbish)} random messages (seed {SEED}), half and endless frames, all 128 function "
        "codes, "
        "400 requests whose answers nobody reads, deep JSON, a line of 1 MB",
        f"kept {kept} of 60 SCADA and {local_kept} of 100 operator connections; every write refused; the "
        "relay module's "
        f"longest gap between two requests was {max(gaps) / 1e9:.1f} s and no relay moved; memory "
        f"{grown_mb:+.0f} MB, "
        f"{said} lines of log; then stage 1 started by load",
        reaction_s=reaction_s,
    )
