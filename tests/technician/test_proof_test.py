"""The guided proof test, an hour of station time, with the three pulls really done.

What the tool writes down is checked against the relay module's own log and the plant's.
"""

from __future__ import annotations

import asyncio
import json
import re
import signal
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest
from module_log import all_held_off, held

from collector.demo.bench import Bench
from collector.settings import load
from collector.technician.proof_record import ProofRecord, RecordRefused, page, report
from collector.technician.prove import Proof, Reply, Stopped

Make = Callable[..., Any]

RATE = 60.0
TIMEOUT_S, MAX_AGE_S = 60.0, 30.0
#: The module's timer tick, and a machine that is busy with other things [station s].
SLACK_S = 60.0
HOUR_S = 3600.0


def patient(text: str) -> str:
    """The demo settings with polls and time-outs that a busy machine keeps up with at this rate."""
    for old, new in (
        ("cycle_s: 2.0", "cycle_s: 5.0"),
        ("stale_after_s: 30.0", "stale_after_s: 120.0"),
        ("decision_max_age_s: 10.0", f"decision_max_age_s: {MAX_AGE_S}"),
        ("poll_s: 2.0", "poll_s: 5.0"),
        ("timeout_s: 10.0", f"timeout_s: {TIMEOUT_S}"),
        ("timeout_value: 100 ", f"timeout_value: {TIMEOUT_S * 10:.0f} "),
    ):
        assert old in text
        text = text.replace(old, new)
    return text


class Hands:
    """A technician who really pulls, and answers by what the plant does, not by what windingd says."""

    def __init__(self, bench: Bench, loop: asyncio.AbstractEventLoop, *, lazy: str = "") -> None:
        self.bench, self._loop, self._lazy = bench, loop, lazy
        self.said: list[str] = []
        self.asked: list[str] = []
        self.energised_before: dict[str, set[int]] = {}

    def _do(self, act: Coroutine[Any, Any, Any]) -> Any:
        return asyncio.run_coroutine_threadsafe(act, self._loop).result(60.0)

    def name(self) -> str:
        return "Ada Example"

    def waiting(self, what: str, passed_s: float) -> None:
        """Nothing to show."""

    def say(self, text: str) -> None:
        self.said.append(text)
        if text == "Plug it in again.":
            self._do(self.bench.station.clear("relays", "cut"))
        elif text == "Put it back.":
            self._do(self.bench.station.revive("relays"))
        elif text.startswith("Give the gateway"):
            self._do(self.bench.start_daemon())

    def ask(self, key: str, question: str) -> Reply:
        self.asked.append(key)
        if key.endswith(" pull"):
            self.energised_before[key] = held(self.bench)
            self._do(self._pull(key))
            return Reply(True)
        if key.endswith(" running") or key.endswith(" runs"):
            numbers = (1, 2, 3) if key.endswith(" running") else (int(key.split()[0][-1]),)
            return Reply(self._do(self._see(numbers)), "by the plant")
        return Reply(True)

    async def _pull(self, key: str) -> None:
        if key == self._lazy:
            return
        if key.startswith("network"):
            await self.bench.station.fault("relays", "cut")
        elif key.startswith("gateway"):
            daemon, self.bench.daemon = self.bench.daemon, None
            assert daemon is not None
            await daemon.end(signal.SIGKILL)
        else:
            await self.bench.station.kill("relays")

    async def _see(self, numbers: tuple[int, ...]) -> bool:
        try:
            await self.bench.station.wait_truth(
                lambda t: all(t[f"stage{n}.running"] for n in numbers), timeout_s=10.0
            )
        except TimeoutError:
            return False
        return True


STEPS = (
    "ready", "stage T1.stage1", "stage T1.stage2", "stage T1.stage3", "held",
    "network relays", "gateway", "power relays", "automatic",
)  # fmt: skip


def soon(text: str) -> str:
    """`patient`, with minimum runs and returns of a minute."""
    text = re.sub(
        r"\n  data_dir:", "\n  return_hold_s: 60.0\n  return_after_s: 10.0\n  data_dir:", patient(text)
    )
    return re.sub(r"\n(\s+)pickup:", r"\n\1minimum_run_s: 60.0\n\1pickup:", text)


def only(bench: Bench, path: Path, step: str) -> None:
    """A record in which every step has passed, but this one."""
    loaded = load(bench.settings_path)
    assert loaded.settings is not None
    station = loaded.settings.station.id
    record = ProofRecord(path, station, loaded.hash)
    record.write(
        "begin", station=station, settings=str(bench.settings_path), settings_hash=loaded.hash,
        version="0", rate=RATE, name="Ada Example", login="ada",
    )  # fmt: skip
    for other in STEPS:
        if other != step:
            record.write("step", step=other, title=other, attempt=1, result="passed", took_s=1.0)
    record.close()


def proof_of(bench: Bench, path: Path, hands: Any) -> tuple[Proof, ProofRecord]:
    loaded = load(bench.settings_path)
    assert loaded.settings is not None
    record = ProofRecord(path, loaded.settings.station.id, loaded.hash)
    return Proof(loaded.settings, loaded.hash, bench.settings_path, record, hands), record


