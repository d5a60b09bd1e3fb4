"""The shape of a settings file: what keys there are, their units, ranges and defaults.

Only shape and single-value ranges live here. Faults that need two values are in cross_check.py,
file and line in nodes.py. Every key carries its unit as a suffix; every default says why.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Id = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,31}$", description="letters, digits, _ and -")]
Number = Annotated[
    int, Field(ge=1, description="permanent: never reuse or renumber, addresses derive from it")
]
# The largest numbers are what the address plan has room for (addresses.NUMBERS).
TransformerNumber = Annotated[Number, Field(le=128)]
WindingNumber = Annotated[Number, Field(le=24)]
StageNumber = Annotated[Number, Field(le=12)]
DeviceNumber = Annotated[Number, Field(le=312)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


# --- where values come from ------------------------------------------------------------------


class Register(Section):
    """One value in a device's Modbus map. Give `address` (zero-based) with `table`, or `reference`."""

    device: Id
    table: Literal["coil", "discrete_input", "holding_register", "input_register"] | None = None
    address: Annotated[int, Field(ge=0, le=65535, description="zero-based protocol address")] | None = None
    reference: (
        Annotated[
            int,
            Field(
                description="5 or 6 digit reference: 00001 coil, 10001 discrete input, "
                "30001 input register, 40001 holding register"
            ),
        ]
        | None
    ) = None
    type: (
        Literal[
            "bool",
            "int16",
            "uint16",
            "int32",
            "uint32",
            "int64",
            "uint64",
            "bcd16",
            "bcd32",
            "sign_magnitude16",
            "sign_magnitude32",
            "float32",
            "float64",
        ]
        | None
    ) = None
    bit: Annotated[int, Field(ge=0, le=15, description="bit of a register, 0 = least significant")] | None = (
        None
    )
    bits: tuple[Annotated[int, Field(ge=0, le=31)], ...] = Field(
        (), description="[first, last]: these bits of the value are the number; 0 = least significant"
    )
    byte_order: Literal["big", "little"] | None = Field(
        None, description="within a register; default: the device's"
    )
    word_order: Literal["big", "little"] | None = Field(
        None, description="first register most significant = big"
    )
    scale: float = 1.0
    offset: float = 0.0
    sentinels: tuple[float, ...] = Field(
        (), description="raw values (before scale) that mean 'no measurement'"
    )


class ScaleRegister(Register):
    """A register that says how another is scaled; read in the same poll, on the same device."""

    means: Literal["power_of_ten", "multiplier"]


class Scaled(Register):
    """value = raw * (what scale_register says) * scale + offset."""

    scale_register: ScaleRegister | None = None


class BoolInput(Register):
    """A contact or status bit."""

    invert: bool = Field(
        False, description="true: the contact is closed (1) when the named condition is absent"
    )


class Temperature2(Scaled):
    """The second probe of a duplicated measurement."""

    min_c: float = -50.0
    max_c: float = 180.0


class Temperature(Scaled):
    """A temperature measurement. The result of raw * scale + offset is in degrees Celsius."""

    min_c: float = Field(-50.0, description="below: outOfRange (an open Pt100 reads far outside)")
    max_c: float = Field(180.0, description="above: outOfRange")
    max_rate_k_per_min: Positive = Field(
        30.0, description="faster than oil or air can move: the sensor jumps"
    )
    accuracy_k: NotNegative = Field(
        1.0, description="standard class of a Pt100 with transmitter, for the uncertainty"
    )
    redundant: Temperature2 | None = Field(
        None, description="a second probe at the same place, compared with the first"
    )
    max_difference_k: Positive = Field(5.0, description="between duplicate probes")


class Current(Scaled):
    """A winding's current. `reads` says what raw * scale + offset means."""

    reads: Literal["primary_a", "secondary_a", "percent"] = "primary_a"
    ct_primary_a: Positive | None = Field(
        None, description="needed for secondary_a and percent (100 % = ct_primary_a)"
    )
    ct_secondary_a: Positive | None = Field(None, description="needed for secondary_a (1 or 5)")
    max_a: Positive | None = Field(
        None, description="above: outOfRange; default 4 times the largest rated current"
    )
    accuracy_percent: NotNegative = Field(
        1.0, description="of the CT with its transducer, for the uncertainty"
    )


