"""Rules about the station, its brokers and servers, links and devices."""

from __future__ import annotations

import ipaddress
import os.path
from pathlib import Path
from typing import Any

from collector import addresses
from collector.settings import waits
from collector.settings.bind import Part, walk
from collector.settings.model import (
    Link,
    Register,
    Relay,
)
from collector.settings.reaction import bound_s, request_s, worst_write_s, writes_for
from collector.settings.rules.common import (
    Found,
    find,
    first_seen,
    host_fault,
    ids_of,
    line_of,
    listed,
    loopback,
    same_host,
    unknown_name,
)
from collector.settings.rules.mapping import output_place

#: From the last decision to running fans [s]. Usual: common practice, no source. Limit: within some five
#: minutes, a short winding time constant (IEC 60076-7, from memory), the gradient follows a lost cooling.
REACTION_USUAL_S, REACTION_LIMIT_S = 60.0, 300.0
#: A link that has nothing to ask looks around so often [s].
LOOK_S = 1.0


def decision_age(root: Part) -> Found:
    station = root.station
    if station.decision_max_age_s < 2 * station.cycle_s:
        yield station.fault(
            "decision_max_age_s" if station.given("decision_max_age_s") else "cycle_s",
            f"decision_max_age_s {station.decision_max_age_s:g} is less than two cycles of "
            f"{station.cycle_s:g} s: one late "
            f"step would release the cooling (at least {2 * station.cycle_s:g}; usual 5 cycles)",
        )
    if station.stale_after_s <= station.cycle_s:
        key = "stale_after_s" if station.given("stale_after_s") else "cycle_s"
        yield station.fault(
            key,
            f"stale_after_s {station.stale_after_s:g} is not above cycle_s {station.cycle_s:g} (make it "
            "several cycles)",
        )


def data_dir(root: Part) -> Found:
    path = root.station.data_dir
    if path == "":
        yield root.station.fault("data_dir", "is empty (give a directory, such as /var/lib/windingd)")
    elif not Path(path).is_absolute():
        yield root.station.fault(
            "data_dir",
            f"{path} depends on where windingd is started (give a path that begins with /)",
            "warning",
        )


def data_mount(root: Part) -> Found:
    station = root.station
    mount, path = station.data_mount, Path(station.data_dir)
    if mount is None:
        return
    if not Path(mount).is_absolute():
        yield station.fault("data_mount", f"{mount} is no mount point (give a path that begins with /)")
    elif not path.is_relative_to(mount):
        yield station.fault(
            "data_mount",
            f"data_dir {path} does not lie on it (give the mount point that data_dir is below)",
        )


def duplicate_ids(root: Part) -> Found:
    for key in ("links", "devices", "transformers"):
        yield from first_seen(listed(root, key), "id", "another")
    yield from first_seen(listed(root, "devices"), "number", "another device")
    yield from first_seen(listed(root, "transformers"), "number", "another transformer")
    for transformer in listed(root, "transformers"):
        if "id" not in transformer.broken and transformer.id in ("station", "device", "devices"):
            yield transformer.fault(
                "id", f"{transformer.id} is a name that windingd uses itself (choose another, such as T1)"
            )


