"""The field: Modbus links, devices, readings and relay writing behind one small class.

Readings come out by :meth:`Field.snapshot`, decisions go in by :meth:`Field.offer`. No rule about
temperatures, stages or alarms may be put here, and nothing that waits for disk or broker.
"""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from collector.clock import Clock
from collector.field.layout import LinkLayout, energised_contacts, layout
from collector.field.link import LinkTask
from collector.field.output_point import OutputPoint
from collector.field.settling import switched_off
from collector.messages import Decision, RelayStatus
from collector.quality import Reading
from collector.settings.model import Settings

#: Connections that end within this time of each other ended at once [station ns].
_AT_ONCE_NS = 2_000_000_000


@dataclass(frozen=True, slots=True)
class FieldSnapshot:
    """Everything the field knows at one moment; an immutable copy.

    readings: measurement id -> latest reading (of every mapped input; "not read yet" before the first).
    relays: output id -> status as read back. devices: device id -> "" or why it does not answer (or another
        does). identities: device id -> what it last said that it is, where the settings name a register.
    polled: every device has answered or was given up at least once since the start.
    all_reset_ns: when all TCP connections were last ended by the other side at once, though each had lived
        long; -1: never. Where no clock moved (a guest that was paused) this is the only trace of a stall. A
        single link counts only where its peer no longer knew the connection.
    unnamed: device id -> coils that read energised although no setting names them.
    """

    readings: Mapping[str, Reading]
    relays: Mapping[str, RelayStatus]
    devices: Mapping[str, str]
    polled: bool
    all_reset_ns: int = -1
    identities: Mapping[str, str] = field(default_factory=dict)
    unnamed: Mapping[str, tuple[int, ...]] = field(default_factory=dict)


class Field:
    """All links of a station. Create, ``await run()`` in a task, then ``snapshot`` and ``offer``."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self._clock = clock
        self._settings = settings
        self._former: dict[str, Collection[OutputPoint]] = {}
        self._applying = asyncio.Lock()
        self._energised = energised_contacts(settings)
        self._links = {name: self._task(wanted) for name, wanted in layout(settings).items()}
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._running = False
        self._polled = False
        self._released = False
        self._newest: Decision | None = None

    async def run(self) -> None:
        """Open the links and poll until cancelled. No link is opened before this is called."""
        self._running = True
        for name in self._links:
            self._start(name)
        try:
            await asyncio.get_running_loop().create_future()  # only cancellation ends it
        finally:
            await self.close()

    def snapshot(self) -> FieldSnapshot:
        """The latest readings, relay read-backs and device states; never waits."""
        now_ns = self._clock.mono_ns()
        readings: dict[str, Reading] = {}
        relays: dict[str, RelayStatus] = {}
        devices: dict[str, str] = {}
        identities: dict[str, str] = {}
        unnamed: dict[str, tuple[int, ...]] = {}
        zeros: list[tuple[str, Reading, int]] = []
        polled = True
        for link in self._links.values():
            for unit in link.units:
                if of := unit.layout.looks_at:
                    on = sorted(int(coil) for coil, r in unit.poller.readings.items() if r.value)
                    unnamed |= {of: tuple(on)} if on else {}
                    continue
                readings |= unit.poller.readings
                zeros += unit.poller.settling.zeros()
                who = unit.poller.identity
                devices[unit.id] = unit.reason or who.wrong
                if who.said:
                    identities[unit.id] = who.said
                polled = polled and unit.polled
                if unit.bank is not None:
                    relays |= unit.bank.status(now_ns)
        readings |= switched_off(self._energised, zeros, readings)
        self._polled = self._polled or polled
        return FieldSnapshot(
            MappingProxyType(readings),
            MappingProxyType(relays),
            MappingProxyType(devices),
            self._polled,
            self._all_reset_ns(),
            MappingProxyType(identities),
            MappingProxyType(unnamed),
        )

    def _all_reset_ns(self) -> int:
        over_tcp = [link for link in self._links.values() if link.layout.link.type != "rtu_serial"]
        ends = [link.cut_ns for link in over_tcp]
        if not ends or min(ends) < 0 or max(ends) - min(ends) > _AT_ONCE_NS:
            return -1
        return max(ends) if len(ends) > 1 or over_tcp[0].cut_by_reset else -1

    def offer(self, decision: Decision) -> None:
        """Hand over a decision; the newest wins. Never waits. Ignored once ``release_all`` was called.

        A decision older than station.decision_max_age_s is never written: from then on no request of
        any kind goes to a device with outputs and its connection is closed, until a fresh one comes.
        """
        if self._released or (self._newest is not None and decision.mono_ns < self._newest.mono_ns):
            return
        self._newest = decision
        for link in self._links.values():
            link.offer(decision)

    async def release_orphans(self, former: Mapping[str, Collection[OutputPoint]]) -> None:
        """Outputs by device that earlier settings used for cooling and these do not name: to be written 0.

        That is done with the next decision after they were read. Their links are opened anew for it.
        """
        self._former = {**self._former, **former}
        await self.apply(self._settings)

    async def apply(self, settings: Settings) -> None:
        """Take new settings. Links that are unchanged stay open; the others are opened anew.

        No output is released by this, except coils that the new settings no longer name: those are
        written 0 with the first decision under the new settings. Latest readings stay until read again.
        """
        async with self._applying:
            self._settings = settings
            await self._apply(settings)

    async def _apply(self, settings: Settings) -> None:
        wanted = layout(settings, self._former)
        self._energised = energised_contacts(settings)
        for name in [name for name, link in self._links.items() if wanted.get(name) != link.layout]:
            await self._stop(name)
        links = {}
        for name, new in wanted.items():
            old = self._links.get(name)
            links[name] = old if old is not None and old.layout == new else self._task(new, old)
        self._links = links
        for name in links:
            if self._released:
                links[name].release()
            if self._running and name not in self._tasks:
                self._start(name)

    def _task(self, wanted: LinkLayout, before: LinkTask | None = None) -> LinkTask:
        return LinkTask(wanted, self._clock, self._reading, before)

    def _reading(self, measurement: str) -> Reading | None:
        units = (unit for link in self._links.values() for unit in link.units)
        found = (unit.poller.readings.get(measurement) for unit in units)
        return next((reading for reading in found if reading is not None), None)

    async def release_all(self, deadline_s: float) -> bool:
        """Write 0 to every output and confirm by read-back, within ``deadline_s`` real seconds.

        True only when every output was read back as released. No output is energised after this call.
        """
        self._released = True
        for link in self._links.values():
            link.release()
        try:
            async with asyncio.timeout(deadline_s):
                await asyncio.gather(*(link.all_released.wait() for link in self._links.values()))
        except TimeoutError:
            return False
        return True

    async def close(self) -> None:
        """Close every connection; writes nothing."""
        self._running = False
        for name in list(self._tasks):
            await self._stop(name)

    def _start(self, name: str) -> None:
        self._tasks[name] = asyncio.create_task(self._links[name].run(), name=f"link {name}")

    async def _stop(self, name: str) -> None:
        task = self._tasks.pop(name, None)
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
