"""The points list for SCADA and MQTT: every point with unit, meaning, address and topic.

example:
  windingd points config/demo.yaml
  windingd points config/demo.yaml --format csv > points.csv
  windingd points config/demo.yaml --format markdown --level stage

A value is a float32 in two registers, high word first; the third register is its quality (13 bits:
validity 0-1, detail 2-9, substituted 10, test 11, blocked 12). Input registers (function 4) and holding
registers (function 3) are the same, as are discrete inputs (2) and coils (1). Nothing can be written.

csv, json and markdown also give each point its section (Modbus unit id = scada.unit + section), and the
addresses that are its own in IEC 60870-5-104 and DNP3, for a list that outlives what serves them: neither
is served yet.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass

from rich.console import Console
from rich.table import Table

from collector.commands.common import EX_OK, add_settings, load_or_fail
from collector.points import Point, catalogue
from collector.publish.mqtt import value_topic
from collector.publish.scada import HEADER, HEADER_MEANING, NO_VALUE, has_bits
from collector.settings.model import Scada, Settings

LEVELS = ("station", "transformer", "winding", "stage", "device")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the list. Addresses are zero-based; references count from 1 (3xxxxx, 1xxxxx)."""

    id: str
    unit: str
    meaning: str
    type: str
    quality_rule: str
    words: str
    scale: float
    register: int | None  # None: text, which a register cannot hold
    register_reference: str
    quality_register: int | None
    quality_reference: str
    discrete: int | None
    discrete_reference: str
    topic: str
    modbus_unit: int | None
    section: int  # the common address and the outstation address also count with it
    iec104_number: int | None  # information object addresses
    iec104_state: int | None
    iec104_unacknowledged: int | None
    dnp3_analog_input: int | None
    dnp3_binary_input: int | None
    dnp3_unacknowledged: int | None  # a binary input


def rows(settings: Settings, levels: Iterable[str] = LEVELS) -> list[Row]:
    """The points list of a station, in the order of the map."""
    wanted = set(levels)
    return [_row(settings, p) for p in catalogue(settings) if p.declared.level in wanted]


def _row(settings: Settings, point: Point) -> Row:
    declared, place, at = point.declared, point.place, point.place.register
    bits, aspects = has_bits(point), point.aspects
    served = bool(aspects)
    base = (settings.scada or Scada()).unit
    iec104 = {aspect: place.iec104(aspect) for aspect in aspects}
    dnp3 = {aspect: place.dnp3(aspect) for aspect in aspects}
    return Row(
        id=point.id,
        unit=declared.unit,
        meaning=declared.meaning,
        type=declared.type,
        quality_rule=declared.quality,
        words="; ".join(f"{i} {word}" for i, word in enumerate(declared.words)),
        scale=1.0,
        register=at if served else None,
        register_reference=f"3{at + 1:05d}" if served else "",
        quality_register=at + 2 if served else None,
        quality_reference=f"3{at + 3:05d}" if served else "",
        discrete=at if bits else None,
        discrete_reference=f"1{at + 1:05d}" if bits else "",
        topic=value_topic(settings, point) if settings.mqtt is not None else "",
        modbus_unit=place.modbus_unit(base) if served else None,
        section=place.section,
        iec104_number=iec104.get("number"),
        iec104_state=iec104.get("state"),
        iec104_unacknowledged=iec104.get("unacknowledged"),
        dnp3_analog_input=dnp3.get("number"),
        dnp3_binary_input=dnp3.get("state"),
        dnp3_unacknowledged=dnp3.get("unacknowledged"),
    )


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument("--format", choices=_FORMATS, default="text", help="default: text")
    parser.add_argument("--level", choices=LEVELS, action="append", help="only these; may be repeated")


def run(args: argparse.Namespace) -> int:
    settings, _ = load_or_fail(args.settings)
    _FORMATS[args.format](settings, rows(settings, args.level or LEVELS))
    return EX_OK


