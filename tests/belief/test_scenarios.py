"""Believable readings that are wrong: what the plant's truth says of cooling and alarms.

Each scenario is judged by the plant (true oil and hot spot, motors that turn) and by which alarm came when.
`CONTROLS` break one mechanism each on purpose; the scenario must then fail.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from plant import Weather, nominal
from rig import Rig

from collector.control import belief, calling, conditions, hold_off, readings, temperatures
from collector.thermal import explained

#: True hot spot above its high limit with a stage held off: no longer than this [s].
AT_MOST_S = 300.0
GUIDES = ["iec_60076_7", "ieee_c57_91"]


def loaded(load: float = 1.0, groups: int = 2, **kind: Any) -> Rig:
    """Settled at load with two groups running, an hour after the start."""
    kind.setdefault("step_s", 60.0)
    return Rig(load=load, groups=groups, **kind).run(1.0)


# --- 1: out of the pocket ------------------------------------------------------------------------------


@pytest.mark.parametrize("guide", GUIDES)
@pytest.mark.parametrize("seconds", [0.0, 240.0])
def test_a_probe_out_of_its_pocket_does_not_count_again(guide: str, seconds: float) -> None:
    """At once, or with the sensor's own time constant, which no rule on rates notices."""
    r = loaded(guide=guide)
    fell_s, was = r.plant.t_s, r.plant.oil_c

    def in_air(_: float) -> float:
        gone = min(1.0, (r.plant.t_s - fell_s) / seconds) if seconds else 1.0
        return was + (r.plant.ambient_c - was) * gone

    r.faults["top_oil_c"] = in_air
    assert r.until(lambda r: r.standing("top_oil_lost") or r.standing("oil_doubtful"), 0.25) is not None
    r.run(9.0, 1.2)
    assert r.standing("top_oil_lost") or (seconds and r.standing("oil_doubtful"))
    assert r.worst_inhibited_s <= AT_MOST_S
    assert r.value("hot_spot_c") > r.plant.hot_spot_c - 5.0
    assert r.turning() >= 2
    # back in its pocket: it fits again
    del r.faults["top_oil_c"]
    assert r.until(lambda r: not r.standing("top_oil_lost") and not r.standing("oil_doubtful"), 6) is not None


def test_a_person_confirms_a_reading_that_fits_nothing() -> None:
    r = loaded()
    r.faults["top_oil_c"] = lambda _: r.plant.ambient_c + 12.0
    r.run(0.5)
    assert r.standing("top_oil_lost")
    assert r.command("confirm_reading", "T1.top_oil_c") == ""
    r.run(0.1)
    assert not r.standing("top_oil_lost")
    assert "counts already" in r.command("confirm_reading", "T1.top_oil_c")
    r.faults["top_oil_c"] = lambda _: None
    r.run(0.1)
    assert "does not read well" in r.command("confirm_reading", "T1.top_oil_c")


# --- 2: cold side --------------------------------------------------------------------------------------


@pytest.mark.parametrize("guide", GUIDES)
@pytest.mark.parametrize("probes", [1, 2])
@pytest.mark.parametrize("low_k", [10.0, 20.0, 40.0])
def test_an_oil_that_drifts_low_is_told_and_the_expected_one_counts(
    low_k: float, probes: int, guide: str
) -> None:
    r = loaded(1.2, 3, probes=probes, guide=guide)
    begun_s = r.plant.t_s

    def drifted(v: float) -> float:
        return v - min(low_k, 5.0 * (r.plant.t_s - begun_s) / 3600)

    r.faults["top_oil_c"] = r.faults["top_oil_2_c"] = drifted
    told_h = r.until(lambda r: r.standing("oil_doubtful"), 6.0)
    assert told_h is not None
    assert 5.0 * told_h < r.value("explained_high_c") - r.value("explained_low_c")  # both bands
    r.run(8.0 if low_k > 10 else 4.0)
    assert r.standing("oil_doubtful")
    assert r.all_run()
    assert r.value("hot_spot_c") > r.plant.hot_spot_c - 6.0
    named = r.text("oil_doubtful")
    assert "ambient_c reads high" in named or low_k > 10
    assert probes == 2 or "top_oil_c reads low" in named