def facts(record: ProofRecord, step: str) -> dict[str, dict[str, Any]]:
    return {line["what"]: line for line in record.lines if line["event"] == "fact" and line["step"] == step}


@pytest.mark.timeout(300)
async def test_an_hour_with_a_proof_test_of_the_release_path(make_bench: Make, tmp_path: Path) -> None:
    bench = await make_bench(edit=patient, rate=RATE, relay_timeout_s=TIMEOUT_S)
    began_ns = bench.station.clock.station_ns()
    hands = Hands(bench, asyncio.get_running_loop())
    proof, record = proof_of(bench, tmp_path / "proof.jsonl", hands)
    good = await asyncio.to_thread(proof.run)
    record.close()
    wrong = [line for line in record.lines if line["event"] == "fact" and line["ok"] is False]
    assert (good, wrong) == (True, [])
    steps = [line["step"] for line in record.lines if line["event"] == "step"]
    assert steps == list(STEPS)

    # The module's own log: energised before each pull; the two time-outs, judged by the module itself.
    log = bench.relay_log()
    assert all(coils >= {0, 1, 2} for coils in hands.energised_before.values())
    assert len(hands.energised_before) == 3
    timeouts = [line for line in log if line["event"] == "release" and line["reason"] == "timeout"]
    assert len(timeouts) == 2
    for line in timeouts:
        assert set(line["coils"]) >= {0, 1, 2}
        took_s = (line["station_ns"] - line["last_valid_request_ns"]) / 1e9
        assert TIMEOUT_S <= took_s <= TIMEOUT_S + SLACK_S
    power_on = [line for line in log if line["event"] == "power on"]
    assert [line["coils"] for line in power_on] == [[], []]  # at the start, and after its supply was back

    # The plant's log: all three stages ran between each pull and the return, as the technician said.
    plant = bench.station.log("plant")
    pulled = {line["step"]: line["mono_ns"] for line in record.lines if line["event"] == "pull"}
    for step, what in (
        ("network relays", "relays answers again"),
        ("gateway", "windingd decides again, by itself"),
        ("power relays", "relays answers again"),
    ):
        began, back = pulled[step], facts(record, step)[what]["mono_ns"]
        started = [
            e["stage"]
            for e in plant
            if e["event"] == "stage" and e["running"] and began <= e["mono_ns"] <= back
        ]
        assert sorted(started) == [1, 2, 3], step

    # Times of the stage steps against the plant: feedback is not told before the fans ran.
    for number in (1, 2, 3):
        step = f"stage T1.stage{number}"
        told = next(f for what, f in facts(record, step).items() if what.startswith("feedback"))
        forced = facts(record, step)["force-on"]["mono_ns"]
        ran = [e["mono_ns"] for e in plant if e["event"] == "stage" and e["stage"] == number and e["running"]]
        assert any(forced - 10**9 <= at <= told["mono_ns"] for at in ran)

    text = page(tmp_path / "proof.jsonl").read_text(encoding="utf-8")
    assert "**Result: passed**" in text
    assert "Ada Example" in text
    assert load(bench.settings_path).hash in text
    assert "simulated station" in text

    def hour_over() -> bool:
        return bench.station.clock.station_ns() - began_ns >= HOUR_S * 1e9

    await bench.until(hour_over, "an hour of station time", 90.0)
    assert held(bench) >= {0, 1, 2}


async def prove_only(bench: Bench, path: Path, step: str, hands: Hands) -> tuple[bool, ProofRecord]:
    only(bench, path, step)
    proof, record = proof_of(bench, path, hands)
    good = await asyncio.to_thread(proof.run)
    record.close()
    return good, record


async def test_a_stage_that_does_not_start_fails_the_proof(make_bench: Make, tmp_path: Path) -> None:
    """Control of the hour: one relay contact sticks, and the test must say so."""
    bench = await make_bench(edit=soon, rate=RATE, relay_timeout_s=TIMEOUT_S)
    await all_held_off(bench)
    await bench.station.fault("relays", "welded", stage=2)
    hands = Hands(bench, asyncio.get_running_loop())
    good, record = await prove_only(bench, tmp_path / "proof.jsonl", "network relays", hands)
    found = facts(record, "network relays")
    assert not good
    assert found["all cooling runs"]["ok"] is False
    assert found["T1.stage2: feedback on return"]["found"] == "not running"
    assert found["T1.stage1: feedback on return"]["ok"] is True
    text = page(record.path).read_text(encoding="utf-8")
    assert "**Result: FAILED**" in text
    assert "**NO**" in text


