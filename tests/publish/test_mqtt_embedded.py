"""The demo's embedded broker (amqtt, MQTT 3.1.1) takes the same publisher."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

from amqtt.broker import Broker
from conftest_publish import Steps, free_port, subscriber, until, with_mqtt

from collector.clock import Clock
from collector.points import catalogue
from collector.publish.mqtt import MqttPublisher, Timing
from collector.settings.model import Settings


async def test_embedded_broker(station: Settings, tmp_path: Path, tool: Callable[[str], str]) -> None:
    port = free_port()
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    await broker.start()
    settings = with_mqtt(station, port)
    steps = Steps(settings, Clock())
    publisher = MqttPublisher(settings, Clock(), tmp_path, timing=Timing(retry_min_s=0.05, tick_s=0.05))
    task = asyncio.create_task(publisher.run())
    publisher.offer(steps({"T1.hot_spot_c": 77.5}, ("alarm", "T1", "an event")), 0)
    await until(lambda: publisher.connected and publisher.waiting == 0)
    wanted = {p.topic for p in catalogue(settings)}
    async with subscriber(tool("mosquitto_sub"), port) as seen:
        while wanted - {g.topic.partition("/value/")[2] for g in seen.got}:
            await seen.next()
        hot_spot = next(g for g in seen.got if g.topic.endswith("/value/T1/hot_spot_c"))
        assert hot_spot.payload["value"] == 77.5
        assert hot_spot.retained
        await publisher.close(5.0)
        await seen.until(lambda g: g.topic.endswith("/state") and g.payload["state"] == "offline")
    await asyncio.wait_for(task, 10)
    await broker.shutdown()
