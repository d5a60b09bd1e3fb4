"""The facts of a report, read from a record file: numbers with their times and quality, no words of layout.

What a number means is said here in one place each; nothing here draws or writes HTML.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from collector.control.alarms import AlarmStatus
from collector.quality import Quality, Validity
from collector.record.export import utc
from collector.record.keys import parts_of
from collector.record.reader import Record, RecordError, StoredEvent, StoredPoint
from collector.report.series import EMPTY, HOUR_S, Rise, Track, rise, stretches, track
from collector.settings import once_good
from collector.settings.model import Settings, Transformer
from collector.thermal.ageing import ageing_rate, law_in_force
from collector.thermal.params import AGEING_LAWS

S = 10**9
DAY_NS = 86_400 * S
DEFAULT_DAYS = 7
#: Longer periods are read from the record's 15-minute blocks: minutes would not show and take long.
FINE_DAYS, COARSE_S = 62, 900.0
ACTIVE = (AlarmStatus.UNACKNOWLEDGED, AlarmStatus.ACKNOWLEDGED)


class ReportError(Exception):
    """No report can be made of this; the message says why and what would be right."""


@dataclass(frozen=True, slots=True)
class Peak:
    """Highest value, the start of its interval [UTC ns], its quality."""

    value: float
    time_ns: int
    quality: Quality


@dataclass(frozen=True, slots=True)
class Life:
    """Loss of life in the period [h] at hot spot - U, as estimated, + U, and the total to its end [h].

    dry_h: as estimated, had the paper been dry and free of air; None where it is taken to be so.
    corrected: how often it was corrected by hand in the period, which is in no figure but the total.
    percent, total_percent: of normal life; None where the record has no settings to say what that is.
    """

    low_h: float
    best_h: float
    high_h: float
    total_h: float
    dry_h: float | None
    percent: tuple[float, float, float] | None
    total_percent: float | None
    quality: Quality
    restarts: int
    corrected: int


@dataclass(frozen=True, slots=True)
class WindingFacts:
    """unmonitored_life: conservative figure for the unmonitored hours [h], in no other figure."""

    id: str
    hot_spot: Track
    load: Track
    peak: Peak | None
    uncertainty_k: float | None  # expanded, k = 2, at the peak
    load_peak: Peak | None
    hours_high: float | None
    hours_high_high: float | None
    monitored_h: float
    life: Life | None
    unmonitored_life: Rise | None


@dataclass(frozen=True, slots=True)
class StageFacts:
    id: str
    name: str
    called: Track
    running: Track
    called_h: float
    run_h: Rise | None
    starts: Rise | None


@dataclass(frozen=True, slots=True)
class ModeFacts:
    """A cooling mode: hours in force, mean of measured minus expected top oil meanwhile [K]."""

    name: str
    hours: float
    effectiveness_k: float | None


@dataclass(frozen=True, slots=True)
class Effectiveness:
    """Measured minus expected top oil over the whole period [K]; hours it was known and above its limit."""

    mean_k: float | None
    peak: Peak | None
    known_h: float
    above_h: float | None
    modes: tuple[ModeFacts, ...]


@dataclass(frozen=True, slots=True)
class AlarmFacts:
    """One alarm in the period. Active = unacknowledged or acknowledged, not shelved or suppressed.

    count: times it came up within the period. stretches: (begin, end) [UTC ns] within the period.
    text: as it was told last. priority: "" where no event tells it.
    """

    point: str
    meaning: str
    priority: str
    count: int
    stretches: tuple[tuple[int, int], ...]
    text: str

    @property
    def active_h(self) -> float:
        return sum(end - begin for begin, end in self.stretches) / S / HOUR_S


@dataclass(frozen=True, slots=True)
class QualityFacts:
    """How much of the period a measurement was good, questionable, invalid, missing; shares of 1."""

    point: str
    good: float
    questionable: float
    invalid: float
    missing: float
    track: Track


@dataclass(frozen=True, slots=True)
class TransformerFacts:
    """settings: of the transformer as in force at the end of the period; None when the record has none."""

    id: str
    settings: Transformer | None
    windings: tuple[WindingFacts, ...]
    hottest: WindingFacts | None
    top_oil: Track
    ambient: Track | None
    load: Track
    hot_spot: Track
    oil_peak: Peak | None
    oil_hours_high: float | None
    load_peak: Peak | None
    ambient_peak: Peak | None
    stages: tuple[StageFacts, ...]
    proofs: tuple[str, ...]
    effectiveness: Effectiveness | None
    unmonitored: Rise | None
    alarms: tuple[AlarmFacts, ...]
    quality: tuple[QualityFacts, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """A report's contents. rates: of the accelerated runs in the period (empty: real time)."""

    station: str
    station_name: str
    start_ns: int
    end_ns: int
    recorded: tuple[int, int]
    interval_s: float
    transformers: tuple[TransformerFacts, ...]
    settings_hash: str
    settings_sure: bool
    reloads: int
    versions: tuple[str, ...]
    starts: int
    rates: tuple[float, ...]
    clock_steps: tuple[float, ...]
    notices: tuple[str, ...]

    @property
    def hours(self) -> float:
        return (self.end_ns - self.start_ns) / S / HOUR_S


