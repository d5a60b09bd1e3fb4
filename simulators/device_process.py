"""The process of one device: its server or serial line, its link to the plant, its timeout.

Wiring only: what a device does stands in devices.py, how it talks in modbus.py.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from simulators.clock import EventLog
from simulators.devices import Device, Fault, RelayModule
from simulators.modbus import Server, serve_serial


@dataclass(slots=True)
class DeviceProcess:
    """devices: one, or several that share one line. server: None when serial_path is given.

    plant: host and port of the plant's control socket, or None: alone, with set values.
    """

    devices: list[Device]
    log: EventLog
    server: Server | None
    serial_path: str | None = None
    plant: tuple[str, int] | None = None
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    _powered: bool = True

    async def answer(self, unit: int, pdu: bytes) -> bytes | None:
        for device in self.devices:
            if device.unit == unit:
                response = await device.answer(unit, pdu)
                self.changed.set()  # the timeout has been fed, or its register written
                return response
        return None

    async def run(self) -> None:
        """Serve until cancelled or the serial line hangs up."""
        async with asyncio.TaskGroup() as group:
            for device in self.devices:
                if device.relays is not None:
                    group.create_task(self._watch_timeout(device))
                if self.plant is not None:
                    group.create_task(self._follow_plant(device, *self.plant))
            if self.serial_path is not None:
                group.create_task(serve_serial(self.serial_path, self.answer, self.log.write))
            else:
                group.create_task(asyncio.Event().wait())

    async def _watch_timeout(self, device: Device) -> None:
        relays = device.relays
        assert relays is not None
        while True:
            left_s = relays.timeout_left_s()
            if left_s is not None and left_s <= 0.0:
                relays.check_timeout()
                continue
            self.changed.clear()
            wait_s = None if left_s is None else relays.clock.real_s(left_s)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self.changed.wait(), wait_s)

    async def _follow_plant(self, device: Device, host: str, port: int) -> None:
        """Take values and faults from the plant, report contacts; whenever it is there."""
        while True:
            try:
                reader, writer = await asyncio.open_connection(host, port, limit=1 << 20)
            except OSError:
                await asyncio.sleep(0.1)
                continue
            try:
                self._tell(writer, hello=device.name)
                if device.relays is not None:
                    device.relays.moved = partial(self._tell_contacts, writer, device.relays)
                    device.relays.moved()
                while line := await reader.readline():
                    message = json.loads(line)
                    device.values.update(message.get("values", {}))
                    if "faults" in message:
                        await self.take_faults(device, message["faults"])
                        self._tell(writer, applied=message["serial"])
            except ConnectionError:
                pass  # the plant has gone: keep the last values and look for it again
            finally:
                if device.relays is not None:
                    device.relays.moved = lambda: None
                writer.close()

    def _tell_contacts(self, writer: asyncio.StreamWriter, relays: RelayModule) -> None:
        self._tell(writer, contacts=relays.contacts)

    @staticmethod
    def _tell(writer: asyncio.StreamWriter, **message: Any) -> None:
        writer.write((json.dumps(message) + "\n").encode())

    async def take_faults(self, device: Device, faults: list[Fault]) -> None:
        device.take_faults(faults)
        device.log.write("faults", faults=faults)
        names = {item["fault"] for item in faults}
        if ("rebooting" in names) == self._powered:
            self._powered = not self._powered
            if device.relays is not None:
                (device.relays.power_on if self._powered else device.relays.power_off)()
        if self.server is not None:
            if names & {"cut", "rebooting"}:
                await self.server.close()
            else:
                await self.server.open()
