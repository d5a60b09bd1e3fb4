"""Numbers of the report against sums and maxima over the very steps that were recorded."""

from __future__ import annotations

import math
import shutil
import sqlite3
import zlib
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
import report_station as rs
from hypothesis import given
from hypothesis import strategies as st
from recorded import Recorded

from collector.messages import Decision, Event, Inputs, Outcome, Value
from collector.quality import GOOD, Detail, Validity, invalid
from collector.record.reader import Record, Series
from collector.report.facts import Facts, TransformerFacts, gather
from collector.report.page import render
from collector.report.series import Track, binned, gaps, rise, stretches

H = rs.HOUR
#: Sealed history keeps loss of life to 1e-4 h and temperatures to 0.01 K.
HOURS, KELVIN = 2.1e-4, 0.0051


def _facts(told: rs.Told, start_h: float | None = None, end_h: float | None = None) -> Facts:
    start = None if start_h is None else rs.T0 + round(start_h * H)
    end = None if end_h is None else rs.T0 + round(end_h * H)
    with Record(told.path) as record:
        return gather(record, start, end)


def _t1(facts: Facts) -> TransformerFacts:
    (t,) = facts.transformers
    return t


def _within(told: rs.Told, facts: Facts) -> list[rs.Step]:
    return [s for s in told.steps if facts.start_ns <= s.wall_ns < facts.end_ns]


def _number(step: rs.Step, point: str) -> float:
    value = step.values[point].value
    assert isinstance(value, int | float)
    return float(value)


#: The whole record, a part with the gap and the lost oil, a part that begins within a run of every stage.
PERIODS = [(None, None), (12.0, 60.0), (45.0, 53.5)]


@pytest.mark.parametrize(("start_h", "end_h"), PERIODS)
def test_peaks_and_hours_above_limits(
    three_days: rs.Told, start_h: float | None, end_h: float | None
) -> None:
    facts = _facts(three_days, start_h, end_h)
    steps = _within(three_days, facts)
    t = _t1(facts)
    assert [w.id for w in t.windings] == list(rs.WINDINGS)
    for w in t.windings:
        name = f"T1.{w.id}"
        hottest = max(steps, key=lambda s: _number(s, f"{name}.hot_spot_c"))
        assert w.peak is not None
        assert w.peak.value == pytest.approx(_number(hottest, f"{name}.hot_spot_c"), abs=KELVIN)
        near = [s for s in steps if s.wall_ns == w.peak.time_ns]
        assert _number(near[0], f"{name}.hot_spot_c") == pytest.approx(w.peak.value, abs=KELVIN)
        assert w.uncertainty_k == pytest.approx(6.5)
        above = sum(_number(s, f"{name}.hot_spot_c") > 110.0 for s in steps) / 60
        assert w.hours_high == pytest.approx(above, abs=1 / 60 + 1e-9)
        assert w.hours_high_high == 0.0
        assert w.load_peak is not None
        assert w.load_peak.value == pytest.approx(
            max(_number(s, f"{name}.load_pu") for s in steps), abs=5.1e-5
        )
    assert t.hottest is not None
    assert t.hottest.id == "HV_B"
    assert t.oil_peak is not None
    assert t.oil_peak.value == pytest.approx(max(_number(s, "T1.top_oil_c") for s in steps), abs=KELVIN)
    ambient = [_number(s, "T1.ambient_c") for s in steps if s.values["T1.ambient_c"].value is not None]
    assert t.ambient_peak is not None
    assert t.ambient_peak.value == pytest.approx(max(ambient), abs=KELVIN)


def test_the_hot_days_are_above_the_limit(three_days: rs.Told) -> None:
    """The premise of the hours above: there are some."""
    assert (_t1(_facts(three_days)).windings[1].hours_high or 0.0) > 1.0


