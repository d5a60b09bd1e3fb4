"""A Modbus peer that answers byte by byte as scripted: timing, framing and late answers.

Shares no code with any Modbus library, nor with the simulators' own server: it builds its bytes
itself, so that a mistake made there is not made here too.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Literal


@dataclass(frozen=True, slots=True)
class Act:
    """What to do with one request. Everything left out is answered rightly, with `words` zero.

    words: registers of the answer (reads only). delay_s: before the answer [real s]. Others: split: bytes
    per piece, split_s apart; silent: no answer; raw: these bytes (hex) in place of the answer;
    before, after: further bytes (hex) around it. tid, unit, function: added to what was asked, modulo
    its range. count: bytes added to the byte count, its data staying as it is. length: added to the
    MBAP length. crc: False = wrong check bytes. exception: code to refuse with. twice: sent two times.
    hold: kept and sent just before the next answer: a late answer. close: break the connection after it.
    """

    words: tuple[int, ...] | None = None
    delay_s: float = 0.0
    split: int = 0
    split_s: float = 0.02
    silent: bool = False
    raw: str | None = None
    before: str = ""
    after: str = ""
    tid: int = 0
    unit: int = 0
    function: int = 0
    count: int = 0
    length: int = 0
    crc: bool = True
    exception: int = 0
    twice: bool = False
    hold: bool = False
    close: bool = False


def read_script(path: Path) -> list[Act]:
    """A JSON list of objects with the fields of Act. ValueError names an unknown one."""
    known = {item.name for item in fields(Act)}
    acts = []
    for number, entry in enumerate(json.loads(path.read_text(encoding="utf-8"))):
        unknown = set(entry) - known
        if unknown:
            names = ", ".join(sorted(known))
            raise ValueError(f"{path}: act {number}: unknown {sorted(unknown)[0]!r} (one of {names})")
        words = entry.get("words")
        acts.append(Act(**{**entry, "words": None if words is None else tuple(words)}))
    return acts


def check_bytes(data: bytes) -> bytes:
    """CRC-16 of an RTU frame, polynomial 0x8005 reflected, low byte first."""
    value = 0xFFFF
    for octet in data:
        value ^= octet
        for _ in range(8):
            odd = value & 1
            value >>= 1
            if odd:
                value ^= 0xA001
    return bytes([value & 255, value >> 8])


class RawServer:
    """Plays a script, one act per request over all connections; at its end the last act repeats.

    requests: (real monotonic ns, bytes) of every request that came in.
    """

    def __init__(self, script: Sequence[Act], framing: Literal["tcp", "rtu"] = "tcp") -> None:
        if not script:
            raise ValueError("a script needs at least one act")
        self.port = 0
        self.requests: list[tuple[int, bytes]] = []
        self.connections = 0
        self._script = list(script)
        self._framing = framing
        self._events: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        self._held = b""
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()

    async def start(self, host: str = "127.0.0.1", port: int = 0) -> None:
        self._server = await asyncio.start_server(self._serve, host, port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
        for writer in list(self._writers):
            writer.transport.abort()

    async def __aenter__(self) -> RawServer:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    async def events(self) -> AsyncIterator[dict[str, Any]]:
        """What happens: connections, requests, bytes sent, with real monotonic time; without end."""
        while True:
            yield await self._events.get()

    def _note(self, event: str, **more: Any) -> None:
        self._events.put_nowait({"mono_ns": time.monotonic_ns(), "event": event, **more})

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.add(writer)
        self._note("connected")
        try:
            while True:
                request = await self._request(reader)
                act = self._script[min(len(self.requests), len(self._script) - 1)]
                self.requests.append((time.monotonic_ns(), request))
                self._note("request", bytes=request.hex())
                await self._perform(act, request, writer)
                if act.close:
                    return
        except (ConnectionError, asyncio.IncompleteReadError):
            pass  # the client has gone
        finally:
            self._writers.discard(writer)
            self._note("disconnected")
            with contextlib.suppress(ConnectionError):
                writer.close()

    async def _request(self, reader: asyncio.StreamReader) -> bytes:
        if self._framing == "tcp":
            header = await reader.readexactly(6)
            return header + await reader.readexactly(int.from_bytes(header[4:6], "big"))
        start = await reader.readexactly(7)
        if start[1] in (15, 16):
            return start + await reader.readexactly(start[6] + 2)
        return start + await reader.readexactly(1)

    async def _perform(self, act: Act, request: bytes, writer: asyncio.StreamWriter) -> None:
        answer = bytes.fromhex(act.raw) if act.raw is not None else self._answer(act, request)
        answer = bytes.fromhex(act.before) + answer + bytes.fromhex(act.after)
        if act.twice:
            answer *= 2
        if act.silent:
            return
        if act.hold:
            self._held += answer
            return
        answer, self._held = self._held + answer, b""
        if act.delay_s:
            await asyncio.sleep(act.delay_s)
        size = act.split or len(answer)
        for begin in range(0, len(answer), size or 1):
            if begin:
                await asyncio.sleep(act.split_s)
            writer.write(answer[begin : begin + size])
            await writer.drain()
        self._note("sent", bytes=answer.hex())

    def _answer(self, act: Act, request: bytes) -> bytes:
        body = request[6:] if self._framing == "tcp" else request[:-2]
        unit, function, data = (body[0] + act.unit) & 255, (body[1] + act.function) & 127, body[2:]
        if act.exception:
            pdu = bytes([function | 128, act.exception])
        elif body[1] in (1, 2, 3, 4):
            asked = int.from_bytes(data[2:4], "big")
            if body[1] <= 2:
                bits = act.words or ()
                number = sum((int(bool(bit)) << place) for place, bit in enumerate(bits[:asked]))
                payload = number.to_bytes((asked + 7) // 8, "little")
            else:
                words = [0] * asked if act.words is None else list(act.words)
                payload = b"".join((word & 0xFFFF).to_bytes(2, "big") for word in words)
            pdu = bytes([function, (len(payload) + act.count) & 255]) + payload
        else:
            pdu = bytes([function]) + data[:4]
        if self._framing == "rtu":
            frame = bytes([unit]) + pdu
            check = check_bytes(frame)
            return frame + (check if act.crc else bytes([check[0] ^ 255, check[1]]))
        tid = (int.from_bytes(request[:2], "big") + act.tid) & 0xFFFF
        length = len(pdu) + 1 + act.length
        return tid.to_bytes(2, "big") + b"\0\0" + length.to_bytes(2, "big") + bytes([unit]) + pdu
