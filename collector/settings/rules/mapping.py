"""Rules about registers and coils: what is read where, and who writes what."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from collector.settings.bind import Part, Unknown, walk
from collector.settings.model import (
    BoolInput,
    Count,
    Current,
    Identity,
    Register,
    Relay,
    Scaled,
    Stage,
    Temperature,
    Temperature2,
)
from collector.settings.registers import BIT_FIELD_TYPES, WORDS, split_reference
from collector.settings.rules.common import (
    Found,
    find,
    ids_of,
    line_of,
    listed,
    unknown_name,
)

BITS = ("coil", "discrete_input")


def register_device(root: Part, reg: Part) -> Found:
    yield from unknown_name(reg, "device", "device", reg.device, ids_of(root.devices))


def place_of(reg: Part) -> tuple[str, int]:
    """(table, zero-based address); Unknown when the register does not say so properly."""
    if reg.reference is not None:
        place = split_reference(reg.reference)
        if place is None or reg.address is not None or reg.table not in (None, place[0]):
            raise Unknown("reference")
        return place
    if reg.address is None or reg.table is None:
        raise Unknown("address")
    return reg.table, reg.address


def type_of(reg: Part) -> str:
    if reg.bit is not None or place_of(reg)[0] in BITS:
        return "bool"
    if reg.cls is Identity and reg.registers is not None:
        return "text"
    if reg.type is None:
        return "bool" if reg.cls is BoolInput else "int16"
    return str(reg.type)


def words_of(reg: Part) -> int:
    """Registers that it takes."""
    kind = type_of(reg)
    return int(reg.registers) if kind == "text" else WORDS[kind]


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
    _, address = place_of(reg)
    words = words_of(reg)
    if address + words > 65536:
        yield reg.fault(
            "reference" if reg.reference is not None else "address",
            f"a {type_of(reg)} at address {address} runs past the last register, 65535",
        )


def register_meaning(reg: Part) -> Found:
    """Type, bit, scale and sentinels against the table and against what the value is for."""
    table, _ = place_of(reg)
    contact = reg.cls is BoolInput
    if table in BITS:
        if not contact:
            yield reg.fault(
                "reference" if reg.reference is not None else "table",
                f"a {table} is one bit and cannot hold this value (input_register or holding_register)",
            )
            return
        if reg.type not in (None, "bool"):
            yield reg.fault("type", f"{reg.type} does not fit a {table}, which is one bit (remove type)")
        for key in ("bit", "bits", "byte_order", "word_order"):
            if getattr(reg, key) not in (None, ()):
                yield reg.fault(key, f"does not belong to a {table}, which is one bit (remove it)")
    elif contact:
        if reg.bit is None and reg.type is None:
            yield reg.fault(
                "table" if reg.reference is None else "reference",
                f"a {table} holds 16 bits and nothing says which one is the contact (give bit: 0 to 15, or "
                f"type: bool where any value but 0 means closed)",
            )
        elif reg.bit is None and reg.type not in (None, "bool"):
            yield reg.fault("type", f"{reg.type} does not say which bit is the contact (give bit: 0 to 15)")
        elif reg.bit is not None and reg.type not in (None, "bool", "uint16"):
            yield reg.fault(
                "type", f"{reg.type} does not go with bit, which is of one register (uint16, or remove type)"
            )
    elif reg.bit is not None:
        yield reg.fault("bit", "one bit cannot hold this value (remove bit)")
    elif reg.type == "bool":
        yield reg.fault(
            "type", f"bool cannot hold this value ({', '.join(name for name in WORDS if name != 'bool')})"
        )
    elif reg.type is None and reg.cls is not Identity:
        yield reg.fault("type", "is not given: the register is read as int16 (say so)", "warning")
    yield from bit_field(reg)
    if contact:
        for key, neutral in (("scale", 1.0), ("offset", 0.0), ("sentinels", []), ("bits", [])):
            value = getattr(reg, key)
            if reg.given(key) and (list(value) if key in ("sentinels", "bits") else value) != neutral:
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
    kind = type_of(reg)
    if kind in WORDS and not kind.startswith("float"):
        bits = 16 * WORDS[kind] if len(reg.bits) != 2 else reg.bits[1] - reg.bits[0] + 1
        for i, value in enumerate(reg.sentinels):
            # A 64-bit pattern is rounded to the next power of two, as which it is recognised.
            most = (1 << bits) - (bits < 64)
            if not value.is_integer() or not -(1 << (bits - 1)) <= value <= most:
                yield reg.fault(
                    f"sentinels[{i}]",
                    f"{value:g} never comes from {kind} (raw values before scale, such as "
                    f"{'0x7FFF' if bits == 16 else '0x7FFFFFFF'})",
                )


def bit_field(reg: Part) -> Found:
    if not reg.bits:
        return
    kind, contact = type_of(reg), reg.cls is BoolInput
    if contact:
        yield reg.fault("bits", "a contact is one bit (give bit in place of bits)")
    elif reg.bit is None and kind not in BIT_FIELD_TYPES:
        yield reg.fault("bits", f"do not go with type {kind} ({', '.join(BIT_FIELD_TYPES)})")
    elif len(reg.bits) != 2 or not reg.bits[0] <= reg.bits[1] < 16 * WORDS[kind]:
        yield reg.fault(
            "bits",
            f"{list(reg.bits)} are no bits of {kind} ([first, last] between 0 and {16 * WORDS[kind] - 1}, "
            "the least significant first)",
        )


def scale_register(reg: Part) -> Found:
    """What says the scale stands on the same device, so that both are read in one poll."""
    if not issubclass(reg.cls, Scaled) or reg.scale_register is None:
        return
    inner = reg.scale_register
    if inner.device != reg.device:
        yield inner.fault(
            "device", f"{inner.device} is another device (both are read together: {reg.device})"
        )


def registers_shared(root: Part) -> Found:
    """No two points may read one register differently."""
    claims: dict[tuple[str, str, int], tuple[tuple[Any, ...], Part, str]] = {}
    orders = {
        d.id: (d.byte_order, d.word_order)
        for d in root.devices
        if not {"id", "byte_order", "word_order"} & d.broken
    }
    for owner, reg in registers(root):
        try:
            table, address = place_of(reg)
            kind = type_of(reg)
            byte_order, word_order = orders.get(reg.device, ("big", "big"))
            byte_order, word_order = reg.byte_order or byte_order, reg.word_order or word_order
            parts = reg.bit is not None or bool(reg.bits)  # several may share a register
            count = words_of(reg)
            reads: tuple[Any, ...] = ("bit" if parts and count == 1 else kind,)
            if table not in BITS:
                reads += (
                    byte_order,
                    word_order if count > 1 else "",
                    address if count > 1 else "",
                    "" if parts else reg.scale,
                    "" if parts else reg.offset,
                    _scale_place(reg),
                )
            words = [(reg.device, table, address + i) for i in range(count)]
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
            elif owner == first[2] and reg.cls in (Temperature, Current) and reg.bits == first[1].bits:
                yield reg.fault(
                    key,
                    f"{where} is read by {line} too: two measurements from one register (is the address "
                    "right?)",
                    "warning",
                )


def _scale_place(reg: Part) -> str:
    inner = reg.scale_register if issubclass(reg.cls, Scaled) else None
    return "" if inner is None else " ".join(map(str, place_of(inner)))


def contacts_shared(stage: Part) -> Found:
    """A stage's contacts each say something else, so that no two can be one bit."""
    seen: dict[tuple[Any, ...], Part] = {}
    for reg in walk(stage):
        if reg.cls is not BoolInput:
            continue
        table, address = place_of(reg)
        first = seen.setdefault((reg.device, table, address, reg.bit), reg)
        if first is not reg:
            yield reg.fault(
                "reference" if reg.reference is not None else "address",
                f"{table} {address} of {reg.device} is {first.path} in line {first.line} too: one contact "
                "cannot tell which it is (is the address right? if both are wired in series, give one)",
                "warning",
            )


