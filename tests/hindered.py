"""``windingd run`` with one thing hindered, or one mechanism taken out on purpose; a process of its own.

HINDER_FLAG: a file; once it exists, what HINDER names happens. BREAK: a mechanism taken out from the
start, to show that a test would notice. Both tables are below. FIRST_PROOF_S: a relay module counts as
commissioned so soon. Nothing else may differ from the product.
"""

from __future__ import annotations

import asyncio
import importlib
import os
import socket
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import collector.daemon as daemon_module
from collector import engine, operator
from collector.clock import Clock
from collector.commands.main import main
from collector.control import lost_inputs, outputs, proof, stages, stall
from collector.daemon import Daemon, DurableLoss
from collector.field import relays
from collector.field.link import LinkTask, Unit
from collector.field.output_point import OutputPoint
from collector.field.poller import Poller
from collector.field.relays import Bank
from collector.field.settling import Settling
from collector.log_stream import LogStream
from collector.publish import scada
from collector.publish.mqtt import MqttPublisher
from collector.publish.outbox import Outbox
from collector.record.recorder import Recorder
from collector.record.writer import Writer

FLAG = Path(os.environ.get("HINDER_FLAG", "/nonexistent"))

# --- what happens once the flag is there ----------------------------------------------------------


def hang_loop() -> None:
    """The event loop hangs in a blocking call."""
    _before_cycle(lambda: time.sleep(3600))


def stop_deciding() -> None:
    """Only the decision task ends; polling goes on."""

    def end() -> None:
        task = asyncio.current_task()
        assert task is not None
        raise asyncio.CancelledError

    _before_cycle(end)


def hang_disk() -> None:
    """The record's disk does not answer any more: the thread that commits blocks."""
    attempt = Writer._attempt

    def hung(self: Writer, batch: Any) -> bool:
        self._busy_since = time.monotonic()
        while FLAG.exists():
            time.sleep(0.05)
        return attempt(self, batch)

    Writer._attempt = hung  # type: ignore[method-assign]


def _before_cycle(act: Callable[[], None]) -> None:
    cycle = Daemon._cycle

    def hindered(self: Daemon) -> None:
        if FLAG.exists():
            act()
        cycle(self)

    Daemon._cycle = hindered  # type: ignore[method-assign]


def suspend() -> None:
    """The machine was suspended for a minute: the boot-time clock has gone on, the monotonic one has not."""
    gettime = time.clock_gettime_ns

    def moved(clock: int) -> int:
        return gettime(clock) + (60 * 10**9 if clock == time.CLOCK_BOOTTIME and FLAG.exists() else 0)

    time.clock_gettime_ns = moved


HINDERS: dict[str, Callable[[], None]] = {
    "loop": hang_loop,
    "decide": stop_deciding,
    "disk": hang_disk,
    "suspend": suspend,
}

# --- mechanisms taken out -------------------------------------------------------------------------


def no_age() -> None:
    """A decision never gets too old."""
    Bank.fresh = lambda self, decision, now_ns: True  # type: ignore[method-assign]
    Bank.silent = lambda self, now_ns: False  # type: ignore[method-assign]


def trusting_inputs() -> None:
    """A bad reading is passed over, and its last good value goes on counting."""
    settle = lost_inputs.settle

    def trusting(rules: Any, state: Any, reading: Any, fault: Any, now: int) -> Any:
        return state if fault is not None and not state.lost else settle(rules, state, reading, fault, now)

    lost_inputs.settle = trusting


def no_stall_rule() -> None:
    """A stall is not noticed: what was read before it goes on counting."""
    stall.look_for_stalls = lambda cycle: None


def no_proof_in_service() -> None:
    """No module is ever left unfed on purpose: its register is believed."""
    proof.use_a_cool_hour = lambda cycle: None
    proof.use_a_start = lambda cycle, t, facts: None


def no_flapping_rule() -> None:
    """Releases are not counted."""
    started = stages.started

    def uncounted(stage: Any, timing: Any, now: int, *, lost: bool) -> Any:
        return started(stage, timing, now, lost=False)

    stages.started = uncounted


def first_answer() -> None:
    """RTU: the first sound frame is believed, whatever comes with it."""

    async def at_once(self: LinkTask, *_: Any) -> bool:
        return True

    LinkTask._alone = at_once  # type: ignore[method-assign]
    Poller.withdraw = lambda self, reason, now_ns: None  # type: ignore[method-assign]


