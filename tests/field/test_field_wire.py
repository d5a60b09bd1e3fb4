"""Frames and answers as bytes, without a socket: whatever arrives, only the right answer is believed."""

from __future__ import annotations

import struct

import pytest
from field_raw import crc16
from hypothesis import given
from hypothesis import strategies as st

from collector.field.output_point import Cell, OutputPoint, coil, write_request
from collector.field.wire import Request, mbap_frame, rtu_frame, take_mbap, take_rtu


def write_coils(unit, address, on):
    return write_request(unit, [coil(address + i) for i in range(len(on))], on, True)


READ = Request(3, 4, 10, 2)
PDU = bytes([4, 4, 0, 1, 0, 2])
RTU = bytes([3]) + PDU + crc16(bytes([3]) + PDU)


def mbap(pdu=PDU, unit=3, transaction=7, protocol=0, length=None):
    return struct.pack(">HHHB", transaction, protocol, length or len(pdu) + 1, unit) + pdu


@pytest.mark.parametrize(
    ("request_", "pdu"),
    [
        (Request(3, 1, 5, 10), b"\x01\x00\x05\x00\x0a"),
        (Request(0, 3, 65535, 1), b"\x03\xff\xff\x00\x01"),
        (write_coils(255, 7, (True,)), b"\x05\x00\x07\xff\x00"),
        (write_coils(3, 7, (False,)), b"\x05\x00\x07\x00\x00"),
        (write_coils(3, 7, (True, False, True)), b"\x0f\x00\x07\x00\x03\x01\x05"),
        (Request(3, 6, 7, 1, words=(0xAA55,)), b"\x06\x00\x07\xaa\x55"),
        (Request(3, 16, 7, 2, words=(1, 0xAA55)), b"\x10\x00\x07\x00\x02\x04\x00\x01\xaa\x55"),
        (Request(3, 22, 7, 1, words=(0xFFFB, 4)), b"\x16\x00\x07\xff\xfb\x00\x04"),
    ],
)
def test_requests_byte_by_byte(request_, pdu):
    assert mbap_frame(request_, 0x1234) == mbap(pdu, request_.unit, 0x1234)
    body = bytes([request_.unit]) + pdu
    assert rtu_frame(request_, 0) == body + crc16(body)


def test_mbap_waits_skips_late_and_keeps_the_rest():
    buffer = bytearray(mbap(bytes([4, 4, 9, 9, 9, 9]), transaction=6) + mbap()[:-1])
    assert take_mbap(buffer, READ, 7) is None
    buffer += mbap()[-1:] + b"rest"
    assert take_mbap(buffer, READ, 7).words == (1, 2)
    assert buffer == b"rest"


@pytest.mark.parametrize(
    "head", [mbap(protocol=1), mbap(length=1), mbap(length=2), mbap(length=255), b"GET / HTTP"]
)
def test_what_is_no_mbap_gives_up_the_connection(head):
    answer = take_mbap(bytearray(head), READ, 7)
    assert answer.lost
    assert not answer.ok


@given(st.binary(max_size=80))
def test_no_noise_is_an_answer(noise):
    for buffer in (bytearray(noise), bytearray(noise + mbap(transaction=8))):
        answer = take_mbap(buffer, READ, 7)
        assert answer is None or not answer.ok
    # 16 bits of CRC and 4 matching bytes: noise that passes is not to be found by chance
    assert take_rtu(bytearray(noise), READ, 0) is None


@given(st.binary(max_size=8).filter(lambda b: 3 not in b), st.binary(max_size=8))
def test_rtu_finds_its_frame_behind_noise(before, after):
    buffer = bytearray(before + RTU + after)
    assert take_rtu(buffer, READ, 0).words == (1, 2)
    assert buffer == after


