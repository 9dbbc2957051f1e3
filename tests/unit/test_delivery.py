"""An order that was sent is not an order taken: what the guard knows of its valve, and when it tells."""

from __future__ import annotations

from dataclasses import replace

from nightheron.guard.chamber import Chamber
from nightheron.guard.explain import in_words
from nightheron.model import NS, AlarmClass, Gas, KeeperSaid, Publish, Raise, Reason, Stopping, ValveSaid
from nightheron.runtime.recorder import text_of

from tests.support.night import Night, flowing, limits, restarted

TIMED = replace(limits().valve, device_timer_s=10.0)


def answers(night: Night, gas: Gas) -> Night:
    """The valve acknowledges an order."""
    return night.feed(ValveSaid(night.now_ns, 0, link=True, acked=gas))


def loses(night: Night) -> Night:
    """The link to the valve is gone."""
    return night.feed(ValveSaid(night.now_ns, 0, link=False, acked=None, why="connection reset"))


def open_and_lost(**changes: object) -> Night:
    """Gas flows, the valve has taken that order, and then it cannot be reached."""
    return loses(answers(flowing(None, **changes), Gas.OPEN))


def alarms(night: Night, reason: Reason) -> list[Raise]:
    return [e for _, e in night.effects if isinstance(e, Raise) and e.reason is reason]


def test_an_order_is_delivered_when_the_valve_takes_it() -> None:
    """Each new order is undelivered until it, and no earlier one, is acknowledged."""
    night = flowing()
    assert night.chamber.decision.delivered is False
    answers(night, Gas.OPEN).wait(1)
    assert night.chamber.decision.delivered is True
    night.wait(1, 6.5)
    assert night.chamber.decision.gas is Gas.CLOSED
    assert (night.chamber.decision.delivered, night.chamber.decision.taken) == (False, Gas.OPEN)
    answers(night, Gas.OPEN)  # it was on its way
    assert night.chamber.decision.delivered is False
    answers(night, Gas.CLOSED)
    assert night.chamber.decision.delivered is True
    loses(night).wait(20)
    assert night.chamber.decision.delivered is True, "it was shut before it was lost"


def test_an_order_to_open_may_have_arrived_unanswered() -> None:
    """A valve lost before it answered OPEN counts as last known open; an old CLOSE changes nothing."""
    night = answers(flowing(), Gas.CLOSED)
    assert (night.chamber.decision.delivered, night.chamber.decision.taken) == (False, Gas.OPEN)
    loses(night).wait(4)
    assert alarms(night, Reason.VALVE_LOST)[0].kind is AlarmClass.WAKE


def test_delivery_makes_no_rows() -> None:
    """That an order was taken is told with the next row and is no decision of its own."""
    night = flowing()
    before, told = night.chamber.decision, len(night.effects)
    answers(night, Gas.OPEN)
    assert night.chamber.decision.same_as(before)
    effects = [effect for _, effect in night.effects[told:]]
    assert [type(effect) for effect in effects] == [Publish], "whoever listens is told at once"


def test_a_lost_valve_that_may_be_open_wakes_somebody_at_once() -> None:
    """Gas that may still flow is told after 3 s, as an alarm that wakes, and says what to do."""
    night = open_and_lost()
    night.wait(2)
    assert not alarms(night, Reason.VALVE_LOST)
    night.wait(2)
    (alarm,) = alarms(night, Reason.VALVE_LOST)
    assert alarm.kind is AlarmClass.WAKE
    assert "CLOSE NOT DELIVERED for 3 s" in alarm.text
    assert "gas may still flow. NOW: shut the hand valve at the cylinder" in alarm.text
    assert "call for help" in alarm.text
    night.wait(120)
    assert len(alarms(night, Reason.VALVE_LOST)) == 1


def test_a_lost_keeper_that_may_have_left_gas_open_wakes_somebody() -> None:
    """A valve process that is gone while gas flows is told like a lost valve."""
    night = answers(flowing(), Gas.OPEN)
    night.feed(KeeperSaid(night.now_ns, alive=False, why="it ended")).wait(4)
    assert alarms(night, Reason.KEEPER_LOST)[0].kind is AlarmClass.WAKE


def test_a_lost_valve_that_is_shut_can_wait() -> None:
    """A valve that took the close, or has a timer of its own, is told as a notice after the delay."""
    shut = answers(answers(flowing(), Gas.OPEN).wait(1, 6.5), Gas.CLOSED)
    for night in (loses(shut), open_and_lost(valve=TIMED)):
        night.wait(50)
        assert not alarms(night, Reason.VALVE_LOST)
        night.wait(20)
        assert [one.kind for one in alarms(night, Reason.VALVE_LOST)] == [AlarmClass.NOTICE]


