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


def speaks_for(calculated_hot_spot: bool, main_oil_lost: bool) -> tuple[bool, bool]:
    """(main, second) oil probe that the calculated hot spot pleads for: the one it stands on."""
    return calculated_hot_spot and not main_oil_lost, calculated_hot_spot and main_oil_lost


def criteria(main_oil: bool, calculated_hot_spot: bool, second_oil: bool, fibres: Sequence[bool]) -> bool:
    """Two independent sensors must plead.

    A hot spot calculated from the main oil probe counts as one with it; a second oil probe (with what
    stands on it, see `speaks_for`), and each fibre probe in a winding, are sensors of their own.
    """
    return (main_oil or calculated_hot_spot) + second_oil + sum(fibres) >= 2
