"""What each alarm is for: what follows if nobody comes, what to do, and how soon.

An alarm that asks for nothing is not an alarm but a line of the morning's digest; so every row here has
an action and a time. Priorities and times are common practice, no source: a wake is for what a closed
valve does not end.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from nightheron.model import AlarmClass, Reason


class Priority(StrEnum):
    """Which to look at first when several stand."""

    CRITICAL = "critical"  # people, or gas that does not stop
    HIGH = "high"  # the guard is blind or cannot act
    MEDIUM = "medium"  # gas is shut and stays shut until somebody comes
    LOW = "low"  # gas is shut and may open by itself


@dataclass(frozen=True, slots=True)
class Purpose:
    """One alarm's reason to be."""

    priority: Priority
    consequence: str
    """What follows if nobody does anything."""
    action: str
    """What to do, as an order."""
    within_s: float
    """How soon."""
    off_delay_s: float = 0.0
    """Its cause must be over for so long before the alarm ends, so that a loose contact is one alarm."""
    explained_by: tuple[Reason, ...] = ()
    """While one of these stands in the same chamber this alarm says nothing new, and is held back."""


MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86_400.0
FLAPS_S = 15 * MINUTE_S
HAND = "shut the hand valve on the cylinder"
_P, _R = Priority, Reason

