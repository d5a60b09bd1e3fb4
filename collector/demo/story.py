"""The story of a hot afternoon: what is done to the simulated plant, and how each act is confirmed.

An act is confirmed only by what others logged: the relay module about its coils, the subscriber about
what was published. Nothing here asks the daemon whether it did well.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

from collector.demo.bench import Bench
from simulators.station import Station

#: Station seconds per real second: an afternoon of some five hours in well under two minutes.
RATE = 180.0
#: The relay module's own timeout [station s]. At this rate it must be long: 120 s pass in 0.7 s.
RELAY_TIMEOUT_S = 120.0
START_HOUR = 12.0
QUIET_LOAD = 0.25
QUIET_AMBIENT_C = 19.0

Message = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What must be found in somebody else's log. found: log -> the line that proves it, or None."""

    what: str
    by: str  # whose log
    found: Callable[[Bench, int], Message | None]


@dataclass(frozen=True, slots=True)
class Act:
    """One act. do: what happens to the plant. within_min: station minutes for all evidence to appear."""

    title: str
    text: str
    do: Callable[[Station], Awaitable[None]]
    evidence: tuple[Evidence, ...]
    within_min: float


def coil(number: int, energised: bool) -> Evidence:
    """The relay module logged that a coil moved since the act began."""
    event = "energise" if energised else "release"

    def found(bench: Bench, since_ns: int) -> Message | None:
        for line in bench.relay_log():
            if line["mono_ns"] >= since_ns and line["event"] == event and number in line["coils"]:
                return line
        return None

    word = "energised: held off" if energised else "released: runs"
    return Evidence(f"stage {number + 1} relay {word}", "relay module", found)


def published(topic: str, what: str, true: Callable[[Message], bool]) -> Evidence:
    """The subscriber got a value on this topic, since the act began, for which `true` holds."""

    def found(bench: Bench, since_ns: int) -> Message | None:
        for line in bench.messages():
            if line["mono_ns"] >= since_ns and line["topic"].endswith(topic) and true(line["payload"]):
                return line
        return None

    return Evidence(what, "subscriber", found)


def _alarm(name: str, standing: bool, what: str) -> Evidence:
    def true(payload: Message) -> bool:
        return (payload.get("word") in ("unacknowledged", "acknowledged")) == standing

    return published(f"/value/T1/{name}", what, true)


def patient(text: str) -> str:
    """The demo settings with the cycle and time-outs that accelerated time on a busy machine needs."""
    changes = {
        "cycle_s: 2.0": "cycle_s: 5.0",
        "stale_after_s: 30.0": "stale_after_s: 120.0",
        "decision_max_age_s: 10.0": "decision_max_age_s: 60.0",
        # A feedback seen only at the next poll is not late before then.
        "        hardware_stagger: true": "        feedback_delay_s: 60.0\n        hardware_stagger: true",
        "poll_s: 2.0": "poll_s: 10.0",
        "poll_s: 5.0": "poll_s: 10.0",
        "timeout_s: 10.0": f"timeout_s: {RELAY_TIMEOUT_S}",
        "timeout_value: 100 ": f"timeout_value: {RELAY_TIMEOUT_S * 10:.0f} ",
    }
    for old, new in changes.items():
        if old not in text:
            raise ValueError(f"demo.yaml: {old!r} is not there")
        text = text.replace(old, new)
    return text


async def _nothing(_station: Station) -> None:
    """The plant is left as it is."""


async def _noon(station: Station) -> None:
    await station.set_ambient(34.0, over_s=900)
    await station.set_load(1.4, over_s=900)


async def _overload(station: Station) -> None:
    await station.set_load(1.65, over_s=300)


async def _thunderstorm(station: Station) -> None:
    await station.set_ambient(17.0, over_s=1800)
    await station.set_load(0.25, over_s=900)


async def _sensor_breaks(station: Station) -> None:
    await station.fault("oil_tx", "open", channel="top_oil_c")


async def _sensor_back(station: Station) -> None:
    await station.clear("oil_tx", "open")


ACTS: tuple[Act, ...] = (
    Act(
        "A quiet morning",
        "Light load. windingd adopts the outputs as it finds them, released, and holds the fans off\n"
        "once every reading is good and the minimum run is over.",
        _nothing,
        (coil(0, True), coil(1, True), coil(2, True)),
        30,
    ),
    Act(
        "Noon: load and heat rise",
        "The stages pick up one after the other, on top oil or on the hottest winding.",
        _noon,
        (coil(0, False), coil(1, False), coil(2, False)),
        180,
    ),
    Act(
        "A parallel unit is switched off",
        "This transformer carries its load too: 165 % of its rating with all fans.\n"
        "The hot spot passes the alarm limit. (load is shown in pu of the cooling mode in force.)",
        _overload,
        (_alarm("alarm_hot_spot_high", True, "hot-spot alarm published"),),
        90,
    ),
    Act(
        "A thunderstorm; the parallel unit is back",
        "Load and ambient fall. The alarm clears, and the third stage drops out first.",
        _thunderstorm,
        (_alarm("alarm_hot_spot_high", False, "hot-spot alarm over"), coil(2, True)),
        180,
    ),
    Act(
        "The top-oil sensor breaks",
        "No valid measurement: every stage runs, and an alarm says why. The oil is estimated meanwhile.",
        _sensor_breaks,
        (
            coil(2, False),
            _alarm("alarm_top_oil_lost", True, "alarm: top oil lost"),
            published(
                "/value/T1/top_oil_c",
                "top oil published as substituted",
                lambda p: "substituted" in p["quality"],
            ),
        ),
        15,
    ),
    Act(
        "The sensor is repaired",
        "The reading must be good for a while before it counts; then the stages drop out one by one.",
        _sensor_back,
        (
            published("/value/T1/top_oil_c", "top oil published as good", lambda p: p["quality"] == "good"),
            coil(2, True),
            coil(1, True),
            coil(0, True),
        ),
        300,
    ),
)
