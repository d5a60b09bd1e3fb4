"""The publisher against a real Mosquitto; every fact is taken from a separate subscriber process.

Broker faults are failure-table row 9. The control of the lost-PUBACK test is the same run with a
proxy that swallows nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import signal
import sys
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from conftest_publish import (
    PATIENCE_S,
    ROOT,
    Broker,
    Steps,
    Subscriber,
    free_port,
    subscriber,
    until,
    with_mqtt,
)

from collector.clock import Clock
from collector.messages import Value
from collector.points import catalogue
from collector.publish import mqtt
from collector.publish.mqtt import TIME_DOUBTFUL, MqttPublisher, Timing
from collector.publish.outbox import Message
from collector.quality import Detail, Quality, invalid
from collector.settings.model import Settings, Tls

QUICK = Timing(retry_min_s=0.05, retry_max_s=0.2, tick_s=0.05, ack_s=1.0, connack_s=1.0)
BASE = "windingd/HOLLOWBECK"


@asynccontextmanager
async def running(publisher: MqttPublisher) -> AsyncIterator[MqttPublisher]:
    task = asyncio.create_task(publisher.run())
    try:
        yield publisher
    finally:
        await publisher.close(5.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


class Proxy:
    """Raw TCP between publisher and broker: throws away PUBACKs while `swallow` is set, and can be cut.

    Mosquitto's answers to a publisher that subscribes to nothing are CONNACK, PUBACK and PINGRESP, all
    two bytes long plus at most 127: one length byte.
    """

    def __init__(self, target: int) -> None:
        self.target = target
        self.swallow = False
        self.swallowed = 0
        self.cut = asyncio.Event()
        self.port = 0

    async def start(self) -> asyncio.Server:
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        return server

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.cut.is_set():
            writer.close()
            return
        up_reader, up_writer = await asyncio.open_connection("127.0.0.1", self.target)

        async def upward() -> None:
            while data := await reader.read(65536):
                up_writer.write(data)
            up_writer.close()

        async def downward() -> None:
            while True:
                head = await up_reader.readexactly(2)
                body = await up_reader.readexactly(head[1])
                if head[0] == 0x40 and self.swallow:
                    self.swallowed += 1
                else:
                    writer.write(head + body)

        tasks = [
            asyncio.create_task(upward()),
            asyncio.create_task(downward()),
            asyncio.create_task(self.cut.wait()),
        ]
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        writer.close()
        up_writer.close()


def publisher_for(settings: Settings, tmp_path: Path, timing: Timing = QUICK) -> MqttPublisher:
    return MqttPublisher(settings, Clock(), tmp_path / "data", settings_hash="cafe", timing=timing)


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_late_subscriber_has_everything(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path, protocol: str
) -> None:
    settings = with_mqtt(station, broker.port, protocol=protocol)
    steps = Steps(settings, Clock())
    points = {p.id: p for p in catalogue(settings)}
    async with running(publisher_for(settings, tmp_path)) as publisher:
        publisher.offer(
            steps({"T1.hot_spot_c": 83.812345678, "T1.top_oil_c": Value(None, invalid(Detail.OLD_DATA))}),
            1_751_378_709_250_000_000,
            TIME_DOUBTFUL,
        )
        await until(lambda: publisher.connected and publisher.waiting == 0)
        async with subscriber(tool("mosquitto_sub"), broker.port) as late:
            while len({g.topic for g in late.got}) < len(points) + 2:
                assert (await late.next()).retained
    by_topic = {g.topic: g.payload for g in late.got}
    birth = by_topic[f"{BASE}/birth"]
    assert birth["settings_hash"] == "cafe"
    assert birth["station"] == "HOLLOWBECK"
    assert birth["rate"] == 1.0
    assert {p["id"] for p in birth["points"]} == set(points)
    for entry in birth["points"]:
        assert by_topic[entry["topic"]]["boot"] == publisher.boot
        assert entry["meaning"]
        assert entry["quality"]
    hot_spot = by_topic[f"{BASE}/value/T1/hot_spot_c"]
    assert hot_spot == {
        "value": 83.81235,
        "quality": "good",
        "time": "2025-07-01T14:05:09.250Z",
        "time_quality": "clockNotSynchronized",
        "boot": publisher.boot,
        "sequence": 1,
    }
    oil = by_topic[f"{BASE}/value/T1/top_oil_c"]
    assert oil["value"] is None
    assert oil["quality"] == "invalid:oldData"
    alarm = by_topic[f"{BASE}/value/T1/alarm_hot_spot_high"]
    assert alarm["value"] == 0
    assert alarm["word"] == "normal"
    assert by_topic[f"{BASE}/state"]["state"] == "online"
    assert by_topic[f"{BASE}/state"]["last_decision"] == "2025-07-01T14:05:09.250Z"


async def test_not_finite_is_null_and_invalid(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    settings = with_mqtt(station, broker.port)
    steps = Steps(settings, Clock())
    async with (
        subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/value/T1/#") as seen,
        running(publisher_for(settings, tmp_path)) as publisher,
    ):
        publisher.offer(steps({"T1.load_pu": float("nan"), "T1.hot_spot_c": float("inf")}), 0)
        for topic in ("load_pu", "hot_spot_c"):
            got = next((g for g in seen.got if g.topic.endswith(f"T1/{topic}")), None)
            got = got or await seen.until(lambda g, t=topic: g.topic == f"{BASE}/value/T1/{t}")
            assert got.payload["value"] is None
            assert Quality.parse(got.payload["quality"]).is_invalid


async def test_alarms_at_once_values_when_due(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    settings = with_mqtt(station, broker.port, publish_s=10.0)
    steps = Steps(settings, Clock())
    async with (
        subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/#") as seen,
        running(publisher_for(settings, tmp_path)) as publisher,
    ):
        publisher.offer(steps(), 0)
        await until(lambda: publisher.connected and publisher.waiting == 0)
        first = publisher._sequence
        publisher.offer(steps({"T1.hot_spot_c": 111.0}), 1)  # 1 s after the last: not due
        publisher.offer(
            steps({"T1.alarm_hot_spot_high": 1}, ("alarm", "T1.alarm_hot_spot_high", "hot spot high")), 2
        )
        for _ in range(9):
            publisher.offer(steps(), 3)
        await seen.until(lambda g: g.topic == f"{BASE}/value/T1/hot_spot_c" and g.payload["value"] == 111.0)
    new = [g for g in seen.got if "value/" in g.topic and g.payload["sequence"] > first]
    assert [g.topic.rsplit("/", 1)[1] for g in new] == ["alarm_hot_spot_high", "hot_spot_c"]
    event = next(g for g in seen.got if g.topic == f"{BASE}/event/alarm")
    assert not event.retained
    assert event.payload["text"] == "hot spot high"


async def test_broker_restarted_new_subscriber_no_value_changed(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    settings = with_mqtt(station, broker.port)
    steps = Steps(settings, Clock())
    async with running(publisher_for(settings, tmp_path)) as publisher:
        publisher.offer(steps(), 0)
        await until(lambda: publisher.connected and publisher.waiting == 0)
        await broker.stop()
        await until(lambda: not publisher.connected)
        await broker.start()
        async with subscriber(tool("mosquitto_sub"), broker.port) as new:
            wanted = {f"{BASE}/value/{p.topic}" for p in catalogue(settings)} | {
                f"{BASE}/birth",
                f"{BASE}/state",
            }
            while wanted - {g.topic for g in new.got}:
                await new.next()
    values = [g for g in new.got if "/value/" in g.topic]
    assert {g.payload["sequence"] for g in values} == {1}, "nothing changed: the same message again"


@pytest.mark.parametrize("told", [True, False], ids=["told", "control"])
async def test_a_point_that_a_reload_removed_leaves_nothing_retained(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path, told: bool
) -> None:
    before = with_mqtt(station, broker.port)
    unit = before.transformers[0]
    less = unit.model_copy(update={"stages": unit.stages[:-1]})
    after = before.model_copy(update={"transformers": (less, *before.transformers[1:])})
    gone = f"{BASE}/value/{unit.id}/{unit.stages[-1].id}/"
    async with running(publisher_for(before, tmp_path)) as publisher:
        publisher.offer(Steps(before, Clock())(), 0)
        await until(lambda: publisher.connected and publisher.waiting == 0)
    former = publisher.topics() if told else ()
    new = MqttPublisher(after, Clock(), tmp_path / "data", timing=QUICK, former=former)
    async with running(new):
        new.offer(Steps(after, Clock())(), 0)
        await until(lambda: new.connected and new.waiting == 0)
    async with subscriber(tool("mosquitto_sub"), broker.port, "windingd/#", "-W", "2") as late:
        with contextlib.suppress(AssertionError):  # it ends by itself: nothing else is retained
            while True:
                await late.next()
    left = {g.topic for g in late.got}
    assert {f"{BASE}/value/{p.topic}" for p in catalogue(after)} <= left
    assert any(t.startswith(gone) for t in left) is not told
    assert new.topics() >= set(former)


@pytest.mark.parametrize("kept", [True, False], ids=["kept", "control"])
async def test_broker_away_backlog_in_order_and_never_over_newer(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path, kept: bool
) -> None:
    """The control has an outbox that forgets at once: then what happened meanwhile is lost."""
    proxy = Proxy(broker.port)
    server = await proxy.start()
    settings = with_mqtt(station, proxy.port)
    steps = Steps(settings, Clock())
    publisher = publisher_for(settings, tmp_path)
    if not kept:
        publisher._outbox.put = lambda message: None  # type: ignore[method-assign]
    async with subscriber(tool("mosquitto_sub"), broker.port) as seen, running(publisher):
        publisher.offer(steps(), 0)
        await seen.until(lambda g: g.topic == f"{BASE}/value/T1/hot_spot_c")
        await until(lambda: publisher.connected and publisher.waiting == 0)
        proxy.cut.set()
        await until(lambda: not publisher.connected)
        ok, reason = publisher.health()
        assert not ok
        assert "127.0.0.1" in reason
        for i in range(300):
            publisher.offer(steps({"T1.hot_spot_c": 50.0 + i}, ("stage", "T1.stage1", f"number {i}")), i)
        proxy.cut.clear()
        # Direct: the backlog is known to be empty, so that the control's next event goes out at all.
        await until(lambda: publisher.connected and publisher.waiting == 0 and publisher._direct)
        publisher.offer(steps({"T1.hot_spot_c": 1000.0}, ("stage", "T1.stage1", "last")), 999)
        await seen.until(lambda g: g.payload.get("text") == "last")
        if not any(g.topic.endswith("T1/hot_spot_c") and g.payload["value"] == 1000.0 for g in seen.got):
            await seen.until(lambda g: g.topic.endswith("T1/hot_spot_c") and g.payload["value"] == 1000.0)
    server.close()
    history = [g.payload for g in seen.got if g.topic == f"{BASE}/history"]
    hot = [h["values"]["T1.hot_spot_c"]["value"] for h in history if "T1.hot_spot_c" in h["values"]]
    events = [g.payload["text"] for g in seen.got if g.topic == f"{BASE}/event/stage"]
    # What was offered before the first connect or right behind the backlog may have joined it.
    hot = [value for value in hot if value not in (20.5, 1000.0)]
    all_events = [*(f"number {i}" for i in range(300)), "last"]
    complete = hot == [50.0 + i for i in range(300)] and events == all_events
    assert complete is kept
    live = [g.payload["value"] for g in seen.got if g.topic == f"{BASE}/value/T1/hot_spot_c"]
    assert live[0] == 20.5
    assert live[-1] == 1000.0
    assert set(live) <= {20.5, 349.0, 1000.0}, "nothing old on the retained topic"
    assert not any(g.retained for g in seen.got if g.topic == f"{BASE}/history")


async def test_backlog_survives_the_process_and_is_bounded(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    settings = with_mqtt(station, broker.port, backlog_rows=100)
    await broker.stop()
    steps = Steps(settings, Clock())
    old = publisher_for(settings, tmp_path)
    async with running(old):
        for i in range(250):
            old.offer(steps({}, ("alarm", "T1", f"number {i}")), i)
    assert old.dropped == 1 + 250 - 100  # the first values, then an event each
    await broker.start()
    async with (
        subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/event/alarm") as seen,
        running(publisher_for(settings, tmp_path)),
    ):
        await seen.until(lambda g: g.payload["text"] == "number 249")
    assert [g.payload["text"] for g in seen.got] == [f"number {i}" for i in range(150, 250)]
    assert {g.payload["boot"] for g in seen.got} == {old.boot}


async def test_damaged_backlog_is_announced(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "outbox.db").write_bytes(b"SQLite format 3\0" + b"\x5a" * 8192)
    async with (
        subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/event/backlog") as seen,
        running(publisher_for(with_mqtt(station, broker.port), tmp_path)),
    ):
        assert "set aside" in (await seen.next()).payload["text"]


async def test_large_stations_are_published_in_parts(
    broker: Broker,
    tool: Callable[[str], str],
    station: Settings,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(mqtt, "CHUNK", 10)
    settings = with_mqtt(station, broker.port)
    steps = Steps(settings, Clock())
    wanted = {f"{BASE}/value/{p.topic}" for p in catalogue(settings)}
    async with (
        subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/#") as seen,
        running(publisher_for(settings, tmp_path)) as publisher,
    ):
        await until(lambda: publisher._direct)
        publisher.offer(steps(), 0)
        while wanted - {g.topic for g in seen.got}:
            await seen.next()
        await until(lambda: publisher.waiting == 0)
    sequences = [g.payload["sequence"] for g in seen.got if g.topic in wanted]
    assert max(sequences.count(n) for n in sequences) == 10
    assert not any(g.topic == f"{BASE}/history" for g in seen.got)


SEED = 20260701


async def test_flapping_connection_loses_nothing_and_keeps_order(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    """Cuts and swallowed PUBACKs at random moments: every event arrives, first arrivals in order."""
    chance = random.Random(SEED)
    proxy = Proxy(broker.port)
    server = await proxy.start()
    settings = with_mqtt(station, proxy.port)
    steps = Steps(settings, Clock())
    impatient = Timing(retry_min_s=0.01, retry_max_s=0.03, tick_s=0.02, ack_s=0.2, connack_s=1.0)
    cuts = 0
    async with (
        subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/event/alarm") as seen,
        running(publisher_for(settings, tmp_path, impatient)) as publisher,
    ):
        for i in range(600):
            publisher.offer(steps({"T1.hot_spot_c": float(i)}, ("alarm", "T1.x", f"{i}")), i)
            if chance.random() < 0.05:
                cuts += publisher.connected
                proxy.cut.set()
            elif chance.random() < 0.2:
                proxy.cut.clear()
                proxy.swallow = chance.random() < 0.3
            await asyncio.sleep(chance.random() * 0.01)
        proxy.cut.clear()
        proxy.swallow = False
        await seen.until(lambda g: g.payload["text"] == "599")
        await until(lambda: publisher.connected and publisher.waiting == 0)
    server.close()
    assert cuts > 5, "the premise"
    first: dict[tuple[str, int], str] = {}
    for got in seen.got:
        key = (got.payload["boot"], got.payload["sequence"])
        assert first.setdefault(key, got.payload["text"]) == got.payload["text"]
    assert list(first.values()) == [f"{i}" for i in range(600)]


@pytest.mark.parametrize("turns", range(6))
async def test_connection_lost_as_the_backlog_is_read(station: Settings, tmp_path: Path, turns: int) -> None:
    """However close the disk's answer and the end of the connection are, the drain ends with it.

    Otherwise it waits for PUBACKs of a connection that is gone, and no new one is ever made.
    """
    publisher = publisher_for(with_mqtt(station, free_port()), tmp_path)
    answer: asyncio.Future[list[tuple[int, Message]]] = asyncio.get_running_loop().create_future()

    async def fetch(after: int, most: int) -> list[tuple[int, Message]]:
        return await answer

    publisher._outbox.fetch = fetch  # type: ignore[method-assign]
    drain = asyncio.create_task(publisher._drain())
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    answer.set_result([(n, Message("boot", n, "topic", b"{}")) for n in range(1, mqtt.WINDOW + 2)])
    for _ in range(turns):
        await asyncio.sleep(0)
    drain.cancel()
    await asyncio.wait({drain}, timeout=2.0)
    assert drain.done()


async def test_drops_are_announced(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    proxy = Proxy(broker.port)
    server = await proxy.start()
    proxy.cut.set()
    quick_commit = station.model_copy(update={"record": station.record.model_copy(update={"commit_s": 0.5})})
    settings = with_mqtt(quick_commit, proxy.port, backlog_rows=100)
    steps = Steps(settings, Clock())
    async with (
        subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/event/#") as seen,
        running(publisher_for(settings, tmp_path)) as publisher,
    ):
        for i in range(150):
            publisher.offer(steps({}, ("alarm", "T1", f"number {i}")), i)
        await until(lambda: publisher.dropped == 51)
        proxy.cut.clear()
        said = await seen.until(lambda g: g.payload["kind"] == "backlog")
    server.close()
    assert said.payload["data"] == {"dropped": 51}
    assert "51" in said.payload["text"]


async def test_blocked_dial_holds_nobody(
    station: Settings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name server or handshake that hangs: the loop goes round, steps are taken, close() returns."""
    hang, dialling = threading.Event(), threading.Event()

    def blocked(*_: object) -> None:
        dialling.set()
        hang.wait()
        raise OSError("ended")

    monkeypatch.setattr(mqtt, "_dial", blocked)
    settings = with_mqtt(station, free_port())
    steps = Steps(settings, Clock())
    publisher = publisher_for(settings, tmp_path)
    async with running(publisher):
        await until(dialling.is_set)
        for i in range(50):
            publisher.offer(steps({"T1.hot_spot_c": float(i)}), i)
            await asyncio.sleep(0)
        assert not publisher.connected
    hang.set()


