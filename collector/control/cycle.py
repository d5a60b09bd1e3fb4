"""The scratch pad of one step: what every room of the step reads from and writes to, phase by phase.

Lists that are frozen into the next state at the end, and looks that several rooms share. No rule about
temperatures, stages or alarms belongs here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite
from typing import Any

from collector.control import alarms as al
from collector.control import lost_inputs as li
from collector.control import outputs as out
from collector.control import proof
from collector.control.state import Plan, State
from collector.messages import Event, Inputs
from collector.quality import Detail, Quality, invalid, questionable
from collector.thermal import explained, track

#: A value that rests on assumed starting conditions, and one that there is not yet.
STARTED = questionable(Detail.INACCURATE)
NOT_STARTED = invalid(Detail.FAILURE)


def finite(value: Any) -> float | None:
    number = float(value)
    return number if isfinite(number) else None


@dataclass(slots=True)
class Thermals:
    """What one transformer's control and alarms go by in this cycle.

    lost: why its inputs do not suffice for control ("" : they do). not_measured: which input is a test or
    a substituted value: it may call stages, but while it is in use none may stop. awaited: inputs that have
    not been read since a stall. oil, hot_spot, load: the
    values decided on; None: none. valid: hot spot and oil may take cooling away. last_load: per winding, its
    last valid load [pu]. load_accused: hot oil could come of currents that
    read low, whatever else is in doubt.
    """

    oil: float | None = None
    oil_quality: Quality = NOT_STARTED
    hot_spot: float | None = None
    hot_spot_quality: Quality = NOT_STARTED
    load: float | None = None
    load_quality: Quality = NOT_STARTED
    lost: str = ""
    not_measured: str = ""
    awaited: tuple[str, ...] = ()
    alarm_temperature: bool = False
    oil_lost: bool = False
    ambient_lost: bool = False
    ambient_quality: Quality = NOT_STARTED
    tap_lost: bool = False
    energised: bool = True
    last_load: tuple[float | None, ...] = ()
    winding_quality: list[Quality] = field(default_factory=list)
    current_quality: list[Quality] = field(default_factory=list)
    doubt: str = ""
    cold_contradicted: str = ""
    doubts: tuple[Any, ...] = ()
    load_accused: bool = False


@dataclass(slots=True)
class Asked:
    """What one transformer's calls came to, per stage: see `stages.spares`.

    unable: known unable to run. unproven: called, and not proven when its feedback was due. denied: asked
    for, but interlocked or blocked by cold oil.
    """

    wanted: list[bool]
    unable: list[bool]
    unproven: list[bool]
    free: list[bool]
    denied: list[bool]


class Cycle:
    """One step in the making. Rooms take it as their first argument; it does not outlive the step."""

    def __init__(self, state: State, plan: Plan, inputs: Inputs) -> None:
        self.old = state
        self.plan = plan
        self.layout = plan.layout
        self.given = inputs
        self.now = inputs.mono_ns
        self.events: list[Event] = []
        self.inputs = list(state.inputs)
        self.stages = list(state.stages)
        self.adopted = list(state.adopted)
        self.outputs = list(state.outputs)
        self.run_ns = list(state.run_ns)
        self.transformers = list(state.transformers)
        self.alarms = list(state.alarms)
        self.alarm_count = state.alarm_count
        self.substitutes = state.substitutes
        self.devices_down = state.devices_down
        self.faults: list[li.Fault | None] = []
        self.doubtful: dict[int, str] = {}  # inputs that are used, but contradicted: by what
        self.seen: list[out.Seen] = []
        self.unguarded: dict[str, str] = {}  # relay modules whose watchdog relay is down: why
        self.thermals: list[Thermals] = []
        self.asked: list[Asked | None] = [None] * len(state.transformers)
        self.thermal = state.thermal
        self.estimate: track.Estimate | None = state.estimate
        self.sample: track.Sample | None = None
        self.loading = list(state.loading)
        self.explained = state.explained or explained.initial(plan.model)
        self.modules = list(state.modules)
        self.silent = proof.under_proof(self)  # modules of which nothing is concluded in this cycle
        plans = self.layout.relay_modules
        self.distrusted = {p.id for p, m in zip(plans, self.modules, strict=True) if m.failed}
        self.let_go: set[str] = set()  # modules that have just been found to have let go in a proof
        self.conditions: list[bool | None] = [False] * len(state.alarms)
        self.details: dict[int, str] = {}
        self.did: dict[int, str] = {}  # what was done about an alarm, where its kind does not know
        self.suppressed: set[int] = set()
        self.unlatched: set[int] = set()  # alarms that no longer wait to be acknowledged before they return
        self.started_ns = state.started_ns
        self.deciding = state.deciding

    def tell(self, kind: str, subject: str, text: str, **data: float | int | str | bool | None) -> None:
        self.events.append(Event(self.now, kind, subject, text, data))

    def raw(self, i: int | None) -> float | None:
        """A reading's value if nothing is wrong with it by itself, counted or not."""
        if i is None or self.faults[i] is not None:
            return None
        return self.given.readings[self.layout.inputs[i].id].value

    def counted(self, i: int | None) -> float | None:
        """An input's value if it counts. One that failed a moment ago still does."""
        if i is None or self.inputs[i].lost:
            return None
        return self.inputs[i].value

    def measured(self, i: int | None) -> float | None:
        """An input's value if it counts and is no test or substituted value."""
        value = self.counted(i)
        return value if value is None or i is None or self.inputs[i].quality.is_measured else None

    def unread(self, i: int | None) -> bool:
        """Nothing of this input arrives at all: not wired, or not in the trace."""
        return i is None or self.layout.inputs[i].id not in self.given.readings

    def contact(self, i: int | None, otherwise: bool) -> bool:
        """A status contact; `otherwise` while it is not wired or cannot be read."""
        if i is None or self.inputs[i].lost:
            return otherwise
        value = self.inputs[i].value
        return otherwise if value is None else value >= 0.5

    def substitute(self, measurement: str) -> float | None:
        for s in self.substitutes:
            if s.id == measurement:
                return s.value
        return None

    def condition(self, alarm: int, true: bool | None, detail: str = "") -> None:
        self.conditions[alarm] = true
        if true and detail:
            self.details[alarm] = detail

    def gone(self, i: int) -> bool:
        """Lost because its device is silent, and this run does read it."""
        state = self.inputs[i]
        return state.lost and state.cause is li.Cause.LINK and self.layout.inputs[i].id in self.given.readings

    def visible(self, alarm: int) -> bool:
        """Not put aside by an operator: only then may it stand for others."""
        return self.alarms[alarm].status not in (al.AlarmStatus.SHELVED, al.AlarmStatus.OUT_OF_SERVICE)
