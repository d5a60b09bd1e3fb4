"""Who a device is, on a raw socket: another one in its place is found out, nothing of it counts.

Controls: the same exchange without `identity`, or with the mechanism taken out, where it goes unnoticed.
"""

from __future__ import annotations

import time

import pytest
from field_help import Decider, contact, device, link, reading, reg, running, station, until
from field_raw import RawDevice, RawRelayModule, exception

from collector.field.codec import Place, Spec, text
from collector.field.identity import Identity
from collector.quality import Detail

RIGHT, OTHER = "SN-0815/a", "SN-4711/b"


def letters(words: str, registers: int = 6, filler: bytes = b"\0") -> dict[int, int]:
    """A text as most makers store it: two characters a register, the first one high."""
    data = words.encode().ljust(2 * registers, filler)
    return {200 + i: data[2 * i] * 256 + data[2 * i + 1] for i in range(registers)}


def who(expected: str | None = RIGHT, dev: str = "D1", **more):
    keys = {"registers": 6} if "type" not in more else {}
    return {"identity": {"device": dev, "table": "holding_register", "address": 200, "expected": expected,
                         **keys, **more}}  # fmt: skip


@pytest.fixture
async def raw():
    made = await RawDevice(input={0: 45}, holding=letters(RIGHT)).start()
    yield made
    await made.stop()


def sensor(raw, **keys):
    return station([link(raw.port)], [device(**keys)], [reg(0)])


async def exchanged(raw, holding):
    """Another device takes its place: the connection ends, and who answers now is another."""
    raw.drop_all()
    raw.port, old = 0, raw.port
    await raw.stop()
    raw.memory.holding.clear()
    raw.memory.holding.update(holding)
    raw.memory.input[0] = 99
    raw.port = old
    await raw.start()


@pytest.mark.parametrize("named", [True, False], ids=["identity", "control"])
async def test_another_device_in_its_place(raw, named):
    async with running(sensor(raw, **(who() if named else {}))) as field:
        await until(lambda: reading(field).value == 45.0)
        assert field.snapshot().identities == ({"D1": RIGHT} if named else {})
        await exchanged(raw, letters(OTHER))
        if not named:
            await until(lambda: reading(field).value == 99.0)
            return
        await until(lambda: "another device" in field.snapshot().devices["D1"])
        asked = len(raw.log)
        await until(lambda: len(raw.log) > asked + 5)
        got = field.snapshot()
        assert got.devices["D1"] == f"another device: it says {OTHER}, right is {RIGHT}"
        assert got.identities == {"D1": OTHER}
        assert (got.readings["T1.top_oil_c"].value, got.readings["T1.top_oil_c"].quality.detail) == (
            None, Detail.FAILURE
        )  # fmt: skip
        assert got.readings["T1.top_oil_c"].reason == got.devices["D1"]
        # The right one is put back while the connection lives on (behind a gateway): found with a poll.
        raw.memory.holding.update(letters(RIGHT))
        raw.memory.input[0] = 46
        await until(lambda: reading(field).value == 46.0)
        assert field.snapshot().devices["D1"] == ""


async def test_first_of_all_on_a_connection(raw):
    """Not one value is asked for before it is known who answers; then not again until the next connection."""
    async with running(sensor(raw, **who())) as field:
        for number in range(1, 8):
            await until(lambda n=number: raw.log and raw.log[-1].connection == n and raw.log[-1].address == 0)
            raw.drop_all()
        assert reading(field).quality.is_good
    for number in range(1, 8):
        first, *later = [req.address for req in raw.log if req.connection == number]
        assert (first == 200) == (number < 6)  # then it is known that it closes in order, and is the same
        assert 200 not in later


async def test_a_number_and_one_without_expectation(raw):
    raw.memory.holding.update({200: 0x0001, 201: 0x86A1})
    for keys in ({"expected": "100001"}, {"expected": None}):
        async with running(sensor(raw, **who(type="uint32", **keys))) as field:
            await until(lambda: reading(field).value == 45.0)
            assert field.snapshot().identities == {"D1": "100001"}
    async with running(sensor(raw, **who("100002", type="uint32"))) as field:
        await until(lambda: "100001, right is 100002" in field.snapshot().devices["D1"])
        assert reading(field).value is None