async def test_a_callback_that_raises_is_seen_and_the_connection_made_anew(
    broker: Broker, station: Settings, tmp_path: Path
) -> None:
    settings = with_mqtt(station, broker.port)
    steps = Steps(settings, Clock())
    publisher = publisher_for(settings, tmp_path)
    real, raised = publisher._delivered, []

    def faulty(message: Message) -> None:
        if not raised:
            raised.append(message)
            raise RuntimeError("a fault in our own callback")
        real(message)

    publisher._delivered = faulty  # type: ignore[method-assign]
    async with running(publisher):
        publisher.offer(steps(), 0)
        await until(lambda: bool(raised))
        await until(lambda: publisher.connected and publisher.waiting == 0)


async def test_killed_publisher_last_will(broker: Broker, tool: Callable[[str], str], tmp_path: Path) -> None:
    async with subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/state") as seen:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            str(Path(__file__).with_name("publisher_process.py")),
            str(broker.port),
            str(tmp_path),
            cwd=ROOT,
        )
        online = await seen.until(lambda g: g.payload["state"] == "online" and g.payload["deciding"])
        os.kill(process.pid, signal.SIGKILL)
        await process.wait()
        will = await seen.next()
    assert will.payload["state"] == "offline"
    assert will.payload["reason"] == "lost"
    assert will.payload["boot"] == online.payload["boot"]
    async with subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/state") as late:
        assert (await late.next()).payload["state"] == "offline"


