"""A device that answers zeros while it boots, on a raw socket. The judge is its own log of its boots.

Controls: the same boots with `settle_s: 0`, where the judge must find zeros that were taken for good.
"""

from __future__ import annotations

import asyncio
import socket
import struct
import time
from contextlib import asynccontextmanager

import pytest
from field_help import contact, device, link, reg, running, station, until
from field_raw import Memory, RawDevice, RawRelayModule

from collector import engine
from collector.clock import Clock
from collector.field.codec import Place
from collector.field.settling import Settling
from collector.messages import Inputs
from collector.quality import GOOD, Detail, Reading, invalid

AMPS = [321, 322, 323]
OIL = 452
SETTLE_S = 1.0


class BootingDevice(RawDevice):
    """While it boots, the given registers (and every contact) read zero. ``boots``: when, by its own log."""

    def __init__(self) -> None:
        super().__init__(
            input={0: AMPS[0], 1: AMPS[1], 2: AMPS[2], 20: OIL},
            discrete=dict.fromkeys(range(3), 1),
            holding={9: 1},
        )
        self.boots: list[tuple[float, float]] = []

    async def boot(
        self, zero_s: float, reset: bool = True, silent_s: float = 0.0, only=None, hard=True
    ) -> None:
        truth = self.memory
        zeros = Memory(
            input={n: 0 if only is None or n in only else v for n, v in truth.input.items()},
            discrete={n: 0 if only is None else v for n, v in truth.discrete.items()},
            holding=dict.fromkeys(truth.holding, 0),
        )
        if silent_s:
            await self.stop()
            await asyncio.sleep(silent_s)
        begun = time.monotonic()
        self.units[1] = zeros
        if silent_s:
            await self.start()
        elif reset:
            for peer in self.peers if hard else ():  # a reset, where a close in order would say FIN
                sock = peer.writer.get_extra_info("socket")
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self.drop_all()
        await asyncio.sleep(zero_s)
        self.units[1] = truth
        self.boots.append((begun, time.monotonic()))


@pytest.fixture
async def raw():
    made = await BootingDevice().start()
    yield made
    await made.stop()


def mapped(port, *, energised=None, contacts=False, more=(), **keys):
    """Three currents and top oil of one device; contacts of a stage on request."""
    mode = {"M": {"gradient_k": 15.0, "rated_current_a": 500.0}}
    windings = [
        {"id": f"W{n}", "number": n, "modes": mode,
         "current": {"device": "D1", "table": "input_register", "address": n - 1, "type": "uint16"}}
        for n in (1, 2, 3)
    ]  # fmt: skip
    made = station(
        [link(port), *({**link(p), "id": f"L{n}"} for n, p in enumerate(more, 2))],
        [device(**{"settle_s": SETTLE_S, **keys}),
         *(device(f"D{n}", link=f"L{n}") for n in range(2, len(more) + 2))],
        [reg(20, scale=0.1)],
        {"stage1": ("D1", 7)} if contacts else {},
        more={"windings": windings, **({"energised": energised} if energised else {})},
    )  # fmt: skip
    if not contacts:
        return made
    tree = made.model_dump()
    tree["transformers"][0]["stages"][0]["cabinet"] = {
        "selector_auto": contact(0), "breaker_closed": contact(1), "interlock": contact(2)
    }  # fmt: skip
    return type(made).model_validate(tree)


@asynccontextmanager
async def watched(settings):
    """A running field and everything that it has shown: (measurement, value, time, good)."""
    seen = set()
    async with running(settings) as field:

        async def watch():
            while True:
                for name, got in field.snapshot().readings.items():
                    seen.add((name, got.value, got.mono_ns / 1e9, got.quality.is_good))
                await asyncio.sleep(0.003)

        task = asyncio.create_task(watch())
        try:
            yield field, seen
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


def boot_zeros(seen, boots):
    """What was taken for good at a time at which the device, by its own log, was booting."""
    return {
        (name, at) for name, value, at, good in seen if good and value == 0.0
        and any(begun <= at <= ended + 0.02 for begun, ended in boots)
    }  # fmt: skip


def good(field, name="T1.W1.current_a"):
    got = field.snapshot().readings[name]
    return got.quality.is_good and got


