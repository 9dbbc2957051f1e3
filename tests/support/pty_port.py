"""A serial device made of a pseudo-terminal behind a stable name, which a test can unplug."""

from __future__ import annotations

import os
import pty
import select
import termios
import threading
import time
import tty
from pathlib import Path

import serial


class PtyPort:
    """The device's side of a serial line. ``path`` is a symlink, as under /dev/serial/by-id."""

    def __init__(self, directory: Path, name: str = "probe") -> None:
        self.path = directory / name
        self._device: int | None = None
        self._line: int | None = None
        self._received = b""
        self._hand = threading.Lock()
        """One hand at the plug: tests pull it from the program's own threads too."""
        self.plug()

    def __enter__(self) -> PtyPort:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def plug(self) -> None:
        """A new device appears under the same name."""
        with self._hand:
            self._plug()

    def _plug(self) -> None:
        if self._device is not None:
            raise RuntimeError("already plugged in; unplug() first")
        self._device, self._line = pty.openpty()
        tty.setraw(self._line)
        os.set_blocking(self._device, False)
        self._received = b""
        new = self.path.with_name(self.path.name + ".new")
        new.symlink_to(os.ttyname(self._line))
        new.replace(self.path)

    def unplug(self) -> None:
        """The device goes away: whoever has it open gets an error, and the name is gone."""
        with self._hand:
            self.path.unlink(missing_ok=True)
            for end in (self._device, self._line):
                if end is not None:
                    os.close(end)
            self._device = self._line = None

    def write(self, data: bytes, within_s: float = 20.0) -> None:
        """The device sends; waits while the line's buffer is full."""
        end = time.monotonic() + within_s
        while data:
            _, writable, _ = select.select([], [self._fd], [], max(0.0, end - time.monotonic()))
            if not writable:
                raise TimeoutError(f"nobody reads {self.path}: {len(data)} bytes left")
            try:
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:
                time.sleep(0.001)

    def read(self, within_s: float = 0.0) -> bytes:
        """What the program sent to the device, as far as it came within this time."""
        readable, _, _ = select.select([self._fd], [], [], within_s)
        try:
            return os.read(self._fd, 65536) if readable else b""
        except (BlockingIOError, OSError):
            return b""

    def read_line(self, within_s: float = 20.0) -> str:
        """The next line the program sent, without its end."""
        end = time.monotonic() + within_s
        while b"\n" not in self._received:
            left = end - time.monotonic()
            if left <= 0:
                raise TimeoutError(f"no line on {self.path} within {within_s} s; got {self._received!r}")
            self._received += self.read(min(left, 0.1))
        line, _, self._received = self._received.partition(b"\n")
        return line.decode("ascii", "backslashreplace").rstrip("\r")

    def rate(self) -> int:
        """The rate the program has set, bits a second; a pseudo-terminal keeps it and does not care."""
        if self._line is None:
            raise RuntimeError("unplugged; plug() first")
        speed = termios.tcgetattr(self._line)[5]
        return next(rate for rate in serial.Serial.BAUDRATES if getattr(termios, f"B{rate}", None) == speed)

    @property
    def _fd(self) -> int:
        if self._device is None:
            raise RuntimeError("unplugged; plug() first")
        return self._device
