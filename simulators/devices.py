"""What the four simulated devices are: registers, sensors, the relay module, and their faults.

A device knows the plant only by the values it is sent, and keeps the last ones when the plant is
silent. No sockets here but through modbus.Server, and no physics.
"""

from __future__ import annotations

import asyncio
import math
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from simulators import modbus
from simulators.clock import EventLog, StationClock
from simulators.modbus import Image
from simulators.plant import PHASES, STAGES, STEP_S, Programme, sensor_noise

OPEN, SHORT, FAILED = "open", "short", "failed"
SENSOR_FAULTS = frozenset({OPEN, SHORT, FAILED, "frozen", "jumping", "drifting", "fixed", "injected"})
WIRE_FAULTS = frozenset({"silent", "mute", "slow", "refusing", "busy", "hole", "cut", "rebooting"})
RELAY_FAULTS = frozenset({"stuck", "welded", "no_timeout"})
DEAF_FAULTS = ("silent", "cut", "rebooting")

Signal = float | str  # a value, or OPEN, SHORT, FAILED
Fault = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Channel:
    """One sensor: the plant value it sees and the standard deviation of its noise, in the same unit."""

    name: str
    noise: float
    noise_is_ratio: bool = False


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of measuring device. encode: signal of a channel -> its register words."""

    unit: int
    channels: tuple[Channel, ...]
    table: str
    encode: Callable[[Signal], list[int]]


def tenths(signal: Signal) -> list[int]:
    """int16 in tenths of a degree; open or failed 0x7FFF, short 0x8000 (-32768)."""
    if isinstance(signal, str):
        return [0x8000 if signal == SHORT else 0x7FFF]
    return [max(-32767, min(32766, round(10.0 * signal))) & 0xFFFF]


def probe_tenths(signal: Signal) -> list[int]:
    """int16 in tenths; any fault of a fibre probe is 0x7FFF: no light comes back."""
    return tenths(FAILED if isinstance(signal, str) else signal)


def float_low_word_first(signal: Signal) -> list[int]:
    """float32, low word first; an open or shorted CT circuit carries 0 A, a failed input gives NaN."""
    value = (math.nan if signal == FAILED else 0.0) if isinstance(signal, str) else signal
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return [low, high]


def float_or_nan(signal: Signal) -> list[int]:
    """float32, low word first; NaN for any broken sensor."""
    return float_low_word_first(FAILED if isinstance(signal, str) else signal)


KINDS: Mapping[str, Kind] = {
    "oil_tx": Kind(
        1,
        (Channel("top_oil_c", 0.06), Channel("ambient_c", 0.10), Channel("bottom_oil_c", 0.06)),
        modbus.INPUTS,
        tenths,
    ),
    "ct_tx": Kind(
        2,
        tuple(Channel(f"{phase}.current_a", 0.002, noise_is_ratio=True) for phase in PHASES),
        modbus.HOLDING,
        float_low_word_first,
    ),
    "fibre": Kind(
        4, tuple(Channel(f"{phase}.hot_spot_c", 0.25) for phase in PHASES), modbus.INPUTS, probe_tenths
    ),
}
RELAY_UNIT = 3
COIL_COUNT = 16

#: Plant values before a plant is heard: a cool unit at 60 % load, 40 MVA, 110 kV.
AT_REST: Mapping[str, float] = {
    "top_oil_c": 45.0,
    "ambient_c": 20.0,
    "bottom_oil_c": 35.0,
    **{f"{phase}.current_a": 126.0 for phase in PHASES},
    **{f"{phase}.hot_spot_c": 55.0 for phase in PHASES},
    **{f"stage{number}.selector_auto": 1.0 for number in STAGES},
    **{f"stage{number}.breaker_closed": 1.0 for number in STAGES},
    **{f"stage{number}.running": 0.0 for number in STAGES},
    "supply_healthy": 1.0,
    "supply_changeover": 0.0,
    "energised": 1.0,
}


class Sensors:
    """Measuring device: turns plant values into registers, through noise and sensor faults."""

    def __init__(self, kind: Kind, clock: StationClock, seed: int, ratio: float, noise: bool) -> None:
        self._kind = kind
        self._clock = clock
        self._seed = seed
        self._ratio = ratio
        self._noise = noise
        self._held: dict[tuple[int, str], Signal] = {}  # (fault id, channel) -> signal at its begin

    def image(self, values: Mapping[str, float], faults: list[Fault]) -> Image:
        words: dict[int, int] = {}
        for channel in self._kind.channels:
            for word in self._kind.encode(self._signal(channel, values, faults)):
                words[len(words)] = word
        return Image(inputs=words) if self._kind.table == modbus.INPUTS else Image(holding=words)

    def _signal(self, channel: Channel, values: Mapping[str, float], faults: list[Fault]) -> Signal:
        value = values[channel.name]
        if self._noise:
            step = int(values.get("time_s", 0.0) / STEP_S)
            noise = sensor_noise(self._seed, channel.name, step, channel.noise)
            value += noise * abs(value) if channel.noise_is_ratio else noise
        signal: Signal = value / self._ratio
        for fault in faults:
            if fault["fault"] in SENSOR_FAULTS and self._concerns(fault, channel):
                signal = self._faulted(signal, channel, fault)
        return signal

    def _concerns(self, fault: Fault, channel: Channel) -> bool:
        wanted = fault.get("channel", self._kind.channels[0].name)
        return wanted in ("all", channel.name, channel.name.partition(".")[0])

    def _faulted(self, signal: Signal, channel: Channel, fault: Fault) -> Signal:
        if fault["fault"] in (OPEN, SHORT, FAILED):
            return str(fault["fault"])
        since_s = (self._clock.station_ns() - float(fault["since_ns"])) / 1e9
        if fault["fault"] == "fixed":
            return float(fault["value"])
        if fault["fault"] == "injected":
            points = tuple((float(at_s), float(value)) for at_s, value in fault["points"])
            return Programme(points).at(self._clock.station_ns() / 1e9)
        if fault["fault"] == "frozen":
            return self._held.setdefault((fault["id"], channel.name), signal)
        if isinstance(signal, str):
            return signal
        if fault["fault"] == "drifting":
            return signal + float(fault.get("per_h", 10.0)) * since_s / 3600.0
        period_s = float(fault.get("period_s", 10.0))  # jumping: every other period displaced
        return signal + float(fault.get("by", 25.0)) * (int(since_s / period_s) % 2 == 0)


@dataclass(slots=True)
class RelayModule:
    """16 relays, 32 inputs, and a communication timeout that any request to the module feeds.

    timeout_tenths: holding register 100, 0 = none. safe_state: 101, 0 = release, 1 = hold.
    power_on_state: 102, 0 = released, 1 = energised. moved: called after a contact has moved.
    """

    clock: StationClock
    log: EventLog
    moved: Callable[[], None]
    timeout_tenths: int = 100
    safe_state: int = 0
    power_on_state: int = 0
    coils: list[bool] = field(default_factory=lambda: [False] * COIL_COUNT)
    contacts: list[bool] = field(default_factory=lambda: [False] * COIL_COUNT)
    stuck: frozenset[int] = frozenset()
    welded: frozenset[int] = frozenset()
    timer_dead: bool = False  # the timeout does not run, whatever its register says
    last_request_ns: int | None = None  # station time of the last valid request
    expired: bool = False

    def power_on(self) -> None:
        self._move([bool(self.power_on_state)] * COIL_COUNT, "power on")
        self.last_request_ns = None
        self.expired = False
        self.log.write("power on", coils=[place for place, on in enumerate(self.coils) if on])

    def power_off(self) -> None:
        """Without power every relay opens, but for a stuck one; a welded contact stays."""
        self._move([False] * COIL_COUNT, "power off")
        self.last_request_ns = None
        self.log.write("power off")

    def feed(self) -> None:
        """A valid request has come in. What ran out before it has run out."""
        self.check_timeout()
        self.last_request_ns = self.clock.station_ns()
        self.expired = False

    def timeout_left_s(self) -> float | None:
        """Station seconds until the timeout; None while it does not run."""
        if self.last_request_ns is None or self.expired or self.timeout_tenths == 0 or self.timer_dead:
            return None
        return self.timeout_tenths / 10.0 - (self.clock.station_ns() - self.last_request_ns) / 1e9

    def check_timeout(self) -> None:
        left_s = self.timeout_left_s()
        if left_s is None or left_s > 0.0:
            return
        self.expired = True
        self.log.write("timeout", last_valid_request_ns=self.last_request_ns)
        if self.safe_state == 0:
            self._move([False] * COIL_COUNT, "timeout")

    def write_coils(self, start: int, values: list[int]) -> None:
        self.log.write("write", coil=start, values=values)
        coils = list(self.coils)
        coils[start : start + len(values)] = map(bool, values)
        self._move(coils, "write")

    def write_registers(self, start: int, values: list[int]) -> int | None:
        written = dict(enumerate(values, start))
        if written.get(101, 0) > 1 or written.get(102, 0) > 1:
            return modbus.ILLEGAL_VALUE
        self.log.write("write", register=start, values=values)
        self.timeout_tenths = written.get(100, self.timeout_tenths)
        self.safe_state = written.get(101, self.safe_state)
        self.power_on_state = written.get(102, self.power_on_state)
        return None

    def image(self, values: Mapping[str, float]) -> Image:
        inputs = dict.fromkeys(range(32), 0)
        for number in STAGES:
            place = number - 1
            inputs[place] = int(values[f"stage{number}.running"])
            inputs[8 + place] = int(values[f"stage{number}.selector_auto"])
            inputs[16 + place] = int(values[f"stage{number}.breaker_closed"])
        inputs[24] = int(values["supply_healthy"])
        inputs[25] = inputs[26] = 1  # phase sequence right, control supply healthy
        inputs[27] = int(values["energised"])
        inputs[28] = int(values["supply_changeover"])
        return Image(
            coils=dict(enumerate(map(int, self.coils))),
            discretes=inputs,
            holding={100: self.timeout_tenths, 101: self.safe_state, 102: self.power_on_state},
            write_coils=self.write_coils,
            write_registers=self.write_registers,
        )

    def _move(self, wanted: list[bool], reason: str) -> None:
        """Bring coils and contacts to what is wanted, as far as stuck and welded relays let them."""
        before, contacts_before = list(self.coils), list(self.contacts)
        self.coils = [before[i] if i in self.stuck else wanted[i] for i in range(COIL_COUNT)]
        self.contacts = [contacts_before[i] if i in self.welded else self.coils[i] for i in range(COIL_COUNT)]
        released = [i for i in range(COIL_COUNT) if before[i] and not self.coils[i]]
        energised = [i for i in range(COIL_COUNT) if self.coils[i] and not before[i]]
        if released:
            last_ns = self.last_request_ns
            self.log.write("release", reason=reason, coils=released, last_valid_request_ns=last_ns)
        if energised:
            self.log.write("energise", reason=reason, coils=energised)
        if self.contacts != contacts_before:
            self.moved()


class Device:
    """One device on its line: answers requests, in the manner that its faults prescribe."""

    def __init__(
        self,
        name: str,
        clock: StationClock,
        log: EventLog,
        *,
        unit: int | None = None,
        seed: int = 1,
        ct_ratio: float = 60.0,
        noise: bool = True,
        float32: bool = False,
        turnaround_s: float = 0.0,
        timeout_s: float = 10.0,
        moved: Callable[[], None] = lambda: None,
    ) -> None:
        self.name = name
        self.unit = unit if unit is not None else (RELAY_UNIT if name == "relays" else KINDS[name].unit)
        self.values: dict[str, float] = dict(AT_REST)
        self.faults: list[Fault] = []
        self.log = log
        self._clock = clock
        self._turnaround_s = turnaround_s
        self.sensors: Sensors | None = None
        self.relays: RelayModule | None = None
        if name == "relays":
            self.relays = RelayModule(clock, log, moved, timeout_tenths=round(10 * timeout_s))
            self.relays.power_on()
        else:
            ratio = ct_ratio if name == "ct_tx" else 1.0
            kind = replace(KINDS[name], encode=float_or_nan) if float32 else KINDS[name]
            self.sensors = Sensors(kind, clock, seed, ratio, noise)

    def image(self) -> Image:
        if self.relays is not None:
            image = self.relays.image(self.values)
        else:
            assert self.sensors is not None
            image = self.sensors.image(self.values, self.faults)
        for fault in self._in_force("hole"):
            for table in (image.coils, image.discretes, image.holding, image.inputs):
                if fault.get("table") in (None, self._table_name(image, table)) and isinstance(table, dict):
                    table.pop(int(fault.get("address", 0)), None)
        return image

    def take_faults(self, faults: list[Fault]) -> None:
        """The faults now in force, instead of those before."""
        self.faults = faults
        if self.relays is not None:
            self.relays.stuck = self._places("stuck")
            self.relays.welded = self._places("welded")
            self.relays.timer_dead = bool(self._in_force("no_timeout"))
        elif self._in_force("frozen"):
            self.image()  # a frozen sensor holds what it shows now

    async def answer(self, unit: int, pdu: bytes) -> bytes | None:
        """Answer PDU, or None for silence. Another unit's request: silence, as on a shared line."""
        if unit != self.unit or not pdu or any(self._in_force(fault) for fault in DEAF_FAULTS):
            return None
        if self.relays is not None:
            self.relays.feed()
            self.log.write("request", function=pdu[0], data=pdu[1:].hex())
        refusals = self._in_force("refusing")
        if refusals:
            response = modbus.exception(pdu[0], int(refusals[0].get("code", modbus.FAILURE)))
        elif self._in_force("busy"):
            response = modbus.exception(pdu[0], modbus.BUSY)
        else:
            response = modbus.serve_request(self.image(), pdu)
        slow_s = sum(float(fault.get("seconds", 1.0)) for fault in self._in_force("slow"))
        delay_s = self._turnaround_s + slow_s
        if delay_s > 0:
            await asyncio.sleep(delay_s)
        return None if self._in_force("mute") else response

    def _in_force(self, fault: str) -> list[Fault]:
        return [item for item in self.faults if item["fault"] == fault]

    def _places(self, fault: str) -> frozenset[int]:
        items = self._in_force(fault)
        return frozenset(int(item.get("coil", int(item.get("stage", 1)) - 1)) for item in items)

    @staticmethod
    def _table_name(image: Image, table: object) -> str:
        names = (modbus.COILS, modbus.DISCRETES, modbus.HOLDING, modbus.INPUTS)
        return next(name for name in names if getattr(image, name) is table)


