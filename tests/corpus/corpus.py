"""The corpus: recorded journals through the step, beside what the step did when they were recorded.

    python tests/corpus/corpus.py              replays and tells the differences
    python tests/corpus/corpus.py --record     takes what this tree does as expected
    python tests/corpus/corpus.py --inputs     makes the journals anew too (seeded), and records

Compared at every step: the decision, kind and subject of every event, and of every point its quality and its
value: bit for bit where numpy and the processor's features are those of the recording, else numbers with a
fraction within 1e-9, at every tenth step. New points are no difference. A difference that is meant stands in
differences.txt with its reason; a row that explains nothing any more is a fault too. Nothing here knows a
rule of the step.
"""

from __future__ import annotations

import argparse
import fnmatch
import hashlib
import json
import lzma
import math
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from collector import engine
from collector.messages import Inputs, Outcome
from collector.record.boot import cpu_features
from collector.record.journal import Decoder, Encoder
from collector.settings import load_bytes
from collector.settings.model import Settings

HERE = Path(__file__).parent
SAMPLE = 10  # every so many steps all numbers with a fraction are kept, not only their digest
TOLERANCE = 1e-9


@dataclass(frozen=True)
class Journal:
    """One station of the corpus: its settings, what a reload changes in them, seed and length."""

    name: str
    seed: int
    steps: int
    loading: bool  # with permissible loading, whose figures cost as much as many steps
    change: tuple[str, str]  # text of the settings -> text of the variant; "" after: cut from there
    station: str = ""  # if not its name
    script: str = ""  # of scripts.py; "": chance


SOONER = ("{top_oil_c: 70.0, hot_spot_c: 85.0}", "{top_oil_c: 64.0, hot_spot_c: 85.0}")
EXERCISE = ("exercise_every_h: 336.0", "exercise_every_h: 1.0")
JOURNALS = (
    Journal("pair", 11, 500, False, ("\n  - id: T2\n", "")),
    Journal("plain", 12, 500, False, SOONER),
    Journal("pumps", 13, 320, False, EXERCISE),
    Journal("fibre", 14, 200, True, ("moisture_percent: 1.5", "moisture_percent: 3.5")),
    Journal("plain_told", 15, 285, False, SOONER, "plain", "plain"),
    Journal("pumps_told", 16, 150, False, EXERCISE, "pumps", "pumps"),
)


# --- settings ---------------------------------------------------------------------------------


def settings_of(journal: Journal) -> tuple[Settings, Settings]:
    """(the station's settings, the variant that a reload takes)."""
    path = HERE / "stations" / f"{journal.station or journal.name}.yaml"
    text = path.read_text(encoding="utf-8")
    old, new = journal.change
    assert old in text, (journal.name, old)
    changed = text.replace(old, new) if new else text[: text.index(old) + 1]
    made = []
    for source in (text, changed):
        loaded = load_bytes(source.encode(), path.name)
        assert loaded.settings is not None, loaded.faults
        made.append(loaded.settings)
    return made[0], made[1]


# --- the files ----------------------------------------------------------------------------------


def _write(path: Path, rows: list[Any]) -> None:
    text = "".join(json.dumps(row, separators=(",", ":")) + "\n" for row in rows)
    path.write_bytes(lzma.compress(text.encode(), preset=9 | lzma.PRESET_EXTREME))


def _read(path: Path) -> Iterator[Any]:
    for line in lzma.decompress(path.read_bytes()).decode().splitlines():
        yield json.loads(line)


def inputs_file(journal: Journal) -> Path:
    return HERE / f"{journal.name}.inputs.xz"


def expected_file(journal: Journal) -> Path:
    return HERE / f"{journal.name}.expected.xz"


# --- replay -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Done:
    """One step again."""

    number: int
    inputs: Inputs
    state: engine.State
    outcome: Outcome


class Follower:
    """The step fed with inputs, restarts and reloads."""

    def __init__(self, journal: Journal) -> None:
        one, two = settings_of(journal)
        self.plans = {
            name: engine.build(settings, name, permissible_loading=journal.loading)
            for name, settings in (("settings", one), ("variant", two))
        }
        self.plan = self.plans["settings"]
        self.state = engine.initial(self.plan)
        self.number = 0

    def restart(self, gap_s: float | None, same_boot: bool, mono_ns: int) -> None:
        saved = engine.checkpoint(self.state)
        self.state = engine.restore(self.plan, saved, engine.Gap(same_boot, gap_s, mono_ns))

    def step(self, inputs: Inputs) -> Done:
        plan = self.plans[inputs.settings_hash]
        if plan is not self.plan:
            self.state = engine.migrate(self.state, self.plan, plan)
            self.plan = plan
        self.state, outcome = engine.step(self.state, plan, inputs)
        self.number += 1
        return Done(self.number, inputs, self.state, outcome)


