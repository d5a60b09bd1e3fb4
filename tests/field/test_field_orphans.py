"""Which coils without a name belong to whom: earlier settings, another master, nobody."""

from __future__ import annotations

import json
from collections.abc import Callable

from collector.field.layout import layout
from collector.field.orphans import orphans, unnamed
from collector.field.output_point import coil as output
from collector.field.relays import Bank, Rules
from collector.field.wire import READ_COILS, Answer
from collector.messages import Decision
from collector.settings import example, load_bytes, once_good
from collector.settings.model import Settings

DEMO = example("demo.yaml").read_text(encoding="utf-8")
S = 1_000_000_000
RELEASED_BY = "      released_by: module_timeout\n"


def settings(*edits: Callable[[str], str]) -> Settings:
    text = DEMO
    for edit in edits:
        text = edit(text)
    found = once_good(text)
    assert found is not None
    return found


def coil(old: int, new: int) -> Callable[[str], str]:
    return lambda text: text.replace(
        f"relay: {{device: relays, coil: {old}}}", f"relay: {{device: relays, coil: {new}}}"
    )


def module(more: str) -> Callable[[str], str]:
    return lambda text: text.replace(RELEASED_BY, f"{RELEASED_BY}      {more}\n")


def watched(now: Settings, former: dict[str, list[int]] | None = None) -> list[int]:
    released = {device: [*map(output, coils)] for device, coils in (former or {}).items()}
    return [
        int(name)
        for link in layout(now, released).values()
        for device in link.devices
        if device.looks_at
        for name, _ in device.wants
    ]


def test_what_earlier_settings_held_off_and_these_do_not_name() -> None:
    now = settings(coil(2, 5))
    assert orphans(now, [settings()]).of == {"relays": {output(2): "T1.stage3"}}
    assert not orphans(now, [now]).of
    assert not orphans(now, []).of
    # a device that is called otherwise now is the same module; another unit or host is another one
    renamed = settings(lambda text: text.replace("relays", "cabinet1"))
    assert orphans(now, [renamed]).of == {"relays": {output(2): "T1.stage3"}}
    elsewhere = settings(lambda text: text.replace("unit: 3", "unit: 33"))
    found = orphans(now, [elsewhere])
    assert not found.of
    assert len(found.unreached) == 3
    assert "T1.stage3 (coil 2 of unit 33 at 127.0.0.1:" in "".join(found.unreached)


REST = "timeout_code: 3, power_off_code: 3, power_on_code: 3"
IN_REGISTER = "holding_register: 5, energised_code: 9, released_code: 3, " + REST


def stage3(relay: str) -> Callable[[str], str]:
    here = "relay: {device: relays, coil: 2}"
    return lambda text: text.replace(here, f"relay: {{device: relays, {relay}}}")


def test_an_output_of_any_kind_is_released_as_it_was_once_described() -> None:
    now = settings(coil(2, 5))
    ((point, output_id),) = orphans(now, [settings(stage3(IN_REGISTER))]).of["relays"].items()
    assert output_id == "T1.stage3"
    assert str(point) == "holding register 5"
    relays = next(d for d in now.devices if d.id == "relays")
    bank = Bank(relays, {output(0): "T1.stage1"}, Rules(10 * S, 40 * S, 6 * S), S, [point])
    register, writes = 9, []
    for n in range(2, 40):
        bank.offer(Decision(n, n * S, {"T1.stage1": True}))
        request = bank.request(n * S)
        if request is not None and request.function == 6:
            writes.append((request.address, request.words))
            register = request.words[0]
        words = {1: (1,), 3: (register,)}.get(request.function if request else 0, ())
        if request is not None:
            refused = request.function == 3 and request.address != 5
            bank.took(Answer(exception=2) if refused else Answer(words), n * S)
    assert register == 3
    assert set(writes) == {(5, (3,))}, "and left alone once it has read back so"


def test_a_register_of_which_a_bit_has_a_name_now_is_not_written() -> None:
    bit = "holding_register: 5, bit: 1, timeout_code: 0, power_off_code: 0, power_on_code: 0"
    assert not orphans(settings(stage3(bit)), [settings(stage3(IN_REGISTER))]).of
    assert not orphans(settings(stage3(IN_REGISTER)), [settings(stage3(bit))]).of
    other = bit.replace("bit: 1", "bit: 2")
    assert list(map(str, orphans(settings(stage3(bit)), [settings(stage3(other))]).of["relays"])) == [
        "holding register 5 bit 2"
    ]


