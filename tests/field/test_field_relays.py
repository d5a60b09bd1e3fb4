"""Relay writing against a raw relay module with its own timeout: its log is the judge, not ours.

Each safety check is a function of the module's log; its control breaks the mechanism and must be caught.
"""

from __future__ import annotations

import asyncio
import itertools
import time

import pytest
from field_help import Decider, contact, device, link, reading, reg, running, station, until
from field_raw import Memory, RawDevice, RawRelayModule, exception, rightly, silently

from collector.field.relays import Bank
from collector.messages import Decision

MODULE = {"released_by": "module_timeout", "timeout_s": 1.0}
MAX_AGE_S = 0.5


@pytest.fixture
async def module():
    made = await RawRelayModule(timeout_s=1.0).start()
    made.memory.discrete.update(dict.fromkeys(range(8), 0))
    made.sensor = await RawDevice(input={0: 200}).start()  # of its own: its polls do not feed the module
    yield made
    await made.stop()
    await made.sensor.stop()


def stages(module, relay_module=None, more=None, links=None, **times):
    """Two stages on coils 0 and 1, a trip on 4, a device-fault contact on 6; feedback on the module too."""
    return station(
        [link(module.sensor.port), {**link(module.port), "id": "L2", **(links or {})}],
        [device(), device("R1", link="L2", relay_module={**MODULE, **(relay_module or {})})],
        [reg(0)],
        {"stage1": ("R1", 0), "stage2": ("R1", 1)},
        {"stage1": contact(0, "R1")},
        more or {"contacts": {"device_fault": {"device": "R1", "coil": 6}}},
        **{"decision_max_age_s": MAX_AGE_S, "start_grace_s": 20.0, "cycle_s": 0.1, **times},
    )


def relay(field, name="stage1"):
    return field.snapshot().relays[f"T1.{name}"]


async def energised(module, field, decider):
    """Both stages held off and confirmed: what every safety test starts from."""
    await until(lambda: relay(field).energised and relay(field, "stage2").energised)
    assert module.memory.coils[0] == module.memory.coils[1] == 1
    return decider


async def test_adopts_first_and_writes_nothing_before_a_decision(module):
    module.memory.coils.update({0: 1, 5: 1})
    async with running(stages(module)) as field:
        await until(lambda: field.snapshot().polled)
        first = relay(field)
        assert (first.energised, first.link_ok, first.verified, first.foreign) == (True, True, True, False)
        assert relay(field, "stage2").energised is False
        await until(lambda: len(module.log) > 12)
        assert not module.writes
        decider = Decider(field, 0.1, stage1=True, stage2=True)
        await energised(module, field, decider)
        await decider.stop()
    touched = {req.address + i for req in module.writes for i in range(req.count)}
    assert touched == {0, 1}, "coils that the decision does not name are not written"
    assert module.memory.coils[5] == 1


async def test_refresh_follows_the_decision_and_carries_the_newest(module):
    async with running(stages(module)) as field:
        decider = Decider(field, 0.1, stage1=True, stage2=False, **{"contact.device_fault": True})
        await until(lambda: relay(field).energised and relay(field, "contact.device_fault").energised)
        at = len(module.writes)
        await until(lambda: len(module.writes) > at + 8)
        decider.energise["T1.stage1"] = False
        await until(lambda: relay(field).energised is False)
        await decider.stop()
    for run in ((0, 2), (6, 1)):
        times = [req.at for req in module.writes if (req.address, req.count) == run]
        assert times[-1] - times[0] > 0.5
        assert max(b - a for a, b in itertools.pairwise(times)) < 1.0 / 3 + 0.3
    assert not module.releases


