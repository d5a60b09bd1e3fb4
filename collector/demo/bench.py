"""A bench: simulated station, broker, daemon and subscriber as processes, with everybody's own logs.

Used by the demonstration and by the end-to-end tests. It starts and stops; it judges nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import json
import os
import re
import signal
import socket
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

from collector.operator import OperatorClient, OperatorError
from collector.settings import example
from simulators.station import DEVICES, Station

Message = dict[str, Any]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def settings_text(
    data_dir: Path, device_ports: Mapping[str, int], mqtt_port: int, scada_port: int, publish_s: float
) -> str:
    """The packaged demo settings with this bench's ports and data directory."""
    text = example("demo.yaml").read_text(encoding="utf-8")
    ports = {DEVICES[name]: port for name, port in device_ports.items()}
    ports |= {15025: mqtt_port, 15026: scada_port}
    for fixed, port in ports.items():
        text, count = re.subn(rf"\bport: {fixed}\b", f"port: {port}", text)
        if count != 1:
            raise ValueError(f"demo.yaml: port {fixed} stands {count} times, expected once")
    # An id of its own: only one instance may run per station and machine, and there may be more benches.
    text, count = re.subn(r"\n  id: HOLLOWBECK\n", f"\n  id: HOLLOWBECK-{os.getpid()}\n", text)
    if count != 1:
        raise ValueError("demo.yaml: the station's id is not where it was")
    text = re.sub(r"data_dir: \S+", f"data_dir: {json.dumps(str(data_dir))}", text)
    return re.sub(r"publish_s: \S+", f"publish_s: {publish_s}", text)


_LIBC = ctypes.CDLL(None)
_PR_SET_PDEATHSIG = 1  # prctl(2), Linux


def _end_with_parent() -> None:
    """In the child: SIGTERM when the parent ends, however that ends (SIGKILL, a terminal that is closed)."""
    if sys.platform == "linux":
        _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


class Process:
    """A child process whose standard output goes to a file; ends with us, however we end."""

    def __init__(
        self, name: str, arguments: list[str], directory: Path, env: Mapping[str, str] | None = None
    ) -> None:
        self.name = name
        self._arguments = arguments
        self._env = {**os.environ, **(env or {})}
        self.output = directory / f"{name}.out"
        self.errors = directory / f"{name}.log"
        self.process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        with self.output.open("ab") as out, self.errors.open("ab") as err:
            self.process = await asyncio.create_subprocess_exec(
                sys.executable,
                *self._arguments,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=out,
                stderr=err,
                env=self._env,
                preexec_fn=_end_with_parent,
            )

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.returncode is None

    def send(self, number: int) -> None:
        assert self.process is not None
        with contextlib.suppress(ProcessLookupError):
            self.process.send_signal(number)

    async def end(self, number: signal.Signals = signal.SIGTERM, within_s: float = 15.0) -> int | None:
        """Signal and wait; SIGKILL when it takes too long. The exit status, None if never started."""
        if self.process is None:
            return None
        if self.process.returncode is None:
            self.send(number)
            try:
                await asyncio.wait_for(self.process.wait(), within_s)
            except TimeoutError:
                self.send(signal.SIGKILL)
                await self.process.wait()
        return self.process.returncode


class LogTail:
    """Reads a growing file of JSON lines, each line once. wanted: what is kept."""

    def __init__(self, path: Path, wanted: Callable[[Message], bool] = lambda line: True) -> None:
        self._path = path
        self._wanted = wanted
        self._at = 0
        self._lines: list[Message] = []

    def read(self) -> list[Message]:
        """Every wanted line so far."""
        if self._path.exists():
            with self._path.open("rb") as file:
                file.seek(self._at)
                data = file.read()
            whole = data[: data.rfind(b"\n") + 1]
            self._at += len(whole)
            lines = (json.loads(line) for line in whole.splitlines() if line.startswith(b"{"))
            self._lines += [line for line in lines if self._wanted(line)]
        return self._lines


