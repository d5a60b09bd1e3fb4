"""MQTT publisher: the latest of everything retained, and a history that survives a lost broker.

paho is driven from the asyncio loop (never its network thread: that would go on answering pings while
the loop hangs, and the last will would not fire). Nothing here may decide, wait or raise into control.

Topics under ``{prefix}/{station}/``:

``birth``          retained  what points there are: id, topic, unit, type, meaning, words, quality rule
``state``          retained  online or offline (last will), boot, sequence, time of the last decision
``value/T1/HV_A/hot_spot_c``  retained  the latest value of one point
``event/alarm`` (``stage``, ``mode``, ...)  every event, in order, at least once
``history``        values that could not be acknowledged when they were new, in order, at least once

So `value/#` is always the newest and `value/#` with `history` is complete; a repeat carries the same
(boot, sequence). `boot` names one start of windingd, `sequence` counts its messages from 1.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import random
import secrets
import ssl
import threading
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from itertools import islice
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import structlog
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from collector.clock import Clock
from collector.messages import Event, Outcome, Value
from collector.points import Point, catalogue
from collector.publish.outbox import Message, Outbox
from collector.quality import Detail, Quality, invalid
from collector.settings.model import Mqtt, Settings

log = structlog.get_logger(__name__)

#: Time quality of a payload, in the word of IEC 61850-7-2 TimeQuality.
TIME_GOOD = "good"
TIME_DOUBTFUL = "clockNotSynchronized"

CHUNK = 500  # values in one history message, some 40 kB: brokers limit the size of a packet
WINDOW = 100  # messages of the backlog on their way at once
FETCH_S = 5.0  # a disk slower than this is left alone; what is new goes out all the same
REDRAIN_S = 30.0  # then it is asked again

Json = dict[str, Any]
Changed = dict[str, tuple[float | int | bool | str | None, Quality]]


@dataclass(frozen=True, slots=True)
class Timing:
    """Patience with a broker, in real seconds."""

    connect_s: float = 5.0  # TCP, and again for the TLS handshake
    connack_s: float = 10.0
    ack_s: float = 20.0  # no PUBACK at all for so long: connect anew and repeat
    retry_min_s: float = 1.0
    retry_max_s: float = 60.0
    tick_s: float = 1.0


class BrokerFault(Exception):
    """The connection is of no more use; the text says why."""


def utc(wall_ns: int) -> str:
    """ISO 8601, UTC, milliseconds: ``2026-07-01T14:05:09.250Z``."""
    when = datetime.fromtimestamp(wall_ns // 1_000_000 / 1000, UTC)
    return when.isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"


def base_topic(settings: Settings) -> str:
    assert settings.mqtt is not None
    return f"{settings.mqtt.topic_prefix}/{settings.station.id}"


def value_topic(settings: Settings, point: Point) -> str:
    return f"{base_topic(settings)}/value/{point.topic}"


class MqttPublisher:
    """One station's publisher. `settings.mqtt` must be set; nothing is opened before :meth:`run`.

    settings_hash, rate of the clock and a new boot id go into every birth. former: topics that an earlier
    publisher of this process has used; those that are no point's now are cleared at the broker.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        data_dir: Path,
        *,
        settings_hash: str = "",
        boot: str | None = None,
        timing: Timing | None = None,
        former: Collection[str] = (),
    ) -> None:
        if settings.mqtt is None:
            raise ValueError("settings have no mqtt section")
        self._mqtt: Mqtt = settings.mqtt
        self._settings = settings
        self._clock = clock
        self._timing = timing or Timing()
        self._base = base_topic(settings)
        self._points = {p.id: p for p in catalogue(settings)}
        self._topics = {p.id: value_topic(settings, p) for p in self._points.values()}
        self._withdrawn = set(former) - set(self._topics.values())  # retained values of points that are gone
        self._at_once = {p.id for p in self._points.values() if p.declared.type in ("bool", "enum")}
        self._settings_hash = settings_hash
        self.boot = boot or secrets.token_hex(8)
        self._sequence = 0
        mount = settings.station.data_mount
        self._outbox = Outbox(
            data_dir / "outbox.db",
            self._mqtt.backlog_rows,
            settings.record.commit_s,
            None if mount is None else Path(mount),
        )
        self._outbox_started = False

        # What subscribers should see now.
        self._emitted: dict[str, tuple[object, int]] = {}  # point -> (value, quality bits) last sent
        self._latest: dict[str, bytes] = {}  # point -> its newest payload
        self._dirty: set[str] = set()  # points whose newest payload is not with the broker
        self._last_values_ns: int | None = None
        self._last_refresh_ns: int | None = None
        self._decision: tuple[int, int, str] | None = None  # mono, wall, time quality
        self._said_deciding = False

        # The connection.
        self._wire: _Wire | None = None
        self._direct = False  # the backlog is empty: new messages go straight out
        self._puts = 0
        self._on_way: set[tuple[str, int]] = set()  # outbox messages sent, not acknowledged
        self._values_on_way = 0
        self._space = asyncio.Event()
        self._announced = 0
        self._reason = "not connected yet"
        self._closing = False  # nothing more is taken
        self._closed = asyncio.Event()  # run() is to return

    # --- what the daemon uses ----------------------------------------------------------------

    @property
    def connected(self) -> bool:
        return self._wire is not None

    @property
    def waiting(self) -> int:
        """Messages not yet acknowledged by the broker."""
        return self._outbox.waiting

    @property
    def dropped(self) -> int:
        """Messages lost because the backlog was full, since the start."""
        return self._outbox.dropped

    def health(self) -> tuple[bool, str]:
        """(connected and the backlog's disk usable, else why not in plain words)."""
        reason = self._reason or self._outbox.reason
        return not reason, reason

    def topics(self) -> set[str]:
        """Topics whose retained values are this process's business: `former` of the publisher after this."""
        return self._withdrawn | set(self._topics.values())

    def offer(self, outcome: Outcome, wall_ns: int, time_quality: str = TIME_GOOD) -> None:
        """One completed step. Never blocks, never raises for a broker's or disk's fault.

        Alarms, stages and other states that changed go at once; other changed values at most every
        publish_s, everything at least every refresh_s (station time).
        """
        if self._closing:
            return
        mono_ns = outcome.decision.mono_ns
        self._decision = (mono_ns, wall_ns, time_quality)
        for event in outcome.events:
            self._put_event(event, wall_ns - (mono_ns - event.mono_ns), time_quality)
        last = self._last_values_ns
        due = last is None or mono_ns - last >= self._mqtt.publish_s * 1e9
        changed = self._changed(outcome.values, mono_ns, due)
        # New and nothing in front of it: the retained topics carry it, history stays silent.
        live = self._direct and self._values_on_way == 0
        for part in _parts(changed, CHUNK):
            self._put_values(part, wall_ns, time_quality, live)
        if due:
            self._last_values_ns = mono_ns
            self._publish_state()

    async def run(self) -> None:
        """Keeps a connection until :meth:`close` (then returns) or cancelled."""
        self._start_outbox()
        delay = self._timing.retry_min_s
        loop = asyncio.get_running_loop()
        while not self._closed.is_set():
            began = loop.time()
            try:
                await self._session()
            except (BrokerFault, OSError, ValueError) as error:
                reason = f"MQTT broker {self._mqtt.host}:{self._mqtt.port}: {error}"
                if reason != self._reason:
                    log.warning(reason)
                self._reason = reason
            if loop.time() - began > 2 * self._timing.connack_s:
                delay = self._timing.retry_min_s
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._closed.wait(), delay * random.uniform(0.5, 1.0))
            delay = min(2 * delay, self._timing.retry_max_s)

    async def close(self, deadline_s: float) -> None:
        """Publishes the offline state, commits the backlog; takes at most `deadline_s` (real).

        Call it while :meth:`run` still runs; run() then returns by itself.
        """
        loop = asyncio.get_running_loop()
        end = loop.time() + deadline_s
        self._closing = True
        wire = self._wire
        if wire is not None:
            self._publish_state(offline="stopped")
            while wire.on_way and not wire.lost.done() and loop.time() < end - deadline_s / 2:
                await asyncio.wait({wire.lost}, timeout=0.02)
            wire.goodbye()
        self._closed.set()
        if self._outbox_started:
            await self._outbox.flush(end - loop.time())
            self._outbox.stop()

    # --- from outcome to messages --------------------------------------------------------------

    def _changed(self, values: Mapping[str, Value], mono_ns: int, due: bool) -> Changed:
        """What is to be sent, by point."""
        last = self._last_refresh_ns
        refresh = last is None or mono_ns - last >= self._mqtt.refresh_s * 1e9
        changed: Changed = {}
        for point, value in values.items():
            if point not in self._points or not (due or refresh or point in self._at_once):
                continue
            plain = _plain(value.value)
            quality = value.quality if plain is not None else value.quality | invalid(Detail.NONE)
            if refresh or self._emitted.get(point) != (plain, quality.bits):
                self._emitted[point] = (plain, quality.bits)
                changed[point] = (plain, quality)
        if refresh:
            self._last_refresh_ns = mono_ns
        return changed

    def _put_values(self, changed: Changed, wall_ns: int, time_quality: str, live: bool) -> None:
        head = self._head(wall_ns, time_quality)
        values: dict[str, Json] = {}
        for point, (plain, quality) in changed.items():
            values[point] = {"value": plain, "quality": str(quality)}
            words = self._points[point].declared.words
            if words and isinstance(plain, int) and 0 <= plain < len(words):
                values[point]["word"] = words[plain]
            self._latest[point] = _encode({**values[point], **head})
        payload = _encode({**head, "values": values})
        message = Message(self.boot, self._sequence, f"{self._base}/history", payload)
        self._put(message)
        if live:
            self._on_way.add(message.key)
            self._publish_values(list(changed), message)
        else:
            self._dirty.update(changed)
            if self._direct:
                self._publish_message(message)

    def _put_event(self, event: Event, wall_ns: int, time_quality: str) -> None:
        head = self._head(wall_ns, time_quality)
        data = {key: _plain(value) for key, value in event.data.items()}
        body = {"kind": event.kind, "subject": event.subject, "text": event.text, "data": data, **head}
        message = Message(self.boot, self._sequence, f"{self._base}/event/{event.kind}", _encode(body))
        self._put(message)
        if self._direct:
            self._publish_message(message)

    def _head(self, wall_ns: int, time_quality: str) -> Json:
        self._sequence += 1
        return {
            "time": utc(wall_ns),
            "time_quality": time_quality,
            "boot": self.boot,
            "sequence": self._sequence,
        }

    def _put(self, message: Message) -> None:
        self._start_outbox()
        self._puts += 1
        self._outbox.put(message)
        if len(self._on_way) >= WINDOW:
            self._direct = False  # the broker is slow: the rest waits its turn on disk

    def _start_outbox(self) -> None:
        if not self._outbox_started:
            self._outbox_started = True
            self._outbox.start()

    def _birth(self) -> bytes:
        points = []
        for point in self._points.values():
            declared = point.declared
            entry: Json = {
                "id": point.id,
                "topic": self._topics[point.id],
                "unit": declared.unit,
                "type": declared.type,
                "meaning": declared.meaning,
                "quality": declared.quality,
            }
            if declared.words:
                entry["words"] = list(declared.words)
            points.append(entry)
        station = self._settings.station
        return _encode(
            {
                "station": station.id,
                "name": station.name,
                "software": f"windingd {version('windingd')}",
                "settings_hash": self._settings_hash,
                "boot": self.boot,
                "rate": self._clock.rate,
                "time": utc(self._clock.wall_ns()),
                "publish_s": self._mqtt.publish_s,
                "refresh_s": self._mqtt.refresh_s,
                "points": points,
            }
        )

    def _state(self, offline: str = "") -> bytes:
        """`last_decision` stays behind when deciding stopped, though the connection lives."""
        mono_ns, wall_ns, time_quality = self._decision or (None, None, TIME_DOUBTFUL)
        age_ns = self._clock.mono_ns() - mono_ns if mono_ns is not None else math.inf
        deciding = not offline and age_ns <= self._settings.station.decision_max_age_s * 1e9
        self._said_deciding = deciding
        return _encode(
            {
                "state": "offline" if offline else "online",
                "reason": offline,
                "deciding": deciding,
                "last_decision": utc(wall_ns) if wall_ns is not None else None,
                "time": utc(self._clock.wall_ns()),
                "time_quality": time_quality,
                "boot": self.boot,
                "sequence": self._sequence,
                "waiting": self._outbox.waiting,
                "dropped": self._outbox.dropped,
            }
        )

    # --- one connection --------------------------------------------------------------------------

    async def _session(self) -> None:
        """From dialling to the end of one connection. Always ends by an exception, or by close()."""
        # The will carries what is known now; a subscriber has later decision times from `state`.
        will = self._state("lost")
        client = await _dialled(self._mqtt, self._settings.station.id, self._base, will, self._timing)
        wire = _Wire(client, self._timing)
        try:
            await wire.connack()
            self._on_way.clear()
            self._values_on_way = 0
            self._direct = False
            self._wire = wire
            self._reason = ""
            log.info("MQTT broker connected", host=self._mqtt.host, port=self._mqtt.port)
            # Retained topics of a broker that has restarted are gone: all of them, every time.
            self._publish(f"{self._base}/birth", self._birth(), True)
            self._publish_values(list(self._latest))
            for topic in self._withdrawn:  # an empty retained message takes the old one away (MQTT 3.3.1.3)
                self._publish(topic, b"", True)
            self._publish_state()
            await self._tend(wire)
        finally:
            self._wire = None
            self._direct = False
            self._dirty.clear()  # everything is published anew after the next connect
            if not self._reason:
                self._reason = "connection closed"
            wire.close()

    async def _tend(self, wire: _Wire) -> None:
        loop = asyncio.get_running_loop()
        drain = asyncio.create_task(self._drain())
        drained = loop.time()
        try:
            while True:
                await asyncio.wait({wire.lost}, timeout=self._timing.tick_s)
                if self._closed.is_set():
                    return
                wire.check()
                if drain.done():
                    drain.result()
                    left_behind = self._outbox.waiting > len(self._on_way)
                    if not self._direct or (left_behind and loop.time() - drained > REDRAIN_S):
                        drain, drained = asyncio.create_task(self._drain()), loop.time()
                if self._values_on_way == 0 and self._dirty:
                    self._publish_values(list(self._dirty))
                if self._closing:
                    continue
                if self._said_deciding and not self._still_deciding():
                    self._publish_state()
                self._announce_losses()
        finally:
            drain.cancel()
            await asyncio.gather(drain, return_exceptions=True)

    async def _drain(self) -> None:
        """Sends the backlog in order; after its last message new ones go straight out."""
        self._direct = False
        after = 0
        while True:
            puts = self._puts
            try:
                # Not wait_for: that of Python 3.11 loses a cancellation which meets the answer.
                async with asyncio.timeout(FETCH_S):
                    found = await self._outbox.fetch(after, WINDOW)
            except TimeoutError:
                found, puts = [], self._puts
            for n, message in found:
                after = n
                if message.key in self._on_way:
                    continue
                while len(self._on_way) >= WINDOW:
                    self._space.clear()
                    await self._space.wait()
                self._publish_message(message)
            if not found and puts == self._puts:
                self._direct = True
                return

    def _still_deciding(self) -> bool:
        age_ns = self._clock.mono_ns() - self._decision[0] if self._decision else math.inf
        return age_ns <= self._settings.station.decision_max_age_s * 1e9

    def _announce_losses(self) -> None:
        """Only while connected: an announcement into a full backlog would itself drop a message."""
        new = self._outbox.dropped - self._announced
        if new > 0:
            self._announced += new
            most = self._mqtt.backlog_rows
            self._announce(f"{new} messages for the broker were dropped: the backlog ({most}) was full", new)
        if self._outbox.set_aside:
            aside, self._outbox.set_aside = self._outbox.set_aside, ""
            self._announce(f"the backlog file was damaged: set aside as {aside}, a new one begun", None)

    def _announce(self, text: str, dropped: int | None) -> None:
        log.error(text)
        quality = self._decision[2] if self._decision else TIME_DOUBTFUL
        event = Event(self._clock.mono_ns(), "backlog", "mqtt", text, {"dropped": dropped})
        self._put_event(event, self._clock.wall_ns(), quality)

    def _publish_state(self, offline: str = "") -> None:
        self._publish(f"{self._base}/state", self._state(offline), True)

    def _publish_message(self, message: Message) -> None:
        self._on_way.add(message.key)
        self._publish(message.topic, message.payload, False, lambda: self._delivered(message))

    def _delivered(self, message: Message) -> None:
        self._on_way.discard(message.key)
        self._outbox.ack(message.key)
        self._space.set()

    def _publish_values(self, points: list[str], carries: Message | None = None) -> None:
        """Newest payloads to the retained topics; with the last PUBACK `carries` is delivered."""
        self._dirty.difference_update(points)
        self._values_on_way += len(points)
        left = len(points)

        def acknowledged() -> None:
            nonlocal left
            left -= 1
            self._values_on_way -= 1
            if left == 0 and carries is not None:
                self._delivered(carries)

        for point in points:
            self._publish(self._topics[point], self._latest[point], True, acknowledged)

    def _publish(
        self, topic: str, payload: bytes, retain: bool, done: Callable[[], None] = lambda: None
    ) -> None:
        if self._wire is not None:
            self._wire.publish(topic, payload, retain, done)


