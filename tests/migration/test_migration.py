"""What an older tree left on disk starts under this one: nothing that was counted or waited for is lost.

fixtures/NAME holds the record, the checkpoint and the settings file that the tree of commit NAME left, the
values of its last step, and how that tree itself went on from there after three kinds of restart
(write_fixture.py). It was made once and stays as it is.
"""

from __future__ import annotations

import json
import lzma
import math
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import corpus
import pytest
from corpus import Difference, Explained, explanations, judged

from collector import engine
from collector.clock import Clock
from collector.commands.main import main
from collector.record.journal import Decoder
from collector.record.recorder import Recorder, StoredCheckpoint
from collector.settings import load
from collector.settings.model import Settings

HERE = Path(__file__).parent
FIXTURES = sorted(p.name for p in (HERE / "fixtures").iterdir())
KINDS = ("same-boot", "reboot", "unknown")
ROWS = explanations((HERE / "differences.txt").read_text(encoding="utf-8"))
PATIENCE_S = 60.0
Told = dict[str, list[Any]]

#: Of what was counted: how much more the first step after the restart may hold. Peaks and loss of life rise
#: over a gap that is known; a restart lets go of everything, so that what rested starts.
KEPT = {
    "peak_hot_spot_c": 100.0,
    "peak_top_oil_c": 100.0,
    "peak_load_pu": 1.0,
    "run_hours": 12.1 / 3600.0,
    "loss_of_life_h": 20.0,
    "loss_of_life_low_h": 20.0,
    "loss_of_life_high_h": 20.0,
    "starts": 1,
}


def unpacked(fixture: str, name: str) -> bytes:
    return lzma.decompress((HERE / "fixtures" / fixture / f"{name}.xz").read_bytes())


@lru_cache
def settings(fixture: str) -> tuple[Settings, str]:
    loaded = load(HERE / "fixtures" / fixture / "station.yaml")
    assert loaded.settings is not None, loaded.faults
    return loaded.settings, loaded.hash


@lru_cache
def plan(fixture: str) -> engine.Plan:
    return engine.build(*settings(fixture))


def told(fixture: str) -> Told:
    found: Told = json.loads(unpacked(fixture, "told.json"))
    return found


def laid_out(fixture: str, place: Path) -> Path:
    """The data directory as it was left, and beside it the settings file that says so."""
    data = place / "data"
    data.mkdir()
    for name in ("record.sqlite", "checkpoint.json"):
        (data / name).write_bytes(unpacked(fixture, name))
    text = (HERE / "fixtures" / fixture / "station.yaml").read_text(encoding="utf-8")
    # Decisions and commits come often enough to wait for; the rest is as it was.
    text, count = re.subn(
        r"\nstation: \{(.*)cycle_s: 12.0,(.*)decision_max_age_s: 60.0",
        f"\nrecord: {{commit_s: 0.5, checkpoint_s: 1.0}}\nstation: {{data_dir: {data}, "
        r"\g<1>cycle_s: 1.0,\g<2>decision_max_age_s: 5.0",
        text,
    )
    assert count == 1
    (place / "station.yaml").write_text(text, encoding="utf-8")
    return data


def recorder(fixture: str, data: Path) -> Recorder:
    s, settings_hash = settings(fixture)
    station = s.station.model_copy(update={"data_dir": str(data)})
    return Recorder(s.model_copy(update={"station": station}), Clock(), settings_hash=settings_hash)


def checkpoint(fixture: str, data: Path) -> StoredCheckpoint:
    found = recorder(fixture, data).load_checkpoint()
    assert found is not None
    return found


def after(fixture: str, kind: str) -> tuple[dict[str, Any], list[Any]]:
    head, *rows = (json.loads(line) for line in unpacked(fixture, f"after-{kind}").decode().splitlines())
    return head, rows


def continued(fixture: str, kind: str, data: bytes) -> Iterator[tuple[corpus.Done, dict[str, Any]]]:
    """Each step of this tree from the checkpoint on, beside what the old tree did."""
    head, rows = after(fixture, kind)
    same_boot, gap_s, mono_ns = head["gap"]
    p = plan(fixture)
    state = engine.restore(p, data, engine.Gap(same_boot, gap_s, mono_ns))
    decoder = Decoder()
    for n, ((row, _), was) in enumerate(
        zip(rows, corpus.unpacked(expected for _, expected in rows), strict=True), 1
    ):
        inputs = decoder.decode(row["key"], json.dumps(row["frame"])).inputs
        state, outcome = engine.step(state, p, inputs)
        yield corpus.Done(n, inputs, state, outcome), was


