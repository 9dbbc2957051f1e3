"""The keys of a valve on an output pin, checked; and what a board says about its pins, for ``check``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from nightheron_drivers import gpio_board
from nightheron_drivers.protocols import Broker

LINE_MOST = 2047
NAME_MOST = 31
LINE_WORDS = f'must be a number from 0 to {LINE_MOST}, or the line\'s name in quotes such as "GPIO17"'


class GpioValveOptions(BaseModel):
    """One output line. ``active_low`` has no default: a wrong guess would open the valve at the start."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    chip: str = Field(
        min_length=1,
        max_length=255,
        pattern=r"^[^\x00\r\n]+$",
        description="The GPIO chip: its path such as /dev/gpiochip0, or its label, which stays the same when "
        "the kernel counts the chips anew.",
        examples=["/dev/gpiochip0"],
    )
    line: int | str = Field(
        union_mode="left_to_right",
        description="The line on that chip: its number counted from 0, or its name in quotes.",
        examples=[17],
        json_schema_extra={
            "anyOf": [
                {"type": "integer", "minimum": 0, "maximum": LINE_MOST},
                {"type": "string", "minLength": 1, "maxLength": NAME_MOST},
            ]
        },
    )
    active_low: bool = Field(
        description="true when the low level opens the valve, as on many relay boards; false when the high "
        "level does. Look it up and try it with the cylinder shut.",
        examples=[False],
    )
    bias: Literal["shut", "off"] = Field(
        default="shut",
        description='"shut": while the line is held, the chip\'s own resistor also pulls toward shut; "off": '
        "it is left alone. Neither stands in for the outside resistor, which works without the program.",
    )
    watchdog_s: float | None = Field(
        default=None,
        ge=1.0,
        le=600.0,
        allow_inf_nan=False,
        description="After how long the hardware watchdog resets a hung board, whose pin an outside resistor "
        "then pulls toward shut. Only once both were seen to work; without it a hung board is not bounded.",
        examples=[15.0],
    )

    @field_validator("line", mode="before")
    @classmethod
    def _number_or_name(cls, line: object) -> object:
        number = isinstance(line, int) and not isinstance(line, bool) and 0 <= line <= LINE_MOST
        name = isinstance(line, str) and 0 < len(line) <= NAME_MOST and line.isascii() and line.isprintable()
        if not number and not name:
            raise ValueError(LINE_WORDS)
        return line


class GpioValve:
    """The driver named ``gpio``."""

    Options: type[BaseModel] = GpioValveOptions
    holder = "nightheron_drivers.valve_gpio:hold"

    @staticmethod
    def bus(options: GpioValveOptions, broker: Broker | None) -> str:
        """All valves of one chip share a keeper."""
        del broker
        return f"gpio:{options.chip}"

    @staticmethod
    def refusals(options: GpioValveOptions) -> Iterator[tuple[str, str]]:
        """A board that keeps pins driven after their process has died may not hold a valve."""
        for module in gpio_board.keeps_outputs_driven(options.chip):
            yield (
                "chip",
                f"this kernel leaves an output driven when the process that held it dies ({module} has "
                "persist_gpio_outputs=Y): write dtparam=strict_gpiod into config.txt, or "
                f"{module}.persist_gpio_outputs=n on the kernel's command line, and start the board anew",
            )

    @staticmethod
    def cautions(options: GpioValveOptions) -> Iterator[tuple[str, str]]:
        """What a careful person would ask about this pin."""
        yield from _chip_cautions(options)
        yield (
            "line",
            "while the board starts, and wherever nobody drives the pin, only an outside resistor that pulls "
            "toward shut keeps the valve shut; measure the pin during a restart, cylinder shut",
        )
        yield from _watchdog_cautions(options.watchdog_s)


def _chip_cautions(options: GpioValveOptions) -> Iterator[tuple[str, str]]:
    found = gpio_board.find(options.chip, options.line)
    if found.fault:
        yield "chip", f"{found.fault}; until it can be used, the valve is lost"
    elif found.behind:
        yield (
            "chip",
            f"the chip sits behind {found.behind}, where an order can wait for the bus; use a pin of the "
            "processor itself",
        )
    if not found.fault and gpio_board.lets_go(options.chip) is None:
        yield (
            "chip",
            "nothing says whether this chip lets go of a pin whose process has died; many drive it on until "
            "the service is back or its closer ran. Cylinder shut, kill -9 all of it and measure the pin",
        )


def _watchdog_cautions(watchdog_s: float | None) -> Iterator[tuple[str, str]]:
    running = gpio_board.watchdog_timeout_s()
    if watchdog_s is None:
        yield (
            "watchdog_s",
            "not given: a board that hangs keeps its pin driven, and nothing is known to end that; set up "
            "RuntimeWatchdogSec in systemd, see it reset the board, then write its time here",
        )
    elif running is None:
        yield "watchdog_s", "no hardware watchdog is seen running on this board; nothing would reset it"
    elif running > watchdog_s:
        yield "watchdog_s", f"the running hardware watchdog waits {running:g} s, longer than this"
