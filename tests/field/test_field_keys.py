"""Keys for odd devices: each with a simulated device that cannot be used without it and can with it."""

from __future__ import annotations

import asyncio
import itertools
import socket
import struct
import time
from contextlib import asynccontextmanager

from field_help import device, link, reading, reg, running, station, until
from field_raw import Memory, RawDevice, rightly, silently


@asynccontextmanager
async def served(behave, rtu=False):
    raw = RawDevice(rtu=rtu, input={n: 200 + n for n in range(40)})
    raw.behave = behave
    await raw.start()
    try:
        yield raw
    finally:
        await raw.stop()


async def works(raw, seconds=1.5, *, on_link=None, on_device=None, points=3, poll_s=0.1):
    """Polled for a while: every value good from the first cycle on, and the device never in doubt."""
    how = {"type": "rtu_over_tcp"} if raw.rtu else {}
    points = [reg(4 * n) for n in range(points)]
    settings = station(
        [link(raw.port, **{**how, **(on_link or {})})], [device(poll_s=poll_s, **(on_device or {}))], points
    )
    bad = []

    def look(field):
        snapshot = field.snapshot()
        bad.extend(r.reason for r in snapshot.readings.values() if r.reason not in ("", "not read yet"))
        bad.extend(filter(None, (snapshot.devices["D1"].replace("not asked yet", ""),)))

    async with running(settings) as field:
        end = time.monotonic() + seconds
        await until(lambda: look(field) or time.monotonic() > end, seconds + 1)
        return not bad and all(reading(field, n).value == 200.0 + 4 * n for n in range(len(points)))


async def with_and_without(behaviour, rtu=False, **how):
    """(works without the key, works with it): each on a device of its own."""

    async def one(keys):
        async with served(behaviour(), rtu) as raw:
            return await works(raw, **keys)

    return tuple(await asyncio.gather(one({}), one(how)))


def slow():
    async def behave(peer, req):
        await asyncio.sleep(0.35)
        peer.reply(req)

    return behave


def every_third_lost():
    count = itertools.count(1)
    return lambda peer, req: silently(peer, req) if next(count) % 3 == 0 else rightly(peer, req)


def deaf_after_its_answer():
    """What comes within 40 ms of its last answer it does not hear."""
    last = [0.0]

    def behave(peer, req):
        if time.monotonic() - last[0] > 0.04:
            peer.reply(req)
            last[0] = time.monotonic()

    return behave


def as_another_unit():
    return lambda peer, req: peer.send(peer.frame(req, peer.device.memory.serve(req), unit=255))


def with_id_0():
    return lambda peer, req: peer.send(peer.frame(req, peer.device.memory.serve(req), transaction=0))


def first_request_only():
    """The connection stays open, but only its first request is ever answered."""
    served_ones = set()

    def behave(peer, req):
        if peer.number not in served_ones:
            served_ones.add(peer.number)
            peer.reply(req)

    return behave


KEYS = {
    "timeout_s": (slow, {"on_device": {"timeout_s": 1.0}}),
    "retries": (every_third_lost, {"on_device": {"retries": 2}}),
    "turnaround_s": (deaf_after_its_answer, {"on_device": {"turnaround_s": 0.06}}),
    "answers_as_unit": (as_another_unit, {"on_device": {"answers_as_unit": 255}}),
    "accept_transaction_id_0": (with_id_0, {"on_device": {"accept_transaction_id_0": True}}),
    "one_request_per_connection": (first_request_only, {"on_link": {"one_request_per_connection": True}}),
}


async def test_a_key_makes_an_odd_device_usable():
    """Each of KEYS: not without it, but with it."""
    found = await asyncio.gather(*(with_and_without(odd, **how) for odd, how in KEYS.values()))
    assert dict(zip(KEYS, found, strict=True)) == dict.fromkeys(KEYS, (False, True))


async def test_a_slow_device_leaves_the_time_out_of_its_neighbours_alone():
    """Its own timeout_s: the neighbour that dies is still given up after the link's."""
    async with served(rightly) as raw:
        raw.units[2] = Memory(input={0: 2})
        raw.behave = lambda p, r: slow()(p, r) if r.unit == 2 else silently(p, r)
        settings = station(
            [link(raw.port)], [device("D1"), device("D2", unit=2, timeout_s=1.0)], [reg(0), reg(0, "D2")]
        )
        async with running(settings) as field:
            await until(lambda: reading(field, 1).value == 2.0)
            assert field.snapshot().devices["D1"] == "no answer within 0.3 s"


async def test_only_the_unit_that_was_named_is_accepted():
    async with served(lambda p, r: p.send(p.frame(r, p.device.memory.serve(r), unit=7))) as raw:
        assert not await works(raw, 0.5, on_device={"answers_as_unit": 255})


# --- ids that are always 0: late answers -------------------------------------------------------------


async def late_with_id_0(raw, requests):
    """In-order device, id 0, now and then 1.6 or 2.5 time-outs late: True when no value is another's."""
    raw.memory.input = {0: 100, 20: 120, 36: 136}
    count, ready, loop = itertools.count(), [0.0], asyncio.get_running_loop()

    def behave(peer, req):
        ready[0] = max(ready[0], loop.time()) + (0, 0, 0.16, 0, 0, 0.25)[next(count) % 6]
        frame = peer.frame(req, peer.device.memory.serve(req), transaction=0)
        loop.call_at(ready[0], peer.send, frame)

    raw.behave = behave
    wrong = set()
    settings = station(
        [link(raw.port, timeout_s=0.1)], [device(accept_transaction_id_0=True)], [reg(0), reg(20), reg(36)]
    )
    async with running(settings) as field:

        def look():
            got = [reading(field, n).value for n in range(3)]
            wrong.update(v for v, right in zip(got, (100, 120, 136), strict=True) if v != right)
            return len(raw.log) >= requests or wrong - {None}

        await until(look, 15.0)
    return wrong <= {None}


