"""The journal's frames: the step's inputs, verbatim, without repeating what did not change.

A frame is one line of JSON. A key frame stands alone; a delta frame holds what differs from the frame
before it. Floats are written as their shortest exact text, so decoding gives equal bits. Pure: no files.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, NamedTuple

from collector.messages import Command, Decision, Disobeys, Health, Inputs, Outcome, RelayStatus
from collector.quality import Quality, Reading
from collector.record.history import CLOCK_STEP_NS

KEY_EVERY_NS = 900 * 10**9  # a reader may have to start at a key frame; a block runs from one to the next


#: By their place here they stand in a frame: never reordered.
_DISOBEYS: tuple[Disobeys, ...] = ("", "late", "stuck", "foreign")


class Frame(NamedTuple):
    """One decoded step."""

    wall_ns: int
    inputs: Inputs
    decision: Decision
    digest: str


class MissingKeyFrame(Exception):
    """A delta frame came without the frame it builds on."""


def outcome_digest(outcome: Outcome) -> str:
    """16 hex digits over id, exact value and quality of every point: equal digests, equal outcomes."""
    rows = [(name, v.value, v.quality.bits) for name, v in outcome.values.items()]
    return hashlib.blake2b(_dumps(rows).encode("ascii"), digest_size=8).hexdigest()


def _plain(value: Any) -> Any:
    """numpy scalars as the Python number of the same bits."""
    return value.item()


def _dumps(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"), default=_plain)


def _reading(r: Reading) -> tuple[Any, ...]:
    return r.value, r.quality.bits, r.reason, r.source


def _relay(r: RelayStatus) -> tuple[Any, ...]:
    disobeys = _DISOBEYS.index(r.disobeys)
    return r.energised, r.link_ok | r.foreign << 1 | r.verified << 2 | disobeys << 3, r.reason


def _to_reading(now: int, age: int, content: tuple[Any, ...]) -> Reading:
    value, bits, reason, source = content
    return Reading(value, Quality.from_bits(bits), now - age, reason, source)


def _to_relay(now: int, age: int, content: tuple[Any, ...]) -> RelayStatus:
    energised, flags, reason = content
    link_ok, foreign, verified = bool(flags & 1), bool(flags & 2), bool(flags & 4)
    return RelayStatus(energised, now - age, link_ok, foreign, verified, reason, _DISOBEYS[flags >> 3])


class Encoder:
    """Turns steps into frames; remembers the step before. ``reset`` makes the next one a key frame."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        self._last: Inputs | None = None
        self._energise: Mapping[str, bool] | None = None
        self._leave_alone: frozenset[str] = frozenset()
        self._key_ns = 0
        self._wall_minus_mono = 0

    def encode(self, inputs: Inputs, decision: Decision, digest: str, wall_ns: int) -> tuple[bool, str]:
        """(is a key frame, the frame's text)."""
        last = self._last
        now = inputs.mono_ns
        offset = wall_ns - now
        if (
            last is None
            # within a block the wall clock only rises, so that a block can be found by its times
            or abs(offset - self._wall_minus_mono) >= CLOCK_STEP_NS
            or not 0 < now - self._key_ns < KEY_EVERY_NS
            or now <= last.mono_ns
            or list(inputs.readings) != list(last.readings)
            or list(inputs.relays) != list(last.relays)
            or list(inputs.devices) != list(last.devices)
        ):
            last = None
            self._key_ns = now
        frame: dict[str, Any] = {}
        if last is None:
            frame["t"], frame["w"] = now, offset
            frame["r"] = {k: [now - r.mono_ns, *_reading(r)] for k, r in inputs.readings.items()}
            frame["y"] = {k: [now - r.mono_ns, *_relay(r)] for k, r in inputs.relays.items()}
            frame["d"] = dict(inputs.devices)
        else:
            frame["t"] = now - last.mono_ns
            if offset != self._wall_minus_mono:
                frame["w"] = offset - self._wall_minus_mono
            if readings := _changes(now, inputs.readings, last.readings, _reading):
                frame["r"] = readings
            if relays := _changes(now, inputs.relays, last.relays, _relay):
                frame["y"] = relays
            devices = [
                [i, text]
                for i, (text, was) in enumerate(
                    zip(inputs.devices.values(), last.devices.values(), strict=True)
                )
                if text != was
            ]
            if devices:
                frame["d"] = devices
        if inputs.commands:
            frame["c"] = [asdict(c) for c in inputs.commands]
        if last is None or inputs.health != last.health:
            frame["h"] = asdict(inputs.health)
        if last is None or inputs.polled != last.polled:
            frame["p"] = inputs.polled
        if last is None or inputs.settings_hash != last.settings_hash:
            frame["s"] = inputs.settings_hash
        frame["o"] = [decision.sequence, now - decision.mono_ns]
        if last is None or decision.energise != self._energise:
            frame["e"] = dict(decision.energise)
        # Left out of a key frame it is empty, as in every frame that was written before it existed.
        if decision.leave_alone != (frozenset() if last is None else self._leave_alone):
            frame["l"] = sorted(decision.leave_alone)
        frame["g"] = digest
        text = _dumps(frame)
        self._last, self._energise, self._wall_minus_mono = inputs, decision.energise, offset
        self._leave_alone = decision.leave_alone
        return last is None, text


