"""One record of three hot days for all tests of the report."""

from __future__ import annotations

import pytest
import report_station as rs


@pytest.fixture(scope="session")
def three_days(tmp_path_factory: pytest.TempPathFactory) -> rs.Told:
    return rs.write(tmp_path_factory.mktemp("report"), 3.0, load=1.2)