def replayed(journal: Journal) -> Iterator[Done]:
    follower, decoder = Follower(journal), Decoder()
    for row in _read(inputs_file(journal)):
        if "restart" in row:
            follower.restart(*row["restart"])
            continue
        yield follower.step(decoder.decode(row["key"], json.dumps(row["frame"])).inputs)


# --- what is kept of a step -------------------------------------------------------------------------


def _digest(value: Any) -> str:
    return hashlib.blake2b(json.dumps(value).encode(), digest_size=6).hexdigest()


def facts(done: Done) -> dict[str, Any]:
    """What is compared. sure: point -> [value unless it has a fraction, quality]; numbers: the others."""
    sure: dict[str, Any] = {}
    numbers: dict[str, float] = {}
    for name, v in done.outcome.values.items():
        value = v.value.item() if isinstance(v.value, np.generic) else v.value
        if isinstance(value, float):
            numbers[name] = value
            value = "number"
        sure[name] = [value, v.quality.bits]
    return {
        "energise": dict(sorted(done.outcome.decision.energise.items())),
        "alone": sorted(done.outcome.decision.leave_alone),
        "events": [f"{e.kind} {e.subject}" for e in done.outcome.events],
        "sure": sure,
        "numbers": numbers,
    }


def packed(found: list[dict[str, Any]]) -> list[Any]:
    """Rows of the expected file: what changed since the step before; numbers every tenth step."""
    rows: list[Any] = [{"numpy": np.__version__, "cpu": cpu_features()}]
    last: dict[str, Any] = {"energise": {}, "alone": [], "sure": {}}
    for n, fact in enumerate(found):
        row: dict[str, Any] = {"n": _digest(fact["numbers"])}
        for key in ("energise", "alone"):
            if fact[key] != last[key]:
                row[key] = fact[key]
        if fact["events"]:
            row["events"] = fact["events"]
        changed = {k: v for k, v in fact["sure"].items() if last["sure"].get(k) != v}
        gone = [k for k in last["sure"] if k not in fact["sure"]]
        if changed:
            row["sure"] = changed
        if gone:
            row["gone"] = gone
        if n % SAMPLE == 0 or n == len(found) - 1:
            row["numbers"] = fact["numbers"]
        rows.append(row)
        last = fact
    return rows


def unpacked(rows: Iterator[Any]) -> Iterator[dict[str, Any]]:
    """Inverse of `packed`, without the first row; numbers only where they were kept."""
    last: dict[str, Any] = {"energise": {}, "alone": [], "sure": {}}
    for row in rows:
        sure = {k: v for k, v in last["sure"].items() if k not in row.get("gone", ())} | row.get("sure", {})
        last = {
            "energise": row.get("energise", last["energise"]),
            "alone": row.get("alone", last["alone"]),
            "events": row.get("events", []),
            "sure": sure,
            "numbers": row.get("numbers"),
            "digest": row["n"],
        }
        yield last


# --- comparison ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Difference:
    """Something that is not as it was recorded. kind: decision, event, value, quality, point or steps."""

    journal: str
    step: int
    kind: str
    subject: str
    words: str

    def __str__(self) -> str:
        return f"{self.journal} step {self.step}: {self.kind} {self.subject}: {self.words}"


def compared(journal: Journal) -> Iterator[Difference]:
    rows = _read(expected_file(journal))
    made = next(rows)
    exact = (made["numpy"], made["cpu"]) == (np.__version__, cpu_features())
    was = unpacked(rows)
    number = 0
    for done in replayed(journal):
        number = done.number
        old = next(was, None)
        if old is None:
            yield Difference(journal.name, number, "steps", "", "there are more than were recorded")
            return
        for kind, subject, words in differing(old, facts(done), exact):
            yield Difference(journal.name, number, kind, subject, words)
    if next(was, None) is not None:
        yield Difference(journal.name, number, "steps", "", "there are fewer than were recorded")


def differing(old: dict[str, Any], new: dict[str, Any], exact: bool) -> Iterator[tuple[str, str, str]]:
    coils = {True: "energised", False: "released", None: "not decided"}
    for output in sorted({*old["energise"], *new["energise"]}):
        a, b = old["energise"].get(output), new["energise"].get(output)
        if a is not b:
            yield "decision", output, f"was {coils[a]}, is {coils[b]}"
    if old["alone"] != new["alone"]:
        yield "decision", "leave_alone", f"was {old['alone']}, is {new['alone']}"
    a, b = Counter(old["events"]), Counter(new["events"])
    for event in a - b:
        yield "event", event, "is missing"
    for event in b - a:
        yield "event", event, "is new"
    if a == b and old["events"] != new["events"]:
        yield "event", "order", f"was {old['events']}, is {new['events']}"
    for point in old["sure"]:  # a point that is new has nothing to differ from
        if point not in new["sure"]:
            yield "point", point, "is gone"
            continue
        (x, quality), (y, quality_now) = old["sure"][point], new["sure"][point]
        if x != y or type(x) is not type(y):
            yield "value", point, f"was {x}, is {y if y != 'number' else new['numbers'][point]}"
        if quality != quality_now:
            yield "quality", point, f"was {quality:#x}, is {quality_now:#x}"
    if old["numbers"] is None:
        known = {k: v for k, v in new["numbers"].items() if k in old["sure"]}
        if exact and _digest(known) != old["digest"]:
            yield "value", "some number", "has other bits (which, is told at the next tenth step)"
        return
    for point, y in new["numbers"].items():
        x = old["numbers"].get(point)
        same = x == y if exact else x is not None and math.isclose(x, y, rel_tol=TOLERANCE, abs_tol=TOLERANCE)
        if x is not None and not same:
            yield "value", point, f"was {x!r}, is {y!r}"