@pytest.mark.parametrize("after_days", [0.0, 12.0])
def test_half_a_kelvin_a_day_is_told_before_band_plus_5_k(after_days: float) -> None:
    weather = Weather(mean_c=12.0, day_k=4.0, front_k=1.5)
    figures = nominal(sun_k=1.0, sensor_sun_k=0.5, wind_k=0.5)
    r = Rig(figures, weather, load=0.62, groups=0, step_s=1200.0)

    def swings(r: Rig) -> None:
        r.load = 0.62 + 0.12 * math.sin(2 * math.pi * r.plant.t_s / 86400.0)

    r.run(24.0 * after_days, each=swings)
    assert r.alarms() == []
    begun_s = r.plant.t_s
    r.faults["top_oil_c"] = lambda v: v - 0.5 * (r.plant.t_s - begun_s) / 86400.0
    band_k = 0.0
    for _ in range(40):
        r.run(24.0, each=swings)
        if r.standing("oil_drifts") or r.standing("oil_doubtful"):
            break
        band_k = r.band_k()
    low_k = 0.5 * (r.plant.t_s - begun_s) / 86400.0
    assert r.standing("oil_drifts") or r.standing("oil_doubtful")
    assert low_k < band_k + 5.0
    assert "T1.top_oil_c reads low" in r.text("oil_drifts") + r.text("oil_doubtful")
    told = low_k
    r.run(24.0 * 3, each=swings)
    assert r.standing("oil_drifts") or r.standing("oil_doubtful"), told


def test_a_group_of_fans_that_comes_and_goes_is_no_drift() -> None:
    """One group of two makes no mode: the expected oil is that without fans, ten kelvin too high."""
    r = Rig(nominal(one_group=0.66), Weather(mean_c=24.0, day_k=3.0), load=0.7, step_s=900.0)

    def peak_at_night(r: Rig) -> None:
        r.load = 0.72 if (r.plant.t_s / 3600) % 24 < 18 else 0.95

    r.run(24.0 * 6, each=peak_at_night)
    assert not r.standing("oil_drifts")
    assert r.state.explained is not None
    assert abs(r.state.explained.past_k[0]) < 4.0


# --- 3: cold oil in a pumped unit -----------------------------------------------------------------------


def pumped(t: dict[str, Any]) -> None:
    """Every stage is a pump with its cold-oil block."""
    for s in t["stages"]:
        s |= {"kind": "pumps", "cold_oil_block_c": 5.0}


def two_degrees(r: Rig) -> Rig:
    r.faults["top_oil_c"] = r.faults["top_oil_2_c"] = lambda _: 2.0 + r.rng.gauss(0, 0.15)
    return r


@pytest.mark.parametrize("probes", [1, 2])
def test_probes_at_two_degrees_block_no_pump(probes: int) -> None:
    """From the first sample on, so that no jump is seen; load comes while the oil reads cold."""
    r = two_degrees(Rig(edit=pumped, probes=probes, load=0.4, step_s=60.0))
    r.run(1.0).run(15.0, 1.2)
    assert r.worst_inhibited_s <= AT_MOST_S
    assert r.turning() == 3
    assert r.standing("oil_doubtful")
    assert "2." in r.text("cold_oil_doubtful") or "1." in r.text("cold_oil_doubtful")


def test_oil_that_is_cold_still_blocks_pumps() -> None:
    r = Rig(weather=Weather(mean_c=-18.0), edit=pumped, load=0.1, step_s=60.0).run(4.0)
    r.faults["HV_A.current_a"] = lambda _: None  # everything would be released
    r.run(0.2)
    assert r.plant.oil_c < 5.0
    assert r.turning() == 0
    assert not r.standing("cold_oil_doubtful")


# --- 4 and 5: currents, without an ambient too -----------------------------------------------------------


def scaled(r: Rig, factor: float, *windings: str) -> Rig:
    for w in windings or ("HV_A", "HV_B", "HV_C"):
        r.faults[f"{w}.current_a"] = lambda v: v * factor
    return r


@pytest.mark.parametrize("guide", GUIDES)
@pytest.mark.parametrize("ambient", [True, False])
@pytest.mark.parametrize("factor", [0.2, 0.0])
def test_currents_too_low_are_named_and_the_load_that_explains_the_oil_counts(
    factor: float, ambient: bool, guide: str
) -> None:
    r = scaled(loaded(ambient=ambient, guide=guide), factor).run(0.0, 1.2)
    told_h = r.until(lambda r: r.standing("load_doubtful"), 8.0)
    assert told_h is not None
    assert "HV_A.current_a, T1.HV_B.current_a, T1.HV_C.current_a reads low" in r.text("load_doubtful")
    r.run(3.0)
    assert r.worst_inhibited_s <= AT_MOST_S
    if ambient:
        assert r.value("hot_spot_c") > r.plant.hot_spot_c - 8.0