def test_an_alarm_without_delay_still_becomes_one_that_wakes() -> None:
    """Where alarms have no delay, the notice of a lost valve grows worse when its close is not taken."""
    night = open_and_lost(alarm_delay_s=0.0).wait(4)
    assert [one.kind for one in alarms(night, Reason.VALVE_LOST)] == [AlarmClass.NOTICE, AlarmClass.WAKE]


def test_a_restart_remembers_that_gas_may_flow() -> None:
    """A start after gas was left open, or a close untaken, takes the valve as last known open."""
    lost = open_and_lost().wait(1)
    for night in (flowing(), lost):
        again = restarted(night, says=False).wait(14)
        assert again.chamber.decision.taken is Gas.OPEN
        assert again.chamber.decision.taken_ns is None
        assert again.raised()
        assert all(e.kind is AlarmClass.WAKE for _, e in again.effects if isinstance(e, Raise))
    never = Night(begin=False).start(says=False).wait(20)
    assert restarted(never, says=False).chamber.decision.taken is None
    calm = answers(flowing().wait(1, 6.5), Gas.CLOSED)
    assert restarted(calm, says=False).chamber.decision.taken is Gas.CLOSED


def test_a_floor_that_was_not_delivered_is_not_normal_work() -> None:
    """The floor is called normal work only once the valve has taken the close."""
    night = answers(flowing(), Gas.OPEN).wait(1, 6.5)
    assert "normal work" not in in_words(Reason.FLOOR, night.chamber.decision)
    answers(night, Gas.CLOSED)
    assert "normal work" in in_words(Reason.FLOOR, night.chamber.decision)


def test_a_stop_is_not_called_a_start() -> None:
    """The row of a stop says that the service is stopping, and nothing of starting."""
    night = flowing().wait(1)
    night.feed(Stopping(night.now_ns))
    assert in_words(Reason.STARTING, night.chamber.decision) == "the service is stopping"
    assert text_of(night.chamber.decision) == "gas ordered shut: the service is stopping"


def test_evidence_with_an_age_is_worked_out_anew() -> None:
    """A standing reason shows its age and its count as they are now, and a reading as it was."""
    night = flowing().wait(1, 6.55)
    night.wait(10, 6.65)
    evidence = dict(night.chamber.decision.evidence)
    assert evidence[Reason.MIN_REST] == "10 of 120 s"
    assert "6.55" in evidence[Reason.FLOOR]
    night.wait(9, None)
    assert "last reading 9.0 s ago" in dict(night.chamber.decision.evidence)[Reason.CHAMBER_PH_LOST]
    night.wait(60, None)
    assert "last reading 65." in alarms(night, Reason.CHAMBER_PH_LOST)[0].text


def test_a_trial_has_an_end_until_the_water_answers() -> None:
    """A trial opening says when it ends; an opening that was answered has no such end."""
    night = flowing(trial_opening_s=60.0)
    ends_ns = night.chamber.decision.trial_ends_ns
    assert ends_ns is not None
    night.wait(10)
    assert night.chamber.decision.trial_ends_ns == ends_ns
    assert 0 < (ends_ns - night.now_ns) / NS <= 60
    night.wait(30, slope_per_s=-0.005)
    assert night.gas is Gas.OPEN
    assert night.chamber.decision.trial_ends_ns is None


def test_a_fault_of_the_core_still_hears_the_valve() -> None:
    """After a fault inside, whether the valve took the close is still known."""
    night = answers(flowing(), Gas.OPEN)
    night.chamber._s.probes = None  # type: ignore[assignment]  # a broken inside
    night.feed(ValveSaid(night.now_ns, 0, link=True, acked=None))
    assert night.reasons == (Reason.CORE_FAULT,)
    assert night.chamber.decision.delivered is False
    answers(night, Gas.CLOSED)
    assert night.chamber.decision.delivered is True


def test_a_snapshot_keeps_what_the_valve_took() -> None:
    """A restored chamber knows the same of its valve."""
    night = open_and_lost().wait(1)
    again = Chamber.restore(night.limits, night.chamber.snapshot())
    assert again.decision == night.chamber.decision
    assert again.snapshot() == night.chamber.snapshot()
