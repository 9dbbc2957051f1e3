"""What a process must be before it may hold a valve: deaf to the terminal, tied to its parent, in memory."""

from __future__ import annotations

import contextlib
import ctypes
import os
import resource
import signal
import socket
import sys
from collections.abc import Callable

SIGNAL_ON_PARENT_DEATH = 1
LOCK_PRESENT_FUTURE_ONFAULT = 1 | 2 | 4


def settle_in(guard: socket.socket) -> tuple[int, Callable[[], bool]]:
    """A descriptor readable after a signal, and whether to stop: on SIGTERM, or when the parent is gone."""
    stop: list[int] = []
    wake, woken = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    signal.set_wakeup_fd(woken, warn_on_full_buffer=False)
    # Ctrl-C and a closed terminal reach the whole group; the guard decides what they mean.
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda number, _frame: stop.append(number))
    signal.pthread_sigmask(signal.SIG_SETMASK, ())
    os.environ.pop("NOTIFY_SOCKET", None)
    _have_descriptors()
    with contextlib.suppress(OSError, AttributeError):
        # Both best effort: locking needs LimitMEMLOCK, and the lease closes even an orphan's valves.
        libc = ctypes.CDLL(None)
        libc.prctl(SIGNAL_ON_PARENT_DEATH, signal.SIGTERM, 0, 0, 0)
        libc.mlockall(LOCK_PRESENT_FUTURE_ONFAULT)
    creator = guard.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12)
    if int.from_bytes(creator[:4], sys.byteorder) != os.getppid():
        stop.append(0)
    return wake, lambda: bool(stop)


def _have_descriptors() -> None:
    """A valve takes one each; the usual soft limit would end at about a thousand."""
    with contextlib.suppress(OSError, ValueError):
        _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
