"""The plots of the report as inline SVG, by matplotlib (extra ``report``).

Draws what facts.py found; computes nothing but where ink goes. The same facts give the same bytes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, tzinfo
from io import StringIO
from typing import Any, cast

import numpy as np

from collector.quality import Validity
from collector.report.facts import Facts, ReportError, TransformerFacts, questionable, unusable
from collector.report.series import Bins, Track, binned, gaps, stretches

DAY_NS = 86_400 * 10**9
BINS = 900  # across 180 mm: two to a printed half millimetre
WIDTH_IN = 7.2

INK, MUTED, LINE = "#1f2a36", "#66717d", "#d5dae0"
HOT, HOT_OTHERS, OIL, AMBIENT, LOAD = "#a5352a", "#dfa79f", "#b57614", "#5b86ad", "#2c5f6f"
CALLED, RUNNING = "#c9d6dc", "#3d7183"
DOUBT, MISSING = "#f6e7bd", "#eceff2"

STYLE: Any = {
    "font.family": "sans-serif",
    "font.sans-serif": ["Liberation Sans", "Arial", "Helvetica", "DejaVu Sans"],
    "font.size": 8.0,
    "text.color": INK,
    "text.parse_math": False,  # names are text, "$" included
    "axes.edgecolor": LINE,
    "axes.labelcolor": MUTED,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.major.size": 2.5,
    "ytick.major.size": 0.0,
    "grid.color": "#e9ecef",
    "grid.linewidth": 0.5,
    "hatch.linewidth": 0.4,
    "hatch.color": "#c4cbd2",
    "svg.fonttype": "none",
    "svg.image_inline": True,
}


def overview(t: TransformerFacts, facts: Facts, zone: tzinfo) -> str:
    """Temperatures, load and stage bars of one transformer over the period, as an ``<svg>`` element.

    ReportError when matplotlib is not installed.
    """
    try:
        import matplotlib
        from matplotlib.figure import Figure
    except ImportError:
        raise ReportError(
            "the report draws its plots with matplotlib, which is not installed:"
            " pip install 'windingd[report]'"
        ) from None
    lanes = max(1, len(t.stages))
    heights = [2.85, 1.2, 0.17 * lanes + 0.1]
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": f"windingd {t.id}"}):
        figure = Figure(figsize=(WIDTH_IN, sum(heights) + 0.62))
        axes: Any = figure.subplots(3, 1, sharex=True, height_ratios=heights)
        drawing = _Drawing(t, facts)
        drawing.temperatures(axes[0])
        drawing.load(axes[1])
        drawing.stages(axes[2])
        drawing.times(axes, zone)
        figure.subplots_adjust(0.072, 0.3 / (sum(heights) + 0.62), 0.998, 0.96, hspace=0.16)
        out = StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return _inline(out.getvalue())


def _inline(svg: str) -> str:
    """Only the element: no prolog, no metadata, no namespace addresses (HTML knows them)."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", svg)
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    return svg.replace(
        "<svg", '<svg role="img" aria-label="temperatures, load and cooling stages" class="plot"', 1
    ).strip()


