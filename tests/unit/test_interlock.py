"""The interlock as a whole: the table is complete, reasons are kept, nothing opens by mistake."""

from __future__ import annotations

from dataclasses import replace

import pytest
from nightheron.guard.explain import until_text, why_lines
from nightheron.guard.interlock import RULES, TABLE
from nightheron.model import (
    NS,
    Act,
    AlarmClass,
    Clear,
    Gas,
    JournalSaid,
    KeeperSaid,
    Late,
    Observed,
    OtherOrder,
    Raise,
    Reason,
    Record,
    Signal,
    State,
    ValveSaid,
)

from tests.support.night import TANK, Night, Water, flowing, restarted
from tests.unit import test_drift, test_interlock_rows, test_interlock_signals, test_learned_rules, test_turn

TIED = (Reason.GUARD_LATE, Reason.KEEPER_LOST, Reason.VALVE_LOST, Reason.CHAMBER_PH_LOST)


def test_every_reason_has_one_row() -> None:
    """Every reason of the model has exactly one row, and ties go as they must."""
    assert sorted(RULES) == sorted(Reason)
    assert len(TABLE) + 1 == len(RULES)
    assert tuple(rule.reason for rule in TABLE[:4]) == TIED


@pytest.mark.parametrize("reason", Reason, ids=str)
def test_every_row_has_a_timeline(reason: Reason) -> None:
    """A row without a test of its own, named after it, is not done."""
    name = f"test_row_{reason}"
    places = (test_drift, test_interlock_rows, test_interlock_signals, test_learned_rules, test_turn)
    assert any(hasattr(one, name) for one in places), f"write {name}"


@pytest.mark.parametrize("rule", RULES.values(), ids=lambda rule: str(rule.reason))
def test_every_row_says_itself(rule: object) -> None:
    """Every row has words for a person: when it closes, how it resets, and what must happen to open."""
    row = RULES[rule.reason]  # type: ignore[attr-defined]  # parametrize hands over a plain object
    assert row.closes_when
    assert row.resets
    assert row.sentence
    assert row.opens_when or not row.objects


@pytest.mark.parametrize("reason", [r for r in Reason if RULES[r].objects], ids=str)
@pytest.mark.parametrize("state", [State.TRIPPED, State.LATCHED])
def test_every_reason_says_what_must_happen(reason: Reason, state: State) -> None:
    """Whatever stands, a person reads what must happen before gas opens, and why it is shut."""
    night = Night(tank=TANK)
    decision = replace(night.chamber.decision, reasons=(reason,), state=state)
    assert until_text(decision, night.limits).strip()
    assert why_lines(decision)[0][:2] == (reason.value, RULES[reason].sentence)


def test_until_names_the_release_of_a_latch() -> None:
    """A latched valve says that the report must agree and that a person releases it."""
    night = Night()
    decision = replace(night.chamber.decision, reasons=(Reason.VALVE_DISAGREES,), state=State.LATCHED)
    assert "nightheron release west" in until_text(decision, night.limits)


def test_ties_go_in_table_order() -> None:
    """Causes that stand in one evaluation are all recorded, and the first of the table is the reason."""
    night = flowing(probes=(replace(Night().limits.probes[0], stale_s=3.0),))
    night.now_ns += 20 * NS
    night.feed(Late(night.now_ns, 20.0))
    decision = night.closing()
    assert decision.reason is Reason.GUARD_LATE
    assert decision.reasons[:2] == (Reason.GUARD_LATE, Reason.CHAMBER_PH_LOST)


def test_a_later_symptom_never_hides_the_cause() -> None:
    """The first reason stays through later objections, until gas opens again."""
    night = flowing().reads(6.59)
    night.feed(KeeperSaid(night.now_ns, alive=False, why="gone"))
    night.feed(JournalSaid(night.now_ns, well=False)).wait(60, None)
    assert night.chamber.decision.reason is Reason.FLOOR
    assert set(night.reasons) >= {Reason.KEEPER_LOST, Reason.CHAMBER_PH_LOST, Reason.NOT_RECORDABLE}


