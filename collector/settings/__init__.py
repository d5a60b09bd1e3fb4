"""Settings: from a YAML file to frozen, validated values. Read `load` first.

Nothing here opens a link, a socket or a database, and nothing here knows the time.
"""

from collector.settings.faults import Fault
from collector.settings.loader import Loaded, example, load, load_bytes, once_good

__all__ = ["Fault", "Loaded", "example", "load", "load_bytes", "once_good"]
