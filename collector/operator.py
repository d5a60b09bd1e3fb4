"""The local operator socket: status for `status`, `watch` and `stages`, and operator commands.

A Unix socket in the data directory, JSON lines, one request one answer. Never reachable over a
network: hold-off of a stage is a local act. It only reads the last outcome and queues commands;
the step decides.
"""

from __future__ import annotations

import asyncio
import json
import os
import pwd
import socket
import struct
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from math import isfinite
from pathlib import Path
from typing import Any, get_args

import structlog

from collector.aside import aside
from collector.messages import Command, CommandKind
from collector.record.files import identity, own_directory

SOCKET_NAME = "operator.sock"
#: one request line at most [bytes]; a longer one is refused.
MAX_REQUEST = 4096
#: clients at once; what comes beyond is turned away: a script gone wild must not eat the descriptors.
MAX_CLIENTS = 16
#: a client that asks nothing, or does not read its answer, for so long gives its place up [real s].
IDLE_S = 600.0

#: so long a command may wait for the step that takes it, beside the cycle itself [s, real].
COMMAND_WAIT_S = 10.0

#: So often the directory is looked for, or the socket looked after [real s].
LOOK_AGAIN_S = 2.0

log = structlog.get_logger("operator")
Answer = dict[str, Any]
Handler = Callable[[dict[str, Any], str], Awaitable[Answer]]


class OperatorError(Exception):
    """No daemon to talk to, or it refused; the text is for a person."""


def command_of(request: dict[str, Any], who: str, command_id: str) -> Command:
    """The command that a request holds. ValueError says what is wrong with it.

    Only its form is looked at here; whether it is obeyed is the step's business.
    """
    kind, target = request.get("kind"), request.get("target")
    kinds: tuple[CommandKind, ...] = get_args(CommandKind)
    if kind not in kinds:
        raise ValueError(f"no command {kind!r} (one of {', '.join(kinds)})")
    if not isinstance(target, str) or not 0 < len(target) <= 200:
        raise ValueError("target: the id of a stage, alarm, measurement or transformer")
    return Command(
        id=command_id,
        kind=kind,
        target=target,
        who=who,
        minutes=_number(request, "minutes"),
        value=_number(request, "value"),
        after_min=_number(request, "after_min"),
        why=_words(request, "why"),
    )


def _words(request: dict[str, Any], key: str) -> str:
    given = request.get(key)
    if given is None:
        return ""
    if not isinstance(given, str) or len(given) > 300 or not given.isprintable():
        raise ValueError(f"{key}: a line of text, at most 300 characters")
    return given


def _number(request: dict[str, Any], key: str) -> float | None:
    given = request.get(key)
    if given is None:
        return None
    number = isinstance(given, int | float) and not isinstance(given, bool)
    if not number or abs(given) > 1e9 or not isfinite(given):
        raise ValueError(f"{key}: a number between -1e9 and 1e9")
    return float(given)


