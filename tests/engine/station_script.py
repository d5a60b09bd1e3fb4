"""A station to write scenarios with: set readings, let time pass, look at calls and alarms.

Steps the production step; the contactors here follow the coils, unless a scenario breaks them.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from typing import Any

from collector import engine
from collector.messages import Command, Disobeys, Event, Health, Inputs, Outcome, RelayStatus
from collector.points import ALARM_STATES, CALL_REASONS, measurements
from collector.quality import GOOD, Detail, Quality, Reading, invalid
from collector.settings.model import Settings

NS = 10**9


def _bit(address: int) -> dict[str, Any]:
    return {"device": "cabinet", "table": "discrete_input", "address": address}


def _stage(number: int, pickup_c: float, **more: Any) -> dict[str, Any]:
    return {
        "id": f"stage{number}",
        "number": number,
        "relay": {"device": "relays", "coil": number},
        "feedback": _bit(number),
        "cabinet": {"selector_auto": _bit(10 + number), "breaker_closed": _bit(20 + number)},
        "pickup": {"top_oil_c": pickup_c, "hot_spot_c": pickup_c + 15},
        "dropout": {"top_oil_c": pickup_c - 10, "hot_spot_c": pickup_c + 5},
        **more,
    }


def _winding(phase: str, number: int) -> dict[str, Any]:
    return {
        "id": f"HV_{phase}",
        "number": number,
        "phase": phase,
        "current": {"device": "cts", "table": "input_register", "address": 10 * number, "type": "float32"},
        "modes": {
            "ONAN": {"gradient_k": 10.0, "rated_current_a": 200.0},
            "ONAF": {"gradient_k": 15.0, "rated_current_a": 300.0},
        },
    }


def base() -> dict[str, Any]:
    """Three phases, three stages of fans; every device has a number and so its own alarm."""
    temperature = {"device": "oil_tx", "table": "input_register", "type": "int16", "scale": 0.1}
    return {
        "station": {"id": "TEST", "cycle_s": 2.0},
        "links": [{"id": "lan", "type": "tcp", "host": "127.0.0.1"}],
        "devices": [
            {"id": "oil_tx", "number": 1, "link": "lan", "unit": 1},
            {"id": "cts", "number": 2, "link": "lan", "unit": 2},
            {
                "id": "relays",
                "number": 3,
                "link": "lan",
                "unit": 3,
                "relay_module": {"released_by": "module_timeout", "timeout_s": 10.0},
            },
            {"id": "cabinet", "number": 4, "link": "lan", "unit": 4},
        ],
        "transformers": [
            {
                "id": "T1",
                "number": 1,
                "design": "medium_large_onaf",
                "paper": "kraft",
                "normal_life_h": 180000.0,
                "life_source": "invented for the tests",
                "life_criterion": "functional life",
                # Scenarios move the oil at will; the rate check has scenarios of its own.
                "top_oil": {**temperature, "address": 0, "max_rate_k_per_min": 1e6},
                "ambient": {**temperature, "address": 1, "max_rate_k_per_min": 1e6},
                # ... and so have doubts: what an oil or a phase is held against.
                "lost_inputs": {"oil_margin_k": 200.0, "phase_unbalance_pu": 10.0},
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
                "windings": [_winding(p, i + 1) for i, p in enumerate("ABC")],
                "stages": [_stage(1, 60.0), _stage(2, 70.0), _stage(3, 80.0)],
            }
        ],
    }


def settings(edit: Callable[[dict[str, Any]], object] | None = None) -> Settings:
    """The base settings after `edit` has changed the tree in place."""
    tree = deepcopy(base())
    if edit is not None:
        edit(tree)
    return Settings.model_validate_json(json.dumps(tree))


class Bad:
    """A reading that is not good."""

    def __init__(self, detail: Detail = Detail.FAILURE, reason: str = "sentinel 0x7FFF") -> None:
        self.quality, self.reason = invalid(detail), reason


class Station:
    """One station under the step. Readings in `values` (id without "T1."), coils in `coils`."""

    def __init__(
        self,
        edit: Callable[[dict[str, Any]], object] | None = None,
        *,
        oil: float = 40.0,
        amps: float = 100.0,
        ambient: float = 20.0,
        polled: bool = True,
        held: bool | None = True,
        assume: bool = False,
    ) -> None:
        self.settings = settings(edit)
        self.plan = engine.build(self.settings, "hash", assume_running_as_called=assume)
        self.state = engine.initial(self.plan)
        self.now = 10**15
        self.polled = polled
        self.health = Health()
        self.down: dict[str, str] = {}
        self.frozen_reads: dict[str, Reading] = {}
        self.broken: set[str] = set()  # stages whose contactor does not follow
        self.stuck: dict[str, bool] = {}  # coils that do not follow the decision
        self.foreign: set[str] = set()
        self.unverified: set[str] = set()
        self.disobeys: dict[str, Disobeys] = {}
        self.link_down: set[str] = set()  # outputs whose module does not answer
        self.qualities: dict[str, Quality] = {}
        self.alone: dict[str, int] = {}  # modules that get no request, since when
        self.no_timeout: set[str] = set()  # modules whose own timeout is dead
        self.events: list[Event] = []
        self.outcome: Outcome | None = None
        self.hash = "hash"
        self.values: dict[str, float | Bad | None] = {}
        self.coils: dict[str, bool | None] = {}
        self.switched: dict[str, list[int]] = {}
        self.fill(oil, amps, ambient, held)

    def fill(self, oil: float, amps: float, ambient: float, held: bool | None) -> None:
        """A quiet value for every measurement that has none yet, a coil for every stage."""
        self.measured = tuple(measurements(self.settings))
        for m in self.measured:
            name = m.id.removeprefix("T1.")
            quiet = 1.0
            if name.endswith("feedback"):
                continue
            if name.endswith("current_a"):
                quiet = amps
            elif name.endswith("ambient_c"):
                quiet = ambient
            elif name.endswith("_c"):
                quiet = oil
            elif name.endswith(("interlock", "selector_manual", "supply_changeover")):
                quiet = 0.0
            self.values.setdefault(name, quiet)
        self.ids = {s.id: s for s in self.plan.layout.stages}
        for stage in self.ids:
            self.coils.setdefault(stage, held)
            self.switched.setdefault(stage, [])

    # --- one cycle ---

    def readings(self) -> dict[str, Reading]:
        read: dict[str, Reading] = {}
        for m in self.measured:
            name = m.id.removeprefix("T1.")
            device = m.input.device
            if device in self.alone:
                read[m.id] = Reading(None, invalid(Detail.FAILURE), self.now, "left alone", device)
                continue
            if device in self.down:
                read[m.id] = Reading(None, invalid(Detail.FAILURE), self.now, self.down[device], device)
                continue
            if name in self.frozen_reads:
                read[m.id] = self.frozen_reads[name]
                continue
            if name.endswith("feedback") and name not in self.values:
                stage = m.id.removesuffix(".feedback")
                runs = self.coils[stage] is False and stage.removeprefix("T1.") not in self.broken
                value: float | Bad | None = float(runs)
            else:
                value = self.values[name]
            if value is None:
                continue
            if isinstance(value, Bad):
                read[m.id] = Reading(None, value.quality, self.now, value.reason, device)
            else:
                read[m.id] = Reading(value, self.qualities.get(name, GOOD), self.now, "", device)
        return read

    def release_what_is_left_alone(self) -> None:
        """What a module does by itself when no request has come for as long as its timeout."""
        for d in self.settings.devices:
            since = self.alone.get(d.id)
            if since is None or d.relay_module is None or d.id in self.no_timeout:
                continue
            if self.now - since >= d.relay_module.timeout_s * NS:
                for s in self.plan.layout.stages:
                    if s.module == d.id:
                        self.coils[s.id] = False

    def inputs(self, commands: tuple[Command, ...] = ()) -> Inputs:
        module = {s.id: s.module for s in self.plan.layout.stages}
        silent = self.link_down | {o for o in self.coils if module.get(o) in self.alone}
        relays = {
            o: RelayStatus(
                None if o in silent else energised,
                self.now,
                link_ok=o not in silent,
                foreign=o in self.foreign,
                verified=o not in self.unverified,
                disobeys=self.disobeys.get(o, ""),
            )
            for o, energised in self.coils.items()
        }
        return Inputs(
            self.now,
            self.readings(),
            relays,
            {
                d.id: "left alone by decision" if d.id in self.alone else self.down.get(d.id, "")
                for d in self.settings.devices
            },
            commands,
            self.health,
            self.polled,
            self.hash,
        )

    def cycle(self, seconds: float = 2.0, *commands: Command) -> Outcome:
        self.now += round(seconds * NS)
        self.release_what_is_left_alone()
        self.state, self.outcome = engine.step(self.state, self.plan, self.inputs(commands))
        self.events += self.outcome.events
        for output, energise in self.outcome.decision.energise.items():
            if output in self.link_down or output not in self.coils:
                continue
            if output in self.ids and self.ids[output].module in self.outcome.decision.leave_alone:
                continue
            new = self.stuck.get(output, energise)
            if new is not self.coils[output]:
                self.switched.setdefault(output, []).append(self.now)
            self.coils[output] = new
        alone = self.outcome.decision.leave_alone
        self.alone = {d: self.alone.get(d, self.now) for d in alone}
        return self.outcome

    # --- what scenarios are written with ---

    def run(self, seconds: float, step_s: float = 2.0) -> Station:
        end = self.now + round(seconds * NS)
        while self.now < end:
            self.cycle(min(step_s, (end - self.now) / NS))
        return self

    def set(self, **values: float | Bad | None) -> Station:
        """oil=, ambient=, amps= (all phases), or a name with __ for the dot: stage1__selector_auto=0."""
        for name, value in values.items():
            if name == "oil":
                self.values["top_oil_c"] = value
            elif name == "ambient":
                self.values["ambient_c"] = value
            elif name == "amps":
                for key in self.values:
                    if key.endswith("current_a"):
                        self.values[key] = value
            else:
                self.values[name.replace("__", ".")] = value
        return self

    def command(self, kind: Any, target: str, how: str = "local", **more: Any) -> str:
        """Give a command in one cycle; returns what came of it ("" when done)."""
        self.cycle(2.0, Command("c", kind, target, "tester", how, **more))
        done = [e for e in self.events if e.kind == "command" and e.data.get("id") == "c"][-1]
        return "" if done.data["accepted"] else done.text

    def restart(self, gap_s: float = 20.0, *, same_boot: bool = True, release: bool = True) -> Station:
        """The program dies and comes back; meanwhile the modules release their outputs."""
        saved = engine.checkpoint(self.state)
        self.now += round(gap_s * NS)
        if release:
            self.coils = dict.fromkeys(self.coils, False)
        self.state = engine.restore(self.plan, saved, engine.Gap(same_boot, gap_s, self.now))
        return self

    def reload(self, edit: Callable[[dict[str, Any]], object] | None, new_hash: str = "new") -> Station:
        self.settings = settings(edit)
        plan = engine.build(self.settings, new_hash)
        self.state = engine.migrate(self.state, self.plan, plan)
        self.plan, self.hash = plan, new_hash
        self.fill(40.0, 100.0, 20.0, held=False)
        return self

    def value(self, point: str) -> Any:
        assert self.outcome is not None
        return self.outcome.values[f"T1.{point}"].value

    def quality(self, point: str) -> Quality:
        assert self.outcome is not None
        return self.outcome.values[f"T1.{point}"].quality

    def called(self, *numbers: int) -> bool:
        """Whether exactly these stages are called, by the decision's coils."""
        assert self.outcome is not None
        coils = self.outcome.decision.energise
        on = {int(s[-1]) for s in self.ids if not coils[s]}
        return on == set(numbers)

    def reason(self, stage: str) -> str:
        return CALL_REASONS[self.value(f"{stage}.reason")]

    def alarm(self, name: str) -> str:
        """State word of an alarm: "T1.alarm_x" by "x", "stage1.x", or a full id."""
        assert self.outcome is not None
        full = name if name.startswith(("station.", "device.")) else f"T1.{name}"
        head, _, tail = full.rpartition(".")
        return ALARM_STATES[int(self.outcome.values[f"{head}.alarm_{tail}"].value)]  # type: ignore[arg-type]

    def told(self, text: str) -> bool:
        return any(text in e.text for e in self.events)
