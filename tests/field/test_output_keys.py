"""Keys of an output, each with a device on a raw socket that fails without the key and works with it."""

from __future__ import annotations

import json
from contextlib import asynccontextmanager

import pytest
from field_help import Decider, device, link, reg, running, station, until
from field_raw import RawDevice, RawRelayModule, Req

from collector.settings.model import Settings

LAMP = 4


@asynccontextmanager
async def started():
    module = await RawRelayModule(timeout_s=1.0).start()
    module.sensor = await RawDevice(input={0: 200}).start()
    try:
        yield module
    finally:
        await module.stop()
        await module.sensor.stop()


def settings(module, stages=2, contact=None, **keys):
    """Stages on coils 0, 1 ...; an alarm contact. keys: of every output."""
    tree = station(
        [link(module.sensor.port), {**link(module.port), "id": "L2"}],
        [device(), device("R1", link="L2", relay_module={"released_by": "module_timeout", "timeout_s": 1.0})],
        [reg(0)],
        {f"stage{n}": ("R1", n - 1) for n in range(1, stages + 1)},
        more={"contacts": {"top_oil_high": {"device": "R1", "coil": LAMP, **(contact or {})}}},
        decision_max_age_s=0.6, cycle_s=0.1, start_grace_s=20.0,
    ).model_dump(mode="json")  # fmt: skip
    for stage in tree["transformers"][0]["stages"]:
        stage["relay"] |= keys
    return Settings.model_validate_json(json.dumps(tree))


async def works(module, how, stages=2) -> bool:
    """Every stage is held off, and released again by decision, within 1.5 s each; by the module's coils."""
    coils = range(stages)
    async with running(how) as field:
        decider = Decider(field, 0.1, **{f"stage{n + 1}": True for n in coils})
        try:
            await until(lambda: all(module.memory.coils[n] for n in coils), 1.5)
            decider.energise = dict.fromkeys(decider.energise, False)
            await until(lambda: not any(module.memory.coils[n] for n in coils), 1.5)
        except AssertionError:
            return False
        finally:
            await decider.stop()
    return not module.releases


@pytest.mark.parametrize("with_key", [True, False])
async def test_function_5_for_a_module_that_takes_the_first_coil_of_function_15_only(with_key) -> None:
    """It acknowledges all of them."""
    async with started() as module:

        def first_only(peer, req: Req):
            later = {a: module.memory.coils[a] for a in range(req.address + 1, req.address + req.count)}
            pdu = module.memory.serve(req)
            if req.function == 15:
                module.memory.coils.update(later)
            peer.reply(req, pdu)

        module.behave = first_only
        how = settings(module, **({"function": 5} if with_key else {}))
        assert await works(module, how) is with_key
        assert any(req.function == 15 for req in module.log) is not with_key


@pytest.mark.parametrize("with_key", [True, False])
async def test_function_15_for_a_module_that_never_answers_function_5(with_key) -> None:
    async with started() as module:
        module.behave = lambda peer, req: None if req.function == 5 else peer.reply(req)
        how = settings(module, 1, **({"function": 15} if with_key else {}))
        assert await works(module, how, 1) is with_key


async def test_function_15_takes_neighbours_along_whatever_they_are_to_be() -> None:
    """One write for all of them: that is what the worst time in `check` counts on."""
    async with started() as module, running(settings(module, 3, function=15)) as field:
        decider = Decider(field, 0.1, stage1=True, stage2=True, stage3=True)
        await until(lambda: all(field.snapshot().relays[f"T1.stage{n}"].energised for n in (1, 2, 3)))
        mark = len(module.log)
        decider.energise |= {"T1.stage1": False, "T1.stage3": False}
        await until(lambda: not module.memory.coils[0] and not module.memory.coils[2])
        await decider.stop()
    write = next(req for req in module.log[mark:] if req.function == 15 and 0 in req.bits)
    assert (write.address, write.bits) == (0, (0, 1, 0))


@pytest.mark.parametrize("with_key", [True, False])
async def test_invert_for_a_lamp_that_lights_when_its_contact_drops_out(with_key) -> None:
    """An annunciator on the closed contact: alarm, and a module that let go, are what lights it."""
    async with started() as module:
        how = settings(module, 1, {"invert": True} if with_key else {})

        def lit() -> bool:
            return not module.memory.coils[LAMP]

        async with running(how) as field:
            decider = Decider(field, 0.1, stage1=False, **{"contact.top_oil_high": False})

            def status():
                return field.snapshot().relays["T1.contact.top_oil_high"]

            await until(lambda: any(req.address == LAMP for req in module.writes) and status().link_ok)
            await until(lambda: status().energised is False)
            assert lit() is not with_key, "no alarm"
            decider.energise["T1.contact.top_oil_high"] = True
            await until(lambda: status().energised is True)
            assert lit() is with_key, "alarm"
            decider.energise["T1.contact.top_oil_high"] = False
            await until(lambda: status().energised is False)
            await decider.stop()
            await module.released.wait()
            assert lit()