async def decision_stops(module):
    """The decisions stop while the program, its loop and its polling live on. Returns the module's story."""
    module.behave = rightly
    async with running(stages(module)) as field:
        decider = await energised(module, field, Decider(field, 0.05, stage1=True, stage2=True))
        await decider.stop()
        try:
            await asyncio.wait_for(module.released.wait(), MAX_AGE_S + 1.0 + 2.0)
        except TimeoutError:
            return False, "still fed", decider, field.snapshot()
        end = len(module.log)
        quiet = asyncio.get_running_loop().time() + 0.5
        await until(lambda: asyncio.get_running_loop().time() > quiet)
        if len(module.log) != end:
            return False, "requests after the release", decider, field.snapshot()
        return True, "", decider, field.snapshot()


async def test_when_decisions_stop_the_module_releases(module):
    held, words, decider, snapshot = await decision_stops(module)
    assert held, words
    last = module.log[-1].at
    assert last - decider.last_mono_s <= MAX_AGE_S + 0.05, "no request of any kind on an old decision"
    assert module.releases[0] - last == pytest.approx(1.0, abs=0.2)
    assert module.memory.coils[0] == module.memory.coils[1] == 0
    assert not module.peers, "its connection is closed"
    assert module.ends == ["reset"], "a write still on its way would be delivered after an outage"
    assert "kept silent" in snapshot.devices["R1"]
    assert not snapshot.relays["T1.stage1"].link_ok


@pytest.mark.parametrize("broken", ["age of the decision", "polling goes on"])
async def test_control_of_the_silence(module, monkeypatch, broken):
    """Broken on purpose, the check above sees that the module is still fed."""
    if broken == "age of the decision":
        monkeypatch.setattr(Bank, "fresh", lambda self, decision, now_ns: True)
    else:  # writes stop, but the module's own inputs are still polled
        monkeypatch.setattr("collector.field.link.Unit.silent", lambda self, now_ns: False)
        monkeypatch.setattr("collector.field.link.LinkTask._keep_silence", lambda self, now_ns: None)
    held, words, _, _ = await decision_stops(module)
    assert not held
    assert words == "still fed"


async def left_alone(module):
    """Fresh decisions go on, but name the module: it gets no request and releases. True: so it was."""
    module.behave = rightly
    async with running(stages(module)) as field:
        decider = await energised(module, field, Decider(field, 0.05, stage1=True, stage2=True))
        decider.leave_alone = frozenset({"R1"})
        try:
            await asyncio.wait_for(module.released.wait(), 1.0 + 1.0)
        except TimeoutError:
            await decider.stop()
            return False
        assert "left alone" in field.snapshot().devices["R1"]
        decider.leave_alone = frozenset()
        await until(lambda: relay(field).link_ok and relay(field).energised)
        await decider.stop()
    return True


async def test_a_module_that_the_decision_leaves_alone_gets_no_request(module):
    assert await left_alone(module)


async def test_control_of_leaving_alone(module, monkeypatch):
    monkeypatch.setattr(Bank, "left_alone", property(lambda self: False))
    assert not await left_alone(module)


async def test_sensors_behind_the_same_link_go_on(module):
    """One gateway, the relay module as unit 2: it is kept silent, unit 1 is read on a new connection."""
    coils = module.units[1]
    module.units = {1: Memory(input={0: 200}), 2: coils}
    settings = station(
        [link(module.port)],
        [device(), device("R1", unit=2, relay_module=MODULE)],
        [reg(0)],
        {"stage1": ("R1", 0), "stage2": ("R1", 1)},
        {"stage1": contact(0, "R1")},
        decision_max_age_s=MAX_AGE_S, cycle_s=0.1,
    )  # fmt: skip
    async with running(settings) as field:
        decider = Decider(field, 0.05, stage1=True, stage2=True)
        await until(lambda: relay(field).energised)
        await decider.stop()
        await until(lambda: module.connections == 2)
        at = len(module.log)
        await until(lambda: len(module.log) > at + 6)
        assert all(req.unit == 1 for req in module.log[at:])
        assert reading(field).quality.is_good
        # a fresh decision opens it again, outputs are read first
        mark = len(module.log)
        decider = Decider(field, 0.05, stage1=True, stage2=True)
        await until(lambda: relay(field).link_ok and relay(field).energised)
        await decider.stop()
    own = [req for req in module.log[mark:] if req.unit == 2]
    assert own[0].function == 1


