"""Row 10, the place of the record: a file in the way, a mount that is missing and comes late, a directory
that is removed. The earlier record that turns up holds a thousand hours of loss of life.
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from bench_kit import HINDERED, Make, alarm, all_held_off
from failure_help import IDLE, both, by_load, load_starts_stage_1, unhurried, without
from ledger import Ledger
from test_failures_disk import SUBJECT, over

from collector.demo.bench import Bench

LIFE = "/value/T1/HV_A/loss_of_life_h"
OLD_H = 1000.0


class Disk:
    """A file system of its own that can be attached to a mount point and detached again; needs root."""

    def __init__(self, place: Path) -> None:
        self.store, self.mount = place / "store", place / "srv"
        self.store.mkdir()
        self.mount.mkdir()
        self.run("mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", str(self.store))

    def run(self, *command: str) -> None:
        done = subprocess.run(command, capture_output=True, check=False)
        if done.returncode:
            refused = f"{command[0]} is refused here ({done.stderr.decode().strip()}); this test needs root"
            pytest.fail(refused) if os.environ.get("CI") else pytest.skip(refused)

    def attach(self) -> None:
        self.run("mount", "--bind", str(self.store), str(self.mount))

    def detach(self) -> None:
        self.run("umount", "-l", str(self.mount))


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    made = Disk(tmp_path)
    yield made
    if os.path.ismount(made.mount):
        made.detach()
    made.run("umount", "-l", str(made.store))


def old_life(text: str) -> str:
    """Every winding's loss of life begins with what it had before."""
    text, count = re.subn(
        r"\n(\s+)hot_spot_factor:", rf"\n\1loss_of_life_start_h: {OLD_H}\n\1hot_spot_factor:", text
    )
    assert count
    return text


def newest(bench: Bench, since_ns: int) -> float | None:
    """The loss of life that the subscriber got last since then [h]."""
    found = [m["payload"] for m in bench.messages() if m["topic"].endswith(LIFE) and m["mono_ns"] > since_ns]
    return found[-1]["value"] if found else None


async def an_earlier_record(bench: Bench, ledger: Ledger, disk: Disk) -> None:
    """A run whose record is then detached; at its start a file was in the way."""
    disk.attach()
    (disk.mount / "data").touch()
    since_ns = time.monotonic_ns()
    await bench.launch_daemon()
    await all_held_off(bench)
    told = await alarm(bench, SUBJECT, since_ns)
    (disk.mount / "data").unlink()
    await over(bench, since_ns)
    await bench.until(lambda: bench.status() is not None, "operator socket", 10.0)
    ledger.note(
        10,
        "a file where the directory should be, at the start",
        f"“{told['payload']['data']['detail']}”; decided all the same; recorded once it was removed",
    )
    await bench.until(lambda: (newest(bench, since_ns) or 0) >= OLD_H, "loss of life published", 20.0)
    assert bench.daemon is not None
    assert await bench.daemon.end() == 0
    bench.daemon = None
    disk.detach()
    text = bench.settings_path.read_text()
    bench.settings_path.write_text(text.replace(f"start_h: {OLD_H}", "start_h: 0.0"))


async def decides_without_the_mount(bench: Bench) -> int:
    """Started anew; the moment of it."""
    since_ns = time.monotonic_ns()
    await bench.launch_daemon()
    await bench.until(lambda: newest(bench, since_ns) is not None, "loss of life published", 60.0)
    assert (newest(bench, since_ns) or 0) < OLD_H
    return since_ns


async def test_row_10_a_place_that_is_not_there(make_bench: Make, ledger: Ledger, disk: Disk) -> None:
    """Controls: whether the mount is there is not looked at; a record that turns up late is not joined."""

    def on_disk(text: str) -> str:
        return text.replace("\n  data_dir:", f"\n  data_mount: {disk.mount}\n  data_dir:")

    bench = await make_bench(
        load=IDLE,
        edit=both(both(both(by_load, old_life), on_disk), unhurried),
        relay_timeout_s=60.0,
        data_dir=disk.mount / "data",
        publish_s=4.0,
        daemon=HINDERED,
    )
    await an_earlier_record(bench, ledger, disk)
    earlier = disk.store.with_name("earlier")
    shutil.copytree(disk.store, earlier, ignore=shutil.ignore_patterns("*.sock"))

    await without(bench, "mount")
    since_ns = await decides_without_the_mount(bench)
    with ledger.judged(10, "mount", "nothing is mounted"):
        assert not list(disk.mount.iterdir()), "written behind the missing mount"
    await without(bench, "late record")
    shutil.rmtree(disk.mount / "data")
    since_ns = await decides_without_the_mount(bench)
    await alarm(bench, SUBJECT, since_ns)
    disk.attach()
    mounted_ns = time.monotonic_ns()
    await over(bench, since_ns)
    with ledger.judged(10, "late record", "mounted again, with the earlier record on it"):
        await bench.until(lambda: (newest(bench, mounted_ns) or 0) >= OLD_H, "the record's loss of life", 3.0)

    await without(bench, "")
    shutil.rmtree(disk.mount / "data")
    shutil.copytree(earlier, disk.mount, dirs_exist_ok=True)
    disk.detach()
    since_ns = await decides_without_the_mount(bench)
    told = await alarm(bench, SUBJECT, since_ns)
    await all_held_off(bench)
    reaction_s = await load_starts_stage_1(bench)
    assert not list(disk.mount.iterdir()), "written behind the missing mount"
    disk.attach()
    mounted_ns = time.monotonic_ns()
    await over(bench, since_ns)
    await bench.until(lambda: (newest(bench, mounted_ns) or 0) >= OLD_H, "the record's loss of life", 20.0)
    await bench.until(lambda: bench.status() is not None, "operator socket", 10.0)
    ledger.note(
        10,
        "nothing is mounted at the start, later it is, with the earlier record on it",
        f"“{told['payload']['data']['detail']}”; nothing written behind the mount; stage 1 started by load; "
        "then recorded by itself, loss of life that of the record and more",
        reaction_s=reaction_s,
    )

    since_ns = time.monotonic_ns()
    shutil.rmtree(bench.data_dir)
    told = await alarm(bench, SUBJECT, since_ns)
    await bench.until(lambda: bench.status() is not None, "operator socket made again", 15.0)
    await over(bench, since_ns)
    await bench.until(lambda: (newest(bench, since_ns) or 0) >= OLD_H, "loss of life", 20.0)
    assert bench.daemon is not None
    assert await bench.daemon.end() == 0
    with closing(sqlite3.connect(bench.data_dir / "record.sqlite")) as db:
        assert db.execute("SELECT count(*) FROM checkpoint").fetchone()[0]
    ledger.note(
        10,
        "the directory removed in service",
        f"“{told['payload']['data']['detail']}”; made again with record and operator socket; loss of life "
        "went on",
    )
