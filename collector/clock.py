"""Station time and real time. The only place in the product that may scale time.

Durations of process, model, stages and record are *station* time (``Clock``). Transport time-outs,
back-off, keepalive and systemd's watchdog are *real* time (``time.monotonic`` / ``asyncio``).
"""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Clock:
    """Station clock running ``rate`` times as fast as real time (1 in service; more only for a demo).

    mono_ns(): integer nanoseconds, never goes back, starts at the machine's monotonic clock.
    wall_ns(): UTC nanoseconds since 1970, follows the machine's wall clock at rate 1; at another
        rate it is the wall time at creation plus scaled elapsed time.
    """

    rate: float = 1.0
    _mono0: int = field(default_factory=time.monotonic_ns)
    _wall0: int = field(default_factory=time.time_ns)

    def mono_ns(self) -> int:
        now = time.monotonic_ns()
        if self.rate == 1.0:
            return now
        return self._mono0 + int((now - self._mono0) * self.rate)

    def wall_ns(self) -> int:
        if self.rate == 1.0:
            return time.time_ns()
        return self._wall0 + (self.mono_ns() - self._mono0)

    def real_s(self, station_s: float) -> float:
        """Real seconds that ``station_s`` station seconds take."""
        return station_s / self.rate

    async def sleep(self, station_s: float) -> None:
        """Sleep for ``station_s`` station seconds (zero or negative: only yields)."""
        await asyncio.sleep(max(0.0, self.real_s(station_s)))
