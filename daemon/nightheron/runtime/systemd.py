"""Word to systemd over the notify socket: ready, alive, stopping. Never blocks, never fails loudly."""

from __future__ import annotations

import os
import socket
from collections.abc import MutableMapping

from nightheron.model import NS


class Notifier:
    """Takes NOTIFY_SOCKET and WATCHDOG_USEC out of the environment, so that no child inherits them."""

    def __init__(self, environ: MutableMapping[str, str]) -> None:
        address = environ.pop("NOTIFY_SOCKET", "")
        usec = environ.pop("WATCHDOG_USEC", "")
        pid = environ.pop("WATCHDOG_PID", "")
        ours = not pid or pid == str(os.getpid())
        self._every_ns = int(usec) * 1000 // 3 if usec.isascii() and usec.isdigit() and ours else 0
        self._fed_ns = 0
        self._status = ""
        self._socket: socket.socket | None = None
        if address:
            self._connect("\0" + address[1:] if address.startswith("@") else address)

    def ready(self) -> None:
        """The loop runs."""
        self._send("READY=1")

    def stopping(self) -> None:
        """The service ends in good order."""
        self._send("STOPPING=1\nSTATUS=closing the gas")

    def status(self, text: str) -> None:
        """A short line for ``systemctl status``; sent when it changed."""
        if text != self._status:
            self._status = text
            self._send("STATUS=" + text.replace("\n", " ")[:200])

    def alive(self, now_ns: int) -> None:
        """Feed the watchdog; call only after a step whose every stage ran on time."""
        if self._every_ns and now_ns - self._fed_ns >= min(self._every_ns, 5 * NS):
            self._fed_ns = now_ns
            self._send("WATCHDOG=1")

    def _connect(self, address: str) -> None:
        try:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
            self._socket.connect(address)
        except OSError:
            self._socket = None

    def _send(self, text: str) -> None:
        if self._socket is None:
            return
        try:
            self._socket.send(text.encode())
        except OSError:
            return  # a full socket or no listener: the next one will do
