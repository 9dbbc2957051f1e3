"""The moment something arrived, on the clock that never steps and counts suspend."""

from __future__ import annotations

import time

MS_NS = 1_000_000


def boottime_ns() -> int:
    """CLOCK_BOOTTIME in nanoseconds, rounded down to whole milliseconds."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // MS_NS * MS_NS
