"""The pin driver on a real kernel's GPIO chip, inside the machine that real_gpio.sh boots. Not for pytest.

Each line printed is a promise and what was seen; exit 1 when one did not hold. Standard library only.
"""

from __future__ import annotations

import contextlib
import os
import platform
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from nightheron.model import NS, Gas
from nightheron.runtime.clock import Clock
from nightheron.runtime.close_all import close_all
from nightheron.runtime.keeper_client import Keepers
from nightheron.runtime.keeper_plans import BusPlan
from nightheron_drivers import gpio_abi, gpio_board
from nightheron_drivers.gpio_abi import LinuxKernel, chip_info, line_info, open_chip
from nightheron_drivers.valve_gpio import GpioValve, hold

CHIP = sys.argv[1]
"""The label of the machine's own chip: its device file gets another number when the chip comes back."""
LINE, LEASE_S = int(sys.argv[2]), 2.0
KERNEL = LinuxKernel()
PLAN: dict[str, Any] = {"chip": CHIP, "line": LINE, "active_low": False, "bias": "shut", "watchdog_s": None}
PLAN |= {"id": "west/0", "site": "trial", "lease_s": LEASE_S, "travel_s": 2.0}
BUS = {"gpio": BusPlan("nightheron_drivers.valve_gpio:hold", (PLAN,))}
KEEPS = sys.argv[3]
"""What the kernel was started to do with a pin whose holder has died: keeps, lets-go, or unknown."""
failed: list[str] = []


def tell(promise: str, held: bool, seen: object = "") -> None:
    """One promise, and whether it held."""
    print(f"{'ok  ' if held else 'FAIL'} {promise}{f': {seen}' if seen != '' else ''}", flush=True)
    if not held:
        failed.append(promise)


def pin() -> tuple[str, str, str]:
    """Direction, level and user of the line, by asking for it as it is; no level while it is held."""
    chip = open_chip(KERNEL, CHIP)
    info = bytearray(gpio_abi.LINE_INFO.pack(b"", b"", LINE, 0, 0, b"", b""))
    KERNEL.ioctl(chip, gpio_abi.GET_LINE_INFO, info)
    direction = from_registers() or (
        "output, says the kernel" if gpio_abi.LINE_INFO.unpack(info)[4] & gpio_abi.OUTPUT else "input"
    )
    user = line_info(KERNEL, chip, LINE).consumer
    data = bytearray(
        gpio_abi.REQUEST.pack(
            struct.pack("=I", LINE), b"meter", 0, 0, b"", *(0, 0, 0, 0), b"", *(1, 0, b"", 0)
        )
    )
    level = ""
    with contextlib.suppress(OSError):
        KERNEL.ioctl(chip, gpio_abi.GET_LINE, data)
        fd = gpio_abi.REQUEST.unpack(data)[-1]
        level = "high" if gpio_abi.is_active(KERNEL, fd) else "low"
        KERNEL.close(fd)
    KERNEL.close(chip)
    return direction, level, user


def from_registers() -> str:
    """What the chip says, where its driver shows it; the kernel's own flag outlives a line's holder."""
    for file in Path("/sys/kernel/debug/pinctrl").glob("*/pins"):
        for line in file.read_text().splitlines():
            if line.startswith(f"pin {LINE} (gpio{LINE})"):
                return "output" if "gpio_out" in line else "input" if "gpio_in" in line else line
    return ""


def level_from_driver() -> str:
    """The level of the held line as the chip's own driver reads it."""
    for line in Path("/sys/kernel/debug/gpio").read_text().splitlines():
        if f"gpio-{base() + LINE} " in line or line.strip().startswith(f"gpio-{base() + LINE} "):
            return "high" if " out hi" in line else "low" if " out lo" in line else line.strip()
    return "not held"


def base() -> int:
    """The number debugfs gives the chip's first line."""
    head = Path("/sys/kernel/debug/gpio").read_text().split("GPIOs ")[1]
    return int(head.split("-")[0])


def heard(valve: GpioValve, now_ns: int) -> list[tuple[str, Gas | None]]:
    """What the valve says when it is served."""
    return [(said.what, said.gas) for said in valve.ready(now_ns)]


