"""Trip criteria. Off unless the owner's protection engineer enables it; windingd is no protection relay.

Only what makes the trip output energise. No alarms, no cooling, no clock.
"""

from __future__ import annotations

from collections.abc import Sequence

from collector.quality import Quality, Source


def evidence(value: float | None, quality: Quality, limit: float) -> bool:
    """A sensor that pleads for a trip: a good process value (never substituted or test) above its limit."""
    if value is None or not quality.is_good or quality.source is not Source.PROCESS or quality.test:
        return False
    return value >= limit


def criteria(main_oil: bool, calculated_hot_spot: bool, second_oil: bool, fibres: Sequence[bool]) -> bool:
    """Two independent sensors must plead.

    The calculated hot spot stands on the main oil probe, so these two count as one; a second oil
    probe, and each fibre probe in a winding, are sensors of their own.
    """
    return (main_oil or calculated_hot_spot) + second_oil + sum(fibres) >= 2