def mqtt(root: Part) -> Found:
    m = root.mqtt
    if m is None:
        return
    yield from host_fault(m, "host")
    if m.tls is None and not loopback(m.host):
        yield m.fault(
            "tls" if m.given("tls") else "host",
            f"the broker {m.host} is not on this machine and there is no tls section (give tls: with "
            "ca_file, or a broker on 127.0.0.1)",
        )
    if m.tls is None and m.port == 8883:
        yield m.fault(
            "port",
            "8883 is the port of MQTT over TLS, but there is no tls section (usual without: 1883)",
            "warning",
        )
    if m.tls is not None:
        if m.port == 1883:
            yield m.fault(
                "port",
                "1883 is the port of plain MQTT, but there is a tls section (usual with: 8883)",
                "warning",
            )
        yield from _tls(m.tls)
    if m.password_file is not None and m.username is None:
        yield m.fault("password_file", "there is a password_file but no username (give username)")
    if m.username is not None and m.password_file is None:
        yield m.fault(
            "username", "there is a username but no password_file (most brokers want both)", "warning"
        )
    if m.password_file is not None and not os.path.isfile(m.password_file):
        yield m.fault(
            "password_file",
            f"{m.password_file} is not there on this machine (it must be readable by the daemon)",
            "warning",
        )
    if m.refresh_s < m.publish_s:
        key = "refresh_s" if m.given("refresh_s") else "publish_s"
        yield m.fault(
            key,
            f"refresh_s {m.refresh_s:g} is below publish_s {m.publish_s:g} (make refresh_s the longer one)",
        )


def _tls(tls: Part) -> Found:
    one, other = "client_cert_file", "client_key_file"
    for a, b in ((one, other), (other, one)):
        if getattr(tls, a) is not None and getattr(tls, b) is None:
            yield tls.fault(a, f"there is a {a} but no {b} (give both, or neither)")
    for key in ("ca_file", one, other):
        name = getattr(tls, key)
        if name is not None and not os.path.isfile(name):
            yield tls.fault(
                key, f"{name} is not there on this machine (it must be readable by the daemon)", "warning"
            )


def scada_units(root: Part) -> Found:
    """Each further section of the address plan answers as the next unit id."""
    if root.scada is None:
        return
    transformers, devices = (
        max((part.number for part in listed(root, key)), default=1) for key in ("transformers", "devices")
    )
    last = addresses.last_section(transformers, devices)
    if root.scada.unit + last > addresses.LAST_UNIT:
        yield root.scada.fault(
            "unit",
            f"{root.scada.unit} leaves no unit id for the highest numbers, transformer {transformers} and "
            f"device {devices}, which need unit + {last} (at most {addresses.LAST_UNIT - last})",
        )


def scada(root: Part) -> Found:
    s = root.scada
    if s is None:
        return
    try:
        ipaddress.ip_address(s.listen)
    except ValueError:
        if s.listen != "localhost":
            yield s.fault(
                "listen",
                f'"{s.listen}" is no address (give 127.0.0.1, 0.0.0.0, or an address of this machine)',
            )
            return
    if not loopback(s.listen):
        yield s.fault(
            "listen",
            "Modbus has no passwords: whoever reaches this port reads everything (let a firewall pass only "
            "SCADA)",
            "warning",
        )
    if s.port < 1024:
        yield s.fault(
            "port",
            f"{s.port} needs the right to open ports below 1024 (CAP_NET_BIND_SERVICE; or take 1502)",
            "note",
        )
    for link in listed(root, "links"):
        if {"host", "port", "type"} & link.broken or link.type == "rtu_serial" or link.host is None:
            continue
        if loopback(link.host) and _link_port(link) == s.port:
            yield s.fault(
                "port",
                f"{s.port} is also the port of {link.path} on this machine (give the server another port)",
            )
    m = root.mqtt
    if m is not None and loopback(m.host) and m.port == s.port:
        yield s.fault(
            "port",
            f"{s.port} is also the port of the MQTT broker on this machine (give the server another port)",
        )


def _link_port(link: Part) -> int:
    return 502 if link.port is None else int(link.port)


