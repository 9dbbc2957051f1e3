"""One timeline for every row of the interlock table: from its cause to gas shut, and back to permission."""

from __future__ import annotations

from dataclasses import replace

import pytest
from nightheron.guard.limits import ValveLimits
from nightheron.model import (
    NS,
    Act,
    AlarmClass,
    Gas,
    JournalSaid,
    KeeperSaid,
    Late,
    OtherOrder,
    Raise,
    Reason,
    State,
    Stopping,
    ValveSaid,
    Work,
)

from tests.support.night import TANK, Night, flowing, restarted

WITH_FEEDBACK = ValveLimits(lease_s=5.0, travel_s=2.0, feedback=True)


def shut_by(night: Night, reason: Reason, state: State) -> Night:
    """Gas is shut, and this is why."""
    decision = night.closing()
    assert (night.gas, night.chamber.decision.gas) == (Gas.CLOSED, Gas.CLOSED)
    assert (decision.reason, decision.state) == (reason, state)
    assert reason in decision.reasons
    assert decision.evidence[0][0] is decision.reasons[0]
    return night


def opens_after(night: Night, seconds: float) -> None:
    """It stays shut just until then, and opens by itself."""
    assert night.wait(seconds - 4).gas is Gas.CLOSED, "opened too soon"
    assert night.wait(8).gas is Gas.OPEN, night.reasons


def opens_only_by_release(night: Night) -> None:
    """No time opens it; a release with the cause gone does, into a trial opening."""
    night.wait(3600)
    assert (night.gas, night.chamber.decision.state) == (Gas.CLOSED, State.LATCHED)
    assert night.act(Act.RELEASE) == []
    night.wait(1)
    assert night.gas is Gas.OPEN, night.reasons
    assert night.chamber.left().trial


def test_row_guard_late() -> None:
    """A loop that stood still closes gas, which opens by itself after settle and rest."""
    night = flowing()
    night.feed(Late(night.now_ns, 3.0))
    shut_by(night, Reason.GUARD_LATE, State.TRIPPED)
    opens_after(night, 120)


def test_row_keeper_lost() -> None:
    """A lost keeper closes gas; with a new one that has its valve, settle and rest begin."""
    night = flowing()
    night.feed(KeeperSaid(night.now_ns, alive=False, why="silent"))
    shut_by(night, Reason.KEEPER_LOST, State.TRIPPED).wait(600)
    assert (night.gas, night.raised()) == (Gas.CLOSED, [Reason.KEEPER_LOST])
    night.feed(KeeperSaid(night.now_ns, alive=True))
    assert night.reasons[0] is Reason.VALVE_LOST, "the new keeper has no link yet"
    night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED))
    opens_after(night, 120)


def test_row_valve_lost() -> None:
    """A lost link closes gas; settle and rest count from the link's return, when CLOSE got through."""
    night = flowing()
    night.feed(ValveSaid(night.now_ns, 0, link=False, acked=None, why="no broker"))
    shut_by(night, Reason.VALVE_LOST, State.TRIPPED).wait(3600)
    assert (night.gas, night.raised()) == (Gas.CLOSED, [Reason.VALVE_LOST])
    night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED))
    opens_after(night, 120)


def test_row_chamber_ph_lost() -> None:
    """A silent probe closes gas at stale_s; after it speaks again gas opens by itself, as a trial."""
    night = flowing().wait(60, 6.8).wait(60, 6.7).wait(4.75, None)
    assert night.gas is Gas.OPEN
    assert not night.chamber.left().trial, "the opening was answered before"
    shut_by(night.wait(0.5), Reason.CHAMBER_PH_LOST, State.TRIPPED).wait(600)
    assert night.raised() == [Reason.CHAMBER_PH_LOST]
    night.ph = 6.9
    opens_after(night, 31)
    assert night.chamber.left().trial


def test_a_probe_whose_readings_each_come_just_too_late_is_told() -> None:
    """Lost for a second in every six it is told within four minutes, and not sooner than after the delay."""
    night, begun = flowing().wait(60, 6.8), 0.0
    while Reason.CHAMBER_PH_LOST not in night.raised():
        night.wait(5.75, None).reads(6.8)
        begun += 5.75
        assert begun < 240
    assert begun > night.limits.alarm_delay_s
    assert night.gas is Gas.CLOSED


