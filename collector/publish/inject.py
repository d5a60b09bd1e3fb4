"""Injected values: proving point by point that SCADA and broker subscribers show what they should.

Applied to an Outcome after the step, for publishing only. Nothing here may reach the engine, the
relays or the record's history: the decision in the returned Outcome is the very same object.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from collector.messages import Outcome, Value
from collector.points import Point
from collector.quality import Quality, Source

#: The longest an injected value may stand [min]; a forgotten one must not outlive a shift.
MAX_MINUTES = 60.0

INJECTED = Quality(source=Source.SUBSTITUTED, test=True)


def injected(outcome: Outcome, values: Mapping[str, float | int | bool]) -> Outcome:
    """`outcome` with these points' values replaced, quality ``good,substituted,test``.

    KeyError names a point the outcome does not have. Decision and events are untouched.
    """
    for point in values:
        if point not in outcome.values:
            raise KeyError(f"{point}: no such point (see `windingd points`)")
    replaced = {point: Value(value, INJECTED) for point, value in values.items()}
    return replace(outcome, values={**outcome.values, **replaced})


def parse(point: Point, text: str) -> float | int | bool:
    """What a person typed for `point`: a number, true/false, or an enum's word.

    ValueError says what would be right.
    """
    declared = point.declared
    word = text.strip().lower()
    if declared.type == "bool":
        if word in ("1", "true", "on", "yes"):
            return True
        if word in ("0", "false", "off", "no"):
            return False
        raise ValueError(f"{point.id}: {text!r} is not a state (true or false)")
    if declared.type == "enum":
        words = [w.lower() for w in declared.words]
        if word in words:
            return words.index(word)
        if word.isdigit() and int(word) < len(words):
            return int(word)
        choices = ", ".join(f"{i} {w}" for i, w in enumerate(declared.words))
        raise ValueError(f"{point.id}: {text!r} is not one of: {choices}")
    try:
        number = float(word)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise ValueError(f"{point.id}: {text!r} is not a number")
    if declared.type == "int":
        if number != int(number):
            raise ValueError(f"{point.id}: {text!r} is not a whole number")
        return int(number)
    return number


@dataclass
class Injections:
    """The injected values now standing, each until its time is up (station-monotonic ns)."""

    _until: dict[str, tuple[float | int | bool, int]] = field(default_factory=dict)

    def set(self, point: str, value: float | int | bool, mono_ns: int, minutes: float) -> int:
        """Injects `value` for `minutes` from `mono_ns`; returns when it ends [ns].

        ValueError when minutes is not within 0 to MAX_MINUTES.
        """
        if not 0 < minutes <= MAX_MINUTES:
            raise ValueError(f"{minutes:g} min: an injected value stands at most {MAX_MINUTES:g} min")
        until = mono_ns + int(minutes * 60e9)
        self._until[point] = (value, until)
        return until

    def clear(self, point: str | None = None) -> None:
        """Ends one injection, or all."""
        if point is None:
            self._until.clear()
        else:
            self._until.pop(point, None)

    def active(self, mono_ns: int) -> dict[str, float | int | bool]:
        """What is injected now; what has run out is forgotten."""
        for point in [p for p, (_, until) in self._until.items() if mono_ns >= until]:
            del self._until[point]
        return {point: value for point, (value, _) in self._until.items()}

    def apply(self, outcome: Outcome) -> Outcome:
        """`outcome` for publishing. Points that a reload removed are passed over."""
        standing = self.active(outcome.decision.mono_ns)
        here = {p: v for p, v in standing.items() if p in outcome.values}
        return injected(outcome, here) if here else outcome
