"""What a settings file of an earlier version needs, to be read today and to mean what it meant then.

A table of the keys whose absence has another meaning now: a row is added when a key becomes required, comes
to act by itself or gets another default. Never put a rule about values in here (rules/).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from collector.settings.bind import Binder, Part, Unknown, walk
from collector.settings.faults import Fault
from collector.settings.model import (
    Device,
    Link,
    LostInputs,
    RelayModule,
    Section,
    Settings,
    Site,
    Station,
    Transformer,
)
from collector.settings.nodes import parse
from collector.settings.rules.common import listed
from collector.settings.rules.life import criterion


@dataclass(frozen=True, slots=True)
class Change:
    """A key that an older file may leave out. now: what its absence means today, and what it meant.

    write: what to write for the former meaning; None: the former one could take cooling away or believe a
    wrong value, so nobody is told how to get it back.
    """

    section: type[Section]
    key: str
    now: str
    write: str | None = None


CHANGES: tuple[Change, ...] = (
    Change(Station, "gap_s", "a line is drawn over 1200 s without a sample; it was 300 s", "300.0"),
    Change(
        Station,
        "hold_off_day_min",
        "all hold-offs by hand of a stage within 24 h end after 120 min; there was no such limit",
    ),
    Change(
        Link,
        "late_answer_s",
        "after a time-out the line is kept quiet for 2 times timeout_s, lest a late answer be taken for "
        "another; it was 0.5 s",
    ),
    Change(
        Device,
        "settle_s",
        "zeros in all registers are not believed for 15 s after a restart; they were at once",
    ),
    Change(
        RelayModule,
        "release_within_s",
        "an output that has not released within half of timeout_s leaves its module without requests; "
        "there was no such bound",
    ),
    Change(
        RelayModule,
        "proof_interval_days",
        "the module is left unfed every 30 days to prove that it releases by itself; it never was",
    ),
    Change(
        LostInputs,
        "oil_margin_k",
        "an oil that load, ambient and cooling do not explain is doubted; it was not",
    ),
    Change(LostInputs, "phase_unbalance_pu", "a phase 0.2 pu off the others is doubted; it was not"),
    Change(
        Site,
        "ambient_low_c",
        "the air is never colder than -25 degC: it bounds an ambient that is not measured and doubts one "
        "that is; nothing did",
    ),
    Change(
        Site,
        "ambient_high_c",
        "the air is never hotter than 40 degC: it bounds an ambient that is not measured and doubts one "
        "that is; nothing did",
    ),
    Change(
        Transformer,
        "pre_cooling_lead_min",
        "an expected load that an operator tells calls cooling 60 min before; it could not be told",
        "0.0",
    ),
)


def needs(data: bytes, name: str) -> list[Fault]:
    """Every key that a file called `name` leaves out and should not, in the order of its lines.

    Only what an upgrade adds: faults that `load` finds are not repeated, except with what would mend them.
    """
    tree, problems = parse(data)
    if tree is None or problems:
        return []
    root = Binder(name).section(Settings, tree, "", 1)
    left_out = (_told(part, c) for part in walk(root) for c in CHANGES if _applies(part, c))
    found = [*_numbers(root), *_lives(root), *left_out]
    return sorted(found, key=lambda fault: (fault.line, fault.path))


def _applies(part: Part, change: Change) -> bool:
    if part.cls is not change.section or part.given(change.key):
        return False
    return part.cls is not Link or ("type" not in part.broken and part.type != "tcp")


def _told(part: Part, change: Change) -> Fault:
    remedy = "nothing to write, unless another value is right here"
    if change.write is not None:
        remedy = f"write {change.key}: {change.write} to keep that"
    return part.fault(change.key, f"is left out: {change.now} ({remedy})", "note")


def _numbers(root: Part) -> Iterator[Fault]:
    """Devices had no permanent number once: the lowest that no other has, in the order of the file."""
    devices = listed(root, "devices")
    taken = set()
    for device in devices:
        try:
            taken.add(device.number)
        except Unknown:
            continue
    free = (n for n in range(1, 10_000) if n not in taken)
    for device in devices:
        if not device.given("number"):
            yield device.fault(
                "number",
                f"is missing (write number: {next(free)}, for ever: its points and its link alarm go by it)",
            )


def _lives(root: Part) -> Iterator[Fault]:
    """Any normal life went with any paper once; one that is nobody's figure needs a source now."""
    for t in listed(root, "transformers"):
        try:
            faults = [f for f in criterion(t) if f.severity == "fault"]
        except Unknown:
            continue
        for fault in faults[:1]:
            keep = "to keep it write life_source: former settings"
            yield replace(fault, message=f"{fault.message.removesuffix(')')}; {keep})")