class Bench:
    """Station, broker, daemon and subscriber; an async context manager that leaves nothing behind.

    station: a Station not yet started, with a log_dir of its own. directory: logs, settings and record.
    mqtt: (host, port) of a broker that is there already; None starts the embedded one. edit: a change to
    the settings text. daemon: interpreter arguments before ``run``; env: added to its environment.
    data_dir: the daemon's; None: under `directory`. listen_to: where the subscriber connects, when that
    is not where the daemon does.
    """

    def __init__(
        self,
        station: Station,
        directory: Path,
        *,
        mqtt: tuple[str, int] | None = None,
        publish_s: float = 10.0,
        edit: Callable[[str], str] = lambda text: text,
        daemon: tuple[str, ...] = ("-m", "collector.commands.main"),
        env: Mapping[str, str] | None = None,
        wall_start: str | None = None,
        data_dir: Path | None = None,
        listen_to: tuple[str, int] | None = None,
    ) -> None:
        self.station = station
        self.directory = directory
        self.data_dir = data_dir or directory / "data"
        self.settings_path = directory / "station.yaml"
        self.mqtt = mqtt
        self.wall_start = wall_start
        self.scada_port = free_port()
        self._publish_s = publish_s
        self._edit = edit
        self._daemon_arguments = daemon
        self.env = dict(env or {})  # of the next daemon
        self._listen_to = listen_to
        self.broker: Process | None = None
        self.subscriber: Process | None = None
        self.daemon: Process | None = None
        self._messages = LogTail(directory / "subscriber.out")
        self._relay_log = LogTail(station.log_dir / "relays.jsonl", lambda line: line["event"] != "request")

    async def __aenter__(self) -> Bench:
        self.directory.mkdir(parents=True, exist_ok=True)
        try:
            await self.station.start()
            if self.mqtt is None:
                self.mqtt = ("127.0.0.1", free_port())
                await self.start_broker()
            self.settings_path.write_text(self._edit(self._settings()), encoding="utf-8")
            host, port = self._listen_to or self.mqtt
            arguments = ["-m", "collector.demo.subscriber", host, str(port), "windingd/#"]
            self.subscriber = Process("subscriber", arguments, self.directory)
            await self.subscriber.start()
        except BaseException:
            await self._stop()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._stop()

    def _settings(self) -> str:
        assert self.mqtt is not None
        return settings_text(
            self.data_dir, self.station.ports, self.mqtt[1], self.scada_port, self._publish_s
        )

    async def _stop(self) -> None:
        for process in (self.daemon, self.subscriber, self.broker):
            if process is not None:
                await process.end()
        await self.station.stop()

    async def start_broker(self) -> None:
        assert self.mqtt is not None
        self.broker = Process("broker", ["-m", "collector.demo.broker", str(self.mqtt[1])], self.directory)
        await self.broker.start()
        await self.until(
            lambda: b"ready" in self.broker.output.read_bytes() if self.broker else False, "broker"
        )

    async def start_daemon(self) -> None:
        """Start ``windingd run`` and wait for its first decision."""
        await self.launch_daemon()
        await self.until(
            lambda: (s := self.status()) is not None and s["sequence"] is not None, "first decision"
        )

    async def launch_daemon(self, *options: str) -> None:
        """Start ``windingd run`` with more options and wait for nothing."""
        arguments = [
            *self._daemon_arguments,
            *("run", str(self.settings_path), "--json", *options),
            *(("--rate", f"{self.station.rate:g}") if self.station.rate != 1 else ()),
            *(("--wall-start", self.wall_start) if self.wall_start else ()),
        ]
        self.daemon = Process("daemon", arguments, self.directory, self.env)
        await self.daemon.start()

    def status(self) -> Message | None:
        """The daemon's answer on its operator socket; None when it does not answer."""
        try:
            with OperatorClient(self.data_dir) as client:
                return client.request(request="status")
        except (OperatorError, OSError, ValueError):
            return None

    def messages(self) -> list[Message]:
        """The subscriber's own log."""
        return self._messages.read()

    def relay_log(self) -> list[Message]:
        """The relay module's own log: moves, time-outs, connections; not every single request."""
        return self._relay_log.read()

    async def until(self, true: Callable[[], bool], what: str, within_s: float = 30.0) -> None:
        """Wait for a condition; TimeoutError names `what`. The daemon ending early is said at once."""
        end = time.monotonic() + within_s
        while not true():
            if self.daemon is not None and not self.daemon.running:
                tail = self.daemon.errors.read_text(errors="replace")[-2000:]
                raise RuntimeError(f"waiting for {what}: the daemon has ended\n{tail}")
            if time.monotonic() > end:
                raise TimeoutError(f"{what}: not within {within_s:g} s")
            await asyncio.sleep(0.05)
