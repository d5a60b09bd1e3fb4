"""The physics checked from outside: a CSV trace through `windingd replay`, its result beside scipy.

The reference draws the same straight lines through the cells that are there, and takes the cooling mode from
the result (it is a decision, not physics).
"""

from __future__ import annotations

import bisect
import csv
import datetime as dt
from pathlib import Path

import numpy as np
import pytest
import thermal_reference as ref

from collector.commands.main import main

DEMO = Path(__file__).parents[2] / "config" / "demo.yaml"
#: Figures of config/demo.yaml by mode number; exponents and time constants of ONAN and ONAF (IEC 60076-7).
UNITS = {
    1: ref.Unit(50.0, 1.3 * 8.0, 2.88, 0.8, 1.3, 0.5, 2.0, 2.0, 210.0, 10.0, 126.0),
    2: ref.Unit(48.0, 1.3 * 11.5, 5.12, 0.8, 1.3, 0.5, 2.0, 2.0, 150.0, 7.0, 168.0),
    3: ref.Unit(47.0, 1.3 * 15.0, 8.0, 0.8, 1.3, 0.5, 2.0, 2.0, 150.0, 7.0, 210.0),
}
COLUMNS = ["time", "T1.top_oil_c", "T1.ambient_c", *(f"T1.HV_{p}.current_a" for p in "ABC")]


@pytest.mark.parametrize(
    ("spacing_s", "missing"), [(0.2, 0.0), (2.0, 0.0), (60.0, 0.0), (60.0, 0.2), (300.0, 0.1), (900.0, 0.0)]
)
def test_replay_beside_scipy(tmp_path: Path, spacing_s: float, missing: float) -> None:
    rng = np.random.default_rng(6)
    n, t = 60, [0.0]
    while len(t) < n:
        t.append(round(t[-1] + spacing_s * (1 + float(rng.uniform(-0.2, 0.2))), 3))
    drift = min(1.0, spacing_s / 60.0)  # as fast as a plausible sensor may move
    oil = np.round(60 + np.cumsum(rng.uniform(-1, 1, n)) * drift, 4)
    ambient = np.round(20 + np.cumsum(rng.uniform(-0.5, 0.5, n)) * drift, 4)
    current = np.round(np.clip(120 + 40 * np.cumsum(rng.uniform(-1, 1, n)) / 3, 20, 200), 4)
    hole = [0 < i < n - 1 and float(rng.random()) < missing for i in range(n)]
    epoch = dt.datetime(2026, 7, 14)
    trace, result = tmp_path / "trace.csv", tmp_path / "result.csv"
    with trace.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for i in range(n):
            time = (epoch + dt.timedelta(seconds=t[i])).isoformat(timespec="milliseconds") + "Z"
            writer.writerow([time, oil[i], ambient[i], *([""] * 3 if hole[i] else [current[i]] * 3)])
    assert main(["replay", str(DEMO), "--from", str(trace), "--to", str(result)]) == 0
    with result.open(newline="") as file:
        rows = list(csv.DictReader(file))
    modes = [int(float(row["T1.mode"])) for row in rows]

    def unit(s: float) -> ref.Unit:
        return UNITS[modes[max(0, bisect.bisect_right(t, s + 1e-9) - 1)]]

    there = [i for i in range(n) if not hole[i]]
    line = [t[i] for i in there], [float(current[i]) for i in there]
    y0 = ref.steady(unit(0.0), float(current[0]) / unit(0.0).rated, float(ambient[0]))
    y0[2] = float(oil[0])
    found = ref.solve(unit, line, (t, [float(a) for a in ambient]), y0, 0.0, t[1:], t)
    compared = 0
    for i, y in enumerate(found, start=1):
        if "substituted" in rows[i]["T1.HV_A.hot_spot_c.quality"]:
            continue
        compared += 1
        assert float(rows[i]["T1.HV_A.hot_spot_c"]) == pytest.approx(oil[i] + y[0] - y[1], abs=0.01)
        assert float(rows[i]["T1.expected_oil_c"]) == pytest.approx(y[2], abs=0.01)
    print(f"{compared} of {n - 1} rows compared, {sum(hole)} without currents, modes {sorted(set(modes))}")
    assert compared > n // 4
    assert (sum(hole) > 0) == (missing > 0)
