"""How many A4 pages the report prints on, by a real browser: on demand, since CI has none.

python tests/report/count_pages.py [chromium]

Prints a line for each record; exit status 1 when one takes other than the stated pages.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

import report_station as rs

from collector.record.reader import Record
from collector.report import gather, render

NOW = rs.T0 + 4 * 24 * rs.HOUR
#: days of the record -> pages that docs/report.md states
STATED = {0.25: 2, 3.0: 2, 31.0: 2}


def pages(html: str, browser: str, place: Path) -> int:
    """Pages of the PDF that the browser prints."""
    page, printed = place / "report.html", place / "report.pdf"
    page.write_text(html, encoding="utf-8")
    words = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run(
        [browser, *words, f"--user-data-dir={place / 'profile'}", f"--print-to-pdf={printed}", page.as_uri()],
        check=True,
        capture_output=True,
        timeout=120,
    )
    return len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes()))


def main() -> int:
    browser = sys.argv[1] if len(sys.argv) > 1 else "chromium"
    wrong = 0
    for days, stated in STATED.items():
        with tempfile.TemporaryDirectory() as name:
            place = Path(name)
            told = rs.write(place / "record", days, load=1.2, keep=False)
            with Record(told.path) as record:
                found = pages(render(gather(record, rs.T0), NOW), browser, place)
        print(f"{days:g} days, three windings: {found} pages, {stated} stated")
        wrong += found != stated
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