def test_idle_and_energised_is_no_doubt() -> None:
    """All currents at zero, the oil at the no-load rise: legitimate."""
    r = Rig(load=0.0, step_s=120.0).run(48.0)
    assert r.alarms() == []


@pytest.mark.parametrize("ambient", [True, False])
def test_currents_frozen_at_a_low_load(ambient: bool) -> None:
    r = loaded(0.3, 0, ambient=ambient)
    for p in "ABC":
        r.faults[f"HV_{p}.current_a"] = lambda _: 90.0 + r.rng.gauss(0, 0.3)
    r.load = 1.3
    assert r.until(lambda r: r.standing("load_doubtful"), 3.0) is not None
    r.run(5.0)
    assert r.all_run()
    assert r.worst_inhibited_s <= AT_MOST_S


@pytest.mark.parametrize(("factor", "how"), [(0.5, "reads low"), (2.0, "reads high")])
def test_one_phase_at_half_or_double_names_its_ct(factor: float, how: str) -> None:
    r = scaled(loaded(), factor, "HV_B").run(0.5)
    assert r.standing("HV_B.current_doubtful")
    assert f"HV_B.current_a {how}" in r.text("HV_B.current_doubtful")
    assert not r.standing("HV_A.current_doubtful")
    r.run(4.0)
    assert not r.standing("effectiveness_low")


def test_one_side_against_the_other() -> None:
    r = scaled(loaded(sides=2), 0.5, "LV_A", "LV_B", "LV_C").run(0.5)
    assert r.standing("load_doubtful")
    assert "LV_A.current_a, T1.LV_B.current_a, T1.LV_C.current_a reads low" in r.text("load_doubtful")
    assert "HV_A.current_a, T1.HV_B.current_a, T1.HV_C.current_a reads high" in r.text("load_doubtful")
    assert "do not tell which" in r.text("load_doubtful")


def mild_nights(mean_c: float, load: float = 0.6) -> Rig:
    """No ambient sensor; three days of a load that falls at night, in which nothing is told."""
    r = Rig(weather=Weather(mean_c=mean_c, day_k=5.0), ambient=False, load=load, step_s=600.0)
    return r.run(72.0, each=by_day)


def by_day(r: Rig) -> None:
    r.load = 0.6 + 0.15 * math.sin(2 * math.pi * r.plant.t_s / 86400.0 - 0.5)


def test_nights_bound_air_that_is_not_measured_from_below() -> None:
    """A probe that comes to read 32 K low in summer would be right only in a frost."""
    r = mild_nights(24.0)
    assert r.alarms() == []
    begun_s = r.plant.t_s
    r.faults["top_oil_c"] = lambda v: v - min(32.0, 4.0 * (r.plant.t_s - begun_s) / 3600)
    for _ in range(24):
        r.run(1.0, each=by_day)
        if r.standing("oil_doubtful"):
            break
    assert r.standing("oil_doubtful")
    r.run(24.0, each=by_day)
    again = []  # a day with a doubt teaches nothing: it comes again
    r.run(24.0, each=lambda r: (by_day(r), again.append(r.standing("oil_doubtful"))))
    assert any(again)
    del r.faults["top_oil_c"]
    r.run(24.0, each=by_day)
    assert not r.standing("oil_doubtful")
    assert not r.standing("load_doubtful")


def test_nights_bound_air_that_is_not_measured_from_above() -> None:
    """Currents at 0.58 (a transducer set for another connection) in winter: a heat wave would explain it."""
    r = mild_nights(-4.0)
    assert r.alarms() == []
    scaled(r, 1 / 3**0.5).load = 1.0
    assert r.until(lambda r: r.standing("load_doubtful"), 12.0) is not None


# --- 6: feedback -----------------------------------------------------------------------------------------


def test_a_feedback_stuck_at_one_proves_nothing_until_it_has_dropped() -> None:
    r = Rig(load=0.4, step_s=60.0)
    for s in ("stage1", "stage2", "stage3"):
        r.faults[f"{s}.feedback"] = lambda _: 1.0
    r.dead = {"stage1", "stage2", "stage3"}
    r.run(0.2)
    assert r.standing("stage1.feedback_stuck")
    r.run(6.0, 1.0)
    assert r.value("mode") == 1
    assert r.value("stage1.running") is False
    assert r.standing("cooling_insufficient")
    del r.faults["stage1.feedback"]
    r.dead.discard("stage1")
    r.run(0.2)
    assert r.value("stage1.running") is False  # never seen to drop: it is called all the time
    r.load = 0.1
    r.run(10.0)
    assert not r.standing("stage1.feedback_stuck")