async def boots_of(raw, kind):
    if kind in ("reset", "close"):
        await raw.boot(0.6, hard=kind == "reset")
    elif kind == "keeps its connection":
        await raw.boot(0.6, reset=False)
    elif kind == "current block only":
        await raw.boot(0.6, reset=False, only={0, 1, 2})
    elif kind == "silent first":
        await raw.boot(0.9, silent_s=0.3)
    else:
        for hard in (True, False, True):  # 1.8 s in all, longer than one settling
            await raw.boot(0.6, hard=hard)


KINDS = ["close", "reset", "keeps its connection", "current block only", "silent first", "again and again"]


@pytest.mark.parametrize("settle_s", [SETTLE_S, 0.0], ids=["settling", "control"])
@pytest.mark.parametrize("kind", KINDS)
async def test_no_zero_of_a_boot_is_ever_good(raw, kind, settle_s):
    async with watched(mapped(raw.port, contacts=True, settle_s=settle_s)) as (field, seen):
        await until(lambda: good(field) and good(field, "T1.stage1.breaker_closed"))
        await boots_of(raw, kind)
        ended = raw.boots[-1][1]
        await until(lambda: (got := good(field)) and got.value == AMPS[0] and got.mono_ns / 1e9 > ended)
        await until(lambda: (got := good(field, "T1.stage1.interlock")) and got.mono_ns / 1e9 > ended)
    found = {name for name, _ in boot_zeros(seen, raw.boots)}
    if settle_s:
        assert not found
    else:
        assert "T1.W1.current_a" in found
        assert "T1.top_oil_c" in found or kind == "current block only"
        assert "T1.stage1.breaker_closed" in found or kind == "current block only"


async def test_held_with_its_own_time_not_lost(raw):
    """The connection is kept: what is shown meanwhile is the last good reading, as old as it is."""
    async with watched(mapped(raw.port)) as (field, seen):
        await until(lambda: good(field))
        await raw.boot(0.6, reset=False)
        begun, ended = raw.boots[0]
        await until(lambda: (got := good(field)) and got.mono_ns / 1e9 > ended)
    assert all(is_good for name, _, at, is_good in seen if name == "T1.W1.current_a" and at > begun)
    assert not [at for name, _, at, _ in seen if name == "T1.W1.current_a" and begun + 0.1 < at < ended - 0.1]


@pytest.mark.parametrize("settle_s", [SETTLE_S, 0.0], ids=["settling", "control"])
async def test_a_start_into_a_boot(raw, settle_s):
    """The supply of the whole station comes back: the device still boots when it is first asked."""
    boot = asyncio.create_task(raw.boot(0.6))
    await asyncio.sleep(0)
    async with watched(mapped(raw.port, settle_s=settle_s)) as (field, seen):
        await until(lambda: len(raw.log) > 2)
        assert field.snapshot().polled == (not settle_s)  # nothing to decide on yet
        await boot
        await until(lambda: (got := good(field)) and got.value == AMPS[0])
        assert field.snapshot().polled
    assert bool(boot_zeros(seen, raw.boots)) == (not settle_s)


async def test_a_load_that_is_rightly_zero_is_good_after_the_settling(raw):
    """Its breaker opens and no contact says so: held at first, good after `settle_s`."""
    async with watched(mapped(raw.port)) as (field, seen):
        await until(lambda: good(field))
        raw.memory.input.update({0: 0, 1: 0, 2: 0})
        off = time.monotonic()
        await until(lambda: good(field) and good(field).value == 0.0)
        first = good(field).mono_ns / 1e9
        assert SETTLE_S - 0.1 < first - off < SETTLE_S + 1.0
        assert good(field, "T1.top_oil_c").mono_ns / 1e9 > first - 0.5  # the other block went on
        # ... and stays so, whatever happens on the line as long as the device does not go away.
        raw.once += [lambda peer, req: None]
        asked = len(raw.log)
        await until(lambda: len(raw.log) > asked + 9)
    late = {
        is_good
        for name, value, at, is_good in seen
        if name == "T1.W1.current_a" and at > first and value == 0
    }
    assert late == {True}


async def test_a_device_that_closes_each_connection_is_not_restarted_each_time(raw):
    """It answers once a connection. Its zeros are good after `settle_s` too, once that habit is known."""

    def once(peer, req):
        peer.reply(req)
        peer.writer.close()

    raw.behave = once
    async with watched(mapped(raw.port)) as (field, _):
        await until(lambda: good(field) and raw.connections > 12)
        raw.memory.input.update({0: 0, 1: 0, 2: 0})
        off = time.monotonic()
        await until(lambda: good(field) and good(field).value == 0.0)
        assert good(field).mono_ns / 1e9 - off < 2 * SETTLE_S


