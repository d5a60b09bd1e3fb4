"""How long a stage above its pickup may wait, by a random driver and a reading of the rule that is its own.

The driver knows a station's settings, gives readings at any distance in time (a fraction of a second to a
quarter of an hour), several transformers with duty rotation, pumps, stagger, restart inhibit, exercise and
feedbacks that fail. The judge keeps its own book from those readings and the coils alone: no state of the
step is looked at. WINDINGD_DRIVES: how many stations (default 8; 300 take a quarter of an hour).
"""

from __future__ import annotations

import json
import os
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from station_script import NS, Station, base

from collector import engine
from collector.control import stages
from collector.messages import Command, Inputs, RelayStatus
from collector.points import measurements
from collector.quality import GOOD, Detail, Reading, invalid
from collector.settings.model import Settings

DRIVES = int(os.environ.get("WINDINGD_DRIVES", "8"))
GAPS_S = (0.5, 2.0, 5.0, 20.0, 60.0, 300.0, 900.0)
PREMISES = (
    "above pickup for longer than the bound",
    "... with a pump",
    "... working to another's limits",
    "... with a restart inhibit",
    "... with gaps of a minute and more",
    "... while another transformer was cold",
)


def drawn(rng: random.Random) -> Settings:
    """A station of one to three transformers, each with two to five stages on top oil alone."""
    tree = base()
    first = tree["transformers"][0]
    tree["station"] |= {"return_hold_s": rng.choice([0.0, 60.0]), "max_releases_per_h": 60}
    for device in tree["devices"]:
        if "relay_module" in device:  # its coils follow the decision at once: it has no timeout to be proven
            device["relay_module"] = {"released_by": "watchdog_relay", "timeout_s": 10.0}
    tree["transformers"] = []
    coil = 0
    for number in range(1, rng.randint(1, 3) + 1):
        t = json.loads(json.dumps(first)) | {"id": f"T{number}", "number": number, "stages": []}
        for key in ("top_oil", "ambient"):
            t[key]["address"] += 10 * number
        t["windings"] = t["windings"][:1]
        t["windings"][0]["current"]["address"] = 20 * number
        t["modes"][1]["needs"] = ["s1"]
        for k in range(1, rng.randint(2, 5) + 1):
            coil += 1
            pickup = rng.choice([50.0, 60.0, 70.0])
            stage = {
                "id": f"s{k}",
                "number": k,
                "relay": {"device": "relays", "coil": coil},
                "feedback": {"device": "cabinet", "table": "discrete_input", "address": coil},
                "pickup": {"top_oil_c": pickup},
                "dropout": {"top_oil_c": pickup - rng.choice([2.0, 10.0])},
                "pickup_delay_s": rng.choice([0.0, 10.0, 30.0, 120.0]),
                "minimum_run_s": rng.choice([0.0, 60.0, 600.0]),
                "restart_inhibit_s": rng.choice([0.0, 0.0, 60.0, 300.0]),
                "stagger_s": rng.choice([0.0, 5.0, 20.0, 60.0]),
                "max_starts_per_h": 60,
            }
            if rng.random() < 0.3:
                stage |= {"exercise_every_h": 2.0, "exercise_s": 100.0}
            t["stages"].append(stage)
        if rng.random() < 0.5:
            for stage in t["stages"]:
                stage["rotation_group"] = "alike"
        if rng.random() < 0.4:
            t["stages"][-1] |= {"kind": "pumps", "rotation_group": None}
            t["stages"][0] |= {"needs_stage": t["stages"][-1]["id"], "rotation_group": None}
        tree["transformers"].append(t)
    return Settings.model_validate_json(json.dumps(tree))


