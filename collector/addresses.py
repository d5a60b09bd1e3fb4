"""The address plan: where a point is found on every way out. Arithmetic only: no value, no name, no protocol.

Every address is base + number x stride + offset with the permanent numbers of the settings, so that nothing
moves when something is added or removed. What stands here is never changed, and a place that once was
given is never given again (golden files in tests/publish).

A station is cut into sections, because one Modbus unit has 65 536 registers. Section k holds transformers
16k+1 to 16k+16 and devices 39k+1 to 39k+39; the station's own points are in section 0. A section answers as

    Modbus           unit id = scada.unit + k             (float32 with quality)
    IEC 60870-5-104  common address = its base + k
    DNP3             outstation address = its base + k

Within a section, with t = transformer number - 16k and d = device number - 39k:

                     Modbus register                     index (IEC 60870-5-104, DNP3)
    station          3 offset                            offset
    device d         300 + 15 d + 3 offset               100 + 20 d + offset
      from offset 5  65000 + 12 d + 3 (offset - 5)       (the same)
    transformer t    4000 t - 3000 + 3 offset            2000 t - 1000 + offset
      winding w        ... + 200 + 100 w + 3 offset        ... + 160 + 40 w + offset
      stage s          ... + 2600 + 100 s + 3 offset       ... + 1160 + 40 s + offset

Three registers a point: value (float32, two registers) and quality. Registers 900 to 999 of every section
are the server's own. Strides are decimal so that a person reads transformer, winding and stage from them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["station", "transformer", "winding", "stage", "device"]

SECTIONS = 8
#: Transformers and devices of one section.
PER_SECTION: dict[Level, int] = {"transformer": 16, "device": 39}
#: Largest permanent numbers, and how many points each may have.
NUMBERS: dict[Level, int] = {
    "transformer": SECTIONS * PER_SECTION["transformer"],
    "winding": 24,
    "stage": 12,
    "device": SECTIONS * PER_SECTION["device"],
}
OFFSETS: dict[Level, int] = {"station": 100, "transformer": 100, "winding": 33, "stage": 33, "device": 9}

#: Modbus unit ids, counted from scada.unit. Only the first are served yet; the others are kept free for
#: the scaled whole numbers of each section and for the one buffer of events.
FLOAT_UNIT, INT16_UNIT, EVENTS_UNIT = 0, 16, 32
LAST_UNIT = 247

REGISTERS_PER_POINT = 3
#: (base, stride) of registers and of indices.
_REGISTERS = {"device": (300, 15), "transformer": (-3000, 4000), "winding": (200, 100), "stage": (2600, 100)}
_INDICES = {"device": (100, 20), "transformer": (-1000, 2000), "winding": (160, 40), "stage": (1160, 40)}
#: A device's points from this offset on stand behind the transformers: its first block has no more room.
_DEVICE_FIRST = 5
_DEVICE_MORE = (65_000, 12)

#: What of a point is told: its number (of an alarm points.ALARM_STATES); the state of a bool or an alarm;
#: that an alarm is unacknowledged.
Aspect = Literal["number", "state", "unacknowledged"]
#: Added to the index for an IEC 60870-5-104 information object address (1 to 16 777 215). 400 000 is kept
#: free for counters told as integrated totals.
_IEC104: dict[Aspect, int] = {"number": 100_000, "state": 200_000, "unacknowledged": 300_000}
#: Added for a DNP3 index (0 to 65 535): "number" is an analog input, the others are binary
#: inputs.
_DNP3: dict[Aspect, int] = {"number": 0, "state": 0, "unacknowledged": 32_768}


@dataclass(frozen=True, slots=True)
class Place:
    """Where a point is: its section, first Modbus register there (zero-based) and index there."""

    section: int
    register: int
    index: int

    def modbus_unit(self, base: int) -> int:
        return base + FLOAT_UNIT + self.section

    def iec104(self, aspect: Aspect) -> int:
        """Information object address, below the common address of the section."""
        return _IEC104[aspect] + self.index

    def dnp3(self, aspect: Aspect) -> int:
        """Index among the analog inputs ("number") or the binary inputs of the section's outstation."""
        return _DNP3[aspect] + self.index


def place(level: Level, transformer: int, item: int, offset: int) -> Place:
    """The place of a point. item: number of the winding, stage or device.

    ValueError when a number or offset is outside what the plan has room for.
    """
    if not 0 <= offset < OFFSETS[level]:
        raise ValueError(f"{level} offset {offset}: the plan has room for 0 to {OFFSETS[level] - 1}")
    if level == "station":
        return Place(0, REGISTERS_PER_POINT * offset, offset)
    if level == "device":
        section, d = _in_section("device", item)
        index = _at(_INDICES["device"], d) + offset
        if offset < _DEVICE_FIRST:
            return Place(section, _at(_REGISTERS["device"], d) + REGISTERS_PER_POINT * offset, index)
        beyond = REGISTERS_PER_POINT * (offset - _DEVICE_FIRST)
        return Place(section, _at(_DEVICE_MORE, d) + beyond, index)
    section, t = _in_section("transformer", transformer)
    register, index = _at(_REGISTERS["transformer"], t), _at(_INDICES["transformer"], t)
    if level != "transformer":
        if not 1 <= item <= NUMBERS[level]:
            raise ValueError(f"{level} number {item}: 1 to {NUMBERS[level]}")
        register, index = register + _at(_REGISTERS[level], item), index + _at(_INDICES[level], item)
    return Place(section, register + REGISTERS_PER_POINT * offset, index + offset)


def last_section(transformers: int, devices: int) -> int:
    """The highest section of a station with these highest numbers (0: none)."""
    last_of_each = (
        (transformers - 1) // PER_SECTION["transformer"],
        (devices - 1) // PER_SECTION["device"],
    )
    return max(0, *last_of_each)


def _in_section(level: Literal["transformer", "device"], number: int) -> tuple[int, int]:
    """(section, number within it)."""
    if not 1 <= number <= NUMBERS[level]:
        raise ValueError(f"{level} number {number}: 1 to {NUMBERS[level]}")
    section, rest = divmod(number - 1, PER_SECTION[level])
    return section, rest + 1


def _at(where: tuple[int, int], number: int) -> int:
    base, stride = where
    return base + stride * number