def parallel(t: dict[str, Any]) -> None:
    contact = {"device": "cabinet", "table": "discrete_input", "address": 90}
    t["stages"][0]["cabinet"]["parallel_start"] = contact


def test_a_declared_parallel_start_is_no_wonder() -> None:
    for declared in (True, False):
        r = Rig(edit=parallel if declared else None, load=0.3, step_s=60.0)
        r.faults["stage1.feedback"] = lambda _: 1.0
        r.faults["stage1.parallel_start"] = lambda _: 1.0
        r.run(0.5)
        assert r.standing("stage1.feedback_stuck") is not declared
        assert r.value("stage1.running") is declared


@pytest.mark.parametrize("guide", GUIDES)
def test_motors_that_turn_by_their_feedback_only(guide: str) -> None:
    """The contactors follow the calls, so nothing is stuck; the oil shows that nothing cools."""
    r = loaded(guide=guide)
    r.dead = {"stage1", "stage2"}
    r.load = 0.62  # no criterion of the third stage is reached
    told_h = r.until(lambda r: r.standing("load_doubtful"), 4.0)
    assert told_h is not None
    assert "T1.stage1, T1.stage2 does not cool" in r.text("load_doubtful")
    assert r.until(lambda r: r.all_run(), 0.2) is not None  # the next stage as a spare
    r.run(6.0)
    assert r.all_run()
    assert r.value("hot_spot_c") > r.plant.hot_spot_c - 3.0


@pytest.mark.parametrize("allowed_s", [60.0, 300.0])
def test_fans_that_run_down_for_three_minutes_need_run_down_s(allowed_s: float) -> None:
    """Their feedback is an air-flow switch: it says running as long as they coast."""

    def coast(t: dict[str, Any]) -> None:
        for s in t["stages"]:
            s["run_down_s"] = allowed_s

    r = Rig(edit=coast, load=0.95, groups=2, step_s=30.0).run(1.0)
    assert r.turning() >= 1
    last = {}

    def coasting(name: str) -> Callable[[float], float]:
        def flow(contactor: float) -> float:
            if contactor >= 0.5:
                last[name] = r.now
            return float(r.now - last.get(name, -(10**15)) <= 180 * 10**9)

        return flow

    for n in (1, 2, 3):
        r.faults[f"stage{n}.feedback"] = coasting(f"stage{n}")
    r.run(4.0, 0.1)
    assert r.turning() == 0
    told = any("feedback_stuck" in e.subject for e in r.events)
    assert told is (allowed_s == 60.0)


# --- 7: all interlocked -----------------------------------------------------------------------------------


def test_all_interlocked_is_insufficient_cooling_and_no_text_says_that_all_are_called() -> None:
    r = loaded(0.5, 0)
    for s in ("stage1", "stage2", "stage3"):
        r.faults[f"{s}.interlock"] = lambda _: 1.0
    r.run(0.2)
    assert not r.standing("cooling_insufficient")  # nothing is asked for
    r.run(8.0, 1.3)
    assert r.plant.oil_c > 100.0
    assert r.standing("cooling_insufficient")
    assert "nothing that is asked for can run: T1.stage1 interlocked" in r.text("cooling_insufficient")
    assert "every stage is called" not in r.text("hot_spot_high")
    assert "none of 3 stages is called (stage1 interlocked" in r.text("hot_spot_high")
    one = loaded(0.5, 0)
    one.faults["stage1.interlock"] = lambda _: 1.0
    one.run(5.0, 1.0)
    assert not one.standing("cooling_insufficient")


# --- 8: held off by hand, again and again -------------------------------------------------------------------


def renewing(r: Rig, hours: float) -> list[str]:
    said = []
    for _ in range(round(hours * 6)):
        said.append(r.command("hold_off", "T1.stage1", minutes=20.0))
        r.run(1 / 6)
    return said


def test_renewing_a_hold_off_has_an_end() -> None:
    r = loaded(0.62, 0, step_s=30.0)
    r.run(3.0)
    assert not r.coils["T1.stage1"]
    assert r.plant.oil_c < 72.0
    said = renewing(r, 5.0)
    assert said[0] == ""
    assert r.standing("stage1.held_off_hot") or "held_off_hot" in str([e.subject for e in r.events])
    assert any("120 min in all" in s for s in said)
    held = sum(e.text.endswith("is held off by hand") for e in r.events)
    assert held >= 1
    assert not r.coils["T1.stage1"]


