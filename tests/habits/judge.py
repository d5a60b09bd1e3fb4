"""The judge: were the promises kept, by the devices' own log and by what the daemon told others?

It knows the settings and the log of one finished run, and reads the record as docs/record.md describes it.
A promise that is never put to the test proves nothing, so it also counts how often each was.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from habits.device import Asked, Moved
from habits.station import (
    AMBIENT,
    CURRENTS,
    CYCLE_S,
    HOT_C,
    LATE_ANSWER_S,
    MAX_AGE_S,
    OIL,
    SERVED,
    STALE_S,
    TIMEOUT_S,
    Station,
)

#: Timers of device, daemon and client on a machine at ease [s]; what a busy one costs is measured and added.
NOISE_S = 1.5
#: Requests a second to one unit, connections a second to one line, on average over WINDOW_S: a fallen-back
#: module is written coil by coil with each decision, and a peer may serve one request per connection.
WINDOW_S, REQUESTS_S, CONNECTIONS_S = 5.0, 40.0, 21.0
#: A unit that gave no sound answer for so long gets at most so many requests a second.
FAILING_S, FAILING_REQUESTS_S = 6.0, 4.0
#: The inputs on which a hold-off rests: unit and address.
INPUTS = {OIL: (1, 0)} | {name: (2, 10 * k) for k, name in enumerate(CURRENTS)}
#: A line counts as well-behaved so long after its last habit, and after a connection was made [s].
CLEAN_S, SETTLED_S = 3.0, 15.0


@dataclass(frozen=True)
class Bound:
    """From hot oil in the register to every stage released [s], part by part."""

    detection: float
    decision: float
    obey: float  # so long the module may disobey before it is left alone
    release: float  # then its own timeout

    @property
    def total(self) -> float:
        return self.detection + self.decision + self.obey + self.release + NOISE_S

    @property
    def decided(self) -> float:
        """From a hot reading on."""
        return self.total - self.detection

    def __str__(self) -> str:
        return (
            f"{self.total:.1f} s = detection {self.detection:.1f} + decision {self.decision:.1f} + "
            f"until left alone {self.obey:.1f} + module {self.release:.1f} + noise {NOISE_S:.1f}"
        )


def bound(station: Station) -> Bound:
    """From the settings: a value may count until it is stale; then a decision, writes, the module's timeout.

    Until left alone: half the module's timeout (10 s at most), never less than the worst write time, which is
    each output once and once again, a time-out each, after the request in flight and one of every other unit.
    """
    kind = station.kind
    line = station.line_of(3)
    writes = len(kind.coils) * TIMEOUT_S * 2
    others = len(line.units) * TIMEOUT_S
    obey = max(min(kind.timeout_s / 2, 10.0), writes + others) + TIMEOUT_S
    if line.rtu:
        obey += LATE_ANSWER_S
    return Bound(STALE_S + CYCLE_S + TIMEOUT_S, 2 * CYCLE_S, obey, kind.timeout_s)


@dataclass(frozen=True)
class Broken:
    """A promise not kept. letter: as in `judge`. what: without figures, so that findings can be counted."""

    letter: str
    at: float
    what: str
    figures: str
    habits: str

    def __str__(self) -> str:
        return f"({self.letter}) at {self.at:.1f} s: {self.what}: {self.figures} [{self.habits or 'calm'}]"


@dataclass
class Verdict:
    broken: list[Broken] = field(default_factory=list)
    premises: Counter[str] = field(default_factory=Counter)
    worst: dict[str, float] = field(default_factory=dict)

    def lines(self) -> list[str]:
        """The findings, one line for those alike: how many, and the first."""
        alike: dict[tuple[str, str, str], list[Broken]] = {}
        for one in self.broken:
            alike.setdefault((one.letter, one.what, one.habits), []).append(one)
        return [f"{len(found)} x {found[0]}" for found in alike.values()]

    def most(self, what: str, value: float) -> None:
        self.worst[what] = max(self.worst.get(what, value), value)


Tell = Callable[[str, float, str, str], None]  # letter, when, what, figures


def judge(station: Station) -> Verdict:
    """(a) nothing is held off longer than the bound after hot oil is readable, or without cool readings.
    (b) no value is good that its register did not hold: in the record's journal, at the stamped time; at the
        SCADA port, within the time in which a value may count.
    (c) requests to a unit and connections to a line a second are bounded, of a failing unit closely.
    (d) after a forced release nothing is energised before every input has been read anew.
    (e) the daemon lives, and a module is written only as its settings allow.
    """
    verdict = Verdict()
    start = station.log.connected[0][0] if station.log.connected else station.told[0][0]

    def tell(letter: str, at: float, what: str, figures: str) -> None:
        verdict.broken.append(Broken(letter, at - start, what, figures, station.told_at(at)))

    _held_off(station, verdict, tell)
    _held_unread(station, verdict, tell)
    _energised_hot(station, tell)
    _journal(station, verdict, tell)
    _scada(station, verdict, tell)
    _traffic(station, verdict, tell)
    _fresh(station, verdict, tell)
    if not station.survived:
        tell("e", station.ended, "the daemon has ended by itself", "")
    return verdict


# --- (a) ------------------------------------------------------------------------------------------


def hot_periods(station: Station) -> Iterator[tuple[float, float]]:
    changes = [*station.truth.oil, (station.ended, 0.0)]
    for (since, base), (until, _) in pairwise(changes):
        if base == HOT_C:
            yield since, min(until, station.ended)


def energised(moves: Iterable[Moved], coil: int, end: float) -> Iterator[tuple[Moved, float]]:
    """(move that energised it, until when)."""
    since: Moved | None = None
    for move in moves:
        if move.coil != coil:
            continue
        if move.on:
            since = move
        elif since is not None:
            yield since, move.at
            since = None
    if since is not None:
        yield since, end


def _held_off(station: Station, verdict: Verdict, tell: Tell) -> None:
    limit = bound(station)
    for hot, cold in hot_periods(station):
        verdict.premises["hot periods"] += 1
        known = min(hot + limit.detection, _clean_hot(station, hot, cold) or cold)
        held = False
        for coil in station.kind.coils:
            for move, until in energised(station.log.moved, coil, station.ended):
                if until <= hot or move.at >= cold:
                    continue
                before = move.at <= hot
                held = held or before
                until = min(until, cold)
                begin = known if before else move.at
                stalled = sum(max(0.0, min(until, b) - max(begin, a)) for a, b in station.stopped)
                took, allowed = until - begin, limit.decided + stalled + station.noise_s(begin, until)
                verdict.most("released after [s]", until - max(move.at, hot))
                if took > allowed:
                    tell(
                        "a",
                        begin + allowed,
                        f"held off in the heat, energised by {move.cause}",
                        f"coil {coil} for {took:.1f} s after {'hot oil was known' if before else 'that'} "
                        f"(at most {allowed:.1f} s; {until - hot:.1f} s after the heat began)",
                    )
        verdict.premises["hot while held off"] += held


def _held_unread(station: Station, verdict: Verdict, tell: Tell) -> None:
    """Every input on which a hold-off rests has been read while it lasted, oil as cool, not longer ago."""
    limit = bound(station).total
    for name, (unit, address) in INPUTS.items():
        read = [
            ask.sound
            for ask in station.log.asked
            if ask.unit == unit and ask.address == address and ask.sound is not None
            if name != OIL or station.truth.base(ask.at) != HOT_C
        ]
        for coil in station.kind.coils:
            for move, until in energised(station.log.moved, coil, station.ended):
                seen = [move.at, *(at for at in read if move.at < at < until), until]
                begin, end = max(pairwise(seen), key=lambda gap: gap[1] - gap[0])
                stalled = sum(max(0.0, min(end, b) - max(begin, a)) for a, b in station.stopped)
                verdict.most("held off without a reading [s]", end - begin)
                if end - begin > limit + stalled + station.noise_s(begin, end):
                    tell(
                        "a",
                        begin + limit,
                        f"held off, energised by {move.cause}, without a reading that allows it",
                        f"coil {coil}, {name} not read for {end - begin:.1f} s (at most {limit:.1f} s)",
                    )


def _energised_hot(station: Station, tell: Tell) -> None:
    """Nothing is energised by a write when the oil was last read as hot, and a decision was due since."""
    oil = [(ask.sound, station.truth.base(ask.at) == HOT_C) for ask in station.log.asked
           if (ask.unit, ask.address) == INPUTS[OIL] and ask.sound is not None]  # fmt: skip
    for move in station.log.moved:
        if not move.on or move.cause != "write" or move.at > station.ended:
            continue
        cool = max((at for at, hot in oil if not hot and at < move.at), default=0.0)
        known = min((at for at, hot in oil if hot and cool < at < move.at), default=move.at)
        due = known + bound(station).decision + TIMEOUT_S + NOISE_S + station.noise_s(known, move.at)
        if move.at > due:
            tell(
                "a",
                move.at,
                "energised in the heat",
                f"coil {move.coil}, {move.at - known:.1f} s after it was read",
            )


def _clean_hot(station: Station, hot: float, cold: float) -> float | None:
    """When hot oil was answered soundly on a line that had no habit and no new connection for a while."""
    line = station.line_of(1)
    connected = [at for at, name in station.log.connected if name == line.name]
    for ask in station.log.asked:
        if ask.unit != 1 or ask.sound is None or not hot <= ask.at < cold or ask.address != 0:
            continue
        since, habits = max((entry for entry in station.told if entry[0] <= ask.sound), default=(0.0, ""))
        if (
            ask.sound - since > CLEAN_S
            and not _touches_oil(habits, station)
            and not any(ask.sound - SETTLED_S < at <= ask.sound for at in connected)
            and not any(a - 1.0 < ask.sound < b + SETTLED_S for a, b in station.stopped)
        ):
            return ask.sound
    return None


def _touches_oil(habits: str, station: Station) -> bool:
    """Whether the habits in force may touch the oil transmitter or its line."""
    line = station.line_of(1)
    return bool(habits) and (
        line is station.line_of(3) or "unit 1" in habits or f"line {line.name}" in habits
    )


# --- (b) ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Journalled:
    """A reading as the step got it: monotonic time of the step and of the sample [s]."""

    step: float
    name: str
    value: float | None
    bits: int
    at: float


def journal(path: Path) -> Iterator[Journalled]:
    """The readings of every step, from the record's journal (docs/record.md, Journal)."""
    with sqlite3.connect(path) as db:
        frames: list[str] = []
        for (blob,) in db.execute("SELECT frames FROM journal_blocks ORDER BY id"):
            frames += zlib.decompress(blob).decode().splitlines()
        frames += [text for (text,) in db.execute("SELECT frame FROM journal ORDER BY id")]
    now = 0
    readings: list[tuple[str, list[object]]] = []
    for text in frames:
        frame = json.loads(text)
        if "w" in frame and isinstance(frame.get("r"), dict):
            now = frame["t"]
            readings = [(name, [now - age, *rest]) for name, (age, *rest) in frame["r"].items()]
        else:
            now += frame["t"]
            for index, age, *changed in frame.get("r", ()):
                content = readings[index][1]
                content[0] = now - age
                content[1 : 1 + len(changed)] = changed
        for name, (at, value, bits, *_) in readings:
            yield Journalled(now / 1e9, name, value, int(bits), at / 1e9)  # type: ignore[arg-type]


