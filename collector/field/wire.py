"""Modbus requests and answers as bytes, and every check an answer must pass before it is believed.

Pure. pymodbus builds the requests, its framers and its CRC wrap them. Answers are cut out and checked
here, because its framers let pass what a relay writer must not: unit 0 and transaction id 0 match
anything, a length that is wrong by one is mended, and bytes after the first RTU frame are lost.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.register_message import (
    MaskWriteRegisterRequest,
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from collector.field.codec import Table

READ_COILS, WRITE_COIL, WRITE_COILS = 1, 5, 15
WRITE_REGISTER, WRITE_REGISTERS, MASK_WRITE = 6, 16, 22
WRITE_ONE: dict[Table, int] = {"coil": WRITE_COIL, "holding_register": WRITE_REGISTER}
WRITE_SEVERAL: dict[Table, int] = {"coil": WRITE_COILS, "holding_register": WRITE_REGISTERS}
READ_FUNCTION: dict[Table, int] = {
    "coil": READ_COILS, "discrete_input": 2, "holding_register": 3, "input_register": 4,
}  # fmt: skip
_PDU: dict[int, type[ModbusPDU]] = {
    READ_COILS: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
    WRITE_COIL: WriteSingleCoilRequest,
    WRITE_COILS: WriteMultipleCoilsRequest,
    WRITE_REGISTER: WriteSingleRegisterRequest,
    WRITE_REGISTERS: WriteMultipleRegistersRequest,
}
_DECODER = DecodePDU(False)
_SOCKET, _RTU = FramerSocket(_DECODER), FramerRTU(_DECODER)

#: Behind these exceptions the device itself did not answer: its gateway did.
GATEWAY_EXCEPTIONS = frozenset({10, 11})
#: Still working, busy, and the gateway's two: not refused, only not answered now.
NOT_NOW = frozenset({5, 6}) | GATEWAY_EXCEPTIONS
#: No RTU frame is shorter: unit, function, exception code and CRC.
RTU_LEAST = 5
#: MBAP length field: unit, function and one byte at least; a PDU has 253 bytes at most (Modbus V1.1b3, 4.1).
_MBAP_LENGTH = range(3, 255)


@dataclass(frozen=True, slots=True)
class Request:
    """One request. Reads: ``size`` items from ``address``. Writes: what coils or registers are to hold.

    bits: of coils. words: of registers; for the mask write its two masks. releases: lets an output go.
    """

    unit: int
    function: int
    address: int
    size: int
    bits: tuple[bool, ...] = ()
    words: tuple[int, ...] = ()
    releases: bool = False

    @property
    def writes(self) -> bool:
        return bool(self.bits or self.words)


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a request: words (0/1 for bits; none for a write), or exception, or failure in words.

    silent: nothing came in time. lost: the connection is gone or must be given up.
    """

    words: tuple[int, ...] = ()
    exception: int = 0
    failure: str = ""
    silent: bool = False
    lost: bool = False

    @property
    def ok(self) -> bool:
        return not self.exception and not self.failure

    @property
    def missed(self) -> bool:
        """The device itself did not answer: nothing came, or a gateway says so in its place."""
        return self.silent or self.lost or self.exception in GATEWAY_EXCEPTIONS


@dataclass(frozen=True, slots=True)
class Manner:
    """What a device may do amiss in its answers. as_unit: the unit that stands there. zero_id: id 0."""

    as_unit: int | None = None
    zero_id: bool = False


STRICT = Manner()


@dataclass(slots=True)
class Heard:
    """What came while an answer was awaited, and is none. zero_id: a frame with transaction id 0."""

    zero_id: bool = False


#: Cuts the answer to a request out of what has arrived; None: not complete yet.
Take = Callable[[bytearray, Request, int, Manner, Heard], Answer | None]


def mbap_frame(request: Request, transaction_id: int) -> bytes:
    return _SOCKET.buildFrame(_pdu(request, transaction_id))


