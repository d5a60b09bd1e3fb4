"""The register codec: every type and order, sentinels, ranges, currents, references; round trips."""

from __future__ import annotations

import math
import struct
from decimal import Decimal
from itertools import product

import pytest
from field_help import contact, device, link, reg, station
from hypothesis import given
from hypothesis import strategies as st

from collector.field.codec import (
    WORDS,
    Decoded,
    Place,
    Spec,
    decode,
    encode,
    place_of,
    spec,
    split_reference,
    station_specs,
    type_of,
)
from collector.quality import Detail
from collector.settings.model import BoolInput, Count, Current, Device, Register, Temperature

D = Device(id="D1", number=1, link="L1")
NUMERIC = [name for name in WORDS if name != "bool"]
ORDERS = ["big", "little"]


def plain(type_="int16", **more):
    table = more.pop("table", "holding_register")
    return Spec(Place(table, 0, WORDS[type_]), type_, **more)


# 1234567 = 0x0012D687, and 23.5 as float32 = 0x41BC0000: bytes worked out by hand.
@pytest.mark.parametrize(
    ("type_", "byte_order", "word_order", "words", "value"),
    [
        ("int16", "big", "big", (0xFF38,), -200),
        ("int16", "little", "big", (0x38FF,), -200),
        ("uint16", "big", "big", (0xFF38,), 65336),
        ("int32", "big", "big", (0x0012, 0xD687), 1234567),
        ("int32", "big", "little", (0xD687, 0x0012), 1234567),
        ("int32", "little", "big", (0x1200, 0x87D6), 1234567),
        ("int32", "little", "little", (0x87D6, 0x1200), 1234567),
        ("int32", "big", "big", (0xFFFF, 0xFFFE), -2),
        ("uint32", "big", "big", (0xFFFF, 0xFFFE), 4294967294),
        ("float32", "big", "big", (0x41BC, 0x0000), 23.5),
        ("float32", "big", "little", (0x0000, 0x41BC), 23.5),
        ("float32", "little", "big", (0xBC41, 0x0000), 23.5),
        ("float32", "little", "little", (0x0000, 0xBC41), 23.5),
        ("float64", "big", "big", (0x4037, 0x8000, 0, 0), 23.5),
        ("float64", "little", "little", (0, 0, 0x0080, 0x3740), 23.5),
        # 0x0001_0002_0003_0004: the four words in either order, the bytes of each in either.
        ("uint64", "big", "big", (1, 2, 3, 4), 281483566841860),
        ("uint64", "big", "little", (4, 3, 2, 1), 281483566841860),
        ("uint64", "little", "big", (0x100, 0x200, 0x300, 0x400), 281483566841860),
        ("uint64", "little", "little", (0x400, 0x300, 0x200, 0x100), 281483566841860),
        ("int64", "big", "big", (0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE), -2),
        ("int64", "big", "little", (0xFFFE, 0xFFFF, 0xFFFF, 0xFFFF), -2),
        ("bcd16", "big", "big", (0x0452,), 452),
        ("bcd16", "little", "big", (0x5204,), 452),
        ("bcd32", "big", "big", (0x0012, 0x3456), 123456),
        ("bcd32", "big", "little", (0x3456, 0x0012), 123456),
        ("sign_magnitude16", "big", "big", (0x80C8,), -200),
        ("sign_magnitude16", "little", "big", (0xC880,), -200),
        ("sign_magnitude32", "big", "big", (0x8000, 0x00C8), -200),
        ("sign_magnitude32", "big", "little", (0x00C8, 0x8000), -200),
    ],
)
def test_types_and_orders_by_hand(type_, byte_order, word_order, words, value):
    how = plain(type_, byte_order=byte_order, word_order=word_order)
    assert decode(how, words).value == value
    assert encode(how, value) == words


