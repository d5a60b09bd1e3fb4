"""The guided proof test: every stage, then the release path with network, gateway and module without power.

It says what to do, waits for facts, measures, asks what it cannot see, and writes everything down. It
talks to a person through `Technician` and to the daemon through the operator socket: no terminal
here, and no Modbus of its own (two masters on a relay module would prove nothing).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from collector.clock import Clock
from collector.messages import CommandKind
from collector.operator import Answer, OperatorClient, OperatorError
from collector.settings.model import Device, Settings, Stage
from collector.technician.proof_record import ProofRecord

#: So long the technician may take for a pull or for plugging in again [station s].
PULL_LIMIT_S = 1800.0
#: Beyond what settings say: polls, cycles, a slow network [station s].
SLACK_S = 15.0
#: A stage that is called without waiting for anything is called by temperature, after so long [station s].
SETTLED_S = 30.0
#: Fans coast, and a contactor's auxiliary contact drops late [station s].
COAST_S = 60.0
#: Longest wait for stages to be held off again: a full hour of starts must be forgotten [station s].
HELD_LIMIT_S = 2 * 3600.0
#: Longest time a stage stays forced on, should the test be cut off [min].
FORCE_MIN = 30.0
#: Between two looks at the daemon [real s].
LOOK_S = 0.1
PASSED, PART = "passed", "passed in part"

CAUTIONS = (
    "Work under your own permit and local rules. Know your escape route from the cabinet.",
    "During this test every fan and pump may start at any moment, also by itself. Nobody may have hands, "
    "tools or clothing at a fan; guards stay on.",
    "Never rely on windingd, a relay or this program as isolation: before any work on a motor or its wiring, "
    "isolate, lock out and prove dead.",
    "Pull only plugs and supplies of the relay module and of the gateway. Never open a CT circuit.",
    "Watch the temperatures. If an alarm comes, end the test: plug everything in again, cooling comes first.",
)


@dataclass(frozen=True, slots=True)
class Reply:
    yes: bool
    note: str = ""


class Technician(Protocol):
    """The person at the cabinet. key: a stable name of the question, for answers given beforehand."""

    def say(self, text: str) -> None: ...
    def name(self) -> str: ...
    def ask(self, key: str, question: str) -> Reply: ...
    def waiting(self, what: str, passed_s: float) -> None: ...


class Stopped(Exception):
    """The test cannot go on, or the technician ended it; the text says why."""


class Site:
    """The running daemon, seen through its operator socket."""

    def __init__(self, settings: Settings) -> None:
        self._data_dir = Path(settings.station.data_dir)
        self._cycle_s = settings.station.cycle_s
        self._clock = Clock()

    def status(self) -> Answer | None:
        """Its status with at least one decision taken; None while it does not answer."""
        try:
            with OperatorClient(self._data_dir) as client:
                status = client.request(request="status")
        except (OperatorError, OSError, ValueError):
            return None
        if status["rate"] != self._clock.rate:
            self._clock = Clock(status["rate"])
        return status if status["stages"] else None

    def command(self, kind: CommandKind, target: str, minutes: float | None = None) -> Answer:
        with OperatorClient(self._data_dir) as client:
            return client.command(kind, target, minutes=minutes, cycle_s=self._cycle_s)

    def now_s(self) -> float:
        """Station time [s], also while the daemon is away."""
        return self._clock.mono_ns() / 1e9

    @property
    def rate(self) -> float:
        return self._clock.rate


@dataclass(slots=True)
class _Step:
    """One step under way. attempt tells its facts from those of an earlier try in the same record.

    wrong: facts that are not right. part: something could not be tried: temperature calls for cooling.
    """

    id: str
    title: str
    attempt: int
    wrong: int = 0
    part: bool = False
    done: bool = True

    @property
    def result(self) -> str:
        if not self.done:
            return "not done"
        return "FAILED" if self.wrong else PART if self.part else PASSED


class Proof:
    """One proof test. `run` returns whether everything passed, in full."""

    def __init__(
        self, settings: Settings, settings_hash: str, path: Path, record: ProofRecord, technician: Technician
    ) -> None:
        self.settings, self.settings_hash, self.path = settings, settings_hash, path
        self.record, self.technician = record, technician
        self.site = Site(settings)
        self.stages = {f"{t.id}.{s.id}": s for t in settings.transformers for s in t.stages}
        self.modules = {d.id: d for d in settings.devices if self._on(d.id)}
        self.step = _Step("", "", 0)

    def _on(self, module: str) -> list[str]:
        return [i for i, s in self.stages.items() if s.relay.device == module]

    # --- the course of the test ---------------------------------------------------------------

    def run(self) -> bool:
        """Every step in turn, but for those that have passed by the record. Stopped: it cannot go on."""
        status = self.site.status()
        if status is None:
            raise Stopped("no running windingd answers: start it, wait for its first decision, then begin")
        if status["settings_hash"] != self.settings_hash:
            raise Stopped(
                "the daemon runs other settings than this file: reload it (systemctl reload), then begin"
            )
        if not self.stages:
            raise Stopped("these settings have no cooling stage: there is nothing to prove")
        for caution in CAUTIONS:
            self.technician.say("CAUTION  " + caution)
        fields = {"name": self.technician.name(), "login": _login()}
        if self.record.lines:
            self.record.write("resume", **fields)
        else:
            self.record.write(
                "begin",
                station=self.settings.station.id,
                settings=str(self.path),
                settings_hash=self.settings_hash,
                version=_version(),
                rate=self.site.rate,
                **fields,
            )
        good = self._do("ready", "Ready to begin", self._ready)
        if not good:
            raise Stopped("not ready: put right what is marked, then begin again")
        for stage_id, stage in self.stages.items():
            title = f"Stage {stage_id}" + (f", {stage.name}" if stage.name else "")
            good &= self._do(f"stage {stage_id}", title, lambda i=stage_id, s=stage: self._stage(i, s))  # type: ignore[misc]
        good &= self._do(
            "held", "Every stage drops out again", lambda: self._held(list(self.stages), prove=True)
        )
        for module, device in self.modules.items():
            good &= self._do(
                f"network {module}",
                f"Network of relay module {module} pulled",
                lambda m=module, d=device: self._module(m, d, "network"),  # type: ignore[misc]
            )
        good &= self._do("gateway", "Gateway without power", self._gateway)
        for module, device in self.modules.items():
            good &= self._do(
                f"power {module}",
                f"Relay module {module} without power",
                lambda m=module, d=device: self._module(m, d, "power"),  # type: ignore[misc]
            )
        good &= self._do("automatic", "Back to automatic", lambda: self._held(list(self.stages), prove=False))
        results = {line["step"]: line["result"] for line in self.record.lines if line["event"] == "step"}
        if PART in results.values() and set(results.values()) <= {PASSED, PART}:
            self.technician.say(
                "Passed in part: what ran on account of its temperature could not be held off before. Give "
                f"the same command with --record {self.record.path} on a cooler day for the rest."
            )
            return False
        self.record.write("end", result=PASSED if good else "FAILED")
        self.technician.say("Every step passed." if good else "NOT every step passed: see the record.")
        return good

    def _do(self, step: str, title: str, work: Callable[[], None]) -> bool:
        """One step, unless it has passed before. A step that fails does not end the test."""
        if self.record.passed(step):
            self.technician.say(f"{title}: passed before, left out.")
            return True
        attempt = sum(line["event"] == "step" and line["step"] == step for line in self.record.lines) + 1
        self.step = _Step(step, title, attempt)
        self.technician.say(f"--- {title}")
        began_s = self.site.now_s()
        work()
        result = self.step.result
        took_s = round(self.site.now_s() - began_s, 1)
        self.record.write("step", step=step, title=title, attempt=attempt, result=result, took_s=took_s)
        self.technician.say(f"{title}: {result}.")
        return result == PASSED

    def fact(self, what: str, found: str, ok: bool | None, by: str = "windingd", **numbers: Any) -> None:
        """Write down one fact. ok None: not judged."""
        self.step.wrong += ok is False
        self.record.write(
            "fact", step=self.step.id, attempt=self.step.attempt, what=what, found=found, ok=ok, by=by,
            station_s=round(self.site.now_s(), 3), **numbers,
        )  # fmt: skip
        mark = {True: "ok  ", False: "NOT RIGHT  ", None: ""}[ok]
        self.technician.say(f"    {mark}{what}: {found}" + ("" if by == "windingd" else f" ({by})"))

    def ask(self, key: str, question: str, what: str) -> bool:
        """A yes-or-no that only the technician can see; yes is right."""
        reply = self.technician.ask(key, question)
        word = "yes" if reply.yes else "no"
        self.fact(what, f"{word}{f': {reply.note}' if reply.note else ''}", reply.yes, "technician")
        return reply.yes

    def wait(self, what: str, true: Callable[[Answer | None], bool], limit_s: float) -> float | None:
        """Look until `true` of the status holds; the time that took [station s], None when it did not."""
        began_s = self.site.now_s()
        while True:
            status = self.site.status()
            passed_s = self.site.now_s() - began_s
            if true(status):
                return passed_s
            if passed_s > limit_s:
                return None
            self.technician.waiting(what, passed_s)
            time.sleep(LOOK_S)

    def views(self) -> dict[str, dict[str, Any]]:
        """Stage id -> its view. Stopped when the daemon is away although nothing was pulled."""
        for _ in range(50):
            status = self.site.status()
            if status is not None:
                return {v["id"]: v for v in status["stages"]}
            time.sleep(LOOK_S)
        raise Stopped("windingd no longer answers: look after that first; every stage should be running")

    # --- the steps ----------------------------------------------------------------------------

    def _ready(self) -> None:
        status = self.site.status()
        if status is None:
            raise Stopped("windingd no longer answers: look after that first; every stage should be running")
        silent = {d: why for d, why in status["devices"].items() if why}
        self.fact(
            "every device answers", "; ".join(f"{d}: {w}" for d, w in silent.items()) or "yes", not silent
        )
        for view in status["stages"]:
            if view["reason"] in ("released: input lost", "released: alarm temperature", "interlocked"):
                self.fact(f"{view['id']} may be tried", view["why"], False)
            open_contacts = [
                n for n in ("selector_auto", "breaker_closed") if view["cabinet"].get(n) is False
            ]
            if open_contacts:
                self.fact(f"{view['id']} available", " and ".join(open_contacts) + ": no", False)
        for t in self.settings.transformers:
            oil = status["values"].get(f"{t.id}.top_oil_c", [None])[0]
            hot = status["values"].get(f"{t.id}.hot_spot_c", [None])[0]
            known = oil is not None and hot is not None
            found = f"top oil {oil:.1f} °C, hot spot {hot:.1f} °C" if known else "no valid value"
            self.fact(f"temperatures of {t.id}", found, known)
        self.ask(
            "ready",
            "Everybody is clear of fans and pumps, permit and lock-out rules are met?",
            "clear and permitted",
        )

    def _stage(self, stage_id: str, stage: Stage) -> None:
        motors = "pump" if stage.kind == "pumps" else "fans"
        if self._until_held([stage_id])[stage_id] is None:
            why = self.views()[stage_id]["why"]
            self.fact("held off before", f"no, only its running can be proven: {why}", None)
            self.step.part = True
        else:
            self.fact("held off before", "yes, relay energised by read-back", True)
        if not self.technician.ask(
            f"{stage_id} start", f"{stage_id} will be forced on. Is everybody clear of its {motors}?"
        ).yes:
            self.step.done = False
            return
        called_s = self.site.now_s()
        answer = self.site.command("force_on", stage_id, FORCE_MIN)
        self.fact("force-on", answer["text"], answer["accepted"])
        if not answer["accepted"]:
            return
        try:
            self._runs(stage_id, stage, called_s)
        finally:
            answer = self.site.command("automatic", stage_id)
            self.fact("back to automatic", answer["text"], answer["accepted"])

    def _runs(self, stage_id: str, stage: Stage, called_s: float) -> None:
        """After a call: relay, feedback, and what the technician sees."""
        cycles_s, poll_s = 2 * self.settings.station.cycle_s, self._poll_s(stage.relay.device)

        def since_call(what: str, key: str, right: Any, limit_s: float) -> None:
            took_s = self.wait(what, self._shows(stage_id, key, right), limit_s)
            self._timed(what, None if took_s is None else self.site.now_s() - called_s)

        since_call("relay released, by read-back", "relay", "released", cycles_s + 3 * poll_s + SLACK_S)
        if stage.feedback is not None:
            due_s = stage.feedback_delay_s
            limit_s = due_s + cycles_s + 3 * self._poll_s(stage.feedback.device) + SLACK_S
            since_call(f"feedback, due {due_s:g} s after the relay", "feedback", True, limit_s)
        pumps = stage.kind == "pumps"
        question = (
            "Does its pump run, and does the flow indicator show flow the right way?"
            if pumps
            else "Do all its fans turn, the right way round, and do only these start?"
        )
        self.ask(f"{stage_id} runs", question, f"{'pump' if pumps else 'fans'} seen running")

    def _held(self, stages: Sequence[str], *, prove: bool) -> None:
        """Wait until these stages are held off again, as far as temperature allows."""
        for stage_id, seconds in self._until_held(stages).items():
            view = self.views()[stage_id]
            if seconds is None:
                by_temperature = view["called"] and view["reason"] == "automatic"
                self.fact(f"{stage_id} held off", f"no: {view['why']}", None if by_temperature else False)
                self.step.part |= prove
                continue
            self.fact(
                f"{stage_id} held off, relay energised by read-back",
                f"after {seconds:.0f} s",
                True,
                seconds=seconds,
            )
            if prove and self.stages[stage_id].feedback is not None:
                took_s = self.wait(
                    f"{stage_id} to come to rest",
                    self._shows(stage_id, "feedback", False),
                    COAST_S,
                )
                self._timed(f"{stage_id} at rest, feedback gone", took_s)

    def _until_held(self, stages: Sequence[str]) -> dict[str, float | None]:
        """Stage -> how long until it was held off [station s]; None: called by temperature, or too late."""
        began_s = busy_s = self.site.now_s()
        held: dict[str, float | None] = {}
        asked: set[str] = set()
        while True:
            now_s, views = self.site.now_s(), self.views()
            for i in stages:
                view = views[i]
                if view["relay"] == "energised":
                    held.setdefault(i, now_s - began_s)
                elif view["flapped"] and i not in asked:
                    asked.add(i)
                    question = (
                        f"{i} stays released: it was let go too often. Acknowledge this, so that it goes on?"
                    )
                    if self.technician.ask(f"{i} flapping", question).yes:
                        answer = self.site.command("acknowledge_flapping", i)
                        self.fact(f"flapping of {i} acknowledged", answer["text"], answer["accepted"])
                elif any(s is not None for _, s in view["waits"]):
                    busy_s = now_s
            if len(held) == len(stages) or now_s - busy_s > SETTLED_S or now_s - began_s > HELD_LIMIT_S:
                return {i: held.get(i) for i in stages}
            left = [s for i in stages if i not in held for _, s in views[i]["waits"] if s is not None]
            until = f", about {max(left) / 60:.0f} min to go" if left else ""
            self.technician.waiting(f"the stages to be held off again{until}", now_s - began_s)
            time.sleep(LOOK_S)

    def _before_pull(self, stages: Sequence[str]) -> list[str]:
        """Which stages are held off now, so that a release proves something; none: the step fails."""
        held = [i for i, seconds in self._until_held(stages).items() if seconds is not None]
        found = ", ".join(held) or "none: a release would prove nothing"
        self.fact("held off before the pull", found, bool(held))
        self.step.part |= len(held) < len(stages)
        return held

    def _module(self, module: str, device: Device, what: str) -> None:
        """Pull a relay module's network or supply."""
        stages = self._on(module)
        timeout_s = device.relay_module.timeout_s if device.relay_module is not None else 0.0
        key = f"{what} {module}"
        held = self._before_pull(stages)
        if not held:
            return
        link = next(item for item in self.settings.links if item.id == device.link)
        where = link.serial_device or f"{link.host}:{link.port or 502}"
        self.record.write("pull", step=self.step.id, held=held)
        if what == "network":
            plug = "bus connector" if link.type == "rtu_serial" else "network cable"
            self.technician.say(
                f"Pull the {plug} of relay module {module} ({where}) at the module. Leave its supply on."
            )
            rule = f"within its timeout of {timeout_s:g} s, and the on-delay timers of the contactors"
        else:
            self.technician.say(
                f"Remove the supply of relay module {module} ({where}): fuse or terminal, as marked."
            )
            rule = "at once, but for the on-delay timers of the contactors"
        if not self._pull(key, f"Every stage must start {rule}."):
            return
        gone_s = self.wait(f"{module} to fall silent", lambda s: bool(self._device(s, module)), PULL_LIMIT_S)
        self._timed(
            f"windingd no longer hears {module}", gone_s, "it still answers: was the right plug pulled?"
        )
        if gone_s is None:
            return
        self._running_now(key)
        self.technician.say("Put it back." if what == "power" else "Plug it in again.")
        back_s = self.wait(f"{module} to answer again", lambda s: self._device(s, module) == "", PULL_LIMIT_S)
        self._timed(f"{module} answers again", back_s)
        self._read_back(stages, held)

    def _gateway(self) -> None:
        stages = list(self.stages)
        status, pulled = self.site.status(), self.record.pulled("gateway")
        resumed = pulled is not None and status is not None and status["pid"] != pulled["pid"]
        if pulled is None:
            held = self._before_pull(stages)
            if not held:
                return
            status = self.site.status()
            self.record.write("pull", step=self.step.id, held=held, pid=status["pid"] if status else None)
            pulled = self.record.lines[-1]
        if not resumed and not self._gateway_pulled(pulled["pid"]):
            return
        self._running_now("gateway", past=resumed)
        if not resumed:
            self.technician.say("Give the gateway its supply again.")
        back_s = self.wait(
            "windingd to decide again", lambda s: s is not None and s["pid"] != pulled["pid"], PULL_LIMIT_S
        )
        self._timed("windingd decides again, by itself", back_s)
        if back_s is None:
            return
        self._read_back(stages, pulled["held"])

    def _gateway_pulled(self, pid: int | None) -> bool:
        limits = [
            self.settings.station.decision_max_age_s + d.relay_module.timeout_s
            for d in self.modules.values()
            if d.relay_module is not None
        ]
        self.technician.say(
            "Remove the gateway's supply. Do not shut it down and do not stop the service first: that would "
            "release the relays in good order and prove nothing. If this program runs on the gateway it ends "
            f"with it: once the supply is back, run it with --record {self.record.path}, and it goes on."
        )
        if not self._pull("gateway", f"Every stage must start within {max(limits, default=0.0):g} s."):
            return False
        misses = 0

        def gone(status: Answer | None) -> bool:
            nonlocal misses  # one unanswered question is not yet a gateway without power
            misses = misses + 1 if status is None else 0
            return misses >= 3 or (status is not None and status["pid"] != pid)

        gone_s = self.wait("the gateway to be gone", gone, PULL_LIMIT_S)
        self._timed("windingd is gone", gone_s, "it still answers: was the right supply removed?")
        return gone_s is not None

    def _pull(self, key: str, rule: str) -> bool:
        if self.technician.ask(f"{key} pull", f"{rule} Ready? Answer, then pull.").yes:
            return True
        self.step.done = False
        return False

    def _running_now(self, key: str, *, past: bool = False) -> None:
        """After a pull: what the technician sees. Feedback behind the pulled module is dark."""
        began_s = self.site.now_s()
        question = (
            "While the gateway was without supply: did all fans and pumps run, without anybody's doing?"
            if past
            else "Watch the fans and pumps. Do all of them run now, without anybody's doing?"
        )
        self.ask(f"{key} running", question, "all cooling runs")
        if not past:
            within_s = self.site.now_s() - began_s
            self.fact(
                "seen running, after the pull was noticed", f"within {within_s:.0f} s", None, "technician"
            )
        status = self.site.status()
        standing = (
            [a["id"].replace("alarm_", "") for a in status["alarms"] if a["active"]]
            if status is not None
            else []
        )
        if standing:
            self.fact("alarms meanwhile", ", ".join(standing), None)

    def _read_back(self, stages: Sequence[str], held: Sequence[str]) -> None:
        """After a return: the relays must be found released, and the motors proven running."""
        for i in stages:
            stage = self.stages[i]
            known = self.wait(
                f"the relay of {i} to be read", self._shows(i, "relay", "energised", "released"),
                3 * self._poll_s(stage.relay.device) + 2 * self.settings.station.cycle_s + SLACK_S,
            )  # fmt: skip
            relay = self.views()[i]["relay"]
            released = known is not None and relay == "released"
            was = "held off before" if i in held else "ran before"
            self.fact(f"{i} ({was}): relay as found on return", relay, released)
            if stage.feedback is None:
                continue
            limit_s = (
                stage.feedback_delay_s
                + 3 * self._poll_s(stage.feedback.device)
                + self.settings.station.return_after_s
            )
            took_s = self.wait(
                f"the feedback of {i}",
                self._shows(i, "feedback", True),
                limit_s + SLACK_S,
            )
            self.fact(
                f"{i}: feedback on return",
                "running" if took_s is not None else "not running",
                took_s is not None,
            )

    # --- looking ------------------------------------------------------------------------------

    def _timed(self, what: str, took_s: float | None, otherwise: str = "not in time") -> None:
        if took_s is None:
            self.fact(what, otherwise, False)
        else:
            self.fact(what, f"after {took_s:.1f} s", True, seconds=round(took_s, 3))

    def _poll_s(self, device: str) -> float:
        return next(d.poll_s for d in self.settings.devices if d.id == device)

    def _shows(self, stage_id: str, key: str, *right: Any) -> Callable[[Answer | None], bool]:
        return lambda status: self._view(status, stage_id, key) in right

    @staticmethod
    def _view(status: Answer | None, stage_id: str, key: str) -> Any:
        views = status["stages"] if status is not None else []
        return next((v[key] for v in views if v["id"] == stage_id), None)

    @staticmethod
    def _device(status: Answer | None, device: str) -> str | None:
        """ "" while it answers, else why not; None while nobody can say."""
        return None if status is None else str(status["devices"].get(device, ""))


def _login() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("windingd")
    except PackageNotFoundError:
        return "unknown"