class DerivedCurrent(Section):
    """Current of a winding that has no CT: the sum of other windings' currents times a factor each.

    Example: common winding of an auto-transformer, {HV_A: -1.0, LV_A: 1.0} (magnitude of the sum).
    """

    factors: dict[Id, float] = Field(min_length=1, description="winding id -> factor (turns ratio and sign)")
    accuracy_percent: NotNegative = 3.0


class Count(Register):
    """An integer position, such as the tap changer's."""


# --- links and devices -----------------------------------------------------------------------


class Link(Section):
    id: Id
    type: Literal["tcp", "rtu_over_tcp", "rtu_serial"]
    host: str | None = None
    port: Annotated[int, Field(ge=1, le=65535)] | None = Field(None, description="default 502")
    serial_device: str | None = Field(None, description="for example /dev/ttyS1")
    baud: Annotated[int, Field(ge=300, le=921600)] = 9600
    parity: Literal["none", "even", "odd"] = "even"
    stop_bits: Literal[1, 2] = 1
    timeout_s: Annotated[float, Field(gt=0, le=60)] = Field(1.0, description="real time per request")
    late_answer_s: Annotated[float, Field(ge=0, le=120)] | None = Field(
        None,
        description="RTU: after a time-out nothing is read until the line was quiet for so long, since "
        "answers carry no transaction id; at least a gateway's own time-out. Default 2 times timeout_s: an "
        "answer that comes within 3 times timeout_s is then never taken for another's",
    )
    frame_gap_s: Annotated[float, Field(ge=0.001, le=2)] | None = Field(
        None,
        description="RTU: an answer counts only when nothing more came for so long. Default on a serial line "
        "3.5 characters (at least 1.75 ms), over TCP 0.02",
    )
    turnaround_s: Annotated[float, Field(ge=0, le=5)] = Field(0.0, description="pause between requests")
    one_request_per_connection: bool = Field(
        False,
        description="TCP: its peer answers only the first request of a connection. One that closes after "
        "each answer is found out without this",
    )
    keepalive_s: Annotated[int, Field(ge=1, le=7200)] | None = Field(
        None,
        description="TCP: so often the system asks an idle connection whether it still lives, for a firewall "
        "that forgets it. Default: never, polls are more frequent than any firewall forgets",
    )
    standby_host: str | None = Field(
        None, description="TCP: second address of the same devices, tried only when the first fails"
    )
    standby_port: Annotated[int, Field(ge=1, le=65535)] | None = Field(
        None, description="default: that of the first address"
    )
    back_to_first_s: Annotated[float, Field(ge=1, le=86400)] = Field(
        600.0, description="so often the first address is looked for while the second is in use (real time)"
    )


Code = Annotated[int, Field(ge=0, le=65535)]


class ReadBack(Section):
    """Where the state of an output stands, on the same device, if not where it is written."""

    table: Literal["coil", "discrete_input", "holding_register", "input_register"]
    address: Annotated[int, Field(ge=0, le=65535)]
    bit: Annotated[int, Field(ge=0, le=15)] | None = Field(None, description="of a register")
    energised_code: Code = Field(1, description="what stands there while the output is energised")
    released_code: Code = Field(0, description="... while it is released; anything else is not released")


class Relay(Section):
    """A relay's output. Energised holds a cooling stage off; released lets it run.

    A coil, or a holding register, or a bit of one. Level outputs only: it stays as it was last written.
    """

    device: Id
    coil: Annotated[int, Field(ge=0, le=65535)] | None = None
    holding_register: Annotated[int, Field(ge=0, le=65535)] | None = Field(
        None, description="zero-based; in place of coil"
    )
    bit: Annotated[int, Field(ge=0, le=15)] | None = Field(
        None, description="of holding_register: the others stay as they are (mask write, function 22)"
    )
    function: Literal[5, 6, 15, 16] | None = Field(
        None,
        description="the only one by which it may be written; left out: 15 (registers 16) for neighbours "
        "together, else 5 (6), and each in place of the other where the module refuses it",
    )
    energised_code: Code = Field(1, description="what is written to energise it")
    released_code: Code = Field(0, description="what is written to release it")
    timeout_code: Code | None = Field(
        None, description="which code the module itself puts there after its time-out"
    )
    power_off_code: Code | None = Field(
        None, description="which code's contact position it has while the module is without supply"
    )
    power_on_code: Code | None = Field(None, description="which code it has when its supply returns")
    read_back: ReadBack | None = None
    write_only: bool = Field(
        False,
        description="its state can be read nowhere: it counts as released while the feedback of its stage, "
        "read over another device, says that this runs",
    )
    invert: bool = Field(
        False,
        description="alarm contacts only: the coil is 1 while there is no alarm, so that the contact drops "
        "out on it and also when the module lets go",
    )


