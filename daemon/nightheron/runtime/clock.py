"""The only place in the daemon that reads clocks.

Everything that decides runs on CLOCK_BOOTTIME, which never steps and counts suspend. Wall time is
written down and never compared with anything that permits.
"""

from __future__ import annotations

import ctypes
import os
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol

from nightheron.model import NS

MS_NS = 1_000_000
_SYNCHRONIZED = Path("/run/systemd/timesync/synchronized")
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_TIME_ERROR = 5
_STA_UNSYNC = 0x40


class ClockPort(Protocol):
    """What the loop and the recorder know of time."""

    def now_ns(self) -> int:
        """CLOCK_BOOTTIME, whole milliseconds, in ns; never decreasing."""
        ...

    def utc(self) -> datetime:
        """Wall time, aware, UTC; only to be written down."""
        ...

    def boot_id(self) -> str:
        """The present boot."""
        ...

    def synced(self) -> bool:
        """True when somebody keeps the wall clock right."""
        ...


class Clock:
    """The real clocks."""

    def __init__(self) -> None:
        self._last_ns = 0
        self._boot_id = _read_boot_id()

    def now_ns(self) -> int:
        now_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        self._last_ns = max(self._last_ns, now_ns - now_ns % MS_NS)
        return self._last_ns

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def boot_id(self) -> str:
        return self._boot_id

    def synced(self) -> bool:
        return _SYNCHRONIZED.exists() or _kernel_says_synced()


class VirtualClock:
    """The same, moved by hand: for the demo, rehearsals and tests."""

    def __init__(
        self,
        start_ns: int = 1000 * NS,
        utc: datetime = datetime(2026, 1, 1, tzinfo=UTC),
        boot: str = "virtual",
    ) -> None:
        self._now_ns = start_ns
        self._utc_at_zero = utc - timedelta(microseconds=start_ns // 1000)
        self._boot = boot

    def now_ns(self) -> int:
        return self._now_ns

    def advance(self, ns: int) -> int:
        """Let ``ns`` (at least 0, cut to whole ms) go by; returns the new time."""
        if ns < 0:
            raise ValueError("time does not run backward")
        self._now_ns += ns - ns % MS_NS
        return self._now_ns

    def utc(self) -> datetime:
        return self._utc_at_zero + timedelta(microseconds=self._now_ns // 1000)

    def boot_id(self) -> str:
        return self._boot

    def synced(self) -> bool:
        return True


def rfc3339(when: datetime) -> str:
    """``2026-01-01T02:03:04.567Z``: UTC, milliseconds, always the same width."""
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{when.microsecond // 1000:03d}Z"


def _read_boot_id() -> str:
    try:
        return _BOOT_ID.read_text().strip()
    except OSError:
        # Unknown is not the same as equal: a name of its own makes every span across it count as zero.
        return f"unknown-{os.getpid()}-{time.time_ns()}"


def _kernel_says_synced() -> bool:
    """Ask adjtimex without setting anything; False when it may not be asked."""
    try:
        timex = ctypes.create_string_buffer(512)
        state = ctypes.CDLL(None, use_errno=True).adjtimex(timex)
    except (OSError, AttributeError):
        return False
    status = int.from_bytes(timex.raw[40:44], "little") if ctypes.sizeof(ctypes.c_long) == 8 else None
    return 0 <= state < _TIME_ERROR and (status is None or not status & _STA_UNSYNC)
