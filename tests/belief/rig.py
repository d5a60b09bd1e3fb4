"""Drives the step of the product in a closed loop with a plant of its own: coils in, readings out.

Faults are functions on the readings. Judged is only what the plant knows: its hot spot, its motors, the
coils.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Mapping
from copy import deepcopy
from typing import Any

from plant import Figures, Plant, Weather, nominal

from collector import engine
from collector.messages import Command, Event, Inputs, Outcome, RelayStatus
from collector.quality import GOOD, Detail, Reading, invalid
from collector.settings.model import Settings

NS = 10**9
RATED_A = 300.0
HOT_SPOT_HIGH_C = 110.0


def _bit(address: int) -> dict[str, Any]:
    return {"device": "cabinet", "table": "discrete_input", "address": address}


def _temperature(address: int) -> dict[str, Any]:
    return {"device": "tx", "table": "input_register", "type": "float32", "address": address}


def _winding(side: str, phase: str, number: int, ratio: float) -> dict[str, Any]:
    return {
        "id": f"{side}_{phase}",
        "number": number,
        "phase": phase,
        "hot_spot_factor": 1.3,
        "current": {"device": "tx", "table": "input_register", "address": 10 * number, "type": "float32"},
        "modes": {
            "ONAN": {"gradient_k": 10.0, "rated_current_a": 200.0 * ratio},
            "ONAF": {"gradient_k": 15.0, "rated_current_a": 300.0 * ratio},
        },
    }


def _stage(number: int, pickup_c: float) -> dict[str, Any]:
    return {
        "id": f"stage{number}",
        "number": number,
        "relay": {"device": "relays", "coil": number},
        "feedback": _bit(number),
        "cabinet": {
            "selector_auto": _bit(10 + number),
            "breaker_closed": _bit(20 + number),
            "interlock": _bit(30 + number),
        },
        "pickup": {"top_oil_c": pickup_c, "hot_spot_c": pickup_c + 15},
        "dropout": {"top_oil_c": pickup_c - 10, "hot_spot_c": pickup_c + 5},
    }


TAP_STEP = 0.0125
MODULE_TIMEOUT_S = 10.0


def tree(
    *, guide: str = "iec_60076_7", ambient: bool = True, probes: int = 1, sides: int = 1, tap: bool = False
) -> dict[str, Any]:
    """One transformer of three phases with three groups of fans, two of which make ONAF."""
    t: dict[str, Any] = {
        "id": "T1",
        "number": 1,
        "guide": guide,
        "design": "medium_large_onaf",
        "paper": "kraft",
        "normal_life_h": 180000.0,
        "life_criterion": "functional life",
        "top_oil": _temperature(0),
        "modes": [
            {
                "id": "ONAN",
                "number": 1,
                "cooling": "ONAN",
                "design": "medium_large_onan",
                "top_oil_rise_k": 50.0,
                "loss_ratio": 3.0,
            },
            {
                "id": "ONAF",
                "number": 2,
                "cooling": "ONAF",
                "needs": ["stage1", "stage2"],
                "top_oil_rise_k": 48.0,
                "loss_ratio": 6.75,
            },
        ],
        "windings": [_winding("HV", p, i + 1, 1.0) for i, p in enumerate("ABC")],
        "stages": [_stage(1, 60.0), _stage(2, 70.0), _stage(3, 80.0)],
    }
    if ambient:
        t["ambient"] = _temperature(2)
    if tap:
        t["tap_changer"] = {
            "position": {"device": "tx", "table": "input_register", "type": "int16", "address": 60},
            "principal": 0,
            "step_percent": 100 * TAP_STEP,
            "windings": ["HV_A", "HV_B", "HV_C"],
        }
    if probes == 2:
        t["top_oil"]["redundant"] = _temperature(4)
    if sides == 2:
        t["windings"] += [_winding("LV", p, i + 4, 5.5) for i, p in enumerate("ABC")]
    return {
        "station": {"id": "RIG", "cycle_s": 10.0, "decision_max_age_s": 60.0},
        "links": [{"id": "lan", "type": "tcp", "host": "127.0.0.1"}],
        "devices": [
            {"id": "tx", "number": 1, "link": "lan", "unit": 1},
            {"id": "cabinet", "number": 2, "link": "lan", "unit": 2},
            {
                "id": "relays",
                "number": 3,
                "link": "lan",
                "unit": 3,
                "relay_module": {"released_by": "module_timeout", "timeout_s": MODULE_TIMEOUT_S},
            },
        ],
        "transformers": [t],
    }


class Rig:
    """One station and its plant. faults: name -> function of (true or noisy value, rig) to what is read.

    dead: groups whose motors do not turn whatever the contactor does. step_s: length of a cycle. It begins
    in steady state at this load [pu of 300 A] with so many groups running.
    """

    def __init__(
        self,
        figures: Figures | None = None,
        weather: Weather | None = None,
        edit: Callable[[dict[str, Any]], object] | None = None,
        *,
        load: float = 0.5,
        groups: int = 0,
        step_s: float = 30.0,
        seed: int = 7,
        noise_k: float = 0.15,
        noise_a: float = 0.004,
        station: Mapping[str, Any] | None = None,
        **kind: Any,
    ) -> None:
        self.plant = Plant(figures or nominal(), weather or Weather(), seed, load, groups)
        shape = deepcopy(tree(**kind))
        shape["station"] |= station or {}
        if edit is not None:
            edit(shape["transformers"][0])
        self.shape = shape
        self.settings = Settings.model_validate_json(json.dumps(shape))
        self.engine_plan = engine.build(self.settings, "rig")
        self.state = engine.initial(self.engine_plan)
        self.now = 10**15
        self.step_s, self.noise_k, self.noise_a = step_s, noise_k, noise_a
        self.rng = random.Random(seed)
        self.load = load
        self.faults: dict[str, Callable[[float], float | None]] = {}
        self.dead: set[str] = set()
        self.coils: dict[str, bool] = {f"T1.stage{i}": i > groups for i in (1, 2, 3)}
        self.events: list[Event] = []
        self.outcome: Outcome | None = None
        self.hot_inhibited_s = 0.0  # true hot spot above its high limit while a stage is held off
        self.worst_hot_spot_c = -100.0
        self.tap = 0
        self.alone_ns: int | None = None  # since when the relay module gets no request, to prove its timeout
        self.worst_inhibited_s = 0.0

    # --- what the devices say ---

    def read(self, name: str, value: float) -> float | None:
        return self.faults[name](value) if name in self.faults else value

    def readings(self) -> dict[str, Reading]:
        p, g = self.plant, self.rng.gauss
        said: dict[str, float | None] = {}
        oil = p.oil_c - p.figures.pocket_k
        said["T1.top_oil_c"] = self.read("top_oil_c", oil + g(0, self.noise_k))
        t = self.settings.transformers[0]
        if t.top_oil.redundant is not None:
            said["T1.top_oil_2_c"] = self.read("top_oil_2_c", oil + g(0, self.noise_k))
        if t.ambient is not None:
            measured = p.ambient_c + p.figures.sensor_sun_k * p.sun + g(0, self.noise_k)
            said["T1.ambient_c"] = self.read("ambient_c", measured)
        for w in t.windings:
            ratio = 5.5 if w.id.startswith("LV") else 1.0 / p.tap_pu
            amps = self.load * RATED_A * ratio * (1 + g(0, self.noise_a))
            said[f"T1.{w.id}.current_a"] = self.read(f"{w.id}.current_a", max(0.0, amps))
        for s in t.stages:
            contactor = not self.coils[f"T1.{s.id}"] and not self.interlocked(s.id)
            said[f"T1.{s.id}.feedback"] = self.read(f"{s.id}.feedback", float(contactor))
            for contact, quiet in (("selector_auto", 1.0), ("breaker_closed", 1.0), ("interlock", 0.0)):
                said[f"T1.{s.id}.{contact}"] = self.read(f"{s.id}.{contact}", quiet)
            if getattr(s.cabinet, "parallel_start", None) is not None:
                said[f"T1.{s.id}.parallel_start"] = self.read(f"{s.id}.parallel_start", 0.0)
        if t.energised is not None:
            said["T1.energised"] = self.read("energised", 1.0)
        if t.tap_changer is not None:
            said["T1.tap_position"] = self.read("tap_position", float(self.tap))
        bad = invalid(Detail.FAILURE)
        return {
            name: Reading(None, bad, self.now, "no signal", "tx")
            if value is None
            else Reading(value, GOOD, self.now, "", "tx")
            for name, value in said.items()
        }

    def interlocked(self, stage: str) -> bool:
        return (self.read(f"{stage}.interlock", 0.0) or 0.0) >= 0.5

    def turning(self) -> int:
        """Groups of fans that really turn: contactor in, motor alive, no interlock in its circuit."""
        return sum(
            not self.coils[s] and s[3:] not in self.dead and not self.interlocked(s[3:]) for s in self.coils
        )

    # --- time ---

    def cycle(self, *commands: Command) -> Outcome:
        self.now += round(self.step_s * NS)
        self.live_on()
        given = Inputs(self.now, self.readings(), self.relays(), {}, commands, settings_hash="rig")
        self.state, out = engine.step(self.state, self.engine_plan, given)
        self.outcome = out
        self.events += out.events
        # an older tree, whose cost is compared (cost.py), leaves no module alone
        self.obey(out.decision.energise, "relays" in getattr(out.decision, "leave_alone", ()))
        return out

    def live_on(self) -> None:
        """The plant one step on, as load, tap and coils are."""
        if self.alone_ns is not None and self.now - self.alone_ns >= MODULE_TIMEOUT_S * NS:
            self.coils = dict.fromkeys(self.coils, False)  # the module's own timeout
        self.plant.tap_pu = 1 + TAP_STEP * self.tap
        self.plant.step(self.step_s, self.load, self.turning())

    def relays(self) -> dict[str, RelayStatus]:
        fed = self.alone_ns is None
        return {o: RelayStatus(e if fed else None, self.now, link_ok=fed) for o, e in self.coils.items()}

    def obey(self, energise: Mapping[str, bool], leave_alone: bool) -> None:
        """The coils after a decision, and what the plant's truth says of them."""
        if not leave_alone:
            self.alone_ns = None
            for name in self.coils:
                self.coils[name] = energise.get(name, self.coils[name])
        elif self.alone_ns is None:
            self.alone_ns = self.now
        hot = self.plant.hot_spot_c
        self.worst_hot_spot_c = max(self.worst_hot_spot_c, hot)
        held = any(self.coils.values())
        self.hot_inhibited_s = self.hot_inhibited_s + self.step_s if hot > HOT_SPOT_HIGH_C and held else 0.0
        self.worst_inhibited_s = max(self.worst_inhibited_s, self.hot_inhibited_s)

    def run(
        self, hours: float, load: float | None = None, each: Callable[[Rig], object] | None = None
    ) -> Rig:
        if load is not None:
            self.load = load
        for _ in range(round(hours * 3600 / self.step_s)):
            self.cycle()
            if each is not None:
                each(self)
        return self

    def until(self, what: Callable[[Rig], bool], hours: float) -> float | None:
        """Hours until it is so, None when it does not come in time."""
        for i in range(round(hours * 3600 / self.step_s)):
            self.cycle()
            if what(self):
                return (i + 1) * self.step_s / 3600
        return None

    def command(self, kind: Any, target: str, **more: Any) -> str:
        self.cycle(Command("c", kind, target, "tester", "local", **more))
        done = [e for e in self.events if e.kind == "command" and e.data.get("id") == "c"][-1]
        return "" if done.data["accepted"] else done.text

    # --- what is looked at ---

    def value(self, point: str) -> Any:
        assert self.outcome is not None
        return self.outcome.values[f"T1.{point}"].value

    def band_k(self) -> float:
        """How far off the expected oil the reading may be, as published [K]."""
        return float(self.value("explained_high_c") - self.value("expected_oil_c"))

    def standing(self, name: str) -> bool:
        """An alarm by name is active: "oil_doubtful", "stage1.feedback_stuck"."""
        head, _, tail = name.rpartition(".")
        full = f"T1.{head}.alarm_{tail}" if head else f"T1.alarm_{tail}"
        return any(a.id == full and a.active for a in engine.alarm_list(self.state, self.engine_plan))

    def text(self, name: str) -> str:
        head, _, tail = name.rpartition(".")
        full = f"T1.{head}.alarm_{tail}" if head else f"T1.alarm_{tail}"
        raised = [e for e in self.events if e.kind == "alarm" and e.subject == full and e.data.get("order")]
        return raised[-1].text if raised else ""

    def alarms(self) -> list[str]:
        """Every alarm of the transformer that is active, in short."""
        found = [a for a in engine.alarm_list(self.state, self.engine_plan) if a.id.startswith("T1.")]
        return [a.id.removeprefix("T1.").replace("alarm_", "") for a in found if a.active]

    def all_run(self) -> bool:
        return not any(self.coils.values())
