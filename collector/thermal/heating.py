"""How fast a hot spot rises after a step of load: what a delay of the cooling costs in kelvin.

For tables and checks. Nothing here is part of the estimate that control goes by.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from collector.settings.model import Settings
from collector.thermal import kernel
from collector.thermal.model import compile_model
from collector.thermal.params import HIGHEST_AMBIENT_C, IEC_LIMITS, IEEE_LIMITS

#: The kind of loading whose limit of current is taken for the highest load.
HIGHEST = "short-time emergency"


def highest_load_pu(settings: Settings, transformer: int) -> float:
    """The guide's limit for short-time emergency loading [pu of the rated current with full cooling]."""
    t = settings.transformers[transformer]
    limits = IEEE_LIMITS if t.guide == "ieee_c57_91" else IEC_LIMITS[t.size]
    return limits[HIGHEST].load_pu


def hot_spot_rises_k(settings: Settings, transformer: int, after_s: Sequence[float]) -> tuple[float, ...]:
    """Rise of the hottest winding [K] at these times after a step to the highest load, no cooling added.

    From the steady state at the rated current of the weakest cooling mode, which stays in force.
    after_s: increasing, > 0 [s].
    """
    model = compile_model(settings)
    t, w = len(model.transformers), len(model.windings)
    regime = kernel.regime(model, np.zeros(t, dtype=np.int64))
    of_t = model.owner == transformer
    inputs = np.zeros((len(after_s) + 2, w + 2 * t))
    inputs[:, :w] = 1.0 / regime.inverse_rated
    inputs[:, w : w + t] = HIGHEST_AMBIENT_C
    strongest = int(model.strongest[transformer])
    inputs[1:, :w][:, of_t] = (
        highest_load_pu(settings, transformer) * model.rated_current_a[strongest, of_t]
    )
    z = kernel.steady(model, regime, inputs[0])
    # A step is two points at one time: the first interval has no length.
    dt_s = np.diff(np.array([0.0, 0.0, *after_s]))
    everywhere = np.ones(t, dtype=np.bool_)
    path = kernel.integrate(model, regime, z, np.zeros(t), dt_s, inputs, everywhere, ageing=False)
    hot = path.hot_spot_c[:, of_t].max(axis=1)
    return tuple(float(x) for x in hot[1:] - hot[0])
