"""Stage schedule, live stages and alarms laid out for a terminal of 80 columns or more.

Layout only: every word and number was made elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from collector.settings.model import Settings, Stage, Transformer
from collector.technician.live import CRITERIA
from collector.technician.schedule import Seen, StageSchedule

Status = Mapping[str, Any]
PRIORITY_STYLE = {"urgent": "bold white on red", "high": "bold red", "medium": "yellow", "low": "cyan"}
#: Contact -> (words when closed, words when open, closed is the normal state).
CONTACT_WORDS = {
    "selector_auto": ("selector in Auto", "selector not in Auto", True),
    "selector_manual": ("selector in Manual", "", False),
    "breaker_closed": ("breaker closed", "motor breaker open", True),
    "interlock": ("stop interlock active", "no interlock", False),
}


def span(seconds: float) -> str:
    """A duration as a person says it: 45 s, 4 min 10 s, 2 h 5 min, 3 d 4 h."""
    s = max(0, round(seconds))
    for unit, size, part, step in (("d", 86400, "h", 3600), ("h", 3600, "min", 60), ("min", 60, "s", 1)):
        if s >= size:
            rest = s % size // step
            return f"{s // size} {unit}" + (f" {rest} {part}" if rest else "")
    return f"{s} s"


def moment(wall_ns: int) -> str:
    """2026-07-14 13:05:09Z"""
    return datetime.fromtimestamp(wall_ns // 10**9, UTC).strftime("%Y-%m-%d %H:%M:%SZ")


# --- schedule ----------------------------------------------------------------------------------


def schedule_picture(settings: Settings, schedules: Mapping[str, Sequence[StageSchedule]]) -> RenderableType:
    """The schedule that the sweep found, transformer by transformer, with what its columns mean."""
    parts: list[RenderableType] = []
    for t in settings.transformers:
        rows = schedules[t.id]
        parts.append(_title(t))
        if not rows:
            parts += [Text("  no cooling stages"), Text("")]
            continue
        parts += [_schedule_table(rows), Text("")]
        parts.append(_remarks(rows))
        parts.append(Text(""))
    parts.append(
        Text(
            "Found by moving top oil and load slowly up and down through windingd's own decision step, with "
            "healthy contacts and every stage running as called; not copied from the settings. Temperatures "
            "in steps of 0.1 K. alone: from its criterion to its relay when it is the only one; all at once: "
            "the same when every stage is called just after it stopped, and at most: the sum of its delays, "
            "which must cover it; alarm: at alarm temperature, where no delay is allowed.",
            style="dim",
        )
    )
    return Group(*parts)


def _title(t: Transformer) -> RenderableType:
    return Rule(Text.assemble((t.id, "bold"), f"  {t.name}".rstrip()), align="left", style="blue")


def _pair(on: Seen | None, off: Seen | None, key: str, form: str, word: str) -> Text:
    """Where it starts and stops; a dash when another criterion called it."""
    if on is None or word not in on.by:
        return Text("–", style="dim")
    stop = form.format(getattr(off, key)) if off is not None else "–"
    return Text(f"{form.format(getattr(on, key))} / {stop}")


def _seconds(value: float | None) -> Text:
    return Text("–", style="yellow") if value is None else Text(f"{value:g}")


def _schedule_table(rows: Sequence[StageSchedule]) -> Table:
    table = Table(box=None, padding=(0, 1), header_style="bold", pad_edge=False)
    by_load = any(row.load_on is not None and "load" in row.load_on.by for row in rows)
    for heading, right in (
        ("  stage\n", False),
        ("top oil °C\nstart / stop", True),
        ("hot spot °C\nstart / stop", True),
        *([("load pu\nstart / stop", True)] if by_load else []),
        ("alone\ns", True),
        ("all at\nonce s", True),
        ("at most\ns", True),
        ("alarm\ns", True),
        ("min. run\nmin", True),
    ):
        table.add_column(heading, justify="right" if right else "left", no_wrap=True)
    for row in rows:
        minutes = None if row.minimum_run_s is None else round(row.minimum_run_s / 60.0, 1)
        late = row.together_s is not None and row.together_s > row.bound_s
        table.add_row(
            "  " + row.id.partition(".")[2],
            _pair(row.oil_on, row.oil_off, "top_oil_c", "{:.1f}", "top oil"),
            _pair(row.load_on, row.load_off, "hot_spot_c", "{:.1f}", "hot spot"),
            *([_pair(row.load_on, row.load_off, "load_pu", "{:.2f}", "load")] if by_load else []),
            _seconds(row.delay_s),
            Text(f"{row.together_s:g}", style="bold red" if late else "")
            if row.together_s is not None
            else _seconds(None),
            _seconds(row.bound_s),
            _seconds(row.at_alarm_s),
            _seconds(minutes),
        )
    return table


def _remarks(rows: Sequence[StageSchedule]) -> Table:
    grid = Table.grid(padding=(0, 2))
    for row in rows:
        facts = [row.name] if row.name else []
        if row.needs:
            facts.append(f"needs {row.needs}, which is called with it")
        if row.modes:
            facts.append(f"counts for {' and '.join(row.modes)}")
        if row.group:
            facts.append(
                f"exchanges duty within {row.group}: its limits pass to the one with fewer run hours"
            )
        if row.never_off:
            facts.append(f"was never held off ({row.never_off})")
        for on, what in ((row.oil_on, "top oil"), (row.load_on, "load")):
            if on is None and not row.never_off:
                facts.append(f"not called by rising {what}")
            elif on is not None and not {"top oil", "hot spot", "load"} & set(on.by.split(" and ")):
                facts.append(f"with rising {what} called as: {on.by}, at {on.top_oil_c:.1f} °C oil")
        grid.add_row("  " + row.id.partition(".")[2], "; ".join(facts))
    return grid


# --- live --------------------------------------------------------------------------------------


def live_picture(settings: Settings, status: Status) -> RenderableType:
    """Every stage as it stands: call, proof, relay, run hours, and why in words with what it waits for."""
    views = {view["id"]: view for view in status["stages"]}
    parts: list[RenderableType] = [head(settings, status), Text("")]
    for t in settings.transformers:
        parts.append(_title(t))
        parts.append(temperatures(t, status))
        parts.append(Text(""))
        if not t.stages:
            parts.append(Text("  no cooling stages"))
        heading = _stage_line("stage", "call", "proof", "relay", "run h", "starts")
        heading.stylize("bold")
        parts.append(heading)
        for s in t.stages:
            view = views.get(f"{t.id}.{s.id}")
            if view is not None:
                parts += stage_block(s, view)
        parts.append(Text(""))
    parts += [Text(f"  {line}", style="dim") for line in status.get("modules", ())]
    return Group(*parts)


def head(settings: Settings, status: Status) -> Text:
    return Text.assemble(
        (settings.station.name or settings.station.id, "bold"),
        f"   {moment(status['wall_ns'])}",
        (f"   simulated time ×{status['rate']:g}" if status["rate"] != 1 else "", "magenta"),
    )


def temperatures(t: Transformer, status: Status) -> Text:
    """Top oil, hot spot and load in one line, with their quality when it is not good."""
    text = Text("  ")
    for key, word, unit, form in CRITERIA:
        value, quality = status["values"].get(f"{t.id}.{key}", [None, "invalid"])
        text.append(f"{word} ")
        text.append("–" if value is None else f"{form.format(value)} {unit}", style="bold")
        if quality != "good":
            text.append(f" ({quality})", style="red" if quality.startswith("invalid") else "yellow")
        text.append("   ")
    return text


def _stage_line(*cells: str) -> Text:
    widths = (10, 17, 17, 11)
    left = "  " + " ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=False))
    return Text(left + cells[4].rjust(8) + cells[5].rjust(8), no_wrap=True, overflow="ellipsis")


def stage_block(stage: Stage, view: Mapping[str, Any]) -> list[RenderableType]:
    """One line with the states, one with the reason and what it waits for, one with the contacts."""
    line = _stage_line(
        view["id"].partition(".")[2],
        view["call"],
        view["proof"],
        view["relay"],
        f"{view['run_hours']:.1f}",
        str(view["starts"]),
    )
    line.stylize(call_style(view["called"]), 2, 30)
    line.stylize(proof_style(view["proof"]), 31, 48)
    why = view["why"][:1].upper() + view["why"][1:] + "."
    waits = "; ".join(
        f"{what} {span(s)}" if s is not None else f"{what} until ended" for what, s in view["waits"]
    )
    text = Text(why)
    if waits:
        text.append(f" To go: {waits}.", style="yellow")
    return [line, Padding(text, (0, 0, 0, 6)), Padding(_contacts(stage, view), (0, 0, 0, 6))]


def call_style(called: bool) -> str:
    return "bold cyan" if called else ""


def proof_style(proof: str) -> str:
    return {"running": "bold green", "not proven": "bold red", "starting": "yellow"}.get(proof, "")


def _contacts(stage: Stage, view: Mapping[str, Any]) -> Text:
    words = Text(stage.name, style="dim")
    for name, closed in view["cabinet"].items():
        if_closed, if_open, normal = CONTACT_WORDS[name]
        word = f"{name.replace('_', ' ')} not read" if closed is None else if_closed if closed else if_open
        if word:
            words.append(" · " if words else "")
            words.append(word, style="" if closed is normal else "bold yellow")
    if stage.feedback is None:
        words.append(" · no feedback wired: never proven", style="bold yellow")
    elif view["feedback"] is None:
        words.append(" · feedback not read", style="bold yellow")
    return words


# --- alarms ------------------------------------------------------------------------------------


def alarms_picture(settings: Settings, status: Status) -> RenderableType:
    """Every alarm that is not normal, first-out first: what is wrong, what windingd did, what to do."""
    parts: list[RenderableType] = [head(settings, status), Text("")]
    if not status["alarms"]:
        parts.append(Text("No alarm stands.", style="green"))
    for i, alarm in enumerate(status["alarms"]):
        parts += [alarm_block(alarm, status, first=i == 0 and alarm["active"]), Text("")]
    if status["alarms"]:
        note = "Acknowledging or shelving an alarm never changes cooling: windingd goes by its inputs alone."
        parts.append(Text(note, style="dim"))
    return Group(*parts)


def alarm_block(alarm: Mapping[str, Any], status: Status, *, first: bool) -> RenderableType:
    state = alarm["status"] + ("" if alarm["active"] else ", its cause has gone")
    if alarm["shelved_s"] is not None:
        state += f", back in {span(alarm['shelved_s'])}"
    title = Text.assemble(
        (f" {alarm['priority']} ", PRIORITY_STYLE[alarm["priority"]]),
        (f" {alarm['id'].replace('alarm_', '')}", "bold"),
        f"  {state}",
        ("  first-out" if first else "", "magenta"),
    )
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=9, justify="right", style="dim")
    grid.add_column(ratio=1)
    wrong = alarm["text"].partition(f"; {alarm['did']}")[0]
    if alarm["raised_s_ago"] is not None:
        since = status["wall_ns"] - round(alarm["raised_s_ago"] * 1e9)
        grid.add_row(
            "since",
            f"{moment(since)}, {span(alarm['raised_s_ago'])}; respond within {alarm['respond_min']} min",
        )
    grid.add_row("wrong", Text(wrong, style="bold"))
    grid.add_row("windingd", alarm["did"])
    grid.add_row("to do", Text(alarm["action"], style="green"))
    grid.add_row("else", alarm["consequence"])
    return Group(title, grid)
