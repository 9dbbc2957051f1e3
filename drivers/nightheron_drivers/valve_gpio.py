"""A valve switched by an output pin of the board. Keeper side: the standard library only.

Taking the line makes it an output that is inactive in the same call, so CLOSE is the first thing that
happens on every link; the level it had before is never kept. Each order is read back, and only what the
pin shows is acknowledged; the standing order is written and read again every third of a lease.

The kernel does not promise what a pin does once nobody holds it, and many chips drive it on: the next
keeper, or the closer, shuts it then. Where a chip lets go, a pull resistor toward shut decides; a hardware
watchdog must reset a board that hangs with the pin driven.
For lines of the processor itself: a pin behind an I2C or SPI chip can make a call wait.
Tried on emulated machines with Debian's kernels (PL061 on 64 and 32 bit ARM, the chip of a Raspberry Pi 3);
on no real board.
"""

from __future__ import annotations

import contextlib
import errno
import select
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any

from nightheron.model import NS, Gas

from nightheron_drivers.gpio_abi import (
    ACTIVE_LOW,
    PULL_DOWN,
    PULL_UP,
    Kernel,
    LinuxKernel,
    find_line,
    is_active,
    open_chip,
    request_output,
    set_active,
)
from nightheron_drivers.protocols import RAW_MOST, Said

LEAST_WAIT_S, MOST_WAIT_S = 0.1, 1.0
SAID_MOST = 64


def hold(
    plans: Sequence[Mapping[str, Any]],
    broker: Mapping[str, Any] | None,
    own: str,
    kernel: Kernel | None = None,
) -> Sequence[GpioValve]:
    """One valve per plan, each with a line of its own; none is taken before ``ready``."""
    del broker, own
    return [GpioValve(plan, kernel or LinuxKernel()) for plan in plans]


def flags_of(plan: Mapping[str, Any]) -> int:
    """The request flags beside OUTPUT: which level is active, and a pull toward the other."""
    low = bool(plan["active_low"])
    pull = (PULL_UP if low else PULL_DOWN) if plan.get("bias", "shut") == "shut" else 0
    return (ACTIVE_LOW if low else 0) | pull


class GpioValve:
    """One valve on one line. See ``nightheron_drivers.protocols.Valve``."""

    def __init__(self, plan: Mapping[str, Any], kernel: Kernel) -> None:
        self._kernel = kernel
        self._chip: str = plan["chip"]
        self._line: int | str = plan["line"]
        self._flags = flags_of(plan)
        self._consumer = f"nightheron {plan['id']}"
        self._repeat_ns = int(float(plan["lease_s"]) / 3 * NS)
        self._said: deque[Said] = deque(maxlen=SAID_MOST)
        self._fd: int | None = None
        self._retry_ns = self._sent_ns = 0
        self._wait_s = LEAST_WAIT_S
        self._wanted = Gas.CLOSED
        self._up = self._differs = False

    def fileno(self) -> int | None:
        return self._fd

    def wants_write(self) -> bool:
        return False

    def deadline(self) -> int | None:
        if self._said:
            return 0
        return self._retry_ns if self._fd is None else self._sent_ns + self._repeat_ns

    def ready(self, now_ns: int) -> Sequence[Said]:
        try:
            if self._fd is None:
                if now_ns >= self._retry_ns:
                    self._take(now_ns)
            elif _gone(self._fd):
                raise OSError(errno.ENODEV, "the GPIO chip is gone")
            elif now_ns >= self._sent_ns + self._repeat_ns:
                self._drive(now_ns)
        except OSError as error:
            self._lose(error, now_ns)
        said = tuple(self._said)
        self._said.clear()
        return said

    def order(self, gas: Gas, now_ns: int) -> bool:
        if gas is Gas.CLOSED:
            self._wanted = Gas.CLOSED
        if self._fd is None or (gas is Gas.OPEN and not self._up):
            return False
        self._wanted = gas
        try:
            self._drive(now_ns)
        except OSError as error:
            self._lose(error, now_ns)
            return False
        return True

    def finish(self, now_ns: int) -> None:
        """Inactive once more, then let go: what the pin does next is up to the pull resistor."""
        self._wanted = Gas.CLOSED
        if self._fd is not None:
            with contextlib.suppress(OSError):  # when the chip is gone, nobody can drive its pins any more
                set_active(self._kernel, self._fd, False)
            self._release()

    def _take(self, now_ns: int) -> None:
        self._wanted = Gas.CLOSED
        chip = open_chip(self._kernel, self._chip)
        try:
            line = find_line(self._kernel, chip, self._line)
            try:
                self._fd = request_output(self._kernel, chip, line.offset, self._flags, self._consumer)
            except OSError as error:
                if error.errno == errno.EBUSY:
                    why = f"line {self._line} is used by {line.consumer or 'the kernel'}"
                    raise OSError(errno.EBUSY, why) from error
                raise
        finally:
            self._kernel.close(chip)
        self._wait_s = LEAST_WAIT_S
        self._drive(now_ns)

    def _drive(self, now_ns: int) -> None:
        """Write the standing order, read the pin, and say which of the two it shows."""
        if self._fd is None:
            return
        self._sent_ns = now_ns
        set_active(self._kernel, self._fd, self._wanted is Gas.OPEN)
        seen = Gas.OPEN if is_active(self._kernel, self._fd) else Gas.CLOSED
        if seen is not self._wanted or self._differs:
            text = f"the pin reads {seen.value}, ordered {self._wanted.value}"
            self._say(Said("feedback", seen, text))
        self._differs = seen is not self._wanted
        if self._differs:
            return
        if not self._up:
            self._up = True
            self._say(Said("link_up"))
        self._say(Said("acked", seen))

    def _lose(self, error: OSError, now_ns: int) -> None:
        """Let go of the line; the next link begins with it inactive."""
        self._release()
        self._wanted = Gas.CLOSED
        self._retry_ns = now_ns + int(self._wait_s * NS)
        self._wait_s = min(MOST_WAIT_S, self._wait_s * 2)
        self._say(Said("link_down", None, f"{self._chip}: {error.strerror or error}"[:RAW_MOST]))

    def _release(self) -> None:
        if self._fd is not None:
            with contextlib.suppress(OSError):  # it is closed whatever close() answers
                self._kernel.close(self._fd)
        self._fd = None
        self._up = self._differs = False

    def _say(self, said: Said) -> None:
        if not self._said or self._said[-1] != said:
            self._said.append(said)


def _gone(fd: int) -> bool:
    poll = select.poll()
    poll.register(fd, 0)
    return bool(poll.poll(0))
