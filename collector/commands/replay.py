"""Run a trace or a record through the very step that runs live, and compare settings on it.

  windingd replay station.yaml --from trace.csv --to result.csv
  windingd replay station.yaml --from trace.csv --to - --points 'T1.*.hot_spot_c'
  windingd replay station.yaml --from trace.csv --what-if stage2_at_70.yaml --to result.csv
  windingd replay station.yaml --from trace.csv --compare stage2_at_70.yaml more_fans.yaml
  windingd replay /var/lib/windingd --journal --since 2026-07-14T12:00Z --until 2026-07-14T18:00Z
  windingd replay /var/lib/windingd --history --since 2026-07-01 --compare stage2_at_70.yaml

trace.csv: first column `time` (UTC, 2026-07-14T13:05:00Z), then measurement ids such as T1.top_oil_c,
T1.ambient_c, T1.HV_A.current_a, T1.stage1.feedback. An empty cell is a missing reading; a step change is
two rows 1 ms apart; a stage without a feedback column runs as soon as it is called. What `windingd export`
writes is a trace too.
result.csv: the same times, then every point with its quality beside it.

--journal replays every recorded step with the recorded settings and says whether each decision, value
and state comes out equal (exit status 1 if not). --history replays interval means, which is approximate.
--what-if and --compare run other settings on the same load and weather: top oil = recorded + model with
the new stages - model with the old ones, an estimate (quality questionable). With --mode as-recorded oil
and feedback stay as recorded, and only calls and alarms follow the other settings."""

from __future__ import annotations

import argparse
import sqlite3
import sys
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TextIO, TypeVar

from rich.console import Console

from collector.commands.common import EX_OK, EX_OTHER, EX_USAGE, Failure, load_or_fail, whole_file
from collector.messages import Outcome
from collector.points import catalogue
from collector.record.blocks import DamagedBlock
from collector.record.reader import Record, RecordError
from collector.replay import journal, lanes
from collector.replay.history import History, HistoryError, newest_settings
from collector.replay.run import lane_outcome, write_csv
from collector.replay.summary import Summarise, UnitSummary, print_side_by_side
from collector.replay.trace import Row, Trace, TraceFault, moment
from collector.settings.model import Settings

T = TypeVar("T")
Progress = Callable[[float], None]


def add(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "subject",
        type=Path,
        metavar="SETTINGS|RECORD",
        help="settings file; with --journal or --history a record",
    )
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--from", dest="source", type=Path, metavar="TRACE.csv", help="a trace")
    source.add_argument("--journal", action="store_true", help="a record's journal: exact")
    source.add_argument("--history", action="store_true", help="a record's history: approximate")
    parser.add_argument("--to", dest="target", metavar="RESULT.csv", help="- for standard output")
    parser.add_argument(
        "--points",
        action="append",
        metavar="PATTERN",
        help="only these points (may be repeated; * and ? match)",
    )
    parser.add_argument("--since", metavar="TIME", help="of a record: from here (default: the oldest)")
    parser.add_argument("--until", metavar="TIME", help="of a record: up to here (default: the newest)")
    parser.add_argument(
        "--settings", type=Path, metavar="FILE", help="with --history: instead of the record's own"
    )
    parser.add_argument(
        "--loading", action="store_true", help="permissible loading in the result as well, which takes time"
    )
    other = parser.add_mutually_exclusive_group()
    other.add_argument("--what-if", type=Path, metavar="OTHER", help="other settings; --to gets their values")
    other.add_argument(
        "--compare", type=Path, nargs="+", metavar="OTHER", help="other settings, side by side"
    )
    parser.add_argument(
        "--mode",
        choices=("what-if", "as-recorded"),
        default="what-if",
        help="of the other settings: oil and running as the model moves them (default), or as recorded",
    )


