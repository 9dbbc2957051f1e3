"""Valves that take a line of text on a serial port. Keeper side: the standard library and pyserial only.

Several valves may share a port. Whenever the port was opened, the first thing written is every
valve's close_line. The standing order is written again every third of a lease, CLOSE too: a line
lost to noise must not leave gas on.
Tried on pseudo-terminals; no adapter was at hand.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any

from nightheron.model import NS, Gas

from nightheron_drivers.protocols import RAW_MOST, Said
from nightheron_drivers.valve_port import SerialPort
from nightheron_drivers.valve_words import order_text

SAID_MOST = 64


def hold(
    plans: Sequence[Mapping[str, Any]], broker: Mapping[str, Any] | None, own: str
) -> Sequence[SerialValve]:
    """One valve per plan; those with the same port share it. A serial line has no broker and no mark."""
    del broker, own
    ports: dict[str, SerialPort] = {}
    for plan in plans:
        ports.setdefault(plan["port"], SerialPort(plan["port"], int(plan["baud"])))
    return [SerialValve(plan, ports[plan["port"]]) for plan in plans]


class SerialValve:
    """One valve on a port. See ``nightheron_drivers.protocols.Valve``."""

    def __init__(self, plan: Mapping[str, Any], port: SerialPort) -> None:
        self._port = port
        port.valves.append(self)
        lease_s = float(plan["lease_s"])
        self._lines: dict[Gas, bytes] = {
            gas: order_text(plan[key], lease_s).encode() + b"\n" for gas, key in _KEYS.items()
        }
        pattern = plan.get("reply_pattern")
        self.reply: re.Pattern[str] | None = re.compile(pattern) if pattern else None
        self._patience_ns = int(max(0.5, lease_s / 2) * NS)
        self._repeat_ns = int(lease_s / 3 * NS)
        self._said: deque[Said] = deque(maxlen=SAID_MOST)
        self.now_ns = 0
        self._wanted = Gas.CLOSED
        self._up = False
        self._sent_ns = 0
        self._unacked: deque[tuple[Gas, int]] = deque()

    def line(self, gas: Gas) -> bytes:
        """The order as it goes over the wire."""
        return self._lines[gas]

    def fileno(self) -> int | None:
        return self._port.fileno()

    def wants_write(self) -> bool:
        return self._port.wants_write()

    def deadline(self) -> int | None:
        if self._said:
            return 0
        if self.fileno() is None:
            return self._port.retry_ns
        return self._unacked[0][1] + self._patience_ns if self._unacked else self._sent_ns + self._repeat_ns

    def ready(self, now_ns: int) -> Sequence[Said]:
        self.now_ns = now_ns
        self._port.step(now_ns)
        if self._unacked and now_ns >= self._unacked[0][1] + self._patience_ns:
            self._port.lose("no acknowledgement" if self.reply else "the port takes nothing", now_ns)
        elif self.fileno() is not None and not self._unacked and now_ns >= self._sent_ns + self._repeat_ns:
            self._send(self._wanted)
        said = tuple(self._said)
        self._said.clear()
        return said

    def order(self, gas: Gas, now_ns: int) -> bool:
        self.now_ns = now_ns
        if gas is Gas.CLOSED:
            self._wanted = Gas.CLOSED
            return self._send(gas)
        if not self._up or any(sent is Gas.OPEN for sent, _ in self._unacked):
            return False
        if self._wanted is Gas.OPEN and now_ns < self._sent_ns + self._repeat_ns:
            return True
        self._wanted = Gas.OPEN
        return self._send(gas)

    def finish(self, now_ns: int) -> None:
        self._port.leave(self)

    def plugged(self, now_ns: int) -> None:
        """The port was opened: CLOSE comes first."""
        self.now_ns = now_ns
        self._wanted = Gas.CLOSED
        self._send(Gas.CLOSED)

    def unplugged(self, why: str) -> None:
        """The port is gone, and with it all that was under way."""
        self._wanted = Gas.CLOSED
        self._up = False
        self._unacked.clear()
        self._said.append(Said("link_down", None, why[:RAW_MOST]))

    def acked(self, gas: Gas) -> None:
        """The oldest order is with the device."""
        if self._unacked:
            self._unacked.popleft()
        if not self._up:
            self._up = True
            self._said.append(Said("link_up"))
        said = Said("acked", gas)
        if not self._said or self._said[-1] != said:
            self._said.append(said)

    def _send(self, gas: Gas) -> bool:
        if self.fileno() is None:
            return False
        since = self.now_ns
        if self._unacked and self._port.unwritten(self):
            # The newer order replaces it, but not its age: a port that takes nothing must be noticed.
            _, since = self._unacked.pop()
        elif self._unacked and self._unacked[-1][0] is gas:
            return True
        self._unacked.append((gas, since))
        self._sent_ns = self.now_ns
        return self._port.put(self, gas)


_KEYS = {Gas.OPEN: "open_line", Gas.CLOSED: "close_line"}