@pytest.mark.parametrize(("start_h", "end_h"), PERIODS)
def test_loss_of_life(three_days: rs.Told, start_h: float | None, end_h: float | None) -> None:
    facts = _facts(three_days, start_h, end_h)
    before = [s for s in three_days.steps if s.wall_ns < facts.start_ns]
    steps = _within(three_days, facts)
    for w in _t1(facts).windings:
        assert w.life is not None
        found = (w.life.low_h, w.life.best_h, w.life.high_h)
        for part, gained in zip(("_low", "", "_high"), found, strict=True):
            point = f"T1.{w.id}.loss_of_life{part}_h"
            base = _number(before[-1] if before else steps[0], point)
            assert gained == pytest.approx(_number(steps[-1], point) - base, abs=HOURS)
        # And against the integral of the law itself over the hot spots of the same steps.
        law = sum(
            rs.kraft(_number(s, f"T1.{w.id}.hot_spot_c")) / 60 for s in (steps if before else steps[1:])
        )
        assert w.life.best_h == pytest.approx(law, abs=HOURS)
        assert w.life.percent is not None
        assert w.life.percent[1] == pytest.approx(w.life.best_h / 102_700 * 100)
        assert w.life.low_h < w.life.best_h < w.life.high_h
        assert w.life.total_h == pytest.approx(_number(steps[-1], f"T1.{w.id}.loss_of_life_h"), abs=HOURS)
        assert w.life.restarts == 0


@pytest.mark.parametrize(("start_h", "end_h"), PERIODS)
def test_stages(three_days: rs.Told, start_h: float | None, end_h: float | None) -> None:
    facts = _facts(three_days, start_h, end_h)
    steps = _within(three_days, facts)
    before = [s for s in three_days.steps if s.wall_ns < facts.start_ns]
    for stage in _t1(facts).stages:
        called = [bool(s.values[f"T1.{stage.id}.called"].value) for s in (*before[-1:], *steps)]
        starts = sum(b and not a for a, b in pairwise(called))
        assert stage.starts is not None
        assert stage.starts.gained == starts
        hours = sum(bool(s.values[f"T1.{stage.id}.running"].value) for s in steps) / 60
        assert stage.run_h is not None
        assert stage.run_h.gained == pytest.approx(hours, abs=HOURS)
        assert stage.called_h == pytest.approx(hours, abs=1e-6)
        assert stage.name.startswith("Fans, group")


def test_cooling_modes_and_effectiveness(three_days: rs.Told) -> None:
    facts = _facts(three_days)
    steps = _within(three_days, facts)
    e = _t1(facts).effectiveness
    assert e is not None
    for number, mode in enumerate(("ONAN", "ONAF1", "ONAF2"), start=1):
        here = [s for s in steps if s.values["T1.mode"].value == number]
        (found,) = [m for m in e.modes if m.name == mode]
        assert found.hours == pytest.approx(len(here) / 60)
        mean = np.mean([_number(s, "T1.effectiveness_k") for s in here])
        assert found.effectiveness_k == pytest.approx(mean, abs=KELVIN)
    assert e.mean_k == pytest.approx(np.mean([_number(s, "T1.effectiveness_k") for s in steps]), abs=KELVIN)
    assert e.above_h == 0.0


def test_alarms(three_days: rs.Told) -> None:
    facts = _facts(three_days)
    steps = _within(three_days, facts)
    states = [s.values[rs.ALARM].value for s in steps]
    (alarm,) = _t1(facts).alarms
    assert alarm.point == rs.ALARM
    assert alarm.count == sum(b == 1 and a != 1 for a, b in pairwise(states)) > 0
    assert alarm.active_h == pytest.approx(states.count(1) / 60)
    assert alarm.priority == "high"
    assert "above its high limit" in alarm.text


@pytest.mark.parametrize(("start_h", "end_h", "hours"), [(None, None, 7.5), (12, 60, 7.5), (45, 53.5, 0)])
def test_conservative_figure_of_the_unmonitored_hours(
    three_days: rs.Told, start_h: float | None, end_h: float | None, hours: float
) -> None:
    """Gained in the period, and in no figure of loss of life."""
    for w, rate in zip(_t1(_facts(three_days, start_h, end_h)).windings, rs.ASSUMED, strict=True):
        assert w.unmonitored_life is not None
        assert w.unmonitored_life.gained == pytest.approx(hours * rate, abs=HOURS)
        assert w.unmonitored_life.end == pytest.approx(7.5 * rate, abs=HOURS)


