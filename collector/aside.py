"""What may wait for a disk or take long, in a daemon thread of its own: neither step nor exit waits for it.

asyncio's own threads are joined at the exit, however long they hang. No shared state may be touched in here.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

T = TypeVar("T")


async def aside(call: Callable[[], T]) -> T:
    """The result of what may wait for a disk. In a daemon thread: no step and no exit waits for it."""
    loop = asyncio.get_running_loop()
    told: asyncio.Future[T] = loop.create_future()

    def settle(result: list[T], error: BaseException | None) -> None:
        if told.done():
            return
        if error is None:
            told.set_result(result[0])
        else:
            told.set_exception(error)

    def work() -> None:
        result, error = [], None
        try:
            result.append(call())
        except Exception as problem:  # noqa: BLE001  raised again where it is waited for
            error = problem
        with suppress(RuntimeError):  # the loop has ended meanwhile
            loop.call_soon_threadsafe(settle, result, error)

    threading.Thread(target=work, name="aside", daemon=True).start()
    return await told
