"""Settings for a station with any registers as points, and waiting for a condition."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from collector import engine
from collector.clock import Clock
from collector.field import Field
from collector.messages import Decision, Inputs
from collector.settings.model import Settings

WIDE = {"min_c": -1e30, "max_c": 1e30}


def link(port: int, **more: Any) -> dict[str, Any]:
    return {"id": "L1", "type": "tcp", "host": "127.0.0.1", "port": port, "timeout_s": 0.3, **more}


def device(name: str = "D1", **more: Any) -> dict[str, Any]:
    number = int(name[1:]) + (10 if name[0] == "R" else 0)
    return {"id": name, "number": number, "link": "L1", "poll_s": 0.1, **more}


def reg(address: int, dev: str = "D1", table: str = "input_register", **more: Any) -> dict[str, Any]:
    return {"device": dev, "table": table, "address": address, **WIDE, **more}


def contact(address: int, dev: str = "D1", table: str = "discrete_input", **more: Any) -> dict[str, Any]:
    return {"device": dev, "table": table, "address": address, **more}


def ids(points: int) -> list[str]:
    """Measurement ids of the points given to :func:`station`."""
    return ["T1.top_oil_c", *(f"T1.W{n}.fibre_c" for n in range(1, points))]


def station(
    links: list[dict[str, Any]],
    devices: list[dict[str, Any]],
    points: list[dict[str, Any]],
    stages: dict[str, tuple[str, int]] | None = None,
    feedback: dict[str, dict[str, Any]] | None = None,
    more: dict[str, Any] | None = None,
    **times: float,
) -> Settings:
    """points: registers; stages: name -> (device, coil)."""
    mode = {"id": "M", "number": 1, "cooling": "ONAN", "design": "medium_large_onan", "top_oil_rise_k": 50.0,
            "loss_ratio": 6.0}  # fmt: skip
    limits = {"pickup": {"top_oil_c": 60.0}, "dropout": {"top_oil_c": 50.0}}
    windings = [
        {"id": f"W{n}", "number": n, "fibre_probe": point,
         "modes": {"M": {"gradient_k": 15.0, "rated_current_a": 100.0}}}
        for n, point in enumerate(points[1:] or [None], 1)
    ]  # fmt: skip
    transformer = {
        "id": "T1", "number": 1, "paper": "kraft", "normal_life_h": 180000.0, "life_criterion": "DP 200",
        "top_oil": points[0], "modes": [mode], "windings": windings,
        "stages": [
            {"id": name, "number": n, "relay": {"device": dev, "coil": coil},
             **({"feedback": feedback[name]} if feedback and name in feedback else {}), **limits}
            for n, (name, (dev, coil)) in enumerate((stages or {}).items(), 1)
        ],
        **(more or {}),
    }  # fmt: skip
    tree = {
        "station": {"id": "TEST", **times}, "links": links, "devices": devices, "transformers": [transformer],
    }  # fmt: skip
    return Settings.model_validate_json(json.dumps(tree))


@asynccontextmanager
async def running(settings: Settings, clock: Clock | None = None) -> AsyncIterator[Field]:
    field = Field(settings, clock or Clock())
    task = asyncio.create_task(field.run())
    try:
        yield field
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def until(condition: Callable[[], object], within_s: float = 8.0) -> None:
    """Wait until something outside (a snapshot, the other side's log) is so."""
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, "did not happen in time"
        await asyncio.sleep(0.005)


def reading(field: Field, point: int = 0) -> Any:
    return field.snapshot().readings[ids(point + 1)[point]]


class Decider:
    """Offers a decision every so often, as the daemon does, until stopped."""

    def __init__(self, field: Field, every_s: float, **energise: bool) -> None:
        self.energise = {f"T1.{name}": on for name, on in energise.items()}
        self.leave_alone: frozenset[str] = frozenset()
        self.sequence = 0
        self.last_mono_s = 0.0
        self._field, self._every_s = field, every_s
        self._task = asyncio.create_task(self._run())

    async def _run(self) -> None:
        while True:
            self.sequence += 1
            self.last_mono_s = time.monotonic()
            now_ns = time.monotonic_ns()
            self._field.offer(Decision(self.sequence, now_ns, dict(self.energise), self.leave_alone))
            await asyncio.sleep(self._every_s)

    async def stop(self) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)


async def decide(
    field: Field, wanted: Settings, cycle_s: float, events: list[tuple[float, Any]] | None = None
) -> None:
    """What the daemon does: one step a cycle, on what the field knows. events: (when, event), added to."""
    plan = engine.build(wanted, "hash")
    state = engine.initial(plan)
    while True:
        seen = field.snapshot()
        inputs = Inputs(
            time.monotonic_ns(), seen.readings, seen.relays, seen.devices, polled=seen.polled,
            settings_hash="hash",
        )  # fmt: skip
        state, outcome = engine.step(state, plan, inputs)
        field.offer(outcome.decision)
        if events is not None:
            events += [(time.monotonic(), event) for event in outcome.events]
        await asyncio.sleep(cycle_s)