def link_keys(link: Part) -> Found:
    serial = link.type == "rtu_serial"
    if serial:
        if link.serial_device is None:
            yield link.fault(
                "serial_device", "is missing (a link of type rtu_serial needs one, such as /dev/ttyS1)"
            )
        for key in (
            "host", "port", "one_request_per_connection", "keepalive_s", "standby_host", "standby_port",
        ):  # fmt: skip
            if link.given(key) and getattr(link, key) not in (None, False):
                yield link.fault(
                    key,
                    f"does not belong to a link of type rtu_serial (remove it, or type: {'rtu_over_tcp'})",
                )
    else:
        if link.host is None:
            yield link.fault("host", f"is missing (a link of type {link.type} needs a host name or address)")
        for key in ("serial_device", "baud", "parity", "stop_bits"):
            if link.given(key) and getattr(link, key) is not None:
                yield link.fault(
                    key, f"does not belong to a link of type {link.type} (remove it, or type: rtu_serial)"
                )
        yield from host_fault(link, "host")
        yield from host_fault(link, "standby_host")
    if link.standby_host is None:
        for key in ("standby_port", "back_to_first_s"):
            if link.given(key):
                yield link.fault(key, "belongs to a standby_host, which is missing (add it, or remove this)")
    if link.type == "tcp" and link.given("frame_gap_s"):
        yield link.fault(
            "frame_gap_s", "has no effect on tcp, where frames carry their length (for RTU only)", "warning"
        )


def late_answers(root: Part, part: Part) -> Found:
    """``late_answer_s`` of a link or of a device."""
    if not part.given("late_answer_s") or part.late_answer_s is None:
        return
    if part.cls is Link:
        link, devices = part, [device for device in root.devices if device.link == part.id]
        timeout_s = part.timeout_s
    else:
        link, devices = find(root.links, part.link), [part]
        timeout_s = waits.timeout_s(link, part)
    if link.type == "tcp" and not any(device.accept_transaction_id_0 for device in devices):
        yield part.fault(
            "late_answer_s", "has no effect on tcp, where answers carry an id (for RTU only)", "warning"
        )
    elif part.late_answer_s < timeout_s:
        yield part.fault(
            "late_answer_s",
            f"{part.late_answer_s:g} s is below the time-out of {timeout_s:g} s: an answer that comes "
            f"later may be taken for another's (usual {waits.LATE_TIMEOUTS * timeout_s:g}, at least a "
            "gateway's own time-out)",
            "warning",
        )


def device_manner(root: Part, device: Part) -> Found:
    """What only an answer with an id may be forgiven."""
    if find(root.links, device.link).type == "tcp":
        if device.answers_as_unit == device.unit:
            yield device.fault("answers_as_unit", "is the unit itself (remove it)", "warning")
        return
    for key in ("answers_as_unit", "accept_transaction_id_0"):
        if getattr(device, key) not in (None, False):
            yield device.fault(
                key, "is for links of type tcp: on an RTU line the unit is all there is (remove it)"
            )


def link_used(root: Part, link: Part) -> Found:
    if all(device.link != link.id for device in root.devices):
        yield link.fault(
            "id",
            f"no device uses the link {link.id} (remove it, or give a device `link: {link.id}`)",
            "warning",
        )


def links_shared(root: Part) -> Found:
    """Many devices accept one connection at a time, and a serial line has one talker.

    A relay module reached over a second link would also be fed by that link's polls when decisions have
    stopped, and never release. Spellings of one place count as one: localhost, a link to a serial port.
    """
    seen: dict[tuple[Any, ...], Part] = {}
    for link in listed(root, "links"):
        if {"type", "host", "port", "serial_device"} & link.broken:
            continue
        serial = link.type == "rtu_serial"
        where = link.serial_device if serial else link.host
        if where is None:
            continue
        place = (os.path.realpath(where),) if serial else (same_host(where), _link_port(link))
        key = "serial_device" if serial else "port" if link.given("port") else "host"
        places = {place: key}
        if not serial and not {"standby_host", "standby_port"} & link.broken and link.standby_host:
            standby = same_host(link.standby_host), link.standby_port or _link_port(link)
            if standby == place:
                yield link.fault(
                    "standby_host", "is the first address itself (give the second, or remove it)"
                )
            places.setdefault(standby, "standby_host")
        for place, key in places.items():
            if place in seen:
                yield link.fault(
                    key,
                    f"the same place as {seen[place].path} in line {line_of(seen[place], key)} (one link, "
                    "with several devices)",
                )
            seen.setdefault(place, link)


