"""Which readings count: staleness, plausibility, and the way back of an input that was lost.

A reading that does not count is *lost*, with a cause and a reason in words. What is done about a lost
input (every stage runs, a value is substituted) is not decided here. No clock, no I/O.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import exp, inf, isfinite
from typing import NamedTuple

from collector.quality import Detail, Quality, Reading, Validity, invalid, questionable

NS = 1_000_000_000
#: A temperature may differ from the last one by this beside its rate [K]: noise and resolution.
JUMP_MARGIN_K = 5.0
#: A disagreement between inputs must last this long [s]: they are not sampled at the same instant.
DISAGREE_S = 10.0
#: Air may move by this much in an hour [K/h]: a front, a clear morning. Engineering judgement, no source.
AIR_K_PER_H = 10.0
#: Ambient above oil must last this long [s] (two hours: the sun on a sensor passes).
AMBIENT_ABOVE_OIL_S = 7200.0
#: ... while a winding carries at least this load [pu].
AMBIENT_CHECK_PU = 0.3

#: A noisy reading is smoothed over so long [s], and stands still while that moves by less than this [K].
SMOOTH_S, FROZEN_NOISE_K = 600.0, 1.0


class Cause(Enum):
    """Why an input is lost. LINK alone is the device's fault: one alarm stands for all behind it."""

    NONE = ""
    LINK = "link"
    SENSOR = "sensor"
    RANGE = "range"
    JUMP = "jump"
    FROZEN = "frozen"
    DISAGREE = "disagree"
    PHASE = "phase"


DETAIL: dict[Cause, Detail] = {
    Cause.NONE: Detail.NONE,
    Cause.LINK: Detail.OLD_DATA,
    Cause.SENSOR: Detail.FAILURE,
    Cause.RANGE: Detail.OUT_OF_RANGE,
    Cause.JUMP: Detail.OSCILLATORY,
    Cause.FROZEN: Detail.FAILURE,
    Cause.DISAGREE: Detail.INCONSISTENT,
    Cause.PHASE: Detail.INCONSISTENT,
}
#: Of a value that is still used although others contradict it.
DOUBTFUL = questionable(Detail.INCONSISTENT)
#: Quality of a lost input's value, by cause.
LOST_QUALITY: dict[Cause, Quality] = {cause: invalid(detail) for cause, detail in DETAIL.items()}


@dataclass(frozen=True, slots=True)
class InputRules:
    """What one input is judged by. stale, back: ns. rate_k_per_min: None = anything may jump.

    low, high: beyond them the thermal model takes no value, so that it must not count here either.
    """

    stale: int
    back: int
    rate_k_per_min: float | None = None
    low: float = -inf
    high: float = inf