async def test_no_decision_ever_ends_in_silence(module):
    """A hung engine must not keep alive what an earlier run energised."""
    module.memory.coils[0] = 1
    async with running(stages(module, start_grace_s=0.5)):
        await asyncio.wait_for(module.released.wait(), 5.0)
    assert not module.writes


async def release_writes_nothing_more(module):
    """After release_all every output is 0 by the module's own memory and no write of 1 follows."""
    async with running(stages(module)) as field:
        decider = Decider(field, 0.05, stage1=True, stage2=True, **{"contact.device_fault": True})
        await energised(module, field, decider)
        await until(lambda: relay(field, "contact.device_fault").energised)
        mark = len(module.log)
        done = await field.release_all(3.0)
        seen = decider.sequence
        await until(lambda: decider.sequence > seen + 4)
        await decider.stop()
        ones = [req for req in module.log[mark + 1 :] if any(req.bits)]
        return done and not ones and not any(module.memory.coils.values()), relay(field)


async def test_release_all_is_confirmed_and_final(module):
    good, status = await release_writes_nothing_more(module)
    assert good
    assert status.energised is False
    assert module.writes[-1].bits.count(1) == 0


async def test_control_of_the_release(module, monkeypatch):
    """With a release that only forgets to stop the decisions, the check turns red."""

    def release(self, now_ns):
        self._asked = None
        self.released = True

    monkeypatch.setattr(Bank, "release", release)
    monkeypatch.setattr(Bank, "silent", lambda self, now_ns: False)
    good, _ = await release_writes_nothing_more(module)
    assert not good


async def test_release_all_tells_when_it_is_not_confirmed(module):
    async with running(stages(module)) as field:
        decider = await energised(module, field, Decider(field, 0.05, stage1=True, stage2=True))

        def stuck(peer, req):
            pdu = peer.device.memory.serve(req)
            peer.device.memory.coils[0] = 1
            peer.reply(req, pdu)

        module.behave = stuck
        assert await field.release_all(0.6) is False
        module.behave = silently
        assert await field.release_all(0.4) is False
        await decider.stop()


async def test_release_all_before_any_decision_and_with_the_link_down(module):
    """Outputs adopted energised are released too; for a module that is away the deadline holds."""
    module.memory.coils.update({0: 1, 6: 1})
    async with running(stages(module)) as field:
        await until(lambda: field.snapshot().polled)
        assert await field.release_all(2.0) is True
        assert not any(module.memory.coils.values())
    async with running(stages(module)) as field:
        await module.stop()
        start = time.monotonic()
        assert await field.release_all(0.5) is False
        assert time.monotonic() - start < 2.0


async def test_written_but_reads_back_different(module):
    """The write is acknowledged, the coil does not follow: said, and written again with every refresh."""

    def stuck(peer, req):
        pdu = peer.device.memory.serve(req)
        peer.device.memory.coils[0] = 0
        peer.reply(req, pdu)

    module.behave = stuck
    async with running(stages(module)) as field:
        decider = Decider(field, 0.05, stage1=True, stage2=True)
        await until(lambda: "reads back 0" in relay(field).reason)
        status = relay(field)
        assert (status.energised, status.link_ok, status.foreign) == (False, True, False)
        assert relay(field, "stage2").reason == ""
        at = len(module.writes)
        await until(lambda: len(module.writes) > at + 3)
        module.behave = rightly
        await until(lambda: relay(field).energised and not relay(field).reason)
        await decider.stop()


async def test_foreign_write_is_seen_and_overwritten(module):
    async with running(stages(module)) as field:
        decider = await energised(module, field, Decider(field, 0.1, stage1=True, stage2=True))
        module.memory.coils[0] = 0  # another master
        await until(lambda: relay(field).foreign)
        assert "another master" in relay(field).reason
        assert not relay(field, "stage2").foreign
        await until(lambda: module.memory.coils[0] == 1)
        await until(lambda: not relay(field).foreign and not relay(field).reason)
        await decider.stop()


