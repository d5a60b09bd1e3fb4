"""Links over Modbus TCP against a scripted raw-socket device: framing, lateness, exceptions, reconnection."""

from __future__ import annotations

import asyncio
import itertools
import logging

import pytest
from field_help import device, ids, link, reading, reg, running, station, until
from field_raw import Memory, RawDevice, exception, rightly, silently

from collector.quality import Detail


@pytest.fixture
async def raw():
    made = await RawDevice(input={n: 200 + n for n in range(40)}, holding={n: n for n in range(10)}).start()
    yield made
    await made.stop()


def simple(raw, points=1, **more):
    return station([link(raw.port, **more)], [device()], [reg(n) for n in range(points)])


async def test_reading_has_value_quality_time_and_source(raw):
    async with running(simple(raw)) as field:
        before = field.snapshot()
        assert before.readings["T1.top_oil_c"].reason == "not read yet"
        assert before.readings["T1.top_oil_c"].quality.is_invalid
        assert not before.polled
        await until(lambda: reading(field).quality.is_good)
        got = field.snapshot()
        assert got.polled
        assert got.devices == {"D1": ""}
        first = got.readings["T1.top_oil_c"]
        assert (first.value, first.source, first.reason) == (200.0, "D1", "")
        await until(lambda: reading(field).mono_ns > first.mono_ns)
    assert all(req.transaction != 0 for req in raw.log)
    assert len({req.transaction for req in raw.log}) == len(raw.log)


async def bad_answer_then_good(raw, behaviour, words, breaks):
    """The bad answer makes the reading invalid and says why; the next cycle is good again."""
    seen = []
    async with running(simple(raw)) as field:
        await until(lambda: reading(field).quality.is_good)
        # Twice: a connection that breaks once is repeated on a fresh one without a word.
        raw.once += [behaviour, behaviour] if breaks else [behaviour]
        await until(lambda: seen.append(reading(field)) or seen[-1].quality.is_invalid)
        assert words in seen[-1].reason
        assert seen[-1].value is None
        assert seen[-1].quality.detail == Detail.OLD_DATA
        await until(lambda: reading(field).quality.is_good)
        assert field.snapshot().devices["D1"] == ""


def resend(**how):
    return lambda peer, req: peer.send(peer.frame(req, Memory(input={0: 999}).serve(req), **how))


@pytest.mark.parametrize(
    ("behaviour", "words"),
    [
        (lambda p, r: resend(transaction=r.transaction + 1 & 0xFFFF)(p, r), "no answer within 0.3 s"),
        (resend(transaction=0), "answers with transaction id 0"),
        (resend(unit=2), "answer from unit 2, asked was unit 1"),
        (resend(unit=0), "answer from unit 0"),
        (lambda p, r: p.reply(r, bytes([3, 2, 0, 1])), "answer to function 3, asked was function 4"),
        (lambda p, r: p.reply(r, bytes([4, 4, 0, 1, 0, 2])), "4 data bytes, right would be 2"),
        (lambda p, r: p.reply(r, bytes([4, 2, 0, 1, 0])), "3 data bytes, right would be 2"),
        (lambda p, r: p.reply(r, bytes([4, 2, 0])), "1 data bytes, right would be 2"),
        (lambda p, r: p.reply(r, bytes([0x84, 4, 4])), "malformed exception"),
        (lambda p, r: p.send(p.frame(r, bytes([4, 2, 0, 1]))[:-2]), "no sound answer within 0.3 s"),
        (lambda p, r: p.send(b"\x15\x03HTTP/1.1 400 Bad Request\r\n\r\n"), "no Modbus TCP frame"),
        (lambda p, r: p.close(), "closed the connection"),
        (lambda p, r: (p.send(b"\x00"), p.close())[1], "connection"),
        (silently, "no answer within 0.3 s"),
    ],
    ids=["wrong-transaction", "transaction-0", "wrong-unit", "unit-0", "wrong-function", "too-many",
         "one-byte-too-many", "one-byte-too-few", "bad-exception", "short-frame", "garbage", "closes",
         "closes-in-answer", "silent"],
)  # fmt: skip
async def test_bad_answers_cost_one_cycle(raw, behaviour, words, caplog):
    with caplog.at_level(logging.DEBUG):
        await bad_answer_then_good(raw, behaviour, words, "connection" in words or "frame" in words)
    assert "Traceback" not in caplog.text


