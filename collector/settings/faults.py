"""A fault in a settings file: where it is and what would be right. Data only, no rules."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["fault", "warning", "note"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong (or worth a remark) in a settings file.

    line: 1-based. path: key path such as ``transformers.T1.stages.stage2.pickup.top_oil_c``; empty when
    the file as a whole is meant. severity: only a "fault" makes the settings unusable.
    """

    file: str
    line: int
    path: str
    message: str
    severity: Severity = "fault"

    def __str__(self) -> str:
        words = self.message if self.severity == "fault" else f"{self.severity}: {self.message}"
        return f"{self.file}:{self.line}: {self.path + ': ' if self.path else ''}{words}"
