"""A played GPIO chip: it reads the driver's bytes by the places of linux/gpio.h and keeps its pins in files.

The files make a pin outlive the process that drove it, as on the boards where that is the danger, and let
a test look on while a real keeper holds the line: ``<board>/<offset>`` is the level, ``log`` every change.
A file ``stuck-<offset>`` holds the level a shorted pin reads, ``gone`` takes the chip away.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightheron_drivers.valve_gpio import GpioValve, hold as hold_with

from tests.support.gpio_header import RECORDED as AT

LABEL = "made-up-chip"
NAMES = ("", "GPIO1", "PUMP", "PUMP", *("",) * 13, "GPIO17")
OUTPUT, ACTIVE_LOW = AT["OUTPUT"], AT["ACTIVE_LOW"]


@dataclass
class Held:
    """A line somebody took: its offset, its flags, and the lock that dies with the process."""

    offset: int
    flags: int
    lock: int


class FakeKernel:
    """Opens one chip, ``/dev/gpiochip0``; refuses all that the real interface refuses."""

    def __init__(self, board: Path) -> None:
        self.board = board
        self.chips: set[int] = set()
        self.held: dict[int, Held] = {}

    def open(self, path: str) -> int:
        if path != "/dev/gpiochip0" or (self.board / "gone").exists():
            raise OSError(errno.ENOENT, os.strerror(errno.ENOENT))
        fd = os.eventfd(0, os.EFD_CLOEXEC)
        self.chips.add(fd)
        return fd

    def close(self, fd: int) -> None:
        self.chips.discard(fd)
        held = self.held.pop(fd, None)
        if held is not None:
            os.close(held.lock)
        os.close(fd)

    def ioctl(self, fd: int, call: int, data: bytearray) -> None:
        if (self.board / "gone").exists():
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        on_chip = {"GET_CHIP_INFO": self._chip, "GET_LINE_INFO": self._info, "GET_LINE": self._take}
        asked = next((name for name in on_chip if AT[name] == call), None)
        if fd in self.chips and asked is not None:
            on_chip[asked](data)
        elif fd in self.held and call in (AT["SET_VALUES"], AT["GET_VALUES"]):
            self._values(self.held[fd], call, data)
        else:
            raise OSError(errno.ENOTTY, os.strerror(errno.ENOTTY))

    def level(self, offset: int) -> int | None:
        """What a meter on the pin would show; None while nobody ever drove it."""
        for name in (f"stuck-{offset}", str(offset)):
            if (self.board / name).exists():
                return int((self.board / name).read_text() or 0)
        return None

    def changes(self) -> list[tuple[float, int, int]]:
        """Every write to a pin so far: when (monotonic), which line, which level."""
        log = self.board / "log"
        lines = log.read_text().splitlines() if log.exists() else []
        return [(float(at), int(offset), int(level)) for at, offset, level in map(str.split, lines)]

    def _chip(self, data: bytearray) -> None:
        _need(len(data) == AT["sizeof chip_info"])
        _text(data, AT["chip_info.label"], LABEL)
        struct.pack_into("=I", data, AT["chip_info.lines"], len(NAMES))

    def _info(self, data: bytearray) -> None:
        _need(len(data) == AT["sizeof line_info"])
        (offset,) = struct.unpack_from("=I", data, AT["line_info.offset"])
        _need(offset < len(NAMES))
        _text(data, AT["line_info.name"], NAMES[offset])
        user = self.board / f"user-{offset}"
        _text(data, AT["line_info.consumer"], user.read_text() if user.exists() else "")

    def _take(self, data: bytearray) -> None:
        _need(len(data) == AT["sizeof request"])
        offset, second = struct.unpack_from("=2I", data, AT["request.offsets"])
        lines, _ = struct.unpack_from("=2I", data, AT["request.num_lines"])
        flags, attributes = struct.unpack_from("=QI", data, AT["request.config.flags"])
        id_, padding, values, mask = struct.unpack_from("=IIQQ", data, AT["request.config.attrs"])
        _need((lines, second, attributes, padding) == (1, 0, 1, 0))
        _need((id_, mask) == (AT["VALUES_ATTRIBUTE"], 1))
        _need(bool(flags & OUTPUT) and offset < len(NAMES))
        rest = AT["request.config.attrs"] + AT["sizeof config_attribute"]
        _need(not any(data[rest : AT["request.num_lines"]]) and not any(data[AT["request.fd"] - 20 :]))
        lock = os.open(self.board / f"lock-{offset}", os.O_CREAT | os.O_RDWR | os.O_CLOEXEC)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(lock)
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY)) from None
        name = data[AT["request.consumer"] : AT["request.consumer"] + AT["NAME_BYTES"]]
        (self.board / f"user-{offset}").write_bytes(name.rstrip(b"\0"))
        fd = os.eventfd(0, os.EFD_CLOEXEC)
        self.held[fd] = Held(offset, flags, lock)
        self._drive(self.held[fd], values & 1)
        struct.pack_into("=i", data, AT["request.fd"], fd)

    def _values(self, held: Held, call: int, data: bytearray) -> None:
        _need(len(data) == AT["sizeof values"])
        bits, mask = struct.unpack("=QQ", data)
        _need(mask == 1)
        if call == AT["SET_VALUES"]:
            self._drive(held, bits & 1)
        else:
            level = self.level(held.offset) or 0
            struct.pack_into("=Q", data, AT["values.bits"], level ^ bool(held.flags & ACTIVE_LOW))

    def _drive(self, held: Held, active: int) -> None:
        level = active ^ bool(held.flags & ACTIVE_LOW)
        pin = os.open(self.board / str(held.offset), os.O_CREAT | os.O_WRONLY | os.O_CLOEXEC)
        os.pwrite(pin, str(int(level)).encode(), 0)
        os.close(pin)
        log = os.open(self.board / "log", os.O_CREAT | os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC)
        os.write(log, f"{time.monotonic()} {held.offset} {int(level)}\n".encode())
        os.close(log)


def hold(
    plans: Sequence[Mapping[str, Any]], broker: Mapping[str, Any] | None, own: str
) -> Sequence[GpioValve]:
    """The shipped holder on the played chip, whose files are where the plan's ``board`` says."""
    return hold_with(plans, broker, own, FakeKernel(Path(plans[0]["board"])))


def _need(true: bool) -> None:
    if not true:
        raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))


def _text(data: bytearray, at: int, text: str) -> None:
    data[at : at + AT["NAME_BYTES"]] = text.encode().ljust(AT["NAME_BYTES"], b"\0")