@pytest.mark.parametrize("gap_h", [5.0, 48.0])
def test_conservative_figure_against_the_rated_case(gap_h: float, tmp_path: Path) -> None:
    """Of the real step: hours x the ageing of the guaranteed rises at 40 degC, worked out by hand.

    40 degC + top-oil rise 48 K + hot-spot factor 1.3 x gradient 15 K of the strongest mode = 107.5 degC;
    kraft paper ages 2 ** ((107.5 - 98) / 6) times as fast as normal (IEC 60076-7, from memory).
    """
    s = Recorded(tmp_path, oil=45.0, amps=100.0)
    s.run(600.0, 10.0)
    s.checkpoint()
    s.restart(gap_s=gap_h * 3600, same_boot=False)
    s.run(600.0, 10.0)
    with Record(s.close()) as record:
        t = _t1(gather(record))
    assert t.unmonitored is not None
    first_sample_h = 10.0 / 3600  # nobody watched until then
    assert t.unmonitored.gained == pytest.approx(gap_h + first_sample_h, abs=HOURS)
    for w in t.windings:
        assert w.unmonitored_life is not None
        assumed_h = (gap_h + first_sample_h) * 2 ** (9.5 / 6)
        assert w.unmonitored_life.gained == pytest.approx(assumed_h, rel=1e-4)
        assert w.life is not None
        assert w.life.best_h < 0.01  # twenty cool minutes: nothing of it is in there


def test_conservative_figure_after_hotter_hours(tmp_path: Path) -> None:
    """Where it was hotter than that before, the rate of then is taken."""
    s = Recorded(tmp_path, oil=95.0, amps=300.0)
    for _ in range(6):  # until the hot spot stands: 95 + 1.3 x 15 = 114.5 degC
        s.run(1200.0, 30.0)
    before = s.value("HV_A.ageing_rate")
    assert before > 2 ** (9.5 / 6)
    s.checkpoint()
    s.restart(gap_s=5 * 3600, same_boot=False)
    s.run(120.0, 10.0)
    with Record(s.close()) as record:
        (a, *_) = _t1(gather(record)).windings
    assert a.unmonitored_life is not None
    assert a.unmonitored_life.gained == pytest.approx(5 * before, rel=1e-3)


def test_quality_shares_and_unmonitored(three_days: rs.Told) -> None:
    """Shares of the period: 72 h with 7.5 h not recorded, 2.25 h of substituted oil, 1 h without ambient."""
    facts = _facts(three_days)
    t = _t1(facts)
    assert facts.hours == 72.0
    assert t.unmonitored is not None
    assert t.unmonitored.gained == pytest.approx(7.5)
    shares = {q.point: q for q in t.quality}
    oil, ambient = shares["T1.top_oil_c"], shares["T1.ambient_c"]
    assert oil.missing == pytest.approx(7.5 / 72)
    assert oil.questionable == pytest.approx(2.25 / 72)
    assert oil.invalid == 0.0
    assert ambient.invalid == pytest.approx(1 / 72)
    for q in t.quality:
        assert q.good + q.questionable + q.invalid + q.missing == pytest.approx(1.0)
    assert gaps(oil.track, facts.start_ns, facts.end_ns) == [(rs.T0 + 30 * H, rs.T0 + round(37.5 * H))]
    doubt = stretches(oil.track, (oil.track.bits & 3) == Validity.QUESTIONABLE)
    assert doubt == [(rs.T0 + 50 * H, rs.T0 + round(52.25 * H))]


