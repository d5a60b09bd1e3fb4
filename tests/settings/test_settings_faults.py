"""Broken settings files, one fault each, through the real command: line, key path and words.

The expected line is found in the mutated text itself, not by the loader.
"""

# ruff: noqa: E501 (a case per line reads as a table)
from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest

from collector.commands.main import main

CONFIG = Path(__file__).parents[2] / "config"
DEMO, SERIAL, PUMPS = "demo.yaml", "small_serial.yaml", "three_winding_pumps.yaml"


class Case(NamedTuple):
    """Replace `old` by `new` once; one fault at the line of `at` (default: where `new` begins)."""

    file: str
    old: str
    new: str
    path: str
    words: str
    at: str = ""


T1, T2 = "transformers.T1", "transformers.T2"
WHO = "    unit: 4\n    identity: {device: fibre, table: holding_register, address: 200, "
OIL_OLD = "table: input_register, address: 0, type: int16, scale: 0.1, sentinels: [0x7FFF, -32768]"


def oil(new: str, key: str, words: str) -> Case:
    """A fault in the demo's top-oil register."""
    at = "    top_oil:" if words.startswith(("is missing", "says no place")) else ""
    return Case(DEMO, OIL_OLD, new, f"{T1}.top_oil{key}", words, at)


YAML_CASES = [
    Case(
        DEMO,
        "  cycle_s: 2.0",
        "\tcycle_s: 2.0",
        "",
        "a tab in the indentation (indent with spaces)",
        "\tcycle_s",
    ),
    Case(DEMO, "  cycle_s: 2.0", "   cycle_s: 2.0", "", "does not line up|wrong indentation", "   cycle_s"),
    Case(DEMO, "  cycle_s: 2.0", " cycle_s: 2.0", "", "does not line up", " cycle_s"),
    Case(
        DEMO,
        "  cycle_s: 2.0",
        "  cycle_s: 2.0\n  cycle_s: 3.0",
        "station.cycle_s",
        "given twice, first in line",
        "  cycle_s: 3.0",
    ),
    Case(DEMO, "\nrecord:", "\n---\nrecord:", "", "a second document", "---\nrecord"),
    Case(DEMO, "modes: *hv_modes", "modes: *hvmodes", "", "refers to no earlier &hvmodes"),
    Case(
        DEMO,
        "modes: &hv_modes            # the three phases are alike",
        "modes: &hv_modes\n          X: *hv_modes",
        "",
        "may not contain itself",
        "X: *hv_modes",
    ),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: !!float 2.0", "station.cycle_s", "has no meaning here (remove it)"),
    Case(
        DEMO,
        "  id: HOLLOWBECK",
        "  <<: {cycle_s: 2.0}\n  id: HOLLOWBECK",
        "station",
        "merge keys (<<) are not read",
    ),
    Case(DEMO, "  id: HOLLOWBECK", "  ? [a, b]\n  : 1\n  id: HOLLOWBECK", "station", "cannot be a key"),
    Case(DEMO, "topic_prefix: windingd", "topic_prefix: @windingd", "", "a character that YAML reserves"),
    Case(DEMO, "topic_prefix: windingd", 'topic_prefix: "wind\\qd"', "", "escape that YAML does not know"),
    Case(
        DEMO,
        "topic_prefix: windingd",
        'topic_prefix: "wind\\nd"',
        "mqtt.topic_prefix",
        "line break or control character",
    ),
    Case(DEMO, "topic_prefix: windingd", "topic_prefix: wind: d", "", "needs quotes"),
    Case(
        DEMO,
        "host: 127.0.0.1, port: 15021}",
        "host: 127.0.0.1, port: 15021",
        "",
        "does not line up|bracket, brace",
        "- {id: ct_tx",
    ),
    Case(DEMO, "topic_prefix: windingd", "topic_prefix: wind\x07ingd", "", "U+0007 does not belong"),
    Case(DEMO, "topic_prefix: windingd", "topic_prefix: wind\u2028ingd", "", "U+2028 does not belong"),
]

TRAP_CASES = [
    Case(
        DEMO,
        "id: HOLLOWBECK",
        "id: off",
        "station.id",
        'as a truth value or null (for the text, write "off")',
    ),
    Case(DEMO, "id: HOLLOWBECK", "id: Yes", "station.id", 'write "Yes"'),
    Case(DEMO, "id: HOLLOWBECK", "id: ~", "station.id", "has no value"),
    Case(DEMO, "id: HOLLOWBECK", "id: 1e3", "station.id", "as a number"),
    Case(DEMO, "id: HOLLOWBECK", "id: 2024-05-01", "station.id", "as a date"),
    Case(DEMO, "name: Fans, group 1", "name: on", f"{T1}.stages.stage1.name", 'write "on"'),
    Case(DEMO, "name: Fans, group 1", "name: 12:30", f"{T1}.stages.stage1.name", 'write "12:30"'),
    Case(DEMO, "name: Fans, group 1", "name: 0x10", f"{T1}.stages.stage1.name", 'write "0x10"'),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: 12:30", "station.cycle_s", "to base 60"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: 1:30:00", "station.cycle_s", "to base 60"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: 2,5", "station.cycle_s", "decimal comma (write 2.5)"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: 2 s", "station.cycle_s", "carries a unit (write 2;"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: .inf", "station.cycle_s", "not a finite number"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: .nan", "station.cycle_s", "not a finite number"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: 1e999", "station.cycle_s", "too large"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: '2.0'", "station.cycle_s", "write 2.0 without quotes"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: true", "station.cycle_s", "is not a number"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: two", "station.cycle_s", "is not a number"),
    Case(DEMO, "cycle_s: 2.0 ", "cycle_s: ", "station.cycle_s", "has no value"),
    Case(DEMO, "cycle_s: 2.0 ", "cycle_s: null ", "station.cycle_s", "has no value"),
    Case(DEMO, "port: 15026", "port: 015026", "scada.port", "begins with 0"),
    Case(DEMO, "port: 15026", "port: 0o35262", "scada.port", "is octal or binary (write 15026"),
    Case(
        DEMO,
        "port: 15026",
        "port: 15_026",
        "scada.port",
        "underscores, which not every YAML reader skips (write 15026)",
    ),
    Case(DEMO, "port: 15026", "port: 15026.0", "scada.port", "(write 15026)"),
    Case(DEMO, "port: 15026", "port: 15026.5", "scada.port", "is not a whole number"),
    Case(DEMO, "port: 15026", "port: " + "9" * 60, "scada.port", "is not a whole number that any key takes"),
    Case(DEMO, "normal_life_h: 102700", "normal_life_h: 102 700", f"{T1}.normal_life_h", "is not a number"),
    Case(
        DEMO,
        "hardware_stagger: true      #",
        "hardware_stagger: on      #",
        f"{T1}.stages.stage1.hardware_stagger",
        "(write true)",
    ),
    Case(
        DEMO,
        "hardware_stagger: true      #",
        "hardware_stagger: 1      #",
        f"{T1}.stages.stage1.hardware_stagger",
        "write true or false",
    ),
    Case(
        DEMO,
        "hardware_stagger: true      #",
        "hardware_stagger: 'true'      #",
        f"{T1}.stages.stage1.hardware_stagger",
        "(write true)",
    ),
    Case(
        DEMO,
        "          ONAN: {gradient_k: 8.0",
        "          no: {gradient_k: 8.0",
        f"{T1}.windings.HV_A.modes.no",
        'write "no"',
    ),
    Case(
        DEMO, "needs: [stage1, stage2]", "needs: [stage1, off]", f"{T1}.modes.ONAF1.needs[1]", 'write "off"'
    ),
]

