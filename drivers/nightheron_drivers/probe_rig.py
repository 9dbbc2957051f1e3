"""Probes of the simulated site: lines over the rig's Unix socket.

Maturity: the rig is the hardware. A connection says ``probe <chamber>``, with the name of another signal
after it where pH is not meant, and hears one number a line.
"""

from __future__ import annotations

import select
import socket
from collections.abc import Mapping, Sequence

from pydantic import BaseModel, ConfigDict, Field

from nightheron_drivers.linesource import LineSource, Link
from nightheron_drivers.numbers import Number, decimal
from nightheron_drivers.protocols import Broker

CONNECT_MOST_S = 0.5


class RigOptions(BaseModel):
    """Where the rig listens, and which of its chambers this probe is in."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)

    path: str = Field(
        min_length=1,
        max_length=100,
        pattern=r"^[^\x00\r\n]+$",
        description="The socket of the simulated site.",
        examples=["/run/nightheron-rig.sock"],
    )
    chamber: str = Field(
        min_length=1,
        max_length=64,
        pattern=r"^[^\s/+#]+$",
        description="Which of its chambers the probe is in; or its tank, by name.",
        examples=["west"],
    )
    instrument: str = Field(
        default="ph",
        max_length=32,
        pattern=r"^[a-z0-9_]+$",
        description="What it measures there: ph, or flow, circulation, feed, outlet_pressure, "
        "vessel_pressure, temperature, room_co2, leak.",
    )


class RigLink:
    """A connection to the rig that has said which probe it is."""

    def __init__(self, path: str, chamber: str, instrument: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.settimeout(CONNECT_MOST_S)
            self._socket.connect(path)
            named = chamber if instrument == "ph" else f"{chamber} {instrument}"
            self._socket.sendall(f"probe {named}\n".encode())
        except BaseException:
            self._socket.close()
            raise

    def read(self, wait_s: float) -> bytes:
        """What the rig said; ConnectionError when it hung up."""
        readable, _, _ = select.select([self._socket], [], [], wait_s)
        if not readable:
            return b""
        data = self._socket.recv(4096)
        if not data:
            raise ConnectionError("the rig hung up")
        return data

    def close(self) -> None:
        """Hang up."""
        self._socket.close()


class RigProbe:
    """The ``rig`` probe driver."""

    Options: type[BaseModel] = RigOptions

    @staticmethod
    def sources(
        probes: Mapping[str, RigOptions], stale_s: Mapping[str, float], broker: Broker | None, site: str
    ) -> Sequence[LineSource]:
        """One source per probe: the rig has a connection for each."""
        return [_source(probe, options) for probe, options in probes.items()]


def _source(probe: str, options: RigOptions) -> LineSource:
    def open_link() -> Link:
        return RigLink(options.path, options.chamber, options.instrument)

    return LineSource({probe: _read}, open_link, mid_line=False)


def _read(line: str) -> Number:
    value = decimal(line)
    return Number(value, None if value is not None else "not_a_number")
