"""systemd's notification protocol (sd_notify(3)): READY, WATCHDOG, STOPPING, RELOADING, STATUS.

A datagram to NOTIFY_SOCKET; without that variable every call does nothing. Never blocks.
"""

from __future__ import annotations

import os
import socket


def notify(*assignments: str) -> bool:
    """Send e.g. ``notify("READY=1", "STATUS=...")``. True when systemd (or a stand-in) got it."""
    path = os.environ.get("NOTIFY_SOCKET")
    if not path:
        return False
    address = "\0" + path[1:] if path.startswith("@") else path
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as sock:
        try:
            sock.sendto("\n".join(assignments).encode(), address)
        except OSError:
            return False
    return True
