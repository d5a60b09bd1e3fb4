"""Row 13 and the long proof: SIGKILL at moments spread over start, cycle, write and commit, then go on.

``pytest tests/failures -k kills --kills 200`` is the proof; a handful runs every time.
"""

from __future__ import annotations

import asyncio
import json
import random
import signal
import sqlite3
import time
import zlib
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench_kit import STAGES, Make, all_held_off, releases, since_last_request_s, value
from failure_help import both, by_load, station_keys
from killable_points import ANY, POINTS
from ledger import LONG_RESULT, Ledger, renew_long_section
from reference_life import Figures, loss_of_life_h

from collector import engine
from collector.demo.bench import Bench
from collector.record.reader import Record
from collector.settings import load

SEED = 20_260_101
RATE = 30.0
MODULE_S = 80.0  # the module's timeout: 2.7 s real, so that a killed start still finds coils energised
SLACK_S = 60.0  # two seconds real on a busy machine
#: From so many kills on it is the long proof, and its result is kept for the document.
LONG = 200
KILLABLE = (str(Path(__file__).with_name("killable.py")),)
LOSS = "/value/T1/HV_A/loss_of_life_h"


def one_mode(text: str) -> str:
    """A single cooling mode with its figures written out, so that a plain integration needs no history of
    modes.
    """
    begin, end = text.index("      - id: ONAF1"), text.index("    windings:")
    text = text[:begin] + text[end:]
    text = text.replace(
        "        design: medium_large_onan\n",
        "        oil_exponent: 0.8\n        winding_exponent: 1.3\n        k11: 0.5\n        k21: 2.0\n"
        "        k22: 2.0\n        tau_o_min: 210.0\n        tau_w_min: 10.0\n",
    )
    for name, figures in (
        ("ONAF1", "gradient_k: 11.5, rated_current_a: 168.0"),
        ("ONAF2", "gradient_k: 15.0, rated_current_a: 210.0"),
        ("ONAF1", "gradient_k: 12.0, rated_current_a: 923.8"),
        ("ONAF2", "gradient_k: 15.8, rated_current_a: 1154.7"),
    ):
        row = f"          {name}: {{{figures}}}\n"
        assert text.count(row) == 1, row
        text = text.replace(row, "")
    text = text.replace("timeout_s: 10.0", f"timeout_s: {MODULE_S}")
    text = text.replace("timeout_value: 100 ", f"timeout_value: {MODULE_S * 10:.0f} ")
    text = text.replace("minimum_run_s: 20.0", "minimum_run_s: 2.0")
    text = text.replace("  commit_s: 5.0", "  checkpoint_s: 1.0\n  commit_s: 6.0")
    keys = {"return_hold_s": 2.0, "return_after_s": 0.0, "stale_after_s": 900.0, "decision_max_age_s": 40.0}
    return both(by_load, station_keys(**keys))(text)


@dataclass
class Story:
    """What is known about all kills so far. lost: spans of station time whose state did not survive."""

    lost: list[tuple[int, int]] = field(default_factory=list)
    points: Counter[str] = field(default_factory=Counter)
    released_s: list[float] = field(default_factory=list)
    repeated: int = 0
    log: list[str] = field(default_factory=list)