@pytest.mark.parametrize("code", [1, 4, 5, 6, 10, 11, 99])
async def test_passing_exceptions_leave_the_plan(raw, code):
    async with running(simple(raw, 3)) as field:
        await until(lambda: reading(field).quality.is_good)
        raw.once += [lambda p, r: p.reply(r, exception(r, code))] * 3
        await until(lambda: f"exception {code} (" in reading(field, 2).reason)
        not_now = code in (5, 6, 10, 11)
        assert reading(field, 2).quality.detail == (Detail.OLD_DATA if not_now else Detail.FAILURE)
        await until(lambda: reading(field, 2).quality.is_good)
    assert {(req.address, req.count) for req in raw.log} == {(0, 3)}


async def test_late_answer_is_never_taken_for_another_request(raw):
    """Every second answer comes after the time-out, in front of the next answer, in one segment."""
    held = []

    def late(peer, req):
        if not held:
            held.append(peer.frame(req, Memory(input={0: 7777}).serve(req)))
        else:
            peer.send(held.pop() + peer.frame(req, peer.device.memory.serve(req)))

    raw.behave = late
    values = set()
    async with running(simple(raw)) as field:
        await until(lambda: values.add(reading(field).value) or len(raw.log) >= 6)
    assert values == {None, 200.0}


async def test_split_segments_and_two_answers_in_one(raw):
    async def split(peer, req):
        for byte in peer.frame(req, peer.device.memory.serve(req)):
            peer.send(bytes([byte]))
            await peer.writer.drain()
            await asyncio.sleep(0)

    def twice(peer, req):
        frame = peer.frame(req, peer.device.memory.serve(req))
        peer.send(frame + frame)

    async with running(simple(raw)) as field:
        raw.behave = split
        await until(lambda: len(raw.log) > 3 and reading(field).quality.is_good)
        raw.behave = twice
        at = len(raw.log)
        readings = []
        await until(lambda: readings.append(reading(field)) or len(raw.log) > at + 4)
    assert all(r.quality.is_good and r.value == 200.0 for r in readings[1:])
    assert raw.connections == 1


async def test_refused_block_is_taken_apart_and_neighbours_are_read(raw):
    """A hole at 3: its value is refused by name, the others are read; the request is repeated before."""
    del raw.memory.input[3]
    settings = station([link(raw.port)], [device(max_gap=4)], [reg(n) for n in (0, 1, 3, 4, 8)])
    async with running(settings) as field:
        await until(lambda: field.snapshot().polled)
        got = field.snapshot().readings
        values = [got[name].value for name in ids(5)]
        assert values == [200.0, 201.0, None, 204.0, 208.0]
        refused = got[ids(5)[2]]
        assert Detail.BAD_REFERENCE in refused.quality.detail
        assert refused.reason == "exception 2 (illegal data address: no such register)"
        start = len(raw.log)
        await until(lambda: len(raw.log) > start + 8)
        assert all(not req.address <= 3 < req.address + req.count for req in raw.log[start + 1 :])
        assert reading(field, 2).reason == refused.reason
        # whole again after a reconnection
        raw.memory.input[3] = 203
        raw.drop_all()
        await until(lambda: reading(field, 2).value == 203.0)
    assert [(r.address, r.count) for r in raw.log[:2]] == [(0, 9), (0, 9)]