class Identity(Register):
    """Where a device says who it is: a text, or a whole number of `type`."""

    registers: Annotated[int, Field(ge=1, le=60)] | None = Field(
        None, description="a text of so many registers, two characters each; left out: a number"
    )
    expected: Annotated[str, Field(min_length=1)] | None = Field(
        None, description="such as its serial number: another device's readings do not count"
    )


class Heartbeat(Section):
    """A register that keeps a module's time-out from acting only while it is written, or changes."""

    holding_register: Annotated[int, Field(ge=0, le=65535)]
    values: tuple[Code, ...] = Field(
        (0, 1), min_length=1, description="written one after the other, a third of timeout_s apart"
    )


class RelayModule(Section):
    """What makes a relay module's outputs release (cooling on) without windingd."""

    released_by: Literal["module_timeout", "watchdog_relay"]
    timeout_s: Annotated[float, Field(gt=0, le=600)] = Field(
        description="after this silence the outputs are released (station time)"
    )
    fed_by: Literal["writes", "own_requests", "any_frame_on_line", "connection"] = Field(
        "own_requests",
        description="what keeps its timeout from running, proven at commissioning; own_requests: any request "
        "to its unit, the usual and the safe one of the first two. any_frame_on_line and connection: the "
        "whole link is left alone while the module must release",
    )
    release_within_s: Annotated[float, Field(ge=0.2, le=120)] | None = Field(
        None,
        description="an output to be released that has not read back so within this ends every request to "
        "its unit until timeout_s must have passed; default half of timeout_s, at most 10 (common practice, "
        "no source)",
    )
    heartbeat: Heartbeat | None = Field(
        None,
        description="written only while windingd decides and the module obeys: not from the moment on that "
        "an output is to be released until it has read back so",
    )
    watchdog_relay: Relay | None = Field(
        None,
        description="an output of another module whose contact breaks the common of this module's cooling "
        "relays; energised while windingd decides and every output here obeys",
    )
    proof_interval_days: Annotated[float, Field(ge=0.05, le=400)] = Field(
        30.0,
        description="so often it is left unfed to prove that its own timeout releases; the first time within "
        "a day. Monthly costs twelve starts a year and finds a dead timeout within a month (common practice "
        "for a standby function, no source)",
    )
    timeout_register: Register | None = Field(
        None, description="where the module keeps its timeout: verified"
    )
    timeout_value: int | None = Field(None, description="what timeout_register must hold")
    safe_state_register: Register | None = Field(None, description="what the outputs do on timeout: verified")
    safe_state_value: int | None = None
    power_on_register: Register | None = None
    power_on_value: int | None = None
    coil_count: Annotated[int, Field(ge=1, le=2000)] | None = Field(
        None,
        description="the module has coils 0 to this minus 1: those without a name are read too, and an "
        "energised one is an alarm; left out: only those between the lowest and the highest named one",
    )
    foreign_coils: tuple[Annotated[int, Field(ge=0, le=65535)], ...] = Field(
        (), description="coils that another master uses: no alarm, and never written"
    )


