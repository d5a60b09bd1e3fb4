"""Facts from the relay module's own log; nothing here asks the daemon."""

from __future__ import annotations

from typing import Any

from collector.demo.bench import Bench


def held(bench: Bench) -> set[int]:
    """Coils energised (stages held off) now."""
    coils: set[int] = set()
    for line in bench.relay_log():
        if line["event"] == "energise":
            coils |= set(line["coils"])
        elif line["event"] == "release":
            coils -= set(line["coils"])
    return coils


def moves(bench: Bench, after: int = 0) -> list[dict[str, Any]]:
    """Every move of a coil after so many lines of the log."""
    return [line for line in bench.relay_log()[after:] if line["event"] in ("energise", "release")]


async def all_held_off(bench: Bench) -> None:
    await bench.until(lambda: {0, 1, 2} <= held(bench), "three stages held off", 60.0)
