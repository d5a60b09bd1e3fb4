"""The report as one HTML page that needs nothing beside itself and prints on A4.

Words and layout only: every number comes from facts.py. Whatever comes out of a record is escaped.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from html import escape

from collector.quality import Quality, Validity
from collector.report.facts import AlarmFacts, Facts, Peak, TransformerFacts, WindingFacts, questionable
from collector.report.plots import overview, timeline
from collector.settings.model import Transformer

S = 10**9
ALARM_ROWS = 12  # more would push the report beyond its pages; the rest is counted in one line

_CSS = """
:root { --ink:#1f2a36; --muted:#66717d; --line:#d5dae0; --hot:#a5352a; --doubt:#8a6414; }
* { box-sizing: border-box; }
html { background:#eef0f2; }
body { margin:0; color:var(--ink); font:14px/1.45 "Liberation Sans", Arial, Helvetica, sans-serif;
  font-variant-numeric: tabular-nums; -webkit-print-color-adjust:exact; print-color-adjust:exact; }
article { max-width:1000px; margin:28px auto; padding:40px 52px; background:#fff;
  border:1px solid var(--line); }
header .place { color:var(--muted); margin:0; }
h1 { font-size:25px; line-height:1.2; font-weight:600; margin:2px 0 4px; }
h1 span { font-weight:400; color:var(--muted); }
h2 { font-size:15px; font-weight:600; margin:26px 0 6px; }
p { margin:4px 0; }
.note, caption, figcaption { color:var(--muted); font-size:12px; text-align:left; }
.simulated { margin:14px 0 0; padding:7px 12px; border:1px solid #c9a24a; background:#fbf3dc; color:#6d4e0d; }
.warn { margin:8px 0 0; padding:5px 12px; border-left:3px solid #c9a24a; background:#fdf9ee; font-size:13px; }
.tiles { display:grid; grid-template-columns:1.25fr 1fr 1fr 1.25fr 1fr; margin:18px 0 14px;
  border-top:1px solid var(--ink); border-bottom:1px solid var(--line); }
.tiles div { padding:9px 12px 10px; border-left:1px solid var(--line); }
.tiles div:first-child { border-left:0; padding-left:0; }
.tiles dt { color:var(--muted); font-size:12px; }
.tiles dd { margin:1px 0 0; }
.tiles .value { font-size:23px; line-height:1.25; font-weight:600; white-space:nowrap; }
.tiles .value small { font-size:14px; font-weight:400; }
.tiles .hot { color:var(--hot); }
.tiles dd:not(.value) { font-size:12px; color:var(--muted); }
figure { margin:0; }
svg.plot { width:100%; height:auto; display:block; }
.key { display:inline-block; width:22px; height:9px; margin:0 5px 0 12px; border:1px solid var(--line);
  vertical-align:-1px; }
.key:first-child { margin-left:0; }
table { width:100%; border-collapse:collapse; font-size:13px; }
caption { caption-side:bottom; padding-top:6px; }
th { font-weight:400; color:var(--muted); font-size:12px; text-align:left; vertical-align:bottom;
  padding:3px 8px 4px 0; border-bottom:1px solid var(--ink); line-height:1.25; }
td { padding:3.5px 8px 3.5px 0; border-bottom:1px solid var(--line); vertical-align:top; }
tr:last-child td { border-bottom:0; }
th.n, td.n { text-align:right; white-space:nowrap; }
th:last-child, td:last-child { padding-right:0; }
td.t { white-space:nowrap; }
tr.first td { font-weight:600; }
td.text { font-size:12px; line-height:1.35; }
.doubt { color:var(--doubt); }
.columns { display:grid; grid-template-columns:1.35fr 1fr; gap:0 36px; align-items:start; }
th.w, td.w { width:42%; padding-left:8px; }
svg.strip { width:100%; min-width:150px; height:8px; display:block; margin-top:6px; }
.strip .good { fill:#b9ccc9; } .strip .doubt { fill:#d9ac3f; } .strip .bad { fill:#a5352a; }
.strip .gone { fill:#eceff2; }
.key.good { background:#b9ccc9; } .key.doubt { background:#d9ac3f; } .key.bad { background:#a5352a; }
.key.gone { background:#eceff2; } .key.called { background:#c9d6dc; } .key.running { background:#3d7183; }
.key.pale { background:#faf3de; }
.key.hatched { background:repeating-linear-gradient(135deg,#eceff2 0 3px,#c4cbd2 3px 4px); }
dl.about { display:grid; grid-template-columns:max-content 1fr; gap:2px 16px;
  margin:6px 0 0; font-size:12px; }
dl.about dt { color:var(--muted); } dl.about dd { margin:0; overflow-wrap:anywhere; }
@page { size:A4; margin:13mm 14mm 15mm;
  @bottom-left { content:%s; font:7pt "Liberation Sans", Arial, sans-serif; color:#66717d; }
  @bottom-right { content:counter(page) " / " counter(pages); font:7pt "Liberation Sans", Arial, sans-serif;
    color:#66717d; } }
@media print {
  html { background:#fff; }
  body { font-size:8.6pt; line-height:1.36; }
  article { max-width:none; margin:0; padding:0; border:0; }
  article + article { break-before:page; }
  h1 { font-size:16pt; } h2 { font-size:10pt; margin:12pt 0 3pt; break-after:avoid; }
  .note, caption, figcaption, th, .tiles dt, .tiles dd:not(.value), dl.about { font-size:7.2pt; }
  .tiles { margin:9pt 0 7pt; } .tiles .value { font-size:14pt; } .tiles .value small { font-size:8.6pt; }
  .simulated { margin-top:6pt; padding:3pt 8pt; } .warn { margin-top:4pt; padding:2pt 8pt; font-size:7.6pt; }
  table { font-size:7.9pt; } td { padding:1.7pt 6pt 1.7pt 0; } td.text { font-size:7.2pt; line-height:1.28; }
  tr, figure, section { break-inside:avoid; } thead { display:table-header-group; }
  svg.strip { margin-top:3pt; height:5pt; }
}
@media screen and (max-width:760px) { article { padding:20px; }
  .tiles, .columns { grid-template-columns:1fr 1fr; } .columns { display:block; }
  table { display:block; overflow-x:auto; } }
"""


def render(facts: Facts, now_ns: int, zone: tzinfo = UTC) -> str:
    """The page. now_ns: when the report is made, UTC [ns]; zone: in which its times are written.

    The same facts, time and zone give the same text. ReportError when matplotlib is missing.
    """
    w = _Words(facts, zone)
    first, last = w.day(facts.start_ns), w.day(facts.end_ns)
    days = first if first == last else f"{first} to {last}"
    title = f"{' '.join(t.id for t in facts.transformers)} report, {days}"
    foot = f"{facts.station_name or facts.station} · {title}" + (" · SIMULATED" if facts.rates else "")
    style = _CSS.replace("%s", _css_string(foot), 1)
    body = "\n".join(_transformer(t, facts, w, now_ns) for t in facts.transformers)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{style}</style>\n</head>\n"
        f"<body>\n{body}\n</body>\n</html>\n"
    )


def _css_string(text: str) -> str:
    """A CSS string that no text can break out of: everything but letters and digits as a number."""
    # The blank after an escape belongs to it.
    return '"' + "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in text) + '"'


@dataclass(frozen=True)
class _Words:
    """Numbers and times as this report writes them."""

    facts: Facts
    zone: tzinfo

    def _at(self, time_ns: int) -> datetime:
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_ns // 1000)).astimezone(
            self.zone
        )

    def day(self, time_ns: int) -> str:
        t = self._at(time_ns)
        return f"{t.day} {t:%b %Y}"

    def full(self, time_ns: int) -> str:
        t = self._at(time_ns)
        return f"{t.day} {t:%b %Y %H:%M}"

    def time(self, time_ns: int) -> str:
        """Short: the year only where the period has more than one."""
        same = self._at(self.facts.start_ns).year == self._at(self.facts.end_ns).year
        t = self._at(time_ns)
        return f"{t.day} {t:%b %H:%M}" if same else self.full(time_ns)

    @property
    def zone_name(self) -> str:
        return "UTC" if self.zone is UTC else str(self.zone)


def number(value: float | None, digits: int = 1) -> str:
    """``1 234.5`` with a narrow space and a true minus sign; a dash where there is none."""
    if value is None:
        return "–"
    text = f"{value:,.{digits}f}".replace(",", "\u202f").replace("-", "\u2212")
    return text.removeprefix("\u2212") if not any(c in "123456789" for c in text) else text


def significant(value: float | None, digits: int = 3) -> str:
    """With so many significant figures, never in powers of ten: per cent of life span seven decades."""
    if value is None:
        return "–"
    if value == 0:
        return "0"
    decimals = digits - 1
    while abs(value) < 10.0 ** (digits - 1 - decimals) and decimals < 9:
        decimals += 1
    while abs(value) >= 10.0 ** (digits - decimals) and decimals > 0:
        decimals -= 1
    return number(value, decimals)


def duration(hours: float) -> str:
    """``45 s``, ``12 min``, ``7.5 h``, ``12.0 d``: the unit that a person would take."""
    seconds = hours * 3600
    if seconds == 0:
        return "0 h"
    if seconds < 90:
        return f"{number(seconds, 0)} s"
    if seconds < 90 * 60:
        return f"{number(seconds / 60, 0)} min"
    return f"{number(hours)} h" if hours < 72 else f"{number(hours / 24)} d"


def in_hours(value: float | None) -> str:
    """Hours to about a minute where that is worth saying."""
    return number(value, 2 if value is not None and 0 < value < 10 else 1 if value else 0)


def share(part: float) -> str:
    """Per cent that says 0 or 100 only when it is."""
    percent = part * 100
    if percent < 0.05:
        return "0" if percent < 1e-9 else "&lt; 0.1"
    if 99.95 <= percent < 100 - 1e-9:
        return "&gt; 99.9"
    return number(percent, 0 if percent > 100 - 1e-9 else 1)


def _doubt(quality: Quality) -> str:
    """Words for a value that is not good; empty for a good one."""
    if quality.validity is Validity.GOOD:
        return ""
    return "substituted" if quality.is_substituted else quality.validity.name.lower()


# --- tables ---------------------------------------------------------------------------------------

Cell = tuple[str, str]  # CSS class, HTML


def _n(text: str) -> Cell:
    return "n", text


def _table(head: Sequence[Cell], rows: Iterable[Sequence[Cell]], caption: str = "", strong: int = -1) -> str:
    top = "".join(f'<th class="{css}">{text}</th>' if css else f"<th>{text}</th>" for css, text in head)
    lines = []
    for n, row in enumerate(rows):
        cells = "".join(f'<td class="{css}">{text}</td>' if css else f"<td>{text}</td>" for css, text in row)
        lines.append(f'<tr class="first">{cells}</tr>' if n == strong else f"<tr>{cells}</tr>")
    below = f"<caption>{caption}</caption>" if caption else ""
    return f"<table>{below}<thead><tr>{top}</tr></thead>\n<tbody>\n" + "\n".join(lines) + "\n</tbody></table>"


def _peak_cells(peak: Peak | None, digits: int, w: _Words) -> list[Cell]:
    if peak is None:
        return [_n("–"), ("t", "no valid value")]
    doubt = _doubt(peak.quality)
    mark = f' <span class="doubt">{doubt}</span>' if doubt else ""
    return [_n(number(peak.value, digits)), ("t", w.time(peak.time_ns) + mark)]


# --- one transformer ------------------------------------------------------------------------------


def _transformer(t: TransformerFacts, facts: Facts, w: _Words, now_ns: int) -> str:
    return f"""<article>
{_header(t, facts, w)}
{_tiles(t, facts, w)}
{_figure(t, facts, w)}
{_peaks(t, w)}
<section>{_life(t)}</section>
<section class="columns">
<div>{_cooling(t, facts)}</div>
<div>{_effectiveness(t)}</div>
</section>
{_alarms(t, w)}
{_quality(t, facts)}
<section>{_about(facts, w, now_ns)}</section>
</article>"""


def _header(t: TransformerFacts, facts: Facts, w: _Words) -> str:
    name = f" <span>{escape(t.settings.name)}</span>" if t.settings and t.settings.name else ""
    lines = [
        "<header>",
        f'<p class="place">{escape(facts.station_name or facts.station)}</p>',
        f"<h1>{escape(t.id)}{name}</h1>",
        f"<p>{w.full(facts.start_ns)} to {w.full(facts.end_ns)} {escape(w.zone_name)},"
        f" {duration(facts.hours)}</p>",
    ]
    if facts.rates:
        rates = ", ".join(f"{rate:g}" for rate in facts.rates)
        lines.append(
            f'<p class="simulated"><strong>Simulated.</strong> Recorded in accelerated time (rate {rates}): '
            "not measurements of a real transformer.</p>"
        )
    lines += [f'<p class="warn">{escape(_sentence(text))}</p>' for text in facts.notices]
    return "\n".join([*lines, "</header>"])


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _tiles(t: TransformerFacts, facts: Facts, w: _Words) -> str:
    tiles: list[tuple[str, str, str, str]] = []
    peak = t.hottest.peak if t.hottest else None
    if t.hottest is not None and peak is not None:
        u = (
            f"±&nbsp;{number(t.hottest.uncertainty_k)}&nbsp;K, "
            if t.hottest.uncertainty_k is not None
            else ""
        )
        tiles.append(
            (
                f"Hottest winding, {escape(t.hottest.id)}",
                f"{number(peak.value)}<small> °C</small>",
                f"{u}{w.time(peak.time_ns)}",
                "hot",
            )
        )
    else:
        tiles.append(("Hottest winding", "–", "no valid hot spot", ""))
    for label, found, digits, unit in (
        ("Highest top oil", t.oil_peak, 1, "°C"),
        ("Highest load", t.load_peak, 2, "pu"),
    ):
        value = f"{number(found.value, digits)}<small> {unit}</small>" if found else "–"
        tiles.append((label, value, w.time(found.time_ns) if found else "no valid value", ""))
    most = _most_aged(t)
    if most is not None and most.life is not None:
        x = most.life
        tiles.append(
            (
                f"Loss of life, {escape(most.id)}",
                f"{significant(x.best_h)}<small> h</small>",
                f"between {significant(x.low_h)} and {significant(x.high_h)} h",
                "",
            )
        )
    else:
        tiles.append(("Loss of life", "–", "not computed", ""))
    gained = t.unmonitored.gained if t.unmonitored else None
    beside = "unmonitored time not known"
    if gained is not None:
        beside = f"{duration(gained)} unmonitored".replace(" ", "&nbsp;")
    known = share(min(1.0, t.hot_spot.hours / facts.hours))
    if doubtful := sum((b - a) / S / 3600 for a, b in questionable(t.hot_spot)) / facts.hours:
        beside = f"{share(min(1.0, doubtful))}&nbsp;%&nbsp;questionable, {beside}"
    tiles.append(("Hot spot known", f"{known}<small> %</small>", beside, ""))
    boxes = "".join(
        f'<div><dt>{label}</dt><dd class="value {css}">{value}</dd><dd>{below}</dd></div>'
        for label, value, below, css in tiles
    )
    return f'<dl class="tiles">{boxes}</dl>'


def _most_aged(t: TransformerFacts) -> WindingFacts | None:
    aged = [x for x in t.windings if x.life is not None]
    return max(aged, key=lambda x: x.life.best_h if x.life else 0.0, default=None)


def _figure(t: TransformerFacts, facts: Facts, w: _Words) -> str:
    key = "".join(
        f'<span class="key {css}"></span>{word}'
        for css, word in (
            ("called", "stage called"),
            ("running", "proven running"),
            ("pale", "questionable"),
            ("hatched", "no valid value"),
        )
    )
    interval = duration(facts.interval_s / 3600)
    return (
        f"<figure>{overview(t, facts, w.zone)}<figcaption>{key}. Lines: mean; "
        f"bands: lowest to highest value. Recorded every {interval}.</figcaption></figure>"
    )


def _peaks(t: TransformerFacts, w: _Words) -> str:
    a = t.settings.alarms if t.settings else None
    head = [
        ("", "Winding"), _n("Hot spot<br>°C"), _n("±<br>K"), ("", "at"), _n("Load<br>pu"), ("", "at"),
        _n(f"Hours above<br>{a.hot_spot_high_c:g} °C" if a else "Hours above<br>high"),
        _n(f"Hours above<br>{a.hot_spot_high_high_c:g} °C" if a else "Hours above<br>high-high"),
    ]  # fmt: skip
    rows: list[list[Cell]] = []
    for x in t.windings:
        rows.append(
            [
                ("", escape(x.id)),
                *_peak_cells(x.peak, 1, w)[:1],
                _n(number(x.uncertainty_k)),
                *_peak_cells(x.peak, 1, w)[1:],
                *_peak_cells(x.load_peak, 2, w),
                _n(in_hours(x.hours_high)),
                _n(in_hours(x.hours_high_high)),
            ]
        )
    strong = next((n for n, x in enumerate(t.windings) if x is t.hottest), -1)
    oil = f"Top oil {_peak_text(t.oil_peak, w)}"
    if t.oil_hours_high is not None and a is not None:
        oil += f", {in_hours(t.oil_hours_high)} h above {a.top_oil_high_c:g} °C"
    ambient = f"; ambient {_peak_text(t.ambient_peak, w)}" if t.ambient is not None else ""
    caption = (
        f"{oil}{ambient}. ±: expanded uncertainty, k = 2. Load: of the rated current of the mode "
        "then in force. Hours: of the intervals whose mean is above."
    )
    return f"<h2>Highest values of the period</h2>\n{_table(head, rows, caption, strong)}"


def _peak_text(peak: Peak | None, w: _Words) -> str:
    if peak is None:
        return "without a valid value"
    doubt = _doubt(peak.quality)
    return f"{number(peak.value)} °C on {w.time(peak.time_ns)}" + (f" ({doubt})" if doubt else "")


def _life(t: TransformerFacts) -> str:
    s = t.settings
    base = f"{number(s.normal_life_h, 0)} h" if s else "normal life"
    head = [
        ("", "Winding"), _n("low<br>h"), _n("best<br>h"), _n("high<br>h"), _n("mean ageing<br>rate"),
        _n(f"low to high<br>% of {base}"), _n(f"best<br>% of {base}"), _n("total to the<br>end, h"),
        _n(f"total<br>% of {base}"),
    ]  # fmt: skip
    rows: list[list[Cell]] = []
    doubtful = False
    for x in t.windings:
        if x.life is None:
            rows.append([("", escape(x.id)), *[_n("–")] * 8, ("", "no valid value")])
            doubtful = True
            continue
        v = x.life
        rate = v.best_h / x.monitored_h if x.monitored_h else None
        low_high = f"{significant(v.percent[0], 2)} to {significant(v.percent[2], 2)}" if v.percent else "–"
        doubt = _doubt(v.quality)
        marks = [f'<span class="doubt">{doubt}</span>'] if doubt else []
        marks += [f"counter restarted {v.restarts} ×"] if v.restarts else []
        marks += [f"corrected by hand {v.corrected} ×"] if v.corrected else []
        doubtful |= bool(marks)
        rows.append(
            [
                ("", escape(x.id)),
                *(_n(significant(hours)) for hours in (v.low_h, v.best_h, v.high_h)),
                _n(significant(rate, 2)), _n(low_high), _n(significant(v.percent[1] if v.percent else None)),
                _n(significant(v.total_h, 4)), _n(significant(v.total_percent)), ("t", "; ".join(marks)),
            ]
        )  # fmt: skip
    if doubtful:
        head.append(("", ""))
    else:
        rows = [row[:9] for row in rows]
    most = _most_aged(t)
    strong = next((n for n, x in enumerate(t.windings) if x is most), -1)
    if s is not None:
        criterion = (
            f"Per cent of {number(s.normal_life_h, 0)} h normal life: {escape(s.life_criterion)}; "
            f"{_PAPER.get(s.paper, escape(s.paper))}, {_state(s)}."
        )
    else:
        criterion = "Per cent are left out: the record does not say which normal life they would refer to."
    notes = ["Low and high: at the hot spot less and plus its expanded uncertainty."]
    notes += [*_dry(t), *_unmonitored(t)]
    return (
        f'<h2>Loss of life in the period</h2>\n<p class="note">{criterion}</p>\n'
        f"{_table(head, rows, ' '.join(notes), strong)}"
    )


def _state(s: Transformer) -> str:
    if s.oil_preservation is None:
        return "taken as dry and free of air"
    air = "free of air" if s.oil_preservation == "sealed" else "with air in the oil"
    return f"with {s.moisture_percent:g} % water, {air} (the dry, air-free rate is 1)"


def _dry(t: TransformerFacts) -> list[str]:
    """What moisture and air have made of it."""
    lives = ((x.id, x.life.dry_h) for x in t.windings if x.life)
    dry = [f"{escape(name)} {significant(hours)} h" for name, hours in lives if hours is not None]
    return [f"Dry, air-free paper would have given {', '.join(dry)}."] if dry else []


def _unmonitored(t: TransformerFacts) -> list[str]:
    """What nobody watched, in hours, and the conservative figure for it, which is in no other one."""
    if t.unmonitored is None:
        return ["Unmonitored hours are not in this record."]
    hours = f"{in_hours(t.unmonitored.gained)} h in the period, {in_hours(t.unmonitored.end)} h in all"
    notes = [f"Unmonitored and not in these figures: {hours}."]
    assumed = [
        f"{escape(x.id)} {significant(x.unmonitored_life.gained)} h"
        for x in t.windings
        if x.unmonitored_life is not None and x.unmonitored_life.gained > 0
    ]
    if assumed:
        notes.append(
            f"A conservative figure for those of the period: <b>{', '.join(assumed)}</b> (hours × the higher "
            "of the ageing rate before the gap and that at rated load and 40&nbsp;°C ambient with all "
            "cooling, which runs while nobody holds it off; too low if the transformer was overloaded "
            "meanwhile)."
        )
    elif t.unmonitored.gained > 0:
        notes.append("There is no conservative figure for them in this record.")
    return notes


_PAPER = {
    "kraft": "kraft paper, rate 1 at 98 °C",
    "thermally_upgraded": "thermally upgraded paper, rate 1 at 110 °C",
    "kraft_ieee_55": "kraft paper of IEEE C57.91 (55 °C rise), rate 1 at 95 °C",
    "kraft_2018": "kraft paper, Arrhenius form of IEC 60076-7:2018, rate 1 at 98 °C",
    "thermally_upgraded_2018": "thermally upgraded paper, Arrhenius form of IEC 60076-7:2018, "
    "rate 1 at 110 °C",
}


def _cooling(t: TransformerFacts, facts: Facts) -> str:
    head = [("", "Stage"), ("", ""), _n("Called<br>h"), _n("Running<br>h"), _n("Running<br>% of period"),
            _n("Starts"),
            _n("Starts<br>in all")]  # fmt: skip
    rows = []
    for x in t.stages:
        run = x.run_h.gained if x.run_h else None
        part = share(min(1.0, run / facts.hours)) if run is not None else "–"
        rows.append(
            [
                ("", escape(x.id)), ("", escape(x.name)),
                _n(in_hours(x.called_h)), _n(in_hours(run)), _n(part),
                _n(number(x.starts.gained if x.starts else None, 0)),
                _n(number(x.starts.end if x.starts else None, 0)),
            ]
        )  # fmt: skip
    if not rows:
        return "<h2>Cooling</h2>\n<p class='note'>This transformer has no cooling stages.</p>"
    proofs = "".join(f"<p class='note'>Relay module {escape(line)}.</p>\n" for line in t.proofs)
    return f"<h2>Cooling</h2>\n{_table(head, rows, 'Running: proven by feedback.')}{proofs}"


def _effectiveness(t: TransformerFacts) -> str:
    title = "<h2>Cooling effectiveness</h2>\n"
    e = t.effectiveness
    if e is None or e.mean_k is None:
        return title + '<p class="note">Not known: it needs top oil, ambient and all currents.</p>'
    head = [("", "Cooling mode"), _n("In force<br>h"), _n("Top oil less<br>expected, K")]
    rows = [[("", escape(m.name)), _n(in_hours(m.hours)), _n(_signed(m.effectiveness_k))] for m in e.modes]
    caption = f"Whole period {_signed(e.mean_k)} K"
    if e.peak is not None:
        caption += f", highest {_signed(e.peak.value)} K"
    if e.above_h is not None and t.settings is not None:
        caption += f"; {in_hours(e.above_h)} h above the limit of {t.settings.alarms.effectiveness_k:g} K"
    caption += ". Above zero: the oil is hotter than load, ambient and cooling explain."
    return title + _table(head, rows, caption)


def _signed(value: float | None) -> str:
    text = number(value)
    return f"+{text}" if value is not None and float(f"{value:.1f}") > 0 else text


def _alarms(t: TransformerFacts, w: _Words) -> str:
    title = "<h2>Alarms</h2>\n"
    if not t.alarms:
        return title + "<p>None in this period.</p>"
    head = [
        ("", "Alarm, as last told"),
        ("", "Priority"),
        _n("Count"),
        _n("Active"),
        ("", "First"),
        ("", "Last"),
    ]
    shown = t.alarms if len(t.alarms) <= ALARM_ROWS + 1 else t.alarms[:ALARM_ROWS]
    rows = [
        [
            ("text", escape(_told(a))),
            ("", escape(a.priority) or "–"),
            _n(str(a.count)),
            _n(duration(a.active_h)),
            ("t", w.time(a.stretches[0][0])),
            ("t", w.time(a.stretches[-1][0])),
        ]
        for a in shown
    ]
    rest = t.alarms[len(shown) :]
    caption = "Active: unacknowledged or acknowledged; not while shelved or suppressed."
    if any(a.count == 0 for a in shown):
        caption += " Count 0: it came before the period."
    if rest:
        times, total = sum(a.count for a in rest), duration(sum(a.active_h for a in rest))
        names = ", ".join(a.point for a in rest[:8]) + (" and others" if len(rest) > 8 else "")
        caption = f"Not listed: {len(rest)} alarms ({times} times, {total}): {escape(names)}. {caption}"
    return title + _table(head, rows, caption)


def _told(a: AlarmFacts) -> str:
    """What was told, without what was done and to be done, which were meant for the moment."""
    text = a.text.partition(" To do: ")[0] or f"{a.point}: {a.meaning}"
    said, closed, _ = text.partition("); ")
    text = f"{said})" if closed else text
    return text.replace("degC", "°C")


def _quality(t: TransformerFacts, facts: Facts) -> str:
    head = [
        ("", "Measurement"),
        *(_n(f"{word}<br>%") for word in ("good", "questionable", "invalid", "missing")),
        ("w", "over the period"),
    ]
    alike: dict[tuple[str, ...], list[str]] = {}  # what is the same in every column shares a row
    for q in t.quality:
        shares = [share(part) for part in (q.good, q.questionable, q.invalid, q.missing)]
        strip = timeline(q.track, facts.start_ns, facts.end_ns)
        alike.setdefault((q.point.rpartition(".")[2], *shares, strip), []).append(q.point)
    rows = [
        [("", escape(_together(points))), *(_n(text) for text in shares), ("w", strip)]
        for (_, *shares, strip), points in alike.items()
    ]
    key = "".join(
        f'<span class="key {css}"></span>{word}'
        for css, word in (
            ("good", "good"),
            ("doubt", "questionable"),
            ("bad", "invalid"),
            ("gone", "missing"),
        )
    )
    note = (
        f"{key}. Share of the period; an interval counts as its worst valid sample (IEC 61850-7-3 validity)."
    )
    return f"<h2>Data quality</h2>\n{_table(head, rows, note)}"


def _together(points: Sequence[str]) -> str:
    """``T1.top_oil_c``; of several alike ``current_a of HV_A, HV_B``."""
    if len(points) == 1:
        return points[0]
    return f"{points[0].rpartition('.')[2]} of {', '.join(p.split('.')[-2] for p in points)}"


def _about(facts: Facts, w: _Words, now_ns: int) -> str:
    settings = facts.settings_hash or "none in the record"
    if facts.settings_hash and not facts.settings_sure:
        settings += " (the newest in the record; which were in force then is no longer journalled)"
    if facts.reloads:
        settings += f"; changed {facts.reloads} × in the period"
    rows = [
        ("Settings", settings),
        ("Software", f"windingd {', '.join(facts.versions)}; started {facts.starts} × in the period"),
        ("Record", f"{w.full(facts.recorded[0])} to {w.full(facts.recorded[1])} {w.zone_name}"),
    ]
    if facts.clock_steps:
        largest = max(facts.clock_steps, key=abs)
        rows.append(
            (
                "Wall clock",
                f"stepped {len(facts.clock_steps)} × in the period, at most by {_signed(largest)} s",
            )
        )
    if facts.rates:
        rows.append(("Time", f"accelerated, rate {', '.join(f'{r:g}' for r in facts.rates)}: simulated"))
    rows.append(("Made", f"{w.full(now_ns)} {w.zone_name}"))
    items = "".join(f"<dt>{label}</dt><dd>{escape(text)}</dd>" for label, text in rows)
    return f'<h2>About this report</h2>\n<dl class="about">{items}</dl>'
