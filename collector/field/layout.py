"""Which device hangs on which link, and what is read from it and written to it.

Pure: settings in, frozen values out. Two layouts of a link compare equal when nothing about it has
changed, which is how a reload knows what to leave alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from collector.field.codec import Spec, station_specs
from collector.field.relays import Rules
from collector.settings.model import Device, Link, Relay, Settings

_S = 1_000_000_000
#: A foreign write stays visible for so many decision cycles, so that a step surely sees it.
_FOREIGN_CYCLES = 3


@dataclass(frozen=True, slots=True)
class DeviceLayout:
    """wants: (measurement id, how to read it or why it cannot be). outputs: (coil, output id)."""

    device: Device
    wants: tuple[tuple[str, Spec | str], ...]
    outputs: tuple[tuple[int, str], ...]

    @property
    def is_relay_module(self) -> bool:
        return bool(self.outputs) or self.device.relay_module is not None


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


def layout(settings: Settings) -> dict[str, LinkLayout]:
    """link id -> its layout, in the order of the settings file."""
    station = settings.station
    rules = Rules(
        max_age_ns=int(station.decision_max_age_s * _S),
        grace_ns=int((station.start_grace_s + station.decision_max_age_s) * _S),
        hold_ns=int(_FOREIGN_CYCLES * station.cycle_s * _S),
    )
    wants = [(m.input.device, m.id, spec) for m, spec in station_specs(settings)]
    relays = [(relay.device, relay.coil, output) for output, relay in outputs(settings)]
    devices = [
        DeviceLayout(
            device,
            tuple((measurement, spec) for at, measurement, spec in wants if at == device.id),
            tuple((coil, output) for at, coil, output in relays if at == device.id),
        )
        for device in settings.devices
    ]
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
