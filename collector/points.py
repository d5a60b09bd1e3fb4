"""The one catalogue of points: ids, units, meanings, permanent offsets.

MQTT payloads, the SCADA map, history, the terminal view, reports and the points list are derived
from here. An offset, once released, is never reused or changed (golden file in tests/): a point's
address follows from it and from the permanent numbers (addresses.py) and must not move when something
is added or removed.
"""

# ruff: noqa: E501  (the catalogue is a table: one point, one line)
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from collector.addresses import Aspect, Level, Place, place
from collector.settings.model import (
    BoolInput,
    Count,
    Current,
    Device,
    Register,
    Settings,
    Temperature,
    Temperature2,
)

PointType = Literal["float", "int", "bool", "enum", "text"]

#: ISA-18.2 alarm states, as published (int) and shown (word).
ALARM_STATES = (
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned-unacknowledged",
    "shelved",
    "suppressed by design",
    "out of service",
)
CALL_REASONS = (
    "automatic",
    "forced on",
    "held off by hand",
    "interlocked",
    "cold-oil block",
    "released: input lost",
    "released: alarm temperature",
    "released: flapping",
    "starting",
    "spare for a stage that is not proven",
    "pump for its fans",
    "exercise",
    "minimum run",
    "released: return not yet trusted",
    "released: output module lost",
    "pre-cooling",
    "released: not read since a stall",
    "released: another output does not obey",
    "kept on: a reading is in doubt",
    "released: its module has let go in a proof",
    "released: its module failed the proof",
)


@dataclass(frozen=True, slots=True)
class Declared:
    """A kind of point, declared once per level.

    unit: SI or "" ; id suffix carries it. quality: the rule by which its quality comes about.
    words: for an enum, the word of each integer value. measured: read from the field.
    """

    level: Level
    name: str
    offset: int
    type: PointType
    unit: str
    meaning: str
    quality: str
    words: tuple[str, ...] = ()
    measured: bool = False


@dataclass(frozen=True, slots=True)
class Point:
    """One point of one station: a declared kind with its numbers filled in."""

    id: str
    declared: Declared
    transformer: int = 0
    item: int = 0  # winding, stage or device number

    @property
    def place(self) -> Place:
        """Where it is found on every way out."""
        return place(self.declared.level, self.transformer, self.item, self.declared.offset)

    @property
    def address(self) -> int:
        """First register of this point in the Modbus map of its section, zero-based."""
        return self.place.register

    @property
    def aspects(self) -> tuple[Aspect, ...]:
        """What SCADA can be told of it: a text has no place in registers and indices."""
        if self.declared.type == "text":
            return ()
        if self.declared.type == "bool":
            return ("state",)
        return ("number", "state", "unacknowledged") if self.is_alarm else ("number",)

    @property
    def is_alarm(self) -> bool:
        return self.declared.words == ALARM_STATES

    @property
    def topic(self) -> str:
        """Its place below ``value/`` in the broker: ``T1/HV_A/hot_spot_c``."""
        return self.id.replace(".", "/")


_M = "the reading's own, after the plausibility checks"
_H = "worst of top oil and this winding's current"
_A = "good; the alarm itself says which input is bad"
_L = "worst of top oil and currents; invalid when its time is over or an input is bad"


def _alarm(level: Level, name: str, offset: int, meaning: str) -> Declared:
    return Declared(level, f"alarm_{name}", offset, "enum", "", meaning, _A, ALARM_STATES)