VALUE_CASES = [
    Case(DEMO, "id: HOLLOWBECK", "id: 1HOLLOW", "station.id", "is no id (a letter, then letters"),
    Case(DEMO, "id: HOLLOWBECK", "id: HOLLOW.BECK", "station.id", "is no id"),
    Case(DEMO, "id: HOLLOWBECK", "id: ''", "station.id", "is empty"),
    Case(DEMO, "id: HOLLOWBECK", "id: [a]", "station.id", "is a list where one value belongs"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: 0", "station.cycle_s", "0 is out of range (0.1 to 60"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: 61", "station.cycle_s", "61 is out of range"),
    Case(DEMO, "cycle_s: 2.0", "cycle_s: {a: 1}", "station.cycle_s", "is a section of keys where one value belongs"),
    Case(DEMO, "commit_s: 5.0", "commit_s: 0.1", "record.commit_s", "out of range (0.5 to 60; at most so much is lost"),
    Case(DEMO, "commit_s: 5.0", "comit_s: 5.0", "record.comit_s", "is no key of this section (did you mean commit_s?)"),
    Case(DEMO, "commit_s: 5.0", "colour: red", "record.colour", "is no key of this section (keys here: history_s"),
    Case(DEMO, "\nrecord:", "\nrecrd:", "recrd", "did you mean record?", "recrd:"),
    Case(DEMO, "  id: HOLLOWBECK\n", "", "station.id", "is missing (a text", "station:"),
    Case(DEMO, "needs: [stage1, stage2]", "needs: stage1", f"{T1}.modes.ONAF1.needs", "is the single value \"stage1\" where a list belongs"),
    Case(DEMO, "needs: [stage1, stage2]", "needs: {stage1: 1}", f"{T1}.modes.ONAF1.needs", "is a section of keys where a list belongs"),
    Case(DEMO, "needs: [stage1, stage2]", "needs: [stage1, [stage2]]", f"{T1}.modes.ONAF1.needs[1]", "is a list where one value belongs"),
    Case(DEMO, "cabinet:\n          selector_auto: {device: relays, table: discrete_input, address: 8}", "cabinet:\n          selector: {device: relays, table: discrete_input, address: 8}", f"{T1}.stages.stage1.cabinet.selector", "did you mean selector_", "          selector:"),
    Case(DEMO, "port: 15025", "port: 70000", "mqtt.port", "out of range (1 to 65535)"),
    Case(DEMO, "topic_prefix: windingd", "topic_prefix: a#b", "mqtt.topic_prefix", "is not allowed"),
    Case(
        DEMO,
        "feedback: {device: relays, table: discrete_input, address: 0}",
        "feedback: {device: relays, table: holding_register, address: 0}",
        f"{T1}.stages.stage1.feedback.table",
        "which one is the contact (give bit",
    ),
    Case(DEMO, "topic_prefix: windingd", "topic_prefix: $SYS/a", "mqtt.topic_prefix", "topic levels"),
    Case(DEMO, "topic_prefix: windingd", "topic_prefix: a//b", "mqtt.topic_prefix", "single /"),
    Case(DEMO, "  port: 15025", "  port: 15025\n  password: hunter2", "mqtt.password", "no secret may stand in this file (give password_file)", "  password:"),
    Case(DEMO, "{id: oil_tx, type: tcp,", "{id: oil_tx, type: TCP,", "links.oil_tx.type", "is none of tcp, rtu_over_tcp, rtu_serial (did you mean tcp?)"),
    Case(DEMO, "{id: oil_tx, type: tcp,", "{id: oil_tx,", "links.oil_tx.type", "is missing (one of tcp"),
    Case(DEMO, "{id: oil_tx, type: tcp,", "{type: tcp,", "links[0].id", "is missing"),
    Case(DEMO, "  - {id: oil_tx, type: tcp, host: 127.0.0.1, port: 15021}", "  - oil_tx", "links[0]", "where a section of keys belongs (it needs id, type)"),
    Case(DEMO, "    unit: 3", "    unit: 300", "devices.relays.unit", "out of range (0 to 255)"),
    Case(DEMO, "    unit: 3", "    unit: -1", "devices.relays.unit", "out of range"),
    Case(DEMO, "    poll_s: 2.0", "    poll_s: 0", "devices.relays.poll_s", "out of range (0.1 to 3600"),
    Case(DEMO, "word_order: little ", "word_order: middle ", "devices.ct_tx.word_order", "is none of big, little"),
    Case(DEMO, "      release_within_s: 8.0", "      release_within_s: 4.0", "devices.relays.relay_module.release_within_s", "4 writes, which take up to 5 s (1 s each, and the request under way), but must be released within 4 s"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, invert: true}", f"{T1}.stages.stage1.relay.invert", "leaves the coil at 0, which must mean: the stage runs"),
    Case(DEMO, "device_fault: {device: relays, coil: 8}", "device_fault: {device: relays, coil: 8, invert: true}", f"{T1}.contacts.device_fault.invert", "a fault is told (remove it"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, function: 6}", f"{T1}.stages.stage1.relay.function", "6 does not write a coil (5 or 15, or leave it out)"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, function: 22}", f"{T1}.stages.stage1.relay.function", "22 is none of 5, 6, 15, 16"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, bit: 3}", f"{T1}.stages.stage1.relay.bit", "does not belong to a coil"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, function: 5}", f"{T1}.stages.stage1.relay", "says no output (give coil, or holding_register)"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, holding_register: 5, timeout_code: 0, power_off_code: 0, power_on_code: 0}", f"{T1}.stages.stage1.relay.holding_register", "both coil and holding_register are given"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, holding_register: 5, function: 15, timeout_code: 0, power_off_code: 0, power_on_code: 0}", f"{T1}.stages.stage1.relay.function", "15 does not write a holding_register (6 or 16"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, holding_register: 5, bit: 2, function: 6, timeout_code: 0, power_off_code: 0, power_on_code: 0}", f"{T1}.stages.stage1.relay.function", "writes the whole register with its other bits"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, holding_register: 5}", f"{T1}.stages.stage1.relay", "is a register, so nothing says that it is released (the stage runs, no trip, a fault is told) after the module's own time-out, while the module is without supply, when its supply returns (give timeout_code, power_off_code, power_on_code"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, holding_register: 5, timeout_code: 0, power_on_code: 0}", f"{T1}.stages.stage1.relay", "while the module is without supply (give power_off_code from the manual; each must be released_code 0, and no pulse or latching output will do)"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, holding_register: 5, timeout_code: 1, power_off_code: 0, power_on_code: 0}", f"{T1}.stages.stage1.relay.timeout_code", "1 is not released_code 0: after the module's own time-out the output would not be released"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, holding_register: 5, timeout_code: 0, power_off_code: 1, power_on_code: 0}", f"{T1}.stages.stage1.relay.power_off_code", "while the module is without supply the output would not be"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, holding_register: 5, timeout_code: 0, power_off_code: 0, power_on_code: 1}", f"{T1}.stages.stage1.relay.power_on_code", "when its supply returns the output would not be"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, energised_code: 0, released_code: 1}", f"{T1}.stages.stage1.relay", "is 0 while energised, so nothing says"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, energised_code: 0, released_code: 1, timeout_code: 1, power_off_code: 1, power_on_code: 0}", f"{T1}.stages.stage1.relay.power_on_code", "0 is not released_code 1"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, read_back: {table: discrete_input, address: 20}}", f"{T1}.stages.stage1.relay", "is not read back itself, so nothing says"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, energised_code: 2, timeout_code: 0, power_off_code: 0, power_on_code: 0}", f"{T1}.stages.stage1.relay.energised_code", "2 is no value of one bit (0 or 1)"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, holding_register: 5, energised_code: 0, timeout_code: 0, power_off_code: 0, power_on_code: 0}", f"{T1}.stages.stage1.relay.energised_code", "0 is the other code too"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, read_back: {table: discrete_input, address: 20, bit: 1}, timeout_code: 0, power_off_code: 0, power_on_code: 0}", f"{T1}.stages.stage1.relay.read_back.bit", "does not belong to a discrete_input"),
    Case(DEMO, "relay: {device: relays, coil: 0}", "relay: {device: relays, coil: 0, read_back: {table: discrete_input, address: 0}, timeout_code: 0, power_off_code: 0, power_on_code: 0}", f"{T1}.stages.stage1.feedback.address", "discrete input 0 of relays is the output of transformers.T1.stages.stage1: it shows what was written", "        feedback: {device: relays, table: discrete_input, address: 0}"),
    Case(DEMO, "      release_within_s: 8.0", "      release_within_s: 8.0\n      heartbeat: {holding_register: 9, values: []}", "devices.relays.relay_module.heartbeat.values", "is an empty list (at least 1 needed)", "      heartbeat"),
    Case(DEMO, "device_fault: {device: relays, coil: 8}", "device_fault: {device: relays, coil: 8, write_only: true, timeout_code: 0, power_off_code: 0, power_on_code: 0}", f"{T1}.contacts.device_fault.write_only", "only a stage has a feedback that does"),
    Case(DEMO, "      release_within_s: 8.0", "      fed_by: reads", "devices.relays.relay_module.fed_by", "is none of writes, own_requests, any_frame_on_line, connection"),
    Case(DEMO, "      release_within_s: 8.0", "      release_within_s: 8.0\n      watchdog_relay: {device: relays, coil: 9}", "devices.relays.relay_module.watchdog_relay.device", "relays is the module that it is to watch", "      watchdog_relay"),
    Case(DEMO, "      release_within_s: 8.0", "      release_within_s: 8.0\n      watchdog_relay: {device: fibre, coil: 9}", "devices.relays.relay_module.watchdog_relay.device", "fibre does not release its outputs by a time-out of its own", "      watchdog_relay"),
    Case(DEMO, "released_by: module_timeout", "released_by: hope", "devices.relays.relay_module.released_by", "is none of module_timeout, watchdog_relay"),
    Case(DEMO, "      timeout_s: 10.0\n", "", "devices.relays.relay_module.timeout_s", "is missing (a number more than 0 and at most 600", "    relay_module:"),
    Case(DEMO, "    number: 1                       # permanent", "    number: 129    # permanent", f"{T1}.number", "129 is out of range"),
    Case(DEMO, "    number: 1                       # permanent", "    number: 0     # permanent", f"{T1}.number", "0 is out of range"),
    Case(DEMO, "        number: 6", "        number: 25", f"{T1}.windings.LV_C.number", "25 is out of range"),
    Case(DEMO, "        number: 3\n        name: Fans", "        number: 13\n        name: Fans", f"{T1}.stages.stage3.number", "13 is out of range", "        number: 13"),
    Case(DEMO, "paper: kraft", "paper: Kraft", f"{T1}.paper", "(did you mean kraft?)"),
    Case(DEMO, "    paper: kraft\n", "", f"{T1}.paper", "is missing (one of kraft", "  - id: T1"),
    Case(DEMO, "    paper: kraft\n", "    papr: kraft\n", f"{T1}.papr", "did you mean paper?"),
    Case(DEMO, "guide: iec_60076_7", "guide: iec_60076", f"{T1}.guide", "did you mean iec_60076_7?"),
    Case(DEMO, "design: medium_large_onaf ", "design: medium_onaf ", f"{T1}.design", "did you mean"),
    Case(DEMO, "moisture_percent: 1.5", "site: {ambient_weighted_c: 45.0}", f"{T1}.site.ambient_weighted_c", "is not between"),
    Case(DEMO, "moisture_percent: 1.5", "loading: {ageing_rate_max: 0.0}", f"{T1}.loading.ageing_rate_max", "out of range (0.1 to 10"),
    Case(DEMO, "normal_life_h: 102700", "normal_life_h: 18", f"{T1}.normal_life_h", "out of range (1000 to 1000000"),
    Case(DEMO, "moisture_percent: 1.5", "moisture_percent: 15", f"{T1}.moisture_percent", "out of range (0 to 8"),
    Case(DEMO, "top_oil_rise_k: 50.0", "top_oil_rise_k: 0", f"{T1}.modes.ONAN.top_oil_rise_k", "0 is out of range (more than 0 and at most 100; at rated losses of this mode; usual 30 to 65)"),
    Case(DEMO, "top_oil_rise_k: 50.0", "top_oil_rise_k: -5", f"{T1}.modes.ONAN.top_oil_rise_k", "-5 is out of range"),
    Case(DEMO, "loss_ratio: 2.88", "loss_ratio: 0", f"{T1}.modes.ONAN.loss_ratio", "out of range"),
    Case(DEMO, "loss_ratio: 2.88", "loss_ratio: 2.88\n        oil_exponent: 8", f"{T1}.modes.ONAN.oil_exponent", "out of range (0.5 to 1.2", "oil_exponent: 8"),
    Case(DEMO, "loss_ratio: 2.88", "loss_ratio: 2.88\n        winding_exponent: 0.3", f"{T1}.modes.ONAN.winding_exponent", "out of range", "winding_exponent: 0.3"),
    Case(DEMO, "loss_ratio: 2.88", "loss_ratio: 2.88\n        tau_o_min: 0", f"{T1}.modes.ONAN.tau_o_min", "out of range", "tau_o_min: 0"),
    Case(DEMO, "loss_ratio: 2.88", "loss_ratio: 2.88\n        tau_w_min: -7", f"{T1}.modes.ONAN.tau_w_min", "out of range", "tau_w_min: -7"),
    Case(DEMO, "cooling: ONAN", "cooling: ONFA", f"{T1}.modes.ONAN.cooling", "is none of ONAN, ONAF"),
    Case(DEMO, "ONAN: {gradient_k: 8.0", "ONAN: {gradient_k: 0", f"{T1}.windings.HV_A.modes.ONAN.gradient_k", "0 is out of range"),
    Case(DEMO, "rated_current_a: 126.0", "rated_current_a: 0", f"{T1}.windings.HV_A.modes.ONAN.rated_current_a", "0 is out of range (0.1 to 200000"),
    Case(DEMO, "hot_spot_factor: 1.3", "hot_spot_factor: 13", f"{T1}.windings.HV_A.hot_spot_factor", "13 is out of range (1.0 to 2.5"),
    Case(DEMO, "phase: A", "phase: L1", f"{T1}.windings.HV_A.phase", "is none of A, B, C, N"),
    Case(DEMO, "derived_current: {factors: {HV_A: 5.5}", "derived_current: {factors: {}", f"{T1}.windings.LV_A.derived_current.factors", "is empty"),
    Case(DEMO, "derived_current: {factors: {HV_A: 5.5}", "derived_current: {factors: {HV_A: x}", f"{T1}.windings.LV_A.derived_current.factors.HV_A", "is not a number"),
    Case(DEMO, "coil: 1}", "coil: 70000}", f"{T1}.stages.stage2.relay.coil", "out of range (0 to 65535)"),
    Case(DEMO, "relay: {device: relays, coil: 1}", "relay: relays", f"{T1}.stages.stage2.relay", "where a section of keys belongs (it needs device)"),
    Case(DEMO, "pickup: {top_oil_c: 70.0", "pickup: {top_oil_c: 170.0", f"{T1}.stages.stage2.pickup.top_oil_c", "out of range (-20 to 160)"),
    Case(DEMO, "pickup: {top_oil_c: 70.0", "pickup: {top_oil: 70.0", f"{T1}.stages.stage2.pickup.top_oil", "did you mean top_oil_c?"),
    Case(DEMO, "        pickup: {top_oil_c: 70.0, hot_spot_c: 85.0}\n", "", f"{T1}.stages.stage2.pickup", "is missing", "      - id: stage2"),
    Case(SERIAL, "baud: 19200", "baud: 100", "links.bus.baud", "out of range (300 to 921600)"),
    Case(SERIAL, "parity: even", "parity: mark", "links.bus.parity", "is none of none, even, odd"),
    Case(SERIAL, "stop_bits: 1", "stop_bits: 3", "links.bus.stop_bits", "is none of 1, 2"),
    Case(SERIAL, "max_gap: 2", "max_gap: 125", "devices.meter.max_gap", "out of range (0 to 124"),
    Case(PUMPS, "step_percent: 1.25", "step_percent: 12.5", f"{T2}.tap_changer.step_percent", "out of range (-5 to 5"),
    Case(PUMPS, "kind: pumps", "kind: pump", f"{T2}.stages.pump1.kind", "did you mean pumps?"),
    Case(PUMPS, "kind: tertiary", "kind: delta", f"{T2}.windings.TV_A.kind", "is none of main, common, tertiary, regulating"),
]  # fmt: skip

