"""The step's memory as JSON and back, by id, so that it survives a restart and a change of settings.

Only form and time shift. What a restored state leads to is the step's business; no I/O.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import MISSING, fields, replace
from enum import Enum
from math import isfinite
from typing import Any, TypeVar

from collector.control import alarms as al
from collector.control import lost_inputs as li
from collector.control import outputs as out
from collector.control.layout import NS, StagePlan, unpack
from collector.control.proof import ModuleState, Phase
from collector.control.stages import NEVER, Proof, StageState
from collector.control.state import (
    ExpectedLoad,
    Gap,
    LoadFigures,
    Peak,
    Plan,
    State,
    Substitute,
    TransformerState,
    initial,
)
from collector.quality import Quality
from collector.settings.model import Settings
from collector.thermal import explained, track
from collector.thermal.model import Model, compile_model

FORMAT = 1
T = TypeVar("T")

#: Times that are counted back from now, and may lie before this boot.
_COUNTED_BACK = frozenset({"starts", "releases", "holds", "known", "proven"})
#: Fields of a transformer's state that are told per stage or per winding.
_PER_ITEM = frozenset({"roles", "cold", "phase_ns", "doubtful_s", "corrections", "last_load"})
#: Small records within a record.
_NESTED = (li.FrozenWatch, li.SlopeWatch, Peak, ExpectedLoad)


def _flat(value: Any) -> Any:
    if isinstance(value, Quality):
        return value.bits
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple):
        return list(value)
    if isinstance(value, _NESTED):
        return _told(value)
    return value


def _defaults(kind: type) -> Mapping[str, Any]:
    """Field -> default (None: none) of a dataclass or named tuple."""
    if issubclass(kind, tuple):
        return kind._field_defaults  # type: ignore[attr-defined,no-any-return]
    return {f.name: None if f.default is MISSING else f.default for f in fields(kind)}  # type: ignore[arg-type]


def _told(item: Any, without: frozenset[str] = frozenset()) -> dict[str, Any]:
    """The fields of a dataclass or named tuple that differ from their defaults."""
    told: dict[str, Any] = {}
    for name, default in _defaults(type(item)).items():
        value = getattr(item, name)
        if name not in without and value != default:
            told[name] = _flat(value)
    return told


def _made(kind: type[T], told: Mapping[str, Any], shift: int, without: frozenset[str] = frozenset()) -> T:
    """Inverse of `_told`; times move by `shift` ns."""
    values: dict[str, Any] = {}
    for name, default in _defaults(kind).items():
        if name not in told or name in without:
            continue
        value = told[name]
        if isinstance(default, Quality):
            value = Quality.from_bits(value)
        elif isinstance(default, Enum):
            value = type(default)(value)
        elif isinstance(default, _NESTED):
            value = _made(type(default), value, shift)
        elif isinstance(default, tuple):
            value = _all_moved(value, shift) if name in _COUNTED_BACK else tuple(value)
        elif name.endswith("_ns"):
            value = _moved(value, shift)
        elif default is not None and type(value) is not type(default) and not isinstance(default, float):
            raise ValueError(f"{kind.__name__}.{name}: {value!r} is not of the right type")
        values[name] = value
    return kind(**values)


def _all_moved(times: list[int], shift: int) -> tuple[int, ...]:
    """Times that are counted back from now: below zero they are before this boot, and still so long ago."""
    if not all(isinstance(t, int) for t in times):
        raise ValueError(f"{times!r} are not times in ns")
    return tuple(t + shift for t in times)


def _moved(ns: int, shift: int) -> int:
    if not isinstance(ns, int):
        raise ValueError(f"{ns!r} is not a time in ns")
    # The clock of another boot begins anew: what lies before it is over, and not "never begun" (-1).
    return ns if ns < 0 or ns >= NEVER else max(0, ns + shift)


def as_dict(state: State) -> dict[str, Any]:
    layout = state.layout
    stages: dict[str, Any] = {}
    windings: dict[str, Any] = {}
    transformers: dict[str, Any] = {}
    for t in layout.transformers:
        ts = state.transformers[t.index]
        transformers[t.id] = _told(ts, _PER_ITEM) | {"mode": t.settings.modes[ts.mode].id}
        if state.explained is not None:
            transformers[t.id]["explained"] = explained.told(state.explained, t.index)
        for k, s in enumerate(t.stages):
            stages[s.id] = {
                "stage": _told(state.stages[s.index]),
                "output": _told(state.outputs[s.index]),
                "run_ns": state.run_ns[s.index],
                "role": t.stages[ts.roles[k]].id,
                "cold": ts.cold[k],
                "adopted": state.adopted[s.index],
            }
        for k, w in enumerate(t.windings):
            windings[w.id] = {
                "phase_ns": ts.phase_ns[k],
                "doubtful_s": ts.doubtful_s[k],
                "corrections": ts.corrections[k],
                "last_load": ts.last_load[k],
            }
    return {
        "format": FORMAT,
        "settings": layout.packed,
        "settings_hash": state.settings_hash,
        "seen_hash": state.seen_hash,
        "mono_ns": state.mono_ns,
        "sequence": state.sequence,
        "started_ns": state.started_ns,
        "deciding": state.deciding,
        "inputs": {p.id: _told(i) for p, i in zip(layout.inputs, state.inputs, strict=True)},
        "stages": stages,
        "windings": windings,
        "contacts": {c.id: _told(state.outputs[c.index]) for c in layout.contacts},
        "transformers": transformers,
        "modules": {
            p.id: _told(m)
            for p, m in zip(layout.relay_modules, state.modules, strict=True)
            if m != ModuleState()
        },
        "alarms": {p.id: _told(a) for p, a in zip(layout.alarms, state.alarms, strict=True) if a != al.QUIET},
        "alarm_count": state.alarm_count,
        "substitutes": [[s.id, s.value, s.until_ns] for s in state.substitutes],
        "devices_down": dict(state.devices_down),
        "thermal": None if state.thermal is None else track.to_dict(state.thermal),
        "expected": list(state.expected),
        "explained_ns": -1 if state.explained is None else state.explained.t_ns,
        "loading": [_told(f) for f in state.loading],
    }


def dump(state: State) -> bytes:
    told = as_dict(state)
    try:
        text = json.dumps(told, separators=(",", ":"), allow_nan=False)
    except ValueError:  # one figure that is no number must not end all others' being saved
        text = json.dumps(_numbers(told), separators=(",", ":"), allow_nan=False)
    return text.encode()


def _numbers(told: Any) -> Any:
    """With null in the place of each float that is not finite."""
    if isinstance(told, dict):
        return {key: _numbers(value) for key, value in told.items()}
    if isinstance(told, list | tuple):
        return [_numbers(value) for value in told]
    return None if isinstance(told, float) and not isfinite(told) else told


def _take(plan: Plan, told: Mapping[str, Any], shift: int, thermal: track.ThermalState | None) -> State:
    """A state of this plan from what was told, by id; what is new begins, what is gone is left."""
    layout = plan.layout
    fresh = initial(plan)
    transformers: list[TransformerState] = []
    for t, new in zip(layout.transformers, fresh.transformers, strict=True):
        known = told["transformers"].get(t.id)
        if known is None:
            transformers.append(new)
            continue
        modes = [m.id for m in t.settings.modes]
        ts = _made(TransformerState, known, shift, _PER_ITEM | {"mode", "explained"})
        place = {s.id: k for k, s in enumerate(t.stages)}
        roles = tuple(place.get(told["stages"].get(s.id, {}).get("role"), -1) for s in t.stages)
        if sorted(roles) != list(range(len(t.stages))) or not all(
            k == r or _exchange_duty(t.stages[k], t.stages[r]) for k, r in enumerate(roles)
        ):
            roles = new.roles
        w = [told["windings"].get(x.id, {}) for x in t.windings]
        transformers.append(
            ts._replace(
                mode=modes.index(known["mode"]) if known["mode"] in modes else 0,
                roles=roles,
                cold=tuple(bool(told["stages"].get(s.id, {}).get("cold", False)) for s in t.stages),
                phase_ns=tuple(_moved(x.get("phase_ns", -1), shift) for x in w),
                # An older checkpoint says only *that* there was such time, which every start left behind.
                doubtful_s=tuple(float(x.get("doubtful_s") or 0.0) for x in w),
                corrections=tuple(int(x.get("corrections") or 0) for x in w),
                last_load=tuple(x.get("last_load") for x in w),
            )
        )
    s_told = [told["stages"].get(s.id, {}) for s in layout.stages]
    return replace(
        fresh,
        mono_ns=_moved(told["mono_ns"], shift),
        sequence=told["sequence"],
        seen_hash=told["seen_hash"],
        started_ns=_moved(told["started_ns"], shift),
        deciding=bool(told["deciding"]),
        inputs=tuple(_made(li.InputState, told["inputs"].get(p.id, {}), shift) for p in layout.inputs),
        stages=tuple(
            _rewired(_made(StageState, x.get("stage", {}), shift), s.feedback is not None)
            for s, x in zip(layout.stages, s_told, strict=True)
        ),
        adopted=tuple(bool(x.get("adopted", False)) for x in s_told),
        outputs=(
            *(_made(out.OutputState, x.get("output", {}), shift) for x in s_told),
            *(_made(out.OutputState, told.get("contacts", {}).get(c.id, {}), shift) for c in layout.contacts),
        ),
        run_ns=tuple(int(x.get("run_ns", 0)) for x in s_told),
        transformers=tuple(transformers),
        alarms=tuple(_made(al.AlarmState, told["alarms"].get(p.id, {}), shift) for p in layout.alarms),
        alarm_count=told["alarm_count"],
        modules=tuple(
            _made(ModuleState, told.get("modules", {}).get(p.id, {}), shift) for p in layout.relay_modules
        ),
        substitutes=tuple(
            Substitute(i, float(v), _moved(u, shift))
            for i, v, u in told["substitutes"]
            if i in layout.input_index
        ),
        devices_down={
            d: _moved(since, shift) for d, since in told["devices_down"].items() if d in layout.devices
        },
        thermal=thermal,
        explained=_explained(plan, told, shift),
    )


def _exchange_duty(a: StagePlan, b: StagePlan) -> bool:
    """They are of one rotation group; two stages of none are not."""
    group = a.settings.rotation_group
    return group is not None and group == b.settings.rotation_group


def _explained(plan: Plan, told: Mapping[str, Any], shift: int) -> explained.Explained | None:
    """What the oil was held against; a checkpoint from before there was such a thing has none."""
    t_ns = told.get("explained_ns", -1)
    if t_ns < 0:
        return None
    shares = {
        t.index: known["explained"]
        for t in plan.layout.transformers
        if "explained" in (known := told["transformers"].get(t.id, {}))
    }
    return explained.made(plan.model, _moved(t_ns, shift), shares, shift)


def _overdue(ts: TransformerState) -> TransformerState:
    """With its running time limits at their end: nobody knows how long the gap was."""
    if ts.estimate_until_ns > 0:
        ts = ts._replace(estimate_until_ns=0)
    return ts._replace(pumps_until_ns=0) if 0 < ts.pumps_until_ns < NEVER else ts


def _rewired(stage: StageState, wired: bool) -> StageState:
    """New settings have given it a feedback, or taken it away: its proof begins anew, else none would
    ever be due, or one would be overdue for ever."""
    waiting = stage.proof in (Proof.STARTING, Proof.UNPROVEN)
    if waiting and wired is (stage.due_ns >= NEVER):
        return replace(stage, proof=Proof.REST, due_ns=NEVER)
    return stage


def carry_over(state: State, old_plan: Plan, new_plan: Plan) -> State:
    """The state under a new plan, at the same time of the same run."""
    thermal = None
    if state.thermal is not None:
        thermal = track.migrate(old_plan.model, new_plan.model, state.thermal)
    new = _take(new_plan, as_dict(state), 0, thermal)
    # A proof that goes on is broken off: what it leans on may be another now.
    modules = tuple(replace(m, phase=Phase.ENDED, held=()) if m.going_on else m for m in new.modules)
    return replace(new, modules=modules)


def load(plan: Plan, data: bytes, gap: Gap) -> State:
    """See `engine.restore`."""
    try:
        told = json.loads(data)
    except ValueError as error:
        raise ValueError(f"checkpoint cannot be read: {error}") from error
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise ValueError(f"checkpoint is not of format {FORMAT}")
    try:
        return _restored(plan, told, gap)
    except (KeyError, TypeError, AttributeError, IndexError, OverflowError) as error:
        raise ValueError(f"checkpoint cannot be read: {error!r}") from error


def join(
    plan: Plan, state: State, began: State, data: bytes, gap: Gap, *, peaks: bool
) -> tuple[State, dict[str, tuple[float, float]]]:
    """The state with what an earlier record's checkpoint holds more, and which loss of life rose [h].

    began: what this run began with. gap: from that checkpoint to the beginning of this run. Each counter
    (loss of life, unmonitored time, run hours, starts) becomes the higher of the two that it had then, plus
    what this run has added: nothing is counted twice, and nothing falls. peaks: those too, the higher counts;
    not for a record that this one may descend from, for a person may have reset them since. Everything else
    is this run's. ValueError: damaged or not ours.
    """
    found = load(plan, data, gap)
    stages = tuple(
        replace(s, start_count=s.start_count + max(0, f.start_count - b.start_count))
        for s, b, f in zip(state.stages, began.stages, found.stages, strict=True)
    )
    run_ns = tuple(
        s + max(0, f - b) for s, b, f in zip(state.run_ns, began.run_ns, found.run_ns, strict=True)
    )
    transformers = tuple(
        s._replace(
            doubtful_s=tuple(
                x + max(0.0, z - y) for x, y, z in zip(s.doubtful_s, b.doubtful_s, f.doubtful_s, strict=True)
            ),
            corrections=tuple(
                x + max(0, z - y) for x, y, z in zip(s.corrections, b.corrections, f.corrections, strict=True)
            ),
            hot_spot=_higher(s.hot_spot, f.hot_spot) if peaks else s.hot_spot,
            top_oil=_higher(s.top_oil, f.top_oil) if peaks else s.top_oil,
            load=_higher(s.load, f.load) if peaks else s.load,
        )
        for s, b, f in zip(state.transformers, began.transformers, found.transformers, strict=True)
    )
    thermal = track.join(plan.model, state.thermal, began.thermal, found.thermal)
    rose = {}
    for w, name in enumerate(plan.model.windings):
        was = plan.model.life_start_h[w] if state.thermal is None else state.thermal.published_h[1, w]
        now = was if thermal is None else thermal.published_h[1, w]
        if now > was:
            rose[name] = (float(was), float(now))
    return replace(state, stages=stages, run_ns=run_ns, transformers=transformers, thermal=thermal), rose


def _higher(a: Peak, b: Peak) -> Peak:
    return b if b.value is not None and (a.value is None or b.value > a.value) else a


def thaw(plan: Plan, data: bytes) -> State:
    """See `engine.thaw`."""
    try:
        told = json.loads(data)
        if told.get("format") != FORMAT:
            raise ValueError(f"not of format {FORMAT}")
        if told["settings"] != plan.layout.packed and unpack(told["settings"]) != plan.settings:
            raise ValueError("it belongs to other settings")
        thermal = None if told["thermal"] is None else track.from_dict(plan.model, told["thermal"])
        state = _take(plan, told, 0, thermal)
        return replace(
            state,
            settings_hash=told["settings_hash"],
            expected=tuple(told["expected"]),
            loading=tuple(_made(LoadFigures, f, 0) for f in told["loading"]),
        )
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, OverflowError) as error:
        raise ValueError(f"snapshot cannot be read: {error}") from error


def packed_settings(data: bytes) -> Settings:
    """The settings that a checkpoint's state belongs to. ValueError: damaged, or of another version."""
    try:
        return unpack(json.loads(data)["settings"])
    except (KeyError, TypeError) as error:
        raise ValueError(f"snapshot cannot be read: {error!r}") from error