async def test_what_temperature_calls_is_proven_only_in_part(make_bench: Make, tmp_path: Path) -> None:
    bench = await make_bench(edit=soon, rate=RATE, relay_timeout_s=TIMEOUT_S, load=0.4, ambient_c=24.0)
    await bench.until(lambda: held(bench) >= {1, 2}, "stages 2 and 3 held off", 60.0)
    hands = Hands(bench, asyncio.get_running_loop())
    good, record = await prove_only(bench, tmp_path / "proof.jsonl", "stage T1.stage1", hands)
    assert not good
    assert record.lines[-1]["result"] == "passed in part"
    assert not record.passed("stage T1.stage1")
    again = ProofRecord(record.path, record.lines[0]["station"], record.lines[0]["settings_hash"])
    again.close()  # not complete: the rest may follow on a cooler day


async def test_a_plug_that_was_not_pulled_proves_nothing(
    make_bench: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.technician.prove.PULL_LIMIT_S", 120.0)
    bench = await make_bench(edit=soon, rate=RATE, relay_timeout_s=TIMEOUT_S)
    hands = Hands(bench, asyncio.get_running_loop(), lazy="network relays pull")
    good, record = await prove_only(bench, tmp_path / "proof.jsonl", "network relays", hands)
    assert not good
    assert (
        "was the right plug pulled"
        in facts(record, "network relays")["windingd no longer hears relays"]["found"]
    )


async def test_it_goes_on_after_the_gateway_took_the_tool_with_it(make_bench: Make, tmp_path: Path) -> None:
    bench = await make_bench(edit=soon, rate=RATE, relay_timeout_s=TIMEOUT_S)
    await all_held_off(bench)
    path = tmp_path / "proof.jsonl"
    only(bench, path, "gateway")
    status = bench.status()
    assert status is not None
    _, record = proof_of(bench, path, None)
    stages = ["T1.stage1", "T1.stage2", "T1.stage3"]
    record.write("pull", step="gateway", held=stages, pid=status["pid"])
    record.close()
    with path.open("a", encoding="utf-8") as file:
        file.write('{"event": "fact", "torn')  # the supply went in the middle of a line
    daemon, bench.daemon = bench.daemon, None
    assert daemon is not None
    await daemon.end(signal.SIGKILL)
    await bench.until(lambda: not held(bench) & {0, 1, 2}, "released by the module")
    await bench.start_daemon()

    hands = Hands(bench, asyncio.get_running_loop())
    proof, record = proof_of(bench, path, hands)
    assert await asyncio.to_thread(proof.run)
    record.close()
    assert hands.asked == ["gateway running"]
    assert (
        facts(record, "gateway")["T1.stage1 (held off before): relay as found on return"]["found"]
        == "released"
    )
    with pytest.raises(RecordRefused, match="is complete"):
        proof_of(bench, path, hands)


async def test_nothing_is_begun_with_other_settings_or_without_a_daemon(
    make_bench: Make, tmp_path: Path
) -> None:
    bench = await make_bench(edit=soon, rate=RATE, relay_timeout_s=TIMEOUT_S)
    text = bench.settings_path.read_text(encoding="utf-8")
    assert "publish_s: 60.0" in text
    bench.settings_path.write_text(text.replace("publish_s: 60.0", "publish_s: 61.0"), encoding="utf-8")
    proof, record = proof_of(bench, tmp_path / "other.jsonl", Hands(bench, asyncio.get_running_loop()))
    with pytest.raises(Stopped, match="other settings"):
        await asyncio.to_thread(proof.run)
    assert bench.daemon is not None
    await bench.daemon.end()
    bench.daemon = None
    with pytest.raises(Stopped, match="no running windingd"):
        await asyncio.to_thread(proof.run)
    assert record.lines == []


def test_a_record_of_something_else_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "record.jsonl"
    first = ProofRecord(path, "HERE", "abc")
    first.write("begin", station="HERE", settings_hash="abc")
    for station, settings_hash, told in (
        ("THERE", "abc", "not the record"),
        ("HERE", "xyz", "other settings"),
    ):
        with pytest.raises(RecordRefused, match=told):
            ProofRecord(path, station, settings_hash)
    path.write_text("no JSON\n", encoding="utf-8")
    with pytest.raises(RecordRefused, match="jsonl:1: not a line"):
        ProofRecord(path, "HERE", "abc")


def test_a_step_done_again_counts_as_it_went_last() -> None:
    begin = {
        "event": "begin", "station": "HERE", "settings": "x", "settings_hash": "abc", "version": "0",
        "rate": 1.0, "name": "Ada", "login": "ada", "utc": "2026-07-14T12:00:00Z",
    }  # fmt: skip
    lines = [begin]
    for attempt, ok in ((1, False), (2, True)):
        of = {"step": "held", "attempt": attempt, "utc": ""}
        lines.append({"event": "fact", "what": "a|b", "found": f"try {attempt}", "ok": ok, "by": "me", **of})
        lines.append({"event": "step", "title": "Held", "result": "passed" if ok else "FAILED", **of})
    text = "\n".join(report(json.loads(json.dumps(lines))))
    assert "## Held: passed" in text
    assert "try 2" in text
    assert "try 1" not in text
    assert "a\\|b" in text
    assert "not finished" in text
