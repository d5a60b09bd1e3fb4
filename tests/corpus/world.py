"""An invented world around a station: seeded readings, faults, commands, restarts, reloads, in closed loop.

It knows the settings only: contactors follow the coils that the step decides, the oil follows the load. Never
import anything of `collector.control` or `collector.thermal` here: they are what the corpus is to watch.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from collector.messages import Command, Decision, Health, Inputs, RelayStatus
from collector.points import measurements
from collector.quality import GOOD, Detail, Quality, Reading, Validity, invalid
from collector.settings.model import BoolInput, Settings

NS = 10**9
START_NS = 10**15
#: Wall clock less monotonic clock [ns].
WALL_NS = 1_784_030_400 * NS - START_NS

#: Seconds of a step, and how many steps in a row.
PACES = ((2.0, 30), (2.0, 12), (5.0, 20), (20.0, 25), (50.0, 20))
#: Where the oil is drawn to, and how fast [degC, s]; None: where the load leads it.
THEMES: tuple[tuple[float, float] | None, ...] = (
    *(None,) * 4, (118.0, 300.0), (66.0, 300.0), (56.0, 200.0), (-15.0, 200.0), (-15.0, 200.0)
)  # fmt: skip
LOADS = (0.0, 0.2, 0.5, 0.8, 1.0, 1.2, 1.4)
RESTING = ("interlock", "selector_manual", "parallel_start", "supply_changeover")
WELL = Health()
ODD = ("failure", "range", "frozen", "jump", "zero", "drift", "old", "substituted", "questionable")
HEALTHS = (
    Health(record_ok=False, record_reason="disk full"),
    Health(broker_ok=False, broker_reason="refused"),
    Health(clock_trusted=False),
    Health(clock_stepped_s=-7.5),
    Health(settings_refused="2 fault(s)"),
    Health(unnamed_outputs="relays coil 7"),
    Health(possible_stall="wall clock"),
)


@dataclass(frozen=True, slots=True)
class Restart:
    """The program dies and comes back. gap_s: what it knows of the time between."""

    gap_s: float | None
    same_boot: bool
    mono_ns: int


@dataclass
class Fault:
    kind: str
    until_ns: int
    since_ns: int
    value: float = 0.0


@dataclass
class World:
    """One station in its world. ``steps`` tells what happens next; ``follow`` says what was decided."""

    settings: Settings
    variant: Settings
    seed: int
    now: int = START_NS
    wall_ns: int = WALL_NS
    oil: dict[str, float] = field(default_factory=dict)
    load: dict[str, float] = field(default_factory=dict)
    ambient: float = 18.0
    coils: dict[str, bool] = field(default_factory=dict)
    faults: dict[str, Fault] = field(default_factory=dict)
    read: dict[str, Reading] = field(default_factory=dict)
    polled_ns: dict[str, int] = field(default_factory=dict)
    alone: dict[str, int] = field(default_factory=dict)
    in_variant: bool = False
    health: Health = WELL
    theme: tuple[float, float] | None = None
    commands: int = 0
    asked: list[Command] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        for t in (*self.settings.transformers, *self.variant.transformers):
            self.oil.setdefault(t.id, self.rng.uniform(30.0, 60.0))
            self.load.setdefault(t.id, self.rng.uniform(0.3, 0.9))

    @property
    def ours(self) -> Settings:
        return self.variant if self.in_variant else self.settings

    # --- what happens -------------------------------------------------------------------------

    def steps(self, count: int) -> Iterator[Inputs | Restart]:
        """Until `count` inputs were given. Between two of them: `follow`."""
        pace_s, left = 2.0, 25
        given = 0
        while given < count:
            if left <= 0:
                pace_s, most = self.rng.choice(PACES)
                left = self.rng.randint(3, most)
                self.theme = self.rng.choice(THEMES)
            left -= 1
            chance = self.rng.random()
            if given > 40 and chance < 0.008:
                yield self.restart()
            elif given > 40 and chance < 0.014:
                self.in_variant = not self.in_variant
            dt = pace_s if self.rng.random() > 0.01 else self.rng.uniform(30.0, 900.0)
            if self.rng.random() < 0.12:
                self.break_something()
            if self.rng.random() < 0.03:
                self.health = self.rng.choice(HEALTHS)
            elif self.rng.random() < 0.15:
                self.health = WELL
            if self.rng.random() < 0.08:
                self.asked.append(self.command())
            if self.rng.random() < 0.03:
                self.load[self.rng.choice(self.ours.transformers).id] = self.rng.choice(LOADS)
            yield self.inputs(dt, given)
            given += 1

    def scripted(self, count: int, script: Callable[[World, int], float]) -> Iterator[Inputs]:
        """As `steps`, but what happens is told by a script."""
        for n in range(count):
            yield self.inputs(script(self, n), n)

    def restart(self) -> Restart:
        known = self.rng.random() < 0.8
        gap_s = self.rng.choice((3.0, 20.0, 400.0, 5000.0))
        same_boot = self.rng.random() < 0.6
        self.now += round(gap_s * NS)
        if not same_boot:
            self.wall_ns += self.now - START_NS // 2
            self.now = START_NS // 2
        self.coils = dict.fromkeys(self.coils, False)
        self.read.clear()
        self.polled_ns.clear()
        for fault in self.faults.values():
            fault.until_ns = min(fault.until_ns, self.now + 300 * NS)
            fault.since_ns = min(fault.since_ns, self.now)
        self.alone = dict.fromkeys(self.alone, self.now)
        return Restart(gap_s if known else None, same_boot, self.now)

    def inputs(self, dt: float, n: int) -> Inputs:
        self.now += round(dt * NS)
        self.move(dt)
        self.faults = {k: f for k, f in self.faults.items() if f.until_ns > self.now}
        commands = tuple(self.asked)
        self.asked.clear()
        return Inputs(
            self.now,
            self.readings(),
            self.relays(),
            self.devices(),
            commands,
            self.health,
            n >= 3,
            "variant" if self.in_variant else "settings",
        )

    def follow(self, decision: Decision) -> None:
        """The modules do as they are told, unless something is broken."""
        modules = dict(self.outputs())
        for output, energise in decision.energise.items():
            device = modules.get(output, "")
            if self.fault(output, "stuck") or self.gone(device) or device in decision.leave_alone:
                continue
            self.coils[output] = energise
        self.alone = {d: self.alone.get(d, self.now) for d in decision.leave_alone}
        for d in self.ours.devices:
            if d.id not in self.alone or d.relay_module is None or self.fault(d.id, "no timeout"):
                continue
            if self.now - self.alone[d.id] >= d.relay_module.timeout_s * NS:
                self.coils.update({o: False for o, device in modules.items() if device == d.id})

    # --- physics, as little as there must be -----------------------------------------------------

    def move(self, dt: float) -> None:
        self.ambient += self.rng.gauss(0.0, 0.02 * dt**0.5)
        self.ambient = min(38.0, max(-15.0, self.ambient))
        if self.theme is not None and self.theme[0] < 0.0:
            self.ambient += (self.theme[0] - 3.0 - self.ambient) * min(1.0, dt / 300.0)
        elif self.ambient < -10.0:
            self.ambient = 10.0
        for t in self.ours.transformers:
            running = sum(not self.coils.get(f"{t.id}.{s.id}", True) for s in t.stages)
            rise = 52.0 * self.load[t.id] ** 1.6 + 4.0 - 5.0 * running
            target, tau = self.theme or (self.ambient + max(1.0, rise) * 1.15, 3000.0)
            self.oil[t.id] += (target - self.oil[t.id]) * (1.0 - 2.718281828 ** (-dt / tau))

    # --- readings and read-backs -----------------------------------------------------------------

    def readings(self) -> dict[str, Reading]:
        found: dict[str, Reading] = {}
        due = {
            d.id
            for d in self.ours.devices
            if self.now - self.polled_ns.get(d.id, -(10**18)) >= round(d.poll_s * NS)
        }
        self.polled_ns.update(dict.fromkeys(due, self.now))
        for m in measurements(self.ours):
            device = m.input.device
            if self.gone(device) or device in self.alone:
                why = "left alone" if device in self.alone else "no answer"
                self.read[m.id] = Reading(None, invalid(Detail.FAILURE), self.now, why, device)
            elif device in due or m.id not in self.read:
                new = self.reading(m.id, device)
                if new is not None:
                    self.read[m.id] = new
            if m.id in self.read:
                found[m.id] = self.read[m.id]
        return found

    def reading(self, name: str, device: str) -> Reading | None:
        value = self.truth(name)
        fault = self.faults.get(name)
        quality: Quality = GOOD
        if fault is not None:
            if fault.kind == "failure":
                return Reading(None, invalid(Detail.FAILURE), self.now, "sentinel 0x7FFF", device)
            if fault.kind == "range":
                return Reading(999.0, invalid(Detail.OUT_OF_RANGE), self.now, "above max_c", device)
            if fault.kind == "old":
                return None
            if fault.kind == "frozen":
                fault.value = fault.value or value
                value = fault.value
            elif fault.kind == "jump":
                value += 35.0
            elif fault.kind == "zero":
                value = 0.0
            elif fault.kind == "other":  # a contact
                value = 1.0 - value
            elif fault.kind == "flaps":
                value = float(self.now // (60 * NS) % 2)
            elif fault.kind == "drift":
                value -= 0.004 * (self.now - fault.since_ns) / NS
            elif fault.kind == "substituted":
                quality = GOOD.substituted()
            elif fault.kind == "questionable":
                quality = Quality(Validity.QUESTIONABLE, Detail.INACCURATE)
        return Reading(value, quality, self.now, "", device)

    def truth(self, name: str) -> float:
        unit, _, rest = name.partition(".")
        t = next(t for t in self.ours.transformers if t.id == unit)
        item, _, what = rest.rpartition(".")
        oil, load = self.oil[unit], self.load[unit]
        noise = round(self.rng.gauss(0.0, 0.05), 2)
        if what in ("top_oil_c", "top_oil_2_c"):
            return round(oil + noise, 1)
        if what == "bottom_oil_c":
            return round(oil - 12.0 * load + noise, 1)
        if what == "ambient_c":
            return round(self.ambient + noise, 1)
        if what == "fibre_c":
            return round(oil + 22.0 * load**1.5 + noise, 1)
        if what == "tap_position":
            return float(9 + int(self.now / NS / 7000) % 3)
        if what == "current_a":
            winding = next(w for w in t.windings if w.id == item)
            rated = winding.modes[t.modes[-1].id].rated_current_a
            return round(load * rated * (1.0 + noise / 10.0), 2)
        if what == "feedback":
            broken = self.fault(f"{unit}.{item}", "contactor")
            return float(self.coils.get(f"{unit}.{item}") is False and not broken)
        return float(what not in RESTING)

    def relays(self) -> dict[str, RelayStatus]:
        found = {}
        for output, device in self.outputs():
            silent = self.gone(device) or device in self.alone
            late = self.fault(output, "disobeys")
            found[output] = RelayStatus(
                None if silent else self.coils.get(output, False),
                self.now,
                link_ok=not silent,
                foreign=self.fault(output, "foreign"),
                verified=not self.fault(output, "unverified"),
                disobeys="late" if late else "",
            )
        return found

    def devices(self) -> dict[str, str]:
        return {
            d.id: "left alone by decision"
            if d.id in self.alone
            else "no answer within 1 s"
            if self.gone(d.id)
            else ""
            for d in self.ours.devices
        }

    def outputs(self) -> Iterator[tuple[str, str]]:
        """(output id, its device)."""
        for t in self.ours.transformers:
            for s in t.stages:
                yield f"{t.id}.{s.id}", s.relay.device
            if t.trip.relay is not None:
                yield f"{t.id}.trip", t.trip.relay.device
            for name in type(t.contacts).model_fields:
                relay = getattr(t.contacts, name)
                if relay is not None:
                    yield f"{t.id}.contact.{name}", relay.device

    # --- faults and commands ---------------------------------------------------------------------

    def fault(self, subject: str, kind: str) -> bool:
        found = self.faults.get(f"{subject} {kind}")
        return found is not None

    def gone(self, device: str) -> bool:
        return self.fault(device, "down")

    def break_something(self) -> None:
        lasts = round(self.rng.choice((4.0, 15.0, 60.0, 400.0, 3000.0)) * NS)
        what = self.rng.random()
        if what < 0.6:
            all_of_them = list(measurements(self.ours))
            contacts = [m.id for m in all_of_them if isinstance(m.input, BoolInput)]
            others = [m.id for m in all_of_them if not isinstance(m.input, BoolInput)]
            subject, kind = self.rng.choice(others), self.rng.choice(ODD)
            if self.rng.random() < 0.4:
                locks = [c for c in contacts if c.endswith((".interlock", ".feedback"))]
                subject = self.rng.choice(locks if self.rng.random() < 0.5 else contacts)
                kind = self.rng.choice(("other", "other", "flaps", "failure"))
            if kind in ("jump", "zero", "drift") and self.rng.random() < 0.5:
                kind = "failure"
            self.faults[subject] = Fault(kind, self.now + lasts, self.now)
        elif what < 0.72:
            device = self.rng.choice([d.id for d in self.ours.devices])
            kind = "down" if self.rng.random() < 0.8 else "no timeout"
            self.faults[f"{device} {kind}"] = Fault(kind, self.now + lasts, self.now)
        else:
            output = self.rng.choice([o for o, _ in self.outputs()])
            kind = self.rng.choice(("stuck", "contactor", "disobeys", "foreign", "unverified", "contactor"))
            self.faults[f"{output} {kind}"] = Fault(kind, self.now + lasts, self.now)

    def lost(self) -> str:
        """A measurement that cannot be read, or ""."""
        return next((name for name, f in self.faults.items() if f.kind in ("failure", "range")), "")

    def command(self) -> Command:
        rng, ours = self.rng, self.ours
        t = rng.choice(ours.transformers)
        stage = f"{t.id}.{rng.choice(t.stages).id}" if rng.random() < 0.95 else f"{t.id}.nothing"
        measurement = rng.choice([m.id for m in measurements(ours)])
        alarm = rng.choice(
            ("all", f"{t.id}.alarm_top_oil_lost", f"{stage}.alarm_no_feedback", f"{t.id}.alarm_hot_spot_high",
             f"{t.id}.alarm_oil_doubtful", f"{stage}.alarm_output_fault", "station.alarm_broker_lost")
        )  # fmt: skip
        device = rng.choice(ours.devices).id
        minutes = rng.choice((None, 1.0, 5.0, 30.0, 600.0))
        kinds: dict[str, tuple[str, dict[str, float | None]]] = {
            "force_on": (stage, {"minutes": minutes}),
            "hold_off": (stage, {"minutes": minutes}),
            "automatic": (stage, {}),
            "acknowledge": (alarm, {}),
            "shelve": (alarm, {"minutes": minutes}),
            "unshelve": (alarm, {}),
            "out_of_service": (alarm, {}),
            "in_service": (alarm, {}),
            "acknowledge_flapping": (stage, {}),
            "reset_peaks": (rng.choice((t.id, "all", "T99")), {}),
            "substitute": (
                self.lost() or measurement,
                {"value": rng.choice((20.0, 55.0, 90.0)), "minutes": minutes},
            ),
            "end_substitute": (measurement, {}),
            "expect_load": (t.id, {"value": 1.2, "after_min": rng.choice((5.0, 60.0)), "minutes": 90.0}),
            "end_expect_load": (t.id, {}),
            "confirm_reading": (self.lost() or measurement, {}),
            "confirm_module": (device, {}),
        }
        kind = rng.choice(sorted(kinds))
        target, more = kinds[kind]
        self.commands += 1
        how = rng.choice(("local", "local", "socket"))
        return Command(f"c{self.commands}", kind, target, "tester", how, **more)  # type: ignore[arg-type]
