"""A publisher in a process of its own, to be killed by a test: PORT DATA_DIR."""

import asyncio
import sys
import time
from pathlib import Path

from conftest_publish import ROOT, Steps, with_mqtt

from collector.clock import Clock
from collector.publish.mqtt import MqttPublisher
from collector.settings import load


async def main() -> None:
    loaded = load(ROOT / "config" / "demo.yaml")
    assert loaded.settings is not None
    clock = Clock()
    settings = with_mqtt(loaded.settings, int(sys.argv[1]))
    publisher = MqttPublisher(settings, clock, Path(sys.argv[2]))
    steps = Steps(settings, clock)
    publisher.offer(steps(), time.time_ns())
    await publisher.run()


asyncio.run(main())
