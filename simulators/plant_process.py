"""The plant's process: advances the physics in station time and serves the control socket.

The socket carries JSON lines on loopback. Devices say hello, are sent values and faults, and report
their relay contacts; anyone may send commands. The physics itself stands in plant.py.
"""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import yaml

from simulators.clock import EventLog, StationClock
from simulators.devices import check_fault
from simulators.plant import STAGES, STEP_S, Plant, Programme

TICK_S = 0.02  # real time between looks at the clock
MAX_STEPS_PER_TICK = 4000  # after a pause the plant catches up in pieces and stays responsive
TRUTH_EVERY_S = 10.0  # station time between truth lines in the plant's own log
CABINET_FAULTS = frozenset({"contactor", "motor", "selector", "breaker", "supply", "changeover"})
PLANT_FAULTS = CABINET_FAULTS | {"fouled", "silent"}
_NOT_ARGUMENTS = ("command", "device", "fault", "wait", "for_s")


@dataclass(slots=True)
class Connected:
    """A device that is there now; applied: serial of the last fault list it has taken on."""

    writer: asyncio.StreamWriter
    applied: int = 0


@dataclass(slots=True)
class ControlSocket:
    """Plant, the devices connected to it and the faults in force."""

    plant: Plant
    clock: StationClock
    log: EventLog
    timeline: list[tuple[float, dict[str, Any]]] = field(default_factory=list)  # station s -> command
    devices: dict[str, Connected] = field(default_factory=dict)
    faults: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    serial: int = 0
    changed: asyncio.Condition = field(default_factory=asyncio.Condition)
    _truth_at: float = 0.0
    _running: list[bool] = field(default_factory=lambda: [False] * len(STAGES))

    async def run(self) -> None:
        """Advance the plant until cancelled."""
        while True:
            goal = int(self.clock.station_ns() / 1e9 / STEP_S)
            steps = min(MAX_STEPS_PER_TICK, goal - self.plant.steps)
            for _ in range(steps):
                self.plant.step()
                self._note_stages()
                if self.plant.time_s >= self._truth_at:
                    self._truth_at = self.plant.time_s + TRUTH_EVERY_S
                    self.log.write("truth", truth=self.plant.truth())
                while self.timeline and self.timeline[0][0] <= self.plant.time_s:
                    command = self.timeline.pop(0)[1]
                    try:
                        await self._command({**command, "wait": False})
                    except (ValueError, KeyError, TypeError) as error:
                        self.log.write("refused", command=command, error=str(error))
            await self._expire()
            if steps > 0 and not self._has("plant", "silent"):
                self._send_all({"values": self.plant.truth()})
            await asyncio.sleep(TICK_S)

    def _note_stages(self) -> None:
        for index, stage in enumerate(self.plant.stages):
            if stage.running != self._running[index]:
                self._running[index] = stage.running
                self.log.write("stage", stage=index + 1, running=stage.running, time_s=self.plant.time_s)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection: a device from its hello on, otherwise someone with commands."""
        name = ""
        try:
            while line := await reader.readline():
                try:
                    message = json.loads(line)
                    if not isinstance(message, dict):
                        raise ValueError("a command is a JSON object")
                    if "hello" in message:
                        name = str(message["hello"])
                        self.devices[name] = Connected(writer)
                        self.log.write("device", device=name, present=True)
                        self._send(name, {"values": self.plant.truth()})
                        self._send_faults(name)
                    elif "contacts" in message:
                        self._contacts(message["contacts"])
                    elif "applied" in message:
                        self.devices[name].applied = int(message["applied"])
                    else:
                        reply = {"ok": True, **await self._command(message)}
                        writer.write((json.dumps(reply) + "\n").encode())
                except (ValueError, KeyError, TypeError) as error:
                    what = f"missing {error}" if isinstance(error, KeyError) else str(error)
                    writer.write((json.dumps({"ok": False, "error": what}) + "\n").encode())
                await self._notify()
        except ConnectionError:
            pass  # whoever it was has gone
        finally:
            if name and self.devices.get(name) is not None and self.devices[name].writer is writer:
                del self.devices[name]
                self.log.write("device", device=name, present=False)
                if name == "relays":
                    # No module, no power on its relays: they open, and the stages run.
                    self._contacts([False] * len(STAGES))
                await self._notify()
            writer.close()

    async def _notify(self) -> None:
        async with self.changed:
            self.changed.notify_all()

    def _contacts(self, contacts: list[bool]) -> None:
        held = [bool(contact) for contact in contacts[: len(STAGES)]]
        if held != self.plant.held_off:
            self.plant.held_off = held
            self.log.write("contacts", held_off=held)

    # --- to the devices -----------------------------------------------------------------------

    def _send(self, name: str, message: Mapping[str, Any]) -> None:
        device = self.devices[name]
        # A device that hangs does not read: it gets no more than its buffer holds.
        if device.writer.transport.get_write_buffer_size() < 1 << 16 or "faults" in message:
            device.writer.write((json.dumps(message) + "\n").encode())

    def _send_all(self, message: Mapping[str, Any]) -> None:
        for name in self.devices:
            self._send(name, message)

    def _send_faults(self, name: str) -> None:
        self.serial += 1
        self._send(name, {"faults": self.faults.get(name, []), "serial": self.serial})

    def _has(self, device: str, fault: str) -> bool:
        return any(item["fault"] == fault for item in self.faults.get(device, []))

    # --- commands -----------------------------------------------------------------------------

    async def _command(self, message: Mapping[str, Any]) -> dict[str, Any]:
        name = message.get("command")
        plant = self.plant
        if name not in ("truth", "status", "wait_devices"):
            self.log.write("command", **{k: v for k, v in message.items() if k != "wait"})
        match name:
            case "load":
                value = _number(message, "value", 0.0, 5.0)
                over_s = _number(message, "over_s", 0.0, 1e7, 0.0)
                plant.load = Programme.ramp(plant.time_s, plant.load.at(plant.time_s), value, over_s)
            case "ambient":
                if message.get("value") is None:
                    plant.ambient = None
                else:
                    value = _number(message, "value", -60.0, 70.0)
                    over_s = _number(message, "over_s", 0.0, 1e7, 0.0)
                    plant.ambient = Programme.ramp(plant.time_s, plant.ambient_c(), value, over_s)
            case "energised":
                plant.energised = bool(message["value"])
            case "fault":
                return await self._fault(message)
            case "clear":
                return await self._clear(message)
            case "truth":
                return {"truth": plant.truth()}
            case "status":
                return {
                    "station_ns": self.clock.station_ns(),
                    "rate": self.clock.rate,
                    "truth": plant.truth(),
                    "devices": sorted(self.devices),
                    "faults": {device: items for device, items in self.faults.items() if items},
                }
            case "wait_devices":
                wanted, present = set(message["devices"]), message.get("present", True)
                await self._wait(lambda: all((device in self.devices) is present for device in wanted))
            case _:
                known = "load, ambient, energised, fault, clear, truth, status"
                raise ValueError(f"unknown command {name!r} (one of {known})")
        return {}

    async def _wait(self, condition: Any) -> None:
        try:
            async with asyncio.timeout(10.0), self.changed:
                await self.changed.wait_for(condition)
        except TimeoutError:
            raise ValueError("the devices did not follow within 10 s") from None

    async def _fault(self, message: Mapping[str, Any]) -> dict[str, Any]:
        device, fault = str(message["device"]), str(message["fault"])
        own = device == "plant" or (device == "relays" and fault in CABINET_FAULTS)
        own = own and fault in PLANT_FAULTS
        arguments = {k: v for k, v in message.items() if k not in _NOT_ARGUMENTS}
        if own:
            device = "plant"
            if fault == "selector" and arguments.get("position", "off") not in ("off", "manual"):
                raise ValueError(f"selector position {arguments['position']!r} (off or manual)")
            if "stage" in arguments and int(arguments["stage"]) not in STAGES:
                raise ValueError(f"no stage {arguments['stage']} (1 to {len(STAGES)})")
            if fault == "fouled":
                _number(message, "condition", 0.05, 1.0, 0.6)
        elif device == "plant":
            raise ValueError(f"the plant has no fault {fault!r} (one of {', '.join(sorted(PLANT_FAULTS))})")
        elif wrong := check_fault(device, fault, arguments):
            raise ValueError(wrong)
        self.serial += 1
        now_ns = self.clock.station_ns()
        item = {**arguments, "fault": fault, "id": self.serial, "since_ns": now_ns}
        lasts_s = message.get("for_s", arguments.get("seconds", 5.0) if fault == "rebooting" else None)
        if lasts_s is not None:
            item["until_ns"] = now_ns + int(float(lasts_s) * 1e9)
        if fault == "injected":  # one test set on a channel: a second one takes the place of the first
            self.faults[device] = [
                other
                for other in self.faults.get(device, [])
                if other["fault"] != fault or other.get("channel") != item.get("channel")
            ]
        self.faults.setdefault(device, []).append(item)
        applied = await self._spread(device, bool(message.get("wait", True)))
        return {"id": item["id"], "applied": applied}

    async def _clear(self, message: Mapping[str, Any]) -> dict[str, Any]:
        device, fault = message.get("device"), message.get("fault")
        cleared = 0
        if device == "relays" and fault in CABINET_FAULTS:
            device = "plant"
        for name in [n for n, items in self.faults.items() if items]:
            # A relay module's faults include those of the contactors behind it.
            if device not in (None, name) and not (device == "relays" and name == "plant" and fault is None):
                continue
            kept = [item for item in self.faults[name] if fault not in (None, item["fault"])]
            cleared += len(self.faults[name]) - len(kept)
            self.faults[name] = kept
            await self._spread(name, bool(message.get("wait", True)))
        return {"cleared": cleared}

    async def _expire(self) -> None:
        now_ns = self.clock.station_ns()
        for name, items in list(self.faults.items()):
            kept = [item for item in items if item.get("until_ns", math.inf) > now_ns]
            if len(kept) < len(items):
                self.faults[name] = kept
                await self._spread(name, False)

    async def _spread(self, device: str, wait: bool) -> bool:
        """Bring the faults in force to where they act; False: the device is not there now."""
        if device == "plant":
            self._fault_plant()
            return True
        if device not in self.devices:
            return False
        self._send_faults(device)
        serial = self.serial
        if wait:
            await self._wait(lambda: device not in self.devices or self.devices[device].applied >= serial)
        return True

    def _fault_plant(self) -> None:
        faults = self.faults.get("plant", [])
        self.plant.supply_healthy = not self._has("plant", "supply")
        self.plant.supply_changeover = self._has("plant", "changeover")
        fouled = [float(item.get("condition", 0.6)) for item in faults if item["fault"] == "fouled"]
        self.plant.radiator_condition = min(fouled, default=1.0)
        for number, stage in zip(STAGES, self.plant.stages, strict=True):
            mine = {item["fault"]: item for item in faults if int(item.get("stage", 1)) == number}
            stage.contactor_works = "contactor" not in mine
            stage.motor_works = "motor" not in mine
            stage.breaker_closed = "breaker" not in mine
            stage.selector = mine["selector"].get("position", "off") if "selector" in mine else "auto"


def _number(
    message: Mapping[str, Any], key: str, low: float, high: float, default: float | None = None
) -> float:
    value = message.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ValueError(f"{key} is {value!r} (a number from {low:g} to {high:g})")
    return float(value)


@dataclass(frozen=True, slots=True)
class Scenario:
    """Load [per unit] and ambient [degC] over station time [s], and commands at station times [s]."""

    load: Programme | None = None
    ambient: Programme | None = None
    timeline: tuple[tuple[float, dict[str, Any]], ...] = ()


def read_scenario(path: Path) -> Scenario:
    """A YAML or JSON file; ValueError says which key is wrong.

    load_pu: and ambient_c: lists of [minute, value]; straight lines between, two rows at one minute
    make a step. commands: a list of {at_min: ..., command: fault, device: ..., fault: ..., ...}.
    """
    data = yaml.safe_load(path.read_text(encoding="utf-8")) or {}
    unknown = set(data) - {"load_pu", "ambient_c", "commands"}
    if unknown:
        raise ValueError(f"{path}: {sorted(unknown)[0]}: unknown key (load_pu, ambient_c or commands)")

    def programme(key: str) -> Programme | None:
        rows = data.get(key)
        if rows is None:
            return None
        try:
            points = tuple((60.0 * float(minute), float(value)) for minute, value in rows)
        except (TypeError, ValueError):
            raise ValueError(f"{path}: {key}: not a list of [minute, value]") from None
        if not points or any(later[0] < earlier[0] for earlier, later in pairwise(points)):
            raise ValueError(f"{path}: {key}: minutes must not go back, and there must be some")
        return Programme(points)

    commands = sorted(data.get("commands", []), key=lambda item: float(item["at_min"]))
    timeline = tuple(
        (60.0 * float(c["at_min"]), {k: v for k, v in c.items() if k != "at_min"}) for c in commands
    )
    return Scenario(programme("load_pu"), programme("ambient_c"), timeline)
