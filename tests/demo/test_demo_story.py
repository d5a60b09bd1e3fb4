"""The story is confirmed by others' logs: an act that did not happen makes the exit status non-zero."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from collector.commands import demo
from collector.commands.main import main
from collector.demo.story import ACTS, Act, coil


async def nothing(_station: object) -> None:
    """The plant is left as it is."""


@pytest.mark.timeout(120)
def test_an_act_that_did_not_happen_is_told_and_fails_the_demo(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Relay 14 is wired to nothing: no log can ever confirm that it was energised."""
    never = Act(
        "What never happens", "A relay that is not there is energised.", nothing, (coil(14, True),), 2
    )
    monkeypatch.setattr(demo, "ACTS", (never,))
    assert main(["demo", "--plain", "--keep", str(tmp_path / "demo")]) == 1
    told = capsys.readouterr().out
    assert "✘ What never happens: stage 15 relay energised" in told
    assert "confirmed by the relay module's" not in told


@pytest.mark.timeout(170)
def test_the_whole_story_happens(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--plain", "--keep", str(tmp_path / "demo")]) == 0
    told = capsys.readouterr().out
    for act in ACTS:
        for evidence in act.evidence:
            assert re.search(rf"✔ {re.escape(evidence.what)} \(log of the {evidence.by}\)", told), (
                evidence.what
            )
    assert (tmp_path / "demo" / "data" / "record.sqlite").exists()
