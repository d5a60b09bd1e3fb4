"""An output that can be read nowhere: the feedback of its stage is its read-back, over another device.

The contactor is simulated beside the module: it follows the module's contact after its run-up and run-down.
The judge is the module's own log of that contact.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import time
from contextlib import asynccontextmanager

import pytest
from field_help import Decider, contact, device, link, reg, running, station, until
from field_outputs import UNSEEN, OutputModule
from field_raw import RawDevice, exception

from collector.field.relays import Bank
from collector.settings.model import Settings

TIMEOUT_S, BOUND_S, SILENCE_S, SLACK_S = 1.0, 0.9, 2.0, 0.4
RUN_UP_S, RUN_DOWN_S = 0.1, 0.5
HABITS = ("refuse", "ignore", "mute")


def settings(sensor, module, keys, poll_s=0.1):
    tree = station(
        [link(sensor.port), {**link(module.port), "id": "L2", "timeout_s": 0.2}],
        [device(poll_s=poll_s), device("R1", link="L2", relay_module={
            "released_by": "module_timeout", "timeout_s": TIMEOUT_S, "release_within_s": BOUND_S})],
        [reg(0)],
        {"stage1": ("R1", 0)},
        {"stage1": contact(0)},
        decision_max_age_s=0.6, cycle_s=0.1, start_grace_s=20.0,
    ).model_dump(mode="json")  # fmt: skip
    tree["transformers"][0]["stages"][0]["relay"] = {"device": "R1", **keys}
    return Settings.model_validate_json(json.dumps(tree))


@asynccontextmanager
async def started(keys=UNSEEN.keys, held=True, poll_s=0.1):
    """Yields field, decider, module and the device that reads the feedback."""
    sensor = await RawDevice(input={0: 200}, discrete={0: 1}).start()
    module = await OutputModule(UNSEEN, TIMEOUT_S).start()

    def contactor(energised: bool) -> None:
        delay_s = RUN_DOWN_S if energised else RUN_UP_S
        asyncio.get_running_loop().call_later(
            delay_s, lambda: sensor.memory.discrete.update({0: int(not module.contacts[0].energised)})
        )

    module.contacts[0].moved = contactor
    try:
        async with running(settings(sensor, module, keys, poll_s)) as field:
            decider = Decider(field, 0.1, stage1=True)
            try:
                if held:
                    await until(lambda: module.contacts[0].energised and status(field).energised)
                    await until(lambda: not sensor.memory.discrete[0])
                yield field, decider, module, sensor
            finally:
                await decider.stop()
    finally:
        await sensor.stop()
        await module.stop()


def status(field):
    return field.snapshot().relays["T1.stage1"]


def all_run(decider) -> float:
    decider.energise = {"T1.stage1": False}
    return time.monotonic()


async def in_time(module, since) -> bool:
    """Released, by whatever, within bound and time-out."""
    try:
        end = since + BOUND_S + TIMEOUT_S + SLACK_S
        await until(lambda: not module.contacts[0].energised, end - time.monotonic())
    except AssertionError:
        return False
    return True


async def test_with_the_key_it_is_held_off_and_released_and_told_by_the_feedback() -> None:
    async with started() as (field, decider, module, sensor):
        await until(lambda: not status(field).reason)
        all_run(decider)
        await until(lambda: status(field).energised is False)
        assert sensor.memory.discrete[0], "not before the stage runs"
        decider.energise = {"T1.stage1": True}
        await until(lambda: module.contacts[0].energised and status(field).energised)
        assert not module.releases
        assert all(req in module.writes for req in module.log), "nothing is read that cannot be"


async def test_without_the_key_nothing_is_ever_held_off() -> None:
    async with started(UNSEEN.without, held=False) as (field, _, module, __):
        await until(lambda: "cannot be read" in status(field).reason)
        assert not module.contacts[0].moves


async def test_a_stage_that_coasts_is_not_let_go_of() -> None:
    """Its feedback says running for a while after the hold-off."""
    async with started(held=False) as (field, _, module, sensor):
        await until(lambda: module.contacts[0].energised and status(field).energised)
        seen = []
        while sensor.memory.discrete[0]:
            seen.append(status(field))
            await asyncio.sleep(0.02)
        assert len(seen) > 5
        assert all(one.energised and not one.reason and not one.foreign for one in seen)


async def test_a_module_that_lets_go_by_itself_is_seen_by_the_feedback() -> None:
    async with started() as (field, _, module, __):
        before = field.snapshot().readings["T1.stage1.feedback"].mono_ns
        stands = "T1.stage1.feedback"
        await until(lambda: field.snapshot().readings[stands].value == 0)
        await until(lambda: field.snapshot().readings[stands].mono_ns > before + 300_000_000)
        module.behave = lambda peer, req: peer.reply(req, exception(req, 6))
        module.let_go()
        await until(lambda: status(field).energised is False)


@pytest.mark.parametrize("broken", [False, True])
async def test_what_it_let_go_of_while_away_is_seen_before_it_is_held_off_again(broken, monkeypatch) -> None:
    """The step must learn of it: it counts as a start. Control: written over as soon as it is back."""
    if broken:
        monkeypatch.setattr(Bank, "_bit", lambda self, point: self._decided(point))
    async with started(poll_s=0.5) as (field, _, module, sensor):
        module.behave = module.mute
        await until(lambda: not status(field).link_ok)
        module.feed = module.fed = lambda req: None
        await until(lambda: module.releases)
        await until(lambda: sensor.memory.discrete[0])
        seen = []
        module.behave = module.obey
        while not module.contacts[0].energised:
            seen.append(status(field).energised)
            await asyncio.sleep(0.005)
        assert (False in seen) is not broken


async def left_alone(habit) -> None:
    async with started() as (field, decider, module, _):
        module.behave = getattr(module, habit)
        since = all_run(decider)
        assert await in_time(module, since)
        assert module.releases, "by its own time-out"
        last = module.log[-1].at
        module.behave = module.obey
        await until(lambda: status(field).energised is False and status(field).link_ok)
        decider.energise = {"T1.stage1": True}
        await until(lambda: module.contacts[0].energised)
    attempt = [req for req in module.log if req.at > last]
    assert not module.energises(attempt[0]), habit


async def test_a_module_that_does_not_obey_is_left_alone_until_it_releases() -> None:
    await asyncio.gather(*map(left_alone, HABITS))


async def obeys_in_the_end(habit) -> bool:
    async with started() as (_, decider, module, __):
        module.behave = getattr(module, habit)
        return await in_time(module, all_run(decider))


async def test_control_the_rule_taken_out(monkeypatch) -> None:
    monkeypatch.setattr(Bank, "_unfed", lambda self, now_ns: False)
    assert not any(await asyncio.gather(*map(obeys_in_the_end, HABITS)))


async def test_control_an_acknowledgement_taken_for_a_read_back(monkeypatch) -> None:
    wrote = Bank._wrote_unseen

    def believed(self, point, bit):
        wrote(self, point, bit)
        self._states[point].off, self._states[point].awaited = not bit, False

    async with started() as (_, decider, module, __):
        monkeypatch.setattr(Bank, "_wrote_unseen", believed)
        monkeypatch.setattr(Bank, "felt", lambda self, *rest: None)
        module.behave = module.ignore
        assert not await in_time(module, all_run(decider))


async def test_a_feedback_that_is_lost_tells_nothing_and_the_module_releases_by_itself() -> None:
    async with started() as (field, decider, module, sensor):
        sensor.behave = lambda p, r: p.reply(r, exception(r, 4) if r.function == 2 else None)
        all_run(decider)
        await until(lambda: module.releases, BOUND_S + TIMEOUT_S + 1.0)
        await until(lambda: status(field).disobeys == "stuck", SILENCE_S + 2.0)
        assert "by its feedback the stage does not run" in status(field).reason
        sensor.behave = lambda p, r: p.reply(r)
        await until(lambda: status(field).energised is False and not status(field).disobeys)


async def test_another_master_is_written_over_and_never_answered_with_silence() -> None:
    async with started() as (field, decider, module, sensor):
        all_run(decider)
        await until(lambda: status(field).energised is False)
        since = time.monotonic()
        for _ in range(3):
            module.contacts[0].move(True)
            sensor.memory.discrete[0] = 0
            await until(lambda: not module.contacts[0].energised)
            await until(lambda: sensor.memory.discrete[0])
        times = [since, *(req.at for req in module.log if req.at >= since), time.monotonic()]
        assert max(b - a for a, b in itertools.pairwise(times)) < BOUND_S
        moves = [move for move in module.contacts[0].moves if move[0] >= since]
        assert max(b[0] - a[0] for a, b in itertools.pairwise(moves) if a[1]) < 0.2 + SLACK_S
        assert not module.releases


async def test_at_the_end_it_is_released_without_waiting_for_a_feedback() -> None:
    async with started() as (field, decider, module, _):
        await decider.stop()
        assert await field.release_all(1.0)
        assert not module.contacts[0].energised
