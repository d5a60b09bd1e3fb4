"""Loads a settings file: YAML -> node tree -> validated sections -> cross checks.

No rule about two values lives here (cross_check.py), and no knowledge of YAML (nodes.py).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

from collector.settings.bind import Binder, element
from collector.settings.cross_check import cross_check
from collector.settings.faults import Fault
from collector.settings.model import Settings
from collector.settings.nodes import MAX_BYTES, Mapping, Node, Sequence, parse, shown
from collector.settings.rules.cooling import slow_reaction


@dataclass(frozen=True, slots=True)
class Loaded:
    """What came of a settings file.

    settings: None exactly when `faults` is not empty. faults: everything that is wrong, in line order.
    remarks: warnings and notes; they never stop anything. hash: of the meaning of the settings (comments
    and layout do not count), "" when there are none. text: the file as it was read.
    """

    settings: Settings | None
    faults: list[Fault]
    hash: str
    remarks: list[Fault] = field(default_factory=list)
    text: str = ""


def load(path: str | Path) -> Loaded:
    """Read and check a settings file. Never raises for anything the file holds or for a missing file."""
    try:
        if Path(path).exists() and not Path(path).is_file():  # a pipe would keep its reader waiting
            raise OSError(0, "it is no ordinary file")
        with open(path, "rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        message = f"cannot be read: {reason} (give the path of a settings file that this user may read)"
        return Loaded(None, [Fault(str(path), 1, "", message)], "")
    return load_bytes(data, str(path))


def load_bytes(data: bytes, name: str) -> Loaded:
    """As `load`, from the bytes of a file called `name`."""
    tree, problems = parse(data)
    faults = [Fault(name, p.line, _path(tree, p.keys), p.message) for p in problems]
    if tree is None:
        return Loaded(None, faults, "")
    binder = Binder(name)
    root = binder.section(Settings, tree, "", 1)
    told = {fault.path for fault in faults}
    faults += [fault for fault in binder.faults if fault.path not in told]
    found = cross_check(root)
    faults += [fault for fault in found if fault.severity == "fault"]
    remarks = [fault for fault in found if fault.severity != "fault"]
    settings: Settings | None = None if faults else root.build()
    if settings is not None:
        remarks += slow_reaction(root, settings)
    digest = "" if settings is None else hashlib.sha256(settings.model_dump_json().encode()).hexdigest()
    text = "" if settings is None else data.decode("utf-8-sig", "replace")
    return Loaded(settings, _in_order(faults), digest, _in_order(remarks), text)


def once_good(text: str) -> Settings | None:
    """Settings that were in force once, without today's rules; None: their keys are another version's."""
    tree, problems = parse(text.encode())
    if tree is None or problems:
        return None
    binder = Binder("record")
    root = binder.section(Settings, tree, "", 1)
    return None if binder.faults else root.build()


def example(name: str) -> Path:
    """Path of a packaged example: "demo.yaml", "small_serial.yaml" or "three_winding_pumps.yaml"."""
    return Path(__file__).parent / "examples" / name


def _in_order(faults: list[Fault]) -> list[Fault]:
    return sorted(dict.fromkeys(faults), key=lambda fault: (fault.line, fault.path, fault.message))


def _path(tree: Node | None, keys: tuple[str | int, ...]) -> str:
    """Key path of a place in the tree, list elements by their id where they have one."""
    path, node = "", tree
    for key in keys:
        if isinstance(key, int):
            item = node.items[key] if isinstance(node, Sequence) and key < len(node.items) else None
            path += element(key, item) if item is not None else f"[{key}]"
            node = item
        else:
            path += f".{shown(key)}"
            entry = node.entries.get(key) if isinstance(node, Mapping) else None
            node = entry.value if entry is not None else None
    return path.strip(".")