def _restored(plan: Plan, told: dict[str, Any], gap: Gap) -> State:
    gap_ns = round((gap.gap_s or 0.0) * NS)
    # Timers go on as if the time of the gap had passed; of an unknown gap nothing can be said, and
    # every timer that is still running only prolongs running.
    shift = gap.mono_ns - (told["mono_ns"] + gap_ns) if told["mono_ns"] >= 0 else 0
    old_model: Model = plan.model
    if told["settings"] != plan.layout.packed and (old := unpack(told["settings"])) != plan.settings:
        old_model = compile_model(old)  # equal settings may be packed otherwise: a default written out
    thermal = None
    if told["thermal"] is not None:
        thermal = track.from_dict(old_model, told["thermal"])
        if old_model is not plan.model:
            thermal = track.migrate(old_model, plan.model, thermal)
        bridge = gap.same_boot and gap.gap_s is not None and gap.gap_s <= plan.settings.station.bridge_s
        thermal = track.resume(plan.model, thermal, gap.mono_ns, gap.gap_s, bridge)
    state = _take(plan, told, shift, thermal)
    if state.explained is not None:
        bridged = gap.same_boot and gap.gap_s is not None and gap.gap_s <= plan.settings.station.bridge_s
        state = replace(state, explained=explained.resumed(state.explained, gap.mono_ns, bridged))
    stages = state.stages
    # A proof that was going on told nothing, and is tried again.
    modules = tuple(m.ended(gap.mono_ns) if m.going_on else m for m in state.modules)
    if not gap.same_boot or gap.gap_s is None:
        # Nobody knows how much of a hold-off is left, so there is none.
        stages = tuple(replace(s, hold_until_ns=-1) if s.hold_until_ns >= 0 else s for s in stages)
    # Nobody watched the trip criteria meanwhile: a delay that was running begins anew.
    transformers = tuple(
        ts if state.alarms[t.alarms["trip"]].active else ts._replace(trip_ns=-1)
        for t, ts in zip(plan.layout.transformers, state.transformers, strict=True)
    )
    if gap.gap_s is None:  # a time limit may have passed, so it has
        transformers = tuple(_overdue(ts) for ts in transformers)
    # What counted is not lost because nobody looked for a while: its first good sample counts.
    inputs = tuple(
        i if i.lost or gap.mono_ns - i.value_ns <= p.rules.stale else li.InputState()
        for p, i in zip(plan.layout.inputs, state.inputs, strict=True)
    )
    return replace(
        state,
        mono_ns=gap.mono_ns,
        inputs=inputs,
        started_ns=-1,
        deciding=False,
        adopted=(False,) * len(stages),
        stages=stages,
        transformers=transformers,
        modules=modules,
        devices_down={},
    )
