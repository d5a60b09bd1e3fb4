"""The page: self-contained, escaped, the same for the same record, and its figures are those of the facts."""

from __future__ import annotations

import re
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import report_station as rs

from collector.messages import Decision, Event, Inputs, Outcome, Value
from collector.quality import GOOD
from collector.record.reader import Record
from collector.report import Facts, ReportError, gather, render
from collector.report.page import duration, in_hours, number, share, significant

NOW = rs.T0 + 4 * 24 * rs.HOUR
VOID = {"meta", "br", "rect", "path", "use", "img", "link"}


class Page(HTMLParser):
    """Reads the page as a browser would: tags, attributes, texts, rows of tables; unbalanced tags fail."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.rows: list[list[str]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID or tag in ("path", "rect", "use"):
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" in self.open:
            return
        self.text += data
        if self.rows and ("td" in self.open or "th" in self.open):
            self.rows[-1][-1] += data

    def row(self, first: str, columns: int) -> list[str]:
        (found,) = [row for row in self.rows if row[0] == first and len(row) == columns]
        return found


def _facts(path: Path) -> Facts:
    with Record(path) as record:
        return gather(record)


@pytest.fixture(scope="module")
def facts(three_days: rs.Told) -> Facts:
    return _facts(three_days.path)


@pytest.fixture(scope="module")
def text(facts: Facts) -> str:
    return render(facts, NOW)


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


def _hot(told: rs.Told, winding: str) -> float:
    return max(float(str(s.values[f"T1.{winding}.hot_spot_c"].value)) for s in told.steps)


def test_the_figures_are_those_of_the_steps(page: Page, three_days: rs.Told) -> None:
    """Read back from the tables, as a person would, and compared with the recorded steps."""
    steps = three_days.steps
    for w in rs.WINDINGS:
        peaks = page.row(w, 8)
        assert float(peaks[1]) == pytest.approx(_hot(three_days, w), abs=0.06)
        assert peaks[2] == "6.5"
        above = sum(float(str(s.values[f"T1.{w}.hot_spot_c"].value)) > 110 for s in steps) / 60
        assert float(peaks[6]) == pytest.approx(above, abs=0.02)
        life = page.row(w, 9)
        for cell, part in zip(life[1:4], ("_low", "", "_high"), strict=True):
            point = f"T1.{w}.loss_of_life{part}_h"
            gained = float(str(steps[-1].values[point].value)) - float(str(steps[0].values[point].value))
            assert float(cell) == pytest.approx(gained, rel=6e-3)
        assert float(life[6]) == pytest.approx(float(life[2]) / 1027, rel=1e-2)
    for stage in rs.STAGES:
        row = page.row(stage, 7)
        running = sum(bool(s.values[f"T1.{stage}.running"].value) for s in steps) / 60
        assert float(row[3]) == pytest.approx(running, abs=0.06)
        assert int(row[5]) == steps[-1].values[f"T1.{stage}.starts"].value
    assert page.row("T1.top_oil_c", 6)[1:5] == ["86.5", "3.1", "0", "10.4"]
    assert page.row("T1.ambient_c", 6)[1:5] == ["88.2", "0", "1.4", "10.4"]
    assert f"{_hot(three_days, 'HV_B'):.1f} °C" in page.text


def test_what_the_reader_must_know_is_there(page: Page, three_days: rs.Told) -> None:
    told = page.text
    assert "9 Jul 2026 00:00 to 12 Jul 2026 00:00 UTC, 3.0 d" in told
    assert three_days.hash in told
    assert "windingd 0.1.0; started 2 × in the period" in told
    assert "7.50 h in the period" in told
    # 7.5 h at the rates that the invented restart was charged with
    assert "A conservative figure for those of the period: HV_A 13.5 h, HV_B 10.5 h, HV_C 9.00 h (" in told
    assert "Simulated" not in told
    assert "the hot spot is above its high limit" in told
    assert "To do" not in told
    # Every per cent of life names its normal life, and the table says what that stands for.
    head = next(row for row in page.rows if row[0] == "Winding" and len(row) == 9)
    assert [cell for cell in head if "%" in cell] == [c for c in head if "% of 102\u202f700 h" in c] != []
    assert "102\u202f700 h normal life: degree of polymerisation 1000 to 200" in told


def test_it_needs_nothing_beside_itself(text: str, page: Page) -> None:
    """No address, no script, nothing to load; references only within the page."""
    assert "http" not in text
    assert not re.search(r"//\w", text)
    assert "@import" not in text
    assert not {"script", "link", "img", "iframe", "object", "base", "form"} & {tag for tag, _ in page.tags}
    for _, attributes in page.tags:
        for name, value in attributes.items():
            assert not name.startswith("on")
            assert name not in ("src", "action", "srcset")
            if name.endswith("href"):
                assert str(value).startswith("#")
            for found in re.findall(r"url\(([^)]*)\)", str(value)):
                assert found.startswith("#")
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    used = {v[1:] for _, a in page.tags for n, v in a.items() if v and n.endswith("href")}
    assert used <= set(ids)


def test_the_same_record_gives_the_same_page(text: str, three_days: rs.Told) -> None:
    assert render(_facts(three_days.path), NOW) == text


def test_times_in_the_zone_asked_for(facts: Facts) -> None:
    told = Page(render(facts, NOW, ZoneInfo("Europe/Helsinki"))).text
    assert "9 Jul 2026 03:00 to 12 Jul 2026 03:00 Europe/Helsinki" in told


HOSTILE = "\"><img src=x onerror=alert(1)></title></style><script>alert('1')</script>$\\frac{\\x & {%s}"


def _hostile(tree: dict[str, Any]) -> None:
    tree["station"]["name"] = HOSTILE
    t = tree["transformers"][0]
    t["name"] = t["life_criterion"] = HOSTILE
    for stage in t["stages"]:
        stage["name"] = HOSTILE


def test_hostile_names_stay_text(tmp_path: Path, text: str) -> None:
    """From the settings, from events, and ids from a record somebody else wrote."""
    settings, settings_text, digest = rs.station(tmp_path, _hostile)
    r = rs.recorder(settings, settings_text, digest, 1.0, "boot-1")
    for n in range(10):
        wall_ns = rs.T0 + n * rs.MINUTE
        data = {"active": True, "priority": HOSTILE, "state": "unacknowledged"}
        events = (Event(wall_ns, "alarm", rs.ALARM, f"{HOSTILE} (x); y", data),) if n == 3 else ()
        values = {f"T1.{w}.{name}": Value(60.0 + n, GOOD) for w in rs.WINDINGS for name in _WINDING_POINTS}
        values["T1.HV_B.hot_spot_c"] = Value(70.0 + n, GOOD)
        values |= {f"T1.{name}": Value(60.0 + n, GOOD) for name in ("hot_spot_c", "top_oil_c", "load_pu")}
        values |= {f"T1.{s}.called": Value(True, GOOD) for s in rs.STAGES}
        values[rs.ALARM] = Value(int(n >= 3), GOOD)
        r.put(Inputs(wall_ns, {}), Outcome(Decision(n, wall_ns, {}), values, events), wall_ns)
    assert r.stop(60.0)
    _rename(tmp_path / "record.sqlite", "T1.HV_B.", "T1.<b>$\\frac{HV$&amp;.")
    _rename(tmp_path / "record.sqlite", "T1.stage2.", "T1.<u>$\\stage$</u>.")
    found = render(_facts(tmp_path / "record.sqlite"), NOW)
    page = Page(found)
    assert {tag for tag, _ in page.tags} <= {tag for tag, _ in Page(text).tags}
    assert not any(name.startswith("on") for _, attributes in page.tags for name in attributes)
    assert page.text.count(HOSTILE) >= 7  # title, heading, place, criterion, three stages, alarm
    assert "hot spot of <b>$\\frac{HV$&amp;, the hottest winding" in page.text  # in the plot, too
    assert page.text.count("<u>$\\stage$</u>") >= 2
    (foot,) = re.findall(r"@bottom-left \{ content:\"(.*?)\"; font", found)
    assert re.fullmatch(r"[A-Za-z0-9\\ ]+", foot)  # nothing that ends a string, a rule or the style
    _rename(tmp_path / "record.sqlite", "T1.", "</title><script>T1</script>.")
    renamed = Page(render(_facts(tmp_path / "record.sqlite"), NOW))
    assert {tag for tag, _ in renamed.tags} <= {tag for tag, _ in Page(text).tags}
    assert renamed.text.count("<script>T1") >= 2


_WINDING_POINTS = ("hot_spot_c", "load_pu", "loss_of_life_h", "loss_of_life_low_h", "loss_of_life_high_h")


def _rename(path: Path, old: str, new: str) -> None:
    import sqlite3

    conn = sqlite3.connect(path)
    with conn:
        conn.execute(
            "UPDATE points SET id = ? || substr(id, ?) WHERE substr(id, 1, ?) = ?",
            (new, len(old) + 1, len(old), old),
        )
    conn.close()


def test_accelerated_time_is_marked_wherever_it_is_looked_at(tmp_path: Path) -> None:
    told = rs.write(tmp_path, 0.05, rate=60.0, gap=None, oil_lost=None)
    found = render(_facts(told.path), NOW)
    page = Page(found)
    assert "Simulated." in page.text
    assert "rate 60" in page.text
    assert "SIMULATED" in found[found.index("@bottom-left") : found.index("@bottom-right")]  # on every sheet


def _second(tree: dict[str, Any]) -> None:
    """Another transformer of one winding without stages."""
    one = tree["transformers"][0]
    onan = {"ONAN": {"gradient_k": 8.0, "rated_current_a": 126.0}}
    two = {k: v for k, v in one.items() if k not in ("stages", "contacts", "name")}
    two |= {"id": "T2", "number": 2, "modes": one["modes"][:1]}
    two["windings"] = [{**one["windings"][0], "modes": onan}]
    tree["transformers"].append(two)


def test_two_transformers_each_on_pages_of_its_own(tmp_path: Path) -> None:
    """T2 has no stages, no name, no peaks worth a limit: it gets its report all the same."""
    told = rs.write(tmp_path, 0.1, gap=None, oil_lost=None, change=_second)
    both = Page(render(_facts(told.path), NOW))
    assert [tag for tag, _ in both.tags].count("article") == 2
    assert "This transformer has no cooling stages." in both.text
    clips = [a["id"] for tag, a in both.tags if tag in ("clippath", "pattern")]
    assert len(clips) == len(set(clips))  # a plot must not borrow from the other
    with Record(told.path) as record:
        two = Page(render(gather(record, transformers=["T2"]), NOW))
    assert [tag for tag, _ in two.tags].count("article") == 1
    assert "stage2" not in two.text


def test_without_matplotlib_it_says_how_to_get_it(facts: Facts, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [n for n in sys.modules if n.split(".")[0] == "matplotlib"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(ReportError, match=r"pip install 'windingd\[report\]'"):
        render(facts, NOW)


def test_settings_that_cannot_be_read_are_said(three_days: rs.Told, tmp_path: Path) -> None:
    """A record from a newer program: limits, names and per cent are left out, and it says so."""
    import shutil
    import sqlite3
    import zlib

    copy = tmp_path / "copy.sqlite"
    shutil.copy(three_days.path, copy)
    conn = sqlite3.connect(copy)
    with conn:
        conn.execute("UPDATE settings SET text = ?", (zlib.compress(b"station: {new_key: 1}\n"),))
    conn.close()
    page = Page(render(_facts(copy), NOW))
    assert "no settings that can be read" in page.text
    assert "does not say which normal life" in page.text
    assert page.row("HV_B", 9)[5:7] == ["–", "–"]
    assert float(page.row("HV_B", 8)[1]) == pytest.approx(_hot(three_days, "HV_B"), abs=0.06)


@pytest.mark.parametrize(
    ("value", "expected"),
    [(0.0, "0"), (0.00123456, "0.00123"), (0.0999, "0.0999"), (1.0, "1.00"), (12.345, "12.3"),
     (999.7, "1\u202f000"), (123456.0, "123\u202f456"), (None, "–"), (5e-9, "0.000000005")],
)  # fmt: skip
def test_significant_figures(value: float | None, expected: str) -> None:
    assert significant(value) == expected


def test_words_for_numbers() -> None:
    assert number(-0.04) == "0.0"
    assert number(-12.25) == "\u221212.2"
    assert in_hours(0.0) == "0"
    assert in_hours(1.234) == "1.23"
    assert in_hours(123.4) == "123.4"
    assert [duration(h) for h in (0, 19 / 3600, 0.5, 7.5, 100)] == ["0 h", "19 s", "30 min", "7.5 h", "4.2 d"]
    # 0 and 100 per cent are only said when they are true.
    assert [share(x) for x in (0.0, 1e-5, 0.5, 0.99999, 1.0)] == ["0", "&lt; 0.1", "50.0", "&gt; 99.9", "100"]
