"""Back to an older version: what it cannot read of a newer one it refuses and keeps, for the newer one.

This tree plays the older one; the newer one's files are this tree's with what a newer one would have put in.
`python tests/migration/roll_back.py OLD_TREE` plays it with a real older tree.
"""

from __future__ import annotations

import base64
import json
import sqlite3
import time
import zlib
from pathlib import Path
from typing import Any

import pytest
import test_migration as m

from collector import engine

FIXTURE = "1696014"
GAP = engine.Gap(True, 20.0, 10**15 + 10**13)


def outcomes(data: bytes) -> list[Any]:
    return [done.outcome for done, _ in m.continued(FIXTURE, "same-boot", data)][:5]


def test_what_a_newer_checkpoint_holds_more_is_left_out(tmp_path: Path) -> None:
    """New fields in every section of it: the rest is taken as ever."""
    data = m.checkpoint(FIXTURE, m.laid_out(FIXTURE, tmp_path)).data
    newer = json.loads(data)
    newer["brand_new"] = {"a": 1}
    for section in ("transformers", "windings"):
        for item in newer[section].values():
            item["brand_new_ns"] = 5
    for stage in newer["stages"].values():
        stage["stage"]["brand_new"] = "x"
    newer["alarms"]["T1.alarm_brand_new"] = {"status": 1, "active": True}
    assert outcomes(json.dumps(newer).encode()) == outcomes(data)


@pytest.mark.parametrize(
    "change",
    [
        lambda c: c.update(format=2),
        lambda c: c.pop("stages"),
        lambda c: c.update(settings=c["settings"][:-40]),
        lambda c: next(iter(c["stages"].values()))["stage"].update(call="brand new"),
    ],
    ids=["format", "section", "settings", "word"],
)
def test_what_cannot_be_read_is_refused_whole(change: Any, tmp_path: Path) -> None:
    """Never half of it: a state of which a part is missing would look like one in which nothing was."""
    newer = json.loads(m.checkpoint(FIXTURE, m.laid_out(FIXTURE, tmp_path)).data)
    change(newer)
    with pytest.raises(ValueError, match=r"checkpoint|settings|not a valid|snapshot"):
        engine.restore(m.plan(FIXTURE), json.dumps(newer).encode(), GAP)


def rewritten(data: Path, change: Any) -> None:
    """The checkpoints in the record and its copy, as another version would have left them."""
    conn = sqlite3.connect(data / "record.sqlite")
    for slot, packed in conn.execute("SELECT slot, data FROM checkpoint").fetchall():
        c = json.loads(zlib.decompress(packed))
        change(c)
        new = zlib.compress(json.dumps(c).encode())
        conn.execute("UPDATE checkpoint SET data = ?, crc = ? WHERE slot = ?", (new, zlib.crc32(new), slot))
    conn.commit()
    conn.close()
    (data / "checkpoint.json").unlink()


def life(data: bytes) -> float:
    found = json.loads(data)["thermal"]
    return 0.0 if found is None else float(max(found["published_h"][1]))


def test_an_unusable_checkpoint_is_kept_and_joined_by_who_can_read_it(tmp_path: Path) -> None:
    """The older version begins without it and fills both slots with its own; then the newer one is back."""
    data = m.laid_out(FIXTURE, tmp_path)
    was = life(m.saved(data)[-1][1])
    assert was > 0.3
    rewritten(data, lambda c: c.update(format=2))
    newer = [c for _, c in m.saved(data)]
    process = m.run(tmp_path, "-m", "collector.commands.main", "run")
    end = time.monotonic() + m.PATIENCE_S
    while any(c in newer for _, c in m.saved(data)) or len(m.saved(data)) < 2:
        assert time.monotonic() < end, (tmp_path / "log.txt").read_text("utf-8")[-2000:]
        time.sleep(0.1)
    process.kill()
    process.wait()
    assert life(m.saved(data)[-1][1]) < was, "the older version had to begin without"
    (kept,) = data.glob("checkpoint.unusable-*.json")
    conn = sqlite3.connect(f"file:{data / 'record.sqlite'}?mode=ro", uri=True)
    (told,) = conn.execute("SELECT text FROM events WHERE text LIKE '%cannot be used%'").fetchall()
    conn.close()
    assert kept.name in told[0]
    assert "not of format 1" in told[0]
    # The newer version is one that reads it.
    copy = json.loads(kept.read_text("ascii"))
    c = json.loads(zlib.decompress(base64.b64decode(copy["data"])))
    assert c.pop("format") == 2
    packed = zlib.compress(json.dumps({"format": 1, **c}).encode())
    copy |= {"data": base64.b64encode(packed).decode("ascii"), "crc": zlib.crc32(packed)}
    kept.write_text(json.dumps(copy), "ascii")
    r = m.recorder(FIXTURE, data)
    newest = r.load_checkpoint()
    assert newest is not None
    assert [life(x.data) for x in r.set_aside] == [was]
    p = m.plan(FIXTURE)
    began = engine.restore(p, newest.data, GAP)
    state, rose = engine.join(p, began, began, r.set_aside[0].data, GAP, peaks=False)
    assert {name for name, _ in rose.items()} == {f"T{t}.{w}" for t in (1, 2) for w in "ABC"}
    assert life(engine.checkpoint(state)) >= was, "nothing was lost for good"
