"""The whole simulated station for tests and demonstrations: start, command, kill, read logs, stop.

Only starts processes and speaks to the plant's control socket; no physics and no Modbus here.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from simulators.clock import StationClock, read_log

#: Device name -> default port, in the order they are started.
DEVICES = {"oil_tx": 15021, "ct_tx": 15022, "relays": 15023, "fibre": 15024}
CONTROL_PORT = 15020

Event = dict[str, Any]


class StationError(RuntimeError):
    """The station could not do what it was asked; the text says which part and why."""


class Station:
    """Plant and four devices as processes of their own; an async context manager.

        async with Station(rate=60, load=0.8) as station:
            port = station.ports["oil_tx"]
            await station.fault("oil_tx", "open", channel="top_oil_c")
            await station.wait_log("relays", lambda e: e["event"] == "release")

    rate: station seconds per real second. seed: of noise and load fluctuation.
    load: per unit of rated current. ambient_c: fixed [degC]; None gives day and night.
    scenario: path of a scenario file (see README). running_at_start: stages taken as running
    while the transformer settled before station time 0. ports: device -> port; 0 or left out: a
    free one. devices: which of DEVICES to start. ct_ratio: primary per secondary ampere (300/5).
    relay_timeout_s: the module's communication timeout [station s]. options: device -> further
    command-line arguments of ``python -m simulators device``. log_dir: kept; None: a temporary
    directory, removed at the end. Processes end with the parent, however it ends (Linux), so
    start the station from the main thread.
    """

    def __init__(
        self,
        *,
        rate: float = 1.0,
        seed: int = 1,
        load: float = 0.6,
        ambient_c: float | None = None,
        scenario: Path | str | None = None,
        running_at_start: int = 0,
        start_hour: float = 12.0,
        ports: Mapping[str, int] | None = None,
        control_port: int = 0,
        devices: tuple[str, ...] = tuple(DEVICES),
        ct_ratio: float = 60.0,
        relay_timeout_s: float = 10.0,
        options: Mapping[str, tuple[str, ...]] | None = None,
        log_dir: Path | str | None = None,
    ) -> None:
        unknown = (set(devices) | set(ports or {})) - set(DEVICES)
        if unknown:
            raise ValueError(f"no simulated device {sorted(unknown)[0]!r} (one of {', '.join(DEVICES)})")
        self.rate = rate
        self.seed = seed
        self.ports: dict[str, int] = {name: (ports or {}).get(name, 0) for name in devices}
        self.control_port = control_port
        self._plant_arguments = [
            "--load", str(load),
            "--running-at-start", str(running_at_start),
            "--start-hour", str(start_hour),
        ]  # fmt: skip
        if ambient_c is not None:
            self._plant_arguments += ["--ambient", str(ambient_c)]
        if scenario is not None:
            self._plant_arguments += ["--scenario", str(scenario)]
        self._options = {name: tuple((options or {}).get(name, ())) for name in devices}
        self._options["ct_tx"] = ("--ct-ratio", str(ct_ratio), *self._options.get("ct_tx", ()))
        self._options["relays"] = ("--timeout-s", str(relay_timeout_s), *self._options.get("relays", ()))
        self._temporary = log_dir is None
        self.log_dir = Path(log_dir) if log_dir is not None else Path()
        self.clock = StationClock(rate, time.monotonic_ns())
        self._processes: dict[str, asyncio.subprocess.Process] = {}
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._turn = asyncio.Lock()

    # --- life ---------------------------------------------------------------------------------

    async def __aenter__(self) -> Station:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    async def start(self) -> None:
        """Start the plant, then the devices; returns when all answer. StationError names what did not."""
        if self._temporary:
            self.log_dir = Path(tempfile.mkdtemp(prefix="station-"))
        self.log_dir.mkdir(parents=True, exist_ok=True)
        self.clock = StationClock(self.rate, time.monotonic_ns())
        try:
            self.control_port = await self._spawn("plant")
            self._reader, self._writer = await asyncio.open_connection("127.0.0.1", self.control_port)
            ready = await asyncio.gather(*(self._spawn(name) for name in self.ports))
            self.ports = dict(zip(self.ports, ready, strict=True))
            await self.command("wait_devices", devices=list(self.ports))
        except BaseException:
            await self.stop()
            raise

    async def stop(self) -> None:
        """End every process and, when it was temporary, the log directory. May be called twice."""
        if self._writer is not None:
            self._writer.close()
            self._writer = None
        for process in self._processes.values():
            with contextlib.suppress(ProcessLookupError):
                process.kill()
        for process in self._processes.values():
            await process.wait()
        self._processes.clear()
        if self._temporary and self.log_dir != Path():
            shutil.rmtree(self.log_dir, ignore_errors=True)

    async def kill(self, name: str) -> None:
        """SIGKILL a device (or "plant") and wait until it is gone: a device without power."""
        process = self._processes[name]
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
        if name != "plant" and self._processes["plant"].returncode is None:
            await self.command("wait_devices", devices=[name], present=False)

    async def revive(self, name: str) -> None:
        """Start a killed device again on its old port; the faults put on it are still there."""
        port = await self._spawn(name)
        if name == "plant":
            self._reader, self._writer = await asyncio.open_connection("127.0.0.1", port)
        else:
            await self.command("wait_devices", devices=[name])

    async def reboot(self, name: str) -> None:
        """Power cycle: kill and start again on the same port."""
        await self.kill(name)
        await self.revive(name)

    def pause(self, name: str) -> None:
        """SIGSTOP: the process hangs, its sockets stay open."""
        os.kill(self.pid(name), signal.SIGSTOP)

    def resume(self, name: str) -> None:
        os.kill(self.pid(name), signal.SIGCONT)

    def pid(self, name: str) -> int:
        return self._processes[name].pid

    # --- commands -----------------------------------------------------------------------------

    async def fault(self, device: str, fault: str, **arguments: Any) -> Event:
        """Put a fault on a device (or "plant"); returns when the device has taken it on.

        E.g. fault("oil_tx", "open", channel="top_oil_c"), fault("relays", "stuck", stage=2),
        fault("ct_tx", "slow", seconds=0.5), fault("relays", "rebooting", seconds=20). The README
        lists them all. for_s=... lets it end by itself after so many station seconds.
        """
        return await self.command("fault", device=device, fault=fault, **arguments)

    async def clear(self, device: str | None = None, fault: str | None = None) -> Event:
        """End the faults of that name on that device; left out: of any name, on every device."""
        return await self.command("clear", device=device, fault=fault)

    async def set_load(self, load_pu: float, over_s: float = 0.0) -> None:
        """Load in per unit of rated current, at once or as a ramp over so many station seconds."""
        await self.command("load", value=load_pu, over_s=over_s)

    async def set_ambient(self, ambient_c: float | None, over_s: float = 0.0) -> None:
        """Ambient [degC]; None returns to day and night."""
        await self.command("ambient", value=ambient_c, over_s=over_s)

    async def set_energised(self, energised: bool) -> None:
        await self.command("energised", value=energised)

    async def truth(self) -> dict[str, float]:
        """The plant's true values by name (see README), without sensor noise or faults."""
        reply = await self.command("truth")
        return dict(reply["truth"])

    async def wait_truth(
        self, wanted: Callable[[dict[str, float]], bool], *, timeout_s: float = 20.0
    ) -> dict[str, float]:
        """The plant's true values as soon as they are what is wanted; TimeoutError after real seconds."""
        async with asyncio.timeout(timeout_s):
            while True:
                truth = await self.truth()
                if wanted(truth):
                    return truth
                await asyncio.sleep(0.02)

    async def status(self) -> Event:
        """Truth, station time, devices connected, faults in force."""
        return await self.command("status")

    async def command(self, name: str, **arguments: Any) -> Event:
        """One command to the plant's control socket. StationError when it is refused."""
        if self._writer is None or self._reader is None:
            raise StationError("the station is not running")
        async with self._turn:
            self._writer.write((json.dumps({"command": name, **arguments}) + "\n").encode())
            line = await asyncio.wait_for(self._reader.readline(), 20.0)
        if not line:
            raise StationError("the plant process has ended")
        reply: Event = json.loads(line)
        if not reply.get("ok"):
            raise StationError(str(reply.get("error")))
        return reply

    # --- logs ---------------------------------------------------------------------------------

    def log(self, name: str) -> list[Event]:
        """The device's own log so far: mono_ns [real ns], station_ns, event, and the event's fields."""
        return read_log(self.log_dir / f"{name}.jsonl")

    async def wait_log(
        self, name: str, wanted: Callable[[Event], bool], *, after_ns: int = 0, timeout_s: float = 20.0
    ) -> Event:
        """First event at or after after_ns (real monotonic ns) that is wanted; TimeoutError without one."""
        async with asyncio.timeout(timeout_s):
            while True:
                for event in self.log(name):
                    if event["mono_ns"] >= after_ns and wanted(event):
                        return event
                await asyncio.sleep(0.02)

    # --- processes ----------------------------------------------------------------------------

    async def _spawn(self, name: str) -> int:
        common = [
            "--rate", str(self.rate),
            "--epoch-ns", str(self.clock.epoch_ns),
            "--seed", str(self.seed),
            "--log", str(self.log_dir / f"{name}.jsonl"),
            "--parent", str(os.getpid()),
        ]  # fmt: skip
        if name == "plant":
            arguments = ["plant", "--port", str(self.control_port), *common, *self._plant_arguments]
        else:
            plant = ["--plant", f"127.0.0.1:{self.control_port}"]
            arguments = [
                "device",
                name,
                "--port",
                str(self.ports[name]),
                *plant,
                *common,
                *self._options[name],
            ]
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "simulators", *arguments,
            # Ctrl-C is for the parent alone: it ends the processes in its own order.
            start_new_session=True,
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        self._processes[name] = process
        assert process.stdout is not None
        try:
            line = await asyncio.wait_for(process.stdout.readline(), 30.0)
        except TimeoutError:
            raise StationError(f"{name} did not start within 30 s") from None
        if not line:
            raise StationError(f"{name} ended at its start, exit status {await process.wait()}")
        return int(json.loads(line)["port"])
