"""Runs the service with a wall clock that a test sets: ``python -m tests.support.stepping_clock CONFIG``.

The machine's own clock is not touched. The seconds written in the file ``clock_offset_s`` beside CONFIG
are added to all the wall time that the service reads, in the guard's process, from one moment to the
next; CLOCK_BOOTTIME and CLOCK_MONOTONIC go on, as they do when a real clock is set.
"""

from __future__ import annotations

import os
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path
from unittest.mock import patch

OFFSET_FILE = "clock_offset_s"


def offset_s(config: Path) -> float:
    """How far the wall clock is off; 0 without a file. The file is replaced as a whole."""
    try:
        return float((config.parent / OFFSET_FILE).read_text())
    except FileNotFoundError:
        return 0.0


def set_clock(config: Path, seconds: float) -> None:
    """Set the wall clock of the service that runs from CONFIG off by this much."""
    new = config.parent / f"{OFFSET_FILE}.new"
    new.write_text(f"{seconds}")
    new.replace(config.parent / OFFSET_FILE)


def main(config: Path) -> int:
    """``nightheron run`` with the stepping clock."""
    from nightheron.runtime import service
    from nightheron.runtime.clock import Clock
    from nightheron.settings import load

    class SteppingClock(Clock):
        def utc(self) -> datetime:
            return super().utc() + timedelta(seconds=offset_s(config))

    real_s = time.time
    # The service makes its own clock, and in one place only.
    with (
        patch.object(service, "Clock", SteppingClock),
        patch.object(time, "time", lambda: real_s() + offset_s(config)),
    ):
        return service.serve(load(config, os.environ), os.environ)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
