"""One record of three hot days for all tests of the report."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
import report_station as rs

for part in ("engine", "replay"):  # their scripted station, put through the step and a recorder
    sys.path.insert(0, str(Path(__file__).parents[1] / part))


@pytest.fixture(scope="session")
def three_days(tmp_path_factory: pytest.TempPathFactory) -> rs.Told:
    return rs.write(tmp_path_factory.mktemp("report"), 3.0, load=1.2)
