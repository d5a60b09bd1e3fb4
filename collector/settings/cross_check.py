"""The cross check: every rule about two or more values, run on whatever parts are valid.

A rule that needs a value which has a fault already is not run: the fault is said once. Nothing here
reads YAML, opens a link or computes with time. The rules themselves are in rules/.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from collector.settings.bind import Part, Unknown, walk
from collector.settings.faults import Fault
from collector.settings.model import Register, Relay, Temperature, Temperature2
from collector.settings.rules import cooling, life, mapping, station, thermal
from collector.settings.rules.common import Found, listed

Run = Callable[..., None]
Rules = tuple[Callable[..., Found], ...]


def cross_check(root: Part) -> list[Fault]:
    """Every fault, warning and note that the valid parts give, in no particular order."""
    found: list[Fault] = []

    def run(rule: Callable[..., Found], *parts: Any) -> None:
        try:
            for fault in rule(*parts):
                found.append(fault)
        except Unknown:
            pass  # what the rule needed has its own fault already

    _station(run, root)
    for transformer in listed(root, "transformers"):
        _transformer(run, root, transformer)
    return list(_once(found))


def _once(found: list[Fault]) -> Iterator[Fault]:
    """One message per value, the gravest; and one for a value that is used again by alias."""
    values: set[tuple[int, str]] = set()
    words: set[tuple[int, str, str]] = set()
    for fault in sorted(found, key=lambda f: ("fault", "warning", "note").index(f.severity)):
        value, said = (fault.line, fault.path), (fault.line, fault.path.rpartition(".")[2], fault.message)
        if value not in values and said not in words:
            yield fault
        values.add(value)
        words.add(said)


def _station(run: Run, root: Part) -> None:
    whole: Rules = (
        station.decision_age,
        station.polls,
        station.data_dir,
        station.data_mount,
        station.duplicate_ids,
        station.mqtt,
        station.scada,
        station.scada_units,
    )
    shared: Rules = (
        station.links_shared,
        station.devices_shared,
        mapping.registers_shared,
        mapping.outputs_shared,
    )
    for rule in whole + shared:
        run(rule, root)
    for link in listed(root, "links"):
        run(station.link_keys, link)
        run(station.link_used, root, link)
        run(station.late_answers, root, link)
    for device in listed(root, "devices"):
        rules: Rules = (
            station.device_link,
            station.device_manner,
            station.late_answers,
            mapping.block_size,
            station.device_used,
            station.relay_module,
            station.settling,
            station.release_bound,
            station.watchdog_relay,
            mapping.heartbeat,
            mapping.write_only,
        )
        for rule in rules:
            run(rule, root, device)
        run(station.identity, device)
    for part in walk(root):
        if issubclass(part.cls, Register):
            run(mapping.register_device, root, part)
            run(mapping.register_place, root, part)
            run(mapping.register_meaning, part)
            run(mapping.scale_register, part)
        if part.cls is Relay:
            run(mapping.relay_device, root, part)
            run(mapping.inverted, part)
            run(mapping.output_kind, part)
            run(mapping.read_back, part)
            run(mapping.rest_state, part)
        if part.cls is Temperature or part.cls is Temperature2:
            run(cooling.temperature_range, part)


def _transformer(run: Run, root: Part, t: Part) -> None:
    own: Rules = (
        thermal.names,
        thermal.mode_set,
        thermal.winding_modes,
        life.criterion,
        life.environment,
        thermal.loading,
        thermal.design_and_size,
        thermal.oil_weights,
        thermal.tap_changer,
        cooling.lost_inputs,
        cooling.redundancy,
        cooling.backstop,
        cooling.site,
        cooling.unwatched,
    )
    limits: Rules = (
        cooling.alarm_order,
        cooling.alarms_and_pickups,
        cooling.alarm_range,
        thermal.full_load,
        cooling.stage_order,
        cooling.rotation,
    )
    for rule in own + limits:
        run(rule, t)
    run(mapping.trip, root, t)
    run(mapping.contact_module, root, t)
    stage_rules: Rules = (
        cooling.stage_criteria,
        cooling.stage_needs,
        cooling.stage_advice,
    )
    for stage in listed(t, "stages"):
        for rule in stage_rules:
            run(rule, t, stage)
        run(cooling.stage_delays, root, t, stage)
        run(mapping.stage_relay, root, stage)
        run(mapping.contacts_shared, stage)
    mode_rules: Rules = (thermal.mode_needs, thermal.mode_cooling, thermal.mode_figures)
    for mode in listed(t, "modes"):
        for rule in mode_rules:
            run(rule, t, mode)
        for stronger in listed(t, "modes"):
            run(thermal.mode_pair, t, mode, stronger)
    winding_rules: Rules = (
        thermal.winding_current,
        thermal.winding_factor,
        thermal.derived_current,
    )
    for winding in listed(t, "windings"):
        for rule in winding_rules:
            run(rule, t, winding)
