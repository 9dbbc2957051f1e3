"""What several probes say together, as timelines."""

from __future__ import annotations

import json

from nightheron.guard.chamber import Chamber
from nightheron.model import Gas, Health, Reason, Signal, Verdict

from tests.support.night import PROBE, Night, Water

TWO, THREE = (PROBE, PROBE), (PROBE, PROBE, PROBE)


def two(second: float) -> Night:
    """Gas flows by two probes, the first at 6.9."""
    night = Night(probes=TWO).second(second).wait(125, 6.9)
    assert night.gas is Gas.OPEN, night.reasons
    return night


def three(second: float, third: float) -> Night:
    """Gas flows by three probes, the first at 6.9."""
    night = Night(probes=THREE).second(second, third).wait(125, 6.9)
    assert night.gas is Gas.OPEN, night.reasons
    return night


def test_the_lower_of_two_decides() -> None:
    """Either of two probes below the floor closes at once."""
    night = two(6.75).second(6.59).wait(1, 6.7)
    assert night.chamber.decision.reason is Reason.FLOOR
    assert night.chamber.decision.ph == 6.59
    assert night.chamber.decision.probes == (6.7, 6.59)
    other = two(6.75).wait(1, 6.59)
    assert other.chamber.decision.reason is Reason.FLOOR


def test_two_probes_open_only_when_both_have_settled() -> None:
    """One of two below resume keeps gas shut."""
    night = Night(probes=TWO).second(6.65).wait(200, 6.75)
    assert night.chamber.decision.gas is Gas.CLOSED
    assert night.reasons == (Reason.SETTLING,)
    night.second(6.72).wait(40)
    assert night.gas is Gas.OPEN


def test_one_of_two_lost_closes() -> None:
    """Two probes, one silent: no permission, and the silent one is named."""
    night = two(6.92).second(None).wait(6)
    assert night.chamber.decision.reason is Reason.CHAMBER_PH_LOST
    assert "probe 2" in dict(night.chamber.decision.evidence)[Reason.CHAMBER_PH_LOST]


def test_one_low_probe_closes_even_while_the_other_is_lost() -> None:
    """A low value counts although its neighbour gives none."""
    night = two(6.92).second(None).wait(3, 6.9).wait(1, 6.5)
    assert night.chamber.decision.reason is Reason.FLOOR


def test_of_three_the_median_decides() -> None:
    """One of three far below the floor is set aside and does not close; health asks for maintenance."""
    night = three(6.92, 6.94).second(6.3, 6.94).wait(5)
    assert night.gas is Gas.OPEN
    assert night.chamber.decision.health is Health.MAINTENANCE
    assert night.chamber.decision.test == "one_probe_lost"


def test_two_of_three_below_the_floor_close() -> None:
    """The median below the floor closes."""
    night = three(6.72, 6.74).second(6.58, 6.74).wait(1, 6.59)
    assert night.chamber.decision.reason is Reason.FLOOR


def test_one_of_three_silent_leaves_the_lower_of_two() -> None:
    """Three probes, one lost: the two others decide, and the lower of them closes."""
    night = three(6.72, 6.74).second(6.72, None).wait(10, 6.75)
    assert night.gas is Gas.OPEN
    assert night.chamber.decision.health is Health.MAINTENANCE
    night.second(6.59, None).wait(1)
    assert night.chamber.decision.reason is Reason.FLOOR


def test_two_of_three_silent_close() -> None:
    """One probe of three is no vote."""
    night = three(6.92, 6.94).second(None, None).wait(6)
    assert night.chamber.decision.reason is Reason.CHAMBER_PH_LOST


def test_three_that_all_stand_apart_have_no_majority() -> None:
    """Each of three further than the spread from the median: nobody decides, gas shuts."""
    night = three(6.92, 6.94).second(7.2, 7.42).wait(1)
    assert night.chamber.decision.reason is Reason.PROBES_DISAGREE