def gather(
    record: Record,
    start_ns: int | None = None,
    end_ns: int | None = None,
    transformers: Iterable[str] = (),
) -> Facts:
    """The facts of [start_ns, end_ns), UTC; left out: the whole record, or its last 7 days.

    transformers: ids; none = all. ReportError when there is nothing to report, RecordError when the
    file is damaged.
    """
    try:
        return _gather(record, start_ns, end_ns, tuple(transformers))
    except (sqlite3.DatabaseError, ValueError) as problem:
        raise RecordError(
            f"{record.path}: damaged ({problem}): report a period before or after the damage, or take a"
            " fresh copy of the file together with its -wal"
        ) from problem


def _gather(record: Record, start_ns: int | None, end_ns: int | None, wanted: tuple[str, ...]) -> Facts:
    by_transformer = _points_of(record)
    if not by_transformer:
        raise ReportError(f"{record.path}: no transformer in this record (it was never written by a run)")
    names = {_prefix(points[0].id): number for number, points in by_transformer.items()}
    unknown = [name for name in wanted if name not in names]
    if unknown:
        raise ReportError(f"no transformer {unknown[0]} in this record (it has {', '.join(sorted(names))})")
    chosen = [number for name, number in names.items() if not wanted or name in wanted]
    first = by_transformer[chosen[0]]
    reference = next((p.id for p in first if _name(p.id) == "hot_spot_c"), first[0].id)
    begin, end, recorded = _period(record, reference, start_ns, end_ns)
    resolution = COARSE_S if end - begin > FINE_DAYS * DAY_NS else None
    reader = _Reader(record, begin, end, resolution)
    last_run = max(reader.runs_seen(reference), default=0)
    reader.settings, settings_hash, sure = _settings(record, min(end, recorded[1]), last_run)
    settings = reader.settings
    every = track(record, reference, begin, end, resolution)
    present = [run for run in record.runs() if run.run in reader.runs_seen(reference)]
    return Facts(
        station=present[-1].station if present else "",
        station_name=settings.station.name if settings else "",
        start_ns=begin,
        end_ns=end,
        recorded=recorded,
        interval_s=float(every.length_s.max()) if len(every) else 60.0,
        transformers=tuple(reader.transformer(by_transformer[number]) for number in chosen),
        settings_hash=settings_hash,
        settings_sure=sure,
        reloads=sum(1 for _ in record.events(begin, end, "reload")),
        versions=tuple(dict.fromkeys(run.version for run in present)),
        starts=reader.starts(reference),
        rates=tuple(sorted({run.rate for run in present if run.rate != 1.0})),
        clock_steps=reader.clock_steps(reference),
        notices=_notices(record, begin, end, recorded, settings),
    )


def _notices(
    record: Record, begin: int, end: int, recorded: tuple[int, int], settings: Settings | None
) -> tuple[str, ...]:
    notices = [record.notice] if record.notice else []
    if begin < recorded[0] or end > recorded[1]:
        notices.append(
            f"the record holds {utc(recorded[0])} to {utc(recorded[1])};"
            " the rest of the period counts as missing"
        )
    if settings is None:
        notices.append(
            "the record holds no settings that can be read: limits, names and per cent are left out"
        )
    return tuple(notices)


