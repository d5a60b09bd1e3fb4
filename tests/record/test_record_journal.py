"""The journal: what went into a step comes back exactly, from plain rows and from sealed blocks."""

from __future__ import annotations

import dataclasses
import math
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_station import S, Walk, recorder, settings

from collector.messages import Command, Decision, Health, Inputs, Outcome, RelayStatus, Value
from collector.quality import GOOD, Detail, Quality, Reading, Validity
from collector.record.journal import Decoder, Encoder, MissingKeyFrame, outcome_digest
from collector.record.reader import Record
from collector.record.upkeep import Limits, Upkeep

WAIT_S = 30.0


def bits(value: Any) -> Any:
    """Everything in an Inputs, floats as their bits: == takes 0.0 for -0.0 and no NaN for itself."""
    if isinstance(value, float):
        return ("float", struct.pack(">d", value))
    if dataclasses.is_dataclass(value):
        return [(f.name, bits(getattr(value, f.name))) for f in dataclasses.fields(value)]
    if hasattr(value, "items"):
        return [(k, bits(v)) for k, v in value.items()]
    if isinstance(value, tuple):
        return [bits(v) for v in value]
    return (type(value).__name__, value)


def test_every_field_is_journalled() -> None:
    """A new field in the messages needs a new place in the frame; this is where one hears of it."""

    def names(kind: type) -> list[str]:
        return [f.name for f in dataclasses.fields(kind)]

    assert names(Reading) == ["value", "quality", "mono_ns", "reason", "source"]
    assert names(RelayStatus) == [
        "energised", "mono_ns", "link_ok", "foreign", "verified", "reason", "disobeys",
    ]  # fmt: skip
    assert names(Decision) == ["sequence", "mono_ns", "energise", "leave_alone"]
    assert names(Inputs) == [
        "mono_ns", "readings", "relays", "devices", "commands", "health", "polled", "settings_hash",
    ]  # fmt: skip


_quality = st.builds(
    Quality,
    st.sampled_from(Validity),
    st.integers(0, 255).map(Detail),
    test=st.booleans(),
    operator_blocked=st.booleans(),
)
_text = st.text(max_size=8)
_time = st.integers(-(10**6), 10**12)
_reading = st.builds(Reading, st.none() | st.floats(allow_nan=False), _quality, _time, _text, _text)
_relay = st.builds(
    RelayStatus,
    st.none() | st.booleans(),
    _time,
    st.booleans(),
    st.booleans(),
    st.booleans(),
    _text,
    st.sampled_from(["", "late", "stuck", "foreign"]),
)
_command = st.builds(
    Command,
    _text,
    st.just("force_on"),
    _text,
    _text,
    _text,
    st.none() | st.floats(0, 99),
    st.none() | st.floats(0, 99),
)
_ids = st.sampled_from(["T1.top_oil_c", "T1.W1.current_a", "T1.stage1", "é"])
_step = st.tuples(
    st.integers(-10, 10**12),  # since the step before
    st.dictionaries(_ids, _reading, max_size=4),
    st.dictionaries(_ids, _relay, max_size=3),
    st.dictionaries(_ids, _text, max_size=3),
    st.lists(_command, max_size=2).map(tuple),
    st.builds(Health, record_reason=_text, clock_stepped_s=st.floats(-5, 5), clock_trusted=st.booleans()),
    st.booleans(),
    _text,
    st.dictionaries(_ids, st.booleans(), max_size=3),
    st.frozensets(_text, max_size=2),
    st.integers(-(10**10), 10**10),  # wall clock error
)


@given(st.lists(_step, min_size=1, max_size=6))
def test_any_steps_come_back_bit_for_bit(steps: list[Any]) -> None:
    encoder, decoder = Encoder(), Decoder()
    now = 10**12
    for n, (
        later,
        readings,
        relays,
        devices,
        commands,
        health,
        polled,
        settings_hash,
        energise,
        leave_alone,
        error,
    ) in enumerate(steps):
        now += later
        inputs = Inputs(now, readings, relays, devices, commands, health, polled, settings_hash)
        decision = Decision(n, now - 3, energise, leave_alone)
        is_key, text = encoder.encode(inputs, decision, "d", now + error)
        frame = decoder.decode(is_key, text)
        assert bits(frame.inputs) == bits(inputs)
        assert bits(frame.decision) == bits(decision)
        assert (frame.wall_ns, frame.digest) == (now + error, "d")


def test_unchanged_readings_are_not_repeated() -> None:
    encoder = Encoder()
    readings = {f"T1.W{n}.current_a": Reading(0.1 * n, GOOD, 7, "", "ct") for n in range(50)}
    first = encoder.encode(Inputs(10, readings), Decision(1, 10, {}), "", 10)[1]
    second = encoder.encode(Inputs(20, dict(readings)), Decision(2, 20, {}), "", 20)[1]
    assert len(first) > 1500
    assert len(second) < 60


