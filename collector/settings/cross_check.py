"""Rules about two or more values of a settings file. They work on whatever parts are valid.

A rule that needs a value which has a fault already is not run: the fault is said once. Nothing here
reads YAML, opens a link or computes with time; each rule is a plain generator of faults.
"""

from __future__ import annotations

import difflib
import ipaddress
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from collector import points
from collector.settings.bind import Part, Unknown, walk
from collector.settings.faults import Fault
from collector.settings.model import (
    BoolInput,
    Count,
    Current,
    Register,
    Relay,
    Stage,
    Temperature,
    Temperature2,
    Winding,
)
from collector.settings.registers import WORDS, split_reference
from collector.settings.steady import exponents, missing_figures, oil_rise_at, steady_state, winding_rise_at

Found = Iterator[Fault]

#: Sum of pickup delay, restart inhibit and stagger above which `check` warns, and refuses [s].
DELAY_WARNING_S = 180.0
DELAY_LIMIT_S = 600.0

#: Life criteria of IEEE C57.91 that belong to thermally upgraded paper at 110 degC [h].
UPGRADED_PAPER_LIFE_H = (65_000, 135_000, 150_000)


def cross_check(root: Part) -> list[Fault]:
    """Every fault, warning and note that the valid parts give, in no particular order."""
    found: list[Fault] = []

    def run(rule: Callable[..., Found], *parts: Any) -> None:
        try:
            for fault in rule(*parts):
                found.append(fault)
        except Unknown:
            pass  # what the rule needed has its own fault already

    _station(run, root)
    for transformer in _listed(root, "transformers"):
        _transformer(run, root, transformer)
    return list(_once(found))


def _once(found: list[Fault]) -> Iterator[Fault]:
    """One message per value, the gravest; and one for a value that is used again by alias."""
    values: set[tuple[int, str]] = set()
    words: set[tuple[int, str, str]] = set()
    for fault in sorted(found, key=lambda f: ("fault", "warning", "note").index(f.severity)):
        value, said = (fault.line, fault.path), (fault.line, fault.path.rpartition(".")[2], fault.message)
        if value not in values and said not in words:
            yield fault
        values.add(value)
        words.add(said)


Run = Callable[..., None]
Rules = tuple[Callable[..., Found], ...]


def _station(run: Run, root: Part) -> None:
    whole: Rules = (decision_age, polls, data_dir, duplicate_ids, mqtt, scada)
    shared: Rules = (links_shared, devices_shared, registers_shared, coils_shared)
    for rule in whole + shared:
        run(rule, root)
    for link in _listed(root, "links"):
        run(link_keys, link)
        run(link_used, root, link)
    for device in _listed(root, "devices"):
        rules: Rules = (device_link, block_size, device_used, relay_module)
        for rule in rules:
            run(rule, root, device)
    for part in walk(root):
        if issubclass(part.cls, Register):
            run(register_device, root, part)
            run(register_place, root, part)
            run(register_meaning, part)
        if part.cls is Relay:
            run(relay_device, root, part)
        if part.cls is Temperature or part.cls is Temperature2:
            run(temperature_range, part)


def _transformer(run: Run, root: Part, t: Part) -> None:
    own: Rules = (
        names,
        mode_set,
        winding_modes,
        life,
        loading,
        design_and_size,
        oil_weights,
        tap_changer,
        lost_inputs,
        redundancy,
    )
    limits: Rules = (alarm_order, alarms_and_pickups, alarm_range, full_load, stage_order, rotation)
    for rule in own + limits:
        run(rule, t)
    run(trip, root, t)
    run(contact_module, root, t)
    stage_rules: Rules = (stage_criteria, stage_needs, stage_delays, stage_advice)
    for stage in _listed(t, "stages"):
        for rule in stage_rules:
            run(rule, t, stage)
        run(stage_relay, root, stage)
    mode_rules: Rules = (mode_needs, mode_cooling, mode_figures)
    for mode in _listed(t, "modes"):
        for rule in mode_rules:
            run(rule, t, mode)
        for stronger in _listed(t, "modes"):
            run(mode_pair, t, mode, stronger)
    winding_rules: Rules = (winding_current, winding_factor, derived_current, derived_cycle)
    for winding in _listed(t, "windings"):
        for rule in winding_rules:
            run(rule, t, winding)


# --- helpers -----------------------------------------------------------------------------------


def _listed(part: Part, key: str) -> list[Part]:
    try:
        value = getattr(part, key)
    except Unknown:
        return []
    return list(value or ())


def _ids(parts: list[Part]) -> list[str]:
    """The ids of a list; Unknown when one of them has a fault, for a name could be meant for that one."""
    ids = [part.id for part in parts]
    if len(set(ids)) < len(ids) or any(p.cls in (Winding, Stage) and p.id in _reserved() for p in parts):
        raise Unknown("id")
    return ids


def _stage_ids(t: Part) -> list[str]:
    """As `_ids`; windings and stages share one namespace."""
    _ids([*t.windings, *t.stages])
    return _ids(t.stages)


def _reserved() -> set[str]:
    """Names that a winding or stage may not have: T1.trip, T1.top_oil_c are something else."""
    return {declared.name for declared in points.DECLARED} | {"trip", "contact"}


def _unknown_name(part: Part, key: str, what: str, name: str, known: list[str]) -> Found:
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


def _first_seen(parts: list[Part], key: str, what: str) -> Found:
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
                key, f"{value} is taken by {what} in line {_line(seen[value], key)} (give each its own)"
            )
        else:
            seen[value] = part


def _line(part: Part, key: str) -> int:
    return part.lines.get(key, part.line)


def _find(parts: Iterable[Part], name: str) -> Part:
    for part in parts:
        if "id" not in part.broken and part.id == name:
            return part
    raise Unknown(name)