async def test_single_refusal_changes_nothing(raw):
    async with running(simple(raw, 4)) as field:
        raw.once.append(lambda p, r: p.reply(r, exception(r, 2)))
        await until(lambda: field.snapshot().polled)
        assert all(reading(field, n).value == 200.0 + n for n in range(4))
    assert {(r.address, r.count) for r in raw.log} == {(0, 4)}


async def test_device_that_limits_its_blocks(raw):
    """It refuses more than 8 registers (exception 3): all values are read all the same."""
    raw.memory.most = 8
    async with running(simple(raw, 24)) as field:
        await until(lambda: all(reading(field, n).value == 200.0 + n for n in range(24)))


async def test_replan_after_its_time(raw):
    """replan_h is station time: a fast clock brings it within the test."""
    from collector.clock import Clock

    del raw.memory.input[1]
    settings = station([link(raw.port)], [device(poll_s=100.0, replan_h=1.0)], [reg(0), reg(1)])
    async with running(settings, Clock(rate=2000.0)) as field:
        await until(lambda: Detail.BAD_REFERENCE in reading(field, 1).quality.detail)
        raw.memory.input[1] = 201
        await until(lambda: reading(field, 1).value == 201.0)
    assert raw.connections == 1


async def test_duplicate_registers_are_read_once(raw):
    points = [reg(5), reg(5, scale=0.1), reg(5, type="uint16")]
    async with running(station([link(raw.port)], [device()], points)) as field:
        await until(lambda: field.snapshot().polled)
        assert [round(reading(field, n).value, 6) for n in range(3)] == [205.0, 20.5, 205.0]
        assert len({reading(field, n).mono_ns for n in range(3)}) == 1
    assert {(r.address, r.count) for r in raw.log} == {(5, 1)}


@pytest.mark.parametrize("unit", [0, 1, 247, 255])
async def test_odd_unit_ids(raw, unit):
    raw.units = {unit: Memory(input={0: 42})}
    async with running(station([link(raw.port)], [device(unit=unit)], [reg(0)])) as field:
        await until(lambda: reading(field).value == 42.0)
        # the neighbour's answer is not ours, also where our unit is 0
        raw.once.append(lambda p, r: p.send(p.frame(r, bytes([4, 2, 9, 9]), unit=unit ^ 1)))
        await until(lambda: "answer from unit" in reading(field).reason)


async def test_one_broken_connection_costs_no_reading(raw):
    async with running(simple(raw)) as field:
        await until(lambda: reading(field).quality.is_good)
        raw.once.append(lambda p, r: p.close())
        seen = []
        await until(lambda: seen.append(reading(field)) or (raw.connections == 2 and len(raw.log) > 8))
    assert all(r.quality.is_good for r in seen)


async def test_one_connection_only_and_reboot(raw):
    """A device that serves one connection is never asked for a second; after a reboot it is read again."""
    raw.most_connections = 1
    async with running(simple(raw)) as field:
        await until(lambda: reading(field).quality.is_good)
        port = raw.port
        await raw.stop()
        await until(lambda: "no connection to 127.0.0.1" in reading(field).reason)
        assert "no connection" in field.snapshot().devices["D1"]
        raw.port = port
        await raw.start()
        await until(lambda: reading(field).quality.is_good)
        assert field.snapshot().devices["D1"] == ""
    assert raw.refused_connections == 0


async def test_device_that_closes_after_each_answer_is_read(raw):
    """Also with a refused value in the plan, which each reconnection would try whole again."""

    def once_only(peer, req):
        peer.reply(req)
        asyncio.get_running_loop().call_soon(peer.writer.close)

    raw.behave = once_only
    del raw.memory.input[2]
    async with running(simple(raw, 4)) as field:
        await until(lambda: [reading(field, n).value for n in range(4)] == [200.0, 201.0, None, 203.0])


