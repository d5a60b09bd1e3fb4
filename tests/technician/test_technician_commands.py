"""A technician's commands through the command line, the operator socket, the step and real relays."""

from __future__ import annotations

import asyncio
import getpass
import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from typing import Any

import pytest
from module_log import all_held_off, held, moves

from collector.commands.main import main
from collector.demo.bench import Bench
from collector.operator import OperatorClient, OperatorError, command_of

Make = Callable[..., Any]


class Shell:
    """Runs subcommands against a bench's settings; keeps exit status and output."""

    def __init__(self, bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
        self.bench, self.capsys = bench, capsys

    async def __call__(self, sub: str, *words: str) -> tuple[int, str]:
        self.capsys.readouterr()
        status = await asyncio.to_thread(main, [sub, str(self.bench.settings_path), *words])
        said = self.capsys.readouterr()
        return status, said.out + said.err


async def decided(bench: Bench, more: int) -> None:
    """Wait until so many further decisions have been taken."""
    begun = bench.status()
    assert begun is not None
    goal = begun["sequence"] + more
    await bench.until(
        lambda: (s := bench.status()) is not None and s["sequence"] >= goal, f"{more} decisions"
    )


async def test_commands_move_the_relays_and_say_what_became_of_them(
    make_bench: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = await make_bench()
    shell = Shell(bench, capsys)
    await all_held_off(bench)

    status, said = await shell("stages", "--force-on", "stage1", "--minutes", "30")
    assert (status, said.count("force_on T1.stage1")) == (0, 1)
    await bench.until(lambda: 0 not in held(bench), "stage 1 released by the module's log")
    assert moves(bench)[-1]["reason"] == "write"
    status, said = await shell("stages", "--live", "--json")
    view = json.loads(said)[0]
    assert (status, view["reason"], view["why"]) == (0, "forced on", "forced on by hand")
    assert dict(view["waits"])["forced on"] > 0
    assert (await shell("stages", "--automatic", "T1.stage1"))[0] == 0
    await all_held_off(bench)

    status, said = await shell("stages", "--hold-off", "T1.stage2", "--minutes", "30")
    assert status == 0
    status, said = await shell("stages", "--live")
    assert "Held off by hand" in said

    # An input goes: the hold-off is cancelled, the stage runs, and another one is refused.
    await bench.station.fault("oil_tx", "open", channel="top_oil_c")
    await bench.until(lambda: not held(bench) & {0, 1, 2}, "every stage released by the module's log")
    status, said = await shell("stages", "--hold-off", "T1.stage2", "--minutes", "30")
    assert status == 1
    assert "refused: not while an input does not count" in said

    # Acknowledging, shelving and taking out of service: the alarm's state changes, no relay moves.
    status, said = await shell("status", "--alarms")
    assert "T1.top_oil_lost" in said
    assert "every stage of this transformer runs" in " ".join(said.split())
    lines = len(bench.relay_log())
    for words in (
        ("--acknowledge", "T1.top_oil_lost"),
        ("--shelve", "T1.top_oil_lost", "--minutes", "30"),
        ("--unshelve", "T1.top_oil_lost"),
        ("--out-of-service", "T1.top_oil_lost"),
        ("--in-service", "T1.top_oil_lost"),
        ("--acknowledge", "all"),
    ):
        assert (await shell("status", *words))[0] == 0, words
        await decided(bench, 3)
    assert moves(bench, lines) == []
    alarms = {a["id"]: a for a in (bench.status() or {})["alarms"]}
    assert alarms["T1.alarm_top_oil_lost"]["status"] == "acknowledged"
    assert alarms["T1.alarm_top_oil_lost"]["active"]

    # A substituted value stands in; it may not take cooling away while the sensor is lost.
    assert (await shell("status", "--substitute", "T1.top_oil_c", "20", "--minutes", "10"))[0] == 0
    await decided(bench, 20)
    assert not held(bench) & {0, 1, 2}
    assert (await shell("status", "--end-substitute", "T1.top_oil_c"))[0] == 0
    assert (await shell("status", "--reset-peaks", "T1"))[0] == 0
    status, said = await shell("status", "--shelve", "T1.hot_spot_high_high", "--minutes", "5")
    assert (status, "cannot be shelved" in said) == (1, True)

    assert bench.daemon is not None
    assert await bench.daemon.end() == 0
    bench.daemon = None
    with closing(sqlite3.connect(bench.data_dir / "record.sqlite")) as record:
        given = record.execute(
            "SELECT kind, target, who, how, minutes FROM commands ORDER BY mono_ns"
        ).fetchall()
    assert given[0] == ("force_on", "T1.stage1", getpass.getuser(), "local", 30.0)
    assert ("hold_off", "T1.stage2", getpass.getuser(), "local", 30.0) in given  # refused ones are kept too
    assert len(given) == 14


async def test_an_expected_load_is_announced_from_the_shell(
    make_bench: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = await make_bench()
    shell = Shell(bench, capsys)
    await all_held_off(bench)
    status, said = await shell("status", "--expect-load", "T1", "1.5", "--after", "30", "--minutes", "120")
    assert (status, "expect_load T1" in said) == (0, True)
    await bench.until(lambda: 0 not in held(bench), "stage 1 released by the module's log")
    assert moves(bench)[-1]["reason"] == "write"
    _, said = await shell("stages", "--live", "--json")
    view = json.loads(said)[0]
    assert view["reason"] == "pre-cooling"
    assert "a load of 1.5 pu is expected" in view["why"]
    assert "to come" in view["why"]
    status, said = await shell("status", "--expect-load", "T9", "1.5", "--minutes", "120")
    assert (status, "no transformer T9" in said) == (1, True)
    assert (await shell("status", "--end-expect-load", "T1"))[0] == 0
    status, said = await shell("status", "--end-expect-load", "T1")
    assert (status, "no load is expected" in said) == (1, True)


async def test_hold_off_is_refused_at_alarm_temperature(
    make_bench: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    """Control: the same command is obeyed on the cold station of the test above."""
    bench = await make_bench(load=1.7, ambient_c=38.0)
    shell = Shell(bench, capsys)
    alarm = "T1.alarm_hot_spot_high"
    await bench.until(
        lambda: any(a["id"] == alarm for a in (bench.status() or {"alarms": []})["alarms"]), alarm, 60.0
    )
    lines = len(bench.relay_log())
    status, said = await shell("stages", "--hold-off", "T1.stage1", "--minutes", "5")
    assert (status, "refused: at alarm temperature no stage may be held off" in said) == (1, True)
    assert (await shell("status", "--acknowledge", "all"))[0] == 0
    await decided(bench, 5)
    assert not held(bench) & {0, 1, 2}
    assert moves(bench, lines) == []
    _, said = await shell("stages", "--live")
    assert "alarm 110" in said


async def test_a_request_that_is_no_command_is_answered_in_words(make_bench: Make) -> None:
    bench = await make_bench()
    for wrong in (
        {"kind": "stop", "target": "T1.stage1"},
        {"kind": "force_on"},
        {"kind": "force_on", "target": "T1.stage1", "minutes": "ten"},
        {"kind": "force_on", "target": "T1.stage1", "minutes": 10**400},
        {"kind": "substitute", "target": "T1.top_oil_c", "value": True, "minutes": 5},
    ):
        with (
            OperatorClient(bench.data_dir) as client,
            pytest.raises(OperatorError, match=r"command|target|number"),
        ):
            client.request(request="command", **wrong)
    await decided(bench, 3)  # the step has not met any of it


def test_the_form_of_a_command() -> None:
    command = command_of({"kind": "shelve", "target": "T1.alarm_trip", "minutes": 5}, "anna", "7")
    assert (command.who, command.how, command.minutes, command.value) == ("anna", "local", 5.0, None)
    with pytest.raises(ValueError, match="a number"):
        command_of({"kind": "shelve", "target": "x", "minutes": float("nan")}, "anna", "7")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["stages", "--force-on", "stage9"], "no such stage (one of T1.stage1, T1.stage2, T1.stage3)"),
        (["stages", "--hold-off", "stage1"], "--hold-off needs --minutes"),
        (["stages", "--live", "--minutes", "3"], "--minutes goes with"),
        (["stages", "--record", "x"], "go with --prove"),
        (["stages", "--prove"], "run it on a terminal"),
        (["status", "--shelve", "T1.trip"], "--minutes goes with"),
        (["status", "--expect-load", "T1", "1.3"], "--minutes goes with"),
        (["status", "--expect-load", "T1", "much", "--minutes", "5"], "PU is a number"),
        (["status", "--reset-peaks", "T1", "--after", "5"], "--after goes with"),
        (["status", "--acknowledge", "T1.hotspot"], "T1 has hot_spot_high"),
        (["status", "--substitute", "T1.top_oil_c", "warm", "--minutes", "5"], "VALUE is a number"),
    ],
)
def test_wrong_usage_is_told_before_anybody_is_asked(
    words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    from collector.settings import example

    assert main([words[0], str(example("demo.yaml")), *words[1:]]) == 64
    assert told in capsys.readouterr().err