def _period(
    record: Record, reference: str, start_ns: int | None, end_ns: int | None
) -> tuple[int, int, tuple[int, int]]:
    """Start and end of the report, and of what is recorded (to the interval, not to the sealed day)."""
    span = record.span()
    if span is None:
        raise ReportError(f"{record.path} holds no history yet (the first interval ends after history_s)")
    # Sealed history is known by day or month only: look for its first and last interval.
    month = 31 * DAY_NS
    first, last = span
    head = track(record, reference, first, min(last, first + month), COARSE_S)
    tail = track(record, reference, max(first, last - month), last, COARSE_S)
    if len(head):
        fine = track(record, reference, int(head.time_ns[0]), int(head.time_ns[0]) + DAY_NS, None)
        first = int(fine.time_ns[0]) if len(fine) else int(head.time_ns[0])
    if len(tail):
        fine = track(record, reference, int(tail.time_ns[-1]), last, None)
        newest = fine if len(fine) else tail
        last = int(newest.time_ns[-1] + round(newest.length_s[-1] * S))
    end = last if end_ns is None else end_ns
    start = max(first, end - DEFAULT_DAYS * DAY_NS) if start_ns is None else start_ns
    if end <= start:
        raise ReportError(f"the period is empty: its end {utc(end)} is not after its start {utc(start)}")
    if end <= first or start >= last or not _any(record, start, end):
        raise ReportError(
            f"nothing is recorded from {utc(start)} to {utc(end)}"
            f" (the record holds {utc(first)} to {utc(last)})"
        )
    return start, end, (first, last)


def _any(record: Record, start_ns: int, end_ns: int) -> bool:
    points = [p.id for p in record.points() if parts_of(p.key)[0] == "transformer"]
    return any(len(record.history(name, start_ns, end_ns).time_ns) for name in points)


def _points_of(record: Record) -> dict[int, list[StoredPoint]]:
    """Points of every transformer, its own points first, by its permanent number."""
    found: dict[int, list[StoredPoint]] = {}
    for p in sorted(record.points(), key=lambda p: p.key):
        level, number, _, _ = parts_of(p.key)
        if number and (level == "transformer" or number in found):
            found.setdefault(number, []).append(p)
    return found


def _prefix(point: str) -> str:
    return point.rpartition(".")[0]


def _name(point: str) -> str:
    return point.rpartition(".")[2]


def _settings(record: Record, end_ns: int, run: int) -> tuple[Settings | None, str, bool]:
    """Settings in force at the end of the period, their hash, and whether that is certain.

    Certain from the journal, from the last reload of that run, or when there was only one; else the newest
    are taken.
    """
    known = record.settings_hashes()
    found, sure = (known[-1] if known else ""), len(known) == 1
    if len(known) > 1:
        for wall_ns, inputs in record.journal(start_ns=end_ns - 600 * S, end_ns=end_ns):
            del wall_ns
            if inputs.settings_hash in known:
                found, sure = inputs.settings_hash, True
        if not sure:
            for event in record.events(None, end_ns, "reload"):
                match = [h for h in known if event.run == run and f" {h[:12]} " in event.text]
                found, sure = (match[-1], True) if match else (found, sure)
    if not found:
        return None, "", False
    try:
        text = record.settings_text(found)
    except KeyError:
        return None, found, sure
    return once_good(text), found, sure


def _dry(settings: Transformer | None, hot_spot: Track, best_h: float) -> float | None:
    """Loss of life [h] with the same hot spot and dry paper: by the ratio of both rates at interval means.

    Both laws rise with nearly the same slope, so that what a mean hides of an interval hides in both.
    """
    if settings is None or settings.oil_preservation is None:
        return None
    theta, length = hot_spot.mean[hot_spot.counts], hot_spot.length_s[hot_spot.counts]
    wet = law_in_force(settings.paper, settings.oil_preservation, settings.moisture_percent)
    aged = float(ageing_rate(theta, wet) @ length)
    return best_h * float(ageing_rate(theta, AGEING_LAWS[settings.paper]) @ length) / aged if aged else None


