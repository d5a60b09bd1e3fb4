"""Row 9: the broker is away, or its acknowledgements are. A wire that can be cut stands before a real
broker.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
from bench_kit import STAGES, Make, Message, alarms, held
from failure_help import IDLE, both, by_load, daemon_with, load_starts_stage_1, ready
from ledger import Ledger
from wires import Wire

from collector.demo.bench import Bench, free_port


@pytest.fixture
async def broker(tool: Callable[[str], str], tmp_path: Path) -> AsyncIterator[int]:
    """A Mosquitto on a free port."""
    port = free_port()
    settings = tmp_path / "mosquitto.conf"
    settings.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    process = await asyncio.create_subprocess_exec(
        tool("mosquitto"), "-c", str(settings), stderr=asyncio.subprocess.DEVNULL
    )
    while True:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            await asyncio.sleep(0.02)
            continue
        writer.close()
        break
    yield port
    process.kill()
    await process.wait()


def numbered(bench: Bench) -> list[Message]:
    """Messages of the backlog's two kinds, events and history, as the subscriber got them."""
    return [m for m in bench.messages() if "/event/" in m["topic"] or m["topic"].endswith("/history")]


async def drained(bench: Bench) -> None:
    """The start has been told: events have arrived, and for a second no further one."""
    await bench.until(lambda: bool(numbered(bench)), "events arrive")
    await bench.until(
        lambda: time.monotonic_ns() - numbered(bench)[-1]["mono_ns"] > 1_000_000_000,
        "the start is told",
        90.0,
    )


def numbers(messages: list[Message]) -> list[int]:
    return [m["payload"]["sequence"] for m in messages]


@pytest.mark.parametrize("broken", ["", "outbox"])
async def test_row_9_broker_away(make_bench: Make, ledger: Ledger, broker: int, broken: str) -> None:
    """Control untouched meanwhile; then everything, in order. Control: what cannot be sent is forgotten."""
    async with Wire(broker) as wire:
        bench = await make_bench(
            load=IDLE,
            edit=by_load,
            publish_s=4.0,
            mqtt=("127.0.0.1", wire.port),
            listen_to=("127.0.0.1", broker),
            **daemon_with(broken),
        )
        await ready(bench)
        await drained(bench)
        since_ns = time.monotonic_ns()
        wire.cut()
        reaction_s = await load_starts_stage_1(bench)
        from_ns = time.monotonic_ns()
        await bench.station.set_load(IDLE)
        await bench.until(lambda: held(bench) >= STAGES, "held off again, the broker still away", 10.0)
        await asyncio.sleep(4.0)  # the length of the outage: past the alarm's delay of 60 station seconds
        assert not [m for m in numbered(bench) if m["mono_ns"] > from_ns], "the wire was not cut"
        wire.mend()
        mended_ns = time.monotonic_ns()
        with ledger.judged(9, broken, "broker away"):
            await bench.until(
                lambda: bool(alarms(bench, "station.alarm_broker_lost", mended_ns)), "the backlog", 8.0
            )
            await bench.until(
                lambda: bool(alarms(bench, "station.alarm_broker_lost", mended_ns, active=False)),
                "its end",
                8.0,
            )
            got = [m for m in numbered(bench) if m["mono_ns"] >= mended_ns]
            calls = [
                m["payload"]["data"].get("call") for m in got if m["payload"].get("subject") == "T1.stage1"
            ]
            assert [c for c in calls if c in ("called", "off")][-2:] == ["called", "off"]
            told = list(dict.fromkeys(numbers(numbered(bench))))
            assert told == sorted(told), "out of order"
        if broken:
            return
        ledger.note(
            9,
            f"broker unreachable for {(mended_ns - since_ns) / 1e9 * bench.station.rate:.0f} s",
            "stage 1 started by load and was held off again meanwhile; afterwards everything came in order, "
            "among it call, stop and the alarm of the broker itself",
            reaction_s=reaction_s,
        )


ROWS = 100  # the smallest backlog that the settings allow


def small_backlog(text: str) -> str:
    """Full within seconds, as the usual 200 000 messages are within weeks."""
    return text.replace("  publish_s:", f"  backlog_rows: {ROWS}\n  publish_s:", 1)