class Device(Section):
    id: Id
    number: DeviceNumber = Field(
        description="permanent: of its points and its link alarm, which stands for the alarms of "
        "everything read from it"
    )
    link: Id
    unit: Annotated[int, Field(ge=0, le=255)] = 1
    poll_s: Annotated[float, Field(ge=0.1, le=3600)] = Field(5.0, description="station time between polls")
    byte_order: Literal["big", "little"] = "big"
    word_order: Literal["big", "little"] = "big"
    max_gap: Annotated[int, Field(ge=0, le=124)] = Field(
        0, description="unasked registers a block may bridge; many maps have holes"
    )
    max_block: Annotated[int, Field(ge=1, le=125)] = Field(125, description="registers per request")
    replan_h: Positive = Field(24.0, description="a refused block is tried whole again after this time")
    settle_s: Annotated[float, Field(ge=0, le=600)] = Field(
        15.0,
        description="after a restart, zeros in all registers are not believed for so long (station time): "
        "many devices answer them for up to 10 s (common practice, no source); 0 = believed at once",
    )
    ready_register: Register | None = Field(
        None, description="nothing of the device counts until this register holds ready_value"
    )
    ready_value: int | None = None
    timeout_s: Annotated[float, Field(gt=0, le=60)] | None = Field(
        None, description="real time per request; default: the link's"
    )
    retries: Annotated[int, Field(ge=0, le=5)] = Field(
        0, description="so often a read without an answer is repeated before its values fail (radio)"
    )
    turnaround_s: Annotated[float, Field(ge=0, le=5)] | None = Field(
        None, description="pause after its answer before the link is used again; default: the link's"
    )
    late_answer_s: Annotated[float, Field(ge=0, le=120)] | None = Field(
        None, description="as the link's, after a time-out of this device; default: the link's"
    )
    answers_as_unit: Annotated[int, Field(ge=0, le=255)] | None = Field(
        None, description="tcp: unit id that stands in its answers instead of `unit`"
    )
    accept_transaction_id_0: bool = Field(
        False,
        description="tcp: it answers every request with transaction id 0. Its link then keeps silent after a "
        "time-out as an RTU line does",
    )
    identity: Identity | None = Field(None, description="read and compared at each new connection")
    relay_module: RelayModule | None = None


# --- transformer -----------------------------------------------------------------------------

Design = Literal[
    "distribution_onan",
    "medium_large_onan_restricted",
    "medium_large_onan",
    "medium_large_onaf_restricted",
    "medium_large_onaf",
    "medium_large_of_restricted",
    "medium_large_of",
    "medium_large_od",
]


Paper = Literal["kraft", "thermally_upgraded", "kraft_ieee_55", "kraft_2018", "thermally_upgraded_2018"]


class Mode(Section):
    """A cooling mode: what the temperature-rise test gave with these stages running.

    Left out, x, y, k11, k21, k22, tau_o_min and tau_w_min are those of `design`
    (IEC 60076-7 parameter sets); for a liquid other than mineral oil all must be given.
    """

    id: Id
    number: Annotated[Number, Field(le=99)]
    needs: tuple[Id, ...] = Field((), description="stages that must be proven running")
    cooling: Literal["ONAN", "ONAF", "OFAN", "OFAF", "ODAF", "ODAN"] = Field(
        description="IEC 60076-2 letters"
    )
    design: Design | None = None
    top_oil_rise_k: Annotated[float, Field(gt=0, le=100)] = Field(
        description="at rated losses of this mode; usual 30 to 65"
    )
    loss_ratio: Annotated[float, Field(gt=0, le=2000)] = Field(
        description="R: load loss / no-load loss at rated current; usual 3 to 15"
    )
    oil_exponent: Annotated[float, Field(ge=0.5, le=1.2)] | None = Field(
        None, description="x (IEC); n for IEEE; usual 0.8 to 1.0"
    )
    winding_exponent: Annotated[float, Field(ge=1.0, le=2.2)] | None = Field(
        None, description="y (IEC); 2m for IEEE; usual 1.3 to 2.0"
    )
    k11: Annotated[float, Field(ge=0.1, le=2)] | None = Field(None, description="usual 0.5 to 1.0")
    k21: Annotated[float, Field(ge=1, le=4)] | None = Field(None, description="usual 1.0 to 3.0")
    k22: Annotated[float, Field(ge=0.5, le=4)] | None = Field(None, description="usual 1.0 to 2.0")
    tau_o_min: Annotated[float, Field(ge=10, le=1000)] | None = Field(
        None, description="oil time constant; usual 90 to 210"
    )
    tau_w_min: Annotated[float, Field(ge=1, le=60)] | None = Field(
        None, description="winding time constant; usual 4 to 10"
    )


class WindingMode(Section):
    gradient_k: Annotated[float, Field(gt=0, le=60)] = Field(
        description="g_r: average winding minus average oil at rated current of this mode; usual 8 to 30"
    )
    rated_current_a: Annotated[float, Field(ge=0.1, le=200_000)]


