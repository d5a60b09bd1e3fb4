"""A module's own time-out proven in service, on sockets: unfed is what feeds it, whatever that is.

The production step decides; the device's log of what fed it and of its contact is the judge. All cases run at
once, each a station of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from dataclasses import dataclass
from itertools import pairwise

import pytest
from field_help import contact, decide, device, link, reg, running, station, until
from field_outputs import KINDS, UNSEEN, Kind, OutputModule
from field_raw import Memory, RawDevice

from collector.control import proof
from collector.settings.model import Settings

TIMEOUT_S, CYCLE_S = 2.0, 0.5
DISCRETE = KINDS["discrete"]


@dataclass(frozen=True)
class Case:
    """fed_by: what feeds the module. declared: what the settings say about that. dead: its time-out is."""

    fed_by: str
    declared: str
    told: str
    dead: bool = False
    kind: Kind = DISCRETE
    feedback: bool = True


CASES = {
    "any frame": Case("any_frame_on_line", "any_frame_on_line", "proven"),
    "any frame, dead": Case("any_frame_on_line", "any_frame_on_line", "failed", dead=True),
    "any frame, not declared": Case("any_frame_on_line", "own_requests", "failed"),
    "connection": Case("connection", "connection", "proven"),
    "connection, not declared": Case("connection", "own_requests", "failed"),
    "writes": Case("writes", "writes", "proven"),
    "writes, dead": Case("writes", "writes", "failed", dead=True),
    "declared writes, but reads feed it": Case("own_requests", "writes", "failed"),
    "not to be read": Case("own_requests", "own_requests", "proven", kind=UNSEEN),
    "not to be read, dead": Case("own_requests", "own_requests", "failed", dead=True, kind=UNSEEN),
    "not to be read, feedback lost": Case(
        "own_requests", "own_requests", "no answer", kind=UNSEEN, feedback=False
    ),
}


def settings(module, sensor, case) -> Settings:
    """The current transducer hangs on the module's line, as unit 2; oil and feedback are read elsewhere."""
    winding = {
        "id": "W1", "number": 1, "modes": {"M": {"gradient_k": 15.0, "rated_current_a": 100.0}},
        "current": {"device": "D2", "table": "input_register", "address": 1, "type": "int16"},
    }  # fmt: skip
    tree = station(
        [link(sensor.port), {**link(module.port), "id": "L2", "timeout_s": 0.2}],
        [device(poll_s=0.3), device("D2", link="L2", unit=2, poll_s=0.3),
         device("R1", link="L2", poll_s=0.3, relay_module={
            "released_by": "module_timeout", "timeout_s": TIMEOUT_S, "fed_by": case.declared,
            "release_within_s": 1.8})],
        [reg(0)],
        {"stage1": ("R1", 0)},
        {"stage1": contact(0)},
        more={"windings": [winding]},
        cycle_s=CYCLE_S, decision_max_age_s=4.0, start_grace_s=20.0, return_hold_s=0.0, return_after_s=0.0,
        stale_after_s=6.0,
    ).model_dump(mode="json")  # fmt: skip
    tree["transformers"][0]["stages"][0]["relay"] = {"device": "R1", **case.kind.keys}
    return Settings.model_validate_json(json.dumps(tree))


async def prove(case: Case):
    """The first proof: what was told in the end, the module, when it began and ended, events."""
    sensor = await RawDevice(input={0: 20}, discrete={0: 1}).start()
    module = await OutputModule(case.kind, TIMEOUT_S, fed_by=case.fed_by).start()
    module.units[2] = Memory(input={1: 50})
    module.contacts[0].moved = lambda on: sensor.memory.discrete.update({0: int(not on)})
    module.contacts[0].move(True)  # held off by a predecessor: adopted
    module.show()
    wanted = settings(module, sensor, case)
    events = []

    def told(what):
        return [(at, str(e.data["proof"])) for at, e in events if e.data.get("proof") in what]

    try:
        async with running(wanted) as field:
            task = asyncio.create_task(decide(field, wanted, CYCLE_S, events))
            await until(lambda: told(["begun"]), 20.0)
            module.dead = case.dead
            if not case.feedback:
                sensor.memory.discrete.clear()
            with contextlib.suppress(AssertionError):
                await until(lambda: told(["proven", "failed", "no answer", "broken off"]), 20.0)
            await until(lambda: not module.contacts[0].energised, 6.0)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
    finally:
        await sensor.stop()
        await module.stop()
    began, *ended = told(["begun", "proven", "failed", "no answer", "broken off"])
    return ended[0][1] if ended else "nothing", module, began[0], ended[0][0] if ended else 0.0, events


async def test_the_unfed_time_is_silent_for_what_feeds_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proof, "FIRST", 10**9)
    monkeypatch.setattr(proof, "MARGIN_S", 0.3)
    found = dict(zip(CASES, await asyncio.gather(*map(prove, CASES.values())), strict=True))
    assert {name: told for name, (told, *_) in found.items()} == {n: case.told for n, case in CASES.items()}
    for name, (told, module, began, ended, events) in found.items():
        meanwhile = [req for req in module.log if began < req.at < ended]
        if told == "proven":
            released = next(at for at, on in module.contacts[0].moves if not on and at > began)
            assert released == pytest.approx(module.releases[0], abs=0.01), f"{name}: not by itself"
            assert released < ended, name
            fed = [req.at for req in module.log if req.at < released]
            raised = [e.text for at, e in events if e.kind == "alarm" and e.data.get("active")]
            assert not raised, name
            if name == "any frame":
                assert released - fed[-1] > TIMEOUT_S - 0.05, "not one frame on the whole line"
            if name == "connection":
                assert module.ends, "it was closed"
                assert not [at for at in fed if began + 1.0 < at < released]
            if name == "writes":
                assert not [req for req in meanwhile if req in module.writes and req.at > began + 1.0]
                read = [req.at for req in meanwhile if req.function == 2]
                assert max(b - a for a, b in pairwise(read)) < 1.5, "it is read on"
        elif told == "failed":
            assert "T1.stage1" in next(str(e.data["still"]) for _, e in events if "still" in e.data)
