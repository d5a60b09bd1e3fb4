"""Uncertainty of hot spot and loss of life by the law of propagation (GUM). Pure arithmetic.

Only how errors add up is said here; how large they are comes from the settings and params.py.

[1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1 and 5.2.
[2] IEC 60076-7:2018.

None of the errors averages out over time: a hot-spot factor, a temperature-rise test or a CT that is wrong
is wrong in the same direction every hour. All are therefore taken as fully correlated along time: the
loss of life is integrated at theta - U, theta and theta + U with the U of each moment.
"""

from __future__ import annotations

import numpy as np

from collector.thermal import params
from collector.thermal.model import Floats

_ROOT3 = 3.0**0.5

COVERAGE = 2.0
"""Coverage factor k of the expanded uncertainty: about 95 % [1, 6.2]."""


def measured_oil_variance(gradient_k: Floats, relative_variance: Floats, u_oil_k: Floats) -> Floats:
    """Variance of the hot spot [K^2] while the top oil is measured.

    gradient_k: hot spot minus top oil [K], 0 to 60. relative_variance: u_gradient^2 + (y u_current)^2,
    since the gradient goes with H g_r K^y [2]. u_oil_k: standard uncertainty of the oil sensor [K].

        u^2 = u_oil^2 + gradient^2 (u_gradient^2 + (y u_current)^2)                           [1] eq. 10
    """
    variance = gradient_k * gradient_k
    variance *= relative_variance
    variance += u_oil_k * u_oil_k
    return variance


def estimated_oil_variance(
    gradient_k: Floats,
    gradient_variance: Floats,
    current_sensitivity: Floats,
    oil_rise_k: Floats,
    load_share: Floats,
    oil_sensitivity: Floats,
    own_variance: Floats,
) -> Floats:
    """Variance of the hot spot [K^2] while the top oil is estimated from load and ambient.

    The current that heats the winding also heats the oil: its two contributions add before squaring [1, 5.2].

    gradient_k [K]. gradient_variance: u_gradient^2. current_sensitivity: y u_current.
    oil_rise_k: estimated oil minus ambient [K]. load_share: R K^2 / (1 + R K^2), 0 to 1.
    oil_sensitivity: 2 x u_current of the current that heats the oil. own_variance: of ambient and of the
    temperature-rise test, u_a^2 + (u_rise rise / rated rise)^2 [K^2]. All per winding.

        u^2 = own_variance + gradient^2 u_gradient^2
              + (y gradient + 2 x R K^2/(1 + R K^2) rise)^2 u_current^2
    """
    current = gradient_k * current_sensitivity + oil_sensitivity * load_share * oil_rise_k
    return np.asarray(own_variance + gradient_k * gradient_k * gradient_variance + current * current)


def expected_oil_variance(
    rise_k: Floats,
    rated_rise_k: Floats,
    load_share: Floats,
    log_loss: Floats,
    exponent: Floats,
    u_current: Floats,
    u_rise_k: Floats,
    rated_load_share: Floats,
) -> Floats:
    """Variance of the expected top oil over the ambient in steady state, seen by a probe in its pocket [K^2].

    rise_k [K], 0 to 80. rated_rise_k [K]. load_share: R K^2/(1 + R K^2). log_loss: ln p, p the loss over the
    rated one. exponent: x. u_current: relative. u_rise_k: of the temperature-rise test [K].
    rated_load_share: R/(1 + R).

        u^2 = (u_rise rise/rated)^2 + (rise ln p u_x)^2 + (rise x (share - rated share) u_R)^2
              + (2 x share rise u_I)^2 + u_weather^2 + u_pocket^2                              [1] eq. 10

    u_x, u_R, u_weather, u_pocket: half-widths of params.py, rectangular. What the weather does to a tank
    (sun, wind, rain) and a pocket to its probe grows with nothing that is measured.
    """
    relative = (
        (u_rise_k / rated_rise_k) ** 2
        + (log_loss * (params.OIL_EXPONENT_HALF_WIDTH / _ROOT3)) ** 2
        + (exponent * (load_share - rated_load_share) * (params.LOSS_RATIO_HALF_WIDTH / _ROOT3)) ** 2
        + (2.0 * exponent * load_share * u_current) ** 2
    )
    own = (params.WEATHER_HALF_WIDTH_K**2 + params.POCKET_HALF_WIDTH_K**2) / 3.0
    return np.asarray(rise_k * rise_k * relative + own)
