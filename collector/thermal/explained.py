"""Between which limits load, ambient and cooling leave the top oil: what a measured oil is held against.

Two courses of the oil, the lowest and the highest that the readings explain, each carried on with the errors
that the settings, the weather and the sensors leave open. A measured oil outside them is a contradiction; how
much of it makes a doubt, and when that is over, is here too. Who is to blame and what is done about it is
not: that is control's. Pure; no clock.

[1] IEC 60076-7:2018, 8.2. [2] IEEE C57.91, clause 7. Steady rise of both: rated x ((1 + R K^2)/(1 + R))^x.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from collector.thermal.kernel import Regime, regime
from collector.thermal.model import Bools, Floats, Ints, Model
from collector.thermal.uncertainty import expected_oil_variance

_S = 1_000_000_000
#: From the middle to either limit: downwards to the cold one, upwards to the hot one.
_OUTWARDS: Floats = np.array([[-1.0], [1.0]])
#: Coverage factor of the limits. With 2 (95 %) every twentieth unit would stand outside in some weather.
COVERAGE = 2.5
#: A time constant may be off by this share [1]: two bodies of oil, a figure from a table.
TAU_SHARE = 0.3
#: ... and this share of a change may come at once: the oil near the windings is quicker than the tank.
#: Engineering judgement, no source; two-body plants of the tests have 15 to 30 % within 12 to 25 min.
AT_ONCE_SHARE = 0.25
#: A group of fans that belongs to no mode may take this share off the rise. Engineering judgement, no source.
EXTRA_GROUP_SHARE = 0.12
#: A doubt begins when the oil has been outside by 1 K for one oil time constant, by 10 K for a tenth of it
#: ...
BEGIN_K = 1.0
#: ... and ends when what was gathered has worn off: at most 1 K a time, from at most this many times as much.
MOST = 1.5
#: A bias is measured oil minus expected, averaged over so much observed time [s], its own past over so
#: much: days pass through weather and load, months through a season.
BIAS_S, PAST_S = 2 * 86_400.0, 60 * 86_400.0
#: Cooling that was not surely what its mode says (one group of two, say) leaves the expected oil wrong: a
#: bias is taken so many of the oil's time constants later.
CLEAR_TAUS = 2.0
#: Before so much observed time [s] a bias, and its past, is not looked at.
BIAS_AFTER_S, PAST_AFTER_S = 3 * 86_400.0, 10 * 86_400.0
#: A bias that has moved by this much from its own past is told [K]; what is told ends at this share of it.
MOVED_K, ENDS_SHARE = 5.0, 0.6
#: Air that is not measured: the oil less its rise was never below it in a whole day. From that night
#: minimum it may fall and rise by so much [K] until the next ones are known: a cold front, a hot afternoon.
#: Engineering judgement, no source.
NIGHT_FALL_K, NIGHT_RISE_K = 12.0, 25.0
#: ... and by so much a day [K] that it is older, for seasons change. A day is so long [s].
NIGHT_AGES_K, NIGHT_S = 0.5, 86_400.0
#: Slope of the oil is taken over so long [s]: below an oil time constant, above the noise of a probe.
SLOPE_S = 900.0
#: Not explained by any load: no load was ever carried for hours above it [pu].
MOST_LOAD_PU = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What one step knows of T transformers and W windings; what is not known is given as its limits.

    oil_c: as measured, whether it counts or not; NaN: nothing [degC] (T,). ambient_low_c, ambient_high_c:
    alike where it is measured [degC] (T,). current_low_a, current_high_a: alike where measured [A] (W,).
    coolest, warmest: index of the cooling mode with all that may be running, and of what is proven (T,).
    extra: groups that may run and belong to no mode (T,). margin_k: on top of the errors [K] (T,).
    expected_c: the model's oil, settled and with an ambient; else NaN [degC] (T,).
    """

    t_ns: int
    oil_c: Floats
    ambient_low_c: Floats
    ambient_high_c: Floats
    current_low_a: Floats
    current_high_a: Floats
    coolest: Ints
    warmest: Ints
    extra: Floats
    margin_k: Floats
    expected_c: Floats
    energised: Bools | None = None
    rated_scale: Floats | None = None
    loss_scale: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """The two courses at t_ns, and what speaks against the measured oil. All (T,).

    low_c, high_c: lowest and highest oil that is explained [degC]; NaN: not begun. course_low_c,
    course_high_c: the same without what may come at once. band_k: their distance from the middle in steady
    state [K]. cold_ks, hot_ks: how far and how long the oil was outside [K s].
    cold, hot: it is in doubt. cold_ns, hot_ns: since when; -1. smooth_c: the oil, smoothed [degC].
    needed_pu: the load that explains the oil, in the warmest mode [pu]; NaN: none does. goal_c: where the
    lowest course goes [degC]. begun_ns: since when it has been followed; -1. bias_k, past_k: measured minus
    expected oil over days, and over months [K]. watched_s: observed time of both [s]. drift: -1 the oil has
    slowly come to read colder than expected, 1 hotter, 0 neither. drift_ns: since when; -1. unclear_ns: when
    the cooling was last not surely what its mode says.

    Only while the air is not measured: lagged_k: the rise of the oil, as slow as the oil [K]; NaN: not begun.
    night_c: lowest oil less that rise since the last full day [degC], watched for night_s [s].
    air_c, air_ns: the same of that full day, and when it ended; NaN, -1: there was none.
    """

    t_ns: int
    low_c: Floats
    high_c: Floats
    course_low_c: Floats
    course_high_c: Floats
    band_k: Floats
    cold_ks: Floats
    hot_ks: Floats
    cold: Bools
    hot: Bools
    cold_ns: Ints
    hot_ns: Ints
    smooth_c: Floats
    needed_pu: Floats
    goal_c: Floats
    begun_ns: Ints
    bias_k: Floats
    past_k: Floats
    watched_s: Floats
    drift: Ints
    drift_ns: Ints
    unclear_ns: Ints
    lagged_k: Floats
    night_c: Floats
    night_s: Floats
    air_c: Floats
    air_ns: Ints


