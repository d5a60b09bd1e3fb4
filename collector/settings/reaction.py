"""How long it takes until an output that is to be released is released, from the settings alone.

Used by the checks, by `check`'s table and by the relay writer, so that the figure that is shown is the one
that is kept. Takes settings objects or the valid parts of a file. No clock, no state.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from collector.settings import waits
from collector.settings.model import Device, Settings

#: The bound that is taken when the settings give none: this part of the module's time-out ...
BOUND_PART = 0.5
#: ... but no more than this [s]. Common practice, no source.
BOUND_MOST_S = 10.0
#: A module is left unfed for so much longer than its time-out: clocks of cheap modules are coarse.
SILENCE_PART, SILENCE_LEAST_S = 0.1, 1.0


def bound_s(module: Any) -> float:
    """Within this time of being due an output must have read back released, or its unit is left alone [s]."""
    given = module.release_within_s
    return float(given if given is not None else min(BOUND_PART * module.timeout_s, BOUND_MOST_S))


def silence_s(module: Any) -> float:
    """So long after the last request that may have reached it, a module's time-out must have passed [s]."""
    return float(module.timeout_s + max(SILENCE_PART * module.timeout_s, SILENCE_LEAST_S))


def request_s(link: Any, device: Any) -> float:
    """The longest that one request to a device keeps the line [s]: its time-out and the pause after it."""
    return waits.timeout_s(link, device) + max(waits.turnaround_s(link, device), waits.frame_gap_s(link))


def writes_for(relays: Iterable[Any]) -> int:
    """So many writes bring all these outputs of one module: one each, but neighbours by 15 or 16."""
    count, last = 0, None
    for register, bit, address, function in sorted(map(_place, relays)):
        together = function in (15, 16)
        place = register, bit, address - 1, function
        count += not (together and place == last)
        last = (register, bit, address, function) if together else None
    return count


def _place(relay: Any) -> tuple[bool, int, int, int]:
    register = relay.holding_register is not None
    bit = -1 if relay.bit is None else relay.bit
    return register, bit, relay.holding_register if register else relay.coil, relay.function or 0


def worst_write_s(link: Any, devices: Iterable[tuple[Any, int]]) -> float:
    """From a decision until every output on a link was written, if each answer comes only just in time [s].

    devices: all on the link, each with the writes for its outputs (`writes_for`: a module may take no more
    than one output at once), repeated as often as `retries` says. Releases go before anything else, so that
    nothing but the request that is under way comes before them.
    """
    devices = list(devices)
    own = sum(writes * (1 + device.retries) * request_s(link, device) for device, writes in devices)
    return float(own + max(request_s(link, device) for device, _ in devices))


def reaction_s(station: Any, module: Any) -> float:
    """From hot oil to released outputs of a module that does not obey: seen, decided, left alone, let go [s].

    Seen at the latest because its input has gone: one that is read is seen sooner.
    """
    return float(station.stale_after_s + station.cycle_s + bound_s(module) + module.timeout_s)


def left_alone_with(settings: Settings, device: Device) -> list[str]:
    """Devices that cannot be read either while a module must get no request."""
    module = device.relay_module
    if module is None or module.fed_by in ("writes", "own_requests"):
        return []
    return [other.id for other in settings.devices if other.link == device.link and other is not device]
