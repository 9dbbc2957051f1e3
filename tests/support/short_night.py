"""An hour and a quarter through the service's own loop: a cut, a lost probe, a killed guard, a stop."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from pathlib import Path

from nightheron.model import NS
from nightheron.rig.chamber import FirstOrderChamber, Water
from nightheron.rig.greenhouse import CONFIGURATION
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.virtual import VirtualRun, VirtualWater, pass_unwatched
from nightheron.settings import load

BEGINS = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
FROM, TO = "2026-03-14T22:00:00Z", "2026-03-14T23:15:00Z"
SPAN = ("--from", FROM, "--to", TO)


def play(folder: Path) -> Path:
    """Play it into ``folder``; the configuration's path."""
    config = folder / "nightheron.toml"
    config.write_text(CONFIGURATION)
    site = load(config, {})
    fern = FirstOrderChamber(6.72, Water(), random.Random(9))  # noqa: S311 - noise, no secret
    clock, water = VirtualClock(1000 * NS, BEGINS, "a-boot"), VirtualWater({"fern": fern})
    guard = VirtualRun(site, clock, water)
    guard.live(3300)
    fern.set_fault("probe_silent")
    guard.live(90)
    fern.set_fault(None)
    guard.live(600)
    guard.die()
    for _ in range(40):
        pass_unwatched(clock, water)
    guard = VirtualRun(site, clock, water)
    guard.live(490)
    guard.stop("the test is over")
    return config
