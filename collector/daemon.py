"""Supervision: one asyncio loop that carries readings to the step and its outcome to everybody else.

Order of importance is the order of the code: a decision never waits for record, broker, SCADA or an
operator. Rules about temperatures, stages or alarms must never be put here.
"""

from __future__ import annotations

import asyncio
import ipaddress
import os
import signal
import socket
import time
from collections.abc import Awaitable, Callable, Collection, Coroutine, Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import structlog

from collector import engine, operator
from collector.aside import aside
from collector.clock import Clock
from collector.field import Field
from collector.field.orphans import orphans
from collector.log_stream import LogStream
from collector.messages import Command, Event, Health, Inputs, Outcome, StallSign, Value
from collector.points import catalogue
from collector.publish.inject import Injections, parse
from collector.publish.mqtt import TIME_DOUBTFUL, TIME_GOOD, MqttPublisher
from collector.publish.scada import ScadaServer
from collector.record.boot import boot_id
from collector.record.recorder import Recorder, StoredCheckpoint
from collector.sd_notify import notify
from collector.settings import Loaded, load, once_good
from collector.settings.model import Settings
from collector.technician import live, loading_view

log = structlog.get_logger()

#: A wall clock before this is one that nobody has set (the project's first commit) [UTC ns].
CLOCK_FLOOR_NS = 1_795_000_000 * 10**9
#: Wall against monotonic time moving by more than this between two cycles is a clock step [s].
CLOCK_STEP_S = 2.0
#: Longest gap that a wall clock may claim for a restart [s]: 400 days.
GAP_MAX_S = 400 * 86400.0
#: A state snapshot so often in the journal, from which a replay may start [station ns].
SNAPSHOT_NS = 3600 * 10**9
#: The record is looked for so often, and missed aloud after so long, by what wants to read it [real s].
LOOK_AGAIN_S, FORMER_WAIT_S = 0.5, 30.0
#: SIGTERM: seconds (real) to confirm that outputs are released, and to flush broker and record.
RELEASE_DEADLINE_S = 5.0
FLUSH_DEADLINE_S = 3.0


class StartRefused(Exception):
    """The daemon must not start; the text says why. No link has been opened."""


def is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def refuse_rate(settings: Settings, rate: float) -> None:
    """StartRefused when time is scaled although a link or broker may be a real one."""
    if rate == 1.0:
        return
    hosts = {f"link {link.id}": link.host or "" for link in settings.links}
    hosts |= {f"standby of link {link.id}": link.standby_host for link in settings.links if link.standby_host}
    if settings.mqtt is not None:
        hosts["mqtt"] = settings.mqtt.host
    real = sorted(name for name, host in hosts.items() if not is_loopback(host))
    if real:
        raise StartRefused(
            f"--rate {rate:g} is only for a simulated station, but {real[0]} is not on the loopback address "
            f"(leave --rate out)"
        )


def instance_lock(station_id: str) -> socket.socket:
    """One instance per station on this machine; needs no disk. StartRefused when another one runs.

    An abstract Unix socket: the kernel drops it with its owner, however that one ends.
    """
    lock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        lock.bind(f"\0windingd/{station_id}")
    except OSError:
        lock.close()
        raise StartRefused(
            f"another windingd already runs for station {station_id} on this machine (stop it first: "
            f"two masters would write the same relays)"
        ) from None
    return lock


@dataclass(slots=True)
class WallClock:
    """Watches the wall clock against monotonic time. Model and timers never use it."""

    offset_ns: int | None = None
    stepped_s: float = 0.0
    trusted: bool = True
    jumped_s: float = 0.0

    def observe(self, mono_ns: int, wall_ns: int) -> None:
        """Call once per cycle; afterwards `stepped_s` is the step since the last cycle [s].

        `jumped_s`: a step ahead of a clock that was right before, as time without monotonic time would be.
        """
        offset = wall_ns - mono_ns
        moved = 0.0 if self.offset_ns is None else (offset - self.offset_ns) / 1e9
        self.stepped_s = moved if abs(moved) > CLOCK_STEP_S else 0.0
        self.jumped_s = max(0.0, self.stepped_s) if self.trusted else 0.0
        self.trusted = wall_ns >= CLOCK_FLOOR_NS
        self.offset_ns = offset


