"""The small frozen values that pass between the rooms: field -> engine -> relays, record, publish.

Data only. No behaviour beyond trivial properties, no clocks, no I/O.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from collector.quality import Quality, Reading

StallSign = Literal["", "wall clock", "connections"]

CommandKind = Literal[
    "force_on",  # target stage; minutes or None (until released)
    "hold_off",  # target stage; minutes, local only, never at alarm temperature
    "automatic",  # target stage: end force_on / hold_off
    "acknowledge",  # target alarm id, or "all"
    "shelve",  # target alarm id; minutes
    "unshelve",
    "out_of_service",  # target alarm id
    "in_service",
    "acknowledge_flapping",  # target stage
    "reset_peaks",  # target transformer
    "substitute",  # target measurement id; value; minutes
    "end_substitute",
    "expect_load",  # target transformer; value [pu of the mode with most cooling]; after_min; minutes
    "end_expect_load",
    "confirm_reading",  # target measurement id: a lost temperature that reads well counts again
    "correct_life",  # target winding; value [h]; why: local only
    "confirm_module",  # target device id: its timeout was mended and proven at the cabinet
]


@dataclass(frozen=True, slots=True)
class Command:
    """An operator's command, taken from the local operator socket."""

    id: str
    kind: CommandKind
    target: str
    who: str
    how: str = "local"
    minutes: float | None = None
    value: float | None = None
    after_min: float | None = None  # expect_load: how long until it begins
    why: str = ""  # correct_life: for the record


#: late: it was to be released and has not read back so within its bound; its unit is left without any
#: request. stuck: still so after the module's own time-out must have passed. foreign: another master
#: energised it although it is to be released.
Disobeys = Literal["", "late", "stuck", "foreign"]


@dataclass(frozen=True, slots=True)
class RelayStatus:
    """One output as read back from its module.

    energised: None when it could not be read. mono_ns: when it was read [ns].
    link_ok: the module answers. foreign: it changed although we wrote nothing.
    verified: the module's own release settings (timeout, safe state) read back as declared.
    disobeys: it is not released although it is to be.
    """

    energised: bool | None
    mono_ns: int
    link_ok: bool = True
    foreign: bool = False
    verified: bool = True
    reason: str = ""
    disobeys: Disobeys = ""


@dataclass(frozen=True, slots=True)
class Health:
    """What the shell tells the step about itself. Alarms are made of it; cooling follows from one thing only:

    possible_stall: a sign that the machine stood still although its monotonic clock did not move. Then
    nothing is held off before what control goes by has been read again.
    """

    record_ok: bool = True
    record_reason: str = ""
    broker_ok: bool = True
    broker_reason: str = ""
    clock_trusted: bool = True
    clock_stepped_s: float = 0.0
    settings_refused: str = ""
    unnamed_outputs: str = ""
    possible_stall: StallSign = ""


@dataclass(frozen=True, slots=True)
class Inputs:
    """Everything one step may know, read once per cycle. Journalled verbatim.

    mono_ns: station-monotonic time of this cycle [ns], strictly increasing.
    readings: measurement id -> latest reading (age = mono_ns - reading.mono_ns).
    relays: output id ("T1.stage1", "T1.trip", "T1.contact.device_fault") -> read-back.
    devices: device id -> "" when it answers, else the reason why not.
    polled: every device was polled (answered or given up) at least once since the start.
    settings_hash: changes at a reload: the marker that this step is the first under new settings.
    """

    mono_ns: int
    readings: Mapping[str, Reading]
    relays: Mapping[str, RelayStatus] = field(default_factory=dict)
    devices: Mapping[str, str] = field(default_factory=dict)
    commands: tuple[Command, ...] = ()
    health: Health = Health()
    polled: bool = True
    settings_hash: str = ""


@dataclass(frozen=True, slots=True)
class Value:
    """A point's value: float, int, bool or (only for names) str; None goes with an invalid quality."""

    value: float | int | bool | str | None
    quality: Quality


@dataclass(frozen=True, slots=True)
class Event:
    """Something a person may ask about later.

    kind: "stage", "alarm", "command", "mode", "quality", "start", "reload", "clock", "output",
    "stall", "life".
    subject: the point, stage, alarm or measurement id. text: one plain sentence.
    data: rule, values and limits it was decided on (JSON-able scalars), for ``explain``.
    """

    mono_ns: int
    kind: str
    subject: str
    text: str
    data: Mapping[str, float | int | str | bool | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Decision:
    """What the relay writers carry in every refresh.

    energise: output id -> coil state. For a cooling stage True = held off. An output that is
    missing here must not be written (nothing was decided yet: adopt what the module has).
    leave_alone: device ids to which no request of any kind may go while this is the newest decision.
    """

    sequence: int
    mono_ns: int
    energise: Mapping[str, bool]
    leave_alone: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one step gives: a decision, the value of every catalogue point, and events in order."""

    decision: Decision
    values: Mapping[str, Value]
    events: tuple[Event, ...] = ()