DECLARED: tuple[Declared, ...] = (
    # station
    Declared("station", "decision_sequence", 0, "int", "", "number of the last completed step", "good"),
    Declared("station", "clock_trusted", 1, "bool", "", "the wall clock has not stepped and is past the build date", "good"),
    Declared("station", "record_ok", 2, "bool", "", "the record on local disk is being written", "good"),
    Declared("station", "broker_ok", 3, "bool", "", "the MQTT broker is connected", "good"),
    _alarm("station", "record_failed", 10, "the record cannot be written; control is untouched"),
    _alarm("station", "broker_lost", 11, "no MQTT broker; values wait on local disk"),
    _alarm("station", "clock_stepped", 12, "the wall clock was stepped or is not trusted"),
    _alarm("station", "settings_refused", 13, "new settings were refused; the old ones stay"),
    _alarm("station", "unnamed_output", 14, "a relay module holds an output that no setting names"),
    # transformer: measured
    Declared("transformer", "top_oil_c", 0, "float", "degC", "top oil used: measured, or estimated while the sensor is lost", _M, measured=True),
    Declared("transformer", "ambient_c", 1, "float", "degC", "ambient air at the coolers", _M, measured=True),
    Declared("transformer", "bottom_oil_c", 2, "float", "degC", "bottom oil", _M, measured=True),
    Declared("transformer", "energised", 3, "bool", "", "the transformer is energised", _M, measured=True),
    Declared("transformer", "tap_position", 4, "int", "", "tap changer position", _M, measured=True),
    Declared("transformer", "top_oil_2_c", 5, "float", "degC", "second top-oil probe", _M, measured=True),
    Declared("transformer", "ac_supply_healthy", 6, "bool", "", "cooler AC supply", _M, measured=True),
    Declared("transformer", "phase_sequence_ok", 7, "bool", "", "cooler supply phase sequence", _M, measured=True),
    Declared("transformer", "control_supply_healthy", 8, "bool", "", "cabinet control supply", _M, measured=True),
    Declared("transformer", "supply_changeover", 9, "bool", "", "coolers changed over to their standby AC supply", _M, measured=True),
    # transformer: derived
    Declared("transformer", "hot_spot_c", 20, "float", "degC", "hot spot of the hottest winding", _H),
    Declared("transformer", "hottest_winding", 21, "int", "", "number of the hottest winding", _H),
    Declared("transformer", "mode", 22, "int", "", "number of the cooling mode in force", "worst of the feedbacks it needs"),
    Declared("transformer", "expected_oil_c", 23, "float", "degC", "top oil the model expects from load and ambient", "worst of ambient and currents"),
    Declared("transformer", "effectiveness_k", 24, "float", "K", "measured minus expected top oil", "worst of top oil, ambient and currents"),
    Declared("transformer", "load_pu", 25, "float", "pu", "highest winding load, of the mode in force", "worst of the currents"),
    Declared("transformer", "unmonitored_h", 26, "float", "h", "time without a record or model, not in loss of life", "good"),
    Declared("transformer", "bubbling_margin_k", 27, "float", "K", "bubble inception temperature minus hot spot", _H),
    Declared("transformer", "peak_hot_spot_c", 28, "float", "degC", "highest hot spot since reset", "the hot spot's at that time"),
    Declared("transformer", "peak_top_oil_c", 29, "float", "degC", "highest top oil since reset", "the top oil's at that time"),
    Declared("transformer", "peak_load_pu", 30, "float", "pu", "highest load since reset", "the load's at that time"),
    # transformer: permissible loading under its guide's normal limits; reduced: less the largest stage
    Declared("transformer", "load_minutes", 31, "float", "min", "time until the first limit if load and ambient stay; 1440: or longer", _L),
    Declared("transformer", "load_15min_pu", 32, "float", "pu", "largest load that may be held for 15 min", _L),
    Declared("transformer", "load_1h_pu", 33, "float", "pu", "largest load that may be held for 1 h", _L),
    Declared("transformer", "load_2h_pu", 34, "float", "pu", "largest load that may be held for 2 h", _L),
    Declared("transformer", "load_4h_pu", 35, "float", "pu", "largest load that may be held for 4 h", _L),
    Declared("transformer", "load_8h_pu", 36, "float", "pu", "largest load that may be held for 8 h", _L),
    Declared("transformer", "load_continuous_pu", 37, "float", "pu", "largest load without end: ageing as fast as allowed, at the weighted ambient of the year", _L),
    Declared("transformer", "load_limited_by", 38, "text", "", "what limits the load without end", _L),
    Declared("transformer", "reduced_load_minutes", 39, "float", "min", "time until the first limit if load and ambient stay, less the largest stage; 1440: or longer", _L),
    Declared("transformer", "reduced_load_15min_pu", 40, "float", "pu", "largest load that may be held for 15 min, less the largest stage", _L),
    Declared("transformer", "reduced_load_1h_pu", 41, "float", "pu", "largest load that may be held for 1 h, less the largest stage", _L),
    Declared("transformer", "reduced_load_2h_pu", 42, "float", "pu", "largest load that may be held for 2 h, less the largest stage", _L),
    Declared("transformer", "reduced_load_4h_pu", 43, "float", "pu", "largest load that may be held for 4 h, less the largest stage", _L),
    Declared("transformer", "reduced_load_8h_pu", 44, "float", "pu", "largest load that may be held for 8 h, less the largest stage", _L),
    Declared("transformer", "reduced_load_continuous_pu", 45, "float", "pu", "largest load without end: ageing as fast as allowed, at the weighted ambient of the year, less the largest stage", _L),
    Declared("transformer", "reduced_load_limited_by", 46, "text", "", "what limits the load without end, less the largest stage", _L),
    Declared("transformer", "load_valid_min", 47, "int", "min", "the loading figures may be used for so long; 0: there are none", "good"),
    Declared("transformer", "explained_low_c", 48, "float", "degC", "lowest top oil that load, ambient and cooling explain, with the errors left open", "good; none before it has begun"),
    Declared("transformer", "explained_high_c", 49, "float", "degC", "highest top oil that load, ambient and cooling explain, with the errors left open", "good; none before it has begun"),
    Declared("transformer", "oil_bias_k", 50, "float", "K", "measured minus expected top oil, averaged over days of clear cooling", "good; none before it has begun"),
    Declared("transformer", "load_present_ambient_pu", 51, "float", "pu", "as load_continuous_pu, if the ambient stayed as it is", _L),
    Declared("transformer", "reduced_load_present_ambient_pu", 52, "float", "pu", "as load_continuous_pu, if the ambient stayed as it is, less the largest stage", _L),
    Declared("transformer", "load_15min_life_h", 53, "float", "h", "loss of life that load_15min_pu costs in its 15 min, as estimated", _L),
    Declared("transformer", "load_1h_life_h", 54, "float", "h", "loss of life that load_1h_pu costs in its hour, as estimated", _L),
    Declared("transformer", "load_2h_life_h", 55, "float", "h", "loss of life that load_2h_pu costs in its 2 h, as estimated", _L),
    Declared("transformer", "load_4h_life_h", 56, "float", "h", "loss of life that load_4h_pu costs in its 4 h, as estimated", _L),
    Declared("transformer", "load_8h_life_h", 57, "float", "h", "loss of life that load_8h_pu costs in its 8 h, as estimated", _L),
    # transformer: alarms
    _alarm("transformer", "hot_spot_high", 60, "hot spot above its high limit: every stage is called"),
    _alarm("transformer", "hot_spot_high_high", 61, "hot spot above its high-high limit"),
    _alarm("transformer", "top_oil_high", 62, "top oil above its high limit: every stage is called"),
    _alarm("transformer", "top_oil_high_high", 63, "top oil above its high-high limit"),
    _alarm("transformer", "top_oil_lost", 64, "top-oil measurement lost: every stage runs"),
    _alarm("transformer", "ambient_lost", 65, "ambient measurement lost"),
    _alarm("transformer", "effectiveness_low", 66, "oil hotter than load, ambient and cooling explain"),
    _alarm("transformer", "cooling_insufficient", 67, "called cooling is not running and no spare is left"),
    _alarm("transformer", "pumps_lost", 68, "all pumps of an OF or OD mode lost: maker's countdown runs"),
    _alarm("transformer", "ac_supply_lost", 69, "cooler AC supply lost or wrong phase sequence"),
    _alarm("transformer", "control_supply_lost", 70, "cabinet control supply lost"),
    _alarm("transformer", "top_oil_redundancy_lost", 71, "one of two top-oil probes lost: the other carries on"),
    _alarm("transformer", "trip", 72, "trip criteria met; the trip output is energised where enabled"),
    _alarm("transformer", "contact_lost", 73, "a status contact of the transformer cannot be read"),
    _alarm("transformer", "estimate_lost", 74, "no valid hot spot: every stage runs"),
    _alarm("transformer", "supply_changeover", 75, "coolers run on their standby AC supply"),
    _alarm("transformer", "ambient_doubtful", 76, "ambient stands above the oil under load, or does not fit the oil: used, but doubted"),
    _alarm("transformer", "output_fault", 77, "trip or alarm output reads back different, or its module is lost"),
    _alarm("transformer", "oil_doubtful", 80, "the oil reads colder than load, ambient and cooling explain: the expected one counts"),
    _alarm("transformer", "load_doubtful", 81, "the oil is hotter than the shown load explains, or two sides differ: at least that load counts"),
    _alarm("transformer", "cold_oil_doubtful", 82, "the oil reads cold enough to block pumps, but model or load say otherwise: nothing is blocked"),
    _alarm("transformer", "tap_lost", 83, "tap position lost: the last one counts"),
    _alarm("transformer", "oil_drifts", 85, "the oil has slowly come away from what is expected"),
    _alarm("transformer", "energised_doubtful", 84, "the energised contact is open while current flows"),
    # winding
    Declared("winding", "current_a", 0, "float", "A", "winding current, primary", _M, measured=True),
    Declared("winding", "fibre_c", 1, "float", "degC", "fibre-optic winding probe", _M, measured=True),
    Declared("winding", "load_pu", 2, "float", "pu", "current / rated current of the mode in force", "the current's"),
    Declared("winding", "hot_spot_c", 3, "float", "degC", "winding hot spot", _H),
    Declared("winding", "hot_spot_uncertainty_k", 4, "float", "K", "expanded uncertainty of the hot spot, k = 2", _H),
    Declared("winding", "ageing_rate", 5, "float", "", "relative ageing rate of this unit's paper", _H),
    Declared("winding", "loss_of_life_h", 6, "float", "h", "loss of life, never decreasing but by a correction", "questionable while more than 1 % of the integrated time was on questionable or substituted hot spots (start period not counted)"),
    Declared("winding", "loss_of_life_low_h", 7, "float", "h", "loss of life at hot spot minus its uncertainty", "as loss_of_life_h"),
    Declared("winding", "loss_of_life_high_h", 8, "float", "h", "loss of life at hot spot plus its uncertainty", "as loss_of_life_h"),
    Declared("winding", "loss_of_life_percent", 9, "float", "%", "loss of life / normal life", "as loss_of_life_h"),
    Declared("winding", "gradient_k", 10, "float", "K", "hot spot minus top oil", "the current's"),
    Declared("winding", "equivalent_ageing_day", 11, "float", "", "equivalent ageing factor of the last 24 h", _H),
    Declared("winding", "equivalent_ageing_month", 12, "float", "", "equivalent ageing factor of the last 30 days", _H),
    Declared("winding", "equivalent_ageing_total", 13, "float", "", "equivalent ageing factor since the start", _H),
    Declared("winding", "unmonitored_life_h", 14, "float", "h", "conservative figure for the unmonitored hours, not in loss of life", "questionable: assumed"),
    Declared("winding", "life_corrections", 15, "int", "", "how often its loss of life was corrected by hand", "good"),
    _alarm("winding", "current_lost", 20, "winding current lost or implausible: every stage runs"),
    _alarm("winding", "current_doubtful", 21, "winding current stands off from the other phases: nothing stops"),
    # stage
    Declared("stage", "feedback", 0, "bool", "", "proof of running as wired", _M, measured=True),
    Declared("stage", "selector_auto", 1, "bool", "", "selector in Auto", _M, measured=True),
    Declared("stage", "selector_manual", 2, "bool", "", "selector in Manual", _M, measured=True),
    Declared("stage", "breaker_closed", 3, "bool", "", "motor breaker closed", _M, measured=True),
    Declared("stage", "interlock", 4, "bool", "", "stop interlock active", _M, measured=True),
    Declared("stage", "called", 5, "bool", "", "windingd calls this stage (relay released)", "good"),
    Declared("stage", "running", 6, "bool", "", "proven running", "the feedback's; questionable while unproven"),
    Declared("stage", "reason", 7, "enum", "", "why it is called or not", "good", CALL_REASONS),
    Declared("stage", "run_hours", 8, "float", "h", "hours proven running", "the feedback's"),
    Declared("stage", "starts", 9, "int", "", "starts since commissioning", "good"),
    _alarm("stage", "no_feedback", 20, "called but not proven running"),
    _alarm("stage", "output_fault", 21, "output reads back different, or its module is lost"),
    _alarm("stage", "not_available", 22, "not in Auto, tripped or interlocked"),
    _alarm("stage", "flapping", 23, "released too often: stays released until acknowledged"),
    _alarm("stage", "input_lost", 24, "feedback or cabinet contact cannot be read"),
    _alarm("stage", "feedback_stuck", 25, "feedback says running while held off: it proves nothing until it drops"),
    _alarm("stage", "held_off_hot", 26, "held off by hand while a criterion is above pickup"),
    Declared("stage", "parallel_start", 10, "bool", "", "a contact in parallel calls the stage", _M, measured=True),
    # device
    Declared("device", "link_ok", 0, "bool", "", "the device answers", "good"),
    _alarm("device", "link_lost", 1, "the device does not answer: what is read from it is lost"),
    Declared("device", "release_proven_days", 2, "float", "d", "since its own timeout was last proven to release its outputs; relay modules that cooling leans on", "invalid while it was never proven"),
    _alarm("device", "timeout_failed", 3, "left unfed, the relay module did not release: it holds nothing off until confirmed"),
)