def _changes(now: int, new: Mapping[str, Any], old: Mapping[str, Any], content: Any) -> list[list[Any]]:
    """[index, age] where only the time moved, [index, age, value] or [index, age, *content] else."""
    found: list[list[Any]] = []
    for i, (a, b) in enumerate(zip(new.values(), old.values(), strict=True)):
        if a is b:
            continue
        is_, was = content(a), content(b)
        # repr tells 0.0 from -0.0 and 1 from 1.0, which == does not
        if repr(is_) == repr(was):
            if a.mono_ns != b.mono_ns:
                found.append([i, now - a.mono_ns])
        elif is_[1:] == was[1:]:
            found.append([i, now - a.mono_ns, is_[0]])
        else:
            found.append([i, now - a.mono_ns, *is_])
    return found


class Decoder:
    """Turns frames back into steps, in order. ``decode`` raises MissingKeyFrame until it has seen one."""

    def __init__(self) -> None:
        self._last: Frame | None = None

    def reset(self) -> None:
        self._last = None

    def decode(self, is_key: bool, text: str) -> Frame:
        frame = json.loads(text)
        if is_key:
            now = frame["t"]
            offset = frame["w"]
            readings: Mapping[str, Reading] = {
                k: _to_reading(now, age, tuple(c)) for k, (age, *c) in frame["r"].items()
            }
            relays: Mapping[str, RelayStatus] = {
                k: _to_relay(now, age, tuple(c)) for k, (age, *c) in frame["y"].items()
            }
            devices = frame["d"]
            health, polled, settings_hash = Health(**frame["h"]), frame["p"], frame["s"]
            energise, leave_alone = frame["e"], frozenset(frame.get("l", ()))
        else:
            if self._last is None:
                raise MissingKeyFrame(text[:60])
            wall_ns, last, decision, _ = self._last
            now = last.mono_ns + frame["t"]
            offset = wall_ns - last.mono_ns + frame.get("w", 0)
            readings = _apply(now, frame.get("r", ()), last.readings, _reading, _to_reading)
            relays = _apply(now, frame.get("y", ()), last.relays, _relay, _to_relay)
            devices = last.devices
            if "d" in frame:
                devices, ids = dict(devices), list(devices)
                for i, reason in frame["d"]:
                    devices[ids[i]] = reason
            health = Health(**frame["h"]) if "h" in frame else last.health
            polled = frame.get("p", last.polled)
            settings_hash = frame.get("s", last.settings_hash)
            energise = frame.get("e", decision.energise)
            leave_alone = frozenset(frame["l"]) if "l" in frame else decision.leave_alone
        commands = tuple(Command(**c) for c in frame.get("c", ()))
        inputs = Inputs(now, readings, relays, devices, commands, health, polled, settings_hash)
        sequence, age = frame["o"]
        made = Decision(sequence, now - age, energise, leave_alone)
        self._last = Frame(now + offset, inputs, made, frame["g"])
        return self._last


def _apply(now: int, changes: Any, old: Mapping[str, Any], content: Any, build: Any) -> Mapping[str, Any]:
    if not changes:
        return old
    new, ids = dict(old), list(old)
    for i, age, *changed in changes:
        was = content(old[ids[i]])
        new[ids[i]] = build(now, age, (*changed, *was[len(changed) :]))
    return new
