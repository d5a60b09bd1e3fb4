"""The schema of a record file, one migration script per version. Released scripts are never edited.

Layout only: what the columns mean is said in docs/record.md, which follows this file.
"""

from __future__ import annotations

APPLICATION_ID = 0x57444752  # "WDGR"

_V1 = """
CREATE TABLE runs(
  run INTEGER PRIMARY KEY AUTOINCREMENT, uuid TEXT NOT NULL UNIQUE, boot_id TEXT NOT NULL,
  start_mono_ns INTEGER NOT NULL, start_wall_ns INTEGER NOT NULL, rate REAL NOT NULL,
  version TEXT NOT NULL, numpy TEXT NOT NULL, cpu TEXT NOT NULL, python TEXT NOT NULL, station TEXT NOT NULL);
CREATE TABLE settings(hash TEXT PRIMARY KEY, first_wall_ns INTEGER NOT NULL, text BLOB NOT NULL);
CREATE TABLE points(
  key INTEGER PRIMARY KEY, id TEXT NOT NULL, type TEXT NOT NULL, unit TEXT NOT NULL, meaning TEXT NOT NULL,
  quality_rule TEXT NOT NULL, words TEXT NOT NULL);
CREATE INDEX points_id ON points(id);

CREATE TABLE journal(
  id INTEGER PRIMARY KEY, run INTEGER NOT NULL, mono_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL,
  key INTEGER NOT NULL, frame TEXT NOT NULL);
CREATE TABLE journal_blocks(
  id INTEGER PRIMARY KEY, run INTEGER NOT NULL,
  first_mono_ns INTEGER NOT NULL, last_mono_ns INTEGER NOT NULL,
  first_wall_ns INTEGER NOT NULL, last_wall_ns INTEGER NOT NULL,
  steps INTEGER NOT NULL, frames BLOB NOT NULL);
CREATE INDEX journal_blocks_time ON
  journal_blocks(run, first_mono_ns, last_mono_ns, first_wall_ns, last_wall_ns, steps);
CREATE TABLE snapshots(
  id INTEGER PRIMARY KEY, run INTEGER NOT NULL, mono_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL,
  data BLOB NOT NULL);

CREATE TABLE lines(
  line INTEGER PRIMARY KEY, run INTEGER NOT NULL, n INTEGER NOT NULL, start_mono_ns INTEGER NOT NULL,
  start_wall_ns INTEGER NOT NULL, interval_ms INTEGER NOT NULL, reason TEXT NOT NULL, UNIQUE(run, n));
CREATE TABLE history(
  line INTEGER NOT NULL, slot INTEGER NOT NULL, key INTEGER NOT NULL, quality INTEGER NOT NULL,
  mean REAL, min REAL, max REAL, PRIMARY KEY(line, slot, key)) WITHOUT ROWID;
CREATE TABLE blocks(
  id INTEGER PRIMARY KEY, level INTEGER NOT NULL, period INTEGER NOT NULL, key INTEGER NOT NULL,
  line INTEGER NOT NULL, data BLOB NOT NULL);
CREATE UNIQUE INDEX blocks_place ON blocks(level, period, key, line);

CREATE TABLE events(
  id INTEGER PRIMARY KEY, run INTEGER NOT NULL, mono_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL,
  kind TEXT NOT NULL, subject TEXT NOT NULL, text TEXT NOT NULL, data TEXT NOT NULL);
CREATE INDEX events_wall ON events(wall_ns);
CREATE TABLE alarms(
  id INTEGER PRIMARY KEY, run INTEGER NOT NULL, mono_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL,
  key INTEGER NOT NULL, was INTEGER, became INTEGER);
CREATE TABLE commands(
  id INTEGER PRIMARY KEY, run INTEGER NOT NULL, mono_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL,
  command TEXT NOT NULL, kind TEXT NOT NULL, target TEXT NOT NULL, who TEXT NOT NULL, how TEXT NOT NULL,
  minutes REAL, value REAL);

CREATE TABLE peaks(
  key INTEGER PRIMARY KEY, value REAL NOT NULL, quality INTEGER NOT NULL, run INTEGER NOT NULL,
  mono_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL);
CREATE TABLE peak_resets(
  id INTEGER PRIMARY KEY, key INTEGER NOT NULL, value REAL NOT NULL, quality INTEGER NOT NULL,
  run INTEGER NOT NULL, mono_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL, reset_wall_ns INTEGER NOT NULL,
  who TEXT NOT NULL, how TEXT NOT NULL);
CREATE TABLE counters(
  key INTEGER PRIMARY KEY, value REAL NOT NULL, quality INTEGER NOT NULL, run INTEGER NOT NULL,
  mono_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL);
CREATE TABLE checkpoint(
  slot INTEGER PRIMARY KEY, sequence INTEGER NOT NULL, run INTEGER NOT NULL, boot_id TEXT NOT NULL,
  mono_ns INTEGER NOT NULL,
  wall_ns INTEGER NOT NULL, crc INTEGER NOT NULL, data BLOB NOT NULL);
"""

# Of a command also when it begins and what became of it; the checkpoint that a restart went on from.
# What older files know of a command stands in its event, written in the same step.
_V2 = """
ALTER TABLE commands ADD COLUMN after_min REAL;
ALTER TABLE commands ADD COLUMN accepted INTEGER;
ALTER TABLE commands ADD COLUMN answer TEXT;
WITH told AS (
  SELECT c.id, e.text, e.data FROM commands c JOIN events e ON e.wall_ns = c.wall_ns AND e.run = c.run
  WHERE e.kind = 'command' AND json_valid(e.data)
  AND CASE WHEN json_valid(e.data) THEN json_extract(e.data, '$.id') END = c.command)
UPDATE commands SET after_min = json_extract(told.data, '$.after_min'),
  accepted = json_extract(told.data, '$.accepted'), answer = told.text
  FROM told WHERE told.id = commands.id;

CREATE TABLE restarts(
  run INTEGER PRIMARY KEY, mono_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL, same_boot INTEGER NOT NULL,
  gap_s REAL, from_run INTEGER, from_mono_ns INTEGER NOT NULL, from_wall_ns INTEGER NOT NULL,
  data BLOB NOT NULL);
"""

MIGRATIONS: tuple[str, ...] = (_V1, _V2)
