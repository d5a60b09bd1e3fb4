"""RTU over TCP and over a paced pty pair: answers carry no id there, so silence is what protects them."""

from __future__ import annotations

import asyncio
import os
import termios
import threading
import time
import tty
from itertools import pairwise
from select import select

import pytest
from field_help import device, ids, link, reading, reg, running, station, until
from field_raw import Memory, RawDevice, RawRelayModule, crc16, exception, parse, rightly, silently

LATE_S = 0.4


@pytest.fixture
async def raw():
    made = await RawDevice(rtu=True, input={n: 200 + n for n in range(40)}).start()
    yield made
    await made.stop()


def over_tcp(raw, points=1, devices=None, **more):
    how = {"type": "rtu_over_tcp", "late_answer_s": LATE_S, "timeout_s": 0.2, **more}
    return station([link(raw.port, **how)], devices or [device()], [reg(n) for n in range(points)])


async def test_reads_over_tcp(raw):
    async with running(over_tcp(raw, 5)) as field:
        await until(lambda: field.snapshot().polled)
        assert [reading(field, n).value for n in range(5)] == [200.0 + n for n in range(5)]


def wrong(pdu=None, unit=None, cut=None, flip=None, before=b"", after=b""):
    def behave(peer, req):
        frame = bytearray(peer.frame(req, pdu or peer.device.memory.serve(req), unit=unit))
        if flip is not None:
            frame[flip] ^= 0x10
        peer.send(before + bytes(frame[:cut]) + after)

    return behave


@pytest.mark.parametrize(
    ("behave", "words"),
    [
        (silently, "no answer within 0.2 s"),
        (wrong(unit=2), "no sound answer within 0.2 s"),
        (wrong(flip=-1), "no sound answer"),
        (wrong(flip=3), "no sound answer"),
        (wrong(cut=-1), "no sound answer"),
        (wrong(pdu=bytes([4, 4, 0, 1, 0, 2])), "4 data bytes, right would be 2"),
        (wrong(pdu=bytes([3, 2, 0, 1])), "no sound answer"),
        (lambda p, r: p.send(os.urandom(3)), "no sound answer"),
    ],
    ids=["silent", "wrong-unit", "crc", "bit", "short", "count", "function", "garbage"],
)
async def test_bad_answers_are_followed_by_silence(raw, behave, words):
    seen = []
    async with running(over_tcp(raw)) as field:
        await until(lambda: reading(field).quality.is_good)
        raw.once.append(behave)
        await until(lambda: seen.append(reading(field)) or seen[-1].quality.is_invalid)
        assert words in seen[-1].reason
        at = len(raw.log)
        await until(lambda: len(raw.log) > at and reading(field).quality.is_good)
    assert raw.log[at].at - raw.log[at - 1].at >= LATE_S, "kept silent"
    assert raw.connections == 1


@pytest.mark.parametrize("before", [b"\x00", b"\xff\xff", b"\x02\x04\x02\x00"])
async def test_noise_before_the_frame_is_skipped(raw, before):
    """Line drivers switching on leave a byte of noise; the frame behind it counts."""
    raw.behave = wrong(before=before)
    async with running(over_tcp(raw)) as field:
        await until(lambda: reading(field).quality.is_good)


async def late_answers(raw):
    """Unit 1 answers after the time-out with register 0's value while register 20 would be asked next.

    True when every value that was ever delivered is that of its own register.
    """
    raw.memory.input = {0: 100, 20: 120}
    delay = 0.35

    def late(peer, req):
        frame = peer.frame(req, peer.device.memory.serve(req))
        asyncio.get_running_loop().call_later(delay, peer.send, frame)

    settings = station(
        [link(raw.port, type="rtu_over_tcp", late_answer_s=LATE_S, timeout_s=0.2)],
        [device("D1"), device("D2")],  # two mappings of one unit, so that the answers look alike
        [reg(0), reg(20, "D2")],
    )
    seen = [set(), set()]
    raw.behave = rightly
    async with running(settings) as field:
        await until(lambda: all(reading(field, n).quality.is_good for n in (0, 1)))
        raw.behave = late
        at = len(raw.log)
        await until(
            lambda: [seen[n].add(reading(field, n).value) for n in (0, 1)] and len(raw.log) >= at + 5, 20.0
        )
    return seen[0] <= {100.0, None} and seen[1] <= {120.0, None}


async def test_late_answer_is_thrown_away(raw):
    assert await late_answers(raw)


async def test_control_of_the_silence_after_a_time_out(raw, monkeypatch):
    """Without the silence the late answer is taken for the next request's: the check above sees it."""
    monkeypatch.setattr("collector.field.link.LinkTask._keep_line_silent", lambda self, now, late_s: None)
    monkeypatch.setattr("collector.field.link.Unit.held_s", lambda self, now, regardless: 0.0)
    assert not await late_answers(raw)


