"""Raw registers to readings and back: addresses, types, byte and word order, sentinels, ranges.

Pure. What a device answered goes in, a value with its quality comes out. No sockets, no clock, no
plausibility that needs a second value (rate, frozen, neighbours): that belongs to control.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Literal, NamedTuple, cast, get_args

from collector.points import AnyInput, Measurement, measurements
from collector.quality import GOOD, Detail, Quality, invalid
from collector.settings import registers
from collector.settings.model import (
    BoolInput,
    Current,
    Device,
    Identity,
    Register,
    Scaled,
    Settings,
    Temperature,
    Temperature2,
)
from collector.settings.registers import WORDS

Table = Literal["coil", "discrete_input", "holding_register", "input_register"]
Type = Literal[
    "bool", "int16", "uint16", "int32", "uint32", "int64", "uint64",
    "bcd16", "bcd32", "sign_magnitude16", "sign_magnitude32", "float32", "float64", "text",
]  # fmt: skip
Order = Literal["big", "little"]

TABLES: tuple[Table, ...] = get_args(Table)
TYPES: tuple[Type, ...] = get_args(Type)

_FLOAT_FORMAT = {"float32": ">f", "float64": ">d"}

_LARGEST_FLOAT32 = struct.unpack(">f", b"\x7f\x7f\xff\xff")[0]
_LARGEST_FLOAT64 = struct.unpack(">d", b"\x7f\xef" + b"\xff" * 6)[0]

_NO_VALUE = "the device says it has no value"

#: A current transducer may read a little below zero at no load; further below its wiring or type is wrong.
ZERO_DRIFT_OF_RANGE = 0.01
#: The largest power of ten that a scale register may say (SunSpec's scale factors, from memory).
LARGEST_POWER = 10
#: Default upper limit of a current: so many times the largest rated current.
CURRENT_RANGE = 4.0


class Place(NamedTuple):
    """Where one value lies: a table, its zero-based address and how many registers (or bits) it takes."""

    table: Table
    address: int
    size: int

    @property
    def end(self) -> int:
        return self.address + self.size


@dataclass(frozen=True, slots=True)
class ScaleFrom:
    """Where a factor of the scale is read, and what it means there."""

    spec: Spec
    means: Literal["power_of_ten", "multiplier"]


@dataclass(frozen=True, slots=True)
class Spec:
    """Everything needed to read one value. Built once by :func:`spec`.

    value = (raw * factor * scale + offset) * ratio; factor: what ``scale_from`` says, else 1.
    bits: first and last bit of ``raw`` in what the registers hold. low / high: valid range, None = no limit.
    zero_drift: negative values down to this far below zero count as 0 (currents), None = no such rule.
    """

    place: Place
    type: Type
    bit: int | None = None
    byte_order: Order = "big"
    word_order: Order = "big"
    scale: float = 1.0
    offset: float = 0.0
    ratio: float = 1.0
    sentinels: tuple[float, ...] = ()
    low: float | None = None
    high: float | None = None
    zero_drift: float | None = None
    invert: bool = False
    unit: str = ""
    bits: tuple[int, int] | None = None
    scale_from: ScaleFrom | None = None


@dataclass(frozen=True, slots=True)
class Decoded:
    """A value with its quality, and plain words when it is not good. value is None when unusable."""

    value: float | None
    quality: Quality
    reason: str = ""


def split_reference(reference: int) -> tuple[Table, int]:
    """Table and zero-based address of a 5 or 6 digit reference (30001 -> input register 0).

    ValueError for a number that is no reference. A coil's leading zeros vanish in an integer: 1..9999.
    """
    found = registers.split_reference(reference)
    if found is not None:
        return cast(Table, found[0]), found[1]
    raise ValueError(
        f"{reference} is no register reference (1..9999 coil, 10001..19999 or 100001..165536 discrete input, "
        "30001..39999 or 300001..365536 input register, 40001..49999 or 400001..465536 holding register)"
    )


def type_of(register: Register) -> Type:
    """The type as given; left out it is bool for contacts, bits and bit tables, else int16."""
    table = split_reference(register.reference)[0] if register.reference is not None else register.table
    if register.bit is not None or table in ("coil", "discrete_input"):
        return "bool"
    if isinstance(register, Identity) and register.registers is not None:
        return "text"
    if register.type is None:
        return "bool" if isinstance(register, BoolInput) else "int16"
    return register.type


def place_of(register: Register) -> Place:
    """The place a register names, by either address style. ValueError says what is missing or wrong."""
    if register.reference is not None:
        if register.address is not None:
            raise ValueError("both address and reference are given (give one)")
        table, address = split_reference(register.reference)
        if register.table not in (None, table):
            raise ValueError(f"reference {register.reference} is a {table}, but table says {register.table}")
    elif register.address is None or register.table is None:
        raise ValueError("no place given (give address with table, or reference)")
    else:
        table, address = register.table, register.address
    texts = register.registers if isinstance(register, Identity) else None
    count = texts or WORDS[type_of(register)]
    if address + count > 65_536:
        raise ValueError(f"a {type_of(register)} at address {address} runs past the last register, 65535")
    return Place(table, address, count)


def spec(source: AnyInput, device: Device, max_a: float | None = None) -> Spec:
    """How to read one mapped input. ``max_a``: default upper limit of a current [A].

    ValueError where the mapping cannot be read (place, CT ratio missing).
    """
    ratio, low, high, drift, unit, invert = 1.0, None, None, None, "", False
    if isinstance(source, Temperature | Temperature2):
        low, high, unit = source.min_c, source.max_c, "°C"
    elif isinstance(source, Current):
        high, unit = source.max_a if source.max_a is not None else max_a, "A"
        low = drift = 0.0 if high is None else -ZERO_DRIFT_OF_RANGE * high
        ratio = _current_ratio(source)
    elif isinstance(source, BoolInput):
        invert = source.invert
    scale_from = None
    if isinstance(source, Scaled) and source.scale_register is not None:
        scale_from = ScaleFrom(spec(source.scale_register, device), source.scale_register.means)
    kind = type_of(source)
    return Spec(
        place_of(source),
        kind,
        source.bit,
        source.byte_order or device.byte_order,
        # The letters of a text stand in reading order, whatever the device's numbers do.
        source.word_order or ("big" if kind == "text" else device.word_order),
        source.scale,
        source.offset,
        ratio,
        source.sentinels,
        low,
        high,
        drift,
        invert,
        unit,
        (source.bits[0], source.bits[1]) if source.bits else None,
        scale_from,
    )


def _current_ratio(current: Current) -> float:
    """Primary amperes per unit of raw * scale + offset."""
    if current.reads == "primary_a":
        return 1.0
    if current.ct_primary_a is None:
        raise ValueError(f"reads: {current.reads} needs ct_primary_a")
    if current.reads == "percent":
        return current.ct_primary_a / 100.0
    if current.ct_secondary_a is None:
        raise ValueError("reads: secondary_a needs ct_secondary_a (1 or 5)")
    return current.ct_primary_a / current.ct_secondary_a


def station_specs(settings: Settings) -> Iterator[tuple[Measurement, Spec | str]]:
    """Every measurement with its Spec, or in words why it cannot be read."""
    devices = {device.id: device for device in settings.devices}
    for measurement in measurements(settings):
        device = devices.get(measurement.input.device)
        if device is None:
            yield measurement, f"no device {measurement.input.device} in the settings"
            continue
        max_a = None
        if isinstance(measurement.input, Current):
            winding = settings.transformers[int(measurement.path[1])].windings[int(measurement.path[3])]
            max_a = CURRENT_RANGE * max(mode.rated_current_a for mode in winding.modes.values())
        try:
            yield measurement, spec(measurement.input, device, max_a)
        except ValueError as error:
            yield measurement, str(error)


# --- raw registers <-> values ----------------------------------------------------------------


def decode(spec: Spec, words: Sequence[int], scale_words: Sequence[int] = ()) -> Decoded:
    """The value of ``spec.place.size`` words (16-bit integers as received; 0/1 for bit tables).

    scale_words: those of ``spec.scale_from``, read together with them; without them there is no value.
    """
    if spec.place.table in ("coil", "discrete_input"):
        return _contact(spec, bool(words[0]))
    sentinel = _sentinel(spec, words)
    if sentinel:
        return Decoded(None, invalid(Detail.FAILURE), sentinel)
    raw = raw_value(spec, words)
    if spec.type == "bool":
        return _contact(spec, bool(int(raw) >> spec.bit & 1) if spec.bit is not None else raw != 0)
    if math.isnan(raw):
        return Decoded(
            None, invalid(Detail.FAILURE), f"0x{_pattern(spec, words):X} is no {spec.type}: a digit above 9"
        )
    factor = _factor(spec, scale_words)
    if isinstance(factor, str):
        return Decoded(None, invalid(Detail.FAILURE), factor)
    value = _scaled(spec, raw, factor)
    if not math.isfinite(value):
        return Decoded(None, invalid(Detail.OVERFLOW), f"raw value {raw:g} overflows with this scale")
    if (spec.low is not None and value < spec.low) or (spec.high is not None and value > spec.high):
        return Decoded(None, invalid(Detail.OUT_OF_RANGE), _range_words(spec, value))
    if spec.zero_drift is not None:
        value = max(value, 0.0)
    return Decoded(value, GOOD)


def encode(spec: Spec, value: float, scale_words: Sequence[int] = ()) -> tuple[int, ...]:
    """The words that decode to ``value`` (the nearest there is for integers). Inverse of :func:`decode`.

    For bits of a register the others are 0. OverflowError where the type cannot hold the value.
    """
    if spec.type == "bool":
        on = (value != 0.0) != spec.invert
        if spec.place.table in ("coil", "discrete_input"):
            return (int(on),)
        return _words(spec, int(on) << (spec.bit or 0))
    factor = _factor(spec, scale_words)
    if isinstance(factor, str):
        raise OverflowError(factor)
    raw = (value / spec.ratio - spec.offset) / (spec.scale * factor)
    try:
        if spec.type in _FLOAT_FORMAT:
            return _words(spec, int.from_bytes(struct.pack(_FLOAT_FORMAT[spec.type], raw)))
        return _words(spec, _to_pattern(spec, round(raw)))
    except OverflowError:
        raise OverflowError(f"{value:g} does not fit into {spec.type} with this scale") from None


def raw_value(spec: Spec, words: Sequence[int]) -> float | int:
    """The number in the registers, before scale and offset: an int for every integer type.

    Not a number where the registers hold none (BCD with a digit above 9).
    """
    pattern, width = _pattern(spec, words), 16 * spec.place.size
    if spec.type in _FLOAT_FORMAT:
        raw: float = struct.unpack(_FLOAT_FORMAT[spec.type], pattern.to_bytes(width // 8))[0]
        return raw
    if spec.type.startswith("bcd"):
        digits = f"{pattern:x}"
        return int(digits) if digits.isdecimal() else math.nan
    sign = 1 << width - 1
    if spec.type.startswith("sign_magnitude"):
        return -(pattern ^ sign) if pattern & sign else pattern
    if spec.bits is not None:
        first, last = spec.bits
        width = last - first + 1
        pattern, sign = pattern >> first & (1 << width) - 1, 1 << width - 1
    return pattern - (sign << 1) if spec.type.startswith("int") and pattern & sign else pattern


def text(spec: Spec, words: Sequence[int]) -> tuple[str, str]:
    """What the registers say as a text (a serial number), and in words why they say nothing."""
    if spec.type != "text":
        raw = raw_value(spec, words)
        return (str(raw), "") if isinstance(raw, int) else ("", f"{raw:g} is no whole number")
    held = _pattern(spec, words).to_bytes(2 * spec.place.size)
    said = held.rstrip(b"\0 \xff").strip(b"\0 ")
    if not said:
        return "", "an empty text"
    if not all(0x20 <= byte < 0x7F for byte in said):
        return "", f"no text: 0x{held.hex().upper()}"
    return said.decode("ascii"), ""


def _to_pattern(spec: Spec, raw: int) -> int:
    """The inverse of :func:`raw_value` for integer types. OverflowError where it does not fit."""
    width = 16 * spec.place.size if spec.bits is None else spec.bits[1] - spec.bits[0] + 1
    if spec.type.startswith("bcd"):
        low, high, pattern = 0, 10 ** (4 * spec.place.size) - 1, int(str(abs(raw)), 16)
    elif spec.type.startswith("sign_magnitude"):
        high = (1 << width - 1) - 1
        low, pattern = -high, (abs(raw) | 1 << width - 1) if raw < 0 else raw
    elif spec.type.startswith("int"):
        low, high, pattern = -(1 << width - 1), (1 << width - 1) - 1, raw & (1 << width) - 1
    else:
        low, high, pattern = 0, (1 << width) - 1, raw
    if not low <= raw <= high:
        raise OverflowError
    return pattern if spec.bits is None else pattern << spec.bits[0]


def _factor(spec: Spec, scale_words: Sequence[int]) -> float | str:
    """What the scale register says; in words why it says nothing that can be used."""
    if spec.scale_from is None:
        return 1.0
    if not scale_words:
        return "its scale register was not read"
    said = decode(spec.scale_from.spec, scale_words)
    if said.value is None:
        return f"its scale register: {said.reason}"
    if spec.scale_from.means == "multiplier":
        return said.value or "its scale register says 0, which makes every value the same"
    if not said.value.is_integer() or abs(said.value) > LARGEST_POWER:
        usable = f"-{LARGEST_POWER} to {LARGEST_POWER}"
        return f"its scale register says {said.value:g}, which is no power of ten from {usable}"
    return float(f"1e{said.value:.0f}")


def _scaled(spec: Spec, raw: float | int, factor: float) -> float:
    """(raw * factor * scale + offset) * ratio; infinite when it is too large.

    For integers the float nearest to the decimal result, so that 696 tenths are 69.6 and not
    69.60000000000001: the display of the device and the record then agree to the last digit.
    """
    if not isinstance(raw, int):
        return (raw * factor * spec.scale + spec.offset) * spec.ratio
    times, constant, divisor = _decimal(factor, spec.scale, spec.offset, spec.ratio)
    try:
        return (raw * times + constant) / divisor  # of whole numbers: rounded once
    except OverflowError:
        return math.inf


@lru_cache(maxsize=1024)
def _decimal(factor: float, scale: float, offset: float, ratio: float) -> tuple[int, int, int]:
    """Whole numbers (times, constant, divisor) of a mapping as its figures are written."""
    times = Fraction(str(factor)) * Fraction(str(scale)) * Fraction(str(ratio))
    constant = Fraction(str(offset)) * Fraction(str(ratio))
    divisor = math.lcm(times.denominator, constant.denominator)
    return int(times * divisor), int(constant * divisor), divisor


def _order(spec: Spec, words: Sequence[int]) -> tuple[int, ...]:
    """Between the device's order and most-significant-first. Its own inverse."""
    ordered = tuple(words) if spec.word_order == "big" else tuple(reversed(words))
    if spec.byte_order == "little":
        ordered = tuple((word & 0xFF) << 8 | word >> 8 for word in ordered)
    return ordered


