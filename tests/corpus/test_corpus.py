"""The recorded corpus through the step of this tree: nothing may differ but what differences.txt explains."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache
from typing import Any

import corpus
import pytest
from corpus import JOURNALS, Difference, Explained, Journal, compared, explanations, grouped, judged, replayed

from collector.messages import Command, Event, Outcome, Value
from collector.points import CALL_REASONS
from collector.quality import GOOD, Detail, invalid
from collector.settings.model import Stage

ROWS = explanations((corpus.HERE / "differences.txt").read_text(encoding="utf-8"))
SHORT = JOURNALS[2]


@lru_cache
def seen(journal: Journal) -> tuple[list[Difference], Counter[Explained]]:
    return judged(compared(journal), ROWS)


@pytest.mark.parametrize("journal", JOURNALS, ids=lambda j: j.name)
def test_every_decision_event_value_and_quality_is_as_recorded(journal: Journal) -> None:
    left, _ = seen(journal)
    words = [f"{first} ({count} times)" for first, count in grouped(left)[:20]]
    assert not left, "\n".join(["not explained:", *words])


def test_every_explanation_explains_something() -> None:
    used: Counter[Explained] = Counter()
    for journal in JOURNALS if ROWS else ():
        used += seen(journal)[1]
    assert [row for row in ROWS if not used[row]] == []


def test_the_corpus_is_worth_something() -> None:
    """What it goes through, counted from the files: a corpus in which nothing happens proves nothing."""
    reasons: Counter[str] = Counter()
    commands: Counter[tuple[str, bool]] = Counter()
    kinds: Counter[str] = Counter()
    restarts = 0
    alarms: set[str] = set()
    for journal in JOURNALS:
        rows = list(corpus._read(corpus.inputs_file(journal)))
        restarts += sum("restart" in row for row in rows)
        asked: list[Command] = [
            Command(**c) for row in rows if "frame" in row for c in row["frame"].get("c", ())
        ]
        commands.update((c.kind, True) for c in asked)
        expected = corpus._read(corpus.expected_file(journal))
        next(expected)
        for fact in corpus.unpacked(expected):
            kinds.update(event.partition(" ")[0] for event in fact["events"])
            for point, (value, _) in fact["sure"].items():
                if point.endswith(".reason") and value is not None:
                    reasons[CALL_REASONS[value]] += 1
                elif ".alarm_" in point and value:
                    alarms.add(point)
    print(reasons, commands, kinds, f"{restarts} restarts, {len(alarms)} alarms", sep="\n")
    assert len(reasons) >= 18
    assert len(commands) >= 16, "every kind of command that there was"
    assert {"stage", "alarm", "command", "mode", "quality", "start", "reload", "clock", "stall"} <= set(kinds)
    assert kinds["reload"] >= 5
    assert restarts >= 6
    assert len(alarms) >= 60


# --- the control: one thing done otherwise, and the runner says what and when --------------------------

Change = Callable[[Outcome], Outcome]


def _other_coil(o: Outcome) -> Outcome:
    coils = dict(o.decision.energise)
    first = next(iter(coils))
    return replace(o, decision=replace(o.decision, energise=coils | {first: not coils[first]}))


def _left_alone(o: Outcome) -> Outcome:
    return replace(o, decision=replace(o.decision, leave_alone=frozenset({"bushing_cts"})))


def _event(o: Outcome) -> Outcome:
    return replace(o, events=(*o.events, Event(0, "mode", "T2", "")))


def _value(point: str, change: Callable[[Value], Value]) -> Change:
    return lambda o: replace(o, values={**o.values, point: change(o.values[point])})


def _gone(o: Outcome) -> Outcome:
    return replace(o, values={k: v for k, v in o.values.items() if k != "T2.mode"})


def _next_bit(v: Value) -> Value:
    assert isinstance(v.value, float)
    return replace(v, value=v.value * (1.0 + 2.0**-52))


CONTROLS: dict[str, tuple[Change, str, str]] = {
    "a coil": (_other_coil, "decision", "was "),
    "a module left alone": (_left_alone, "decision", "bushing_cts"),
    "an event": (_event, "event", "mode T2: is new"),
    "an enum": (_value("T2.mode", lambda v: replace(v, value=9)), "value", "is 9"),
    "a quality": (
        _value("T2.hot_spot_c", lambda v: replace(v, quality=v.quality | invalid(Detail.OLD_DATA))),
        "quality",
        "T2.hot_spot_c",
    ),
    "a last bit": (_value("T2.HV_A.loss_of_life_h", _next_bit), "value", "some number"),
    "a number to a whole one": (_value("T2.load_pu", lambda v: replace(v, value=1)), "value", "was number"),
    "a point": (_gone, "point", "T2.mode: is gone"),
}


@pytest.mark.parametrize("what", CONTROLS)
def test_control_a_change_in_one_step_is_told(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the recording's own bits asked for wherever this runs: the rest of the journal must be equal."""
    change, kind, words = CONTROLS[what]
    at = 35
    was = corpus.facts

    def until(journal: Journal) -> Iterator[Any]:
        for done in replayed(journal):
            yield done
            if done.number == at + 1:
                return

    steps = list(until(SHORT))
    recorded = corpus.packed([was(done) for done in steps])
    changed = [replace(d, outcome=change(d.outcome)) if d.number == at else d for d in steps]
    monkeypatch.setattr(corpus, "_read", lambda path: iter(recorded))
    monkeypatch.setattr(corpus, "replayed", lambda journal: iter(changed))
    found = list(compared(SHORT))
    assert found, "nothing was seen"
    assert all((d.step, d.kind) == (at, kind) for d in found), found
    assert words in str(found[0]), found[0]
    assert judged(iter(found), [Explained("pumps", kind, "*", "meant")])[0] == []
    assert judged(iter(found), [Explained("pair", kind, "*", "meant")])[0] == found


