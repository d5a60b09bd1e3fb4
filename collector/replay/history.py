"""A record's history as the rows of a trace: interval means, so a replay of it is approximate.

Reads the record and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from collector.points import measurements
from collector.quality import Quality
from collector.record.reader import Record
from collector.replay.journal import utc
from collector.replay.trace import Row
from collector.settings.loader import load_bytes, once_good
from collector.settings.model import Settings


class HistoryError(Exception):
    """The history cannot be replayed; the text says why and what would be right."""


def newest_settings(record: Record) -> tuple[Settings, str]:
    """The settings last used in a record, and their hash. HistoryError when they are not usable."""
    hashes = record.settings_hashes()
    if not hashes:
        raise HistoryError(f"{record.path}: no settings in this record (give them: --settings FILE)")
    text = record.settings_text(hashes[-1])
    loaded = load_bytes(text.encode(), f"settings {hashes[-1][:12]}")
    settings = loaded.settings or once_good(text)  # what was in force stays readable under stricter rules
    if settings is None:
        why = str(loaded.faults[0])
        raise HistoryError(
            f"{record.path}: its settings cannot be used: {why} (give others: --settings FILE)"
        )
    return settings, hashes[-1]


class History:
    """Rows of the interval means of every measurement in the record, at the middle of each interval.

    columns: the measurement ids. interval_s: the longest interval among them. A mean whose quality is
    invalid, or that was put in for a lost sensor (substituted), is an empty cell; a contact counts as
    closed when it was so for most of the interval.
    """

    def __init__(self, record: Record, settings: Settings, start_ns: int | None, end_ns: int | None) -> None:
        span = record.span()
        if span is None:
            raise HistoryError(
                f"{record.path}: no history yet (the first interval ends after record.history_s)"
            )
        low, high = span[0] if start_ns is None else start_ns, span[1] if end_ns is None else end_ns
        known = {p.id for p in record.points()}
        wanted = [m.id for m in measurements(settings) if m.id in known]
        wanted += [
            p for t in settings.transformers for s in t.stages
            if (p := f"{t.id}.{s.id}.feedback") in known and p not in wanted
        ]  # fmt: skip
        contact = {p.id for p in record.points() if p.type == "bool"}
        self.interval_s = 0.0
        self._cells: dict[int, dict[str, float | None]] = {}
        self.columns: list[str] = []
        for point in wanted:
            series = record.history(point, low, high)
            if not len(series.time_ns):
                continue
            self.columns.append(point)
            self.interval_s = max(self.interval_s, float(series.interval_s.max()))
            middle = series.time_ns + (series.interval_s * 5e8).astype(np.int64)
            for at, mean, bits in zip(
                middle.tolist(), series.mean.tolist(), series.quality.tolist(), strict=True
            ):
                quality = Quality.from_bits(bits)
                usable = mean == mean and not quality.is_invalid and not quality.is_substituted
                value = (float(mean >= 0.5) if point in contact else mean) if usable else None
                self._cells.setdefault(at, {})[point] = value
        if not self.columns:
            raise HistoryError(
                f"{record.path}: no measurement recorded from {utc(low)} to {utc(high)} "
                f"(the record holds {utc(span[0])} to {utc(span[1])})"
            )

    def __len__(self) -> int:
        return len(self._cells)

    def __iter__(self) -> Iterator[Row]:
        for n, at in enumerate(sorted(self._cells), 1):
            cells = self._cells[at]
            yield Row(n, utc(at), at, {column: cells.get(column) for column in self.columns})