def _text(settings: Settings, found: list[Row]) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title, numeric in (
        ("point", False), ("unit", False), ("unit id", True), ("register", True), ("reference", True),
        ("discrete", True), ("meaning", False),
    ):  # fmt: skip
        table.add_column(title, justify="right" if numeric else "left", no_wrap=title != "meaning")
    group = ""
    for row in found:
        owner, _, name = row.id.rpartition(".")
        if owner != group:
            group = owner
            table.add_row(f"[bold cyan]{owner}[/]")
        answers, register, discrete = (
            "" if n is None else str(n) for n in (row.modbus_unit, row.register, row.discrete)
        )
        unit = row.unit or f"[dim]{row.type}[/]"
        style = "yellow" if name.startswith("alarm_") else ""
        cells = (f"  .{name}", unit, answers, register, row.register_reference, discrete, row.meaning)
        table.add_row(*cells, style=style)
    # Without a terminal nothing is cut or wrapped to a screen that is not there.
    console = Console(width=None if sys.stdout.isatty() else 160, highlight=False)
    console.print(table)
    console.print()
    console.print(f"{len(found)} points: value (float32) at register and the next, quality at register + 2.")
    console.print("Bools and alarms also as discrete inputs: state, quality not good, unacknowledged.")
    console.print(
        f"No number is served as {NO_VALUE:g} with an invalid quality. The server's own registers, of every "
        "unit id:"
    )
    for i, meaning in enumerate(HEADER_MEANING):
        console.print(f"  {HEADER + i}  3{HEADER + i + 1:05d}  {meaning}")
    if settings.scada is None:
        console.print("These settings have no scada section: nothing is served over Modbus.")
    else:
        served = settings.scada
        units = sorted({r.modbus_unit for r in found if r.modbus_unit is not None})
        ids = f"unit {served.unit}" if units in ([], [served.unit]) else f"units {units[0]} to {units[-1]}"
        console.print(f"Served at {served.listen}:{served.port}, {ids}, read-only.")
    if settings.mqtt is not None and found:
        console.print(f"MQTT: {found[0].topic} and so on: dots of the point become slashes.")


def _csv(_settings: Settings, found: list[Row]) -> None:
    writer = csv.DictWriter(sys.stdout, fieldnames=list(Row.__dataclass_fields__), lineterminator="\n")
    writer.writeheader()
    writer.writerows(asdict(row) for row in found)


def _json(settings: Settings, found: list[Row]) -> None:
    body = {
        "station": settings.station.id,
        "scada": settings.scada.model_dump() if settings.scada is not None else None,
        "server_registers": {HEADER + i: meaning for i, meaning in enumerate(HEADER_MEANING)},
        "no_value": NO_VALUE,
        "points": [asdict(row) for row in found],
    }
    json.dump(body, sys.stdout, indent=2, ensure_ascii=False)
    print()


def _markdown(_settings: Settings, found: list[Row]) -> None:
    print("| point | unit | type | unit id | register | reference | quality at | discrete ", end="")
    print("| meaning | quality rule | topic | section | IEC 104 | DNP3 |")
    print("|---|---|---|---:|---:|---:|---:|---:|---|---|---|---:|---|---|")
    for r in found:
        discrete = "" if r.discrete is None else f"{r.discrete} ({r.discrete_reference})"
        meaning = f"{r.meaning} ({r.words})" if r.words else r.meaning
        topic = f"`{r.topic}`" if r.topic else ""
        answers, register, quality = (
            "" if n is None else n for n in (r.modbus_unit, r.register, r.quality_register)
        )
        cells = (f"`{r.id}`", r.unit, r.type, answers, register, r.register_reference, quality, discrete)
        iec104 = _joined(r.iec104_number, r.iec104_state, r.iec104_unacknowledged)
        dnp3 = _joined(
            *(
                f"{kind} {n}"
                for kind, n in (
                    ("AI", r.dnp3_analog_input),
                    ("BI", r.dnp3_binary_input),
                    ("BI", r.dnp3_unacknowledged),
                )
                if n is not None
            )
        )
        last = (meaning, r.quality_rule, topic, r.section, iec104, dnp3)
        print("| " + " | ".join(str(c) for c in (*cells, *last)) + " |")


def _joined(*addresses: object) -> str:
    return ", ".join(str(a) for a in addresses if a is not None)


_FORMATS: dict[str, Callable[[Settings, list[Row]], None]] = {
    "text": _text,
    "csv": _csv,
    "json": _json,
    "markdown": _markdown,
}
