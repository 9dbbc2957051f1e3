"""Chambers dealt by chance: plausible, repeatable, and guarded by files that load."""

from __future__ import annotations

import math
from dataclasses import replace

from nightheron.rig.dealt import dealt
from nightheron.rig.nights import CHAMBER
from nightheron.rig.plant import Plant
from nightheron.rig.thermostat import Thermostat, play

DEALT = [dealt(f"7/{number}") for number in range(40)]


def test_the_same_number_is_the_same_chamber() -> None:
    """A number gives the same file and the same noise again."""
    one, again = dealt("3/5"), dealt("3/5")
    assert one == again
    assert [one.plant().says(CHAMBER) for _ in range(3)] == [again.plant().says(CHAMBER) for _ in range(3)]
    assert dealt("3/6") != one


def test_chambers_differ_as_widely_as_they_may() -> None:
    """Forty of them span most of each range, and none leaves it."""
    rates = [one.rate for one in DEALT]
    water_l = [one.build.chambers[CHAMBER][0].water_l for one in DEALT]
    bubbles_ml = [one.build.chambers[CHAMBER][1].bubble_ml for one in DEALT]
    assert 0.1 <= min(rates) < 0.3 < 3.0 < max(rates) <= 10.0
    assert 0.82 <= min(water_l) < 1.5 < 2.5 < max(water_l) <= 4.0
    assert 0.02 <= min(bubbles_ml) < 0.03 < 0.08 < max(bubbles_ml) <= 0.09
    assert {len(one.limits.probes) for one in DEALT} == {1, 2, 3}
    assert {one.limits.probes[0].period_s for one in DEALT} >= {0.5, 1.0, 2.0, 5.0}
    assert any(one.limits.probes[0].conversion.per_ph < 0 for one in DEALT)
    assert {one.limits.tank is None for one in DEALT} == {True, False}


def test_what_is_asked_of_the_wiring_is_dealt() -> None:
    """Without a budget none is set, and a valve reports or not as was asked."""
    for number in range(12):
        one = dealt(f"1/{number}", budget=False, feedback=False)
        assert one.limits.gas_budget_s_per_day is None
        assert not one.limits.valve.feedback
    assert {one.limits.valve.feedback for one in DEALT} == {True, False}


def test_the_owner_set_the_needle_so_that_the_chamber_cycles() -> None:
    """Held by a plain thermostat, gas is open for about the share of the time that was dealt."""
    for one in DEALT[:4]:
        plant, limits = one.plant(), one.limits
        held = {CHAMBER: Thermostat(limits.floor_ph, limits.resume_ph)}
        opened = [seen[CHAMBER].share for seen in play(plant, 6 * 3600, held)]
        got = math.fsum(opened) / len(opened)
        assert abs(got - one.share) < 0.2, (one.number, got, one.share)


def test_steps_of_two_seconds_are_as_good_as_one() -> None:
    """The water in steps of one and of two seconds stays within 0.002 over three hours of cycling."""
    one = DEALT[1]
    apart = []
    for step_s in (1.0, 2.0):
        plant = Plant(replace(one.build, step_s=step_s), seed=1)
        gas = [1.0 if second % 1800 < 900 else 0.0 for second in range(3 * 3600)]
        phs = []
        for share in gas:
            plant.step(1.0, {CHAMBER: share})
            phs.append(plant.bays[CHAMBER].ph)
        apart.append(phs[1::2])
    assert max(abs(a - b) for a, b in zip(*apart, strict=True)) < 0.002