# --- more than one answer, and answers that come very late ------------------------------------------

STALE = 7777


def stale_frame(peer, req):
    return peer.frame(req, bytes([4, 2, STALE >> 8, STALE & 0xFF]))


def glued(peer, req):
    """As a gateway that had one in store: both in one segment."""
    peer.send(stale_frame(peer, req) + peer.frame(req, peer.device.memory.serve(req)))


def glued_behind(peer, req):
    peer.send(peer.frame(req, peer.device.memory.serve(req)) + stale_frame(peer, req))


def sooner(pause_s):
    """The stale one first, the right one when the device is ready."""

    async def behave(peer, req):
        peer.send(stale_frame(peer, req))
        await asyncio.sleep(pause_s)
        peer.reply(req)

    return behave


async def usually_in(delay_s, peer, req):
    await asyncio.sleep(delay_s)
    peer.reply(req)


async def two_answers(raw, behave, usual_s=0.0, **how):
    """The device gives two answers to every third request. Every value ever delivered, and how many were."""
    values, count = [], iter(range(1000))

    def third(peer, req):
        if next(count) % 3 == 2:
            return behave(peer, req)
        return usually_in(usual_s, peer, req)

    raw.behave = third
    async with running(over_tcp(raw, late_answer_s=0.1, **how)) as field:
        await until(lambda: values.append(reading(field)) or len(raw.log) >= 12, 12.0)
    return {r.value for r in values}, {r.reason for r in values}


@pytest.mark.parametrize(
    ("behave", "usual_s", "how"),
    [
        (glued, 0.0, {}),
        (glued_behind, 0.0, {}),
        (sooner(0.08), 0.08, {}),  # the device usually takes that long: until then nothing is believed
        (sooner(0.05), 0.0, {"frame_gap_s": 0.1}),  # a quick device, a gateway that is not
    ],
    ids=["glued-before", "glued-behind", "before-the-usual-time", "within-the-gap"],
)
async def test_of_two_answers_none_is_believed(raw, behave, usual_s, how):
    values, reasons = await two_answers(raw, behave, usual_s, **how)
    assert values == {None, 200.0}
    assert any("more than one answer" in reason for reason in reasons)


@pytest.mark.parametrize(
    ("broken", "how", "arguments"),
    [
        ("field.link.LinkTask._alone", "believes", (glued, 0.0)),
        ("field.link._SLOWEST_FADES", 0.0, (sooner(0.08), 0.0)),
        ("settings.waits._TCP_GAP_S", 0.02, (sooner(0.05), 0.0)),
    ],
    ids=["no-look-behind", "no-usual-time", "no-gap-set"],
)
async def test_controls_of_two_answers(raw, monkeypatch, broken, how, arguments):
    """Without the look behind the answer, or for long enough, the stale value is seen."""

    async def believes(self, connection, unit, sent):
        connection.buffer.clear()
        return True

    monkeypatch.setattr(f"collector.{broken}", believes if how == "believes" else how)
    values, _ = await two_answers(raw, *arguments)
    assert STALE in values


async def test_an_answer_too_many_withdraws_the_value(raw):
    """It comes when the value is long believed, before the next request: which was right cannot be known."""

    async def twice(peer, req):
        peer.reply(req)
        await asyncio.sleep(0.15)
        peer.send(stale_frame(peer, req))

    async with running(over_tcp(raw, devices=[device(poll_s=0.4)])) as field:
        await until(lambda: reading(field).quality.is_good)
        raw.once.append(twice)
        await until(lambda: "more than one answer" in reading(field).reason, 2.0)
        assert "more than one answer" in field.snapshot().devices["D1"]
        at = len(raw.log)
        await until(lambda: len(raw.log) > at and reading(field).quality.is_good)
    assert raw.log[at].at - raw.log[at - 1].at >= LATE_S, "kept silent"


async def two_timeouts_late(raw, **how):
    """One unit alone answers every third request 2 to 2.5 time-outs late. True: no value in a wrong place."""
    raw.memory.input = {0: 100, 20: 120, 40: 140}
    wrong, count, loop = set(), iter(range(1000)), asyncio.get_running_loop()
    ready = [0.0]  # it serves one request after the other

    def late(peer, req):
        n = next(count)
        ready[0] = max(ready[0], loop.time()) + (0.1 * (2.0 + 0.05 * (n % 11)) if n % 3 == 1 else 0.01)
        loop.call_at(ready[0], peer.send, peer.frame(req, peer.device.memory.serve(req)))

    raw.behave = late
    settings = station(
        [link(raw.port, type="rtu_over_tcp", timeout_s=0.1, **how)], [device()], [reg(0), reg(20), reg(40)]
    )
    async with running(settings) as field:

        def look():
            got = [reading(field, n) for n in range(3)]
            wrong.update(r.value for r, right in zip(got, (100, 120, 140), strict=True) if r.value != right)
            return len(raw.log) >= 24

        await until(look, 20.0)
        assert any(reading(field, n).quality.is_good for n in range(3))
    return wrong <= {None}


