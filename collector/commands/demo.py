"""A simulated station on this machine: a hot afternoon in two minutes.

  windingd demo
  windingd demo --mqtt 127.0.0.1:1883 --keep /tmp/afternoon

Starts the simulated plant and its Modbus devices, an embedded MQTT broker (unless one is given) and the
unmodified daemon, all on loopback and on accelerated station time. Every act is confirmed from the relay
module's and a subscriber's own logs. Exit status 1 when an act did not happen."""

from __future__ import annotations

import argparse
import asyncio
import importlib.util
import socket
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime
from pathlib import Path

from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from collector.commands.common import EX_USAGE, Failure
from collector.daemon import is_loopback
from collector.demo.bench import Bench, Message
from collector.demo.story import (
    ACTS,
    QUIET_AMBIENT_C,
    QUIET_LOAD,
    RATE,
    RELAY_TIMEOUT_S,
    START_HOUR,
    Act,
    Evidence,
    patient,
)
from collector.settings import load
from collector.settings.model import Settings
from collector.view import render
from simulators.station import Station, StationError

#: Values need not go out more often than a person can see them [station s].
PUBLISH_S = 300.0
PICTURE_S = 0.25
#: Real seconds a given broker has to accept a connection.
BROKER_S = 5.0
PLAIN_S = 5.0


def add(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--mqtt", metavar="HOST:PORT", help="use this broker (loopback only) instead of the embedded one"
    )
    parser.add_argument(
        "--keep",
        type=Path,
        metavar="DIR",
        help="where logs and record go (default: a new temporary directory)",
    )
    parser.add_argument("--plain", action="store_true", help="plain lines also on a terminal")
    parser.add_argument(
        "--rate", type=float, default=RATE, help=f"station seconds per second (default {RATE:g})"
    )


def _broker(text: str | None) -> tuple[str, int] | None:
    if text is None:
        if importlib.util.find_spec("amqtt") is None:
            raise Failure(
                "the embedded broker needs amqtt: pip install 'windingd[demo]', or give --mqtt HOST:PORT"
            )
        return None
    host, _, port = text.rpartition(":")
    if not host or not port.isdecimal() or not 1 <= int(port) <= 65535:
        raise Failure(f"--mqtt {text}: write HOST:PORT, for example 127.0.0.1:1883", EX_USAGE)
    if not is_loopback(host):
        raise Failure(
            f"--mqtt {text}: simulated values go to no broker but one on this machine (127.0.0.1)", EX_USAGE
        )
    try:
        socket.create_connection((host, int(port)), BROKER_S).close()
    except OSError as error:
        raise Failure(
            f"no broker answers at {text}: {error.strerror or error} (start one, or leave --mqtt out)"
        ) from None
    return host, int(port)


class _Teller:
    """Shows acts as they happen: a live picture on a terminal, plain lines elsewhere."""

    def __init__(self, console: Console, settings: Settings, bench: Bench, *, picture: bool) -> None:
        self._console = console
        self._settings = settings
        self._bench = bench
        self._live = Live(console=console, screen=True, auto_refresh=False) if picture else None
        self._said = 0
        self._last = 0.0
        self.act: Act | None = None
        self.number = 0
        self.proof: dict[Evidence, Message] = {}

    @contextmanager
    def telling(self) -> Iterator[None]:
        with self._live or nullcontext():
            yield

    def begin(self, number: int, act: Act) -> None:
        self.number, self.act, self.proof = number, act, {}
        if self._live is None:
            self._console.print(f"\n{number}. {act.title}", style="bold")
            self._console.print("   " + act.text.replace("\n", "\n   "), soft_wrap=True)

    def confirmed(self, evidence: Evidence, line: Message) -> None:
        self.proof[evidence] = line
        if self._live is None:
            told = f"   ✔ {evidence.what} (log of the {evidence.by})"
            self._console.print(told, style="green", soft_wrap=True)

    def show(self) -> None:
        """Refresh the picture, or print a line now and then."""
        status = self._bench.status()
        if status is None:
            return
        if self._live is not None:
            picture = render(self._settings, status, self._caption(), height=self._console.height)
            self._live.update(picture, refresh=True)
        elif time.monotonic() - self._last > PLAIN_S:
            self._last = time.monotonic()
            self._console.print("   " + _line(self._settings, status), style="dim", soft_wrap=True)

    def _caption(self) -> Panel:
        assert self.act is not None
        lines = [Text(self.act.text)]
        for evidence in self.act.evidence:
            done = evidence in self.proof
            mark = ("✔ ", "bold green") if done else ("… ", "yellow")
            lines.append(Text.assemble(mark, evidence.what, (f"  log of the {evidence.by}", "dim")))
        title = f"{self.number} of {len(ACTS)}  {self.act.title}"
        return Panel(Group(*lines), title=title, title_align="left", border_style="magenta")


