"""An hour and a quarter through the service's own loop: a cut, a lost probe, a killed guard, a stop."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from nightheron.model import NS
from nightheron.rig.faults import library
from nightheron.rig.greenhouse import CONFIGURATION, chamber_table
from nightheron.rig.plant import Build, Plant
from nightheron.rig.supply import SupplyBuild
from nightheron.rig.vessel import VesselBuild
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.virtual import VirtualRun, VirtualSite, pass_unwatched
from nightheron.settings import load

CHAMBER = "fern"
ALONE = CONFIGURATION[: CONFIGURATION.index("[[chamber]]")] + chamber_table(CHAMBER)
BEGINS = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
FROM, TO = "2026-03-14T22:00:00Z", "2026-03-14T23:15:00Z"
SPAN = ("--from", FROM, "--to", TO)


def play(folder: Path) -> Path:
    """Play it into ``folder``; the configuration's path."""
    config = folder / "nightheron.toml"
    config.write_text(ALONE)
    site = load(config, {})
    plant = Plant(Build({CHAMBER: (VesselBuild(start_ph=6.72), SupplyBuild())}), seed=9)
    clock, water = VirtualClock(1000 * NS, BEGINS, "a-boot"), VirtualSite(plant)
    guard = VirtualRun(site, clock, water)
    guard.live(3300)
    water.faults.put(library()["probe_silent"], CHAMBER)
    guard.live(90)
    water.faults.mend()
    guard.live(600)
    guard.die()
    for _ in range(40):
        pass_unwatched(clock, water)
    guard = VirtualRun(site, clock, water)
    guard.live(490)
    guard.stop("the test is over")
    return config
