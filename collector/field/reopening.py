"""When the next connection of a link may be opened: back-off after a loss, and the peer's habits.

Pure: loop times in, decisions out. Nothing here opens, closes or reads anything.
"""

from __future__ import annotations

import random

#: After a loss [real s]: first pause and longest, each drawn from its upper half so that a substation's
#: gateways do not all come back in step.
FIRST_S, MOST_S = 0.25, 5.0
#: Two connections of one link are never opened sooner after each other [real s]: 20 a second at most.
CONNECT_EVERY_S = 0.05
#: So many connections in a row that the peer ended after their only answer, and that is taken for its way.
_LEARN_AFTER = 3
#: The habit is put to the proof again after this time [real s]: it may have been trouble, not habit.
_RELEARN_S = 3600.0


class Reopening:
    """Of one link.

    one_request: its peer serves one request per connection, by the settings or by what was seen of it.
    on_standby: the second address is the one to open.
    """

    def __init__(self, one_request: bool = False, back_to_first_s: float | None = None) -> None:
        """``back_to_first_s``: None: there is no second address."""
        self.at = 0.0
        self.on_standby = False
        self._one_request = one_request
        self._back_s = back_to_first_s
        self._back_at = 0.0
        self._opened = float("-inf")
        self._failures = 0
        self._ended_after_one = 0
        self._believed_until = float("-inf")

    @property
    def tried(self) -> bool:
        return self._failures > 0

    def one_request(self, now: float) -> bool:
        return self._one_request or now < self._believed_until

    def first_due(self, now: float) -> bool:
        """Time to see whether the first address can be reached again."""
        if not self.on_standby or self._back_s is None or now < self._back_at:
            return False
        self._back_at = now + self._back_s
        return True

    def back_to_first(self) -> None:
        self.on_standby = False

    def opening(self, now: float) -> None:
        self._opened = now

    def works(self) -> None:
        """An answer came."""
        self._failures = 0

    def goes_on(self) -> None:
        """A second answer came on one connection."""
        self._ended_after_one = 0

    def turned_over(self, now: float, answers: int, by_peer: bool) -> None:
        """A connection that worked has ended; the next is opened as soon as somebody wants to ask."""
        if by_peer and answers == 1:
            self._ended_after_one += 1
            if self._ended_after_one >= _LEARN_AFTER:
                self._believed_until = now + _RELEARN_S
        self.at = self._opened + CONNECT_EVERY_S

    def lost(self, now: float, hurry: bool) -> None:
        """It was lost or could not be opened. The first attempt follows at once, the others back off."""
        pause = min(MOST_S, FIRST_S * 2.0**self._failures) if self._failures else 0.0
        if self._failures and self._back_s is not None:  # a second time: the other address has its turn
            self.on_standby = not self.on_standby
            self._back_at = now + self._back_s
        if hurry:
            pause = min(pause, FIRST_S)
        self._failures = min(self._failures + 1, 10)
        self._ended_after_one, self._believed_until = 0, float("-inf")
        self.at = max(now + pause * random.uniform(0.5, 1.0), self._opened + CONNECT_EVERY_S)

    def at_once(self) -> None:
        self.at = 0.0
