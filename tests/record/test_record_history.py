"""History: mean, min, max and quality against numpy; clock steps; sealed blocks; twenty years in 250 MB."""

from __future__ import annotations

import math
import os
import sqlite3
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_station import T0, S, Walk, recorder, settings

from collector.messages import Decision, Outcome, Value
from collector.points import catalogue
from collector.quality import GOOD, Detail, Quality, Validity, invalid, questionable
from collector.record import blocks
from collector.record.history import Accumulator
from collector.record.keys import key_of, parts_of
from collector.record.reader import Record
from collector.record.schema import APPLICATION_ID, MIGRATIONS
from collector.record.upkeep import DAY_S, Limits, Upkeep

WAIT_S = 30.0


def test_keys_are_permanent(tmp_path: Path) -> None:
    """Fixed examples: files of twenty years depend on the layout. And no two points share a key."""
    points = {p.id: p for p in catalogue(settings(tmp_path))}
    assert key_of(points["station.decision_sequence"]) == 0
    assert key_of(points["T1.top_oil_c"]) == 0x1010_0000
    assert key_of(points["T1.W2.hot_spot_c"]) == 0x2010_0803
    assert key_of(points["T1.stage3.called"]) == 0x3010_0C05
    assert key_of(points["device.d1.link_ok"]) == 0x4000_0400
    assert parts_of(0x2010_0803) == ("winding", 1, 2, 3)
    assert len({key_of(p) for p in points.values()}) == len(points)