async def test_switched_off_by_its_contact_is_good_at_once(raw):
    other = await RawDevice(discrete={5: 1}).start()
    settings = mapped(raw.port, energised=contact(5, "D2"), more=[other.port], settle_s=600.0)
    async with watched(settings) as (field, seen):
        await until(lambda: good(field) and good(field, "T1.energised"))
        # A boot with the contact closed: not one zero is believed.
        await raw.boot(0.6)
        assert not boot_zeros(seen, raw.boots)
        await until(lambda: (got := good(field)) and got.mono_ns / 1e9 > raw.boots[0][1])
        # Switched off in fact: at once, long before 600 s are over.
        raw.memory.input.update({0: 0, 1: 0, 2: 0})
        other.memory.discrete[5] = 0
        await until(lambda: good(field) and good(field).value == 0.0)
        await until(lambda: raw.memory.input.update({0: 7}) or good(field).value == 7.0)
    await other.stop()


async def test_the_contact_of_a_booting_device_proves_nothing(raw):
    """Currents and contact on one device: while it boots, its contact reads open too."""
    settings = mapped(raw.port, energised=contact(0), settle_s=600.0)
    async with watched(settings) as (field, seen):
        await until(lambda: good(field) and good(field, "T1.energised").value == 1.0)
        for reset in (True, False):
            await raw.boot(0.6, reset=reset)
            await until(lambda: (got := good(field)) and got.mono_ns / 1e9 > raw.boots[-1][1])
        assert not boot_zeros(seen, raw.boots)
        # The contact opens and the oil is still warm: the device runs, and the contact is believed.
        raw.memory.discrete.update({0: 0, 1: 0, 2: 0})
        raw.memory.input.update({0: 0, 1: 0, 2: 0})
        await until(lambda: good(field, "T1.energised").value == 0.0)
        await until(lambda: good(field).value == 0.0)


async def test_a_contact_that_opens_is_believed_while_the_device_runs(raw):
    async with watched(mapped(raw.port, contacts=True, settle_s=600.0)) as (field, _):
        await until(lambda: good(field, "T1.stage1.breaker_closed"))
        raw.memory.discrete[1] = 0
        await until(lambda: good(field, "T1.stage1.breaker_closed").value == 0.0)
        raw.memory.discrete.update({0: 0, 2: 0})
        await until(lambda: good(field, "T1.stage1.selector_auto").value == 0.0)


async def test_freezing_point_is_a_temperature():
    """A single probe that reads 0.0 °C for good: after `settle_s` at the latest."""
    raw = await RawDevice(input={0: 3}).start()
    settings = station([link(raw.port)], [device(settle_s=SETTLE_S)], [reg(0, scale=0.1)])
    async with watched(settings) as (field, seen):
        await until(lambda: good(field, "T1.top_oil_c"))
        raw.memory.input[0] = 0
        await until(lambda: good(field, "T1.top_oil_c").value == 0.0)
        ages = [time.monotonic() - good(field, "T1.top_oil_c").mono_ns / 1e9]
        # It hovers about 0.0: never older than one poll where it is not zero.
        for value in (1, 0, 1, 0):
            raw.memory.input[0] = value
            asked = len(raw.log)
            await until(lambda asked=asked: len(raw.log) > asked + 1)
            ages.append(time.monotonic() - good(field, "T1.top_oil_c").mono_ns / 1e9)
        assert all(is_good for _, _, at, is_good in seen if at > min(a for _, _, a, g in seen if g))
    await raw.stop()


@pytest.mark.parametrize("ready", [True, False], ids=["ready register", "control"])
async def test_ready_register(raw, ready):
    """Neither zeros nor what else it answers counts before it is ready, however long that takes."""
    keys = {"ready_register": {"device": "D1", "table": "holding_register", "address": 9, "type": "uint16"},
            "ready_value": 1} if ready else {}  # fmt: skip
    async with watched(mapped(raw.port, settle_s=0.3, **keys)) as (field, seen):
        await until(lambda: good(field))
        await raw.boot(1.0)
        raw.memory.holding[9] = 0
        raw.memory.input.update({0: 1000, 1: 1001, 2: 1002})  # the test pattern of its start
        pattern = time.monotonic()
        asked = len(raw.log)
        await until(lambda: len(raw.log) > asked + 6)
        if ready:
            assert "does not say that it is ready" in field.snapshot().readings["T1.W1.current_a"].reason
        raw.memory.input.update({0: 400, 1: 401, 2: 402})
        raw.memory.holding[9] = 1
        await until(lambda: (got := good(field)) and got.value == 400.0)
        # Ready says so at once, where zeros would wait for the time to be over.
        raw.memory.input.update({0: 0, 1: 0, 2: 0})
        await until(lambda: good(field) and good(field).value == 0.0)
    early = {
        value for name, value, at, is_good in seen if name == "T1.W1.current_a" and is_good and at > pattern
    }
    assert (1000.0 in early) == (not ready)
    assert bool(boot_zeros(seen, raw.boots)) == (not ready)


