"""``python -m simulators``: the simulated station, one device alone, and commands to a running station.

Arguments and printing only.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import ctypes
import json
import os
import signal
import socket
import sys
import time
from pathlib import Path
from typing import Any

from simulators.clock import EventLog, StationClock
from simulators.device_process import DeviceProcess
from simulators.devices import AT_REST, Device, check_fault
from simulators.modbus import Server
from simulators.plant import Plant, Programme
from simulators.plant_process import ControlSocket, read_scenario
from simulators.raw import RawServer, read_script
from simulators.station import CONTROL_PORT, DEVICES, Station, StationError

PR_SET_PDEATHSIG = 1  # prctl(2)

EPILOG = """examples:
  python -m simulators station --rate 60 --load 0.9     the whole station on 127.0.0.1, until Ctrl-C
  python -m simulators fault oil_tx open channel=top_oil_c
  python -m simulators fault relays contactor stage=2
  python -m simulators load 1.3 --over-s 600
  python -m simulators clear
  python -m simulators status
  python -m simulators device oil_tx --port 1502 --set top_oil_c=63.2    one device on the bench
  python -m simulators raw --port 1502 --script answers.json              timing and framing faults
"""


def end_with_parent(parent: int) -> None:
    """Let the kernel end this process when its parent ends, even when this one is stopped (Linux)."""
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        sys.exit("the parent has ended")


def _clock(arguments: argparse.Namespace) -> StationClock:
    epoch_ns = arguments.epoch_ns if arguments.epoch_ns is not None else time.monotonic_ns()
    return StationClock(arguments.rate, epoch_ns)


async def run_plant(arguments: argparse.Namespace) -> None:
    clock = _clock(arguments)
    plant = Plant(seed=arguments.seed, start_hour=arguments.start_hour)
    plant.load = Programme(((0.0, arguments.load),))
    if arguments.ambient is not None:
        plant.ambient = Programme(((0.0, arguments.ambient),))
    control = ControlSocket(plant, clock, EventLog(arguments.log, clock))
    if arguments.scenario is not None:
        scenario = read_scenario(arguments.scenario)
        plant.load = scenario.load or plant.load
        plant.ambient = scenario.ambient or plant.ambient
        control.timeline = list(scenario.timeline)
    plant.settle(arguments.running_at_start)
    server = await asyncio.start_server(control.serve, "127.0.0.1", arguments.port, limit=1 << 20)
    print(json.dumps({"ready": "plant", "port": server.sockets[0].getsockname()[1]}), flush=True)
    await control.run()


async def run_device(arguments: argparse.Namespace) -> None:
    clock = _clock(arguments)
    log = EventLog(arguments.log, clock)
    plant = None
    if arguments.plant is not None:
        host, _, port = arguments.plant.rpartition(":")
        plant = (host, int(port))
    devices = [
        Device(
            name,
            clock,
            log,
            unit=arguments.unit,
            seed=arguments.seed,
            ct_ratio=arguments.ct_ratio,
            noise=plant is not None,
            float32=arguments.float32,
            turnaround_s=arguments.turnaround_ms / 1000.0,
            timeout_s=arguments.timeout_s,
        )
        for name in arguments.name
    ]
    for device in devices:
        device.values.update(dict(arguments.set))
    process = DeviceProcess(devices, log, None, arguments.serial, plant)
    if arguments.serial is None:
        process.server = Server(
            process.answer,
            log.write,
            framing=arguments.framing,
            host=arguments.host,
            port=arguments.port,
            max_connections=arguments.max_connections,
        )
    for number, (fault, options) in enumerate(arguments.fault):
        for device in devices:
            await process.take_faults(
                device,
                [*device.faults, {"id": number, "since_ns": clock.station_ns(), "fault": fault, **options}],
            )
    if process.server is not None:
        await process.server.open()
    port = process.server.port if process.server is not None else 0
    units = {device.name: device.unit for device in devices}
    print(json.dumps({"ready": "+".join(arguments.name), "port": port, "units": units}), flush=True)
    await process.run()


async def run_station(arguments: argparse.Namespace) -> None:
    ports = dict(zip(DEVICES, arguments.ports, strict=True))
    station = Station(
        rate=arguments.rate,
        seed=arguments.seed,
        load=arguments.load,
        ambient_c=arguments.ambient,
        scenario=arguments.scenario,
        running_at_start=arguments.running_at_start,
        start_hour=arguments.start_hour,
        ports=ports,
        control_port=arguments.control_port,
        ct_ratio=arguments.ct_ratio,
        relay_timeout_s=arguments.timeout_s,
        options=dict.fromkeys(DEVICES, ("--framing", arguments.framing)),
        log_dir=arguments.log_dir,
    )
    stopped = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopped.set)
    async with station:
        where = {"control": station.control_port, "logs": str(station.log_dir), "rate": station.rate}
        print(json.dumps({"station": "running", "ports": station.ports, **where}), flush=True)
        while not stopped.is_set():
            truth = await station.truth()
            running = [number for number in (1, 2, 3) if truth[f"stage{number}.running"]]
            hottest = max(value for name, value in truth.items() if name.endswith("hot_spot_c"))
            print(
                f"{truth['time_s']:8.0f} s  load {truth['load_pu']:.2f}  ambient {truth['ambient_c']:5.1f} C"
                f"  top oil {truth['top_oil_c']:5.1f} C  hot spot {hottest:5.1f} C  stages running {running}",
                flush=True,
            )
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stopped.wait(), arguments.print_s)


async def run_raw(arguments: argparse.Namespace) -> None:
    server = RawServer(read_script(arguments.script), framing=arguments.framing)
    await server.start(arguments.host, arguments.port)
    print(json.dumps({"ready": "raw", "port": server.port}), flush=True)
    async for event in server.events():
        print(json.dumps(event), flush=True)


def command(arguments: argparse.Namespace, message: dict[str, Any]) -> int:
    """Send one command to a running station and print its reply."""
    try:
        with socket.create_connection(("127.0.0.1", arguments.control_port), 5.0) as connection:
            connection.settimeout(20.0)
            connection.sendall((json.dumps(message) + "\n").encode())
            reply = json.loads(connection.makefile().readline())
    except (OSError, ValueError) as error:
        where = f"127.0.0.1:{arguments.control_port}"
        print(f"no station at {where}: {error} (start one, or give --control-port)", file=sys.stderr)
        return 1
    if not reply.pop("ok"):
        print(reply["error"], file=sys.stderr)
        return 64
    print(json.dumps(reply, indent=2) if message["command"] == "status" else json.dumps(reply))
    return 0


def _pair(text: str) -> tuple[str, Any]:
    key, separator, value = text.partition("=")
    if not separator:
        raise argparse.ArgumentTypeError(f"{text!r} is not key=value")
    try:
        return key, json.loads(value)
    except ValueError:
        return key, value


def _set(text: str) -> tuple[str, float]:
    key, value = _pair(text)
    if key not in AT_REST or isinstance(value, bool) or not isinstance(value, int | float):
        raise argparse.ArgumentTypeError(f"{text!r}: not one of {', '.join(AT_REST)} = number")
    return key, float(value)


def _fault(text: str) -> tuple[str, dict[str, Any]]:
    name, *pairs = text.split(",")
    return name, dict(_pair(pair) for pair in pairs)


def _ports(text: str) -> list[int]:
    ports = [int(part) for part in text.split(",")]
    if len(ports) != len(DEVICES):
        raise argparse.ArgumentTypeError(f"{len(DEVICES)} ports, for {', '.join(DEVICES)}")
    return ports


def build_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulators",
        description="Simulated transformer, cooling cabinet and Modbus devices.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    timing = argparse.ArgumentParser(add_help=False)
    timing.add_argument("--rate", type=float, default=1.0, help="station seconds per real second")
    timing.add_argument("--seed", type=int, default=1, help="of noise and load fluctuation")
    process = argparse.ArgumentParser(add_help=False)
    process.add_argument("--epoch-ns", type=int, help="monotonic time of station time 0; left out: now")
    process.add_argument("--log", type=Path, help="JSON lines file to append to")
    process.add_argument("--parent", type=int, help="end when this process, the parent, ends")
    weather = argparse.ArgumentParser(add_help=False)
    weather.add_argument("--load", type=float, default=0.6, help="per unit of rated current")
    weather.add_argument("--ambient", type=float, help="fixed ambient [degC]; left out: day and night")
    weather.add_argument("--scenario", type=Path, help="YAML or JSON file, see simulators/README.md")
    weather.add_argument(
        "--running-at-start", type=int, default=0, choices=range(4), help="stages while it settled"
    )
    weather.add_argument("--start-hour", type=float, default=12.0, help="hour of the day at station time 0")
    wire = argparse.ArgumentParser(add_help=False)
    wire.add_argument("--framing", choices=("tcp", "rtu"), default="tcp", help="rtu: RTU frames over TCP")
    wire.add_argument("--ct-ratio", type=float, default=60.0, help="primary per secondary ampere (300/5)")
    wire.add_argument("--timeout-s", type=float, default=10.0, help="relay module's communication timeout")
    control = argparse.ArgumentParser(add_help=False)
    control.add_argument("--control-port", type=int, default=CONTROL_PORT)

    sub = parser.add_subparsers(dest="what", required=True)
    station = sub.add_parser(
        "station", parents=[timing, weather, wire, control], help="everything, in the foreground"
    )
    station.add_argument(
        "--ports", type=_ports, default=list(DEVICES.values()), help="four ports; 0 = a free one"
    )
    station.add_argument("--log-dir", type=Path, help="where the logs stay; left out: removed at the end")
    station.add_argument("--print-s", type=float, default=5.0, help="real seconds between lines")

    plant = sub.add_parser("plant", parents=[timing, process, weather], help="the plant's process alone")
    plant.add_argument("--port", type=int, default=CONTROL_PORT)

    device = sub.add_parser(
        "device", parents=[timing, process, wire], help="a device alone, or several on one line"
    )
    device.add_argument("name", nargs="+", choices=DEVICES)
    device.add_argument("--host", default="127.0.0.1")
    device.add_argument("--port", type=int, default=0, help="0 = a free one, printed")
    device.add_argument("--serial", help="serial line or pseudo terminal instead of a port: RTU")
    device.add_argument("--unit", type=int, help="Modbus unit id, instead of 1 to 4 as they are listed")
    device.add_argument("--plant", help="HOST:PORT of the control socket; left out: alone")
    device.add_argument(
        "--set", type=_set, action="append", default=[], metavar="KEY=VALUE", help="a plant value"
    )
    device.add_argument("--fault", type=_fault, action="append", default=[], metavar="FAULT[,KEY=VALUE...]")
    device.add_argument("--float32", action="store_true", help="registers as float32, low word first")
    device.add_argument("--turnaround-ms", type=float, default=0.0, help="before each answer")
    device.add_argument("--max-connections", type=int, default=8)

    raw = sub.add_parser("raw", help="answers scripted byte by byte")
    raw.add_argument("--script", type=Path, required=True, help="JSON file, see simulators/README.md")
    raw.add_argument("--framing", choices=("tcp", "rtu"), default="tcp")
    raw.add_argument("--host", default="127.0.0.1")
    raw.add_argument("--port", type=int, default=0)

    fault = sub.add_parser("fault", parents=[control], help="put a fault on a device of a running station")
    fault.add_argument("device", choices=(*DEVICES, "plant"))
    fault.add_argument("fault")
    fault.add_argument("arguments", nargs="*", type=_pair, metavar="KEY=VALUE")
    clear = sub.add_parser("clear", parents=[control], help="end faults: all, of one device, of one name")
    clear.add_argument("device", nargs="?", choices=(*DEVICES, "plant"))
    clear.add_argument("fault", nargs="?")
    load = sub.add_parser("load", parents=[control], help="set the load [per unit]")
    load.add_argument("value", type=float)
    load.add_argument("--over-s", type=float, default=0.0, help="as a ramp [station s]")
    ambient = sub.add_parser(
        "ambient", parents=[control], help="set the ambient [degC], or 'day' for day and night"
    )
    ambient.add_argument("value", type=lambda text: None if text == "day" else float(text))
    ambient.add_argument("--over-s", type=float, default=0.0, help="as a ramp [station s]")
    energised = sub.add_parser("energised", parents=[control], help="switch the transformer on or off")
    energised.add_argument("value", choices=("on", "off"))
    sub.add_parser("status", parents=[control], help="truth, devices and faults of a running station")
    return parser


def main() -> int:
    parser = build_parser()
    arguments = parser.parse_args()
    if getattr(arguments, "rate", 1.0) <= 0:
        parser.error("--rate must be above 0")
    if getattr(arguments, "parent", None) is not None:
        end_with_parent(arguments.parent)
    match arguments.what:
        case "fault":
            message = {"command": "fault", "device": arguments.device, "fault": arguments.fault}
            return command(arguments, {**dict(arguments.arguments), **message})
        case "clear":
            return command(
                arguments, {"command": "clear", "device": arguments.device, "fault": arguments.fault}
            )
        case "load" | "ambient":
            return command(
                arguments, {"command": arguments.what, "value": arguments.value, "over_s": arguments.over_s}
            )
        case "energised":
            return command(arguments, {"command": "energised", "value": arguments.value == "on"})
        case "status":
            return command(arguments, {"command": "status"})
    if arguments.what == "device":
        for name in arguments.name:
            for fault, options in arguments.fault:
                if wrong := check_fault(name, fault, options):
                    parser.error(wrong)
    runs = {"station": run_station, "plant": run_plant, "device": run_device, "raw": run_raw}
    try:
        asyncio.run(runs[arguments.what](arguments))
    except KeyboardInterrupt:
        return 0
    except (OSError, StationError, ValueError) as error:
        print(f"{arguments.what}: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
