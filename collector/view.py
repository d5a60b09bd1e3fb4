"""The terminal picture of a station, made from one status answer. Used by `status`, `watch`, `demo`.

It only lays out what the daemon said, in the catalogue's words; no value is computed here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.measure import Measurement
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from collector.settings import watching
from collector.settings.model import Settings, Transformer
from collector.technician.tables import PRIORITY_STYLE, call_style, head, proof_style

#: Temperature scale of the bars [degC].
SCALE_LOW_C, SCALE_HIGH_C = 20.0, 140.0
#: From this width on a stage and its reason share a line.
WIDE = 110
#: What is shown of each where the picture may be as high as it likes, and in the lowest one.
EVENT_LINES, ALARM_LINES, FEW_ALARMS, FEW_WINDINGS = 6, 12, 3, 3
URGENCY = tuple(PRIORITY_STYLE)

Status = dict[str, Any]


def _quality_style(quality: str) -> str:
    if quality.startswith("invalid"):
        return "red"
    if quality != "good":
        return "yellow"
    return ""


class _Values:
    """Looks up values of one status answer; a missing or invalid one is shown as a dash."""

    def __init__(self, status: Status) -> None:
        self._values: dict[str, list[Any]] = status["values"]

    def raw(self, point: str) -> Any:
        return self._values.get(point, [None, "invalid"])[0]

    def quality(self, point: str) -> str:
        return str(self._values.get(point, [None, "invalid"])[1])

    def text(self, point: str, form: str = "{:.1f}", unit: str = "") -> Text:
        value, quality = self.raw(point), self.quality(point)
        if value is None:
            return Text("–", style="red")
        mark = "" if quality == "good" else " s" if "substituted" in quality else " ?"
        return Text(form.format(value) + unit + mark, style=_quality_style(quality))

    def rough(self, point: str) -> Text:
        """Three or four figures, whatever the size: ageing and loss of life span many decades."""
        value = self.raw(point)
        size = 0.0 if value is None else abs(value)
        return self.text(point, "{:.3f}" if size < 10 else "{:.1f}" if size < 1000 else "{:.0f}")


class _Bar:
    """A temperature on the scale, as wide as there is room; `|` marks the high, `‖` the high-high limit."""

    def __init__(self, value: float | None, limits: tuple[float, float], quality: str) -> None:
        self._value, self._limits, self._quality = value, limits, quality

    def __rich_measure__(self, console: Console, options: ConsoleOptions) -> Measurement:
        return Measurement(10, 48)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        cells, span = options.max_width, SCALE_HIGH_C - SCALE_LOW_C
        high, high_high = (
            max(0, min(cells - 1, round((limit - SCALE_LOW_C) / span * cells))) for limit in self._limits
        )
        filled = 0 if self._value is None else round((self._value - SCALE_LOW_C) / span * cells)
        dim = "dim " if _quality_style(self._quality) else ""
        text = Text(no_wrap=True)
        for i in range(cells):
            if i < filled:
                text.append("█", style=dim + ("green" if i < high else "yellow" if i < high_high else "red"))
            elif i == high:
                text.append("|", style="yellow")
            elif i == high_high:
                text.append("‖", style="red")
            else:
                text.append("·", style="bright_black")
        yield text


def _windings(t: Transformer, values: _Values, few: bool) -> RenderableType:
    table = Table(box=None, padding=(0, 1), expand=True, pad_edge=False, header_style="bold")
    for heading, justify in (
        ("winding", "left"),
        ("load\npu", "right"),
        ("gradient\nK", "right"),
        ("hot spot\n°C", "right"),
    ):
        table.add_column(heading, justify=justify, no_wrap=True)  # type: ignore[arg-type]
    table.add_column(f"\n{SCALE_LOW_C:g} to {SCALE_HIGH_C:g} °C", ratio=1, header_style="dim")
    table.add_column("ageing\n×", justify="right", no_wrap=True)
    table.add_column("loss of\nlife h", justify="right", no_wrap=True)
    limits = (t.alarms.hot_spot_high_c, t.alarms.hot_spot_high_high_c)
    hottest = values.raw(f"{t.id}.hottest_winding")
    shown = list(t.windings)
    if few and len(shown) > FEW_WINDINGS:
        shown.sort(key=lambda w: -(values.raw(f"{t.id}.{w.id}.hot_spot_c") or 0.0))
        shown = shown[:FEW_WINDINGS]
    for w in shown:
        at, first = f"{t.id}.{w.id}", w.number == hottest
        table.add_row(
            Text(w.id + (" ◄" if first else ""), style="bold" if first else ""),
            values.text(f"{at}.load_pu", "{:.2f}"),
            values.text(f"{at}.gradient_k"),
            values.text(f"{at}.hot_spot_c"),
            _Bar(values.raw(f"{at}.hot_spot_c"), limits, values.quality(f"{at}.hot_spot_c")),
            values.rough(f"{at}.ageing_rate"),
            values.rough(f"{at}.loss_of_life_h"),
        )
    oil = f"{t.id}.top_oil_c"
    oil_limits = (t.alarms.top_oil_high_c, t.alarms.top_oil_high_high_c)
    table.add_row(
        "top oil", "", "", values.text(oil), _Bar(values.raw(oil), oil_limits, values.quality(oil)), "", ""
    )
    left_out = len(t.windings) - len(shown)
    return Group(table, *([Text(f"and {left_out} cooler windings", style="dim")] if left_out else []))


def _mode(t: Transformer, values: _Values) -> Text:
    number = values.raw(f"{t.id}.mode")
    mode = next((m.id for m in t.modes if m.number == number), "none proven")
    return Text(f"cooling mode {mode}", style=_quality_style(values.quality(f"{t.id}.mode")))


def _oil_line(t: Transformer, values: _Values) -> Text:
    """Where the oil stands against what load and ambient explain."""
    parts: list[tuple[str, Text]] = [
        ("expected oil ", values.text(f"{t.id}.expected_oil_c", unit=" °C")),
        ("difference ", values.text(f"{t.id}.effectiveness_k", "{:+.1f}", " K")),
    ]
    if t.ambient is not None:
        parts.append(("ambient ", values.text(f"{t.id}.ambient_c", unit=" °C")))
    line = Text()
    for word, value in parts:
        line.append(word, style="dim")
        line.append_text(value)
        line.append("   ")
    line.rstrip()
    return line


def _unwatched(t: Transformer, full: bool) -> Text | None:
    """What no reading is held against; a unit without a thermostat of its own says so in every picture."""
    found = list(watching.gaps(t))
    shown = found if full else [g for g in found if g.severity == "warning"]
    if not shown:
        return None
    line = Text("not watched: ", style="dim")
    for gap in shown:
        line.append(gap.short, style="bold yellow" if gap.severity == "warning" else "dim")
        line.append("; ", style="dim")
    line.right_crop(2)
    return line


def _stages(t: Transformer, status: Status, *, wide: bool, sentences: bool) -> RenderableType:
    """One line per stage; its reason beside it where it is wide, below where it is high, else in a word."""
    views = {view["id"]: view for view in status["stages"]}
    table = Table(box=None, padding=(0, 1), expand=True, pad_edge=False, header_style="bold")
    table.add_column("stage", no_wrap=True)
    table.add_column("call", no_wrap=True, min_width=9)
    table.add_column("proof", no_wrap=True, min_width=10)
    table.add_column("relay", no_wrap=True, min_width=9)
    below = sentences and not wide
    if not below:
        table.add_column("why", ratio=1, no_wrap=not wide, overflow="ellipsis" if not wide else "fold")
    if wide or below:
        table.add_column("run h", justify="right", no_wrap=True, ratio=None if wide else 1)
        table.add_column("starts", justify="right", no_wrap=True)
    lines: list[RenderableType] = []
    for s in t.stages:
        view = views.get(f"{t.id}.{s.id}")
        if view is None:
            continue
        cells: list[RenderableType] = [
            s.id,
            Text(view["call"], style=call_style(view["called"])),
            Text(view["proof"], style=proof_style(view["proof"])),
            view["relay"],
        ]
        if not below:
            cells.append(Text(_sentence(view)) if wide else view["reason"])
        if wide or below:
            cells += [f"{view['run_hours']:.1f}", str(view["starts"])]
        table.add_row(*cells)
        if below:
            lines.append(Text.assemble((f"{s.id}: ", "dim"), _sentence(view)))
    return Group(table, *lines)


def _sentence(view: dict[str, Any]) -> str:
    why = str(view["why"])
    return f"{why[:1].upper()}{why[1:]}."


def _alarms(status: Status, lines: int) -> RenderableType:
    """The most urgent ones, each in one line; how to read them in full."""
    standing = sorted(status["alarms"], key=lambda a: (URGENCY.index(a["priority"]), a["order"]))
    if not standing:
        return Text("no alarm stands", style="green")
    table = Table.grid(padding=(0, 1), expand=True)
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(ratio=1, no_wrap=True, overflow="ellipsis")
    for alarm in standing[:lines]:
        name = alarm["id"].replace("alarm_", "")
        text = alarm["text"].partition(f"; {alarm['did']}")[0].partition(": ")[2]
        seen = "" if alarm["status"] == "unacknowledged" else f"{alarm['status']}: "
        table.add_row(
            Text(alarm["priority"], style=PRIORITY_STYLE[alarm["priority"]] if alarm["active"] else "dim"),
            Text(name, style="bold" if alarm["status"] == "unacknowledged" else ""),
            Text.assemble((seen, "dim"), text),
        )
    more = len(standing) - lines
    note = (f"and {more} more; " if more > 0 else "") + "in full, with what to do: windingd status --alarms"
    return Group(table, Text(note, style="dim", no_wrap=True, overflow="ellipsis"))


def _events(status: Status, lines: int) -> RenderableType:
    table = Table.grid(padding=(0, 1), expand=True)
    table.add_column(no_wrap=True, style="dim")
    table.add_column(ratio=1, no_wrap=True, overflow="ellipsis")
    for event in status["events"][-lines:]:
        clock = head_time(event["wall_ns"])
        table.add_row(clock, event["text"])
    return table if status["events"] else Text("nothing yet", style="dim")


def head_time(wall_ns: int) -> str:
    """13:05:09, UTC"""
    seconds = wall_ns // 10**9 % 86400
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _legend(status: Status) -> Text | None:
    """What the marks behind a value mean, if there are any."""
    marks = {quality.split(":")[0] for _, quality in status["values"].values() if quality != "good"}
    substituted = any("substituted" in quality for _, quality in status["values"].values())
    words = [
        *(["? questionable"] if "questionable" in marks else []),
        *(["s substituted"] if substituted else []),
        *(["– invalid"] if "invalid" in marks else []),
    ]
    return Text("   ".join(words), style="dim") if words else None


class _Picture:
    """Chooses how much to show so that it fits: as much as possible, and nothing cut off at the edge."""

    def __init__(
        self, settings: Settings, status: Status, caption: RenderableType | None, height: int | None
    ) -> None:
        self._settings, self._status, self._caption, self._height = settings, status, caption, height

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        height, free = self._height, options.update(height=None)
        for detail in (2, 1, 0):
            parts = self._parts(options.max_width, detail)
            used = sum(len(console.render_lines(part, free, pad=False)) for part in parts)
            if height is None or used + 3 <= height:
                break
        yield from parts
        lines = EVENT_LINES if height is None else max(0, height - used - 2)
        if lines:
            yield Panel(
                _events(self._status, lines), title="events", title_align="left", border_style="bright_black"
            )

    def _parts(self, width: int, detail: int) -> Sequence[RenderableType]:
        status, values = self._status, _Values(self._status)
        parts: list[RenderableType] = [head(self._settings, status)]
        if self._caption is not None:
            parts.append(self._caption)
        for t in self._settings.transformers:
            body: list[RenderableType] = [_windings(t, values, few=detail == 0)]
            if detail:
                body.append(_oil_line(t, values))
            if (line := _unwatched(t, full=detail == 2)) is not None:
                body.append(line)
            if t.stages:
                if detail == 2:
                    body.append(Text(""))
                body.append(_stages(t, status, wide=width >= WIDE, sentences=detail == 2))
            title = Text(f"{t.id} {t.name}".strip())
            parts.append(
                Panel(
                    Group(*body),
                    title=title,
                    title_align="left",
                    subtitle=_mode(t, values),
                    subtitle_align="right",
                    border_style="blue",
                )
            )
        alarms = _alarms(status, ALARM_LINES if detail == 2 else FEW_ALARMS)
        if detail == 2:
            alarms = Panel(alarms, title="alarms", title_align="left", border_style="blue")
        parts.append(alarms)
        silent = [f"{device}: {reason}" for device, reason in status["devices"].items() if reason]
        if silent:
            parts.append(Text("devices: " + "; ".join(silent), style="red"))
        if detail and status.get("modules"):
            failed = any("FAILED" in line for line in status["modules"])
            parts.append(Text("; ".join(status["modules"]), style="bold red" if failed else "dim"))
        if status["injected"]:
            parts.append(Text("test values published: " + ", ".join(status["injected"]), style="magenta"))
        legend = _legend(status)
        if legend is not None and detail:
            parts.append(legend)
        return parts


def render(
    settings: Settings,
    status: Status,
    caption: RenderableType | None = None,
    *,
    height: int | None = None,
) -> RenderableType:
    """The whole station as one picture; `caption` (the demo's story) goes on top.

    height: lines that there are on the screen, and what matters less is left out; None: as high as it likes.
    """
    return _Picture(settings, status, caption, height)
