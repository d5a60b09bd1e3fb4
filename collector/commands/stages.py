"""Cooling stages: where each really picks up and drops out, how it stands, force on, hold off, prove.

  windingd stages station.yaml                            the schedule, found by the decision step itself
  windingd stages station.yaml --live                     how each stage stands and why
  windingd stages station.yaml --force-on T1.stage2 --minutes 30
  windingd stages station.yaml --hold-off T1.stage2 --minutes 15
  windingd stages station.yaml --automatic T1.stage2      ends either
  windingd stages station.yaml --acknowledge-flapping T1.stage2
  windingd stages station.yaml --confirm-module relays    its timeout was mended and proven at the cabinet
  windingd stages station.yaml --prove --record proof.jsonl

Hold-off is not isolation: lock out before work on a fan. It is refused at alarm temperature and while an
input is lost. --prove leads through a proof test of every stage and of the release path (network, gateway
and module without power) and keeps a record; run again with the same record it goes on where it stopped.
Exit status 1 when a command was refused or a step of the proof test failed."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from pathlib import Path

from rich.console import Console

from collector.commands.common import EX_OK, EX_OTHER, EX_USAGE, Failure, add_settings, connect, load_or_fail
from collector.messages import CommandKind
from collector.operator import OperatorClient, OperatorError
from collector.settings.model import Settings

#: option -> command
_COMMANDS: dict[str, CommandKind] = {
    "force_on": "force_on",
    "hold_off": "hold_off",
    "automatic": "automatic",
    "acknowledge_flapping": "acknowledge_flapping",
}


def add(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--live", action="store_true", help="ask the running daemon")
    what.add_argument("--force-on", metavar="STAGE", help="run it, for --minutes or until --automatic")
    what.add_argument("--hold-off", metavar="STAGE", help="keep it from running, for --minutes")
    what.add_argument("--automatic", metavar="STAGE", help="end force-on or hold-off")
    what.add_argument("--acknowledge-flapping", metavar="STAGE", help="the cause is found: back to automatic")
    what.add_argument(
        "--confirm-module", metavar="DEVICE", help="it failed a proof; it is mended: it may hold off again"
    )
    what.add_argument("--prove", action="store_true", help="guided proof test at the cabinet")
    parser.add_argument("--minutes", type=float, metavar="M")
    parser.add_argument("--json", action="store_true", help="schedule or --live as JSON")
    parser.add_argument(
        "--record", type=Path, metavar="FILE", help="with --prove: JSON lines, and FILE.md beside it"
    )
    parser.add_argument(
        "--answers", type=Path, metavar="FILE", help="with --prove: answers instead of questions (YAML)"
    )


def run(args: argparse.Namespace) -> int:
    if (args.record or args.answers) and not args.prove:
        raise Failure("--record and --answers go with --prove", EX_USAGE)
    if args.minutes is not None and not (args.force_on or args.hold_off):
        raise Failure("--minutes goes with --force-on or --hold-off", EX_USAGE)
    if args.hold_off and args.minutes is None:
        raise Failure("--hold-off needs --minutes", EX_USAGE)
    settings, loaded = load_or_fail(args.settings)
    for option, kind in _COMMANDS.items():
        if stage := getattr(args, option):
            target = stage_id(settings, stage)
            with connect(args.settings) as client:
                return give(client, settings, kind, target, minutes=args.minutes)
    if args.confirm_module:
        with connect(args.settings) as client:
            return give(client, settings, "confirm_module", args.confirm_module)
    if args.prove:
        from collector.technician.terminal import prove

        return prove(settings, loaded.hash, args.settings, args.record, args.answers)
    if args.live:
        with connect(args.settings) as client:
            return _live(client, settings, as_json=args.json)
    return _schedule(settings, as_json=args.json)


def stage_id(settings: Settings, name: str) -> str:
    """`T1.stage2` for that or, where only one transformer has it, `stage2`. Failure lists the stages."""
    ids = [f"{t.id}.{s.id}" for t in settings.transformers for s in t.stages]
    found = [i for i in ids if name in (i, i.partition(".")[2])]
    if len(found) != 1:
        wrong = "no such stage" if not found else "more than one transformer has it"
        raise Failure(f"{name}: {wrong} (one of {', '.join(ids) or 'none'})", EX_USAGE)
    return found[0]


def give(
    client: OperatorClient,
    settings: Settings,
    kind: CommandKind,
    target: str,
    *,
    minutes: float | None = None,
    value: float | None = None,
    after_min: float | None = None,
    why: str | None = None,
) -> int:
    """Give a command, say what became of it. EX_OK when it was obeyed, Failure when it was refused."""
    try:
        cycle_s = settings.station.cycle_s
        answer = client.command(
            kind, target, minutes=minutes, value=value, after_min=after_min, why=why, cycle_s=cycle_s
        )
    except OperatorError as error:
        raise Failure(str(error)) from None
    if not answer["accepted"]:
        raise Failure(answer["text"])
    print(answer["text"])
    return EX_OK


def _live(client: OperatorClient, settings: Settings, *, as_json: bool) -> int:
    from collector.technician import tables

    try:
        status = client.request(request="status")
    except OperatorError as error:
        raise Failure(str(error)) from None
    if as_json:
        print(json.dumps(status["stages"], indent=2, ensure_ascii=False))
    else:
        Console(highlight=False).print(tables.live_picture(settings, status))
    return EX_OK if status["stages"] or not any(t.stages for t in settings.transformers) else EX_OTHER


def _schedule(settings: Settings, *, as_json: bool) -> int:
    from collector.technician import tables
    from collector.technician.schedule import schedule

    console = Console(highlight=False)
    with Console(stderr=True).status("moving oil and load through the decision step …"):
        found = schedule(settings)
    if as_json:
        print(json.dumps({t: [asdict(row) for row in rows] for t, rows in found.items()}, indent=2))
    else:
        console.print(tables.schedule_picture(settings, found))
    late = [
        r.id for rows in found.values() for r in rows if r.together_s is not None and r.together_s > r.bound_s
    ]
    return EX_OTHER if late else EX_OK
