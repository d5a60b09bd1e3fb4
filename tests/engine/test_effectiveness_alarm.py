"""Cooling effectiveness: the alarm comes for cooling that is really worse, and for nothing else.

The plant's oil is solved here, from the equation of IEC 60076-7, 8.2, and imports nothing of the product.
"""

from __future__ import annotations

import math

import pytest
from station_script import Station

#: rise [K], loss ratio, rated current [A], k11 tau_o [min] of the two modes of station_script.
PLANT = {"ONAN": (50.0, 3.0, 200.0, 105.0), "ONAF": (48.0, 6.75, 300.0, 75.0)}
AMBIENT_C, X = 20.0, 0.8
MINUTE = 60.0


def ultimate_k(mode: str, amps: float) -> float:
    rise, r, rated, _ = PLANT[mode]
    return rise * math.pow((1 + r * (amps / rated) ** 2) / (1 + r), X)


class Plant:
    """The station above with an oil that follows its own course. slow: factor on its time constant."""

    def __init__(self, oil_c: float, amps: float, slow: float = 1.0) -> None:
        self.oil_c, self.amps, self.slow = oil_c, amps, slow
        self.station = Station(oil=oil_c, amps=amps, ambient=AMBIENT_C)
        self.worst_k, self.modes = 0.0, set[str]()

    def run(self, minutes: int, cools_as: str = "", worse_k: float = 0.0) -> Plant:
        """cools_as: what the coolers really do; default what they are believed to do."""
        for _ in range(minutes):
            mode = ("ONAN", "ONAF")[int(self.station.value("mode")) - 1] if self.station.outcome else "ONAN"
            self.modes.add(mode)
            mode = cools_as or mode
            goal = AMBIENT_C + ultimate_k(mode, self.amps) + worse_k
            self.oil_c = goal + (self.oil_c - goal) * math.exp(-1.0 / (PLANT[mode][3] * self.slow))
            self.station.set(oil=self.oil_c, amps=self.amps).run(MINUTE, MINUTE)
            self.worst_k = max(self.worst_k, self.station.value("effectiveness_k"))
        return self

    @property
    def alarm(self) -> str:
        return self.station.alarm("effectiveness_low")


def settled(amps: float, mode: str) -> Plant:
    return Plant(AMBIENT_C + ultimate_k(mode, amps), amps)


def test_dead_fans_that_nobody_reported() -> None:
    """Feedback says that both groups run; the oil says that they do not."""
    plant = settled(260.0, "ONAF").run(240)
    assert plant.modes == {"ONAN", "ONAF"}
    assert plant.station.value("mode") == 2
    assert plant.alarm == "normal"
    plant.run(60, cools_as="ONAN")
    assert plant.station.value("effectiveness_k") > 8.0
    assert plant.alarm == "normal"  # not before its delay
    plant.run(240, cools_as="ONAN")
    assert plant.alarm == "unacknowledged"
    plant.run(600)
    assert plant.alarm == "returned-unacknowledged"


def test_blocked_radiators() -> None:
    plant = settled(150.0, "ONAN").run(60, cools_as="ONAN").run(600, cools_as="ONAN", worse_k=12.0)
    assert plant.alarm == "unacknowledged"


@pytest.mark.parametrize("oil_c", [20.0, 50.0, 75.0])
def test_no_alarm_at_the_start(oil_c: float) -> None:
    """Whatever the oil is at when windingd starts: the expectation begins there."""
    plant = Plant(oil_c, 180.0).run(600)
    assert plant.alarm == "normal"
    assert plant.worst_k < 0.1


@pytest.mark.parametrize("slow", [1.0, 2.0])
def test_no_alarm_after_changes_of_mode(slow: float) -> None:
    """Also when the real oil takes twice as long as the settings say."""
    plant = Plant(60.0, 180.0, slow)
    for amps in (260.0, 130.0, 260.0, 130.0, 260.0):
        plant.amps = amps
        plant.run(360)
        assert plant.alarm == "normal"
    assert plant.modes == {"ONAN", "ONAF"}
    assert slow == 1.0 or plant.worst_k > 2.0  # there was something to be patient with
