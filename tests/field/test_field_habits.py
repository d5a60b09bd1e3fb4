"""Habits of devices and gateways by their own logs: closing at will, late, dead neighbours, storms.

Each check is a function that says in words what is wrong, or ""; its control takes the mechanism out and
must be told so.
"""

from __future__ import annotations

import asyncio
import itertools
import random

import pytest
from field_help import Decider, contact, device, link, reading, reg, running, station, until
from field_raw import Memory, RawDevice, RawRelayModule, exception, rightly, silently
from structlog.testing import capture_logs


@pytest.fixture
async def raw():
    made = await RawDevice(input={n: 200 + n for n in range(60)}).start()
    yield made
    await made.stop()


def after(answers):
    """Closes the connection after so many answers (drawn anew for each connection where it is a range)."""
    left = {}

    def behave(peer, req):
        peer.reply(req)
        left[peer] = left.get(peer, random.choice(answers)) - 1
        if left[peer] == 0:
            asyncio.get_running_loop().call_soon(peer.writer.close)

    return behave


def most_in_a_second(times):
    times = sorted(times)
    return max(sum(t <= other < t + 1.0 for other in times) for t in times)


# --- a peer that closes when it likes ---------------------------------------------------------------


def module_and_sensor(**how):
    """A relay module as unit 1 (timeout 3 s), a sensor as unit 2, behind one address."""
    made = RawRelayModule(timeout_s=3.0, **how)
    made.units[2] = Memory(input={n: 200 + n for n in range(8)})
    made.memory.discrete.update(dict.fromkeys(range(8), 0))
    return made


@pytest.fixture
async def gateway():
    made = await module_and_sensor().start()
    yield made
    await made.stop()


def on_one_link(gateway, **how):
    return station(
        [link(gateway.port, **how)],
        [
            device("D1", unit=2, max_block=2),
            device("R1", relay_module={"released_by": "module_timeout", "timeout_s": 3.0}),
        ],
        [reg(0), reg(2), reg(4)],
        {"stage1": ("R1", 0), "stage2": ("R1", 3)},
        {"stage1": contact(0, "R1")},
        cycle_s=0.1,
    )


async def works_although_it_closes(gateway, habit, from_the_start, **how):
    """Held off, read, released by decision; what is wrong by the gateway's own log, or ""."""
    if from_the_start:
        gateway.behave = habit
    async with running(on_one_link(gateway, **how)) as field:
        decider = Decider(field, 0.5, stage1=True, stage2=True)
        try:
            await until(lambda: gateway.memory.coils[0] and gateway.memory.coils[3], 4.0)
            gateway.behave = habit
            at, seen = len(gateway.log), gateway.connections
            await until(lambda: len(gateway.log) > at + 45, 15.0)
            if gateway.releases:
                return "the module was not refreshed"
            if {req.address for req in gateway.log[at:] if req.unit == 2} != {0, 2, 4}:
                return "not everything was read"
            if not any(req.function == 2 for req in gateway.log[at:]):
                return "the module's own inputs were not read"
            if any(reading(field, n).quality.is_invalid for n in range(3)):
                return "a reading was lost"
            first = {req.connection: req.at for req in reversed(gateway.log[at:])}
            if most_in_a_second(first.values()) > 25:
                return "a storm of connections"
            assert gateway.connections > seen + 10, "it does close"
            decider.energise.update({"T1.stage1": False, "T1.stage2": False})
            await until(lambda: not (gateway.memory.coils[0] or gateway.memory.coils[3]), 2.5)
            if gateway.releases:
                return "released by the module's timeout, not by a write"
        except AssertionError as error:
            if "in time" not in str(error):
                raise
            return "not written in time"
        finally:
            await decider.stop()
    return ""


async def test_rtu_peer_that_closes_after_each_answer():
    """Turned over, the line needs no silence: nothing was under way."""
    gateway = module_and_sensor(rtu=True)
    await gateway.start()
    try:
        assert await works_although_it_closes(gateway, after([1]), False, type="rtu_over_tcp") == ""
    finally:
        await gateway.stop()


@pytest.mark.parametrize(
    ("answers", "from_the_start"),
    [([1], True), ([1], False), ([1, 2, 3, 5], False)],
    ids=["one-from-the-start", "one-while-held-off", "at-random-while-held-off"],
)
async def test_peer_that_closes_after_its_answers(gateway, answers, from_the_start):
    assert await works_although_it_closes(gateway, after(answers), from_the_start) == ""


@pytest.mark.parametrize(
    ("broken", "how", "words"),
    [
        ("reopening.CONNECT_EVERY_S", 0.0, "a storm of connections"),
        ("link.LinkTask._turn_over", None, "not written in time"),
    ],
)
async def test_control_of_the_turning_over(gateway, monkeypatch, broken, how, words):
    """Without the bound, or with every close taken for a loss, the check above sees it."""
    if how is None:

        def as_a_loss(self, reason, now_ns, by_us=False):
            self._answers = 0
            self._drop(reason, now_ns)

        how = as_a_loss
    monkeypatch.setattr(f"collector.field.{broken}", how)
    assert await works_although_it_closes(gateway, after([1]), True) == words


