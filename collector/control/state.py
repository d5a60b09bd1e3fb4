"""What the step remembers and what it goes by: plan and state, data only.

No rules here. State is immutable; its tuples are in the order of the plan's layout.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from collector.control import alarms as al
from collector.control import lost_inputs as li
from collector.control import outputs as out
from collector.control.layout import Layout, TransformerPlan, lay_out
from collector.control.proof import ModuleState
from collector.control.stages import StageState
from collector.settings.model import Settings
from collector.thermal import explained, loading, track
from collector.thermal.model import Model, compile_model


@dataclass(frozen=True, slots=True)
class Gap:
    """The time between a checkpoint and the restart that uses it.

    same_boot: the machine has not been restarted since.
    gap_s: how long [s]; None when neither the boot nor a plausible wall clock tells.
    mono_ns: station-monotonic time of the restart [ns].
    """

    same_boot: bool
    gap_s: float | None
    mono_ns: int


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Settings made ready for stepping. Build it with `build`; it never changes.

    assume_running_as_called: for traces without feedback columns: what is called counts as running.
    tell_values: False leaves an outcome's values out, for a replay that needs only the state.
    loading: per transformer, what permissible loading needs; empty: no such figures are made.
    """

    settings: Settings
    settings_hash: str
    assume_running_as_called: bool
    model: Model
    layout: Layout
    tell_values: bool = True
    loading: tuple[loading.Plan, ...] = ()


@dataclass(frozen=True, slots=True)
class Peak:
    """The highest value since reset and when it was [ns]; value None: none yet."""

    value: float | None = None
    mono_ns: int = -1


NO_WATCH, NO_PEAK, NO_SLOPE = li.FrozenWatch(), Peak(), li.SlopeWatch()


@dataclass(frozen=True, slots=True)
class ExpectedLoad:
    """A load that was announced, and what it would bring. Times in ns; -1: none.

    load_pu: of every winding's rated current in the mode with most cooling. made_ns: when the highest top
    oil and hot spot to come and the load in the mode in force were predicted; None: they could not be.
    """

    load_pu: float = 0.0
    begin_ns: int = -1
    end_ns: int = -1
    made_ns: int = -1
    top_oil_c: float | None = None
    hot_spot_c: float | None = None
    mode_load_pu: float | None = None


NOTHING_EXPECTED = ExpectedLoad()


class TransformerState(NamedTuple):
    """One transformer's memory: a tuple, for every step makes a new one. Times in ns; -1: not running.

    mode, mode_ok: cooling mode in force, and whether any mode's stages are proven. roles: per stage,
    whose limits it works to. estimate_until_ns, pumps_until_ns: end of the longest time on estimated oil and
    of the maker's countdown (deadlines, which a restart can carry over; NEVER: told that it is over).
    next_start_ns: no ordinary start before. at_alarm: alarm temperature, with
    deadband. frozen: watch on top oil. phase_ns: per winding, since when it is the odd one out.
    cold: per stage, cold-oil block in force. doubtful_s: per winding, how long loss of life was integrated
    on a questionable or substituted hot spot [s]. corrections: per winding, of its loss of life.
    fresh_from_ns: end of a stall after which not every input has been read yet. unbalance_ns, sides_ns: since
    when a phase stands off from the others, and one side from the other. frozen_1, frozen_2: slope of each
    oil probe against the model's.
    """

    mode: int = 0
    mode_ok: bool = False
    roles: tuple[int, ...] = ()
    next_start_ns: int = -1
    at_alarm: bool = False
    frozen: li.FrozenWatch = NO_WATCH
    disagree_ns: int = -1
    agree_ns: int = -1
    disagree: bool = False
    ambient_ns: int = -1
    phase_ns: tuple[int, ...] = ()
    estimate_until_ns: int = -1
    pumps_until_ns: int = -1
    trip_ns: int = -1
    cold: tuple[bool, ...] = ()
    doubtful_s: tuple[float, ...] = ()
    corrections: tuple[int, ...] = ()
    last_load: tuple[float | None, ...] = ()
    hot_spot: Peak = NO_PEAK
    top_oil: Peak = NO_PEAK
    load: Peak = NO_PEAK
    expected: ExpectedLoad = NOTHING_EXPECTED
    fresh_from_ns: int = -1
    unbalance_ns: int = -1
    sides_ns: int = -1
    frozen_1: li.SlopeWatch = NO_SLOPE
    frozen_2: li.SlopeWatch = NO_SLOPE


