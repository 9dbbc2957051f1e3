"""The signals that are not pH, one row each: unit, plausible range, and the rule that watches it."""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.model import AlarmClass, Reason, Signal


@dataclass(frozen=True, slots=True)
class Kind:
    """What one kind of signal is."""

    reason: Reason
    noun: str
    unit: str
    """With its blank before it; empty for a switch."""
    plausible: tuple[float, float]
    """A number outside is no reading of it."""
    closes_when: str
    sentence: str
    opens_when: str
    latches: bool = False
    held_from_start: bool = False
    """What it did before a start counts as bad: its first good number is held like a return."""
    alarm: AlarmClass = AlarmClass.NOTICE


_PERMISSIVE = "by itself, after its hold"

KINDS: dict[Signal, Kind] = {
    Signal.CIRCULATION: Kind(
        Reason.CIRCULATION_STOPPED,
        "circulation",
        "",
        (-1e6, 1e6),
        "the chamber's circulation stopped; held after return or start, for trapped gas dissolves at once",
        "the chamber's circulation has stopped",
        "circulation running for its hold",
        held_from_start=True,
    ),
    Signal.FEED: Kind(
        Reason.FEED_STOPPED,
        "feed",
        "",
        (-1e6, 1e6),
        "the water feed stopped",
        "the chamber's water feed has stopped",
        "the feed running again for its hold",
    ),
    Signal.FLOW: Kind(
        Reason.FLOW_LOW,
        "effluent",
        " mL/min",
        (-1.0, 1e5),
        "effluent flow below low_ml_min",
        "the effluent flows too slowly",
        "effluent flow back for its hold",
    ),
    Signal.OUTLET_PRESSURE: Kind(
        Reason.OUTLET_PRESSURE_HIGH,
        "outlet pressure",
        " kPa",
        (-110.0, 3e4),
        "gas pressure after the regulator above high_kpa",
        "GAS PRESSURE HIGH after the regulator: shut the cylinder's hand valve; the regulator may be failing",
        "pressure back within its limit, then a person's release",
        latches=True,
        alarm=AlarmClass.WAKE,
    ),
    Signal.VESSEL_PRESSURE: Kind(
        Reason.VESSEL_PRESSURE_HIGH,
        "vessel pressure",
        " kPa",
        (-110.0, 3e4),
        "pressure in the vessel above high_kpa",
        "VESSEL PRESSURE HIGH: shut the cylinder's hand valve; a blocked outlet can burst the vessel",
        "pressure back within its limit, then a person's release",
        latches=True,
        alarm=AlarmClass.WAKE,
    ),
    Signal.TEMPERATURE: Kind(
        Reason.TEMPERATURE,
        "temperature",
        " °C",
        (-20.0, 80.0),
        "chamber temperature below low_c or above high_c",
        "the chamber's temperature is out of its range",
        "temperature back within its range",
    ),
    Signal.LEAK: Kind(
        Reason.LEAK,
        "leak sensor",
        "",
        (-1e6, 1e6),
        "the leak sensor is wet",
        "WATER WHERE IT SHOULD NOT BE: keep hands off wet mains equipment, switch it off at the board first",
        "the leak sensor dry, then a person's release",
        latches=True,
        alarm=AlarmClass.WAKE,
    ),
    Signal.ROOM_CO2: Kind(
        Reason.ROOM_CO2,
        "room CO2",
        " ppm",
        (0.0, 1e6),
        "CO2 in the room above high_ppm",
        "CO2 HIGH IN THE ROOM: stay out, air it from outside, call for help; go to the cylinder only if safe",
        "room air back within its limit, then a person's release",
        latches=True,
        alarm=AlarmClass.WAKE,
    ),
}


def resets(kind: Kind) -> str:
    """How the rule of a signal ends, in words."""
    return "by a person, once it is back within its limit" if kind.latches else _PERMISSIVE
