"""The stage schedule as the production step really does it, found by sweeping top oil and load.

Nothing is read off the stages' settings: temperatures are moved slowly up and down through
`engine.step` and what the stages do is written down. No clock, no I/O.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from math import ceil

from collector import engine
from collector.control.layout import NS
from collector.control.stages import ON, Call
from collector.messages import Inputs, Outcome
from collector.points import CALL_REASONS
from collector.quality import GOOD, Reading
from collector.settings.model import Settings, Stage, Transformer
from collector.technician.live import CRITERIA

#: Steps of the sweep of oil [K], and of load [pu], which move the hot spot by about as much.
STEP_K, STEP_PU = 0.1, 0.004
#: So long each value is held when nothing is under way [s].
HOLD_S = 60.0
#: Beyond the highest limit, and below the lowest [K].
MARGIN_K = 3.0
#: The hot-spot sweep ends at this load, whatever has picked up [pu].
LOAD_MAX_PU = 4.0
#: Long enough for starts and releases to be forgotten, and for every minimum run [s].
REST_S = 3 * 3600.0


@dataclass(frozen=True, slots=True)
class Seen:
    """One change of a stage: the values it came at [degC, pu], and by which rule."""

    top_oil_c: float
    hot_spot_c: float
    load_pu: float
    by: str


@dataclass(slots=True)
class StageSchedule:
    """What one stage was seen to do. None: it did not happen.

    oil_on, oil_off: in the sweep of top oil at no load. load_on, load_off: in the sweep of load with the oil
    kept below every dropout, so that hot spot or load decides.
    delay_s: criterion met -> relay released, when it starts alone. together_s: the same when all
    stages are called at once, just after they stopped. at_alarm_s: the same at alarm temperature.
    bound_s: the sum of its delays, which none of these may exceed. minimum_run_s: shortest run seen.
    """

    id: str
    name: str
    kind: str
    needs: str
    group: str
    modes: tuple[str, ...]
    bound_s: float
    never_off: str = ""
    oil_on: Seen | None = None
    oil_off: Seen | None = None
    load_on: Seen | None = None
    load_off: Seen | None = None
    delay_s: float | None = None
    together_s: float | None = None
    at_alarm_s: float | None = None
    minimum_run_s: float | None = None


def schedule(settings: Settings) -> dict[str, list[StageSchedule]]:
    """Per transformer id, the schedule of its stages. Contacts healthy, running as called."""
    return {t.id: _schedule(settings, t) for t in settings.transformers}


def _schedule(settings: Settings, t: Transformer) -> list[StageSchedule]:
    rows = [
        StageSchedule(
            id=f"{t.id}.{s.id}",
            name=s.name,
            kind=s.kind,
            needs=s.needs_stage or "",
            group=s.rotation_group or "",
            modes=tuple(m.id for m in t.modes if s.id in m.needs),
            bound_s=_bound_s(settings, t, s),
        )
        for s in t.stages
    ]
    if not rows:
        return rows
    low, high = _range(t)
    sweep = _Sweep(settings, t, low)
    sweep.rest()
    for row, stage in zip(rows, sweep.calls(), strict=True):
        if stage in ON:
            row.never_off = sweep.why(rows.index(row))
    _sweep_oil(sweep, rows, low, high)
    sweep.rest()
    _sweep_load(sweep, rows)
    sweep.rest()
    _together(sweep, rows, _call_all(t, low))
    sweep.rest()
    _at_alarm(sweep, rows)
    return rows


def _bound_s(settings: Settings, t: Transformer, stage: Stage) -> float:
    """Pickup delay, restart inhibit (or the pump's) and the stagger of all others, in whole cycles."""
    cycle_s = settings.station.cycle_s
    pump = next((s for s in t.stages if s.id == stage.needs_stage), stage)
    parts = [
        stage.pickup_delay_s,
        max(stage.restart_inhibit_s, pump.restart_inhibit_s),
        *(s.stagger_s for s in t.stages if s is not stage),
    ]
    return sum(ceil(round(part / cycle_s, 9)) * cycle_s for part in parts)


def _range(t: Transformer) -> tuple[float, float]:
    """Oil from below every dropout (and above a cold-oil block) to above every pickup and the alarm."""
    lows = [v for s in t.stages for v in (s.dropout.top_oil_c, s.dropout.hot_spot_c) if v is not None]
    highs = [s.pickup.top_oil_c for s in t.stages if s.pickup.top_oil_c is not None]
    cold = [s.cold_oil_block_c + MARGIN_K for s in t.stages if s.cold_oil_block_c is not None]
    low = max([min([*lows, 40.0]) - MARGIN_K, *cold])
    return low, max([t.alarms.top_oil_high_c, *highs]) + MARGIN_K


def _call_all(t: Transformer, low: float) -> tuple[float, float]:
    """(oil, load) that call every stage without reaching an alarm temperature, as far as there is such."""
    oil = low
    for s in t.stages:
        limit = s.pickup.top_oil_c if s.pickup.top_oil_c is not None else s.pickup.hot_spot_c
        oil = max(oil, limit + STEP_K if limit is not None else low)
    loads = [s.pickup.load_pu for s in t.stages if s.pickup.load_pu is not None]
    ceiling = min(t.alarms.top_oil_high_c, t.alarms.hot_spot_high_c) - STEP_K
    return min(oil, ceiling), max(loads, default=0.0) * 1.01


class _Sweep:
    """One transformer under the step: `oil` and `load` are set, `advance` steps."""

    def __init__(self, settings: Settings, t: Transformer, low: float) -> None:
        self.t, self.low = t, low
        self.oil, self.load = low, 0.0
        self.outcome: Outcome | None = None
        # The sweep jumps where oil cannot: the check on a probe's rate of change is opened for it.
        opened = tuple(
            u.model_copy(
                update={
                    "top_oil": u.top_oil.model_copy(update={"max_rate_k_per_min": 1e9}),
                    # The sweep moves the oil without the load that would explain it.
                    "lost_inputs": u.lost_inputs.model_copy(update={"oil_margin_k": 200.0}),
                }
            )
            for u in settings.transformers
        )
        self.settings = settings.model_copy(update={"transformers": opened})
        self.plan = engine.build(self.settings, assume_running_as_called=True)
        self.state = engine.initial(self.plan)
        self.now = 10**15
        self.mine = next(u for u in self.plan.layout.transformers if u.id == t.id)

    def advance(self, seconds: float) -> None:
        self.now += round(seconds * NS)
        readings: dict[str, Reading] = {}
        for t in self.settings.transformers:
            here = t.id == self.t.id
            readings[f"{t.id}.top_oil_c"] = self._read(self.oil if here else self.low)
            for w in t.windings:
                if w.current is not None:
                    rated = w.modes[t.modes[0].id].rated_current_a
                    readings[f"{t.id}.{w.id}.current_a"] = self._read(rated * self.load if here else 0.0)
        # Ambient stays unread: it decides nothing while oil is measured, and an oil kept still is not frozen.
        self.state, self.outcome = engine.step(self.state, self.plan, Inputs(self.now, readings))

    def _read(self, value: float) -> Reading:
        return Reading(value, GOOD, self.now)

    @property
    def cycle_s(self) -> float:
        return self.settings.station.cycle_s

    def calls(self) -> list[Call]:
        return [self.state.stages[s.index].call for s in self.mine.stages]

    def why(self, k: int) -> str:
        return CALL_REASONS[self.state.stages[self.mine.stages[k].index].why]

    def on(self, k: int) -> bool:
        """Released on account of load and temperature; an exercise run does not count."""
        return self.calls()[k] in ON and self.why(k) != "exercise"

    def wanted(self, k: int) -> bool:
        """Released, or its delays are running."""
        return self.on(k) or self.calls()[k] in (Call.DELAY, Call.QUEUED)

    def seen(self, k: int) -> Seen:
        """The present values, and which of the stage's own criteria are met; else the rule that calls it."""
        assert self.outcome is not None
        values = {key: float(self.outcome.values[f"{self.t.id}.{key}"].value or 0.0) for key, *_ in CRITERIA}
        role = self.mine.stages[self.state.transformers[self.mine.index].roles[k]].settings
        met = [
            name
            for key, name, *_ in CRITERIA
            if (limit := getattr(role.pickup, key)) is not None and values[key] >= limit
        ]
        return Seen(by=" and ".join(met) or self.why(k), **values)

    def rest(self) -> None:
        """Cool and unloaded until starts, releases and minimum runs are forgotten."""
        self.oil, self.load = self.low, 0.0
        for _ in range(round(REST_S / HOLD_S)):
            self.advance(HOLD_S)

    def until(self, true: Callable[[], bool], within_s: float) -> bool:
        """Step by the cycle until `true`, at most so long."""
        end = self.now + round(within_s * NS)
        while not true():
            if self.now >= end:
                return False
            self.advance(self.cycle_s)
        return True


def _watch(sweep: _Sweep, rows: list[StageSchedule], which: str, moves: Iterator[None]) -> None:
    """Follow a rise: what picks up where, and how long each takes from its criterion to its relay."""
    for _ in moves:
        sweep.advance(sweep.cycle_s)
        fresh = [k for k, row in enumerate(rows) if getattr(row, f"{which}_on") is None and sweep.wanted(k)]
        fresh = [k for k in fresh if not rows[k].never_off]
        since = sweep.now
        for k in fresh:
            setattr(rows[k], f"{which}_on", sweep.seen(k))
        for k in sorted(fresh, key=lambda k: rows[k].bound_s):
            if sweep.until(lambda k=k: sweep.on(k), rows[k].bound_s + 60.0) and rows[k].delay_s is None:  # type: ignore[misc]
                rows[k].delay_s = (sweep.now - since) / NS
        sweep.advance(HOLD_S)


def _fall(sweep: _Sweep, rows: list[StageSchedule], which: str, moves: Iterator[None]) -> None:
    """Follow a fall: what drops out where."""
    running = [sweep.on(k) for k in range(len(rows))]
    for _ in moves:
        sweep.advance(HOLD_S)
        for k, row in enumerate(rows):
            if running[k] and not sweep.on(k):
                running[k] = False
                setattr(row, f"{which}_off", replace(sweep.seen(k), by=""))


def _sweep_oil(sweep: _Sweep, rows: list[StageSchedule], low: float, high: float) -> None:
    steps = round((high - low) / STEP_K)

    def rise() -> Iterator[None]:
        for i in range(steps + 1):
            sweep.oil = low + i * STEP_K
            yield

    def fall() -> Iterator[None]:
        for i in range(steps, -1, -1):
            sweep.oil = low + i * STEP_K
            yield

    _watch(sweep, rows, "oil", rise())
    for _ in range(round(REST_S / HOLD_S)):
        sweep.advance(HOLD_S)
    _fall(sweep, rows, "oil", fall())


def _sweep_load(sweep: _Sweep, rows: list[StageSchedule]) -> None:
    """Load up and down, slowly against the winding's time constant."""
    alarm = sweep.t.alarms.hot_spot_high_c + MARGIN_K

    def hot() -> float:
        assert sweep.outcome is not None
        return float(sweep.outcome.values[f"{sweep.t.id}.hot_spot_c"].value or 0.0)

    def ramp(sign: int, done: Callable[[], bool]) -> Iterator[None]:
        while not done():
            sweep.load = min(LOAD_MAX_PU, max(0.0, sweep.load + sign * STEP_PU))
            yield

    _watch(sweep, rows, "load", ramp(1, lambda: hot() >= alarm or sweep.load >= LOAD_MAX_PU))
    for _ in range(round(REST_S / HOLD_S)):
        sweep.advance(HOLD_S)
    _fall(sweep, rows, "load", ramp(-1, lambda: sweep.load <= 0.0))


def _together(sweep: _Sweep, rows: list[StageSchedule], call: tuple[float, float]) -> None:
    """All at once: the shortest run, then the longest way to a start, just after everything stopped."""
    stages = range(len(rows))
    called: dict[int, int] = {}
    longest = max(row.bound_s for row in rows) + 60.0

    def rise(note: bool) -> None:
        sweep.oil, sweep.load = call
        sweep.advance(sweep.cycle_s)
        since = sweep.now
        while len(called) < len(rows) and sweep.now - since < longest * NS:
            for k in stages:
                if k not in called and sweep.on(k):
                    called[k] = sweep.now
                    if note and not rows[k].never_off:
                        rows[k].together_s = (sweep.now - since) / NS
            sweep.advance(sweep.cycle_s)

    rise(note=False)
    sweep.oil, sweep.load = sweep.low, 0.0
    stopped: set[int] = set()

    def all_stopped() -> bool:
        for k, since in called.items():
            if k not in stopped and not sweep.on(k):
                stopped.add(k)
                rows[k].minimum_run_s = (sweep.now - since) / NS
        return len(stopped) >= sum(not rows[k].never_off for k in called)

    sweep.until(all_stopped, REST_S)
    called.clear()
    rise(note=True)


def _at_alarm(sweep: _Sweep, rows: list[StageSchedule]) -> None:
    """Straight to alarm temperature: every delay must be nil."""
    sweep.oil = sweep.t.alarms.top_oil_high_c
    sweep.advance(sweep.cycle_s)
    since = sweep.now
    for k, row in enumerate(rows):
        if not row.never_off and sweep.until(lambda k=k: sweep.on(k), row.bound_s + 60.0):  # type: ignore[misc]
            row.at_alarm_s = (sweep.now - since) / NS
