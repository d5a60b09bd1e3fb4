"""What several rules need: names, duplicates, hosts. No rule of its own."""

from __future__ import annotations

import difflib
import ipaddress
from collections.abc import Iterable, Iterator
from typing import Any

from collector import points
from collector.settings.bind import Part, Unknown
from collector.settings.faults import Fault
from collector.settings.model import (
    Stage,
    Winding,
)

Found = Iterator[Fault]


def listed(part: Part, key: str) -> list[Part]:
    try:
        value = getattr(part, key)
    except Unknown:
        return []
    return list(value or ())


def ids_of(parts: list[Part]) -> list[str]:
    """The ids of a list; Unknown when one of them has a fault, for a name could be meant for that one."""
    ids = [part.id for part in parts]
    if len(set(ids)) < len(ids) or any(p.cls in (Winding, Stage) and p.id in reserved() for p in parts):
        raise Unknown("id")
    return ids


def stage_ids(t: Part) -> list[str]:
    """As `ids_of`; windings and stages share one namespace."""
    ids_of([*t.windings, *t.stages])
    return ids_of(t.stages)


def reserved() -> set[str]:
    """Names that a winding or stage may not have: T1.trip, T1.top_oil_c are something else."""
    return {declared.name for declared in points.DECLARED} | {"trip", "contact"}


def unknown_name(part: Part, key: str, what: str, name: str, known: list[str]) -> Found:
    if name not in known:
        close = difflib.get_close_matches(name, known, 1, 0.5)
        hint = (
            f"did you mean {close[0]}?"
            if close
            else f"there are: {', '.join(known)}"
            if known
            else "there is none"
        )
        yield part.fault(key, f"no {what} is called {name} ({hint})")


def first_seen(parts: list[Part], key: str, what: str) -> Found:
    """A fault at every part whose `key` an earlier one of the list has already."""
    seen: dict[Any, Part] = {}
    for part in parts:
        if not part.given(key) or key in part.broken:
            continue
        value = getattr(part, key)
        if value is None:
            continue
        if value in seen:
            yield part.fault(
                key, f"{value} is taken by {what} in line {line_of(seen[value], key)} (give each its own)"
            )
        else:
            seen[value] = part


def line_of(part: Part, key: str) -> int:
    return part.lines.get(key, part.line)


def find(parts: Iterable[Part], name: str) -> Part:
    for part in parts:
        if "id" not in part.broken and part.id == name:
            return part
    raise Unknown(name)


def loopback(host: str) -> bool:
    if host.lower() in ("localhost", "localhost.localdomain", "ip6-localhost"):
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def same_host(host: str) -> str:
    """One spelling for one machine, as far as it shows without asking a name server."""
    try:
        return str(ipaddress.ip_address(host))
    except ValueError:
        return "127.0.0.1" if loopback(host) else host.lower().removesuffix(".")


def host_fault(part: Part, key: str) -> Found:
    host = getattr(part, key)
    if host is None:
        return
    if "@" in host:
        yield part.fault(key, "holds a user name or secret (give the host name or address alone)")
    elif "/" in host or any(c.isspace() for c in host) or host == "":
        yield part.fault(
            key, f'"{host}" is no host (give a name or address alone, such as 192.0.2.10; no scheme, no path)'
        )
    elif host.count(":") == 1:
        yield part.fault(key, f'"{host}" holds a port (give the host alone, and the port under `port`)')


def criterion(stage: Part, side: str, key: str) -> float | None:
    """A stage's pickup or dropout; None when not given or when it has a fault of its own."""
    try:
        value: float | None = getattr(getattr(stage, side), key)
    except Unknown:
        return None
    return value
