"""For each reason a stage can have, and for alarms, modes and values: a scenario and what is said of it.

The sentences are judged by the figures and names that must stand in them.
"""

# ruff: noqa: E501  (a table: one rule, its words)
from __future__ import annotations

import re
import sqlite3
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from recorded import WALL_NS, Recorded
from station_script import Bad

from collector.commands.main import main
from collector.explain import ExplainError, explain
from collector.points import CALL_REASONS
from collector.record.reader import Record

Edit = Callable[[dict[str, Any]], object] | None


def told(s: Recorded, subject: str, at_ns: int | None = None) -> str:
    with Record(s.close()) as record:
        lines = explain(record, subject, at_ns)
    text = "\n".join(lines)
    print(text)
    assert ".." not in text
    assert "None" not in text
    return text


@dataclass(frozen=True)
class Case:
    """A scenario; `subject` is explained at its end, and every one of `says` must stand in it."""

    name: str
    subject: str
    says: tuple[str, ...]
    play: Callable[[Recorded], object]
    edit: Edit = None
    reason: str = ""
    polled: bool = True
    oil: float = 40.0
    ambient: float = 20.0


def interlock(tree: Any) -> None:
    wired = {"device": "cabinet", "table": "discrete_input", "address": 31}
    tree["transformers"][0]["stages"][0]["cabinet"]["interlock"] = wired


def pumps(tree: Any) -> None:
    t = tree["transformers"][0]
    t["stages"][0]["needs_stage"] = "stage3"
    limits = {"pickup": {"top_oil_c": 90.0}, "dropout": {"top_oil_c": 80.0}}
    t["stages"][2] |= {"kind": "pumps", "cold_oil_block_c": 0.0, **limits}
    t["modes"][1]["needs"] = ["stage1"]


def exercised(tree: Any) -> None:
    tree["transformers"][0]["stages"][1] |= {"exercise_every_h": 2.0, "minimum_run_s": 60.0}


def few_starts(tree: Any) -> None:
    tree["transformers"][0]["stages"][0] |= {"max_starts_per_h": 2, "minimum_run_s": 60.0}


def flapping(tree: Any) -> None:
    tree["station"] |= {"return_hold_s": 10.0, "max_releases_per_h": 3}
    for stage in tree["transformers"][0]["stages"]:
        stage |= {"minimum_run_s": 10.0, "max_starts_per_h": 60}


def flap(s: Recorded) -> None:
    s.run(20)
    for _ in range(4):
        s.set(oil=Bad()).run(8)
        s.set(oil=40.0).run(60)


def start_twice(s: Recorded) -> None:
    for _ in range(2):
        s.set(oil=61.0).run(60)
        s.set(oil=45.0).run(120)


def broken_stage(s: Recorded) -> None:
    s.broken.add("stage1")
    s.set(oil=61.0).run(60)


def long_quiet(tree: Any) -> None:
    """The first proof of the module's own timeout comes after eighteen minutes."""
    tree["devices"][2]["relay_module"]["proof_interval_days"] = 0.05


def proven(s: Recorded) -> None:
    s.run(40).run(1080, 60.0)
    while not any(e.data.get("proof") == "proven" for e in s.events):
        s.cycle(2.0)


def failed_proof(s: Recorded) -> None:
    s.no_timeout.add("relays")
    s.run(40).run(1080, 60.0).run(60)


def stalled(s: Recorded) -> None:
    s.run(60)
    s.frozen_reads = {name.removeprefix("T1."): reading for name, reading in s.readings().items()}
    s.cycle(15.0)


def silent_module(s: Recorded) -> None:
    s.run(60)
    s.link_down = set(s.ids)
    s.run(14)


def stuck_output(s: Recorded) -> None:
    """Stage 1 is called, its relay stays energised, also after its module's time-out must have passed."""
    s.run(60)
    s.set(oil=62.0).run(60)
    s.disobeys["T1.stage1"] = "stuck"
    s.run(14)


def came_back(s: Recorded) -> None:
    s.run(60)
    s.set(oil=Bad()).run(20)
    s.set(oil=40.0).run(700 - 420)


def not_trusted(s: Recorded) -> None:
    """The minimum run is over before the return is trusted."""
    s.run(60)
    s.set(oil=Bad()).run(400)
    s.set(oil=40.0).run(100)


def short_run(tree: Any) -> None:
    for stage in tree["transformers"][0]["stages"]:
        stage["minimum_run_s"] = 60.0


def phases_compared(tree: Any) -> None:
    tree["transformers"][0]["lost_inputs"]["phase_unbalance_pu"] = 0.2


