"""Outputs without a name: those that earlier settings used for cooling, and those that nobody knows of.

Pure: settings in, outputs out. A module is the same while its address is (host or serial port, and unit), and
who it says it is, where that is in the settings; the id of the device may have changed. No rule about when
something is written may be put here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from collector.field.output_point import Cell, OutputPoint, coil, output_point
from collector.settings.model import Device, Settings

#: Named coils lying further apart than this say nothing about how many outputs the module has.
SPAN_MOST = 64

Address = tuple[str, str, int, int]


@dataclass(frozen=True, slots=True)
class Orphans:
    """of: device -> output -> what it once was; to be released. unreached: on modules no longer named."""

    of: Mapping[str, Mapping[OutputPoint, str]] = field(default_factory=dict)
    unreached: tuple[str, ...] = ()


def orphans(now: Settings, former: Iterable[Settings]) -> Orphans:
    """Outputs that held cooling stages off by earlier settings (the newest first) and have no name in these.

    One in `foreign_coils` belongs to another master now and is none; nor is one of a module that by both
    settings was to say of itself that it is another.
    """
    here: dict[Address, Device] = {}
    for device in sorted(now.devices, key=lambda d: d.relay_module is None):
        here.setdefault(_address(now, device), device)
    taken = [(address, point) for address, point, _ in _points(now, stages_only=False)]
    modules = [(_address(now, d), d.relay_module) for d in now.devices if d.relay_module is not None]
    taken += [(address, coil(number)) for address, module in modules for number in module.foreign_coils]
    of: dict[str, dict[OutputPoint, str]] = {}
    unreached: dict[tuple[Address, tuple[str, int, int]], str] = {}
    for settings in former:
        said = {_address(settings, device): _expected(device) for device in settings.devices}
        for address, point, output in _points(settings, stages_only=True):
            if any(where == address and point.overlaps(other) for where, other in taken):
                continue
            who = {said[address], _expected(here[address])} - {""} if address in here else set()
            if address in here and len(who) < 2:
                known = of.setdefault(here[address].id, {})
                if not any(point.overlaps(other) for other in known):
                    known[point] = output
            else:
                _, host, port, unit = address
                unreached.setdefault(
                    (address, point.key), f"{output} ({point} of unit {unit} at {host}:{port})"
                )
    return Orphans(of, tuple(unreached.values()))


def coils_of(cells: Iterable[Cell]) -> list[int]:
    return [cell.address for cell in cells if cell.table == "coil"]


def unnamed(device: Device, named: Iterable[int], former: Iterable[int] = ()) -> tuple[int, ...]:
    """Coils of a relay module to look at although no setting names them.

    All that it has, where `coil_count` says how many; else what lies between the named ones. And the former.
    """
    module = device.relay_module
    if module is None:
        return tuple(sorted(former))
    ours = set(named)
    if module.coil_count is not None:
        all_coils = set(range(module.coil_count))
    elif ours and max(ours) - min(ours) <= SPAN_MOST:
        all_coils = set(range(min(ours), max(ours)))
    else:
        all_coils = set()
    return tuple(sorted((all_coils | set(former)) - ours - set(module.foreign_coils)))


def _address(settings: Settings, device: Device) -> Address:
    link = next(link for link in settings.links if link.id == device.link)
    return link.type, link.host or link.serial_device or "", link.port or 502, device.unit


def _expected(device: Device) -> str:
    return (device.identity.expected if device.identity is not None else None) or ""


def _points(settings: Settings, *, stages_only: bool) -> Iterable[tuple[Address, OutputPoint, str]]:
    from collector.field.layout import outputs

    devices = {device.id: device for device in settings.devices}
    stages = {f"{t.id}.{s.id}" for t in settings.transformers for s in t.stages}
    for output, relay in outputs(settings):
        if not stages_only or output in stages:
            yield _address(settings, devices[relay.device]), output_point(relay), output
