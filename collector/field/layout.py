"""Which device hangs on which link, and what is read from it and written to it.

Pure: settings in, frozen values out. Two layouts of a link compare equal when nothing about it has
changed, which is how a reload knows what to leave alone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from collector.field.codec import Spec, spec, station_specs
from collector.field.orphans import coils_of, unnamed
from collector.field.output_point import OutputPoint, coil, output_point
from collector.field.relays import Rules
from collector.settings.model import Device, Link, Register, Relay, Settings

_S = 1_000_000_000
#: Ends the id of a second look at a module; no id of a setting may hold a dot.
_UNNAMED = ".unnamed"
NO_FORMER: Mapping[str, Collection[OutputPoint]] = MappingProxyType({})
#: A foreign write stays visible for so many decision cycles, so that a step surely sees it.
_FOREIGN_CYCLES = 3


@dataclass(frozen=True, slots=True)
class DeviceLayout:
    """wants: (measurement id, how to read it or why it cannot be). outputs: (point, output id).

    orphans: outputs that earlier settings used for cooling and these do not name: to be released.
    feedbacks: (output id, measurement id) of outputs that cannot be read back.
    """

    device: Device
    wants: tuple[tuple[str, Spec | str], ...]
    outputs: tuple[tuple[OutputPoint, str], ...]
    orphans: tuple[OutputPoint, ...] = ()
    feedbacks: tuple[tuple[str, str], ...] = ()

    @property
    def is_relay_module(self) -> bool:
        return bool(self.outputs or self.orphans) or self.device.relay_module is not None

    @property
    def looks_at(self) -> str:
        """Of a second look at a module's coils without a name: whose they are; empty: an ordinary device."""
        return self.device.id.removesuffix(_UNNAMED) if self.device.id.endswith(_UNNAMED) else ""


@dataclass(frozen=True, slots=True)
class LinkLayout:
    link: Link
    devices: tuple[DeviceLayout, ...]
    rules: Rules


def outputs(settings: Settings) -> Iterator[tuple[str, Relay]]:
    """Every output id with its relay: ``T1.stage1``, ``T1.trip``, ``T1.contact.device_fault``,
    ``device.R1.watchdog_relay`` (the relay that watches over R1).
    """
    for device in settings.devices:
        if device.relay_module is not None and device.relay_module.watchdog_relay is not None:
            yield f"device.{device.id}.watchdog_relay", device.relay_module.watchdog_relay
    for transformer in settings.transformers:
        for stage in transformer.stages:
            yield f"{transformer.id}.{stage.id}", stage.relay
        if transformer.trip.relay is not None:
            yield f"{transformer.id}.trip", transformer.trip.relay
        for name in type(transformer.contacts).model_fields:
            relay: Relay | None = getattr(transformer.contacts, name)
            if relay is not None:
                yield f"{transformer.id}.contact.{name}", relay


def layout(
    settings: Settings, former: Mapping[str, Collection[OutputPoint]] = NO_FORMER
) -> dict[str, LinkLayout]:
    """link id -> its layout, in the order of the settings file.

    former: device -> outputs to be released that no setting names any more (see `orphans`).
    """
    station = settings.station
    rules = Rules(
        max_age_ns=int(station.decision_max_age_s * _S),
        grace_ns=int((station.start_grace_s + station.decision_max_age_s) * _S),
        hold_ns=int(_FOREIGN_CYCLES * station.cycle_s * _S),
    )
    wants = [(m.input.device, m.id, spec) for m, spec in station_specs(settings)]
    points = [(relay.device, output_point(relay), output) for output, relay in outputs(settings)]
    devices = [
        DeviceLayout(
            device,
            tuple((measurement, spec) for at, measurement, spec in wants if at == device.id),
            tuple((point, output) for at, point, output in points if at == device.id),
            _still(former.get(device.id, ()), device, [point for at, point, _ in points if at == device.id]),
            tuple((o, f"{o}.feedback") for at, point, o in points if at == device.id and point.read is None),
        )
        for device in settings.devices
    ]
    devices += [look for d in devices if (look := _look(d)) is not None]
    return {
        link.id: LinkLayout(link, tuple(d for d in devices if d.device.link == link.id), rules)
        for link in settings.links
    }


def energised_contacts(settings: Settings) -> dict[str, str]:
    """Measurement id of each current -> that of the contact by which its transformer is energised."""
    return {
        f"{transformer.id}.{winding.id}.current_a": f"{transformer.id}.energised"
        for transformer in settings.transformers
        if transformer.energised is not None
        for winding in transformer.windings
        if winding.current is not None
    }


def _still(
    former: Collection[OutputPoint], device: Device, named: list[OutputPoint]
) -> tuple[OutputPoint, ...]:
    """Former outputs that are neither named again nor another master's now."""
    module = device.relay_module
    taken = [*named, *map(coil, module.foreign_coils if module is not None else ())]
    still = (p for p in set(former) if not any(p.overlaps(other) for other in taken))
    return tuple(sorted(still, key=lambda p: p.key))


def _look(d: DeviceLayout) -> DeviceLayout | None:
    """The coils of a module that have no name, as a device of its own with the same unit number.

    So what is read of them never mixes with what is measured or held; silence of the unit is theirs too.
    """
    cells = [cell for point, _ in d.outputs for cell in (point.write, point.read) if cell is not None]
    coils = unnamed(d.device, coils_of(cells), coils_of(point.write for point in d.orphans))
    if not coils:
        return None
    plain = {"id": d.device.id + _UNNAMED, "relay_module": None, "ready_register": None, "settle_s": 0.0}
    device = d.device.model_copy(update=plain)
    wants = [(str(n), Register(device=d.device.id, table="coil", address=n)) for n in coils]
    return DeviceLayout(device, tuple((name, spec(source, device)) for name, source in wants), ())