def is_good(bits: int) -> bool:
    """Validity good, of the process: neither substituted, nor test, nor blocked (windingd points --help)."""
    return bits & 3 == 0 and bits >> 10 == 0


def _journal(station: Station, verdict: Verdict, tell: Tell) -> None:
    path = station.directory / "data" / "record.sqlite"
    told: set[tuple[str, float]] = set()
    for reading in journal(path) if path.exists() else ():
        if reading.name not in (OIL, AMBIENT, *CURRENTS) or (reading.name, reading.at) in told:
            continue
        told.add((reading.name, reading.at))
        if not is_good(reading.bits) or reading.value is None:
            continue
        verdict.premises["readings good in the journal"] += 1
        noise = station.noise_s(reading.at - 1.0, reading.at + 1.0)
        # It is stamped with the time of its request; what the device meant with it came until the answer.
        held = station.truth.held(
            reading.name, reading.at - 0.15 - noise, reading.at + TIMEOUT_S + 0.1 + noise
        )
        if min(abs(reading.value - one) for one in held) > 0.02:
            age = _age(station, reading.name, reading.value, reading.at)
            tell(
                "b",
                reading.at,
                f"{reading.name} good in the journal, {age[0]}",
                f"{reading.value:.2f} {age[1]}",
            )
    verdict.premises["readings in the journal"] += len(told)