def test_losses_with_a_quarter_of_an_hour_between_them_are_not_added_up() -> None:
    """Twenty short losses, each followed by calm, are told to nobody."""
    night = flowing().wait(60, 6.8)
    for _ in range(20):
        night.wait(10, None).reads(6.8)
        night.wait(899, 6.8).reads(6.8)
    assert Reason.CHAMBER_PH_LOST not in night.raised()


def test_row_floor() -> None:
    """One reading below the floor closes; gas opens at resume, after settle and rest."""
    night = flowing()
    shut_by(night.reads(6.59), Reason.FLOOR, State.RESTING)
    night.wait(300, 6.69)
    assert (night.gas, Reason.FLOOR in night.reasons) == (Gas.CLOSED, True)
    night.ph = 6.70
    opens_after(night, 31)


def test_row_planned_rest() -> None:
    """An opening that reached its longest time rests until pH has risen, at least the minimum rest."""
    night = flowing(longest_opening_s=900.0).wait(30, 6.86).wait(860, 6.8)
    shut_by(night.wait(60), Reason.PLANNED_REST, State.RESTING).wait(300)
    assert night.reasons == (Reason.PLANNED_REST,)
    night.ph = 6.86
    opens_after(night, 4)
    assert not night.raised()


def test_row_deep_low() -> None:
    """Far below the floor for three readings over five seconds with gas on latches until released."""
    night = flowing().reads(6.29)
    shut_by(night, Reason.FLOOR, State.TRIPPED)
    states = [night.wait(3, 6.29).chamber.decision.state for _ in range(2)]
    assert states == [State.TRIPPED, State.LATCHED], "not before five seconds are over"
    assert night.raised() == [Reason.DEEP_LOW]
    assert night.act(Act.RELEASE), "refused: still deep"
    night.wait(60, 6.65)
    assert "6.70 or above" in night.act(Act.RELEASE)[0]
    night.ph = 6.9
    opens_only_by_release(night)


def test_row_tank_low() -> None:
    """A low tank closes gas, and its clearing limit opens it again."""
    night = flowing(tank=TANK, tank_ph=8.1)
    night.tank_ph = 7.69
    shut_by(night.wait(1), Reason.TANK_LOW, State.TRIPPED)
    night.tank_ph = 7.79
    assert night.wait(600).gas is Gas.CLOSED
    night.tank_ph = 7.80
    assert night.wait(2).gas is Gas.OPEN


def test_a_tank_far_below_its_limit_wakes_at_once() -> None:
    """A tank that is a little low is told after the delay; one that is far low needs a hand now."""
    night = flowing(tank=TANK, tank_ph=8.1)
    night.tank_ph = 7.65
    night.wait(5)
    assert night.raised() == []
    night.tank_ph = 7.45
    night.wait(1)
    alarm = [effect for _, effect in night.effects if isinstance(effect, Raise)][-1]
    assert (alarm.reason, alarm.kind) == (Reason.TANK_LOW, AlarmClass.WAKE)
    assert "7.45" in alarm.text


def test_row_tank_ph_lost() -> None:
    """A required tank probe that falls silent closes gas; its voice opens it again."""
    night = flowing(tank=replace(TANK, required=True), tank_ph=8.1)
    night.tank_ph = None
    assert night.wait(59).gas is Gas.OPEN
    shut_by(night.wait(3), Reason.TANK_PH_LOST, State.TRIPPED).wait(300)
    night.tank_ph = 8.1
    assert night.wait(2).gas is Gas.OPEN


def test_row_no_effect() -> None:
    """A trial that nothing answers ends in a rest, and an unanswered rest latches until released."""
    night = flowing().wait(605)
    shut_by(night, Reason.PLANNED_REST, State.RESTING)
    assert night.wait(1785).chamber.decision.state is State.RESTING
    night.wait(30)
    assert night.chamber.decision.state is State.LATCHED
    assert night.chamber.decision.reason is Reason.PLANNED_REST
    assert (night.raised(), night.chamber.decision.test) == ([Reason.NO_EFFECT], "no_answer")
    opens_only_by_release(night)


