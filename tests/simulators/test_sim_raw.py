"""The raw-socket device: every scripted deviation, byte for byte, read with a plain socket."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path

import pytest

from simulators.raw import Act, RawServer, check_bytes, read_script

REQUEST = bytes.fromhex("0005 0000 0006 01 04 0000 0001")
RIGHT = bytes.fromhex("0005 0000 0005 01 04 02 0278")


async def exchange(act: Act, wanted: int, request: bytes = REQUEST) -> bytes:
    async with RawServer([act]) as server:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(request)
        answer = await asyncio.wait_for(reader.readexactly(wanted), 5.0)
        writer.close()
        return answer


@pytest.mark.parametrize(
    ("act", "expected"),
    [
        (Act(words=(632,)), RIGHT.hex()),
        (Act(), "000500000005010402" + "0000"),
        (Act(words=(632,), tid=1), "000600000005010402" + "0278"),
        (Act(words=(632,), unit=2), "000500000005030402" + "0278"),
        (Act(words=(632,), count=2), "000500000005010404" + "0278"),
        (Act(words=(632,), length=3), "000500000008010402" + "0278"),
        (Act(words=(1, 2)), "000500000007010404" + "00010002"),
        (Act(exception=6), "000500000003018406"),
        (Act(function=-1), "000500000005010302" + "0000"),
        (Act(raw="deadbeef"), "deadbeef"),
        (Act(words=(632,), before="00ff"), "00ff" + RIGHT.hex()),
        (Act(words=(632,), twice=True), RIGHT.hex() * 2),
    ],
)
async def test_scripted_answers(act: Act, expected: str) -> None:
    assert (await exchange(act, len(expected) // 2)).hex() == expected


async def test_split_comes_in_pieces() -> None:
    assert await exchange(Act(words=(632,), split=1, split_s=0.0), len(RIGHT)) == RIGHT


async def test_delay_is_never_shorter_than_scripted() -> None:
    async with RawServer([Act(delay_s=0.2)]) as server:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(REQUEST)
        await asyncio.wait_for(reader.readexactly(11), 5.0)
        assert time.monotonic_ns() - server.requests[0][0] >= 0.2e9
        writer.close()


async def test_held_answer_comes_late_before_the_next() -> None:
    async with RawServer([Act(words=(1,), hold=True), Act(words=(2,))]) as server:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(REQUEST)
        writer.write(b"\x00\x06" + REQUEST[2:])
        late, proper = await reader.readexactly(11), await reader.readexactly(11)
        assert (late[:2], late[-2:]) == (b"\x00\x05", b"\x00\x01")
        assert (proper[:2], proper[-2:]) == (b"\x00\x06", b"\x00\x02")
        writer.close()


async def test_rtu_with_right_and_wrong_check_bytes_and_close() -> None:
    request = bytes.fromhex("010400000001")
    async with RawServer([Act(words=(632,)), Act(words=(632,), crc=False, close=True)], "rtu") as server:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        for right in (True, False):
            writer.write(request + check_bytes(request))
            answer = await asyncio.wait_for(reader.readexactly(7), 5.0)
            assert (check_bytes(answer[:5]) == answer[5:]) is right
        assert await asyncio.wait_for(reader.read(), 5.0) == b""
        writer.close()


def test_script_file(tmp_path: Path) -> None:
    path = tmp_path / "script.json"
    path.write_text(json.dumps([{"words": [1, 2], "delay_s": 0.5}, {"silent": True}]), encoding="utf-8")
    assert read_script(path) == [Act(words=(1, 2), delay_s=0.5), Act(silent=True)]
    path.write_text('[{"wrods": [1]}]', encoding="utf-8")
    with pytest.raises(ValueError, match="act 0: unknown 'wrods'"):
        read_script(path)
