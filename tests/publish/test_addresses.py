"""Addresses are permanent: a golden file, and what is added or removed moves nothing else.

The golden file holds offset and address of every declared point. A line may be added to it; one that
changes or goes is a broken promise to every SCADA system in service.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as limits
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from collector.points import DECLARED, ITEM_BASE, NUMBERS, OFFSETS, Level, Point, address, catalogue
from collector.publish.scada import HEADER, HEADER_MEANING
from collector.settings.model import Settings, StageNumber, TransformerNumber, WindingNumber

GOLDEN = Path(__file__).with_name("golden_addresses.txt")


def lines() -> list[str]:
    """Offset of every declared point, with its address at the first and at the last numbers."""
    found = []
    for d in DECLARED:
        last = address(d.level, NUMBERS["transformer"], NUMBERS.get(d.level, 0) or 1, d.offset)
        first = address(d.level, 1, 1, d.offset)
        found.append(f"{d.level} {d.offset} {d.name} {d.type} {first} {last}")
    return found


def test_golden_file() -> None:
    golden = GOLDEN.read_text(encoding="utf-8").splitlines()
    moved = [line for line in golden if line not in lines()]
    assert not moved, "released addresses changed or gone"
    new = [line for line in lines() if line not in golden]
    assert not new, f"new points: add these lines to {GOLDEN.name} for ever"


def test_offsets_are_unique_and_fit() -> None:
    for level in OFFSETS:
        offsets = [d.offset for d in DECLARED if d.level == level]
        assert len(offsets) == len(set(offsets)), level
        assert max(offsets) < OFFSETS[level]


def test_no_two_points_share_an_address_at_the_largest_station() -> None:
    taken: dict[int, tuple[Level, int, int, int]] = {}

    def take(level: Level, transformer: int, item: int) -> None:
        for offset in range(OFFSETS[level]):
            at = address(level, transformer, item, offset)
            for register in range(at, at + 3):
                assert register <= 65535
                assert register not in taken, (level, transformer, item, offset, taken[register])
                taken[register] = (level, transformer, item, offset)

    take("station", 0, 0)
    for t in range(1, NUMBERS["transformer"] + 1):
        take("transformer", t, 0)
        for level in ITEM_BASE:
            for item in range(1, NUMBERS[level] + 1):
                take(level, t, item)
    assert not set(range(HEADER, HEADER + len(HEADER_MEANING))) & set(taken)


@pytest.mark.parametrize(
    ("level", "transformer", "item", "offset"),
    [
        ("transformer", 17, 0, 0),
        ("transformer", 0, 0, 0),
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
        address(level, transformer, item, offset)


def addresses(settings: Settings) -> dict[str, int]:
    return {p.id: p.address for p in catalogue(settings)}


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
        st.integers(1, 16),
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
    assert address("winding", 1, 1, 3) == 1309  # T1, winding 1, hot spot
    assert address("stage", 2, 3, 5) == 5000 + 2600 + 300 + 15


@pytest.mark.parametrize(
    ("number", "level"),
    [(TransformerNumber, "transformer"), (WindingNumber, "winding"), (StageNumber, "stage")],
)
def test_settings_refuse_a_number_the_map_has_no_room_for(number: Any, level: Level) -> None:
    checked = TypeAdapter(number)
    assert checked.validate_python(NUMBERS[level]) == NUMBERS[level]
    with pytest.raises(ValidationError, match=f"less than or equal to {NUMBERS[level]}"):
        checked.validate_python(NUMBERS[level] + 1)
