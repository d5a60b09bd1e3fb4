"""Rows 16, 18, 19, 21 and 22: devices with bad habits on raw sockets, judged by their own log (tests/habits).

Real time, so every station of this file runs at once and each test looks at its own when all are done.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import pytest
from bench_kit import HINDERED
from habits.device import Moved
from habits.judge import Verdict, bound, energised, judge
from habits.station import HOT_C, KINDS, START_S, Station, begin, named
from ledger import Ledger

pytestmark = pytest.mark.timeout(400)  # the first test waits for all the runs
PRODUCT = ("-m", "collector.commands.main")
OUTPUT_FAULT = "T1.stage1.alarm_output_fault"
#: What another master has held off is seen at the next look and written over: well within this [s].
REWRITTEN_S = 5.0
#: The trouble lasts so long at least; longer, until every stage is released or ought to be [s].
TROUBLE_S, BEYOND_S = 18.0, 3.0


@dataclass(frozen=True)
class Case:
    """habits: name and unit; oil turns hot a second later. promise: the judge's letters."""

    row: int
    name: str
    kind: int
    habits: tuple[tuple[str, int], ...]
    promise: str
    broken: str = ""

    def __str__(self) -> str:
        return f"{self.row}, {self.name}, {f'without {self.broken}' if self.broken else 'as built'}"


def _with_control(broken: str, *cases: Case) -> tuple[Case, ...]:
    """The first of them is run again with a mechanism taken out."""
    return (*cases, replace(cases[0], broken=broken))


CASES = (
    *_with_control(
        "write order",
        Case(16, "function 5 only, 0.25 s each", 2, (("function 5 only, latency 0.25 s", 3),), "a"),
        Case(16, "one request per connection", 1, (("one request per connection", 3),), "ac"),
    ),
    *_with_control(
        "one answer",
        Case(
            18,
            "a stale frame in front of each oil temperature, currents up to 2.5 time-outs late",
            2,
            (("stale frame in front", 1), ("answers late", 2)),
            "ab",
        ),
    ),
    *_with_control(
        "settling",
        Case(
            19,
            "temperature transmitter and current transducer, zeros for 10 s",
            1,
            (("reboots with zeros", 1), ("reboots with zeros", 2)),
            "ab",
        ),
    ),
    *_with_control(
        "obey",
        Case(21, "acknowledges writes, does nothing", 1, (("acknowledges writes, does nothing", 3),), "a"),
        Case(21, "exception 4 to every write", 2, (("exception 4 to writes", 3),), "a"),
    ),
    *_with_control(
        "rewriting",
        Case(22, "it holds a stage off every 2 to 4 s", 1, (("another master", 3),), "a"),
    ),
)


async def _run(case: Case, after_s: float, directory: Path) -> Station:
    await asyncio.sleep(after_s)
    daemon = HINDERED if case.broken else PRODUCT
    station = Station(KINDS[case.kind], case.row, directory, daemon, {"BREAK": case.broken})
    async with station:
        station.tell("")
        await station.until(lambda: len(station.held()) == len(station.kind.coils), START_S)
        begin(station, named(*case.habits))
        await asyncio.sleep(1.0)
        station.oil_is(HOT_C)
        hot = time.monotonic()
        await asyncio.sleep(TROUBLE_S)

        def over() -> bool:
            now = time.monotonic()
            allowed = bound(station).total + station.noise_s(hot, now) + BEYOND_S
            return not station.held() or now - hot > allowed

        await station.until(over, 90.0)
    return station


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Mapping[Case, Station | BaseException]:
    """Every case, run; or what went wrong with it."""

    async def all_of_them() -> list[Station | BaseException]:
        place = tmp_path_factory.mktemp("habits")
        # One start after the other: a dozen interpreters at once would only be slow together.
        return await asyncio.gather(
            *(_run(case, 0.8 * n, place / str(n)) for n, case in enumerate(CASES)), return_exceptions=True
        )

    return dict(zip(CASES, asyncio.run(all_of_them()), strict=True))