def test_where_it_comes_from(three_days: rs.Told) -> None:
    facts = _facts(three_days)
    assert (facts.station, facts.station_name) == ("HOLLOWBECK", "Hollowbeck substation")
    assert facts.settings_hash == three_days.hash
    assert facts.settings_sure
    assert facts.starts == 2
    assert facts.rates == ()
    assert facts.clock_steps == ()
    assert facts.recorded == (rs.T0, rs.T0 + 72 * H)
    assert facts.notices == ()


def test_a_long_period_is_read_from_quarter_hours(three_days: rs.Told) -> None:
    """More than 62 days: the same peaks and counters, hours to the quarter hour, the rest is missing."""
    facts = _facts(three_days, -67 * 24.0, 72.0)
    short, long = _t1(_facts(three_days)), _t1(facts)
    assert facts.interval_s == 900.0
    for a, b in zip(short.windings, long.windings, strict=True):
        assert a.peak is not None
        assert b.peak is not None
        assert b.peak.value == pytest.approx(a.peak.value, abs=2 * KELVIN)
        assert 0 <= a.peak.time_ns - b.peak.time_ns < 900 * rs.S
        assert a.life is not None
        assert b.life is not None
        assert b.life.best_h == pytest.approx(a.life.best_h, abs=HOURS)
        assert b.hours_high == pytest.approx(a.hours_high, abs=0.5)
    assert [s.starts.gained for s in long.stages if s.starts] == [
        s.starts.gained for s in short.stages if s.starts
    ]
    assert len(facts.notices) == 1
    assert "counts as missing" in facts.notices[0]


def test_an_alarm_over_a_restart(tmp_path: Path) -> None:
    """Acknowledging ends nothing, a restart counts no second time, and nothing is active while down."""
    settings, text, digest = rs.station(tmp_path)
    states = [0, 1, 1, 2, 2, 3, 3, 0, 1, 1], [1, 1, 2, 0, 0]
    at = 0
    for boot, part in enumerate(states):
        r = rs.recorder(settings, text, digest, 1.0, f"boot-{boot}")
        for state in part:
            wall_ns = rs.T0 + at * rs.MINUTE
            values = {
                "T1.hot_spot_c": Value(90.0, GOOD),
                "T1.top_oil_c": Value(70.0, GOOD),
                rs.ALARM: Value(state, GOOD),
            }
            r.put(Inputs(wall_ns + boot, {}), Outcome(Decision(at, wall_ns, {}), values, ()), wall_ns)
            at += 1
        at += 30
        assert r.stop(60.0)
    with Record(tmp_path / "record.sqlite") as record:
        (alarm,) = _t1(gather(record)).alarms
        (late,) = _t1(gather(record, rs.T0 + 3 * rs.MINUTE)).alarms
    assert alarm.count == 2
    assert [round((b - a) / rs.MINUTE) for a, b in alarm.stretches] == [4, 2, 3]
    assert late.count == 1
    assert late.active_h == pytest.approx((2 + 2 + 3) / 60)


@pytest.mark.parametrize("new", [0.0, 2.5, 900.0])
def test_a_correction_is_no_gain_and_no_fall(tmp_path: Path, new: float) -> None:
    """Ten minutes at 1 h a minute; in the middle of the sixth somebody corrects it, twice."""
    settings, text, digest = rs.station(tmp_path)
    r = rs.recorder(settings, text, digest, 1.0, "boot-1")
    counter = {"low_": 6.0, "": 7.0, "high_": 8.0}
    for n in range(120):
        wall_ns = rs.T0 + n * 5 * 10**9
        events: tuple[Event, ...] = ()
        if n in (66, 80):
            data: dict[str, float | int | str | bool | None] = {"who": "engineer", "why": "found history"}
            for lane in counter:
                set_to = new if n == 66 else 50.0
                data |= {f"old_{lane}h": counter[lane], f"new_{lane}h": set_to}
                counter[lane] = set_to
            events = (Event(wall_ns, "life", "T1.HV_A", "loss of life corrected", data),)
        values = {f"T1.HV_A.loss_of_life_{lane}h": Value(x, GOOD) for lane, x in counter.items()}
        values |= {"T1.hot_spot_c": Value(90.0, GOOD), "T1.HV_A.hot_spot_c": Value(90.0, GOOD)}
        r.put(Inputs(wall_ns, {}), Outcome(Decision(n, wall_ns, {}), values, events), wall_ns)
        counter = {lane: x + 1 / 12 for lane, x in counter.items()}
    assert r.stop(60.0)
    with Record(tmp_path / "record.sqlite") as record:
        found = gather(record)
    (winding,) = _t1(found).windings
    assert winding.life is not None
    for gained in (winding.life.low_h, winding.life.best_h, winding.life.high_h):
        assert gained == pytest.approx(119 / 12, abs=1e-3)
    assert winding.life.total_h == pytest.approx(50.0 + 39 / 12, abs=1e-3)
    assert (winding.life.restarts, winding.life.corrected) == (0, 2)
    assert "corrected by hand 2 ×" in render(found, 0)