class Winding(Section):
    id: Id
    number: WindingNumber
    phase: Literal["A", "B", "C", "N"] | None = Field(
        None,
        description="windings alike in kind and rated currents, with different letters, are phases of one "
        "and are compared; left out: nothing to compare with",
    )
    kind: Literal["main", "common", "tertiary", "regulating"] = "main"
    current: Current | None = None
    derived_current: DerivedCurrent | None = None
    hot_spot_factor: Annotated[float, Field(ge=1.0, le=2.5)] | None = Field(
        None,
        description=(
            "H, usual 1.1 to 1.5; default 1.1 distribution, 1.3 medium and large (IEC 60076-7, from memory)"
        ),
    )
    modes: dict[Id, WindingMode] = Field(min_length=1, description="per cooling mode id")
    oil_weight: NotNegative | None = Field(
        None, description="w in K_oil^2; default the mean over the main winding's phases"
    )
    fibre_probe: Temperature | None = None
    loss_of_life_start_h: NotNegative = 0.0


class TapChanger(Section):
    """Scales a winding's rated current and the load loss with tap position."""

    position: Count
    principal: int
    step_percent: Annotated[float, Field(ge=-5, le=5)] = Field(description="voltage change per step")
    windings: tuple[Id, ...] = Field(description="windings whose rated current changes with the tap")


class Limits(Section):
    """Criteria of one stage. Any one above its pickup starts; all below dropout stop."""

    top_oil_c: Annotated[float, Field(ge=-20, le=160)] | None = None
    hot_spot_c: Annotated[float, Field(ge=-20, le=200)] | None = None
    load_pu: Annotated[float, Field(gt=0, le=3)] | None = None


class Cabinet(Section):
    """Contacts of one stage's cooling group. Left out: not wired, taken as healthy."""

    selector_auto: BoolInput | None = Field(None, description="1 = selector in Auto")
    selector_manual: BoolInput | None = None
    breaker_closed: BoolInput | None = Field(None, description="1 = motor breaker closed, no overload")
    interlock: BoolInput | None = Field(
        None, description="1 = stop interlock active (fire, deluge, protection)"
    )
    parallel_start: BoolInput | None = Field(
        None,
        description="1 = a contact in parallel with windingd's relay calls the stage (a gauge's, a "
        "thermostat's): its feedback is then no wonder",
    )


class Stage(Section):
    id: Id
    number: StageNumber
    name: str = ""
    kind: Literal["fans", "pumps"] = "fans"
    relay: Relay
    feedback: BoolInput | None = Field(
        None, description="1 = proven running (contactor; for pumps a flow switch)"
    )
    cabinet: Cabinet = Cabinet()
    pickup: Limits
    dropout: Limits
    pickup_delay_s: Annotated[float, Field(ge=0, le=600)] = Field(
        30.0, description="common practice, no source"
    )
    run_down_s: Annotated[float, Field(ge=0, le=3600)] = Field(
        60.0,
        description="longest time its feedback may still say running after it is held off: it coasts",
    )
    minimum_run_s: Annotated[float, Field(ge=0, le=7200)] = Field(
        600.0, description="common practice, no source"
    )
    restart_inhibit_s: Annotated[float, Field(ge=0, le=600)] = Field(
        0.0, description="rest before a new start"
    )
    feedback_delay_s: Annotated[float, Field(gt=0, le=120)] = Field(
        10.0, description="contactor and run-up time"
    )
    stagger_s: Annotated[float, Field(ge=0, le=60)] = Field(5.0, description="between starts windingd calls")
    hardware_stagger: bool = Field(False, description="on-delay timers fitted in the contactor circuit")
    max_starts_per_h: Annotated[int, Field(ge=1, le=60)] = Field(
        6, description="further stops are put off, never starts"
    )
    needs_stage: Id | None = Field(None, description="the pump without which these fans do nothing")
    cold_oil_block_c: float | None = Field(
        None, description="pumps: not called below, must also be hard-wired"
    )
    rotation_group: Id | None = Field(None, description="stages alike enough to exchange duty")
    exercise_every_h: Positive | None = Field(
        None, description="run after so long at rest; not with cold oil"
    )
    exercise_s: Positive = 300.0


AlarmOil = Annotated[float, Field(ge=30, le=160)]
AlarmHotSpot = Annotated[float, Field(ge=40, le=200)]


