"""Which windings of the settings are phases of one winding, and which make up the two sides of a unit.

What the step compares and what `check` says is not compared both come from here. Nothing here knows a
current.
"""

from __future__ import annotations

from collector.settings.bind import Part
from collector.settings.model import Transformer


def phases_of(t: Transformer | Part) -> tuple[tuple[int, ...], ...]:
    """For each winding of the settings, the other phases of the same winding.

    Phases belong together when kind and rated currents are alike and no letter comes twice: of two equal
    secondaries the first A goes with the first B. A neutral carries next to nothing by right, and without
    a letter nobody knows what a current should be compared with: both stand alone.
    """
    wholes: list[tuple[object, dict[str, int]]] = []
    for k, w in enumerate(t.windings):
        if w.phase is None or w.phase == "N":
            continue
        rated = tuple(w.modes[m.id].rated_current_a if m.id in w.modes else None for m in t.modes)
        alike = (w.kind, rated)
        whole = next((members for key, members in wholes if key == alike and w.phase not in members), None)
        if whole is None:
            whole = {}
            wholes.append((alike, whole))
        whole[w.phase] = k
    found: list[tuple[int, ...]] = [()] * len(t.windings)
    for _, members in wholes:
        for k in members.values():
            found[k] = tuple(j for j in members.values() if j != k)
    return tuple(found)


def sides_of(
    t: Transformer | Part, phases: tuple[tuple[int, ...], ...]
) -> tuple[tuple[int, ...], ...]:
    """The main windings by side. Empty unless there are two sides, each measured whole by CTs of its own:
    with a third that carries load, or one that is not measured, ampere-turns do not balance."""
    if any(w.kind != "main" or w.current is None for w in t.windings if w.phase != "N"):
        return ()
    found = dict.fromkeys(tuple(sorted((k, *phases[k]))) for k, w in enumerate(t.windings) if w.phase != "N")
    return tuple(found) if len(found) == 2 else ()