def _loopback(host: str) -> bool:
    if host.lower() in ("localhost", "localhost.localdomain", "ip6-localhost"):
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _host_fault(part: Part, key: str) -> Found:
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


# --- station -----------------------------------------------------------------------------------


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


def duplicate_ids(root: Part) -> Found:
    for key in ("links", "devices", "transformers"):
        yield from _first_seen(_listed(root, key), "id", "another")
    yield from _first_seen(_listed(root, "devices"), "number", "another device")
    yield from _first_seen(_listed(root, "transformers"), "number", "another transformer")
    for transformer in _listed(root, "transformers"):
        if "id" not in transformer.broken and transformer.id in ("station", "device", "devices"):
            yield transformer.fault(
                "id", f"{transformer.id} is a name that windingd uses itself (choose another, such as T1)"
            )


def mqtt(root: Part) -> Found:
    m = root.mqtt
    if m is None:
        return
    yield from _host_fault(m, "host")
    if m.tls is None and not _loopback(m.host):
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
    if m.password_file is not None and not Path(m.password_file).is_file():
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
        if name is not None and not Path(name).is_file():
            yield tls.fault(
                key, f"{name} is not there on this machine (it must be readable by the daemon)", "warning"
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
    if not _loopback(s.listen):
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
    for link in _listed(root, "links"):
        if {"host", "port", "type"} & link.broken or link.type == "rtu_serial" or link.host is None:
            continue
        if _loopback(link.host) and _link_port(link) == s.port:
            yield s.fault(
                "port",
                f"{s.port} is also the port of {link.path} on this machine (give the server another port)",
            )
    m = root.mqtt
    if m is not None and _loopback(m.host) and m.port == s.port:
        yield s.fault(
            "port",
            f"{s.port} is also the port of the MQTT broker on this machine (give the server another port)",
        )


# --- links and devices -------------------------------------------------------------------------


def _link_port(link: Part) -> int:
    return 502 if link.port is None else int(link.port)


def link_keys(link: Part) -> Found:
    serial = link.type == "rtu_serial"
    if serial:
        if link.serial_device is None:
            yield link.fault(
                "serial_device", "is missing (a link of type rtu_serial needs one, such as /dev/ttyS1)"
            )
        for key in ("host", "port"):
            if getattr(link, key) is not None:
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
        yield from _host_fault(link, "host")
    if link.type == "tcp" and link.given("late_answer_s"):
        yield link.fault(
            "late_answer_s", "has no effect on tcp, where answers carry an id (for RTU only)", "warning"
        )


def link_used(root: Part, link: Part) -> Found:
    if all(device.link != link.id for device in root.devices):
        yield link.fault(
            "id",
            f"no device uses the link {link.id} (remove it, or give a device `link: {link.id}`)",
            "warning",
        )


def links_shared(root: Part) -> Found:
    """Many devices accept one connection at a time, and a serial line has one talker."""
    seen: dict[tuple[Any, ...], Part] = {}
    for link in _listed(root, "links"):
        if {"type", "host", "port", "serial_device"} & link.broken:
            continue
        serial = link.type == "rtu_serial"
        place = (link.serial_device,) if serial else (link.host, _link_port(link))
        if None in place:
            continue
        key = "serial_device" if serial else "port" if link.given("port") else "host"
        if place in seen:
            yield link.fault(
                key,
                f"the same place as {seen[place].path} in line {_line(seen[place], key)} (one link, with "
                "several devices)",
            )
        seen.setdefault(place, link)


def devices_shared(root: Part) -> Found:
    seen: dict[tuple[str, int], Part] = {}
    for device in _listed(root, "devices"):
        if {"link", "unit"} & device.broken:
            continue
        place = (device.link, device.unit)
        if place in seen:
            first = seen[place]
            yield device.fault(
                "unit",
                f"unit {device.unit} on link {device.link} is already {first.path} in line "
                f"{_line(first, 'unit')} (one device per unit)",
            )
        seen.setdefault(place, device)


def device_link(root: Part, device: Part) -> Found:
    known = _ids(root.links)
    yield from _unknown_name(device, "link", "link", device.link, known)
    if device.link in known:
        link = _find(root.links, device.link)
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


def block_size(root: Part, device: Part) -> Found:
    """A value is never split, so the largest must fit into one block."""
    for _, reg in _registers(root):
        try:
            if reg.device != device.id or _place(reg)[0] in _BITS:
                continue
            words = WORDS[_type(reg)]
        except Unknown:
            continue
        if words > device.max_block:
            text = f"{device.max_block} is less than the {words} registers of {reg.path}"
            yield device.fault("max_block", f"{text} (a value is never split; at least {words})")
            return


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
    late = module.timeout_s + station.decision_max_age_s
    if late > 120:
        yield device.fault(
            "relay_module.timeout_s",
            f"after a failure cooling starts only {late:g} s later: decision_max_age_s + timeout_s (usual "
            "below 60)",
            "warning",
        )
    for name in ("timeout", "safe_state", "power_on"):
        register, value = f"{name}_register", f"{name}_value"
        if getattr(module, register) is not None and getattr(module, value) is None:
            yield module.fault(
                register, f"there is a {register} but no {value} to compare it with (give both)"
            )
        if getattr(module, register) is None and getattr(module, value) is not None:
            yield module.fault(value, f"there is a {value} but no {register} to read it from (give both)")
        if getattr(module, register) is not None:
            inner = getattr(module, register)
            if "device" not in inner.broken and inner.device != device.id:
                yield inner.fault(
                    "device",
                    f"{inner.device} is another device (the module's own register is on {device.id})",
                )
    if module.released_by == "module_timeout" and module.timeout_register is None:
        yield module.fault(
            "released_by",
            "the module's time-out cannot be verified (give timeout_register and timeout_value where it is "
            "readable)",
            "warning",
        )
    if module.timeout_value is not None and module.released_by == "module_timeout":
        ratio = module.timeout_value / module.timeout_s
        if not any(abs(ratio / factor - 1) < 0.01 for factor in (1 / 60, 1, 10, 100, 1000)):
            yield module.fault(
                "timeout_value",
                f"{module.timeout_value} is not {module.timeout_s:g} s in min, s, tenths, hundredths or ms "
                "(is one of them wrong?)",
                "warning",
            )


# --- registers ---------------------------------------------------------------------------------

_BITS = ("coil", "discrete_input")


def register_device(root: Part, reg: Part) -> Found:
    yield from _unknown_name(reg, "device", "device", reg.device, _ids(root.devices))


def _place(reg: Part) -> tuple[str, int]:
    """(table, zero-based address); Unknown when the register does not say so properly."""
    if reg.reference is not None:
        place = split_reference(reg.reference)
        if place is None or reg.address is not None or reg.table not in (None, place[0]):
            raise Unknown("reference")
        return place
    if reg.address is None or reg.table is None:
        raise Unknown("address")
    return reg.table, reg.address


def _type(reg: Part) -> str:
    if reg.bit is not None or _place(reg)[0] in _BITS:
        return "bool"
    if reg.type is None:
        return "bool" if reg.cls is BoolInput else "int16"
    return str(reg.type)


def register_place(root: Part, reg: Part) -> Found:
    if reg.reference is None:
        if reg.address is None and reg.table is None:
            yield reg.fault("", "says no place (give table and address, or reference)")
        elif reg.address is None:
            yield reg.fault("address", "is missing beside table (zero-based, or give reference alone)")
        elif reg.table is None:
            yield reg.fault(
                "table",
                "is missing beside address (coil, discrete_input, holding_register or input_register)",
            )
    elif reg.address is not None:
        yield reg.fault("reference", "both reference and address are given (give one)")
    elif split_reference(reg.reference) is None:
        yield reg.fault(
            "reference",
            f"{reg.reference} is no register reference (1 to 9999 coil, 10001 to 19999 discrete input, "
            "30001 to 39999 input "
            "register, 40001 to 49999 holding register; six digits 100001, 300001, 400001 to ..65536; or "
            "table and address)",
        )
    elif (place := split_reference(reg.reference)) is not None and reg.table not in (None, place[0]):
        yield reg.fault(
            "table", f"{reg.table} contradicts reference {reg.reference}, a {place[0]} (remove table)"
        )
    _, address = _place(reg)
    words = WORDS[_type(reg)]
    if address + words > 65536:
        yield reg.fault(
            "reference" if reg.reference is not None else "address",
            f"a {_type(reg)} at address {address} runs past the last register, 65535",
        )


def register_meaning(reg: Part) -> Found:
    """Type, bit, scale and sentinels against the table and against what the value is for."""
    table, _ = _place(reg)
    contact = reg.cls is BoolInput
    if table in _BITS:
        if not contact:
            yield reg.fault(
                "reference" if reg.reference is not None else "table",
                f"a {table} is one bit and cannot hold this value (input_register or holding_register)",
            )
            return
        if reg.type not in (None, "bool"):
            yield reg.fault("type", f"{reg.type} does not fit a {table}, which is one bit (remove type)")
        for key in ("bit", "byte_order", "word_order"):
            if getattr(reg, key) is not None:
                yield reg.fault(key, f"does not belong to a {table}, which is one bit (remove it)")
    elif contact:
        if reg.bit is None and reg.type not in (None, "bool"):
            yield reg.fault("type", f"{reg.type} does not say which bit is the contact (give bit: 0 to 15)")
        elif reg.bit is not None and reg.type not in (None, "bool", "uint16"):
            yield reg.fault(
                "type", f"{reg.type} does not go with bit, which is of one register (uint16, or remove type)"
            )
    elif reg.bit is not None:
        yield reg.fault("bit", "one bit cannot hold this value (remove bit)")
    elif reg.type == "bool":
        yield reg.fault(
            "type", "bool cannot hold this value (int16, uint16, int32, uint32, float32 or float64)"
        )
    elif reg.type is None:
        yield reg.fault("type", "is not given: the register is read as int16 (say so)", "warning")
    if contact:
        for key, neutral in (("scale", 1.0), ("offset", 0.0), ("sentinels", [])):
            value = getattr(reg, key)
            if reg.given(key) and (list(value) if key == "sentinels" else value) != neutral:
                yield reg.fault(key, "does not belong to a contact (remove it)")
        return
    if reg.scale == 0:
        yield reg.fault("scale", "0 makes every value the same (usual 0.1, 0.01 or 1)")
    if reg.cls is Count and str(reg.type).startswith("float"):
        yield reg.fault(
            "type",
            f"{reg.type} for a position, which is a whole number (is that what the device sends?)",
            "note",
        )
    kind = _type(reg)
    if "int" in kind:
        bits = 16 * WORDS[kind]
        for i, value in enumerate(reg.sentinels):
            if not value.is_integer() or not -(1 << (bits - 1)) <= value < 1 << bits:
                yield reg.fault(
                    f"sentinels[{i}]",
                    f"{value:g} never comes from {kind} (raw values before scale, such as "
                    f"{'0x7FFF' if bits == 16 else '0x7FFFFFFF'})",
                )


def registers_shared(root: Part) -> Found:
    """No two points may read one register differently."""
    claims: dict[tuple[str, str, int], tuple[tuple[Any, ...], Part, str]] = {}
    orders = {
        d.id: (d.byte_order, d.word_order)
        for d in root.devices
        if not {"id", "byte_order", "word_order"} & d.broken
    }
    for owner, reg in _registers(root):
        try:
            table, address = _place(reg)
            kind = _type(reg)
            byte_order, word_order = orders.get(reg.device, ("big", "big"))
            byte_order, word_order = reg.byte_order or byte_order, reg.word_order or word_order
            reads: tuple[Any, ...] = ("bit" if reg.bit is not None else kind,)
            if table not in _BITS:
                reads += (
                    byte_order,
                    word_order if WORDS[kind] > 1 else "",
                    address if WORDS[kind] > 1 else "",
                    reg.scale,
                    reg.offset,
                )
            words = [(reg.device, table, address + i) for i in range(WORDS[kind])]
        except Unknown:
            continue
        told = False
        for word in words:
            first = claims.setdefault(word, (reads, reg, owner))
            if first[1] is reg or told:
                continue
            told = True
            line = f"{first[1].path} in line {first[1].line}"
            where = f"{table} {word[2]} of {reg.device}"
            key = "reference" if reg.reference is not None else "address"
            if first[0] != reads:
                yield reg.fault(
                    key,
                    f"{where} is read differently by {line}: {_differences(first[0], reads)} (give it its "
                    "own register, or the same type, orders and scale)",
                )
            elif reg.cls is Temperature2:
                yield reg.fault(
                    key,
                    f"{where} is the register of {line} too: that is one probe, not two (give the second "
                    "probe's)",
                )
            elif owner == first[2] and reg.cls in (Temperature, Current):
                yield reg.fault(
                    key,
                    f"{where} is read by {line} too: two measurements from one register (is the address "
                    "right?)",
                    "warning",
                )


def _differences(one: tuple[Any, ...], other: tuple[Any, ...]) -> str:
    names = ("type", "byte order", "word order", "address", "scale", "offset")
    if len(one) != len(other):
        return f"{one[0]} there, {other[0]} here"
    return ", ".join(f"{n} {a} there, {b} here" for n, a, b in zip(names, one, other, strict=False) if a != b)


def _registers(root: Part) -> Iterator[tuple[str, Part]]:
    for part in walk(root):
        if issubclass(part.cls, Register):
            yield ".".join(part.path.split(".")[:2]), part


# --- relays ------------------------------------------------------------------------------------


def relay_device(root: Part, relay: Part) -> Found:
    yield from _unknown_name(relay, "device", "device", relay.device, _ids(root.devices))


def stage_relay(root: Part, stage: Part) -> Found:
    device = _find(root.devices, stage.relay.device)
    if device.relay_module is None:
        yield stage.fault(
            "relay.device",
            f"{device.id} does not release its outputs by itself, so a dead windingd would hold the fans off "
            "(declare relay_module: released_by: module_timeout or watchdog_relay at the device)",
        )


def coils_shared(root: Part) -> Found:
    seen: dict[tuple[str, int], Part] = {}
    for part in walk(root):
        if part.cls is not Relay or {"device", "coil"} & part.broken:
            continue
        place = (part.device, part.coil)
        if place in seen:
            first = seen[place]
            yield part.fault(
                "coil",
                f"coil {part.coil} of {part.device} is already {first.path.removesuffix('.relay')} in line "
                f"{_line(first, 'coil')} (one output each)",
            )
        seen.setdefault(place, part)
    for _, reg in _registers(root):
        try:
            place, coil = (reg.device, _place(reg)[1]), _place(reg)[0] == "coil"
        except Unknown:
            continue
        if coil and place in seen:
            key = "reference" if reg.reference is not None else "address"
            yield reg.fault(
                key,
                f"coil {place[1]} of {place[0]} is the output of "
                f"{seen[place].path.removesuffix('.relay')}: it shows what was written, proves nothing "
                "(read a contact)",
            )


def contact_module(root: Part, t: Part) -> Found:
    """Contacts that drop out on a fault must also drop out when windingd is dead."""
    for key in ("cooling_failure", "device_fault"):
        contact = getattr(t.contacts, key)
        if contact is None or {"device"} & contact.broken:
            continue
        device = _find(root.devices, contact.device)
        if device.relay_module is None:
            yield contact.fault(
                "device",
                f"{device.id} does not release its outputs by itself, so the contact would stay healthy "
                "without windingd (declare relay_module at the device)",
            )


def trip(root: Part, t: Part) -> Found:
    trip = t.trip
    if trip.enabled:
        if trip.relay is None:
            yield trip.fault("relay", "is missing (trip is enabled: give device and coil)")
        fibres = [w.fibre_probe for w in _listed(t, "windings") if "fibre_probe" not in w.broken]
        if t.top_oil.redundant is None and not any(fibres):
            yield trip.fault(
                "enabled",
                "a trip needs two independent sensors (give top_oil.redundant, or a fibre_probe of a "
                "winding)",
            )
        for key, alarm in (("hot_spot_c", "hot_spot_high_high_c"), ("top_oil_c", "top_oil_high_high_c")):
            if getattr(trip, key) <= getattr(t.alarms, alarm):
                yield trip.fault(
                    key,
                    f"{getattr(trip, key):g} is not above the alarm {alarm} {getattr(t.alarms, alarm):g} "
                    "(the alarm must come first)",
                )
        yield trip.fault(
            "enabled",
            "the trip output is enabled (the owner's protection engineer decides that, not windingd)",
            "note",
        )
    if trip.relay is None:
        return
    for other in root.transformers:
        for stage in other.stages:
            if "relay" not in stage.broken and stage.relay.device == trip.relay.device:
                yield trip.fault(
                    "relay.device",
                    f"{trip.relay.device} has the cooling output of {stage.path} (a trip relay stands on a "
                    "module without cooling outputs)",
                )
                return


# --- names and numbers -------------------------------------------------------------------------


def names(t: Part) -> Found:
    for key, what in (("modes", "mode"), ("limit_sets", "limit set")):
        yield from _first_seen(_listed(t, key), "id", f"another {what}")
    for key, what in (("modes", "mode"), ("windings", "winding"), ("stages", "stage")):
        yield from _first_seen(_listed(t, key), "number", f"another {what}")
    both = _listed(t, "windings") + _listed(t, "stages")
    yield from _first_seen(both, "id", "another winding or stage")
    for part in both:
        if "id" not in part.broken and part.id in _reserved():
            yield part.fault("id", f"{part.id} is the name of a point (choose another)")


# --- temperatures, alarms, life ----------------------------------------------------------------


def temperature_range(part: Part) -> Found:
    if part.min_c >= part.max_c:
        yield part.fault(
            "min_c" if part.given("min_c") else "max_c",
            f"min_c {part.min_c:g} is not below max_c {part.max_c:g} (usual -50 and 180)",
        )


def redundancy(t: Part) -> Found:
    second = t.top_oil.redundant
    if second is not None and second.device == t.top_oil.device:
        yield second.fault(
            "device",
            f"both probes hang on {second.device}: losing it loses both (two devices are better)",
            "note",
        )


def alarm_order(t: Part) -> Found:
    for name in ("top_oil", "hot_spot"):
        high, above = f"{name}_high_c", f"{name}_high_high_c"
        a, b = getattr(t.alarms, high), getattr(t.alarms, above)
        if b <= a:
            yield t.fault(
                f"alarms.{above if t.alarms.given(above) else high}",
                f"{above} {b:g} is not above {high} {a:g} (usual 10 to 15 K above)",
            )


def alarms_and_pickups(t: Part) -> Found:
    """The last stage must be called before the alarm says that something is wrong."""
    for name in ("top_oil", "hot_spot"):
        key, alarm = f"{name}_c", f"{name}_high_c"
        worst: tuple[float, Part] | None = None
        for stage in t.stages:
            value = _criterion(stage, "pickup", key)
            if value is not None and (worst is None or value > worst[0]):
                worst = (value, stage)
        if worst is None or getattr(t.alarms, alarm) > worst[0]:
            continue
        value, limit = worst[0], getattr(t.alarms, alarm)
        if t.alarms.given(alarm):
            yield t.fault(
                f"alarms.{alarm}",
                f"{limit:g} is not above the last pickup {value:g} of {worst[1].id} (alarm only above all "
                "pickups; usual 10 to 15 K)",
            )
        else:
            yield worst[1].fault(
                f"pickup.{key}",
                f"{value:g} is not below the alarm {alarm} {limit:g} (lower the pickup, or set the alarm)",
            )


def _criterion(stage: Part, side: str, key: str) -> float | None:
    """A stage's pickup or dropout; None when not given or when it has a fault of its own."""
    try:
        value: float | None = getattr(getattr(stage, side), key)
    except Unknown:
        return None
    return value


def alarm_range(t: Part) -> Found:
    limit = t.alarms.top_oil_high_high_c
    if t.top_oil.max_c <= limit:
        yield t.top_oil.fault(
            "max_c",
            f"readings above {t.top_oil.max_c:g} count as lost, so the alarm at {limit:g} could never come "
            "(usual 180)",
        )


def life(t: Part) -> Found:
    if t.paper != "thermally_upgraded" and round(t.normal_life_h) in UPGRADED_PAPER_LIFE_H:
        yield t.fault(
            "normal_life_h",
            f"{t.normal_life_h:g} h is a criterion for thermally upgraded paper at 110 °C; with {t.paper} "
            "the per cent flatters (usual for kraft: 180000, functional life)",
            "warning",
        )


def lost_inputs(t: Part) -> Found:
    lost = t.lost_inputs
    if lost.phase_zero_pu >= lost.phase_others_pu:
        key = "phase_zero_pu" if lost.given("phase_zero_pu") else "phase_others_pu"
        yield lost.fault(
            key,
            f"phase_zero_pu {lost.phase_zero_pu:g} is not below phase_others_pu {lost.phase_others_pu:g} "
            "(usual 0.05 and 0.3)",
        )


# --- stages ------------------------------------------------------------------------------------

_UNITS = {"top_oil_c": "10 K", "hot_spot_c": "10 K", "load_pu": "0.1"}


def stage_criteria(t: Part, stage: Part) -> Found:
    pickup, dropout = stage.pickup, stage.dropout
    keys = tuple(_UNITS)
    if not any(pickup.given(key) for key in keys):
        yield stage.fault(
            "pickup",
            "has no criterion, so nothing would ever start the stage (give top_oil_c, hot_spot_c or load_pu)",
        )
        return
    for key in keys:
        if key in pickup.broken or key in dropout.broken:
            continue
        on, off = getattr(pickup, key), getattr(dropout, key)
        if on is None and off is None:
            continue
        if off is None:
            yield stage.fault(
                f"dropout.{key}", f"is missing beside the pickup {on:g} (usual {_UNITS[key]} below it)"
            )
        elif on is None:
            yield stage.fault(
                f"dropout.{key}", f"{off:g} has no pickup.{key} beside it (give both, or neither)"
            )
        elif off >= on:
            word = "above" if off > on else "equal to"
            yield stage.fault(
                f"dropout.{key}",
                f"{off:g} is {word} the pickup {on:g} (a dropout must lie below its pickup; usual "
                f"{_UNITS[key]} below)",
            )
        elif key != "load_pu" and on - off < 3:
            yield stage.fault(
                f"dropout.{key}",
                f"only {on - off:g} K below the pickup: the stage will switch often (usual 10 K)",
                "warning",
            )


def stage_order(t: Part) -> Found:
    """Pickups rise from stage to stage, so that small loads need few fans."""
    for key in _UNITS:
        last: tuple[float, Part] | None = None
        for stage in t.stages:
            value = _criterion(stage, "pickup", key)
            if value is None:
                continue
            if last is not None and value <= last[0] and not _alike(stage, last[1]):
                word = "below" if value < last[0] else "equal to"
                yield stage.fault(
                    f"pickup.{key}",
                    f"{value:g} is {word} the pickup {last[0]:g} of {last[1].path.rpartition('.')[2]} "
                    "before it (pickups rise from stage to stage; usual 10 K higher)",
                )
            if last is None or value > last[0]:
                last = (value, stage)


def _alike(stage: Part, before: Part) -> bool:
    """Stages that may share a pickup: they exchange duty, or one is the other's pump."""
    if stage.rotation_group is not None and stage.rotation_group == before.rotation_group:
        return True
    return bool(stage.needs_stage == before.id or before.needs_stage == stage.id)


def stage_needs(t: Part, stage: Part) -> Found:
    if stage.needs_stage is not None:
        known = _stage_ids(t)
        if stage.needs_stage == stage.id:
            yield stage.fault("needs_stage", "the stage names itself (name the pump that these fans need)")
            return
        yield from _unknown_name(stage, "needs_stage", "stage", stage.needs_stage, known)
        if stage.needs_stage in known:
            needed = _find(t.stages, stage.needs_stage)
            if needed.kind != "pumps":
                yield stage.fault(
                    "needs_stage",
                    f"{needed.id} is not a pump stage (fans need their cooler's pump; is its kind: pumps "
                    "missing?)",
                )
            if stage.kind == "pumps":
                yield stage.fault("needs_stage", "is for fans only; this stage is pumps (remove it)")


def stage_advice(t: Part, stage: Part) -> Found:
    if stage.cold_oil_block_c is not None:
        if stage.kind != "pumps":
            yield stage.fault(
                "cold_oil_block_c", "is for pumps only; this stage is fans (remove it, or kind: pumps)"
            )
        else:
            lowest = _criterion(stage, "pickup", "top_oil_c")
            if lowest is not None and stage.cold_oil_block_c >= lowest:
                yield stage.fault(
                    "cold_oil_block_c",
                    f"{stage.cold_oil_block_c:g} is not below the pickup {lowest:g}: the pumps would be "
                    "blocked when called (usual 0 to 20)",
                )
            yield stage.fault(
                "cold_oil_block_c",
                "must also be hard-wired (a release starts everything, windingd or not)",
                "note",
            )
    if not stage.hardware_stagger and len(t.stages) > 1:
        yield stage.fault(
            "hardware_stagger",
            "a release starts all stages at once; on-delay timers in the contactor circuit prevent that "
            "(set hardware_stagger: true when fitted)",
            "warning",
        )
    if stage.feedback is None:
        yield stage.fault(
            "feedback",
            "no proof of running: the stage counts as unproven, never in a cooling mode (wire a contact, "
            "for pumps a flow switch)",
            "warning",
        )


def worst_delay_s(t: Any, stage: Any) -> float:
    """Longest time from above pickup to called [s]: pickup delay, restart inhibit, stagger of all others."""
    others = sum(other.stagger_s for other in t.stages if other is not stage)
    return float(stage.pickup_delay_s + stage.restart_inhibit_s + others)


def stage_delays(t: Part, stage: Part) -> Found:
    delay = worst_delay_s(t, stage)
    key = "restart_inhibit_s" if stage.restart_inhibit_s > stage.pickup_delay_s else "pickup_delay_s"
    text = f"pickup delay, restart inhibit and stagger add up to {delay:g} s"
    if delay > DELAY_LIMIT_S:
        yield stage.fault(key, f"{text} (at most {DELAY_LIMIT_S:g}; usual below {DELAY_WARNING_S:g})")
    elif delay > DELAY_WARNING_S:
        yield stage.fault(key, f"{text} before it starts (usual below {DELAY_WARNING_S:g})", "warning")


def rotation(t: Part) -> Found:
    groups: dict[str, list[Part]] = {}
    for stage in t.stages:
        if stage.rotation_group is not None:
            groups.setdefault(stage.rotation_group, []).append(stage)
    for name, members in groups.items():
        if len(members) == 1:
            yield members[0].fault(
                "rotation_group",
                f"{members[0].path.rpartition('.')[2]} is alone in {name}: there is nothing to exchange "
                "duty with",
                "warning",
            )
        for other in members[1:]:
            if other.kind != members[0].kind:
                yield other.fault(
                    "rotation_group", f"{name} has pumps and fans (only alike stages exchange duty)"
                )


# --- modes -------------------------------------------------------------------------------------


def mode_needs(t: Part, mode: Part) -> Found:
    known = _stage_ids(t)
    for i, name in enumerate(mode.needs):
        yield from _unknown_name(mode, f"needs[{i}]", "stage", name, known)
    if len(set(mode.needs)) < len(mode.needs):
        yield mode.fault("needs", "names a stage twice (name each once)")


def mode_set(t: Part) -> Found:
    natural = [mode for mode in t.modes if not mode.needs]
    if not natural and any(mode.cooling.startswith("ON") for mode in t.modes):
        yield t.fault(
            "modes",
            "every mode needs a stage, so none holds when no stage is proven running (give the ONAN mode, "
            "without needs)",
        )


def mode_cooling(t: Part, mode: Part) -> Found:
    stages = [_find(t.stages, name) for name in mode.needs]
    letters = mode.cooling
    pumps = [stage for stage in stages if stage.kind == "pumps"]
    fans = [stage for stage in stages if stage.kind == "fans"]
    if letters[0:2] in ("OF", "OD"):
        if not pumps:
            yield mode.fault(
                "needs" if mode.given("needs") else "cooling",
                f"{letters} needs a pump stage (name one of kind: pumps)",
            )
        for pump in pumps:
            if pump.feedback is None:
                yield mode.fault(
                    "needs",
                    f"{letters} needs proof that {pump.id} runs (give that stage a feedback: a flow switch)",
                )
    elif pumps:
        yield mode.fault(
            "cooling", f"{letters} is without pumps, but {pumps[0].id} in needs is one (OFAF or ODAF?)"
        )
    if letters.endswith("AF") and not fans:
        yield mode.fault(
            "needs" if mode.given("needs") else "cooling",
            f"{letters} needs a fan stage (name the fans that must run)",
        )
    if letters.endswith("AN") and fans:
        yield mode.fault(
            "cooling", f"{letters} is without fans, but {fans[0].id} in needs is one ({letters[:2]}AF?)"
        )
    for stage in fans:
        pump = stage.needs_stage
        if pump not in mode.needs and any(other.id == pump and other.kind == "pumps" for other in t.stages):
            yield mode.fault(
                "needs", f"{stage.id} does nothing without {stage.needs_stage} (name that stage too)"
            )


def mode_figures(t: Part, mode: Part) -> Found:
    if t.liquid != "mineral_oil":
        for part in (mode, t):
            if part.design is not None:
                yield part.fault(
                    "design",
                    f"holds for mineral oil only, not for {t.liquid} (remove it and give every figure)",
                )
    missing = missing_figures(t, mode)
    if missing:
        why = (
            f"{t.liquid} has no defaults"
            if t.liquid != "mineral_oil"
            else "there is no design to take them from"
        )
        yield mode.fault(
            "",
            f"{', '.join(missing)} missing: {why} (give them"
            + (", or design)" if t.liquid == "mineral_oil" else ")"),
        )


def full_load(t: Part) -> Found:
    """Full load at 40 degC ambient, in steady state, must lie below the alarms. The worst case is said."""
    for alarm, which, what in (("hot_spot_high_c", 1, "the hot spot"), ("top_oil_high_c", 0, "top oil")):
        limit, pickups = (
            getattr(t.alarms, alarm),
            [_criterion(s, "pickup", alarm.replace("_high", "")) for s in t.stages],
        )
        if any(pickup is not None and pickup >= limit for pickup in pickups):
            continue  # the alarm itself is said to be too low
        cases = [
            (steady_state(t, mode, w, 40.0)[which], mode, w)
            for mode in t.modes
            for w in t.windings
            if mode.id in w.modes
        ]
        if not cases:
            continue
        value, mode, winding = max(cases, key=lambda case: case[0])
        if value > limit:
            where = f"{what} of {winding.id}" if which else what
            text = (
                f"full load in mode {mode.id} at 40 °C ambient brings {where} to {value:.1f} °C in "
                f"steady state, above {alarm} {limit:g}"
            )
            yield mode.fault("top_oil_rise_k", f"{text} (check the rises, or raise the alarm)")
            return


def mode_pair(t: Part, weak: Part, strong: Part) -> Found:
    """More cooling gives lower rises at equal amperes."""
    if weak is strong:
        return
    order = [part for part in t.modes if part is weak or part is strong]
    if set(weak.needs) == set(strong.needs):
        if order[0] is weak:
            yield strong.fault(
                "needs" if strong.given("needs") else "id",
                f"needs the same stages as mode {weak.id}: which of the two holds? (one mode per set of "
                "stages)",
            )
        return
    if not set(weak.needs) < set(strong.needs):
        return
    if order[0] is strong:
        yield strong.fault(
            "id", f"{strong.id} stands before {weak.id}, which needs fewer stages (weakest cooling first)"
        )
    figures = exponents(t, weak), exponents(t, strong)
    if None in figures:
        return  # said by mode_figures
    told_oil = False
    for winding in t.windings:
        a, b = winding.modes.get(weak.id), winding.modes.get(strong.id)
        if a is None or b is None:
            continue
        amperes = a.rated_current_a
        oil_weak, oil_strong = oil_rise_at(t, weak, a, amperes), oil_rise_at(t, strong, b, amperes)
        if oil_strong >= oil_weak and not told_oil and winding.kind == "main":
            told_oil = True
            yield strong.fault(
                "top_oil_rise_k",
                f"more cooling but more rise: at {amperes:g} A in {winding.id} top oil rises "
                f"{oil_strong:.1f} K, in mode {weak.id} "
                f"{oil_weak:.1f} K (lower at equal amperes)",
            )
        rise_weak, rise_strong = winding_rise_at(t, weak, a, amperes), winding_rise_at(t, strong, b, amperes)
        if rise_strong > rise_weak * 1.001:
            yield b.fault(
                "gradient_k",
                f"more cooling but more rise: at {amperes:g} A the gradient is {rise_strong:.1f} K, in "
                f"mode {weak.id} {rise_weak:.1f} K "
                "(not higher at equal amperes)",
            )


def design_and_size(t: Part) -> Found:
    designs = [(t, t.design)] + [(mode, mode.design) for mode in t.modes]
    for part, design in designs:
        if design is None:
            continue
        if design.startswith("distribution") != (t.size == "distribution"):
            yield part.fault(
                "design",
                f"{design} does not go with size: {t.size} (one of them sets the hot-spot factor's default)",
                "warning",
            )
    for mode in t.modes:
        design = mode.design or t.design
        if design is None or t.liquid != "mineral_oil":
            continue
        letters = design.removesuffix("_restricted").rpartition("_")[2].upper()
        if not mode.cooling.startswith(letters):
            part = mode if mode.design is not None else t
            if part is mode:
                yield mode.fault(
                    "design", f"{design} is for {letters} cooling, the mode is {mode.cooling}", "warning"
                )
            elif missing_figures(_without_design(t), mode):
                yield mode.fault(
                    "cooling",
                    f"takes exponents and time constants from the transformer's design {design}, made for "
                    f"{letters} (give the mode its own design)",
                    "warning",
                )


def _without_design(t: Part) -> Part:
    bare = Part(t.cls, t.file, t.path, t.line)
    bare.values, bare.lines, bare.broken = {**t.values, "design": None}, t.lines, t.broken
    return bare


# --- windings ----------------------------------------------------------------------------------


def winding_current(t: Part, winding: Part) -> Found:
    current, derived = winding.current, winding.derived_current
    if current is None and derived is None:
        yield winding.fault(
            "current", "is missing (give current from a CT, or derived_current from other windings)"
        )
    if current is not None and derived is not None:
        yield winding.fault("derived_current", "both current and derived_current are given (give one)")
    if current is None:
        return
    if current.reads == "primary_a":
        for key in ("ct_primary_a", "ct_secondary_a"):
            if getattr(current, key) is not None:
                yield current.fault(
                    key, "does not belong to reads: primary_a (remove it, or reads: secondary_a or percent)"
                )
    else:
        needed = ("ct_primary_a", "ct_secondary_a") if current.reads == "secondary_a" else ("ct_primary_a",)
        for key in needed:
            if getattr(current, key) is None:
                yield current.fault(key, f"is missing (needed for reads: {current.reads})")
        if current.reads == "percent" and current.ct_secondary_a is not None:
            yield current.fault(
                "ct_secondary_a", "does not belong to reads: percent (remove it; 100 % = ct_primary_a)"
            )
        ct = current.ct_secondary_a
        if current.reads == "secondary_a" and ct is not None and ct not in (1, 5):
            yield current.fault("ct_secondary_a", f"{ct:g} A is unusual (1 or 5)", "warning")
    rated = max(mode.rated_current_a for mode in winding.modes.values())
    if current.max_a is not None and current.max_a < 1.5 * rated:
        severe = current.max_a <= rated
        yield current.fault(
            "max_a",
            f"{current.max_a:g} A is {'not above' if severe else 'less than 1.5 times'} the rated current "
            f"{rated:g} A: an overload would count as lost (usual 4 times)",
            "fault" if severe else "warning",
        )
    if (
        current.ct_primary_a is not None
        and current.reads != "primary_a"
        and not rated / 4 <= current.ct_primary_a <= 20 * rated
    ):
        yield current.fault(
            "ct_primary_a",
            f"{current.ct_primary_a:g} A for a rated current of {rated:g} A (is the ratio right?)",
            "warning",
        )


def winding_factor(t: Part, winding: Part) -> Found:
    if t.liquid != "mineral_oil" and winding.hot_spot_factor is None:
        yield winding.fault(
            "hot_spot_factor", f"is missing: {t.liquid} has no defaults (give the maker's, usual 1.1 to 1.5)"
        )


def winding_modes(t: Part) -> Found:
    """Every winding has figures for every mode. Windings that share theirs by alias are told once."""
    known = _ids(t.modes)
    seen: set[int] = set()
    for winding in t.windings:
        if "modes" in winding.broken or winding.origins["modes"] in seen:
            continue
        seen.add(winding.origins["modes"])
        misnamed = [name for name in winding.modes if name not in known]
        for name in misnamed:
            close = difflib.get_close_matches(name, known, 1, 0.5)
            hint = f"did you mean {close[0]}?" if close else f"there are: {', '.join(known)}"
            yield winding.modes[name].fault("", f"no mode is called {name} ({hint})")
        for name in known:
            if name not in winding.modes and not difflib.get_close_matches(name, misnamed, 1, 0.5):
                yield winding.fault(
                    "modes", f"mode {name} is missing (give its gradient_k and rated_current_a)"
                )


def derived_current(t: Part, winding: Part) -> Found:
    derived = winding.derived_current
    if derived is None:
        return
    known = _ids(t.windings)
    for name, factor in derived.factors.items():
        if name == winding.id:
            yield derived.fault(
                f"factors.{name}", "the winding's current is derived from itself (name other windings)"
            )
            continue
        yield from _unknown_name(derived, f"factors.{name}", "winding", name, known)
        if factor == 0:
            yield derived.fault(
                f"factors.{name}", f"the factor of {name} is 0 (give the turns ratio, or leave it out)"
            )


def derived_cycle(t: Part, winding: Part) -> Found:
    """Derived currents must in the end rest on measured ones; said at the first winding of the circle."""
    edges = {
        w.id: set(w.derived_current.factors) if w.derived_current is not None else set() for w in t.windings
    }
    start, reached = winding.id, set[str]()
    todo = list(edges[start] - {start})
    while todo:
        name = todo.pop()
        if name in reached:
            continue
        reached.add(name)
        todo += edges.get(name, set())
    if start in reached:
        circle = [w.id for w in t.windings if w.id in reached]
        if circle[0] == start:
            yield winding.fault(
                "derived_current.factors",
                f"derived currents go in a circle ({', '.join(circle)}): one of them must be measured",
            )


def oil_weights(t: Part) -> Found:
    weights = [winding.oil_weight for winding in t.windings]
    if any(weight is not None for weight in weights) and not any(weights):
        yield t.windings[0].fault(
            "oil_weight", "all weights are 0, so no current would heat the oil (give the main winding 1)"
        )
    if all(w.kind != "main" for w in t.windings) and not any(weights):
        yield t.fault(
            "windings", "there is no main winding, whose load heats the oil (kind: main, or give oil_weight)"
        )


def tap_changer(t: Part) -> Found:
    tap = t.tap_changer
    if tap is None:
        return
    known = _ids(t.windings)
    for i, name in enumerate(tap.windings):
        yield from _unknown_name(tap, f"windings[{i}]", "winding", name, known)
    if not tap.windings:
        yield tap.fault("windings", "is empty (name the windings whose rated current changes with the tap)")
    if tap.step_percent == 0:
        yield tap.fault("step_percent", "0 changes nothing (usual 1.25 to 2.5)")


def loading(t: Part) -> Found:
    known = _ids(t.windings)
    for limit in t.load_limits:
        if "winding" not in limit.broken:
            yield from _unknown_name(limit, "winding", "winding", limit.winding, known)