def test_first_reason_survives_restarts() -> None:
    """A start while gas was shut goes on with that closing and its reason, start after start."""
    night = flowing().reads(6.59).wait(5, 6.6)
    for _ in range(3):
        night = restarted(night).wait(20)
        assert night.chamber.decision.reason is Reason.FLOOR
    night.wait(200, 6.9)
    assert (night.gas, night.chamber.decision.reason) == (Gas.OPEN, None)


def test_start_after_open_gas_is_starting() -> None:
    """A start that finds gas open closes for the reason of starting."""
    night = restarted(flowing())
    assert (night.gas, night.chamber.decision.reason) == (Gas.CLOSED, Reason.STARTING)


def test_a_latch_joining_a_cut_changes_the_state_only() -> None:
    """A latch that joins a cut makes it latched and leaves its first reason."""
    night = flowing().reads(6.59)
    assert night.chamber.decision.state is State.RESTING
    night.feed(OtherOrder(night.now_ns, 0, Gas.OPEN, "OPEN"))
    decision = night.chamber.decision
    assert (decision.state, decision.reason) == (State.LATCHED, Reason.FLOOR)


@pytest.mark.parametrize(
    "latch", [Reason.DEEP_LOW, Reason.NO_EFFECT, Reason.FOREIGN_ORDER, Reason.RESTARTS, Reason.NEW_JOURNAL]
)
def test_latches_survive_restarts(latch: Reason) -> None:
    """What needs a person needs one after any number of restarts, and is then released."""
    night = flowing()
    left = replace(night.chamber.left(), latched=(latch,), gas=Gas.CLOSED, reason=latch)
    for _ in range(3):
        night = Night(begin=False).start(left).wait(600)
        assert (night.gas, night.reasons, night.chamber.decision.reason) == (Gas.CLOSED, (latch,), latch)
        left = night.chamber.left()
    assert night.act(Act.RELEASE) == []
    assert night.wait(1).gas is Gas.OPEN


def test_not_stopping_survives_a_restart() -> None:
    """A leaking valve is still a leaking valve after a restart, until pH turns or a person acts."""
    night = flowing().wait(10, 6.8).reads(6.59).wait(300, 6.59, slope_per_s=-0.0005)
    assert Reason.NOT_STOPPING in night.reasons
    night = restarted(night).wait(200)
    assert Reason.NOT_STOPPING in night.reasons
    assert night.chamber.decision.state is State.LATCHED
    assert night.wait(200, 6.9).gas is Gas.OPEN, "pH turned after all"


def test_a_fall_after_a_restart_within_a_cut_is_seen() -> None:
    """A restart in the middle of a cut does not lose the question whether gas stopped."""
    night = restarted(flowing().reads(6.59).wait(5))
    night.wait(400, 6.59, slope_per_s=-0.0005)
    assert Reason.NOT_STOPPING in night.reasons


def test_service_outlives_restart_with_its_reminder() -> None:
    """A person's hold, and the reminder at its end, survive restarts; no timer ends it."""
    night = flowing()
    night.act(Act.SERVICE_ON, for_s=600.0)
    night = restarted(night).wait(500)
    assert night.raised() == []
    night = restarted(night).wait(120)
    assert night.raised() == [Reason.SERVICE]
    assert night.long(86400).gas is Gas.CLOSED


@pytest.mark.parametrize("for_s", [float("nan"), float("inf"), -1.0, 1e300])
def test_no_reminder_time_breaks_the_hold(for_s: float) -> None:
    """A hold with a senseless end is a hold without a reminder, not a fault."""
    night = flowing()
    night.act(Act.SERVICE_ON, for_s=for_s)
    assert (night.gas, night.chamber.decision.state) == (Gas.CLOSED, State.SERVICE)
    night.act(Act.SERVICE_OFF)
    assert night.wait(150).gas is Gas.OPEN


def test_close_by_hand_holds() -> None:
    """Gas that a person closed opens by no timer, only when the person ends the hold."""
    night = flowing()
    night.act(Act.CLOSE)
    assert night.long(86400).gas is Gas.CLOSED
    night.act(Act.SERVICE_OFF)
    assert night.wait(40).gas is Gas.OPEN


