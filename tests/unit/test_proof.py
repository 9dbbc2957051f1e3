"""Open gas must be seen to act, closed gas must be seen to stop."""

from __future__ import annotations

import pytest
from nightheron.model import NS, Act, Gas, OtherOrder, Reason, State, ValveSaid, Verdict

from tests.support.night import Night, Water, flowing, restarted


def verdict(night: Night) -> Verdict | None:
    """What the water has said about the last closing."""
    return night.chamber.decision.verdict


def test_a_trial_that_is_answered_goes_on() -> None:
    """An answered trial is an ordinary opening, up to the longest."""
    night = flowing().wait(60, 6.9).wait(60, 6.8).wait(1500)
    assert (night.gas, night.chamber.left().trial) == (Gas.OPEN, False)


def test_less_than_three_times_the_noise_is_no_answer() -> None:
    """A fall of two digits in a quiet stream is no answer, a fall of four is."""
    for off, trial in ((0.02, True), (0.04, False)):
        night = flowing()
        for _ in range(30):
            night.wait(2, 6.9).wait(1, 6.91)
        night.wait(60, 6.9).wait(60, 6.9 - off)
        assert night.chamber.left().trial is trial


def test_an_unanswered_trial_rests_and_then_has_no_effect() -> None:
    """Trial, rest, latch: each at its time, and gas was open for the trial only."""
    night = flowing().wait(594)
    assert night.gas is Gas.OPEN
    assert night.wait(10).reasons == (Reason.PLANNED_REST, Reason.MIN_REST)
    night.wait(1780)
    assert night.chamber.decision.state is State.RESTING
    night.wait(20)
    assert night.reasons == (Reason.NO_EFFECT,)
    assert night.chamber.left().opened_day_s == pytest.approx(600, abs=1)


def test_a_rise_in_the_rest_answers_the_trial() -> None:
    """A trial too weak to be seen is answered by the rise in its rest; then openings are ordinary."""
    night = flowing().wait(610).wait(200, 6.97)
    assert (night.gas, night.chamber.left().trial) == (Gas.OPEN, False)
    assert night.wait(3000).gas is Gas.OPEN


def test_a_rest_lasts_at_least_the_minimum() -> None:
    """A rest that is answered at once still lasts the minimum rest."""
    night = flowing().wait(610).wait(90, 7.2)
    assert night.reasons == (Reason.PLANNED_REST, Reason.MIN_REST)


def test_a_long_opening_ends_in_a_rest_of_up_to_an_hour() -> None:
    """The longest opening ends in a planned rest, and an hour without a rise latches."""
    night = flowing(longest_opening_s=900.0).wait(30).wait(900, 6.8)
    assert night.chamber.decision.reason is Reason.PLANNED_REST
    night.wait(3560)
    assert Reason.NO_EFFECT not in night.reasons
    night.wait(90)
    assert night.chamber.decision.state is State.LATCHED


def test_a_probe_lost_in_the_rest_does_not_use_it_up() -> None:
    """Time without readings does not count as silence of the water."""
    night = flowing().wait(605).wait(7200, None)
    assert Reason.NO_EFFECT not in night.reasons
    assert night.wait(120, 7.0, slope_per_s=0.001).wait(180).gas is Gas.OPEN


def test_a_jump_answers_no_rest() -> None:
    """A leap up during a rest is no answer and ends in no_effect; a rise from there is one."""
    night = flowing().wait(610)
    assert Reason.PLANNED_REST in night.reasons
    night.wait(300).wait(120, 7.9)
    assert (verdict(night), night.gas) == (Verdict.PENDING, Gas.CLOSED)
    assert Reason.NO_EFFECT in night.wait(1500).reasons
    water = flowing().wait(610).wait(300).wait(10, 7.9).wait(60, slope_per_s=0.002)
    assert verdict(water) is Verdict.PROVED


