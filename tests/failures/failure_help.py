"""Settings edits and small helpers of the failure tests. No assertions about the product."""

from __future__ import annotations

import re
import signal
from collections.abc import Callable

from bench_kit import HINDERED, all_held_off, held

from collector.demo.bench import Bench
from collector.operator import OperatorClient

Edit = Callable[[str], str]


def by_load(text: str) -> str:
    """Stage 1 also picks up on load, 4 s after 1.2 pu of the mode in force; starts and releases uncounted."""
    text = text.replace(
        "pickup: {top_oil_c: 60.0, hot_spot_c: 75.0}",
        "pickup: {top_oil_c: 60.0, hot_spot_c: 75.0, load_pu: 1.2}",
    )
    text = text.replace(
        "dropout: {top_oil_c: 50.0, hot_spot_c: 65.0}",
        "dropout: {top_oil_c: 50.0, hot_spot_c: 65.0, load_pu: 0.9}",
    )
    text, count = re.subn(
        r"\n(\s+)pickup:", r"\n\1pickup_delay_s: 4.0\n\1max_starts_per_h: 60\n\1pickup:", text
    )
    assert count == 3
    assert text.count("load_pu: 1.2") == 1
    return text.replace("\n  data_dir:", "\n  max_releases_per_h: 60\n  data_dir:")


def station_keys(**values: float) -> Edit:
    """The given keys of `station`, in place of what the settings say."""

    def edit(text: str) -> str:
        for key, value in values.items():
            text = re.sub(rf"\n  {key}: \S+", "", text)
            text = text.replace("\n  data_dir:", f"\n  {key}: {value}\n  data_dir:")
        return text

    return edit


def both(*edits: Edit) -> Edit:
    def edit(text: str) -> str:
        for one in edits:
            text = one(text)
        return text

    return edit


def patient(text: str, module_s: float = 60.0) -> str:
    """The relay module lets go by itself only after so long [station s]: not while a busy machine is late."""
    text = text.replace("timeout_s: 10.0", f"timeout_s: {module_s}")
    return text.replace("timeout_value: 100 ", f"timeout_value: {module_s * 10:.0f} ")


#: On a busy machine: neither the module lets go nor a stall is seen because a step is a second late.
unhurried = both(patient, station_keys(decision_max_age_s=40.0, stale_after_s=120.0))

#: Load [pu of rated] below every dropout, and above the pickup of stage 1 by load.
IDLE, BUSY = 0.3, 0.95


#: The control of what leans on the module's own release is taken out in the simulated module.
NO_TIMEOUT = "The relay module's communication timeout does not work, though its register says so"


def daemon_with(broken: str) -> dict[str, object]:
    """Arguments of make_bench: the product, or the product with one mechanism taken out."""
    return {"daemon": HINDERED, "env": {"BREAK": broken}} if broken else {}


async def without(bench: Bench, mechanism: str) -> None:
    """The daemon that runs is killed; the next has this mechanism taken out ("": none)."""
    if bench.daemon is not None:
        await bench.daemon.end(signal.SIGKILL)
        bench.daemon = None
    bench.env["BREAK"] = mechanism


async def ready(bench: Bench) -> Bench:
    """Daemon running, all three stages held off."""
    await bench.start_daemon()
    await all_held_off(bench)
    return bench


async def load_starts_stage_1(bench: Bench, within_s: float = 6.0) -> float:
    """Raise the load; the decision releases stage 1 alone. Station seconds by the module's log.

    AssertionError when it is not a decision (all at once by a time-out); TimeoutError when nothing happens.
    """
    import time

    since_ns = time.monotonic_ns()
    await bench.station.set_load(BUSY)
    await bench.until(lambda: 0 not in held(bench), "stage 1 started by load", within_s)
    line = next(
        line for line in bench.relay_log() if line["mono_ns"] >= since_ns and 0 in line.get("coils", ())
    )
    assert line["reason"] == "write", f"stage 1 was released by {line['reason']}, not by a decision"
    assert line["coils"] == [0], f"coils {line['coils']} were released together, not stage 1 by a decision"
    return (line["mono_ns"] - since_ns) / 1e9 * bench.station.rate


def command(bench: Bench, **request: object) -> dict[str, object]:
    """One operator's command over the operator socket."""
    with OperatorClient(bench.data_dir) as client:
        return client.request(request="command", **request)
