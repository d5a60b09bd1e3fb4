"""Shared by all tests: outside tools that must be there in CI, and may be missing elsewhere."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable

import pytest


@pytest.fixture(scope="session")
def tool() -> Callable[[str], str]:
    """``tool("mosquitto")`` gives its path; without it the test skips, but in CI it fails."""

    def find(name: str) -> str:
        path = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
        if path is None and os.environ.get("CI"):
            pytest.fail(f"{name} is not installed; CI must have it")
        if path is None:
            pytest.skip(f"{name} is not installed")
        return path

    return find