def test_a_rise_that_nobody_saw_proves_nothing() -> None:
    """Across a silence of the probe nothing is proved, until the water rises further before our eyes."""
    night = flowing().wait(20, 6.55).wait(30, None).wait(60, 6.68)
    assert verdict(night) is Verdict.PENDING
    assert verdict(night.wait(60, slope_per_s=0.001)) is Verdict.PROVED


def test_water_that_was_rising_already_answers_nothing_by_rising_on() -> None:
    """With the cylinder empty pH rises while gas is ordered open, and as fast in the rest: no effect."""
    night = flowing().wait(610, slope_per_s=0.0005)
    assert Reason.PLANNED_REST in night.reasons
    assert verdict(night.wait(600, slope_per_s=0.0005)) is Verdict.PENDING
    assert Reason.NO_EFFECT in night.wait(1300, slope_per_s=0.0005).reasons


def test_water_that_rises_faster_without_gas_has_answered() -> None:
    """Too little gas to take pH down is still gas: without it pH rises faster, and that is an answer."""
    night = flowing().wait(610, slope_per_s=0.0001).wait(200, slope_per_s=0.0006)
    assert verdict(night) is Verdict.PROVED


def test_verdict_pending_then_proved() -> None:
    """After a closing the verdict is pending until pH has risen three times its noise."""
    night = flowing().wait(30, 6.8)
    assert verdict(night) is None
    night.reads(6.59).wait(20, 6.59)
    assert verdict(night) is Verdict.PENDING
    assert verdict(night.wait(20, 6.72)) is Verdict.PROVED


def test_verdict_not_proved_and_turning_after_all() -> None:
    """pH that falls on beyond the lag is not proved, refuses opening, and may turn after all."""
    night = flowing().wait(30, 6.8).reads(6.59).wait(149, 6.59, slope_per_s=-0.0005)
    assert verdict(night) is Verdict.PENDING, "line and probe lag explain this much"
    night.wait(200, slope_per_s=-0.0005)
    assert verdict(night) is Verdict.NOT_PROVED
    night.wait(60, 6.75)
    assert verdict(night) is Verdict.PROVED
    assert Reason.NOT_STOPPING not in night.reasons


def test_a_released_leak_is_not_asked_again_in_this_closing() -> None:
    """A person's release ends the question; what the water did then cannot be told any more."""
    night = flowing().wait(30, 6.8).reads(6.59).wait(400, 6.59, slope_per_s=-0.0005)
    night.act(Act.SERVICE_ON)
    night.wait(60, 6.9)
    night.act(Act.SERVICE_OFF)
    night.wait(1)
    assert verdict(night) in (Verdict.NOT_PROVED, Verdict.PROVED)
    assert night.act(Act.RELEASE) == []
    assert night.wait(130).gas is Gas.OPEN


def test_still_water_proves_nothing() -> None:
    """A closing without movement stays pending and refuses nothing; once gas opens it could not be told."""
    night = flowing()
    night.feed(ValveSaid(night.now_ns, 0, link=False, acked=None))
    night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED))
    assert verdict(night.wait(100)) is Verdict.PENDING
    assert (night.wait(25).gas, verdict(night)) == (Gas.OPEN, Verdict.COULD_NOT_TELL)


def test_service_ends_the_question() -> None:
    """Hands at the probe make a pending verdict one that could not be told."""
    night = flowing().reads(6.59)
    night.act(Act.SERVICE_ON)
    assert verdict(night) is Verdict.COULD_NOT_TELL


def test_unanswered_time_adds_up_across_closings() -> None:
    """A stuck probe does not get a new trial with each flap of the valve."""
    night = flowing()
    for _ in range(8):
        night.wait(100)
        night.feed(ValveSaid(night.now_ns, 0, link=False, acked=None))
        night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED)).wait(125)
    assert Reason.PLANNED_REST in night.reasons
    assert night.chamber.left().opened_day_s == pytest.approx(600, abs=3)


def test_unanswered_time_adds_up_across_restarts() -> None:
    """A stuck probe does not get a new trial with each restart."""
    night = flowing()
    for _ in range(8):
        night = restarted(night.wait(100)).wait(125)
    assert Reason.PLANNED_REST in night.reasons
    assert night.chamber.left().opened_day_s == pytest.approx(600, abs=3)