def check_fault(device: str, fault: str, arguments: Mapping[str, Any]) -> str:
    """ "" when the device can have this fault with these arguments, else what would be right."""
    if device == "relays":
        known = WIRE_FAULTS | RELAY_FAULTS
    elif device in KINDS:
        known = WIRE_FAULTS | SENSOR_FAULTS
    else:
        return f"no device {device!r} (one of {', '.join([*KINDS, 'relays', 'plant'])})"
    if fault not in known:
        return f"{device} has no fault {fault!r} (one of {', '.join(sorted(known))})"
    if fault == "fixed" and "value" not in arguments:
        return "fixed needs value=..."
    if fault == "injected":
        points = arguments.get("points")
        if not isinstance(points, list) or not points or any(len(row) != 2 for row in points):
            return "injected needs points=[[station second, value], ...]"
    if fault == "refusing" and not 1 <= int(arguments.get("code", 4)) <= 255:
        return f"exception code {arguments['code']} out of range (1 to 6 are usual)"
    if "stage" in arguments and int(arguments["stage"]) not in STAGES:
        return f"no stage {arguments['stage']} (1 to {len(STAGES)})"
    if "channel" in arguments and device in KINDS:
        names = [channel.name for channel in KINDS[device].channels]
        if arguments["channel"] not in ["all", *names, *(name.partition(".")[0] for name in names)]:
            return f"{device} has no channel {arguments['channel']!r} (one of {', '.join(names)}, all)"
    return ""
