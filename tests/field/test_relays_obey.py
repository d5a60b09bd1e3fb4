"""A relay module is fed only while it obeys. Judged by its own log: what fed it last, moves of its coils.

The module is a raw socket device with a time-out of its own, fed by whatever the case says. Each check has
its control: the rule taken out, or the key left out, and the module stays fed.
"""

from __future__ import annotations

import asyncio
import itertools
import time
from contextlib import asynccontextmanager

import pytest
from field_help import Decider, contact, device, link, reading, reg, running, station, until
from field_raw import Memory, RawDevice, RawRelayModule, Req, exception, rightly

from collector.field.relays import Bank

TIMEOUT_S = 1.0  # of the module
BOUND_S = 0.5  # half of it
SILENCE_S = 2.0  # and so long it is left alone: its time-out and a second
SLACK_S = 0.35  # a busy machine


class Coils(dict):
    """Coils that write down each move."""

    def __init__(self, coils) -> None:
        super().__init__(coils)
        self.moves: list[tuple[float, int, int]] = []

    def update(self, other) -> None:
        for coil, on in dict(other).items():
            self[coil] = on

    def __setitem__(self, coil, on) -> None:
        if self.get(coil) != on:
            self.moves.append((time.monotonic(), coil, on))
        super().__setitem__(coil, on)


class Module(RawRelayModule):
    """fed_by: what keeps its time-out from running. It serves unit 1, and whatever else is put in `units`."""

    def __init__(self, fed_by: str = "own_requests", coils: int = 8) -> None:
        super().__init__(TIMEOUT_S, coils)
        self.fed_by = fed_by
        self.memory.coils = Coils(self.memory.coils)
        self.memory.discrete = dict.fromkeys(range(8), 0)
        self.memory.input = {0: 200}
        self.dead_timer = False
        self.fed_at = time.monotonic()
        self.feeds: list[float] = []

    def _feed(self, req: Req) -> None:
        feeds = {
            "writes": req.unit == 1 and req.function in (5, 15),
            "own_requests": req.unit == 1,
            "any_frame_on_line": True,
            "connection": True,
        }
        if feeds[self.fed_by] and not self.dead_timer:
            self.fed_at = time.monotonic()
            self.feeds.append(self.fed_at)
            super()._feed(req)

    def _release(self) -> None:
        if self.fed_by == "connection" and self.peers:  # held up for as long as somebody is connected
            self._feed(self.log[-1])
        else:
            super()._release()

    def refuse_writes(self, code: int) -> None:
        self.behave = lambda p, r: p.reply(r, exception(r, code) if r.function in (5, 15) else None)

    def ignore_writes(self, peer, req) -> None:
        """Acknowledged, and nothing done."""
        before = dict(self.memory.coils)
        pdu = Memory(coils=dict(before)).serve(req) if req.function in (5, 15) else None
        peer.reply(req, pdu)

    def held(self, coil: int = 0) -> bool:
        return bool(self.memory.coils[coil])

    def requests(self, since: float = 0.0, unit: int = 1) -> list[Req]:
        return [req for req in self.log if req.at >= since and req.unit == unit]


@asynccontextmanager
async def started(fed_by="own_requests"):
    module = await Module(fed_by).start()
    module.sensor = await RawDevice(input={0: 200}).start()
    try:
        yield module
    finally:
        await module.stop()
        await module.sensor.stop()


def settings(module, coils=(0, 1), answer_s=0.2, **relay_module):
    """Two stages; top oil over another link; feedback of stage 1 on the module."""
    return station(
        [link(module.sensor.port), {**link(module.port), "id": "L2", "timeout_s": answer_s}],
        [
            device(),
            device("R1", link="L2", relay_module={
                "released_by": "module_timeout", "timeout_s": TIMEOUT_S, **relay_module}),
        ],
        [reg(0)],
        {f"stage{n}": ("R1", coil) for n, coil in enumerate(coils, 1)},
        {"stage1": contact(0, "R1")},
        decision_max_age_s=0.6, cycle_s=0.1, start_grace_s=20.0,
    )  # fmt: skip


def relay(field, name="stage1"):
    return field.snapshot().relays[f"T1.{name}"]