@pytest.mark.parametrize("case", CASES, ids=str)
def test_row_habits(runs: Mapping[Case, Station | BaseException], ledger: Ledger, case: Case) -> None:
    """The control of each row: the mechanism that the case names is taken out."""
    station = runs[case]
    if isinstance(station, BaseException):
        raise station
    verdict = judge(station)
    trouble = station.told[-1][0]
    alarmed = station.first_seen(OUTPUT_FAULT, trouble)
    with ledger.judged(case.row, case.broken, case.name):
        assert station.survived, "the daemon has ended"
        found = [one for one in verdict.broken if one.letter in case.promise]
        assert not found, f"{found[0].what}: {found[0].figures}"
        if case.row in (21, 22):
            assert alarmed is not None, f"no {OUTPUT_FAULT}"
        if case.row == 22:
            assert max(_foreign_s(station)) <= REWRITTEN_S, f"held off for {max(_foreign_s(station)):.1f} s"
        if case.row == 21:
            assert {move.cause for move in _released(station)} == {"timeout"}
    if case.broken:
        return
    hot = station.truth.oil[-1][0]
    ledger.note(
        case.row,
        case.name,
        SEEN[case.row](station, verdict),
        detection_s=alarmed - trouble if alarmed is not None and case.row >= 21 else None,
        reaction_s=max(move.at for move in _released(station)) - hot if case.row != 22 else None,
    )


NEVER = Moved(float("inf"), -1, False, "never")


def _released(station: Station) -> list[Moved]:
    """The first release of each output after the heat."""
    hot = station.truth.oil[-1][0]
    return [
        next((m for m in station.log.moved if m.coil == coil and not m.on and m.at > hot), NEVER)
        for coil in station.kind.coils
    ]


def _slow(station: Station, verdict: Verdict) -> str:
    worst = verdict.worst
    connections = max(rate for what, rate in worst.items() if what.startswith("connections"))
    return (
        f"every stage released, {bound(station).total:.0f} s were allowed; at most "
        f"{worst['requests a second to unit 3']:.0f} requests and {connections:.0f} connections a second"
    )


def _values(station: Station, verdict: Verdict) -> str:
    taken = verdict.premises["readings good in the journal"]
    served = verdict.premises["values good at the SCADA port"]
    return (
        f"{taken} readings in the journal and {served} at the SCADA port were good, each held by its register"
    )


def _unfed(station: Station, verdict: Verdict) -> str:
    release = max(_released(station), key=lambda move: move.at)
    last = max(ask.at for ask in station.log.asked if ask.unit == 3 and ask.at < release.at)
    return (
        f"no request of any kind from then on; released by its own timeout {release.at - last:.1f} s after "
        f"the last one; {bound(station).total:.0f} s from the heat on were allowed"
    )


def _foreign_s(station: Station) -> list[float]:
    """How long each hold-off by the other master lasted, in the heat."""
    hot = station.truth.oil[-1][0]
    return [
        until - move.at
        for coil in station.kind.coils
        for move, until in energised(station.log.moved, coil, station.ended)
        if move.cause == "foreign" and move.at > hot
    ]


def _rewritten(station: Station, verdict: Verdict) -> str:
    hot, held = station.truth.oil[-1][0], _foreign_s(station)
    asked = [ask.at for ask in station.log.asked if ask.unit == 3 and hot < ask.at < station.ended]
    pause = max(b - a for a, b in pairwise(asked))
    return (
        f"held off {len(held)} times, each time released again within {max(held):.1f} s; the longest pause "
        f"between two requests to the module was {pause:.1f} s"
    )


SEEN: dict[int, Callable[[Station, Verdict], str]] = {
    16: _slow,
    18: _values,
    19: _values,
    21: _unfed,
    22: _rewritten,
}
