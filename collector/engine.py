"""The step: everything windingd thinks, as one pure function of (state, plan, inputs).

Live, in replay, in the stage schedule and under property tests it is the same function. Never put
a clock, socket, file, logger or asyncio in here: what a step may know arrives in its inputs.
"""

from __future__ import annotations

from dataclasses import dataclass

from collector.messages import Inputs, Outcome
from collector.settings.model import Settings


@dataclass(frozen=True, slots=True)
class Gap:
    """The time between a checkpoint and the restart that uses it.

    same_boot: the machine has not been restarted since.
    gap_s: how long [s]; None when neither the boot nor a plausible wall clock tells.
    mono_ns: station-monotonic time of the restart [ns].
    """

    same_boot: bool
    gap_s: float | None
    mono_ns: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Settings made ready for stepping. Build it with `build`; it never changes.

    assume_running_as_called: for traces without feedback columns: what is called counts as running.
    """

    settings: Settings
    settings_hash: str
    assume_running_as_called: bool


@dataclass(frozen=True, slots=True)
class State:
    """All memory between steps. Immutable; opaque to others except through the functions below."""

    mono_ns: int
    sequence: int


def build(settings: Settings, settings_hash: str = "", *, assume_running_as_called: bool = False) -> Plan:
    """Make settings (already cross-checked) ready for stepping."""
    return Plan(settings, settings_hash, assume_running_as_called)


def initial(plan: Plan) -> State:
    """The state of a station that nothing is known about yet. The first step starts `start_grace_s`."""
    return State(-1, 0)


def step(state: State, plan: Plan, inputs: Inputs) -> tuple[State, Outcome]:
    """One cycle. Raises ValueError only when time does not increase; never for what a reading holds.

    Outcome.decision.energise is empty until `inputs.polled` or `start_grace_s` is over (then all run).
    """
    raise NotImplementedError


def checkpoint(state: State) -> bytes:
    """The state as JSON (UTF-8); floats survive bit by bit."""
    raise NotImplementedError


def restore(plan: Plan, data: bytes, gap: Gap) -> State:
    """The state of a checkpoint, moved to the time of the restart. ValueError: damaged or not ours."""
    raise NotImplementedError


def migrate(state: State, old_plan: Plan, new_plan: Plan) -> State:
    """The state under new settings: thermal state, timers, alarms, counters kept by id."""
    raise NotImplementedError
