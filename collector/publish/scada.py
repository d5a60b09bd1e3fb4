"""Read-only Modbus TCP server for SCADA.

interface being filled in
"""

from __future__ import annotations

from collector.clock import Clock
from collector.messages import Outcome
from collector.settings.model import Settings


class ScadaServer:
    def __init__(self, settings: Settings, clock: Clock) -> None:
        """`settings.scada` must be set. Opens nothing yet."""
        raise NotImplementedError

    port: int  # the port in use, once run() listens

    async def run(self) -> None:
        """Serves until cancelled; a port that is taken is tried again, never raised."""
        raise NotImplementedError

    def offer(self, outcome: Outcome, wall_ns: int) -> None:
        """One completed step. Never blocks."""
        raise NotImplementedError

    def health(self) -> tuple[bool, str]:
        raise NotImplementedError
