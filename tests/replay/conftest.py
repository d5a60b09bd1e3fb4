"""The scripted station of the step's own tests serves here too."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "engine"))
