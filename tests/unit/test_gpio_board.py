"""What a board says about its pins and its watchdog: what is refused, and what `check` asks."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightheron.settings import BadConfiguration, budget, load
from nightheron.settings.cautions import cautions
from nightheron.settings.site import Site
from nightheron_drivers import gpio_abi, gpio_board
from nightheron_drivers.gpio_board import find, keeps_outputs_driven, lets_go, watchdog_timeout_s

from tests.support.configuration import changed, write
from tests.support.fake_gpio import LABEL, FakeKernel

CHIP = "/dev/gpiochip0"
SERIAL_VALVE = 'driver = "serial"\nport = "/dev/made-up-valve"\nopen_line = "OPEN"\nclose_line = "SHUT"'
GPIO_VALVE = f'driver = "gpio"\nchip = "{CHIP}"\nline = 17\nactive_low = true'


@pytest.fixture
def sys_tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An invented /sys: one chip of the processor, its module, and a second pin module that is not used."""
    sys = tmp_path / "sys"
    chip = sys / "devices/platform/soc/fe200000.gpio/gpiochip0"
    chip.mkdir(parents=True)
    for name in ("pinctrl_bcm2835", "pinctrl_rp1"):
        (sys / "module" / name / "parameters").mkdir(parents=True)
    driver = sys / "bus/platform/drivers/pinctrl-bcm2835"
    driver.mkdir(parents=True)
    (driver / "module").symlink_to(sys / "module/pinctrl_bcm2835")
    (chip.parent / "driver").symlink_to(driver)
    (sys / "bus/gpio/devices").mkdir(parents=True)
    (sys / "bus/gpio/devices/gpiochip0").symlink_to(chip)
    monkeypatch.setattr(gpio_board, "SYS", sys)
    return sys


def persist(sys: Path, module: str, value: str) -> None:
    """Set whether this module keeps outputs driven."""
    (sys / "module" / module / "parameters/persist_gpio_outputs").write_text(value + "\n")


def watchdog(sys: Path, number: int, state: str, timeout: str) -> None:
    """One more watchdog of the board."""
    place = sys / f"class/watchdog/watchdog{number}"
    place.mkdir(parents=True)
    (place / "state").write_text(state + "\n")
    (place / "timeout").write_text(timeout + "\n")


def site_with(directory: Path, valve: str = GPIO_VALVE) -> Site:
    """The sound configuration, west's valve on a pin."""
    return load(write(directory, changed((SERIAL_VALVE, valve))), {})


def asked(site: Site) -> dict[str, str]:
    """The cautions about west's valve, by key."""
    start = "chamber.west.valve."
    return {c.key.removeprefix(start): c.why for c in cautions(site) if c.key.startswith(start)}


def test_a_board_that_keeps_pins_driven_is_refused(sys_tree: Path, tmp_path: Path) -> None:
    """Where an output outlives its process no valve is held, and what to write into which file is said."""
    persist(sys_tree, "pinctrl_bcm2835", "Y")

    with pytest.raises(BadConfiguration) as refused:
        site_with(tmp_path)
    (fault,) = refused.value.faults
    assert fault.key == "chamber.west.valve.chip"
    assert "dtparam=strict_gpiod" in fault.why
    assert "pinctrl_bcm2835.persist_gpio_outputs=n" in fault.why


def test_only_the_module_behind_the_chip_counts(sys_tree: Path, tmp_path: Path) -> None:
    """Another pin module of the same kernel, which drives nothing here, refuses nothing."""
    persist(sys_tree, "pinctrl_bcm2835", "N")
    persist(sys_tree, "pinctrl_rp1", "Y")

    assert site_with(tmp_path).chambers[0].valves[0].bus == f"gpio:{CHIP}"
    assert keeps_outputs_driven(CHIP) == []


def test_in_doubt_every_module_counts(sys_tree: Path) -> None:
    """While nobody can tell which module drives the chip, one that keeps outputs driven is enough."""
    persist(sys_tree, "pinctrl_rp1", "Y")

    assert keeps_outputs_driven("/dev/gpiochip9") == ["pinctrl_rp1"]