@asynccontextmanager
async def holding(module, how=None, stages=2):
    """Decisions every 100 ms; every stage held off and read back."""
    async with running(how or settings(module)) as field:
        decider = Decider(field, 0.1, **{f"stage{n}": True for n in range(1, stages + 1)})
        await until(lambda: all(relay(field, f"stage{n}").energised for n in range(1, stages + 1)))
        try:
            yield field, decider
        finally:
            await decider.stop()


def all_run(decider) -> float:
    decider.energise = dict.fromkeys(decider.energise, False)
    return time.monotonic()


async def released_in_time(module, since: float, coil: int = 0, bound_s: float = BOUND_S) -> str:
    """"" when the coil went off by itself or by a write within bound + time-out; else what went wrong."""
    end = bound_s + TIMEOUT_S + SLACK_S
    try:
        await until(lambda: not module.held(coil), max(0.0, since + end - time.monotonic()))
    except AssertionError:
        return f"still held off after {end:g} s, last fed {time.monotonic() - module.fed_at:.1f} s ago"
    if module.releases:
        fed = [at for at in module.feeds if since < at < module.releases[0]]
        if fed and fed[-1] - since > bound_s + SLACK_S:
            return f"fed {fed[-1] - since:.2f} s after the decision"
    return ""


def refusing(module):
    module.refuse_writes(4)


def ignoring(module):
    module.behave = module.ignore_writes


def mute(module):
    """It takes note of every request, does nothing and answers nothing: a request like that feeds it too."""
    module.behave = lambda peer, req: None


def unreadable(module):
    """Neither reads nor writes of coils: both are refused."""
    module.behave = lambda p, r: p.reply(r, exception(r, 4) if r.function in (1, 5, 15) else None)


HABITS = [refusing, ignoring, mute, unreadable]


@pytest.mark.parametrize("habit", HABITS)
async def test_a_module_that_does_not_obey_is_left_alone_until_it_releases(habit):
    async with started() as module, holding(module) as (field, decider):
        habit(module)
        since = all_run(decider)
        assert not await released_in_time(module, since)
        last = [req.at for req in module.requests(since)][-1]
        assert not module.held(1)
        if habit is not mute:
            await until(lambda: relay(field).disobeys == "late" or not relay(field).link_ok)
        module.behave = rightly
        await until(lambda: relay(field).link_ok and relay(field).energised is False)
        decider.energise = dict.fromkeys(decider.energise, True)
        await until(lambda: relay(field).energised)
    attempt = [req for req in module.log if req.at > last]
    assert attempt[0].at - last > SILENCE_S - 0.1, "asked again before its time-out must have passed"
    first_on = next(i for i, req in enumerate(attempt) if any(req.bits))
    assert attempt[0].function in (5, 15), "the one attempt begins with the release"
    assert any(req.function == 1 for req in attempt[:first_on]), "held off before it has read back released"


@pytest.mark.parametrize("habit", HABITS)
async def test_control_the_rule_taken_out(habit, monkeypatch):
    monkeypatch.setattr(Bank, "_unfed", lambda self, now_ns: False)
    async with started() as module, holding(module) as (_, decider):
        habit(module)
        since = all_run(decider)
        assert "still held off" in await released_in_time(module, since)


@pytest.mark.parametrize("broken", [False, True])
async def test_only_one_output_cannot_be_read(broken, monkeypatch):
    """It is written and perhaps obeys, but nobody can tell: the unit is left alone all the same."""
    if broken:
        monkeypatch.setattr(Bank, "_unfed", lambda self, now_ns: False)
    async with started() as module, holding(module, settings(module, (0, 6))) as (_, decider):

        def partly(peer, req):
            if req.function == 1 and req.address == 6:
                return peer.reply(req, exception(req, 4))
            if req.function in (5, 15) and req.address == 6:
                return module.ignore_writes(peer, req)
            return peer.reply(req)

        module.behave = partly
        since = all_run(decider)
        told = await released_in_time(module, since, 6)
        assert bool(told) is broken, told
        assert not module.held(0)


@pytest.mark.parametrize("broken", [False, True])
async def test_reboot_into_all_on(broken, monkeypatch):
    """Released by decision; then the module comes back with everything energised and refuses writes."""
    if broken:
        monkeypatch.setattr(Bank, "_unfed", lambda self, now_ns: False)
    async with started() as module, holding(module) as (field, decider):
        all_run(decider)
        await until(lambda: relay(field).energised is False and relay(field, "stage2").energised is False)
        since = time.monotonic()
        module.drop_all()
        module.memory.coils.update(dict.fromkeys(range(8), 1))
        module.refuse_writes(4)
        told = await released_in_time(module, since)
        assert bool(told) is broken, told


