"""The service's own loop over a site of two chambers and a tank, on a virtual clock."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from nightheron.guard import drift
from nightheron.journal.query import Wanted, entries
from nightheron.model import NS, Gas
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


INSTRUMENT = """
[chamber.{name}.probe]
driver = "rig"
path = "rig.sock"
chamber = "west"
instrument = "{name}"
[chamber.{name}]
"""


class Two:
    """Two chambers, one tank, and the service over them."""

    def __init__(self, folder: Path, more: str = "") -> None:
        text = CONFIGURATION + CHAMBER.format(name="west") + more + CHAMBER.format(name="east") + TANK
        (folder / "nightheron.toml").write_text(text)
        built = {name: (VesselBuild(start_ph=6.75), SupplyBuild()) for name in ("west", "east")}
        self.site = VirtualSite(Plant(Build(built), seed=5))
        settings = load(folder / "nightheron.toml", {})
        clock = VirtualClock(1000 * NS, datetime(2026, 3, 14, 21, 0, tzinfo=UTC), "a-boot")
        self._settings, self._clock = settings, clock
        self.run = VirtualRun(settings, clock, self.site)
        self._journal = settings.data_dir / "journal.db"

    def lives(self, seconds: float, broken: str = "", at: str = "west") -> Two:
        """Let time pass, with something broken at one chamber before."""
        if broken:
            self.site.faults.put(library()[broken], at)
        self.run.live(seconds)
        return self

    def again(self) -> VirtualRun:
        """The service is killed and started anew."""
        self.run.die()
        self.run = VirtualRun(self._settings, self._clock, self.site)
        return self.run

    def ordered(self, chamber: str) -> Gas:
        """What a chamber's valve was told."""
        return self.site.plant.bays[chamber].valve.ordered

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


@pytest.mark.parametrize(
    ("fault", "instrument", "limit", "reason"),
    [
        ("circulation_stopped", "circulation", "hold_s = 60", "circulation_stopped"),
        ("feed_stopped", "feed", "", "feed_stopped"),
        ("feed_stopped", "flow", "", "flow_low"),
        ("regulator_fails_half", "outlet_pressure", "", "outlet_pressure_high"),
        ("effluent_blocked", "vessel_pressure", "", "vessel_pressure_high"),
        ("chamber_overheats", "temperature", "", "temperature"),
        ("water_on_the_floor", "leak", "", "leak"),
        ("fitting_leaks", "room_co2", "high_ppm = 800", "room_co2"),
    ],
)
def test_instruments_shut_the_gas(
    tmp_path: Path, fault: str, instrument: str, limit: str, reason: str
) -> None:
    """Each instrument of the plant that is configured shuts the gas of its chamber for its own reason."""
    two = Two(tmp_path, INSTRUMENT.format(name=instrument) + limit + "\n")
    ordered = [two.lives(120).ordered("west")]
    ordered.append(two.lives(3000 if instrument == "room_co2" else 30, fault).ordered("west"))
    assert ordered == [Gas.OPEN, Gas.CLOSED]
    rows = two.rows()
    assert reason in {one for row in rows["west"] for one in row["reasons"]}
    assert reason not in {one for row in rows["east"] for one in row["reasons"]}


def test_what_is_usual_outlives_a_killed_service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The loop names the hour, a block writes its row, and the next run goes on with what that row says.

    Hours last a minute here, or a block would take six hours.
    """
    monkeypatch.setattr(drift, "HOUR_LEAST_NS", 1)
    monkeypatch.setattr(drift, "HOUR_MOST_NS", 60 * NS)
    two = Two(tmp_path)
    two.run.live(420)
    before = two.run.loop.chambers[0]._s.drift
    again = two.again()
    rows = list(entries(tmp_path / "journal.db", Wanted(kind="usual", chamber="west")))
    assert str(rows[-1]["text"]).startswith("usual known of 0 of ")
    after = again.loop.chambers[0]._s.drift
    assert (after.hours, after.now.hour) == (before.hours - before.hours % 6, None)
    assert {s: line.learning for s, line in after.lines.items()} == {
        s: [row for row in line.learning if row[0] < after.hours // 6] for s, line in before.lines.items()
    }
    assert after.lines
    again.live(1)
    assert again.loop.chambers[0]._s.drift.now.hour == 21
    again.die()