#: Measured ids whose value has a register in the settings: (level, point name) -> how to find it.
_TRANSFORMER_INPUTS = {
    "top_oil_c": "top_oil",
    "ambient_c": "ambient",
    "bottom_oil_c": "bottom_oil",
    "energised": "energised",
    "ac_supply_healthy": "ac_supply_healthy",
    "phase_sequence_ok": "phase_sequence_ok",
    "control_supply_healthy": "control_supply_healthy",
    "supply_changeover": "supply_changeover",
}
_CABINET_INPUTS = ("selector_auto", "selector_manual", "breaker_closed", "interlock", "parallel_start")

#: Points of a relay module whose own timeout is proven in service, and of no other device.
_MODULE_POINTS = ("release_proven_days", "alarm_timeout_failed")


def proven_modules(settings: Settings) -> tuple[Device, ...]:
    """The relay modules that cooling leans on and that release by their own timeout."""
    cooling = {s.relay.device for t in settings.transformers for s in t.stages}
    return tuple(
        d
        for d in settings.devices
        if d.relay_module is not None and d.relay_module.released_by == "module_timeout" and d.id in cooling
    )


AnyInput = Temperature | Temperature2 | Current | BoolInput | Count | Register


@dataclass(frozen=True, slots=True)
class Measurement:
    """A measurement id with the register it is read from and its place in the settings file."""

    id: str
    input: AnyInput
    path: tuple[str | int, ...]