REGISTER_CASES = [
    oil("table: input_register, type: int16", ".address", "is missing beside table"),
    oil("address: 0, type: int16", ".table", "is missing beside address"),
    oil("type: int16", "", "says no place (give table and address, or reference)"),
    oil("table: input_register, address: 0, reference: 30001, type: int16", ".reference", "both reference and address"),
    oil("reference: 20001, type: int16", ".reference", "20001 is no register reference"),
    oil("reference: 30000, type: int16", ".reference", "30000 is no register reference"),
    oil("reference: 0, type: int16", ".reference", "0 is no register reference"),
    oil("reference: 30001, table: holding_register, type: int16", ".table", "contradicts reference 30001, a input_register"),
    oil("table: input_register, address: 65535, type: int32", ".address", "runs past the last register"),
    oil("reference: 465534, type: float64", ".reference", "runs past the last register"),
    oil("table: input_register, address: 70000, type: int16", ".address", "out of range (0 to 65535"),
    oil("table: coil, address: 90", ".table", "a coil is one bit and cannot hold this value"),
    oil("table: input_register, address: 90, type: bool", ".type", "bool cannot hold this value"),
    oil("table: input_register, address: 90, type: uint16, bit: 3", ".bit", "one bit cannot hold this value"),
    oil("table: input_register, address: 90, type: uint17", ".type", "did you mean uint16?"),
    oil("table: input_register, address: 90, type: int16, bit: 16", ".bit", "out of range (0 to 15"),
    oil("table: input_register, address: 90, type: int16, scale: 0", ".scale", "0 makes every value the same"),
    oil("table: input_register, address: 90, type: int16, sentinels: [0x7FFF, 70000]", ".sentinels[1]", "70000 never comes from int16"),
    oil("table: input_register, address: 90, type: int16, sentinels: [1.5]", ".sentinels[0]", "1.5 never comes from int16"),
    oil("table: input_register, address: 90, type: int16, sentinels: 0x7FFF", ".sentinels", "where a list belongs"),
    oil("table: input_register, address: 90, type: int16, sentinels: [x]", ".sentinels[0]", "is not a number"),
    oil("table: input_register, address: 90, type: int16, min_c: 200", ".min_c", "min_c 200 is not below max_c 180"),
    oil("table: input_register, address: 90, type: int16, max_c: 100", ".max_c", "the alarm at 105 could never come"),
    oil("table: input_register, address: 90, type: int16, byte_order: swapped", ".byte_order", "is none of big, little"),
    Case(DEMO, "address: 2, type: int16, scale: 0.1, sentinels: [0x7FFF, -32768]", "address: 1, type: int16, scale: 0.01", f"{T1}.bottom_oil.address", "scale 0.1 there, 0.01 here"),
    Case(DEMO, "address: 2, type: int16, scale: 0.1, sentinels: [0x7FFF, -32768]", "address: 1, type: uint16, scale: 0.1", f"{T1}.bottom_oil.address", "type int16 there, uint16 here"),
    Case(DEMO, "address: 2, type: int16, scale: 0.1, sentinels: [0x7FFF, -32768]", "address: 1, type: float32, scale: 0.1", f"{T1}.bottom_oil.address", "is read differently by"),
    Case(DEMO, "reference: 40003", "reference: 40002", f"{T1}.windings.HV_B.current.reference", "is read differently by"),
    Case(DEMO, "feedback: {device: relays, table: discrete_input, address: 0}", "feedback: {device: relays, table: coil, address: 0}", f"{T1}.stages.stage1.feedback.address", "shows what was written, proves nothing"),
    Case(DEMO, "feedback: {device: relays, table: discrete_input, address: 0}", "feedback: {device: relays, table: discrete_input, address: 0, type: uint16}", f"{T1}.stages.stage1.feedback.type", "does not fit a discrete_input"),
    Case(DEMO, "feedback: {device: relays, table: discrete_input, address: 0}", "feedback: {device: relays, table: discrete_input, address: 0, bit: 1}", f"{T1}.stages.stage1.feedback.bit", "does not belong to a discrete_input"),
    Case(DEMO, "feedback: {device: relays, table: discrete_input, address: 0}", "feedback: {device: relays, table: discrete_input, address: 0, scale: 2}", f"{T1}.stages.stage1.feedback.scale", "does not belong to a contact"),
    Case(DEMO, "feedback: {device: relays, table: discrete_input, address: 0}", "feedback: {device: relays, table: input_register, address: 0, type: uint16}", f"{T1}.stages.stage1.feedback.type", "does not say which bit"),
    Case(DEMO, "feedback: {device: relays, table: discrete_input, address: 0}", "feedback: {device: relays, table: input_register, address: 0, type: float32, bit: 2}", f"{T1}.stages.stage1.feedback.type", "does not go with bit"),
    Case(DEMO, "feedback: {device: relays, table: discrete_input, address: 0}", "feedback: {device: relais, table: discrete_input, address: 0}", f"{T1}.stages.stage1.feedback.device", "no device is called relais (did you mean relays?)"),
    Case(DEMO, "reads: secondary_a\n          ct_primary_a: 300.0", "reads: secondary_a", f"{T1}.windings.HV_A.current.ct_primary_a", "is missing (needed for reads: secondary_a)", "        current:\n"),
    Case(DEMO, "          ct_secondary_a: 5.0\n", "", f"{T1}.windings.HV_A.current.ct_secondary_a", "is missing", "        current:\n"),
    Case(DEMO, "          reads: secondary_a\n          ct_primary_a: 300.0\n          ct_secondary_a: 5.0", "          ct_primary_a: 300.0", f"{T1}.windings.HV_A.current.ct_primary_a", "does not belong to reads: primary_a"),
    Case(DEMO, "          ct_secondary_a: 5.0\n", "          ct_secondary_a: 5.0\n          max_a: 200.0\n", f"{T1}.windings.HV_A.current.max_a", "200 A is not above the rated current 210 A", "          max_a"),
    Case(PUMPS, "type: uint16, scale: 0.1, reads: percent, ct_primary_a: 400.0", "type: uint16, scale: 0.1, reads: percent", f"{T2}.windings.HV_A.current.ct_primary_a", "is missing (needed for reads: percent)"),
    Case(PUMPS, "scale: 0.1, reads: percent, ct_primary_a: 400.0", "scale: 0.1, reads: percent, ct_primary_a: 400.0, ct_secondary_a: 5.0", f"{T2}.windings.HV_A.current.ct_secondary_a", "does not belong to reads: percent"),
    Case(PUMPS, "        device: second_probe\n        table: input_register\n        address: 0\n        type: int16\n        scale: 0.1", "        device: temperatures\n        table: holding_register\n        address: 0\n        type: float32", f"{T2}.top_oil.redundant.address", "that is one probe, not two", "        address: 0\n        type: float32"),
    Case(SERIAL, "    max_gap: 2 ", "    max_block: 1 ", "devices.meter.max_block", "1 is less than the 2 registers of transformers.T1.windings.LV_A.current"),
]  # fmt: skip