def rtu_frame(request: Request, _transaction_id: int) -> bytes:
    return _RTU.buildFrame(_pdu(request, 0))


def _pdu(request: Request, transaction_id: int) -> ModbusPDU:
    if request.function == MASK_WRITE:
        and_mask, or_mask = request.words
        return MaskWriteRegisterRequest(request.address, and_mask, or_mask, request.unit, transaction_id)
    values = {"registers": list(request.words)} if request.words else {"bits": list(request.bits)}
    pdu = _PDU[request.function](
        dev_id=request.unit, transaction_id=transaction_id, address=request.address, **values
    )
    pdu.count = request.size
    return pdu


def take_mbap(
    buffer: bytearray,
    request: Request,
    transaction_id: int,
    manner: Manner = STRICT,
    heard: Heard | None = None,
) -> Answer | None:
    """The answer with our transaction id; frames with another are late answers and thrown away."""
    while len(buffer) >= 7:
        got, protocol, length, unit = struct.unpack(">HHHB", buffer[:7])
        if protocol != 0 or length not in _MBAP_LENGTH:
            # Where the next frame begins cannot be known any more.
            return Answer(failure="bytes that are no Modbus TCP frame", lost=True)
        if len(buffer) < 6 + length:
            return None
        pdu = bytes(buffer[7 : 6 + length])
        del buffer[: 6 + length]
        if got != transaction_id and not (got == 0 and manner.zero_id):
            if heard is not None and got == 0:
                heard.zero_id = True
            continue
        if unit not in (request.unit, manner.as_unit):
            return Answer(failure=f"answer from unit {unit}, asked was unit {request.unit}")
        return check(request, pdu)
    return None


def take_rtu(
    buffer: bytearray,
    request: Request,
    _transaction_id: int,
    _manner: Manner = STRICT,
    _heard: Heard | None = None,
) -> Answer | None:
    """The first sound frame of our unit and function; noise and other units' frames before it are skipped."""
    for start in range(len(buffer) - 4):
        if buffer[start] != request.unit or buffer[start + 1] & 0x7F != request.function:
            continue
        size = 5
        if buffer[start + 1] == request.function:
            size = 4 + _confirmation(request) if request.writes else 5 + buffer[start + 2]
        frame = bytes(buffer[start : start + size])
        if len(frame) == size and FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big")):
            del buffer[: start + size]
            return check(request, frame[1:-2])
    return None


def _confirmation(request: Request) -> int:
    """So many bytes of a write come back after the function: address and value or count, or both masks."""
    return 6 if request.function == MASK_WRITE else 4


def check(request: Request, pdu: bytes) -> Answer:
    """The answer in a PDU that came from the right unit: function code and exact count, or what is wrong."""
    function = pdu[0]
    if function == request.function | 0x80:
        if len(pdu) != 2 or pdu[1] == 0:
            return Answer(failure="a malformed exception")
        return Answer(exception=pdu[1])
    if function != request.function:
        return Answer(failure=f"answer to function {function & 0x7F}, asked was function {request.function}")
    if request.writes:
        if pdu[1:] != _pdu(request, 0).encode()[: _confirmation(request)]:
            return Answer(failure="the confirmation of a write names another address, value or count")
        return Answer()
    in_bits = request.function in (1, 2)
    size = (request.size + 7) // 8 if in_bits else 2 * request.size
    if len(pdu) < 2 or pdu[1] != size or len(pdu) != size + 2:
        told = f"that says {pdu[1]} " if len(pdu) > 1 and pdu[1] != len(pdu) - 2 else ""
        return Answer(failure=f"answer {told}with {max(0, len(pdu) - 2)} data bytes, right would be {size}")
    data = pdu[2:]
    if in_bits:
        return Answer(tuple(data[i // 8] >> i % 8 & 1 for i in range(request.size)))
    return Answer(struct.unpack(f">{request.size}H", data))