def test_a_kernel_without_the_parameter_refuses_nothing_and_knows_nothing(sys_tree: Path) -> None:
    """Most boards have no such parameter: nobody knows then what a pin does whose holder died."""
    assert keeps_outputs_driven(CHIP) == []
    assert lets_go(CHIP) is None


@pytest.mark.parametrize(("value", "goes"), [("N", True), ("0", True), ("Y", False), ("1", False)])
def test_the_parameter_says_whether_a_pin_is_let_go(sys_tree: Path, value: str, goes: bool) -> None:
    """Where the kernel has the word for it, check need not ask."""
    persist(sys_tree, "pinctrl_bcm2835", value)

    assert lets_go(CHIP) is goes


def test_a_driver_that_does_not_name_its_module_is_known_by_its_own_name(sys_tree: Path) -> None:
    """A driver built into the kernel may not say its module; it is the one of the driver's name."""
    (sys_tree / "bus/platform/drivers/pinctrl-bcm2835/module").unlink()
    persist(sys_tree, "pinctrl_bcm2835", "N")
    persist(sys_tree, "pinctrl_rp1", "Y")

    assert keeps_outputs_driven(CHIP) == []
    assert lets_go(CHIP) is True


@pytest.mark.parametrize(("value", "asked_about"), [("N", False), (None, True)])
def test_a_chip_that_may_drive_on_is_asked_about(
    sys_tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, value: str | None, asked_about: bool
) -> None:
    """Unless the kernel says that a dead holder's pin is let go, check says how to find out."""
    monkeypatch.setattr(gpio_board, "LinuxKernel", lambda: FakeKernel(tmp_path))
    if value is not None:
        persist(sys_tree, "pinctrl_bcm2835", value)

    assert ("kill -9" in asked(site_with(tmp_path)).get("chip", "")) is asked_about


def test_a_pin_without_a_watchdog_is_not_bounded_when_the_board_hangs(sys_tree: Path, tmp_path: Path) -> None:
    """Without watchdog_s nothing bounds a hung board, and both the budget and the warnings say so."""
    site = site_with(tmp_path)
    row = {r.cause: r for r in budget(site) if r.chamber == "west"}["host_lost"]

    assert (row.seconds, row.water_s) == (None, None)
    assert row.by.startswith("NOT BOUNDED")
    assert "watchdog_s" in row.by
    assert "RuntimeWatchdogSec" in asked(site)["watchdog_s"]
    assert "outside resistor" in asked(site)["line"]
    assert "host_lost" in asked(site)["device_timer_s"]


def test_watchdog_and_resistor_bound_a_hung_board(sys_tree: Path, tmp_path: Path) -> None:
    """A watchdog of 15 s and travel of 2 s shut within 17 s, on trust until seen."""
    watchdog(sys_tree, 0, "active", "15")
    site = site_with(tmp_path, f"{GPIO_VALVE}\nwatchdog_s = 15")
    row = {r.cause: r for r in budget(site) if r.chamber == "west"}["host_lost"]

    assert row.seconds == 17
    assert "on trust until both are seen to work" in row.by
    assert "watchdog_s" not in asked(site)


@pytest.mark.parametrize(
    ("timer", "seconds", "by"),
    [(10, 12, "device's own timer"), (60, 17, "hardware watchdog"), (16, 17, "hardware watchdog")],
)
def test_the_sooner_of_timer_and_watchdog_counts(
    sys_tree: Path, tmp_path: Path, timer: int, seconds: int, by: str
) -> None:
    """A relay with its own timer may be sooner than the board's reset, or later."""
    site = site_with(tmp_path, f"{GPIO_VALVE}\nwatchdog_s = 15\ndevice_timer_s = {timer}")
    row = {r.cause: r for r in budget(site) if r.chamber == "west"}["host_lost"]

    assert (row.seconds, by in row.by) == (seconds, True)


