"""Alarms after ISA-18.2 / IEC 62682: their states as a table, and what each tells an operator.

How to think about it. An alarm has a *condition* (the process is beyond a limit, after on-delay,
deadband and off-delay) and a *state* (what the operator has done about it). The condition goes on
being followed in every state, so that an alarm that is shelved, suppressed or out of service comes
back unacknowledged if its cause is still there. Nothing may be put here that acts on cooling:
acknowledging or shelving never changes control.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum, IntEnum
from typing import Literal

from collector.addresses import Level
from collector.points import ALARM_STATES


class AlarmStatus(IntEnum):
    """In the order of points.ALARM_STATES."""

    NORMAL = 0
    UNACKNOWLEDGED = 1
    ACKNOWLEDGED = 2
    RETURNED = 3  # returned to normal before anyone acknowledged it
    SHELVED = 4
    SUPPRESSED = 5  # by design: another alarm stands for the same cause
    OUT_OF_SERVICE = 6

    @property
    def word(self) -> str:
        return ALARM_STATES[self]


class AlarmEvent(Enum):
    RAISE = "condition true"
    CLEAR = "condition false"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    REMOVE = "out of service"
    RESUME_ACTIVE = "back, condition true"
    RESUME_NORMAL = "back, condition false"


_S, _E = AlarmStatus, AlarmEvent
ALARM_TABLE: dict[tuple[AlarmStatus, AlarmEvent], AlarmStatus] = {
    (_S.NORMAL, _E.RAISE): _S.UNACKNOWLEDGED,
    (_S.NORMAL, _E.SHELVE): _S.SHELVED,
    (_S.NORMAL, _E.SUPPRESS): _S.SUPPRESSED,
    (_S.NORMAL, _E.REMOVE): _S.OUT_OF_SERVICE,
    (_S.UNACKNOWLEDGED, _E.CLEAR): _S.RETURNED,
    (_S.UNACKNOWLEDGED, _E.ACKNOWLEDGE): _S.ACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _E.SHELVE): _S.SHELVED,
    (_S.UNACKNOWLEDGED, _E.SUPPRESS): _S.SUPPRESSED,
    (_S.UNACKNOWLEDGED, _E.REMOVE): _S.OUT_OF_SERVICE,
    (_S.ACKNOWLEDGED, _E.CLEAR): _S.NORMAL,
    (_S.ACKNOWLEDGED, _E.SHELVE): _S.SHELVED,
    (_S.ACKNOWLEDGED, _E.SUPPRESS): _S.SUPPRESSED,
    (_S.ACKNOWLEDGED, _E.REMOVE): _S.OUT_OF_SERVICE,
    (_S.RETURNED, _E.RAISE): _S.UNACKNOWLEDGED,
    (_S.RETURNED, _E.ACKNOWLEDGE): _S.NORMAL,
    (_S.RETURNED, _E.SHELVE): _S.SHELVED,
    (_S.RETURNED, _E.SUPPRESS): _S.SUPPRESSED,
    (_S.RETURNED, _E.REMOVE): _S.OUT_OF_SERVICE,
    (_S.SHELVED, _E.REMOVE): _S.OUT_OF_SERVICE,
    (_S.SHELVED, _E.RESUME_ACTIVE): _S.UNACKNOWLEDGED,
    (_S.SHELVED, _E.RESUME_NORMAL): _S.NORMAL,
    (_S.SUPPRESSED, _E.REMOVE): _S.OUT_OF_SERVICE,
    (_S.SUPPRESSED, _E.RESUME_ACTIVE): _S.UNACKNOWLEDGED,
    (_S.SUPPRESSED, _E.RESUME_NORMAL): _S.NORMAL,
    (_S.OUT_OF_SERVICE, _E.RESUME_ACTIVE): _S.UNACKNOWLEDGED,
    (_S.OUT_OF_SERVICE, _E.RESUME_NORMAL): _S.NORMAL,
}

Priority = Literal["urgent", "high", "medium", "low"]


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One kind of alarm, in an operator's words.

    did: what windingd has done. consequence: what happens if nobody acts. action: what to do.
    respond_min: time to respond [min]. latch: stays until acknowledged, even if its cause has gone.
    on_delay_s, off_delay_s: how long the condition must last, or be gone [s].
    """

    level: Level
    name: str
    priority: Priority
    what: str
    did: str
    consequence: str
    action: str
    respond_min: int
    shelvable: bool = True
    latch: bool = False
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0


