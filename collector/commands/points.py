"""The points list for SCADA and MQTT: every point with unit, meaning, address and topic.

example:
  windingd points config/demo.yaml
  windingd points config/demo.yaml --format csv > points.csv
  windingd points config/demo.yaml --format markdown --level stage

A value is a float32 in two registers, high word first; the third register is its quality (13 bits:
validity 0-1, detail 2-9, substituted 10, test 11, blocked 12). Input registers (function 4) and holding
registers (function 3) are the same, as are discrete inputs (2) and coils (1). Nothing can be written.
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
from collector.settings.model import Settings

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


def rows(settings: Settings, levels: Iterable[str] = LEVELS) -> list[Row]:
    """The points list of a station, in the order of the map."""
    wanted = set(levels)
    return [_row(settings, p) for p in catalogue(settings) if p.declared.level in wanted]


def _row(settings: Settings, point: Point) -> Row:
    declared, at = point.declared, point.address
    bits, served = has_bits(point), point.declared.type != "text"
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
        ("point", False), ("unit", False), ("register", True), ("reference", True), ("discrete", True),
        ("meaning", False),
    ):  # fmt: skip
        table.add_column(title, justify="right" if numeric else "left", no_wrap=title != "meaning")
    group = ""
    for row in found:
        owner, _, name = row.id.rpartition(".")
        if owner != group:
            group = owner
            table.add_row(f"[bold cyan]{owner}[/]")
        register, discrete = ("" if n is None else str(n) for n in (row.register, row.discrete))
        unit = row.unit or f"[dim]{row.type}[/]"
        style = "yellow" if name.startswith("alarm_") else ""
        cells = (f"  .{name}", unit, register, row.register_reference, discrete, row.meaning)
        table.add_row(*cells, style=style)
    # Without a terminal nothing is cut or wrapped to a screen that is not there.
    console = Console(width=None if sys.stdout.isatty() else 160, highlight=False)
    console.print(table)
    console.print()
    console.print(f"{len(found)} points: value (float32) at register and the next, quality at register + 2.")
    console.print("Bools and alarms also as discrete inputs: state, quality not good, unacknowledged.")
    console.print(f"No number is served as {NO_VALUE:g} with an invalid quality. The server's own registers:")
    for i, meaning in enumerate(HEADER_MEANING):
        console.print(f"  {HEADER + i}  3{HEADER + i + 1:05d}  {meaning}")
    if settings.scada is None:
        console.print("These settings have no scada section: nothing is served over Modbus.")
    else:
        served = settings.scada
        console.print(f"Served at {served.listen}:{served.port}, unit {served.unit}, read-only.")
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
    print("| point | unit | type | register | reference | quality at | discrete ", end="")
    print("| meaning | quality rule | topic |")
    print("|---|---|---|---:|---:|---:|---:|---|---|---|")
    for r in found:
        discrete = "" if r.discrete is None else f"{r.discrete} ({r.discrete_reference})"
        meaning = f"{r.meaning} ({r.words})" if r.words else r.meaning
        topic = f"`{r.topic}`" if r.topic else ""
        register, quality = ("" if n is None else n for n in (r.register, r.quality_register))
        cells = (f"`{r.id}`", r.unit, r.type, register, r.register_reference, quality, discrete)
        print("| " + " | ".join(str(c) for c in (*cells, meaning, r.quality_rule, topic)) + " |")


_FORMATS: dict[str, Callable[[Settings, list[Row]], None]] = {
    "text": _text,
    "csv": _csv,
    "json": _json,
    "markdown": _markdown,
}