_ARRAYS = tuple(f.name for f in fields(Explained) if f.name != "t_ns")


def initial(model: Model) -> Explained:
    n = len(model.transformers)
    nan, zero, no = np.full(n, np.nan), np.zeros(n), np.zeros(n, np.bool_)
    never, none = np.full(n, -1, np.int64), np.zeros(n, np.int64)
    return _fixed(
        Explained(
            t_ns=-1,
            low_c=nan,
            high_c=nan,
            course_low_c=nan,
            course_high_c=nan,
            band_k=zero,
            cold_ks=zero,
            hot_ks=zero,
            cold=no,
            hot=no,
            cold_ns=never,
            hot_ns=never,
            smooth_c=nan,
            needed_pu=nan,
            goal_c=nan,
            begun_ns=never,
            bias_k=zero,
            past_k=zero,
            watched_s=zero,
            drift=none,
            drift_ns=never,
            unclear_ns=never,
            lagged_k=nan,
            night_c=nan,
            night_s=zero,
            air_c=nan,
            air_ns=never,
        )
    )


def _fixed(x: Explained) -> Explained:
    for name in _ARRAYS:
        getattr(x, name).setflags(write=False)
    return x


@dataclass(frozen=True, slots=True, eq=False)
class Steady:
    """Steady state of one course: rise over ambient and its standard uncertainty [K], time constant [s]."""

    rise_k: Floats
    u_k: Floats
    tau_s: Floats
    loss_pu: Floats


