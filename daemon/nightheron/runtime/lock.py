"""The one lock of a data directory: who has it may hold the valves of its configuration."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import TextIO

from nightheron.runtime.errors import CannotStart

LOCK = "lock"


def take_lock(data_dir: Path) -> TextIO:
    """Take it until the file is closed. Raises CannotStart when somebody has it."""
    try:
        data_dir.mkdir(mode=0o750, parents=True, exist_ok=True)
        lock = (data_dir / LOCK).open("a+")
        _leave_to_owner(lock, data_dir)
    except OSError as fault:
        raise CannotStart(
            f"{data_dir} cannot be used ({fault.strerror}); make it writable for this user."
        ) from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.seek(0)
        holder = lock.read(20).strip()
        lock.close()
        raise CannotStart(
            f"Another service already guards {data_dir}"
            + (f" (pid {holder})" if holder else "")
            + "; nothing was moved."
        ) from None
    lock.seek(0)
    lock.truncate()
    lock.write(f"{os.getpid()}\n")
    lock.flush()
    return lock


def _leave_to_owner(lock: TextIO, data_dir: Path) -> None:
    """What root makes here must not keep the service's own user out later."""
    if os.geteuid() == 0:
        owner = data_dir.stat()
        os.fchown(lock.fileno(), owner.st_uid, owner.st_gid)