@given(st.data())
def test_round_trip_every_integer_type_and_order(data):
    type_ = data.draw(st.sampled_from(["int16", "uint16", "int32", "uint32"]))
    how = plain(
        type_,
        byte_order=data.draw(st.sampled_from(ORDERS)),
        word_order=data.draw(st.sampled_from(ORDERS)),
        scale=data.draw(st.sampled_from([1.0, 0.1, -0.5, 12.25])),
        offset=data.draw(st.sampled_from([0.0, -40.0, 273.15])),
    )
    words = data.draw(st.tuples(*[st.integers(0, 0xFFFF)] * WORDS[type_]))
    got = decode(how, words)
    assert got.quality.is_good
    assert encode(how, got.value) == words


DECIMALS = st.decimals(allow_nan=False, allow_infinity=False, min_value=-1000, max_value=1000, places=4).map(
    float
)


@given(
    st.sampled_from([t for t in NUMERIC if "int" in t]),
    st.sampled_from([1.0, 0.1, 0.01, 0.001, 0.05, 1e-9, 2.5e4]) | DECIMALS,
    DECIMALS,
    st.data(),
)
def test_integers_give_the_float_nearest_to_the_decimal_result(type_, scale, offset, data):
    """Python's own decimal arithmetic is the reference: 696 tenths are 69.6, the same float as written."""
    words = data.draw(st.tuples(*[st.integers(0, 0xFFFF)] * WORDS[type_]))
    raw = int.from_bytes(struct.pack(f">{len(words)}H", *words), signed=not type_.startswith("u"))
    right = float(Decimal(raw) * Decimal(str(scale)) + Decimal(str(offset)))
    assert decode(plain(type_, scale=scale, offset=offset), words).value == right


def test_tenths_and_ratios_as_a_person_writes_them():
    assert [decode(plain(scale=0.1), (raw,)).value for raw in (3, 696, 697, 1103)] == [0.3, 69.6, 69.7, 110.3]
    assert 696 * 0.1 != 69.6  # what the codec must not do
    assert decode(plain(scale=0.001, ratio=60.0), (1234,)).value == 74.04
    assert decode(plain(scale=1e308), (0x7FFF,)).quality.detail == Detail.OVERFLOW
    # A float32 has seven figures of its own; nothing is made up for it.
    assert decode(plain("float32"), encode(plain("float32"), 69.6)).value == 69.5999984741211


@given(st.data())
def test_round_trip_floats(data):
    type_ = data.draw(st.sampled_from(["float32", "float64"]))
    how = plain(
        type_, byte_order=data.draw(st.sampled_from(ORDERS)), word_order=data.draw(st.sampled_from(ORDERS))
    )
    width = 32 if type_ == "float32" else 64
    value = data.draw(
        st.floats(
            width=width, allow_nan=False, allow_infinity=False, min_value=-(2.0**100), max_value=2.0**100
        )
    )
    got = decode(how, encode(how, value))
    assert got.quality.is_good
    assert got.value == value


@given(
    st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4), st.sampled_from(sorted(WORDS)), st.booleans()
)
def test_no_words_ever_give_a_number_that_is_none(words, type_, ranged):
    """Whatever arrives: a finite value with good quality, or no value with an invalid one and a reason."""
    how = plain(type_, scale=1e3, low=-50.0 if ranged else None, high=180.0 if ranged else None)
    got = decode(how, words[: WORDS[type_]])
    if got.value is None:
        assert got.quality.is_invalid
        assert got.reason
    else:
        assert math.isfinite(got.value)
        assert got.quality.is_good
        assert not got.reason


def test_bits_and_contacts():
    for bit, invert in product(range(16), (False, True)):
        how = plain("bool", bit=bit, invert=invert)
        assert decode(how, (1 << bit,)).value == float(not invert)
        assert decode(how, (0xFFFF ^ 1 << bit,)).value == float(invert)
        assert decode(how, encode(how, 1.0)).value == 1.0
        assert decode(how, encode(how, 0.0)).value == 0.0
    assert decode(plain("bool", bit=0, byte_order="little"), (0x0100,)).value == 1.0
    assert decode(plain("bool"), (0xFF00,)).value == 1.0  # a whole register as a contact: not zero is closed
    assert decode(plain("bool", sentinels=(65535.0,)), (0xFFFF,)).quality.is_invalid
    for table in ("coil", "discrete_input"):
        assert decode(plain("bool", table=table, invert=True), (1,)).value == 0.0
        assert encode(plain("bool", table=table, invert=True), 0.0) == (1,)