class Alarms(Section):
    top_oil_high_c: AlarmOil = Field(95.0, description="common practice, no source")
    top_oil_high_high_c: AlarmOil = Field(
        105.0, description="IEC 60076-7 normal cyclic top-oil limit, from memory"
    )
    hot_spot_high_c: AlarmHotSpot = Field(110.0, description="common practice, no source")
    hot_spot_high_high_c: AlarmHotSpot = Field(125.0, description="common practice, no source")
    deadband_k: Annotated[float, Field(gt=0, le=20)] = 3.0
    on_delay_s: Annotated[float, Field(ge=0, le=600)] = 5.0
    off_delay_s: Annotated[float, Field(ge=0, le=3600)] = 30.0
    effectiveness_k: Positive = Field(8.0, description="measured minus expected oil that means poor cooling")
    effectiveness_delay_min: NotNegative = Field(
        120.0, description="oil time constant, so that start-up does not alarm"
    )
    countdown_all_pumps_lost_min: Positive = Field(
        20.0, description="the maker's time for OF/OD without pumps"
    )


class Trip(Section):
    """Trip output. Off unless `enabled`; the owner's protection engineer decides, not windingd."""

    enabled: bool = False
    relay: Relay | None = Field(None, description="energised to trip; on a module without cooling outputs")
    hot_spot_c: float = Field(160.0, description="IEC 60076-7 short-time emergency limit, from memory")
    top_oil_c: float = Field(115.0, description="IEC 60076-7 emergency limit, from memory")
    delay_s: Annotated[float, Field(ge=10, le=3600)] = 60.0


class AlarmContacts(Section):
    """Hard-wired alarm outputs. cooling_failure and device_fault are energised when healthy."""

    hot_spot_high: Relay | None = None
    hot_spot_high_high: Relay | None = None
    top_oil_high: Relay | None = None
    cooling_failure: Relay | None = None
    device_fault: Relay | None = None


class LoadLimit(Section):
    """A part that may limit loading sooner than the windings: bushing, tap changer, CT, lead."""

    part: str
    winding: Id
    max_current_a: Positive


class LimitSet(Section):
    """The user's own loading limits, beside those of the guides."""

    id: Id
    hot_spot_c: Annotated[float, Field(ge=60, le=200)]
    top_oil_c: Annotated[float, Field(ge=50, le=140)]
    load_pu: Annotated[float, Field(gt=0, le=3)]
    longest_min: Annotated[float, Field(ge=15, le=525_600)] | None = Field(
        None,
        description="may be used for so long, and no figure is given for longer; left out: every day, its "
        "hot spot being the peak of a cycle",
    )


class Loading(Section):
    """What a load may cost in life."""

    ageing_rate_max: Annotated[float, Field(ge=0.1, le=10)] = Field(
        1.0,
        description="of the load without end and of a daily cycle, relative to normal; 1 = the hot spot "
        "that normal life belongs to (98 or 110 degC), a year for a year",
    )
    event_life_h: Annotated[float, Field(ge=0.1, le=100_000)] | None = Field(
        None,
        description="no permissible load of limited duration costs more hours of life than this (as "
        "estimated, without the band); left out: the guides set no such limit",
    )


class LostInputs(Section):
    """Rules for lost or implausible measurements."""

    estimate_max_h: Positive = Field(
        24.0, description="longest time on estimated oil before the estimate is invalid"
    )
    frozen_after_min: Positive = Field(
        60.0, description="model expects movement but the reading stands still"
    )
    frozen_expected_k: Positive = Field(
        3.0, description="movement the model must expect before a reading is called frozen"
    )
    phase_zero_pu: Positive = Field(0.05, description="a phase below this while others carry load")
    phase_others_pu: Positive = Field(0.3, description="... at least this much load")
    ambient_above_oil_k: Positive = Field(
        5.0, description="for 2 h above K 0.3: the ambient sensor is doubted"
    )
    oil_margin_k: Annotated[float, Field(ge=0, le=200)] = Field(
        0.0,
        description="oil this much farther off than the errors of sensors, settings and weather explain "
        "is not yet in doubt: for a unit whose surroundings change (a hall, a wall, spray water)",
    )
    phase_unbalance_pu: Positive = Field(
        0.2,
        description="a phase so far from the mean of its others, of the rating with most cooling: its CT is "
        "doubted; loads are seldom more unequal (common practice, no source)",
    )
    unbalance_after_min: Positive = Field(
        10.0, description="... for so long; the same for one side against the other: faults are over by then"
    )