@dataclass(frozen=True, slots=True)
class LoadFigures:
    """A transformer's permissible loading, made at at_ns (-1: never) and good until valid_until_ns [ns].

    figures: in the order of loading.FIGURES; None: there is no such figure.
    """

    at_ns: int = -1
    valid_until_ns: int = -1
    figures: tuple[float | str | None, ...] = ()


@dataclass(frozen=True, slots=True)
class Substitute:
    """A value an operator put in for a measurement, until a time [ns]."""

    id: str
    value: float
    until_ns: int


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """All memory between steps. Immutable; opaque to others except through the functions below.

    Tuples are in the order of the plan's layout. started_ns: first step since start. deciding: outputs
    are being decided. outputs: per stage, then per trip or alarm contact. adopted: per stage, its read-back
    was taken over. run_ns: proven running time.
    expected: per transformer, the model's oil that a measured one is watched against; None: none yet.
    sample, estimate: what went into the model in this step and came out; not in a checkpoint.
    loading: per transformer. explained: between which limits the oil should be; None: nothing yet.
    modules: per relay module that is proven in service.
    """

    mono_ns: int
    sequence: int
    settings_hash: str
    layout: Layout
    started_ns: int
    deciding: bool
    inputs: tuple[li.InputState, ...]
    stages: tuple[StageState, ...]
    adopted: tuple[bool, ...]
    outputs: tuple[out.OutputState, ...]
    run_ns: tuple[int, ...]
    transformers: tuple[TransformerState, ...]
    alarms: tuple[al.AlarmState, ...]
    alarm_count: int
    substitutes: tuple[Substitute, ...]
    devices_down: Mapping[str, int]
    thermal: track.ThermalState | None
    estimate: track.Estimate | None
    seen_hash: str = ""
    expected: tuple[float | None, ...] = ()
    sample: track.Sample | None = None
    loading: tuple[LoadFigures, ...] = ()
    explained: explained.Explained | None = None
    modules: tuple[ModuleState, ...] = ()


def build(
    settings: Settings,
    settings_hash: str = "",
    *,
    assume_running_as_called: bool = False,
    permissible_loading: bool = False,
) -> Plan:
    """Make settings (already cross-checked) ready for stepping.

    permissible_loading: its figures are made as well. A minute of them costs more than a minute of steps.
    """
    model = compile_model(settings)
    layout = lay_out(settings, model.winding_index)
    figures = tuple(loading.plan(settings, t.id) for t in settings.transformers if permissible_loading)
    return Plan(settings, settings_hash, assume_running_as_called, model, layout, loading=figures)


def initial(plan: Plan) -> State:
    """The state of a station that nothing is known about yet. The first step starts `start_grace_s`."""
    layout = plan.layout
    n = len(layout.stages)
    return State(
        -1,
        0,
        plan.settings_hash,
        layout,
        -1,
        False,
        (li.InputState(),) * len(layout.inputs),
        (StageState(),) * n,
        (False,) * n,
        (out.OutputState(),) * (n + len(layout.contacts)),
        (0,) * n,
        tuple(fresh_transformer(t) for t in layout.transformers),
        (al.QUIET,) * len(layout.alarms),
        0,
        (),
        {},
        None,
        None,
        loading=(LoadFigures(),) * len(layout.transformers),
        modules=(ModuleState(),) * len(layout.relay_modules),
    )


def fresh_transformer(t: TransformerPlan) -> TransformerState:
    n, w = len(t.stages), len(t.windings)
    return TransformerState(
        roles=tuple(range(n)),
        phase_ns=(-1,) * w,
        cold=(False,) * n,
        doubtful_s=(0.0,) * w,
        corrections=(0,) * w,
        last_load=(None,) * w,
    )