def no_back_off() -> None:
    """What a failing unit did not answer is asked again at once."""
    took = Poller.took

    def impatient(self: Poller, answer: Any, now_ns: int) -> None:
        took(self, answer, now_ns)
        if not answer.ok:
            self.due_ns = now_ns

    Poller.took = impatient  # type: ignore[method-assign]
    bounded = Unit.held_s
    Unit.held_s = lambda self, now, regardless: bounded(self, now, True)  # type: ignore[method-assign]


def disobedience_unseen() -> None:
    """A module that does not obey is fed on."""
    relays.bound_s = lambda module: 1e6


def always_from_the_first() -> None:
    """Each decision begins the writing anew at the lowest output, and the time that the others wait."""
    offer, releases = Bank.offer, Bank._releases

    def again(self: Bank, decision: Any) -> None:
        offer(self, decision)
        for state in self._states.values():
            state.off, state.awaited, state.owed_ns = False, False, -1

    def lowest(self: Bank) -> Any:
        first = min(self._states, key=lambda point: point.key)
        return (one for one in releases(self) if not isinstance(one[1], OutputPoint) or one[1] == first)

    Bank.offer, Bank._releases = again, lowest  # type: ignore[method-assign]


def left_to_others() -> None:
    """What another master has written over a release is left as it is."""
    must = Bank._must_release

    def unless_foreign(self: Bank, point: OutputPoint) -> bool:
        state = self._states[point]
        return must(self, point) and not (state.actual and state.written is False)

    Bank._must_release = unless_foreign  # type: ignore[method-assign]


def no_settling() -> None:
    """What a device answers while it boots is believed."""
    begin = Settling.__init__

    def at_once(self: Settling, settle_ns: int, *rest: Any) -> None:
        begin(self, 0, *rest)

    Settling.__init__ = at_once  # type: ignore[method-assign]


def no_read_back() -> None:
    """Nobody looks at what the outputs do."""
    outputs.look = lambda state, *_: (state, outputs.NOTHING)


def no_proof() -> None:
    """A call is taken for running; the feedback is not looked at."""
    next_proof = stages.next_proof

    def believed(stage: Any, feedback: Any, wired: bool, timing: Any, now: int) -> Any:
        return next_proof(stage, stage.call in stages.ON, wired, timing, now)

    stages.next_proof = believed


def no_outbox() -> None:
    """What cannot be sent now is forgotten."""
    Outbox.put = lambda self, message: None  # type: ignore[method-assign]


def endless_outbox() -> None:
    """The backlog has no limit."""
    begin = Outbox.__init__

    def unlimited(self: Outbox, path: Path, rows: int, *rest: Any) -> None:
        begin(self, path, 1_000_000, *rest)

    Outbox.__init__ = unlimited  # type: ignore[method-assign]


def new_numbers() -> None:
    """A repeat goes out under a new sequence number."""
    publish = MqttPublisher._publish_message
    sent: set[tuple[str, int]] = set()

    def renumbered(self: MqttPublisher, message: Any) -> None:
        if message.key in sent:
            old = f'"sequence":{message.sequence}'.encode()
            spaced = f'"sequence": {message.sequence}'.encode()
            new = f'"sequence": {message.sequence + 1_000_000}'.encode()
            message = replace(message, payload=message.payload.replace(old, new).replace(spaced, new))
        sent.add(message.key)
        publish(self, message)

    MqttPublisher._publish_message = renumbered  # type: ignore[method-assign]


def wait_for_record() -> None:
    """A decision waits until the last one is on disk."""
    put = Recorder.put

    def waiting(self: Recorder, inputs: Any, outcome: Any, wall_ns: int) -> None:
        put(self, inputs, outcome, wall_ns)
        self.flush(3600.0)

    Recorder.put = waiting  # type: ignore[method-assign]


def no_record_health() -> None:
    """The record always says that all is well."""
    Recorder.health = lambda self: (True, "")  # type: ignore[method-assign]


def no_cross_checks() -> None:
    """Settings are not checked against each other."""
    from collector.settings import loader

    loader.cross_check = lambda *a, **k: []


def quiet_refusal() -> None:
    """Refused settings are not told."""
    take = Daemon._take_new_settings

    async def quiet(self: Daemon) -> None:
        await take(self)
        self._refused = ""

    Daemon._take_new_settings = quiet  # type: ignore[method-assign]
    begin = Daemon.__init__

    def quiet_begin(self: Daemon, *a: Any, **k: Any) -> None:
        begin(self, *a, **k)
        self._refused = ""

    Daemon.__init__ = quiet_begin  # type: ignore[method-assign]


