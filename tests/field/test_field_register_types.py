"""Register types that integrators meet: 64 bits, BCD, sign and magnitude, bit fields, scale registers.

What a device on a raw socket holds is written here with integer arithmetic alone; the codec is asked
nothing. Beside each right mapping stands the nearest one without the key, which must not give the value
(the control).
"""

from __future__ import annotations

import asyncio
import struct

import pytest
from field_help import device, link, reading, reg, running, station, until
from field_raw import RawDevice
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from collector.field.codec import Place, ScaleFrom, Spec, decode, encode
from collector.field.scales import Scales
from collector.quality import Detail
from collector.settings.registers import WORDS

ORDERS = ["big", "little"]


# --- an encoder of its own ------------------------------------------------------------------------


def registers_of(number: int, count: int, byte_order: str = "big", word_order: str = "big") -> list[int]:
    """``number``, not negative, as ``count`` registers."""
    words = []
    for _ in range(count):
        number, word = divmod(number, 65536)
        words.insert(0, word)
    assert number == 0
    if byte_order == "little":
        words = [word // 256 + word % 256 * 256 for word in words]
    return words if word_order == "big" else words[::-1]


def as_bcd(number: int) -> int:
    return sum(int(digit) * 16**place for place, digit in enumerate(reversed(str(number))))


def as_sign_magnitude(number: int, width: int) -> int:
    return -number + 2 ** (width - 1) if number < 0 else number


def as_twos_complement(number: int, width: int) -> int:
    return number % 2**width


# --- every type against it, and against pymodbus ----------------------------------------------------


@st.composite
def numbers(draw):
    """(type, number, the pattern that holds it)."""
    kind = draw(st.sampled_from(["int", "uint", "bcd", "sign_magnitude"]))
    if kind == "bcd":
        digits = draw(st.sampled_from([4, 8]))
        number = draw(st.integers(0, 10**digits - 1))
        return f"bcd{4 * digits}", number, as_bcd(number)
    width = draw(st.sampled_from([16, 32] if kind == "sign_magnitude" else [16, 32, 64]))
    most = 2 ** min(width - (kind != "uint"), 53) - 1  # a float holds no more
    number = draw(st.integers(0 if kind == "uint" else -most, most))
    return f"{kind}{width}", number, (
        as_sign_magnitude(number, width) if kind == "sign_magnitude" else as_twos_complement(number, width)
    )  # fmt: skip


@given(numbers(), st.sampled_from(ORDERS), st.sampled_from(ORDERS))
def test_every_integer_type_in_every_order(made, byte_order, word_order):
    type_, number, pattern = made
    words = registers_of(pattern, WORDS[type_], byte_order, word_order)
    how = Spec(
        Place("holding_register", 0, WORDS[type_]), type_, byte_order=byte_order, word_order=word_order
    )
    got = decode(how, words)
    assert (got.value, str(got.quality)) == (number, "good")
    assert encode(how, number) == tuple(words)


@pytest.mark.parametrize("word_order", ORDERS)
@pytest.mark.parametrize(
    "type_", ["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
)
@given(data=st.data())
def test_as_pymodbus_writes_it(type_, word_order, data):
    if type_.startswith("float"):
        number = data.draw(st.floats(-(2.0**100), 2.0**100, width=int(type_[5:])))
    else:
        width = int(type_.strip("uint"))
        most = 2 ** min(width - (type_[0] != "u"), 53) - 1
        number = data.draw(st.integers(-most if type_[0] == "i" else 0, most))
    kind = ModbusClientMixin.DATATYPE[type_.upper()]
    words = ModbusClientMixin.convert_to_registers(number, kind, word_order)
    how = Spec(Place("holding_register", 0, WORDS[type_]), type_, word_order=word_order)
    assert decode(how, words).value == number
    assert encode(how, number) == tuple(words)


@given(st.data())
def test_bit_fields(data):
    """Also signed, also across the two registers of a 32-bit value, whatever stands beside them."""
    width = data.draw(st.sampled_from([16, 32]))
    first = data.draw(st.integers(0, width - 1))
    last = data.draw(st.integers(first, width - 1))
    signed = data.draw(st.booleans())
    many = 2 ** (last - first + 1)
    number = data.draw(
        st.integers(-many // 2, many // 2 - 1) if signed and many > 1 else st.integers(0, many - 1)
    )
    field = as_twos_complement(number, last - first + 1)
    beside = data.draw(st.integers(0, 2**width - 1))
    holds = beside // (many * 2**first) * (many * 2**first) + field * 2**first + beside % 2**first
    order = data.draw(st.sampled_from(ORDERS))
    type_ = f"{'' if signed else 'u'}int{width}"
    how = Spec(Place("holding_register", 0, width // 16), type_, word_order=order, bits=(first, last))
    assert decode(how, registers_of(holds, width // 16, word_order=order)).value == number
    assert encode(how, number) == tuple(registers_of(field * 2**first, width // 16, word_order=order))


@given(st.integers(0, 0xFFFFFFFF), st.sampled_from(["bcd16", "bcd32"]))
def test_bcd_is_a_number_or_invalid(pattern, type_):
    """A digit above 9 is no number, and never a value."""
    pattern %= 16 ** (4 * WORDS[type_])
    digits = [pattern // 16**place % 16 for place in range(4 * WORDS[type_])]
    got = decode(Spec(Place("holding_register", 0, WORDS[type_]), type_), registers_of(pattern, WORDS[type_]))
    if max(digits) <= 9:
        assert got.value == sum(digit * 10**place for place, digit in enumerate(digits))
    else:
        assert got.value is None
        assert got.quality.detail == Detail.FAILURE
        assert "a digit above 9" in got.reason


@pytest.mark.parametrize(
    ("type_", "value"),
    [("bcd16", 10000), ("bcd16", -1), ("sign_magnitude16", 32768), ("sign_magnitude16", -32768),
     ("uint64", -1), ("int64", 2.0**63), ("bcd32", 1e8)],
)  # fmt: skip
def test_what_does_not_fit_is_not_encoded(type_, value):
    with pytest.raises(OverflowError, match="does not fit"):
        encode(Spec(Place("holding_register", 0, WORDS[type_]), type_), value)


def test_minus_zero_is_zero():
    how = Spec(Place("holding_register", 0, 1), "sign_magnitude16", scale=0.1)
    got = decode(how, (0x8000,))
    assert str(got.value) == "0.0"
    assert encode(how, 0.0) == (0,)


@pytest.mark.parametrize(
    ("type_", "sentinel", "words"),
    [
        ("bcd16", 65535.0, (0xFFFF,)),
        ("bcd16", 9999.0, (0x9999,)),
        ("sign_magnitude16", 32768.0, (0x8000,)),
        ("int64", float(2**63 - 1), (0x7FFF, 0xFFFF, 0xFFFF, 0xFFFF)),
        ("int64", float(-(2**63)), (0x8000, 0, 0, 0)),
        ("uint64", float(2**64 - 1), (0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF)),
    ],
)
def test_sentinels_of_these_types(type_, sentinel, words):
    got = decode(Spec(Place("holding_register", 0, WORDS[type_]), type_, sentinels=(sentinel,)), words)
    assert got.value is None
    assert "sentinel" in got.reason


@given(st.integers(-32768, 32767), st.integers(-10, 10), st.sampled_from([1.0, 0.5]))
def test_scale_register_is_the_decimal_that_a_person_reads(raw, power, scale):
    exponent = Spec(Place("holding_register", 9, 1), "int16")
    how = Spec(
        Place("holding_register", 0, 1), "int16", scale=scale, scale_from=ScaleFrom(exponent, "power_of_ten")
    )
    words, said = registers_of(raw % 65536, 1), registers_of(power % 65536, 1)
    right = float(f"{raw}e{power}") * scale  # times 1 or a half: exact
    assert decode(how, words, said).value == right
    assert encode(how, right, said) == tuple(words)
    assert decode(how, words).value is None  # never by a scale that was not read


# --- on the wire ------------------------------------------------------------------------------------

#: name -> registers from 0 on, right mapping, what they hold, nearest mapping without the key.
CASES = {
    "int64": (
        registers_of(as_twos_complement(-1234567, 64), 4), {"type": "int64"}, -1234567, {"type": "int32"}
    ),
    "uint64, words swapped": (
        registers_of(5_000_000_000, 4, word_order="little"),
        {"type": "uint64", "word_order": "little"},
        5_000_000_000,
        {"type": "uint32", "word_order": "little"},
    ),
    "bcd16": (
        registers_of(as_bcd(695), 1), {"type": "bcd16", "scale": 0.1}, 69.5, {"type": "uint16", "scale": 0.1}
    ),
    "bcd32": (registers_of(as_bcd(123456), 2), {"type": "bcd32"}, 123456, {"type": "uint32"}),
    "sign_magnitude16": (
        registers_of(as_sign_magnitude(-125, 16), 1),
        {"type": "sign_magnitude16", "scale": 0.1},
        -12.5,
        {"type": "int16", "scale": 0.1},
    ),
    "sign_magnitude32": (
        registers_of(as_sign_magnitude(-125, 32), 2), {"type": "sign_magnitude32"}, -125, {"type": "int32"}
    ),
    "bits": (
        [0b1010_0101_1011_0110], {"type": "uint16", "bits": [4, 10]}, 0b1011011, {"type": "uint16"}
    ),
    "bits, signed": ([0b1111_1100_0000_0000], {"type": "int16", "bits": [10, 15]}, -1, {"type": "int16"}),
    "scale register, power of ten": (
        [695, 0, 65535],
        {"type": "int16", "scale_register": {"means": "power_of_ten", "type": "int16", "address": 2}},
        69.5,
        {"type": "int16"},
    ),
    "scale register, multiplier": (
        [695, *struct.unpack(">2H", struct.pack(">f", 0.125))],
        {"type": "int16", "scale_register": {"means": "multiplier", "type": "float32", "address": 1}},
        86.875,
        {"type": "int16"},
    ),
}  # fmt: skip


def on_device(mapping):
    scale = mapping.get("scale_register")
    if scale is None:
        return mapping
    return mapping | {"scale_register": {"device": "D1", "table": "input_register", **scale}}


@pytest.mark.parametrize("name", CASES)
async def test_a_device_that_needs_it(name):
    words, mapping, value, without = CASES[name]
    raw = await RawDevice(input=dict(enumerate(words))).start()
    for how, right in ((mapping, True), (without, False)):
        async with running(station([link(raw.port)], [device()], [reg(0, **on_device(how))])) as field:
            await until(lambda: reading(field).quality.is_good)
            assert (reading(field).value == value) == right
    await raw.stop()


async def test_no_number_in_bcd_is_invalid():
    raw = await RawDevice(input={0: 0x069F}).start()
    async with running(station([link(raw.port)], [device()], [reg(0, type="bcd16")])) as field:
        await until(lambda: field.snapshot().polled)
        assert reading(field).quality.detail == Detail.FAILURE
        raw.memory.input[0] = 0x0695
        await until(lambda: reading(field).value == 695.0)
    await raw.stop()


def scaled(**more):
    scale = {
        "device": "D1",
        "table": "input_register",
        "address": 50,
        "type": "int16",
        "means": "power_of_ten",
    }
    return reg(0, type="int16", scale_register={**scale, **more})


@pytest.mark.parametrize(
    ("held", "keys", "words"),
    [
        ({}, {}, "its scale register was not read in the same poll"),
        ({50: 0x8000}, {"sentinels": [-32768.0]}, "its scale register: sentinel 0x8000"),
        ({50: 99}, {}, "99, which is no power of ten"),
        ({50: 0}, {"means": "multiplier"}, "0, which makes every value the same"),
    ],
    ids=["not there", "no value", "no exponent", "zero"],
)
async def test_without_a_usable_scale_there_is_no_value(held, keys, words):
    raw = await RawDevice(input={0: 695, **held}).start()
    async with running(station([link(raw.port)], [device()], [scaled(**keys)])) as field:
        await until(lambda: words in reading(field).reason)
        assert reading(field).value is None
        raw.memory.input[50] = 65535 if not keys.get("means") else 2
        if held:  # (a register that is not there is asked for again only after a while)
            await until(lambda: reading(field).quality.is_good)
    await raw.stop()


async def test_a_scale_that_is_lost_is_not_remembered():
    """It was read for a time, and then answers an exception: its last word counts no longer."""
    raw = await RawDevice(input={0: 695, 50: 65535}).start()
    async with running(station([link(raw.port)], [device()], [scaled()])) as field:
        await until(lambda: reading(field).value == 69.5)
        raw.behave = lambda peer, req: peer.reply(req, b"\x84\x04" if req.address == 50 else None)
        await until(lambda: "scale register" in reading(field).reason)
        asked = len(raw.log)
        await until(lambda: len(raw.log) > asked + 6 or reading(field).quality.is_good)
        assert not reading(field).quality.is_good
        raw.behave = lambda peer, req: peer.reply(req)
        await until(lambda: reading(field).value == 69.5)
    await raw.stop()


def with_whatever_scale_is_known(self, words, asked_ns):
    """The mechanism taken out: the scale that was read last, whenever that was."""
    self._known.update({place: words[place] for place in words if place in set(self.scale_of.values())})
    scales = {p: self._known[self.scale_of[p]] for p in words if self.scale_of.get(p) in self._known}
    from collector.field.scales import Scalable

    return [Scalable(words, scales, asked_ns)]


@pytest.mark.parametrize("hindered", [False, True], ids=["", "control"])
@pytest.mark.parametrize("every", [3, 5])
async def test_a_device_that_changes_its_range(monkeypatch, every, hindered):
    """69.5 is sent as 695 tenths or 6950 hundredths, another way after every so many requests.

    One that changes twice between two of our requests cannot be found out: value and scale must then stand
    in one request (below).
    """
    if hindered:
        monkeypatch.setattr(Scales, "take", with_whatever_scale_is_known)
    raw = await RawDevice(input={0: 695, 50: 65535}).start()

    def ranging(peer, req):
        peer.reply(req)
        if len(raw.log) % every == 0:
            fine = raw.memory.input[0] == 695
            raw.memory.input.update({0: 6950, 50: 65534} if fine else {0: 695, 50: 65535})

    raw.behave = ranging
    seen = set()
    async with running(station([link(raw.port)], [device(poll_s=0.1)], [scaled()])) as field:
        while len(raw.log) < 30:
            seen.add(reading(field).value)
            await asyncio.sleep(0.005)
    await raw.stop()
    wrong = seen - {69.5, None}
    assert bool(wrong) == hindered
    assert 69.5 in seen


async def test_value_and_scale_in_one_request_need_no_second_look():
    raw = await RawDevice(input=dict.fromkeys(range(51), 0) | {0: 695, 50: 65535}).start()
    async with running(station([link(raw.port)], [device(max_gap=50)], [scaled()])) as field:
        await until(lambda: reading(field).value == 69.5)
        assert len({req.address for req in raw.log}) == 1
    await raw.stop()