# Priorities and times to respond: common practice, no source. The owner's alarm philosophy goes before them.
KINDS: tuple[AlarmKind, ...] = (
    AlarmKind(
        "device",
        "link_lost",
        "high",
        "the device does not answer",
        "what is read from it counts as lost; cooling that depends on it runs",
        "no control by temperature, cooling runs without a break",
        "check the device's supply, cabling and network",
        60,
    ),
    AlarmKind(
        "device",
        "timeout_failed",
        "high",
        "the relay module, left without requests, has not released its outputs",
        "it holds nothing off any more: all cooling on it runs until somebody confirms the module",
        "if windingd or the link fails, cooling that the module holds off stays off",
        "mend its timeout or replace it, prove its release at the cabinet, then "
        "`windingd stages --confirm-module`",
        60,
        shelvable=False,
    ),
    AlarmKind(
        "station",
        "record_failed",
        "medium",
        "the record cannot be written",
        "control goes on; what cannot be kept is counted",
        "history and loss of life since the failure may be missing",
        "check the disk of the gateway: space, mount, wear",
        480,
        on_delay_s=10.0,
    ),
    AlarmKind(
        "station",
        "broker_lost",
        "low",
        "no connection to the MQTT broker",
        "control goes on; values wait on local disk",
        "subscribers see old values",
        "check broker and network",
        480,
        on_delay_s=60.0,
    ),
    AlarmKind(
        "station",
        "clock_stepped",
        "low",
        "the wall clock was stepped or is not trusted",
        "control and model do not use it; time quality is marked",
        "time stamps of the record may be wrong",
        "check time synchronisation of the gateway",
        480,
        off_delay_s=60.0,
    ),
    AlarmKind(
        "station",
        "settings_refused",
        "medium",
        "new settings were refused",
        "the old settings stay in force",
        "the intended change is not in effect",
        "run `windingd check` on the file and reload",
        120,
    ),
    AlarmKind(
        "station",
        "unnamed_output",
        "high",
        "a relay module holds an output that no setting names",
        "nothing is written to it, unless earlier settings used it for cooling: then it was released",
        "what hangs on it may be held off without anybody knowing, and our requests keep it so",
        "find out who energises it; name it in the settings, or list it in `foreign_coils`",
        60,
        on_delay_s=10.0,
    ),
    AlarmKind(
        "transformer",
        "trip",
        "urgent",
        "the trip criteria are met",
        "the trip output is energised",
        "the transformer is taken out of service",
        "do not re-energise before the cause is known; acknowledge to reset the trip output",
        1,
        shelvable=False,
        latch=True,
    ),
    AlarmKind(
        "transformer",
        "hot_spot_high_high",
        "urgent",
        "the hot spot is above its high-high limit",
        "every stage is called",
        "rapid ageing, danger of gas bubbles",
        "reduce load now",
        5,
        shelvable=False,
    ),
    AlarmKind(
        "transformer",
        "hot_spot_high",
        "high",
        "the hot spot is above its high limit",
        "every stage is called",
        "accelerated ageing",
        "check that all cooling runs; prepare to reduce load",
        15,
    ),
    AlarmKind(
        "transformer",
        "top_oil_high_high",
        "urgent",
        "the top oil is above its high-high limit",
        "every stage is called",
        "rapid ageing, oil may overflow",
        "reduce load now",
        5,
    ),
    AlarmKind(
        "transformer",
        "top_oil_high",
        "high",
        "the top oil is above its high limit",
        "every stage is called",
        "accelerated ageing",
        "check that all cooling runs; prepare to reduce load",
        15,
    ),
    AlarmKind(
        "transformer",
        "top_oil_lost",
        "high",
        "the top-oil measurement is lost",
        "every stage of this transformer runs; the oil is estimated",
        "no control by temperature",
        "check sensor, transmitter and wiring",
        240,
    ),
    AlarmKind(
        "transformer",
        "top_oil_redundancy_lost",
        "medium",
        "one of the two top-oil probes is lost",
        "the other one is used",
        "the next fault loses the measurement",
        "check probe, transmitter and wiring",
        480,
    ),
    AlarmKind(
        "transformer",
        "estimate_lost",
        "high",
        "there is no valid hot spot",
        "every stage of this transformer runs",
        "overload would not be seen",
        "restore the lost measurements",
        60,
        on_delay_s=30.0,
    ),
    AlarmKind(
        "transformer",
        "ambient_lost",
        "low",
        "the ambient measurement is lost",
        "control goes on with measured oil",
        "no check of cooling effectiveness, no oil estimate",
        "check sensor and its place (sun, exhaust air)",
        480,
    ),
    AlarmKind(
        "transformer",
        "ambient_doubtful",
        "low",
        "the ambient measurement stands above the top oil under load, or does not fit the oil",
        "it is still used; while it stands above the oil, what stands on it is marked questionable",
        "poor cooling may go unseen, an oil estimate is off",
        "look where the sensor hangs (sun, exhaust air, warm wall) and compare it with another",
        480,
        off_delay_s=300.0,
    ),
    AlarmKind(
        "transformer",
        "oil_doubtful",
        "high",
        "the top oil reads colder than load, ambient and cooling explain",
        "the expected oil counts where it is higher, and no stage stops",
        "a probe that reads low hides overheating",
        "compare probe, ambient and currents with a second instrument: is the probe in its pocket?",
        60,
        off_delay_s=300.0,
    ),
    AlarmKind(
        "transformer",
        "oil_drifts",
        "medium",
        "the top oil has slowly come away from what load, ambient and cooling explain",
        "where it reads low the expected oil counts if it is higher, and no stage stops",
        "a probe that creeps hides overheating, fouled coolers cost load",
        "compare probe, ambient and currents with a second instrument; look at the coolers",
        480,
        off_delay_s=300.0,
    ),
    AlarmKind(
        "transformer",
        "load_doubtful",
        "high",
        "the shown load does not explain the oil, or the two sides of the transformer differ",
        "the load that explains the oil counts at least, and no stage stops",
        "a current that reads low hides overloading",
        "check the CTs named: ratio, secondary circuit, transducer; never open a CT circuit; then the "
        "cooling",
        60,
        off_delay_s=300.0,
    ),
    AlarmKind(
        "transformer",
        "cold_oil_doubtful",
        "high",
        "the oil reads cold enough to block pumps, but the model or the load say otherwise",
        "no pump is blocked for it",
        "a probe that reads low keeps pumps off while the oil is hot",
        "compare the oil probe with a second instrument",
        60,
        off_delay_s=60.0,
    ),
    AlarmKind(
        "transformer",
        "tap_lost",
        "low",
        "the tap position is lost",
        "the last one counts, and the load of the tapped windings is questionable",
        "load and hot spot of the tapped windings may be a few per cent off",
        "check the tap position transmitter",
        480,
        on_delay_s=30.0,
    ),
    AlarmKind(
        "transformer",
        "energised_doubtful",
        "low",
        "the energised contact is open while current flows",
        "the transformer counts as energised",
        "after the load is gone, the no-load loss would be forgotten",
        "check the contact and its wiring",
        480,
        on_delay_s=60.0,
        off_delay_s=60.0,
    ),
    AlarmKind(
        "transformer",
        "effectiveness_low",
        "medium",
        "the oil is hotter than load, ambient and cooling explain",
        "nothing: control follows the measured oil",
        "less load can be carried than the settings say",
        "look for blocked radiators, closed valves and fans that do not blow",
        480,
    ),
    AlarmKind(
        "transformer",
        "cooling_insufficient",
        "urgent",
        "called cooling does not run and no spare is left",
        "every available stage is called",
        "hot spot and oil will rise",
        "restore cooling or reduce load",
        15,
        shelvable=False,
    ),
    AlarmKind(
        "transformer",
        "pumps_lost",
        "urgent",
        "no cooling mode is proven: the pumps it needs do not run",
        "every stage is called; the estimate is invalid",
        "the windings heat within minutes",
        "restore pumps or unload within the maker's time",
        5,
        shelvable=False,
        on_delay_s=20.0,
    ),
    AlarmKind(
        "transformer",
        "ac_supply_lost",
        "high",
        "the coolers' AC supply is lost or has the wrong phase sequence",
        "stages stay called",
        "no cooling until it returns",
        "check supply and changeover",
        15,
        on_delay_s=2.0,
    ),
    AlarmKind(
        "transformer",
        "supply_changeover",
        "low",
        "the coolers run on their standby AC supply",
        "nothing: the cooling goes on as before",
        "no other supply is left to change over to; the next fault stops the cooling",
        "find out why the normal supply was left, restore it and change back",
        480,
        on_delay_s=2.0,
    ),
    AlarmKind(
        "transformer",
        "control_supply_lost",
        "high",
        "the cabinet's control supply is lost",
        "stages stay called",
        "contactors may not pull in",
        "check the control circuit's breaker",
        30,
        on_delay_s=2.0,
    ),
    AlarmKind(
        "transformer",
        "contact_lost",
        "medium",
        "a status contact cannot be read",
        "it is taken as healthy",
        "a lost supply or a changeover would not be seen by its contact",
        "check the input's wiring",
        480,
    ),
    AlarmKind(
        "transformer",
        "output_fault",
        "high",
        "a trip or alarm output does not follow windingd",
        "the output is written again",
        "a trip or an alarm may not be passed on, or a false one is",
        "check relay module, its wiring and other masters; do not rely on this output meanwhile",
        60,
        shelvable=False,
        off_delay_s=10.0,
    ),
    AlarmKind(
        "winding",
        "current_lost",
        "high",
        "the winding current is lost or implausible",
        "every stage of this transformer runs; the load is assumed from the other phases, at least rated",
        "no control by temperature",
        "check CT circuit and transducer; never open a CT circuit",
        240,
    ),
    AlarmKind(
        "winding",
        "current_doubtful",
        "high",
        "the winding current stands off from the other phases",
        "the higher ones count, and no stage stops",
        "a current that reads low hides overloading, one that reads high cools for nothing",
        "check this CT: ratio, secondary circuit, transducer; never open a CT circuit",
        60,
        off_delay_s=60.0,
    ),
    AlarmKind(
        "stage",
        "no_feedback",
        "high",
        "the stage is called but not proven running",
        "it stays called and the next stage is called too",
        "less cooling than called",
        "check selector, breaker, contactor and motor",
        60,
    ),
    AlarmKind(
        "stage",
        "output_fault",
        "high",
        "the output does not follow windingd",
        "the output is written again; if it is not released in time, its module is left without any request "
        "until it lets go; if it does not, every other stage runs",
        "the stage may run or stand against the call",
        "check relay module, its wiring and other masters",
        60,
        shelvable=False,
        off_delay_s=10.0,
    ),
    AlarmKind(
        "stage",
        "not_available",
        "medium",
        "the stage is not available",
        "it is left out of the available cooling",
        "less cooling in reserve",
        "put the selector to Auto, reset the breaker, or clear the interlock",
        240,
        on_delay_s=2.0,
    ),
    AlarmKind(
        "stage",
        "flapping",
        "medium",
        "the stage was released too often within an hour",
        "it stays released until acknowledged",
        "the stage runs without a break",
        "find the link or input that comes and goes, then acknowledge the flapping",
        480,
    ),
    AlarmKind(
        "stage",
        "feedback_stuck",
        "high",
        "the feedback says that the stage runs, though it is held off",
        "the feedback proves nothing until it has been seen to drop",
        "motors that stand still would count as running",
        "look whether the motors turn: if not, the contact or its wiring is stuck; if they do, find what "
        "calls them and "
        "declare it as parallel_start",
        60,
    ),
    AlarmKind(
        "stage",
        "held_off_hot",
        "high",
        "the stage is held off by hand while a criterion is above its pickup",
        "it stays held off until its time is over, or the temperature ends the hold-off",
        "the transformer is hotter than it need be",
        "end the hold-off (`automatic`) as soon as the work allows",
        15,
        on_delay_s=30.0,
    ),
    AlarmKind(
        "stage",
        "input_lost",
        "medium",
        "a feedback or cabinet contact of the stage cannot be read",
        "the stage stays as called; without feedback it is not proven",
        "its running cannot be seen",
        "check the input's wiring and module",
        240,
    ),
)


