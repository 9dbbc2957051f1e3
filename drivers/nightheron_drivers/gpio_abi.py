"""The kernel's interface to GPIO lines, version 2, as bytes: five calls and the structures they carry.

Source: linux/gpio.h (Linux 5.10 and newer). Every structure there is padded to 64 bits by hand, so one
layout serves 32 and 64 bit boards; the call numbers are those of ARM, x86 and RISC-V. Spoken directly:
the keeper needs no further library, and the package of that purpose is another one on some boards.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

NAME_BYTES, LINES_MOST, ATTRIBUTES_MOST = 32, 64, 10
ACTIVE_LOW, OUTPUT, PULL_UP, PULL_DOWN = 1 << 1, 1 << 3, 1 << 8, 1 << 9
VALUES_ATTRIBUTE = 2

CHIP_INFO = struct.Struct("=32s32sI")
LINE_INFO = struct.Struct("=32s32sIIQ160s16s")
REQUEST = struct.Struct("=256s32sQI20s" + "IIQQ" + "216s" + "II20si")
VALUES = struct.Struct("=QQ")

CHIPS = Path("/dev")


def _call(number: int, size: int, direction: int = 3) -> int:
    return direction << 30 | size << 16 | 0xB4 << 8 | number


GET_CHIP_INFO = _call(0x01, CHIP_INFO.size, 2)
GET_LINE_INFO = _call(0x05, LINE_INFO.size)
GET_LINE = _call(0x07, REQUEST.size)
GET_VALUES = _call(0x0E, VALUES.size)
SET_VALUES = _call(0x0F, VALUES.size)


class Kernel(Protocol):
    """The three calls that reach the kernel; tests put their own in their place. All raise OSError."""

    def open(self, path: str) -> int: ...

    def ioctl(self, fd: int, call: int, data: bytearray) -> None:
        """Carry out ``call``; what the kernel answers is in ``data`` afterwards."""
        ...

    def close(self, fd: int) -> None: ...


class LinuxKernel:
    """The kernel we run on."""

    def open(self, path: str) -> int:
        return os.open(path, os.O_RDWR | os.O_CLOEXEC | os.O_NONBLOCK)

    def ioctl(self, fd: int, call: int, data: bytearray) -> None:
        fcntl.ioctl(fd, call, data, True)

    def close(self, fd: int) -> None:
        os.close(fd)


@dataclass(frozen=True, slots=True)
class LineInfo:
    """One line of a chip: its name on the board, and by whom it is used."""

    offset: int
    name: str
    consumer: str


def chip_info(kernel: Kernel, chip: int) -> tuple[str, int]:
    """The chip's label and how many lines it has."""
    data = bytearray(CHIP_INFO.size)
    kernel.ioctl(chip, GET_CHIP_INFO, data)
    _, label, lines = CHIP_INFO.unpack(data)
    return _text(label), lines


def line_info(kernel: Kernel, chip: int, offset: int) -> LineInfo:
    """What the kernel says of one line."""
    data = bytearray(LINE_INFO.pack(b"", b"", offset, 0, 0, b"", b""))
    kernel.ioctl(chip, GET_LINE_INFO, data)
    name, consumer, at, *_ = LINE_INFO.unpack(data)
    return LineInfo(at, _text(name), _text(consumer))


def request_output(kernel: Kernel, chip: int, offset: int, flags: int, consumer: str) -> int:
    """Take one line as an output that is inactive from the first moment; its own descriptor."""
    data = bytearray(
        REQUEST.pack(
            struct.pack("=I", offset),
            consumer.encode()[: NAME_BYTES - 1],
            flags | OUTPUT,
            1,
            b"",
            # The one attribute: value 0, inactive, for the first and only line of the request.
            *(VALUES_ATTRIBUTE, 0, 0, 1),
            b"",
            *(1, 0, b"", 0),
        )
    )
    kernel.ioctl(chip, GET_LINE, data)
    fd: int = REQUEST.unpack(data)[-1]
    if fd <= 0:
        raise OSError(errno.EIO, "the kernel gave no descriptor for the line")
    return fd


def set_active(kernel: Kernel, line: int, active: bool) -> None:
    """Drive the line active or inactive."""
    kernel.ioctl(line, SET_VALUES, bytearray(VALUES.pack(int(active), 1)))


def is_active(kernel: Kernel, line: int) -> bool:
    """What the line reads now: the pin's level on most chips, on some only what was last set."""
    data = bytearray(VALUES.pack(0, 1))
    kernel.ioctl(line, GET_VALUES, data)
    return bool(VALUES.unpack(data)[0] & 1)


def open_chip(kernel: Kernel, chip: str) -> int:
    """The chip at a path such as /dev/gpiochip0, or the one with this label. Raises OSError."""
    if chip.startswith("/"):
        return kernel.open(chip)
    for path in _paths():
        try:
            fd = kernel.open(path)
        except OSError:
            continue
        try:
            if chip_info(kernel, fd)[0] == chip:
                return fd
        except OSError:
            pass
        kernel.close(fd)
    raise OSError(errno.ENOENT, f"no GPIO chip we may open has the label {chip}")


def find_line(kernel: Kernel, chip: int, line: int | str) -> LineInfo:
    """The line with this number or name. Raises OSError when there is none, or several of the name."""
    _, count = chip_info(kernel, chip)
    if isinstance(line, int):
        if line >= count:
            raise OSError(errno.ENOENT, f"the chip has lines 0 to {count - 1}, not {line}")
        return line_info(kernel, chip, line)
    found = [info for offset in range(count) if (info := line_info(kernel, chip, offset)).name == line]
    if len(found) != 1:
        raise OSError(errno.ENOENT, f"the chip has {'several lines' if found else 'no line'} named {line}")
    return found[0]


def _paths() -> Iterator[str]:
    return (str(path) for path in sorted(CHIPS.glob("gpiochip*")))


def _text(field: bytes) -> str:
    return field.partition(b"\0")[0].decode("ascii", "replace")