def _differences(one: tuple[Any, ...], other: tuple[Any, ...]) -> str:
    names = ("type", "byte order", "word order", "address", "scale", "offset", "scale register")
    if len(one) != len(other):
        return f"{one[0]} there, {other[0]} here"
    return ", ".join(f"{n} {a} there, {b} here" for n, a, b in zip(names, one, other, strict=False) if a != b)


def registers(root: Part) -> Iterator[tuple[str, Part]]:
    for part in walk(root):
        if issubclass(part.cls, Register):
            yield ".".join(part.path.split(".")[:2]), part


def block_size(root: Part, device: Part) -> Found:
    """A value is never split, so the largest must fit into one block."""
    for _, reg in registers(root):
        try:
            if reg.device != device.id or place_of(reg)[0] in BITS:
                continue
            words = words_of(reg)
        except Unknown:
            continue
        if words > device.max_block:
            text = f"{device.max_block} is less than the {words} registers of {reg.path}"
            yield device.fault("max_block", f"{text} (a value is never split; at least {words})")
            return


def relay_device(root: Part, relay: Part) -> Found:
    yield from unknown_name(relay, "device", "device", relay.device, ids_of(root.devices))


#: Contacts that tell of an alarm by dropping out when `invert` is given.
INVERTIBLE = ("contacts.hot_spot_high", "contacts.hot_spot_high_high", "contacts.top_oil_high")
#: What becomes of an output without windingd, key by key.
REST = (
    ("timeout_code", "after the module's own time-out"),
    ("power_off_code", "while the module is without supply"),
    ("power_on_code", "when its supply returns"),
)