@pytest.mark.parametrize("settle_s", [15.0, 0.0], ids=["settling", "control"])
@pytest.mark.parametrize("hard", [True, False], ids=["reset", "keeps its connection"])
async def test_a_boot_releases_no_stage(raw, settle_s, hard):
    """Ten seconds of zeros (station time), judged by the relay module: a stage held off in cool oil stays so.

    Readings, step and relays as in the daemon, with the default times of a station.
    """
    module = await RawRelayModule(timeout_s=60.0).start()
    module.memory.coils[0] = 1
    made = mapped(raw.port, more=[module.port], settle_s=settle_s, poll_s=5.0).model_dump()
    release = {"released_by": "module_timeout", "timeout_s": 60.0}
    made["devices"][1].update(poll_s=2.0, relay_module=release)
    limits = {"pickup": {"top_oil_c": 60.0}, "dropout": {"top_oil_c": 50.0}}
    made["transformers"][0]["stages"] = (
        {"id": "stage1", "number": 1, "relay": {"device": "D2", "coil": 0}, **limits},
    )
    made["transformers"][0]["top_oil"].update(min_c=-50.0, max_c=180.0)
    settings = type(mapped(raw.port)).model_validate(made)
    clock, plan = Clock(10.0), engine.build(settings, "hash", permissible_loading=False)

    async def decide(field):
        state = engine.initial(plan)
        while True:
            got = field.snapshot()
            now_ns = max(clock.mono_ns(), state.mono_ns + 1)
            given = Inputs(
                now_ns, got.readings, got.relays, got.devices, polled=got.polled, settings_hash="hash"
            )
            state, outcome = engine.step(state, plan, given)
            field.offer(outcome.decision)
            await asyncio.sleep(0.1)

    async with running(settings, clock) as field:
        task = asyncio.create_task(decide(field))
        await until(lambda: good(field) and any(req.bits for req in module.log))
        await raw.boot(1.0, reset=hard)
        ended = raw.boots[0][1]
        await until(lambda: raw.log[-1].at > ended + 1.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    await module.stop()
    released = [req for req in module.writes if not all(req.bits)]
    assert bool(released) == (not settle_s)


def test_a_line_that_loses_answers_withholds_no_zero_for_ever():
    """Rightly zero, and two answers in a row are lost again and again: believed after eight settlings."""
    place = Place("input_register", 0, 1)
    settling = Settling(15_000_000_000, [place], [])
    shown = {"x": Reading(None, invalid(Detail.OLD_DATA), 0)}
    believed = []
    for second in range(300):
        if second % 5 == 0:
            settling.missed()
            settling.missed()
        fresh = Reading(0.0, GOOD, second * 1_000_000_000)
        shown |= settling.judge({place: (0,)}, {place: {"x": fresh}}, shown, fresh.mono_ns)
        if shown["x"].quality.is_good:
            believed.append(second)
    assert believed[0] == 8 * 15


@pytest.mark.parametrize(("retries", "is_away"), [(0, True), (2, False)])
def test_retries_are_no_absence(retries, is_away):
    place = Place("input_register", 0, 1)
    settling = Settling(15_000_000_000, [place], [], retries=retries)
    shown = {"x": Reading(None, invalid(Detail.OLD_DATA), 0)}

    def answers(value, second):
        fresh = Reading(float(value), GOOD, second * 1_000_000_000)
        return settling.judge({place: (value,)}, {place: {"x": fresh}}, shown, fresh.mono_ns)

    shown |= answers(7, 0)
    answers(0, 1)
    shown |= answers(0, 17)  # rightly zero
    settling.missed()
    settling.missed()
    assert (answers(0, 20) == {}) == is_away