class InputState(NamedTuple):
    """One input's memory: a tuple, for every sample makes a new one.

    lost, cause, reason: whether it counts. value, value_ns: last plausible sample and its time [ns].
    seen_ns: time of the last sample looked at. bad_run: failed samples in a row. good_ns: since when
    it is good again; -1. lost_ns: since when it is lost. quality: of the last plausible sample.
    back_ns: when it last came back from being lost; -1: it never was. anchor_c, anchor_expected_c: an oil's
    last good value when it was lost, and the model's oil then [degC]; None: none.
    """

    lost: bool = True
    cause: Cause = Cause.LINK
    reason: str = "not read yet"
    value: float | None = None
    value_ns: int = -1
    seen_ns: int = -1
    bad_run: int = 0
    good_ns: int = -1
    lost_ns: int = -1
    quality: Quality = LOST_QUALITY[Cause.LINK]
    back_ns: int = -1
    anchor_c: float | None = None
    anchor_expected_c: float | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a reading does not count. soft: forgiven while the last good one is not stale."""

    cause: Cause
    reason: str
    soft: bool = False


#: These details condemn a reading at once; FAILURE and oldData may be a passing fault of the link.
_HARD = {Detail.OUT_OF_RANGE: Cause.RANGE, Detail.OVERFLOW: Cause.RANGE}
NOT_READ = Fault(Cause.LINK, "not read", True)


def examine(
    rules: InputRules, state: InputState, reading: Reading | None, now: int, device_down: str
) -> Fault | None:
    """What is wrong with a reading taken by itself; None: nothing.

    device_down: why its device does not answer, or "". Never raises, whatever the reading holds.
    """
    if reading is None:
        return NOT_READ
    quality = reading.quality
    if quality.validity is Validity.INVALID:
        for detail, cause in _HARD.items():
            if detail in quality.detail:
                return Fault(cause, reading.reason or "out of range")
        if Detail.BAD_REFERENCE in quality.detail:
            return Fault(Cause.SENSOR, reading.reason or "the device refuses this register")
        if Detail.OLD_DATA in quality.detail or device_down:
            return Fault(Cause.LINK, reading.reason or device_down or "no fresh value", True)
        # A device that answers: a sentinel, or busy just now. The second in a row is no accident.
        again = reading.mono_ns != state.seen_ns and state.bad_run > 0
        return Fault(Cause.SENSOR, reading.reason or "sensor failure", not (again or state.bad_run > 1))
    value = reading.value
    if value is None or not isfinite(value):
        return Fault(Cause.SENSOR, "not a number")
    if not rules.low <= value <= rules.high:
        return Fault(Cause.RANGE, f"{value:g} is no possible value ({rules.low:g} to {rules.high:g})")
    if now - reading.mono_ns > rules.stale:
        return Fault(Cause.LINK, device_down or f"not read for {(now - reading.mono_ns) / NS:.0f} s")
    if (
        rules.rate_k_per_min is not None
        and state.value is not None
        and reading.mono_ns > state.value_ns
        and abs(value - state.value)
        > JUMP_MARGIN_K + rules.rate_k_per_min * (reading.mono_ns - state.value_ns) / (60.0 * NS)
    ):
        seconds = (reading.mono_ns - state.value_ns) / NS
        return Fault(Cause.JUMP, f"jumped from {state.value:.1f} to {value:.1f} in {seconds:.0f} s")
    return None


def stays_unread(state: InputState) -> bool:
    """Nothing arrives and nothing changes by that: what `settle` would find, at less cost."""
    return state.lost and state.cause is Cause.LINK and state.lost_ns >= 0 and state.good_ns < 0


def settle(
    rules: InputRules, state: InputState, reading: Reading | None, fault: Fault | None, now: int
) -> InputState:
    """The input one cycle on. A lost one counts again after it has been good for `rules.back`."""
    if fault is None:
        assert reading is not None
        if not state.lost:
            if reading.mono_ns == state.seen_ns and reading.value == state.value:
                return state
            return InputState(
                False,
                Cause.NONE,
                "",
                reading.value,
                reading.mono_ns,
                reading.mono_ns,
                0,
                -1,
                -1,
                reading.quality,
                state.back_ns,
            )
        good_ns = state.good_ns if state.good_ns >= 0 else now
        # What has never been read is not coming back: its first good sample counts.
        counts = state.value is None or now - good_ns >= rules.back
        return InputState(
            not counts,
            Cause.NONE if counts else state.cause,
            "" if counts else state.reason,
            reading.value,
            reading.mono_ns,
            reading.mono_ns,
            0,
            -1 if counts else good_ns,
            -1 if counts else state.lost_ns,
            reading.quality if counts else state.quality,
            now if counts and state.value is not None else state.back_ns,
            None if counts else state.anchor_c,
            None if counts else state.anchor_expected_c,
        )
    fresh = reading is not None and reading.mono_ns != state.seen_ns
    seen_ns = reading.mono_ns if reading is not None else state.seen_ns
    bad_run = (
        state.bad_run + 1 if fresh and reading is not None and reading.quality.is_invalid else state.bad_run
    )
    if fault.soft and not state.lost and now - state.value_ns <= rules.stale:
        if not fresh:
            return state
        return state._replace(seen_ns=seen_ns, bad_run=bad_run)
    lost_ns = state.lost_ns if state.lost and state.lost_ns >= 0 else now
    if state.lost and state.cause is fault.cause and not fresh and state.good_ns < 0 and state.lost_ns >= 0:
        return state
    reason = (
        state.reason if state.lost and state.cause is fault.cause and state.lost_ns >= 0 else fault.reason
    )
    return state._replace(
        lost=True,
        cause=fault.cause,
        reason=reason,
        seen_ns=seen_ns,
        bad_run=bad_run,
        good_ns=-1,
        lost_ns=lost_ns,
        quality=LOST_QUALITY[fault.cause],
    )


@dataclass(frozen=True, slots=True)
class FrozenWatch:
    """Since when a reading stands still, and how far the model expected it to move meanwhile."""

    value: float | None = None
    since_ns: int = -1
    low: float = 0.0
    high: float = 0.0


def watch_frozen(
    watch: FrozenWatch, value: float, expected: float | None, count: float, now: int
) -> FrozenWatch:
    """The watch one sample on. expected: the model's oil, None while it knows none (starts afresh)."""
    if expected is None:
        return watch if watch.value is None else FrozenWatch()
    if watch.value is None or abs(value - watch.value) >= count:
        return FrozenWatch(value, now, expected, expected)
    if watch.low <= expected <= watch.high:
        return watch
    return replace(watch, low=min(watch.low, expected), high=max(watch.high, expected))


