"""Options and fixtures of the failure tests: benches, the ledger, the document at the end."""

from __future__ import annotations

from collections.abc import Iterator
import pytest
from bench_kit import make_bench, supervisor
from ledger import DOCUMENT, Ledger

__all__ = ["make_bench", "supervisor"]

_LEDGER = Ledger()


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("failures")
    group.addoption("--write-failure-table", action="store_true", help="write docs/failures.md at the end")
    group.addoption(
        "--kills", type=int, default=10, help="SIGKILLs of the kill test (default 10; 200 for the proof)"
    )


@pytest.fixture
def ledger(request: pytest.FixtureRequest) -> Iterator[Ledger]:
    """Where a test notes what it has seen, under its own name."""
    _LEDGER.test = f"{request.node.path.name}::{request.node.name}"
    yield _LEDGER
    _LEDGER.test = ""


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if session.config.getoption("write_failure_table", False):
        if exitstatus != 0:
            raise pytest.UsageError("docs/failures.md is not written: not every test passed")
        _LEDGER.write(DOCUMENT)
