"""Shared by all tests: outside tools that must be there in CI, and may be missing elsewhere."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable

import pytest
from hypothesis import settings

# CI draws the same examples every time, so that a red run means a change; long runs on demand draw anew.
settings.register_profile("ci", derandomize=True, print_blob=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


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
