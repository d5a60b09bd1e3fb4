"""Replay beside scipy's solve_ivp at equal accuracy, in one run: figures are printed, no speed is asserted.

Both solve one transformer with three windings on one-minute rows, every row a decision about three stages in
closed loop (so that no solver may run ahead of it). `python tests/replay/test_replay_speed.py` prints a
longer run.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from itertools import pairwise
from math import sin
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1] / "engine"))

from station_script import settings

from collector.replay import lanes
from collector.replay.trace import Row
from collector.thermal import track
from collector.thermal.model import compile_model

COLUMNS = ["T1.top_oil_c", "T1.ambient_c", *(f"T1.HV_{p}.current_a" for p in "ABC")]
MINUTES_PER_YEAR = 525_600
# The scripted station's ONAN and ONAF modes; IEC 60076-7 figures of medium and large units (from memory)
K21, K22, Y, TAU_W = 2.0, 2.0, 1.3, (10.0, 7.0)
TAU_O, GRADIENT, RATED = (210.0, 150.0), (1.3 * 10.0, 1.3 * 15.0), (200.0, 300.0)


def rows(count: int) -> list[Row]:
    made = []
    for i in range(count):
        load = 0.75 + 0.35 * sin(i / 230)
        ambient = 20 + 8 * sin(i / 229 - 1)
        oil = ambient + 45 * load**1.5
        values = [oil, ambient, 300 * load, 295 * load, 290 * load]
        made.append(Row(i, "", i * 60 * 10**9, dict(zip(COLUMNS, values, strict=True))))
    return made


def replayed(trace: list[Row], copies: int) -> tuple[float, np.ndarray, np.ndarray]:
    """(microseconds per transformer and row, hot spots of the first copy, its modes)."""
    scenario = [lanes.Lane(str(i), settings(), "h") for i in range(copies)]
    hot, modes = [], []
    begin = time.perf_counter()
    for done in lanes.run(scenario, COLUMNS, trace, values=False):
        assert done.state.estimate is not None
        hot.append(done.state.estimate.hot_spot_c[:3])
        modes.append(done.state.transformers[0].mode)
    each = (time.perf_counter() - begin) / len(trace) / copies * 1e6
    return each, np.array(hot), np.array(modes)


def model_alone(trace: list[Row], copies: int) -> float:
    """Microseconds per transformer and row of the thermal model without stages and alarms."""
    model = compile_model(settings()).tiled(copies)
    state = track.initial(model, -1)
    samples = []
    for row in trace:
        oil, ambient, *amps = (float(v or 0.0) for v in row.values.values())
        t, w = np.full(copies, row.wall_ns), np.full(3 * copies, row.wall_ns)
        samples.append(
            track.Sample(
                row.wall_ns,
                np.full(copies, oil),
                t,
                np.full(copies, ambient),
                t,
                np.tile(amps, copies),
                w,
                np.zeros(copies, np.int64),
            )
        )
    state, _ = track.advance(model, state, samples[0])
    begin = time.perf_counter()
    for sample in samples[1:]:
        state, _ = track.advance(model, state, sample)
    return (time.perf_counter() - begin) / (len(samples) - 1) / copies * 1e6


def by_solve_ivp(trace: list[Row], modes: np.ndarray, rtol: float) -> tuple[float, np.ndarray]:
    """(microseconds per row, hot spots): gradients of three windings, row after row, in the modes given."""
    table = np.array([list(row.values.values()) for row in trace], dtype=float)

    def rhs(t: float, y: np.ndarray, a: np.ndarray, slope: np.ndarray, m: int) -> np.ndarray:
        rise = GRADIENT[m] * ((a + slope * t) / RATED[m]) ** Y
        return np.concatenate(
            ((K21 * rise - y[:3]) / (K22 * TAU_W[m] * 60), ((K21 - 1) * rise - y[3:]) / (TAU_O[m] / K22 * 60))
        )

    rise = GRADIENT[0] * (table[0, 2:] / RATED[0]) ** Y
    y = np.concatenate((K21 * rise, (K21 - 1) * rise))
    hot = [table[0, 0] + y[:3] - y[3:]]
    begin = time.perf_counter()
    for (a, b), m in zip(pairwise(table), modes, strict=False):
        current, slope = a[2:], (b[2:] - a[2:]) / 60.0
        y = solve_ivp(rhs, (0.0, 60.0), y, args=(current, slope, m), rtol=rtol, atol=rtol * 10).y[:, -1]
        hot.append(b[0] + y[:3] - y[3:])
    return (time.perf_counter() - begin) / (len(trace) - 1) * 1e6, np.array(hot)


def compare(count: int, copies: int) -> Iterator[str]:
    trace = rows(count)
    one, hot, modes = replayed(trace, 1)
    many, _, _ = replayed(trace, copies)
    reference = by_solve_ivp(trace, modes, 1e-9)[1]
    ours = float(np.abs(hot - reference).max())
    assert ours < 0.01, ours
    # the loosest tolerance that is as near to the reference as 0.01 K, which is what both promise
    for rtol in (1e-2, 1e-3, 1e-4, 1e-5):
        theirs, found = by_solve_ivp(trace, modes, rtol)
        error = float(np.abs(found - reference).max())
        if error < 0.01:
            break
    assert error < 0.01
    changes = int(np.count_nonzero(np.diff(modes)))
    yield f"{count} rows of one minute, 3 windings, 3 stages in closed loop, {changes} changes of mode"
    yield f"solve_ivp (rtol {rtol:g}, hot spot within {error:.1e} K): {theirs:.0f} us a row, windings alone"
    for what, each in (("one scenario", one), (f"{copies} scenarios in one step", many)):
        year = each * MINUTES_PER_YEAR / 1e6
        yield (
            f"whole step, {what} (within {ours:.1e} K): {each:.0f} us a row and transformer, with oil, "
            f"ageing, uncertainty, stages, alarms; a transformer-year {year:.0f} s; "
            f"{theirs / each:.1f} times faster"
        )
    for size in (1, 300):
        each = model_alone(trace[:200], size)
        yield (
            f"model alone, {size} in one step: {each:.2f} us a row and transformer, with oil, ageing and "
            f"uncertainty; {theirs / each:.0f} times faster"
        )


def test_beside_solve_ivp_at_equal_accuracy() -> None:
    print()
    for line in compare(300, 32):
        print(line)


if __name__ == "__main__":
    for text in compare(3000, 32):
        print(text)
