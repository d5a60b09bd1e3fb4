"""The physics of the simulated transformer: a pure, seeded model in fixed steps of plant time.

Richer than, and with other figures than, what a controller is told, so that agreement is earned.
No clock, no sockets, no sensor faults here. Figures are of our own invention for a 40 MVA, 110 kV
unit with three fan stages; each node keeps an energy balance, so heat in equals heat out.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from typing import Literal

#: Plant time step [s]; the shortest thermal time constant (duct oil) is some 50 s.
STEP_S = 0.5
PHASES = ("HV_A", "HV_B", "HV_C")
STAGES = (1, 2, 3)
Selector = Literal["auto", "manual", "off"]


@dataclass(frozen=True, slots=True)
class Phase:
    """One phase's departures from the mean: current, resistance, gradient [ratios] and hot-spot factor."""

    current: float
    resistance: float
    gradient: float
    hot_spot_factor: float


@dataclass(frozen=True, slots=True)
class Parameters:
    """Losses [kW], conductances [kW/K^n], heat capacities [kJ/K], flows as heat capacity flow [kW/K]."""

    rated_current_a: float = 209.9  # 40 MVA at 110 kV
    load_loss_kw: float = 160.0  # three phases, at 75 degC
    eddy_share: float = 0.12  # of the load loss at 75 degC; falls with temperature as resistance rises
    no_load_loss_kw: float = 21.0
    phases: tuple[Phase, Phase, Phase] = (
        Phase(1.000, 1.00, 1.00, 1.28),
        Phase(1.012, 1.01, 1.06, 1.33),
        Phase(0.988, 0.99, 0.96, 1.24),
    )
    gradient_k: float = 15.5  # winding over the oil in its ducts, at rated current and 60 degC oil
    gradient_exponent: float = 1.25  # heat ~ difference^1.25, i.e. difference ~ heat^0.8
    winding_heat_kj_k: float = 1500.0
    duct_heat_kj_k: float = 115.0
    top_heat_kj_k: float = 7000.0
    bottom_heat_kj_k: float = 3800.0
    radiator_heat_kj_k: float = 2300.0
    flow_kw_k: float = 7.0  # all ducts together, at 20 K over the ducts and 50 degC oil
    flow_delay_s: float = 240.0  # the oil takes time to get moving: the overshoot of the hot spot
    flow_viscosity_per_k: float = 0.008
    pump_flow_kw_k: float = 0.0  # a unit with pumps running: added to the thermosiphon
    air_kw_kn: float = 0.72  # radiators without fans
    air_exponent: float = 1.25
    fan_air_kw_kn: float = 3.2  # radiators under full fans
    fan_air_exponent: float = 1.11
    fan_shares: tuple[float, float, float] = (0.42, 0.33, 0.25)  # of the radiators under each stage
    contactor_delay_s: float = 0.3
    on_delay_s: tuple[float, float, float] = (0.0, 1.5, 3.0)  # timers in the contactor circuit
    run_up_s: float = 3.0
    run_down_s: float = 8.0
    fan_current_a: float = 8.0  # per stage
    inrush_ratio: float = 5.5
    inrush_s: float = 0.8
    load_fluctuation: float = 0.006  # standard deviation, ratio
    load_fluctuation_s: float = 120.0
    ambient_mean_c: float = 24.0
    ambient_swing_k: float = 8.0
    ambient_hottest_h: float = 15.0


@dataclass(slots=True)
class Programme:
    """A value over plant time: straight lines between points, the ends held."""

    points: tuple[tuple[float, float], ...]

    def at(self, time_s: float) -> float:
        if time_s <= self.points[0][0]:
            return self.points[0][1]
        for (t0, v0), (t1, v1) in zip(self.points, self.points[1:], strict=False):
            if time_s < t1:
                return v0 + (v1 - v0) * (time_s - t0) / (t1 - t0)
        return self.points[-1][1]

    @staticmethod
    def ramp(time_s: float, start: float, end: float, over_s: float) -> Programme:
        return Programme(((time_s, end),) if over_s <= 0 else ((time_s, start), (time_s + over_s, end)))


@dataclass(slots=True)
class StageCabinet:
    """One cooling stage's group in the cabinet, as found and as faulted."""

    selector: Selector = "auto"
    breaker_closed: bool = True
    contactor_works: bool = True
    motor_works: bool = True
    wanted_s: float = 0.0  # since the contactor coil has been fed
    closed_s: float | None = None  # since the contactor closed; None = open
    speed: float = 0.0  # of the fans, 0 to 1
    current_a: float = 0.0

    @property
    def running(self) -> bool:
        """Proof of running: contactor closed and fan current flowing."""
        return self.closed_s is not None and self.current_a > 0.3


