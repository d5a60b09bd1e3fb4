"""The settings of a station, compiled into arrays over all its transformers and windings.

Data and look-up only; no equations (kernel.py), no state (track.py), no I/O.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from collector.settings.model import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """Parameters of W windings and T transformers; M = largest number of cooling modes (padded).

    transformers: ids ("T1"). windings: ids ("T1.HV_A"), those of one transformer side by side.
    transformer_index, winding_index: id -> index. owner: transformer of each winding (W,).
    first: first winding of each transformer (T,). mode_ids: per transformer, weakest cooling first.
    rated_current_a: (M, W). rated_gradient_k: H g_r (M, W). top_oil_rise_k, loss_ratio, x, k11 tau_o [s],
    tau_o [s]: (M, T). y, k21, tau_1 = k22 tau_w [s], tau_2 = tau_o/k22 [s]: (M, W).
    oil_weight: w in K_oil^2 (W,). ieee: True for IEEE C57.91 (T,).
    derived: winding -> ((source winding, factor), ...).
    """

    transformers: tuple[str, ...]
    windings: tuple[str, ...]
    transformer_index: Mapping[str, int]
    winding_index: Mapping[str, int]
    mode_ids: tuple[tuple[str, ...], ...]
    owner: Ints
    first: Ints
    rated_current_a: Floats
    rated_gradient_k: Floats
    derived: Mapping[int, tuple[tuple[int, float], ...]]


def compile_model(settings: Settings) -> Model:
    """Arrays of a checked settings tree. ValueError names the key that is missing or has no sense."""
    raise NotImplementedError
