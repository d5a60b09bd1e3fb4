"""Names of the points at which killable.py ends itself, for the test that chooses among them."""

from __future__ import annotations

#: From outside, at any moment.
ANY = "any moment, from outside"
POINTS = (
    "start: before any file is opened",
    "start: checkpoint read",
    "start: record being opened",
    "start: first inputs gathered",
    "start: outputs read for the first time",
    "start: first decision made",
    "cycle: before the step",
    "cycle: after the step, before its decision is offered",
    "cycle: decision offered, nothing recorded",
    "cycle: checkpoint handed to the record",
    "write: before a request to the relays",
    "write: request sent, not answered",
    "write: answered",
    "commit: transaction open",
    "commit: before COMMIT",
    "commit: after COMMIT, before anybody knows",
)
