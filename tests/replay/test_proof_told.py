"""What a reader is told of a proof in service: after it in the record, the report says when and how."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from recorded import Recorded

from collector.record.reader import Record
from collector.report.facts import gather
from collector.technician.live import proof_lines


def soon(tree: dict[str, Any]) -> None:
    """The first proof comes after eighteen minutes."""
    tree["devices"][2]["relay_module"]["proof_interval_days"] = 0.05


@pytest.mark.parametrize("dead", [False, True], ids=["lets go", "dead"])
def test_report_and_stages_say_what_the_last_proof_has_shown(dead: bool, tmp_path: Path) -> None:
    s = Recorded(tmp_path, soon).run(40)
    assert proof_lines(s.state, s.plan) == ["relays: release not proven yet"]
    if dead:
        s.no_timeout.add("relays")
    s.run(1080, 60.0).run(60).run(600, 60.0)
    (line,) = proof_lines(s.state, s.plan)
    assert line.startswith("relays: RELEASE FAILED" if dead else "relays: release proven 0 h ago (within ")
    with Record(s.close()) as record:
        (told,) = gather(record).transformers[0].proofs
    assert told.startswith(
        "relays: release by its own timeout FAILED" if dead else "relays: release by its own timeout proven ("
    )