def test_a_refused_release_is_not_remembered() -> None:
    """A release before the cause is gone changes nothing, then or later."""
    night = flowing().wait(2500)
    assert night.chamber.decision.state is State.LATCHED
    night.wait(10, 6.65)
    assert night.act(Act.RELEASE)
    night.wait(600, 6.9)
    assert (night.gas, night.chamber.decision.state) == (Gas.CLOSED, State.LATCHED)
    assert night.act(Act.RELEASE) == []


def test_release_opens_nothing_itself() -> None:
    """A release ends the latch; settle and rest still decide when gas opens."""
    night = flowing().wait(2500)
    night.wait(5, 6.65).wait(2, 6.9)
    assert night.act(Act.RELEASE) == []
    assert (night.gas, night.reasons) == (Gas.CLOSED, (Reason.SETTLING,))


def test_release_of_nothing_is_no_refusal() -> None:
    """With nothing latched a release does nothing and is not refused."""
    night = flowing()
    assert (night.act(Act.RELEASE), night.gas) == ([], Gas.OPEN)


def test_a_low_unrequired_tank_closes_and_its_silence_does_not() -> None:
    """A tank that is not required closes when low; its silence alone is no objection."""
    night = flowing(tank=TANK, tank_ph=8.1)
    night.tank_ph = None
    assert night.wait(3600, 6.9).reasons[0] is not Reason.TANK_LOW
    night = flowing(tank=TANK)
    night.feed(Observed(night.now_ns, Signal.TANK_PH, 0, 7.6, "7.6"))
    assert night.closing().reason is Reason.TANK_LOW
    night.wait(600)
    assert Reason.TANK_LOW in night.reasons, "silence does not end it"


def test_buffer_at_the_end_of_service_latches_nothing() -> None:
    """A probe still in its buffer cup when service ends is no deep low of the chamber."""
    night = flowing().wait(60, 6.8).reads(6.2).wait(1, 6.2).wait(300, 6.9)
    night.act(Act.SERVICE_ON)
    night.wait(60, 4.01)
    night.act(Act.SERVICE_OFF)
    night.wait(60)
    assert night.chamber.decision.state is not State.LATCHED
    assert night.wait(60, 6.9).gas is Gas.OPEN


def test_late_by_no_number_is_late() -> None:
    """Lateness of any amount, also one that is no number, closes."""
    for gap_s in (float("nan"), float("inf"), 0.0, -5.0, 2.6):
        night = flowing()
        night.feed(Late(night.now_ns, gap_s))
        assert night.closing().reason is Reason.GUARD_LATE


def test_a_flapping_link_never_opens_within_the_rest() -> None:
    """A link that comes and goes keeps gas shut, since each return may have been with gas flowing."""
    night = flowing()
    for _ in range(30):
        night.feed(ValveSaid(night.now_ns, 0, link=False, acked=None)).wait(5)
        night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED)).wait(100)
        assert night.gas is Gas.CLOSED
    assert night.wait(25).gas is Gas.OPEN


def test_alarms_come_once_and_are_cleared_once() -> None:
    """Nothing is cleared that was not told, nothing told twice without growing worse."""
    night, water = Night(), Water()
    for hour in range(12):
        night.lives(1200, water)
        night.feed(ValveSaid(night.now_ns, 0, link=False, acked=None)).wait(90)
        night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED))
        night.wait(90 if hour % 2 else 20, None)
        night.feed(Late(night.now_ns, 4.0))
    told: dict[Reason, AlarmClass] = {}
    for _, effect in night.effects:
        if isinstance(effect, Raise):
            assert told.get(effect.reason) != effect.kind, effect
            told[effect.reason] = effect.kind
        elif isinstance(effect, Clear):
            del told[effect.reason]
    assert set(told) <= {Reason.GUARD_LATE, Reason.CHAMBER_PH_LOST}


def test_every_row_written_has_its_number() -> None:
    """Every recorded closing says on what evidence its reasons rest, in the order of the table."""
    night, water = Night(), Water()
    night.lives(4000, water)
    rows = [e.decision for _, e in night.effects if isinstance(e, Record)]
    assert any(row.reason is Reason.FLOOR for row in rows)
    order = list(RULES)
    for row in rows:
        assert [r for r, _ in row.evidence] == list(row.reasons)
        assert list(row.reasons) == sorted(row.reasons, key=order.index)
        assert (row.gas is Gas.OPEN) == (row.reason is None)