def differences(fixture: str, kind: str, data: bytes) -> Iterator[Difference]:
    """Numbers within a billionth: the arithmetic may be put in another order between the two."""
    for done, was in continued(fixture, kind, data):
        for what, subject, words in corpus.differing(was, corpus.facts(done), exact=False):
            yield Difference(f"{fixture}/{kind}", done.number, what, subject, words)


def not_kept(was: Told, values: dict[str, Any]) -> list[str]:
    """What was counted or stood before, and does not in the first step after the restart."""
    odd = []
    for point, (old, _) in was.items():
        name, new = point.rpartition(".")[2], values[point].value
        if name in KEPT:
            if new is None or not (math.isclose(new, old, rel_tol=1e-9) or old < new <= old + KEPT[name]):
                odd.append(f"{point} was {old}, is {new}")
        elif name.startswith("alarm_") and old and not new:
            odd.append(f"{point} stood, and is gone")
    return odd


# --- what is kept -----------------------------------------------------------------------------------


@pytest.mark.parametrize("fixture", FIXTURES)
def test_the_fixture_is_worth_something(fixture: str) -> None:
    """Everything that a restart could lose was there, by the old tree's own values."""
    was = told(fixture)
    value = {k: v for k, (v, _) in was.items()}
    assert min(v for k, v in value.items() if k.endswith("loss_of_life_h")) > 0.1
    assert max(v for k, v in value.items() if k.endswith("peak_hot_spot_c")) > 110.0
    assert sum(v > 0.3 for k, v in value.items() if k.endswith("run_hours")) >= 3
    states = Counter(v for k, v in value.items() if ".alarm_" in k and v)
    assert {1, 3, 4, 6} <= set(states), "unacknowledged, returned, shelved, out of service"
    assert value["T1.fans1.reason"] == 2, "held off by hand"
    assert value["T1.fans3.reason"] == 1, "forced on"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("fixture", FIXTURES)
def test_what_was_counted_and_stood_is_there_after_the_restart(
    fixture: str, kind: str, tmp_path: Path
) -> None:
    data = checkpoint(fixture, laid_out(fixture, tmp_path)).data
    done, _ = next(continued(fixture, kind, data))
    assert not_kept(told(fixture), dict(done.outcome.values)) == []


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("fixture", FIXTURES)
def test_it_goes_on_as_the_old_tree_did(fixture: str, kind: str, tmp_path: Path) -> None:
    """90 steps, until hold-off, forced run, shelving, substitute and expected load have run out."""
    data = checkpoint(fixture, laid_out(fixture, tmp_path)).data
    left, _ = judged(differences(fixture, kind, data), ROWS)
    assert not left, "\n".join(["not explained, first of all:", *map(str, left[:10])])


def test_every_explanation_explains_something(tmp_path: Path) -> None:
    used: Counter[Explained] = Counter()
    for n, (fixture, kind) in enumerate((f, k) for f in FIXTURES for k in KINDS if ROWS):
        (tmp_path / str(n)).mkdir()
        data = checkpoint(fixture, laid_out(fixture, tmp_path / str(n))).data
        used += judged(differences(fixture, kind, data), ROWS)[1]
    assert [row for row in ROWS if not used[row]] == []


#: What could be lost of an old checkpoint, and in which test it must show.
Loss = Callable[[dict[str, Any]], object]
LOSSES: dict[str, Loss] = {
    "run hours": lambda c: [s.update(run_ns=0) for s in c["stages"].values()],
    "starts": lambda c: [s["stage"].pop("start_count", 0) for s in c["stages"].values()],
    "alarms": lambda c: c["alarms"].clear(),
    "peaks": lambda c: [t.pop("hot_spot", 0) for t in c["transformers"].values()],
    "loss of life": lambda c: c.update(thermal=None),
    "a hold-off": lambda c: [s["stage"].pop("hold_until_ns", 0) for s in c["stages"].values()],
    "a forced run": lambda c: [s["stage"].pop("force_until_ns", 0) for s in c["stages"].values()],
    "a substitute": lambda c: c["substitutes"].clear(),
    "an expected load": lambda c: [t.pop("expected", 0) for t in c["transformers"].values()],
}
COUNTED = {"run hours", "starts", "alarms", "peaks", "loss of life"}


@pytest.mark.parametrize("what", LOSSES)
def test_control_what_gets_lost_on_the_way_is_seen(what: str, tmp_path: Path) -> None:
    fixture = "1696014"
    old = json.loads(checkpoint(fixture, laid_out(fixture, tmp_path)).data)
    before = json.dumps(old)
    LOSSES[what](old)
    assert json.dumps(old) != before, "there was nothing to lose"
    data = json.dumps(old).encode()
    if what in COUNTED:
        done, _ = next(continued(fixture, "same-boot", data))
        assert not_kept(told(fixture), dict(done.outcome.values)), what
    assert next(differences(fixture, "same-boot", data), None) is not None