async def test_stuck_after_its_time_out_must_have_passed():
    """A time-out that does not act: said as data, and asked again only once per time-out, release first."""
    async with started() as module, holding(module) as (field, decider):
        module.dead_timer = True
        if module._timer:
            module._timer.cancel()
        module.behave = module.ignore_writes
        since = all_run(decider)
        await until(lambda: relay(field).disobeys == "stuck", BOUND_S + SILENCE_S + 1.0)
        assert "time-out of 1 s must have passed: reads back 1" in relay(field).reason
        await until(lambda: time.monotonic() > since + BOUND_S + 2 * SILENCE_S + SLACK_S, 10.0)
        times = [req.at for req in module.requests(since)]
        starts = [b for a, b in itertools.pairwise(times) if b - a > 0.5]
        assert len(starts) == 2
        for a, b in itertools.pairwise(times):
            assert b - a < 0.5 or b - a > SILENCE_S - 0.1
        for start in starts:
            attempt = module.requests(start)
            assert attempt[0].function in (5, 15)
            assert not any(attempt[0].bits)
        module.behave = rightly
        await until(lambda: relay(field).energised is False and not relay(field).disobeys)


async def foreign_master(module, until_s: float) -> None:
    end = time.monotonic() + until_s
    while time.monotonic() < end:
        module.memory.coils[0] = 1
        await asyncio.sleep(0.15)


async def test_another_master_is_written_over_and_never_answered_with_silence():
    async with started() as module, holding(module) as (field, decider):
        all_run(decider)
        await until(lambda: relay(field).energised is False and relay(field, "stage2").energised is False)
        since = time.monotonic()
        seen = asyncio.create_task(until(lambda: relay(field).disobeys == "foreign"))
        await foreign_master(module, 2.5)
        await seen
        assert relay(field).foreign
        times = [since, *(req.at for req in module.requests(since))]
        gaps = [b - a for a, b in itertools.pairwise(times)]
        assert max(gaps) < BOUND_S, "left alone because of another master"
        moves = [(at, on) for at, coil, on in module.memory.coils.moves if coil == 0 and at >= since]
        held = [b[0] - a[0] for a, b in itertools.pairwise(moves) if a[1]]
        assert len(held) > 8
        assert max(held) < 0.1 + SLACK_S, "each of its writes is put right at once"
        await until(lambda: not relay(field).disobeys and relay(field).energised is False)
    assert not module.releases


@pytest.mark.parametrize(("cycle_s", "broken"), [(0.1, False), (0.5, False), (0.1, True)])
async def test_slow_module_that_takes_only_single_writes(cycle_s, broken, monkeypatch):
    """Eight outputs with gaps between, function 5 only, 0.15 s each, a new decision before a row is through.

    Control: each decision begins anew at the lowest coil, and the highest is never reached.
    """
    if broken:
        offer = Bank.offer

        def anew(self, decision):
            offer(self, decision)
            for state in self._states.values():
                state.off, state.awaited, state.begun, state.owed_ns = False, False, False, -1

        monkeypatch.setattr(Bank, "offer", anew)
    coils = tuple(range(0, 16, 2))
    async with started() as module:
        module.memory.coils = Coils({coil: int(coil in coils) for coil in range(16)})

        async def slow(peer, req):
            if req.function == 15:
                return peer.reply(req, exception(req, 1))
            await asyncio.sleep(0.15)
            return peer.reply(req)

        how = settings(module, coils, 1.0, timeout_s=20.0, release_within_s=4.0)
        module.behave = slow
        async with running(how) as field:
            decider = Decider(field, cycle_s, **{f"stage{n}": True for n in range(1, 9)})
            await until(lambda: all(r.energised for r in field.snapshot().relays.values()), 15.0)
            since = all_run(decider)
            try:
                await until(lambda: not any(module.held(coil) for coil in coils), 10 * 0.15 + 1.0)
            except AssertionError:
                assert broken
                assert module.held(14)
                return
            finally:
                await decider.stop()
            assert not broken
            asked = [(req.function, req.bits) for req in module.requests(since)]
            first = asked.index((5, (0,)))
            assert asked[first : first + 8] == [(5, (0,))] * 8, "read before a release still to be written"