def test_which_settings_were_in_force(tmp_path: Path) -> None:
    """After a reload the report names the settings of the end of its period, not simply the newest."""
    settings, text, digest = rs.station(tmp_path)
    other, other_text, other_digest = rs.station(
        tmp_path, lambda tree: tree["transformers"][0].update(name="Other")
    )
    r = rs.recorder(settings, text, digest, 1.0, "boot-1")
    for n in range(40):
        wall_ns = rs.T0 + n * rs.MINUTE
        events: tuple[Event, ...] = ()
        if n in (20, 30):
            new = (other, other_text, other_digest) if n == 20 else (settings, text, digest)
            r.use_settings(*new)
            events = (Event(wall_ns, "reload", "station", f"new settings {new[2][:12]} in force"),)
        values = {"T1.hot_spot_c": Value(90.0, GOOD)}
        r.put(Inputs(wall_ns, {}), Outcome(Decision(n, wall_ns, {}), values, events), wall_ns)
    assert r.stop(60.0)
    with Record(tmp_path / "record.sqlite") as record:
        during = gather(record, rs.T0, rs.T0 + 25 * rs.MINUTE)
        after = gather(record)
    assert (during.settings_hash, during.settings_sure, during.reloads) == (other_digest, True, 1)
    assert (after.settings_hash, after.settings_sure, after.reloads) == (digest, True, 2)


def _history(values: list[tuple[float, float]]) -> Any:
    low, high = (np.array(column, float) for column in zip(*values, strict=True))
    n = len(values)

    def history(point: str, start_ns: int, end_ns: int, resolution_s: float | None) -> Series:
        time = np.arange(n, dtype=np.int64) * rs.MINUTE
        here = (time >= start_ns) & (time < end_ns)
        quality = np.zeros(int(here.sum()), np.uint16)
        length = np.full(int(here.sum()), 60.0)
        line = np.ones(int(here.sum()), np.int64)
        return Series(time[here], ((low + high) / 2)[here], low[here], high[here], quality, length, line)

    return cast(Record, SimpleNamespace(history=history))


def test_a_counter_that_began_afresh_loses_nothing() -> None:
    record = _history([(4.0, 5.0), (5.0, 6.0), (6.5, 7.0), (1.0, 1.5), (2.0, 2.5)])
    whole = rise(record, "x", 0, 5 * rs.MINUTE, None)
    assert whole is not None
    assert (whole.gained, whole.end, whole.restarts) == (7.0 - 4.0 + 2.5 - 1.0, 2.5, 1)
    later = rise(record, "x", rs.MINUTE, 3 * rs.MINUTE, None)
    assert later is not None
    assert (later.gained, later.restarts) == (7.0 - 5.0, 0)  # from its last value before
    assert rise(record, "x", 10 * rs.MINUTE, 11 * rs.MINUTE, None) is None