def forgetful_reload() -> None:
    """A reload begins with an empty state."""
    engine.migrate = lambda state, old_plan, new_plan: replace(
        engine.initial(new_plan), mono_ns=state.mono_ns, sequence=state.sequence
    )


def wall_timers() -> None:
    """Timers run on the wall clock."""
    Clock.mono_ns = lambda self: time.time_ns() * self._milli // 1000  # type: ignore[method-assign]


def monotonic_timers() -> None:
    """Timers run on the clock that stands still while the machine is suspended."""
    Clock.mono_ns = lambda self: time.monotonic_ns() * self._milli // 1000  # type: ignore[method-assign]


def uncapped_loss() -> None:
    """Loss of life is published before it is on disk."""
    DurableLoss.cap = lambda self, outcome, durable, ok: outcome  # type: ignore[method-assign]


def no_checkpoint() -> None:
    """A restart takes up nothing."""
    Recorder.load_checkpoint = lambda self, deadline_s=5.0: None  # type: ignore[method-assign]
    Recorder._own = lambda self, found: True  # type: ignore[method-assign]


def no_lock() -> None:
    """No instance lock."""
    daemon_module.instance_lock = lambda station_id: socket.socket(socket.AF_UNIX)


def no_limits_for_clients() -> None:
    """Any number of clients, for ever; and one that sends rubbish is waited for."""
    serve = scada.ScadaServer._serve

    async def unlimited(self: Any, reader: Any, writer: Any) -> None:
        self._settings = self._settings.model_copy(update={"max_clients": 100_000})
        await serve(self, reader, writer)

    scada.ScadaServer._serve = unlimited  # type: ignore[method-assign]
    operator.MAX_CLIENTS = 100_000


def no_join() -> None:
    """A record that turns up late is written to as if it were this run's own."""
    Recorder._own = lambda self, found: True  # type: ignore[method-assign]


def no_mount_check() -> None:
    """Whether something is mounted there is not looked at."""
    os.path.ismount = lambda path: True


def no_orphans() -> None:
    """What earlier settings named is not asked for."""
    Recorder.former_settings = lambda self: []  # type: ignore[method-assign]


def no_look_at_unnamed() -> None:
    """Coils without a name are not read."""
    module = importlib.import_module("collector.field.layout")  # the package has a function of that name
    module._look = lambda d: None  # type: ignore[attr-defined]


def waiting_log() -> None:
    """A log line is written at once, by whoever has something to say."""
    LogStream.write = lambda self, text: os.write(2, text.encode())  # type: ignore[method-assign]


def correction_waits() -> None:
    """A corrected loss of life waits for the next checkpoint, as everything else does."""
    daemon_module._made_at_once = lambda outcome: False


BREAKS: dict[str, Callable[[], None]] = {
    "correction": correction_waits,
    "age": no_age,
    "inputs": trusting_inputs,
    "stall": no_stall_rule,
    "proof in service": no_proof_in_service,
    "flapping": no_flapping_rule,
    "one answer": first_answer,
    "back-off": no_back_off,
    "obey": disobedience_unseen,
    "write order": always_from_the_first,
    "rewriting": left_to_others,
    "settling": no_settling,
    "read-back": no_read_back,
    "proof": no_proof,
    "outbox": no_outbox,
    "backlog limit": endless_outbox,
    "numbers": new_numbers,
    "disk waits": wait_for_record,
    "record health": no_record_health,
    "cross checks": no_cross_checks,
    "refusal": quiet_refusal,
    "migrate": forgetful_reload,
    "wall": wall_timers,
    "boot-time clock": monotonic_timers,
    "durable": uncapped_loss,
    "checkpoint": no_checkpoint,
    "lock": no_lock,
    "clients": no_limits_for_clients,
    "orphans": no_orphans,
    "unnamed coils": no_look_at_unnamed,
    "late record": no_join,
    "mount": no_mount_check,
    "log stream": waiting_log,
}


if __name__ == "__main__":
    if hinder := os.environ.get("HINDER"):
        HINDERS[hinder]()
    if soon_s := os.environ.get("FIRST_PROOF_S"):
        proof.FIRST = round(float(soon_s) * 1e9)
    if broken := os.environ.get("BREAK"):
        BREAKS[broken]()
    sys.exit(main(sys.argv[1:]))
