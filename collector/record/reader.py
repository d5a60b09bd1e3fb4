"""Reading a record file, live or a copy on a laptop: points, history, events, journal.

Opens read-only and needs neither the daemon nor its settings. Nothing here may write.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from collector.messages import Decision, Inputs


@dataclass(frozen=True, slots=True)
class StoredPoint:
    """A point as the file's own catalogue has it."""

    key: int
    id: str
    type: str
    unit: str
    meaning: str
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Series:
    """History of one point, in the order it was recorded. All arrays have the same length.

    time_ns: start of each interval, UTC since 1970. mean/min/max: NaN where there was no value
    (int and enum points: mean holds the interval's last value). quality: :attr:`Quality.bits`.
    interval_s: length of each interval [s].
    """

    time_ns: NDArray[np.int64]
    mean: NDArray[np.float64]
    min: NDArray[np.float64]
    max: NDArray[np.float64]
    quality: NDArray[np.uint16]
    interval_s: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Run:
    """One start of the daemon. rate other than 1: accelerated station time, not a record of real time."""

    run: int
    boot_id: str
    start_mono_ns: int
    start_wall_ns: int
    rate: float
    version: str
    numpy: str
    cpu: str


@dataclass(frozen=True, slots=True)
class Step:
    """One journalled step. digest: of every value of its outcome, see journal.outcome_digest."""

    run: int
    wall_ns: int
    inputs: Inputs
    decision: Decision
    digest: str


@dataclass(frozen=True, slots=True)
class Snapshot:
    run: int
    mono_ns: int
    wall_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class StoredEvent:
    run: int
    mono_ns: int
    wall_ns: int
    kind: str
    subject: str
    text: str
    data: dict[str, float | int | str | bool | None]


class Record:
    """A record file opened for reading. Use as a context manager.

    OSError (FileNotFoundError, ...) or RecordError with a plain sentence when it cannot be read.
    """

    def __init__(self, path: Path | str) -> None: ...

    def points(self) -> list[StoredPoint]:
        raise NotImplementedError

    def history(self, point: str | int, start_ns: int, end_ns: int, resolution_s: float | None = None) -> Series:
        """History of a point (id or key), intervals starting in [start_ns, end_ns)."""
        raise NotImplementedError

    def events(self, start_ns: int | None = None, end_ns: int | None = None, kind: str | None = None) -> Iterator[StoredEvent]:
        raise NotImplementedError

    def runs(self) -> list[Run]:
        raise NotImplementedError

    def journal(self, run: int | None = None, start_ns: int | None = None, end_ns: int | None = None) -> Iterator[tuple[int, Inputs]]:
        """(wall_ns, Inputs) of each journalled step, in the order they happened."""
        raise NotImplementedError

    def steps(self, run: int | None = None, start_ns: int | None = None, end_ns: int | None = None) -> Iterator[Step]:
        """As :meth:`journal`, with the decision taken and the digest of the outcome."""
        raise NotImplementedError

    def snapshots(self, run: int | None = None) -> Iterator[Snapshot]:
        raise NotImplementedError

    def settings_text(self, settings_hash: str) -> str:
        """KeyError when the file has no text for this hash."""
        raise NotImplementedError


class RecordError(Exception):
    """The file cannot be read as a record; the message says why and what would be right."""
