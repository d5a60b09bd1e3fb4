"""The stated uncertainty against Monte Carlo (JCGM 101): every error drawn, through the equations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_thermal_exact import S, sample
from thermal_station import mode, station, transformer, winding

from collector.thermal.model import compile_model
from collector.thermal.track import advance, initial

DRAWS = 200_000
OIL_K, AMBIENT_K, CT = 1.0, 1.0, 0.02  # half-widths, as in the settings below
H, G, RISE, R, X, Y = 1.4, 14.5, 38.3, 6.0, 0.8, 1.3


def model_of(h: float | None = H):  # type: ignore[no-untyped-def]
    w = winding(h=h)
    w["current"]["accuracy_percent"] = CT * 100
    t = transformer(modes=(mode(r=R),), windings=(w,))
    t["top_oil"]["accuracy_k"], t["ambient"]["accuracy_k"] = OIL_K, AMBIENT_K
    return compile_model(station(t, gap_s=7200.0))


def draws(seed: int) -> dict[str, np.ndarray]:
    """Rectangular distributions with the half-widths of the settings and of params.py."""
    rng = np.random.default_rng(seed)
    return {
        name: rng.uniform(-a, a, DRAWS)
        for name, a in {"oil": OIL_K, "ambient": AMBIENT_K, "ct": CT, "h": 0.1, "g": 1.5, "rise": 2.0}.items()
    }


@pytest.mark.parametrize("load", [0.4, 0.8, 1.0, 1.4])
def test_hot_spot_on_measured_oil(load: float) -> None:
    model = model_of()
    _, e = advance(model, initial(model, 0), sample(1.0, 60.0, 20.0, load * 100))
    d = draws(1)
    hot = 60.0 + d["oil"] + (H + d["h"]) * (G + d["g"]) * (load * (1 + d["ct"])) ** Y
    assert e.uncertainty_k[0] == pytest.approx(2 * hot.std(), rel=0.02)
    inside = np.abs(hot - e.hot_spot_c[0]) <= e.uncertainty_k[0]
    print(f"K {load}: U {e.uncertainty_k[0]:.2f} K, covers {inside.mean():.3f}")
    assert inside.mean() > 0.94


@pytest.mark.parametrize("load", [0.4, 0.8, 1.0, 1.4])
def test_hot_spot_on_estimated_oil(load: float) -> None:
    """The CT's error heats winding and oil together: adding squares would say too little."""
    model = model_of()
    state, row = initial(model, 0), sample(1.0, 0.0, 20.0, load * 100)
    lost = {"oil_c": np.array([np.nan]), "oil_substituted": np.array([True])}
    state, _ = advance(model, state, replace(row, **lost))
    _, e = advance(model, state, replace(sample(2.0, 0.0, 20.0, load * 100), **lost))
    d = draws(2)
    k = load * (1 + d["ct"])
    hot = (
        20.0 + d["ambient"] + (RISE + d["rise"]) * ((1 + R * k**2) / (1 + R)) ** X
        + (H + d["h"]) * (G + d["g"]) * k**Y
    )  # fmt: skip
    assert e.hot_spot_c[0] == pytest.approx(hot.mean(), abs=0.1)
    assert e.uncertainty_k[0] == pytest.approx(2 * hot.std(), rel=0.02)
    assert (np.abs(hot - e.hot_spot_c[0]) <= e.uncertainty_k[0]).mean() > 0.94


def test_loss_of_life_low_and_high() -> None:
    """Errors that stay all day: 95 % of the drawn losses of life lie between low and high."""
    model = model_of()
    state = initial(model, 0)
    oils, gradients = [], []
    for i in range(1, 289):
        t = i * 300.0
        load = 0.9 + 0.4 * np.sin(2 * np.pi * i / 288)
        oil = 65.0 + 15 * np.sin(2 * np.pi * (i - 20) / 288)
        state, e = advance(model, state, sample(t, oil, 20.0, load * 100))
        oils.append(float(e.oil_c[0]))
        gradients.append(float(e.gradient_k[0]))
    d = {name: values[:20_000] for name, values in draws(3).items()}
    factor = (1 + d["h"] / H) * (1 + d["g"] / G) * (1 + d["ct"]) ** Y
    hot = np.array(oils)[:, None] + d["oil"] + np.array(gradients)[:, None] * factor
    rate = 2 ** ((hot - 98) / 6)
    life = ((rate[1:] + rate[:-1]) / 2).sum(axis=0) * 300.0 / 3600.0
    low, best, high = e.loss_of_life_h[:, 0]
    inside = ((life >= low) & (life <= high)).mean()
    print(f"loss of life {low:.2f} / {best:.2f} / {high:.2f} h, covers {inside:.3f}")
    assert np.median(life) == pytest.approx(best, rel=0.02)
    assert 0.94 < inside < 0.99
    assert np.percentile(life, 2.5) > low
    assert np.percentile(life, 97.5) < high


def test_a_default_hot_spot_factor_is_less_certain_than_a_given_one() -> None:
    given, default = model_of(1.3), model_of(None)
    row = sample(1.0, 60.0, 20.0, 100.0)
    _, a = advance(given, initial(given, 0), row)
    _, b = advance(default, initial(default, 0), row)
    assert a.hot_spot_c.tobytes() == b.hot_spot_c.tobytes()
    assert a.uncertainty_k[0] < b.uncertainty_k[0]
    assert a.t_ns == S