def _line(settings: Settings, status: Message) -> str:
    values = status["values"]

    def shown(point: str, form: str = ".1f") -> str:
        value = values.get(point, [None])[0]
        return "–" if value is None else format(value, form)

    t = settings.transformers[0]
    called = [s.id for s in t.stages if values.get(f"{t.id}.{s.id}.called", [False])[0]]
    hours = (status["wall_ns"] // 10**9) % 86400 / 3600
    return (
        f"{int(hours):02d}:{int(hours % 1 * 60):02d}  load {shown(f'{t.id}.load_pu', '.2f')}  "
        f"oil {shown(f'{t.id}.top_oil_c')}  hot spot {shown(f'{t.id}.hot_spot_c')} °C  "
        f"called: {', '.join(called) or 'none'}"
    )


async def _play(bench: Bench, teller: _Teller) -> list[str]:
    """Every act in turn; returns what did not happen."""
    missing: list[str] = []
    since_ns = 0  # the first act covers the start itself
    for number, act in enumerate(ACTS, 1):
        teller.begin(number, act)
        await act.do(bench.station)
        end = time.monotonic() + act.within_min * 60 / bench.station.rate
        while len(teller.proof) < len(act.evidence) and time.monotonic() < end:
            for evidence in act.evidence:
                if evidence not in teller.proof and (line := evidence.found(bench, since_ns)):
                    teller.confirmed(evidence, line)
            teller.show()
            if bench.daemon is not None and not bench.daemon.running:
                return [*missing, f"{act.title}: the daemon ended, see {bench.daemon.errors}"]
            await asyncio.sleep(PICTURE_S)
        missing += [f"{act.title}: {e.what}" for e in act.evidence if e not in teller.proof]
        since_ns = time.monotonic_ns()
    return missing


def _losses(bench: Bench) -> dict[str, float]:
    """Loss of life per winding [h], as the subscriber last saw it."""
    losses: dict[str, float] = {}
    for message in bench.messages():
        if message["topic"].endswith("/loss_of_life_h") and message["payload"].get("value") is not None:
            losses[message["topic"].split("/")[-2]] = message["payload"]["value"]
    return dict(sorted(losses.items()))


async def _end(bench: Bench) -> list[str]:
    """SIGTERM: the last act. The module must have released, the subscriber must have seen it go."""
    assert bench.daemon is not None
    since_ns = time.monotonic_ns()
    status = await bench.daemon.end()
    missing = [] if status == 0 else [f"end: the daemon exited with {status}"]
    held: set[int] = set()
    for line in bench.relay_log():
        if line["event"] == "energise":
            held |= set(line["coils"])
        elif line["event"] == "release":
            held -= set(line["coils"])
    if held & {0, 1, 2}:
        missing.append("end: the relay module still holds a stage off")

    def offline() -> bool:
        return any(
            m["topic"].endswith("/state")
            and m["mono_ns"] >= since_ns
            and m["payload"].get("state") == "offline"
            for m in bench.messages()
        )

    bench.daemon = None
    try:
        await bench.until(offline, "offline state", 10.0)
    except TimeoutError:
        missing.append("end: the subscriber was not told that windingd went offline")
    return missing


async def _tell(
    args: argparse.Namespace, broker: tuple[str, int] | None, directory: Path, console: Console
) -> int:
    begun = time.monotonic()
    station = Station(
        rate=args.rate,
        load=QUIET_LOAD,
        ambient_c=QUIET_AMBIENT_C,
        start_hour=START_HOUR,
        relay_timeout_s=RELAY_TIMEOUT_S,
        log_dir=directory / "devices",
    )
    bench = Bench(
        station,
        directory,
        mqtt=broker,
        publish_s=PUBLISH_S,
        edit=patient,
        wall_start=f"{datetime.now(UTC):%Y-%m-%d}T{START_HOUR:02.0f}:00:00Z",
    )
    console.print("Starting the simulated station HOLLOWBECK, a broker and the daemon …")
    async with bench:
        await bench.start_daemon()
        settings = load(bench.settings_path).settings
        assert settings is not None
        teller = _Teller(console, settings, bench, picture=console.is_terminal and not args.plain)
        with teller.telling():
            missing = await _play(bench, teller)
        losses = _losses(bench)
        missing += await _end(bench)
        messages, relay_lines = len(bench.messages()), len(bench.relay_log())
    _summary(console, missing, losses, time.monotonic() - begun, messages, relay_lines)
    console.print(f"Record, settings and everybody's logs: {directory}", soft_wrap=True)
    console.print(f"  windingd export {directory / 'data'} --help", style="dim", soft_wrap=True)
    return 1 if missing else 0


def _summary(
    console: Console,
    missing: list[str],
    losses: dict[str, float],
    took_s: float,
    messages: int,
    relay_lines: int,
) -> None:
    console.print()
    if losses:
        worst = max(losses, key=lambda name: losses[name])
        console.print("Loss of life of the afternoon, as the subscriber saw it:", style="bold")
        for name, hours in losses.items():
            console.print(f"  {name:6} {hours * 60:8.1f} min" + ("  ◄ most" if name == worst else ""))
    console.print(
        f"{took_s:.0f} s; {messages} messages in the subscriber's log, {relay_lines} events in the module's."
    )
    if missing:
        console.print("What should have happened and did not:", style="bold red")
        for line in missing:
            console.print(f"  ✘ {line}", style="red")
    else:
        console.print(
            f"All {len(ACTS)} acts confirmed by the relay module's and the subscriber's own logs; "
            f"at the end every relay was released: cooling runs.",
            style="bold green",
            soft_wrap=True,
        )


def run(args: argparse.Namespace) -> int:
    broker = _broker(args.mqtt)
    directory = args.keep or Path(tempfile.mkdtemp(prefix="windingd-demo-"))
    if directory.exists() and any(directory.iterdir()):
        raise Failure(f"--keep {directory} is not empty (give a new directory)", EX_USAGE)
    try:
        return asyncio.run(_tell(args, broker, directory.resolve(), Console(highlight=False)))
    except KeyboardInterrupt:
        raise Failure(f"stopped by hand; nothing of it runs any more (logs in {directory})") from None
    except (StationError, TimeoutError, RuntimeError) as error:
        raise Failure(f"{error} (logs in {directory})") from None