def test_intervals_against_numpy(tmp_path: Path) -> None:
    """Three hours of random steps through the file: mean, min, max equal numpy's on the same values."""
    s = settings(tmp_path)
    walk = Walk(s)
    r = recorder(s)
    r.start()
    kept: dict[int, list[Value]] = {}
    for n, step in enumerate(walk.steps(5400)):
        r.put(*step)
        if n % 1000 == 999:
            assert r.flush(WAIT_S)
        kept.setdefault(step[2] // (60 * S) * 60 * S, []).append(step[1].values["T1.W1.hot_spot_c"])
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        series = record.history("T1.W1.hot_spot_c", 0, 2**62)
        merged = record.history("T1.W1.hot_spot_c", 0, 2**62, 3600)
    assert series.time_ns.tolist() == sorted(kept)
    assert set(series.interval_s) == {60.0}
    partly = 0
    for i, time_ns in enumerate(series.time_ns.tolist()):
        values = [v for v in kept[time_ns] if not v.quality.is_invalid]
        numbers = np.array([v.value for v in values], float)
        assert series.mean[i] == pytest.approx(numbers.mean(), abs=1e-12)
        assert series.min[i] == numbers.min()
        assert series.max[i] == numbers.max()
        quality = Quality.from_bits(int(series.quality[i]))
        left_out = len(values) < len(kept[time_ns])
        partly += left_out
        worst = max((v.quality.validity for v in values), default=Validity.GOOD)
        assert quality.validity == (Validity.QUESTIONABLE if left_out else worst)
        assert bool(quality.detail & Detail.OLD_DATA) == left_out
    assert partly > 5
    hour = series.time_ns // (3600 * S)
    for i, number in enumerate(np.unique(hour)):
        assert merged.time_ns[i] == number * 3600 * S
        assert merged.mean[i] == pytest.approx(series.mean[hour == number].mean(), abs=1e-9)
        assert merged.min[i] == series.min[hour == number].min()
        assert merged.max[i] == series.max[hour == number].max()


def test_an_interval_without_a_valid_sample(tmp_path: Path) -> None:
    """No number without a valid sample behind it, unless that is all there is; then it is invalid."""
    points = [p for p in catalogue(settings(tmp_path)) if p.id == "T1.top_oil_c"]
    bad = invalid(Detail.FAILURE)
    for values, expected in (
        ([Value(None, bad)], (None, bad)),
        ([Value(5.0, bad), Value(7.0, bad)], (6.0, bad)),
        ([Value(500.0, bad), Value(7.0, GOOD), Value(900.0, bad)], (7.0, questionable(Detail.FAILURE))),
        ([Value(math.nan, GOOD), Value(7.0, GOOD)], (7.0, GOOD)),
    ):
        a = Accumulator(points, 60)
        for n, value in enumerate(values):
            assert a.add({"T1.top_oil_c": value}, n, n) == []
        (closed,) = a.close()
        assert (closed.rows[0].mean, Quality.from_bits(closed.rows[0].quality)) == expected


@pytest.mark.parametrize("jump_s", [-7200.0, -90.0, 90.0, 7200.0, -56 * 365.25 * DAY_S])
def test_wall_clock_steps_keep_the_order(tmp_path: Path, jump_s: float) -> None:
    """A step either way, or to 1970: nothing lost or mixed, order is that of the steps, the step is said."""
    s = settings(tmp_path)
    walk = Walk(s)
    r = recorder(s)
    r.start()
    sent = []
    for n in range(600):
        if n == 300:
            walk.wall_ns += int(jump_s) * S
        inputs, outcome, wall_ns = walk.step()
        outcome = Outcome(outcome.decision, {"T1.top_oil_c": Value(float(n), GOOD)}, outcome.events)
        sent.append((inputs.mono_ns, wall_ns))
        r.put(inputs, outcome, wall_ns)
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        series = record.history("T1.top_oil_c", -(2**62), 2**62)
        assert (np.diff(series.max) > 0).all()
        assert series.min[0] == 0
        assert series.max[-1] == 599
        assert (series.max[:-1] + 1 == series.min[1:]).all()  # every step in exactly one interval
        lines = record.lines()
        assert len(lines) == 2
        said = float(lines[1].reason.removeprefix("wall clock stepped ").removesuffix(" s"))
        assert said == pytest.approx(jump_s, abs=0.1)
        assert [(x.inputs.mono_ns, x.wall_ns) for x in record.steps()] == sent


def _columns(draw_values: list[float | None], gaps: list[int]) -> blocks.Columns:
    mean = np.array([math.nan if v is None else v for v in draw_values])
    slot = 29_000_000 + np.cumsum(np.array(gaps[: len(mean)], np.int64))
    spread = np.abs(np.sin(np.arange(len(mean))))
    return blocks.Columns(
        slot, mean, mean - spread, mean + spread, np.arange(len(mean), dtype=np.uint16) % 8192
    )


@given(
    st.lists(st.none() | st.floats(-1e6, 1e6), min_size=1, max_size=50),
    st.lists(st.integers(1, 400), min_size=50, max_size=50),
    st.sampled_from([0.01, 1e-4, 1e-6, 1.0]),
)
def test_blocks_keep_values_within_half_a_step(
    values: list[float | None], gaps: list[int], step: float
) -> None:
    columns = _columns(values, gaps)
    back = blocks.decode(blocks.encode(columns, step))
    assert (back.slot == columns.slot).all()
    assert (back.quality == columns.quality).all()
    for name in ("mean", "min", "max"):
        a, b = getattr(columns, name), getattr(back, name)
        assert (np.isnan(a) == np.isnan(b)).all()
        assert (np.abs(a - b)[~np.isnan(a)] <= 0.5 * step + 1e-9 * np.abs(a[~np.isnan(a)])).all()


def test_blocks_keep_what_steps_cannot_hold_exactly() -> None:
    columns = _columns([1e300, math.inf, -0.5, None], [1, 1, 1, 1])
    back = blocks.decode(blocks.encode(columns, 0.01))
    assert back.mean[:3].tolist() == [1e300, math.inf, -0.5]
    assert math.isnan(back.mean[3])


def test_damaged_block_is_a_clear_error() -> None:
    block = blocks.encode(_columns([1.0, 2.0], [1, 1]), 0.01)
    with pytest.raises(ValueError, match="version 09"):
        blocks.decode(b"\x09" + block[1:])
    with pytest.raises(ValueError, match="damaged"):
        blocks.decode(block[:-6])


@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.sampled_from([0, 1, 3, 3 | 128, 1 | 64 << 2])),
        min_size=1,
        max_size=40,
    )
)
def test_merging_agrees_with_plain_python(parts: list[tuple[int, int]]) -> None:
    """The array version of merging against the obvious loop over Quality objects."""
    slot = np.cumsum([gap for gap, _ in parts])
    n = len(parts)
    c = blocks.Columns(
        np.arange(n),
        np.arange(n) * 1.0,
        np.arange(n) - 1.0,
        np.arange(n) + 1.0,
        np.array([q for _, q in parts], np.uint16),
    )
    merged = blocks.merge(c, slot)
    for i, s in enumerate(np.unique(slot)):
        members = np.flatnonzero(slot == s)
        qualities = [Quality.from_bits(parts[m][1]) for m in members]
        used = [m for m, q in zip(members, qualities, strict=True) if not q.is_invalid] or members.tolist()
        assert merged.mean[i] == pytest.approx(np.mean(used))
        assert merged.min[i] == min(used) - 1
        assert merged.max[i] == max(used) + 1
        validity = Quality.from_bits(int(merged.quality[i])).validity
        if all(q.is_invalid for q in qualities):
            assert validity is Validity.INVALID
        elif all(q.is_good for q in qualities):
            assert validity is Validity.GOOD
        else:
            assert validity is Validity.QUESTIONABLE