async def test_an_answer_2_to_2_5_time_outs_late_is_never_another_blocks(raw):
    assert await two_timeouts_late(raw)


async def test_control_of_the_default_silence(raw, monkeypatch):
    """Half a time-out of silence, and nothing looked at behind an answer: values land in other blocks."""
    monkeypatch.setattr("collector.settings.waits.LATE_TIMEOUTS", 0.5)
    monkeypatch.setattr("collector.field.link.Unit.held_s", lambda self, now, regardless: 0.0)

    async def believes(self, connection, unit, sent):
        connection.buffer.clear()
        return True

    monkeypatch.setattr("collector.field.link.LinkTask._alone", believes)
    assert not await two_timeouts_late(raw)


async def test_a_release_does_not_wait_for_a_late_answer():
    """Reads keep silent after a time-out; the write that lets an output go does not."""
    module = await RawRelayModule(timeout_s=20.0, rtu=True).start()
    try:
        settings = station(
            [link(module.port, type="rtu_over_tcp", late_answer_s=3.0, timeout_s=0.2)],
            [device("R1", relay_module={"released_by": "module_timeout", "timeout_s": 20.0})],
            [reg(0, "R1", "holding_register")],
            {"stage1": ("R1", 0)},
        )
        module.memory.holding = {0: 1}
        async with running(settings) as field:
            await until(lambda: any(req.function == 1 for req in module.log), 6.0)
            module.memory.coils[0] = 1
            module.behave = silently
            await until(lambda: "no answer" in reading(field).reason)
            module.behave = rightly
            at = len(module.log)
            assert not await field.release_all(1.0), "reading it back does wait"
            assert module.memory.coils[0] == 0
        assert {req.function for req in module.log[at:]} == {5}
    finally:
        await module.stop()


async def test_fresh_connection_does_not_replace_the_silence(raw):
    """The peer closes in mid-request; whatever a gateway passes on to the next connection is thrown away."""
    async with running(over_tcp(raw)) as field:
        await until(lambda: reading(field).quality.is_good)
        raw.once.append(lambda p, r: p.close())
        await until(lambda: raw.connections == 2 and raw.peers)
        raw.peers[0].send(raw.peers[0].frame(raw.log[-1], bytes([4, 2, 0, 7])))  # the late answer
        values = set()
        at = len(raw.log)
        await until(lambda: values.add(reading(field).value) or len(raw.log) > at + 2)
    assert values <= {200.0, None}
    assert raw.log[at].at - raw.log[at - 1].at >= LATE_S


async def test_bytes_nobody_asked_for_are_thrown_away_with_silence(raw):
    async with running(over_tcp(raw)) as field:
        await until(lambda: reading(field).quality.is_good)
        raw.peers[0].send(raw.peers[0].frame(raw.log[-1], bytes([4, 2, 0, 7])))
        values = set()
        at = len(raw.log)
        await until(lambda: values.add(reading(field).value) or len(raw.log) > at + 3)
    assert values <= {200.0, None}, "nor is the answer before them believed any more"


async def test_line_that_is_never_silent_is_named(raw):
    async with running(over_tcp(raw, late_answer_s=0.05)) as field:
        await until(lambda: reading(field).quality.is_good)

        async def babble():
            while True:
                for peer in raw.peers:
                    peer.send(b"\x55")
                await asyncio.sleep(0.01)

        task = asyncio.create_task(babble())
        await until(lambda: "never silent" in reading(field).reason)
        assert "never silent" in field.snapshot().devices["D1"]
        task.cancel()
        await until(lambda: reading(field).quality.is_good)


async def test_exceptions_over_rtu(raw):
    async with running(over_tcp(raw)) as field:
        await until(lambda: reading(field).quality.is_good)
        raw.once.append(lambda p, r: p.reply(r, exception(r, 6)))
        await until(lambda: "device busy" in reading(field).reason)
        await until(lambda: reading(field).quality.is_good)


