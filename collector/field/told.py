"""Log lines about something that comes and goes, bounded: a device may flap for months.

Only how often a line is said is decided here; what it says is the caller's.
"""

from __future__ import annotations

from collections.abc import Callable

#: A few changes are said at once, then one line in this time, with how many there were since [real s].
SAY_EVERY_S, _AT_ONCE = 60.0, 3

Say = Callable[..., object]


class Told:
    """The lines about one device or link. ``say`` is called as a structlog method: event, then facts."""

    def __init__(self) -> None:
        self._spent_until = float("-inf")
        self._waiting: tuple[Say, str, dict[str, object]] | None = None
        self._changes = 0

    def note(self, now: float, say: Say, event: str, **facts: object) -> None:
        """Something has changed. Said now, or as the newest of several when the time is over."""
        self._waiting = say, event, facts
        self._changes += 1
        self.due(now)

    def due(self, now: float) -> None:
        """Say what has been held back, if its time has come."""
        if self._waiting is None or now < self._spent_until - (_AT_ONCE - 1) * SAY_EVERY_S:
            return
        say, event, facts = self._waiting
        if self._changes > 1:
            facts = {**facts, "changes": self._changes}
        self._waiting, self._changes = None, 0
        self._spent_until = max(self._spent_until, now) + SAY_EVERY_S
        say(event, **facts)