# --- the files ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fixture", FIXTURES)
def test_its_settings_file_needs_nothing(fixture: str, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(HERE / "fixtures" / fixture / "station.yaml")
    assert main(["check", "--quiet", path]) == 0
    capsys.readouterr()
    assert main(["check", "--upgrade", path]) == 0
    assert "can be run as it is" in capsys.readouterr().out


@pytest.mark.parametrize("fixture", FIXTURES)
def test_its_record_is_read_and_replayed(
    fixture: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = laid_out(fixture, tmp_path)
    assert main(["export", str(data / "record.sqlite"), "--points", "T1.top_oil_c,T1.A.hot_spot_c"]) == 0
    assert len(capsys.readouterr().out.splitlines()) > 30
    main(["explain", str(data / "record.sqlite"), "T1.fans1"])
    assert "T1.fans1" in capsys.readouterr().out


def saved(data: Path) -> list[tuple[int, bytes]]:
    """(sequence, checkpoint) of the file, by nobody's code but SQLite's and zlib's."""
    conn = sqlite3.connect(f"file:{data / 'record.sqlite'}?mode=ro", uri=True)
    rows = conn.execute("SELECT sequence, data FROM checkpoint ORDER BY sequence").fetchall()
    conn.close()
    return [(sequence, zlib.decompress(packed)) for sequence, packed in rows]


def run(place: Path, *more: str) -> subprocess.Popen[bytes]:
    log = (place / "log.txt").open("ab")
    return subprocess.Popen(
        [sys.executable, *more, str(place / "station.yaml")],
        stdout=log,
        stderr=log,
        env={**os.environ, "WINDINGD_BOOT_ID": "boot-2"},
    )


#: Statements on the record after which the start is killed: reading the checkpoint, opening and checking the
#: file, upgrading it, beginning a run, the first steps. Each start finds what the one before it left.
KILLS = (1, 9, 24)


def test_killed_in_the_middle_of_its_first_starts_and_then_running(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The whole daemon on the old directory, with no device that answers; the judge reads the file itself."""
    fixture = "1696014"
    data = laid_out(fixture, tmp_path)
    original = saved(data)[-1]
    for statement in KILLS:
        process = run(tmp_path, str(HERE / "killed_start.py"), str(statement))
        assert process.wait(PATIENCE_S) == -signal.SIGKILL, (tmp_path / "log.txt").read_text("utf-8")[-2000:]
        assert original in saved(data), f"after {statement} statements"
        conn = sqlite3.connect(f"file:{data / 'record.sqlite'}?mode=ro", uri=True)
        assert conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        conn.close()
    process = run(tmp_path, "-m", "collector.commands.main", "run")
    try:
        status = _status(tmp_path, original, capsys)
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0
    odd = []
    for point, (old, _) in told(fixture).items():
        name = point.rpartition(".")[2]
        if name not in KEPT and not name.startswith("alarm_"):
            continue
        new, _ = status["values"][point]
        if name in ("starts", "run_hours") or name.startswith("peak"):
            if new < old or new > old + 1.0:
                odd.append((point, old, new))
        elif name.startswith("alarm_") and old and not new:
            odd.append((point, old, new))
    assert odd == []
    # Loss of life is published once it is durable; so it is looked for in what was left at the end.
    newest = json.loads(saved(data)[-1][1])
    was = json.loads(original[1])
    for row, before in zip(newest["thermal"]["published_h"], was["thermal"]["published_h"], strict=True):
        for new, old in zip(row, before, strict=True):
            assert old <= new <= old + 0.01
    assert not [p for p in data.iterdir() if ".sqlite." in p.name], "nothing was set aside"


def _status(place: Path, original: tuple[int, bytes], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    """The daemon's own answer, once both slots hold checkpoints of its own."""
    end = time.monotonic() + PATIENCE_S
    while any(c == original for c in saved(place / "data")) and time.monotonic() < end:
        time.sleep(0.1)
    while time.monotonic() < end:
        if main(["status", str(place / "station.yaml"), "--json"]) == 0:
            found: dict[str, Any] = json.loads(capsys.readouterr().out)
            if "T1.fans1.run_hours" in found["values"]:
                return found
        capsys.readouterr()
        time.sleep(0.2)
    raise AssertionError((place / "log.txt").read_text(encoding="utf-8")[-3000:])