async def test_dead_unit_on_a_line(raw):
    raw.units[2] = Memory(input={0: 222})
    devices = [device("D1"), device("D2", unit=2), device("D9", unit=9)]
    settings = station(
        [link(raw.port, type="rtu_over_tcp", late_answer_s=0.1, timeout_s=0.2)],
        devices,
        [reg(0), reg(0, "D2"), reg(0, "D9")],
    )
    async with running(settings) as field:
        await until(lambda: sum(req.unit == 9 for req in raw.log) >= 4, 20.0)
        assert reading(field, 0).value == 200.0
        assert reading(field, 1).value == 222.0
    dead = [n for n, req in enumerate(raw.log) if req.unit == 9]
    assert all(b - a > 2 for a, b in pairwise(dead))


# --- serial ----------------------------------------------------------------------------------


class SerialDevice(threading.Thread):
    """A device on the far side of a pty pair, its answers paced byte by byte as the line would be."""

    def __init__(self, baud=9600):
        super().__init__(daemon=True)
        self.far, self.near = os.openpty()
        tty.setraw(self.far)
        tty.setraw(self.near)
        self.path = os.ttyname(self.near)
        self.byte_s = 11 / baud
        self.memory = Memory(input={n: 200 + n for n in range(20)})
        self.log = []
        self.gaps = []
        self.answer = True
        self.ended = False

    def run(self):
        buffer, heard, spoke = b"", 0.0, 0.0
        while not self.ended:
            if not select([self.far], [], [], 0.05)[0]:
                continue
            try:
                buffer += os.read(self.far, 256)
            except OSError:
                return
            now = time.monotonic()
            if len(buffer) < 8:
                heard = heard or now
                continue
            assert crc16(buffer[:-2]) == buffer[-2:], buffer.hex(" ")
            req = parse(1, 0, buffer[0], buffer[1:-2])
            self.gaps.append(now - spoke)
            buffer = b""
            self.log.append(req)
            if self.answer:
                body = bytes([req.unit]) + self.memory.serve(req)
                for byte in body + crc16(body):
                    time.sleep(self.byte_s)
                    os.write(self.far, bytes([byte]))
                spoke = time.monotonic()

    def end(self):
        self.ended = True
        self.join(5)
        for end in (self.far, self.near):
            os.close(end)


@pytest.fixture
def serial():
    made = SerialDevice()
    made.start()
    yield made
    made.end()


def on_serial(path, **more):
    how = {
        "id": "L1",
        "type": "rtu_serial",
        "parity": "none",
        "serial_device": path,
        "timeout_s": 0.3,
        "late_answer_s": 0.1,
        **more,
    }
    return station([how], [device()], [reg(n) for n in range(20)])


async def test_serial_line(serial):
    async with running(on_serial(serial.path)) as field:
        await until(lambda: reading(field, 19).value == 219.0)
        serial.answer = False
        await until(lambda: reading(field).reason == "no answer within 0.3 s")
        serial.answer = True
        await until(lambda: reading(field).quality.is_good)
    assert {(r.address, r.count) for r in serial.log} == {(0, 20)}
    assert min(serial.gaps[1:]) >= 3.5 * 11 / 9600 * 0.9, "3.5 characters of silence between frames"


async def test_slow_line_gets_the_time_its_bits_take():
    """At 1200 baud the answer alone takes 0.4 s, longer than the time-out meant for the device."""
    slow = SerialDevice(baud=1200)
    slow.start()
    try:
        async with running(on_serial(slow.path, baud=1200)) as field:
            await until(lambda: reading(field, 19).value == 219.0)
            assert field.snapshot().devices["D1"] == ""
    finally:
        slow.end()


async def test_serial_port_that_is_not_there(tmp_path):
    async with running(on_serial(str(tmp_path / "ttyS9"))) as field:
        await until(lambda: field.snapshot().polled)
        assert "cannot be opened with these settings" in field.snapshot().devices["D1"]
        assert "ttyS9" in reading(field).reason


async def test_serial_settings_that_the_port_cannot_do(serial, monkeypatch):
    """termios raises its own error (a pty has no parity): contained as a link that is down."""

    async def refuses(*args, **settings):
        raise termios.error(22, "Invalid argument")

    monkeypatch.setattr("pymodbus.transport.serialtransport.create_serial_connection", refuses)
    async with running(on_serial(serial.path)) as field:
        await until(lambda: field.snapshot().polled)
        assert "cannot be opened with these settings" in field.snapshot().devices["D1"]


async def test_missing_pyserial_is_a_clear_message(monkeypatch):
    monkeypatch.setattr("collector.field.transport.find_spec", lambda name: None)
    async with running(on_serial("/dev/null")) as field:
        await until(lambda: field.snapshot().polled)
        assert "windingd[serial]" in field.snapshot().devices["D1"]
        assert all(field.snapshot().readings[name].quality.is_invalid for name in ids(20))
