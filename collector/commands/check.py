"""List every fault of a settings file at once, each as FILE:LINE: key.path: what is wrong.

Exit status 0 when the file can be run (a summary is printed), 78 when it cannot. No link is opened.

With --upgrade also what a file of an earlier version needs: each key that it leaves out and that has become
required, acts by itself or has another default now, with what to write to keep what it did before.

Example:
  windingd check /etc/windingd/station.yaml
  windingd check --upgrade /etc/windingd/station.yaml
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

from collector.commands.common import EX_CONFIG, EX_OK
from collector.field.layout import outputs
from collector.settings import load
from collector.settings.faults import Fault
from collector.settings.model import Settings, Stage, Transformer
from collector.settings.reaction import (
    bound_s,
    left_alone_with,
    reaction_s,
    silence_s,
    worst_write_s,
    writes_for,
)
from collector.settings.rules.cooling import worst_delay_s
from collector.settings.steady import steady_state
from collector.settings.upgrade import needs
from collector.thermal.heating import HIGHEST, highest_load_pu, hot_spot_rises_k

#: Ambient of the steady-state table [degC]: highest ambient of IEC 60076-2, from memory.
AMBIENT_C = 40.0


def add(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", help="settings file (YAML)")
    parser.add_argument("--quiet", action="store_true", help="no summary, only faults, warnings and notes")
    parser.add_argument("--upgrade", action="store_true", help="what a file of an earlier version needs")


def run(args: argparse.Namespace) -> int:
    loaded = load(args.file)
    needed = _needs(args.file) if args.upgrade else []
    places = {(fault.line, fault.path) for fault in needed if fault.severity == "fault"}
    for fault in loaded.faults:  # a missing key that is proposed is said once
        if (fault.line, fault.path) not in places:
            _print(str(fault))
    for fault in needed:
        _print(str(fault))
    if loaded.settings is None:
        return EX_CONFIG
    for remark in [] if args.upgrade else loaded.remarks:
        _print(str(remark))
    if args.upgrade:
        count = len(needed) or "no"
        _print(f"{args.file}: can be run as it is; {count} keys left out mean something else now")
    elif not args.quiet:
        for line in summary(loaded.settings):
            _print(line)
        warnings = sum(remark.severity == "warning" for remark in loaded.remarks)
        said = f"{warnings or 'no'} warning{'' if warnings == 1 else 's'}"
        _print(f"{args.file}: no faults, {said}, settings hash {loaded.hash[:12]}")
    return EX_OK


def _needs(file: str) -> list[Fault]:
    try:
        return needs(Path(file).read_bytes(), file)
    except (OSError, ValueError):
        return []  # load has said why


def summary(settings: Settings) -> Iterator[str]:
    """What the settings amount to, for a person to lay beside drawings and the maker's report."""
    s = settings.station
    yield (
        f"Station {s.id}{f' ({s.name})' if s.name else ''}: one decision every {s.cycle_s:g} s, record "
        f"in {s.data_dir}{f' while {s.data_mount} is mounted' if s.data_mount else ''}"
    )
    yield ""
    yield from _table(
        ("device", "link", "where", "unit", "poll s", "releases by itself"),
        [_device_row(settings, device.id) for device in settings.devices],
    )
    for t in settings.transformers:
        yield ""
        yield from _transformer(t, s.cycle_s)
    yield ""
    yield from _reaction(settings)
    for device in settings.devices:
        if device.identity is not None:
            right = device.identity.expected
            must = f"must say that it is {right}" if right else "says who it is (see windingd status --json)"
            yield f"{device.id} {must}."
        if device.relay_module is not None:
            total = s.decision_max_age_s + device.relay_module.timeout_s
            yield (
                f"When windingd stops deciding, {device.id} lets the cooling run at most {total:g} s later "
                f"(decision_max_age_s {s.decision_max_age_s:g} + timeout_s "
                f"{device.relay_module.timeout_s:g})."
            )


