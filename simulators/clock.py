"""Station time and the JSON-lines log, shared by every simulator process.

CLOCK_MONOTONIC is one clock for all processes of a machine, so a rate and an epoch are all it takes
for every process to agree on station time without talking. No other state belongs here.
"""

from __future__ import annotations

import json
import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True)
class StationClock:
    """rate: station seconds per real second. epoch_ns: time.monotonic_ns() at station time 0."""

    rate: float
    epoch_ns: int

    def station_ns(self) -> int:
        return int((time.monotonic_ns() - self.epoch_ns) * self.rate)

    def real_s(self, station_s: float) -> float:
        return station_s / self.rate


class EventLog:
    """Appends one JSON object a line: mono_ns (real), station_ns, event, then the event's own fields."""

    def __init__(self, path: Path | None, clock: StationClock) -> None:
        self._clock = clock
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT
        self._fd = os.open(path, flags, 0o644) if path is not None else -1

    def write(self, event: str, **fields: Any) -> None:
        if self._fd < 0:
            return
        line = {"mono_ns": time.monotonic_ns(), "station_ns": self._clock.station_ns(), "event": event}
        # One write per line: a line is whole or absent, whenever the process is killed.
        os.write(self._fd, (json.dumps(line | fields) + "\n").encode())


def read_log(path: Path) -> list[dict[str, Any]]:
    """Every whole line of a device log; [] while the file does not exist."""
    if not path.exists():
        return []
    text = path.read_text(encoding="utf-8")
    return [json.loads(line) for line in text[: text.rfind("\n") + 1].splitlines()]
