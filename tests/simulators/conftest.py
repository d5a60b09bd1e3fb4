"""A running station for the tests of the simulators, and plain Modbus requests to its devices."""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.framer import FramerType

from simulators import Station

Connect = Callable[..., Awaitable[AsyncModbusTcpClient]]


@pytest.fixture
async def station() -> AsyncIterator[Station]:
    async with Station(rate=20.0, load=0.7, ambient_c=30.0) as running:
        yield running


@pytest.fixture
async def connect() -> AsyncIterator[Connect]:
    """``await connect(port)`` gives a pymodbus client; all are closed at the end."""
    clients: list[AsyncModbusTcpClient] = []

    async def open_client(
        port: int, *, timeout_s: float = 1.0, framer: FramerType = FramerType.SOCKET
    ) -> AsyncModbusTcpClient:
        client = AsyncModbusTcpClient(
            "127.0.0.1", port=port, timeout=timeout_s, retries=0, reconnect_delay=0, framer=framer
        )
        clients.append(client)
        assert await client.connect()
        return client

    yield open_client
    for client in clients:
        client.close()