@pytest.mark.parametrize("code", [1, 2, 3])
async def test_function_15_refused(code):
    """A module that will not take several coils at once takes them one by one."""
    async with started() as module:
        module.behave = lambda p, r: p.reply(r, exception(r, code) if r.function == 15 else None)
        async with holding(module) as (field, decider):
            all_run(decider)
            await until(lambda: relay(field).energised is False and relay(field, "stage2").energised is False)
    assert sum(req.function == 15 for req in module.log) == 1
    assert not module.releases


def shared_link(module, **relay_module):
    """Module and transmitter behind one gateway: unit 1 and unit 2."""
    module.units[2] = Memory(input={0: 200})
    return station(
        [{**link(module.port), "timeout_s": 0.2}],
        [
            device(unit=2),
            device("R1", relay_module={
                "released_by": "module_timeout", "timeout_s": TIMEOUT_S, **relay_module}),
        ],
        [reg(0)],
        {"stage1": ("R1", 0), "stage2": ("R1", 1)},
        decision_max_age_s=0.6, cycle_s=0.1, start_grace_s=20.0,
    )  # fmt: skip


@pytest.mark.parametrize("fed_by", ["any_frame_on_line", "connection"])
@pytest.mark.parametrize("declared", [True, False])
async def test_what_feeds_it_is_more_than_its_own_requests(fed_by, declared):
    """Declared, the whole link is left alone and the module releases. Control: not declared, it does not."""
    async with started(fed_by) as module:
        how = shared_link(module, **({"fed_by": fed_by} if declared else {}))
        async with holding(module, how) as (field, decider):
            refusing(module)
            since = all_run(decider)
            told = await released_in_time(module, since)
            if not declared:
                assert "still held off" in told
                assert reading(field).quality.is_good, "what it costs: nothing, but the module stays fed"
                return
            assert not told
            if fed_by == "connection":
                assert not module.peers
            module.behave = rightly
            await until(lambda: relay(field).link_ok and relay(field).energised is False)
            await until(lambda: reading(field).quality.is_good)


@pytest.mark.parametrize("declared", [True, False])
async def test_fed_by_writes_alone(declared):
    """Declared, it is read on while it gets no writes: its inputs stay known. Control: they do not."""
    async with started("writes") as module:
        how = settings(module, **({"fed_by": "writes"} if declared else {}))
        async with holding(module, how) as (field, decider):
            refusing(module)
            since = all_run(decider)
            assert not await released_in_time(module, since)
            reads = [req for req in module.requests(since + BOUND_S + SLACK_S) if req.function == 2]
            assert bool(reads) is declared
            if declared:
                await until(lambda: relay(field).energised is False)
                assert field.snapshot().readings["T1.stage1.feedback"].quality.is_good


async def test_declared_to_be_fed_by_writes_but_it_is_not():
    """The reads kept it alive: seen once the time-out must have passed, and then they end too."""
    async with started() as module, holding(module, settings(module, fed_by="writes")) as (field, decider):
        refusing(module)
        since = all_run(decider)
        await until(lambda: relay(field).disobeys == "stuck", BOUND_S + SILENCE_S + 1.0)
        await until(lambda: not module.held(), BOUND_S + SILENCE_S + TIMEOUT_S + 1.0)
        assert module.releases[0] - module.fed_at == pytest.approx(TIMEOUT_S, abs=0.2)
        assert module.fed_at - since < BOUND_S + SILENCE_S + 1.0


@pytest.mark.parametrize("broken", [False, True])
async def test_left_energised_by_a_predecessor_and_never_to_be_read(broken, monkeypatch):
    """Nothing is known of it and nothing may be written; but it is not kept alive by being asked either."""
    if broken:
        monkeypatch.setattr(Bank, "_unfed", lambda self, now_ns: False)
    async with started() as module:
        module.memory.coils.update({0: 1, 1: 1})
        module.behave = lambda p, r: p.reply(r, exception(r, 4) if r.function in (1, 5, 15) else None)
        async with running(settings(module)) as field:
            await until(lambda: field.snapshot().polled)
            decider = Decider(field, 0.1, stage1=False, stage2=False)
            told = await released_in_time(module, time.monotonic())
            assert bool(told) is broken, told
            await decider.stop()
        assert not any(any(req.bits) for req in module.log)