def test_row_not_stopping() -> None:
    """Shut, and pH still falls after line and probe lag: a person is woken and nothing opens."""
    night = flowing().wait(10, 6.8).reads(6.59)
    night.wait(150, 6.59, slope_per_s=-0.001)
    assert night.raised() == []
    night.wait(60, slope_per_s=-0.001)
    assert night.chamber.decision.state is State.LATCHED
    assert night.raised() == [Reason.NOT_STOPPING]
    kinds = [e.kind for _, e in night.effects if isinstance(e, Raise)]
    assert kinds == [AlarmClass.WAKE]
    assert night.act(Act.RELEASE), "refused: below resume"
    assert night.wait(600).gas is Gas.CLOSED
    assert night.wait(300, 6.8).gas is Gas.OPEN, "pH turned after all during this closing"


def test_row_valve_disagrees() -> None:
    """Seen shut while ordered open resets by itself; seen open while ordered shut latches and wakes."""
    night = Night(valve=WITH_FEEDBACK).feedback(Gas.CLOSED).wait(125).feedback(Gas.CLOSED).wait(2)
    assert night.gas is Gas.OPEN
    shut_by(night.wait(0.25), Reason.VALVE_DISAGREES, State.TRIPPED)
    opens_after(night.feedback(Gas.CLOSED), 120)
    night.feedback(Gas.OPEN).reads(6.5)
    night.feedback(Gas.OPEN).wait(2.5, 6.9)
    assert night.chamber.decision.state is State.LATCHED
    assert night.raised() == [Reason.VALVE_DISAGREES]
    assert night.act(Act.RELEASE), "refused: still seen open"
    opens_only_by_release(night.feedback(Gas.CLOSED))


def test_row_foreign_order() -> None:
    """Somebody else's OPEN while ours is shut latches and wakes; ours standing open, it is noted only."""
    night = flowing()
    night.feed(OtherOrder(night.now_ns, 0, Gas.OPEN, "OPEN"))
    assert (night.gas, night.reasons) == (Gas.OPEN, ())
    night.reads(6.59).feed(OtherOrder(night.now_ns, 0, Gas.CLOSED, "CLOSE"))
    assert Reason.FOREIGN_ORDER not in night.reasons
    night.feed(OtherOrder(night.now_ns, 0, Gas.OPEN, "OPEN"))
    assert night.chamber.decision.state is State.LATCHED
    assert night.chamber.decision.reason is Reason.FLOOR, "the first reason of this closing"
    assert night.raised() == [Reason.FOREIGN_ORDER]
    night.ph = 6.9
    opens_only_by_release(night)


def test_row_not_recordable() -> None:
    """A journal that cannot be written closes gas, which opens by itself when it can."""
    night = flowing()
    night.feed(JournalSaid(night.now_ns, well=False))
    shut_by(night, Reason.NOT_RECORDABLE, State.TRIPPED).wait(600)
    night.feed(JournalSaid(night.now_ns, well=True))
    assert night.wait(1).gas is Gas.OPEN


def test_row_restarts() -> None:
    """More unclean starts in the hour than allowed latch; a person may release them at any time."""
    assert Night(begin=False).start(unclean=10).wait(125).gas is Gas.OPEN, "ten are allowed"
    night = Night(begin=False).start(unclean=11).wait(125)
    assert (night.gas, night.reasons) == (Gas.CLOSED, (Reason.RESTARTS,))
    night.wait(10, None)
    assert night.act(Act.RELEASE) == [], "at any time, also with the probe lost"
    night.ph = 6.9
    opens_after(night, 31)


def test_row_new_journal() -> None:
    """A lost journal starts latched, a journal replaced while running latches; a person releases it."""
    night = Night(begin=False).start(journal_new=True).wait(125)
    assert (night.gas, night.chamber.decision.reason) == (Gas.CLOSED, Reason.NEW_JOURNAL)
    opens_only_by_release(night)
    night.feed(JournalSaid(night.now_ns, well=True, replaced=True))
    shut_by(night, Reason.NEW_JOURNAL, State.LATCHED)