def _age(station: Station, name: str, value: float, at: float) -> tuple[str, str]:
    for back in range(1, 80):
        if abs(station.truth.value(name, at - 0.25 * back) - value) <= 0.02:
            return "older than it says", f"held about {0.25 * back:.1f} s before"
    for other in (OIL, AMBIENT, *CURRENTS):
        if other != name and any(abs(v - value) <= 0.02 for v in station.truth.held(other, at - 5.0, at)):
            return f"it is of {other}", ""
    return "no register held it", ""


def _scada(station: Station, verdict: Verdict, tell: Tell) -> None:
    for at, name, value, bits in station.seen:
        if name not in SERVED or not is_good(bits) or at > station.ended:
            continue
        verdict.premises["values good at the SCADA port"] += 1
        stall = sum(b - a for a, b in station.stopped if a - 8.0 < at < b + 8.0)
        stall += station.noise_s(at - 8.0, at)
        held = station.truth.held(name, at - STALE_S - 2 * CYCLE_S - TIMEOUT_S - NOISE_S - stall, at)
        if min(abs(value - one) for one in held) > 0.02:
            age = _age(station, name, value, at)
            tell("b", at, f"{name} good at the SCADA port, {age[0]}", f"{value:.2f} {age[1]}")


# --- (c) ------------------------------------------------------------------------------------------


