"""Ready nights: healthy sites that differ, the guard's core on real water, and a year in a table."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from nightheron.model import Gas, Reason
from nightheron.rig import year
from nightheron.rig.nights import CHAMBER, HEAD, minutes, row, site, year_site
from nightheron.rig.plant import Plant

from tests.support.nights import BREAKS_AFTER_S, HEALTHY, LIBRARY, Guarded, broken, healthy

NORMAL = {Reason.STARTING, Reason.SETTLING, Reason.MIN_REST, Reason.FLOOR, Reason.PLANNED_REST}


def test_a_site_is_its_number() -> None:
    """The same number is the same site, line for line; thirty numbers are thirty plausible sites."""
    assert healthy(3, 1200) == healthy.__wrapped__(3, 1200)
    built = [site(number).build.chambers[CHAMBER] for number in HEALTHY]
    assert len(set(built)) == len(HEALTHY)
    assert all(1.5 <= vessel.water_l <= 4.0 for vessel, _ in built)
    assert all(0.3 < supply.bubbles_per_s < 5.0 for _, supply in built)


@pytest.mark.parametrize("number", [1, 15, 23])
def test_a_healthy_night_is_held_between_its_limits(number: int) -> None:
    """A thermostat holds a healthy site near its limits, in many cycles, gas open for about half the time."""
    night = healthy(number)
    later = night[3600:]
    assert min(one.ph for one in later) > 6.55
    assert max(one.ph for one in later) < 6.75
    assert 0.4 < sum(one.share for one in night) / len(night) < 0.8
    cuts = sum(a.ordered is Gas.OPEN and b.ordered is Gas.CLOSED for a, b in pairwise(night))
    assert 8 <= cuts <= 40


def test_a_broken_night_is_healthy_for_an_hour() -> None:
    """Until its fault is put in, a broken night is the healthy one of its site, second by second."""
    night = broken("regulator_fails_half", 0, 7200)
    assert night[:BREAKS_AFTER_S] == healthy(0, 7200)[:BREAKS_AFTER_S]
    assert min(one.ph for one in night[BREAKS_AFTER_S:]) < 6.5


@pytest.mark.parametrize("number", [2, 9])
def test_the_guard_has_nothing_to_say_of_a_healthy_night(number: int) -> None:
    """On a healthy site the core cuts and rests, and raises no alarm."""
    guarded = Guarded(site(number)).lives(5 * 3600)
    assert guarded.reasons <= NORMAL
    assert guarded.alarms() == set()
    assert guarded.watched.lowest_ph > 6.55
    assert guarded.watched.open_s > 3600


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ("valve_stuck_open", Reason.NOT_STOPPING),
        ("probe_silent", Reason.CHAMBER_PH_LOST),
        ("valve_silent", Reason.VALVE_LOST),
        ("probe_stuck", Reason.NO_EFFECT),
    ],
)
def test_the_guard_finds_a_fault_in_water(fault: str, reason: Reason) -> None:
    """Over real water the core ends with the reason that belongs to the fault, and gas ordered shut."""
    guarded = Guarded(site(0), longest_opening_s=3600.0).lives(2400).put(fault).lives(9000)
    assert reason in guarded.reasons
    assert guarded.night.gas is Gas.CLOSED


def test_every_fault_can_be_put_in_and_taken_out() -> None:
    """Each fault of the library goes in and out of a site while the guard's core is in charge of it."""
    guarded = Guarded(Plant(site(0).build))
    for name in LIBRARY:
        guarded.put(name).lives(5).mend()
    assert guarded.faults.standing == []
    assert 6.0 < guarded.watched.lowest_ph < guarded.watched.highest_ph < 7.5


def test_a_year_is_a_table(tmp_path: Path) -> None:
    """The command writes one line a minute, the same each time, and never replaces a file."""
    path = tmp_path / "year.csv"
    assert year.main(["--out", str(path), "--days", "1", "--step-s", "10"]) == 0
    lines = path.read_text().splitlines()
    assert lines[0] == HEAD
    assert lines[1:] == [row(one) for one in minutes(1, year_site(0, 10.0))]
    assert len(lines) == 1441
    assert year.main(["--out", str(path), "--days", "1"]) == 2
    with pytest.raises(SystemExit):
        year.main(["--out", str(tmp_path / "no.csv"), "--step-s", "7"])


def test_chores_are_done_in_a_year() -> None:
    """A cylinder is changed before it is empty, media before they are gone, and the water stays as it is."""
    plant = year_site(0, 10.0)
    bay = plant.bays[CHAMBER]
    bay.supply.left_mol *= 0.022
    bay.vessel.media_mol *= 0.601
    seen = list(minutes(3, plant))
    assert min(one.cylinder_g for one in seen) > 39.0
    assert seen[-1].cylinder_g > 1900.0
    assert bay.vessel.media_mol > 24.0
    assert all(6.4 < one.ph < 7.0 for one in seen)
    assert all(7.5 < one.tank_ph < 8.4 for one in seen)
