"""What a device answers while it boots: zeros that are no measurements, and until when they are not believed.

Pure. One device's answers go in, the readings to show come out. No rule about currents, temperatures or
stages may be put here, and no limit on a value: what is shown after the settling is judged as ever.

A device that has just started often answers 0 in every register for up to ten seconds, and 0 A and 0 °C
are possible values. So zeros are *withheld* for `settle_s`, and the last good reading is shown on, with its
own old time, when

- a block of numbers that was not all zero becomes all zero; or the whole device does, for its contacts: one
  contact that opens is no sign of anything;
- the device is back (its connection was opened anew, two requests in a row failed, or this is the very
  start) and begins with zeros. A device that closes its connections by habit is not back each time.

Where the device says itself when it is ready (`ready_register`), nothing at all counts until it does.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from collector.field.codec import Place, Spec, raw_value, spec
from collector.quality import Detail, Reading, invalid
from collector.settings.model import Device

#: So many failed requests in a row, beside its `retries`, mean that the device was away: perhaps restarted.
_AWAY_AFTER = 2
#: Its connection was closed in order so often, and it was running each time: that is its habit, no restart.
_HABIT = 3
#: So many times `settle_s` at most, where it seems to be restarted again and again.
_SETTLINGS_MOST = 8

_BOOTING = "all zero, as while the device boots: not believed yet"


@dataclass(frozen=True, slots=True)
class Ready:
    """The register by which the device says that it is ready, and what it then holds."""

    spec: Spec
    value: int


class Settling:
    """One device. Times are station ns.

    numbers, contacts: the places its measurements are read from; contacts open and close by themselves.
    """

    def __init__(
        self,
        settle_ns: int,
        numbers: Iterable[Place],
        contacts: Iterable[Place],
        ready: Ready | None = None,
        retries: int = 0,
    ) -> None:
        self._settle_ns = settle_ns
        self._away_after = _AWAY_AFTER + retries
        self._contacts = frozenset(contacts)
        self._places = frozenset(numbers) | self._contacts
        self._ready = ready
        self._live: dict[Place, bool] = {}  # its last answer was not zero
        self._believed: dict[Place, bool] = {}  # ... and of its last answer that was not withheld
        self._until_ns: dict[Place, int] = {}  # zeros are withheld until then
        self._held: dict[Place, dict[str, Reading]] = {}
        self._held_from_ns: dict[Place, int] = {}
        self._closings = 0
        self._alive_here = False  # it has answered anything but zero on this connection
        # Whose first answer may come from the device's start. At ours numbers only: contacts of stages at
        # rest rightly read zero.
        self._back = set(self._places - self._contacts)
        self._alive = False  # it has answered anything but zero since it is back
        self._dark = False  # everything it has answered since it is back was zero
        self._is_ready = ready is None
        self._misses = 0

    @property
    def waiting(self) -> bool:
        """Something is withheld for which there has never been a reading to show in its place."""
        return any(place not in self._believed for place in self._held)

    def zeros(self) -> Iterable[tuple[str, Reading, int]]:
        """What is withheld only because it is zero: measurement, its reading, and since when [ns]."""
        if self._is_ready:
            for place in self._held.keys() & self._until_ns.keys():
                for measurement, reading in self._held[place].items():
                    yield measurement, reading, self._until_ns[place] - self._settle_ns

    def missed(self) -> None:
        """A request failed."""
        self._misses += 1
        if self._misses == self._away_after:
            self.back()

    def back(self) -> None:
        """The device was away: what it answers first may come from its start."""
        self._back = set(self._places)
        self._live.clear()
        self._alive = False
        self._is_ready = self._ready is None

    def reopened(self) -> None:
        """It had closed the connection in order: to save one, or because it was restarted."""
        if self._alive_here:
            self._closings += 1
        self._alive_here = False
        if self._closings < _HABIT:
            self._back |= self._places - self._contacts
            if self._dark and self._back:
                self._back, self._alive = set(self._places), False

    def withdraw(self, places: Iterable[Place]) -> None:
        """Their last answer is not to be believed after all."""
        for place in places:
            self._held.pop(place, None)

    def judge(
        self,
        words: Mapping[Place, Sequence[int]],
        readings: Mapping[Place, Mapping[str, Reading]],
        shown: Mapping[str, Reading],
        now_ns: int,
    ) -> dict[str, Reading]:
        """What to show instead of ``shown`` after one answer. words: what each of its places holds."""
        self._misses = 0
        live = {place: any(held) for place, held in words.items() if place in self._places}
        result = self._look_alive(any(live.values()))
        self._look_at_numbers({p: on for p, on in live.items() if p not in self._contacts}, now_ns)
        if not any(live.values()):
            self._look_at_contacts([place for place in live if place in self._contacts], now_ns)
        if self._ready is not None and self._ready.spec.place in words:
            self._look_ready(self._ready, words[self._ready.spec.place])
        self._live |= live
        self._dark = not any(self._live.values())
        self._back -= live.keys()
        for place, alive in live.items():
            if self._is_ready and (alive or now_ns >= self._until_ns.get(place, now_ns)):
                self._believe(place, alive)
                result |= readings[place]
            else:
                self._held[place] = dict(readings[place])
                self._held_from_ns.setdefault(place, now_ns)
                result |= self._instead(place, readings[place], shown, now_ns)
        return result

    def _look_ready(self, ready: Ready, words: Sequence[int]) -> None:
        raw = raw_value(ready.spec, words) if ready.spec.place.table.endswith("register") else words[0]
        self._is_ready = raw == ready.value
        if self._is_ready:
            self._until_ns.clear()

    def _look_alive(self, alive: bool) -> dict[str, Reading]:
        """Anything but zero: the contacts are those of a running device.

        Had only they been zero, they are believed as they were read. After a time in which all was zero
        they are not, for they may have been read just before its end: their next answer counts.
        """
        result: dict[str, Reading] = {}
        if not alive:
            return result
        self._alive = self._alive_here = True
        for place in [p for p in self._contacts if p in self._until_ns]:
            del self._until_ns[place]
            if self._is_ready and not self._dark and place in self._held:
                result |= self._held[place]
                self._believe(place, False)
        return result

    def _look_at_numbers(self, live: Mapping[Place, bool], now_ns: int) -> None:
        if any(live.values()):
            for place in live:
                # What was zero before is rightly zero again; what was not may be still to come.
                if live[place] or not self._believed.get(place, True):
                    self._until_ns.pop(place, None)
                elif place in self._back and place in self._believed:
                    self._withhold([place], now_ns)
        elif any(self._live.get(place, False) or place in self._back for place in live):
            if not self._back.isdisjoint(live):
                self._closings = 0
            self._withhold(live, now_ns)

    def _look_at_contacts(self, contacts: Sequence[Place], now_ns: int) -> None:
        back = any(place in self._back for place in contacts) and not self._alive
        opened = len(self._places) > 1 and any(
            self._live.get(place, False) or (place in self._held and place not in self._until_ns)
            for place in contacts
        )
        if back or opened:
            self._withhold(contacts, now_ns)

    def _withhold(self, places: Iterable[Place], now_ns: int) -> None:
        for place in places:
            begun_ns = self._held_from_ns.setdefault(place, now_ns)
            self._until_ns[place] = (
                min(now_ns, begun_ns + (_SETTLINGS_MOST - 1) * self._settle_ns) + self._settle_ns
            )

    def _believe(self, place: Place, alive: bool) -> None:
        self._believed[place] = alive
        self._until_ns.pop(place, None)
        self._held.pop(place, None)
        self._held_from_ns.pop(place, None)

    def _instead(
        self, place: Place, readings: Mapping[str, Reading], shown: Mapping[str, Reading], now_ns: int
    ) -> dict[str, Reading]:
        """The last good reading stays, with its own time; where there is none, why there is none yet."""
        long = now_ns - self._held_from_ns[place] > self._settle_ns
        reason = _BOOTING if self._is_ready else "the device does not say that it is ready"
        return {
            measurement: Reading(None, invalid(Detail.OLD_DATA), now_ns, reason, reading.source)
            for measurement, reading in readings.items()
            if long or not shown[measurement].quality.is_good
        }


def settling(device: Device, at: dict[Place, list[tuple[str, Spec]]]) -> Settling:
    """The settling of a device that is read at these places; adds that of its ready register."""
    contacts = {place for place, wants in at.items() if all(how.type == "bool" for _, how in wants)}
    numbers = at.keys() - contacts
    ready = None
    if device.ready_register is not None and device.ready_value is not None:
        ready = Ready(spec(device.ready_register, device), device.ready_value)
        at.setdefault(ready.spec.place, [])
    return Settling(int(device.settle_s * 1e9), numbers, contacts, ready, device.retries)


def switched_off(
    contacts: Mapping[str, str], zeros: Iterable[tuple[str, Reading, int]], readings: Mapping[str, Reading]
) -> dict[str, Reading]:
    """Currents that are rightly zero: since they are, the contact says that the transformer is switched off.

    contacts: current -> its transformer's `energised`. zeros: see :meth:`Settling.zeros`.
    """
    result = {}
    for current, zero, since_ns in zeros:
        contact = readings.get(contacts.get(current, ""))
        if (
            contact is not None
            and contact.quality.is_good
            and not contact.value
            and contact.mono_ns > since_ns
        ):
            result[current] = zero
    return result
