"""The field: Modbus links, devices, readings and relay writing behind one small class.

Readings come out by :meth:`Field.snapshot`, decisions go in by :meth:`Field.offer`. No rule about
temperatures, stages or alarms may be put here, and nothing that waits for disk or broker.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from collector.clock import Clock
from collector.messages import Decision, RelayStatus
from collector.quality import Reading
from collector.settings.model import Settings


@dataclass(frozen=True, slots=True)
class FieldSnapshot:
    """Everything the field knows at one moment; an immutable copy.

    readings: measurement id -> latest reading (of every mapped input; "not read yet" before the first).
    relays: output id -> status as read back. devices: device id -> "" or why it does not answer.
    polled: every device has answered or was given up at least once since the start.
    """

    readings: Mapping[str, Reading]
    relays: Mapping[str, RelayStatus]
    devices: Mapping[str, str]
    polled: bool


class Field:
    """All links of a station. Create, ``await run()`` in a task, then ``snapshot`` and ``offer``."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock

    async def run(self) -> None:
        """Open the links and poll until cancelled. No link is opened before this is called."""
        raise NotImplementedError

    def snapshot(self) -> FieldSnapshot:
        """The latest readings, relay read-backs and device states; never waits."""
        raise NotImplementedError

    def offer(self, decision: Decision) -> None:
        """Hand over a decision; the newest wins. Never waits. Ignored once ``release_all`` was called.

        A decision older than station.decision_max_age_s is never written: from then on no request of
        any kind goes to a device with outputs and its connection is closed, until a fresh one comes.
        """
        raise NotImplementedError

    async def apply(self, settings: Settings) -> None:
        """Take new settings. Links that are unchanged stay open; the others are opened anew.

        No output is released by this, except coils that the new settings no longer name.
        """
        raise NotImplementedError

    async def release_all(self, deadline_s: float) -> bool:
        """Write 0 to every output and confirm by read-back, within ``deadline_s`` real seconds.

        True only when every output was read back as released. No output is energised after this call.
        """
        raise NotImplementedError

    async def close(self) -> None:
        """Close every connection; writes nothing."""
        raise NotImplementedError