class Killer:
    """Starts the daemon, kills it where it is told, and reads what is left. Facts from logs and from the
    file.
    """

    def __init__(self, bench: Bench, env: dict[str, str], chance: random.Random) -> None:
        self.bench, self.env, self.chance = bench, env, chance
        self.flag, self.kill_log = Path(env["KILL_FLAG"]), Path(env["KILL_LOG"])
        self.record = bench.data_dir / "record.sqlite"
        loaded = load(bench.settings_path)
        assert loaded.settings is not None, loaded.faults
        self.plan = engine.build(loaded.settings, loaded.hash)

    async def launch(self, point: str) -> None:
        self.flag.unlink(missing_ok=True)
        self.env["KILL_AT"] = point
        self.env.pop("KILL_GO", None)
        self.env["KILL_SKIP"] = str(0 if point.startswith("start") else self.chance.randrange(6))
        await self.bench.launch_daemon()

    async def kill_and_restart(self, point: str) -> None:
        """The running one is killed; the next one, which has had time to import, starts at once to die at
        `point`: so the module still holds its coils then.
        """
        running, go = self.bench.daemon, self.flag.with_name("go")
        ready = Path(f"{go}.ready")
        for file in (go, ready):
            file.unlink(missing_ok=True)
        self.env |= {"KILL_AT": point, "KILL_SKIP": "0", "KILL_GO": str(go)}
        await self.bench.launch_daemon()
        await self.bench.until(ready.exists, "the next daemon has imported")
        running.send(signal.SIGKILL)
        await running.process.wait()
        go.touch()

    async def end(self) -> int:
        """Wait for the process to be dead; the moment [real ns]."""
        process = self.bench.daemon.process
        assert process is not None
        assert await asyncio.wait_for(process.wait(), 20.0) == -signal.SIGKILL
        self.bench.daemon = None
        return time.monotonic_ns()

    async def kill_from_outside(self) -> int:
        self.bench.daemon.send(signal.SIGKILL)
        return await self.end()

    def rows(self) -> dict[str, list[tuple[Any, ...]]]:
        """What any reader sees as committed: number and newest row of journal and events."""
        with closing(sqlite3.connect(f"file:{self.record}?mode=ro", uri=True, timeout=10.0)) as db:
            return {
                table: db.execute(f"SELECT coalesce(max(id), 0), count(*) FROM {table}").fetchall()
                for table in ("journal", "events", "alarms")
            }

    def durable_since(self, mono_ns: int) -> bool:
        """Has a checkpoint newer than this moment reached the file?"""
        if not self.record.exists():
            return False
        try:
            with closing(sqlite3.connect(f"file:{self.record}?mode=ro", uri=True, timeout=10.0)) as db:
                newest = db.execute("SELECT max(mono_ns) FROM checkpoint").fetchone()[0]
        except sqlite3.OperationalError:
            return False  # being created just now
        return newest is not None and newest > mono_ns

    def checkpoint(self) -> tuple[int, engine.State] | None:
        """The newest durable checkpoint in the file."""
        if not self.record.exists():
            return None
        with closing(sqlite3.connect(f"file:{self.record}?mode=ro", uri=True, timeout=10.0)) as db:
            row = db.execute("SELECT data, mono_ns FROM checkpoint ORDER BY sequence DESC LIMIT 1").fetchone()
        return None if row is None else (row[1], engine.thaw(self.plan, zlib.decompress(row[0])))


def held_at(bench: Bench, when_ns: int) -> set[int]:
    coils: set[int] = set()
    for line in bench.relay_log():
        if line["mono_ns"] > when_ns:
            break
        if line["event"] == "energise":
            coils |= set(line["coils"])
        elif line["event"] == "release":
            coils -= set(line["coils"])
    return coils


def life_h(state: engine.State) -> float:
    """Best estimate of the first winding's loss of life at the state's time."""
    assert state.thermal is not None
    return float(state.thermal.published_h[1, 0])


async def one_kill(killer: Killer, point: str, story: Story) -> None:
    """Bring the coils up, kill, wait for the module's release; checks of this one kill."""
    bench = killer.bench
    for _ in range(5):
        launched_ns = int(time.monotonic_ns() * RATE)
        await killer.launch("" if point == ANY or point.startswith("start") else point)
        await all_held_off(bench, 40.0)
        await bench.until(lambda since=launched_ns: killer.durable_since(since), "a first commit")  # type: ignore[misc]
        before = killer.rows()
        if point.startswith("start"):
            await killer.kill_and_restart(point)
            killed_ns = await killer.end()
        elif point == ANY:
            await asyncio.sleep(killer.chance.uniform(0.0, 4.0 / RATE))  # over two cycles
            killed_ns = await killer.kill_from_outside()
        else:
            killer.flag.touch()
            killed_ns = await killer.end()
        if held_at(bench, killed_ns) >= STAGES:
            break
        story.repeated += 1  # the machine was so slow that the module had released before the kill
    else:
        pytest.fail(f"{point}: the coils were never energised at the kill")
    await bench.until(lambda: bool(releases(bench, killed_ns)), f"{point}: released by the module", 15.0)
    line = releases(bench, killed_ns)[0]
    assert line["reason"] == "timeout"
    took_s = since_last_request_s(line)
    assert MODULE_S <= took_s <= MODULE_S + SLACK_S, f"{point}: released after {took_s:.1f} s"
    after = killer.rows()
    for table, rows in before.items():
        assert after[table] >= rows, f"{point}: {table} had {rows} before the kill and {after[table]} after"
    note_lost(killer, story, killed_ns)
    story.points[point] += 1
    story.released_s.append(took_s)
    story.log.append(
        json.dumps({"point": point, "killed_mono_ns": killed_ns, "released_after_s": round(took_s, 2)})
    )


def note_lost(killer: Killer, story: Story, killed_ns: int) -> None:
    """What came after the newest durable checkpoint is gone; nothing newer may have been published."""
    found = killer.checkpoint()
    if found is None:
        return
    mono_ns, state = found
    story.lost.append((mono_ns, int(killed_ns * RATE)))
    told = value(killer.bench, LOSS)
    if told is not None and told["value"] is not None:
        # Six significant digits are published.
        assert told["value"] <= life_h(state) * (1 + 5e-6), (
            f"published {told['value']} h, durable {life_h(state)} h"
        )


