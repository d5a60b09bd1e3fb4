"""A module without a time-out of its own, its watchdog relay on another module, the production step between.

The fans run when the stage's relay is released or the watchdog relay breaks the common: judged by the two
modules' own logs.
"""

from __future__ import annotations

import asyncio
import time

import pytest
from field_help import decide, device, link, reg, running, station, until
from field_raw import RawDevice, RawRelayModule

CYCLE_S, BOUND_S, TIMEOUT_S = 0.1, 1.0, 2.0
STAGE, WATCHDOG = 0, 3


def settings(sensor, guarded, guard, with_key):
    module = {"timeout_s": TIMEOUT_S, "release_within_s": BOUND_S}
    watched = {**module, "released_by": "watchdog_relay"}
    if with_key:
        watched["watchdog_relay"] = {"device": "R2", "coil": WATCHDOG}
    winding = {
        "id": "W1", "number": 1, "modes": {"M": {"gradient_k": 15.0, "rated_current_a": 100.0}},
        "current": {"device": "D1", "table": "input_register", "address": 1, "type": "int16"},
    }  # fmt: skip
    return station(
        [link(sensor.port), {**link(guarded.port), "id": "L2"}, {**link(guard.port), "id": "L3"}],
        [
            device(),
            device("R1", link="L2", relay_module=watched),
            device("R2", link="L3", relay_module={**module, "released_by": "module_timeout"}),
        ],
        [reg(0)],
        {"stage1": ("R1", STAGE)},
        more={"contacts": {"device_fault": {"device": "R2", "coil": 4}}, "windings": [winding]},
        cycle_s=CYCLE_S, decision_max_age_s=0.6, start_grace_s=20.0, return_hold_s=0.0, return_after_s=0.0,
    )  # fmt: skip


@pytest.mark.parametrize("with_key", [True, False])
async def test_a_module_without_a_time_out_is_overruled_by_its_watchdog_relay(with_key) -> None:
    """It acknowledges and does nothing while the oil is hot. Without the key the fans stay off for ever."""
    sensor = await RawDevice(input={0: 20, 1: 50}).start()
    guarded = await RawRelayModule(timeout_s=1e6).start()
    guard = await RawRelayModule(timeout_s=TIMEOUT_S).start()
    guarded.memory.coils[STAGE] = guard.memory.coils[WATCHDOG] = 1
    wanted = settings(sensor, guarded, guard, with_key)
    try:
        async with running(wanted) as field:
            task = asyncio.create_task(decide(field, wanted, CYCLE_S))
            await until(lambda: field.snapshot().polled and any(guarded.writes))
            held = field.snapshot().relays
            assert held["T1.stage1"].energised
            assert not with_key or held["device.R1.watchdog_relay"].energised

            def ignoring(peer, req):
                kept = dict(guarded.memory.coils)
                pdu = guarded.memory.serve(req)
                guarded.memory.coils.update(kept)
                peer.reply(req, pdu)

            guarded.behave = ignoring
            sensor.memory.input[0] = 105
            await until(lambda: any(req.bits == (0,) for req in guarded.writes))
            called = time.monotonic()

            def fans_run():
                return not guarded.memory.coils[STAGE] or not guard.memory.coils[WATCHDOG]

            if with_key:
                await until(fans_run, BOUND_S + 1.0)
                write = next(req for req in guard.writes if req.address == WATCHDOG and req.bits[0] == 0)
                assert write.at - called < BOUND_S + 5 * CYCLE_S + 0.4
                assert guarded.memory.coils[STAGE] == 1, "its own relay is still energised"
            else:
                guard.memory.coils[WATCHDOG] = 1  # nobody's any more
                with pytest.raises(AssertionError, match="did not happen"):
                    await until(lambda: not guarded.memory.coils[STAGE], BOUND_S + TIMEOUT_S + 1.0)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
    finally:
        for each in (sensor, guarded, guard):
            await each.stop()
