"""Back to a real older tree: what its daemon makes of a directory that this tree's has written to.

    PYTHONPATH=tests/corpus:tests/migration python tests/migration/roll_back.py OLD_TREE

Laid out is the fixture; this tree's daemon runs on it until its own checkpoints fill both slots; then the old
tree's daemon runs on the same directory, and on a copy that was made before. The judge reads the file itself.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import test_migration as m
from test_rolled_back import FIXTURE, life

HERE = Path(__file__).parents[2]


def run_until_its_own(tree: Path, place: Path, data: Path) -> list[str]:
    """The daemon of a tree, until both slots hold checkpoints of its own. Returns what it said of them."""
    before = [c for _, c in m.saved(data)]
    log = place / f"{tree.name}.log"
    process = subprocess.Popen(
        [sys.executable, "-m", "collector.commands.main", "run", str(place / "station.yaml")],
        cwd=tree,
        stdout=log.open("wb"),
        stderr=subprocess.STDOUT,
        env={**os.environ, "PYTHONPATH": str(tree), "WINDINGD_BOOT_ID": "boot-2"},
    )
    end = time.monotonic() + m.PATIENCE_S
    while any(c in before for _, c in m.saved(data)) or len(m.saved(data)) < 2:
        if time.monotonic() > end or process.poll() is not None:
            break
        time.sleep(0.1)
    process.kill()
    process.wait()
    return [x for x in log.read_text("utf-8", "replace").splitlines() if "checkpoint" in x or "file" in x]


def main() -> None:
    old = Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        data = m.laid_out(FIXTURE, place)
        shutil.copytree(data, place / "backup")
        print(f"left by the old tree: {life(m.saved(data)[-1][1]):.6f} h")
        run_until_its_own(HERE, place, data)
        print(f"this tree went on:    {life(m.saved(data)[-1][1]):.6f} h")
        said = run_until_its_own(old, place, data)
        print(f"back to the old tree: {life(m.saved(data)[-1][1]):.6f} h", *said, sep="\n  ")
        shutil.rmtree(data)
        shutil.copytree(place / "backup", data)
        said = run_until_its_own(old, place, data)
        print(f"... on the copy:      {life(m.saved(data)[-1][1]):.6f} h", *said, sep="\n  ")


if __name__ == "__main__":
    main()
