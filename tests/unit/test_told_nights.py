"""Who is woken on an ordinary night: nobody."""

from __future__ import annotations

import pytest
from nightheron.model import Gas, Reason
from nightheron.rig.nights import CHAMBER

from tests.support.nights import HEALTHY
from tests.support.told_nights import ToldNight

COARSE_S = 4
"""Readings, ticks and water every four seconds; ``python -m tests.support.told_nights`` has each second."""


@pytest.mark.parametrize("number", HEALTHY)
def test_a_healthy_night_tells_nothing_but_its_digest(number: int) -> None:
    """From ten to seven each of thirty healthy sites cuts and rests, and one digest is all that is pushed."""
    night = ToldNight(number, COARSE_S).until_morning()
    assert (night.about(), night.service.tries) == (["digest"], 1)
    assert night.guarded.alarms() == set()
    assert {Reason.FLOOR, Reason.MIN_REST} <= night.guarded.reasons
    assert night.guarded.watched.open_s > 3 * 3600


def test_a_loss_of_six_seconds_at_three_wakes_nobody() -> None:
    """Second by second: gas shuts on the lost reading, opens again by itself, and nobody is told of it."""
    night = ToldNight(1).lives(5 * 3600)
    core = night.guarded
    for _ in range(1800):
        if core.night.gas is Gas.OPEN:
            break
        night.lives(1)
    assert (night.clock.utc().hour, core.night.gas) == (3, Gas.OPEN)
    core.put("probe_silent")
    night.lives(6)
    assert core.night.reasons[0] is Reason.CHAMBER_PH_LOST
    core.mend()
    opened_s = core.watched.open_s
    night.lives(3600)
    assert core.watched.open_s > opened_s + 600
    assert (night.service.tries, core.alarms()) == (0, set())


def test_the_same_loss_for_longer_than_the_delay_is_told() -> None:
    """The way to people is there: ninety seconds without a reading are one push."""
    night = ToldNight(1).lives(1200)
    night.guarded.put("probe_silent")
    night.lives(90)
    assert night.about() == ["alarm"]
    assert night.guarded.plant.says(CHAMBER) is None