def wait(true: Callable[[], bool], within_s: float = 10.0) -> bool:
    """Whether it became true in time."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.01)
    return False


def the_driver() -> None:
    """The valve in this process."""
    chip = open_chip(KERNEL, CHIP)
    path = str(Path(f"/proc/self/fd/{chip}").readlink())
    label, lines = chip_info(KERNEL, chip)
    KERNEL.close(chip)
    tell("the chip answers", label == CHIP and lines > LINE, f"{label}, {lines} lines")
    tell("before anything the line is free", pin()[2] == "", pin())
    kinds = Path("/proc/devices").read_text().split()
    tell("the unit's DeviceAllow names this kind of device", "gpiochip" in kinds)
    tell("check finds line and chip", gpio_board.find(CHIP, LINE) == gpio_board.Found())
    tell("check finds the chip by its path", gpio_board.find(path, LINE) == gpio_board.Found())
    tell("check says what lines there are", "has lines 0 to" in gpio_board.find(CHIP, 2000).fault)
    tell("check names what is no chip", "no GPIO chip" in gpio_board.find("/dev/null", 0).fault)
    tell("the chip's device is found", gpio_board.device(CHIP) is not None, gpio_board.device(CHIP))
    kept = gpio_board.keeps_outputs_driven(CHIP)
    tell("check refuses where it is told that pins stay driven", bool(kept) == (KEEPS == "keeps"), kept)
    tell("its path leads to the same device", gpio_board.device(path) == gpio_board.device(CHIP))

    (valve,) = hold([PLAN], None, "own")
    tell("taking the line gives a link, shut", heard(valve, 0) == [("link_up", None), ("acked", Gas.CLOSED)])
    tell(
        "the kernel knows an output and its user",
        pin()[0].startswith("output") and pin()[2] == "nightheron west/0",
        pin(),
    )
    tell("the pin is low", level_from_driver() == "low", level_from_driver())
    (other,) = hold([PLAN | {"id": "east/0"}], None, "own")
    why = [said.text for said in other.ready(0)]
    tell("a second holder is refused and told by whom", "used by nightheron west/0" in why[0], why)
    began = time.monotonic_ns()
    tell("OPEN is sent", valve.order(Gas.OPEN, 1))
    took_us = (time.monotonic_ns() - began) / 1000
    tell("the pin is high", level_from_driver() == "high", f"{level_from_driver()}, {took_us:.0f} us")
    tell("OPEN is acknowledged from the pin", heard(valve, 2) == [("acked", Gas.OPEN)])
    valve.order(Gas.CLOSED, 3)
    tell("CLOSE drives it low", level_from_driver() == "low")
    tell("CLOSE is acknowledged", heard(valve, 4) == [("acked", Gas.CLOSED)])
    unbind(valve)
    valve.finish(5)
    tell("finishing lets go", pin()[2] == "", pin())
    (low,) = hold([PLAN | {"active_low": True}], None, "own")
    low.ready(0)
    tell("an active-low valve is shut at the high level", level_from_driver() == "high")
    low.order(Gas.OPEN, 1)
    tell("and open at the low one", level_from_driver() == "low")
    low.finish(2)


def unbind(valve: GpioValve) -> None:
    """Take the chip away from under the held line, and give it back."""
    device = gpio_board.device(CHIP)
    parents = [p for p in (device.parents if device else ()) if (p / "driver").exists()]
    if not parents or not (parents[0] / "driver/unbind").exists():
        print("note the kernel lets nobody unbind this chip's driver")
        return
    driver, name = parents[0] / "driver", parents[0].name
    driver = driver.resolve()
    (driver / "unbind").write_text(name)
    said = valve.ready(10)
    tell("an unbound chip is a lost valve at once", [s.what for s in said] == ["link_down"], said)
    (driver / "bind").write_text(name)
    tell("it comes back shut", wait(lambda: ("acked", Gas.CLOSED) in heard(valve, 60 * NS)))


def the_keeper() -> None:
    """The valve in real keepers, which are killed."""
    clock = Clock()
    keepers = Keepers(BUS, lambda host: host, "own", clock)
    news: list[Any] = []

    def turn(true: Callable[[], bool], renew: bool = False, within_s: float = 15.0) -> bool:
        def turned() -> bool:
            if renew:
                keepers.open_until("west/0", clock.now_ns() + int(LEASE_S * NS), clock.now_ns())
            news.extend(keepers.poll(clock.now_ns()))
            return true()

        return wait(turned, within_s)

    def said(what: str) -> int:
        return sum(1 for _, one in news if getattr(one, "what", "") == what)

    tell("a keeper takes the line", turn(lambda: said("link_up") == 1))
    tell("gas is open while it is renewed", turn(lambda: level_from_driver() == "high", renew=True))
    began = time.monotonic()
    tell(
        "unrenewed it is shut",
        turn(lambda: level_from_driver() == "low"),
        f"{time.monotonic() - began:.2f} s",
    )
    turn(lambda: level_from_driver() == "high", renew=True)
    pid = next(bus.keeper.pid for bus in keepers._buses.values() if bus.keeper is not None)
    os.kill(pid, signal.SIGSTOP)
    began = time.monotonic()
    tell(
        "a frozen keeper is replaced", turn(lambda: said("link_up") == 2), f"{time.monotonic() - began:.2f} s"
    )
    tell("and the pin is shut", level_from_driver() == "low")
    tell("the keepers end in good order", keepers.end(3.0) == [])


def orphan() -> None:
    """Hold the line open in a process that is killed, and look what the kernel leaves of the pin."""
    code = (
        "import sys,time\nfrom nightheron.model import Gas\nfrom nightheron_drivers.valve_gpio import hold\n"
        f"v = hold([{PLAN!r}], None, 'own')[0]\nv.ready(0)\nv.order(Gas.OPEN, 1)\n"
        "print('open', flush=True)\ntime.sleep(60)\n"
    )
    holder = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)  # noqa: S603 - our own words
    if holder.stdout is not None:
        holder.stdout.readline()
    tell("a process holds the pin open", level_from_driver() == "high")
    holder.kill()
    holder.wait()
    direction, level, _ = pin()
    told = f"after kill -9 of the only holder the line is an {direction} and reads {level}"
    if KEEPS == "unknown":
        print(f"note {told}")
    else:
        tell(told, direction == ("output" if KEEPS == "keeps" else "input"))
    buses = {bus: {"holder": p.holder, "plans": p.plans, "broker": None} for bus, p in BUS.items()}
    tell("the last closer shuts it", close_all(buses) == {})
    tell("and leaves it low", pin()[1] == "low", pin())


def main() -> int:
    """0 when everything held."""
    print(f"== {platform.machine()}, {struct.calcsize('P') * 8} bit, Linux {platform.release()}")
    for trial in (the_driver, the_keeper, orphan):
        trial()
    print(f"== {len(failed)} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
