"""One station against the daemon from the command line: reproduce what the judge has found.

python tests/habits/play.py --kind 1 --seed 7 --seconds 60 --only "refuses writes:3"
"""

from __future__ import annotations

import argparse
import asyncio
import tempfile
import time
from pathlib import Path

from habits.judge import bound, judge
from habits.station import KINDS, Station, named, play


async def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", type=int, default=0, help=f"0 to {len(KINDS) - 1}")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--only", action="append", help="habit:unit, may be repeated")
    parser.add_argument(
        "--break", dest="broken", default="", help="a mechanism of tests/hindered.py taken out"
    )
    parser.add_argument("--units", default="1233", help="which units may have habits, as often as named")
    parser.add_argument("--directory", type=Path)
    args = parser.parse_args()
    only = None
    if args.only:
        pairs = [one.rpartition(":") for one in args.only]
        only = named(*((name, int(unit)) for name, _, unit in pairs))
    directory = args.directory or Path(tempfile.mkdtemp(prefix="habits-"))
    how = ("-m", "collector.commands.main")
    if args.broken:
        how = (str(Path(__file__).parents[1] / "hindered.py"),)
    station = Station(KINDS[args.kind], args.seed, directory, how, {"BREAK": args.broken})
    print(station.kind, "seed", args.seed, directory)
    print("bound", bound(station))
    began = time.monotonic()
    async with station:
        await play(station, args.seconds, only, tuple(map(int, args.units)))
    verdict = judge(station)
    took_s, told = time.monotonic() - began, len(station.errors.read_bytes().splitlines())
    print(f"cpu {station.cpu_s:.1f} s of {took_s:.0f} s, {len(station.log.asked)} requests, {told} log lines")
    print(dict(verdict.premises))
    print({name: round(value, 1) for name, value in verdict.worst.items()})
    print(*verdict.lines(), sep="\n")
    return bool(verdict.broken)


if __name__ == "__main__":
    raise SystemExit(asyncio.run(main()))
