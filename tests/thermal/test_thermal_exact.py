"""Steps against scipy on the same piecewise-linear inputs: any spacing, ramps, steps, modes, missing cells.

Reference: thermal_reference.py (solve_ivp, DOP853, rtol 1e-10). Agreement wanted: 0.01 K.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import thermal_reference as ref
from hypothesis import given, settings
from hypothesis import strategies as st
from thermal_station import mode, station, transformer, winding

from collector.thermal.kernel import integrate, regime
from collector.thermal.model import Model, compile_model
from collector.thermal.track import Estimate, Sample, ThermalState, advance, initial

S = 1_000_000_000
TOLERANCE_K = 0.01

DESIGNS = {  # IEC 60076-7, table of thermal characteristics (from memory): x y k11 k21 k22 tau_o tau_w
    "distribution_onan": (0.8, 1.6, 1.0, 1.0, 2.0, 180.0, 4.0),
    "medium_large_onan_restricted": (0.8, 1.3, 0.5, 3.0, 2.0, 210.0, 10.0),
    "medium_large_onaf": (0.8, 1.3, 0.5, 2.0, 2.0, 150.0, 7.0),
    "medium_large_of": (1.0, 1.3, 1.0, 1.3, 1.0, 90.0, 7.0),
    "medium_large_od": (1.0, 2.0, 1.0, 1.0, 1.0, 90.0, 7.0),
}


def unit_of(design: str, **more: float) -> ref.Unit:
    names = ("x", "y", "k11", "k21", "k22", "tau_o", "tau_w")
    return ref.Unit(**{**dict(zip(names, DESIGNS[design], strict=True)), **more})  # type: ignore[arg-type]


def one(design: str) -> Model:
    return compile_model(station(transformer(design=design)))


def sample(t: float, oil: float, ambient: float, current: float, mode: int = 0) -> Sample:
    """All inputs at one time [s]."""
    ns = np.array([round(t * S)])
    return Sample(
        round(t * S), np.array([oil]), ns, np.array([ambient]), ns, np.array([current]), ns, np.array([mode])
    )


def run(model: Model, rows: list[tuple[float, float, float, float]]) -> tuple[ThermalState, list[Estimate]]:
    state, estimates = initial(model, round(rows[0][0] * S) - 1), []
    for row in rows:
        state, estimate = advance(model, state, sample(*row))
        estimates.append(estimate)
    return state, estimates


def lines(rows: list[tuple[float, float, float, float]]) -> tuple[ref.Line, ref.Line]:
    t = [r[0] for r in rows]
    return (t, [r[3] for r in rows]), (t, [r[2] for r in rows])


def day(
    spacing_s: float, count: int, seed: int, jitter: float, steps: bool
) -> list[tuple[float, float, float, float]]:
    """Rows (time, oil, ambient, current) with ramps to and from zero, and steps as two rows 1 ms apart."""
    rng = np.random.default_rng(seed)
    t, rows, k = 0.0, [], 0.7
    for _ in range(count):
        rows.append((round(t, 3), float(rng.uniform(30, 90)), float(rng.uniform(-20, 40)), k * 100))
        if steps and rng.random() < 0.2:
            k = float(rng.choice([0.0, 0.4, 1.0, 1.5, 2.1]))
            rows.append((round(t + 0.001, 3), rows[-1][1], rows[-1][2], k * 100))
        k = float(np.clip(rng.choice([k, 0.0, rng.uniform(0, 1.5), 2.1]), 0, 2.1))
        t += spacing_s * (1 + jitter * rng.uniform(-0.9, 0.9))
    return rows


@pytest.mark.parametrize("design", DESIGNS)
@pytest.mark.parametrize("spacing_s", [0.2, 2.0, 60.0, 300.0, 900.0])
@pytest.mark.parametrize("jitter", [0.0, 0.3])
def test_any_spacing(design: str, spacing_s: float, jitter: float) -> None:
    rows = day(spacing_s, 40, seed=int(spacing_s * 10), jitter=jitter, steps=True)
    _, estimates = run(one(design), rows)
    unit = unit_of(design)
    current, ambient = lines(rows)
    y0 = ref.steady(unit, rows[0][3] / 100, rows[0][2])
    y0[2] = rows[0][1]  # the expected oil begins at the measured oil
    found = ref.solve(lambda t: unit, current, ambient, y0, rows[0][0], [r[0] for r in rows[1:]])
    for estimate, y, row in zip(estimates[1:], found, rows[1:], strict=True):
        assert estimate.hot_spot_c[0] == pytest.approx(row[1] + y[0] - y[1], abs=TOLERANCE_K)
        assert estimate.expected_oil_c[0] == pytest.approx(y[2], abs=TOLERANCE_K)
        assert estimate.effectiveness_k[0] == pytest.approx(row[1] - y[2], abs=TOLERANCE_K)


@pytest.mark.parametrize("n", [0.8, 0.9, 1.0])
@pytest.mark.parametrize("spacing_s", [0.2, 60.0, 900.0])
def test_ieee_any_spacing(n: float, spacing_s: float) -> None:
    """C57.91 clause 7: nonlinear oil against scipy, rise from cold and from hot."""
    cooling = {0.8: "ONAN", 0.9: "ONAF", 1.0: "ODAF"}[n]
    modes = (mode(cooling=cooling, r=5.0, tau_o_min=150.0, tau_w_min=7.0),)
    model = compile_model(station(transformer(guide="ieee_c57_91", design=None, modes=modes)))
    m = 1.0 if n == 1.0 else 0.8
    unit = ref.Unit(r=5.0, x=n, y=2 * m, k21=1.0, k22=1.0, k11=1.0, ieee=True)
    rows = day(spacing_s, 40, seed=7, jitter=0.2, steps=True)
    _, estimates = run(model, rows)
    current, ambient = lines(rows)
    y0 = ref.steady(unit, rows[0][3] / 100, rows[0][2])
    y0[2] = rows[0][1] - rows[0][2]
    found = ref.solve(lambda t: unit, current, ambient, y0, rows[0][0], [r[0] for r in rows[1:]])
    for estimate, y, row in zip(estimates[1:], found, rows[1:], strict=True):
        assert estimate.hot_spot_c[0] == pytest.approx(row[1] + y[0], abs=TOLERANCE_K)
        assert estimate.expected_oil_c[0] == pytest.approx(row[2] + y[2], abs=TOLERANCE_K)


@pytest.mark.parametrize("n", [0.8, 0.9])
def test_ieee_through_a_hole_of_two_months(n: float) -> None:
    """A trace may have a hole; whatever its length, the oil settles where it must."""
    modes = (mode(cooling="ONAN" if n == 0.8 else "ONAF", r=5.0, tau_o_min=60.0, tau_w_min=3.0),)
    model = compile_model(station(transformer(guide="ieee_c57_91", design=None, modes=modes)))
    r = regime(model, np.array([0]))
    rows = np.array([[0.0, 20.0, 50.0], [0.0, 20.0, 50.0], [120.0, 10.0, 80.0], [120.0, 10.0, 80.0]])
    lengths = np.array([60 * 86400.0, 600.0, 60 * 86400.0])
    path = integrate(model, r, np.array([100.0, 0.0, 120.0]), np.zeros(1), lengths, rows)
    assert path.z[0, 2] == pytest.approx(38.3 * (1 / 6) ** n, abs=1e-6)
    assert path.z[2, 2] == pytest.approx(38.3 * ((1 + 5 * 1.44) / 6) ** n, abs=1e-6)
    assert path.hot_spot_c[2, 0] == pytest.approx(80.0 + 20.3 * 1.2**1.6, abs=1e-6)


TWO_MODES = transformer(
    modes=(
        mode("ONAN", 1, "ONAN", 50.0, 3.0, design="medium_large_onan"),
        mode("ONAF", 2, "ONAF", 47.0, 8.0, design="medium_large_onaf"),
    ),
    windings=(winding(h=1.3, modes={"ONAN": (9.0, 60.0), "ONAF": (15.0, 100.0)}),),
)
ONAN = ref.Unit(50.0, 11.7, 3.0, 0.8, 1.3, 0.5, 2.0, 2.0, 210.0, 10.0, 60.0)
ONAF = ref.Unit(47.0, 19.5, 8.0, 0.8, 1.3, 0.5, 2.0, 2.0, 150.0, 7.0, 100.0)


def test_unsynchronised_missing_and_mode_changes() -> None:
    """Each input has its own sample times, some cells are missing, the cooling mode changes."""
    premises: Counter[str] = Counter()

    @settings(max_examples=30, deadline=None)
    @given(
        seed=st.integers(0, 10_000),
        cycle_s=st.sampled_from([1.0, 2.0, 20.0, 120.0]),
        missing=st.floats(0.0, 0.6),
        own_times=st.booleans(),
    )
    def check(seed: int, cycle_s: float, missing: float, own_times: bool) -> None:
        rng = np.random.default_rng(seed)
        model = compile_model(station(TWO_MODES, gap_s=7200.0))  # longer than any row of missing cells
        state = initial(model, -1)
        at = {0: ([0.0], [70.0]), 1: ([0.0], [20.0]), 2: ([0.0], [60.0])}  # current, ambient, oil
        state, _ = advance(model, state, sample(0.0, 60.0, 20.0, 70.0, 0))
        changes, now_mode = [(0.0, 0)], 0
        y0 = ref.steady(ONAN, 70.0 / 60.0, 20.0)
        y0[2] = 60.0
        firm = []
        for i in range(1, 40):
            t = round(i * cycle_s, 3)
            values, times = [np.nan] * 3, [0] * 3
            for k, (low, high) in enumerate(((0.0, 160.0), (-10.0, 40.0), (40.0, 90.0))):
                if i < 39 and rng.random() < missing:
                    premises["missing cell"] += 1
                    continue
                own = t - round(float(rng.uniform(0, 0.9)) * cycle_s, 3) if own_times and i < 39 else t
                premises["own sample time"] += own != t
                values[k] = float(rng.uniform(low, high))
                times[k] = round(own * S)
                at[k][0].append(own)
                at[k][1].append(values[k])
            if rng.random() < 0.15:
                now_mode = 1 - now_mode
                premises["mode change"] += 1
                changes.append((t, now_mode))
            state, estimate = advance(
                model,
                state,
                Sample(
                    round(t * S),
                    np.array([values[2]]), np.array([times[2]]),
                    np.array([values[1]]), np.array([times[1]]),
                    np.array([values[0]]), np.array([times[0]]),
                    np.array([now_mode]),
                ),
            )  # fmt: skip
            premises["firm behind live"] += state.firm_ns < state.t_ns
            if state.firm_ns > 0:
                firm.append((state.firm_ns / S, state.z))
            assert not estimate.gap[0]
        assert state.firm_ns == state.t_ns
        assert state.rows == ()

        def units(t: float) -> ref.Unit:
            return (ONAN, ONAF)[[m for s, m in changes if s <= t][-1]]

        stops = sorted({s for s, _ in firm})
        found = dict(
            zip(stops, ref.solve(units, at[0], at[1], y0, 0.0, stops, [s for s, _ in changes]), strict=True)
        )
        for s, z in firm:
            assert z == pytest.approx(found[s], abs=TOLERANCE_K)
        y = found[stops[-1]]
        assert estimate.hot_spot_c[0] == pytest.approx(at[2][1][-1] + y[0] - y[1], abs=TOLERANCE_K)

    check()
    print(dict(premises))
    for premise in ("missing cell", "own sample time", "mode change", "firm behind live"):
        assert premises[premise], f"never happened: {premise}"


def test_many_units_in_one_station_do_not_mix() -> None:
    """IEC and IEEE side by side give what each gives alone (up to where the quadrature is cut)."""
    iec = transformer("T1", 1, design="medium_large_onan", windings=(winding(), winding("HV_B", 2)))
    modes = (mode(cooling="ONAN", r=5.0),)
    ieee = transformer("T2", 2, guide="ieee_c57_91", modes=modes)
    both = compile_model(station(iec, ieee))
    alone = compile_model(station(iec)), compile_model(station(ieee))
    states = [initial(m, -1) for m in (both, *alone)]
    rng = np.random.default_rng(3)
    for i in range(50):
        t = i * 60 * S
        oil, ambient, current = rng.uniform(40, 80, 2), rng.uniform(0, 30, 2), rng.uniform(0, 150, 3)
        found = []
        for j, (m, ts, ws) in enumerate(
            ((both, [0, 1], [0, 1, 2]), (alone[0], [0], [0, 1]), (alone[1], [1], [2]))
        ):
            nt, nw = np.full(len(ts), t), np.full(len(ws), t)
            row = Sample(t, oil[ts], nt, ambient[ts], nt, current[ws], nw, np.zeros(len(ts), dtype=np.int64))
            states[j], e = advance(m, states[j], row)
            found.append(e)
        assert found[0].hot_spot_c == pytest.approx(
            np.concatenate((found[1].hot_spot_c, found[2].hot_spot_c)), abs=1e-4
        )
        assert found[0].expected_oil_c == pytest.approx(
            np.concatenate((found[1].expected_oil_c, found[2].expected_oil_c)), abs=1e-4
        )
