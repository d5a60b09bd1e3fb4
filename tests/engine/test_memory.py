"""The step's memory: same inputs, same outcome; checkpoint and reload lose nothing; time only goes on."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from station_script import Bad, Station, base, settings

from collector import engine
from collector.messages import Inputs, Outcome
from collector.points import catalogue
from collector.quality import GOOD, Detail, Quality, Reading, Validity, invalid


def eventful(s: Station) -> list[Outcome]:
    """A while with starts, a lost input, a command, a broken fan and a reload of nothing."""
    seen: list[Outcome] = []

    def run(seconds: float) -> None:
        end = s.now + int(seconds * 1e9)
        while s.now < end:
            seen.append(s.cycle(3.7))

    run(60)
    s.set(oil=62.5, amps=170.0)
    s.broken.add("stage1")
    run(120)
    s.set(HV_B__current_a=Bad())
    run(60)
    s.command("substitute", "T1.ambient_c", value=31.25, minutes=5.0)
    s.command("shelve", "T1.alarm_ambient_lost", minutes=5.0)
    s.set(HV_B__current_a=151.0, oil=97.3)
    run(100)
    s.command("hold_off", "T1.stage1", minutes=5.0)
    return seen


def test_the_same_inputs_give_the_same_outcome() -> None:
    a, b = Station(), Station()
    assert eventful(a) == eventful(b)
    assert engine.checkpoint(a.state) == engine.checkpoint(b.state)
    assert any(e.kind == "stage" for e in a.events)


def test_a_step_changes_neither_state_nor_inputs() -> None:
    s = Station()
    eventful(s)
    before = engine.checkpoint(s.state)
    s.now += 10**9
    inputs = s.inputs()
    first = engine.step(s.state, s.plan, inputs)
    second = engine.step(s.state, s.plan, inputs)
    assert engine.checkpoint(s.state) == before
    assert first[1] == second[1]
    assert engine.checkpoint(first[0]) == engine.checkpoint(second[0])


def test_a_checkpoint_survives_to_the_bit() -> None:
    s = Station()
    eventful(s)
    saved = engine.checkpoint(s.state)
    back = engine.restore(s.plan, saved, engine.Gap(True, 0.0, s.now))
    again = json.loads(engine.checkpoint(back))
    first = json.loads(saved)
    for key in ("inputs", "transformers", "alarms", "windings", "substitutes", "alarm_count", "sequence"):
        assert again[key] == first[key], key
    for stage, told in first["stages"].items():
        assert again["stages"][stage] | {"adopted": True} == told


def test_a_step_after_restore_goes_on_where_it_was() -> None:
    s = Station(oil=64.0, amps=180.0).run(3600, 10.0)
    life, hours = s.value("HV_A.loss_of_life_h"), s.value("stage1.run_hours")
    hot = s.value("hot_spot_c")
    assert hours > 0.5
    s.restart(20.0, release=False).run(2)
    assert s.value("HV_A.loss_of_life_h") >= life
    assert s.value("stage1.run_hours") >= hours
    assert s.value("hot_spot_c") == pytest.approx(hot, abs=0.05)
    assert s.value("stage1.starts") == 1
    assert s.called(1)


def test_a_long_restart_is_no_lost_input() -> None:
    s = Station(oil=45.0).run(300)
    s.set(HV_B__current_a=Bad()).run(60)
    assert s.alarm("HV_B.current_lost") == "unacknowledged"
    s.restart(600.0, release=False)
    good, s.polled = dict(s.values), False
    s.values = {name: Bad(Detail.OLD_DATA, "not read yet") for name in good}
    s.run(6)
    s.values, s.polled = good, True
    s.cycle()
    assert s.value("top_oil_c") == 45.0
    assert s.quality("top_oil_c").is_good
    standing = {a.id for a in engine.alarm_list(s.state, s.plan)}
    assert standing == {"T1.HV_B.alarm_current_lost"}  # that one was lost before, and still is
    s.set(HV_B__current_a=100.0).run(2)
    assert s.quality("HV_B.current_a").is_substituted
    s.run(60)
    assert s.quality("HV_B.current_a").is_good


def test_an_unknown_gap_is_counted_apart_and_ends_a_hold_off() -> None:
    s = Station(oil=64.0).run(600)
    s.command("hold_off", "T1.stage1", minutes=50.0)
    assert s.called()
    saved = engine.checkpoint(s.state)
    s.now = 5 * 10**9  # another boot: monotonic time begins anew
    s.state = engine.restore(s.plan, saved, engine.Gap(False, 7200.0, s.now))
    s.coils = dict.fromkeys(s.coils, False)
    s.run(4)
    assert s.value("unmonitored_h") == pytest.approx(2.0, abs=0.01)
    assert s.called(1, 2, 3)


@pytest.mark.parametrize(
    "data",
    [b"", b"{", b"[]", b"{}", b'{"format":1}', b'{"format":99}', b"\xff\xfe", b"null"],
)
def test_a_damaged_checkpoint_is_refused(data: bytes) -> None:
    plan = engine.build(settings())
    with pytest.raises(ValueError, match="checkpoint"):
        engine.restore(plan, data, engine.Gap(True, 1.0, 10**12))


def test_every_cut_or_flipped_checkpoint_is_refused_or_usable() -> None:
    s = Station(oil=64.0).run(100)
    saved = engine.checkpoint(s.state)
    gap = engine.Gap(True, 1.0, s.now + 10**9)
    refused = 0
    for at in range(0, len(saved), 97):
        for data in (saved[:at], saved[:at] + bytes([saved[at] ^ 1]) + saved[at + 1 :]):
            try:
                state = engine.restore(s.plan, data, gap)
            except ValueError:
                refused += 1
                continue
            assert isinstance(state, engine.State)
    assert refused > 50


def grown(tree: dict[str, Any]) -> None:
    """Another transformer first, another stage, stage 2 picks up later."""
    t2 = base()["transformers"][0] | {"id": "T2", "number": 2}
    for n, stage in enumerate(t2["stages"]):
        stage["relay"]["coil"] = 20 + n
    t1 = tree["transformers"][0]
    extra = base()["transformers"][0]["stages"][2]
    extra |= {"id": "stage4", "number": 4, "relay": {"device": "relays", "coil": 9}}
    t1["stages"].insert(0, extra)
    t1["stages"][2]["pickup"] = {"top_oil_c": 75.0}
    tree["transformers"].insert(0, t2)


def test_a_reload_keeps_state_timers_alarms_and_loss_of_life() -> None:
    s = Station(oil=64.0, amps=180.0).run(900)
    s.set(HV_A__current_a=Bad()).run(20)
    life, hours = s.value("HV_B.loss_of_life_h"), s.value("stage1.run_hours")
    before = {a.id: a for a in engine.alarm_list(s.state, s.plan)}
    assert before
    s.reload(grown)
    assert {a.id: a for a in engine.alarm_list(s.state, s.plan)} == before
    told = json.loads(engine.checkpoint(s.state))["stages"]
    assert told["T1.stage1"]["run_ns"] == round(hours * 3600e9)
    assert told["T1.stage1"]["stage"]["starts"]
    assert told["T2.stage1"]["run_ns"] == 0
    outcome = s.cycle()
    assert s.value("HV_B.loss_of_life_h") >= life > 0
    assert any(e.kind == "reload" for e in outcome.events)
    assert s.value("stage1.called") is True
    assert outcome.values["T2.stage1.called"].value is True  # read back as released: adopted so


def test_settings_changed_while_down_keep_loss_of_life() -> None:
    s = Station(oil=64.0, amps=180.0).run(900)
    life = s.value("HV_B.loss_of_life_h")
    saved = engine.checkpoint(s.state)

    def edit(tree: dict[str, Any]) -> None:
        tree["transformers"][0]["windings"].reverse()
        tree["transformers"][0]["stages"][0]["pickup"]["top_oil_c"] = 62.0

    plan = engine.build(settings(edit), "new")
    state = engine.restore(plan, saved, engine.Gap(True, 30.0, s.now + 30 * 10**9))
    s.settings, s.plan, s.state, s.now = settings(edit), plan, state, s.now + 30 * 10**9
    s.cycle()
    assert s.value("HV_B.loss_of_life_h") >= life > 0


def test_time_must_go_on() -> None:
    s = Station().run(4)
    with pytest.raises(ValueError, match="time must increase"):
        engine.step(s.state, s.plan, s.inputs())


def test_every_point_of_the_catalogue_has_a_value() -> None:
    s = Station().run(4)
    assert s.outcome is not None
    assert {p.id for p in catalogue(s.settings)} <= set(s.outcome.values)


ODD = [math.nan, math.inf, -math.inf, 1e308, -1e308, 5e-324, -0.0, None]


@pytest.mark.parametrize("value", ODD)
@pytest.mark.parametrize("quality", [GOOD, invalid(Detail.FAILURE), Quality(Validity.QUESTIONABLE)])
def test_no_odd_reading_raises_or_spreads(value: float | None, quality: Quality) -> None:
    s = Station().run(20)
    for name in list(s.readings()):
        s.now += 10**9
        readings = dict(s.readings())
        readings[name] = Reading(value, quality, s.now, "", "odd")
        inputs = Inputs(s.now, readings, polled=True, settings_hash="hash")
        s.state, outcome = engine.step(s.state, s.plan, inputs)
        for point, told in outcome.values.items():
            assert told.value is None or math.isfinite(told.value), point  # type: ignore[arg-type]
            assert told.value is not None or told.quality.is_invalid, point
        json.loads(engine.checkpoint(s.state), parse_constant=lambda c: pytest.fail(c))


def test_an_empty_station_of_readings_runs_everything() -> None:
    s = Station()
    s.now += 10**9
    _, outcome = engine.step(s.state, s.plan, Inputs(s.now, {}, polled=True))
    assert set(outcome.decision.energise.values()) == {False}


def test_peaks_keep_their_time_until_reset() -> None:
    s = Station().run(20).set(oil=72.0).run(20)
    s.set(oil=50.0).run(20)
    assert s.value("peak_top_oil_c") == pytest.approx(72.0, abs=0.5)
    assert s.command("reset_peaks", "T1") == ""
    s.run(4)
    assert s.value("peak_top_oil_c") < 60
    reset = next(e for e in s.events if "peaks reset" in e.text)
    assert reset.data["top_oil_c"] == pytest.approx(72.0, abs=0.5)


LIFE = ("loss_of_life_h", "loss_of_life_low_h", "loss_of_life_high_h", "loss_of_life_percent")


def life_is_good(s: Station, winding: str = "HV_A") -> bool:
    told = {s.quality(f"{winding}.{name}").is_good for name in LIFE}
    assert len(told) == 1
    return told.pop()


def test_a_start_alone_leaves_loss_of_life_good() -> None:
    s = Station().run(60)
    assert s.quality("HV_A.hot_spot_c").validity is Validity.QUESTIONABLE  # 3 tau_o/k22 are not over
    assert life_is_good(s)
    assert s.state.transformers[0].doubtful_s == (0.0, 0.0, 0.0)


def test_loss_of_life_is_questionable_while_more_than_a_hundredth_of_its_time_was_doubtful() -> None:
    s = Station().run(3600, 20.0)
    s.set(HV_A__current_a=Bad()).run(30)  # one winding's current is assumed
    doubtful_s = s.state.transformers[0].doubtful_s
    assert 20.0 < doubtful_s[0] < 35.0
    assert doubtful_s[1:] == (0.0, 0.0)
    assert life_is_good(s)
    s.run(60)
    assert not life_is_good(s, "HV_A")
    assert life_is_good(s, "HV_B")
    s.set(HV_A__current_a=100.0).run(60)
    doubtful_s = s.state.transformers[0].doubtful_s
    s.run(99.0 * doubtful_s[0] - 3900.0, 20.0)
    assert not life_is_good(s)  # nearly a hundred times as long
    s.run(400, 20.0)
    assert s.state.transformers[0].doubtful_s == doubtful_s
    assert life_is_good(s)


def test_doubtful_time_survives_a_checkpoint_and_a_reload_bit_by_bit() -> None:
    s = Station().run(20).set(oil=Bad()).run(20, 1.1)
    held = s.state.transformers[0].doubtful_s
    assert min(held) > 0.0
    saved = engine.checkpoint(s.state)
    assert engine.thaw(s.plan, saved).transformers[0].doubtful_s == held
    assert engine.restore(s.plan, saved, engine.Gap(True, 5.0, s.now)).transformers[0].doubtful_s == held
    assert engine.migrate(s.state, s.plan, s.plan).transformers[0].doubtful_s == held
    old = json.loads(saved)  # as written before the time was counted
    for w in old["windings"].values():
        del w["doubtful_s"]
        w["doubted"] = True
    back = engine.restore(s.plan, json.dumps(old).encode(), engine.Gap(True, 5.0, s.now))
    assert back.transformers[0].doubtful_s == (0.0, 0.0, 0.0)


def test_a_bridged_gap_is_doubtful_time() -> None:
    s = Station().run(600)
    s.restart(60.0).run(10)
    assert 60.0 <= s.state.transformers[0].doubtful_s[0] <= 75.0
    assert not life_is_good(s)