STATION_CASES = [
    Case(DEMO, "decision_max_age_s: 10.0", "decision_max_age_s: 3.0", "station.decision_max_age_s", "is less than two cycles of 2 s"),
    Case(DEMO, "decision_max_age_s: 10.0", "decision_max_age_s: 60.0", "station.decision_max_age_s", "a windingd that hangs would hold the fans off for 70 s"),
    Case(DEMO, "timeout_s: 10.0", "timeout_s: 300.0", "devices.relays.relay_module.timeout_s", "cooling starts 310 s later"),
    Case(DEMO, "stale_after_s: 30.0", "stale_after_s: 4.0", "station.stale_after_s", "4 is not above the devices' poll_s of up to 5"),
    Case(DEMO, "data_dir: /var/lib/windingd ", "data_dir: '' ", "station.data_dir", "is empty"),
    Case(DEMO, "released_by: module_timeout", "released_by: module_timeout\n      foreign_coils: [4, 1]", "devices.relays.relay_module.foreign_coils", "coil 1 is transformers.T1.stages.stage2", "foreign_coils"),
    Case(DEMO, "released_by: module_timeout", "released_by: module_timeout\n      coil_count: 8", "devices.relays.relay_module.coil_count", "8 leaves out coil 8, transformers.T1.contacts.device_fault", "coil_count"),
    Case(DEMO, "  cycle_s: 2.0", "  data_mount: srv\n  cycle_s: 2.0", "station.data_mount", "srv is no mount point", "  data_mount"),
    Case(DEMO, "  cycle_s: 2.0", "  data_mount: /srv\n  cycle_s: 2.0", "station.data_mount", "data_dir /var/lib/windingd does not lie on it", "  data_mount"),
    Case(DEMO, "  host: 127.0.0.1                   #", "  host: 192.0.2.7       #", "mqtt.host", "is not on this machine and there is no tls section"),
    Case(DEMO, "  host: 127.0.0.1                   #", "  host: mqtt://127.0.0.1    #", "mqtt.host", "is no host"),
    Case(DEMO, "  host: 127.0.0.1                   #", "  host: user:secret@127.0.0.1    #", "mqtt.host", "holds a user name or secret"),
    Case(DEMO, "  host: 127.0.0.1                   #", "  host: 127.0.0.1:1883    #", "mqtt.host", "holds a port"),
    Case(DEMO, "  port: 15025", "  port: 15025\n  password_file: /dev/null", "mqtt.password_file", "but no username", "  password_file"),
    Case(DEMO, "  publish_s: 10.0", "  publish_s: 1000.0", "mqtt.publish_s", "refresh_s 300 is below publish_s 1000"),
    Case(DEMO, "  port: 15025", "  port: 15025\n  tls: {ca_file: /dev/null, client_cert_file: /dev/null}", "mqtt.tls.client_cert_file", "but no client_key_file", "  tls:"),
    Case(DEMO, "  port: 15026", "  port: 15021", "scada.port", "is also the port of links.oil_tx"),
    Case(DEMO, "  port: 15026", "  port: 15025", "scada.port", "is also the port of the MQTT broker", "  port: 15025\n  unit"),
    Case(DEMO, "  listen: 127.0.0.1", "  listen: everywhere", "scada.listen", "is no address"),
    Case(DEMO, "port: 15022}", "port: 15021}", "links.ct_tx.port", "the same place as links.oil_tx in line", "{id: ct_tx"),
    Case(DEMO, "{id: ct_tx, type: tcp, host: 127.0.0.1, port: 15022}", "{id: ct_tx, type: rtu_over_tcp, host: LOCALHOST, port: 15021}", "links.ct_tx.port", "the same place as links.oil_tx in line"),
    Case(DEMO, "{id: ct_tx, type: tcp, host: 127.0.0.1, ", "{id: ct_tx, type: tcp, ", "links.ct_tx.host", "is missing (a link of type tcp needs"),
    Case(DEMO, "port: 15022}", "port: 15022, baud: 9600}", "links.ct_tx.baud", "does not belong to a link of type tcp"),
    Case(DEMO, "port: 15022}", "port: 15022, serial_device: /dev/ttyS0}", "links.ct_tx.serial_device", "does not belong to a link of type tcp"),
    Case(DEMO, "{id: fibre, type: tcp,", "{id: relays, type: tcp,", "links.relays.id", "relays is taken by another in line", "{id: relays, type: tcp, host: 127.0.0.1, port: 15024"),
    Case(DEMO, "  - id: fibre ", "  - id: relays ", "devices.relays.id", "relays is taken by another in line", "  - id: relays                       # fibre"),
    Case(DEMO, "    link: fibre", "    link: fiber", "devices.fibre.link", "no link is called fiber (did you mean fibre?)"),
    Case(DEMO, "    link: fibre\n    unit: 4", "    link: relays\n    unit: 3", "devices.fibre.unit", "unit 3 on link relays is already devices.relays in line", "    unit: 3\n    poll_s: 5.0"),
    Case(DEMO, "    poll_s: 2.0", "    poll_s: 30.0", "devices.relays.poll_s", "is not below the station's stale_after_s 30"),
    Case(DEMO, "timeout_s: 10.0", "timeout_s: 2.0", "devices.relays.relay_module.timeout_s", "2 s is not above the cycle of 2 s"),
    Case(DEMO, "timeout_value: 100 ", "timeout_value: 0 ", "devices.relays.relay_module.timeout_value", "switches the module's time-out off"),
    Case(DEMO, "      timeout_value: 100            #", "      #", "devices.relays.relay_module.timeout_register", "but no timeout_value", "      timeout_register"),
    Case(DEMO, "      power_on_register: {device: relays, table: holding_register, address: 102, type: uint16}\n", "", "devices.relays.relay_module.power_on_value", "but no power_on_register", "      power_on_value"),
    Case(DEMO, "timeout_register: {device: relays,", "timeout_register: {device: fibre,", "devices.relays.relay_module.timeout_register.device", "is another device"),
    Case(DEMO, "    unit: 4", "    unit: 4\n    ready_value: 1", "devices.fibre.ready_value", "but no ready_register", "    ready_value"),
    Case(DEMO, "    unit: 4", "    unit: 4\n    ready_register: {device: fibre, table: holding_register, address: 9, type: uint16}", "devices.fibre.ready_register", "but no ready_value", "    ready_register"),
    Case(DEMO, "    unit: 4", "    unit: 4\n    ready_value: 1\n    ready_register: {device: oil_tx, table: holding_register, address: 9, type: uint16}", "devices.fibre.ready_register.device", "is another device", "    ready_register"),
    Case(DEMO, "    unit: 4", WHO + "registers: 8, type: uint16}", "devices.fibre.identity.type", "does not go with registers", "    identity"),
    Case(DEMO, "    unit: 4", WHO + "registers: 70}", "devices.fibre.identity.registers", "70 is out of range", "    identity"),
    Case(DEMO, "    unit: 4", WHO + "expected: SN-1}", "devices.fibre.identity", "no whole number or text", "    identity"),
    Case(DEMO, "    unit: 4", WHO + "type: float32}", "devices.fibre.identity.type", "no whole number or text", "    identity"),
    Case(DEMO, "    unit: 4", WHO + "type: uint32, expected: SN-1}", "devices.fibre.identity.expected", "SN-1 never comes from uint32", "    identity"),
    Case(DEMO, "    unit: 4", WHO + "type: uint32, scale: 2.0}", "devices.fibre.identity.scale", "does not belong to an identity", "    identity"),
    Case(DEMO, "    unit: 4", WHO.replace("device: fibre", "device: relays") + "type: uint32}", "devices.fibre.identity.device", "relays is another device", "    identity"),
    Case(DEMO, "    unit: 4", "    unit: 4\n    settle_s: -1.0", "devices.fibre.settle_s", "is out of range", "    settle_s"),
    Case(SERIAL, "    number: 3\n    link", "    number: 2\n    link", "devices.relay.number", "2 is taken by another device", "    number: 2\n    link: bus\n    unit: 3"),
    Case(SERIAL, "    number: 3\n    link", "    number: 313\n    link", "devices.relay.number", "313 is out of range (1 to 312"),
    Case(SERIAL, "serial_device: /dev/ttyS1", "# none", "links.bus.serial_device", "is missing (a link of type rtu_serial needs one", "  - id: bus"),
    Case(SERIAL, "    baud: 19200", "    baud: 19200\n    port: 502", "links.bus.port", "does not belong to a link of type rtu_serial", "    port: 502"),
    Case(SERIAL, "number: 1, link: bus, unit: 1,", "number: 1, link: bus, unit: 0,", "devices.transmitter.unit", "0 is no unit on a serial line"),
    Case(SERIAL, "    baud: 19200", "    baud: 19200\n    keepalive_s: 60", "links.bus.keepalive_s", "does not belong to a link of type rtu_serial", "    keepalive_s"),
    Case(SERIAL, "    baud: 19200", "    baud: 19200\n    one_request_per_connection: true", "links.bus.one_request_per_connection", "does not belong to a link of type rtu_serial", "    one_request"),
    Case(SERIAL, "    baud: 19200", "    baud: 19200\n    standby_host: 192.0.2.9", "links.bus.standby_host", "does not belong to a link of type rtu_serial", "    standby_host"),
    Case(DEMO, "port: 15022}", "port: 15022, standby_port: 15029}", "links.ct_tx.standby_port", "belongs to a standby_host, which is missing"),
    Case(DEMO, "port: 15022}", "port: 15022, back_to_first_s: 60.0}", "links.ct_tx.back_to_first_s", "belongs to a standby_host, which is missing"),
    Case(DEMO, "port: 15022}", "port: 15022, standby_host: localhost}", "links.ct_tx.standby_host", "is the first address itself"),
    Case(DEMO, "port: 15022}", "port: 15022, standby_host: 127.0.0.1, standby_port: 15021}", "links.ct_tx.standby_host", "the same place as links.oil_tx in line"),
    Case(DEMO, "port: 15022}", "port: 15022, standby_host: 'http://x'}", "links.ct_tx.standby_host", "is no host"),
    Case(DEMO, "port: 15022}", "port: 15022, keepalive_s: 0}", "links.ct_tx.keepalive_s", "is out of range"),
    Case(DEMO, "    unit: 4", "    unit: 4\n    retries: 6", "devices.fibre.retries", "is out of range", "    retries"),
    Case(PUMPS, "link: gateway, unit: 12", "link: gateway, unit: 12, answers_as_unit: 1", "devices.second_probe.answers_as_unit", "is for links of type tcp"),
    Case(PUMPS, "link: gateway, unit: 12", "link: gateway, unit: 12, accept_transaction_id_0: true", "devices.second_probe.accept_transaction_id_0", "is for links of type tcp"),
    Case(PUMPS, "link: gateway, unit: 12", "link: gateway, unit: 250", "devices.second_probe.unit", "250 is no unit on a serial line"),
]  # fmt: skip

