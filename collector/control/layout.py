"""A station's settings laid out for the step: every input, winding, stage and alarm with its place.

Built once per settings file. Data and look-up only: no rules, no state.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from types import MappingProxyType

from collector.control.alarms import KINDS, AlarmKind
from collector.control.lost_inputs import InputRules
from collector.control.stages import Timing
from collector.points import CALL_REASONS, Measurement, Point, catalogue, measurements, proven_modules
from collector.settings import model as sm
from collector.settings import sides
from collector.thermal.model import SENSE_AMBIENT_C, SENSE_LOW_C, SENSE_OIL_C, SENSE_PU

NS = 1_000_000_000
HOUR_NS = 3600.0 * NS
#: Index into CALL_REASONS of each reason.
REASON: Mapping[str, int] = MappingProxyType({word: i for i, word in enumerate(CALL_REASONS)})


def ns(seconds: float) -> int:
    return round(seconds * NS)


@dataclass(frozen=True, slots=True)
class InputPlan:
    """One measurement. kind: what it is; count: what one step of its last digit is worth; oil_of: index of
    the transformer whose top oil it is."""

    id: str
    device: str
    kind: str  # "temperature", "current", "contact", "count"
    rules: InputRules
    count: float
    oil_of: int | None = None


@dataclass(frozen=True, slots=True)
class AlarmPlan:
    """One alarm of this station; delays in ns. subject: what it is about ("T1", "T1.stage1")."""

    id: str
    subject: str
    kind: AlarmKind
    on_delay: int
    off_delay: int


@dataclass(frozen=True, slots=True)
class WindingPlan:
    """One winding. place: its index in the thermal model. current, fibre: inputs; None: not measured.

    rated_a: rated current of each of its transformer's modes [A]. phases: local indices of the other
    phases of the same winding; none, where it is measured by one current only.
    """

    id: str
    settings: sm.Winding
    place: int
    current: int | None
    fibre: int | None
    derived_from: tuple[int, ...]  # places of the windings whose currents make up its own
    current_lost: int  # alarm
    rated_a: tuple[float, ...]
    phases: tuple[int, ...]
    current_doubtful: int  # alarm


@dataclass(frozen=True, slots=True)
class StagePlan:
    """One stage. Indices into the station's inputs and alarms; needs: local index of its pump."""

    id: str
    settings: sm.Stage
    timing: Timing
    index: int  # station-wide
    feedback: int | None
    contacts: Mapping[str, int]  # selector_auto, selector_manual, breaker_closed, interlock, parallel_start
    needs: int | None
    module: str
    module_timeout: int
    alarms: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class ContactPlan:
    """A trip, hard-wired alarm or watchdog output. index: its place among the station's, after the stages."""

    id: str
    index: int
    module: str
    module_timeout: int


@dataclass(frozen=True, slots=True)
class ModulePlan:
    """A relay module that cooling leans on and that releases by its own timeout. Times in ns.

    stages: indices of those whose relays it has. only_contacts: nothing that goes stale is read through it,
    nor over a line that is silent with it.
    """

    id: str
    timeout: int
    interval: int
    stages: tuple[int, ...]
    only_contacts: bool
    timeout_failed: int  # alarm


