"""What a program wrote to a terminal."""

from __future__ import annotations

import os


def all_shown(fd: int) -> bytes:
    """Everything up to the end, when the other side is closed; one read may give a part. Closes ``fd``."""
    shown = b""
    try:
        while more := os.read(fd, 65536):
            shown += more
    except OSError:
        pass  # EIO is how a terminal says that nobody holds the other side
    finally:
        os.close(fd)
    return shown