BOTTOM_OLD = "address: 2, type: int16, scale: 0.1, sentinels: [0x7FFF, -32768]"
BOTTOM = f"{T1}.bottom_oil"
FACTOR = "scale_register: {device: oil_tx, table: input_register, address: 9, type: int16, means: power_of_ten}"
TYPE_CASES = [
    Case(DEMO, BOTTOM_OLD, "address: 2, type: uint16, bits: [3, 19]", f"{BOTTOM}.bits", "[3, 19] are no bits of uint16", "bits: [3"),
    Case(DEMO, BOTTOM_OLD, "address: 2, type: uint16, bits: [9, 3]", f"{BOTTOM}.bits", "[9, 3] are no bits of uint16", "bits: [9"),
    Case(DEMO, BOTTOM_OLD, "address: 2, type: uint16, bits: [9]", f"{BOTTOM}.bits", "[first, last] between 0 and 15", "bits: [9"),
    Case(DEMO, BOTTOM_OLD, "address: 2, type: float32, bits: [3, 9]", f"{BOTTOM}.bits", "do not go with type float32", "bits: [3"),
    Case(DEMO, BOTTOM_OLD, "address: 2, type: bcd24", f"{BOTTOM}.type", "(did you mean bcd", "bcd24"),
    Case(DEMO, BOTTOM_OLD, "address: 2, type: bcd16, sentinels: [70000.0]", f"{BOTTOM}.sentinels[0]", "70000 never comes from bcd16", "70000"),
    Case(DEMO, BOTTOM_OLD, "address: 2, type: int16, " + FACTOR.replace("oil_tx", "fibre"), f"{BOTTOM}.scale_register.device", "both are read together: oil_tx", "scale_register"),
    Case(DEMO, BOTTOM_OLD, "address: 2, type: int16, " + FACTOR.replace(", means: power_of_ten", ""), f"{BOTTOM}.scale_register.means", "is missing", "scale_register"),
    Case(DEMO, BOTTOM_OLD, "address: 2, type: int16, " + FACTOR.replace("input_register", "coil").replace(", type: int16", ""), f"{BOTTOM}.scale_register.table", "is one bit and cannot hold this value", "scale_register"),
    Case(DEMO, "feedback: {device: relays, table: discrete_input, address: 2}", "feedback: {device: relays, table: holding_register, address: 2, type: bool, bits: [1, 1]}", f"{T1}.stages.stage3.feedback.bits", "give bit in place of bits", "bits: [1"),
]  # fmt: skip