def inverted(relay: Part) -> Found:
    """What a released coil means is fixed where something depends on it: the stage runs, no trip, a fault."""
    if relay.invert and not relay.path.endswith(INVERTIBLE):
        yield relay.fault(
            "invert",
            "a module that lets go leaves the coil at 0, which must mean: the stage runs, no trip, a fault "
            "is told (remove it; it is for contacts.hot_spot_high, hot_spot_high_high and top_oil_high)",
        )


def output_place(relay: Part) -> tuple[str, int, int]:
    """(table, address, bit or -1) where it is written; Unknown when it does not say so properly."""
    if (relay.coil is None) == (relay.holding_register is None):
        raise Unknown("coil")
    if relay.coil is not None:
        return "coil", int(relay.coil), -1
    return "holding_register", int(relay.holding_register), -1 if relay.bit is None else int(relay.bit)


def output_kind(relay: Part) -> Found:
    """Where an output is written and by what."""
    if relay.coil is None and relay.holding_register is None:
        yield relay.fault("", "says no output (give coil, or holding_register)")
    elif relay.coil is not None and relay.holding_register is not None:
        yield relay.fault("holding_register", "both coil and holding_register are given (give one)")
    table, _, bit = output_place(relay)
    if relay.bit is not None and table == "coil":
        yield relay.fault("bit", "does not belong to a coil, which is one bit (remove it)")
    if relay.function is not None:
        right = (5, 15) if table == "coil" else (6, 16)
        if relay.bit is not None:
            yield relay.fault(
                "function",
                f"{relay.function} writes the whole register with its other bits (remove it: a bit is "
                "written by function 22, the mask write)",
            )
        elif relay.function not in right:
            yield relay.fault(
                "function",
                f"{relay.function} does not write a {table} ({right[0]} or {right[1]}, or leave it out)",
            )
    yield from _codes(relay, table in BITS or bit >= 0)
    if relay.invert and (relay.energised_code, relay.released_code) != (1, 0):
        yield relay.fault("invert", "turns the codes round that are given (swap the codes and remove it)")