class _Wire:
    """One connected paho client, driven from the running loop. `lost` is set once, with the reason."""

    def __init__(self, client: paho.Client, timing: Timing) -> None:
        self._loop = asyncio.get_running_loop()
        self._client = client
        self._timing = timing
        self.lost: asyncio.Future[str] = self._loop.create_future()
        self._connected: asyncio.Future[str] = self._loop.create_future()
        self._on_way: dict[int, Callable[[], None]] = {}
        self._progress = self._loop.time()
        self._socket: Any = client.socket()
        if self._socket is None:
            raise BrokerFault("connection closed before it was used")
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_socket_register_write = self._want_write
        client.on_socket_unregister_write = self._no_write
        client.on_socket_close = lambda _c, _u, sock: self._unwatch(sock)
        self._loop.add_reader(self._socket, self._read)
        if client.want_write():
            self._loop.add_writer(self._socket, self._write)

    @property
    def on_way(self) -> int:
        return len(self._on_way)

    async def connack(self) -> None:
        """Waits for the broker's yes. BrokerFault with its reason for a no, or for silence."""
        await asyncio.wait(
            {self.lost, self._connected}, timeout=self._timing.connack_s, return_when=asyncio.FIRST_COMPLETED
        )
        if self._connected.done():
            return
        if self.lost.done():
            raise BrokerFault(self.lost.result())
        raise BrokerFault(f"no CONNACK within {self._timing.connack_s:g} s")

    def publish(self, topic: str, payload: bytes, retain: bool, done: Callable[[], None]) -> None:
        """QoS 1. `done` is called at its PUBACK; never, when the connection is lost before."""
        if self.lost.done():
            return
        if not self._on_way:
            self._progress = self._loop.time()
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._fail(f"not sent: {paho.error_string(info.rc)}")
            return
        self._on_way[info.mid] = done

    def check(self) -> None:
        """Keepalive and patience, about once a second. BrokerFault when the connection is lost."""
        self._guard(self._client.loop_misc)
        if self._on_way and self._loop.time() - self._progress > self._timing.ack_s:
            self._fail(f"no PUBACK within {self._timing.ack_s:g} s")
        if self.lost.done():
            raise BrokerFault(self.lost.result())

    def goodbye(self) -> None:
        """An orderly DISCONNECT, so that the last will is not published."""
        if not self.lost.done():
            self._guard(self._client.disconnect)
            self._guard(self._client.loop_write)

    def close(self) -> None:
        self._fail("closed")
        self._on_way.clear()
        self._unwatch(self._socket)
        with contextlib.suppress(OSError):
            self._socket.close()

    def _want_write(self, _c: Any, _u: Any, sock: Any) -> None:
        self._loop.add_writer(sock, self._write)

    def _no_write(self, _c: Any, _u: Any, sock: Any) -> None:
        self._loop.remove_writer(sock)

    def _unwatch(self, sock: Any) -> None:
        if sock.fileno() >= 0:
            self._loop.remove_reader(sock)
            self._loop.remove_writer(sock)

    def _fail(self, reason: str) -> None:
        if not self.lost.done():
            self.lost.set_result(reason)

    def _guard(self, work: Callable[[], Any]) -> None:
        """Whatever paho or a callback raises ends this connection, with the reason kept and logged."""
        try:
            rc = work()
        except Exception as error:
            log.exception("MQTT client failed")
            self._fail(f"{type(error).__name__}: {error}")
            return
        if rc not in (MQTTErrorCode.MQTT_ERR_SUCCESS, None):
            self._fail(paho.error_string(rc))

    def _read(self) -> None:
        self._guard(self._client.loop_read)
        # TLS may hold decoded bytes that the socket will not announce again.
        while not self.lost.done() and isinstance(self._socket, ssl.SSLSocket) and self._socket.pending():
            self._guard(self._client.loop_read)
        if self.lost.done():
            self._unwatch(self._socket)

    def _write(self) -> None:
        self._guard(self._client.loop_write)
        if self.lost.done():
            self._unwatch(self._socket)

    def _on_connect(self, _c: Any, _u: Any, _f: Any, reason: ReasonCode, _p: Properties | None) -> None:
        if reason.is_failure:
            self._fail(f"connection refused: {reason}")
        elif not self._connected.done():
            self._connected.set_result("connected")

    def _on_disconnect(self, _c: Any, _u: Any, _f: Any, reason: ReasonCode, _p: Properties | None) -> None:
        why = "" if str(reason) == "Unspecified error" else f": {reason}"
        self._fail(f"connection lost{why}")

    def _on_publish(self, _c: Any, _u: Any, mid: int, reason: ReasonCode, _p: Properties | None) -> None:
        done = self._on_way.pop(mid, None)
        self._progress = self._loop.time()
        if reason.is_failure:
            # Not ours to throw away: the message stays, and the reason shows in health.
            self._fail(f"broker refuses a message: {reason}")
        elif done is not None:
            done()