STAGE_CASES = [
    Case(DEMO, "dropout: {top_oil_c: 60.0", "dropout: {top_oil_c: 75.0", f"{T1}.stages.stage2.dropout.top_oil_c", "75 is above the pickup 70 (a dropout must lie below its pickup; usual 10 K below)"),
    Case(DEMO, "dropout: {top_oil_c: 60.0", "dropout: {top_oil_c: 70.0", f"{T1}.stages.stage2.dropout.top_oil_c", "70 is equal to the pickup 70"),
    Case(DEMO, "dropout: {top_oil_c: 60.0, hot_spot_c: 75.0}", "dropout: {top_oil_c: 60.0}", f"{T1}.stages.stage2.dropout.hot_spot_c", "is missing beside the pickup 85"),
    Case(DEMO, "dropout: {top_oil_c: 60.0, hot_spot_c: 75.0}", "dropout: {top_oil_c: 60.0, hot_spot_c: 75.0, load_pu: 0.5}", f"{T1}.stages.stage2.dropout.load_pu", "has no pickup.load_pu"),
    Case(DEMO, "pickup: {top_oil_c: 70.0, hot_spot_c: 85.0}", "pickup: {}", f"{T1}.stages.stage2.pickup", "has no criterion"),
    Case(DEMO, "pickup: {top_oil_c: 70.0, hot_spot_c: 85.0}", "pickup: {top_oil_c: 70.0, hot_spot_c: 85.0, load_pu: 1.0}", f"{T1}.stages.stage2.dropout.load_pu", "is missing beside the pickup 1", "        dropout: {top_oil_c: 60.0"),
    Case(DEMO, "pickup: {top_oil_c: 80.0, hot_spot_c: 95.0}\n        dropout: {top_oil_c: 70.0", "pickup: {top_oil_c: 65.0, hot_spot_c: 95.0}\n        dropout: {top_oil_c: 55.0", f"{T1}.stages.stage3.pickup.top_oil_c", "65 is below the pickup 70 of stage2 before it"),
    Case(DEMO, "pickup: {top_oil_c: 80.0, hot_spot_c: 95.0}\n        dropout: {top_oil_c: 70.0, hot_spot_c: 85.0}", "pickup: {top_oil_c: 80.0, hot_spot_c: 85.0}\n        dropout: {top_oil_c: 70.0, hot_spot_c: 75.0}", f"{T1}.stages.stage3.pickup.hot_spot_c", "85 is equal to the pickup 85 of stage2"),
    Case(DEMO, "relay: {device: relays, coil: 1}", "relay: {device: relais, coil: 1}", f"{T1}.stages.stage2.relay.device", "no device is called relais (did you mean relays?)"),
    Case(DEMO, "relay: {device: relays, coil: 1}", "relay: {device: fibre, coil: 1}", f"{T1}.stages.stage2.relay.device", "does not release its outputs by itself"),
    Case(DEMO, "relay: {device: relays, coil: 1}", "relay: {device: relays, coil: 0}", f"{T1}.stages.stage2.relay.coil", "coil 0 of relays is already transformers.T1.stages.stage1 in line", "        relay: {device: relays, coil: 0}\n        feedback: {device: relays, table: discrete_input, address: 1}"),
    Case(DEMO, "device_fault: {device: relays, coil: 8}", "device_fault: {device: relays, coil: 2}", f"{T1}.contacts.device_fault.coil", "coil 2 of relays is already transformers.T1.stages.stage3"),
    Case(DEMO, "device_fault: {device: relays, coil: 8}", "device_fault: {device: fibre, coil: 8}", f"{T1}.contacts.device_fault.device", "does not release its outputs by itself"),
    Case(DEMO, "      - id: stage2", "      - id: stage1", f"{T1}.stages.stage1.id", "stage1 is taken by another winding or stage", "      - id: stage1\n        number: 2"),
    Case(DEMO, "      - id: stage2", "      - id: HV_A", f"{T1}.stages.HV_A.id", "HV_A is taken by another winding or stage", "      - id: HV_A\n        number: 2"),
    Case(DEMO, "      - id: stage2", "      - id: hot_spot_c", f"{T1}.stages.hot_spot_c.id", "is the name of a point"),
    Case(DEMO, "        number: 2\n        name: Fans", "        number: 1\n        name: Fans", f"{T1}.stages.stage2.number", "1 is taken by another stage in line", "        number: 1\n        name: Fans, group 2"),
    Case(DEMO, "        number: 2\n        name: Fans", "        number: 2\n        needs_stage: stage9\n        name: Fans", f"{T1}.stages.stage2.needs_stage", "no stage is called stage9", "        needs_stage"),
    Case(DEMO, "        number: 2\n        name: Fans", "        number: 2\n        needs_stage: stage1\n        name: Fans", f"{T1}.stages.stage2.needs_stage", "stage1 is not a pump stage", "        needs_stage"),
    Case(DEMO, "        number: 2\n        name: Fans", "        number: 2\n        needs_stage: stage2\n        name: Fans", f"{T1}.stages.stage2.needs_stage", "the stage names itself", "        needs_stage"),
    Case(DEMO, "        number: 2\n        name: Fans", "        number: 2\n        cold_oil_block_c: 5\n        name: Fans", f"{T1}.stages.stage2.cold_oil_block_c", "is for pumps only", "        cold_oil"),
    Case(DEMO, "        number: 2\n        name: Fans", "        number: 2\n        restart_inhibit_s: 600\n        name: Fans", f"{T1}.stages.stage2.restart_inhibit_s", "add up to 646 s (at most 600", "        restart"),
    Case(DEMO, "top_oil_high_c: 95.0", "top_oil_high_c: 75.0", f"{T1}.alarms.top_oil_high_c", "75 is not above the last pickup 80 of stage3"),
    Case(DEMO, "hot_spot_high_c: 110.0", "hot_spot_high_c: 95.0", f"{T1}.alarms.hot_spot_high_c", "95 is not above the last pickup 95 of stage3"),
    Case(DEMO, "top_oil_high_high_c: 105.0", "top_oil_high_high_c: 95.0", f"{T1}.alarms.top_oil_high_high_c", "is not above top_oil_high_c 95"),
    Case(DEMO, "hot_spot_high_high_c: 125.0", "hot_spot_high_high_c: 100.0", f"{T1}.alarms.hot_spot_high_high_c", "is not above hot_spot_high_c 110"),
    Case(DEMO, "    contacts:\n", "    trip: {enabled: true}\n    contacts:\n", f"{T1}.trip.relay", "is missing (trip is enabled"),
    Case(DEMO, "    contacts:\n", "    trip: {relay: {device: relays, coil: 20}}\n    contacts:\n", f"{T1}.trip.relay.device", "has the cooling output of transformers.T1.stages.stage1"),
    Case(DEMO, "    contacts:\n", "    trip: {enabled: true, hot_spot_c: 120, relay: {device: oil_tx, coil: 0}}\n    contacts:\n", f"{T1}.trip.hot_spot_c", "120 is not above the alarm hot_spot_high_high_c 125"),
    Case(DEMO, "    contacts:\n", "    lost_inputs: {phase_zero_pu: 0.5}\n    contacts:\n", f"{T1}.lost_inputs.phase_zero_pu", "is not below phase_others_pu"),
    Case(DEMO, "    contacts:\n", "    load_limits: [{part: lead, winding: HV_X, max_current_a: 400}]\n    contacts:\n", f"{T1}.load_limits[0].winding", "no winding is called HV_X"),
    Case(SERIAL, "        pickup: {top_oil_c: 65.0", "        pickup: {top_oil_c: 96.0", f"{T1}.stages.fans.pickup.top_oil_c", "96 is not below the alarm top_oil_high_c 95"),
    Case(PUMPS, "        cold_oil_block_c: 5.0         #", "        cold_oil_block_c: 60.0         #", f"{T2}.stages.pump1.cold_oil_block_c", "60 is not below the pickup 55"),
]  # fmt: skip