@dataclass(frozen=True, slots=True)
class AlarmState:
    """One alarm's memory. Times are station-monotonic ns; -1: none.

    active: the condition, after delays. pending_ns: since when the condition differs from `active`.
    raised_ns: when it last became active. order: counts up station-wide at each raise (first-out).
    until_ns: end of shelving. text: the sentence it was raised with. did: what was done about it, where
    that is not what its kind says.
    """

    status: AlarmStatus = AlarmStatus.NORMAL
    active: bool = False
    pending_ns: int = -1
    raised_ns: int = -1
    order: int = 0
    until_ns: int = -1
    text: str = ""
    did: str = ""


QUIET = AlarmState()


def move(state: AlarmState, event: AlarmEvent) -> AlarmState:
    """Through the table; an event that means nothing in this state changes nothing."""
    status = ALARM_TABLE.get((state.status, event), state.status)
    return state if status is state.status else replace(state, status=status)


def resume(state: AlarmState) -> AlarmState:
    """Back from shelved, suppressed or out of service: by its condition, never silently."""
    event = AlarmEvent.RESUME_ACTIVE if state.active else AlarmEvent.RESUME_NORMAL
    return replace(move(state, event), until_ns=-1)


def follow(
    state: AlarmState,
    condition: bool | None,
    now: int,
    on_delay: int,
    off_delay: int,
    latch: bool,
    suppressed: bool,
) -> AlarmState:
    """The alarm one cycle on. condition None: within the deadband, stays as it is. Delays in ns.

    The caller gives a newly active alarm its text and order.
    """
    if condition is None:
        condition = state.active
    active, pending_ns = state.active, -1
    if condition != active:
        pending_ns = state.pending_ns if state.pending_ns >= 0 else now
        held = latch and active and state.status is AlarmStatus.UNACKNOWLEDGED
        if now - pending_ns >= (on_delay if condition else off_delay) and not held:
            active, pending_ns = condition, -1
    if active != state.active or pending_ns != state.pending_ns:
        changed = active != state.active
        raised_ns = now if changed and active else state.raised_ns
        state = replace(state, active=active, pending_ns=pending_ns, raised_ns=raised_ns)
    else:
        changed = False
    if suppressed and state.status not in (
        AlarmStatus.SUPPRESSED,
        AlarmStatus.SHELVED,
        AlarmStatus.OUT_OF_SERVICE,
    ):
        return move(state, AlarmEvent.SUPPRESS)
    if not suppressed and state.status is AlarmStatus.SUPPRESSED:
        return resume(state)
    if state.status is AlarmStatus.SHELVED and state.until_ns >= 0 and now >= state.until_ns:
        return resume(state)
    if changed:
        return move(state, AlarmEvent.RAISE if active else AlarmEvent.CLEAR)
    return state