async def test_one_request_per_connection_is_learned(gateway):
    """After three connections ended by the peer windingd ends them itself, one request on each."""
    async with running(on_one_link(gateway)) as field:
        gateway.behave = after([1])
        await until(lambda: gateway.connections > 6)
        gateway.behave = rightly
        await until(lambda: field.snapshot().polled)
        at = len(gateway.log)
        await until(lambda: len(gateway.log) > at + 8)
        assert all(a.connection != b.connection for a, b in itertools.pairwise(gateway.log[at:]))
        assert set(gateway.ends[-5:]) == {"closed"}, "in good order, by windingd"


# --- whose turn it is -------------------------------------------------------------------------------


async def late_with_every(raw, every, blocks, seconds=3.0):
    """Longest time [s] that any block went unanswered while every n-th answer does not come in time."""
    answered = {}
    gaps = [0.0]
    count = itertools.count(1)

    def behave(peer, req):
        if next(count) % every == 0:
            return
        now = asyncio.get_running_loop().time()
        gaps.append(now - answered.get(req.address, start))
        answered[req.address] = now
        peer.reply(req)

    raw.behave = behave
    start = asyncio.get_running_loop().time()
    settings = station(
        [link(raw.port, timeout_s=0.05)], [device(poll_s=0.2)], [reg(4 * n) for n in range(blocks)]
    )
    async with running(settings):
        await until(lambda: asyncio.get_running_loop().time() > start + seconds, seconds + 2)
    end = asyncio.get_running_loop().time()
    return max(*gaps, *(end - answered.get(4 * n, start) for n in range(blocks)))


@pytest.mark.parametrize(("every", "blocks"), [(5, 8), (4, 4)], ids=["rest-of-the-cycle", "in-step"])
async def test_late_with_every_nth_answer_starves_no_block(raw, every, blocks):
    assert await late_with_every(raw, every, blocks) < 2.5


async def test_control_of_the_order(raw, monkeypatch):
    """A failure that ends the cycle, and cycles in a fixed order: what comes last is never read."""
    monkeypatch.setattr("collector.field.poller._GIVE_UP_AFTER", 1)
    monkeypatch.setattr("collector.field.poller.Poller._in_order", lambda self: list(self._plan.now))
    assert await late_with_every(raw, 5, 8) > 2.9


async def in_step(gateway, every):
    """Every n-th request is not heard. (longest pause of any reading, decision to both released) [s]."""
    heard, count, loop = {}, itertools.count(1), asyncio.get_running_loop()

    def behave(peer, req):
        if next(count) % every:
            if req.unit == 2 or req.function == 2:
                heard.setdefault((req.unit, req.address), [start]).append(loop.time())
            peer.reply(req)

    coils = gateway.memory.coils
    coils.update({0: 1, 3: 1})
    start = loop.time()
    gateway.behave = behave
    async with running(on_one_link(gateway, timeout_s=0.05)) as field:
        decider = Decider(field, 0.5, stage1=True, stage2=True)
        await until(lambda: loop.time() > start + 3.0)
        assert not gateway.releases, "fed, if nothing else"
        pauses = [b - a for times in heard.values() for a, b in itertools.pairwise([*times, loop.time()])]
        decider.energise = {"T1.stage1": False, "T1.stage2": False}
        decided = loop.time()
        await until(lambda: not (coils[0] or coils[3]))
        took = loop.time() - decided
        await decider.stop()
    return max(pauses) if len(heard) == 4 else 3.0, took


async def test_relays_and_readings_keep_no_step_with_a_device(gateway):
    """Neither readings nor releases are those that always fall on the request that is not heard."""
    pause, took = await in_step(gateway, 5)
    assert pause < 2.9
    assert took < 2.0


async def live_among_dead(raw, dead, seconds):
    """Longest pause of a live unit [s] beside so many dead ones."""
    raw.units = {n: Memory(input={0: n}) for n in range(1, 5)}
    devices = [device(f"D{n}", unit=n, poll_s=0.5) for n in range(1, 5 + dead)]
    points = [reg(0, f"D{n}") for n in range(1, 5 + dead)]
    async with running(station([link(raw.port, timeout_s=0.1)], devices, points)) as field:
        await until(lambda: field.snapshot().polled, 20.0)
        at = len(raw.log)
        end = asyncio.get_running_loop().time() + seconds
        await until(lambda: asyncio.get_running_loop().time() > end, seconds + 2)
        assert all(reading(field, n).quality.is_good for n in range(4))
    log = raw.log[at:]
    assert {req.unit for req in log if req.unit > 4}, "the dead are still asked now and then"
    pauses = []
    for unit in range(1, 5):
        times = [end - seconds, *(req.at for req in log if req.unit == unit), end]
        pauses += [b - a for a, b in itertools.pairwise(times)]
    return max(pauses)


