"""Which readings of a transformer can be wrong without anything to hold them against: said in one place.

`check` prints the full sentence, `status`, `watch` and the report the short one. What is done while readings
contradict each other is `control/belief.py`; nothing here knows a reading.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from collector.settings.bind import Part
from collector.settings.model import Transformer
from collector.settings.sides import phases_of, sides_of


@dataclass(frozen=True, slots=True)
class Gap:
    """key: the setting that is missing. short: for a picture. words: a sentence, with what would be right."""

    key: str
    short: str
    words: str
    severity: Literal["warning", "note"] = "note"


def gaps(t: Transformer | Part) -> Iterator[Gap]:
    """The most serious one first. t: the settings, or as much of them as is valid."""
    if t.backstop is None:
        yield Gap(
            "backstop",
            "NO thermostat of its own starts the cooling",
            "no thermostat of its own starts the cooling: a wrong value that looks right cannot be excluded "
            "by software (wire a contact in parallel with the relays and give limit_c and last_test)",
            "warning",
        )
    if t.ambient is None:
        air = f"{t.site.ambient_low_c:g} to {t.site.ambient_high_c:g} °C"
        yield Gap(
            "ambient",
            f"no ambient: oil only against air of {air}",
            f"is not measured: oil and currents are only held against air of {air} (site), so that a probe "
            "may read tens of kelvin low unseen and a slow drift is not seen at all (measure it, or narrow "
            "site)",
        )
    if not sides_of(t, phases_of(t)):
        yield Gap(
            "windings",
            "currents of two sides not compared",
            "not exactly two sides, each measured whole by its own CTs: their ampere-turns are not compared, "
            "and an error common to all phases shows in the oil only (CTs on both sides of a two-winding "
            "unit)",
        )
    if t.top_oil.redundant is None:
        yield Gap(
            "top_oil.redundant",
            "one oil probe",
            "is not there: when the oil reads too cold, probe and ambient cannot be told apart (a second "
            "probe)",
        )
