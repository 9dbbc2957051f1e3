"""What a board says about its pins and its watchdog, read for ``check`` and at the start, never in a keeper.

Under /sys: ``module/*/parameters/persist_gpio_outputs``, ``bus/gpio/devices`` and ``class/watchdog``
(Documentation/ABI/testing/sysfs-class-watchdog). With the first at Y, the default of Raspberry Pi kernels, a
pin stays driven when its holder dies; at N, mainline's default, it becomes an input (raspberrypi/linux pull
requests 6117 and 6150, and seen on an emulated Raspberry Pi 3). Other chips have no such word: an emulated
PL061 was seen to stay driven.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from pathlib import Path

from nightheron_drivers.gpio_abi import Kernel, LinuxKernel, find_line, open_chip

SYS = Path("/sys")
KEEPS = {"Y", "1"}
BEHIND = (("/i2c-", "an I2C bus"), ("/spi", "an SPI bus"), ("/usb", "USB"))


@dataclass(frozen=True, slots=True)
class Found:
    """A line that was looked for: why it cannot be used, or behind which slow bus its chip sits."""

    fault: str = ""
    behind: str = ""


def find(chip: str, line: int | str, kernel: Kernel | None = None) -> Found:
    """Look for the line without taking it."""
    kernel = kernel or LinuxKernel()
    try:
        fd = open_chip(kernel, chip)
        try:
            find_line(kernel, fd, line)
        finally:
            kernel.close(fd)
    except OSError as error:
        if error.errno in (errno.ENOTTY, errno.EINVAL):
            return Found(f"{chip} is no GPIO chip that this program can speak to")
        return Found(f"{chip}: {error.strerror or error}")
    place = str(device(chip, kernel))
    return Found(behind=next((words for mark, words in BEHIND if mark in place), ""))


def device(chip: str, kernel: Kernel | None = None) -> Path | None:
    """The chip's place among the devices, or None when it cannot be told."""
    path = chip
    if not chip.startswith("/"):
        kernel = kernel or LinuxKernel()
        try:
            fd = open_chip(kernel, chip)
        except OSError:
            return None
        try:
            path = str(Path(f"/proc/self/fd/{fd}").readlink())
        except OSError:
            return None
        finally:
            kernel.close(fd)
    place = SYS / "bus/gpio/devices" / Path(os.path.realpath(path)).name
    return place.resolve() if place.exists() else None


def lets_go(chip: str, kernel: Kernel | None = None) -> bool | None:
    """Whether an output of this chip is let go when its holder dies; None where nothing says so."""
    said = {_read(m / "parameters/persist_gpio_outputs") for m in _modules(chip, kernel)} - {""}
    return None if not said else not said & KEEPS


def keeps_outputs_driven(chip: str, kernel: Kernel | None = None) -> list[str]:
    """The kernel modules that leave an output of this chip driven when its holder dies.

    When the module behind the chip cannot be told, every one of this board counts.
    """
    modules = _modules(chip, kernel)
    return [m.name for m in modules if _read(m / "parameters/persist_gpio_outputs") in KEEPS]


def _modules(chip: str, kernel: Kernel | None) -> list[Path]:
    place = device(chip, kernel)
    known = [p / "driver" for p in (place, *place.parents)] if place is not None else []
    driver = next((p for p in known if p.exists()), None)
    if driver is not None:
        by_name = SYS / "module" / driver.resolve().name.replace("-", "_")
        for module in (driver / "module", by_name):
            if module.exists():
                return [module.resolve()]
    return sorted(SYS.glob("module/pinctrl*"))


def watchdog_timeout_s() -> float | None:
    """The time of the hardware watchdog that is running, the shortest of several; None when none is seen."""
    times = [
        float(timeout)
        for watchdog in SYS.glob("class/watchdog/watchdog*")
        if _read(watchdog / "state") == "active" and (timeout := _read(watchdog / "timeout")).isdigit()
    ]
    return min(times, default=None)


def _read(path: Path) -> str:
    try:
        return path.read_text("ascii", "replace").strip()
    except OSError:
        return ""