class Site(Section):
    """What the place can have: it bounds an ambient that is not measured, and doubts one that is."""

    ambient_low_c: Annotated[float, Field(ge=-60, le=40)] = Field(
        -25.0,
        description="lowest air temperature of the place; default IEC 60076-1 normal service, from memory",
    )
    ambient_high_c: Annotated[float, Field(ge=-20, le=60)] = Field(
        40.0, description="highest in the shade; default IEC 60076-1 normal service, from memory"
    )
    ambient_weighted_c: Annotated[float, Field(ge=-40, le=50)] = Field(
        20.0,
        description="constant ambient that ages as the place's year does, for the load without end; default "
        "that of normal ageing, IEC 60076-7, from memory",
    )


class Backstop(Section):
    """A thermostat of its own in the cooling circuit: it starts the cooling whatever windingd holds off."""

    limit_c: Annotated[float, Field(ge=40, le=120)] = Field(
        description="top oil at which its contact, in parallel with windingd's relays, starts every stage"
    )
    last_test: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")] = Field(
        description="day of the last test with the thermostat itself (YYYY-MM-DD)"
    )


class Transformer(Section):
    id: Id
    number: TransformerNumber
    name: str = ""
    guide: Literal["iec_60076_7", "ieee_c57_91"] = "iec_60076_7"
    design: Design | None = Field(None, description="default parameter set of every mode; needs mineral oil")
    size: Literal["distribution", "medium", "large"] = "medium"
    liquid: Literal["mineral_oil", "natural_ester", "synthetic_ester", "silicone"] = "mineral_oil"
    rated_mva: Positive | None = None
    paper: Paper = Field(
        description="kraft: 98 degC law; thermally_upgraded: 110 degC; kraft_ieee_55: C57.91 55 degC-rise; "
        "_2018: the Arrhenius form of IEC 60076-7:2018, dry paper unless oil_preservation is given"
    )
    normal_life_h: Annotated[float, Field(ge=1000, le=1_000_000)] = Field(
        description="of this paper, dry and free of air, at the temperature where it ages at rate 1; "
        "docs/physics.md lists what is known"
    )
    life_criterion: Annotated[str, Field(min_length=1)] = Field(
        description="what normal_life_h stands for, shown with every per cent"
    )
    life_source: Annotated[str, Field(min_length=1)] | None = Field(
        None, description="where normal_life_h comes from; needed when it is none of those listed"
    )
    moisture_percent: Annotated[float, Field(ge=0, le=8)] = Field(
        2.0, description="in paper, for the bubbling margin, and with oil_preservation for ageing"
    )
    oil_preservation: Literal["sealed", "free_breathing"] | None = Field(
        None,
        description="with paper: *_2018, ageing is that of moisture_percent without air (sealed: membrane, "
        "bag, nitrogen) or with it (free_breathing), IEC 60076-7:2018, from memory; left out: that of "
        "dry, air-free paper",
    )
    top_oil: Temperature
    ambient: Temperature | None = None
    bottom_oil: Temperature | None = None
    energised: BoolInput | None = None
    tap_changer: TapChanger | None = None
    modes: tuple[Mode, ...] = Field(min_length=1, description="weakest cooling first")
    windings: tuple[Winding, ...] = Field(min_length=1)
    stages: tuple[Stage, ...] = ()
    alarms: Alarms = Alarms()
    trip: Trip = Trip()
    contacts: AlarmContacts = AlarmContacts()
    lost_inputs: LostInputs = LostInputs()
    site: Site = Site()
    backstop: Backstop | None = Field(
        None, description="hard-wired thermostat; software cannot exclude a believable wrong value"
    )
    pre_cooling_lead_min: Annotated[float, Field(ge=0, le=480)] = Field(
        60.0,
        description="an expected load calls cooling so long before it begins; 0 = off. An hour moves the oil "
        "by a good part of its time constant (2 to 4 h) without running fans half a day: common practice, "
        "no source",
    )
    load_limits: tuple[LoadLimit, ...] = ()
    limit_sets: tuple[LimitSet, ...] = ()
    loading: Loading = Loading()
    ac_supply_healthy: BoolInput | None = None
    phase_sequence_ok: BoolInput | None = None
    control_supply_healthy: BoolInput | None = None
    supply_changeover: BoolInput | None = Field(
        None, description="1 = the changeover feeds the coolers from their standby AC supply"
    )


# --- station ---------------------------------------------------------------------------------


