"""Addresses are permanent: a golden file, and what is added or removed moves nothing else.

golden_addresses.txt holds offset and address of every declared point, golden_plan.txt the places that the
address plan gives on each way out. A line may be added; one that changes or goes is a broken promise to
every SCADA system in service.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import large_station
import pytest
from hypothesis import given
from hypothesis import settings as limits
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from collector.addresses import (
    LAST_UNIT,
    NUMBERS,
    OFFSETS,
    PER_SECTION,
    SECTIONS,
    Aspect,
    Level,
    Place,
    last_section,
    place,
)
from collector.points import DECLARED, Point, catalogue
from collector.publish.scada import HEADER, HEADER_MEANING
from collector.settings import load_bytes
from collector.settings.model import DeviceNumber, Settings, StageNumber, TransformerNumber, WindingNumber

GOLDEN = Path(__file__).with_name("golden_addresses.txt")
PLAN = Path(__file__).with_name("golden_plan.txt")
ASPECTS: tuple[Aspect, ...] = ("number", "state", "unacknowledged")


def lines() -> list[str]:
    """Offset of every declared point, with its register at the first and the last numbers of section 0."""
    found = []
    for d in DECLARED:
        last = place(d.level, 16, {"winding": 24, "stage": 12, "device": 39}.get(d.level, 1), d.offset)
        first = place(d.level, 1, 1, d.offset)
        assert (first.section, last.section) == (0, 0)
        found.append(f"{d.level} {d.offset} {d.name} {d.type} {first.register} {last.register}")
    return found


def plan() -> list[str]:
    """Places at the corners of every level and section: what the formulae give, on every way out."""
    found = []
    for level, numbers in {
        "station": [(0, 0)],
        "device": [(0, d) for d in (1, 39, 40, 78, 79, 240, 312)],
        "transformer": [(t, 0) for t in (1, 16, 17, 32, 33, 60, 64, 65, 128)],
        "winding": [(t, w) for t in (1, 16, 17, 60, 128) for w in (1, 3, 24)],
        "stage": [(t, s) for t in (1, 16, 17, 60, 128) for s in (1, 12)],
    }.items():
        for transformer, item in numbers:
            for offset in {"device": (0, 4, 5, 8), "winding": (0, 32), "stage": (0, 32)}.get(level, (0, 99)):
                at = place(level, transformer, item, offset)
                found.append(
                    f"{level} {transformer} {item} {offset}: unit +{at.modbus_unit(0)} register {at.register}"
                    f" | 104 +{at.section} {' '.join(str(at.iec104(a)) for a in ASPECTS)}"
                    f" | DNP3 +{at.section} {' '.join(str(at.dnp3(a)) for a in ASPECTS)}"
                )
    return found


def test_golden_file() -> None:
    golden = GOLDEN.read_text(encoding="utf-8").splitlines()
    moved = [line for line in golden if line not in lines()]
    assert not moved, "released addresses changed or gone"
    new = [line for line in lines() if line not in golden]
    assert not new, f"new points: add these lines to {GOLDEN.name} for ever"


def test_golden_plan() -> None:
    golden = PLAN.read_text(encoding="utf-8").splitlines()
    assert plan() == golden, "the address plan has changed"


def test_offsets_are_unique_and_fit() -> None:
    for level in OFFSETS:
        offsets = [d.offset for d in DECLARED if d.level == level]
        assert len(offsets) == len(set(offsets)), level
        assert max(offsets) < OFFSETS[level]


def every_place() -> Iterator[tuple[tuple[Level, int, int, int], Place]]:
    """Of the largest station that the plan has room for."""

    def offsets(level: Level, t: int, item: int) -> Iterator[tuple[tuple[Level, int, int, int], Place]]:
        for offset in range(OFFSETS[level]):
            yield (level, t, item, offset), place(level, t, item, offset)

    yield from offsets("station", 0, 0)
    for d in range(1, NUMBERS["device"] + 1):
        yield from offsets("device", 0, d)
    for t in range(1, NUMBERS["transformer"] + 1):
        yield from offsets("transformer", t, 0)
        for level in ("winding", "stage"):
            for item in range(1, NUMBERS[level] + 1):
                yield from offsets(level, t, item)


def test_no_two_points_share_an_address_at_the_largest_station() -> None:
    """In every section and on every way out, within what each protocol can count."""
    registers: set[int] = set()
    iec104: set[tuple[int, int]] = set()
    analog: set[tuple[int, int]] = set()
    binary: set[tuple[int, int]] = set()
    count = 0
    own = set(range(HEADER, 1000))
    assert len(HEADER_MEANING) <= 100
    for what, at in every_place():
        count += 1
        assert at.section < SECTIONS
        assert at.register + 2 <= 65_535, what
        assert own.isdisjoint(range(at.register, at.register + 3)), what
        registers.update(at.section << 16 | r for r in range(at.register, at.register + 3))
        for aspect in ASPECTS:
            assert 1 <= at.iec104(aspect) < 1 << 24
            assert 0 <= at.dnp3(aspect) <= 65_535, what
            iec104.add((at.section, at.iec104(aspect)))
            (analog if aspect == "number" else binary).add((at.section, at.dnp3(aspect)))
    assert count == 100 + 312 * 9 + 128 * (100 + 36 * 33)
    assert [len(x) for x in (registers, iec104, analog, binary)] == [3 * count, 3 * count, count, 2 * count]


def test_a_section_ends_where_the_next_begins() -> None:
    for level, most in PER_SECTION.items():
        found = [place(level, n, n, 0) for n in range(1, NUMBERS[level] + 1)]
        assert [p.section for p in found] == [(n - 1) // most for n in range(1, NUMBERS[level] + 1)]
        assert {(p.register, p.index) for p in found[most:]} == {(p.register, p.index) for p in found[:most]}
    assert [last_section(t, d) for t, d in ((1, 1), (16, 39), (17, 1), (1, 40), (60, 240))] == [0, 0, 1, 1, 6]


@pytest.mark.parametrize(
    ("level", "transformer", "item", "offset"),
    [
        ("transformer", 129, 0, 0),
        ("transformer", 0, 0, 0),
        ("device", 0, 313, 0),
        ("device", 0, 1, 9),
        ("winding", 1, 25, 0),
        ("winding", 1, 0, 0),
        ("stage", 1, 13, 0),
        ("stage", 1, 1, 33),
        ("station", 0, 0, 300),
        ("transformer", 1, 0, -1),
    ],
)
def test_outside_the_map_is_refused(level: Level, transformer: int, item: int, offset: int) -> None:
    with pytest.raises(ValueError, match=r"number|room"):
        place(level, transformer, item, offset)


def addresses(settings: Settings) -> dict[str, Place]:
    return {p.id: p.place for p in catalogue(settings)}


def grown(settings: Settings, units: list[tuple[int, list[int], list[int]]]) -> Settings:
    """The station with these transformers (number, winding numbers, stage numbers) of the demo's kind."""
    model = settings.transformers[0]
    transformers = []
    for number, windings, stages in units:
        transformers.append(
            model.model_copy(
                update={
                    "id": f"T{number}",
                    "number": number,
                    "windings": tuple(
                        model.windings[0].model_copy(update={"id": f"W{n}", "number": n}) for n in windings
                    ),
                    "stages": tuple(
                        model.stages[0].model_copy(update={"id": f"S{n}", "number": n}) for n in stages
                    ),
                }
            )
        )
    return settings.model_copy(update={"transformers": tuple(transformers)})