@pytest.mark.parametrize(
    ("type_", "words", "sentinels", "words_in_reason"),
    [
        ("int16", (0x7FFF,), (32767.0,), "sentinel 0x7FFF (32767)"),
        ("int16", (0x8000,), (-32768.0,), "sentinel 0x8000 (-32768)"),
        ("int16", (0x8000,), (32768.0,), "sentinel 0x8000 (-32768)"),  # the same pattern, written unsigned
        ("uint16", (0x8000,), (-32768.0,), "sentinel 0x8000 (32768)"),
        ("int32", (0x7FFF, 0xFFFF), (2147483647.0,), "sentinel 0x7FFFFFFF"),
        ("uint32", (0xFFFF, 0xFFFF), (4294967295.0,), "sentinel 0xFFFFFFFF"),
        ("float32", (0xC479, 0xF99A), (-999.9,), "sentinel -999.9"),
        ("float32", (0x7FC0, 0), (), "NaN"),
        ("float32", (0xFFC0, 1), (), "NaN"),
        ("float32", (0x7F80, 0), (), "infinite"),
        ("float32", (0xFF80, 0), (), "infinite"),
        ("float32", (0x7F7F, 0xFFFF), (), "largest float"),
        ("float32", (0xFF7F, 0xFFFF), (), "largest float"),
        ("float64", (0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF), (), "largest float"),
        ("float64", (0x7FF8, 0, 0, 0), (), "NaN"),
    ],
)
def test_sentinels(type_, words, sentinels, words_in_reason):
    got = decode(plain(type_, sentinels=sentinels, scale=0.1), words)
    assert got.value is None
    assert got.quality.detail == Detail.FAILURE
    assert words_in_reason in got.reason


def test_sentinels_are_exact_and_before_scale():
    how = plain("int16", sentinels=(2000.0, 70000.0, 12.5), scale=0.1)
    assert decode(how, (1999,)).value == pytest.approx(199.9)
    assert decode(how, (2000,)).quality.is_invalid
    assert decode(how, (70000 - 65536,)).quality.is_good
    assert decode(how, (12,)).quality.is_good


def temperature(**more):
    return Temperature(device="D1", table="input_register", address=0, **more)


def test_range_is_said_in_words():
    how = spec(temperature(scale=0.1), D)
    assert decode(how, (1800,)).value == 180.0
    got = decode(how, (8500,))
    assert got == Decoded(None, got.quality, "850 °C is outside -50..180 °C")
    assert got.quality.detail == Detail.OUT_OF_RANGE
    assert decode(how, (0x10000 - 501,)).quality.is_invalid


def current(**more):
    return Current(device="D1", table="input_register", address=0, type="uint16", **more)


def test_currents():
    primary = spec(current(scale=0.1), D, 1000.0)
    assert decode(primary, (4321,)).value == pytest.approx(432.1)
    secondary = spec(
        current(reads="secondary_a", scale=0.001, ct_primary_a=600.0, ct_secondary_a=5.0), D, 2400.0
    )
    assert decode(secondary, (2500,)).value == pytest.approx(300.0)
    percent = spec(current(reads="percent", scale=0.1, ct_primary_a=400.0), D, 1600.0)
    assert decode(percent, (1000,)).value == pytest.approx(400.0)
    assert decode(percent, (5000,)).quality.detail == Detail.OUT_OF_RANGE
    own_limit = spec(current(max_a=100.0), D, 1000.0)
    assert decode(own_limit, (101,)).reason == "101 A is outside -1..100 A"


