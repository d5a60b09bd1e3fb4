"""A station to publish for, outcomes to publish, a real Mosquitto, and a separate subscriber process."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from collector.clock import Clock
from collector.messages import Decision, Event, Outcome, Value
from collector.points import catalogue
from collector.quality import GOOD
from collector.settings import load
from collector.settings.model import Mqtt, Scada, Settings

ROOT = Path(__file__).parents[2]
PATIENCE_S = 30.0


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@pytest.fixture(scope="session")
def station() -> Settings:
    loaded = load(ROOT / "config" / "demo.yaml")
    assert loaded.settings is not None, loaded.faults
    return loaded.settings


def with_mqtt(settings: Settings, port: int, **keys: Any) -> Settings:
    defaults: dict[str, Any] = {"host": "127.0.0.1", "port": port, "publish_s": 0.5, "refresh_s": 3600.0}
    return settings.model_copy(update={"mqtt": Mqtt(**{**defaults, **keys})})


def with_scada(settings: Settings, **keys: Any) -> Settings:
    # Port 0 is refused in a settings file; here the system chooses.
    return settings.model_copy(
        update={"scada": Scada.model_construct(**{**Scada().__dict__, "port": 0, **keys})}
    )


class Steps:
    """Outcomes like the engine's: every catalogue point, one step a second of station time."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self.clock = clock
        self.sequence = 0
        self.at_ns = clock.mono_ns()
        self.values: dict[str, Value] = {}
        for point in catalogue(settings):
            kind = point.declared.type
            first: float | int | bool | str = {
                "float": 20.5, "int": 1, "bool": True, "enum": 0, "text": "top oil"
            }[kind]  # fmt: skip
            self.values[point.id] = Value(first, GOOD)

    def __call__(self, changes: Mapping[str, Any] | None = None, *events: tuple[str, str, str]) -> Outcome:
        self.sequence += 1
        self.at_ns += 1_000_000_000
        for point, value in (changes or {}).items():
            self.values[point] = value if isinstance(value, Value) else Value(value, GOOD)
        happened = tuple(Event(self.at_ns, kind, subject, text) for kind, subject, text in events)
        return Outcome(Decision(self.sequence, self.at_ns, {}), dict(self.values), happened)


@dataclass
class Broker:
    """One Mosquitto process; can be stopped and started again on the same port."""

    program: str
    directory: Path
    lines: list[str]
    port: int = field(default_factory=free_port)
    process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        # As root it would change to another user, who may not read the test's directory.
        config = self.directory / "mosquitto.conf"
        config.write_text(
            "\n".join(["user root", *(line.format(port=self.port) for line in self.lines)]) + "\n"
        )
        self.process = await asyncio.create_subprocess_exec(
            self.program,
            "-c",
            str(config),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )

        async def answers() -> bool:
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", self.port)
            except OSError:
                return False
            writer.close()
            return True

        await until(answers)

    async def stop(self) -> None:
        if self.process is not None and self.process.returncode is None:
            self.process.kill()
            await self.process.wait()


async def until(true: Callable[[], bool | Awaitable[bool]], patience_s: float = PATIENCE_S) -> None:
    """Polls an outside fact that announces nothing (a port, a file); fails after `patience_s`."""
    loop = asyncio.get_running_loop()
    end = loop.time() + patience_s
    while True:
        found = true()
        if not isinstance(found, bool):
            found = await found
        if found:
            return
        assert loop.time() < end, "did not come true in time"
        await asyncio.sleep(0.02)


@pytest.fixture
async def broker(tool: Callable[[str], str], tmp_path: Path) -> AsyncIterator[Broker]:
    """Without persistence: its retained messages are gone after a restart."""
    lines = [
        "listener {port} 127.0.0.1",
        "allow_anonymous true",
        "persistence false",
        "max_queued_messages 0",
    ]
    found = Broker(tool("mosquitto"), tmp_path, lines)
    await found.start()
    yield found
    await found.stop()


@dataclass(frozen=True)
class Got:
    topic: str
    payload: Any
    retained: bool


class Subscriber:
    """mosquitto_sub in its own process: what it prints is what anyone else would have received."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process
        self.got: list[Got] = []

    async def next(self) -> Got:
        assert self.process.stdout is not None
        while True:
            line = await asyncio.wait_for(self.process.stdout.readline(), PATIENCE_S)
            assert line, "the subscriber ended"
            if line.startswith((b"0 ", b"1 ")):  # the rest tells what the client does (-d)
                break
        retained, topic, payload = line.decode().rstrip("\n").split(" ", 2)
        got = Got(topic, json.loads(payload) if payload else None, retained == "1")
        self.got.append(got)
        return got

    async def subscribed(self) -> None:
        """Nothing published from now on is missed."""
        assert self.process.stdout is not None
        line = b"x"
        while line and not line.startswith(b"Subscribed"):
            line = await asyncio.wait_for(self.process.stdout.readline(), PATIENCE_S)
        assert line, "the subscriber ended"

    async def until(self, true: Callable[[Got], bool]) -> Got:
        while True:
            got = await self.next()
            if true(got):
                return got


@asynccontextmanager
async def subscriber(
    program: str, port: int, topic: str = "windingd/#", *options: str
) -> AsyncIterator[Subscriber]:
    process = await asyncio.create_subprocess_exec(
        "stdbuf",  # its word that it has subscribed must not wait in a buffer
        "-oL",
        program,
        "-h",
        "127.0.0.1",
        "-p",
        str(port),
        "-q",
        "1",
        "-d",
        "-t",
        topic,
        "-F",
        "%r %t %p",
        *options,
        stdout=asyncio.subprocess.PIPE,
        limit=1 << 22,
    )
    try:
        found = Subscriber(process)
        await found.subscribed()
        yield found
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()
