"""IEEE C57.91 clause 7 in the terms of the station's arrays: how it fits the compartments of kernel.py.

Pure arithmetic. Exponents come from params.py; no settings here.

[1] IEEE Std C57.91-2011, clause 7.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def signed_power(base: Floats, exponent: Floats) -> Floats:
    """sign(b) |b|^e: keeps the oil's cooling law odd when the oil is colder than the air."""
    return np.asarray(np.copysign(np.abs(base) ** exponent, base))


def ultimate_top_oil_rise(load_pu: ArrayLike, rated_rise_k: ArrayLike, r: ArrayLike, n: ArrayLike) -> Floats:
    """Top-oil rise over ambient in steady state [K].

    load_pu: K, 0 to 2. rated_rise_k: [K], 20 to 65. r: load loss / no-load loss, 2 to 20. n: 0.8 to 1.

        d_TO,U = d_TO,R ((K^2 R + 1) / (R + 1))^n  [1]
    """
    k, ratio = np.asarray(load_pu, dtype=np.float64), np.asarray(r, dtype=np.float64)
    return np.asarray(np.asarray(rated_rise_k) * ((k * k * ratio + 1) / (ratio + 1)) ** np.asarray(n))


def ultimate_hot_spot_gradient(load_pu: ArrayLike, rated_gradient_k: ArrayLike, m: ArrayLike) -> Floats:
    """Hot spot over top oil in steady state [K]: d_H,U = d_H,R K^(2m),  [1]."""
    load = np.asarray(load_pu, dtype=np.float64)
    return np.asarray(np.asarray(rated_gradient_k) * load ** (2 * np.asarray(m)))


def cooling_excess(rise_k: Floats, rated_rise_k: Floats, inverse_n: Floats) -> Floats:
    """D - D^(1/n), with D = rise / rated rise: what the nonlinear law adds to a linear one [-].

        tau dD/dt = p - D^(1/n)   is solved as   tau dD/dt = (p + D - D^(1/n)) - D

    where p = (K^2 R + 1)/(R + 1). Equivalent to C dd/dt = P(K) - k d^(1/n) of [1] with tau = C d_R / P_R.
    """
    relative = rise_k / rated_rise_k
    return np.asarray(relative - signed_power(relative, inverse_n))
