"""MQTT publisher: retained state of every point, and a store-and-forward history.

interface being filled in
"""

from __future__ import annotations

from pathlib import Path

from collector.clock import Clock
from collector.messages import Outcome
from collector.settings.model import Settings

TIME_GOOD = "good"
TIME_DOUBTFUL = "clockNotSynchronized"


class MqttPublisher:
    def __init__(self, settings: Settings, clock: Clock, data_dir: Path, *, settings_hash: str = "") -> None:
        """`settings.mqtt` must be set. Opens nothing yet."""
        raise NotImplementedError

    @property
    def connected(self) -> bool:
        raise NotImplementedError

    async def run(self) -> None:
        """Keeps the connection until cancelled. Never raises for a broker's or disk's fault."""
        raise NotImplementedError

    def offer(self, outcome: Outcome, wall_ns: int, time_quality: str = TIME_GOOD) -> None:
        """One completed step. Never blocks, never raises for a broker's or disk's fault."""
        raise NotImplementedError

    def health(self) -> tuple[bool, str]:
        """(connected and everything accepted, else why not in plain words)."""
        raise NotImplementedError

    async def close(self, deadline_s: float) -> None:
        """Publishes the offline state, commits the backlog; at most `deadline_s` real seconds. End run() first or after."""
        raise NotImplementedError
