"""Row 13 and the long proof: SIGKILL at moments spread over start, cycle, write and commit, then go on.

``pytest tests/failures -k kills --kills 200`` is the proof; a handful runs every time. The inputs that count
for loss of life come from a test set in the sensors' place, so that their true values are known at every
moment, within the gaps too.
"""

from __future__ import annotations

import asyncio
import json
import random
import re
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
from numpy.typing import NDArray
from reference_life import Figures, loss_of_life_h

from collector import engine
from collector.demo.bench import Bench
from collector.settings import load

SEED = 20_260_101
RATE = 30.0
#: What the daemon's boot-time clock is ahead of the machine's monotonic one: it was suspended for so long.
SUSPENDED_NS = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.monotonic_ns()
MODULE_S = 80.0  # the module's timeout: 2.7 s real, so that a killed start still finds coils energised
SLACK_S = 60.0  # two seconds real on a busy machine
Series = tuple[NDArray[np.float64], NDArray[np.float64]]
#: From so many kills on it is the long proof, and its result is kept for the document.
LONG = 200
KILLABLE = (str(Path(__file__).with_name("killable.py")),)
LOSS = "/value/T1/HV_A/loss_of_life_h"
CONTROL_KILLS = 3
#: Loss of life may be this far off the integration of the true inputs (ratio), and in a short run: there the
#: milliseconds between a value and the stamp of its answer (more on a busy machine) do not yet cancel.
TOLERANCE, SHORT_TOLERANCE = 1e-4, 2e-3
# The inputs rise and fall together between these oil temperatures, and the ageing rate by a factor of two to
# three with them.
OIL_C, SLOPE_K_S = (34.0, 39.0), 0.0085
LOWEST_A, A_PER_K = 70.0, 7.0
CT_RATIO = 60.0
#: Two polls of the sensors and more: then a turn of the inputs stands in what a kill leaves.
SEEN_NS = 12_000_000_000


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
    for address in range(3):  # the oil transmitter's registers as float32
        tenths = f"address: {address}, type: int16, scale: 0.1, sentinels: [0x7FFF, -32768]}}"
        assert text.count(tenths) == 1
        text = text.replace(tenths, f"address: {2 * address}, type: float32, word_order: little}}")
    text = text.replace("  commit_s: 5.0", "  checkpoint_s: 1.0\n  commit_s: 6.0")
    keys = {"return_hold_s": 2.0, "return_after_s": 0.0, "stale_after_s": 900.0, "decision_max_age_s": 40.0}
    text = both(by_load, station_keys(**keys))(text)
    # The inputs ramp until the next turn, and on a busy machine that takes long: they call no stage.
    for which, oil, hot in (("pickup", 84.0, 100.0), ("dropout", 78.0, 95.0)):
        found = re.findall(rf"\b{which}: {{.*}}", text)
        assert len(found) == len(STAGES)
        for k, old in enumerate(found):
            text = text.replace(old, f"{which}: {{top_oil_c: {oil + 2 * k}, hot_spot_c: {hot + 2 * k}}}")
    return text


@dataclass
class Story:
    """What is known about all kills so far. lost: spans of station time whose state did not survive."""

    lost: list[tuple[int, int]] = field(default_factory=list)
    launched: list[int] = field(default_factory=list)  # station time
    points: Counter[str] = field(default_factory=Counter)
    released_s: list[float] = field(default_factory=list)
    repeated: int = 0
    log: list[str] = field(default_factory=list)