@pytest.mark.parametrize(
    ("state", "timeout", "why"),
    [("inactive", "15", "no hardware watchdog is seen running"), ("active", "60", "waits 60 s, longer")],
)
def test_a_watchdog_that_is_not_as_written_is_asked_about(
    sys_tree: Path, tmp_path: Path, state: str, timeout: str, why: str
) -> None:
    """What is written of the watchdog is held against what the board says."""
    watchdog(sys_tree, 0, state, timeout)

    assert why in asked(site_with(tmp_path, f"{GPIO_VALVE}\nwatchdog_s = 15"))["watchdog_s"]


def test_of_several_watchdogs_the_soonest_that_runs_counts(sys_tree: Path) -> None:
    """One that is not running, or says no number, resets nothing."""
    assert watchdog_timeout_s() is None
    for number, (state, timeout) in enumerate([("active", "60"), ("active", "?"), ("inactive", "5")]):
        watchdog(sys_tree, number, state, timeout)
    assert watchdog_timeout_s() == 60
    watchdog(sys_tree, 7, "active", "15")
    assert watchdog_timeout_s() == 15


def test_a_chip_that_is_not_there_is_said(sys_tree: Path, tmp_path: Path) -> None:
    """A chip that cannot be opened is a warning in check, as a serial port is."""
    site = site_with(tmp_path, GPIO_VALVE.replace(CHIP, "/dev/gpiochip-none"))

    assert "/dev/gpiochip-none: No such file" in asked(site)["chip"]


def test_a_device_that_is_no_chip_is_said(tmp_path: Path) -> None:
    """A path to something else is named as what it is not."""
    file = tmp_path / "file"
    file.touch()

    assert find(str(file), 17).fault == f"{file} is no GPIO chip that this program can speak to"


@pytest.mark.parametrize(("place", "behind"), [("i2c-1/1-0020", "an I2C bus"), ("spi0.0", "an SPI bus")])
def test_a_chip_behind_a_slow_bus_is_asked_about(
    sys_tree: Path, tmp_path: Path, place: str, behind: str
) -> None:
    """A pin that hangs on another bus can make an order wait, and is found by its place."""
    chip = sys_tree / "devices/platform" / place / "gpiochip0"
    chip.mkdir(parents=True)
    link = sys_tree / "bus/gpio/devices/gpiochip0"
    link.unlink()
    link.symlink_to(chip)

    assert find(CHIP, 17, FakeKernel(tmp_path)).behind == behind


def test_looking_takes_no_line(sys_tree: Path, tmp_path: Path) -> None:
    """check finds a line by chip label and name, and leaves it to the keeper."""
    kernel = FakeKernel(tmp_path)

    assert find(CHIP, "GPIO17", kernel).fault == ""
    assert find(CHIP, 18, kernel).fault == f"{CHIP}: the chip has lines 0 to 17, not 18"
    assert (kernel.held, kernel.chips, kernel.changes()) == ({}, set(), [])


def test_a_chip_named_by_its_label_is_not_placed_by_guess(
    sys_tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A label whose device file cannot be told has no place, so every pin module counts."""
    monkeypatch.setattr(gpio_abi, "_paths", lambda: iter([CHIP]))
    kernel = FakeKernel(tmp_path)
    persist(sys_tree, "pinctrl_bcm2835", "Y")

    assert gpio_board.device(LABEL, kernel) is None
    assert keeps_outputs_driven(LABEL, kernel) == ["pinctrl_bcm2835"]
    assert not kernel.chips


def test_two_valves_on_one_line_are_an_error(sys_tree: Path, tmp_path: Path) -> None:
    """A line moves one valve."""
    mqtt_valve = 'driver = "mqtt"\norder_topic = "greenhouse/east/gas/order"'
    text = changed((SERIAL_VALVE, GPIO_VALVE), (mqtt_valve, GPIO_VALVE))

    with pytest.raises(BadConfiguration) as refused:
        load(write(tmp_path, text), {})
    assert [f.key for f in refused.value.faults] == ["chamber.east.valve.line"]