@dataclass
class _Reader:
    """Reads one period of one record."""

    record: Record
    start_ns: int
    end_ns: int
    resolution_s: float | None
    settings: Settings | None = None

    def __post_init__(self) -> None:
        self.known = {p.id for p in self.record.points()}

    def track(self, point: str) -> Track:
        """Empty where an older record does not know the point."""
        if point not in self.known:
            return EMPTY
        return track(self.record, point, self.start_ns, self.end_ns, self.resolution_s)

    def rise(self, point: str, corrections: Sequence[tuple[int, float, float]] = ()) -> Rise | None:
        if point not in self.known:
            return None
        return rise(self.record, point, self.start_ns, self.end_ns, self.resolution_s, corrections)

    def runs_seen(self, reference: str) -> dict[int, int]:
        """Run -> end of its last interval in the period [UTC ns]."""
        s = self.record.history(reference, self.start_ns, self.end_ns, self.resolution_s)
        run_of = {line.line: line.run for line in self.record.lines()}
        ends: dict[int, int] = {}
        until = s.time_ns + (s.interval_s * S).astype(np.int64)
        for line in np.unique(s.line):
            run = run_of[int(line)]
            ends[run] = max(ends.get(run, 0), int(until[s.line == line].max()))
        return ends

    def starts(self, reference: str) -> int:
        """Runs whose history begins in the period."""
        seen = self.runs_seen(reference)
        first: dict[int, int] = {}
        for line in self.record.lines():
            first.setdefault(line.run, line.start_wall_ns)
        return sum(1 for run in seen if self.start_ns <= first[run] < self.end_ns)

    def clock_steps(self, reference: str) -> tuple[float, ...]:
        """Steps of the wall clock within runs, in the period [s]."""
        seen = self.runs_seen(reference)
        lines = [line for line in self.record.lines() if line.run in seen]
        return tuple(
            ((b.start_wall_ns - b.start_mono_ns) - (a.start_wall_ns - a.start_mono_ns)) / S
            for a, b in pairwise(lines)
            if a.run == b.run
            and self.start_ns <= b.start_wall_ns < self.end_ns
            and b.reason.startswith("wall")
        )

    def transformer(self, points: list[StoredPoint]) -> TransformerFacts:
        name = _prefix(points[0].id)
        number = parts_of(points[0].key)[1]
        found = self.settings.transformers if self.settings else ()
        settings = next((t for t in found if t.number == number), None)
        ids = {p.id for p in points}
        top_oil, load = self.track(f"{name}.top_oil_c"), self.track(f"{name}.load_pu")
        ambient = self.track(f"{name}.ambient_c") if f"{name}.ambient_c" in ids else None
        windings = tuple(
            w
            for p in points
            if parts_of(p.key)[0] == "winding" and _name(p.id) == "hot_spot_c"
            if (w := self.winding(_prefix(p.id), settings)) is not None
        )
        with_peak = [w for w in windings if w.peak is not None]
        return TransformerFacts(
            id=name,
            settings=settings,
            windings=windings,
            hottest=max(with_peak, key=lambda w: w.peak.value if w.peak else 0.0, default=None),
            top_oil=top_oil,
            ambient=ambient,
            load=load,
            hot_spot=self.track(f"{name}.hot_spot_c"),
            oil_peak=_peak(top_oil),
            oil_hours_high=top_oil.hours_above(settings.alarms.top_oil_high_c) if settings else None,
            load_peak=_peak(load),
            ambient_peak=_peak(ambient) if ambient is not None else None,
            stages=tuple(
                stage
                for p in points
                if parts_of(p.key)[0] == "stage" and _name(p.id) == "called"
                if (stage := self.stage(_prefix(p.id), parts_of(p.key)[2], settings)) is not None
            ),
            proofs=self.proofs(settings),
            effectiveness=self.effectiveness(name, settings) if f"{name}.effectiveness_k" in ids else None,
            unmonitored=self.rise(f"{name}.unmonitored_h"),
            alarms=self.alarms(name),
            quality=self.quality(points),
        )

    def winding(self, name: str, settings: Transformer | None) -> WindingFacts | None:
        """None when it has no history in the period: it was added later or removed before."""
        hot_spot, load = self.track(f"{name}.hot_spot_c"), self.track(f"{name}.load_pu")
        if not len(hot_spot):
            return None
        at = hot_spot.highest()
        uncertainty = None
        if at is not None:
            u = self.track(f"{name}.hot_spot_uncertainty_k")
            place = int(np.searchsorted(u.time_ns, hot_spot.time_ns[at]))
            if place < len(u) and u.counts[place]:
                uncertainty = float(u.high[place])
        limits = settings.alarms if settings else None
        return WindingFacts(
            id=name.rpartition(".")[2],
            hot_spot=hot_spot,
            load=load,
            peak=_peak(hot_spot),
            uncertainty_k=uncertainty,
            load_peak=_peak(load),
            hours_high=hot_spot.hours_above(limits.hot_spot_high_c) if limits else None,
            hours_high_high=hot_spot.hours_above(limits.hot_spot_high_high_c) if limits else None,
            monitored_h=hot_spot.hours,
            life=self.life(name, settings, hot_spot),
            unmonitored_life=self.rise(f"{name}.unmonitored_life_h"),
        )

    def life(self, name: str, settings: Transformer | None, hot_spot: Track) -> Life | None:
        corrections = self.corrections(name)
        low, best, high = (
            self.rise(
                f"{name}.loss_of_life_{lane}h",
                [(at, c[f"old_{lane}h"], c[f"new_{lane}h"]) for at, c in corrections],
            )
            for lane in ("low_", "", "high_")
        )
        if best is None or low is None or high is None:
            return None
        normal = settings.normal_life_h if settings else None
        gained = (low.gained, best.gained, high.gained)
        return Life(
            *gained,
            total_h=best.end,
            dry_h=_dry(settings, hot_spot, gained[1]),
            percent=(gained[0] / normal * 100, gained[1] / normal * 100, gained[2] / normal * 100)
            if normal
            else None,
            total_percent=best.end / normal * 100 if normal else None,
            quality=Quality.from_bits(best.bits),
            restarts=best.restarts,
            corrected=len(corrections),
        )

    def corrections(self, name: str) -> list[tuple[int, dict[str, float]]]:
        """When a winding's loss of life was corrected in the period [UTC ns], with old and new figures."""
        events = self.record.events(self.start_ns, self.end_ns, "life")
        return [
            (e.wall_ns, {k: float(v) for k, v in e.data.items() if k.endswith("_h") and v is not None})
            for e in events
            if e.subject == name
        ]

    def stage(self, name: str, number: int, settings: Transformer | None) -> StageFacts | None:
        called, running = self.track(f"{name}.called"), self.track(f"{name}.running")
        if not len(called):
            return None
        stages = settings.stages if settings else ()
        return StageFacts(
            id=name.rpartition(".")[2],
            name=next((s.name for s in stages if s.number == number), ""),
            called=called,
            running=running,
            called_h=float(np.nansum(called.mean * called.length_s)) / HOUR_S,
            run_h=self.rise(f"{name}.run_hours"),
            starts=self.rise(f"{name}.starts"),
        )

    def effectiveness(self, name: str, settings: Transformer | None) -> Effectiveness:
        t = self.track(f"{name}.effectiveness_k")
        mode = self.track(f"{name}.mode")
        names = {m.number: m.id for m in settings.modes} if settings else {}
        modes = []
        for number in np.unique(mode.mean[mode.counts]).astype(int).tolist():
            here = mode.mean == number
            at = np.isin(t.time_ns, mode.time_ns[here]) & t.counts
            mean = float(np.average(t.mean[at], weights=t.length_s[at])) if at.any() else None
            modes.append(ModeFacts(names.get(number, f"mode {number}"), mode.hours_where(here), mean))
        limit = settings.alarms.effectiveness_k if settings else None
        above = t.hours_above(limit) if limit is not None else None
        return Effectiveness(t.average(), _peak(t), t.hours, above, tuple(modes))

    def quality(self, points: list[StoredPoint]) -> tuple[QualityFacts, ...]:
        """Of the measured temperatures, the currents and feedbacks, and the hot spot made of them."""
        level_names = {
            "transformer": ("top_oil_c", "top_oil_2_c", "bottom_oil_c", "ambient_c", "hot_spot_c"),
            "winding": ("current_a", "fibre_c"),
            "stage": ("feedback",),
        }
        total = (self.end_ns - self.start_ns) / S / HOUR_S
        found = []
        for p in points:
            if _name(p.id) not in level_names.get(parts_of(p.key)[0], ()):
                continue
            t = self.track(p.id)
            hours = t.validity_hours()
            good, questionable, invalid = (
                hours[v] / total for v in (Validity.GOOD, Validity.QUESTIONABLE, Validity.INVALID)
            )
            missing = max(0.0, 1.0 - good - questionable - invalid)
            found.append(QualityFacts(p.id, good, questionable, invalid, missing, t))
        return tuple(found)

    def proofs(self, settings: Transformer | None) -> tuple[str, ...]:
        """Of each relay module that this transformer's stages lean on: what its last proof has shown."""
        modules = dict.fromkeys(s.relay.device for s in settings.stages) if settings is not None else {}
        last: dict[str, StoredEvent] = {}
        for event in self.record.events(None, self.end_ns, "output"):
            if event.data.get("proof") in ("proven", "failed"):
                last[event.subject.removeprefix("device.")] = event
        found = []
        for module in modules:
            shown = last.get(module)
            if shown is None:
                found.append(f"{module}: release by its own timeout not proven")
                continue
            days = (self.end_ns - shown.wall_ns) / S / HOUR_S / 24.0
            took = shown.data.get("took_s")
            what = f"proven (within {took:.1f} s)" if took is not None else "FAILED when it was left unfed"
            found.append(f"{module}: release by its own timeout {what}, {days:.0f} days before the end")
        return tuple(found)

    def alarms(self, name: str) -> tuple[AlarmFacts, ...]:
        """Alarms of this transformer, of the devices and of the station, most important first."""
        texts: dict[str, tuple[str, str]] = {}
        for event in self.record.events(None, self.end_ns, "alarm"):
            if event.data.get("active") and "was" not in event.data:
                texts[event.subject] = (str(event.data.get("priority", "")), event.text)
        ours = {p.id: p.meaning for p in self.record.points() if _is_ours(p.id, name)}
        active: dict[str, tuple[int, int]] = {}  # point -> (begin, run)
        found: dict[str, list[tuple[int, int]]] = {}
        counts: dict[str, int] = {}
        ends = self.runs_seen(f"{name}.hot_spot_c")
        for change in self.record.alarm_changes(None, self.end_ns):
            if change.point not in ours:
                continue
            now = change.became in ACTIVE
            at, continued = change.wall_ns, False
            if (opened := active.get(change.point)) is not None:
                begin, run = opened
                if run != change.run:  # a restart: nothing was watched in between
                    found.setdefault(change.point, []).append((begin, ends.get(run, self.start_ns)))
                    continued = True
                elif not now:
                    found.setdefault(change.point, []).append((begin, at))
                else:
                    continue  # acknowledged: still the same occurrence
                del active[change.point]
            if now:
                active[change.point] = (at, change.run)
                if at >= self.start_ns and not continued:
                    counts[change.point] = counts.get(change.point, 0) + 1
        last_run = max(ends, default=0)
        for point, (begin, run) in active.items():
            end = ends.get(run, self.start_ns) if run != last_run else min(self.end_ns, ends[run])
            found.setdefault(point, []).append((begin, end))
        result = []
        for point, spans in found.items():
            inside = [(max(a, self.start_ns), min(b, self.end_ns)) for a, b in spans]
            inside = [(a, b) for a, b in inside if a < b or (a == b and self.start_ns < a)]
            if inside:
                priority, text = texts.get(point, ("", ""))
                fact = AlarmFacts(point, ours[point], priority, counts.get(point, 0), tuple(inside), text)
                result.append(fact)
        rank = {"urgent": 0, "high": 1, "medium": 2, "low": 3}
        return tuple(sorted(result, key=lambda a: (rank.get(a.priority, 4), -a.active_h, a.point)))


def _is_ours(point: str, transformer: str) -> bool:
    return _name(point).startswith("alarm_") and point.startswith((f"{transformer}.", "station.", "device."))


def _peak(t: Track) -> Peak | None:
    at = t.highest()
    if at is None:
        return None
    return Peak(float(t.high[at]), int(t.time_ns[at]), Quality.from_bits(int(t.bits[at])))


def questionable(t: Track) -> list[tuple[int, int]]:
    """Stretches [UTC ns] with a value that is questionable."""
    return stretches(t, ((t.bits & 3) == Validity.QUESTIONABLE) & t.counts)


def unusable(t: Track) -> list[tuple[int, int]]:
    """Stretches [UTC ns] that are recorded but invalid, or test values."""
    return stretches(t, ~t.counts)
