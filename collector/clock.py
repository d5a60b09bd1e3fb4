"""Station time and real time. The only place in the product that may scale time.

Durations of process, model, stages and record are *station* time (``Clock``). Transport time-outs,
back-off, keepalive and systemd's watchdog are *real* time (``time.monotonic`` / ``asyncio``).
"""

from __future__ import annotations

import asyncio
import time


class Clock:
    """Station clock running ``rate`` times as fast as real time (1 in service; more only for a demo).

    mono_ns(): integer nanoseconds since the machine booted, times the rate; time in which it was suspended
        counts (CLOCK_BOOTTIME), for the transformer was not. Never goes back, also not over a restart of
        the program, so that a restart gap can be measured at any rate.
    wall_ns(): UTC nanoseconds since 1970; follows the machine's wall clock at rate 1, else scaled
        elapsed time counted from ``wall_start_ns`` (default: the wall clock at creation).
    """

    def __init__(self, rate: float = 1.0, wall_start_ns: int | None = None) -> None:
        if not 0.001 <= rate <= 10_000:
            raise ValueError(f"clock rate {rate} is outside 0.001 to 10000")
        self.rate = rate
        self._milli = round(rate * 1000)  # integer arithmetic: a float would lose nanoseconds
        self._mono0 = self.mono_ns()
        self._wall0 = time.time_ns() if wall_start_ns is None else wall_start_ns

    def mono_ns(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) * self._milli // 1000

    def wall_ns(self) -> int:
        return self.now()[1]

    def now(self) -> tuple[int, int]:
        """(mono_ns, wall_ns) of one moment: two readings apart look like a clock step at a high rate."""
        mono_ns = self.mono_ns()
        if self.rate == 1.0:
            return mono_ns, time.time_ns()
        return mono_ns, self._wall0 + mono_ns - self._mono0

    def real_s(self, station_s: float) -> float:
        """Real seconds that ``station_s`` station seconds take."""
        return station_s / self.rate

    async def sleep(self, station_s: float) -> None:
        """Sleep for ``station_s`` station seconds (zero or negative: only yields)."""
        await asyncio.sleep(max(0.0, self.real_s(station_s)))
