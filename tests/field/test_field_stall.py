"""A stall of the program (SIGSTOP, a suspended machine, a blocked loop): the device lives on in a thread.

What has arrived meanwhile counts and is as old as its request; the stall costs the device nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time

import pytest
from field_help import device, link, reading, reg, running, station, until
from field_raw import RawDevice

STALL_S = 1.0


def station_ns():
    """Station time: unlike the monotonic clock it counts what the machine slept."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


@contextlib.contextmanager
def in_a_thread(made):
    """The device on a loop of its own, which goes on while the test's loop is blocked."""
    ready, loop = threading.Event(), asyncio.new_event_loop()

    async def live():
        await made.start()
        ready.set()

    def run():
        loop.create_task(live())
        loop.run_forever()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert ready.wait(5)
    yield

    async def end():
        await made.stop()
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    asyncio.run_coroutine_threadsafe(end(), loop).result(5)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(5)
    loop.close()


def answers_after(delay_s, asked):
    async def behave(peer, req):
        asked.set()
        await asyncio.sleep(delay_s)
        peer.reply(req)

    return behave


async def stalled(rtu):
    """Block the loop while an answer is under way. What is wrong afterwards, or ""."""
    raw, asked = RawDevice(rtu=rtu, input={0: 100}), threading.Event()
    how = {"type": "rtu_over_tcp"} if rtu else {}
    with in_a_thread(raw):
        settings = station([link(raw.port, **how)], [device()], [reg(0)])
        async with running(settings) as field:
            await until(lambda: reading(field).quality.is_good)
            raw.behave = answers_after(0.1, asked)
            await until(asked.is_set)
            raw.memory.input[0] = 105
            time.sleep(STALL_S)  # noqa: ASYNC251 - a blocked loop is the thing under test
            ended = time.monotonic()
            before = reading(field)
            await until(lambda: reading(field) != before)
            first = reading(field)
            at = len(raw.log)
            await until(lambda: len(raw.log) > at + 3)
        if first.quality.is_invalid:
            return first.reason
        assert first.value == 105.0
        sent = max(req.at for req in raw.log if req.at < ended - STALL_S / 2)
        if (first.mono_ns - station_ns()) / 1e9 + time.monotonic() > sent + 0.001:
            return "said to be younger than its request"
        after = [req.at for req in raw.log if req.at > ended]
        if after[0] - ended > 0.5:
            return "the device pays for the stall"
    return ""


@pytest.mark.parametrize("rtu", [False, True], ids=["tcp", "rtu"])
async def test_what_arrived_during_a_stall_counts(rtu):
    assert await stalled(rtu) == ""


async def test_controls_of_the_stall(monkeypatch):
    from collector.field.poller import Poller
    from collector.field.transport import Connection

    took = Poller.took
    with monkeypatch.context() as broken:
        broken.setattr(Poller, "took", lambda self, answer, _: took(self, answer, station_ns()))
        assert await stalled(False) == "said to be younger than its request"

    async def more(self, deadline):
        self._news.clear()
        try:
            async with asyncio.timeout_at(deadline):
                await self._news.wait()
        except TimeoutError:
            self.buffer.clear()  # the answer that came with the deadline is not looked at
            return False
        return True

    monkeypatch.setattr(Connection, "more", more)
    assert "no answer within" in await stalled(False)


async def test_a_stall_without_an_answer_costs_what_a_time_out_costs():
    """Nothing came: the device is asked again as after any time-out, not after many times the stall."""
    raw, asked = RawDevice(input={0: 100}), threading.Event()
    with in_a_thread(raw):
        async with running(station([link(raw.port)], [device()], [reg(0)])) as field:
            await until(lambda: reading(field).quality.is_good)
            answers = raw.behave
            raw.behave = lambda peer, req: asked.set()
            await until(asked.is_set)
            raw.behave = answers
            time.sleep(STALL_S)  # noqa: ASYNC251
            ended = time.monotonic()
            await until(lambda: raw.log[-1].at > ended)
    assert raw.log[-1].at - ended < 0.3 + 0.5


async def test_all_connections_reset_at_once_is_a_fact(monkeypatch):
    """Two links cut together; a single one, or one after the other, is no such fact."""
    monkeypatch.setattr("collector.field.link.LONG_LIVED_S", 0.3)
    monkeypatch.setattr("collector.field._AT_ONCE_NS", 500_000_000)
    one, two = await RawDevice(input={0: 1}).start(), await RawDevice(input={0: 2}).start()
    links = [link(one.port), {**link(two.port), "id": "L2"}]
    settings = station(links, [device(), {**device("D2"), "link": "L2"}], [reg(0), reg(0, "D2")])
    try:
        async with running(settings) as field:

            async def lived():
                await until(lambda: one.peers and two.peers)
                end = time.monotonic() + 0.6
                await until(lambda: time.monotonic() > end)

            await lived()
            one.drop_all()
            await until(lambda: one.connections == 2)
            await lived()
            two.drop_all()
            await until(lambda: two.connections == 2)
            assert field.snapshot().all_reset_ns == -1
            await lived()
            now_ns = station_ns()
            one.drop_all()
            two.drop_all()
            await until(lambda: field.snapshot().all_reset_ns >= now_ns)
    finally:
        await one.stop()
        await two.stop()
