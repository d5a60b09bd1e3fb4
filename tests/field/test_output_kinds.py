"""Every kind of output, each on a device that fails without the keys; and each is fed only while it obeys.

Judged by the device's own log of its contacts. All kinds run at once, each on a link of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import time
from contextlib import asynccontextmanager

import pytest
from field_help import Decider, device, link, reg, running, station, until
from field_outputs import KINDS, OTHERS, Kind, OutputModule
from field_raw import RawDevice

from collector.field import relays
from collector.field.relays import Bank
from collector.settings.model import Settings

ALL = tuple(KINDS.values())
HABITS = ("refuse", "ignore", "mute")
TIMEOUT_S, BOUND_S, SILENCE_S, SLACK_S = 1.0, 0.5, 2.0, 0.4


def settings(sensor, modules, relays, **relay_module):
    """Stage n hangs on module Rn; relays: the output section of each stage, without `device`."""
    names = range(1, len(modules) + 1)
    rtu = {True: "rtu_over_tcp", False: "tcp"}
    tree = station(
        [link(sensor.port)] + [
            link(m.port) | {"id": f"LR{n}", "timeout_s": 0.2, "type": rtu[m.rtu], "late_answer_s": 0.2}
            for n, m in zip(names, modules, strict=True)
        ],
        [device()] + [
            device(f"R{n}", link=f"LR{n}", relay_module={
                "released_by": "module_timeout", "timeout_s": TIMEOUT_S, **relay_module})
            for n in names
        ],
        [reg(0)],
        {f"stage{n}": (f"R{n}", 0) for n in names},
        decision_max_age_s=0.6, cycle_s=0.1, start_grace_s=20.0,
    ).model_dump(mode="json")  # fmt: skip
    for n, stage in zip(names, tree["transformers"][0]["stages"], strict=True):
        stage["relay"] = {"device": f"R{n}", **relays[n - 1]}
    return Settings.model_validate_json(json.dumps(tree))


@asynccontextmanager
async def started(kinds, rtu=False):
    modules = [await OutputModule(kind, TIMEOUT_S, rtu).start() for kind in kinds]
    sensor = await RawDevice(input={0: 200}).start()
    try:
        yield sensor, modules
    finally:
        for each in (sensor, *modules):
            await each.stop()


@asynccontextmanager
async def holding(kinds=ALL, rtu=False):
    """Decisions every 100 ms; every stage held off, by the contact, and read back."""
    async with started(kinds, rtu) as (sensor, modules):
        how = settings(sensor, modules, [kind.keys for kind in kinds])
        async with running(how) as field:
            decider = Decider(field, 0.1, **{f"stage{n}": True for n in range(1, len(kinds) + 1)})
            await until(lambda: all(m.contacts[0].energised for m in modules))
            await until(lambda: all(status.energised for status in field.snapshot().relays.values()))
            try:
                yield field, decider, modules
            finally:
                await decider.stop()


def statuses(field):
    return list(field.snapshot().relays.values())


def all_run(decider) -> float:
    decider.energise = dict.fromkeys(decider.energise, False)
    return time.monotonic()


# --- each key -------------------------------------------------------------------------------------------


async def follows(kind: Kind, keys, rtu=False) -> bool:
    """Held off and released by decision within 1.5 s each and read back so, by the contact; fed all the time.

    What stands beside the output in its register is left as it is.
    """
    async with started([kind], rtu) as (sensor, [module]):
        async with running(settings(sensor, [module], [keys])) as field:
            decider = Decider(field, 0.1, stage1=True)
            try:
                for wanted in (True, False):
                    decider.energise = {"T1.stage1": wanted}
                    await until(lambda on=wanted: module.contacts[0].energised is on, 1.5)
                    await until(lambda on=wanted: statuses(field)[0].energised is on, 1.5)
                    await until(lambda: not statuses(field)[0].reason, 1.5)
            except AssertionError:
                return False
            finally:
                await decider.stop()
        assert not module.contacts[1].moves
        return not module.releases and module.others == OTHERS


async def test_it_works_with_its_keys_and_not_without() -> None:
    with_keys = await asyncio.gather(*(follows(kind, kind.keys) for kind in ALL))
    without = await asyncio.gather(*(follows(kind, kind.without) for kind in ALL))
    assert dict(zip(KINDS, with_keys, strict=True)) == dict.fromkeys(KINDS, True)
    assert dict(zip(KINDS, without, strict=True)) == dict.fromkeys(KINDS, False)


@pytest.mark.parametrize("name", ["registers", "bits"])
async def test_over_rtu(name) -> None:
    assert await follows(KINDS[name], KINDS[name].keys, rtu=True)


async def test_the_only_function_by_which_a_register_may_be_written() -> None:
    """A module that never answers the other one, with the right key, the wrong one, and none."""
    kind = KINDS["registers"]

    async def held(answers: int, keys) -> bool:
        async with started([kind]) as (sensor, [module]):
            module.behave = lambda peer, req: (
                None if req.function in {6, 16} - {answers} else module.obey(peer, req)
            )
            async with running(settings(sensor, [module], [kind.keys | keys])) as field:
                decider = Decider(field, 0.1, stage1=True)
                try:
                    await until(lambda: module.contacts[0].energised, 1.0)
                except AssertionError:
                    return False
                finally:
                    await decider.stop()
                return True

    tries = [(6, 6), (16, 16), (6, 16), (16, 6)]
    found = await asyncio.gather(*(held(a, {"function": f}) for a, f in tries), held(16, {}))
    assert found == [True, True, False, False, False]


async def test_function_16_in_place_of_6_where_that_is_refused() -> None:
    kind = KINDS["registers"]
    async with started([kind]) as (sensor, [module]):
        module.kind = Kind(kind.table, kind.at, (16,), kind.keys, {})
        async with running(settings(sensor, [module], [kind.keys])) as field:
            decider = Decider(field, 0.1, stage1=True)
            await until(lambda: module.contacts[0].energised)
            await decider.stop()
        assert sum(req.function == 6 for req in module.log) == 1


async def test_bits_that_another_master_changes_meanwhile_stay_as_it_left_them() -> None:
    async with holding([KINDS["bits"]]) as (_, decider, [module]):
        module.others = 0x1001
        module.show()
        all_run(decider)
        await until(lambda: not module.contacts[0].energised)
        assert module.others == 0x1001


async def test_what_is_neither_code_is_not_released() -> None:
    """A status register that says "moving" for ever: told, and the module is left alone."""
    async with holding([KINDS["status codes"]]) as (field, decider, [module]):
        show = module.show

        def moving() -> None:
            show()
            module.memory.input[30] = 5

        module.show = moving
        moving()
        all_run(decider)
        await until(lambda: not module.contacts[0].energised)
        await until(lambda: statuses(field)[0].disobeys == "late")
        assert "reads back 5" in statuses(field)[0].reason
        module.show = show
        await until(lambda: module.releases)
        await until(lambda: statuses(field)[0].energised is False and not statuses(field)[0].reason)


# --- it is fed only while it obeys --------------------------------------------------------------------------


async def released_in_time(modules, since) -> list[str]:
    """The kinds whose contact is still held off after bound and time-out."""
    end = since + BOUND_S + TIMEOUT_S + SLACK_S
    names = {id(kind): name for name, kind in KINDS.items()}
    with contextlib.suppress(AssertionError):
        await until(lambda: not any(m.contacts[0].energised for m in modules), end - time.monotonic())
    return [names[id(m.kind)] for m in modules if m.contacts[0].energised]


async def left_alone(habit) -> None:
    async with holding() as (field, decider, modules):
        for module in modules:
            module.behave = getattr(module, habit)
        since = all_run(decider)
        assert await released_in_time(modules, since) == []
        assert all(module.releases for module in modules), "released by their own time-outs"
        last = {id(m): m.log[-1].at for m in modules}
        for module in modules:
            module.behave = module.obey
        await until(lambda: all(s.energised is False and not s.disobeys for s in statuses(field)))
        decider.energise = dict.fromkeys(decider.energise, True)
        await until(lambda: all(m.contacts[0].energised for m in modules))
    for module in modules:
        attempt = [req for req in module.log if req.at > last[id(module)]]
        assert attempt[0].at - last[id(module)] > SILENCE_S - 0.1, "asked before its time-out had passed"
        assert attempt[0] in module.writes, "the one attempt begins with the release"
        assert not module.energises(attempt[0])
        first_on = next(i for i, req in enumerate(attempt) if req in module.writes and module.energises(req))
        assert any(req not in module.writes for req in attempt[:first_on]), "held off before it was read"


async def test_a_module_that_does_not_obey_is_left_alone_until_it_releases() -> None:
    await asyncio.gather(*map(left_alone, HABITS))


async def held_for_ever(habit) -> list[str]:
    async with holding() as (_, decider, modules):
        for module in modules:
            module.behave = getattr(module, habit)
        return await released_in_time(modules, all_run(decider))


async def test_control_the_rule_taken_out(monkeypatch) -> None:
    monkeypatch.setattr(Bank, "_unfed", lambda self, now_ns: False)
    assert await asyncio.gather(*map(held_for_ever, HABITS)) == [list(KINDS)] * len(HABITS)


async def test_another_master_is_written_over_and_never_answered_with_silence() -> None:
    async with holding() as (field, decider, modules):
        all_run(decider)
        await until(lambda: all(s.energised is False for s in statuses(field)))
        since = time.monotonic()
        seen = asyncio.create_task(until(lambda: all(s.disobeys == "foreign" for s in statuses(field))))
        while time.monotonic() < since + 1.5:
            for module in modules:
                module.contacts[0].move(True)
                module.show()
            await asyncio.sleep(0.15)
        await seen
        await until(lambda: all(s.energised is False and not s.disobeys for s in statuses(field)))
        for module in modules:
            times = [since, *(req.at for req in module.log if req.at >= since)]
            assert max(b - a for a, b in itertools.pairwise(times)) < BOUND_S
            moves = [move for move in module.contacts[0].moves if move[0] >= since]
            held = [b[0] - a[0] for a, b in itertools.pairwise(moves) if a[1]]
            assert len(held) > 4
            assert max(held) < 0.1 + SLACK_S
            assert not module.releases


# --- a heartbeat register -----------------------------------------------------------------------------

BEAT = 99


@asynccontextmanager
async def beating(beats, heartbeat, plain="discrete"):
    """A module that is fed by its heartbeat register and nothing else."""
    sensor = await RawDevice(input={0: 200}).start()
    module = await OutputModule(KINDS[plain], TIMEOUT_S, beat_at=BEAT, beats=beats).start()
    how = settings(sensor, [module], [KINDS[plain].keys], **({"heartbeat": heartbeat} if heartbeat else {}))
    try:
        async with running(how) as field:
            decider = Decider(field, 0.1, stage1=True)
            await until(lambda: module.contacts[0].energised)
            try:
                yield field, decider, module
            finally:
                await decider.stop()
    finally:
        await sensor.stop()
        await module.stop()


def assert_held(module) -> None:
    assert module.contacts[0].energised
    assert not module.releases


async def beats_in_time(beats, with_key) -> None:
    values = {} if beats == (0, 1) else {"values": beats}
    async with beating(beats, {"holding_register": BEAT, **values} if with_key else None) as (_, __, module):
        module._timer = module._timer or asyncio.get_running_loop().call_later(TIMEOUT_S, module.let_go)
        if not with_key:
            return await until(lambda: module.releases, 2 * TIMEOUT_S)
        await until(lambda: len(module.beaten) > 6)
        gaps = [b - a for a, b in itertools.pairwise(module.beaten)]
        assert min(gaps) > TIMEOUT_S / 3 - 0.05, "no more often than its time-out needs"
        return assert_held(module)


async def other_values_do_not_keep_it(values) -> None:
    heartbeat = {"holding_register": BEAT, **({"values": values} if values else {})}
    async with beating((0xAA55, 0x55AA), heartbeat) as (_, __, module):
        module._timer = module._timer or asyncio.get_running_loop().call_later(TIMEOUT_S, module.let_go)
        await until(lambda: module.releases, 2 * TIMEOUT_S)


async def test_a_module_that_holds_only_while_its_heartbeat_register_changes() -> None:
    """With the key, and without it; as control, with other values than it wants."""
    cases = itertools.product([(0, 1), (0xAA55, 0x55AA, 7)], [True, False])
    await asyncio.gather(
        *(beats_in_time(*case) for case in cases), *map(other_values_do_not_keep_it, (None, [5]))
    )


@pytest.mark.parametrize("broken", [False, True])
async def test_the_heartbeat_ends_with_obedience(broken, monkeypatch) -> None:
    """It takes the heartbeat, but not the release. Control: the heart beats on, and the stage stays off."""
    if broken:
        beat = relays._Beat
        agenda = Bank._agenda

        def on_and_on(self, now_ns):
            values = self._heartbeat.values
            yield max(self._beat_ns, self._again_ns), beat(values[self._beats % len(values)])
            yield from agenda(self, now_ns)

        monkeypatch.setattr(Bank, "_agenda", on_and_on)
        monkeypatch.setattr(Bank, "_unfed", lambda self, now_ns: False)
    await asyncio.gather(*(the_heart_stops(habit, broken) for habit in ("refuse", "ignore")))


async def the_heart_stops(habit, broken) -> None:
    async with beating((0, 1), {"holding_register": BEAT}) as (field, decider, module):
        await until(lambda: statuses(field)[0].energised and module.beaten)
        astray = getattr(module, habit)
        module.behave = lambda peer, req: (module.obey if req.address == BEAT else astray)(peer, req)
        since = all_run(decider)
        late = await released_in_time([module], since)
        assert bool(late) is broken
        if not broken:
            assert [at for at in module.beaten if at > since + 0.1 + SLACK_S] == [], "the heart has stopped"
            module.behave = module.obey
            await until(lambda: statuses(field)[0].energised is False and not statuses(field)[0].reason)
            decider.energise = {"T1.stage1": True}
            await until(lambda: module.contacts[0].energised and module.beaten[-1] > since + BOUND_S)


async def test_no_heartbeat_without_a_decision_that_is_new_enough() -> None:
    async with beating((0, 1), {"holding_register": BEAT}) as (_, decider, module):
        await until(lambda: module.beaten)
        await decider.stop()
        stopped = time.monotonic()
        await until(lambda: not module.contacts[0].energised, 0.6 + TIMEOUT_S + 2 * SLACK_S)
        assert module.releases
        assert module.beaten[-1] - stopped < 0.6 + SLACK_S
        writes = [req for req in module.writes if req.at > stopped]
        assert all(module.energises(req) for req in writes if req.address != BEAT), "by its own time-out"


async def test_a_heartbeat_register_that_is_refused_is_told() -> None:
    async with beating((0, 1), {"holding_register": BEAT + 1}) as (field, _, __):
        await until(lambda: not statuses(field)[0].verified)
        assert statuses(field)[0].reason == "heartbeat register: cannot be written, exception 1 (illegal " + (
            "function: the device cannot do this kind of request)"
        )
