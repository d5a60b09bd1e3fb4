"""A wire between the daemon and its broker that can be cut, and that can lose acknowledgements.

Counts bytes and MQTT packets only; knows nothing of what they mean beyond the type of a packet.
"""

from __future__ import annotations

import asyncio
import contextlib

PUBACK = 4  # MQTT 3.1.1, 2.2.1: type of a control packet, upper half of its first byte


class Wire:
    """Forwards one port to another. ``cut``: connections are broken and refused. ``lose_acks``: PUBACKs
    vanish.
    """

    def __init__(self, port: int) -> None:
        self._to = port
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self._cut = False
        self.lose_acks = False
        self.lost_acks = 0
        self.port = 0

    async def __aenter__(self) -> Wire:
        self._server = await asyncio.start_server(self._carry, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        self.break_off()

    def cut(self) -> None:
        self._cut = True
        self.break_off()

    def mend(self) -> None:
        self._cut = False

    def break_off(self) -> None:
        for writer in tuple(self._writers):
            writer.transport.abort()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._cut:
            writer.transport.abort()
            return
        there, back = await asyncio.open_connection("127.0.0.1", self._to)
        self._writers |= {writer, back}
        try:
            await asyncio.gather(self._bytes(reader, back), self._packets(there, writer))
        except OSError:
            pass  # cut on purpose, or one side has left: the other side goes too
        finally:
            for one in (writer, back):
                self._writers.discard(one)
                one.transport.abort()

    async def _bytes(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(65536):
            writer.write(data)
            await writer.drain()
        writer.transport.abort()

    async def _packets(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError):
            while True:
                head = await reader.readexactly(1)
                length, shift, sizes = 0, 0, b""
                while True:
                    size = await reader.readexactly(1)
                    sizes += size
                    length |= (size[0] & 0x7F) << shift
                    shift += 7
                    if not size[0] & 0x80:
                        break
                body = await reader.readexactly(length)
                if self.lose_acks and head[0] >> 4 == PUBACK:
                    self.lost_acks += 1
                    continue
                writer.write(head + sizes + body)
                await writer.drain()
        writer.transport.abort()
