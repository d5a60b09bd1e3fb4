"""Settings from a factory temperature-rise report (IEC 60076-2), and what windingd will show with them.

  windingd heatrun config/heatrun_hollowbeck_t1.yaml --settings config/demo.yaml --output t1_block.yaml

reads the report of transformer T1, says where it contradicts itself, writes the `modes` and `windings`
of T1 to t1_block.yaml, each figure under its derivation (registers and probes carried over from
config/demo.yaml), and prints the table of top oil, gradient, hot spot and ageing rate at 25 to 150 % load,
to lay beside the report. Paste the block in place of the old `modes` and `windings`, then run
windingd check config/demo.yaml. What a report file holds: config/heatrun_*.yaml, docs/heatrun.md."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from collector.commands.common import EX_CONFIG, EX_OK, EX_OTHER, EX_USAGE, Failure
from collector.settings import Fault, load
from collector.settings.bind import Binder, element
from collector.settings.model import Settings
from collector.settings.nodes import Mapping, Node, Sequence, parse
from collector.thermal import heatrun
from collector.thermal.heatrun import Derived, Finding, Report


def add(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="the report, as YAML (see config/heatrun_*.yaml)")
    parser.add_argument("--output", metavar="FILE", help="write the settings block here (default: print it)")
    parser.add_argument(
        "--settings", metavar="FILE", help="existing settings: carry over registers and probes"
    )
    parser.add_argument(
        "--ambient-c",
        type=float,
        default=20.0,
        metavar="C",
        help="ambient of the table (default 20, -50 to 60)",
    )


def run(args: argparse.Namespace) -> int:
    if not -50 <= args.ambient_c <= 60:
        raise Failure(f"--ambient-c {args.ambient_c:g} is out of range (-50 to 60)", EX_USAGE)
    for other in filter(None, (args.file, args.settings)):
        if args.output is not None and Path(args.output).resolve() == Path(other).resolve():
            raise Failure(f"--output {args.output} would overwrite {other} (give a new name)", EX_USAGE)
    derived, remarks = read(Path(args.file))
    for remark in remarks:
        print(remark, file=sys.stderr)
    if derived is None:
        return EX_CONFIG
    wiring = None
    if args.settings is not None:
        loaded = load(args.settings)
        if loaded.settings is None:
            for fault in loaded.faults:
                print(fault, file=sys.stderr)
            return EX_CONFIG
        wiring, findings = _wiring(derived, loaded.settings)
        tree, _ = parse(Path(args.settings).read_bytes())
        for finding in findings:
            print(_fault(args.settings, tree, finding), file=sys.stderr)
        if any(finding.fatal for finding in findings):
            return EX_CONFIG
    block = heatrun.block(derived, wiring)
    if args.output is None:
        print(block)
    else:
        try:
            Path(args.output).write_text(block, encoding="utf-8")
        except OSError as error:
            raise Failure(f"cannot write {args.output}: {error.strerror}", EX_OTHER) from None
    print(heatrun.table(derived, args.ambient_c))
    return EX_OK


def read(path: Path) -> tuple[Derived | None, list[Fault]]:
    """The figures of a report file, and its faults and warnings in line order; no figures with a fault."""
    file = str(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        return None, [Fault(file, 1, "", f"cannot be read: {error.strerror}")]
    if all(line.strip() == b"" or line.lstrip().startswith(b"#") for line in data.splitlines()):
        return None, [Fault(file, 1, "", "holds nothing (it needs transformer, losses, windings and modes)")]
    tree, problems = parse(data)
    faults = [Fault(file, p.line, ".".join(map(str, p.keys)), p.message) for p in problems]
    if tree is None:
        return None, faults
    binder = Binder(file)
    part = binder.section(Report, tree, "", 1)
    faults += binder.faults
    if faults:
        return None, sorted(faults, key=lambda fault: fault.line)
    derived, findings = heatrun.derive(part.build())
    remarks = [_fault(file, tree, finding) for finding in findings]
    return derived, sorted(remarks, key=lambda fault: fault.line)


def _fault(file: str, tree: Node | None, finding: Finding) -> Fault:
    """A finding at the line of the deepest part of its path that stands in the file."""
    node = tree
    line, path = 1, ""
    for key in finding.path:
        if isinstance(node, Mapping) and isinstance(key, str):
            entry = node.entries.get(key)
            path += f".{key}"
            line, node = (entry.line, entry.value) if entry is not None else (line, None)
        elif isinstance(node, Sequence) and isinstance(key, int):
            path += element(key, node.items[key])
            line, node = node.items[key].line, node.items[key]
        else:
            path += f".{key}"
            node = None
    return Fault(file, line, path.lstrip("."), finding.message, "fault" if finding.fatal else "warning")


def _wiring(derived: Derived, settings: Settings) -> tuple[dict[str, dict[str, Any]], list[Finding]]:
    """What existing settings know of each winding, and where they do not go with the report."""
    unit = derived.report.transformer
    index = next((i for i, t in enumerate(settings.transformers) if t.id == unit.id), None)
    if index is None:
        known = ", ".join(t.id for t in settings.transformers)
        return {}, [
            Finding(("transformers",), f"no transformer {unit.id}, which the report is about (here: {known})")
        ]
    transformer, where = settings.transformers[index], ("transformers", index)
    found = []
    for key in ("guide", "size", "liquid", "paper"):
        ours, theirs = getattr(unit, key), getattr(transformer, key)
        if ours != theirs:
            message = f"is {theirs}, the report's file says {ours} (the table follows the report's)"
            found.append(Finding((*where, key), message, fatal=False))
    numbers = {m.id: m.number for m in derived.report.modes}
    for i, mode in enumerate(transformer.modes):
        if numbers.get(mode.id, mode.number) != mode.number:
            message = f"is {mode.number}, in the report {numbers[mode.id]} (a number is permanent)"
            found.append(Finding((*where, "modes", i, "number"), message))
    tested = {
        name: (n, w.kind) for w in derived.report.windings for name, n, _ in heatrun.settings_windings(w)
    }
    for i, winding in enumerate(transformer.windings):
        if winding.id not in tested:
            message = "is not in the report, so not in the block (keep its section)"
            found.append(Finding((*where, "windings", i), message, fatal=False))
            continue
        number, kind = tested[winding.id]
        if number != winding.number:
            message = f"is {winding.number}, in the report {number} (a number is permanent)"
            found.append(Finding((*where, "windings", i, "number"), message))
        if kind != winding.kind:
            message = f"is {winding.kind}, in the report {kind} (the block follows the report)"
            found.append(Finding((*where, "windings", i, "kind"), message, fatal=False))
    return {w.id: w.model_dump(exclude_unset=True, mode="json") for w in transformer.windings}, found
