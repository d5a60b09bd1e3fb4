"""Facts for end-to-end tests, from the relay module's and the subscriber's own logs."""

from __future__ import annotations

from typing import Any

from collector.demo.bench import Bench


def held(bench: Bench) -> set[int]:
    """Coils energised (stages held off) by the relay module's own log."""
    coils: set[int] = set()
    for line in bench.relay_log():
        if line["event"] == "energise":
            coils |= set(line["coils"])
        elif line["event"] == "release":
            coils -= set(line["coils"])
    return coils


def value(bench: Bench, topic: str) -> dict[str, Any] | None:
    """The newest value the subscriber has of a topic ending."""
    found = [m["payload"] for m in bench.messages() if m["topic"].endswith(topic)]
    return found[-1] if found else None


async def all_held_off(bench: Bench) -> None:
    """Wait until the module's log shows the three stages held off."""
    await bench.until(lambda: {0, 1, 2} <= held(bench), "three stages held off", 60.0)
