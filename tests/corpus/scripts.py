"""Chapters of the corpus that chance does not lead to: told step by step, without random faults.

A script is called before each step with the world and the step's number (0, 1, ...); it breaks, mends and
commands, and returns the seconds until the step.
"""

from __future__ import annotations

from collections.abc import Callable

from world import Fault, World

from collector.messages import Command

NS = 10**9
Script = Callable[[World, int], float]


def breaks(w: World, subject: str, kind: str, seconds: float) -> None:
    """A reading's fault goes by the measurement, an output's or device's by its id and the kind."""
    readings = ("failure", "range", "frozen", "jump", "zero", "other", "flaps")
    key = subject if kind in readings else f"{subject} {kind}"
    w.faults[key] = Fault(kind, w.now + round(seconds * NS), w.now)


def asks(w: World, kind: str, target: str, **more: float) -> None:
    w.commands += 1
    w.asked.append(Command(f"c{w.commands}", kind, target, "tester", **more))  # type: ignore[arg-type]


def plain(w: World, n: int) -> float:
    """Rest until exercise is due; releases too often; another output that does not obey; supplies; a trip."""
    t1, t2 = "T1", "T2"
    w.load.update({t1: 0.35, t2: 0.35})
    if n == 0:
        w.oil.update({t1: 40.0, t2: 40.0})
        w.ambient = 15.0
        w.theme = (40.0, 600.0)
    if n < 100:  # an hour at rest: exercise; by then a module has been left alone to prove its timeout
        return 12.0 if n < 10 else 50.0
    if n < 172:  # top oil is lost and comes back, again and again: the stages are released too often
        if n % 12 == 0:
            breaks(w, "T1.fans2.feedback", "failure", 50.0)
            breaks(w, "T1.top_oil_c", "failure", 50.0)
            breaks(w, "T1.top_oil_2_c", "failure", 50.0)
        return 12.0
    if n == 172:
        asks(w, "acknowledge_flapping", "T1.fans2")
        asks(w, "acknowledge", "all")
    if n == 176:
        w.theme = (64.0, 100.0)
        breaks(w, "T1.fans1", "stuck", 500.0)
        breaks(w, "T1.fans1", "disobeys", 500.0)
    if n == 200:
        w.theme = (45.0, 200.0)
        breaks(w, "T1.ac_supply_healthy", "other", 120.0)
        breaks(w, "T1.supply_changeover", "other", 240.0)
        breaks(w, "T1.control_supply_healthy", "other", 300.0)
        breaks(w, "T1.energised", "other", 300.0)
    if n == 215:
        asks(w, "hold_off", "T2.fans", minutes=20.0)
        breaks(w, "T2.fans.feedback", "other", 200.0)
    if n == 225:
        asks(w, "hold_off", "T1.fans1", minutes=20.0)
        w.theme = (68.0, 100.0)
    if n == 240:
        w.theme = (128.0, 80.0)
    if n == 262:
        asks(w, "reset_peaks", "T1")
        w.theme = (50.0, 300.0)
    if n in (270, 275):
        w.in_variant = n == 270
    return 12.0


def pumps(w: World, n: int) -> float:
    """Cold oil that everything agrees with; then a warm day on which all pumps fail."""
    unit = next(iter(w.load))
    if n == 0:
        w.load[unit], w.oil[unit], w.ambient = 0.0, -4.0, -11.0
        w.theme = (-4.0, 4000.0)
    w.load[unit] = 0.0 if n < 60 else 0.9
    if n == 60:
        w.theme, w.ambient = (62.0, 400.0), 20.0
    if n == 110:
        for s in w.ours.transformers[0].stages:
            if s.kind == "pumps":
                breaks(w, f"{unit}.{s.id}", "contactor", 2000.0)
    if n == 130:
        breaks(w, f"{unit}.ambient_c", "jump", 3000.0)
        breaks(w, f"{unit}.tap_position", "failure", 300.0)
    return 12.0 if n % 20 else 50.0


SCRIPTS: dict[str, Script] = {"plain": plain, "pumps": pumps}