THERMAL_CASES = [
    Case(DEMO, "needs: [stage1, stage2]", "needs: [stage1, stag2]", f"{T1}.modes.ONAF1.needs[1]", "no stage is called stag2 (did you mean stage2?)"),
    Case(DEMO, "needs: [stage1, stage2]", "needs: [stage1, stage1]", f"{T1}.modes.ONAF1.needs", "names a stage twice"),
    Case(DEMO, "needs: [stage1, stage2]", "needs: [stage1, stage3, stage2]", f"{T1}.modes.ONAF2.needs", "needs the same stages as mode ONAF1", "needs: [stage1, stage2, stage3]"),
    Case(DEMO, "        cooling: ONAF\n        needs: [stage1, stage2]\n", "        cooling: OFAF\n        needs: [stage1, stage2]\n", f"{T1}.modes.ONAF1.needs", "OFAF needs a pump stage", "needs: [stage1, stage2]\n"),
    Case(DEMO, "        cooling: ONAF\n        needs: [stage1, stage2]\n", "        cooling: ONAN\n        needs: [stage1, stage2]\n", f"{T1}.modes.ONAF1.cooling", "ONAN is without fans, but stage1 in needs is one"),
    Case(DEMO, "top_oil_rise_k: 47.0", "top_oil_rise_k: 90.0", f"{T1}.modes.ONAF2.top_oil_rise_k", "at 40 °C ambient brings the hot spot of LV_A to 150.5 °C"),
    Case(DEMO, "top_oil_rise_k: 50.0\n        loss_ratio: 2.88", "top_oil_rise_k: 30.0\n        loss_ratio: 2.88", f"{T1}.modes.ONAF1.top_oil_rise_k", "more cooling but more rise: at 126 A in HV_A top oil rises 33.3 K, in mode ONAN 30.0 K", "top_oil_rise_k: 48.0"),
    Case(DEMO, "      - id: ONAF2 ", "      - id: ONAF1 ", f"{T1}.modes.ONAF1.id", "ONAF1 is taken by another mode", "      - id: ONAF1                   # 40 MVA"),
    Case(DEMO, "          ONAF2: {gradient_k: 15.0, rated_current_a: 210.0}\n", "", f"{T1}.windings.HV_A.modes", "mode ONAF2 is missing", "        modes: &hv_modes"),
    Case(DEMO, "          ONAF2: {gradient_k: 15.0", "          ONAF3: {gradient_k: 15.0", f"{T1}.windings.HV_A.modes.ONAF3", "no mode is called ONAF3 (did you mean ONAF2?)"),
    Case(DEMO, "factors: {HV_A: 5.5}", "factors: {HV_X: 5.5}", f"{T1}.windings.LV_A.derived_current.factors.HV_X", "no winding is called HV_X"),
    Case(DEMO, "factors: {HV_A: 5.5}", "factors: {LV_B: 5.5}", f"{T1}.windings.LV_A.derived_current.factors.LV_B", "the current of LV_B is derived itself"),
    Case(DEMO, "factors: {HV_A: 5.5}", "factors: {LV_A: 5.5}", f"{T1}.windings.LV_A.derived_current.factors.LV_A", "derived from itself"),
    Case(DEMO, "factors: {HV_A: 5.5}", "factors: {HV_A: 0}", f"{T1}.windings.LV_A.derived_current.factors.HV_A", "the factor of HV_A is 0"),
    Case(DEMO, "        derived_current: {factors: {HV_A: 5.5}, accuracy_percent: 3.0}\n", "", f"{T1}.windings.LV_A.current", "is missing (give current from a CT, or derived_current", "      - id: LV_A"),
    Case(DEMO, "      - id: HV_B", "      - id: HV_A", f"{T1}.windings.HV_A.id", "HV_A is taken by another winding or stage in line", "      - id: HV_A\n        number: 2"),
    Case(DEMO, "        number: 2\n        phase: B", "        number: 1\n        phase: B", f"{T1}.windings.HV_B.number", "1 is taken by another winding in line", "        number: 1\n        phase: B"),
    Case(DEMO, "      - id: HV_B", "      - id: top_oil_c", f"{T1}.windings.top_oil_c.id", "is the name of a point"),
    Case(DEMO, "        number: 2\n        cooling", "        number: 1\n        cooling", f"{T1}.modes.ONAF1.number", "1 is taken by another mode", "        number: 1\n        cooling: ONAF"),
    Case(DEMO, "        number: 2\n        cooling", "        number: 100\n        cooling", f"{T1}.modes.ONAF1.number", "100 is out of range"),
    Case(DEMO, "  - id: T1", "  - id: station", "transformers.station.id", "is a name that windingd uses itself"),
    Case(SERIAL, "    design: distribution_onan\n", "", f"{T1}.modes.ONAN", "oil_exponent, winding_exponent, k11, k21, k22, tau_o_min, tau_w_min missing: there is no design", "      - id: ONAN"),
    Case(PUMPS, "        feedback: {device: cooler_relays, table: discrete_input, address: 18}\n", "", f"{T2}.modes.OFAF2.needs", "OFAF needs proof that pump2 runs", "        needs: [pump1, fans1, pump2, fans2]"),
    Case(PUMPS, "needs: [pump1, fans1]", "needs: [fans1]", f"{T2}.modes.OFAF1.needs", "OFAF needs a pump stage"),
    Case(PUMPS, "windings: [HV_A, HV_B, HV_C]", "windings: [HV_A, HV_Q]", f"{T2}.tap_changer.windings[1]", "no winding is called HV_Q"),
    Case(PUMPS, "windings: [HV_A, HV_B, HV_C]", "windings: []", f"{T2}.tap_changer.windings", "is empty (name the windings"),
    Case(PUMPS, "winding: MV_A, max", "winding: MV_X, max", f"{T2}.load_limits[0].winding", "no winding is called MV_X"),
]  # fmt: skip

CASES = YAML_CASES + TRAP_CASES + VALUE_CASES + REGISTER_CASES + TYPE_CASES + STATION_CASES + STAGE_CASES + THERMAL_CASES


def mutate(file: str, *changes: tuple[str, str]) -> str:
    text = (CONFIG / file).read_text("utf-8")
    for old, new in changes:
        assert old in text, f"{old!r} is no longer in {file}"
        text = text.replace(old, new, 1)
    return text


def check(text: str | bytes, folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, list[str]]:
    """Exit status and lines of `windingd check`, file name cut off."""
    path = folder / "s.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    status = main(["check", "--quiet", str(path)])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return status, [line.removeprefix(f"{path}:") for line in out.splitlines()]


