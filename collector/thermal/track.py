"""Hot spot, oil and ageing followed through time: samples in, a new state and an estimate out.

Pure: no clock, no I/O, no "now" but the sample's. State arrays are read-only; every step returns new ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collector.thermal.model import Model

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """What one step knows. W windings and T transformers in the order of the :class:`Model`.

    t_ns: time of this step [ns], later than the state's.
    oil_c, oil_ns: measured top oil [degC] and the time of each sample [ns], shape (T,).
    ambient_c, ambient_ns: ambient air [degC] and its sample time [ns], shape (T,).
    current_a, current_ns: winding current, primary [A, rms], and its sample time [ns], shape (W,).
        Of a winding with a derived current: see :func:`derived_currents`.
        NaN = no good sample now. A value whose time is not later than that input's last one is no new
        sample and is ignored, so the latest reading may simply be handed in again at each step.
    mode: cooling mode in force *from t_ns on*: index into ``Model.mode_ids[t]``, shape (T,).
    energised: shape (T,), None = all. From t_ns on.
    oil_substituted: shape (T,), None = nowhere: the oil sensor is lost, the estimate stands in from t_ns on.
    current_substituted: shape (W,), None = nowhere: current_a is not measured but put in by the
        lost-input rule [A]; its current_ns is not looked at.
    rated_scale: factor on the rated current by tap position, shape (W,), None = 1. From t_ns on.
    loss_scale: factor on the load loss by tap position, shape (T,), None = 1. From t_ns on.
    """

    t_ns: int
    oil_c: Floats
    oil_ns: Ints
    ambient_c: Floats
    ambient_ns: Ints
    current_a: Floats
    current_ns: Ints
    mode: Ints
    energised: Bools | None = None
    oil_substituted: Bools | None = None
    current_substituted: Bools | None = None
    rated_scale: Floats | None = None
    loss_scale: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """What is known at ``t_ns``. Temperatures are NaN for a transformer that has not started.

    hot_spot_c: [degC] (W,). gradient_k: hot spot minus top oil [K] (W,). load_pu: K in the mode in
    force (W,). uncertainty_k: expanded uncertainty of the hot spot, k = 2 [K] (W,).
    oil_c: top oil used, measured or (while substituted) estimated [degC] (T,).
    expected_oil_c: what load, ambient and mode explain [degC] (T,).
    effectiveness_k: oil_c as last measured minus expected [K] (T,); while the sensor is lost, the
    difference that is carried on.
    ageing_rate: relative ageing rate now (W,).
    loss_of_life_h: [h] shape (3, W): at hot spot minus U, best, plus U. Never decreases.
    equivalent_day, equivalent_month, equivalent_total: equivalent ageing factor of the last 24 h
    (beginning at a full hour), the last 30 days (beginning at a full day), since the start (W,).
    hottest: index of the hottest winding of each transformer (T,).
    started: all inputs have been seen, the estimate is running (T,).
    start_questionable: less than 3 tau_o/k22 since a start without a state (T,).
    gap: some input is lost or came back less than one step ago; no line was drawn across (T,).
    bridged: a restart gap is being, or was just, drawn across by a line (T,).
    refused: some value was outside physical sense or not finite and was not used (T,).
    lag_s: how far the part of the integral that no later sample can change is behind t_ns [s].
    """

    t_ns: int
    hot_spot_c: Floats
    gradient_k: Floats
    load_pu: Floats
    uncertainty_k: Floats
    oil_c: Floats
    expected_oil_c: Floats
    effectiveness_k: Floats
    ageing_rate: Floats
    loss_of_life_h: Floats
    equivalent_day: Floats
    equivalent_month: Floats
    equivalent_total: Floats
    hottest: Ints
    started: Bools
    start_questionable: Bools
    gap: Bools
    bridged: Bools
    refused: Bools
    lag_s: float


@dataclass(frozen=True, slots=True, eq=False)
class ThermalState:
    """Everything the model remembers. Opaque to other rooms but for the fields named here.

    t_ns: time of the last step [ns]. unmonitored_s: time without model, not in loss of life [s] (T,).
    unmonitored_life_h: conservative figure for that time [h] (W,), see :func:`resume`.
    unknown_gaps: number of restarts after an unknown time (T,).
    """

    t_ns: int
    unmonitored_s: Floats
    unmonitored_life_h: Floats
    unknown_gaps: Ints


def initial(model: Model, t_ns: int) -> ThermalState:
    """A state that has seen nothing; loss of life begins at the settings' ``loss_of_life_start_h``."""
    raise NotImplementedError


def advance(model: Model, state: ThermalState, sample: Sample) -> tuple[ThermalState, Estimate]:
    """Carry the state to ``sample.t_ns``.

    ValueError when time does not go forward or an array has the wrong shape; then nothing has changed.
    """
    raise NotImplementedError


def to_dict(state: ThermalState) -> dict[str, Any]:
    """JSON-able; :func:`from_dict` gives the same bits back."""
    raise NotImplementedError


def from_dict(model: Model, data: dict[str, Any]) -> ThermalState:
    """Inverse of :func:`to_dict`. ValueError if it does not fit the model (then use :func:`migrate`)."""
    raise NotImplementedError


def resume(model: Model, state: ThermalState, t_ns: int, gap_s: float | None, bridge: bool) -> ThermalState:
    """A restored state made ready to go on at ``t_ns`` of the present boot, ``gap_s`` after it was saved.

    gap_s: None = unknown (other boot, wall clock not plausible). bridge: the gap is short enough
    (``bridge_s``) and on the same boot: it is integrated with inputs on a line. Otherwise the higher of
    the restored and the steady state is taken at the first sample and the gap is counted apart.
    """
    raise NotImplementedError


def migrate(old: Model, new: Model, state: ThermalState) -> ThermalState:
    """The state under new settings: transformers and windings keep theirs by id, new ones start."""
    raise NotImplementedError


def derived_currents(model: Model, current_a: Floats, current_ns: Ints) -> tuple[Floats, Ints]:
    """Fill in the windings that have a derived current: |sum of factor x current|.

    NaN where a source is NaN. The sample time is the oldest source's. Quality: the worst of the sources,
    ``Model.derived[w]`` gives their indices and factors.
    """
    raise NotImplementedError


def tap_factors(model: Model, position: Floats) -> tuple[Floats, Floats]:
    """(rated_scale (W,), loss_scale (T,)) for tap positions (T,); NaN = unknown or no tap changer: 1."""
    raise NotImplementedError