def _reaction(settings: Settings) -> Iterator[str]:
    """How long after hot oil the fans run at the latest, and what that costs."""
    s = settings.station
    rows, notes = [], []
    for n, t in enumerate(settings.transformers):
        for device in settings.devices:
            module = device.relay_module
            if module is None or all(stage.relay.device != device.id for stage in t.stages):
                continue
            link = next(item for item in settings.links if item.id == device.link)
            read_s = max(d.poll_s for d in settings.devices if d.id == t.top_oil.device)
            relays = [relay for _, relay in outputs(settings)]
            devices = [
                (d, writes_for(relay for relay in relays if relay.device == d.id))
                for d in settings.devices
                if d.link == link.id
            ]
            worst_s = reaction_s(s, module)
            rises = hot_spot_rises_k(settings, n, sorted({60.0, worst_s}))
            per_min, cost = rises[0 if worst_s >= 60.0 else -1], rises[-1 if worst_s >= 60.0 else 0]
            rows.append(
                (
                    t.id,
                    device.id,
                    f"{s.stale_after_s:g} ({read_s:g})",
                    f"{s.cycle_s:g}",
                    f"{worst_write_s(link, devices):.3g}",
                    f"{bound_s(module):g}",
                    f"{module.timeout_s:g}",
                    f"{worst_s:g} ({worst_s - s.stale_after_s + read_s:g})",
                    f"{per_min:.1f}",
                    f"{cost:.1f}",
                )
            )
            unread = left_alone_with(settings, device)
            if unread:
                notes.append(
                    f"  While {device.id} is left alone, up to {silence_s(module):g} s at a time, "
                    f"{', '.join(unread)} cannot be read: it is fed by {module.fed_by}."
                )
    if not rows:
        return
    yield "From hot oil to fans, when the relay module does not obey"
    yield from _table(
        ("unit", "module", "seen s", "decided s", "written s", "left alone s", "lets go s", "sum s",
         "K per min", "K"),
        rows,
    )  # fmt: skip
    yield (
        "  seen: stale_after_s if the input has gone (its poll_s if it is read). written: every output one "
        "by one, each answer only just in time. left alone: release_within_s. lets go: the module's timeout_s"
    )
    yield (
        "  K: rise of the hot spot from the rated steady state of the weakest cooling mode after a step to "
        + ", ".join(
            f"{highest_load_pu(settings, n):g} pu ({t.id})" for n, t in enumerate(settings.transformers)
        )
        + f", the limit of {HIGHEST} loading"
    )
    yield from notes
    yield ""


def _device_row(settings: Settings, name: str) -> tuple[str, ...]:
    device = next(d for d in settings.devices if d.id == name)
    link = next(item for item in settings.links if item.id == device.link)
    where = link.serial_device or f"{link.host}:{link.port or 502}"
    module = device.relay_module
    releases = "-" if module is None else f"{module.released_by}, {module.timeout_s:g} s"
    return device.id, link.id, f"{link.type} {where}", str(device.unit), f"{device.poll_s:g}", releases


def _transformer(t: Transformer, cycle_s: float) -> Iterator[str]:
    mva = f", {t.rated_mva:g} MVA" if t.rated_mva is not None else ""
    yield f"Transformer {t.id}{f' ({t.name})' if t.name else ''}{mva}, {t.guide}, paper {t.paper}"
    if t.stages:
        yield ""
        yield from _table(
            (
                "stage",
                "kind",
                "pickup / dropout",
                "delay s",
                "worst s",
                "min. run s",
                "proof",
                "hardware_stagger",
            ),
            [_stage_row(t, stage, cycle_s) for stage in t.stages],
        )
        yield (
            "  worst s: pickup delay + restart inhibit + stagger of the others + a cycle for each stage; all "
            "are 0 at alarm temperature"
        )
    yield ""
    yield f"  Steady state at rated current and {AMBIENT_C:g} °C ambient"
    rows = []
    for mode in t.modes:
        cases = [(steady_state(t, mode, winding, AMBIENT_C), winding) for winding in t.windings]
        (oil, hot), winding = max(cases, key=lambda case: case[0][1])
        needs = "+".join(mode.needs) or "none"
        rows.append((mode.id, mode.cooling, needs, f"{oil:.1f}", f"{hot:.1f}", winding.id))
    yield from _table(("mode", "cooling", "stages", "top oil °C", "hot spot °C", "hottest"), rows)
    a = t.alarms
    yield (
        f"  Alarms: top oil {a.top_oil_high_c:g} / {a.top_oil_high_high_c:g} °C, "
        f"hot spot {a.hot_spot_high_c:g} / {a.hot_spot_high_high_c:g} °C (high / high-high)"
    )
    yield f"  Trip output: {'ENABLED' if t.trip.enabled else 'off'}"
    if t.backstop is None:
        yield "  Backstop: NONE; a wrong value that looks right cannot be excluded by software"
    else:
        yield f"  Backstop: thermostat at {t.backstop.limit_c:g} °C, last tested {t.backstop.last_test}"


def _stage_row(t: Transformer, stage: Stage, cycle_s: float) -> tuple[str, ...]:
    pairs = []
    for key, name, unit in (
        ("top_oil_c", "oil", "°C"),
        ("hot_spot_c", "hot spot", "°C"),
        ("load_pu", "load", "pu"),
    ):
        on, off = getattr(stage.pickup, key), getattr(stage.dropout, key)
        if on is not None:
            pairs.append(f"{name} {on:g}/{off:g} {unit}")
    return (
        stage.id,
        stage.kind,
        " or ".join(pairs),
        f"{stage.pickup_delay_s:g}",
        f"{worst_delay_s(t, stage, cycle_s):g}",
        f"{stage.minimum_run_s:g}",
        "feedback" if stage.feedback is not None else "none",
        "yes" if stage.hardware_stagger else "no",
    )


def _table(heads: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> Iterator[str]:
    table = [heads, *rows]
    widths = [max(len(row[i]) for row in table) for i in range(len(heads))]
    for row in table:
        yield "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _print(line: str) -> None:
    """Print to whatever the terminal can show: a degree sign or a foreign name never ends in a traceback."""
    encoding = sys.stdout.encoding or "utf-8"
    print(line.encode(encoding, "backslashreplace").decode(encoding))