async def test_accepts_and_stays_silent_is_reconnected(raw):
    """Three time-outs and no answer at all: the connection is opened anew, no reading pretends to be good."""
    raw.behave = silently
    async with running(simple(raw)) as field:
        await until(lambda: raw.connections >= 2)
        assert reading(field).reason == "no answer within 0.3 s"
        assert field.snapshot().polled
        raw.behave = rightly
        await until(lambda: reading(field).quality.is_good)
    assert max(sum(r.connection == n for r in raw.log) for n in (1, 2)) >= 3


async def test_connection_refused_backs_off(raw):
    """Accepts and closes at once: attempts become rarer instead of a storm."""
    raw.most_connections = 0
    async with running(simple(raw)) as field:
        await until(lambda: raw.refused_connections >= 4)
        assert field.snapshot().polled
        raw.most_connections = 1
        await until(lambda: reading(field).quality.is_good)
    assert raw.refused_connections < 12


async def test_device_that_sends_unasked_is_dropped(raw):
    async with running(simple(raw)) as field:
        await until(lambda: reading(field).quality.is_good)
        raw.peers[0].send(b"\x00" * 5000)
        await until(lambda: raw.connections == 2)
        await until(lambda: reading(field).quality.is_good)


async def dead_unit_behind_a_gateway(raw):
    """Two live units and a dead one. Returns what is wrong by the gateway's own log, or ""."""
    raw.units[2] = Memory(input={0: 222})
    devices = [device("D1"), device("D2", unit=2), device("D9", unit=9)]
    # three far apart blocks: each would wait for a time-out of its own if nothing were given up
    points = [reg(0), reg(0, "D2"), *(reg(n, "D9") for n in (0, 10, 20))]
    async with running(station([link(raw.port)], devices, points)) as field:
        await until(lambda: sum(r.unit == 9 for r in raw.log) >= 3, 30.0)
        early = field.snapshot()
        await until(lambda: sum(r.unit == 9 for r in raw.log) >= 5, 30.0)
        snapshot = field.snapshot()
    assert snapshot.devices["D9"] == "no answer within 0.3 s"
    assert snapshot.devices["D1"] == snapshot.devices["D2"] == ""
    assert snapshot.readings[ids(2)[1]].value == 222.0
    assert raw.connections == 1, "a live unit proves the connection"
    if any(early.readings[name].reason != "no answer within 0.3 s" for name in ids(5)[2:]):
        return "two time-outs, and not all its values are given up"
    if any(a.unit == b.unit == 9 for a, b in itertools.pairwise(raw.log)):
        return "asked twice without the others in between"
    assert all(snapshot.readings[name].reason == "no answer within 0.3 s" for name in ids(5)[2:])
    dead = [req.at for req in raw.log if req.unit == 9]
    pauses = [b - a for a, b in itertools.pairwise(dead)]
    if pauses[-1] < 2 * pauses[0]:
        return "not asked less often with each silence"
    return ""


async def test_dead_unit_costs_the_others_only_its_share(raw):
    assert await dead_unit_behind_a_gateway(raw) == ""
    dead = [req.at for req in raw.log if req.unit == 9]
    assert sum(dead[-2] < req.at < dead[-1] for req in raw.log if req.unit == 1) >= 5


@pytest.mark.parametrize(
    ("broken", "how", "words"),
    [
        ("poller.Poller._fail_rest", lambda self, reason, now_ns: None, "not all its values are given up"),
        ("link.Unit.held_s", lambda self, now, regardless: 0.0, "not asked less often with each silence"),
    ],
)
async def test_control_of_the_share(raw, monkeypatch, broken, how, words):
    """Without giving up the cycle, or without the pause after silence, the check above sees it."""
    monkeypatch.setattr(f"collector.field.{broken}", how)
    monkeypatch.setattr("collector.field.link._DEAD_SHARE", 1.0)
    assert words in await dead_unit_behind_a_gateway(raw)


