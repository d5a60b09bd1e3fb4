"""How long a device may take, by its own keys or else its link's; all in real seconds.

Plain arithmetic that rules and field share. No rule and no waiting here.
"""

from __future__ import annotations

from typing import Any

#: After a time-out, unless set: an answer within three time-outs of its request falls into this silence.
LATE_TIMEOUTS = 2.0
#: RTU: silence between frames in characters and at least (Modbus over serial line V1.02, 2.5.1.1); over TCP,
#: unless set. Bits a character.
_FRAME_GAP_CHARS, _FRAME_GAP_LEAST_S, _TCP_GAP_S = 3.5, 0.00175, 0.02
CHAR_BITS = 11

# Link and Device, or their parts while the settings are being checked.


def timeout_s(link: Any, device: Any) -> float:
    """For one request."""
    return float(link.timeout_s if device.timeout_s is None else device.timeout_s)


def turnaround_s(link: Any, device: Any) -> float:
    """Pause after its answer before the link is used again."""
    return float(link.turnaround_s if device.turnaround_s is None else device.turnaround_s)


def late_answer_s(link: Any, device: Any) -> float:
    """Quiet after a time-out where answers carry no id."""
    for own in (device.late_answer_s, link.late_answer_s):
        if own is not None:
            return float(own)
    return LATE_TIMEOUTS * timeout_s(link, device)


def frame_gap_s(link: Any) -> float:
    """Quiet after an answer before it counts; 0 where frames carry their length."""
    if link.type == "tcp":
        return 0.0
    if link.frame_gap_s is not None:
        return float(link.frame_gap_s)
    if link.type == "rtu_serial":
        return max(_FRAME_GAP_LEAST_S, _FRAME_GAP_CHARS * CHAR_BITS / float(link.baud))
    return _TCP_GAP_S
