"""One made-up night in a made-up greenhouse: the water, and what goes wrong, hour by hour."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from nightheron.model import Act
from nightheron.rig.plant import Build, Plant
from nightheron.rig.supply import SupplyBuild
from nightheron.rig.vessel import VesselBuild

FERN, MOSS, TANK = "fern", "moss", "lagoon"
BOOT = "simulated-boot"
BEGINS = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)
LENGTH_S = 9 * 3600
START_PH = 6.82
SEED = 1704


def chamber_table(name: str) -> str:
    """One simulated chamber, as the file has it."""
    return f"""\
[[chamber]]
name = "{name}"
water_l = 1.9
floor_ph = 6.60
resume_ph = 6.70
min_rest_s = 120
settle_s = 30
longest_opening_s = 7200

[chamber.probe]
driver = "rig"
path = "rig.sock"
chamber = "{name}"

[chamber.valve]
driver = "rig"
path = "rig.sock"
lease_s = 5.0
"""


CONFIGURATION = f"""\
# Made by "nightheron demo" for a greenhouse that does not exist. The chamber is simulated.

[site]
name = "hillside-greenhouse"
data_dir = "."
timezone = "UTC"

{chamber_table(FERN)}
{chamber_table(MOSS)}
[[tank]]
name = "{TANK}"
chambers = ["{FERN}", "{MOSS}"]
low_ph = 7.92
clear_ph = 7.94

[tank.probe]
driver = "rig"
path = "rig.sock"
chamber = "{TANK}"
period_s = 5
stale_s = 60.0
"""


@dataclass(frozen=True, slots=True)
class Incident:
    """Something happens ``at_s`` seconds into the night, at ``chamber``."""

    at_s: float
    text: str
    put: str = ""
    """A fault of the library that is put in."""
    mend: str = ""
    """One that is taken out."""
    restart_s: float | None = None
    """How long the guard is dead."""
    act: Act | None = None
    """What a person does at the board."""
    why: str = ""
    for_s: float | None = None
    foreign: str = ""
    """An order that somebody else sends to the valve."""
    chamber: str = FERN


def plant() -> Plant:
    """The greenhouse at nightfall; the same every time."""
    chambers = {
        FERN: (VesselBuild(start_ph=START_PH), SupplyBuild()),
        MOSS: (VesselBuild(start_ph=START_PH - 0.06, water_l=2.4), SupplyBuild()),
    }
    return Plant(Build(chambers, tank_name=TANK, begins_s=BEGINS.hour * 3600.0), seed=SEED)


INCIDENTS = tuple(
    sorted(
        (
            Incident(
                2.25 * 3600, "needle turned down: gas no longer takes pH to the floor", put="needle_set_low"
            ),
            Incident(4.75 * 3600, "needle back where it was", mend="needle_set_low"),
            Incident(
                0.60 * 3600,
                "a cleaning is announced: moss is held shut for 20 minutes",
                act=Act.SERVICE_ON,
                why="probe in its cleaning cup",
                for_s=1200.0,
                chamber=MOSS,
            ),
            Incident(
                1.25 * 3600, "the cleaning is done, later than announced", act=Act.SERVICE_OFF, chamber=MOSS
            ),
            Incident(
                3.10 * 3600, "somebody's script sends OPEN to moss, just closed", foreign="OPEN", chamber=MOSS
            ),
            Incident(
                3.60 * 3600, "the script is found; a person releases moss", act=Act.RELEASE, chamber=MOSS
            ),
            Incident(6.00 * 3600, "the probe's cable works loose", put="probe_silent"),
            Incident(6.10 * 3600, "the cable is pushed home", mend="probe_silent"),
            Incident(7.60 * 3600, "the guard's process is killed, and started again", restart_s=8.0),
        ),
        key=lambda one: one.at_s,
    )
)
