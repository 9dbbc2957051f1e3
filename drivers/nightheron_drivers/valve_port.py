"""A serial port with valves on it, inside somebody else's selector loop: no call waits.

An order that was not written when a newer one for the same valve came is never written, and CLOSE
goes before OPEN. Whatever waited when the port was lost is forgotten.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import termios
from collections import deque
from typing import Protocol

import serial
from nightheron.model import NS, Gas

LINE_MOST = 256
LEAST_WAIT_S, MOST_WAIT_S = 0.2, 2.0
TROUBLE = (OSError, termios.error, serial.SerialException, ValueError, TypeError)
"""All that a vanished port has been seen to raise."""


class PortUser(Protocol):
    """What the port knows of a valve."""

    reply: re.Pattern[str] | None
    """The line that acknowledges; None when a written order counts as acknowledged."""
    now_ns: int

    def line(self, gas: Gas) -> bytes:
        """The order as it goes over the wire."""
        ...

    def plugged(self, now_ns: int) -> None:
        """The port was opened."""
        ...

    def unplugged(self, why: str) -> None:
        """The port is gone."""
        ...

    def acked(self, gas: Gas) -> None:
        """The oldest order is with the device."""
        ...


def _hung_up(fd: int) -> bool:
    poll = select.poll()
    poll.register(fd, 0)
    return any(event & (select.POLLHUP | select.POLLERR | select.POLLNVAL) for _, event in poll.poll(0))


class SerialPort:
    """One port and the valves on it: what waits to be written, and whose reply is awaited."""

    def __init__(self, path: str, baud: int) -> None:
        self.path, self.baud = path, baud
        self.valves: list[PortUser] = []
        self._serial: serial.Serial | None = None
        self.retry_ns = 0
        self._wait_s = LEAST_WAIT_S
        self._half = b""
        self._endless = False
        self._writing = b""
        self._writer: tuple[PortUser, Gas] | None = None
        self._wants: dict[PortUser, Gas] = {}
        self._awaited: deque[tuple[PortUser, Gas]] = deque()

    def fileno(self) -> int | None:
        return self._serial.fileno() if self._serial is not None else None

    def wants_write(self) -> bool:
        return bool(self._writing or self._wants)

    def put(self, valve: PortUser, gas: Gas) -> bool:
        """Write this order as soon as the port takes it; a newer order of a valve replaces its older one."""
        if self._serial is None:
            return False
        self._wants[valve] = gas
        try:
            self._write()
        except TROUBLE as error:
            self.lose(str(error), valve.now_ns)
            return False
        return True

    def unwritten(self, valve: PortUser) -> bool:
        """True while the valve's last order has not begun to go out."""
        return valve in self._wants

    def step(self, now_ns: int) -> None:
        """Open, read and write, without waiting."""
        try:
            if self._serial is None:
                if now_ns >= self.retry_ns:
                    self._plug(now_ns)
                return
            self._read()
            self._write()
        except TROUBLE as error:
            self.lose(str(error), now_ns)

    def _plug(self, now_ns: int) -> None:
        self._serial = serial.Serial(self.path, self.baud, timeout=0, write_timeout=0, exclusive=True)
        self._serial.reset_input_buffer()
        self._wait_s = LEAST_WAIT_S
        for valve in self.valves:
            valve.plugged(now_ns)
        self._write()

    def lose(self, why: str, now_ns: int) -> None:
        """Let go of the port; nothing that was not written is ever written later."""
        if self._serial is not None:
            try:
                # Also keeps close() from waiting for a device that takes nothing.
                termios.tcflush(self._serial.fileno(), termios.TCIOFLUSH)
                self._serial.close()
            except TROUBLE:
                pass
        self._serial = None
        self._wants.clear()
        self._awaited.clear()
        self._half = self._writing = b""
        self._writer = None
        self.retry_ns = now_ns + int(self._wait_s * NS)
        self._wait_s = min(MOST_WAIT_S, self._wait_s * 2)
        for valve in self.valves:
            valve.unplugged(why)

    def leave(self, valve: PortUser) -> None:
        """The valve needs the port no more; the last one closes it."""
        self.valves.remove(valve)
        if not self.valves and self._serial is not None:
            with contextlib.suppress(*TROUBLE):
                self._serial.close()
            self._serial = None

    def _write(self) -> None:
        while self._serial is not None and (self._writing or self._wants):
            if not self._writing:
                closing = (valve for valve, gas in self._wants.items() if gas is Gas.CLOSED)
                valve = next(closing, next(iter(self._wants)))
                self._writer = valve, self._wants.pop(valve)
                self._writing = valve.line(self._writer[1])
            try:
                self._writing = self._writing[os.write(self._serial.fileno(), self._writing) :]
            except BlockingIOError:
                return
            if not self._writing and self._writer is not None:
                valve, gas = self._writer
                if valve.reply is None:
                    valve.acked(gas)
                else:
                    self._awaited.append((valve, gas))

    def _read(self) -> None:
        if self._serial is None:
            return
        try:
            data = os.read(self._serial.fileno(), 4096)
        except BlockingIOError:
            return
        # pyserial sets VMIN 0, so an empty read is nothing to read, or a port that hung up.
        if not data and _hung_up(self._serial.fileno()):
            raise OSError("the port hung up")
        *lines, self._half = (self._half + data).split(b"\n")
        for line in lines:
            if not self._endless and len(line) <= LINE_MOST:
                self._replied(line.decode("ascii", "backslashreplace").strip())
            self._endless = False
        if len(self._half) > LINE_MOST:
            self._half, self._endless = b"", True

    def _replied(self, line: str) -> None:
        for waiting in self._awaited:
            valve, gas = waiting
            if valve.reply is not None and valve.reply.fullmatch(line):
                self._awaited.remove(waiting)
                valve.acked(gas)
                return