def test_control_another_rule_is_told_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stages that come in 12 K sooner, as a slip in the rules would have it: a decision differs."""
    told = JOURNALS[4]
    one, two = corpus.settings_of(told)

    def sooner(stage: Stage) -> Stage:
        oil_c = stage.pickup.top_oil_c
        assert oil_c is not None
        pickup = stage.pickup.model_copy(update={"top_oil_c": oil_c - 12.0})
        return stage.model_copy(update={"pickup": pickup, "pickup_delay_s": 0.0})

    units = tuple(t.model_copy(update={"stages": tuple(map(sooner, t.stages))}) for t in one.transformers)
    other = one.model_copy(update={"transformers": units})
    monkeypatch.setattr(corpus, "settings_of", lambda journal: (other, two))
    decision = next(d for d in compared(told) if d.kind == "decision")
    print(decision)
    assert str(decision).endswith("was energised, is released"), decision


def test_a_new_point_is_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = list(_begin(SHORT))
    recorded = corpus.packed([corpus.facts(done) for done in steps])
    more = {"T2.brand_new_c": Value(20.5, GOOD), "T2.alarm_brand_new": Value(1, GOOD)}
    changed = [replace(d, outcome=replace(d.outcome, values={**d.outcome.values, **more})) for d in steps]
    monkeypatch.setattr(corpus, "_read", lambda path: iter(recorded))
    monkeypatch.setattr(corpus, "replayed", lambda journal: iter(changed))
    assert list(compared(SHORT)) == []


def test_on_another_processor_numbers_may_differ_by_a_billionth(monkeypatch: pytest.MonkeyPatch) -> None:
    """Recorded elsewhere: digests mean nothing then, and the samples decide."""
    steps = list(_begin(SHORT))
    recorded = corpus.packed([corpus.facts(done) for done in steps])
    recorded[0]["cpu"] = "another"
    monkeypatch.setattr(corpus, "_read", lambda path: iter(recorded))
    for factor, want in ((1.0 + 1e-12, 0), (1.0 + 1e-7, 3)):  # steps 11, 21 and 30 are kept whole

        def other(v: Value, factor: float = factor) -> Value:
            assert isinstance(v.value, float)
            return replace(v, value=v.value * factor)

        changed = [
            replace(d, outcome=_value("T2.HV_A.hot_spot_c", other)(d.outcome)) if d.number > 5 else d
            for d in steps
        ]
        monkeypatch.setattr(corpus, "replayed", lambda journal, changed=changed: iter(changed))
        assert len(list(compared(SHORT))) == want


def test_a_row_needs_a_reason() -> None:
    with pytest.raises(AssertionError, match="no reason"):
        explanations("pair value T1.mode: ")
    assert explanations("# nothing\n\n* event stage T1.*: a new word for it\n") == [
        Explained("*", "event", "stage T1.*", "a new word for it")
    ]


def test_a_step_takes_no_more_than_its_inputs() -> None:
    """Replayed twice in one process the same comes out: what is compared hangs on nothing else."""
    first, second = ([corpus.facts(d) for d in _begin(SHORT)] for _ in range(2))
    assert first == second


def _begin(journal: Journal) -> Iterator[corpus.Done]:
    for done in replayed(journal):
        yield done
        if done.number == 30:
            return