class InjectionSet:
    """Top oil and currents, put to the transmitters' terminals: straight lines that turn only on call."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        # of station time, on the daemon's clock
        self.epoch_s = (bench.station.clock.epoch_ns + SUSPENDED_NS) * RATE / 1e9
        self.rows: list[tuple[float, float]] = [(0.0, OIL_C[0])]  # station time [s], oil [degC]
        self.slope = 0.0

    def oil_c(self, at_s: float) -> float:
        return self.rows[-1][1] + self.slope * (at_s - self.rows[-1][0])

    async def turn(self) -> int:
        """From now on to the other limit, if this one has been reached; the moment of it [ns], else 0."""
        now_s = self.bench.station.clock.station_ns() / 1e9 + 2.0  # by then it is with the devices
        oil_c = self.oil_c(now_s)
        if self.slope and OIL_C[0] < oil_c < OIL_C[1]:
            return 0
        self.rows.append((now_s, oil_c))
        self.slope = SLOPE_K_S if oil_c <= OIL_C[0] else -SLOPE_K_S
        await self.play()
        return int((self.epoch_s + now_s) * 1e9)

    async def play(self) -> None:
        oil = self.until(self.rows[-1][0] + 1e5)
        current = [(at_s, self.current_a(oil_c) / CT_RATIO) for at_s, oil_c in oil]
        await self.bench.station.fault("oil_tx", "injected", channel="top_oil_c", points=oil)
        await self.bench.station.fault("ct_tx", "injected", channel="all", points=current)

    def until(self, end_s: float) -> list[tuple[float, float]]:
        return [*self.rows, (end_s, self.oil_c(end_s))]

    @staticmethod
    def current_a(oil_c: float) -> float:
        return LOWEST_A + A_PER_K * (oil_c - OIL_C[0])

    def true_inputs(self, end_s: float) -> tuple[Series, Series]:
        """(times, oil [degC]), (times, current [A]) until the given time, all on the daemon's clock [s]."""
        rows = self.until(end_s - self.epoch_s)
        times = np.array([at_s for at_s, _ in rows]) + self.epoch_s
        oil = np.array([oil_c for _, oil_c in rows])
        return (times, oil), (times, np.array([self.current_a(oil_c) for oil_c in oil]))


class Killer:
    """Starts the daemon, kills it where it is told, and reads what is left. Facts from logs and from the
    file.
    """

    def __init__(self, bench: Bench, env: dict[str, str], chance: random.Random) -> None:
        self.bench, self.env, self.chance = bench, bench.env, chance
        self.flag = Path(env["KILL_FLAG"])
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