def devices_shared(root: Part) -> Found:
    seen: dict[tuple[str, int], Part] = {}
    for device in listed(root, "devices"):
        if {"link", "unit"} & device.broken:
            continue
        place = (device.link, device.unit)
        if place in seen:
            first = seen[place]
            yield device.fault(
                "unit",
                f"unit {device.unit} on link {device.link} is already {first.path} in line "
                f"{line_of(first, 'unit')} (one device per unit)",
            )
        seen.setdefault(place, device)


def device_link(root: Part, device: Part) -> Found:
    known = ids_of(root.links)
    yield from unknown_name(device, "link", "link", device.link, known)
    if device.link in known:
        link = find(root.links, device.link)
        if link.type != "tcp" and not 1 <= device.unit <= 247:
            yield device.fault(
                "unit", f"{device.unit} is no unit on a serial line (1 to 247; 0 is broadcast)"
            )


def polls(root: Part) -> Found:
    """Every device must be polled well within the station's limits; one cause, one fault."""
    station = root.station
    devices = [device for device in root.devices if "poll_s" not in device.broken]
    for key, why in (
        ("stale_after_s", "inputs would be lost between two polls"),
        ("gap_s", "every poll would count as a gap"),
    ):
        limit = getattr(station, key)
        slow = [device for device in devices if limit <= device.poll_s]
        text = f"{why} (poll at least twice in that time)"
        if len(slow) > 1 and station.given(key):
            longest = max(device.poll_s for device in slow)
            yield station.fault(
                key, f"{limit:g} is not above the devices' poll_s of up to {longest:g}: {text}"
            )
        else:
            for device in slow:
                yield device.fault(
                    "poll_s", f"{device.poll_s:g} is not below the station's {key} {limit:g}: {text}"
                )
    for device in devices:
        if device.poll_s < station.stale_after_s < 2 * device.poll_s:
            stale = f"one missed poll makes its inputs stale after {station.stale_after_s:g} s"
            yield device.fault("poll_s", f"{stale} (poll at least twice in that time)", "warning")


def device_used(root: Part, device: Part) -> Found:
    for part in walk(root):
        if (
            part is not device
            and issubclass(part.cls, Register | Relay)
            and not part.path.startswith(f"{device.path}.")
            and part.device == device.id
        ):
            return
    yield device.fault(
        "id", f"nothing is read from or written to {device.id} (remove it, or use it)", "warning"
    )


def own_register(device: Part, section: Part, register: str, value: str) -> Found:
    """A register of the device itself, with what it must hold."""
    if getattr(section, register) is not None and getattr(section, value) is None:
        yield section.fault(register, f"there is a {register} but no {value} to compare it with (give both)")
    if getattr(section, register) is None and getattr(section, value) is not None:
        yield section.fault(value, f"there is a {value} but no {register} to read it from (give both)")
    if getattr(section, register) is not None:
        inner = getattr(section, register)
        if "device" not in inner.broken and inner.device != device.id:
            yield inner.fault(
                "device",
                f"{inner.device} is another device (its own register is on {device.id})",
            )


def settling(root: Part, device: Part) -> Found:
    """Zeros after a restart: how long they are not believed, and the device's own word for it."""
    station = root.station
    if device.settle_s + device.poll_s > station.stale_after_s:
        yield device.fault(
            "settle_s" if device.given("settle_s") else "poll_s",
            f"zeros are not believed for settle_s {device.settle_s:g}: with poll_s {device.poll_s:g} a load "
            "that rightly drops to zero counts as lost for a while, for what is held meanwhile gets older "
            f"than stale_after_s {station.stale_after_s:g} (settle_s + poll_s at most stale_after_s)",
            "warning",
        )
    yield from own_register(device, device, "ready_register", "ready_value")