def test_a_probe_set_aside_comes_back_after_the_settle_time() -> None:
    """Near the median again for the settle time, a probe votes again."""
    night = three(6.92, 6.94).second(6.3, 6.94).wait(5)
    night.second(6.9, 6.94).wait(20)
    assert night.chamber.decision.health is Health.MAINTENANCE
    assert night.wait(20).chamber.decision.health is Health.GOOD


def test_a_stuck_lower_probe_of_two_is_found_out() -> None:
    """The one that decides and never moves: the trial is not answered, and gas stays shut."""
    night, water = Night(probes=TWO).second(6.8), Water(6.9)
    opened = 0.0
    for _ in range(6 * 3600):
        ph = water.step(1.0, night.gas)
        opened += night.gas is Gas.OPEN
        night.wait(1.0, min(max(ph, 6.81), 6.99))
    assert Reason.NO_EFFECT in night.reasons
    assert opened <= night.limits.trial_opening_s + 2


def test_readings_of_a_probe_that_is_not_there_are_nothing() -> None:
    """A probe number the chamber does not have changes nothing."""
    night = two(6.92)
    night.others[Signal.CHAMBER_PH, 7] = 5.0
    night.wait(5)
    assert night.gas is Gas.OPEN


def test_a_probe_set_aside_is_written_down_and_read_back() -> None:
    """A restored chamber knows which of its probes stands aside, and goes on the same."""
    night = three(6.92, 6.94).second(6.92, 7.5).wait(5)
    written = json.loads(json.dumps(night.chamber.snapshot()))
    twin = Chamber.restore(night.limits, written)
    assert twin._s.aside == night.chamber._s.aside
    assert list(twin._s.aside) == [2]
    seen, told = len(night.events), len(night.effects)
    night.second(6.92, 6.94).wait(60)
    assert [e for event in night.events[seen:] for e in twin.feed(event)] == [
        e for _, e in night.effects[told:]
    ]
    assert not twin._s.aside


def comes_and_goes(night: Night, seconds: int, slope_per_s: float, third: tuple[float, ...] = ()) -> Night:
    """Two probes move together; the third speaks every seventh second, or says ``third`` in turn."""
    for second in range(seconds):
        ph = round((night.ph or 0.0) + slope_per_s, 4)
        said = third[second % len(third)] if third else ph if second % 7 == 0 else None
        night.second(ph, said).wait(1, ph)
    return night


def test_a_probe_that_comes_and_goes_hides_no_answer() -> None:
    """One of three with a bad line: the water still answers the opening and the closing."""
    night = comes_and_goes(three(6.9, 6.9), 150, -0.001)
    assert not night.chamber.left().trial
    night.second(6.55, None).wait(2, 6.55)
    assert comes_and_goes(night, 120, 0.001).chamber.decision.verdict is Verdict.PROVED


def test_a_probe_that_comes_and_goes_hides_no_leak() -> None:
    """One of three with a bad line: water that falls on with the gas shut is still seen to."""
    night = comes_and_goes(three(6.9, 6.9), 30, -0.001)
    night.second(6.55, None).wait(2, 6.55)
    assert Reason.NOT_STOPPING in comes_and_goes(night, 260, -0.001).raised()


def test_a_wild_probe_that_is_set_aside_hides_no_answer() -> None:
    """One of three that leaps to and fro is set aside, and the two others prove what they see."""
    night = comes_and_goes(three(6.9, 6.9), 150, -0.001, third=(8.0, 5.0))
    assert night.gas is Gas.OPEN
    assert not night.chamber.left().trial


def test_one_set_aside_is_let_back_though_the_third_is_lost() -> None:
    """Of three one lost and one set aside is no majority; the one that is near again is let back."""
    night = three(6.92, 6.94).second(6.92, 7.5).wait(5)
    night.second(6.92, 7.5).wait(10, None)
    assert Reason.CHAMBER_PH_LOST in night.reasons
    night.second(6.92, 7.1).wait(40)
    assert night.chamber.decision.gas is Gas.CLOSED
    night.second(6.92, 7.0).wait(200)
    assert night.gas is Gas.OPEN
    night.second(6.92, 6.59).wait(1)
    assert night.chamber.decision.ph == 6.59
