"""Become another Python program; where the file named first exists, in a time namespace whose boot-time clock
is ahead by the seconds in it. Its monotonic clock is the machine's: so it is after a suspend.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

if __name__ == "__main__":
    ahead, *arguments = sys.argv[1:]
    program = [sys.executable, *arguments]
    if Path(ahead).exists():
        program = ["unshare", "--time", "--boottime", Path(ahead).read_text().strip(), *program]
    os.execvp(program[0], program)