def samples(record: Record, measurement: str, lost: list[tuple[int, int]]) -> tuple[Any, Any]:
    """Good samples of one input from the journal, without those whose step did not survive."""
    found: dict[int, float] = {}
    for _, inputs in record.journal():
        if any(a < inputs.mono_ns <= b for a, b in lost):
            continue
        reading = inputs.readings.get(measurement)
        if reading is not None and reading.quality.is_good and reading.value is not None:
            found[reading.mono_ns] = reading.value
    times = sorted(found)
    return np.array(times) / 1e9, np.array([found[t] for t in times])


def truth(bench: Bench, name: str) -> tuple[Any, Any]:
    lines = [line for line in bench.station.log("plant") if line["event"] == "truth"]
    return np.array([line["mono_ns"] * RATE / 1e9 for line in lines]), np.array(
        [line["truth"][name] for line in lines]
    )


@pytest.mark.timeout(3600)
async def test_row_13_kills(
    make_bench: Make, ledger: Ledger, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """Each kill: coils energised before, released by the module's timeout after, nothing accepted lost; and
    in the end loss of life as a plain integration of the recorded inputs gives it, over every bridged gap."""
    number = request.config.getoption("kills", 10)
    chance = random.Random(SEED)
    env = {"KILL_FLAG": str(tmp_path / "armed"), "KILL_LOG": str(tmp_path / "kills.jsonl")}
    bench = await make_bench(
        rate=RATE, edit=one_mode, publish_s=2.0, relay_timeout_s=MODULE_S, daemon=KILLABLE, env=env
    )
    killer, story = Killer(bench, env, chance), Story()
    # A third of the kills comes from outside at any moment, the rest at every point in turn.
    points = POINTS if number >= LONG else POINTS[::3] + POINTS[1::3] + POINTS[2::3]  # few: some of each kind
    order = [ANY if i % 3 == 2 else points[(i - i // 3) % len(points)] for i in range(number)]
    chance.shuffle(order)
    base: tuple[int, engine.State] | None = None
    for point in order:
        await one_kill(killer, point, story)
        base = base or killer.checkpoint()
    (tmp_path / "story.jsonl").write_text("\n".join(story.log) + "\n")

    await killer.launch("")
    await all_held_off(bench, 40.0)
    assert await bench.daemon.end() == 0
    bench.daemon = None
    last = killer.checkpoint()
    assert base is not None
    assert last is not None
    thermal = last[1].thermal
    assert thermal is not None
    assert not thermal.unmonitored_s.any(), "every gap was short enough to be bridged"
    gained_h = life_h(last[1]) - life_h(base[1])
    at_s = [base[0] / 1e9, last[0] / 1e9]
    with Record(killer.record) as record:
        oil = samples(record, "T1.top_oil_c", story.lost)
        current = samples(record, "T1.HV_A.current_a", story.lost)
    first, second = loss_of_life_h(oil, current, at_s, Figures())
    off = gained_h / (second - first) - 1.0
    first, second = loss_of_life_h(truth(bench, "top_oil_c"), truth(bench, "HV_A.current_a"), at_s, Figures())
    off_truth = gained_h / (second - first) - 1.0
    assert abs(off) < 1e-4, f"{gained_h:.6f} h of life, {off:+.2e} off the plain integration"
    lost_s = sum(b - a for a, b in story.lost) / 1e9
    told = (
        f"{number} kills (seed {SEED}): {sum(n for p, n in story.points.items() if p.startswith('start'))} "
        "in the "
        f"start, {sum(n for p, n in story.points.items() if p.startswith('cycle'))} in the cycle, "
        f"{sum(n for p, n in story.points.items() if p.startswith('write'))} at a relay write, "
        f"{sum(n for p, n in story.points.items() if p.startswith('commit'))} at a commit, "
        f"{story.points[ANY]} at any "
        f"moment; coils energised before each ({story.repeated} repeated because the module had already "
        "released); "
        f"released {min(story.released_s):.1f} to {max(story.released_s):.1f} s after the last valid request "
        f"(timeout {MODULE_S:g} s); every row a reader had seen was there after; published loss of life "
        f"never above the durable one; over {(at_s[1] - at_s[0]) / 3600:.2f} h of station time loss of life "
        f"{off * 100:+.4f} % off an independent integration of the recorded inputs "
        f"({off_truth * 100:+.4f} % off one of the plant's true values, which contain what happened within "
        "the gaps, where the program draws a straight line)"
    )
    ledger.note(13, "SIGKILL at spread moments, with restart", told, reaction_s=max(story.released_s))
    if number >= LONG:
        kept = {
            "date": time.strftime("%Y-%m-%d", time.gmtime()),
            "result": told,
            "bridged": f"state of {lost_s:.0f} s in all was lost between checkpoint and kill, and bridged",
            "points": dict(sorted(story.points.items())),
            "kills": [json.loads(line) for line in story.log],
        }
        LONG_RESULT.write_text(json.dumps(kept, indent=1) + "\n")
        renew_long_section()