def says(who: str) -> Callable[[str], str]:
    register = "device: relays, table: holding_register, address: 200, registers: 8"
    identity = f"    identity: {{{register}, expected: {who}}}\n"
    return lambda text: text.replace("    relay_module:\n", f"{identity}    relay_module:\n")


def test_a_module_that_says_it_is_another_is_another() -> None:
    now = settings(coil(2, 5), says("SN-2"))
    assert orphans(now, [settings(says("SN-2"))]).of == {"relays": {output(2): "T1.stage3"}}
    assert orphans(now, [settings()]).of == {"relays": {output(2): "T1.stage3"}}, "not known then"
    other = orphans(now, [settings(says("SN-1"))])
    assert not other.of
    assert other.unreached
    # And in service: one that is not who it must be is not written to for what another once held off.
    relays = next(d for d in now.devices if d.id == "relays")
    for stranger, wanted in ((True, [1, 1]), (False, [1, 0])):
        bank = Bank(relays, {output(0): "T1.stage1"}, Rules(10 * S, 40 * S, 6 * S), S, [output(2)])
        bank.stranger = stranger
        coils = {0: 1, 2: 1}
        for n in range(2, 40):
            bank.offer(Decision(n, n * S, {"T1.stage1": True}))
            request = bank.request(n * S)
            if request is None:
                continue
            asked = range(request.address, request.address + request.size)
            if request.bits:
                coils |= dict(zip(asked, map(int, request.bits), strict=True))
                bank.took(Answer(), n * S)
            elif request.function == READ_COILS:
                bank.took(Answer(words=tuple(coils[coil] for coil in asked)), n * S)
            else:
                bank.took(Answer(exception=2), n * S)
        assert [coils[0], coils[2]] == wanted


def test_no_contact_and_nothing_of_another_master() -> None:
    """An alarm contact that lost its name is no cooling; a coil in `foreign_coils` is never written."""
    now = settings(
        lambda text: text.replace(
            "device_fault: {device: relays, coil: 8}", "device_fault: {device: relays, coil: 9}"
        )
    )
    assert not orphans(now, [settings()]).of
    now = settings(coil(2, 5), module("foreign_coils: [2]"))
    assert not orphans(now, [settings()]).of
    released = {"relays": [*map(output, (2, 5, 7))]}
    outputs = {d.device.id: d.orphans for link in layout(now, released).values() for d in link.devices}
    assert outputs["relays"] == (output(7),), "2 is another master's now, 5 has a name"


def test_which_coils_are_looked_at() -> None:
    assert watched(settings()) == [3, 4, 5, 6, 7]
    assert watched(settings(module("foreign_coils: [4]"))) == [3, 5, 6, 7]
    assert watched(settings(module("coil_count: 12"))) == [3, 4, 5, 6, 7, 9, 10, 11]
    assert watched(settings(coil(2, 900)), {"relays": [2]}) == [2], "a span of 900 says nothing"
    shown = "coil: 2, read_back: {table: coil, address: 5}, " + REST.replace("3", "0")
    assert watched(settings(stage3(shown))) == [3, 4, 6, 7], "5 shows what 2 does"
    assert watched(settings(stage3(IN_REGISTER))) == [2, 3, 4, 5, 6, 7]
    relays = next(d for d in settings().devices if d.id == "relays")
    assert unnamed(relays, []) == ()


def test_settings_that_were_good_once() -> None:
    """Today's rules do not count for them; keys that do not exist any more do."""
    broken_rule = DEMO.replace("dropout: {top_oil_c: 50.0,", "dropout: {top_oil_c: 65.0,", 1)
    assert load_bytes(broken_rule.encode(), "x").settings is None
    assert once_good(broken_rule) is not None
    assert once_good(DEMO.replace("  cycle_s: 2.0", "  cycle_s: 2.0\n  no_such_key: 1")) is None
    assert once_good(json.dumps("rubbish")) is None
