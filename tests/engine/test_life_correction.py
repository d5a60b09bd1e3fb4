"""Loss of life that was wrong is corrected by a recorded command: after a rewind, with a found history.

`loss_of_life_start_h` counts at the first start only; before, nothing could correct what came after.
"""

from __future__ import annotations

import math

import pytest
from station_script import Bad, Station

WHY = "rewound, works order 4711"


def aged(**keys: float) -> Station:
    """Two hours at full load with hot oil."""
    return Station(oil=85.0, amps=200.0, **keys).run(1000, 10.0)


def life(s: Station, winding: str = "HV_A") -> tuple[float, float, float]:
    return tuple(s.value(f"{winding}.loss_of_life_{x}h") for x in ("low_", "", "high_"))  # type: ignore[return-value]


def test_a_rewound_winding_begins_anew_and_the_others_do_not() -> None:
    s = aged()
    before, others = life(s), life(s, "HV_B")
    rate = s.value("HV_A.equivalent_ageing_total")
    assert before[1] > 0.1
    assert s.command("correct_life", "T1.HV_A", value=0.0, why=WHY) == ""
    assert life(s) == (0.0, 0.0, 0.0)
    assert s.value("HV_A.loss_of_life_percent") == 0.0
    assert life(s, "HV_B") >= others
    assert s.value("HV_A.life_corrections") == 1
    assert s.value("HV_B.life_corrections") == 0
    (told,) = [e for e in s.events if e.kind == "life"]
    assert told.subject == "T1.HV_A"
    assert told.data["who"] == "tester"
    assert told.data["why"] == WHY
    assert told.data["new_h"] == 0.0
    assert told.data["old_h"] == pytest.approx(before[1], rel=1e-2)
    assert WHY in told.text
    assert "tester" in told.text
    # how fast it ages is no other for it
    assert s.value("HV_A.equivalent_ageing_total") == pytest.approx(rate, rel=1e-3)
    now = life(s)
    s.run(360, 10.0)
    grown = life(s)
    assert all(a < b for a, b in zip(now, grown, strict=True))
    gained = life(s, "HV_B")[1] - others[1]
    assert grown[1] == pytest.approx(gained, rel=0.02)


def test_a_found_history_keeps_the_band_of_what_was_counted() -> None:
    s = aged()
    low, best, high = life(s)
    assert s.command("correct_life", "T1.HV_A", value=30_000.0, why="log books of 1988 to 2019") == ""
    moved = life(s)
    assert moved[1] == 30_000.0
    assert moved[0] - 30_000.0 == pytest.approx(low - best, rel=1e-2)
    assert moved[2] - 30_000.0 == pytest.approx(high - best, rel=1e-2)
    assert s.command("correct_life", "T1.HV_A", value=0.001, why="a mistake") == ""
    assert life(s)[0] >= 0.0


def test_it_outlives_a_restart_a_power_cut_and_a_reload() -> None:
    s = aged()
    s.command("correct_life", "T1.HV_A", value=5.0, why=WHY)
    s.restart(30.0).run(5)
    assert 5.0 <= life(s)[1] < 5.1
    assert s.value("HV_A.life_corrections") == 1
    s.restart(30.0, same_boot=False).run(5)
    assert 5.0 <= life(s)[1] < 5.1
    s.reload(lambda tree: tree["transformers"][0].update(name="Other")).run(5)
    assert 5.0 <= life(s)[1] < 5.1
    assert s.value("HV_A.life_corrections") == 1


def test_doubts_about_what_was_replaced_are_over() -> None:
    s = Station(oil=85.0, amps=200.0).run(400, 10.0)
    s.set(oil=Bad()).run(300, 10.0)
    s.set(oil=85.0)
    s.run(60, 10.0)
    assert not s.quality("HV_A.loss_of_life_h").is_good
    s.command("correct_life", "T1.HV_A", value=0.0, why=WHY)
    assert s.quality("HV_A.loss_of_life_h").is_good
    assert not s.quality("HV_B.loss_of_life_h").is_good


@pytest.mark.parametrize(
    ("target", "how", "value", "why", "words"),
    [
        ("T1.HV_Z", "local", 0.0, WHY, "no winding T1.HV_Z"),
        ("T1", "local", 0.0, WHY, "no winding T1"),
        ("T1.HV_A", "remote", 0.0, WHY, "only at the station itself"),
        ("T1.HV_A", "local", None, WHY, "give the hours"),
        ("T1.HV_A", "local", -1.0, WHY, "give the hours"),
        ("T1.HV_A", "local", 1e8, WHY, "give the hours"),
        ("T1.HV_A", "local", math.nan, WHY, "give the hours"),
        ("T1.HV_A", "local", 0.0, "  ", "say why"),
    ],
)
def test_what_is_refused_changes_nothing(
    target: str, how: str, value: float | None, why: str, words: str
) -> None:
    s = aged()
    before = life(s)
    assert words in s.command("correct_life", target, how, value=value, why=why)
    assert life(s)[1] >= before[1]
    assert not [e for e in s.events if e.kind == "life"]
    assert s.value("HV_A.life_corrections") == 0
