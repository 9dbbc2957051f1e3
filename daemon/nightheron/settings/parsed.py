"""What was read so far, table by table; None where a table was refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from pydantic import BaseModel

from nightheron.model import Signal
from nightheron.settings.senses import SenseTable
from nightheron.settings.tables import (
    ButtonTable,
    ChamberTable,
    ProbeTable,
    SenseProbeTable,
    TankTable,
    ValveTable,
)

Common = TypeVar("Common", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Device(Generic[Common]):
    """A probe's or valve's table: the keys all have, and the driver's own."""

    key: str
    name: str
    driver: Any
    table: Common
    options: Any
    by_broker: bool


@dataclass(frozen=True, slots=True)
class ParsedChamber:
    """One [[chamber]]; ``key`` is ``chamber.<name>``, or ``chamber[<n>]`` while it has no usable name."""

    key: str
    table: ChamberTable | None
    probes: list[Device[ProbeTable]] | None
    valves: list[Device[ValveTable]] | None
    senses: list[ParsedSense]
    buttons: tuple[Device[ButtonTable], ...] = ()


@dataclass(frozen=True, slots=True)
class ParsedSense:
    """One [chamber.<signal>] with its probe."""

    key: str
    signal: Signal
    table: SenseTable | None
    probe: Device[SenseProbeTable] | None


@dataclass(frozen=True, slots=True)
class ParsedTank:
    """One [[tank]]."""

    key: str
    table: TankTable | None
    probe: Device[ProbeTable] | None


def stale_s(table: ProbeTable | SenseProbeTable) -> float:
    """The age at which a reading no longer counts: as written, else five seconds or three intervals."""
    return table.stale_s if table.stale_s is not None else max(5.0, 3.0 * table.period_s)
