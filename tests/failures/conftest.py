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
    group.addoption("--kills", type=int, default=10, help="SIGKILLs of the kill test (10; 200 for the proof)")


def pytest_make_parametrize_id(config: pytest.Config, val: object, argname: str) -> str | None:
    """Names a test says what it ran on: the product as built, or without a mechanism (the control)."""
    if argname != "broken":
        return None
    return f"without {val}" if val else "as built"


@pytest.fixture
def ledger(request: pytest.FixtureRequest) -> Iterator[Ledger]:
    """Where a test notes what it has seen, under its own name."""
    _LEDGER.test = f"{request.node.path.name}::{request.node.name}"
    yield _LEDGER
    _LEDGER.test = ""


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, exitstatus: int) -> None:
    if not terminalreporter.config.getoption("write_failure_table", False):
        return
    if exitstatus != 0:
        terminalreporter.write_line(f"{DOCUMENT.name} is not written: not every test passed")
    elif missing := _LEDGER.missing():
        terminalreporter.write_line(
            f"{DOCUMENT.name} is not written: rows {missing} lack a case or a control"
        )
    else:
        DOCUMENT.write_text(_LEDGER.text(), encoding="utf-8")
        terminalreporter.write_line(f"{DOCUMENT.name} is written")
