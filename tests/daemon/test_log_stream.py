"""The log's stream on a pipe: bounded, exact in what it says was lost, and nothing it is given raises."""

from __future__ import annotations

import fcntl
import os

from collector.commands.run import careful
from collector.log_stream import QUEUE_BYTES, LogStream

LINE = "x" * 99 + "\n"


def test_what_is_lost_is_counted_exactly() -> None:
    reader, writer = os.pipe()
    fcntl.fcntl(reader, fcntl.F_SETPIPE_SZ, 4096)
    stream = LogStream(writer, lambda lines: f"{lines} lost")
    offered = 3 * QUEUE_BYTES // len(LINE)
    for _ in range(offered):
        stream.write(LINE)
    assert not stream.drain(0.01)
    seen = b""
    while stream.lost or not stream.drain(0.0):  # a line after the loss carries the notice
        seen += os.read(reader, 65536)
        if not seen.endswith(b"again\n"):
            offered += stream.write("again\n") > 0
    os.close(writer)
    while chunk := os.read(reader, 65536):
        seen += chunk
    os.close(reader)
    lines = seen.decode().splitlines()
    told = [int(line.removesuffix(" lost")) for line in lines if line.endswith(" lost")]
    assert sum(told) > QUEUE_BYTES // len(LINE)
    assert len(lines) - len(told) + sum(told) == offered


def test_nothing_that_is_logged_raises() -> None:
    class Unspeakable:
        def __repr__(self) -> str:
            raise ZeroDivisionError

    def says(logger: object, method: str, event: dict[str, object]) -> str:
        return repr(event)

    line = careful(says)(None, "warning", {"event": "a thing", "detail": Unspeakable()})
    assert "a thing" in line
    assert "ZeroDivisionError" in line
    reader, writer = os.pipe()
    stream = LogStream(writer, str)
    stream.write("half a pair \ud800\n")
    assert stream.drain(10.0)
    assert os.read(reader, 100) == b"half a pair \\ud800\n"
    os.close(reader)
    stream.write("to nobody\n")
    stream.drain(10.0)
    assert stream.trouble() == "Broken pipe"
    assert stream.lost == 1
    os.close(writer)