def restart_gap(boot: str, mono_ns: int, wall_ns: int, then: tuple[str, int, int]) -> engine.Gap:
    """The gap since a checkpoint taken at `then` = (boot id, mono_ns, wall_ns).

    Same boot: monotonic difference. Another boot: the wall clock, if both ends are plausible.
    """
    then_boot, then_mono, then_wall = then
    if boot == then_boot and mono_ns >= then_mono:
        return engine.Gap(True, (mono_ns - then_mono) / 1e9, mono_ns)
    gap_s = (wall_ns - then_wall) / 1e9
    plausible = min(wall_ns, then_wall) >= CLOCK_FLOOR_NS and 0 <= gap_s <= GAP_MAX_S
    return engine.Gap(False, gap_s if plausible else None, mono_ns)


class DurableLoss:
    """Caps published loss of life at the last durable checkpoint, so that it never goes backwards.

    The one exception is a correction by command, whose checkpoint is made in the same cycle.

    A power cut loses what was not yet on disk; what was published must not exceed what comes back.
    Until this run's first checkpoint is durable, loss of life is not published at all; while the disk
    does not work nothing would ever be durable: then the live value is published.
    """

    def __init__(self) -> None:
        self._pending: list[tuple[int, dict[str, Value]]] = []
        self._durable: dict[str, Value] = {}

    def checkpointed(self, mono_ns: int, outcome: Outcome) -> None:
        """A checkpoint holding this outcome's loss of life was handed to the record."""
        self._pending.append((mono_ns, _losses(outcome)))
        del self._pending[:-16]  # a disk that hangs: the oldest wait no longer

    def cap(self, outcome: Outcome, durable_mono_ns: int | None, record_ok: bool) -> Outcome:
        """`outcome` for publishing, with loss of life as of the newest durable checkpoint of this run."""
        while self._pending and durable_mono_ns is not None and self._pending[0][0] <= durable_mono_ns:
            self._durable = self._pending.pop(0)[1]
        if not record_ok:
            return outcome
        rest = {p: v for p, v in outcome.values.items() if not _is_loss(p)}
        here = {p: v for p, v in self._durable.items() if p in outcome.values}
        return replace(outcome, values={**rest, **here})


def _made_at_once(outcome: Outcome) -> bool:
    """Whether its checkpoint does not wait: a corrected loss of life is published from then on."""
    return any(event.kind == "life" for event in outcome.events)


def _is_loss(point: str) -> bool:
    return ".loss_of_life_" in point


def _losses(outcome: Outcome) -> dict[str, Value]:
    return {p: v for p, v in outcome.values.items() if _is_loss(p)}


async def supervise(name: str, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run `work` for ever; what it raises is logged, and it starts again after 1 s, 2 s ... 30 s."""
    pause_s = 1.0
    while True:
        started = time.monotonic()
        try:
            await work()
        except Exception as error:
            log.error(
                "task failed, starting again", task=name, error=repr(error), pause_s=pause_s, exc_info=True
            )
        else:
            log.warning("task ended, starting again", task=name, pause_s=pause_s)
        await asyncio.sleep(pause_s)
        pause_s = 1.0 if time.monotonic() - started > 60.0 else min(30.0, pause_s * 2)


async def once(name: str, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run `work` to its end; what it raises is logged."""
    try:
        await work()
    except Exception:
        log.exception("task failed", task=name)


async def end_tasks(tasks: Iterable[asyncio.Task[None]]) -> None:
    """Cancel and wait. Asked again each half second: before Python 3.12 `wait_for` may swallow a cancellation
    that comes in the moment its own wait is over. Given up after `FLUSH_DEADLINE_S` real seconds."""
    pending = set(tasks)
    end = time.monotonic() + FLUSH_DEADLINE_S
    while pending and time.monotonic() < end:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=0.5)
    if pending:
        log.error("tasks do not end", tasks=[task.get_name() for task in pending])


