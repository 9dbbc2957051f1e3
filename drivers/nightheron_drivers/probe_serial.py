"""Probes that send lines on a serial port, read by a regular expression.

Maturity: tried on pseudo-terminals, not yet on hardware. Survives unplugging and re-plugging: the
port is opened anew by its path, at most 2 s after the last try. What waited from before the port was
opened is flushed, and the first line, which may be a half one, is refused as ``partial``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Annotated

import serial
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema

from nightheron_drivers.linesource import LineReader, LineSource, Link
from nightheron_drivers.numbers import Number, decimal
from nightheron_drivers.pattern import pattern_fault
from nightheron_drivers.protocols import Broker, Found, Search

BAUDS = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)


def _good_pattern(pattern: str) -> str:
    fault = pattern_fault(pattern)
    if fault is not None:
        raise ValueError(fault)
    return pattern


def _good_baud(baud: int) -> int:
    if baud not in BAUDS:
        nearest = min(BAUDS, key=lambda known: abs(known - baud))
        raise ValueError(f"{baud} is no usual rate; the nearest is {nearest}")
    return baud


class SerialOptions(BaseModel):
    """``pattern`` must match the whole line, outer blanks aside; its group ``value`` is the number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)

    port: str = Field(
        min_length=1,
        max_length=255,
        pattern=r"^[^\x00\r\n]+$",
        description="The serial port; by-id names stay the same when adapters change places.",
        examples=["/dev/serial/by-id/usb-made-up_probe_west-if00-port0"],
    )
    baud: Annotated[
        int, AfterValidator(_good_baud), WithJsonSchema({"type": "integer", "enum": list(BAUDS)})
    ] = Field(default=9600, description="The rate of the port, in baud.")
    pattern: Annotated[str, AfterValidator(_good_pattern)] = Field(
        min_length=1,
        max_length=500,
        description="A regular expression that must match the whole line, outer blanks aside; its group "
        "value is the number.",
        examples=[r"(?P<value>-?\d+\.\d+)"],
    )


class SerialLink:
    """An open serial port, ours alone as far as others ask for that too."""

    def __init__(self, port: str, baud: int) -> None:
        self._port = serial.Serial(port, baud, timeout=0, write_timeout=1.0, exclusive=True)
        try:
            self._port.reset_input_buffer()
        except BaseException:
            self._port.close()
            raise

    def read(self, wait_s: float) -> bytes:
        """Wait for one byte, then take what is there with it."""
        self._port.timeout = wait_s
        first: bytes = self._port.read(1)
        waiting = self._port.in_waiting if first else 0
        return first + self._port.read(waiting) if waiting else first

    def close(self) -> None:
        """Give the port up."""
        self._port.close()


class SerialProbe:
    """The ``serial`` probe driver."""

    Options: type[BaseModel] = SerialOptions

    @staticmethod
    def sources(
        probes: Mapping[str, SerialOptions], stale_s: Mapping[str, float], broker: Broker | None, site: str
    ) -> Sequence[LineSource]:
        """One source per port; ValueError when two probes on one port want different rates."""
        ports: dict[str, dict[str, SerialOptions]] = {}
        for probe, options in probes.items():
            ports.setdefault(options.port, {})[probe] = options
        return [_source(port, on_it) for port, on_it in ports.items()]

    @staticmethod
    def find(search: Search) -> Sequence[Found]:
        """Listen on serial ports, at one rate after the other."""
        from nightheron_drivers.find_serial import find

        return find(search)


def _source(port: str, probes: Mapping[str, SerialOptions]) -> LineSource:
    bauds = {options.baud for options in probes.values()}
    if len(bauds) > 1:
        raise ValueError(f"{' and '.join(probes)} share {port} and want different baud rates")
    baud = bauds.pop()

    def open_link() -> Link:
        return SerialLink(port, baud)

    readers = {probe: line_reader(options.pattern) for probe, options in probes.items()}
    return LineSource(readers, open_link, mid_line=True)


def line_reader(pattern: str) -> LineReader:
    """A reader of stripped lines by a checked pattern; None when the pattern does not match."""
    match_whole = re.compile(pattern).fullmatch

    def read(line: str) -> Number | None:
        match = match_whole(line)
        if match is None:
            return None
        value = decimal(match["value"] or "")
        return Number(value, None if value is not None else "not_a_number")

    return read