class Station(Section):
    id: Id
    name: str = ""
    data_dir: str = Field("/var/lib/windingd", description="record, lock and operator socket")
    data_mount: str | None = Field(
        None,
        description="a file system of its own that data_dir lies on: nothing is written while it is not "
        "mounted, lest the root file system is filled behind it; left out: data_dir is made wherever it is",
    )
    cycle_s: Annotated[float, Field(ge=0.1, le=60)] = Field(2.0, description="one decision per cycle")
    stale_after_s: Annotated[float, Field(gt=0, le=3600)] = Field(
        30.0, description="an input not read within this is lost"
    )
    return_after_s: Annotated[float, Field(ge=0, le=3600)] = Field(
        10.0, description="good for so long before it counts again"
    )
    start_grace_s: Annotated[float, Field(gt=0, le=600)] = Field(
        30.0, description="no complete poll by then: all run"
    )
    decision_max_age_s: Annotated[float, Field(gt=0, le=60)] = Field(
        10.0, description="an older decision is never written"
    )
    gap_s: Annotated[float, Field(gt=0, le=7200)] = Field(
        1200.0,
        description="longer without a sample: no line drawn across; more than the longest logging "
        "interval, 15 min",
    )
    bridge_s: Annotated[float, Field(ge=0, le=7200)] = Field(
        900.0, description="longest restart gap that is integrated"
    )
    return_hold_s: Annotated[float, Field(ge=0, le=3600)] = Field(
        300.0, description="input good this long before a released stage may be held off"
    )
    max_releases_per_h: Annotated[int, Field(ge=1, le=60)] = 3
    hold_off_max_min: Annotated[float, Field(gt=0, le=480)] = Field(
        60.0, description="longest hold-off by hand"
    )
    hold_off_day_min: Annotated[float, Field(gt=0, le=1440)] = Field(
        120.0, description="all hold-offs by hand of one stage within 24 h, so that renewing has an end"
    )


class Record(Section):
    history_s: Annotated[float, Field(ge=1, le=3600)] = 60.0
    commit_s: Annotated[float, Field(ge=0.5, le=60)] = Field(
        5.0, description="at most so much is lost in a power cut"
    )
    checkpoint_s: Annotated[float, Field(ge=1, le=3600)] = 60.0
    journal_days: Annotated[float, Field(ge=0, le=400)] = 30.0
    history_days: Annotated[float, Field(ge=1, le=4000)] = Field(
        400.0, description="at history_s; then 15 min"
    )
    max_mb: Annotated[float, Field(ge=5, le=100_000)] = Field(2000.0, description="oldest detail goes first")


class Tls(Section):
    ca_file: str
    client_cert_file: str | None = None
    client_key_file: str | None = None


class Mqtt(Section):
    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 8883
    tls: Tls | None = None
    username: str | None = None
    password_file: str | None = Field(
        None, description="no secret stands in this file; systemd: LoadCredential="
    )
    topic_prefix: Annotated[str, Field(pattern=r"^[^$#+/\s][^#+/\s]*(/[^#+/\s]+)*$")] = Field(
        "windingd", description="topic levels separated by single /, without $ in front, # + or spaces"
    )
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    publish_s: Annotated[float, Field(ge=0.5, le=3600)] = Field(
        10.0, description="values that changed, at most so often"
    )
    refresh_s: Annotated[float, Field(ge=1, le=86400)] = Field(
        300.0, description="every value at least so often"
    )
    backlog_rows: Annotated[int, Field(ge=100, le=5_000_000)] = Field(
        200_000, description="kept while the broker is away"
    )
    protocol: Literal["3.1.1", "5"] = "3.1.1"


class Scada(Section):
    """Modbus TCP server for SCADA or DCS. Read-only."""

    listen: str = Field("127.0.0.1", description="set an address to serve beyond this machine")
    port: Annotated[int, Field(ge=1, le=65535)] = 1502
    unit: Annotated[int, Field(ge=1, le=247)] = Field(
        1,
        description="unit id for transformers 1 to 16 and devices 1 to 39; the next one is for transformers "
        "17 to 32 and devices 40 to 78, and so on",
    )
    max_clients: Annotated[int, Field(ge=1, le=64)] = 8


class Settings(Section):
    station: Station
    record: Record = Record()
    mqtt: Mqtt | None = None
    scada: Scada | None = None
    links: tuple[Link, ...] = Field(min_length=1)
    devices: tuple[Device, ...] = Field(min_length=1)
    transformers: tuple[Transformer, ...] = Field(min_length=1)
