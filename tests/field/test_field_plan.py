"""Read planning: properties of every plan, and what refusals do to it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.field.codec import TABLES, Place
from collector.field.plan import REFUSALS, DevicePlan, blocks, take_apart, unreadable

places = st.lists(
    st.builds(Place, st.sampled_from(TABLES), st.integers(0, 60), st.sampled_from([1, 1, 1, 2, 4])),
    max_size=30,
)
gaps, sizes = st.integers(0, 12), st.integers(1, 20)


def bridged(block):
    """Longest run of addresses in a block that nobody asked for."""
    asked = {a for place in block.places for a in range(place.address, place.end)}
    longest = run = 0
    for address in range(block.address, block.address + block.size):
        run = 0 if address in asked else run + 1
        longest = max(longest, run)
    return longest


@given(places, gaps, sizes)
def test_every_value_once_whole_and_within_the_limits(wanted, max_gap, max_block):
    plan = blocks(wanted, max_gap, max_block)
    got = [place for block in plan for place in block.places]
    assert sorted(got) == sorted({p for p in wanted if p.size <= max_block})
    for place in set(wanted) - set(got):
        assert "max_block" in unreadable(place, max_block)
    for block in plan:
        assert block.size <= max_block
        assert bridged(block) <= max_gap
        for place in block.places:
            assert place.table == block.table
            assert block.address <= place.address
            assert place.end <= block.address + block.size
        # no register is asked for beside those of the values and the gaps between
        assert min(p.address for p in block.places) == block.address
        assert max(p.end for p in block.places) == block.address + block.size


@given(places, gaps, st.integers(4, 20), st.sets(st.integers(0, 64)), st.integers(1, 20))
def test_taking_apart_finds_exactly_what_is_refused(wanted, max_gap, max_block, holes, most):
    """A device with holes and a limit of its own: every value it would give is read, every other is named."""

    def refuses(block):
        return block.size > most or any(a in holes for a in range(block.address, block.address + block.size))

    plan = DevicePlan.of(wanted, max_gap, max_block)
    queue, read, asked = list(plan.now), [], 0
    while queue:
        block = queue.pop(0)
        asked += 1
        if refuses(block):
            plan, parts = plan.without(block, 2)
            queue[:0] = parts
        else:
            read += block.places
    named = [place for place, _ in plan.refused]
    assert sorted(read + named) == sorted(set(wanted))
    for place in named:
        assert refuses(blocks([place])[0])
    for place in read:
        assert not refuses(blocks([place], max_block=4)[0])
    assert [p for block in plan.now for p in block.places] == read
    assert asked <= 3 * len(set(wanted)) + 1
    assert plan.restored() == DevicePlan.of(wanted, max_gap, max_block)


@given(places, gaps, st.integers(4, 20))
def test_parts_are_smaller_and_complete(wanted, max_gap, max_block):
    for block in blocks(wanted, max_gap, max_block):
        parts = take_apart(block)
        if len(block.places) == 1:
            assert parts == ()
            continue
        assert [p for part in parts for p in part.places] == list(block.places)
        assert all(len(part.places) < len(block.places) for part in parts)


@pytest.mark.parametrize("code", [c for c in range(1, 256) if c not in REFUSALS])
def test_no_other_exception_changes_a_plan(code):
    plan = DevicePlan.of([Place("input_register", 0, 1)], 0, 125)
    with pytest.raises(ValueError, match="does not change a plan"):
        plan.without(plan.now[0], code)


def test_worked_example():
    wanted = [Place("input_register", a, n) for a, n in ((0, 1), (1, 2), (4, 1), (10, 4), (14, 1))]
    assert [(b.address, b.size) for b in blocks(wanted)] == [(0, 3), (4, 1), (10, 5)]
    assert [(b.address, b.size) for b in blocks(wanted, 1)] == [(0, 5), (10, 5)]
    assert [(b.address, b.size) for b in blocks(wanted, 5)] == [(0, 15)]
    assert [(b.address, b.size) for b in blocks(wanted, 5, 6)] == [(0, 5), (10, 5)]
