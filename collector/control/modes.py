"""Which cooling mode is in force. Only proven running counts; nothing about calling belongs here."""

from __future__ import annotations

from functools import lru_cache


@lru_cache(maxsize=1024)  # few answers, asked for in every step
def proven_stages(running: tuple[bool, ...], needs: tuple[int | None, ...]) -> tuple[bool, ...]:
    """Which stages cool: proven running, and so is the pump (`needs`: its index) they depend on."""

    def cools(i: int, hops: int) -> bool:
        if not running[i] or hops > len(running):
            return False
        pump = needs[i]
        return True if pump is None else cools(pump, hops + 1)

    return tuple(cools(i, 0) for i in range(len(running)))


@lru_cache(maxsize=1024)
def mode_in_force(modes: tuple[tuple[int, ...], ...], proven: tuple[bool, ...]) -> tuple[int, bool]:
    """Index of the strongest mode whose stages are all proven, and whether there is one.

    modes: the stage indices each mode needs, weakest cooling first. With none satisfied (an OF or OD
    unit without pumps) it is (0, False): the model has no figures for that, the estimate is invalid.
    """
    for i in range(len(modes) - 1, -1, -1):
        if all(proven[s] for s in modes[i]):
            return i, True
    return 0, False
