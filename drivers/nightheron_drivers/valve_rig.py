"""A valve of the simulated site, over its Unix socket. Keeper side: the standard library only.

The connection begins with ``valve <chamber>``; ``OPEN <lease_s>`` is answered ``open`` and ``CLOSE``
``closed``. CLOSE is the first order on every connection.
"""

from __future__ import annotations

import socket
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any

from nightheron.model import NS, Gas

from nightheron_drivers.protocols import RAW_MOST, Said

WAIT_S = 0.5
BYTES_MOST = 4096
ANSWERS = {b"open": Gas.OPEN, b"closed": Gas.CLOSED}


def hold(
    plans: Sequence[Mapping[str, Any]], broker: Mapping[str, Any] | None, own: str
) -> Sequence[RigValve]:
    """One valve per plan, each with its own connection."""
    del broker, own
    return [RigValve(plan) for plan in plans]


class RigValve:
    """One simulated valve. See ``nightheron_drivers.protocols.Valve``."""

    def __init__(self, plan: Mapping[str, Any]) -> None:
        self._path: str = plan["path"]
        self._chamber = str(plan["id"]).rsplit("/", 1)[0]
        lease_s = float(plan["lease_s"])
        self._open = f"OPEN {lease_s:g}\n".encode()
        self._patience_ns, self._repeat_ns = int(max(0.5, lease_s / 2) * NS), int(lease_s / 3 * NS)
        self._sock: socket.socket | None = None
        self._retry_ns = 0
        self._out = self._in = b""
        self._unacked: deque[tuple[Gas, int]] = deque()
        self._wanted = Gas.CLOSED
        self._up = False
        self._sent_ns = 0
        self._said: deque[Said] = deque(maxlen=64)

    def fileno(self) -> int | None:
        return self._sock.fileno() if self._sock is not None else None

    def wants_write(self) -> bool:
        return bool(self._out)

    def deadline(self) -> int | None:
        if self._said:
            return 0
        if self._sock is None:
            return self._retry_ns
        times = [self._unacked[0][1] + self._patience_ns] if self._unacked else []
        if self._wanted is Gas.OPEN and not self._unacked:
            times.append(self._sent_ns + self._repeat_ns)
        return min(times, default=None)

    def ready(self, now_ns: int) -> Sequence[Said]:
        try:
            self._step(now_ns)
        except OSError as error:
            self._lost(str(error), now_ns)
        said = tuple(self._said)
        self._said.clear()
        return said

    def order(self, gas: Gas, now_ns: int) -> bool:
        if gas is Gas.OPEN:
            if not self._up or any(sent is Gas.OPEN for sent, _ in self._unacked):
                return False
            if self._wanted is Gas.OPEN and now_ns < self._sent_ns + self._repeat_ns:
                return True
        self._wanted = gas
        try:
            return self._send(gas, now_ns)
        except OSError as error:
            self._lost(str(error), now_ns)
            return False

    def finish(self, now_ns: int) -> None:
        if self._sock is not None:
            self._sock.close()
            self._sock = None

    def _step(self, now_ns: int) -> None:
        if self._sock is None:
            if now_ns >= self._retry_ns:
                self._connect(now_ns)
            return
        self._read()
        self._write()
        if self._unacked and now_ns >= self._unacked[0][1] + self._patience_ns:
            raise TimeoutError("no acknowledgement")
        if self._wanted is Gas.OPEN and not self._unacked and now_ns >= self._sent_ns + self._repeat_ns:
            self._send(Gas.OPEN, now_ns)

    def _connect(self, now_ns: int) -> None:
        self._sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
        self._sock.setblocking(False)
        self._sock.connect(self._path)
        self._out = f"valve {self._chamber}\n".encode()
        self._send(Gas.CLOSED, now_ns)

    def _send(self, gas: Gas, now_ns: int) -> bool:
        if self._sock is None:
            return False
        if self._unacked and self._unacked[-1][0] is gas:
            return True
        self._unacked.append((gas, now_ns))
        self._sent_ns = now_ns
        self._out += self._open if gas is Gas.OPEN else b"CLOSE\n"
        self._write()
        return True

    def _write(self) -> None:
        if self._sock is None or not self._out:
            return
        try:
            self._out = self._out[self._sock.send(self._out) :]
        except BlockingIOError:
            if len(self._out) > BYTES_MOST:
                raise

    def _read(self) -> None:
        if self._sock is None:
            return
        try:
            data = self._sock.recv(BYTES_MOST)
        except BlockingIOError:
            return
        if not data:
            raise ConnectionResetError("the rig closed the connection")
        *lines, self._in = (self._in + data).split(b"\n")
        if len(self._in) > BYTES_MOST:
            raise ConnectionResetError("the rig sent a line without end")
        for line in lines:
            gas = ANSWERS.get(line.strip())
            if gas is None or not self._unacked or gas is not self._unacked.popleft()[0]:
                raise ConnectionResetError(f"the rig said {line[:RAW_MOST]!r}")
            self._told(gas)

    def _told(self, gas: Gas) -> None:
        if not self._up:
            self._up = True
            self._said.append(Said("link_up"))
        self._said.append(Said("acked", gas))

    def _lost(self, why: str, now_ns: int) -> None:
        self.finish(now_ns)
        self._out = self._in = b""
        self._unacked.clear()
        self._wanted, self._up = Gas.CLOSED, False
        self._retry_ns = now_ns + int(WAIT_S * NS)
        self._said.append(Said("link_down", None, why[:RAW_MOST]))