class Judge:
    """The rule read plainly. oil: a good reading at this decision, None: not. off: the coil's new state."""

    def __init__(self, t: Any) -> None:
        self.t = t
        self.works_to = {s.id: s.id for s in t.stages}
        self.since_s: dict[str, float] = {}
        self.longest_s: dict[str, float] = {}
        self.seen: Counter[str] = Counter()

    def rotated(self, text: str) -> None:
        """'T1: duty rotation by run hours: T1.s1 takes T1.s2, T1.s2 takes T1.s1'"""
        for part in text.rpartition(": ")[2].split(", "):
            member, _, role = part.partition(" takes ")
            self.works_to[member.partition(".")[2]] = role.partition(".")[2]

    def bound_s(self, s: Any) -> float:
        """Without the gaps between decisions."""
        rests = [s.restart_inhibit_s]
        rests += [x.restart_inhibit_s for x in self.t.stages if x.id == s.needs_stage]
        return float(
            s.pickup_delay_s + max(rests) + sum(x.stagger_s for x in self.t.stages if x is not s)
        )

    def look(self, at_s: float, gap_s: float, oil: float | None, off: dict[str, bool], cold: bool) -> None:
        by_id = {s.id: s for s in self.t.stages}
        for s in self.t.stages:
            if oil is None or oil < by_id[self.works_to[s.id]].pickup.top_oil_c:
                self.since_s.pop(s.id, None)
                self.longest_s.pop(s.id, None)
                continue
            since = self.since_s.setdefault(s.id, at_s)
            # The decision that saw it first is the first of its waiting: the gap before it does not count.
            longest = max(self.longest_s.get(s.id, 0.0), gap_s if since < at_s else 0.0)
            self.longest_s[s.id] = longest
            waited = at_s - since
            if waited <= self.bound_s(s) + longest * len(self.t.stages):
                continue
            rotated, sparse = self.works_to[s.id] != s.id, longest >= 60.0
            names = [True, s.needs_stage, rotated, s.restart_inhibit_s, sparse, cold]
            self.seen.update(name for name, true in zip(PREMISES, names, strict=True) if true)
            assert not off[s.id], (
                f"{self.t.id}.{s.id} off {waited:.0f} s above its pickup, at most {self.bound_s(s):.0f} s "
                f"and {len(self.t.stages)} gaps of {longest:g} s"
            )


class Drive:
    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.settings = drawn(self.rng)
        self.plan = replace(engine.build(self.settings, "h"), tell_values=False)
        self.state = engine.initial(self.plan)
        self.now = 10**15
        self.oil: dict[str, float | None] = {t.id: 40.0 for t in self.settings.transformers}
        self.dead: set[str] = set()  # contactors
        self.coils = {f"{t.id}.{s.id}": True for t in self.settings.transformers for s in t.stages}
        self.judges = {t.id: Judge(t) for t in self.settings.transformers}

    def reading(self, name: str, device: str) -> Reading:
        t, _, rest = name.partition(".")
        if rest.endswith("feedback"):
            output = name.removesuffix(".feedback")
            value: float | None = float(not self.coils[output] and output not in self.dead)
        else:
            value = {"top_oil_c": self.oil[t], "ambient_c": 20.0}.get(rest, 50.0)
        quality = GOOD if value is not None else invalid(Detail.OUT_OF_RANGE)
        return Reading(value, quality, self.now, "", device)

    def step(self, gap_s: float, *commands: Command) -> None:
        self.now += round(gap_s * NS)
        read = {m.id: self.reading(m.id, m.input.device) for m in measurements(self.settings)}
        relays = {output: RelayStatus(coil, self.now) for output, coil in self.coils.items()}
        devices = {d.id: "" for d in self.settings.devices}
        inputs = Inputs(self.now, read, relays, devices, commands, settings_hash="h")
        self.state, outcome = engine.step(self.state, self.plan, inputs)
        self.coils |= outcome.decision.energise
        for event in outcome.events:
            if "duty rotation" in event.text:
                self.judges[event.subject].rotated(event.text)
        for t, judge in self.judges.items():
            off = {o.partition(".")[2]: coil for o, coil in self.coils.items() if o.startswith(f"{t}.")}
            cold = any((oil or 99.0) < 50.0 for other, oil in self.oil.items() if other != t)
            judge.look(self.now / NS, gap_s, self.oil[t], off, cold)

    def go(self, moves: int) -> Counter[str]:
        rng = self.rng
        for _ in range(moves):
            t, chance = rng.choice(list(self.oil)), rng.random()
            if chance < 0.6:
                self.oil[t] = rng.choice([40.0, 49.0, 55.0, 59.0, 65.0, 69.0, 75.0])
            elif chance < 0.65:
                self.oil[t] = None
            elif chance < 0.7:
                self.dead ^= {rng.choice(list(self.coils))}
            elif chance < 0.75:
                self.step(1.0, Command("c", "force_on", rng.choice(list(self.coils)), "driver", minutes=2.0))
            one = rng.choice(GAPS_S) if rng.random() < 0.5 else None
            for _ in range(rng.randint(1, 12)):
                self.step(one or rng.choice(GAPS_S[:4]))
        return sum((judge.seen for judge in self.judges.values()), Counter())