def run(args: argparse.Namespace) -> int:
    _refuse_misuse(args)
    try:
        if args.journal:
            return _journal(args)
        if args.history:
            with _record(args.subject) as record:
                return _history(args, record)
        settings, loaded = load_or_fail(args.subject)
        trace = Trace(args.source, settings)
        for notice in trace.notices:
            print(f"note: {notice}", file=sys.stderr)
        base = lanes.Lane(args.subject.name, settings, loaded.hash)
        return _scenarios(args, base, trace.columns, trace, trace.progress)
    except (TraceFault, RecordError, HistoryError, journal.JournalError, lanes.LaneError) as fault:
        raise Failure(str(fault)) from None
    except (sqlite3.DatabaseError, zlib.error, DamagedBlock) as error:
        raise Failure(
            f"{args.subject}: damaged ({error}); another period may still be readable (--since, --until)"
        ) from None
    except BrokenPipeError:
        raise
    except OSError as error:
        raise Failure(f"{error.filename or args.target}: {error.strerror}") from None


def _refuse_misuse(args: argparse.Namespace) -> None:
    others = args.what_if or args.compare
    if args.source and not (args.target or others):
        raise Failure("--to RESULT.csv is missing (- for standard output)", EX_USAGE)
    if args.history and not (args.target or others):
        raise Failure("--history needs --to RESULT.csv, --what-if or --compare", EX_USAGE)
    if args.journal and others:
        raise Failure(
            "--journal replays what was recorded (use --history with --what-if or --compare)", EX_USAGE
        )
    if args.source and (args.since or args.until):
        raise Failure("--since and --until go with --journal or --history", EX_USAGE)
    if args.settings and not args.history:
        raise Failure("--settings goes with --history", EX_USAGE)
    if args.points and not args.target:
        raise Failure("--points chooses columns of --to RESULT.csv, which is missing", EX_USAGE)
    if args.loading and (args.journal or not args.target):
        raise Failure("--loading adds its points to --to RESULT.csv (a journal has them already)", EX_USAGE)
    if args.compare and args.target:
        raise Failure("--compare prints a table and writes no file (--what-if OTHER --to does)", EX_USAGE)


# --- a record -------------------------------------------------------------------------------------


def _record(path: Path) -> Record:
    record = Record(path / "record.sqlite" if path.is_dir() else path)
    if record.notice:
        print(f"note: {record.notice}", file=sys.stderr)
    return record


def _period(args: argparse.Namespace) -> tuple[int | None, int | None]:
    try:
        start = moment(args.since) if args.since else None
        end = moment(args.until) if args.until else None
    except ValueError as error:
        raise Failure(str(error), EX_USAGE) from None
    if start is not None and end is not None and end <= start:
        raise Failure(f"--until {args.until} is not after --since {args.since}", EX_USAGE)
    return start, end


def _journal(args: argparse.Namespace) -> int:
    start, end = _period(args)
    tally = journal.Tally()
    with _record(args.subject) as record, _bar() as tell:
        walls = [snapshot.wall_ns for snapshot in record.snapshots()] if tell else []
        first = start if start is not None else min(walls, default=0)
        last = end if end is not None else max(walls, default=0)
        progress = _Done()

        def noted() -> Iterator[journal.Replayed]:
            for step in journal.replay(record, tally, start, end):
                progress.done = (step.recorded.wall_ns - first) / max(1, last - first)
                yield step

        done = _told(noted(), progress, tell)
        if args.target:
            settings = newest_settings(record)[0]
            # Replayed from the snapshot before --since; written from there on.
            shown = (d for d in done if start is None or d.recorded.wall_ns >= start)
            _write(args, settings, ((_row(d), d.outcome) for d in shown))
        else:
            for _ in done:
                pass
    for line in report(tally):
        print(line)
    return EX_OTHER if tally.differ else EX_OK


def _row(done: journal.Replayed) -> Row:
    wall_ns = done.recorded.wall_ns
    return Row(done.recorded.decision.sequence, journal.utc(wall_ns), wall_ns, {})