def steady(model: Model, r: Regime, current_a: Floats) -> Steady:
    """Where the oil goes with these currents in this regime, over the ambient (T,)."""
    w = len(model.windings)
    rated = r.gain[2 * w :]
    k = current_a * r.inverse_rated
    load = np.add.reduceat(k * k * model.oil_weight, model.first) * r.loss_slope
    p = load + r.loss_base
    x = model.x[r.mode, np.arange(len(rated))]
    rise = rated * p**x
    safe = np.maximum(p, 1e-3)
    u = np.sqrt(
        expected_oil_variance(
            rise, rated, load / safe, np.log(safe), x, model.u_oil_current, model.u_rise_k, r.loss_slope
        )
        + model.u_ambient_k**2
        + model.u_oil_k**2
    )
    return Steady(rise, u, 1.0 / r.inverse_tau[2 * w :], p)


def advance(model: Model, was: Explained, seen: Seen) -> Explained:
    """Both courses carried to seen.t_ns, and the oil held against them. Rows are the two sides: cold, hot."""
    off, scale, loss = seen.energised, seen.rated_scale, seen.loss_scale
    high = steady(model, regime(model, seen.warmest, off, scale, loss), seen.current_high_a)
    low = high
    if (seen.coolest != seen.warmest).any() or seen.current_low_a is not seen.current_high_a:
        low = steady(model, regime(model, seen.coolest, off, scale, loss), seen.current_low_a)
    fewer = 1.0 - EXTRA_GROUP_SHARE * seen.extra
    air = air_between(was, seen)
    band = COVERAGE * np.array((low.u_k, high.u_k)) + seen.margin_k
    rise = np.array((low.rise_k * fewer, high.rise_k))
    goal = air + rise + _OUTWARDS * band
    dt_s = (seen.t_ns - was.t_ns) / _S if was.t_ns >= 0 else 0.0
    oil, known = seen.oil_c, np.isfinite(seen.oil_c)
    begin = np.isnan(was.course_low_c) & known
    begun = np.where(begin, oil + _OUTWARDS * band, np.array((was.course_low_c, was.course_high_c)))
    # away from the middle as fast as the oil may be, back towards it as slowly
    quick, slow = np.minimum(low.tau_s, high.tau_s), np.maximum(low.tau_s, high.tau_s)
    to_go = _OUTWARDS * (goal - begun)
    tau = np.where(to_go > 0.0, quick * (1 - TAU_SHARE), slow * (1 + TAU_SHARE))
    to_go *= np.exp(-dt_s / tau)
    course = goal - _OUTWARDS * to_go
    limit = course + _OUTWARDS * (AT_ONCE_SHARE * np.maximum(to_go, 0.0))
    enough = BEGIN_K * slow
    # A hole between two steps counts for no more than one time constant. Nothing is gathered and nothing
    # wears off without a reading.
    outside = _OUTWARDS * (oil - limit)
    more = np.where(np.isfinite(outside), np.maximum(outside, -1.0), 0.0) * np.minimum(dt_s, slow)
    gathered = np.array((was.cold_ks, was.hot_ks)) + more
    gathered = np.minimum(np.maximum(gathered, 0.0), MOST * enough)
    stood = np.array((was.cold, was.hot))
    doubt = (gathered >= enough) | (stood & (gathered > 0.0))
    since = np.array((was.cold_ns, was.hot_ns))
    if (doubt != stood).any():
        since = np.where(doubt, np.where(stood, since, seen.t_ns), -1)
    widest = np.maximum(band[0], band[1])
    nights = _nights(was, seen, 0.5 * (rise[0] + rise[1]), slow, dt_s, doubt[0] | doubt[1])
    clear = (seen.coolest == seen.warmest) & (seen.extra == 0.0)
    unclear_ns = np.where(clear & (was.unclear_ns >= 0), was.unclear_ns, seen.t_ns)
    long_clear = seen.t_ns - unclear_ns >= CLEAR_TAUS * _S * slow
    bias, past, watched = _bias(was, seen, long_clear, dt_s)
    drift = _drift(was.drift, bias, past, watched, widest)
    drift_ns = was.drift_ns
    if (drift != was.drift).any():
        drift_ns = np.where(drift != 0, np.where(was.drift == drift, drift_ns, seen.t_ns), -1)
    smooth = np.where(np.isnan(was.smooth_c), oil, was.smooth_c)
    smooth = np.where(known, oil + (smooth - oil) * math.exp(-dt_s / SLOPE_S), smooth)
    return _fixed(
        Explained(
            t_ns=seen.t_ns,
            low_c=limit[0],
            high_c=limit[1],
            course_low_c=course[0],
            course_high_c=course[1],
            band_k=widest,
            cold_ks=gathered[0],
            hot_ks=gathered[1],
            cold=doubt[0],
            hot=doubt[1],
            cold_ns=since[0],
            hot_ns=since[1],
            smooth_c=smooth,
            goal_c=goal[0],
            bias_k=bias,
            past_k=past,
            watched_s=watched,
            drift=drift,
            drift_ns=drift_ns,
            unclear_ns=unclear_ns,
            **nights,
            begun_ns=np.where(begin, seen.t_ns, was.begun_ns) if begin.any() else was.begun_ns,
            needed_pu=_needed(model, seen, air, smooth, high) if doubt[1].any() else oil * np.nan,
        )
    )