def test_row_service() -> None:
    """A person's hold closes, reminds at its end, and only a person ends it, into a trial opening."""
    night = flowing().wait(10, 6.8)
    night.act(Act.SERVICE_ON, for_s=1200.0)
    shut_by(night, Reason.SERVICE, State.SERVICE).wait(1199)
    assert night.raised() == []
    night.long(86400)
    assert (night.gas, night.raised()) == (Gas.CLOSED, [Reason.SERVICE])
    night.act(Act.SERVICE_OFF)
    opens_after(night, 31)
    assert night.chamber.left().trial


def test_row_commissioning() -> None:
    """Where commissioning is required and unfinished gas stays shut in standby; advised, it opens."""
    night = Night(commissioning_required=True).wait(600)
    decision = night.chamber.decision
    assert (night.gas, decision.state) == (Gas.CLOSED, State.STANDBY)
    assert decision.reasons == (Reason.COMMISSIONING,)
    assert Night(commissioning_required=False).wait(125).gas is Gas.OPEN
    done = Night(begin=False, commissioning_required=True).start(commissioned=True)
    assert done.wait(125).gas is Gas.OPEN


def test_row_work_done() -> None:
    """What hands changed closes open gas; it opens by itself after settle and rest, as a trial."""
    night = flowing().wait(60, 6.8)
    night.act(Act.CHANGED, work=Work.NEEDLE)
    shut_by(night, Reason.WORK_DONE, State.RESTING)
    assert night.closing().evidence[0][1] == "ana: needle valve set: cleaning"
    night.ph = 6.9
    opens_after(night, 120)
    assert night.chamber.left().trial


def test_row_starting() -> None:
    """Gas stays shut until the valve and every required signal have spoken, and from a stop on."""
    night = Night(begin=False, min_rest_s=1.0).start(says=False).wait(3600)
    assert Reason.STARTING in night.reasons
    assert night.chamber.decision.reason is Reason.STARTING
    night.feed(KeeperSaid(night.now_ns, alive=True))
    night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED))
    opens_after(night, 31)
    night.feed(Stopping(night.now_ns))
    shut_by(night, Reason.STARTING, State.RESTING)
    assert night.wait(3600).gas is Gas.CLOSED


def test_row_settling() -> None:
    """Every reading of the settle window must be at resume or above; one below begins it anew."""
    night = flowing(min_rest_s=1.0).reads(6.59).wait(28, 6.9)
    assert night.reasons == (Reason.SETTLING,)
    night.reads(6.69)
    opens_after(night, 31)


def test_row_min_rest() -> None:
    """However high pH is, gas stays shut for the least rest."""
    night = flowing().reads(6.59).wait(60, 7.2)
    assert night.reasons == (Reason.MIN_REST,)
    opens_after(night, 60)


def test_row_feedback_silent() -> None:
    """Feedback that is configured and never speaks is told and shown, and does not close gas."""
    night = Night(valve=WITH_FEEDBACK).wait(59)
    night.feedback(None).wait(70)
    decision = night.chamber.decision
    assert (night.gas, decision.test, decision.reasons) == (Gas.OPEN, "feedback_silent", ())
    assert night.raised() == [Reason.FEEDBACK_SILENT]
    night.feedback(Gas.OPEN).wait(5)
    assert night.chamber.decision.test != "feedback_silent"


def test_row_core_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault in the guard's own logic closes gas for good; only a new start, which is told of it, opens."""
    night = flowing()
    with monkeypatch.context() as broken:
        broken.setattr("nightheron.guard.chamber.judge", None)
        night.wait(1)
    shut_by(night, Reason.CORE_FAULT, State.LATCHED)
    night.act(Act.RELEASE)
    night.wait(3600)
    assert night.chamber.decision.state is State.LATCHED
    night = restarted(night).wait(125)
    assert night.gas is Gas.OPEN


def test_every_lease_is_finite() -> None:
    """No order to open reaches further than the lease."""
    night = flowing()
    assert 0 < night.open_until_ns - night.now_ns <= 5 * NS
