"""Cost of a step: this tree against another checkout, both in one run, turn by turn.

`python tests/belief/cost.py OLD_TREE` prints median and 99 % of both, in process time, with and without a
doubt.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from statistics import median

HERE = Path(__file__).parent
STEPS, ROUNDS = 300, 6

RUN = """
import sys, time
sys.path[:0] = [sys.argv[1], sys.argv[2]]
from rig import Rig
from collector import engine
r = Rig(load=1.0, groups=2, step_s=10.0, sides=2, probes=2)
r.run(0.2)
if sys.argv[3] == "doubt":
    r.faults["top_oil_c"] = r.faults["top_oil_2_c"] = lambda v: v - 30.0
    r.run(1.0)
real, took = engine.step, []
def timed(*given):
    begun = time.thread_time_ns()
    result = real(*given)
    took.append(time.thread_time_ns() - begun)
    return result
engine.step = timed
r.run({steps} * 10.0 / 3600)
print(*took)
"""


def took(tree: str, what: str) -> list[float]:
    code = RUN.replace("{steps}", str(STEPS))
    done = subprocess.run(
        [sys.executable, "-c", code, tree, str(HERE), what], capture_output=True, text=True, check=True
    )
    return [int(x) / 1e3 for x in done.stdout.split()]


def main() -> None:
    trees = {"before": sys.argv[1], "now": str(HERE.parents[1])}
    found: dict[tuple[str, str], list[float]] = {}
    for _ in range(ROUNDS):  # turn by turn: the machine's load falls on both
        for name, tree in trees.items():
            for what in ("calm", "doubt"):
                found.setdefault((name, what), []).extend(took(tree, what))
    before: dict[str, tuple[float, float]] = {}
    for (name, what), us in found.items():
        us.sort()
        now = median(us), us[int(0.99 * len(us))]
        line = f"{name:7s} {what:6s} median {now[0]:7.0f} us, 99 % {now[1]:7.0f} us"
        if what in before:
            line += f"; times {now[0] / before[what][0]:.2f} and {now[1] / before[what][1]:.2f}"
        before.setdefault(what, now)
        print(line)


if __name__ == "__main__":
    main()
