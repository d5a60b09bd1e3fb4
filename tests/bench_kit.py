"""The bench of the end-to-end and failure tests, and the facts that are read from it.

Simulated station, broker, daemon and subscriber are real processes. Facts are taken from the relay
module's, the plant's and the subscriber's own logs, never from the daemon alone.
"""

from __future__ import annotations

import re
import socket
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest

from collector.demo.bench import Bench
from simulators.station import Station

#: Station seconds per real second: fast enough to wait for, slow enough for a busy machine.
RATE = 20.0
STAGES = frozenset({0, 1, 2})  # their coils on the relay module
#: Beyond the module's own timeout: one tick of its timer and the machine's noise [station s].
SLACK_S = 20.0
#: ``windingd run`` with something hindered, or a mechanism taken out on purpose.
HINDERED = (str(Path(__file__).with_name("hindered.py")),)

Message = dict[str, Any]
Make = Callable[..., Any]


def quick(text: str) -> str:
    """The demo settings with short minimum run and return times, so that a stage may be held off soon."""
    text = re.sub(r"\n  data_dir:", "\n  return_hold_s: 20.0\n  return_after_s: 4.0\n  data_dir:", text)
    text, count = re.subn(r"\n(\s+)pickup:", r"\n\1minimum_run_s: 20.0\n\1pickup:", text)
    assert count == 3
    return text


@pytest.fixture
async def make_bench(tmp_path: Path) -> AsyncIterator[Make]:
    """``await make_bench(load=0.5, edit=...)`` gives a started Bench (daemon not yet started)."""
    stack = AsyncExitStack()
    made = 0

    async def make(
        *,
        edit: Callable[[str], str] = lambda text: text,
        rate: float = RATE,
        load: float = 0.4,
        ambient_c: float | None = 15.0,
        publish_s: float = 20.0,
        mqtt: tuple[str, int] | None = None,
        env: Mapping[str, str] | None = None,
        daemon: tuple[str, ...] = ("-m", "collector.commands.main"),
        data_dir: Path | None = None,
        listen_to: tuple[str, int] | None = None,
        **station: Any,
    ) -> Bench:
        nonlocal made
        made += 1
        place = tmp_path if made == 1 else tmp_path / f"bench{made}"
        plant = Station(rate=rate, load=load, ambient_c=ambient_c, log_dir=place / "devices", **station)
        bench = Bench(
            plant,
            place,
            mqtt=mqtt,
            publish_s=publish_s,
            edit=lambda text: edit(quick(text)),
            env=env,
            daemon=daemon,
            data_dir=data_dir,
            listen_to=listen_to,
        )
        await stack.enter_async_context(bench)
        return bench

    yield make
    await stack.aclose()


# --- the relay module's log -----------------------------------------------------------------------


def held(bench: Bench) -> set[int]:
    """Coils energised (stages held off) by the relay module's own log."""
    coils: set[int] = set()
    for line in bench.relay_log():
        if line["event"] == "energise":
            coils |= set(line["coils"])
        elif line["event"] == "release":
            coils -= set(line["coils"])
    return coils


async def all_held_off(bench: Bench, within_s: float = 60.0) -> None:
    """Wait until the module's log shows the three stages held off."""
    await bench.until(lambda: held(bench) >= STAGES, "three stages held off", within_s)


def releases(bench: Bench, since_ns: int = 0, coil: int | None = None) -> list[Message]:
    """The module's own lines of releases of cooling relays since `since_ns` (real ns)."""
    return [
        line
        for line in bench.relay_log()
        if line["event"] == "release"
        and line["mono_ns"] >= since_ns
        and (set(line["coils"]) & STAGES if coil is None else coil in line["coils"])
    ]


def released_at(bench: Bench, after_ns: int) -> Message | None:
    """The module's own line of the first release after `after_ns` (real ns), whatever the reason."""
    return next(iter(releases(bench, after_ns)), None)


async def all_released(bench: Bench, within_s: float = 15.0) -> None:
    await bench.until(lambda: not held(bench) & STAGES, "every stage released by the module's log", within_s)


def since_last_request_s(line: Message) -> float:
    """Station seconds from the module's last valid request to its release."""
    return float(line["station_ns"] - line["last_valid_request_ns"]) / 1e9


def station_s(bench: Bench, since_ns: int, line: Message) -> float:
    """Station seconds from `since_ns` (real ns) to a line of anybody's log."""
    return (line["mono_ns"] - since_ns) / 1e9 * bench.station.rate


# --- the subscriber's log -------------------------------------------------------------------------


def value(bench: Bench, topic: str) -> Message | None:
    """The newest value the subscriber has of a topic ending."""
    found = [m["payload"] for m in bench.messages() if m["topic"].endswith(topic)]
    return found[-1] if found else None


def alarms(bench: Bench, subject: str, since_ns: int = 0, active: bool = True) -> list[Message]:
    """The subscriber's messages of an alarm that came (or went), oldest first."""
    return [
        m
        for m in bench.messages()
        if m["mono_ns"] >= since_ns
        and m["topic"].endswith("/event/alarm")
        and m["payload"]["subject"] == subject
        and m["payload"]["data"].get("active") is active
    ]


async def alarm(bench: Bench, subject: str, since_ns: int, within_s: float = 30.0) -> Message:
    """Wait until the subscriber has this alarm; its message."""
    await bench.until(lambda: bool(alarms(bench, subject, since_ns)), f"alarm {subject}", within_s)
    return alarms(bench, subject, since_ns)[0]


# --- a stand-in for systemd -----------------------------------------------------------------------


class Supervisor:
    """Owns the notification socket; the datagrams with the real time of their arrival."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self._socket.bind(str(path))
        self.seen: list[tuple[float, str]] = []

    def read(self) -> list[tuple[float, str]]:
        while True:
            try:
                data = self._socket.recv(4096)
            except BlockingIOError:
                return self.seen
            self.seen.append((time.monotonic(), data.decode()))

    def count(self, assignment: str) -> int:
        return sum(assignment in text.split("\n") for _, text in self.read())

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def supervisor(tmp_path: Path) -> Any:
    owner = Supervisor(tmp_path / "notify")
    yield owner
    owner.close()