def _busiest(times: list[float], window: float) -> Iterator[tuple[float, float]]:
    """(end of a window, events a second in it), windows not overlapping where the rate is high."""
    first = 0
    for i, at in enumerate(times):
        while times[first] < at - window:
            first += 1
        yield at, (i - first + 1) / window


def _traffic(station: Station, verdict: Verdict, tell: Tell) -> None:
    def bounded(what: str, times: list[float], most: float) -> None:
        quiet_until = 0.0
        for at, rate in _busiest(times, WINDOW_S):
            verdict.most(what, rate)
            if rate > most and at > quiet_until:
                quiet_until = at + 2 * WINDOW_S  # one finding, not one per request
                tell("c", at, what, f"{rate:.1f} (at most {most:g})")

    asked = [ask for ask in station.log.asked if ask.at <= station.ended]
    for unit in (1, 2, 3):
        own = [ask for ask in asked if ask.unit == unit]
        bounded(f"requests a second to unit {unit}", [ask.at for ask in own], REQUESTS_S)
        failing = list(_failing(own))
        bounded(f"requests a second to failing unit {unit}", failing, FAILING_REQUESTS_S)
    for line in station.lines:
        times = [at for at, name in station.log.connected if name == line.name and at <= station.ended]
        bounded(f"connections a second to line {line.name}", times, CONNECTIONS_S)


def _failing(asked: list[Asked]) -> Iterator[float]:
    """Requests to a unit of which none was answered in a right frame and in time for FAILING_S before."""
    told = asked[0].at if asked else 0.0
    for ask in asked:
        if ask.told is not None and ask.told - ask.at < TIMEOUT_S:
            told = ask.told
        elif ask.at - told > FAILING_S:
            yield ask.at


# --- (d) ------------------------------------------------------------------------------------------


def _fresh(station: Station, verdict: Verdict, tell: Tell) -> None:
    """A forced release is the module's own; or the program stalled for longer than a decision may be old."""
    verdict.premises["forced releases"] += sum(m.cause == "timeout" for m in station.log.moved)
    verdict.premises["stalls"] += len(station.stopped)
    written = [m for m in station.log.moved if m.on and m.cause == "write" and m.at <= station.ended]
    verdict.premises["hold-offs written"] += len(written)
    releases = [m.at for m in station.log.moved if m.cause == "timeout"]
    for move in written:
        since = max((at for at in releases if at < move.at), default=None)
        if since is not None and (missing := _not_read(station, since, move.at)):
            tell(
                "d",
                move.at,
                "energised after the module's own release before every input was read anew",
                f"coil {move.coil} after {move.at - since:.2f} s, without {', '.join(missing)}",
            )
    for begin, end in station.stopped:
        if end - begin < MAX_AGE_S + CYCLE_S:
            continue
        for ask in station.log.asked:
            # Also what is held off already: each such write holds it off for longer.
            if ask.unit == 3 and any(ask.bits) and end < ask.at < end + STALE_S and ask.at <= station.ended:
                verdict.premises["hold-offs after a stall"] += 1
                if missing := _not_read(station, end, ask.at):
                    tell(
                        "d",
                        ask.at,
                        "held off after a stall before every input was read anew",
                        f"{ask.at - end:.2f} s after {end - begin:.1f} s of it, without {', '.join(missing)}",
                    )


def _not_read(station: Station, since: float, until: float) -> list[str]:
    """The inputs on which a hold-off rests that were not read between."""
    asked = station.log.asked  # in the order of time
    first, last = (bisect_left(asked, at, key=lambda ask: ask.at) for at in (since, until))
    read = {
        (ask.unit, ask.address) for ask in asked[first:last] if ask.sound is not None and ask.sound <= until
    }
    return [name for name, place in INPUTS.items() if place not in read]
