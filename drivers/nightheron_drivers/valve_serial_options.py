"""The keys of a valve on a serial port, checked."""

from __future__ import annotations

import re
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from nightheron_drivers.protocols import Broker
from nightheron_drivers.valve_words import order_pattern


class SerialValveOptions(BaseModel):
    """Text to write for each order; a newline is added. ``reply_pattern`` is the line that acknowledges."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    port: str = Field(
        min_length=1,
        max_length=4096,
        description="The serial port; by-id names stay the same when adapters change places.",
        examples=["/dev/serial/by-id/usb-made-up_relay_west-if00-port0"],
    )
    baud: int = Field(default=9600, ge=50, le=4_000_000, description="The rate of the port, in baud.")
    open_line: str = Field(
        default="OPEN",
        min_length=1,
        max_length=200,
        description="The line that opens; its end is added. {lease_s} in it becomes the lease in seconds, "
        "which arms the device's own timer.",
    )
    close_line: str = Field(
        default="CLOSE", min_length=1, max_length=200, description="The line that shuts; its end is added."
    )
    reply_pattern: str | None = Field(
        default=None,
        min_length=1,
        max_length=500,
        description="A regular expression for the line with which the device acknowledges an order. Left "
        "out: an order that was written counts as taken.",
        examples=["OK"],
    )

    @field_validator("open_line", "close_line")
    @classmethod
    def _one_line(cls, line: str) -> str:
        if "\n" in line or "\r" in line:
            raise ValueError("holds a line end; write one line, its end is added")
        if not line.strip():
            raise ValueError("is blank; write what the valve understands")
        return line

    @field_validator("reply_pattern")
    @classmethod
    def _compiles(cls, pattern: str | None) -> str | None:
        try:
            matches_nothing = pattern is not None and re.compile(pattern).fullmatch("") is not None
        except re.error as error:
            raise ValueError(f"is no regular expression: {error}") from None
        if matches_nothing:
            raise ValueError("matches an empty line, which acknowledges nothing")
        return pattern

    @model_validator(mode="after")
    def _differ(self) -> Self:
        if "{lease_s}" in self.close_line:
            raise ValueError("close_line takes no {lease_s}; closing has no end")
        if order_pattern(self.open_line).fullmatch(self.close_line.strip()):
            raise ValueError("open_line and close_line are the same text; they must differ")
        return self


class SerialValve:
    """The driver named ``serial``."""

    Options: type[BaseModel] = SerialValveOptions
    holder = "nightheron_drivers.valve_serial:hold"

    @staticmethod
    def bus(options: SerialValveOptions, broker: Broker | None) -> str:
        """All valves of one port share a keeper."""
        del broker
        return f"serial:{options.port}"