def test_a_rest_under_way_goes_on_after_a_restart() -> None:
    """A restart does not end a planned rest: it is answered by a rise, above what was seen before."""
    night = restarted(flowing().wait(620))
    assert Reason.PLANNED_REST in night.reasons
    assert night.wait(600).gas is Gas.CLOSED
    assert night.wait(40, 7.0).gas is Gas.OPEN


def test_a_rest_under_way_is_not_lengthened_without_end_by_one_restart() -> None:
    """After a restart the rest still ends in no_effect when nothing rises."""
    night = restarted(flowing().wait(620)).wait(1830)
    assert Reason.NO_EFFECT in night.reasons


def test_an_answer_before_a_restart_frees_what_came_before() -> None:
    """A chamber that answers starts each run with a clean account."""
    night, water = flowing(), Water()
    night.lives(1200, water)
    assert night.chamber.left().unanswered_s == 0.0
    night = restarted(night)
    night.lives(3000, water)
    assert night.gas is Gas.OPEN or night.chamber.decision.reason is Reason.FLOOR


def test_a_closing_by_a_lost_probe_answers_no_trial() -> None:
    """pH that rises after a lost probe proves the valve shut, and the next opening is still a trial."""
    night = flowing().wait(60, 6.9).wait(60, 6.8).wait(10, None)
    night.wait(60, 6.85, slope_per_s=0.001).wait(40)
    assert verdict(night) is Verdict.PROVED
    assert night.wait(30).gas is Gas.OPEN
    assert night.chamber.left().trial
    assert night.wait(610).chamber.decision.reason is Reason.PLANNED_REST


def test_hours_shut_at_one_value_do_not_shorten_the_next_opening() -> None:
    """A value that stood long while gas was shut says nothing about the opening that follows."""
    night = flowing()
    night.act(Act.SERVICE_ON)
    night.wait(8000, 7.4)
    night.act(Act.SERVICE_OFF)
    assert night.wait(180).gas is Gas.OPEN
    assert night.wait(60, 7.38).wait(600, 7.3).gas is Gas.OPEN


def test_a_value_that_stands_while_gas_flows_brings_the_rest_forward() -> None:
    """Half an hour at one value with gas open ends in a planned rest, long before the longest opening."""
    night = flowing().wait(30, 6.85).wait(30, 6.8).wait(1760)
    assert night.gas is Gas.OPEN
    assert night.wait(60).chamber.decision.reason is Reason.PLANNED_REST


@pytest.mark.parametrize("hours", [24])
def test_a_healthy_chamber_never_needs_a_person(hours: int) -> None:
    """Probe glitches, valve flaps, restarts, holds and silence leave a healthy chamber working by itself."""
    night, water = Night(), Water()
    for hour in range(hours):
        night.lives(2400, water)
        match hour % 6:
            case 0:
                night.wait(30, None)
            case 1:
                night.feed(ValveSaid(night.now_ns, 0, link=False, acked=None))
                night.lives(600, water)
                night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED))
            case 2:
                night = restarted(night)
            case 3:
                night.act(Act.SERVICE_ON)
                night.wait(300, 4.01).wait(300, 7.0)
                night.act(Act.SERVICE_OFF)
            case 4:
                night.reads(4.5).reads(14.2).reads(8.9)
            case _:
                night.feed(OtherOrder(night.now_ns, 0, Gas.CLOSED, "CLOSE"))
        night.lives(1200, water)
        assert night.chamber.decision.state is not State.LATCHED, (hour, night.chamber.decision)
    assert night.chamber.left().opened_day_s > 3600
    assert night.now_ns > 24 * 3600 * NS


