"""An MQTT broker (amqtt) on loopback for the demonstration: ``python -m collector.demo.broker PORT``."""

from __future__ import annotations

import asyncio
import logging
import sys

from amqtt.broker import Broker


async def serve(port: int) -> None:
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    broker = Broker(config)
    await broker.start()
    print("ready", flush=True)
    await asyncio.Event().wait()


if __name__ == "__main__":
    logging.disable(logging.CRITICAL)
    asyncio.run(serve(int(sys.argv[1])))