async def _dialled(mqtt: Mqtt, station: str, base: str, will: bytes, timing: Timing) -> paho.Client:
    """A client with TCP, TLS and CONNECT done. In a daemon thread: names, connects and handshakes block."""
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[paho.Client] = loop.create_future()

    def settle(client: paho.Client | None, error: Exception | None) -> None:
        if answer.done():
            _discard(client)
        elif client is not None:
            answer.set_result(client)
        else:
            answer.set_exception(error or BrokerFault("cannot connect"))

    def work() -> None:
        client: paho.Client | None = None
        fault: Exception | None = None
        try:
            client = _dial(mqtt, station, base, will, timing)
        except Exception as error:  # noqa: BLE001 - carried to the waiting side, becomes the reason
            fault = error if isinstance(error, OSError) else BrokerFault(f"{type(error).__name__}: {error}")
        try:
            loop.call_soon_threadsafe(settle, client, fault)
        except RuntimeError:  # the loop has ended meanwhile
            _discard(client)

    threading.Thread(target=work, name="mqtt-dial", daemon=True).start()
    return await answer


def _discard(client: paho.Client | None) -> None:
    sock = client.socket() if client is not None else None
    if sock is not None:
        sock.close()


def _dial(mqtt: Mqtt, station: str, base: str, will: bytes, timing: Timing) -> paho.Client:
    v5 = mqtt.protocol == "5"
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"windingd-{station}",
        clean_session=None if v5 else True,
        protocol=MQTTProtocolVersion.MQTTv5 if v5 else MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,
    )
    client.connect_timeout = timing.connect_s
    client.max_queued_messages_set(0)
    if mqtt.tls is not None:
        context = ssl.create_default_context(cafile=mqtt.tls.ca_file)
        if mqtt.tls.client_cert_file is not None:
            context.load_cert_chain(mqtt.tls.client_cert_file, mqtt.tls.client_key_file)
        client.tls_set_context(context)
    if mqtt.username is not None:
        password = None
        if mqtt.password_file is not None:
            password = Path(mqtt.password_file).read_text(encoding="utf-8").rstrip("\r\n")
        client.username_pw_set(mqtt.username, password)
    client.will_set(f"{base}/state", will, qos=1, retain=True)
    client.connect(mqtt.host, mqtt.port, keepalive=mqtt.keepalive_s)
    return client


def _parts(changed: Changed, size: int) -> Iterator[Changed]:
    items = iter(changed.items())
    while part := dict(islice(items, size)):
        yield part


def _plain(value: object) -> float | int | bool | str | None:
    """JSON-able, seven figures (what a float32 carries); None for what is not a finite number."""
    item = getattr(value, "item", None)  # a numpy scalar
    if item is not None:
        value = item()
    if isinstance(value, (bool, int, str)) or value is None:
        return value
    if isinstance(value, float):
        return float(f"{value:.7g}") if math.isfinite(value) else None
    return str(value)


def _encode(body: Json) -> bytes:
    return json.dumps(body, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()
