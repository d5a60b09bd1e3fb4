"""Fixtures of the end-to-end tests: a bench for each."""

from __future__ import annotations

from bench_kit import make_bench, supervisor

__all__ = ["make_bench", "supervisor"]