@dataclass(frozen=True, slots=True)
class TransformerPlan:
    """One transformer. order: local stage indices in the order in which they are started.

    needs: per stage, the local index of its pump. fans_of: per stage, those that need it as their pump.
    sides: local indices of the main windings of each side, where exactly two sides are measured whole (else
    none).
    compared: some current can be compared with another.
    """

    id: str
    settings: sm.Transformer
    index: int
    inputs: Mapping[str, int]
    windings: tuple[WindingPlan, ...]
    stages: tuple[StagePlan, ...]
    order: tuple[int, ...]
    groups: tuple[tuple[int, ...], ...]
    modes: tuple[tuple[int, ...], ...]
    alarms: Mapping[str, int]
    needs: tuple[int | None, ...]
    fans_of: tuple[tuple[int, ...], ...]
    contacts: tuple[ContactPlan, ...]
    sides: tuple[tuple[int, ...], ...] = ()
    compared: bool = False


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole station. devices: device id -> link alarm. modules: of each output, stages first.

    watchdogs: relay module -> the output, among the last of the contacts, that is its watchdog relay.
    relay_modules: those whose own timeout is proven in service. stale: station.stale_after_s [ns].
    """

    points: tuple[Point, ...]
    inputs: tuple[InputPlan, ...]
    input_index: Mapping[str, int]
    transformers: tuple[TransformerPlan, ...]
    stages: tuple[StagePlan, ...]
    contacts: tuple[ContactPlan, ...]
    watchdogs: Mapping[str, ContactPlan]
    relay_modules: tuple[ModulePlan, ...]
    stale: int
    modules: tuple[str, ...]
    windings: tuple[WindingPlan, ...]
    alarms: tuple[AlarmPlan, ...]
    alarm_index: Mapping[str, int]
    station_alarms: Mapping[str, int]
    devices: Mapping[str, int]
    inputs_of: Mapping[str, tuple[int, ...]]
    packed: str  # the settings themselves, compressed: a checkpoint carries what its state belongs to


def lay_out(settings: sm.Settings, winding_index: Mapping[str, int]) -> Layout:
    """winding_index: the thermal model's."""
    station = settings.station
    inputs: list[InputPlan] = []
    for m in measurements(settings):
        rate = m.input.max_rate_k_per_min if isinstance(m.input, sm.Temperature) else None
        rules = InputRules(ns(station.stale_after_s), ns(station.return_after_s), rate, *_sense(m, settings))
        count = 0.0 if m.input.type in ("float32", "float64") else abs(m.input.scale)
        oil_of = int(m.path[1]) if m.id.endswith((".top_oil_c", ".top_oil_2_c")) else None
        inputs.append(InputPlan(m.id, m.input.device, _kind(m.input), rules, max(count, 1e-9), oil_of))
    at = {plan.id: i for i, plan in enumerate(inputs)}

    alarms: list[AlarmPlan] = []

    def alarms_of(
        level: str, subject: str, limits: sm.Alarms | None = None, proven: bool = True
    ) -> dict[str, int]:
        places: dict[str, int] = {}
        for kind in KINDS:
            if kind.level != level or (kind.name == "timeout_failed" and not proven):
                continue
            on_s, off_s = kind.on_delay_s, kind.off_delay_s
            if limits is not None and kind.name in _LIMIT_ALARMS:
                on_s, off_s = limits.on_delay_s, limits.off_delay_s
            if limits is not None and kind.name == "effectiveness_low":
                on_s, off_s = limits.effectiveness_delay_min * 60.0, limits.off_delay_s
            places[kind.name] = len(alarms)
            alarms.append(AlarmPlan(f"{subject}.alarm_{kind.name}", subject, kind, ns(on_s), ns(off_s)))
        return places

    # Devices first: the alarms of what is behind them are suppressed in the same cycle.
    devices: dict[str, int] = {}
    timeout_failed: dict[str, int] = {}
    proven = proven_modules(settings)
    for d in settings.devices:
        of_device = alarms_of("device", f"device.{d.id}", proven=d in proven)
        devices[d.id] = of_device["link_lost"]
        if d in proven:
            timeout_failed[d.id] = of_device["timeout_failed"]
    station_alarms = alarms_of("station", "station")
    modules = {d.id: d.relay_module for d in settings.devices}
    transformers: list[TransformerPlan] = []
    stages: list[StagePlan] = []
    contacts: list[ContactPlan] = []
    stage_count = sum(len(t.stages) for t in settings.transformers)
    windings: list[WindingPlan] = []
    for t in settings.transformers:
        t_alarms = alarms_of("transformer", t.id, t.alarms)
        mine: list[WindingPlan] = []
        phases = sides.phases_of(t)
        for k, w in enumerate(t.windings):
            wid = f"{t.id}.{w.id}"
            sources = tuple(w.derived_current.factors) if w.derived_current is not None else ()
            mine.append(
                WindingPlan(
                    wid,
                    w,
                    winding_index[wid],
                    at.get(f"{wid}.current_a"),
                    at.get(f"{wid}.fibre_c"),
                    tuple(winding_index[f"{t.id}.{s}"] for s in sources),
                    (of_winding := alarms_of("winding", wid))["current_lost"],
                    tuple(w.modes[m.id].rated_current_a for m in t.modes),
                    phases[k],
                    of_winding["current_doubtful"],
                )
            )
        local = {s.id: i for i, s in enumerate(t.stages)}
        cooling: list[StagePlan] = []
        for s in t.stages:
            sid = f"{t.id}.{s.id}"
            names = ("selector_auto", "selector_manual", "breaker_closed", "interlock", "parallel_start")
            module = modules.get(s.relay.device)
            cooling.append(
                StagePlan(
                    sid,
                    s,
                    _timing(s, station),
                    len(stages) + len(cooling),
                    at.get(f"{sid}.feedback"),
                    {n: at[f"{sid}.{n}"] for n in names if f"{sid}.{n}" in at},
                    local.get(s.needs_stage) if s.needs_stage is not None else None,
                    s.relay.device,
                    ns(module.timeout_s if module is not None else 0.0),
                    alarms_of("stage", sid),
                )
            )
        switched: list[ContactPlan] = []
        named = {f"contact.{name}": getattr(t.contacts, name) for name in type(t.contacts).model_fields}
        for name, relay in {"trip": t.trip.relay, **named}.items():
            if relay is None:
                continue
            module = modules.get(relay.device)
            timeout_s = module.timeout_s if module is not None else station.stale_after_s
            index = stage_count + len(contacts) + len(switched)
            switched.append(ContactPlan(f"{t.id}.{name}", index, relay.device, ns(timeout_s)))
        prefix = f"{t.id}."
        own = {i.id[len(prefix) :]: n for n, i in enumerate(inputs) if i.id.startswith(prefix)}
        transformers.append(
            TransformerPlan(
                t.id,
                t,
                len(transformers),
                {name: n for name, n in own.items() if "." not in name},
                tuple(mine),
                tuple(cooling),
                _order(cooling),
                _groups(t.stages),
                tuple(tuple(local[n] for n in mode.needs) for mode in t.modes),
                t_alarms,
                tuple(s.needs for s in cooling),
                tuple(tuple(i for i, s in enumerate(cooling) if s.needs == k) for k in range(len(cooling))),
                tuple(switched),
                compared := sides.sides_of(t, phases),
                bool(compared) or any(len(p) >= 2 for p in phases),
            )
        )
        stages += cooling
        contacts += switched
        windings += mine
    watchdogs: dict[str, ContactPlan] = {}
    for guarded, guarded_module in modules.items():
        relay = guarded_module.watchdog_relay if guarded_module is not None else None
        if relay is not None:
            module = modules.get(relay.device)
            timeout = ns(module.timeout_s if module is not None else station.stale_after_s)
            index = stage_count + len(contacts)
            watchdogs[guarded] = ContactPlan(f"device.{guarded}.watchdog_relay", index, relay.device, timeout)
            contacts.append(watchdogs[guarded])
    inputs_of = {d: tuple(i for i, p in enumerate(inputs) if p.device == d) for d in devices}
    return Layout(
        catalogue(settings),
        tuple(inputs),
        at,
        tuple(transformers),
        tuple(stages),
        tuple(contacts),
        watchdogs,
        _relay_modules(settings, stages, inputs, timeout_failed),
        ns(station.stale_after_s),
        (*(s.module for s in stages), *(c.module for c in contacts)),
        tuple(windings),
        tuple(alarms),
        {a.id: i for i, a in enumerate(alarms)},
        station_alarms,
        devices,
        inputs_of,
        base64.b85encode(zlib.compress(settings.model_dump_json(exclude_unset=True).encode(), 9)).decode(),
    )