def _pattern(spec: Spec, words: Sequence[int]) -> int:
    """What the registers hold as one unsigned number, the most significant bit first."""
    pattern = 0
    for word in _order(spec, words):
        pattern = pattern << 16 | word
    return pattern


def _words(spec: Spec, pattern: int) -> tuple[int, ...]:
    """The inverse of :func:`_pattern`."""
    return _order(spec, [pattern >> 16 * i & 0xFFFF for i in reversed(range(spec.place.size))])


def _contact(spec: Spec, closed: bool) -> Decoded:
    return Decoded(float(closed != spec.invert), GOOD)


def _sentinel(spec: Spec, words: Sequence[int]) -> str:
    """In words why what the registers hold is no measurement, or ""."""
    raw = raw_value(spec, words)
    if spec.type not in _FLOAT_FORMAT:
        pattern, bits = _pattern(spec, words), 16 * spec.place.size
        if spec.bits is not None:
            first, last = spec.bits
            bits = last - first + 1
            pattern = pattern >> first & (1 << bits) - 1
        mask = (1 << bits) - 1
        for sentinel in spec.sentinels:
            # Makers write the same pattern as 0x8000 or as -32768, whatever the sign of the type.
            fits = sentinel.is_integer() and -(1 << bits - 1) <= sentinel <= mask
            # A float, as which it is given, holds no more than 53 of the bits of a 64-bit integer.
            if float(raw) == sentinel or (fits and pattern == int(sentinel) & mask):
                return f"sentinel 0x{pattern:0{-(-bits // 4)}X} ({raw}): {_NO_VALUE}"
        return ""
    if math.isnan(raw):
        return f"not a number (NaN): {_NO_VALUE}"
    if math.isinf(raw):
        return f"infinite: {_NO_VALUE}"
    if abs(raw) in (_LARGEST_FLOAT32, _LARGEST_FLOAT64):
        return f"largest float: {_NO_VALUE}"
    single = spec.type == "float32"
    for sentinel in spec.sentinels:
        if raw == (_to_float32(sentinel) if single else sentinel):
            return f"sentinel {sentinel:g}: {_NO_VALUE}"
    return ""


def _to_float32(value: float) -> float:
    try:
        rounded: float = struct.unpack(">f", struct.pack(">f", value))[0]
    except OverflowError:
        return math.copysign(math.inf, value)
    return rounded


def _range_words(spec: Spec, value: float) -> str:
    if spec.zero_drift is not None and value < 0:
        return f"negative current {value:.6g} A: type, sign or offset of the mapping is wrong"
    low = "" if spec.low is None else f"{spec.low:g}"
    high = "" if spec.high is None else f"{spec.high:g}"
    return f"{value:.6g} {spec.unit} is outside {low}..{high} {spec.unit}".replace(" ..", " ")
