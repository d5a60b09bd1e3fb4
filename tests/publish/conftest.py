"""Fixtures of the publishing tests; their helpers stand in conftest_publish.py."""

from conftest_publish import broker, station

__all__ = ["broker", "station"]