@given(
    st.lists(st.floats(-40, 180) | st.none(), min_size=1, max_size=400),
    st.integers(1, 60),
    st.sets(st.integers(0, 399)),
)
def test_bins_keep_every_extreme_and_every_gap(
    values: list[float | None], most: int, removed: set[int]
) -> None:
    """Of any history: no value lies outside its bin's range, and a bin without a value shows none."""
    kept = [n for n in range(len(values)) if n not in removed]
    number = np.array([values[n] if values[n] is not None else np.nan for n in kept], float)
    time = np.array(kept, np.int64) * rs.MINUTE
    quality = np.array(
        [0 if values[n] is not None else invalid(Detail.FAILURE).bits for n in kept], np.uint16
    )
    t = Track(time, np.full(len(kept), 60.0), number, number - 0.5, number + 0.5, quality)
    b = binned(t, 0, len(values) * rs.MINUTE, most)
    assert len(b.mean) <= max(most, 1)
    place = np.searchsorted(b.edges_ns, time, side="right") - 1
    for n, where in enumerate(place.tolist()):
        if not np.isnan(number[n]):
            assert b.low[where] <= number[n] - 0.5
            assert b.high[where] >= number[n] + 0.5
    filled = set(place[~np.isnan(number)].tolist())
    assert set(np.flatnonzero(~np.isnan(b.mean)).tolist()) == filled
    if filled:
        assert np.nanmax(b.high) == np.nanmax(number) + 0.5
        assert np.nanmin(b.low) == np.nanmin(number) - 0.5


@pytest.mark.parametrize(
    ("oil", "moisture", "wet"),  # A [1/h] and E_A [J/mol] of IEC 60076-7:2018, from memory
    [("sealed", 1.5, (1.5e11, 128e3)), ("free_breathing", 0.5, (4.6e5, 89e3))],
)
def test_what_dry_paper_would_have_given(
    tmp_path: Path, oil: str, moisture: float, wet: tuple[float, float]
) -> None:
    """By the sum over every recorded minute of the hot spot; air changes the slope, so no constant does."""
    told = rs.write(
        tmp_path,
        0.5,
        gap=None,
        oil_lost=None,
        change=lambda tree: tree["transformers"][0].update(
            paper="kraft_2018", oil_preservation=oil, moisture_percent=moisture
        ),
    )
    with Record(told.path) as record:
        found = _t1(gather(record))
    for w in found.windings:
        assert w.life is not None
        assert w.life.dry_h is not None
        kelvin = [_number(s, f"T1.{w.id}.hot_spot_c") + 273.0 for s in told.steps]
        dry = sum(4.1e10 * math.exp(-128e3 / 8.314 / k) for k in kelvin)
        aged = sum(wet[0] * math.exp(-wet[1] / 8.314 / k) for k in kelvin)
        assert w.life.dry_h == pytest.approx(w.life.best_h * dry / aged, rel=0.01)
        assert w.life.dry_h < w.life.best_h / 2
    with Record(told.path) as record:
        page = render(gather(record), 0)
    assert "Dry, air-free paper would have given" in page
    assert f"with {moisture:g} % water, {'free of air' if oil == 'sealed' else 'with air in the oil'}" in page


def test_a_record_from_before_a_stricter_rule_is_read_as_it_was(three_days: rs.Told, tmp_path: Path) -> None:
    """180 000 h with kraft paper was shipped once: refused now for running, but its years are still told."""
    copy = tmp_path / "copy.sqlite"
    shutil.copy(three_days.path, copy)
    conn = sqlite3.connect(copy)
    with conn:
        ((packed,),) = conn.execute("SELECT text FROM settings").fetchall()
        text = zlib.decompress(packed).replace(b"normal_life_h: 102700", b"normal_life_h: 180000")
        conn.execute("UPDATE settings SET text = ?", (zlib.compress(text),))
    conn.close()
    with Record(copy) as record:
        found = _t1(gather(record))
    assert found.settings is not None
    assert found.windings[0].life is not None
    assert found.windings[0].life.percent is not None
    assert found.windings[0].life.percent[1] == pytest.approx(found.windings[0].life.best_h / 1800)