def identity(device: Part) -> Found:
    who = device.identity
    if who is None:
        return
    if who.device != device.id:
        yield who.fault("device", f"{who.device} is another device (it says itself who it is: {device.id})")
    for key in ("bit", "scale", "offset", "sentinels"):
        if who.given(key):
            yield who.fault(key, "does not belong to an identity, which is taken as it is (remove it)")
    if who.registers is not None:
        if who.type is not None:
            yield who.fault("type", f"{who.type} does not go with registers, a text (give one of them)")
    elif who.type is None or ("int" not in who.type and "bcd" not in who.type):
        yield who.fault(
            "type" if who.type is not None else "",
            "says no whole number or text (give type, such as uint32, or registers for a text)",
        )
    elif who.expected is not None and not who.expected.removeprefix("-").isdecimal():
        yield who.fault(
            "expected", f"{who.expected} never comes from {who.type} (a whole number in quotes, or registers)"
        )


def _reaction(station: Part, device: Part, module: Part) -> Found:
    """How long a windingd that lives but decides no more may hold the fans off.

    The last decision is written until it is decision_max_age_s old; timeout_s after that the module lets go.
    """
    age, timeout = station.decision_max_age_s, module.timeout_s
    late = age + timeout
    text = f"when windingd stops deciding, cooling starts {late:g} s later: decision_max_age_s + timeout_s"
    if late > REACTION_LIMIT_S:
        yield device.fault(
            "relay_module.timeout_s",
            f"{text} (at most {REACTION_LIMIT_S:g}; usual below {REACTION_USUAL_S:g})",
        )
        return
    enough = max(timeout, 5 * station.cycle_s)
    if age > enough:
        key = "decision_max_age_s" if station.given("decision_max_age_s") else "cycle_s"
        yield station.fault(
            key,
            f"decision_max_age_s {age:g} is more than five cycles and than the {timeout:g} s of {device.id}: "
            f"a windingd that hangs would hold the fans off for {late:g} s, where one that is dead does for "
            f"{timeout:g} s (usual 5 cycles: {5 * station.cycle_s:g})",
            "fault" if age > 2 * enough and late > REACTION_USUAL_S else "warning",
        )
    if late > REACTION_USUAL_S:
        yield device.fault("relay_module.timeout_s", f"{text} (usual below {REACTION_USUAL_S:g})", "warning")


def outputs_on(root: Part, link: str) -> list[tuple[Part, int]]:
    """The devices on a link, each with the writes that its outputs need."""
    relays = [part for part in walk(root) if part.cls is Relay]
    for relay in relays:
        output_place(relay)
    return [
        (device, writes_for(relay for relay in relays if relay.device == device.id))
        for device in root.devices
        if device.link == link
    ]


def _told_after_s(root: Part, device: Part) -> float:
    """Where only feedback tells that an output is released: run-up, poll, and looking at it [s]."""
    found = [0.0]
    for transformer in root.transformers:
        for stage in transformer.stages:
            if stage.relay.device == device.id and stage.relay.write_only and stage.feedback is not None:
                poll_s = find(root.devices, stage.feedback.device).poll_s
                found.append(stage.feedback_delay_s + poll_s + LOOK_S)
    return float(max(found))


