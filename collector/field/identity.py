"""Who a device says it is, read at each connection and compared with who it must be.

Pure: it names its request and takes the answer. What is done about a wrong device (its readings do not
count, its outputs are released) is decided where those are handled, never here.
"""

from __future__ import annotations

import structlog

from collector.field.codec import spec, text
from collector.field.plan import exception_words
from collector.field.wire import NOT_NOW, READ_FUNCTION, Answer, Request
from collector.settings.model import Device

_log = structlog.get_logger("field")
#: A peer that closed its connections in order so often and was still the same does so by habit,
_HABIT = 3
#: and is asked again no sooner than this [station ns].
_AGAIN_NS = 60_000_000_000


class Identity:
    """One device's. Times are station ns.

    said: what it said last, "" = nothing yet. wrong: in words why it is not the right device, or "".
    asked: it has said so, or has refused to, since the start.
    """

    def __init__(self, device: Device, now_ns: int) -> None:
        self._device = device
        self._spec = None if device.identity is None else spec(device.identity, device)
        self._expected = (device.identity.expected if device.identity is not None else None) or ""
        self._right = self._expected  # where none is expected: what it said first
        self._due_ns: int | None = None if self._spec is None else now_ns
        self._asked_ns = now_ns
        self._verified = False  # on this connection
        self._refusals = self._same = 0
        self.said = self.wrong = ""
        self.asked = self._spec is None

    @property
    def trusted(self) -> bool:
        """Its outputs may be energised: it is the right device, or the one that it was from the start."""
        return not self.wrong and (bool(self.said) or not self._expected)

    @property
    def doubt(self) -> str:
        """Why what it answers does not count, or "". Only where the settings say who it must be."""
        if self._verified or not self._expected:
            return ""
        return self.wrong or "its identity has not been read on this connection yet"

    def next_ns(self) -> int | None:
        """When it is to be asked; None: not on this connection."""
        return self._due_ns

    def request(self, now_ns: int) -> Request | None:
        if self._spec is None or self._due_ns is None or now_ns < self._due_ns:
            return None
        place = self._spec.place
        return Request(self._device.unit, READ_FUNCTION[place.table], place.address, place.size)

    def again(self, now_ns: int, was_away: bool) -> None:
        """A fresh connection: it may be another device."""
        habit = not was_away and self._same > _HABIT and now_ns - self._asked_ns < _AGAIN_NS
        if self._spec is not None and not habit:
            self._due_ns, self._verified = now_ns, False

    def took(self, answer: Answer, now_ns: int) -> None:
        """Take the answer; ``now_ns``: when it was asked."""
        assert self._spec is not None
        self._asked_ns, self._due_ns = now_ns, now_ns + int(self._device.poll_s * 1e9)
        booting = answer.ok and not any(answer.words)
        if answer.lost or answer.exception in NOT_NOW or booting:
            return
        said, refusal = text(self._spec, answer.words) if answer.ok else ("", "")
        if not said:
            self._refused(refusal or answer.failure or exception_words(answer.exception), now_ns)
            return
        self.asked, self._refusals = True, 0
        self._right = self._right or said
        if self.said and said != self.said:
            _log.warning("another device", device=self._device.id, was=self.said, now=said)
        self._same = self._same + 1 if said == self.said else 0
        self.said = said
        self.wrong = "" if said == self._right else f"another device: it says {said}, right is {self._right}"
        self._verified = not self.wrong
        if self._verified:
            self._due_ns = None  # who is wrong is asked again: the right one may come back

    def _refused(self, reason: str, now_ns: int) -> None:
        self._refusals += 1
        if self._refusals == 1:
            self._due_ns = now_ns  # one lost answer releases no output
            return
        self.asked = True
        if self._expected:
            self.wrong = f"its identity cannot be read: {reason}"
        else:
            self._due_ns = None
