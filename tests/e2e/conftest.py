"""A bench for each test: simulated station, broker, daemon and subscriber as real processes.

Facts are taken from the relay module's own log and from the subscriber's, never from the daemon.
"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest

from collector.demo.bench import Bench
from simulators.station import Station

#: Station seconds per real second: fast enough to wait for, slow enough for a busy machine.
RATE = 20.0


def quick(text: str) -> str:
    """The demo settings with short minimum run and return times, so that a stage may be held off soon."""
    text = re.sub(r"\n  data_dir:", "\n  return_hold_s: 20.0\n  return_after_s: 4.0\n  data_dir:", text)
    text, count = re.subn(r"\n(\s+)pickup:", r"\n\1minimum_run_s: 20.0\n\1pickup:", text)
    assert count == 3
    return text


@pytest.fixture
async def make_bench(tmp_path: Path) -> AsyncIterator[Callable[..., Any]]:
    """``await make_bench(load=0.5, edit=...)`` gives a started Bench (daemon not yet started)."""
    stack = AsyncExitStack()

    async def make(
        *,
        edit: Callable[[str], str] = lambda text: text,
        rate: float = RATE,
        load: float = 0.4,
        ambient_c: float | None = 15.0,
        publish_s: float = 20.0,
        mqtt: tuple[str, int] | None = None,
        env: Mapping[str, str] | None = None,
        daemon: tuple[str, ...] = ("-m", "collector.commands.main"),
        **station: Any,
    ) -> Bench:
        plant = Station(rate=rate, load=load, ambient_c=ambient_c, log_dir=tmp_path / "devices", **station)
        bench = Bench(
            plant,
            tmp_path,
            mqtt=mqtt,
            publish_s=publish_s,
            edit=lambda text: edit(quick(text)),
            env=env,
            daemon=daemon,
        )
        await stack.enter_async_context(bench)
        return bench

    yield make
    await stack.aclose()