def test_numpy_values_and_nan() -> None:
    """numpy scalars come back as Python numbers of the same bits; NaN as NaN."""
    readings = {"a": Reading(np.float64(0.1), GOOD, 1), "b": Reading(math.nan, GOOD, 1)}
    is_key, text = Encoder().encode(Inputs(5, readings), Decision(1, 5, {}), "", 5)
    back = Decoder().decode(is_key, text).inputs.readings
    assert back["a"].value == 0.1
    assert math.isnan(back["b"].value or 0.0)


def test_a_delta_without_its_key_frame_is_refused() -> None:
    encoder = Encoder()
    encoder.encode(Inputs(5, {}), Decision(1, 5, {}), "", 5)
    is_key, text = encoder.encode(Inputs(6, {}), Decision(2, 6, {}), "", 6)
    assert not is_key
    with pytest.raises(MissingKeyFrame):
        Decoder().decode(is_key, text)


def test_digest_tells_one_bit_apart() -> None:
    def digest(value: float, quality: Quality = GOOD) -> str:
        return outcome_digest(Outcome(Decision(1, 1, {}), {"x": Value(value, quality)}))

    seen = {digest(v) for v in (65.3, math.nextafter(65.3, 70), 0.0, -0.0, 1.0)}
    seen.add(digest(65.3, Quality(Validity.QUESTIONABLE)))
    assert len(seen) == 6
    assert digest(65.3) == digest(np.float64(65.3))


def test_hours_of_steps_through_the_file(tmp_path: Path) -> None:
    """Two hours of random steps, most of them sealed: all equal; and by period and run."""
    s = settings(tmp_path)
    walk = Walk(s)
    first = recorder(s)
    first.start()
    steps = []
    for part in range(4):  # commits in between, so that sealing meets rows of several transactions
        new = list(walk.steps(900))
        steps += new
        for step in new:
            first.put(*step)
        first.put_snapshot(f"state {part}".encode(), new[-1][0].mono_ns, new[-1][2])
        assert first.flush(WAIT_S)
    assert first.stop(WAIT_S)
    second = recorder(s)  # a restart
    second.start()
    walk.mono_ns = 100 * S
    more = list(walk.steps(10))
    for step in more:
        second.put(*step)
    assert second.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        sealed = record._conn.execute("SELECT sum(steps) FROM journal_blocks").fetchone()[0]
        assert sealed > 1500
        found = list(record.steps())
        assert len(found) == 3610
        for got, (inputs, outcome, wall_ns) in zip(found, steps + more, strict=True):
            assert bits(got.inputs) == bits(inputs)
            assert bits(got.decision) == bits(outcome.decision)
            assert got.digest == outcome_digest(outcome)
            assert got.wall_ns == wall_ns
        assert [w for w, _ in record.journal(run=2)] == [w for _, _, w in more]
        low, high = steps[700][2], steps[2900][2]
        assert [w for w, _ in record.journal(start_ns=low, end_ns=high)] == [w for _, _, w in steps[700:2900]]
        assert [x.data for x in record.snapshots(run=1)] == [b"state 0", b"state 1", b"state 2", b"state 3"]
        assert record.skipped == 0
        assert record.settings_text("hash-1") == "station: {id: TESTFIELD}\n"


def test_journal_limit_by_age_drops_whole_blocks(tmp_path: Path) -> None:
    """Kept: journal_days of *recorded* time, whatever the wall clock says; what is left still decodes."""
    s = settings(tmp_path, journal_days=1.0)
    walk = Walk(s, cycle_ns=60 * S)
    r = recorder(s)
    r.start()
    steps = list(walk.steps(3 * 1440))
    for n, step in enumerate(steps):
        r.put(*step)
        if n % 1000 == 999:
            assert r.flush(WAIT_S)
    assert r.flush(WAIT_S)
    keep = Upkeep(tmp_path / "record.sqlite", Limits(1.0, 400.0, 2000.0), lambda *_: None)
    r._writer.put(lambda conn: keep.limit_age(conn))
    assert r.stop(WAIT_S)
    with Record(tmp_path / "record.sqlite") as record:
        found = list(record.steps())
        kept_days = (found[-1].inputs.mono_ns - found[0].inputs.mono_ns) / (86_400 * S)
        assert 1.0 <= kept_days < 1.2
        assert record.skipped == 0
        for got, (inputs, _, _) in zip(found, steps[-len(found) :], strict=True):
            assert bits(got.inputs) == bits(inputs)