def frozen(watch: FrozenWatch, expected_k: float, after_ns: int, now: int) -> Fault | None:
    """An idle unit is rightly constant for hours: frozen only if the model expects movement."""
    moved = watch.high - watch.low
    if watch.value is None or now - watch.since_ns < after_ns or moved <= expected_k:
        return None
    minutes = (now - watch.since_ns) / (60 * NS)
    return Fault(
        Cause.FROZEN, f"stands at {watch.value:.1f} for {minutes:.0f} min while the model moves {moved:.1f} K"
    )


@dataclass(frozen=True, slots=True)
class SlopeWatch:
    """How far a reading and the model have moved since since_ns: noise defeats sameness, not slope.

    smooth: the reading over SMOOTH_S, at at_ns. low, high: of it. model_low, model_high: of the model's oil.
    """

    smooth: float | None = None
    at_ns: int = -1
    since_ns: int = -1
    low: float = 0.0
    high: float = 0.0
    model_low: float = 0.0
    model_high: float = 0.0


def watch_slope(watch: SlopeWatch, value: float, expected: float | None, now: int) -> SlopeWatch:
    """The watch one sample on; begins anew once the reading has moved with the model."""
    if expected is None:
        return watch if watch.smooth is None else SlopeWatch()
    if watch.smooth is None:
        return SlopeWatch(value, now, now, value, value, expected, expected)
    smooth = value + (watch.smooth - value) * exp(-(now - watch.at_ns) / (SMOOTH_S * NS))
    low, high = min(watch.low, smooth), max(watch.high, smooth)
    if high - low > FROZEN_NOISE_K:
        return SlopeWatch(smooth, now, now, smooth, smooth, expected, expected)
    model_low, model_high = min(watch.model_low, expected), max(watch.model_high, expected)
    return SlopeWatch(smooth, now, watch.since_ns, low, high, model_low, model_high)


def stands_still(watch: SlopeWatch, expected_k: float, after_ns: int, now: int) -> bool:
    """The model moved far and the reading, but for noise, did not. Alone that may as well be the model's
    fault (a current that lies), so nothing is lost by it: it says which reading to look at first."""
    moved = watch.model_high - watch.model_low
    return watch.smooth is not None and now - watch.since_ns >= after_ns and moved > expected_k


def phase_missing(load: float | None, others: Sequence[float], zero_pu: float, others_pu: float) -> bool:
    """A phase near zero while any other phase of its winding carries load. All at zero is legitimate."""
    return load is not None and load < zero_pu and bool(others) and max(others) >= others_pu


def substitute_load(last: float | None, others: Sequence[float], carry_pu: float) -> float:
    """Load to assume for a winding whose current is lost [pu]: it may add cooling, never take it away.

    last: its last valid load. others: valid loads of its neighbours. carry_pu: from here a neighbour
    carries load. Without a neighbour to ask, rated load is assumed.
    """
    load = max([last or 0.0, *others])
    if not others or max(others) >= carry_pu:
        load = max(load, 1.0)
    return load