PURPOSES: dict[Reason, Purpose] = {
    _R.NOT_STOPPING: Purpose(
        _P.CRITICAL, "gas goes on; acid water reaches the tank, CO2 may fill the room", HAND, 5 * MINUTE_S
    ),
    _R.FOREIGN_ORDER: Purpose(
        _P.CRITICAL,
        "something else opens our valve, and may do it while nobody guards",
        f"{HAND}, then find what sent the order",
        5 * MINUTE_S,
    ),
    _R.OUTLET_PRESSURE_HIGH: Purpose(
        _P.CRITICAL,
        "hose or fittings may come off, and gas fills the room",
        f"{HAND}, if you can stand there safely",
        5 * MINUTE_S,
    ),
    _R.VESSEL_PRESSURE_HIGH: Purpose(
        _P.CRITICAL, "the vessel may burst", f"{HAND}, stand clear of the vessel", 5 * MINUTE_S
    ),
    _R.LEAK: Purpose(
        _P.CRITICAL,
        "water and mains may meet; the tank may run dry",
        "touch nothing wet that is on the mains; switch off at the board first, then stop the water",
        5 * MINUTE_S,
    ),
    _R.ROOM_CO2: Purpose(
        _P.CRITICAL,
        "people and animals in the room may faint and die",
        "get out and stay out, air the room from outside, call for help",
        MINUTE_S,
    ),
    _R.KEEPER_LOST: Purpose(
        _P.HIGH,
        "the valve cannot be moved; it shuts by its lease or its own timer, if it has one",
        "look at the valve itself; restart the service if it does not come back",
        HOUR_S,
        FLAPS_S,
    ),
    _R.VALVE_LOST: Purpose(
        _P.HIGH,
        "no order reaches the valve",
        "look at the valve itself, then at its power, network or cable",
        HOUR_S,
        FLAPS_S,
        (_R.KEEPER_LOST,),
    ),
    _R.VALVE_DISAGREES: Purpose(
        _P.HIGH, "the valve may not do what it is told", "look at the valve itself", HOUR_S, FLAPS_S
    ),
    _R.VALVE_PASSES: Purpose(
        _P.HIGH,
        "no gas, and one valve alone stands between cylinder and chamber",
        f"{HAND}, clean or change that valve, then release",
        DAY_S,
    ),
    _R.CORE_FAULT: Purpose(
        _P.HIGH, "no gas until the service is restarted", "restart the service, report the fault", DAY_S
    ),
    _R.NOT_RECORDABLE: Purpose(
        _P.HIGH,
        "no gas, and nothing is recorded",
        "see whether the disk is full, worn out or loose",
        DAY_S,
        FLAPS_S,
    ),
    _R.NEW_JOURNAL: Purpose(
        _P.MEDIUM,
        "no gas; what was latched before is forgotten",
        "look at valve, probe and tank, then release",
        DAY_S,
    ),
    _R.RESTARTS: Purpose(
        _P.MEDIUM, "no gas until somebody looks", "look at power and log, then release", DAY_S
    ),
    _R.CHAMBER_PH_LOST: Purpose(
        _P.MEDIUM,
        "no gas while the probe is lost; corals do without for a day or two",
        "look at the probe, its cable and its plug",
        DAY_S,
        FLAPS_S,
    ),
    _R.PROBES_DISAGREE: Purpose(
        _P.MEDIUM, "no gas while nobody knows which is right", "hold both against a buffer", DAY_S, FLAPS_S
    ),
    _R.DEEP_LOW: Purpose(
        _P.MEDIUM,
        "no gas; the media may have softened",
        "look at needle valve, flow and probe, then release",
        DAY_S,
    ),
    _R.NO_EFFECT: Purpose(
        _P.MEDIUM,
        "no gas until somebody looks",
        "look at the cylinder's gauge and at where the probe hangs, then release",
        DAY_S,
    ),
    _R.SURGE: Purpose(
        _P.MEDIUM,
        "no gas for a while; at the third in a day none until somebody comes",
        "look at regulator pressure, needle valve and cylinder gauge; a cylinder near its end surges",
        8 * HOUR_S,
    ),
    _R.STALLED: Purpose(
        _P.MEDIUM,
        "no gas for as long as pH does not rise; if the valve passes gas, the cylinder empties",
        "look whether water flows through the chamber, then whether bubbles come with the gas shut",
        8 * HOUR_S,
        FLAPS_S,
        (_R.NOT_STOPPING, _R.NO_EFFECT, _R.CHAMBER_PH_LOST, _R.FEED_STOPPED),
    ),
    _R.GAS_BUDGET: Purpose(
        _P.MEDIUM,
        "no gas; a probe that reads high would dose without end",
        "hold the probe against a buffer, then release or raise the budget",
        DAY_S,
    ),
    _R.TANK_LOW: Purpose(
        _P.MEDIUM,
        "no gas; the tank's inhabitants suffer if it stays low",
        "air the room, hold the tank's probe against a buffer",
        2 * HOUR_S,
        FLAPS_S,
    ),
    _R.TANK_PH_LOST: Purpose(
        _P.MEDIUM, "no gas while the tank is not watched", "look at the tank's probe", DAY_S, FLAPS_S
    ),
    _R.CIRCULATION_STOPPED: Purpose(
        _P.MEDIUM,
        "no gas; water in the chamber grows stale",
        "look at the pump: power, air, blockage",
        8 * HOUR_S,
        FLAPS_S,
    ),
    _R.FEED_STOPPED: Purpose(
        _P.MEDIUM, "no gas; no water goes through", "look at the feed pump and its hose", 8 * HOUR_S, FLAPS_S
    ),
    _R.FLOW_LOW: Purpose(
        _P.LOW, "no gas while it flows too slowly", "clean the effluent line", DAY_S, FLAPS_S
    ),
    _R.TEMPERATURE: Purpose(
        _P.LOW, "no gas while it is out of its range", "look at pump, heater and room", DAY_S, FLAPS_S
    ),
    _R.SIGNAL_LOST: Purpose(
        _P.MEDIUM, "no gas while it is lost", "look at that sensor and its cable", DAY_S, FLAPS_S
    ),
    _R.SIGNAL_SILENT: Purpose(
        _P.LOW, "what it watched is not watched", "look at that sensor and its cable", 2 * DAY_S, FLAPS_S
    ),
    _R.FEEDBACK_SILENT: Purpose(
        _P.LOW,
        "a valve that sticks would be seen by the water alone",
        "look at the valve's report and its topic",
        2 * DAY_S,
        FLAPS_S,
        (_R.KEEPER_LOST, _R.VALVE_LOST),
    ),
    _R.DRIFT: Purpose(
        _P.LOW,
        "the corals get more or less than they should, and a rule may fire for it later",
        "make the check named above; when it is put right, say so with nightheron changed",
        7 * DAY_S,
        DAY_S,
    ),
    _R.PROBE_DRIFT: Purpose(
        _P.LOW,
        "the reading can be trusted less and less",
        "make the check named above; when it is put right, say so with nightheron changed",
        7 * DAY_S,
        DAY_S,
    ),
    _R.TANK_DRIFT: Purpose(
        _P.LOW,
        "the tank's pH goes on moving, or its probe does",
        "make the check named above",
        3 * DAY_S,
        DAY_S,
        (_R.DRIFT,),
    ),
    _R.SERVICE: Purpose(
        _P.LOW, "no gas until the hold is ended", "end it when the work is done: service off", 8 * HOUR_S
    ),
    _R.GUARD_LATE: Purpose(
        _P.LOW, "gas was shut for a while", "look at what else runs on this board", 2 * DAY_S, FLAPS_S
    ),
}
"""One row for each reason that can alarm."""


class SiteReason(StrEnum):
    """What can be wrong with the site as a whole; no reason against gas."""

    DIGEST_NOT_TAKEN = "digest_not_taken"


SITE = "site"
"""Where such an alarm names no chamber."""
SITE_PURPOSES: dict[SiteReason, Purpose] = {
    SiteReason.DIGEST_NOT_TAKEN: Purpose(
        _P.HIGH,
        "the next alarm may reach nobody",
        "nightheron alarms test, then look at network, address and account",
        DAY_S,
    )
}


@dataclass(frozen=True, slots=True)
class SiteRaise:
    """As ``Raise``, of the site."""

    reason: SiteReason
    kind: AlarmClass
    text: str


def purpose(reason: str) -> Purpose:
    """Of an alarm by the name of its reason; one that a later version knows gets a plain row."""
    if reason in set(SiteReason):
        return SITE_PURPOSES[SiteReason(reason)]
    try:
        return PURPOSES[Reason(reason)]
    except (ValueError, KeyError):
        return Purpose(Priority.MEDIUM, "not known to this version", "look at the chamber", DAY_S)
