"""Writes fixtures/record_vN.sql, N being the newest schema: once for each new version, never again.

python tests/record/write_fixture.py
"""

from __future__ import annotations

import sqlite3
import tempfile
from dataclasses import replace
from pathlib import Path

from record_station import S, Walk, recorder, settings

from collector.messages import Command, Event
from collector.record.recorder import StoredCheckpoint
from collector.record.schema import APPLICATION_ID, MIGRATIONS

WAIT_S = 30.0


def write(target: Path) -> None:
    """90 steps over a midnight; a reset of peaks, a snapshot, a checkpoint, a restart on another one."""
    with tempfile.TemporaryDirectory() as place:
        s = settings(Path(place), windings=1, stages=1)
        walk = Walk(s, wall_ns=1_783_036_680 * S, cycle_ns=20 * S)
        r = recorder(s)
        r.start()
        r.put_restart(StoredCheckpoint(b"earlier", "boot-0", 7, 8), False, 12.5, walk.mono_ns, walk.wall_ns)
        for n in range(90):
            command = Command("c1", "reset_peaks", "T1", "engineer", after_min=2.5)
            inputs, outcome, wall_ns = walk.step((command,) if n == 80 else ())
            if n == 80:
                told = Event(inputs.mono_ns, "command", "T1", "done", {"id": "c1", "accepted": True})
                outcome = replace(outcome, events=(*outcome.events, told))
            r.put(inputs, outcome, wall_ns)
            assert r.flush(WAIT_S)  # a commit a step: upkeep seals the day that is over
        r.put_snapshot(b"snapshot", walk.mono_ns, walk.wall_ns)
        r.put_checkpoint(b"checkpoint", walk.mono_ns, walk.wall_ns)
        assert r.stop(WAIT_S)
        with sqlite3.connect(r.path) as conn:
            lines = [*conn.iterdump(), f"PRAGMA user_version={len(MIGRATIONS)};"]
        conn.close()
    lines.append(f"PRAGMA application_id={APPLICATION_ID};\n")
    target.write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    new = Path(__file__).with_name("fixtures") / f"record_v{len(MIGRATIONS)}.sql"
    if new.exists():
        raise SystemExit(f"{new} exists: released files stay as they are")
    write(new)
