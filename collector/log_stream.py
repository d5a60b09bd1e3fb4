"""Standard error as a stream that never raises and never waits, whoever reads it or nobody.

Lines go into a bounded queue; a thread of its own writes them. What is not taken is counted, and told
once lines are taken again. No formatting here, and nothing that anybody waits for.
"""

from __future__ import annotations

import io
import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable

#: Held for a reader that is slow: some thousands of lines; more is lost and counted [bytes].
QUEUE_BYTES = 1_000_000
#: A line that is not taken for so long is trouble; a busy disk or terminal is not [s].
SLOW_S = 5.0


def open_standard_descriptors() -> None:
    """What is closed of 0, 1 and 2 becomes /dev/null: else the next socket or database gets that number,
    and with it whatever anybody prints.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest free number, so this one


class LogStream(io.TextIOBase):
    """A text stream on a descriptor. Every method may be called from any thread and returns at once.

    tell: the line that says how many lines were lost.
    """

    def __init__(self, descriptor: int, tell: Callable[[int], str]) -> None:
        self._descriptor = descriptor
        self._tell = tell
        self._lock = threading.Condition()
        self._queue: deque[bytes] = deque()
        self._size = 0
        self._lost = 0  # lines, not told yet
        self._torn = False  # the last thing written ended within a line
        self._fault = ""
        self._busy_since: float | None = None
        self._thread = threading.Thread(target=self._run, name="log stream", daemon=True)
        self._thread.start()

    # --- for whoever has something to say -------------------------------------------------------

    def write(self, text: str) -> int:
        data = text.encode("utf-8", "backslashreplace")
        with self._lock:
            if self._size + len(data) > QUEUE_BYTES:
                self._lost += data.count(b"\n")
            else:
                self._queue.append(data)
                self._size += len(data)
                self._lock.notify_all()
        return len(text)

    def writable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return os.isatty(self._descriptor)

    def fileno(self) -> int:
        return self._descriptor

    def trouble(self) -> str:
        """Why lines are not taken at present; empty: they are."""
        busy = self._busy_since
        if busy is not None and time.monotonic() - busy > SLOW_S:
            return "nobody takes the lines"
        return self._fault

    @property
    def lost(self) -> int:
        """Lines lost and not told yet."""
        return self._lost

    def drain(self, timeout_s: float) -> bool:
        """Wait until everything is written; False when that takes longer, or cannot be done. For an exit."""
        with self._lock:
            done = self._lock.wait_for(lambda: not self._queue and self._busy_since is None, timeout_s)
        return done and not self._fault

    # --- the thread -------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            with self._lock:
                self._lock.wait_for(lambda: len(self._queue) > 0)
                data = self._queue.popleft()
                self._size -= len(data)
                lost = self._lost
                self._busy_since = time.monotonic()
            notice = f"{self._tell(lost)}\n".encode("utf-8", "backslashreplace") if lost else b""
            fault = self._put((b"\n" if self._torn else b"") + notice + data)
            with self._lock:
                self._fault = fault
                self._lost += data.count(b"\n") if fault else -lost
                self._busy_since = None
                self._lock.notify_all()

    def _put(self, data: bytes) -> str:
        """Write it all; else why not."""
        while data:
            try:
                written = os.write(self._descriptor, data)
            except BlockingIOError:  # somebody else with this terminal or pipe made it non-blocking
                poll = select.poll()
                poll.register(self._descriptor, select.POLLOUT)
                poll.poll()
                continue
            except OSError as problem:
                return problem.strerror or repr(problem)
            self._torn = data[written - 1 : written] != b"\n"
            data = data[written:]
        return ""
