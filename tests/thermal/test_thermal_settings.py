"""The hand calculation of `check` and the engine agree; every example settings file compiles and runs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from thermal_station import mode, station, transformer, winding

from collector.settings import load
from collector.settings.steady import oil_rise_at, steady_state, winding_rise_at
from collector.thermal import kernel
from collector.thermal.defaults import missing_figures
from collector.thermal.model import compile_model, figure_faults
from collector.thermal.params import DESIGNS
from collector.thermal.track import Sample, advance, initial

CONFIG = Path(__file__).parents[2] / "config"
STATIONS = sorted(p for p in CONFIG.glob("*.yaml") if not p.name.startswith("heatrun"))


@pytest.mark.parametrize("guide", ["iec_60076_7", "ieee_c57_91"])
@pytest.mark.parametrize("design", DESIGNS)
def test_check_and_engine_give_the_same_table(guide: str, design: str) -> None:
    for cooling in ("ONAN", "ONAF", "OFAF", "ODAF"):
        modes = (mode(cooling=cooling, r=6.0, design=design),)
        settings = station(transformer(guide=guide, modes=modes, windings=(winding(h=None),)))
        t = settings.transformers[0]
        m, w = t.modes[0], t.windings[0]
        model = compile_model(settings)
        hot, oil = kernel.steady_state(model, np.array([1.0]), np.array([40.0]), np.array([0]))
        by_hand = steady_state(t, m, w, 40.0)
        assert (oil[0], hot[0]) == pytest.approx(by_hand, abs=1e-9)
        hot, oil = kernel.steady_state(model, np.array([1.3]), np.array([0.0]), np.array([0]))
        assert oil[0] == pytest.approx(oil_rise_at(t, m, w.modes["ONAF"], 130.0), abs=1e-9)
        assert hot[0] - oil[0] == pytest.approx(1.3 * winding_rise_at(t, m, w.modes["ONAF"], 130.0), abs=1e-9)


@pytest.mark.parametrize("guide", ["iec_60076_7", "ieee_c57_91"])
@pytest.mark.parametrize("liquid", ["mineral_oil", "natural_ester"])
@pytest.mark.parametrize("design", [None, "medium_large_onaf"])
def test_check_and_engine_miss_the_same_figures(guide: str, liquid: str, design: str | None) -> None:
    t = station(transformer(guide=guide, liquid=liquid, design=design)).transformers[0]
    missing = {path[-1] for path, _ in figure_faults(t)}
    assert missing == set(missing_figures(t, t.modes[0]))


@pytest.mark.parametrize("path", STATIONS, ids=lambda p: p.name)
def test_every_example_compiles_and_runs(path: Path) -> None:
    loaded = load(path)
    assert loaded.settings is not None, [str(fault) for fault in loaded.faults]
    model = compile_model(loaded.settings)
    w, t = len(model.windings), len(model.transformers)
    state = initial(model, 0)
    for i in range(1, 100):
        ns = i * 60_000_000_000
        state, e = advance(
            model,
            state,
            Sample(
                ns, np.full(t, 60.0), np.full(t, ns), np.full(t, 20.0), np.full(t, ns),
                0.8 * model.rated_current_a[-1], np.full(w, ns), model.strongest,
            ),
        )  # fmt: skip
    assert e.started.all()
    assert e.load_pu == pytest.approx(np.full(w, 0.8))
    # the steady gradient at 80 % load, whatever the guide
    mode = model.strongest
    expected = model.rated_gradient_k[mode[model.owner], np.arange(w)] * 0.8 ** model.y[
        mode[model.owner], np.arange(w)
    ]
    assert e.gradient_k == pytest.approx(expected, abs=1e-6)
