"""A station of devices with habits, the daemon as a process beside it, and a SCADA client that watches it.

It makes things happen and writes down when; whether a promise was kept is judged in judge.py.
Nothing here comes from `collector` or `simulators`: the daemon is known by its settings, its sockets and
its record only. Real time throughout.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import random
import signal
import socket
import struct
import sys
import time
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from string import Template

from habits.device import Boot, Line, LineWays, Log, Module, Unit, UnitWays

OIL, AMBIENT = "T1.top_oil_c", "T1.ambient_c"
CURRENTS = ("T1.HV_A.current_a", "T1.HV_B.current_a", "T1.HV_C.current_a")
#: SCADA address of each (docs/scada.md: transformer 1 begins at 1000, its winding w at 1200 + 100 w).
SERVED = {OIL: 1000, AMBIENT: 1003} | {name: 1300 + 100 * k for k, name in enumerate(CURRENTS)}
#: Alarm states, likewise; 1 and 2: it stands.
ALARMS = {"T1.stage1.alarm_output_fault": 3763} | {
    f"device.{n}.alarm_link_lost": 303 + 15 * n for n in (1, 2, 3)
}

#: A measured value changes every TICK_S and comes back after SPREAD of them: a reading tells its time.
TICK_S, SPREAD = 0.25, 97
COLD_C, HOT_C, AMBIENT_C = 30.0, 105.0, 12.0
AMPERES = (40.0, 50.0, 60.0)
TIMEOUT_S, LATE_ANSWER_S = 0.4, 0.8
CYCLE_S, POLL_S, STALE_S, MAX_AGE_S = 0.5, 1.0, 5.0, 2.0
#: Latest answer: 2.5 time-outs after its request, within time-out plus late_answer_s of the settings.
LATEST_S = 2.5 * TIMEOUT_S


def _word(truth: Truth, name: str, part: int, at: float) -> int:
    """One register of a float32, high word first."""
    return int(struct.unpack(">HH", struct.pack(">f", truth.value(name, at)))[part])


def _when(entry: tuple[float, float]) -> float:
    return entry[0]


def tick(at: float) -> int:
    return math.floor(at / TICK_S)


def signal_at(base: float, step: float, k: int) -> float:
    """The value of a measurement in tick `k`."""
    return base + (k * 31 % SPREAD) * step


@dataclass
class Truth:
    """What the process is like: base of the oil temperature over time. Values of a tick follow from it."""

    oil: list[tuple[float, float]] = field(default_factory=list)  # (since, base)

    def base(self, at: float) -> float:
        return next((base for since, base in reversed(self.oil) if since <= at), COLD_C)

    def value(self, name: str, at: float) -> float:
        if name == OIL:
            return signal_at(self.base(at), 0.1, tick(at))
        if name == AMBIENT:
            return signal_at(AMBIENT_C, 0.1, tick(at))
        return signal_at(AMPERES[CURRENTS.index(name)], 0.05, tick(at))

    def held(self, name: str, start: float, end: float) -> list[float]:
        """Every value its register held between two times."""
        found = [self.value(name, start), self.value(name, end)]
        found += [self.value(name, k * TICK_S + 1e-6) for k in range(tick(start) + 1, tick(end) + 1)]
        found += [self.value(name, since) for since, _ in self.oil if start < since <= end]
        return found


@dataclass(frozen=True)
class Kind:
    """What a station is made of. lines: (rtu, units on it) with 1 oil, 2 currents, 3 relay module."""

    name: str
    lines: tuple[tuple[bool, tuple[int, ...]], ...]
    coils: tuple[int, ...] = (0, 1, 2)
    timeout_s: float = 8.0
    fed_by: str = "own_requests"


KINDS = (
    Kind("one RTU gateway for all", ((True, (1, 2, 3)),)),
    Kind("three TCP devices, coils with gaps", ((False, (1,)), (False, (2,)), (False, (3,))), (0, 2, 5)),
    Kind("three RTU gateways", ((True, (1,)), (True, (2,)), (True, (3,))), (0, 1, 2), 7.0),
    Kind("one TCP gateway for all, coils with gaps", ((False, (1, 2, 3)),), (1, 3, 6)),
    Kind("sensors on RTU, module on TCP", ((True, (1, 2)), (False, (3,))), (0, 1, 2), 6.0, "writes"),
    Kind("module behind the RTU gateway", ((True, (1, 2, 3)),), (0, 1, 2), 8.0, "any_frame_on_line"),
    Kind("currents and module on TCP", ((False, (1,)), (False, (2, 3))), (0, 1, 2), 7.0, "connection"),
)


class Station:
    """Devices, daemon and SCADA client of one station, for one run."""

    def __init__(
        self,
        kind: Kind,
        seed: int,
        directory: Path,
        daemon: tuple[str, ...],
        env: dict[str, str] | None = None,
    ) -> None:
        self.kind, self.seed, self.directory = kind, seed, directory
        self.rng = random.Random(seed)
        self.truth, self.log = Truth(), Log()
        self.told: list[tuple[float, str]] = []  # which habits were in force, since when
        self.stopped: list[tuple[float, float]] = []  # the daemon's process by SIGSTOP
        self.seen: list[tuple[float, str, float, int]] = []  # SCADA: at, name, value, quality bits
        self.ended = 0.0  # judged until here
        self.cpu_s = 0.0
        self.queued: list[tuple[float, float]] = []  # (when, s since its start) the daemon waited for a CPU
        self.survived = True
        self.foreign: asyncio.Task[None] | None = None
        self.stall: asyncio.Task[None] | None = None
        self.dead_timeout = False
        self._daemon, self._env = daemon, {**os.environ, **(env or {})}
        self._process: asyncio.subprocess.Process | None = None
        self._watch: asyncio.Task[None] | None = None
        self.oil, self.ct = Unit(1), Unit(2)
        self.module = Module(3, kind.coils, kind.timeout_s, kind.fed_by, self.log)
        self.units: dict[int, Unit] = {1: self.oil, 2: self.ct, 3: self.module}
        self.lines = [
            Line(rtu, tuple(self.units[m] for m in members), self.log, random.Random(seed))
            for rtu, members in kind.lines
        ]
        self._wire_up()

    def _wire_up(self) -> None:
        """Registers of one size far apart, so that each is read by a request of its own shape and address."""
        truth = self.truth
        self.oil.words[4, 0] = lambda at: round(10 * truth.value(OIL, at))
        self.oil.words[4, 10] = lambda at: round(10 * truth.value(AMBIENT, at))
        for k, name in enumerate(CURRENTS):
            for part in (0, 1):
                self.ct.words[3, 10 * k + part] = partial(_word, truth, name, part)
        for k, coil in enumerate(self.kind.coils):
            self.module.contacts[k] = lambda coil=coil: int(not self.module.coils[coil])

    def line_of(self, unit: int) -> Line:
        return next(line for line in self.lines if unit in line.units)

    # --- life ---------------------------------------------------------------------------------

    async def __aenter__(self) -> Station:
        self.directory.mkdir(parents=True, exist_ok=True)
        self.truth.oil.append((time.monotonic(), COLD_C))
        for line in self.lines:
            await line.start()
        self.scada_port = _free_port()
        self.settings = self.directory / "station.yaml"
        self.settings.write_text(self.text(), encoding="utf-8")
        self.errors = self.directory / "daemon.log"
        with self.errors.open("wb") as err:
            self._process = await asyncio.create_subprocess_exec(
                *(sys.executable, *self._daemon, "run", str(self.settings), "--json"),
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=err,
                env=self._env,
            )
        self._watch = asyncio.create_task(self._watch_scada())
        return self

    async def __aexit__(self, *_: object) -> None:
        self.ended = self.ended or time.monotonic()
        for task in (self.foreign, self.stall, self._watch):
            if task is not None:
                task.cancel()
        await asyncio.sleep(0)
        process = self._process
        self.survived = self.alive()
        if process is not None and process.returncode is None:
            self.cpu_s = _cpu_s(process.pid)
            process.send_signal(signal.SIGCONT)
            process.terminate()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(process.wait(), 60.0)
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
        for line in self.lines:
            await line.stop()

    def alive(self) -> bool:
        return self._process is not None and self._process.returncode is None

    def text(self) -> str:
        """The settings: one transformer with three stages."""
        links = [
            f"{{id: line{k}, host: 127.0.0.1, port: {line.port}, timeout_s: {TIMEOUT_S}, "
            + (f"type: rtu_over_tcp, late_answer_s: {LATE_ANSWER_S}}}" if line.rtu else "type: tcp}")
            for k, line in enumerate(self.lines)
        ]
        windings = [
            f"{{id: HV_{phase}, number: {k + 1}, phase: {phase}, hot_spot_factor: 1.3, "
            f"current: {{device: ct, table: holding_register, address: {10 * k}, type: float32}}, "
            "modes: {ONAN: {gradient_k: 8.0, rated_current_a: 126.0}, "
            "ONAF: {gradient_k: 15.0, rated_current_a: 210.0}}}"
            for k, phase in enumerate("ABC")
        ]
        stages = [
            f"{{id: stage{k + 1}, number: {k + 1}, relay: {{device: relays, coil: {coil}}}, "
            f"feedback: {{device: relays, table: discrete_input, address: {k}}}, "
            f"pickup: {{top_oil_c: {60 + 5 * k}.0}}, dropout: {{top_oil_c: {50 + 5 * k}.0}}, "
            "pickup_delay_s: 0.0, minimum_run_s: 2.0, stagger_s: 0.0, max_starts_per_h: 60, "
            "hardware_stagger: true}"
            for k, coil in enumerate(self.kind.coils)
        ]
        module = f"released_by: module_timeout, timeout_s: {self.kind.timeout_s}"
        if FED_BY_KNOWN:
            module += f", fed_by: {self.kind.fed_by}"
        places = {f"link_{unit}": f"line{self.lines.index(self.line_of(unit))}" for unit in self.units}
        return Template(TEMPLATE.read_text(encoding="utf-8")).substitute(
            id=f"HABITS-{os.getpid()}-{self.scada_port}",
            data_dir=self.directory / "data",
            cycle_s=CYCLE_S,
            stale_s=STALE_S,
            max_age_s=MAX_AGE_S,
            poll_s=POLL_S,
            scada_port=self.scada_port,
            links=_items(links, 2),
            windings=_items(windings, 6),
            stages=_items(stages, 6),
            module=module,
            **places,
        )

    # --- what happens -------------------------------------------------------------------------

    async def until(self, true: Callable[[], bool], within_s: float) -> None:
        """TimeoutError when it does not come true."""
        async with asyncio.timeout(within_s):
            while not true():
                await asyncio.sleep(0.04)
                if not self.alive():
                    raise RuntimeError(f"the daemon has ended: {self.errors.read_text()[-1000:]}")

    def held(self) -> list[int]:
        return [coil for coil, on in self.module.coils.items() if on]

    def oil_is(self, base: float) -> None:
        self.truth.oil.append((time.monotonic(), base))

    def calm(self) -> None:
        """Every device is well-behaved again."""
        if self.foreign is not None:
            self.foreign.cancel()
            self.foreign = None
        for line in self.lines:
            line.ways = LineWays()
        for unit in self.units.values():
            unit.ways, unit.booting = UnitWays(), []
        self.tell("")

    def tell(self, text: str) -> None:
        self.told.append((time.monotonic(), text))

    def told_at(self, at: float) -> str:
        return next((text for since, text in reversed(self.told) if since <= at), "")

    async def stop_daemon(self, for_s: float) -> None:
        """SIGSTOP and SIGCONT: a stall of the program or of its machine."""
        assert self._process is not None
        since = time.monotonic()
        self._process.send_signal(signal.SIGSTOP)
        try:
            await asyncio.sleep(for_s)
        finally:
            self._process.send_signal(signal.SIGCONT)
            self.stopped.append((since, time.monotonic()))

    async def write_foreign(self, rng: random.Random) -> None:
        """Another master holds stages off, again and again; its requests feed the module as ours do."""
        while True:
            now = time.monotonic()
            self.module.set(rng.choice(self.kind.coils), True, "foreign", now)
            if self.module.fed_by != "connection":
                self.module.fed_at = now
            await asyncio.sleep(rng.uniform(2.0, 4.0))

    def _note_queue(self) -> None:
        """How long the daemon's main thread has waited for a processor (schedstat, second field, ns)."""
        if self._process is not None and self.alive():
            fields = Path(f"/proc/{self._process.pid}/schedstat").read_text().split()
            self.queued.append((time.monotonic(), int(fields[1]) / 1e9))

    def noise_s(self, start: float, end: float) -> float:
        """What the machine itself has cost between two times: late timers of ours, waits of the daemon."""
        late, queued = self.log.late, self.queued
        own = sum(
            late[i][1]
            for i in range(bisect_right(late, start - 1.0, key=_when), bisect_left(late, end, key=_when))
        )
        before, after = bisect_right(queued, start, key=_when) - 1, bisect_left(queued, end, key=_when)
        waited = queued[min(after, len(queued) - 1)][1] - queued[before][1] if before >= 0 else 0.0
        return own / len(self.lines) + waited

    def first_seen(self, alarm: str, since: float) -> float | None:
        """When the SCADA client first saw an alarm stand."""
        return next(
            (at for at, name, value, _ in self.seen if name == alarm and at >= since and value in (1, 2)),
            None,
        )

    # --- the SCADA client ---------------------------------------------------------------------

    async def _watch_scada(self) -> None:
        """Reads value and quality of every measurement, some four times a second; for ever."""
        while True:
            try:
                reader, writer = await asyncio.open_connection("127.0.0.1", self.scada_port)
                try:
                    while True:
                        for number, (name, address) in enumerate((SERVED | ALARMS).items()):
                            writer.write(struct.pack(">HHHBBHH", number, 0, 6, 1, 4, address, 3))
                            data = await asyncio.wait_for(reader.readexactly(7), 10.0)
                            pdu = await reader.readexactly(int.from_bytes(data[4:6], "big") - 1)
                            if pdu[0] == 4:
                                value, bits = struct.unpack(">fH", pdu[2:8])
                                self.seen.append((time.monotonic(), name, value, bits))
                        await asyncio.sleep(0.25)
                        self._note_queue()
                finally:
                    writer.close()
            except (OSError, EOFError, TimeoutError):
                await asyncio.sleep(0.3)  # not there yet, or stopped


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _cpu_s(pid: int) -> float:
    """User and system time of a process (proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _items(texts: list[str], indent: int) -> str:
    return "\n".join(f"{' ' * indent}- {text}" for text in texts)


TEMPLATE = Path(__file__).with_name("station.yaml")
#: Whether settings can say what feeds a module.
FED_BY_KNOWN = True

# --- habits ---------------------------------------------------------------------------------------

Start = Callable[[Station, int, random.Random], str]  # station, unit -> what it does, in words


def _line(**ways: object) -> Start:
    def start(station: Station, unit: int, rng: random.Random) -> str:
        line = station.line_of(unit)
        line.behave(**ways)
        return f"line {line.name}"

    return start


def _unit(draw: Callable[[Station, random.Random], dict[str, object]]) -> Start:
    def start(station: Station, unit: int, rng: random.Random) -> str:
        ways = draw(station, rng)
        station.units[unit].ways = replace(station.units[unit].ways, **ways)  # type: ignore[arg-type]
        return f"unit {unit} {ways}"

    return start


def _late(station: Station, unit: int, rng: random.Random) -> str:
    line = station.line_of(unit)
    low = rng.choice((0.0, 0.0, 0.8, 2.0)) * TIMEOUT_S
    line.behave(delay_s=(low, LATEST_S))
    return f"line {line.name}, {low:g} to {LATEST_S:g} s"


def _idle(station: Station, unit: int, rng: random.Random) -> str:
    line = station.line_of(unit)
    line.behave(idle_s=rng.uniform(0.1, 0.6))
    return f"line {line.name}"


def _zeros(station: Station, unit: int, rng: random.Random) -> str:
    """A device of its own loses its connection too; behind a gateway it only starts anew."""
    return _boot(station, unit, [(0.0, 10.0, 0)])


def _zeros_again(station: Station, unit: int, rng: random.Random) -> str:
    """It starts, and starts again; the registers of one card come up later than the rest.

    All within settle_s of its first zero: where nothing else was read between, longer zeros may count.
    """
    return _boot(station, unit, [(0.0, 4.0, 0), (4.0, 5.5, 10), (7.5, 12.5, 0), (12.5, 13.5, 10)])


def _boot(station: Station, unit: int, zeros: list[tuple[float, float, int]]) -> str:
    line, now = station.line_of(unit), time.monotonic()
    station.units[unit].booting = [Boot(now + start, now + end, first) for start, end, first in zeros]
    if len(line.units) == 1:
        line.reset()
    return f"unit {unit}, zeros for {', '.join(f'{end - start:g} s' for start, end, _ in zeros)}"


def _all_on(station: Station, unit: int, rng: random.Random) -> str:
    line = station.line_of(unit)
    station.module.reboot(True, time.monotonic())
    if len(line.units) == 1:
        line.reset()
    return "every output energised"


def _foreign(station: Station, unit: int, rng: random.Random) -> str:
    station.foreign = asyncio.create_task(station.write_foreign(rng))
    return ""


def _stall(station: Station, unit: int, rng: random.Random) -> str:
    # Inputs of before may not be stale after the short ones; in the long one the module lets go by itself.
    station.stall = asyncio.create_task(station.stop_daemon(rng.choice((3.0, 3.5, 4.0, 9.0))))
    return ""


@dataclass(frozen=True)
class Habit:
    """on: the units it may befall. alone: not together with another, since then nothing can be promised."""

    name: str
    on: tuple[int, ...]
    start: Start
    alone: bool = False


ALL, SENSORS, MODULE = (1, 2, 3), (1, 2), (3,)

HABITS = (
    Habit("answers late", ALL, _late),
    Habit("latency 0.25 s", ALL, _line(delay_s=(0.25, 0.27))),
    Habit("one request per connection", ALL, _line(close_after=True)),
    Habit("closes instead of answering", ALL, _line(drop=True)),
    Habit("closes idle connections", ALL, _idle),
    Habit("refuses connections", ALL, _line(refuse=True)),
    Habit("hangs", ALL, _line(hang=True)),
    Habit("stale frame in front", ALL, _line(glue=True)),
    Habit("answers in two parts", ALL, _line(split="late")),
    Habit("half answers", ALL, _line(split="lost")),
    Habit("exception 4 to writes", MODULE, _unit(lambda s, r: {"refuse_writes": 4})),
    Habit("refuses writes", MODULE, _unit(lambda s, r: {"refuse_writes": r.choice((1, 2, 3, 4, 6))})),
    Habit("acknowledges writes, does nothing", MODULE, _unit(lambda s, r: {"ignore_writes": True})),
    Habit("takes function 5 only", MODULE, _unit(lambda s, r: {"only": 5, "only_code": r.choice((1, 2, 3))})),
    Habit(
        "takes function 15 only", MODULE, _unit(lambda s, r: {"only": 15, "only_code": r.choice((1, 2, 3))})
    ),
    Habit(
        "function 5 only, latency 0.25 s",
        MODULE,
        lambda s, u, r: _unit(lambda *_: {"only": 5})(s, u, r) + " " + _line(delay_s=(0.25, 0.27))(s, u, r),
    ),
    Habit(
        "some coils cannot be read",
        MODULE,
        _unit(lambda s, r: {"unread": frozenset(r.sample(s.kind.coils, 2))}),
    ),
    Habit("exception 0x0B", ALL, _unit(lambda s, r: {"gone": True})),
    Habit("wrong unit echoed", ALL, _unit(lambda s, r: {"wrong_unit": True})),
    Habit("transaction 0", ALL, _unit(lambda s, r: {"no_transaction": True})),
    Habit("sentinel", SENSORS, _unit(lambda s, r: {"sentinel": True})),
    Habit("reboots with zeros", SENSORS, _zeros),
    Habit("reboots again and again", SENSORS, _zeros_again),
    Habit("reboots with all on", MODULE, _all_on),
    Habit("another master", MODULE, _foreign, alone=True),
)
STALL = Habit("the program stalls", ALL, _stall)


def named(*pairs: tuple[str, int]) -> list[tuple[Habit, int]]:
    """Habits by name, each with the unit that it befalls."""
    return [(next(h for h in (*HABITS, STALL) if h.name == name), unit) for name, unit in pairs]


def begin(station: Station, habits: list[tuple[Habit, int]]) -> None:
    """Start habits; says which."""
    words = []
    for habit, unit in habits:
        where = habit.start(station, unit, station.rng)
        words.append(f"{habit.name} ({where})" if where else habit.name)
    station.tell("; ".join(words))


def draw(rng: random.Random, units: tuple[int, ...]) -> list[tuple[Habit, int]]:
    """One to three habits of these units, and a stall of the program now and then."""
    chosen: dict[str, tuple[Habit, int]] = {}
    if rng.random() < 0.2:
        chosen[STALL.name] = (STALL, 3)
    for _ in range(rng.choice((1, 1, 2, 3))):
        unit = rng.choice(units)
        habit = rng.choice([h for h in HABITS if unit in h.on])
        chosen[habit.name] = (habit, unit)
    alone = [pair for pair in chosen.values() if pair[0].alone]
    return alone[:1] or list(chosen.values())


# --- a run ----------------------------------------------------------------------------------------

#: From the start of the daemon to its first hold-off, on a machine that has a lot to do [s].
START_S = 180.0
HOT_S, HOT_MOST_S = (18.0, 22.0), 50.0


async def wait_held(station: Station, within_s: float) -> None:
    """Until every stage is held off, or the time is over: a daemon that waits longer does no wrong."""
    with contextlib.suppress(TimeoutError):
        await station.until(lambda: len(station.held()) == len(station.kind.coils), within_s)


async def play(
    station: Station,
    seconds: float,
    only: list[tuple[Habit, int]] | None = None,
    units: tuple[int, ...] = (1, 2, 3, 3),
) -> None:
    """Rounds of calm, trouble, heat. only: these habits in every round, begun 1 s before the heat.

    units: which may have habits; the module more often than its share, for it is where safety lies.
    """
    rng = station.rng
    station.tell("")
    await station.until(lambda: bool(station.held()), START_S)
    end = time.monotonic() + seconds
    while time.monotonic() < end - 8.0 and station.alive():
        station.calm()
        await asyncio.sleep(rng.uniform(2.0, 4.0))
        await wait_held(station, 12.0)
        trouble = rng.random()
        begin(station, only if only is not None else draw(rng, units))
        if only is None and trouble < 0.25:  # trouble without heat: nothing wrong may come of it
            await asyncio.sleep(rng.uniform(4.0, 8.0))
            continue
        await asyncio.sleep(1.0 if only is not None else rng.uniform(0.0, 2.0))
        station.oil_is(HOT_C)
        hot_s = rng.uniform(*HOT_S)
        if only is None and trouble > 0.6:  # the habits change in the middle
            await asyncio.sleep(rng.uniform(3.0, 9.0))
            station.calm()
            begin(station, draw(rng, units))
        await asyncio.sleep(hot_s)
        with contextlib.suppress(
            TimeoutError
        ):  # longer where a stage is still held off: too long is seen then
            await station.until(lambda: not station.held(), HOT_MOST_S - hot_s)
        station.oil_is(COLD_C)
    station.calm()
    station.ended = time.monotonic()
