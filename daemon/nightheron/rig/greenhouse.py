"""One made-up night in a made-up greenhouse: the water, and what goes wrong, hour by hour."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from nightheron.rig.chamber import FirstOrderChamber, Water

CHAMBER = "fern"
BOOT = "simulated-boot"
BEGINS = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)
LENGTH_S = 9 * 3600
START_PH = 6.82
DICE = 1704
CONFIGURATION = f"""\
# Made by "nightheron demo" for a greenhouse that does not exist. The chamber is simulated.

[site]
name = "hillside-greenhouse"
data_dir = "."
timezone = "UTC"

[[chamber]]
name = "{CHAMBER}"
water_l = 1.9
floor_ph = 6.60
resume_ph = 6.70
min_rest_s = 120
settle_s = 30
longest_opening_s = 7200

[chamber.probe]
driver = "rig"
path = "rig.sock"
chamber = "{CHAMBER}"

[chamber.valve]
driver = "rig"
path = "rig.sock"
lease_s = 5.0
"""


@dataclass(frozen=True, slots=True)
class Incident:
    """Something happens ``at_s`` seconds into the night; ``restart_s`` when the guard dies for as long."""

    at_s: float
    text: str
    change: Callable[[FirstOrderChamber], None] | None = None
    restart_s: float | None = None


def chamber() -> FirstOrderChamber:
    """The water at nightfall; the same every time."""
    return FirstOrderChamber(START_PH, Water(), random.Random(DICE))  # noqa: S311 - noise, no secret


def _more_flow(fern: FirstOrderChamber) -> None:
    fern.water = replace(fern.water, low_ph=6.63)


def _usual_flow(fern: FirstOrderChamber) -> None:
    fern.water = replace(fern.water, low_ph=Water().low_ph)


def _cable_out(fern: FirstOrderChamber) -> None:
    fern.set_fault("probe_silent")


def _cable_in(fern: FirstOrderChamber) -> None:
    fern.set_fault(None)


INCIDENTS = (
    Incident(2.25 * 3600, "more feed: the gas can no longer take pH down to the floor", _more_flow),
    Incident(4.75 * 3600, "feed back to usual", _usual_flow),
    Incident(5.80 * 3600, "the probe's cable works loose", _cable_out),
    Incident(5.90 * 3600, "the cable is pushed home", _cable_in),
    Incident(7.60 * 3600, "the guard's process is killed, and started again", restart_s=8.0),
)