def _bias(was: Explained, seen: Seen, clear: Bools, dt_s: float) -> tuple[Floats, Floats, Floats]:
    """Averages of measured minus expected oil, over the time in which the cooling was what the mode says."""
    by = seen.oil_c - seen.expected_c
    passed = np.where(clear & np.isfinite(by), min(dt_s, 3600.0), 0.0)
    by = np.where(passed > 0.0, by, 0.0)
    # a plain mean at first, until there is as much as it is to span
    new = passed / np.maximum(np.minimum(BIAS_S, was.watched_s) + passed, 1.0)
    old = passed / np.maximum(np.minimum(PAST_S, was.watched_s) + passed, 1.0)
    return (
        was.bias_k + new * (by - was.bias_k),
        was.past_k + old * (by - was.past_k),
        was.watched_s + passed,
    )


def _drift(was: Ints, bias: Floats, past: Floats, watched: Floats, band: Floats) -> Ints:
    """Beyond the errors, or far from its own past; it ends well within both."""
    share = np.where(was != 0, ENDS_SHARE, 1.0)
    side = np.where(bias < 0.0, -1, 1)
    off = (np.abs(bias) > share * band) & (watched >= BIAS_AFTER_S)
    moved = (np.abs(bias - past) > share * MOVED_K) & (watched >= PAST_AFTER_S)
    side = np.where(moved & ~off, np.where(bias < past, -1, 1), side)
    return np.where(off | moved, side, 0).astype(np.int64)


def air_between(was: Explained, seen: Seen) -> Floats:
    """Lowest and highest air that there may be [degC] (2, T): what is measured, else what nights tell."""
    air: Floats = np.array((seen.ambient_low_c, seen.ambient_high_c))
    told = (air[0] < air[1]) & np.isfinite(was.air_c)
    if not told.any():
        return air
    older = NIGHT_AGES_K * (seen.t_ns - was.air_ns) / (_S * NIGHT_S)
    narrow = np.array((was.air_c - NIGHT_FALL_K - older, was.air_c + NIGHT_RISE_K + older))
    narrowed: Floats = np.where(told, np.clip(narrow, air[0], air[1]), air)
    return narrowed


