"""The terminal picture of a station, made from one status answer. Used by `status`, `watch`, `demo`.

It only lays out what the daemon said, in the catalogue's words; no value is computed here.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from collector.points import ALARM_STATES, CALL_REASONS
from collector.settings.model import Settings, Stage, Transformer

#: Temperature scale of the bars [degC].
SCALE_LOW_C, SCALE_HIGH_C = 20.0, 140.0
BAR_CELLS = 30
#: Loss-of-life bars would be empty for decades; hours and per cent are shown instead.
EVENT_LINES = 6

Status = dict[str, Any]


def utc(wall_ns: int) -> str:
    """``2026-07-14T13:05:09Z``"""
    return datetime.fromtimestamp(wall_ns // 10**9, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


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

    def text(self, point: str, form: str = "{:.1f}") -> Text:
        value, quality = self.raw(point), self.quality(point)
        if value is None:
            return Text("–", style="red")
        mark = "" if quality == "good" else " s" if "substituted" in quality else " ?"
        return Text(form.format(value) + mark, style=_quality_style(quality))


def _bar(value: float | None, limits: tuple[float, float], quality: str) -> Text:
    """A temperature on the scale; `|` marks the high and `‖` the high-high limit."""
    span = SCALE_HIGH_C - SCALE_LOW_C

    def cell(temperature: float) -> int:
        return max(0, min(BAR_CELLS - 1, round((temperature - SCALE_LOW_C) / span * BAR_CELLS)))

    text = Text()
    high, high_high = limits
    filled = 0 if value is None else cell(value)
    for i in range(BAR_CELLS):
        at = SCALE_LOW_C + i / BAR_CELLS * span
        style = "green" if at < high else "yellow" if at < high_high else "red"
        if i < filled:
            text.append("█", style=style if not _quality_style(quality) else f"dim {style}")
        elif i == cell(high):
            text.append("|", style="yellow")
        elif i == cell(high_high):
            text.append("‖", style="red")
        else:
            text.append("·", style="bright_black")
    return text


def _windings(t: Transformer, values: _Values) -> Table:
    table = Table(box=None, padding=(0, 1), expand=True)
    for heading, justify in (
        ("winding", "left"),
        ("load pu", "right"),
        ("gradient K", "right"),
        ("hot spot °C", "right"),
        ("", "left"),
        ("ageing ×", "right"),
        ("loss of life h", "right"),
    ):
        table.add_column(heading, justify=justify, no_wrap=True, header_style="bold")  # type: ignore[arg-type]
    limits = (t.alarms.hot_spot_high_c, t.alarms.hot_spot_high_high_c)
    hottest = values.raw(f"{t.id}.hottest_winding")
    for w in t.windings:
        at = f"{t.id}.{w.id}"
        name = Text(
            w.id + (" ◄ hottest" if w.number == hottest else ""), style="bold" if w.number == hottest else ""
        )
        table.add_row(
            name,
            values.text(f"{at}.load_pu", "{:.2f}"),
            values.text(f"{at}.gradient_k"),
            values.text(f"{at}.hot_spot_c"),
            _bar(values.raw(f"{at}.hot_spot_c"), limits, values.quality(f"{at}.hot_spot_c")),
            values.text(f"{at}.ageing_rate", "{:.3g}"),
            values.text(f"{at}.loss_of_life_h", "{:.4f}"),
        )
    oil_limits = (t.alarms.top_oil_high_c, t.alarms.top_oil_high_high_c)
    table.add_section()
    table.add_row(
        "top oil",
        "",
        "",
        values.text(f"{t.id}.top_oil_c"),
        _bar(values.raw(f"{t.id}.top_oil_c"), oil_limits, values.quality(f"{t.id}.top_oil_c")),
        Text("expected ", style="dim") + values.text(f"{t.id}.expected_oil_c"),
        Text("ambient ", style="dim") + values.text(f"{t.id}.ambient_c"),
    )
    return table


def _stage_row(t: Transformer, s: Stage, values: _Values, status: Status) -> list[RenderableType]:
    at = f"{t.id}.{s.id}"
    called, running = values.raw(f"{at}.called"), values.raw(f"{at}.running")
    reason = values.raw(f"{at}.reason")
    energised = status["energise"].get(at)
    relay = "undecided" if energised is None else "energised, holds off" if energised else "released"
    proven = "unproven" if values.quality(f"{at}.running") != "good" else "running" if running else "at rest"
    return [
        s.id + (f" {s.name}" if s.name else ""),
        Text("called", style="bold cyan") if called else Text("not called", style="dim"),
        Text(
            proven, style="bold green" if proven == "running" else "yellow" if proven == "unproven" else "dim"
        ),
        Text(relay, style="" if energised else "cyan"),
        CALL_REASONS[reason] if isinstance(reason, int) and reason < len(CALL_REASONS) else "",
        values.text(f"{at}.run_hours", "{:.1f}"),
        values.text(f"{at}.starts", "{:.0f}"),
    ]


def _stages(t: Transformer, values: _Values, status: Status) -> Table:
    table = Table(box=None, padding=(0, 1), expand=True, header_style="bold")
    for heading in ("stage", "call", "proof", "relay", "why", "run h", "starts"):
        table.add_column(heading, no_wrap=True, justify="right" if heading in ("run h", "starts") else "left")
    for s in t.stages:
        table.add_row(*_stage_row(t, s, values, status))
    return table


def standing_alarms(status: Status) -> list[tuple[str, str]]:
    """(alarm id, state word) of every alarm that is not normal, in the order of the catalogue."""
    found = []
    for point, (value, _) in status["values"].items():
        if ".alarm_" in point and isinstance(value, int) and value:
            found.append((point, ALARM_STATES[value]))
    return found


def _alarms(status: Status) -> RenderableType:
    standing = standing_alarms(status)
    if not standing:
        return Text("no alarm stands", style="green")
    lines = []
    for point, state in standing:
        style = "bold red" if state == "unacknowledged" else "red" if state == "acknowledged" else "yellow"
        lines.append(Text.assemble((f"{point.replace('alarm_', '')} ", style), (state, "dim")))
    return Group(*lines[:8], *([Text(f"and {len(lines) - 8} more", style="dim")] if len(lines) > 8 else []))


def _events(status: Status) -> RenderableType:
    lines = [
        Text(f"{utc(e['wall_ns'])[11:19]}  {e['text']}", no_wrap=True, overflow="ellipsis")
        for e in status["events"][-EVENT_LINES:]
    ]
    return Group(*lines) if lines else Text("nothing yet", style="dim")


def render(settings: Settings, status: Status, caption: RenderableType | None = None) -> RenderableType:
    """The whole station as one picture; `caption` (the demo's story) goes on top."""
    values = _Values(status)
    head = Text.assemble(
        (settings.station.name or settings.station.id, "bold"),
        f"   {utc(status['wall_ns'])}",
        (f"   ×{status['rate']:g} simulated time" if status["rate"] != 1 else "", "magenta"),
        (f"   decision {status['sequence']}", "dim"),
    )
    silent = [f"{device}: {reason}" for device, reason in status["devices"].items() if reason]
    parts: list[RenderableType] = [head]
    if caption is not None:
        parts.append(caption)
    for t in settings.transformers:
        body: list[RenderableType] = [_windings(t, values)]
        if t.stages:
            body += [Text(""), _stages(t, values, status)]
        parts.append(
            Panel(Group(*body), title=f"{t.id} {t.name}".strip(), title_align="left", border_style="blue")
        )
    parts.append(Panel(_alarms(status), title="alarms", title_align="left", border_style="blue"))
    if silent:
        parts.append(Text("no answer from " + "; ".join(silent), style="red"))
    if status["injected"]:
        parts.append(Text("test values published: " + ", ".join(status["injected"]), style="magenta"))
    parts.append(Panel(_events(status), title="events", title_align="left", border_style="bright_black"))
    return Group(*parts)