def _codes(part: Part, one_bit: bool) -> Found:
    if part.energised_code == part.released_code:
        key = "released_code" if part.given("released_code") else "energised_code"
        yield part.fault(
            key, f"{getattr(part, key)} is the other code too: nobody could tell energised from released"
        )
    for key in ("energised_code", "released_code"):
        if one_bit and getattr(part, key) > 1:
            yield part.fault(key, f"{getattr(part, key)} is no value of one bit (0 or 1)")


def read_back(relay: Part) -> Found:
    """Where the state of an output stands."""
    other = relay.read_back
    if other is None:
        return
    if other.table in BITS and other.bit is not None:
        yield other.fault("bit", f"does not belong to a {other.table}, which is one bit (remove it)")
    yield from _codes(other, other.table in BITS or other.bit is not None)


def write_only(root: Part, device: Part) -> Found:
    """Outputs that cannot be read back: only where the feedback of each stage tells in their place."""
    for part in walk(root):
        if part.cls is Stage and "relay" not in part.broken:
            if part.relay.device == device.id and part.relay.write_only:
                yield from _told_by_feedback(root, device, device.relay_module, part)
            continue
        stages = ".stages." in part.path
        if part.cls is Relay and not stages and part.device == device.id and part.write_only:
            yield part.fault(
                "write_only",
                "nothing would tell whether it is released (only a stage has a feedback that does)",
            )


def _told_by_feedback(root: Part, device: Part, module: Part | None, stage: Part) -> Found:
    """It must tell of this output, also while the module gets no request, and in time."""
    relay, feedback = stage.relay, stage.feedback
    if relay.read_back is not None:
        yield relay.fault("read_back", "is given, so that it can be read (remove write_only)")
    if module is not None and module.released_by != "module_timeout":
        yield relay.fault(
            "write_only",
            f"{device.id} has no time-out of its own, so its release is never proven in service (only with "
            "released_by: module_timeout)",
        )
    if feedback is None:
        yield relay.fault(
            "write_only",
            "nothing would tell whether it is released (give the feedback of the stage, read over another "
            "device, or read_back)",
        )
        return
    other = find(root.devices, feedback.device)
    wide = module is not None and module.fed_by in ("any_frame_on_line", "connection")
    if (other.link, other.unit) == (device.link, device.unit) or (wide and other.link == device.link):
        yield feedback.fault(
            "device",
            f"{other.id} gets no request either while {device.id} must release, so it cannot tell whether it "
            "has (read the feedback over another device, where the whole line feeds it on another link)",
        )
    if stage.cabinet.parallel_start is not None:
        yield stage.cabinet.fault(
            "parallel_start",
            "it makes the stage run too, so that the feedback does not tell whether the output is released "
            "(an output that can be read back)",
        )


def rest_state(relay: Part) -> Found:
    """An output that is no plain coil: released must be what the module does by itself.

    Of a coil whose 1 energises it that is so by `relay_module`; alarm contacts may be anything.
    """
    if relay.path.endswith(INVERTIBLE):
        return
    table, *_ = output_place(relay)
    plain = table == "coil" and (relay.energised_code, relay.released_code) == (1, 0)
    if plain and relay.read_back is None and not relay.write_only:
        return
    what = "a register" if table != "coil" else "not read back itself" if plain else "0 while energised"
    must = "released (the stage runs, no trip, a fault is told)"
    missing = {key: when for key, when in REST if getattr(relay, key) is None}
    if missing:
        yield relay.fault(
            "",
            f"is {what}, so nothing says that it is {must} {', '.join(missing.values())} (give "
            f"{', '.join(missing)} from the manual; each must be released_code {relay.released_code}, and no "
            "pulse or latching output will do)",
        )
    for key, when in REST:
        code = getattr(relay, key)
        if code is not None and code != relay.released_code:
            yield relay.fault(
                key,
                f"{code} is not released_code {relay.released_code}: {when} the output would not be {must} "
                "(set the module otherwise, or take another)",
            )


