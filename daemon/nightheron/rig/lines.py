"""Serial lines of the simulated site: pseudo-terminals under lasting names, which a driver opens as ports."""

from __future__ import annotations

import os
import termios
import tty
from pathlib import Path

READ_MOST = 4096


class SerialLine:
    """One line; ``link`` is the name a driver opens. OSError when it cannot be made."""

    def __init__(self, link: Path) -> None:
        self._ours, self._theirs = os.openpty()
        try:
            # kept open here as well, so that the line lives on while no driver has it
            tty.setraw(self._theirs)
            os.set_blocking(self._ours, False)
            if link.is_symlink():
                link.unlink()
            link.symlink_to(os.ttyname(self._theirs))
        except OSError:
            self._shut()
            raise
        self._link = link
        self._rest = b""

    def fileno(self) -> int:
        """To wait for what the driver writes."""
        return self._ours

    def write(self, text: str) -> None:
        """One line; when nobody reads, what waits is lost, as on a wire."""
        line = text.encode("ascii", "replace") + b"\r\n"
        try:
            whole = os.write(self._ours, line) == len(line)
        except BlockingIOError:
            whole = False
        if not whole:
            termios.tcflush(self._theirs, termios.TCIFLUSH)

    def lines(self) -> list[str]:
        """Whole lines the driver wrote since the last call."""
        try:
            data = os.read(self._ours, READ_MOST)
        except OSError:  # nothing there, or the line is being changed at the other end
            return []
        *whole, self._rest = (self._rest + data).split(b"\n")
        self._rest = self._rest[-READ_MOST:]
        return [line.decode("ascii", "replace").strip() for line in whole]

    def close(self) -> None:
        """The name goes with the line."""
        self._link.unlink(missing_ok=True)
        self._shut()

    def _shut(self) -> None:
        os.close(self._ours)
        os.close(self._theirs)