def measurements(settings: Settings) -> Iterator[Measurement]:
    """Every measurement of a station, in the order of the settings file."""
    for ti, t in enumerate(settings.transformers):
        base: tuple[str | int, ...] = ("transformers", ti)
        for name, key in _TRANSFORMER_INPUTS.items():
            source = getattr(t, key)
            if source is not None:
                yield Measurement(f"{t.id}.{name}", source, (*base, key))
        if t.top_oil.redundant is not None:
            yield Measurement(f"{t.id}.top_oil_2_c", t.top_oil.redundant, (*base, "top_oil", "redundant"))
        if t.tap_changer is not None:
            path = (*base, "tap_changer", "position")
            yield Measurement(f"{t.id}.tap_position", t.tap_changer.position, path)
        for wi, w in enumerate(t.windings):
            wbase = (*base, "windings", wi)
            if w.current is not None:
                yield Measurement(f"{t.id}.{w.id}.current_a", w.current, (*wbase, "current"))
            if w.fibre_probe is not None:
                yield Measurement(f"{t.id}.{w.id}.fibre_c", w.fibre_probe, (*wbase, "fibre_probe"))
        for si, s in enumerate(t.stages):
            sbase = (*base, "stages", si)
            if s.feedback is not None:
                yield Measurement(f"{t.id}.{s.id}.feedback", s.feedback, (*sbase, "feedback"))
            for name in _CABINET_INPUTS:
                contact = getattr(s.cabinet, name)
                if contact is not None:
                    yield Measurement(f"{t.id}.{s.id}.{name}", contact, (*sbase, "cabinet", name))


def catalogue(settings: Settings) -> tuple[Point, ...]:
    """Every point of a station. Measured points without a register in the settings are left out."""
    wired = {m.id for m in measurements(settings)}
    points: list[Point] = []

    def add(level: Level, prefix: str, transformer: int, item: int, left_out: tuple[str, ...] = ()) -> None:
        for declared in DECLARED:
            if declared.level != level or declared.name in left_out:
                continue
            point_id = f"{prefix}.{declared.name}"
            derived_current = declared.name == "current_a"
            if declared.measured and point_id not in wired and not derived_current:
                continue
            points.append(Point(point_id, declared, transformer, item))

    modules = proven_modules(settings)
    add("station", "station", 0, 0)
    for t in settings.transformers:
        add("transformer", t.id, t.number, 0)
        for w in t.windings:
            add("winding", f"{t.id}.{w.id}", t.number, w.number)
        for s in t.stages:
            add("stage", f"{t.id}.{s.id}", t.number, s.number)
    for d in settings.devices:
        add("device", f"device.{d.id}", 0, d.number, () if d in modules else _MODULE_POINTS)
    return tuple(points)