def report(tally: journal.Tally) -> list[str]:
    """What a replay of the journal found, in lines."""
    exact = "bit by bit" if tally.exact else f"within {journal.TOLERANCE:g}"
    lines = [
        f"{tally.steps} steps in {tally.runs} run{'s' * (tally.runs != 1)} replayed: "
        f"{tally.stage_changes} stage changes, {tally.commands} commands, {tally.reloads} reloads",
        f"decisions equal: {tally.decisions_equal} of {tally.steps}",
    ]
    if tally.exact:
        lines.append(f"all values with their qualities equal: {tally.values_equal} of {tally.steps}")
    lines.append(
        f"states with loss of life equal ({exact}): {tally.states_equal} of {tally.states} snapshots"
    )
    if tally.restores:
        lines.append(
            f"restores from a checkpoint equal ({exact}): {tally.restores_equal} of {tally.restores} restarts"
        )
    lines += [f"note: {note}" for note in tally.notes]
    if tally.missing:
        lines.append(f"note: {tally.missing} steps could not be replayed: nothing to start from")
    lines += [f"differs: {text}" for text in tally.differences]
    if tally.differ > len(tally.differences):
        lines.append(f"differs: ... and {tally.differ - len(tally.differences)} more")
    lines.append("result: no difference" if not tally.differ else f"result: {tally.differ} differences")
    return lines


def _history(args: argparse.Namespace, record: Record) -> int:
    start, end = _period(args)
    if args.settings:
        settings, loaded = load_or_fail(args.settings)
        base = lanes.Lane(args.settings.name, settings, loaded.hash)
    else:
        settings, settings_hash = newest_settings(record)
        base = lanes.Lane("as recorded", settings, settings_hash)
    rows = History(record, settings, start, end)
    print(
        f"note: approximate: history holds means of {rows.interval_s:g} s, not what each step saw "
        f"(--journal is exact)",
        file=sys.stderr,
    )
    count = len(rows)

    def counted() -> Iterator[Row]:
        for row in rows:
            progress.done = row.line / count
            yield row

    progress = _Done()
    return _scenarios(args, base, rows.columns, counted(), progress)


@dataclass(slots=True)
class _Done:
    done: float = 0.0

    def __call__(self) -> float:
        return self.done


# --- scenarios ------------------------------------------------------------------------------------


def _scenarios(
    args: argparse.Namespace,
    base: lanes.Lane,
    columns: Sequence[str],
    rows: Iterable[Row],
    progress: Callable[[], float],
) -> int:
    others: list[Path] = [args.what_if] if args.what_if else (args.compare or [])
    what_if = args.mode == "what-if"
    chosen = [base]
    for path in others:
        settings, loaded = load_or_fail(path)
        chosen.append(lanes.Lane(path.name, settings, loaded.hash, closed_loop=what_if, shifted=what_if))
    with _bar() as tell:
        run = lanes.run(chosen, columns, rows, values=bool(args.target), loading=args.loading)
        stepped = _settling(_told(run, progress, tell))
        if not others:
            _write(args, base.settings, ((d.row, d.outcome) for d in stepped))
            return EX_OK
        summary = Summarise(chosen)
        if args.target:
            other = chosen[1].settings
            ids = [p.id for p in catalogue(other)]
            _write(args, other, _summed(stepped, summary, ids))
        else:
            for done in stepped:
                summary.add(done)
    found = summary.result()
    if not any(found):
        raise Failure(f"{args.source or args.subject}: no rows to replay")
    console = Console(stderr=args.target == "-", highlight=False, emoji=False)
    if not console.is_terminal:
        console.width = 60 + 28 * len(chosen)
    remarks = _remarks(chosen, columns, what_if)
    if not what_if:
        remarks += list(_corrections(chosen, found))
    print_side_by_side(console, chosen, found, remarks)
    return EX_OK


