"""The tables of signals that are not pH: [chamber.flow] and its like, one model a signal.

A number stands for each signal; a switch says 1 for running or wet and 0 for not, or anything around
the given value. Defaults are common practice, no source, but room CO2: 5 000 ppm is the eight-hour
limit of 29 CFR 1910.1000 table Z-1.
"""

from __future__ import annotations

import math

from pydantic import Field, model_validator

from nightheron.guard.limits import SenseLimits
from nightheron.model import Signal
from nightheron.settings.tables import DAY_S, Table

CLEAR_SHARE = 0.1
"""Where no clearing limit is written: back by this share of the limit."""


class SenseTable(Table):
    """What every signal's table has beside its limits."""

    required: bool = Field(False, description="No gas without a good reading of this signal.")
    hold_s: float = Field(0.0, ge=0.0, le=DAY_S, description="Seconds it must be back before gas may flow.")

    def bounds(self) -> tuple[float | None, float | None, float | None, float | None]:
        """low, clear_low, high, clear_high; None where there is none."""
        return None, None, None, None


class _Switch(SenseTable):
    running_at: float = Field(
        0.5, ge=-1e5, le=1e5, description="At or above this it runs; below, it stands still."
    )

    def bounds(self) -> tuple[float | None, float | None, float | None, float | None]:
        return self.running_at, self.running_at, None, None


class CirculationTable(_Switch):
    """[chamber.circulation]: a trapped gas pocket dissolves within minutes of its return."""

    hold_s: float = Field(
        900.0,
        ge=0.0,
        le=DAY_S,
        description="Seconds it must run, back or first heard after a start, before gas may flow.",
    )


class FeedTable(_Switch):
    """[chamber.feed]"""

    hold_s: float = Field(60.0, ge=0.0, le=DAY_S, description="Seconds it must be back before gas may flow.")


class FlowTable(SenseTable):
    """[chamber.flow]: effluent in mL/min."""

    low_ml_min: float = Field(
        10.0, ge=0.1, le=10_000.0, description="Gas is shut below this flow of effluent."
    )
    clear_ml_min: float | None = Field(
        None, ge=0.1, le=11_000.0, description="Back at this flow; a tenth above low_ml_min.", examples=[12.0]
    )
    hold_s: float = Field(60.0, ge=0.0, le=DAY_S, description="Seconds it must be back before gas may flow.")

    def bounds(self) -> tuple[float | None, float | None, float | None, float | None]:
        low = self.low_ml_min
        return low, self.clear_ml_min or low * (1 + CLEAR_SHARE), None, None

    @model_validator(mode="after")
    def _clear(self) -> FlowTable:
        if self.clear_ml_min is not None and self.clear_ml_min < self.low_ml_min:
            raise ValueError("clear_ml_min must not be below low_ml_min")
        return self


class TemperatureTable(SenseTable):
    """[chamber.temperature]"""

    low_c: float = Field(18.0, ge=0.0, le=40.0, description="Gas is shut below this temperature.")
    high_c: float = Field(30.0, ge=5.0, le=50.0, description="Gas is shut above this temperature.")
    margin_c: float = Field(0.5, ge=0.0, le=2.0, description="Back inside by so much before gas may flow.")

    def bounds(self) -> tuple[float | None, float | None, float | None, float | None]:
        return self.low_c, self.low_c + self.margin_c, self.high_c, self.high_c - self.margin_c

    @model_validator(mode="after")
    def _order(self) -> TemperatureTable:
        if not self.low_c + 2 * self.margin_c < self.high_c:
            raise ValueError("high_c must be above low_c by more than twice margin_c")
        return self


class _Pressure(SenseTable):
    high_kpa: float = Field(60.0, ge=1.0, le=1000.0, description="Gas is shut above this gauge pressure.")

    def bounds(self) -> tuple[float | None, float | None, float | None, float | None]:
        return None, None, self.high_kpa, self.high_kpa * (1 - CLEAR_SHARE)


class OutletPressureTable(_Pressure):
    """[chamber.outlet_pressure]: gauge pressure after the regulator."""


class VesselPressureTable(_Pressure):
    """[chamber.vessel_pressure]: gauge pressure in the chamber."""

    high_kpa: float = Field(30.0, ge=1.0, le=1000.0, description="Gas is shut above this gauge pressure.")


class LeakTable(SenseTable):
    """[chamber.leak]"""

    wet_at: float = Field(0.5, ge=-1e5, le=1e5, description="At or above this it is wet.")

    def bounds(self) -> tuple[float | None, float | None, float | None, float | None]:
        dry = math.nextafter(self.wet_at, -math.inf)
        return None, None, dry, dry


class RoomCo2Table(SenseTable):
    """[chamber.room_co2]: air where people breathe."""

    high_ppm: float = Field(
        5000.0, ge=800.0, le=30_000.0, description="Gas is shut above so much CO2 in the room's air."
    )

    def bounds(self) -> tuple[float | None, float | None, float | None, float | None]:
        return None, None, self.high_ppm, self.high_ppm * (1 - CLEAR_SHARE)


TABLES: dict[Signal, type[SenseTable]] = {
    Signal.TEMPERATURE: TemperatureTable,
    Signal.FLOW: FlowTable,
    Signal.CIRCULATION: CirculationTable,
    Signal.FEED: FeedTable,
    Signal.OUTLET_PRESSURE: OutletPressureTable,
    Signal.VESSEL_PRESSURE: VesselPressureTable,
    Signal.LEAK: LeakTable,
    Signal.ROOM_CO2: RoomCo2Table,
}
"""Every signal that is not pH, and its table [chamber.<signal>]."""


def limits_of(signal: Signal, table: SenseTable, period_s: float, stale_s: float) -> SenseLimits:
    """What the core needs of one signal."""
    low, clear_low, high, clear_high = table.bounds()
    return SenseLimits(
        signal, period_s, stale_s, table.required, low, clear_low, high, clear_high, float(table.hold_s)
    )