class Daemon:
    """One station. ``await run()`` returns after SIGTERM or SIGINT with an exit status."""

    def __init__(
        self,
        path: Path,
        loaded: Loaded,
        rate: float = 1.0,
        wall_ns: int | None = None,
        log_stream: LogStream | None = None,
        refused: str = "",
    ) -> None:
        """`loaded` must be without faults. StartRefused before any link is opened.

        path: of the settings, read again at a reload. refused: why it is not what `loaded` holds.
        rate, wall_ns: see `Clock`; other than the defaults only for a simulated station.
        log_stream: where the log goes, to put it on record when nobody takes it.
        """
        assert loaded.settings is not None
        refuse_rate(loaded.settings, rate)
        self.path = path
        self.settings = loaded.settings
        self.settings_hash = loaded.hash
        self.clock = Clock(rate, wall_ns)
        self.data_dir = Path(self.settings.station.data_dir)
        self._started_ns = self.clock.mono_ns()
        self._boot_id = boot_id()
        self._lock = instance_lock(self.settings.station.id)
        self.plan = engine.build(self.settings, loaded.hash, permissible_loading=True)
        self.field = Field(self.settings, self.clock)
        self.recorder = Recorder(
            self.settings, self.clock, settings_text=loaded.text, settings_hash=loaded.hash
        )
        self.mqtt: MqttPublisher | None = None
        self.scada: ScadaServer | None = None
        self.state = engine.initial(self.plan)
        self._began = self.state  # what this run began with, at this (mono_ns, wall_ns), and whence
        self._began_at = (0, 0)
        self._from_record = False
        self.outcome: Outcome | None = None
        self._publishing: list[asyncio.Task[None]] = []
        self._wall = WallClock()
        self._all_reset_ns = -1
        self._wall_ns = 0  # the wall clock of the present cycle
        self._loss = DurableLoss()
        self._injections = Injections()
        self._commands: list[Command] = []
        self._awaited: dict[str, asyncio.Future[Event]] = {}  # command id -> who waits for its outcome
        self._refused = refused
        self._stop = asyncio.Event()
        self._reload = asyncio.Event()
        self._checkpoint_ns: int | None = None
        self._snapshot_ns: int | None = None  # of the clock
        self._recent: list[tuple[int, Event]] = []  # (wall_ns, event): what `watch` shows
        self._log_stream = log_stream
        self._log_trouble = ""

    # --- life ---------------------------------------------------------------------------------

    async def run(self) -> int:
        loop = asyncio.get_running_loop()
        for name in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(name, self._stop.set)
        loop.add_signal_handler(signal.SIGHUP, self._reload.set)
        self._start_record()
        self._start_publishing()
        work: dict[str, Callable[[], Awaitable[None]]] = {
            "field": self.field.run,
            "operator": self._serve_operators,
            "decide": self._decide,
            "reload": self._reload_loop,
        }
        tasks = [asyncio.create_task(supervise(n, w), name=n) for n, w in work.items()]  # type: ignore[arg-type]
        tasks.append(asyncio.create_task(once("orphans", self._release_orphans), name="orphans"))
        log.info("started", station=self.settings.station.id, settings=str(self.path), rate=self.clock.rate)
        await self._stop.wait()
        return await self._shut_down(tasks)

    def _start_record(self) -> None:
        """Open the record and take up its checkpoint. Whatever fails here, control starts all the same."""
        found = self.recorder.load_checkpoint()
        self.recorder.start()
        now = self.clock.now()
        if found is not None:
            gap = restart_gap(self._boot_id, *now, (found.boot_id, found.mono_ns, found.wall_ns))
            try:
                self.state = engine.restore(self.plan, found.data, gap)
            except ValueError as error:
                kept = self.recorder.keep(found)
                text = f"the checkpoint cannot be used: starting without it, kept as {kept}"
                log.error(text, error=str(error))
                event = Event(now[0], "record", "station", f"{text} ({error})")
                self._recent.append((now[1], event))
                self.recorder.note(event, now[1])
            else:
                self._from_record = True
                self.recorder.put_restart(found, gap.same_boot, gap.gap_s, gap.mono_ns, now[1])
                log.info("continuing from checkpoint", gap_s=gap.gap_s, same_boot=gap.same_boot)
        if not self._from_record:
            log.info("no checkpoint: thermal state starts in steady state for the present load")
        self._began, self._began_at = self.state, now
        for found in self.recorder.set_aside:
            self._join(found, set_aside=True)
        self._snapshot()

    def _join(self, found: StoredCheckpoint, set_aside: bool = False) -> None:
        """Take from an earlier record what it holds more: see `engine.join`. Never raises."""
        mono_ns, wall_ns = self._began_at
        if set_aside or self._from_record:  # the time since then was watched, as far as anybody knows
            gap = engine.Gap(False, 0.0, mono_ns)
        else:
            gap = restart_gap(self._boot_id, mono_ns, wall_ns, (found.boot_id, found.mono_ns, found.wall_ns))
        try:
            state, rose = engine.join(
                self.plan, self.state, self._began, found.data, gap, peaks=not set_aside
            )
        except ValueError as error:  # of another version: it stays where it is
            log.warning("an earlier record cannot be joined", error=str(error))
            return
        except Exception:  # whatever is in that file, decisions go on
            log.exception("an earlier record cannot be joined")
            return
        if set_aside and not rose:
            return
        self.state = state
        text = "an earlier record was joined: " + (
            ", ".join(f"loss of life of {w} {was:.1f} h, now {now:.1f} h" for w, (was, now) in rose.items())
            or "no loss of life was higher in it"
        )
        log.warning(text)
        event = Event(self._snapshot(), "join", "station", text, {w: now for w, (_, now) in rose.items()})
        self._recent.append((self.clock.wall_ns(), event))
        self.recorder.note(event, self.clock.wall_ns())

    def _join_late(self) -> None:
        """An earlier record turned up after the start: joined before anything is written to it."""
        found = self.recorder.late()
        if found is not None:
            self._join(found)
            self.recorder.put_checkpoint(engine.checkpoint(self.state), *self.clock.now())
            self.recorder.joined(found)

    def _start_publishing(self, former: Collection[str] = ()) -> None:
        """former: MQTT topics that were published under the settings before."""
        if self.settings.mqtt is not None:
            self.mqtt = MqttPublisher(
                self.settings,
                self.clock,
                self.data_dir,
                settings_hash=self.settings_hash,
                former=former,
            )
            self._publishing.append(asyncio.create_task(supervise("mqtt", self.mqtt.run), name="mqtt"))
        if self.settings.scada is not None:
            self.scada = ScadaServer(self.settings, self.clock)
            self._publishing.append(asyncio.create_task(supervise("scada", self.scada.run), name="scada"))

    async def _stop_publishing(self) -> None:
        if self.mqtt is not None:
            await self.mqtt.close(FLUSH_DEADLINE_S)  # says goodbye over the connection that run() keeps
        await end_tasks(self._publishing)
        self._publishing.clear()
        self.mqtt = self.scada = None

    async def _shut_down(self, tasks: list[asyncio.Task[None]]) -> int:
        notify("STOPPING=1", "STATUS=releasing cooling relays")
        by_name = {task.get_name(): task for task in tasks}
        await end_tasks([by_name[name] for name in ("decide", "operator", "reload")])
        released = await self.field.release_all(RELEASE_DEADLINE_S)
        if released:
            log.info("every output is released, and read back where that is possible: cooling runs")
        else:
            log.error(
                "release could not be confirmed; the modules release by themselves",
                deadline_s=RELEASE_DEADLINE_S,
            )
        await end_tasks(tasks)
        await self.field.close()
        if self.outcome is not None:
            self._checkpoint(self.outcome)
            self._snapshot()
        await self._stop_publishing()
        if not self.recorder.stop(FLUSH_DEADLINE_S):
            log.error("the record could not be flushed in time", deadline_s=FLUSH_DEADLINE_S)
        self._lock.close()
        log.info("stopped", outputs_released=released)
        return 0

    # --- the cycle ----------------------------------------------------------------------------

    async def _decide(self) -> None:
        """One decision per cycle, on a fixed beat of station time."""
        due = self.clock.mono_ns()
        while True:
            self._cycle()
            period_ns = int(self.settings.station.cycle_s * 1e9)
            now = self.clock.mono_ns()
            due += period_ns * max(1, -(-(now - due) // period_ns))  # skip beats that were missed
            await self.clock.sleep((due - now) / 1e9)

    def _cycle(self) -> None:
        self._join_late()
        inputs = self._gather()
        self.state, outcome = engine.step(self.state, self.plan, inputs)
        self.field.offer(outcome.decision)
        first = self.outcome is None
        self.outcome = outcome
        notify("WATCHDOG=1")
        if first:
            notify("READY=1", f"STATUS=station {self.settings.station.id}: deciding")
        try:
            self._tell(inputs, outcome)
        except Exception:  # whatever is wrong with the telling, the next decision comes
            log.exception("a step could not be told in full")

    def _gather(self) -> Inputs:
        snapshot = self.field.snapshot()
        mono_ns, self._wall_ns = self.clock.now()
        mono_ns = max(mono_ns, self.state.mono_ns + 1)
        self._wall.observe(mono_ns, self._wall_ns)
        record_ok, record_reason = self.recorder.health()
        broker_ok, broker_reason = self.mqtt.health() if self.mqtt is not None else (True, "")
        commands, self._commands = tuple(self._commands), []
        return Inputs(
            mono_ns=mono_ns,
            readings=snapshot.readings,
            relays=snapshot.relays,
            devices=snapshot.devices,
            commands=commands,
            health=Health(
                record_ok=record_ok,
                record_reason=record_reason,
                broker_ok=broker_ok,
                broker_reason=broker_reason,
                clock_trusted=self._wall.trusted,
                clock_stepped_s=self._wall.stepped_s,
                settings_refused=self._refused,
                unnamed_outputs="; ".join(
                    f"{device}: coil {', '.join(map(str, coils))}"
                    for device, coils in sorted(snapshot.unnamed.items())
                ),
                possible_stall=self._possible_stall(snapshot.all_reset_ns),
            ),
            polled=snapshot.polled,
            settings_hash=self.settings_hash,
        )

    def _possible_stall(self, all_reset_ns: int) -> StallSign:
        """A sign since the last cycle that the machine stood still although no clock of ours moved."""
        reset, self._all_reset_ns = all_reset_ns > self._all_reset_ns, all_reset_ns
        if self._wall.jumped_s > self.settings.station.decision_max_age_s:
            return "wall clock"
        return "connections" if reset else ""

    def _tell(self, inputs: Inputs, outcome: Outcome) -> None:
        """Record, publish and log; none of them may block or raise, and none is waited for."""
        wall_ns = self._wall_ns
        for event in outcome.events:
            log.info(event.text, kind=event.kind, subject=event.subject)
            self._recent.append((wall_ns, event))
            told = self._awaited.get(str(event.data.get("id"))) if event.kind == "command" else None
            if told is not None and not told.done():
                told.set_result(event)
        self.recorder.put(inputs, outcome, wall_ns)
        self._watch_log(inputs.mono_ns, wall_ns)
        del self._recent[:-200]
        interval_ns = int(self.settings.record.checkpoint_s * 1e9)
        due = self._checkpoint_ns is None or inputs.mono_ns - self._checkpoint_ns >= interval_ns
        if due or _made_at_once(outcome):
            self._checkpoint(outcome)
        durable = self.recorder.durable_checkpoint()
        ours = (
            durable is not None and durable.boot_id == self._boot_id and durable.mono_ns >= self._started_ns
        )
        durable_ns = durable.mono_ns if durable is not None and ours else None
        published = self._loss.cap(outcome, durable_ns, inputs.health.record_ok)
        published = self._injections.apply(published)
        if self.mqtt is not None:
            self.mqtt.offer(published, wall_ns, TIME_GOOD if self._wall.trusted else TIME_DOUBTFUL)
        if self.scada is not None:
            self.scada.offer(published, wall_ns)

    async def _release_orphans(self) -> None:
        """Once a run: what earlier settings held off and these do not name is let go. Nothing waits here."""
        told = False
        began = time.monotonic()
        while (texts := self.recorder.former_settings()) is None:
            if not told and time.monotonic() - began > FORMER_WAIT_S:
                told = True
                self._note("output", "what earlier settings energised is not known: the record is not there")
            await asyncio.sleep(LOOK_AGAIN_S)
        settings = self.settings
        known = await aside(lambda: [s for text in texts if (s := once_good(text)) is not None])
        if len(known) < len(texts):
            count = len(texts) - len(known)
            self._note("output", f"{count} earlier settings are of another version: their outputs unknown")
        found = orphans(settings, known)
        for device, points in found.of.items():
            for point, output in points.items():
                text = f"{point} of {device} was {output} by earlier settings and has no name: released"
                self._note("output", text)
        for output in found.unreached:
            self._note("output", f"{output} was held off by earlier settings, and no setting reaches it now")
        if found.of:
            await self.field.release_orphans(found.of)

    def _note(self, kind: str, text: str) -> None:
        """An event that no step saw: on record, in the log, in `watch`."""
        log.warning(text)
        mono_ns, wall_ns = self.clock.now()
        event = Event(mono_ns, kind, "station", text)
        self._recent.append((wall_ns, event))
        self.recorder.note(event, wall_ns)

    def _watch_log(self, mono_ns: int, wall_ns: int) -> None:
        """On record when nobody takes the log any more, and when somebody does again."""
        if self._log_stream is None or (trouble := self._log_stream.trouble()) == self._log_trouble:
            return
        self._log_trouble = trouble
        text = f"log lines are lost: {trouble}" if trouble else "the log is taken again"
        event = Event(mono_ns, "log", "station", text)
        self._recent.append((wall_ns, event))
        self.recorder.note(event, wall_ns)

    def _snapshot(self) -> int:
        """The state as it stands, into the journal: what a replay of the steps after it starts from.

        Returns its time [ns].
        """
        now = self.clock.mono_ns()
        mono_ns = self.state.mono_ns if self.state.mono_ns >= 0 else now
        self.recorder.put_snapshot(engine.checkpoint(self.state), mono_ns, self.clock.wall_ns())
        self._snapshot_ns = now
        return mono_ns

    def _checkpoint(self, outcome: Outcome) -> None:
        mono_ns = outcome.decision.mono_ns
        self._checkpoint_ns = mono_ns
        self.recorder.put_checkpoint(engine.checkpoint(self.state), mono_ns, self.clock.wall_ns())
        if self._snapshot_ns is None or mono_ns - self._snapshot_ns >= SNAPSHOT_NS:
            self._snapshot()
        self._loss.checkpointed(mono_ns, outcome)

    # --- reload -------------------------------------------------------------------------------

    async def _reload_loop(self) -> None:
        while True:
            await self._reload.wait()
            self._reload.clear()
            notify("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")
            await self._take_new_settings()
            notify("READY=1")

    async def _take_new_settings(self) -> None:
        """SIGHUP: new settings, or the old ones stay and the alarm says why."""
        loaded = load(self.path)
        refusal = self._refusal(loaded)
        if refusal or loaded.settings is None:
            for fault in loaded.faults:
                log.error("settings fault", fault=str(fault))
            self._refused = refusal
            log.error("new settings refused, the old ones stay", reason=refusal)
            return
        if loaded.hash != self.settings_hash:  # else the step goes on as it was, nothing is carried over
            plan = engine.build(loaded.settings, loaded.hash, permissible_loading=True)
            self.state = engine.migrate(self.state, self.plan, plan)
            self._began = engine.migrate(self._began, self.plan, plan)
            self.plan, self.settings, self.settings_hash = plan, loaded.settings, loaded.hash
            self._snapshot()
        self._refused = ""
        await self.field.apply(loaded.settings)
        self.recorder.use_settings(loaded.settings, loaded.text, loaded.hash)
        former = self.mqtt.topics() if self.mqtt is not None else set()
        await self._stop_publishing()
        self._start_publishing(former)
        log.info("new settings taken", hash=loaded.hash[:12])

    def _refusal(self, loaded: Loaded) -> str:
        if loaded.settings is None:
            return f"{len(loaded.faults)} fault(s), first: {loaded.faults[0]}"
        new, old = loaded.settings.station, self.settings.station
        for key in ("id", "data_dir", "data_mount"):
            if getattr(new, key) != getattr(old, key):
                return f"station.{key} cannot change while running (restart the service for that)"
        try:
            refuse_rate(loaded.settings, self.clock.rate)
        except StartRefused as error:
            return str(error)
        return ""

    # --- operators ----------------------------------------------------------------------------

    async def _serve_operators(self) -> None:
        mount = self.settings.station.data_mount
        await operator.keep_serving(self.data_dir, None if mount is None else Path(mount), self._answer)

    async def _answer(self, request: dict[str, Any], who: str) -> operator.Answer:
        what = request["request"]
        if what == "status":
            return self._status()
        if what == "command":
            return await self._command(operator.command_of(request, who, f"{self.clock.mono_ns():x}"))
        if what == "inject":
            return self._inject(request, who)
        if what == "loading":
            return await self._loading(request)
        raise ValueError(f"unknown request {what!r}")

    async def _command(self, command: Command) -> operator.Answer:
        """Queue a command and wait for the event in which the step says what became of it."""
        told: asyncio.Future[Event] = asyncio.get_running_loop().create_future()
        self._awaited[command.id] = told
        self._commands.append(command)
        cycle_s = self.clock.real_s(self.settings.station.cycle_s)
        try:
            event = await asyncio.wait_for(told, 2 * cycle_s + operator.COMMAND_WAIT_S)
        except TimeoutError:
            raise ValueError(
                "no step has taken the command yet; it may still be carried out (see the events)"
            ) from None
        finally:
            self._awaited.pop(command.id, None)
        return {"id": command.id, "accepted": bool(event.data["accepted"]), "text": event.text}

    def _inject(self, request: dict[str, Any], who: str) -> operator.Answer:
        if request.get("point") is None:
            self._injections.clear()
            log.warning("every injected value ended", who=who)
            return {"ended": True}
        points = {p.id: p for p in catalogue(self.settings)}
        point = points.get(str(request["point"]))
        if point is None:
            raise ValueError(f"no point {request['point']!r} (windingd points lists them)")
        if request.get("value") is None:
            self._injections.clear(point.id)
            return {"ended": True}
        value = parse(point, str(request["value"]))
        minutes = float(request.get("minutes") or 5.0)
        self._injections.set(point.id, value, self.clock.mono_ns(), minutes)
        log.warning("test value injected", point=point.id, value=value, minutes=minutes, who=who)
        return {"injected": point.id, "value": value, "minutes": minutes}

    async def _loading(self, request: dict[str, Any]) -> operator.Answer:
        """Permissible loading in full, from the last step; the loop has its turn between transformers."""
        ids = [t.id for t in self.settings.transformers]
        wanted = ids if request.get("transformer") is None else [request["transformer"]]
        if not set(wanted) <= set(ids):
            raise ValueError(f"no transformer {wanted[0]!r} (there are {', '.join(ids)})")
        found, day = [], loading_view.day_of(request)
        for transformer in wanted:
            await asyncio.sleep(0)
            mono_ns, wall_ns = self.clock.now()
            forecast = loading_view.forecast_of(request, mono_ns, wall_ns)
            then_ns = wall_ns - mono_ns + self.state.mono_ns
            found.append(loading_view.answer(self.state, self.plan, transformer, forecast, then_ns, day))
        return {"transformers": found}

    def _status(self) -> operator.Answer:
        outcome, field = self.outcome, self.field.snapshot()
        return {
            "station": self.settings.station.id,
            "name": self.settings.station.name,
            "pid": os.getpid(),
            "rate": self.clock.rate,
            "wall_ns": self.clock.wall_ns(),
            "mono_ns": self.clock.mono_ns(),
            "settings": str(self.path),
            "settings_hash": self.settings_hash,
            "sequence": outcome.decision.sequence if outcome else None,
            "decided_ns": outcome.decision.mono_ns if outcome else None,
            "energise": dict(outcome.decision.energise) if outcome else {},
            "values": {p: [v.value, str(v.quality)] for p, v in outcome.values.items()} if outcome else {},
            "devices": dict(field.devices),
            "identities": dict(field.identities),
            "events": [
                {"wall_ns": wall, "kind": e.kind, "subject": e.subject, "text": e.text}
                for wall, e in self._recent[-40:]
            ],
            "injected": self._injections.active(self.clock.mono_ns()),
            "stages": [asdict(s) for s in live.stage_views(self.state, self.plan, outcome)],
            "alarms": [asdict(a) for a in live.alarm_views(self.state, self.plan)],
            "modules": live.proof_lines(self.state, self.plan),
        }


def run(
    path: Path,
    loaded: Loaded,
    rate: float = 1.0,
    wall_ns: int | None = None,
    log_stream: LogStream | None = None,
    refused: str = "",
) -> int:
    """Run the daemon for settings already loaded without faults; returns its exit status."""

    async def main() -> int:
        return await Daemon(path, loaded, rate, wall_ns, log_stream, refused).run()

    with suppress(KeyboardInterrupt):
        return asyncio.run(main())
    return 1