def test_current_below_zero():
    """A transducer's zero drift is 0 A; further below zero the mapping is wrong, and is never handed on."""
    how = spec(Current(device="D1", table="input_register", address=0, type="int16"), D, 1000.0)
    assert decode(how, (0x10000 - 9,)).value == 0.0
    got = decode(how, (0x10000 - 11,))
    assert got.quality.detail == Detail.OUT_OF_RANGE
    assert "negative current" in got.reason


@pytest.mark.parametrize("missing", [{"reads": "percent"}, {"reads": "secondary_a", "ct_primary_a": 600.0}])
def test_current_without_its_ct_is_refused(missing):
    with pytest.raises(ValueError, match="needs ct_"):
        spec(current(**missing), D, 1000.0)


@pytest.mark.parametrize(
    ("reference", "table", "address"),
    [
        (1, "coil", 0),
        (9999, "coil", 9998),
        (10001, "discrete_input", 0),
        (19999, "discrete_input", 9998),
        (30001, "input_register", 0),
        (40010, "holding_register", 9),
        (100001, "discrete_input", 0),
        (300001, "input_register", 0),
        (365536, "input_register", 65535),
        (400001, "holding_register", 0),
        (465536, "holding_register", 65535),
    ],
)
def test_references(reference, table, address):
    assert split_reference(reference) == (table, address)
    both = place_of(Register(device="D1", reference=reference))
    assert both == place_of(Register(device="D1", table=table, address=address))


@pytest.mark.parametrize(
    "reference", [0, -1, 10000, 20001, 30000, 40000, 50001, 99999, 165537, 200001, 365537, 500001]
)
def test_no_references(reference):
    with pytest.raises(ValueError, match="no register reference"):
        split_reference(reference)


@pytest.mark.parametrize(
    "bad",
    [
        {"reference": 30001, "address": 0},
        {"reference": 30001, "table": "holding_register"},
        {"address": 0},
        {"table": "coil"},
        {"table": "input_register", "address": 65535, "type": "float32"},
    ],
)
def test_places_that_cannot_be(bad):
    with pytest.raises(ValueError, match=r"given|table|past"):
        place_of(Register(device="D1", **bad))


def test_default_types():
    assert type_of(Count(device="D1", table="input_register", address=0)) == "int16"
    assert type_of(BoolInput(device="D1", table="input_register", address=0)) == "bool"
    assert type_of(BoolInput(device="D1", table="input_register", address=0, bit=3, type="uint16")) == "bool"
    assert type_of(BoolInput(device="D1", reference=10001)) == "bool"


def test_device_defaults_and_own_orders():
    swapped = Device(id="D1", number=1, link="L1", byte_order="little", word_order="little")
    how = spec(temperature(type="float32"), swapped)
    assert (how.byte_order, how.word_order) == ("little", "little")
    how = spec(temperature(type="float32", word_order="big"), swapped)
    assert (how.byte_order, how.word_order) == ("little", "big")


def test_encode_refuses_what_does_not_fit():
    with pytest.raises(OverflowError):
        encode(plain("int16"), 40000.0)
    with pytest.raises(OverflowError):
        encode(plain("float32"), 1e300)


def test_station_specs_take_the_current_limit_from_the_winding():
    settings = station([link(502)], [device()], [reg(0)], {"stage1": ("D1", 0)}, {"stage1": contact(1)})
    tree = settings.model_dump()
    tree["transformers"][0]["windings"][0]["current"] = {
        "device": "D1",
        "table": "input_register",
        "address": 5,
    }
    specs = {m.id: how for m, how in station_specs(type(settings).model_validate(tree))}
    assert specs["T1.W1.current_a"].high == 400.0  # four times the rated 100 A
    assert specs["T1.stage1.feedback"].place == Place("discrete_input", 1, 1)
    tree["transformers"][0]["top_oil"]["device"] = "NONE"
    specs = {m.id: how for m, how in station_specs(type(settings).model_validate(tree))}
    assert specs["T1.top_oil_c"] == "no device NONE in the settings"


def test_largest_floats_are_what_struct_says():
    assert struct.unpack(">f", b"\x7f\x7f\xff\xff")[0] == 3.4028234663852886e38