def _corrections(chosen: Sequence[lanes.Lane], found: Sequence[Sequence[UnitSummary]]) -> Iterator[str]:
    """What other figures of the unit would have made of its loss of life, as a correction to be given."""
    first = {(u.id, w): hours for u in found[0] for w, hours in u.loss_of_life_h.items()}
    for lane, units in zip(chosen[1:], found[1:], strict=True):
        for unit in units:
            for winding, hours in unit.loss_of_life_h.items():
                more = hours - first.get((unit.id, winding), hours)
                if abs(more) >= 0.0005:
                    yield (
                        f"{lane.label}: loss of life of {unit.id}.{winding} {hours:.3f} h, {more:+.3f} h. To "
                        "take that over, add it to what stands there now: windingd status SETTINGS "
                        f'--correct-life {unit.id}.{winding} HOURS --why "..."'
                    )


def _settling(stepped: Iterable[lanes.Stepped]) -> Iterator[lanes.Stepped]:
    """Says until when the model ran on a guessed beginning: figures up to then are not to be relied on."""
    settled_ns = last_ns = 0
    for done in stepped:
        last_ns = done.row.wall_ns
        thermal = done.state.thermal
        if thermal is not None:
            left_ns = max(0, int(thermal.settled_ns.max()) - int(thermal.t_ns))
            settled_ns = last_ns + left_ns if left_ns else settled_ns
        yield done
    if settled_ns:
        word = "has settled" if settled_ns <= last_ns else "would have settled"
        print(
            f"note: the model starts without a history, as if the first load had lasted, and {word} at "
            f"{journal.utc(settled_ns)[:19]}Z; "
            "hot spots and loss of life before are uncertain (begin earlier)",
            file=sys.stderr,
        )


def _remarks(chosen: Sequence[lanes.Lane], columns: Sequence[str], what_if: bool) -> list[str]:
    proven = any(column.endswith(".feedback") for column in columns)
    running = "by the trace's feedback" if proven else "as called (the trace has no feedback)"
    remarks = [f"{chosen[0].label}: oil as recorded, stages run {running}."]
    if what_if:
        remarks.append(
            "Others: estimate. Oil = recorded + model with their stages - model with the first one's; what "
            "is called runs."
        )
        remarks.append(
            "What the settings alone change: give the first ones among the others too, and compare those."
        )
    else:
        remarks.append("Others: oil and running as recorded; only calls, alarms and limits are their own.")
    return remarks


def _summed(
    stepped: Iterable[lanes.Stepped], summary: Summarise, ids: Sequence[str]
) -> Iterator[tuple[Row, Outcome]]:
    for done in stepped:
        summary.add(done)
        yield done.row, lane_outcome(done.outcome, 1, ids)


def _write(args: argparse.Namespace, settings: Settings, results: Iterable[tuple[Row, Outcome]]) -> None:
    patterns = args.points or ["*"]
    ids = [p.id for p in catalogue(settings)]
    for pattern in patterns:
        if not any(fnmatchcase(i, pattern) for i in ids):
            raise Failure(f"--points {pattern}: no such point (windingd points lists them)", EX_USAGE)
    with _sink(args.target) as output:
        count = write_csv(settings, results, output, patterns)
    if args.target != "-":
        print(f"{count} rows replayed to {args.target}", file=sys.stderr)


@contextmanager
def _sink(target: str) -> Iterator[TextIO]:
    """Written beside the target and renamed: what is refused leaves an older result as it was."""
    if target == "-":
        yield sys.stdout
        return
    with whole_file(Path(target)) as part, part.open("w", encoding="utf-8", newline="") as output:
        yield output


def _told(items: Iterable[T], done: Callable[[], float], tell: Progress | None) -> Iterator[T]:
    for n, item in enumerate(items):
        if tell is not None and n % 500 == 0:
            tell(done())
        yield item


@contextmanager
def _bar() -> Iterator[Progress | None]:
    """A progress bar on a terminal (standard error), nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("replaying"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task("replay", total=1.0)
        yield lambda share: bars.update(task, completed=share)