def _relay_modules(
    settings: sm.Settings, stages: list[StagePlan], inputs: list[InputPlan], alarms: Mapping[str, int]
) -> tuple[ModulePlan, ...]:
    found = []
    for d in proven_modules(settings):
        assert d.relay_module is not None
        whole_line = d.relay_module.fed_by in ("any_frame_on_line", "connection")
        silent = {x.id for x in settings.devices if x is d or (whole_line and x.link == d.link)}
        if d.relay_module.fed_by == "writes":
            silent = set()  # it is read on
        found.append(
            ModulePlan(
                d.id,
                ns(d.relay_module.timeout_s),
                ns(d.relay_module.proof_interval_days * 86_400.0),
                tuple(s.index for s in stages if s.module == d.id),
                all(i.kind == "contact" and i.device == d.id for i in inputs if i.device in silent),
                alarms[d.id],
            )
        )
    return tuple(found)


def unpack(packed: str) -> sm.Settings:
    """The settings of `Layout.packed`. ValueError when damaged or of another version."""
    try:
        return sm.Settings.model_validate_json(zlib.decompress(base64.b85decode(packed)))
    except zlib.error as error:
        raise ValueError(f"packed settings are damaged: {error}") from error


_LIMIT_ALARMS = frozenset({"hot_spot_high", "hot_spot_high_high", "top_oil_high", "top_oil_high_high"})


def _sense(m: Measurement, settings: sm.Settings) -> tuple[float, float]:
    """Lowest and highest value that the thermal model takes."""
    if _kind(m.input) == "temperature":
        return SENSE_LOW_C, SENSE_AMBIENT_C if m.id.endswith(".ambient_c") else SENSE_OIL_C
    if _kind(m.input) == "current":
        winding = settings.transformers[int(m.path[1])].windings[int(m.path[3])]
        return -inf, SENSE_PU * max(mode.rated_current_a for mode in winding.modes.values())
    return -inf, inf


def _kind(register: sm.Register) -> str:
    if isinstance(register, sm.Temperature | sm.Temperature2):
        return "temperature"
    if isinstance(register, sm.Current):
        return "current"
    return "contact" if isinstance(register, sm.BoolInput) else "count"


def _timing(stage: sm.Stage, station: sm.Station) -> Timing:
    return Timing(
        ns(stage.pickup_delay_s),
        ns(stage.minimum_run_s),
        ns(stage.restart_inhibit_s),
        ns(stage.feedback_delay_s),
        ns(stage.stagger_s),
        ns(station.return_hold_s),
        stage.max_starts_per_h,
        station.max_releases_per_h,
    )


def _order(stages: list[StagePlan]) -> tuple[int, ...]:
    """By place, but a pump before the fans that need it."""
    order: list[int] = []

    def visit(i: int) -> None:
        if i not in order:
            pump = stages[i].needs
            if pump is not None:
                visit(pump)
            order.append(i)

    for i in range(len(stages)):
        visit(i)
    return tuple(order)


def _groups(stages: tuple[sm.Stage, ...]) -> tuple[tuple[int, ...], ...]:
    names = dict.fromkeys(s.rotation_group for s in stages if s.rotation_group is not None)
    return tuple(tuple(i for i, s in enumerate(stages) if s.rotation_group == name) for name in names)