def test_enough_broken_files() -> None:
    assert len(CASES) >= 150
    assert len({(case.file, case.old, case.new) for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.path or 'file'}-{case.new[:30]}")
def test_broken_file(case: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = mutate(case.file, (case.old, case.new))
    start = text.index(case.new) if case.new else 0
    where = text.index(case.at) if case.at else start + len(case.new) - len(case.new.lstrip("\n"))
    line = text.count("\n", 0, where) + 1
    status, faults = check(text, tmp_path, capsys)
    assert status == 78
    first = [
        fault for fault in faults if fault.startswith(f"{line}: {case.path + ': ' if case.path else ''}")
    ]
    assert first, f"expected line {line} {case.path}, got {faults}"
    assert any(word in first[0] for word in case.words.split("|")), first[0]
    assert len(faults) == 1, faults


REST = "timeout_code: {0}, power_off_code: {0}, power_on_code: {0}"
KINDS = [
    "holding_register: 5, " + REST.format(0),
    "holding_register: 5, bit: 3, " + REST.format(0),
    "holding_register: 5, function: 16, energised_code: 7, released_code: 3, " + REST.format(3),
    "coil: 0, energised_code: 0, released_code: 1, " + REST.format(1),
    "coil: 0, read_back: {table: input_register, address: 30, bit: 2}, " + REST.format(0),
]


@pytest.mark.parametrize("kind", KINDS)
def test_outputs_of_every_kind_pass(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Also with a heartbeat, but not where that is the output itself."""
    relay, beat = f"relay: {{device: relays, {kind}}}", "      release_within_s: 8.0\n      heartbeat: "
    text = mutate(DEMO, ("relay: {device: relays, coil: 0}", relay))
    for register, clash in ((6, False), (5, "holding_register" in kind)):
        with_beat = text.replace("      release_within_s: 8.0", f"{beat}{{holding_register: {register}}}")
        status, faults = check(with_beat, tmp_path, capsys)
        assert (status == 78) is clash, faults
        told = "heartbeat.holding_register: holding register 5 is transformers.T1.stages.stage1 in line"
        assert (told in "".join(faults)) is clash


UNSEEN = "coil: 0, write_only: true, " + REST.format(0)
OWN, OTHER = (
    f"feedback: {{device: {device}, table: discrete_input, address: {address}}}"
    for device, address in (("relays", 0), ("ct_tx", 90))
)
PARALLEL = "cabinet:\n          parallel_start: {device: relays, table: discrete_input, address: 60}"


@pytest.mark.parametrize(
    ("relay", "feedback", "more", "key", "words"),
    [
        (UNSEEN, OTHER, (), "", ""),
        ("coil: 0, write_only: true", OTHER, (), "relay", "is not read back itself, so nothing says"),
        (UNSEEN, "", (), "relay.write_only", "nothing would tell whether it is released (give the feedback"),
        (UNSEEN, OWN, (), "feedback.device", "relays gets no request either while relays must release"),
        (UNSEEN + ", read_back: {table: discrete_input, address: 50}", OTHER, (), "relay.read_back", "can be read"),
        (UNSEEN, OTHER, (("cabinet:", PARALLEL),), "cabinet.parallel_start", "it makes the stage run too"),
        (UNSEEN, OTHER, (("module_timeout", "watchdog_relay"),), "relay.write_only", "never proven in service"),
        (UNSEEN, OTHER, (("within_s: 30.0", "within_s: 20.0"),), "release_within_s", "and 16 s until a feedback tells"),
    ],
)
def test_an_output_that_cannot_be_read(
    relay: str,
    feedback: str,
    more: tuple[tuple[str, str], ...],
    key: str,
    words: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Only where the feedback of its stage tells in its place."""
    stage = "relay: {device: relays, coil: 0}\n        " + OWN
    new = f"relay: {{device: relays, {relay}}}\n        {feedback}"
    text = mutate(DEMO, ("release_within_s: 8.0", "release_within_s: 30.0"), (stage, new), *more)
    status, faults = check(text, tmp_path, capsys)
    assert status == (78 if key else 0), faults
    grave = [fault for fault in faults if key and f".{key}: " in fault]
    assert not key or words in grave[0], faults


@pytest.mark.parametrize("file", [DEMO, SERIAL, PUMPS])
def test_examples_pass(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(CONFIG / file)]) == 0
    out = capsys.readouterr().out
    assert "no faults" in out
    assert "Steady state" in out


def test_exactly_four(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One type fault, two cross faults in one stage, one station fault: four lines, each where it is."""
    text = mutate(
        DEMO,
        ("cycle_s: 2.0", "cycle_s: fast"),
        ("gradient_k: 11.5", "gradient_k: '11.5'"),
        ("relay: {device: relays, coil: 1}", "relay: {device: relais, coil: 1}"),
        ("dropout: {top_oil_c: 60.0, hot_spot_c: 75.0}", "dropout: {top_oil_c: 72.0, hot_spot_c: 75.0}"),
    )
    lines = text.splitlines()

    def at(part: str) -> int:
        return next(i for i, line in enumerate(lines, 1) if part in line)

    status, faults = check(text, tmp_path, capsys)
    assert status == 78
    assert [fault.split(": ")[:2] for fault in faults] == [
        [str(at("cycle_s: fast")), "station.cycle_s"],
        [str(at("'11.5'")), "transformers.T1.windings.HV_A.modes.ONAF1.gradient_k"],
        [str(at("relais")), "transformers.T1.stages.stage2.relay.device"],
        [str(at("72.0")), "transformers.T1.stages.stage2.dropout.top_oil_c"],
    ]


def test_a_liquid_without_defaults_needs_every_figure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ester = mutate(DEMO, ("    size: medium", "    size: medium\n    liquid: natural_ester"))
    status, faults = check(ester.replace("        hot_spot_factor: 1.3\n", ""), tmp_path, capsys)
    assert status == 78
    text = "\n".join(faults)
    assert text.count("hot_spot_factor: is missing: natural_ester has no defaults") == 6
    assert "transformers.T1.design: holds for mineral oil only, not for natural_ester" in text
    for mode in ("ONAN", "ONAF1", "ONAF2"):
        assert f"modes.{mode}: oil_exponent, winding_exponent, k11" in text


def test_the_ieee_guide_brings_its_own_exponents(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """n and m by cooling letters; only the time constants must come from a design or be given."""
    ieee = mutate(DEMO, ("guide: iec_60076_7", "guide: ieee_c57_91"))
    assert check(ieee, tmp_path, capsys)[0] == 0
    bare = ieee.replace("    design: medium_large_onaf ", "    # ").replace(
        "        design: medium_large_onan\n", ""
    )
    status, faults = check(bare, tmp_path, capsys)
    assert status == 78
    assert len(faults) == 3
    assert all("tau_o_min, tau_w_min missing" in fault for fault in faults)


def test_a_fault_hides_no_other(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One fault in each section and in each of several list elements at once: all are said."""
    changes = [
        ("cycle_s: 2.0", "cycle_s: 0"),
        ("commit_s: 5.0", "commit_s: x"),
        ("publish_s: 10.0", "publish_s: -1"),
        ("  unit: 1\n", "  unit: 0\n"),
        ("{id: oil_tx, type: tcp", "{id: oil_tx, type: tpc"),
        ("    unit: 2", "    unit: two"),
        ("released_by: module_timeout", "released_by: nobody"),
        ("paper: kraft", "paper: craft"),
        ("loss_ratio: 2.88", "loss_ratio: no"),
        ("gradient_k: 8.0", "gradient_k: 80"),
        ("gradient_k: 12.0", "gradient_k: -12"),
        ("coil: 1}", "coil: -1}"),
        ("pickup: {top_oil_c: 70.0", "pickup: {top_oil_c: 700"),
        ("dropout: {top_oil_c: 70.0", "dropout: {top_oil_c: 90.0"),
        ("hot_spot_high_c: 110.0", "hot_spot_high_c: hot"),
        ("coil: 8}", "coli: 8}"),
    ]
    status, faults = check(mutate(DEMO, *changes), tmp_path, capsys)
    assert status == 78
    assert len(faults) == len(changes), faults
    assert [int(fault.partition(":")[0]) for fault in faults] == sorted(
        int(f.partition(":")[0]) for f in faults
    )


def test_more_cooling_is_judged_by_the_hot_spot(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A gradient that is higher with fans is possible while the oil is lower by more; a hotter hot spot is not."""
    higher = ("ONAF1: {gradient_k: 11.5", "ONAF1: {gradient_k: 13.0")
    status, _ = check(mutate(DEMO, higher), tmp_path, capsys)
    assert status == 0
    cool_oil = ("top_oil_rise_k: 50.0\n        loss_ratio: 2.88", "top_oil_rise_k: 34.0\n        loss_ratio: 2.88")
    status, lines = check(mutate(DEMO, higher, cool_oil), tmp_path, capsys)
    assert status == 78
    words = "more cooling but more rise: at 126 A the hot spot rises 45.0 K, in mode ONAN 44.4 K"
    assert len(lines) == 1, lines
    assert f"{T1}.windings.HV_A.modes.ONAF1.gradient_k: {words}" in lines[0], lines
