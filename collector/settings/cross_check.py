"""Rules about two or more values of a settings file. They work on whatever parts are valid.

A rule that needs a value which has a fault already is not run: the fault is said once.
"""

from __future__ import annotations

from collector.settings.bind import Part
from collector.settings.faults import Fault


def cross_check(root: Part) -> list[Fault]:
    """Every fault, warning and note that the valid parts give, in no particular order."""
    return []