async def test_link_lost_and_back_reads_outputs_first(module):
    async with running(stages(module)) as field:
        decider = await energised(module, field, Decider(field, 0.1, stage1=True, stage2=True))
        port = module.port
        await module.stop()
        await until(lambda: not relay(field).link_ok)
        assert relay(field).energised is None
        await asyncio.wait_for(module.released.wait(), 5.0)
        mark = len(module.log)
        module.port = port
        await module.start()
        await until(lambda: relay(field).link_ok and relay(field).energised)
        assert not relay(field).foreign, "its own release is no foreign write"
        await decider.stop()
    assert next(req.function for req in module.log[mark:] if req.function != 2) == 1


async def test_release_settings_are_verified(module):
    register = {"device": "R1", "table": "holding_register", "type": "uint16"}
    wanted = {
        "timeout_register": {**register, "address": 100}, "timeout_value": 10,
        "safe_state_register": {**register, "address": 101}, "safe_state_value": 0,
        "power_on_register": {**register, "address": 777}, "power_on_value": 0,
    }  # fmt: skip
    async with running(stages(module, wanted)) as field:
        status = relay(field)
        assert (status.verified, status.reason) == (True, "not read yet"), "nothing is known to differ"
        decider = Decider(field, 0.1, stage1=True, stage2=True)
        await until(lambda: relay(field).energised)
        await until(lambda: "module timeout" in relay(field).reason and "power-on" in relay(field).reason)
        status = relay(field)
        assert not status.verified
        assert "the module holds 0, the settings say 10" in status.reason
        assert "power-on state: cannot be read, exception 2" in status.reason
        assert "safe state" not in status.reason
        module.memory.holding.update({100: 10, 777: 0})
        await until(lambda: relay(field).verified and not relay(field).reason)
        await decider.stop()


async def test_busy_module_is_written_all_the_same_later(module):
    async with running(stages(module)) as field:
        decider = await energised(module, field, Decider(field, 0.1, stage1=True, stage2=True))
        module.once += [lambda p, r: p.reply(r, exception(r, 6))] * 3
        await until(lambda: not module.once)
        decider.energise["T1.stage1"] = False
        await until(lambda: relay(field).energised is False and not relay(field).reason)
        await decider.stop()
    assert not module.releases


async def test_outputs_that_cannot_be_read_are_never_written(module):
    module.behave = lambda p, r: p.reply(r, exception(r, 1) if r.function == 1 else None)
    async with running(stages(module)) as field:
        decider = Decider(field, 0.05, stage1=True, stage2=True)
        await until(lambda: "outputs cannot be read: exception 1" in relay(field).reason)
        seen = decider.sequence
        await until(lambda: decider.sequence > seen + 5)
        await decider.stop()
    assert not module.writes


@pytest.mark.parametrize("missing", [5, 15])
async def test_module_that_lacks_a_write_function(module, missing):
    """No FC 15: coil by coil. No FC 5: FC 15 for one coil too. Once found out, not asked again."""
    module.behave = lambda p, r: p.reply(r, exception(r, 1) if r.function == missing else None)
    async with running(stages(module)) as field:
        decider = Decider(field, 0.05, stage1=True, stage2=True, **{"contact.device_fault": True})
        await until(lambda: all(status.energised for status in field.snapshot().relays.values()))
        assert not relay(field).reason
        assert await field.release_all(2.0)
        await decider.stop()
    assert sum(req.function == missing for req in module.log) == 1