# --- differences that are meant ----------------------------------------------------------------------


@dataclass(frozen=True)
class Explained:
    """A row of differences.txt: ``journal kind subject: reason``, the first and third with * and ?."""

    journal: str
    kind: str
    subject: str
    reason: str

    def covers(self, d: Difference) -> bool:
        return (
            fnmatch.fnmatchcase(d.journal, self.journal)
            and d.kind == self.kind
            and fnmatch.fnmatchcase(d.subject, self.subject)
        )


def explanations(text: str) -> list[Explained]:
    found = []
    for line in text.splitlines():
        if not line.strip() or line.startswith("#"):
            continue
        what, _, reason = line.partition(": ")
        journal, kind, subject = what.split(" ", 2)
        assert reason.strip(), f"no reason given: {line}"
        found.append(Explained(journal, kind, subject, reason.strip()))
    return found


def judged(found: Iterator[Difference], rows: list[Explained]) -> tuple[list[Difference], Counter[Explained]]:
    """(differences that nothing explains, how many each row explains)."""
    left: list[Difference] = []
    used: Counter[Explained] = Counter()
    for d in found:
        row = next((r for r in rows if r.covers(d)), None)
        if row is None:
            left.append(d)
        else:
            used[row] += 1
    return left, used


def grouped(found: list[Difference]) -> list[tuple[Difference, int]]:
    """The first of each journal, kind and subject, with their number; in the order of their steps."""
    groups: dict[tuple[str, str, str], list[Difference]] = {}
    for d in found:
        groups.setdefault((d.journal, d.kind, d.subject), []).append(d)
    firsts = [(group[0], len(group)) for group in groups.values()]
    return sorted(firsts, key=lambda f: (f[0].journal, f[0].step))


# --- recording ----------------------------------------------------------------------------------


def make_inputs(journal: Journal) -> None:
    """The journal of a seeded world around the step of this tree."""
    from scripts import SCRIPTS
    from world import Restart, World

    world = World(*settings_of(journal), journal.seed)
    follower, encoder = Follower(journal), Encoder()
    rows: list[Any] = []
    script = SCRIPTS.get(journal.script)
    steps = world.steps(journal.steps) if script is None else world.scripted(journal.steps, script)
    for what in steps:
        if isinstance(what, Restart):
            rows.append({"restart": [what.gap_s, what.same_boot, what.mono_ns]})
            follower.restart(what.gap_s, what.same_boot, what.mono_ns)
            encoder.reset()
            continue
        done = follower.step(what)
        wall_ns = what.mono_ns + world.wall_ns
        is_key, frame = encoder.encode(what, done.outcome.decision, "", wall_ns)
        rows.append({"key": is_key, "frame": json.loads(frame)})
        world.follow(done.outcome.decision)
    _write(inputs_file(journal), rows)


def record(journal: Journal) -> Counter[str]:
    """Takes what this tree does as expected. Returns what was seen, for a person to judge the corpus by."""
    found = []
    seen: Counter[str] = Counter()
    for done in replayed(journal):
        found.append(facts(done))
        seen.update(f"event {e.kind}" for e in done.outcome.events)
        seen.update(f"command {c.kind}" for c in done.inputs.commands)
    _write(expected_file(journal), packed(found))
    return seen


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--record", action="store_true")
    parser.add_argument("--inputs", action="store_true")
    args = parser.parse_args()
    if args.record or args.inputs:
        seen: Counter[str] = Counter()
        for journal in JOURNALS:
            if args.inputs:
                make_inputs(journal)
            seen += record(journal)
        print("\n".join(f"{n:6d} {what}" for what, n in sorted(seen.items())))
        return 0
    rows = explanations((HERE / "differences.txt").read_text(encoding="utf-8"))
    left, used = judged((d for journal in JOURNALS for d in compared(journal)), rows)
    for first, count in grouped(left):
        print(first, f"(and {count - 1} more of the kind)" if count > 1 else "")
    for row in rows:
        print(f"{used[row]} differences: {row.journal} {row.kind} {row.subject}: {row.reason}")
    print(f"{len(left)} differences that nothing explains")
    return 1 if left else 0


if __name__ == "__main__":
    sys.exit(main())