async def one_kill(killer: Killer, point: str, story: Story, injection: InjectionSet | None) -> None:
    """Bring the coils up, turn the inputs when due, kill, wait for the module's release; checks of this one
    kill.
    """
    bench = killer.bench
    for _ in range(5):
        launched_ns = int((time.monotonic_ns() + SUSPENDED_NS) * RATE)
        story.launched.append(launched_ns)
        await killer.launch("" if point == ANY or point.startswith("start") else point)
        await all_held_off(bench, 120.0)
        await bench.until(lambda since=launched_ns: killer.durable_since(since), "a first commit")  # type: ignore[misc]
        if injection is not None and (turned_ns := await injection.turn()):
            await bench.until(
                lambda since=turned_ns + SEEN_NS: killer.durable_since(since),  # type: ignore[misc]
                "the turn is durable",
            )
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
    story.lost.append((mono_ns, int((killed_ns + SUSPENDED_NS) * RATE)))
    told = value(killer.bench, LOSS)
    if told is not None and told["value"] is not None:
        # Six significant digits are published.
        assert told["value"] <= life_h(state) * (1 + 5e-6), (
            f"published {told['value']} h, durable {life_h(state)} h"
        )


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("broken", ["", "gap"])
async def test_row_13_kills(
    make_bench: Make, ledger: Ledger, tmp_path: Path, request: pytest.FixtureRequest, broken: str
) -> None:
    """Each kill: coils energised before, released by the module's timeout after, nothing accepted lost; and
    in the end loss of life as a plain integration of the true inputs gives it, over every bridged gap.

    Control: a restart goes on as if no time had passed.
    """
    number = CONTROL_KILLS if broken else request.config.getoption("kills", 10)
    env = {
        "KILL_FLAG": str(tmp_path / "armed"),
        "KILL_LOG": str(tmp_path / "kills.jsonl"),
        "KILL_BREAK": broken,
    }
    bench = await make_bench(
        rate=RATE,
        edit=one_mode,
        publish_s=2.0,
        relay_timeout_s=MODULE_S,
        daemon=KILLABLE,
        env=env,
        options={"oil_tx": ("--float32",)},
    )
    chance = random.Random(SEED)
    killer, story, injection = Killer(bench, env, chance), Story(), InjectionSet(bench)
    await injection.play()
    base: tuple[int, engine.State] | None = None
    for point in kill_order(number, chance):
        # Up to the first checkpoint nothing moves: the integration begins in the same steady state.
        await one_kill(killer, point, story, injection if base else None)
        base = base or killer.checkpoint()
    (tmp_path / "story.jsonl").write_text("\n".join(story.log) + "\n")

    story.launched.append(int((time.monotonic_ns() + SUSPENDED_NS) * RATE))
    await killer.launch("")
    await all_held_off(bench, 120.0)
    assert await bench.daemon.end() == 0
    bench.daemon = None
    last = killer.checkpoint()
    assert base is not None
    assert last is not None
    thermal = last[1].thermal
    assert thermal is not None
    assert not thermal.unmonitored_s.any(), "every gap was short enough to be bridged"
    gained_h = life_h(last[1]) - life_h(base[1])
    # From the checkpoint before each kill to the next start.
    gaps = [(a, next(at for at in story.launched if at > b)) for a, b in story.lost if a >= base[0]]
    at_s = np.array([base[0], *(at for gap in gaps for at in gap), last[0]]) / 1e9
    life = loss_of_life_h(*injection.true_inputs(at_s[-1]), list(at_s), Figures())
    true_h = life[-1] - life[0]
    off = gained_h / true_h - 1.0
    tolerance = TOLERANCE if number >= LONG else SHORT_TOLERANCE
    smallest = float(min(np.diff(life[1:-1])[::2]) / true_h)
    with ledger.judged(13, broken, f"{number} kills", "A restart goes on as if no time had passed"):
        assert abs(off) < tolerance, f"loss of life {off * 100:+.4f} % off the integration of the true inputs"
    if broken:
        return
    assert smallest > 2 * tolerance, "a single gap left out would not be seen"
    told = "; ".join(
        (
            f"{number} kills (seed {SEED}): " + spread(story.points),
            "coils energised before each "
            f"({story.repeated} repeated because the module had already released)",
            f"released {min(story.released_s):.1f} to {max(story.released_s):.1f} s after the last valid "
            f"request (timeout {MODULE_S:g} s)",
            "every row a reader had seen was there after",
            "published loss of life never above the durable one",
            f"over {(at_s[-1] - at_s[0]) / 3600:.2f} h of station time loss of life {off * 100:+.4f} % off "
            "an independent integration of the simulator's true inputs",
            f"these went on moving in the gaps, oil between {OIL_C[0]:g} and {OIL_C[1]:g} °C, current "
            f"between {injection.current_a(OIL_C[0]):g} and {injection.current_a(OIL_C[1]):g} A",
            f"the smallest of the {len(gaps)} gaps alone holds {smallest * 100:.2f} % of that life, all of "
            f"them together {sum(np.diff(life[1:-1])[::2]) / true_h:.0%}",
        )
    )
    ledger.note(13, "SIGKILL at spread moments, with restart", told, reaction_s=max(story.released_s))
    if number >= LONG:
        lost_s = sum(b - a for a, b in story.lost) / 1e9
        kept = {
            "date": time.strftime("%Y-%m-%d", time.gmtime()),
            "result": told,
            "bridged": f"state of {lost_s:.0f} s in all was lost between checkpoint and kill, and bridged",
            "points": dict(sorted(story.points.items())),
            "kills": [json.loads(line) for line in story.log],
        }
        LONG_RESULT.write_text(json.dumps(kept, indent=1) + "\n")
        renew_long_section()


def kill_order(number: int, chance: random.Random) -> list[str]:
    """A third of the kills comes from outside at any moment, the rest at every point in turn; shuffled."""
    points = POINTS if number >= LONG else POINTS[::3] + POINTS[1::3] + POINTS[2::3]  # few: some of each kind
    order = [ANY if i % 3 == 2 else points[(i - i // 3) % len(points)] for i in range(number)]
    chance.shuffle(order)
    return order


def spread(points: Counter[str]) -> str:
    """How many kills fell where, in words."""
    kinds = {
        "start": "in the start",
        "cycle": "in the cycle",
        "write": "at a relay write",
        "commit": "at a commit",
    }
    told = [
        f"{sum(n for p, n in points.items() if p.startswith(kind))} {where}" for kind, where in kinds.items()
    ]
    return ", ".join([*told, f"{points[ANY]} at any moment"])
