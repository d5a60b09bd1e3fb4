"""One byte connection to a link: TCP or serial, opened once, told at once when it is gone.

Bytes only: no frames, no retries, no reconnection. It stands in place of pymodbus's client, which
notices a peer's close only at the time-out, prints a traceback for an undecodable answer and cannot
be told to keep an RTU line silent after a late answer; its serial transport is used as it is.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import Callable
from importlib.util import find_spec

from collector.settings.model import Link

#: More than this unasked is no Modbus peer (a frame has 260 bytes at most).
_MOST_UNREAD = 4096


class LinkDown(Exception):
    """The connection could not be opened; the message says why in plain words."""


class Connection(asyncio.Protocol):
    """Bytes in ``buffer`` as they arrive. ``closed``: "" while open, else why in plain words.

    by_peer: the other side ended it; reset: without the usual farewell, as by one that knows it no more.
    on_news: called when bytes came or the connection ended.
    """

    def __init__(self, on_news: Callable[[], None]) -> None:
        self.buffer = bytearray()
        self.closed = ""
        self.by_peer = self.reset = False
        self._news = asyncio.Event()
        self._on_news = on_news
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._news.set()

    def data_received(self, data: bytes) -> None:
        self.buffer += data
        self._news.set()
        self._on_news()
        if len(self.buffer) > _MOST_UNREAD:
            self.close("the device sends without being asked")

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.closed:
            self.by_peer, self.reset = True, exc is not None
            self.closed = f"the connection broke ({exc})" if exc else "the device closed the connection"
        self._transport = None
        self._news.set()
        self._on_news()

    def send(self, data: bytes) -> None:
        if self._transport is not None and not self.closed:
            self._transport.write(data)

    async def more(self, deadline: float) -> bool:
        """Wait until bytes or the end of the connection arrive; False at ``deadline`` (loop time).

        What has already arrived counts, however late we come to look: after a stall of this program (a
        suspended machine, a blocked loop) the deadline and the answer are found at the same moment.
        """
        self._news.clear()
        try:
            async with asyncio.timeout_at(deadline):
                await self._news.wait()
        except TimeoutError:
            await self.look()
        return self._news.is_set()

    async def look(self) -> None:
        """Let the loop read what waits in the socket: one pass finds it, the next one hands it over."""
        await asyncio.sleep(0)
        await asyncio.sleep(0)

    def keep_alive(self, every_s: int) -> None:
        """Probes on an idle connection; three without an answer end it."""
        sock = self._transport and self._transport.get_extra_info("socket")
        if sock:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, every_s)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, every_s)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3)

    def close(self, reason: str, reset: bool = False) -> None:
        """``reset``: what the peer has not received yet never reaches it.

        Else, after a network outage, the kernel would still deliver a write whose decision is long over.
        """
        self.closed = self.closed or reason
        self._news.set()
        if self._transport is not None:
            sock = self._transport.get_extra_info("socket")
            if reset and sock is not None:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self._transport.abort()
            self._transport = None


async def open_connection(link: Link, on_news: Callable[[], None], standby: bool = False) -> Connection:
    """Open a link within its time-out (real time), at its second address if ``standby``.

    LinkDown says in plain words why it failed.
    """
    loop = asyncio.get_running_loop()
    if link.type == "rtu_serial":
        if find_spec("serial") is None:
            raise LinkDown("a serial link needs pyserial, not installed here: pip install 'windingd[serial]'")
        return await _open_serial(link, on_news)
    host, port = link.host or "", link.port or 502
    if standby:
        host, port = link.standby_host or "", link.standby_port or port
    where = f"{host}:{port}"
    try:
        async with asyncio.timeout(link.timeout_s):
            _, connection = await loop.create_connection(lambda: Connection(on_news), host, port)
    except TimeoutError:
        raise LinkDown(f"no connection to {where} within {link.timeout_s:g} s") from None
    except OSError as error:
        raise LinkDown(f"no connection to {where}: {error.strerror or error}") from None
    if link.keepalive_s is not None:
        connection.keep_alive(link.keepalive_s)
    return connection


async def _open_serial(link: Link, on_news: Callable[[], None]) -> Connection:
    import termios

    from pymodbus.transport.serialtransport import create_serial_connection

    try:
        _, connection = await create_serial_connection(
            asyncio.get_running_loop(),
            lambda: Connection(on_news),
            link.serial_device,
            baudrate=link.baud,
            bytesize=8,
            parity=link.parity[0].upper(),
            stopbits=link.stop_bits,
        )
    except (OSError, ValueError, termios.error) as error:
        # termios.error: a port that cannot do this baud rate or parity (a pty can do no parity)
        port = link.serial_device
        raise LinkDown(f"serial port {port} cannot be opened with these settings: {error}") from None
    assert isinstance(connection, Connection)
    await connection.more(asyncio.get_running_loop().time() + link.timeout_s)
    return connection