@pytest.mark.timeout(0 if DRIVES > 8 else 300)
def test_no_stage_waits_longer_than_the_bound(capsys: pytest.CaptureFixture[str]) -> None:
    seen: Counter[str] = Counter()
    for seed in range(DRIVES):
        try:
            seen += Drive(seed).go(80)
        except AssertionError as error:
            raise AssertionError(f"seed {seed}: {error}") from error
    with capsys.disabled():
        print(f"\n{DRIVES} stations; how often each premise was true:")
        for name in PREMISES:
            print(f"  {seen[name]:>9}  {name}")
    assert not [name for name in PREMISES if not seen[name]]


def more_delays(m: pytest.MonkeyPatch) -> None:
    """A start waits for the stagger and its rest, and then for four more pickup delays."""
    real = stages.call_event

    def late(stage: Any, facts: Any, timing: Any, now: int) -> Any:
        event = real(stage, facts, timing, now)
        waited = stage.queued_ns >= 0 and now - stage.queued_ns >= 4 * timing.pickup_delay
        if event is stages.CallEvent.TURN and facts.above and not waited:
            return stages.CallEvent.DUE
        return event

    m.setattr(stages, "call_event", late)


def rest_counted_from_each_look(m: pytest.MonkeyPatch) -> None:
    """Whoever waits begins its rest anew whenever it is looked at."""
    real = stages.next_call

    def restless(stage: Any, facts: Any, timing: Any, now: int) -> Any:
        new = real(stage, facts, timing, now)
        return replace(new, off_ns=now) if new.call is stages.Call.QUEUED and new.off_ns >= 0 else new

    m.setattr(stages, "next_call", restless)


@pytest.mark.parametrize("spoil", [more_delays, rest_counted_from_each_look])
def test_control_a_start_put_off_for_longer_is_found(
    spoil: Callable[[pytest.MonkeyPatch], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    spoil(monkeypatch)

    def eight_stations() -> None:
        for seed in range(8):
            Drive(seed).go(80)

    with pytest.raises(AssertionError, match="above its pickup"):
        eight_stations()


# --- one that starts again and again beside one that waits ------------------------------------------


def restless_beside_waiting(tree: dict[str, Any]) -> None:
    restless, waiting, _ = tree["transformers"][0]["stages"]
    for stage in (restless, waiting):
        stage |= {"pickup_delay_s": 0.0, "minimum_run_s": 0.0, "stagger_s": 20.0, "max_starts_per_h": 60}
    restless |= {"pickup": {"top_oil_c": 75.0}, "dropout": {"top_oil_c": 74.0}}
    waiting |= {"pickup": {"top_oil_c": 60.0}, "dropout": {"top_oil_c": 50.0}}


def waits_beside_it() -> float:
    """How long stage 2 stays held off above its pickup while stage 1 comes and goes [s]; at most 300."""
    s = Station(restless_beside_waiting).run(60)
    for waited in range(0, 300, 5):
        s.set(oil=76.0 if waited % 20 < 10 else 70.0).cycle(5.0)
        if not s.coils["T1.stage2"]:
            return float(waited)
    return 300.0


def test_one_that_starts_again_and_again_does_not_keep_another_waiting() -> None:
    assert waits_beside_it() <= 20.0 + 20.0 + 3 * 5.0


def test_control_in_a_fixed_order_it_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stages, "in_turn", lambda order, states: list(order))
    assert waits_beside_it() == 300.0


# --- duty rotation and new settings -----------------------------------------------------------------


def alike(tree: dict[str, Any]) -> None:
    for stage in tree["transformers"][0]["stages"][:2]:
        stage["rotation_group"] = "alike"


def rotated() -> Station:
    """Stage 1 has run, so stage 2 works to its 60 °C and stage 1 to the 70 °C of stage 2."""
    s = Station(alike).run(60).set(oil=65.0).run(700, 20.0).set(oil=45.0).run(700, 20.0)
    s.set(oil=65.0).run(60)
    assert s.called(2)
    return s.set(oil=45.0).run(700, 20.0)


@pytest.mark.parametrize("restarted", [False, True], ids=["reload", "restart under new settings"])
def test_without_its_group_every_stage_works_to_its_own_limits(restarted: bool) -> None:
    s = rotated()
    if restarted:
        s.plan = engine.build(Station(None).settings, "new")
        s.settings, s.hash = s.plan.settings, "new"
        s.restart(5.0, release=False)
    else:
        s.reload(None)
    s.run(20).set(oil=65.0).run(60)
    assert s.called(1)


def test_within_its_group_a_reload_leaves_the_duty_as_it_is() -> None:
    s = rotated().reload(alike)
    s.run(20).set(oil=65.0).run(60)
    assert s.called(2)
