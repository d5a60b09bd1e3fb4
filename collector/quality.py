"""Quality of a value, in the vocabulary of IEC 61850-7-3, and the reading that carries it.

Nothing here knows where a value comes from or goes to. No number leaves a room without a Quality.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum, IntEnum, IntFlag
from functools import lru_cache


class Validity(IntEnum):
    """IEC 61850-7-3 validity; the numbers are those of its packed form (2 bits, 2 is reserved)."""

    GOOD = 0
    INVALID = 1
    QUESTIONABLE = 3


class Detail(IntFlag):
    """IEC 61850-7-3 detailQual: why a value is not good."""

    NONE = 0
    OVERFLOW = 1
    OUT_OF_RANGE = 2
    BAD_REFERENCE = 4
    OSCILLATORY = 8
    FAILURE = 16
    OLD_DATA = 32
    INCONSISTENT = 64
    INACCURATE = 128


class Source(Enum):
    PROCESS = "process"
    SUBSTITUTED = "substituted"


#: Badness order: a combination of values is as bad as the worst of them.
_RANK = {Validity.GOOD: 0, Validity.QUESTIONABLE: 1, Validity.INVALID: 2}

_DETAIL_WORDS = {
    Detail.OVERFLOW: "overflow",
    Detail.OUT_OF_RANGE: "outOfRange",
    Detail.BAD_REFERENCE: "badReference",
    Detail.OSCILLATORY: "oscillatory",
    Detail.FAILURE: "failure",
    Detail.OLD_DATA: "oldData",
    Detail.INCONSISTENT: "inconsistent",
    Detail.INACCURATE: "inaccurate",
}


@dataclass(frozen=True, slots=True)
class Quality:
    """One value's quality. Immutable and hashable; combine with ``|`` (the worst of both)."""

    validity: Validity = Validity.GOOD
    detail: Detail = Detail.NONE
    source: Source = Source.PROCESS
    test: bool = False
    operator_blocked: bool = False

    @property
    def is_good(self) -> bool:
        return self.validity is Validity.GOOD

    @property
    def is_invalid(self) -> bool:
        return self.validity is Validity.INVALID

    @property
    def is_substituted(self) -> bool:
        return self.source is Source.SUBSTITUTED

    @property
    def is_measured(self) -> bool:
        """The process's own value of now: not a test, not substituted, not blocked by an operator."""
        return not (self.test or self.operator_blocked or self.source is Source.SUBSTITUTED)

    @property
    def bits(self) -> int:
        """Packed into 13 bits: validity 0-1, detail 2-9, source 10, test 11, operatorBlocked 12."""
        return (
            int(self.validity)
            | int(self.detail) << 2
            | (self.source is Source.SUBSTITUTED) << 10
            | self.test << 11
            | self.operator_blocked << 12
        )

    @staticmethod
    @lru_cache(maxsize=4096)
    def from_bits(bits: int) -> Quality:
        """Inverse of :attr:`bits`. ValueError for the reserved validity 2 or bits above 12."""
        if not 0 <= bits < 1 << 13:
            raise ValueError(f"quality bits out of range: {bits:#x} (13 bits)")
        return Quality(
            Validity(bits & 3),
            Detail(bits >> 2 & 0xFF),
            Source.SUBSTITUTED if bits >> 10 & 1 else Source.PROCESS,
            bool(bits >> 11 & 1),
            bool(bits >> 12 & 1),
        )

    def __or__(self, other: Quality) -> Quality:
        if other is self or other is GOOD:
            return self
        if self is GOOD:
            return other
        worst = self.validity if _RANK[self.validity] >= _RANK[other.validity] else other.validity
        substituted = self.is_substituted or other.is_substituted
        return Quality(
            worst,
            self.detail | other.detail,
            Source.SUBSTITUTED if substituted else Source.PROCESS,
            self.test or other.test,
            self.operator_blocked or other.operator_blocked,
        )

    def substituted(self) -> Quality:
        return replace(self, source=Source.SUBSTITUTED)

    def __str__(self) -> str:
        """``good``, ``invalid:oldData+failure``, ``questionable:inaccurate,substituted,test``."""
        text = self.validity.name.lower()
        if self.detail:
            text += ":" + "+".join(word for flag, word in _DETAIL_WORDS.items() if flag in self.detail)
        if self.is_substituted:
            text += ",substituted"
        if self.test:
            text += ",test"
        if self.operator_blocked:
            text += ",operatorBlocked"
        return text

    @staticmethod
    def parse(text: str) -> Quality:
        """Inverse of ``str``. ValueError names the word that is not known."""
        head, *flags = text.split(",")
        validity, _, details = head.partition(":")
        words = {word: flag for flag, word in _DETAIL_WORDS.items()}
        detail = Detail.NONE
        for word in filter(None, details.split("+")):
            if word not in words:
                raise ValueError(f"unknown quality detail {word!r} (one of {', '.join(words)})")
            detail |= words[word]
        unknown = set(flags) - {"substituted", "test", "operatorBlocked"}
        if unknown:
            raise ValueError(f"unknown quality flag {sorted(unknown)[0]!r}")
        try:
            valid = Validity[validity.upper()]
        except KeyError:
            raise ValueError(f"unknown validity {validity!r} (good, questionable or invalid)") from None
        source = Source.SUBSTITUTED if "substituted" in flags else Source.PROCESS
        return Quality(valid, detail, source, "test" in flags, "operatorBlocked" in flags)


GOOD = Quality()
SUBSTITUTED = Quality(Validity.QUESTIONABLE, Detail.INACCURATE, Source.SUBSTITUTED)


def invalid(detail: Detail) -> Quality:
    return Quality(Validity.INVALID, detail)


def questionable(detail: Detail) -> Quality:
    return Quality(Validity.QUESTIONABLE, detail)


@dataclass(frozen=True, slots=True)
class Reading:
    """One measurement as the field delivered it.

    value: in the unit of the measurement id's suffix; None when nothing usable was delivered
        (then quality is invalid). Booleans (feedback, contacts) are 0.0 or 1.0.
    quality: see :class:`Quality`.
    mono_ns: station-monotonic time of the sample [ns]; for a failed read, of the attempt.
    reason: plain words when not good: ``"sentinel 0x7FFF"``, ``"no answer within 1.0 s"``.
    source: device id, or ``"replay"``, ``"inject"``.
    """

    value: float | None
    quality: Quality
    mono_ns: int
    reason: str = ""
    source: str = ""
