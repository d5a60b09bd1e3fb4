"""A transformer with oil, wind, sun and noise of its own: the truth that a reading is judged by.

Two bodies of oil, cooling by the motors that really turn, a winding with its own time constant. Nothing of
the
product is imported here, and its figures differ from the settings' by what a temperature-rise report leaves
open (`draw`). [K] rises, [degC] temperatures, [A] currents, [s] times.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

DAY_S = 86_400.0


@dataclass(frozen=True)
class Figures:
    """What the unit really is. rises: top-oil rise by the number of fan groups that really turn, each with
    its rated current and loss ratio; between the tested ones it is drawn. pocket_k: the probe reads so much
    below the oil. h_gradient_k: hot spot over top oil at rated_a of the strongest mode."""

    rise_0_k: float = 50.0  # no fans, at 200 A
    rise_2_k: float = 48.0  # two groups, at 300 A
    third_group: float = 0.92  # what the third leaves of the rise
    one_group: float = 0.55  # share of the way from none to two that one group goes
    x: float = 0.8
    loss_ratio: float = 6.75  # at 300 A
    fast_share: float = 0.25
    fast_s: float = 20 * 60.0
    slow_s: float = 85 * 60.0
    slow_still_s: float = 125 * 60.0  # without fans
    h_gradient_k: float = 19.5  # at 300 A
    y: float = 1.3
    winding_s: float = 7 * 60.0
    pocket_k: float = 0.0
    sun_k: float = 0.0  # on the tank at noon
    sensor_sun_k: float = 0.0  # on the ambient sensor at noon
    wind_k: float = 0.0  # of a slow random walk on the rise
    tapped_share: float = 0.5  # of the load loss that the tapped winding has


@dataclass(frozen=True)
class Weather:
    """Ambient: mean, day and front swings. cloud: sun comes and goes."""

    mean_c: float = 20.0
    day_k: float = 0.0
    front_k: float = 0.0
    season_k: float = 0.0


def draw(rng: random.Random) -> Figures:
    """A unit whose report says 50 and 48 K: what its tolerances and the fitting of a model leave open.

    Rises within 2 K (a rounded figure, one average of several probes), exponent within 0.05, loss ratio
    within 10 %, time constants within 20 %, a pocket that reads up to 1.5 K low, sun and wind of 1 to 1.5 K,
    half of the load loss in the tapped winding within 10 %.
    """
    u = rng.uniform
    slow = u(0.8, 1.2)
    return Figures(
        rise_0_k=50.0 + u(-2, 2),
        rise_2_k=48.0 + u(-2, 2),
        third_group=u(0.9, 1.0),
        one_group=u(0.4, 0.7),
        x=0.8 + u(-0.05, 0.05),
        loss_ratio=6.75 * u(0.9, 1.1),
        fast_share=u(0.15, 0.3),
        fast_s=60.0 * u(12, 25),
        slow_s=60.0 * 85 * slow,
        slow_still_s=60.0 * 125 * slow,
        h_gradient_k=19.5 * u(0.92, 1.08),
        y=1.3 + u(-0.08, 0.08),
        winding_s=60.0 * u(5, 10),
        pocket_k=u(0.0, 1.5),
        sun_k=u(0.0, 1.5),
        sensor_sun_k=u(0.0, 1.5),
        wind_k=u(0.0, 1.0),
        tapped_share=u(0.4, 0.6),
    )


class Plant:
    """The unit in time, begun in steady state. load in pu of 300 A; groups of fans that really turn."""

    def __init__(
        self, figures: Figures, weather: Weather, seed: int = 1, load: float = 0.5, groups: int = 0
    ) -> None:
        self.figures, self.weather = figures, weather
        self.rng = random.Random(seed)
        self.t_s, self.load = 0.0, load
        self.tap_pu = 1.0  # turns of the tapped winding, over those at the principal tapping
        self.wind, self.front = 0.0, 0.0
        self.ambient_c = weather.mean_c
        rise = self.ultimate_k(groups)
        self.fast_k, self.slow_k = figures.fast_share * rise, (1 - figures.fast_share) * rise
        self.winding_k = self.gradient_k()
        self.body_c = self.ambient_c + self.slow_k
        self.sun = 0.0
        self.blocked = 1.0  # factor on the rise: radiators that are closed

    def ultimate_k(self, groups: int) -> float:
        """Steady rise of the top oil with so many groups turning: two tested points, and shares between."""
        f = self.figures
        no_load_share = 1.0 / (1.0 + f.loss_ratio)
        # the same power at 1/u of the current through u times the turns
        load_loss = self.load**2 * (1 - f.tapped_share + f.tapped_share / self.tap_pu)
        p = no_load_share + (1 - no_load_share) * load_loss  # 1 at 300 A and the principal tapping
        p_200 = no_load_share + (1 - no_load_share) * (200 / 300) ** 2
        still = f.rise_0_k * (p / p_200) ** f.x
        two = f.rise_2_k * p**f.x
        if groups == 0:
            return still
        if groups == 1:
            return still + (two - still) * f.one_group
        return two * (f.third_group if groups > 2 else 1.0)

    def gradient_k(self) -> float:
        return self.figures.h_gradient_k * max(self.load, 0.0) ** self.figures.y

    def step(self, dt_s: float, load: float, groups: int) -> None:
        """One step on with this load and so many groups of fans really turning."""
        f, w = self.figures, self.weather
        self.t_s += dt_s
        self.load = load
        hour = 2 * math.pi * self.t_s / DAY_S
        self.front += -self.front * dt_s / (3 * DAY_S) + self.rng.gauss(0, 1) * math.sqrt(
            2 * dt_s / (3 * DAY_S)
        )
        self.wind += -self.wind * dt_s / (4 * 3600) + self.rng.gauss(0, 1) * math.sqrt(2 * dt_s / (4 * 3600))
        season = w.season_k * math.sin(2 * math.pi * self.t_s / (365 * DAY_S))
        self.ambient_c = (
            w.mean_c + season + w.day_k * math.sin(hour) + w.front_k * max(-2.5, min(2.5, self.front))
        )
        self.sun = max(0.0, math.sin(hour - 0.5))
        goal = self.ultimate_k(groups) * self.blocked
        slow_s = f.slow_still_s if groups == 0 else f.slow_s
        self.fast_k += (f.fast_share * goal - self.fast_k) * -math.expm1(-dt_s / f.fast_s)
        # The large body takes in ambient, sun and wind as slowly as load.
        wanted = (1 - f.fast_share) * goal + f.sun_k * self.sun + f.wind_k * max(-2.5, min(2.5, self.wind))
        self.body_c += (self.ambient_c + wanted - self.body_c) * -math.expm1(-dt_s / slow_s)
        self.winding_k += (self.gradient_k() - self.winding_k) * -math.expm1(-dt_s / f.winding_s)

    @property
    def oil_c(self) -> float:
        return self.body_c + self.fast_k

    @property
    def hot_spot_c(self) -> float:
        return self.oil_c + self.winding_k


def nominal(**change: float) -> Figures:
    """The unit that the settings describe, but with two bodies of oil."""
    return replace(Figures(), **change)
