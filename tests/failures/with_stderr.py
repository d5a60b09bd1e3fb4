"""Become another Python program whose standard error is what the first argument says: that path, or closed
where there is none."""

from __future__ import annotations

import os
import sys

if __name__ == "__main__":
    where, *arguments = sys.argv[1:]
    if os.path.exists(where):
        os.dup2(os.open(where, os.O_WRONLY), 2)
    else:
        os.close(2)
    os.execv(sys.executable, [sys.executable, *arguments])