def test_a_leak_that_begins_after_the_proof_is_told() -> None:
    """Gas shut and proved, then the valve passes gas: pH below the lowest of this closing is not stopping."""
    night = flowing().wait(60, 6.8).wait(60, 6.56).wait(400, 6.66)
    assert verdict(night) is Verdict.PROVED
    night.wait(600, 6.60)
    assert Reason.NOT_STOPPING not in night.reasons
    night.wait(240, 6.60, slope_per_s=-0.0005)
    assert Reason.NOT_STOPPING in night.reasons
    assert verdict(night.wait(60, 6.60)) is Verdict.PROVED


def test_a_proved_closing_is_not_doubted_while_hands_are_at_work() -> None:
    """The probe goes into a buffer of pH 4 during a hold: that is no gas."""
    night = flowing().wait(60, 6.8).wait(60, 6.56).wait(400, 6.66)
    night.act(Act.HOLD, for_s=600.0)
    night.wait(60, 4.05)
    assert Reason.NOT_STOPPING not in night.reasons


def test_one_step_of_the_reading_is_no_leak_and_a_leak_after_it_is() -> None:
    """A reading that drops by 0.3 at once with gas shut wakes nobody; falling on from there does."""
    night = flowing().wait(60, 6.8).wait(60, 6.56).wait(400, 6.66).wait(120, 6.36)
    assert Reason.NOT_STOPPING not in night.reasons
    night.wait(300, 6.36, slope_per_s=-0.0005)
    assert Reason.NOT_STOPPING in night.reasons


def test_a_leak_that_begins_after_proof_and_restart_is_told() -> None:
    """A proved closing is watched on over a restart, against its own lowest, and counted once."""
    night = flowing().wait(60, 6.8).wait(60, 6.56).wait(400, 6.66)
    again = restarted(restarted(night).wait(30))
    again.wait(600, 6.60)
    assert Reason.NOT_STOPPING not in again.reasons
    assert again.chamber.decision.verdicts_day == (1, 0, 0)
    again.wait(240, slope_per_s=-0.0005)
    assert Reason.NOT_STOPPING in again.reasons
    told = restarted(restarted(again).wait(30))
    assert told.chamber.decision.verdicts_day == (0, 1, 0), "a restart is no closing more"


def test_a_proof_of_an_earlier_closing_is_none_of_this() -> None:
    """Killed with gas flowing after a proved closing: the closing that the start makes is not proved."""
    night = flowing().wait(60, 6.8).wait(60, 6.56).wait(200, 6.9)
    assert (night.gas, verdict(night)) == (Gas.OPEN, Verdict.PROVED)
    again = restarted(night)
    assert verdict(again.wait(60, 6.9)) is Verdict.PENDING


def test_water_at_rest_that_falls_after_a_gap_of_the_probe_wakes_nobody() -> None:
    """Shut for long and proved, pH falls a little by itself at night: a lost line before that is no cause."""
    night = flowing(gas_budget_s_per_day=300.0).wait(320, 6.9, slope_per_s=-0.0005)
    night.wait(600, slope_per_s=0.001)
    assert verdict(night) is Verdict.PROVED
    night.wait(7, None).wait(300, 7.3).wait(1800, slope_per_s=-0.0001)
    assert Reason.NOT_STOPPING not in night.raised()
    night.wait(600, slope_per_s=-0.001)
    assert Reason.NOT_STOPPING in night.raised(), "below the lowest of this closing it is gas"


def test_a_probe_moved_beside_a_leak_opens_nothing() -> None:
    """Gas does not stop, then the probe goes into a buffer of pH 7: the alarm stands until a release."""
    night = flowing().wait(60, 6.9, slope_per_s=-0.002).wait(5, 6.55).wait(600, 6.55, slope_per_s=-0.0005)
    assert Reason.NOT_STOPPING in night.reasons
    low_ph = 6.25
    for second in range(600):
        night.wait(1, 7.0 - (7.0 - low_ph) * 0.95**second)
    assert (night.gas, Reason.NOT_STOPPING in night.reasons) == (Gas.CLOSED, True)
    night.act(Act.RELEASE)
    assert night.wait(300, 7.0).chamber.decision.trial_ends_ns is not None