@contextmanager
def _short_path(data_dir: Path) -> Iterator[str]:
    """A path to the socket that fits sun_path (108 bytes) however deep the data directory lies."""
    fd = os.open(data_dir, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{fd}/{SOCKET_NAME}"
    finally:
        os.close(fd)


def _peer_name(sock: socket.socket) -> str:
    _pid, uid, _gid = struct.unpack("3i", sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"


Place = tuple[int, int]


def listen(data_dir: Path) -> tuple[socket.socket, Place]:
    """A socket that listens in `data_dir` (mode 0660: owner and group), and where it lies.

    It may wait for the disk. OSError when the directory cannot be used.
    """
    with _short_path(data_dir) as path:
        with suppress(FileNotFoundError):
            os.unlink(path)  # the instance lock is ours, so a left-over socket is nobody's
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            listening.bind(path)
            os.chmod(path, 0o660)
            listening.listen(MAX_CLIENTS)
            found = os.stat(path)
        except OSError:
            listening.close()
            raise
    return listening, (found.st_dev, found.st_ino)


def reachable(data_dir: Path, place: Place) -> bool:
    """Whether the path still leads to that socket. It may wait for the disk."""
    return identity(data_dir / SOCKET_NAME) == place


async def keep_serving(data_dir: Path, mount: Path | None, handler: Handler) -> None:
    """Answer in `data_dir` as soon as it can be used (see `own_directory`), and again when it was removed."""

    def begin() -> tuple[socket.socket, Place]:
        own_directory(data_dir, mount)
        return listen(data_dir)

    told = ""
    while True:
        try:
            listening, place = await aside(begin)
        except OSError as error:
            if str(error) != told:
                log.warning("no operator socket yet", reason=str(error))
            told = str(error)
        else:
            async with await serve(listening, handler):
                while await aside(lambda: reachable(data_dir, place)):  # noqa: B023, ASYNC110
                    await asyncio.sleep(LOOK_AGAIN_S)
            told = ""
            log.warning("the operator socket was removed: a new one is made")
        await asyncio.sleep(LOOK_AGAIN_S)


async def serve(listening: socket.socket, handler: Handler) -> asyncio.AbstractServer:
    """Answer on the socket that :func:`listen` has made."""

    clients: set[asyncio.StreamWriter] = set()

    async def client(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(clients) >= MAX_CLIENTS:
            writer.transport.abort()
            return
        clients.add(writer)
        who = _peer_name(writer.get_extra_info("socket"))
        try:
            while True:
                async with asyncio.timeout(IDLE_S):
                    line = await reader.readline()
                if not line:
                    break
                try:
                    request = json.loads(line)
                    if not isinstance(request, dict):
                        raise ValueError("a request is a JSON object")
                    answer = await handler(request, who)
                except (ValueError, KeyError, TypeError, RecursionError) as error:
                    answer = {"error": f"{type(error).__name__}: {error}"}
                writer.write(json.dumps(answer).encode() + b"\n")
                async with asyncio.timeout(IDLE_S):
                    await writer.drain()
        except (ValueError, OSError):  # line longer than MAX_REQUEST; or it left, was idle, does not read
            pass
        finally:
            clients.discard(writer)
            writer.close()

    return await asyncio.start_unix_server(client, sock=listening, limit=MAX_REQUEST)


class OperatorClient:
    """Blocking client of the operator socket, for the subcommands."""

    def __init__(self, data_dir: Path, timeout_s: float = 5.0) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(timeout_s)
        try:
            with _short_path(data_dir) as path:
                self._socket.connect(path)
        except OSError as error:
            self._socket.close()
            raise OperatorError(
                f"no running windingd answers in {data_dir} ({error.strerror or error}); "
                f"start it with `windingd run`, or check station.data_dir and your group membership"
            ) from None
        self._file = self._socket.makefile("rwb")

    def request(self, **request: Any) -> Answer:
        """Send one request; OperatorError carries the daemon's refusal in words."""
        try:
            self._file.write(json.dumps(request).encode() + b"\n")
            self._file.flush()
            line = self._file.readline()
        except OSError as error:
            raise OperatorError(f"the daemon did not answer: {error}") from None
        if not line:
            raise OperatorError("the daemon closed the connection")
        answer: Answer = json.loads(line)
        if "error" in answer:
            raise OperatorError(str(answer["error"]))
        return answer

    def command(
        self,
        kind: CommandKind,
        target: str,
        *,
        minutes: float | None = None,
        value: float | None = None,
        after_min: float | None = None,
        why: str | None = None,
        cycle_s: float = 60.0,
    ) -> Answer:
        """Give a command and wait for the step that obeys or refuses it.

        The answer: accepted (bool), text (one sentence: what became of it, and why), id. cycle_s: the
        station's, to know how long that may take. OperatorError when no step took it.
        """
        self._socket.settimeout(2 * cycle_s + COMMAND_WAIT_S + 5.0)
        given: dict[str, Any] = {"kind": kind, "target": target, "minutes": minutes, "value": value}
        given |= {"after_min": after_min, "why": why}
        return self.request(request="command", **given)

    def close(self) -> None:
        self._file.close()
        self._socket.close()

    def __enter__(self) -> OperatorClient:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