async def test_without_its_register_nobody_is_right(raw):
    """Refused twice, it is a fault; busy or still zero, it is waited for."""
    raw.memory.holding.clear()
    async with running(sensor(raw, **who())) as field:
        await until(lambda: "identity cannot be read: exception 2" in field.snapshot().devices["D1"])
        assert reading(field).value is None
    raw.memory.holding.update(dict.fromkeys(range(200, 206), 0))
    async with running(sensor(raw, **who())) as field:
        await until(lambda: len(raw.log) > 8)
        assert field.snapshot().devices["D1"] == ""
        assert "has not been read on this connection yet" in reading(field).reason
        raw.behave = lambda peer, req: peer.reply(req, exception(req, 6) if req.address == 200 else None)
        raw.memory.holding.update(letters(RIGHT))
        asked = len(raw.log)
        await until(lambda: len(raw.log) > asked + 4)
        assert reading(field).value is None
        raw.behave = lambda peer, req: peer.reply(req)
        await until(lambda: reading(field).value == 45.0)


@pytest.mark.parametrize("hindered", [False, True], ids=["", "control"])
@pytest.mark.parametrize("expected", [RIGHT, None], ids=["expected", "as at first"])
async def test_another_relay_module_holds_nothing_off(monkeypatch, expected, hindered):
    """Judged by the module in its place: not one of its coils is ever energised."""
    if hindered:
        monkeypatch.setattr(Identity, "trusted", True)
    module = await RawRelayModule(timeout_s=30.0).start()
    module.memory.holding.update(letters(RIGHT))
    module.memory.discrete[0] = 0
    sensor = await RawDevice(input={0: 45}).start()
    settings = station(
        [link(sensor.port), {**link(module.port), "id": "L2"}],
        [device(), device("R1", link="L2", relay_module={"released_by": "module_timeout", "timeout_s": 30.0},
                          **who(expected, "R1"))],
        [reg(0)], {"stage1": ("R1", 0)}, {"stage1": contact(0, "R1")}, start_grace_s=20.0,
    )  # fmt: skip
    async with running(settings) as field:
        await until(lambda: field.snapshot().polled)
        decider = Decider(field, 0.05, stage1=True)
        await until(lambda: field.snapshot().relays["T1.stage1"].energised)
        port, module.port = module.port, 0
        await module.stop()
        module.memory.holding.update(letters(OTHER))
        module.memory.coils.update({0: 0})
        module.port = port
        swapped = time.monotonic()
        await module.start()
        await until(lambda: "another device" in field.snapshot().devices["R1"])
        asked = len(module.log)
        await until(lambda: len(module.log) > asked + 10)
        energised = [req for req in module.writes if req.at > swapped and any(req.bits)]
        assert bool(energised) == hindered
        if hindered:
            monkeypatch.undo()
        # The right one is back: held off again, as decided.
        module.memory.holding.update(letters(RIGHT))
        await until(lambda: field.snapshot().devices["R1"] == "" and module.memory.coils[0] == 1)
        await decider.stop()
    await module.stop()
    await sensor.stop()


def test_one_lost_answer_releases_nothing():
    who_is = Identity(device_of(), 0)
    request = who_is.request(0)
    assert request is not None
    from collector.field.wire import Answer

    who_is.took(Answer(words=tuple(letters(RIGHT).values())), 0)
    assert who_is.trusted
    who_is.again(1, was_away=True)
    who_is.took(Answer(failure="no answer within 1 s", silent=True), 1)
    assert who_is.trusted
    assert who_is.doubt
    who_is.took(Answer(failure="no answer within 1 s", silent=True), 2)
    assert not who_is.trusted
    who_is.took(Answer(words=tuple(letters(RIGHT).values())), 3)
    assert who_is.trusted
    assert not who_is.doubt


def device_of():
    return station([link(502)], [device(**who())], [reg(0)]).devices[0]


@pytest.mark.parametrize(
    ("held", "byte_order", "said"),
    [
        (b"SN-0815/a\0\0\0", "big", "SN-0815/a"),
        (b"SN-0815/a   ", "big", "SN-0815/a"),
        (b"NS0-18/5\0a\0\0", "little", "SN-0815/a"),
        (b"SN-0815\xff\xff\xff\xff\xff", "big", "SN-0815"),
        (b"\0" * 12, "big", ""),
        (b"SN\x07-0815\xc3\xa4", "big", ""),
    ],
)
def test_texts(held, byte_order, said):
    words = [held[2 * i] * 256 + held[2 * i + 1] for i in range(len(held) // 2)]
    spec = Spec(Place("holding_register", 200, len(words)), "text", byte_order=byte_order)
    got, why = text(spec, words)
    assert got == said
    assert bool(why) == (not said)