@pytest.mark.parametrize(("day_min", "held"), [(60.0, 4), (240.0, 12)])
def test_how_long_a_stage_may_be_held_off_in_a_day_is_a_setting(day_min: float, held: int) -> None:
    """Two hours of work under a fan: 20 minutes, renewed every 10."""
    r = loaded(0.5, 0, step_s=30.0, station={"hold_off_day_min": day_min})
    said = renewing(r, 2.0)
    assert said.count("") == held, said
    assert all(f"{day_min:g} min in all" in s for s in said if s)


def test_no_hold_off_half_way_to_the_alarm() -> None:
    r = loaded(1.27, 3, step_s=30.0)
    assert 78.0 < r.plant.oil_c < 90.0
    assert r.alarms() == []
    assert "half of the way to the alarm" in r.command("hold_off", "T1.stage1", minutes=5.0)
    assert not r.coils["T1.stage1"]


# --- 9 to 11 ---------------------------------------------------------------------------------------------


def test_a_phase_near_zero_does_not_come_and_go_with_the_fans() -> None:
    """Other phases at 0.22 to 0.33 pu of either mode's rating: one base, one verdict."""
    r = loaded(0.25, 0)
    r.faults["HV_A.current_a"] = lambda _: 0.0
    for _ in range(24):
        r.run(0.25)
    lost = [e for e in r.events if e.kind == "quality" and e.subject == "T1.HV_A.current_a"]
    assert len(lost) <= 1
    assert "T1.stage1.alarm_flapping" not in {e.subject for e in r.events}


def contacts(t: dict[str, Any]) -> None:
    t["energised"] = {"device": "cabinet", "table": "discrete_input", "address": 91}
    t["tap_changer"] = {
        "position": {"device": "tx", "table": "input_register", "type": "int16", "address": 60},
        "principal": 0,
        "step_percent": 1.25,
        "windings": ["HV_A", "HV_B", "HV_C"],
    }


def test_tap_contact_and_ambient_are_told_by_name() -> None:
    r = loaded(edit=contacts)
    assert r.alarms() == []
    r.faults["tap_position"] = lambda _: None
    r.faults["energised"] = lambda _: 0.0
    r.run(0.2)
    assert r.standing("tap_lost")
    assert r.standing("energised_doubtful")


@pytest.mark.parametrize("probes", [1, 2])
def test_an_ambient_20_k_high_has_an_alarm_of_its_own(probes: int) -> None:
    """It names the contradiction; two probes that agree leave nobody else."""
    r = loaded(probes=probes)
    r.faults["ambient_c"] = lambda v: v + 20.0
    assert r.until(lambda r: r.standing("ambient_doubtful"), 3.0) is not None
    assert "T1.ambient_c reads high" in r.text("oil_doubtful")
    assert "T1.ambient_c reads high" in r.text("ambient_doubtful")
    assert ("T1.top_oil_c reads low" in r.text("ambient_doubtful")) is (probes == 1)
    assert r.turning() >= 2
    del r.faults["ambient_c"]
    assert r.until(lambda r: not r.standing("ambient_doubtful"), 6.0) is not None


def test_a_constant_probe_above_the_estimate_still_counts() -> None:
    """It reads 88 for hours while the load, and with it the model, goes away."""
    r = loaded(1.35, 3)
    r.run(4.0)
    stuck = round(r.plant.oil_c + 6.0, 1)
    r.faults["top_oil_c"] = lambda _: stuck
    r.run(0.2).run(6.0, 0.6)
    assert r.plant.oil_c < 60.0
    assert r.value("top_oil_c") == pytest.approx(stuck)
    assert r.all_run()


# --- controls ----------------------------------------------------------------------------------------------


def never_told_by_nights(m: pytest.MonkeyPatch) -> None:
    m.setattr(
        explained,
        "air_between",
        lambda _was, seen: np.array((seen.ambient_low_c, seen.ambient_high_c)),
    )


def ambient_not_named(m: pytest.MonkeyPatch) -> None:
    real = belief._cold_culprits
    m.setattr(
        belief,
        "_cold_culprits",
        lambda *given: tuple(c for c in real(*given) if not c.what.endswith("ambient_c")),
    )


def never(owner: Any, name: str, value: Any) -> Callable[[pytest.MonkeyPatch], None]:
    return lambda m: m.setattr(owner, name, lambda *_: value)