def test_sealing_changes_nothing_but_the_size(tmp_path: Path) -> None:
    """Two days through the daemon's own upkeep: every interval is there once, sealed or not."""
    s = settings(tmp_path, journal_days=0.0)
    r = recorder(s)
    r.start()
    walk = Walk(s, cycle_ns=30 * S, wall_ns=T0 // (DAY_S * S) * DAY_S * S)
    for n, step in enumerate(walk.steps(2 * 2880 + 400)):
        r.put(*step)
        if n % 500 == 0:
            assert r.flush(WAIT_S)
    assert r.flush(WAIT_S)
    path = tmp_path / "record.sqlite"
    names = [p.id for p in walk.points]
    with Record(path) as record:
        assert (
            record._conn.execute("SELECT count(DISTINCT period) FROM blocks WHERE level = 1").fetchone()[0]
            == 2
        )
        plain = record._conn.execute("SELECT min(slot) FROM history").fetchone()[0]
        assert plain * 60 >= (T0 // S // DAY_S + 2) * DAY_S
        for name in names:
            series = record.history(name, 0, 2**62)
            assert len(series.time_ns) == 2880 + 200
            assert (np.diff(series.time_ns) == 60 * S).all()
            quarter = record.history(name, 0, 2**62, 900)
            assert (np.diff(quarter.time_ns) == 900 * S).all()
            assert np.nanmax(quarter.max) == pytest.approx(np.nanmax(series.max), abs=0.01)
    assert r.stop(WAIT_S)


def test_interrupted_sealing_is_taken_up_again(tmp_path: Path) -> None:
    """A new process (it remembers nothing) goes on where sealing stopped: no interval lost, none twice."""
    s = settings(tmp_path, journal_days=0.0)
    r = recorder(s)
    r.start()
    walk = Walk(s, cycle_ns=60 * S, wall_ns=T0 // (DAY_S * S) * DAY_S * S)
    for step in walk.steps(1500):
        r.put(*step)
    assert r.stop(WAIT_S)
    path = tmp_path / "record.sqlite"
    with Record(path) as record:
        before = record.history("T1.W2.hot_spot_c", 0, 2**62)
    conn = sqlite3.connect(path, isolation_level=None)
    steps = 0
    while Upkeep(path, Limits(30, 400, 2000), lambda *_: None).seal_history(conn, 99, 10**9):
        steps += 1
        if steps > 30:  # a fresh one every time never gets past its first points: let one finish
            keep = Upkeep(path, Limits(30, 400, 2000), lambda *_: None)
            for _ in range(7):
                keep.seal_history(conn, 99, 10**9)
    conn.close()
    with Record(path) as record:
        after = record.history("T1.W2.hot_spot_c", 0, 2**62)
        assert record._plain_lines() == []
    assert (before.time_ns == after.time_ns).all()
    assert np.allclose(before.mean, after.mean, atol=0.0051, equal_nan=True)
    assert (before.quality == after.quality).all()


def _day(rng: np.random.Generator, day: int, kind: str) -> blocks.Columns:
    """A day of one-minute intervals as a field would give them: daily swing, random walk, noise."""
    minute = np.arange(1440)
    if kind in ("bool", "enum"):
        mean = ((minute // 180) % 2 == day % 2).astype(float)
        return blocks.Columns(day * 1440 + minute, mean, mean, mean, np.zeros(1440, np.uint16))
    swing = 55 + 12 * np.sin(2 * np.pi * (minute / 1440 + 0.3)) + 5 * np.sin(day / 30)
    mean = swing + np.cumsum(rng.normal(0, 0.03, 1440)) + rng.normal(0, 0.02, 1440)
    spread = np.abs(rng.normal(0.05, 0.03, (2, 1440)))
    quality = np.zeros(1440, np.uint16)
    quality[(day * 37) % 1400 :][:5] = invalid(Detail.OLD_DATA).bits
    return blocks.Columns(day * 1440 + minute, mean, mean - spread[0], mean + spread[1], quality)


def test_size_of_twenty_years(tmp_path: Path) -> None:
    """The whole of it in a real file: 30 points (20 noisy temperatures, 10 contacts and states), 400 days at
    one minute and 20 years at 15 minutes, is at most 250 MB. Times are printed, not judged."""
    path = tmp_path / "record.sqlite"
    conn = sqlite3.connect(path, isolation_level=None)
    conn.executescript(MIGRATIONS[0])
    conn.execute("PRAGMA user_version=1")
    conn.execute(f"PRAGMA application_id={APPLICATION_ID}")
    conn.execute("INSERT INTO lines VALUES(1, 1, 0, 0, 0, 60000, 'start')")
    kinds = ["float"] * 20 + ["bool"] * 5 + ["enum"] * 5
    for key, kind in enumerate(kinds):
        unit = "degC" if kind == "float" else ""
        conn.execute("INSERT INTO points VALUES(?,?,?,?,'','','[]')", (key, f"P{key}", kind, unit))
    rng = np.random.default_rng(1)
    insert = "INSERT INTO blocks(level, period, key, line, data) VALUES(?,?,?,1,?)"
    last = 20_700
    size = 0
    conn.execute("BEGIN")
    for key, kind in enumerate(kinds):
        step = blocks.step_of(kind, "degC")
        for day in range(last - 400, last):
            data = blocks.encode(_day(rng, day, kind), step)
            size += len(data)
            conn.execute(insert, (1, day, key, data))
        for month in range(last // 30 - 244, last // 30):
            # A month of 15-minute means is as noisy as two days of minutes: 2880 intervals.
            c = blocks.concatenate([_day(rng, 2 * month, kind), _day(rng, 2 * month + 1, kind)])
            c = c._replace(slot=c.slot - c.slot[0] + month * 2880)
            conn.execute(insert, (2, month, key, blocks.encode(c, step)))
    conn.execute("COMMIT")
    conn.close()
    total_mb = os.path.getsize(path) / 1e6
    with Record(path) as record:
        started = time.perf_counter()
        for key in range(30):
            week = record.history(f"P{key}", (last - 107) * DAY_S * S, (last - 100) * DAY_S * S)
            assert len(week.time_ns) == 7 * 1440
        took = (time.perf_counter() - started) / 30
        old = record.history("P3", (last - 5000) * DAY_S * S, (last - 4993) * DAY_S * S)
        assert len(old.time_ns) == 7 * 96
    print(
        f"\n30 points, 400 days at one minute and 20 years at 15 minutes: {total_mb:.0f} MB"
        f" ({size / 400 / 1440 / 30:.2f} bytes per point-minute); a week of a point in {took * 1000:.1f} ms"
    )
    assert total_mb <= 250


def test_plain_week_beside_many_points(tmp_path: Path) -> None:
    """A day that is not sealed yet: one point's rows are found without reading the others'."""
    s = settings(tmp_path, journal_days=0.0)
    r = recorder(s)
    walk = Walk(s, cycle_ns=60 * S)
    r.start()
    for step in walk.steps(600):
        r.put(step[0], Outcome(Decision(1, 1, {}), step[1].values), step[2])
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        plan = record._conn.execute(
            "EXPLAIN QUERY PLAN SELECT mean FROM history WHERE line = 1 AND slot = 2 AND key = 3"
        ).fetchall()
        assert "line=? AND slot=? AND key=?" in plan[0][3]
        started = time.perf_counter()
        assert len(record.history("T1.hot_spot_c", 0, 2**62).time_ns) == 600
        took = (time.perf_counter() - started) * 1000
        print(f"\n600 plain rows of one point among {len(walk.points)}: {took:.1f} ms")
