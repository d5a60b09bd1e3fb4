"""A simulated substation: a transformer plant and its Modbus devices, each in a process of its own.

Stands alone: nothing here may import the product that is tested against it, or the proof would be
a mirror. Start with ``python -m simulators station`` or, from Python, with ``simulators.Station``.
"""

from simulators.station import DEVICES, Station, StationError

__all__ = ["DEVICES", "Station", "StationError"]