def _nights(
    was: Explained, seen: Seen, steady_k: Floats, tau_s: Floats, dt_s: float, doubt: Bools
) -> dict[str, Any]:
    """What the oil says of air that is not measured, mostly at night. A day with a doubt teaches nothing."""
    unmeasured = seen.ambient_low_c < seen.ambient_high_c
    if not unmeasured.any():
        names = ("lagged_k", "night_c", "night_s", "air_c", "air_ns")
        return {name: getattr(was, name) for name in names}
    begun = np.where(np.isnan(was.lagged_k), steady_k, was.lagged_k)
    lagged = steady_k + (begun - steady_k) * np.exp(-dt_s / tau_s)
    clear = (seen.coolest == seen.warmest) & (seen.extra == 0.0)
    clear &= unmeasured & ~doubt & np.isfinite(seen.oil_c)
    rise = lagged + AT_ONCE_SHARE * (steady_k - lagged)
    # One day lowers the bound by no more than a night can be colder, whatever the oil reads.
    lowest = np.fmax(seen.oil_c - rise, was.air_c - NIGHT_FALL_K)
    night = np.where(clear, np.fmin(was.night_c, lowest), was.night_c)
    watched = was.night_s + np.where(clear, min(dt_s, 3600.0), 0.0)
    full = watched >= NIGHT_S
    return {
        "lagged_k": lagged,
        "night_c": np.where(full | doubt, np.nan, night),
        "night_s": np.where(full | doubt, 0.0, watched),
        "air_c": np.where(full, night, was.air_c),
        "air_ns": np.where(full, seen.t_ns, was.air_ns),
    }


def _needed(model: Model, seen: Seen, air: Floats, smooth: Floats, high: Steady) -> Floats:
    """Load that holds the oil where it is and moves it as it moves [pu of the warmest mode] (T,)."""
    w = len(model.windings)
    r = regime(model, seen.warmest, None, seen.rated_scale, seen.loss_scale)
    slope = (seen.oil_c - smooth) / SLOPE_S
    rise = seen.oil_c - 0.5 * (air[0] + air[1]) + high.tau_s * slope
    x = model.x[r.mode, np.arange(len(rise))]
    p = (np.maximum(rise, 0.0) / r.gain[2 * w :]) ** (1.0 / x)
    needed: Floats = np.minimum(np.sqrt(np.maximum(p - r.loss_base, 0.0) / r.loss_slope), MOST_LOAD_PU)
    return needed


def resumed(x: Explained, t_ns: int, bridged: bool) -> Explained:
    """Made ready to go on after a gap: a long one leaves the courses unknown, a doubt stands all the same."""
    if bridged:
        return x
    nan = np.full_like(x.low_c, np.nan)
    never = np.full_like(x.begun_ns, -1)
    return _fixed(
        replace(
            x,
            lagged_k=nan,
            t_ns=t_ns,
            low_c=nan,
            high_c=nan,
            course_low_c=nan,
            course_high_c=nan,
            smooth_c=nan,
            begun_ns=never,
        )
    )


# --- to and from JSON, by transformer ------------------------------------------------------------------


def told(x: Explained, t: int) -> dict[str, Any]:
    """One transformer's share, JSON-able."""
    result: dict[str, Any] = {}
    for name in _ARRAYS:
        item = getattr(x, name)[t].item()
        result[name] = None if item != item else item
    return result


def made(model: Model, t_ns: int, shares: Mapping[int, Mapping[str, Any]], shift: int) -> Explained:
    """Inverse of `told` for the transformers that are known; the others begin. Times move by shift [ns].

    A share without some field (of an older checkpoint) begins there too. ValueError: damaged.
    """
    x = initial(model)
    columns = {name: np.array(getattr(x, name)) for name in _ARRAYS}
    try:
        for t, share in shares.items():
            for name, column in columns.items():
                if name not in share:
                    continue
                value = np.nan if share[name] is None else share[name]
                if name.endswith("_ns") and value >= 0:
                    value = max(0, value + shift)
                column[t] = value
    except (TypeError, ValueError, IndexError) as error:
        raise ValueError(f"what the oil was held against cannot be read: {error!r}") from error
    return _fixed(replace(x, t_ns=t_ns, **columns))