units = st.lists(
    st.tuples(
        st.integers(1, 128),
        st.lists(st.integers(1, 24), unique=True, min_size=1, max_size=5),
        st.lists(st.integers(1, 12), unique=True, max_size=4),
    ),
    unique_by=lambda u: u[0],
    min_size=1,
    max_size=5,
)


@limits(max_examples=50, deadline=None)
@given(before=units, after=units)
def test_adding_and_removing_moves_nothing(
    station: Settings,
    before: list[tuple[int, list[int], list[int]]],
    after: list[tuple[int, list[int], list[int]]],
) -> None:
    old, new = addresses(grown(station, before)), addresses(grown(station, after))
    assert len(set(new.values())) == len(new)
    for point in old.keys() & new.keys():
        assert old[point] == new[point]


def test_a_point_is_read_from_its_number(station: Settings) -> None:
    """The worked examples of the documents."""
    assert Point("", next(d for d in DECLARED if d.name == "top_oil_c"), 1).address == 1000
    assert place("winding", 1, 1, 3) == Place(0, 1309, 1203)  # T1, winding 1, hot spot
    assert place("stage", 2, 3, 5) == Place(0, 5000 + 2600 + 300 + 15, 3000 + 1160 + 120 + 5)
    assert place("winding", 17, 1, 3) == Place(1, 1309, 1203)  # the same one section further


@pytest.mark.parametrize(
    ("number", "level"),
    [
        (TransformerNumber, "transformer"),
        (WindingNumber, "winding"),
        (StageNumber, "stage"),
        (DeviceNumber, "device"),
    ],
)
def test_settings_refuse_a_number_the_map_has_no_room_for(number: Any, level: Level) -> None:
    checked = TypeAdapter(number)
    assert checked.validate_python(NUMBERS[level]) == NUMBERS[level]
    with pytest.raises(ValidationError, match=f"less than or equal to {NUMBERS[level]}"):
        checked.validate_python(NUMBERS[level] + 1)


def test_settings_refuse_a_unit_id_that_leaves_no_room() -> None:
    """Device 240 is in section 6."""

    def station(unit: int) -> bytes:
        text = large_station.text(1, unit=unit)
        assert text.count("number: 4,") == 1
        return text.replace("number: 4,", "number: 240,").encode()

    assert load_bytes(station(LAST_UNIT - 6), "s").faults == []
    (fault,) = load_bytes(station(LAST_UNIT - 5), "s").faults
    assert (fault.line, fault.path) == (2, "scada.unit")
    assert "leaves no unit id" in fault.message
    assert "at most 241" in fault.message