def release_bound(root: Part, device: Part) -> Found:
    """Every output must be written within the time after which its module is left alone."""
    module = device.relay_module
    if module is None or device.link not in ids_of(root.links):
        return
    link = find(root.links, device.link)
    outputs = outputs_on(root, device.link)
    writes = sum(count for _, count in outputs)
    told_s, within_s = _told_after_s(root, device), bound_s(module)
    worst_s = worst_write_s(link, outputs) + told_s
    told = f", and {told_s:g} s until a feedback tells" if told_s else ""
    if writes and worst_s > within_s:
        given = module.release_within_s is not None
        yield device.fault(
            "relay_module.release_within_s" if given else "relay_module.timeout_s",
            f"the outputs on link {link.id} need {writes} writes, which take up to {worst_s:.3g} s "
            f"({request_s(link, device):.3g} s each, and the request under way{told}), but must be released "
            f"within {within_s:g} s (release_within_s of {worst_s:.3g}, or a shorter timeout_s of the link)",
        )
    late = within_s + module.timeout_s
    if late > REACTION_LIMIT_S:
        yield device.fault(
            "relay_module.timeout_s",
            f"a module that does not obey lets the cooling run {late:g} s later: release_within_s + "
            f"timeout_s (at most {REACTION_LIMIT_S:g})",
        )


def watchdog_relay(root: Part, device: Part) -> Found:
    """The relay that takes a module's outputs away must not depend on that module."""
    module = device.relay_module
    if module is None:
        return
    relay = module.watchdog_relay
    if relay is None:
        if module.released_by == "watchdog_relay":
            yield module.fault(
                "released_by",
                "nothing says which output is the watchdog relay (give watchdog_relay: device and coil; one "
                "that is fed by something else must drop as soon as the requests to this module end)",
                "note",
            )
        return
    other = find(root.devices, relay.device)
    if (other.link, other.unit) == (device.link, device.unit):
        yield relay.fault(
            "device",
            f"{other.id} is the module that it is to watch (an output of another module, whose contact "
            "breaks the common of the cooling relays)",
        )
        return
    guard = other.relay_module
    if guard is None or guard.released_by != "module_timeout":
        yield relay.fault(
            "device",
            f"{other.id} does not release its outputs by a time-out of its own, so a dead windingd would "
            "leave the watchdog relay energised (a device with released_by: module_timeout)",
        )
    elif module.released_by == "watchdog_relay" and guard.timeout_s > module.timeout_s:
        yield module.fault(
            "timeout_s",
            f"{module.timeout_s:g} s, but its watchdog relay on {other.id} lets go only after "
            f"{guard.timeout_s:g} s (the same here)",
        )


def relay_module(root: Part, device: Part) -> Found:
    module = device.relay_module
    if module is None:
        return
    station = root.station
    if module.timeout_s <= station.cycle_s:
        yield device.fault(
            "relay_module.timeout_s",
            f"{module.timeout_s:g} s is not above the cycle of {station.cycle_s:g} s: the module would "
            "release between two "
            f"refreshes (at least {3 * station.cycle_s:g}, three cycles)",
        )
    elif module.timeout_s < 3 * station.cycle_s:
        yield device.fault(
            "relay_module.timeout_s",
            f"{module.timeout_s:g} s allows fewer than three cycles of {station.cycle_s:g} s: one lost "
            "request may start the fans (usual 5 cycles)",
            "warning",
        )
    yield from _reaction(station, device, module)
    for name in ("timeout", "safe_state", "power_on"):
        yield from own_register(device, module, f"{name}_register", f"{name}_value")
    if module.released_by == "module_timeout" and module.timeout_register is None:
        yield module.fault(
            "released_by",
            "the module's time-out cannot be verified (give timeout_register and timeout_value where it is "
            "readable)",
            "warning",
        )
    if module.timeout_value is not None and module.timeout_value <= 0:
        yield module.fault(
            "timeout_value",
            f"{module.timeout_value} switches the module's time-out off, so nothing would release the "
            f"cooling (the value that stands for {module.timeout_s:g} s)",
        )
    elif module.timeout_value is not None and module.released_by == "module_timeout":
        ratio = module.timeout_value / module.timeout_s
        if not any(abs(ratio / factor - 1) < 0.01 for factor in (1 / 60, 1, 10, 100, 1000)):
            yield module.fault(
                "timeout_value",
                f"{module.timeout_value} is not {module.timeout_s:g} s in min, s, tenths, hundredths or ms "
                "(is one of them wrong?)",
                "warning",
            )
