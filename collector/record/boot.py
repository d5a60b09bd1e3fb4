"""Which boot of the machine this is: monotonic times compare only within one boot.

Nothing else about the machine belongs here.
"""

from __future__ import annotations

import os
import platform
from importlib import import_module
from pathlib import Path

BOOT_ID_FILE = "/proc/sys/kernel/random/boot_id"
OVERRIDE = "WINDINGD_BOOT_ID"  # environment variable: tests play a reboot with it


def boot_id() -> str:
    """The kernel's id of this boot (a UUID), new at every boot."""
    return os.environ.get(OVERRIDE) or Path(BOOT_ID_FILE).read_text(encoding="ascii").strip()


def cpu_features() -> str:
    """Machine and the vector extensions numpy found: results are bit-equal only on the same ones."""
    umath = import_module("numpy._core._multiarray_umath")  # numpy has no public name for it

    found = sorted(name for name, present in umath.__cpu_features__.items() if present)
    return f"{platform.machine()}: {' '.join(found)}"