async def test_dead_units_share_a_budget(raw):
    assert await live_among_dead(raw, 20, 3.0) < 1.2


async def test_control_of_the_budget(raw, monkeypatch):
    """Each dead unit for itself: their time-outs add up to the whole time of the link."""
    monkeypatch.setattr("collector.field.link._DEAD_SHARE", 1.0)
    monkeypatch.setattr("collector.field.link._HOLD_MOST", 1.0)
    monkeypatch.setattr("collector.field.link._REPEAT_MOST_S", 0.1)
    assert await live_among_dead(raw, 20, 2.5) > 1.2


# --- storms -----------------------------------------------------------------------------------------

BEHIND = {
    "0x0B": lambda p, r: p.reply(r, exception(r, 11)),
    "wrong-unit": lambda p, r: p.send(p.frame(r, p.device.memory.serve(r), unit=9)),
    "malformed": lambda p, r: p.reply(r, bytes([r.function, 1, 0])),
    "closes": lambda p, r: p.close(),
}


async def repeats(behave):
    """Requests in 2.5 s to a device that never answers rightly, polled ten times a second."""
    raw = RawDevice(input={n: 200 + n for n in range(30)})
    raw.behave = behave
    await raw.start()
    async with running(station([link(raw.port)], [device()], [reg(0), reg(9), reg(20)])) as field:
        await until(lambda: field.snapshot().polled)
        end = asyncio.get_running_loop().time() + 2.5
        await until(lambda: asyncio.get_running_loop().time() > end)
        assert field.snapshot().devices["D1"]
    await raw.stop()
    return len(raw.log)


async def test_failures_are_repeated_ever_more_rarely():
    counts = await asyncio.gather(*map(repeats, BEHIND.values()))
    assert max(counts) <= 10, dict(zip(BEHIND, counts, strict=True))


async def test_control_of_the_floor(monkeypatch):
    monkeypatch.setattr("collector.field.link._REPEAT_FIRST_S", 0.0)
    assert await repeats(BEHIND["0x0B"]) > 18


async def busiest_second(raw):
    points = [reg(n) for n in range(24)]
    async with running(station([link(raw.port)], [device(max_block=1)], points)):
        start = asyncio.get_running_loop().time()
        await until(lambda: asyncio.get_running_loop().time() > start + 1.5)
    return most_in_a_second([req.at for req in raw.log])


async def test_requests_a_second_are_bounded(raw, monkeypatch):
    """24 blocks ten times a second are wanted: it gets the bound, and as many at once; without it, more."""
    monkeypatch.setattr("collector.field.link.REQUESTS_MOST_PER_S", 40.0)
    assert await busiest_second(raw) <= 85
    raw.log.clear()
    monkeypatch.setattr("collector.field.link.REQUESTS_MOST_PER_S", 1e9)
    assert await busiest_second(raw) > 85, "the control"


# --- words ------------------------------------------------------------------------------------------


async def test_transaction_id_0_is_named_and_not_believed(raw):
    raw.behave = lambda p, r: p.send(p.frame(r, p.device.memory.serve(r), transaction=0))
    async with running(station([link(raw.port)], [device()], [reg(0)])) as field:
        await until(lambda: field.snapshot().polled)
        assert field.snapshot().devices["D1"].startswith("answers with transaction id 0")
        assert reading(field).value is None
        raw.behave = rightly
        await until(lambda: reading(field).quality.is_good)


async def flapping_lines(raw):
    """Log lines about a device that answers every second request, and how often it changed."""
    count = itertools.count()
    raw.behave = lambda p, r: (silently if next(count) % 2 else rightly)(p, r)
    with capture_logs() as lines:
        async with running(station([link(raw.port, timeout_s=0.05)], [device()], [reg(0)])):
            await until(lambda: len(raw.log) > 16, 10.0)
    return [line for line in lines if line["event"] == "device"]


async def test_flapping_device_does_not_fill_the_log(raw, monkeypatch):
    assert len(await flapping_lines(raw)) == 3, "at once; the next within the minute, in one line"
    monkeypatch.setattr("collector.field.told.SAY_EVERY_S", 0.6)
    raw.log.clear()
    lines = await flapping_lines(raw)
    assert 4 <= len(lines) <= 9
    assert any(line.get("changes", 1) > 1 for line in lines[3:]), "with how often it changed since"


async def test_control_of_the_log_lines(raw, monkeypatch):
    monkeypatch.setattr("collector.field.told.SAY_EVERY_S", 0.0)
    assert len(await flapping_lines(raw)) > 10