def blind(m: pytest.MonkeyPatch) -> None:
    real = explained.advance

    def sees_nothing(*given: Any) -> explained.Explained:
        x = real(*given)
        return replace(x, cold=x.cold & False, hot=x.hot & False)

    m.setattr(explained, "advance", sees_nothing)


def trusting_feedback(m: pytest.MonkeyPatch) -> None:
    m.setattr(calling, "watch_uncalled", lambda cycle, s, stage, feedback: stage)


def mode_base(m: pytest.MonkeyPatch) -> None:
    """The phase rule in pu of the mode in force."""
    real = readings.compare

    def compare(cycle: Any, t: Any) -> None:
        mode = cycle.transformers[t.index].mode
        windings = tuple(replace(w, rated_a=(*w.rated_a[:-1], w.rated_a[mode])) for w in t.windings)
        real(cycle, replace(t, windings=windings))

    m.setattr(readings, "compare", compare)


CONTROLS: dict[str, tuple[Callable[[pytest.MonkeyPatch], None], Callable[[], None]]] = {
    "what reads well again counts": (
        never(readings, "on_the_way_back", None),
        lambda: test_a_probe_out_of_its_pocket_does_not_count_again("iec_60076_7", 0.0),
    ),
    "the oil is not held against anything": (
        blind,
        lambda: test_an_oil_that_drifts_low_is_told_and_the_expected_one_counts(20.0, 1, "iec_60076_7"),
    ),
    "the lower oil counts though in doubt": (
        never(temperatures, "oil_to_go_by", None),
        lambda: test_an_oil_that_drifts_low_is_told_and_the_expected_one_counts(20.0, 1, "iec_60076_7"),
    ),
    "cold oil is believed": (
        never(belief, "not_cold", ""),
        lambda: test_probes_at_two_degrees_block_no_pump(2),
    ),
    "the load is believed": (
        blind,
        lambda: test_currents_frozen_at_a_low_load(True),
    ),
    "no load is raised": (
        never(belief, "raise_values", None),
        lambda: test_currents_too_low_are_named_and_the_load_that_explains_the_oil_counts(
            0.2, True, "iec_60076_7"
        ),
    ),
    "phases are not compared": (
        never(belief, "odd_phase", None),
        lambda: test_one_phase_at_half_or_double_names_its_ct(0.5, "reads low"),
    ),
    "sides are not compared": (never(belief, "sides_apart", None), test_one_side_against_the_other),
    "a feedback is always believed": (
        trusting_feedback,
        test_a_feedback_stuck_at_one_proves_nothing_until_it_has_dropped,
    ),
    "no effect is asked for": (
        never(belief, "accused_stages", frozenset()),
        lambda: test_motors_that_turn_by_their_feedback_only("iec_60076_7"),
    ),
    "a blocked stage is not asked for": (
        never(conditions, "what_is_called", ""),
        test_all_interlocked_is_insufficient_cooling_and_no_text_says_that_all_are_called,
    ),
    "every day is new": (never(hold_off, "left_today_min", 1e9), test_renewing_a_hold_off_has_an_end),
    "no temperature ends a hold-off": (
        never(hold_off, "too_hot", ""),
        test_no_hold_off_half_way_to_the_alarm,
    ),
    "phases in pu of the mode": (mode_base, test_a_phase_near_zero_does_not_come_and_go_with_the_fans),
    "no contradiction is told": (
        never(conditions, "doubt_conditions", None),
        test_tap_contact_and_ambient_are_told_by_name,
    ),
    "nights teach nothing of a cold probe": (
        never_told_by_nights,
        test_nights_bound_air_that_is_not_measured_from_below,
    ),
    "nights teach nothing of low currents": (
        never_told_by_nights,
        test_nights_bound_air_that_is_not_measured_from_above,
    ),
    "a bias is taken at once": (
        lambda m: m.setattr(explained, "CLEAR_TAUS", 0.0),
        test_a_group_of_fans_that_comes_and_goes_is_no_drift,
    ),
    "nobody suspects the ambient": (
        ambient_not_named,
        lambda: test_an_ambient_20_k_high_has_an_alarm_of_its_own(2),
    ),
    "a constant probe is dropped": (
        never(temperatures, "higher_than_expected", None),
        test_a_constant_probe_above_the_estimate_still_counts,
    ),
}


@pytest.mark.parametrize("name", sorted(CONTROLS))
def test_control(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    breaks, scenario = CONTROLS[name]
    breaks(monkeypatch)
    with pytest.raises(AssertionError):
        scenario()