def stage_relay(root: Part, stage: Part) -> Found:
    device = find(root.devices, stage.relay.device)
    if device.relay_module is None:
        yield stage.fault(
            "relay.device",
            f"{device.id} does not release its outputs by itself, so a dead windingd would hold the fans off "
            "(declare relay_module: released_by: module_timeout or watchdog_relay at the device)",
        )


def outputs_shared(root: Part) -> Found:
    """One place, one output; and what an output shows of itself proves nothing of the motor."""
    written: dict[tuple[str, str, int], list[tuple[int, Part]]] = {}
    shown: dict[tuple[str, str, int], list[tuple[int, Part]]] = {}
    for part in walk(root):
        if part.cls is not Relay:
            continue
        try:
            device, (table, address, bit) = part.device, output_place(part)
            read = part.read_back
        except Unknown:
            continue
        others = written.setdefault((device, table, address), [])
        first = next((one for at, one in others if _same_bit(at, bit)), None)
        if first is not None:
            yield part.fault(
                table,
                f"{table.replace('_', ' ')} {address} of {device} is already "
                f"{first.path.removesuffix('.relay')} in line {line_of(first, table)} (one output each)",
            )
        others.append((bit, part))
        shown.setdefault((device, table, address), []).append((bit, part))
        if read is not None and not {"table", "address", "bit"} & read.broken:
            place = shown.setdefault((device, read.table, read.address), [])
            place.append((-1 if read.bit is None else read.bit, part))
    for _, reg in registers(root):
        try:
            device, (table, address), bit = reg.device, place_of(reg), -1 if reg.bit is None else reg.bit
        except Unknown:
            continue
        for at, part in shown.get((device, table, address), ()):
            if not _same_bit(at, bit):
                continue
            key = "reference" if reg.reference is not None else "address"
            yield reg.fault(
                key,
                f"{table.replace('_', ' ')} {address} of {device} is the output of "
                f"{part.path.removesuffix('.relay')}: it shows what was written, proves nothing "
                "(read a contact)",
            )
            break
    for device in listed(root, "devices"):
        module = None if {"id", "relay_module"} & device.broken else device.relay_module
        if module is None or {"foreign_coils", "coil_count"} & module.broken:
            continue
        for (where, table, number), parts in written.items():
            name = parts[0][1].path.removesuffix(".relay")
            if where != device.id or table != "coil":
                continue
            if number in module.foreign_coils:
                yield module.fault("foreign_coils", f"coil {number} is {name} (another master's, or ours)")
            if module.coil_count is not None and number >= module.coil_count:
                yield module.fault(
                    "coil_count",
                    f"{module.coil_count} leaves out coil {number}, {name} (one more than the highest coil)",
                )


def heartbeat(root: Part, device: Part) -> Found:
    """A heartbeat written into an output would switch it."""
    module = device.relay_module
    if module is None or module.heartbeat is None:
        return
    register = module.heartbeat.holding_register
    for part in walk(root):
        if part.cls is not Relay or part.device != device.id:
            continue
        if output_place(part)[:2] == ("holding_register", register):
            name = part.path.removesuffix(".relay")
            yield module.heartbeat.fault(
                "holding_register",
                f"holding register {register} is {name} in line {line_of(part, 'holding_register')} (one of "
                "them is wrong)",
            )


def _same_bit(one: int, other: int) -> bool:
    return one == other or -1 in (one, other)


def contact_module(root: Part, t: Part) -> Found:
    """Contacts that drop out on a fault must also drop out when windingd is dead."""
    for key in ("cooling_failure", "device_fault"):
        contact = getattr(t.contacts, key)
        if contact is None or {"device"} & contact.broken:
            continue
        device = find(root.devices, contact.device)
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
        fibres = [w.fibre_probe for w in listed(t, "windings") if "fibre_probe" not in w.broken]
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