async def test_fault_of_our_own_stays_within_its_link(raw, monkeypatch):
    from collector.field.poller import Poller

    right = Poller.took

    def took(self, answer, now_ns):
        if self._device.id == "D2":
            raise RuntimeError("a fault in the program")
        right(self, answer, now_ns)

    monkeypatch.setattr(Poller, "took", took)
    two = [link(raw.port), {**link(raw.port), "id": "L2"}]
    devices = [device(), {**device("D2"), "link": "L2"}]
    async with running(station(two, devices, [reg(0), reg(1, "D2")])) as field:
        await until(lambda: reading(field).quality.is_good and len(raw.log) > 10)
        assert reading(field, 1).quality.is_invalid


async def test_gateway_exception_is_the_device_not_answering(raw):
    """0x0B for unit 2: its device is marked, unit 1 goes on, next cycle it is asked again."""
    raw.units[2] = Memory(input={0: 1})
    raw.behave = lambda p, r: p.reply(r, exception(r, 11) if r.unit == 2 else None)
    devices = [device("D1"), device("D2", unit=2)]
    async with running(station([link(raw.port)], devices, [reg(0), reg(0, "D2")])) as field:
        await until(lambda: sum(r.unit == 2 for r in raw.log) > 2)
        snapshot = field.snapshot()
        assert "gateway target did not respond" in snapshot.devices["D2"]
        assert snapshot.devices["D1"] == ""
        raw.behave = rightly
        await until(lambda: reading(field, 1).quality.is_good)


async def test_one_request_at_a_time_and_turnaround(raw):
    """The slow device's own log: no request before its last answer, and the pause is kept."""
    answered = []

    async def slowly(peer, req):
        await asyncio.sleep(0.03)
        peer.reply(req)
        answered.append(asyncio.get_running_loop().time())

    raw.behave = slowly
    points = [reg(n) for n in range(3)]
    settings = station([link(raw.port, turnaround_s=0.05)], [device(max_block=1, poll_s=0.1)], points)
    async with running(settings):
        await until(lambda: len(raw.log) > 9)
    for request, before in zip(raw.log[1:], answered, strict=False):
        assert request.at >= before + 0.049


async def test_unreadable_inputs_say_why(raw):
    points = [reg(0), reg(4, type="float64"), {**reg(0), "table": None}, reg(65535, type="int32")]
    async with running(station([link(raw.port)], [device(max_block=2)], points)) as field:
        await until(lambda: field.snapshot().polled)
        reasons = [reading(field, n).reason for n in range(4)]
    assert reasons[0] == ""
    assert "max_block" in reasons[1]
    assert "no place given" in reasons[2]
    assert "runs past the last register" in reasons[3]


async def test_apply_leaves_unchanged_links_open(raw):
    other = await RawDevice(input={0: 5, 1: 6}).start()
    try:
        two = [link(raw.port), {**link(other.port), "id": "L2"}]
        devices = [device(), {**device("D2"), "link": "L2"}]
        async with running(station(two, devices, [reg(0), reg(0, "D2")])) as field:
            await until(lambda: field.snapshot().polled)
            await field.apply(station(two, devices, [reg(0), reg(1, "D2")]))
            assert reading(field, 0).quality.is_good
            await until(lambda: reading(field, 1).value == 6.0)
            await until(lambda: other.connections == 2)
            at = len(raw.log)
            await until(lambda: len(raw.log) > at + 2)
            assert raw.connections == 1
            # an unchanged input of a changed link keeps its last reading
            await field.apply(station(two, devices, [reg(2), reg(1, "D2")]))
            assert reading(field, 1).value == 6.0
            # a link that goes is closed, one that comes is opened
            await field.apply(station([two[1]], [devices[1]], [reg(1, "D2")]))
            assert reading(field, 0).quality.is_good or reading(field, 0).reason == "not read yet"
            await until(lambda: not raw.peers)
            assert set(field.snapshot().devices) == {"D2"}
    finally:
        await other.stop()
