"""The service's own loop over a site of two chambers and a tank, on a virtual clock."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from nightheron.journal.query import Wanted, entries
from nightheron.model import NS
from nightheron.rig.faults import library
from nightheron.rig.plant import Build, Plant
from nightheron.rig.supply import SupplyBuild
from nightheron.rig.vessel import VesselBuild
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.virtual import VirtualRun, VirtualSite
from nightheron.settings import load

CONFIGURATION = """
[site]
name = "two"
data_dir = "."
timezone = "UTC"
"""
CHAMBER = """
[[chamber]]
name = "{name}"
min_rest_s = 60
settle_s = 10
[chamber.probe]
driver = "rig"
path = "rig.sock"
chamber = "{name}"
[chamber.valve]
driver = "rig"
path = "rig.sock"
"""
TANK = """
[[tank]]
name = "display"
chambers = ["west", "east"]
[tank.probe]
driver = "rig"
path = "rig.sock"
chamber = "display"
stale_s = 60.0
"""


class Two:
    """Two chambers, one tank, and the service over them."""

    def __init__(self, folder: Path) -> None:
        text = CONFIGURATION + CHAMBER.format(name="west") + CHAMBER.format(name="east") + TANK
        (folder / "nightheron.toml").write_text(text)
        built = {name: (VesselBuild(start_ph=6.75), SupplyBuild()) for name in ("west", "east")}
        self.site = VirtualSite(Plant(Build(built), seed=5))
        settings = load(folder / "nightheron.toml", {})
        clock = VirtualClock(1000 * NS, datetime(2026, 3, 14, 21, 0, tzinfo=UTC), "a-boot")
        self.run = VirtualRun(settings, clock, self.site)
        self._journal = settings.data_dir / "journal.db"

    def lives(self, seconds: float, broken: str = "", at: str = "west") -> Two:
        """Let time pass, with something broken at one chamber before."""
        if broken:
            self.site.faults.put(library()[broken], at)
        self.run.live(seconds)
        return self

    def rows(self) -> dict[str, list[dict[str, Any]]]:
        """Stop, and give each chamber's decisions."""
        self.run.stop("the test is over")
        names = self.site.plant.bays
        return {name: list(entries(self._journal, Wanted(kind="decision", chamber=name))) for name in names}


@pytest.fixture
def two(tmp_path: Path) -> Two:
    """A site at nightfall."""
    return Two(tmp_path)


def test_a_fault_at_one_chamber_leaves_the_other_alone(two: Two) -> None:
    """A valve that falls silent shuts its own chamber for that reason, while the other's gas flows on."""
    two.lives(120).lives(60, "valve_silent")
    assert not two.site.plant.bays["west"].valve.passes_gas
    assert two.site.plant.bays["east"].valve.passes_gas
    rows = two.rows()
    assert [row["reason"] for row in rows["west"] if row["gas"] == "closed"][-2] == "valve_lost"
    assert "valve_lost" not in {row["reason"] for row in rows["east"]}


def test_the_tank_shuts_both(two: Two) -> None:
    """A tank probe that reads below the tank's limit shuts every chamber that feeds it; healthy, neither."""
    two.lives(120)
    assert all(bay.valve.passes_gas for bay in two.site.plant.bays.values())
    two.lives(120, "tank_probe_reads_low")
    assert not any(bay.valve.passes_gas for bay in two.site.plant.bays.values())
    for rows in two.rows().values():
        assert "tank_low" in rows[-2]["reasons"]
        assert rows[-1]["tank_ph"] == pytest.approx(two.site.plant.tank.ph - 0.5, abs=0.1)
