"""Does an output do what was decided? Read-back against decision, release by the module, other masters.

Judges only; what to call is decided in stages.py. No clock, no I/O.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from collector.messages import Disobeys, RelayStatus

NS = 1_000_000_000
#: A coil may take this long to follow a decision [s]: write, next poll, read-back.
SETTLE_S = 15.0


class Trouble(Enum):
    NONE = ""
    LINK = "link"  # its module does not answer
    MISMATCH = "mismatch"  # reads back different from what was decided
    FOREIGN = "foreign"  # changed although nothing was written
    LATE = "late"  # it was to be released and has not read back so: its module is left unfed
    STUCK = "stuck"  # and still so after the module's own time-out must have passed
    UNVERIFIED = "unverified"  # the module's own release settings are not as declared


@dataclass(frozen=True, slots=True)
class OutputState:
    """One output's memory; ns, -1: none.

    wanted, wanted_ns: coil state last decided, and since when. read: last known coil state.
    differs_ns: since when it reads back different. silent_ns: since when its module is silent.
    """

    wanted: bool | None = None
    wanted_ns: int = -1
    read: bool | None = None
    differs_ns: int = -1
    silent_ns: int = -1


@dataclass(frozen=True, slots=True)
class Seen:
    """What one look at an output shows. released: the module let go of it by itself while it was held.

    disobeys: it is not released although it is to be, and in which way.
    """

    trouble: Trouble = Trouble.NONE
    reason: str = ""
    released: bool = False
    disobeys: Disobeys = ""


NOTHING = Seen()
_DISOBEYS = {"late": Trouble.LATE, "stuck": Trouble.STUCK, "foreign": Trouble.FOREIGN}


def look(
    state: OutputState,
    relay: RelayStatus | None,
    now: int,
    timeout: int,
    settle: int,
    energised: str = "energised (held off)",
) -> tuple[OutputState, Seen]:
    """The output one cycle on. timeout: after this silence its module releases it [ns]. settle: ns.

    energised: the word for that. None: the output is not read back here (a trace): nothing can be said.
    """
    if relay is None:
        return state, NOTHING
    if not relay.link_ok or relay.energised is None:
        silent_ns = state.silent_ns if state.silent_ns >= 0 else now
        if silent_ns != state.silent_ns:
            state = replace(state, silent_ns=silent_ns)
        if relay.disobeys:
            return state, Seen(_DISOBEYS[relay.disobeys], relay.reason, disobeys=relay.disobeys)
        if now - silent_ns < timeout:
            return state, NOTHING
        released = state.wanted is True
        if released and state.read is not False:
            state = replace(state, read=False)
        return state, Seen(Trouble.LINK, relay.reason or "its module does not answer", released)
    # Held (read back as energised since we decided so), and now it is not: the module let go. After a silence
    # it may have been held although nobody has read so: the answer was lost with the link.
    let_go = (
        state.wanted is True
        and (state.read is True or state.silent_ns >= 0)
        and not relay.energised
        and relay.mono_ns > state.wanted_ns
    )
    differs = state.wanted is not None and relay.energised is not state.wanted
    differs_ns = (state.differs_ns if state.differs_ns >= 0 else now) if differs else -1
    if (relay.energised, differs_ns, -1) != (state.read, state.differs_ns, state.silent_ns):
        state = replace(state, read=relay.energised, differs_ns=differs_ns, silent_ns=-1)
    if relay.disobeys:
        return state, Seen(_DISOBEYS[relay.disobeys], relay.reason, let_go, relay.disobeys)
    if relay.foreign:
        return state, Seen(Trouble.FOREIGN, relay.reason or "another master has written it", let_go)
    if differs and now - max(differs_ns, state.wanted_ns) >= settle:
        word = {True: energised, False: "released"}
        reason = f"decided {word[bool(state.wanted)]}, reads back {word[relay.energised]}"
        return state, Seen(Trouble.MISMATCH, reason, let_go)
    if not relay.verified:
        reason = relay.reason or "the module's own release settings are not as declared"
        return state, Seen(Trouble.UNVERIFIED, reason, let_go)
    return state, Seen(released=True) if let_go else NOTHING


def decided(state: OutputState, wanted: bool, now: int) -> OutputState:
    """Note what was decided in this cycle."""
    return state if state.wanted is wanted else replace(state, wanted=wanted, wanted_ns=now, differs_ns=-1)
