"""A subscriber of its own: writes every message as a JSON line ``{mono_ns, topic, retain, payload}``.

``python -m collector.demo.subscriber HOST PORT TOPIC``. It knows nothing of windingd: what stands in
its log is what any subscriber of the broker would have got.
"""

from __future__ import annotations

import json
import sys
import time
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion


def main(host: str, port: int, topic: str) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2)

    def connected(client: paho.Client, *_: Any) -> None:
        client.subscribe(topic, qos=1)

    def received(_client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            payload = json.loads(message.payload)
        except ValueError:
            payload = message.payload.decode(errors="replace")
        line = {
            "mono_ns": time.monotonic_ns(),
            "topic": message.topic,
            "retain": message.retain,
            "payload": payload,
        }
        print(json.dumps(line), flush=True)

    client.on_connect = connected
    client.on_message = received
    client.connect(host, port)
    client.loop_forever(retry_first_connection=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3])
