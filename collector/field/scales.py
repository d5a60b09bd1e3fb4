"""Values whose scale stands in another register: which answers may be read together.

Pure. Words go in, and come out as soon as it is certain which scale they were sent with: that of the same
answer, or one that read the same before and after them within one poll. Nothing is decoded here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from collector.field.codec import Place, Spec

Words = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Scalable:
    """Places of one answer, asked at ``asked_ns``, with the words of their scales; or why they have none."""

    words: Mapping[Place, Words]
    scales: Mapping[Place, Words]
    asked_ns: int
    fault: str = ""


@dataclass(frozen=True, slots=True)
class _Waiting:
    words: dict[Place, Words]
    before: Words | None
    asked_ns: int


@dataclass(slots=True)
class Scales:
    """One device's. ``scale_of``: place of a value -> place of its scale register."""

    scale_of: Mapping[Place, Place]
    _known: dict[Place, Words] = field(default_factory=dict)
    _waiting: dict[Place, list[_Waiting]] = field(default_factory=dict)

    @staticmethod
    def of(at: Mapping[Place, Iterable[tuple[str, Spec]]]) -> Scales:
        return Scales(
            {
                place: spec.scale_from.spec.place
                for place, wants in at.items()
                for _, spec in wants
                if spec.scale_from is not None
            }
        )

    def apart(self, places: Iterable[Place]) -> bool:
        """A block of these places brings a scale to values of another block."""
        here = frozenset(places)
        return any(scale in here and place not in here for place, scale in self.scale_of.items())

    @property
    def known(self) -> bool:
        """All were read before, so that once after the values is enough."""
        return self._known.keys() >= set(self.scale_of.values())

    def take(self, words: Mapping[Place, Words], asked_ns: int) -> list[Scalable]:
        """What can be read now that this answer has come."""
        ready: list[Scalable] = []
        at_once = {p: w for p, w in words.items() if self.scale_of.get(p) in (None, *words)}
        if at_once:
            scales = {p: words[self.scale_of[p]] for p in at_once if p in self.scale_of}
            ready.append(Scalable(at_once, scales, asked_ns))
        for place in words.keys() & set(self.scale_of.values()):
            self._known[place] = words[place]
            for waiting in self._waiting.pop(place, []):
                fault = "" if waiting.before == words[place] else "its scale register changed meanwhile"
                scales = dict.fromkeys(waiting.words, words[place])
                ready.append(Scalable(waiting.words, scales, waiting.asked_ns, fault))
        for scale in {self.scale_of[p] for p in words.keys() - at_once.keys()}:
            later = {p: words[p] for p in words if self.scale_of.get(p) == scale}
            self._waiting.setdefault(scale, []).append(_Waiting(later, self._known.get(scale), asked_ns))
        return ready

    def lost(self, places: Iterable[Place]) -> list[Scalable]:
        """These could not be read: what waits for a scale among them cannot be read either."""
        ready = []
        for place in places:
            self._known.pop(place, None)
            ready += [self._unread(waiting) for waiting in self._waiting.pop(place, [])]
        return ready

    def over(self) -> list[Scalable]:
        """The poll is over: what still waits has had no scale in it."""
        ready = [self._unread(waiting) for queue in self._waiting.values() for waiting in queue]
        self._waiting.clear()
        return ready

    @staticmethod
    def _unread(waiting: _Waiting) -> Scalable:
        return Scalable(
            waiting.words, {}, waiting.asked_ns, "its scale register was not read in the same poll"
        )