@dataclass(slots=True)
class Plant:
    """State of the transformer and its cooling cabinet; advance with :meth:`step`.

    held_off: per stage, the relay contact that keeps the contactor open (coil energised).
    load, ambient: programmes over plant time [per unit], [degC]; ambient None = day and night.
    Same seed and same commands at the same steps give the same bits.
    """

    parameters: Parameters = field(default_factory=Parameters)
    seed: int = 1
    start_hour: float = 12.0
    load: Programme = field(default_factory=lambda: Programme(((0.0, 0.6),)))
    ambient: Programme | None = None
    energised: bool = True
    supply_healthy: bool = True
    supply_changeover: bool = False  # fed from the standby supply, which is as good
    radiator_condition: float = 1.0  # 1 = clean, 0.5 = half of the heat transfer lost
    held_off: list[bool] = field(default_factory=lambda: [False, False, False])
    stages: list[StageCabinet] = field(default_factory=lambda: [StageCabinet() for _ in STAGES])
    steps: int = 0
    top_c: float = 20.0
    bottom_c: float = 20.0
    radiator_c: float = 20.0
    duct_c: list[float] = field(default_factory=lambda: [20.0] * 3)
    winding_c: list[float] = field(default_factory=lambda: [20.0] * 3)
    flow_kw_k: list[float] = field(default_factory=lambda: [1.0] * 3)
    fluctuation: float = 0.0
    loss_kw: float = 0.0
    air_kw: float = 0.0
    _random: random.Random = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)

    @property
    def time_s(self) -> float:
        return self.steps * STEP_S

    def ambient_c(self) -> float:
        if self.ambient is not None:
            return self.ambient.at(self.time_s)
        p = self.parameters
        hour = self.start_hour + self.time_s / 3600.0
        return p.ambient_mean_c + p.ambient_swing_k * math.cos(
            2.0 * math.pi * (hour - p.ambient_hottest_h) / 24.0
        )

    def load_pu(self) -> float:
        """Mean load of the phases, fluctuation included [per unit]; 0 when de-energised."""
        return max(0.0, self.load.at(self.time_s) * (1.0 + self.fluctuation)) if self.energised else 0.0

    def current_a(self, phase: int) -> float:
        return self.load_pu() * self.parameters.phases[phase].current * self.parameters.rated_current_a

    def hot_spot_c(self, phase: int) -> float:
        """Hottest spot [degC]: duct outlet oil plus hot-spot factor times the winding's gradient."""
        mean_duct = 0.5 * (self.duct_c[phase] + self.bottom_c)
        gradient = self.winding_c[phase] - mean_duct
        return self.duct_c[phase] + self.parameters.phases[phase].hot_spot_factor * gradient

    def step(self) -> None:
        """Advance by STEP_S."""
        self._cabinet()
        p = self.parameters
        decay = STEP_S / p.load_fluctuation_s
        kick = p.load_fluctuation * math.sqrt(2.0 * decay) * self._random.gauss(0.0, 1.0)
        self.fluctuation += kick - decay * self.fluctuation
        self._heat(STEP_S)
        self.steps += 1

    def settle(self, running: int = 0) -> None:
        """Bring the temperatures to steady state for the present load and ambient.

        running: how many stages count as running meanwhile; none is left running by this.
        """
        ambient = self.ambient_c()
        self.top_c = self.bottom_c = self.radiator_c = ambient
        self.duct_c, self.winding_c = [ambient] * 3, [ambient] * 3
        for number, stage in zip(STAGES, self.stages, strict=True):
            stage.speed = 1.0 if number <= running else 0.0
        before = -1e9
        while abs(self.top_c - before) > 1e-3:
            before = self.top_c
            for _ in range(180):  # an hour in steps of 20 s
                self._heat(20.0)
        for stage in self.stages:
            stage.speed = 0.0

    def truth(self) -> dict[str, float]:
        """Every true value by name: temperatures [degC], currents [A], losses [kW], flags as 0 or 1."""
        values = {
            "time_s": self.time_s,
            "top_oil_c": self.top_c,
            "bottom_oil_c": self.bottom_c,
            "radiator_c": self.radiator_c,
            "ambient_c": self.ambient_c(),
            "load_pu": self.load_pu(),
            "loss_kw": self.loss_kw,
            "air_kw": self.air_kw,
            "fan_supply_a": sum(stage.current_a for stage in self.stages),
            "energised": float(self.energised),
            "supply_healthy": float(self.supply_healthy),
            "supply_changeover": float(self.supply_changeover),
        }
        for index, phase in enumerate(PHASES):
            values[f"{phase}.current_a"] = self.current_a(index)
            values[f"{phase}.winding_c"] = self.winding_c[index]
            values[f"{phase}.hot_spot_c"] = self.hot_spot_c(index)
        for number, stage in zip(STAGES, self.stages, strict=True):
            values[f"stage{number}.running"] = float(stage.running)
            values[f"stage{number}.fan_current_a"] = stage.current_a
            values[f"stage{number}.selector_auto"] = float(stage.selector == "auto")
            values[f"stage{number}.breaker_closed"] = float(stage.breaker_closed)
        return values

    def _cabinet(self) -> None:
        p = self.parameters
        for index, stage in enumerate(self.stages):
            called = stage.selector == "manual" or (stage.selector == "auto" and not self.held_off[index])
            fed = called and self.supply_healthy and stage.breaker_closed and stage.contactor_works
            stage.wanted_s = stage.wanted_s + STEP_S if fed else 0.0
            if not fed:
                stage.closed_s = None
            elif stage.wanted_s >= p.on_delay_s[index] + p.contactor_delay_s:
                stage.closed_s = 0.0 if stage.closed_s is None else stage.closed_s + STEP_S
            driven = stage.closed_s is not None and stage.motor_works
            goal, delay = (1.0, p.run_up_s) if driven else (0.0, p.run_down_s)
            stage.speed += (goal - stage.speed) * (1.0 - math.exp(-STEP_S / delay))
            inrush = (p.inrush_ratio - 1.0) * math.exp(-(stage.closed_s or 0.0) / p.inrush_s)
            stage.current_a = p.fan_current_a * (1.0 + inrush) if driven else 0.0

    def _heat(self, step_s: float) -> None:
        p = self.parameters
        load = self.load_pu()
        no_load = p.no_load_loss_kw if self.energised else 0.0
        mean_oil = 0.5 * (self.top_c + self.bottom_c)
        # Thinner oil takes the heat off the winding and flows better.
        thin = math.exp(p.flow_viscosity_per_k * max(-60.0, min(60.0, mean_oil - 50.0)))
        loss = no_load
        flow_total = 0.0
        into_top = 0.0
        per_phase = p.load_loss_kw / 3.0
        for i, phase in enumerate(p.phases):
            winding, duct, flow = self.winding_c[i], self.duct_c[i], self.flow_kw_k[i]
            copper = (235.0 + winding) / 310.0  # resistance against 75 degC
            relative = (load * phase.current) ** 2 * phase.resistance
            heat = per_phase * relative * ((1.0 - p.eddy_share) * copper + p.eddy_share / copper)
            difference = (winding - 0.5 * (duct + self.bottom_c)) / (p.gradient_k * phase.gradient)
            given = per_phase * math.copysign(abs(difference) ** p.gradient_exponent, difference) * thin**0.25
            carried = flow * (duct - self.bottom_c)
            head = max(0.05, (duct - self.bottom_c) / 20.0)
            wanted = (p.flow_kw_k * math.sqrt(head) * thin + p.pump_flow_kw_k) / 3.0
            self.winding_c[i] = winding + step_s * (heat - given) / p.winding_heat_kj_k
            self.duct_c[i] = duct + step_s * (given + no_load / 3.0 - carried) / p.duct_heat_kj_k
            self.flow_kw_k[i] = flow + (wanted - flow) * min(1.0, step_s / p.flow_delay_s)
            into_top += flow * (duct - self.top_c)
            flow_total += flow
            loss += heat
        mean_radiator = 0.5 * (self.top_c + self.radiator_c) - self.ambient_c()
        over = max(0.0, mean_radiator)
        fanned = sum(share * stage.speed for share, stage in zip(p.fan_shares, self.stages, strict=True))
        air = self.radiator_condition * (
            p.air_kw_kn * (1.0 - fanned) * over**p.air_exponent
            + p.fan_air_kw_kn * fanned * over**p.fan_air_exponent
        )
        top, bottom, radiator = self.top_c, self.bottom_c, self.radiator_c
        self.top_c = top + step_s * into_top / p.top_heat_kj_k
        self.radiator_c = radiator + step_s * (flow_total * (top - radiator) - air) / p.radiator_heat_kj_k
        self.bottom_c = bottom + step_s * flow_total * (radiator - bottom) / p.bottom_heat_kj_k
        self.loss_kw, self.air_kw = loss, air


def sensor_noise(seed: int, channel: str, step: int, deviation: float) -> float:
    """Gaussian noise of one sensor at one plant step: a function of its arguments alone."""
    return random.Random(f"{seed}/{channel}/{step}").gauss(0.0, deviation)