@dataclass
class _Drawing:
    t: TransformerFacts
    facts: Facts

    def bins(self, track: Track) -> Bins:
        return binned(track, self.facts.start_ns, self.facts.end_ns, BINS)

    def span(self) -> tuple[float, float]:
        return _days(self.facts.start_ns), _days(self.facts.end_ns)

    def temperatures(self, ax: Any) -> None:
        t = self.t
        self.shade(ax, t.hottest.hot_spot if t.hottest else t.hot_spot)
        for n, w in enumerate(w for w in t.windings if w is not t.hottest):
            label = "hot spots of the other windings" if n == 0 else None
            self.line(ax, w.hot_spot, HOT_OTHERS, 0.7, label, band=False)
        if t.ambient is not None:
            self.line(ax, t.ambient, AMBIENT, 0.9, "ambient")
        self.line(ax, t.top_oil, OIL, 1.1, "top oil")
        tops = [p.value for p in (t.oil_peak, t.ambient_peak) if p is not None]
        if t.hottest is not None and t.hottest.peak is not None:
            self.line(ax, t.hottest.hot_spot, HOT, 1.2, f"hot spot of {t.hottest.id}, the hottest winding")
            peak = t.hottest.peak
            tops.append(peak.value)
            ax.plot(
                [_days(peak.time_ns)], [peak.value], "o", ms=3.2, color=HOT, mec="white", mew=0.6, zorder=5
            )
        if t.settings is not None:
            a = t.settings.alarms
            limits = [
                (a.hot_spot_high_c, "hot spot high", HOT, True),
                (a.hot_spot_high_high_c, "hot spot high-high", HOT, False),
                (a.top_oil_high_c, "top oil high", OIL, True),
            ]
            reach = max([*tops, *(value for value, _, _, always in limits if always)])
            for value, text, colour, _ in limits:
                if value <= reach + 10.0:
                    self.limit(ax, value, f"{text} {value:g} °C", colour)
                    reach = max(reach, value)
            tops.append(reach)
        low = [float(np.nanmin(b.low)) for b in self.drawn() if not np.isnan(b.low).all()]
        bottom, top = min([*low, 20.0]), max([*tops, 30.0])
        ax.set_ylim(bottom - 0.04 * (top - bottom), top + 0.1 * (top - bottom))
        ax.set_ylabel("Temperature, °C")
        ax.grid(axis="y")
        handles, labels = ax.get_legend_handles_labels()
        ax.legend(
            handles[::-1], labels[::-1], loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4,
            frameon=False, fontsize=8,
            handlelength=1.4, borderaxespad=0.0, borderpad=0.0, columnspacing=1.6,
        )  # fmt: skip

    def drawn(self) -> list[Bins]:
        tracks = [self.t.top_oil, *(w.hot_spot for w in self.t.windings)]
        return [self.bins(t) for t in (*tracks, *([self.t.ambient] if self.t.ambient is not None else []))]

    def load(self, ax: Any) -> None:
        self.shade(ax, self.t.load)
        self.line(ax, self.t.load, LOAD, 1.1, None)
        top = 1.0
        if self.t.load_peak is not None:
            peak = self.t.load_peak
            ax.plot(
                [_days(peak.time_ns)], [peak.value], "o", ms=3.2, color=LOAD, mec="white", mew=0.6, zorder=5
            )
            top = max(top, peak.value)
        self.limit(ax, 1.0, "rated current of the mode in force", LOAD)
        ax.set_ylim(0.0, 1.18 * top)
        ax.set_ylabel("Load, pu")
        ax.grid(axis="y")

    def stages(self, ax: Any) -> None:
        ax.set_ylim(-0.5, max(1, len(self.t.stages)) - 0.5)
        ax.invert_yaxis()
        self.missing(ax, self.t.hot_spot)
        for row, stage in enumerate(self.t.stages):
            # Any call or run within an interval shows, however short.
            for track, colour, height in ((stage.called, CALLED, 0.72), (stage.running, RUNNING, 0.36)):
                bars = [
                    (_days(a), _days(b) - _days(a))
                    for a, b in stretches(track, np.nan_to_num(track.high) > 0.0)
                ]
                ax.broken_barh(bars, (row - height / 2, height), facecolor=colour, edgecolor=colour, lw=0.3)
        ax.set_yticks(range(len(self.t.stages)), [s.id for s in self.t.stages])
        ax.spines["left"].set_visible(False)

    def times(self, axes: Any, zone: tzinfo) -> None:
        from matplotlib import dates

        ax, at = axes[-1], cast(Any, dates)
        low, high = self.span()
        ax.set_xlim(low, high)
        locator = at.AutoDateLocator(tz=zone, minticks=5, maxticks=10)
        locator.set_axis(ax.xaxis)
        # A label at the very end would be cut off.
        ticks = [x for x in locator() if low <= x <= high - 0.03 * (high - low)]
        step = ticks[1] - ticks[0] if len(ticks) > 1 else high - low
        ax.set_xticks(ticks, [_tick(at.num2date(x, tz=zone), step) for x in ticks])
        for one in axes:
            one.grid(axis="x")
            one.tick_params(axis="y", pad=3)
        figure = axes[0].figure
        figure.align_ylabels(axes[:2])

    # --- pieces -----------------------------------------------------------------------------

    def line(
        self, ax: Any, track: Track, colour: str, width: float, label: str | None, band: bool = True
    ) -> None:
        """Mean as a line, min to max as a band; both break where there is no value."""
        b = self.bins(track)
        middle = [_days(x) for x in ((b.edges_ns[:-1] + b.edges_ns[1:]) // 2).tolist()]
        if band:
            ax.fill_between(middle, b.low, b.high, color=colour, alpha=0.28, lw=0.5)
        alone = ~np.isnan(b.mean)
        alone &= np.isnan(np.concatenate([[np.nan], b.mean[:-1]])) & np.isnan(np.append(b.mean[1:], np.nan))
        ax.plot(middle, b.mean, color=colour, lw=width, label=label, solid_joinstyle="round")
        if alone.any():  # one bin between two gaps has no line to be drawn
            ax.plot(np.array(middle)[alone], b.mean[alone], ".", ms=1.8, color=colour)

    def limit(self, ax: Any, value: float, text: str, colour: str) -> None:
        ax.axhline(value, color=colour, lw=0.7, ls=(0, (4, 3)), alpha=0.75)
        ax.annotate(
            text, (1.0, value), xycoords=("axes fraction", "data"), xytext=(-2, 1.6),
            textcoords="offset points", ha="right", va="bottom", fontsize=7, color=colour,
        )  # fmt: skip

    def shade(self, ax: Any, track: Track) -> None:
        for a, b in questionable(track):
            ax.axvspan(_days(a), _days(b), facecolor=DOUBT, edgecolor=DOUBT, alpha=0.55, lw=0.5, zorder=0)
        self.missing(ax, track)

    def missing(self, ax: Any, track: Track) -> None:
        for a, b in (*gaps(track, self.facts.start_ns, self.facts.end_ns), *unusable(track)):
            ax.axvspan(
                _days(a), _days(b), facecolor=MISSING, edgecolor="#c4cbd2", hatch="////", lw=0.4, zorder=0
            )


def _tick(time: datetime, step_days: float) -> str:
    if step_days >= 27:
        return f"{time:%b %Y}"
    midnight = time.hour == time.minute == 0
    return f"{time.day} {time:%b}" if midnight else f"{time:%H:%M}"


def _days(time_ns: int) -> float:
    return time_ns / DAY_NS


# --- a measurement's quality over the period, small enough for a table cell --------------------------

CELLS = 400
_STATES = ("good", "doubt", "bad", "gone")  # CSS classes of page.py, worst last


def timeline(t: Track, start_ns: int, end_ns: int) -> str:
    """A strip of the period: worst quality in each of 400 cells, so that no short fault disappears."""
    state = np.full(CELLS, 3)
    if len(t):
        first = np.clip((t.time_ns - start_ns) * CELLS // (end_ns - start_ns), 0, CELLS - 1)
        until = t.time_ns + (t.length_s * 1e9).astype(np.int64) - 1
        last = np.clip((until - start_ns) * CELLS // (end_ns - start_ns), 0, CELLS - 1)
        validity = t.bits & 3
        state[_cells(first, last)] = 0
        state[_cells(*(x[validity == Validity.QUESTIONABLE] for x in (first, last)))] = 1
        state[_cells(*(x[validity == Validity.INVALID] for x in (first, last)))] = 2
        for a, b in gaps(t, start_ns, end_ns):
            state[
                (a - start_ns) * CELLS // (end_ns - start_ns) : -(
                    -(b - start_ns) * CELLS // (end_ns - start_ns)
                )
            ] = 3
    begins = np.flatnonzero(np.diff(state, prepend=-1))
    ends = np.append(begins[1:], CELLS)
    boxes = "".join(
        f'<rect class="{_STATES[state[a]]}" x="{a}" width="{b - a}" height="8"/>'
        for a, b in zip(begins.tolist(), ends.tolist(), strict=True)
    )
    shape = f'viewBox="0 0 {CELLS} 8" preserveAspectRatio="none" aria-hidden="true"'
    return f'<svg class="strip" {shape}>{boxes}</svg>'


def _cells(first: Any, last: Any) -> Any:
    """Mask of the cells from first to last of every interval."""
    marks = np.zeros(CELLS + 1, dtype=np.int64)
    np.add.at(marks, first, 1)
    np.add.at(marks, last + 1, -1)
    return np.cumsum(marks[:-1]) > 0