async def test_id_0_is_protected_by_silence_as_on_an_rtu_line(monkeypatch):
    async with served(rightly) as raw:
        assert await late_with_id_0(raw, 15)
    monkeypatch.setattr("collector.field.link.LinkTask._keep_line_silent", lambda self, now, late_s: None)
    monkeypatch.setattr("collector.field.link.Unit.held_s", lambda self, now, regardless: 0.0)

    async def believes(self, connection, unit, sent):
        connection.buffer.clear()
        return True

    monkeypatch.setattr("collector.field.link.LinkTask._alone", believes)
    async with served(rightly) as raw:
        assert not await late_with_id_0(raw, 100), "the control"


# --- late_answer_s of a device -----------------------------------------------------------------------


async def asked_before_its_late_answer(**how):
    """Behind a gateway that answers six time-outs late now and then: asked again meanwhile?"""
    answered, early, count, loop = [0.0], [], itertools.count(), asyncio.get_running_loop()

    def behave(peer, req):
        if loop.time() < answered[0]:
            early.append(req)
            return
        late_s = 0.6 if next(count) % 3 == 1 else 0.0
        answered[0] = loop.time() + late_s
        loop.call_later(late_s, peer.send, peer.frame(req, peer.device.memory.serve(req)))

    async with served(behave, rtu=True) as raw:
        settings = station([link(raw.port, type="rtu_over_tcp", timeout_s=0.1)], [device(**how)], [reg(0)])
        async with running(settings):
            await until(lambda: len(raw.log) >= 6, 12.0)
    return bool(early)


async def test_late_answer_s_of_a_device():
    both = asked_before_its_late_answer(), asked_before_its_late_answer(late_answer_s=0.8)
    assert await asyncio.gather(*both) == [True, False]


# --- keepalive ---------------------------------------------------------------------------------------


def forgets_when_idle(idle_s):
    """As behind a firewall: a connection without any packet for so long is dead, without a word.

    The kernel of the device's side counts every segment that came (struct tcp_info, tcpi_segs_in).
    """
    dead = set()

    async def watch(peer):
        sock, segments, heard = peer.writer.get_extra_info("socket"), 0, time.monotonic()
        while not peer.writer.is_closing():
            info = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 144)
            before, segments = segments, struct.unpack_from("=I", info, 140)[0]
            if segments != before:
                heard = time.monotonic()
            elif time.monotonic() - heard > idle_s:
                dead.add(peer.number)
            await asyncio.sleep(0.05)

    watched = {}

    def behave(peer, req):
        if peer.number not in watched:
            watched[peer.number] = asyncio.ensure_future(watch(peer))
        if peer.number not in dead:
            peer.reply(req)

    return behave


async def test_keepalive_holds_a_connection_through_a_firewall():
    async def idle_between_polls(**keys):
        async with served(forgets_when_idle(1.6)) as raw:
            return await works(raw, 4.2, on_link=keys, poll_s=2.0, points=1)

    assert await asyncio.gather(idle_between_polls(), idle_between_polls(keepalive_s=1)) == [False, True]


# --- a second address --------------------------------------------------------------------------------


async def test_standby_address_takes_over_and_gives_back():
    """Cold: not one connection while the first works; and back as soon as the first can be reached again."""
    first, second = RawDevice(input={0: 1}), await RawDevice(input={0: 2}).start()
    await first.start()
    keys = {"standby_host": "127.0.0.1", "standby_port": second.port, "back_to_first_s": 1.0}
    try:
        async with running(station([link(first.port, **keys)], [device()], [reg(0)])) as field:
            await until(lambda: len(first.log) > 5)
            assert second.connections == 0
            port = first.port
            await first.stop()
            await until(lambda: reading(field).value == 2.0)
            at = len(second.log)
            end = time.monotonic() + 1.5  # once over back_to_first_s: the first is still away
            seen = []
            await until(lambda: seen.append(reading(field).value) or time.monotonic() > end)
            assert set(seen) == {2.0}, "looking for the first costs no reading"
            assert len(second.log) > at + 8
            first.port = port
            await first.start()
            await until(lambda: reading(field).value == 1.0, 4.0)
            await until(lambda: not second.peers)
            assert field.snapshot().devices["D1"] == ""
    finally:
        await first.stop()
        await second.stop()


async def test_without_a_standby_address_there_is_none():
    first, second = await RawDevice(input={0: 1}).start(), await RawDevice(input={0: 2}).start()
    try:
        async with running(station([link(first.port)], [device()], [reg(0)])) as field:
            await until(lambda: reading(field).value == 1.0)
            await first.stop()
            await until(lambda: reading(field).quality.is_invalid)
            end = time.monotonic() + 1.0
            await until(lambda: time.monotonic() > end)
            assert reading(field).value is None
            assert second.connections == 0
    finally:
        await second.stop()


async def test_a_first_address_that_only_accepts_is_left_too():
    """Its path is broken behind the connection: it opens, and nothing ever answers."""
    first, second = await RawDevice(input={0: 1}).start(), await RawDevice(input={0: 2}).start()
    first.behave = silently
    keys = {"standby_host": "127.0.0.1", "standby_port": second.port, "timeout_s": 0.1}
    try:
        async with running(station([link(first.port, **keys)], [device()], [reg(0)])) as field:
            await until(lambda: reading(field).value == 2.0)
    finally:
        await first.stop()
        await second.stop()