@pytest.mark.parametrize("broken", ["", "backlog limit"])
async def test_row_9_backlog_full(make_bench: Make, ledger: Ledger, broker: int, broken: str) -> None:
    """Away until the backlog is full twice over: control untouched, the newest kept and in order, the loss
    counted and told. Control: no limit.
    """
    async with Wire(broker) as wire:
        bench = await make_bench(
            load=IDLE,
            edit=both(by_load, small_backlog),
            publish_s=0.5,  # so that every cycle has something to tell
            mqtt=("127.0.0.1", wire.port),
            listen_to=("127.0.0.1", broker),
            **daemon_with(broken),
        )
        await ready(bench)
        await drained(bench)
        since_ns = time.monotonic_ns()
        wire.cut()
        reaction_s = await load_starts_stage_1(bench)
        # The length of the outage: a message every cycle of 2 s fills the backlog and more.
        await asyncio.sleep(1.4 * ROWS * 2.0 / bench.station.rate)
        before = [m["payload"]["sequence"] for m in bench.messages() if "sequence" in m["payload"]]
        wire.mend()
        mended_ns = time.monotonic_ns()

        def late() -> list[Message]:
            return [m["payload"] for m in numbered(bench) if m["mono_ns"] >= mended_ns]

        def losses() -> list[Message]:
            return [m for m in late() if m.get("kind") == "backlog"]

        with ledger.judged(9, broken, "backlog full"):
            await bench.until(lambda: bool(losses()), "the loss told by an event", 10.0 if broken else 20.0)
            kept = list(dict.fromkeys(m["sequence"] for m in late()))
            assert kept == sorted(kept), "out of order"
            missing, dropped = kept[0] - 1 - max(before), sum(m["data"]["dropped"] for m in losses())
            assert 0 < missing <= dropped, f"{missing} messages are missing, {dropped} are told as dropped"
        if broken:
            return
        ledger.note(
            9,
            f"broker unreachable for {(mended_ns - since_ns) / 1e9 * bench.station.rate:.0f} s with room for "
            f"{ROWS} messages, as for weeks with the usual 200 000",
            "stage 1 started by load meanwhile; then the newest messages in order, and the event "
            f"“{losses()[0]['text']}”; {missing} numbers are missing at the subscriber",
            reaction_s=reaction_s,
        )


@pytest.mark.parametrize("broken", ["", "numbers"])
async def test_row_9_acknowledgement_lost(make_bench: Make, ledger: Ledger, broker: int, broken: str) -> None:
    """PUBACKs vanish, then the connection breaks: what was sent comes again, under the same number.

    Control: a repeat is numbered anew.
    """
    async with Wire(broker) as wire:
        bench = await make_bench(
            load=IDLE,
            edit=by_load,
            publish_s=290.0,  # few values, so that the client's window is not full before the event
            mqtt=("127.0.0.1", wire.port),
            listen_to=("127.0.0.1", broker),
            **daemon_with(broken),
        )
        await ready(bench)
        await drained(bench)
        since_ns = time.monotonic_ns()
        wire.lose_acks = True
        await load_starts_stage_1(bench)
        await bench.until(
            lambda: any(
                m["payload"].get("subject") == "T1.stage1" for m in numbered(bench) if m["mono_ns"] > since_ns
            ),
            "stage 1 told",
        )
        assert wire.lost_acks
        wire.lose_acks = False
        wire.break_off()
        broken_ns = time.monotonic_ns()

        def stories(after_ns: int, before_ns: int = 1 << 62) -> list[tuple[str, int, str]]:
            return [
                (m["payload"]["boot"], m["payload"]["sequence"], m["payload"]["text"])
                for m in numbered(bench)
                if after_ns <= m["mono_ns"] < before_ns and "text" in m["payload"]
            ]

        first = stories(since_ns, broken_ns)
        with ledger.judged(9, broken, "acknowledgement lost"):
            await bench.until(
                lambda: {text for *_, text in first} <= {text for *_, text in stories(broken_ns)},
                "sent again",
                8.0,
            )
            again = stories(broken_ns)
            assert set(first) <= set(again), "a repeat carries another number"
        if broken:
            return
        ledger.note(
            9,
            f"PUBACKs lost ({wire.lost_acks}), then the connection",
            f"events sent twice: {len(first)}, each time with the same (boot, sequence)",
        )
