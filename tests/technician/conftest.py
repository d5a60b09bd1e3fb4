"""A bench for the technician's commands: simulated station, broker and daemon as real processes."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest

from collector.demo.bench import Bench
from simulators.station import Station


def short(text: str) -> str:
    """The demo settings with short minimum run and return times, so that a stage may soon be held off."""
    text = re.sub(r"\n  data_dir:", "\n  return_hold_s: 20.0\n  return_after_s: 4.0\n  data_dir:", text)
    text, count = re.subn(r"\n(\s+)pickup:", r"\n\1minimum_run_s: 20.0\n\1pickup:", text)
    assert count == 3
    return text


def settled(bench: Bench) -> bool:
    """The daemon has read everything and no stage runs for want of an input."""
    status = bench.status()
    return (
        status is not None
        and not any(status["devices"].values())
        and status["values"].get("T1.hot_spot_c", [None])[0] is not None
        and all(view["reason"] != "released: input lost" for view in status["stages"])
    )


@pytest.fixture
async def make_bench(tmp_path: Path) -> AsyncIterator[Callable[..., Any]]:
    """``await make_bench(load=0.5, edit=...)`` gives a started Bench with its daemon deciding."""
    stack = AsyncExitStack()

    async def make(
        *,
        edit: Callable[[str], str] = short,
        rate: float = 20.0,
        load: float = 0.4,
        ambient_c: float = 15.0,
        relay_timeout_s: float = 10.0,
        **more: Any,
    ) -> Bench:
        plant = Station(
            rate=rate,
            load=load,
            ambient_c=ambient_c,
            relay_timeout_s=relay_timeout_s,
            log_dir=tmp_path / "devices",
        )
        bench = Bench(plant, tmp_path, publish_s=60.0, edit=edit, **more)
        await stack.enter_async_context(bench)
        await bench.start_daemon()
        await bench.until(lambda: settled(bench), "every input counts")
        return bench

    yield make
    await stack.aclose()
