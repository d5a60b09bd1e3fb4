"""What the daemon hands over once per step, and what it gets back at a start: the record's front door.

No SQL of readers, no decisions: a failing record makes ``health`` bad and nothing else.
"""

from __future__ import annotations

from typing import NamedTuple

from collector.clock import Clock
from collector.messages import Inputs, Outcome
from collector.settings.model import Settings

FILE_NAME = "record.sqlite"


class StoredCheckpoint(NamedTuple):
    """A checkpoint as found in (or known to have reached) the file."""

    data: bytes
    boot_id: str
    mono_ns: int
    wall_ns: int


class Recorder:
    """The record of one station in ``data_dir/record.sqlite``. Every method returns at once.

    settings_text, settings_hash: stored once per hash, so that the journal can be replayed.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        *,
        settings_text: str = "",
        settings_hash: str = "",
        boot_id: str | None = None,
    ) -> None: ...

    def load_checkpoint(self, deadline_s: float = 5.0) -> StoredCheckpoint | None:
        """Latest durable checkpoint, or None. Call before :meth:`start`; a hung disk costs deadline_s."""
        raise NotImplementedError

    def start(self) -> None:
        raise NotImplementedError

    def put(self, inputs: Inputs, outcome: Outcome, wall_ns: int) -> None:
        """One step: journal, history, events, alarms, commands, peaks. wall_ns: clock.wall_ns() of the step."""
        raise NotImplementedError

    def put_snapshot(self, data: bytes, mono_ns: int, wall_ns: int) -> None:
        """State after the step at mono_ns, from which a replay of the journal may start."""
        raise NotImplementedError

    def put_checkpoint(self, data: bytes, mono_ns: int, wall_ns: int) -> None:
        """State to restart from; durable within commit_s, see :meth:`durable_checkpoint`."""
        raise NotImplementedError

    def durable_checkpoint(self) -> StoredCheckpoint | None:
        """The newest checkpoint known to be on disk: published loss of life must not exceed it."""
        raise NotImplementedError

    def use_settings(self, settings: Settings, settings_text: str, settings_hash: str) -> None:
        """A reload: the catalogue and the text of the new settings, before the first step under them."""
        raise NotImplementedError

    def note(self, kind: str, subject: str, text: str, mono_ns: int, wall_ns: int) -> None:
        """An event that no step saw (start, stop, refused settings)."""
        raise NotImplementedError

    def health(self) -> tuple[bool, str]:
        """(record is being written, why not): for ``Health.record_ok`` and ``record_reason``."""
        raise NotImplementedError

    def stop(self, deadline_s: float) -> bool:
        """Flush and close; False when that could not be done by the deadline [s]."""
        raise NotImplementedError