async def test_two_devices_in_the_settings_that_are_one_unit(module):
    """A second mapping of the module's unit is kept silent with it: its polls would feed the module."""
    module.memory.input[0] = 200
    settings = station(
        [link(module.port)],
        [device(), device("R1", relay_module=MODULE)],
        [reg(0)],
        {"stage1": ("R1", 0)},
        decision_max_age_s=MAX_AGE_S,
        cycle_s=0.1,
    )
    async with running(settings) as field:
        decider = Decider(field, 0.05, stage1=True)
        await until(lambda: relay(field).energised and reading(field).quality.is_good)
        await decider.stop()
        await asyncio.wait_for(module.released.wait(), 5.0)


async def test_module_that_closes_when_idle_is_not_lost(module):
    """Each refresh needs a new connection: outputs are read first, the module does not count as lost."""
    seen = []
    async with running(stages(module, {"timeout_s": 3.0})) as field:
        decider = Decider(field, 0.2, stage1=True, stage2=True)
        await until(lambda: relay(field).energised and relay(field, "stage2").energised)
        for _ in range(5):
            mark = len(module.log)
            module.drop_all()
            await until(lambda mark=mark: seen.append(relay(field)) or any(r.bits for r in module.log[mark:]))
            assert module.log[mark].function in (1, 2)
        await decider.stop()
    assert not [status for status in seen if not status.link_ok or status.foreign]
    assert not module.releases


async def test_reload_keeps_outputs_and_releases_dropped_coils(module):
    async with running(stages(module)) as field:
        decider = Decider(field, 0.05, stage1=True, stage2=True, **{"contact.device_fault": True})
        await until(lambda: relay(field, "contact.device_fault").energised and relay(field).energised)
        same = stages(module)
        await field.apply(same)
        await until(lambda: len(module.writes) > 10)
        assert module.connections == 1
        mark = len(module.writes)
        # the contact is no longer named: written 0; the stages are never released on the way
        await field.apply(stages(module, more={"contacts": {}}))
        assert relay(field).link_ok
        assert relay(field).energised
        await until(lambda: module.memory.coils[6] == 0)
        await until(lambda: len(module.writes) > mark + 6)
        await decider.stop()
    later = [req for req in module.writes[mark:] if req.address == 0]
    assert all(req.bits == (1, 1) for req in later)
    assert not module.releases


async def test_old_decision_never_replaces_a_newer(module):
    async with running(stages(module)) as field:
        now = time.monotonic_ns()
        field.offer(Decision(2, now, {"T1.stage1": True}))
        field.offer(Decision(1, now - 1, {"T1.stage1": False}))
        await until(lambda: relay(field).energised)
    assert [req.bits for req in module.writes] == [(1,)] * len(module.writes)


async def test_relay_module_behind_a_dead_neighbour(module):
    """A dead sensor on the same link costs the refresh at most its time-out: the module never releases."""
    coils = module.units[1]
    module.units = {1: Memory(input={0: 200}), 2: coils}
    settings = station(
        [link(module.port, timeout_s=0.2)],
        [device(unit=9), device("R1", unit=2, relay_module=MODULE)],
        [reg(0)],
        {"stage1": ("R1", 0)},
        decision_max_age_s=MAX_AGE_S, cycle_s=0.1,
    )  # fmt: skip
    async with running(settings) as field:
        decider = Decider(field, 0.1, stage1=True)
        await until(lambda: sum(req.unit == 9 for req in module.log) >= 4, 20.0)
        await decider.stop()
    assert not module.releases


async def test_over_rtu_too(module):
    """The same module with RTU frames over TCP."""
    rtu = await RawRelayModule(timeout_s=1.0, rtu=True).start()
    rtu.memory.discrete[0] = 1
    rtu.sensor = module.sensor
    try:
        async with running(stages(rtu, links={"type": "rtu_over_tcp", "late_answer_s": 0.1})) as field:
            decider = Decider(field, 0.1, stage1=True, stage2=True)
            await until(lambda: relay(field).energised)
            await until(lambda: field.snapshot().readings["T1.stage1.feedback"].value == 1.0)
            assert await field.release_all(2.0)
            await decider.stop()
    finally:
        await rtu.stop()
    assert not any(rtu.memory.coils.values())