async def test_close_says_stopped_once(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    settings = with_mqtt(station, broker.port)
    steps = Steps(settings, Clock())
    publisher = publisher_for(settings, tmp_path)
    async with subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/state") as seen:
        task = asyncio.create_task(publisher.run())
        publisher.offer(steps(), 0)
        await seen.until(lambda g: g.payload["state"] == "online")
        await publisher.close(5.0)
        await asyncio.wait_for(task, PATIENCE_S)  # run() returns by itself
        await seen.until(lambda g: g.payload["state"] == "offline")
        async with subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/state") as late:
            assert (await late.next()).payload["reason"] == "stopped", "no last will after an orderly end"


async def test_deciding_stopped_is_said_although_connected(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    short = station.model_copy(
        update={"station": station.station.model_copy(update={"decision_max_age_s": 0.5})}
    )
    settings = with_mqtt(short, broker.port)
    steps = Steps(settings, Clock())
    async with (
        subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/state") as seen,
        running(publisher_for(settings, tmp_path)) as publisher,
    ):
        await until(lambda: publisher.connected)
        publisher.offer(steps(), 0)
        await seen.until(lambda g: g.payload["deciding"] is True)
        said = await seen.until(lambda g: g.payload["deciding"] is False)
        assert said.payload["state"] == "online"
        assert publisher.connected


@pytest.mark.parametrize("swallow", [True, False], ids=["swallowed", "control"])
async def test_puback_lost_repeat_has_same_boot_and_sequence(
    broker: Broker, tool: Callable[[str], str], station: Settings, tmp_path: Path, swallow: bool
) -> None:
    proxy = Proxy(broker.port)
    server = await proxy.start()
    settings = with_mqtt(station, proxy.port)
    steps = Steps(settings, Clock())

    def about(seen: Subscriber) -> list[tuple[str, int]]:
        found = [g.payload for g in seen.got if g.topic == f"{BASE}/event/alarm"]
        return [(p["boot"], p["sequence"]) for p in found]

    async with (
        subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/#") as seen,
        running(publisher_for(settings, tmp_path)) as publisher,
    ):
        publisher.offer(steps(), 0)
        await until(lambda: publisher.connected and publisher.waiting == 0)
        proxy.swallow = swallow
        publisher.offer(steps({"T1.hot_spot_c": 99.0}, ("alarm", "T1.x", "once")), 1)
        await seen.until(lambda g: g.topic == f"{BASE}/event/alarm")
        if swallow:
            await until(lambda: proxy.swallowed > 0)
            await until(lambda: not publisher.connected)  # no PUBACK: it connects anew
            proxy.swallow = False
            await until(lambda: publisher.connected and publisher.waiting == 0)
            while len(about(seen)) < 2:
                await seen.next()
            again = await seen.until(lambda g: g.topic == f"{BASE}/history")
            live = [g.payload for g in seen.got if g.topic.endswith("/value/T1/hot_spot_c")]
            assert again.payload["values"]["T1.hot_spot_c"]["value"] == 99.0
            assert again.payload["sequence"] in {p["sequence"] for p in live if p["value"] == 99.0}
            assert len(set(about(seen))) == 1
        await until(lambda: publisher.waiting == 0)
        publisher.offer(steps({}, ("alarm", "T1.x", "last")), 2)
        await seen.until(lambda g: g.payload.get("text") == "last")
        repeats = len(about(seen)) - len(set(about(seen)))
        assert repeats > 0 if swallow else repeats == 0
    server.close()


async def test_broker_that_never_answers_connack(station: Settings, tmp_path: Path) -> None:
    held: list[asyncio.StreamWriter] = []
    twice = asyncio.Event()

    async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        held.append(writer)
        if len(held) > 1:
            twice.set()

    server = await asyncio.start_server(silent, "127.0.0.1", 0)
    settings = with_mqtt(station, server.sockets[0].getsockname()[1])
    timing = Timing(retry_min_s=0.05, retry_max_s=0.1, connack_s=0.2)
    publisher = publisher_for(settings, tmp_path, timing)
    steps = Steps(settings, Clock())
    async with running(publisher):
        publisher.offer(steps(), 0)
        await asyncio.wait_for(twice.wait(), PATIENCE_S)
        ok, reason = publisher.health()
        assert not ok
        assert "CONNACK" in reason
        assert not publisher.connected
    for writer in held:
        writer.close()
    server.close()


@pytest.mark.parametrize(
    "noise", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x02\x00", b"\x00" * 64, b"\x40\xff\xff\xff\xff\xff"]
)
async def test_broker_that_talks_nonsense(station: Settings, tmp_path: Path, noise: bytes) -> None:
    calls = 0
    twice = asyncio.Event()

    async def babble(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal calls
        calls += 1
        writer.write(noise)
        if calls > 1:
            twice.set()
        await reader.read()
        writer.close()

    server = await asyncio.start_server(babble, "127.0.0.1", 0)
    settings = with_mqtt(station, server.sockets[0].getsockname()[1])
    publisher = publisher_for(settings, tmp_path, Timing(retry_min_s=0.05, retry_max_s=0.1, connack_s=0.2))
    async with running(publisher):
        await asyncio.wait_for(twice.wait(), PATIENCE_S)
        assert not publisher.connected
        assert publisher.health()[1]
    server.close()


async def openssl(tool: Callable[[str], str], directory: Path, *arguments: str) -> None:
    process = await asyncio.create_subprocess_exec(
        tool("openssl"),
        *arguments,
        cwd=directory,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
    )
    _, errors = await process.communicate()
    assert process.returncode == 0, errors


async def certificates(tool: Callable[[str], str], directory: Path) -> None:
    """A CA, a server certificate for 127.0.0.1 and a client certificate, for this test only."""
    new = ("req", "-newkey", "rsa:2048", "-nodes")
    await openssl(
        tool,
        directory,
        *new,
        "-x509",
        "-days",
        "2",
        "-keyout",
        "ca.key",
        "-out",
        "ca.pem",
        "-subj",
        "/CN=test CA",
        "-addext",
        "keyUsage=critical,keyCertSign,cRLSign",
    )
    (directory / "server.ext").write_text("subjectAltName=IP:127.0.0.1\n")
    (directory / "client.ext").write_text("extendedKeyUsage=clientAuth\n")
    for name in ("server", "client"):
        await openssl(
            tool, directory, *new, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}"
        )
        await openssl(
            tool,
            directory,
            "x509",
            "-req",
            "-in",
            f"{name}.csr",
            "-CA",
            "ca.pem",
            "-CAkey",
            "ca.key",
            "-CAcreateserial",
            "-days",
            "2",
            "-extfile",
            f"{name}.ext",
            "-out",
            f"{name}.pem",
        )


async def test_tls_with_client_certificate_and_strangers_refused(
    tool: Callable[[str], str], station: Settings, tmp_path: Path
) -> None:
    await certificates(tool, tmp_path)
    broker = Broker(
        tool("mosquitto"),
        tmp_path,
        [
            "listener {port} 127.0.0.1",
            "allow_anonymous true",
            "require_certificate true",
            f"cafile {tmp_path}/ca.pem",
            f"certfile {tmp_path}/server.pem",
            f"keyfile {tmp_path}/server.key",
        ],
    )
    await broker.start()
    try:
        ca, cert, key = (str(tmp_path / n) for n in ("ca.pem", "client.pem", "client.key"))
        good = with_mqtt(
            station, broker.port, tls=Tls(ca_file=ca, client_cert_file=cert, client_key_file=key)
        )
        steps = Steps(good, Clock())
        async with running(publisher_for(good, tmp_path)) as publisher:
            publisher.offer(steps(), 0)
            await until(lambda: publisher.connected and publisher.waiting == 0)
            options = ("--cafile", ca, "--cert", cert, "--key", key)
            async with subscriber(tool("mosquitto_sub"), broker.port, f"{BASE}/birth", *options) as seen:
                assert (await seen.next()).payload["points"]
        # Our side refuses a broker whose certificate this CA did not sign.
        (tmp_path / "other").mkdir()
        await certificates(tool, tmp_path / "other")
        for wrong in (
            Tls(ca_file=str(tmp_path / "other" / "ca.pem"), client_cert_file=cert, client_key_file=key),
            Tls(ca_file=str(tmp_path / "missing.pem")),
        ):
            stranger = publisher_for(with_mqtt(station, broker.port, tls=wrong), tmp_path)
            async with running(stranger):
                await until(lambda s=stranger: "not connected yet" not in s.health()[1])
                assert not stranger.connected
                reason = stranger.health()[1]
                assert "CERTIFICATE_VERIFY_FAILED" in reason or "No such file" in reason
    finally:
        await broker.stop()


async def test_password(tool: Callable[[str], str], station: Settings, tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    process = await asyncio.create_subprocess_exec(
        tool("mosquitto_passwd"),
        "-b",
        "-c",
        str(passwords),
        "gateway",
        "correct horse",
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    assert await process.wait() == 0
    passwords.chmod(0o644)
    lines = ["listener {port} 127.0.0.1", "allow_anonymous false", f"password_file {passwords}"]
    broker = Broker(tool("mosquitto"), tmp_path, lines)
    await broker.start()
    secret = tmp_path / "secret"
    try:
        for text, welcome in (("correct horse\n", True), ("wrong\n", False)):
            secret.write_text(text)
            settings = with_mqtt(station, broker.port, username="gateway", password_file=str(secret))
            publisher = publisher_for(settings, tmp_path)
            async with running(publisher):
                if welcome:
                    await until(lambda p=publisher: p.connected)
                else:
                    await until(lambda p=publisher: "refused" in p.health()[1])
                    assert "wrong" not in publisher.health()[1], "no secret in a message"
    finally:
        await broker.stop()


async def test_control_untouched_by_a_port_that_is_closed(station: Settings, tmp_path: Path) -> None:
    settings = with_mqtt(station, free_port())
    steps = Steps(settings, Clock())
    publisher = publisher_for(settings, tmp_path)
    async with running(publisher):
        for i in range(50):
            publisher.offer(steps({"T1.hot_spot_c": float(i)}), i)
            await asyncio.sleep(0)
        assert not publisher.connected