CASES = [
    Case(
        "off", "T1.stage1",
        ("held off", "No criterion has reached its pickup", "top oil 40.0 °C (pickup 60.0 °C, dropout 50.0 °C",
         "it starts when top oil reaches 60.0 °C (now 40.0 °C)", "after 30 s", "Its feedback shows it at rest"),
        lambda s: s.run(60), reason="automatic",
    ),
    Case(
        "pickup delay", "T1.stage1",
        ("held off", "Top oil 61.0 °C has reached its pickup of 60.0 °C", "the pickup delay of 30 s runs",
         "it starts at 12:00:42Z"),
        lambda s: s.run(10).set(oil=61.0).run(10),
    ),
    Case(
        "called", "T1.stage1",
        ("called, its relay is released", "since 12:00:42Z", "Rule: automatic",
         "Top oil 61.0 °C has reached its pickup of 60.0 °C", "proves it running",
         "it drops out when top oil is below 50.0 °C (now 61.0 °C) and hot spot is below 65.0 °C",
         "not before 12:10:42Z (minimum run)"),
        lambda s: s.run(10).set(oil=61.0).run(60), reason="automatic",
    ),
    Case(
        "between the limits", "T1.stage1",
        ("It was called before", "top oil 55.0 °C is not below its dropout of 50.0 °C",),
        lambda s: s.set(oil=61.0).run(60).set(oil=55.0).run(700, 10.0), reason="automatic",
    ),
    Case(
        "queued", "T1.stage2",
        ("waits its turn", "it starts at"),
        lambda s: s.run(10).set(oil=75.0).run(34),
    ),
    Case(
        "forced on", "T1.stage2",
        ("An operator forced it on, until 12:", "By tester (local) at 2026-07-14T12:00:", "`automatic` or the end"),
        lambda s: (s.run(10), s.command("force_on", "T1.stage2", minutes=30.0), s.run(10)),
        reason="forced on",
    ),
    Case(
        "held off by hand", "T1.stage1",
        ("held off", "An operator holds it off until 12:30:", "By tester", "at alarm temperature"),
        lambda s: (s.run(10), s.command("hold_off", "T1.stage1", minutes=30.0), s.set(oil=61.0).run(60)),
        reason="held off by hand",
    ),
    Case(
        "interlocked", "T1.stage1",
        ("held off", "stop interlock", "the interlock clears", "At the cabinet, its stop interlock is active"),
        lambda s: s.run(4).set(oil=61.0, stage1__interlock=1.0).run(60), interlock, reason="interlocked",
    ),
    Case(
        "cold oil", "T1.stage3",
        ("held off", "-5.0 °C is cold", "pumps stay off below 0 °C, until it has risen to 2 °C"),
        lambda s: s.run(10).set(HV_A__current_a=Bad()).run(10), pumps, reason="cold-oil block",
        oil=-5.0, ambient=-10.0,
    ),
    Case(
        "input lost", "T1.stage3",
        ("called", "T1.top_oil_c does not count: sentinel 0x7FFF, lost since 12:01:04Z",
         "every stage of T1 runs", "come back and stay good for 10 s"),
        lambda s: s.run(60).set(oil=Bad()).run(20), reason="released: input lost",
    ),
    Case(
        "alarm temperature", "T1.stage3",
        ("Top oil 96.0 °C is above its high limit of 95 °C", "top oil below 92 °C end the release"),
        lambda s: s.run(60).set(oil=96.0).run(20), reason="released: alarm temperature",
    ),
    Case(
        "flapping", "T1.stage1",
        ("more than 3 times within an hour (4 in the last one)", "acknowledging the flapping"),
        flap, flapping, reason="released: flapping",
    ),
    Case(
        "starting", "T1.stage1",
        ("not every device has been polled", "every device has been polled; then"),
        lambda s: s.run(40), reason="starting", polled=False,
    ),
    Case(
        "spare", "T1.stage2",
        ("It stands in for T1.stage1 (not proven)", "the other stage is proven running"),
        broken_stage, reason="spare for a stage that is not proven",
    ),
    Case(
        "not proven", "T1.stage1",
        ("It is called but not proven running within 10 s",),
        broken_stage, reason="automatic",
    ),
    Case(
        "pump", "T1.stage3",
        ("T1.stage1 needs this pump", "its fans are no longer called"),
        lambda s: s.set(oil=61.0).run(60), pumps, reason="pump for its fans",
    ),
    Case(
        "exercise", "T1.stage2",
        ("It is exercised until 14:0",),
        lambda s: s.run(7200, 60.0).run(60), exercised, reason="exercise",
    ),
    Case(
        "pre-cooling", "T1.stage1",
        ("A load of 1.3 pu is expected from 12:30:", "to 14:30:", "it would bring top oil to",
         "the end of the expected load, or `windingd status --end-expect-load T1`"),
        lambda s: (
            s.run(10), s.command("expect_load", "T1", value=1.3, after_min=30.0, minutes=120.0), s.run(30)
        ),
        reason="pre-cooling",
    ),
    Case(
        "in doubt", "T1.stage1",
        ("A reading is in doubt, so that nothing stops",),
        lambda s: s.set(oil=61.0, HV_B__current_a=200.0).run(700, 10.0).set(oil=45.0).run(100),
        phases_compared, reason="kept on: a reading is in doubt",
    ),
    Case(
        "minimum run", "T1.stage1",
        ("Every criterion is below dropout, but its minimum run lasts until 12:10:32Z",
         "not before 12:10:32Z (minimum run)"),
        lambda s: s.set(oil=61.0).run(60).set(oil=45.0).run(100), reason="minimum run",
    ),
    Case(
        "starts per hour", "T1.stage1",
        ("it has started 2 times within an hour (limit 2)", "not before 13:00:", "(starts per hour)"),
        start_twice, few_starts, reason="minimum run",
    ),
    Case(
        "not yet trusted", "T1.stage1",
        ("so that it runs, since 12:01:04Z", "came back only lately", "(return not yet trusted)"),
        not_trusted, short_run, reason="released: return not yet trusted",
    ),
    Case(
        "module lost", "T1.stage2",
        ("Its relay module relays is not under control", "the module relays answers"),
        silent_module, reason="released: output module lost",
    ),
    Case(
        "another output stuck", "T1.stage2",
        ("An output of T1 that is to be released is not", "that output is released and reads back so"),
        stuck_output, reason="released: another output does not obey",
    ),
    Case(
        "failed its proof", "T1.stage1",
        ("relays did not release by its own timeout when it was left unfed", "until somebody confirms it"),
        failed_proof, long_quiet, reason="released: its module failed the proof",
    ),
    Case(
        "let go in a proof", "T1.stage1",
        ("relays has just been left unfed and has released it by its own timeout",),
        proven, long_quiet, reason="released: its module has let go in a proof",
    ),
    Case(
        "stall", "T1.stage2",
        ("No decision was made for a while", "not read since then: T1.top_oil_c, T1.ambient_c, T1.HV_A"),
        stalled, reason="released: not read since a stall",
    ),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_each_reason_is_told_with_its_values(case: Case, tmp_path: Path) -> None:
    s = Recorded(tmp_path, case.edit, polled=case.polled, oil=case.oil, ambient=case.ambient)
    case.play(s)
    if case.reason:
        assert s.reason(case.subject.removeprefix("T1.")) == case.reason
    text = told(s, case.subject)
    for words in case.says:
        assert words in text, words


def test_every_reason_of_the_catalogue_has_its_scenario() -> None:
    assert {c.reason for c in CASES} - {""} == set(CALL_REASONS)


def test_the_past_is_explained_by_what_was_known_then(tmp_path: Path) -> None:
    s = Recorded(tmp_path).run(60)
    then = s.wall_ns()
    s.set(oil=61.0).run(60)
    assert "No criterion has reached its pickup" in told(s, "T1.stage1", then)


def test_a_time_without_steps_is_told_by_the_step_before_and_says_so(tmp_path: Path) -> None:
    s = Recorded(tmp_path).run(60)
    text = told(s, "T1.stage1", s.wall_ns() + 3600 * 10**9)
    assert text.startswith("No step is recorded at 2026-07-14T13:01:00.000Z; this is the last one before it.")


def test_an_alarm_is_told_with_limit_and_action(tmp_path: Path) -> None:
    text = told(Recorded(tmp_path).run(30).set(oil=96.0).run(30), "T1.alarm_top_oil_high")
    assert "unacknowledged; its condition is present" in text
    assert "Limit 95 °C (gone below 92 °C); now 96.0 °C" in text
    assert "prepare to reduce load" in text
    assert "raised when its condition has been there for 5 s" in text


def test_an_alarm_in_its_delay_and_a_shelved_one(tmp_path: Path) -> None:
    s = Recorded(tmp_path).run(30).set(oil=96.0).run(4)
    text = told(s, "T1.alarm_top_oil_high")
    assert "normal; its condition is not present" in text
    assert "it is raised at 12:00:3" in text


def test_a_shelved_alarm_says_by_whom_and_until_when(tmp_path: Path) -> None:
    s = Recorded(tmp_path).run(30).set(oil=96.0).run(30)
    assert s.command("shelve", "T1.alarm_top_oil_high", minutes=60.0) == ""
    text = told(s.run(10), "T1.alarm_top_oil_high")
    assert "shelved until 13:01:" in text
    assert "by tester" in text


def test_an_alarm_suppressed_by_design(tmp_path: Path) -> None:
    s = Recorded(tmp_path).run(30)
    s.down["oil_tx"] = "no answer within 1.0 s"
    text = told(s.run(60), "T1.alarm_top_oil_lost")
    assert "suppressed by design" in text


def test_the_mode_and_why_not_a_stronger_one(tmp_path: Path) -> None:
    s = Recorded(tmp_path)
    s.broken.add("stage2")
    text = told(s.set(oil=75.0).run(120), "T1.mode")
    assert "cooling mode ONAN in force" in text
    assert "stage1 running, stage2 not proven" in text
    assert "ONAF is not in force because stage2 is not proven running" in text


def test_the_mode_in_force_and_what_ends_it(tmp_path: Path) -> None:
    text = told(Recorded(tmp_path).set(oil=75.0).run(120), "T1.mode")
    assert "cooling mode ONAF in force, since 2026-07-14T12:00:" in text
    assert "ONAF ends when stage1 or stage2 is no longer proven running" in text


def test_the_weakest_mode_says_what_would_change_it(tmp_path: Path) -> None:
    text = told(Recorded(tmp_path).run(1200), "T1.mode")
    assert "cooling mode ONAN in force" in text
    assert "What would change it: the stages of another mode are proven running." in text


def test_a_lost_measurement(tmp_path: Path) -> None:
    s = Recorded(tmp_path).run(30).set(HV_B__current_a=Bad(reason="sentinel 0x7FFF"))
    text = told(s.run(30), "T1.HV_B.current_a")
    assert "it does not count since 12:00:3" in text
    assert "sentinel 0x7FFF" in text
    assert "In its place stands" in text
    assert "Last plausible value 100.00" in text
    assert "good readings for 10 s" in text


def test_a_measurement_on_its_way_back(tmp_path: Path) -> None:
    s = Recorded(tmp_path).run(30).set(oil=Bad()).run(30).set(oil=40.0).run(4)
    assert "it is good again and counts from 12:01:1" in told(s, "T1.top_oil_c")


def test_a_measurement_that_counts(tmp_path: Path) -> None:
    text = told(Recorded(tmp_path).run(30), "T1.top_oil_c")
    assert "40.00 °C, quality good; it counts" in text
    assert "older than 30 s" in text


def test_a_contact_is_told_in_words(tmp_path: Path) -> None:
    text = told(Recorded(tmp_path).run(30), "T1.stage1.feedback")
    assert "no, quality good; it counts" in text
    assert re.search(r"Read from \w+ at [\d:]+Z: no, quality good", text)


def test_a_small_ageing_rate_is_not_told_as_nothing(tmp_path: Path) -> None:
    text = told(Recorded(tmp_path).run(30), "T1.HV_A.ageing_rate")
    rate = re.search(r"Z: (\S+), quality", text)
    assert rate is not None
    assert 0.0 < float(rate[1]) < 0.1


def test_a_doubted_hot_spot_names_the_input_behind_it(tmp_path: Path) -> None:
    s = Recorded(tmp_path).run(30).set(HV_A__current_a=Bad()).run(30)
    text = told(s, "T1.HV_A.hot_spot_c")
    assert "T1.HV_A.current_a does not count" in text
    assert "hot spots are questionable until it has settled, at" in text


def test_an_unknown_subject_names_the_nearest(tmp_path: Path) -> None:
    with Record(Recorded(tmp_path).run(4).close()) as record, pytest.raises(ExplainError, match=r"T1\.stage"):
        explain(record, "T1.stag2")


def without_journal(path: Path) -> None:
    with sqlite3.connect(path) as conn:
        for table in ("journal", "journal_blocks", "snapshots"):
            conn.execute(f"DELETE FROM {table}")


def test_without_its_journal_the_events_tell(tmp_path: Path) -> None:
    path = Recorded(tmp_path).run(10).set(oil=61.0).run(60).close()
    without_journal(path)
    with Record(path) as record:
        text = "\n".join(explain(record, "T1.stage1"))
        print(text)
        assert "The journal does not tell" in text
        assert "top oil 61.0" in text
        assert "Limits then: top oil pickup 60.0, dropout 50.0; hot spot pickup 75.0, dropout 65.0" in text
        with pytest.raises(ExplainError, match="no event about"):
            explain(record, "T1.alarm_trip")


def test_the_command_prints_and_refuses_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = Recorded(tmp_path).run(10).close()
    assert main(["explain", str(tmp_path), "T1.stage1", "--at", "2026-07-14T12:00:08Z"]) == 0
    assert "T1.stage1 at 2026-07-14T12:00:08Z: held off" in capsys.readouterr().out
    for arguments, status, words in (
        ([str(path), "T1.nothing"], 1, "no stage, alarm, measurement or point"),
        ([str(path), "T1.stage1", "--at", "14.7.2026"], 64, "is not a time"),
        ([str(path), "T1.stage1", "--at", "2026-07-14T12:00:08"], 64, "does not say which time it is"),
        ([str(tmp_path / "none.sqlite"), "T1.stage1"], 1, "no such file"),
    ):
        assert main(["explain", *arguments]) == status
        message = capsys.readouterr().err
        assert words in message
        assert message.count("\n") == 1


def test_damage_is_told_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = Recorded(tmp_path).run(60).close()
    with sqlite3.connect(path) as conn:
        conn.execute("UPDATE snapshots SET data = x'789c0102030405'")
    for arguments in (["explain", str(path), "T1.stage1"], ["replay", str(path), "--journal"]):
        assert main(arguments) == 1
        message = capsys.readouterr().err
        assert "damaged (" in message
        assert "may still be readable" in message
        assert message.count("\n") == 1


def test_a_replay_that_differs_from_the_record_is_said_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As after a change of the rules: the recorded digests are those of another program."""
    s = Recorded(tmp_path).run(60)
    s.snapshot()
    path = s.run(20).close()
    with Record(path) as record:
        assert "differs" not in explain(record, "T1.stage1")[0]
    with sqlite3.connect(path) as conn:
        conn.execute("UPDATE runs SET version = '0.0.1'")
        for identity, data in conn.execute("SELECT id, data FROM snapshots").fetchall():
            text = zlib.decompress(data).decode()
            hot = re.search(r'"z":\[([\d.]+)', text)
            if hot is not None:
                text = text.replace(hot[0], f'"z":[{float(hot[1]) + 1.0!r}')
            conn.execute("UPDATE snapshots SET data = ? WHERE id = ?", (zlib.compress(text.encode()), identity))
    with Record(path) as record:
        assert "The replay differs from the record in" in explain(record, "T1.stage1")[0]
    main(["replay", str(path), "--journal"])
    assert "recorded by windingd 0.0.1, replayed by" in capsys.readouterr().out


def test_a_current_that_nothing_measures_names_its_source(tmp_path: Path) -> None:
    """A winding without a transducer of its own: calculated from another one by the ratio."""

    def derived(tree: Any) -> None:
        first, second, third = tree["transformers"][0]["windings"]
        del first["phase"], second["phase"], third["phase"], third["current"]
        third["derived_current"] = {"factors": {"HV_A": 2.5}}

    s = Recorded(tmp_path, derived)
    s.run(30.0)
    text = told(s, "T1.HV_C.current_a")
    assert "No transducer measures it: it is calculated from the current of T1.HV_A." in text


def test_a_stage_that_ran_before_it_was_called(tmp_path: Path) -> None:
    """At a start the stages run already: the feedback is no contradiction to the call."""
    s = Recorded(tmp_path, held=False, oil=40.0)
    s.cycle(2.0)
    text = told(s, "T1.stage1")
    assert "called, its relay is released" in text
    assert "although it is not called" not in text
    assert "uncalled" not in text


def test_why_a_criterion_is_questionable_is_told_with_the_stage(tmp_path: Path) -> None:
    s = Recorded(tmp_path, oil=40.0)
    s.run(60.0)
    text = told(s, "T1.stage1")
    assert "°C, quality questionable:inaccurate (pickup 75.0 °C" in text
    assert "hot spots are questionable until it has settled, at" in text


def test_an_alarm_that_has_gone_unacknowledged(tmp_path: Path) -> None:
    s = Recorded(tmp_path, oil=97.0)
    s.run(60.0).set(oil=60.0).run(120.0)
    text = told(s, "T1.alarm_top_oil_high")
    assert "returned-unacknowledged; its condition has gone, and nobody has acknowledged it yet" in text
    assert "What would change it: acknowledging it makes it normal" in text


def test_before_the_record_begins_is_said(tmp_path: Path) -> None:
    s = Recorded(tmp_path, oil=40.0)
    s.run(130.0)
    with pytest.raises(ExplainError, match="the record begins at 2026-07-14T12:00"):
        told(s, "T1.stage1", WALL_NS - 3600 * 10**9)
