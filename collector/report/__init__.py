"""The report for a period: facts from the record, plots, one self-contained HTML page.

Reads a record file and nothing else; no daemon, no settings file, no clock, nothing is written here.
"""

from collector.report.facts import Facts, ReportError, gather
from collector.report.page import render

__all__ = ["Facts", "ReportError", "gather", "render"]