@given(st.integers(0, len(RTU) * 8 - 1))
def test_rtu_one_bit_wrong_is_no_answer(bit):
    frame = bytearray(RTU)
    frame[bit // 8] ^= 1 << bit % 8
    assert take_rtu(frame, READ, 0) is None


@pytest.mark.parametrize(
    ("request_", "pdu", "words"),
    [
        (READ, bytes([4, 2, 0, 1]), "2 data bytes, right would be 4"),
        (READ, bytes([4, 6, 0, 1, 0, 2, 0, 3]), "6 data bytes, right would be 4"),
        (Request(3, 1, 0, 9), bytes([1, 1, 0xFF]), "1 data bytes, right would be 2"),
        (write_coils(3, 7, (True,)), bytes([5, 0, 7, 0, 0]), "confirmation of a write"),
        (write_coils(3, 7, (True,)), bytes([5, 0, 8, 0xFF, 0]), "confirmation of a write"),
        (write_coils(3, 7, (True, True)), bytes([15, 0, 7, 0, 1]), "confirmation of a write"),
        (Request(3, 6, 7, 1, words=(1,)), bytes([6, 0, 7, 0, 0]), "confirmation of a write"),
        (Request(3, 16, 7, 2, words=(1, 0)), bytes([16, 0, 7, 0, 1]), "confirmation of a write"),
        (Request(3, 22, 7, 1, words=(0, 4)), bytes([22, 0, 7, 0, 0, 0, 0]), "confirmation of a write"),
    ],
)
def test_counts_and_echoes_are_exact_on_both(request_, pdu, words):
    assert words in take_mbap(bytearray(mbap(pdu)), request_, 7).failure
    body = bytes([3]) + pdu
    assert words in take_rtu(bytearray(body + crc16(body)), request_, 0).failure


@pytest.mark.parametrize(
    ("pdu", "words"),
    [
        (bytes([4, 3, 0, 1, 0, 2]), "answer that says 3 with 4 data bytes, right would be 4"),
        (bytes([4, 5, 0, 1, 0, 2]), "answer that says 5 with 4 data bytes, right would be 4"),
        (bytes([4, 0]), "answer with 0 data bytes, right would be 4"),
    ],
)
def test_byte_count_and_bytes_must_agree(pdu, words):
    assert take_mbap(bytearray(mbap(pdu)), READ, 7).failure == words


def test_right_write_echoes_and_exceptions():
    one, two = write_coils(3, 7, (True,)), write_coils(3, 7, (True, False))
    assert take_mbap(bytearray(mbap(bytes([5, 0, 7, 0xFF, 0]))), one, 7).ok
    assert take_mbap(bytearray(mbap(bytes([15, 0, 7, 0, 2]))), two, 7).ok
    assert take_mbap(bytearray(mbap(bytes([0x84, 6]))), READ, 7).exception == 6
    body = bytes([3, 0x84, 11])
    assert take_rtu(bytearray(body + crc16(body)), READ, 0).exception == 11


def test_rtu_frame_of_another_unit_is_no_answer():
    body = bytes([4]) + PDU
    assert take_rtu(bytearray(body + crc16(body)), READ, 0) is None
    assert take_rtu(bytearray(body + crc16(body) + RTU), READ, 0).words == (1, 2)


@given(st.lists(st.booleans(), min_size=1, max_size=40))
def test_bits_in_order(bits):
    data = bytearray((len(bits) + 7) // 8)
    for i, bit in enumerate(bits):
        data[i // 8] |= bit << i % 8
    answer = take_mbap(bytearray(mbap(bytes([1, len(data)]) + bytes(data))), Request(3, 1, 0, len(bits)), 7)
    assert answer.words == tuple(map(int, bits))


@pytest.mark.parametrize(
    ("cell", "on", "off"),
    [
        (Cell("coil", 7), (5, (True,), ()), (5, (False,), ())),
        (Cell("coil", 7, None, 0, 1), (5, (False,), ()), (5, (True,), ())),
        (Cell("holding_register", 7, None, 9, 3), (6, (), (9,)), (6, (), (3,))),
        (Cell("holding_register", 7, 2), (22, (), (0xFFFB, 4)), (22, (), (0xFFFB, 0))),
        (Cell("holding_register", 7, 15, 0, 1), (22, (), (0x7FFF, 0)), (22, (), (0x7FFF, 0x8000))),
    ],
)
def test_what_an_output_is_written_and_which_write_releases_it(cell, on, off):
    """On a line without ids a release does not wait for late answers, so it must be known as one."""
    for state, expected in ((True, on), (False, off)):
        request = write_request(3, [OutputPoint(cell, cell)], [state], True)
        assert (request.function, request.bits, request.words) == expected
        assert (request.address, request.releases) == (7, not state)
    both = write_request(3, [OutputPoint(cell, cell)] * 2, [True, False], True) if cell.bit is None else None
    assert both is None or both.releases
