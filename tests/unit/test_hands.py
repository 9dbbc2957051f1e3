"""What hands do: changes, proof tests and bleeds, each on a chamber's timeline."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from nightheron.guard.chamber import Chamber
from nightheron.guard.hands import LONGEST_BLEED_S
from nightheron.guard.work import WORKS
from nightheron.journal.pack import pack, unpack
from nightheron.model import (
    NS,
    Act,
    Acted,
    Clear,
    Close,
    Committed,
    Gas,
    JournalSaid,
    KeeperSaid,
    Late,
    OpenUntil,
    OtherOrder,
    Raise,
    Reason,
    Record,
    Started,
    State,
    Stopping,
    Verdict,
    Work,
)

from tests.support.night import TANK, Night, Water, flowing, limits, restarted


def held(**changes: object) -> Night:
    """A person holds the gas, the water is well, and nothing else stands against gas."""
    night = Night(**changes)  # type: ignore[arg-type]  # fields of ChamberLimits by name
    night.act(Act.SERVICE_ON)
    return night.wait(130, 6.9)


def bleeding(seconds: float = 60.0, **changes: object) -> Night:
    """Gas flows for a bleed."""
    night = held(**changes)
    assert night.act(Act.BLEED, for_s=seconds) == []
    assert night.gas is Gas.OPEN
    return night


def only_held(night: Night) -> bool:
    """Gas is shut, and beside the hold only what any closing waits for stands."""
    waits = {Reason.SERVICE, Reason.SETTLING, Reason.MIN_REST}
    return night.gas is Gas.CLOSED and Reason.SERVICE in night.reasons and set(night.reasons) <= waits


def leases(night: Night) -> list[tuple[int, int]]:
    """When each opening was ordered or renewed, and until when."""
    return [(at_ns, e.until_ns) for at_ns, e in night.effects if isinstance(e, OpenUntil)]


# -- bleeds --


def test_a_bleed_is_open_for_its_seconds_and_held_again() -> None:
    """Gas flows just as long as was asked for, then the hold stands again, and no time ends that."""
    night = bleeding(20.0)
    decision = night.chamber.decision
    assert (decision.state, decision.reasons) == (State.FLOWING, ())
    assert decision.bleed_ends_ns == night.now_ns + 20 * NS
    assert night.wait(19.75).gas is Gas.OPEN
    assert night.wait(0.25).gas is Gas.CLOSED
    decision = night.closing()
    assert (decision.reason, decision.state) == (Reason.SERVICE, State.SERVICE)
    assert decision.evidence[0][1] == "ana: cleaning", "the first hold's words"
    assert decision.bleed_ends_ns is None
    assert night.wait(7200).gas is Gas.CLOSED


def test_no_lease_of_a_bleed_reaches_beyond_it() -> None:
    """Whoever holds the valve shuts it at the bleed's end even when the guard says nothing more."""
    night = bleeding(8.0)
    end_ns = night.now_ns + 8 * NS
    night.wait(8)
    assert len(leases(night)) > 3
    assert max(until_ns for _, until_ns in leases(night)) == end_ns


def test_a_bleed_needs_a_hold() -> None:
    """Without hands at the valve there is nothing to set aside: refused, also with gas open."""
    assert "hold" in flowing().act(Act.BLEED, for_s=10.0)[0]
    night = flowing().reads(6.59)
    assert night.act(Act.BLEED, for_s=10.0)
    assert night.gas is Gas.CLOSED


@pytest.mark.parametrize(
    "for_s", [None, 0.0, 0.5, -1.0, LONGEST_BLEED_S + 1, 1e300, float("nan"), float("inf")]
)
def test_a_bleed_has_a_bounded_length(for_s: float | None) -> None:
    """Any other length than one second to two minutes is refused."""
    night = held()
    assert "1 to 120 s" in night.act(Act.BLEED, for_s=for_s)[0]
    assert night.wait(5).gas is Gas.CLOSED


def test_the_shortest_bleed_is_a_second() -> None:
    """One second is a bleed, and half the lease is no matter."""
    night = bleeding(1.0)
    assert night.wait(0.75).gas is Gas.OPEN
    assert night.wait(0.25).gas is Gas.CLOSED


def test_a_latch_stands_against_a_bleed() -> None:
    """What needs a person's release needs it before a bleed too, though its condition is over."""
    night = flowing().reads(6.29).wait(8, 6.29)
    night.act(Act.SERVICE_ON)
    night.wait(130, 6.9)
    assert "far below its floor" in night.act(Act.BLEED, for_s=10.0)[0]


def test_a_hold_ended_before_the_bleed_has_begun() -> None:
    """A hold that is ended while the bleed's row is under way withdraws it, and says so."""
    night = held()
    night.commits = False
    night.act(Act.BLEED, for_s=10.0)
    night.act(Act.SERVICE_OFF)
    decision = night.chamber.decision
    assert (decision.gas, decision.reason) == (Gas.CLOSED, Reason.WORK_DONE)


@pytest.mark.parametrize(
    ("event", "says"),
    [
        (OtherOrder(0, 0, Gas.OPEN, "OPEN"), "somebody else ordered"),
        (JournalSaid(0, well=False), "the journal cannot be written"),
        (KeeperSaid(0, alive=False), "process that holds the valve"),
        (Stopping(0), "stopping"),
    ],
    ids=lambda one: type(one).__name__,
)
def test_every_other_rule_stands_in_the_way(event: OtherOrder, says: str) -> None:
    """A bleed is refused by whatever else stands, which is named, and is not remembered."""
    night = held()
    night.feed(replace(event, at_ns=night.now_ns))
    before = json.dumps(night.chamber.snapshot())
    refused = night.act(Act.BLEED, for_s=10.0)
    assert says in refused[0]
    assert json.dumps(night.chamber.snapshot()) == before
    night.feed(JournalSaid(night.now_ns, well=True)).feed(KeeperSaid(night.now_ns, alive=True))
    assert night.wait(600).gas is Gas.CLOSED


@pytest.mark.parametrize(
    ("ph", "says"), [(6.69, "steady readings"), (6.5, "floor"), (6.2, "far below"), (None, "no good reading")]
)
def test_a_bleed_is_judged_by_the_readings(ph: float | None, says: str) -> None:
    """Readings that permit nothing while a person works are judged for a bleed as at any time."""
    night = held().wait(20, ph)
    assert says in night.act(Act.BLEED, for_s=10.0)[0]
    assert only_held(night)


def test_a_bleed_waits_for_rest_and_commissioning() -> None:
    """The minimum rest counts between bleeds, and a chamber that is not commissioned has none."""
    night = bleeding(10.0).wait(70)
    assert "60 of 120 s" in night.act(Act.BLEED, for_s=10.0)[0]
    assert night.wait(60).act(Act.BLEED, for_s=10.0) == []
    assert "commissioning" in held(commissioning_required=True).act(Act.BLEED, for_s=10.0)[0]
    assert "tank" in held(tank=replace(TANK, required=True)).act(Act.BLEED, for_s=10.0)[0]


def test_a_bleed_is_never_made_longer() -> None:
    """Asking again while it flows is refused and changes nothing."""
    night = bleeding(10.0).wait(5)
    assert "none is made longer" in night.act(Act.BLEED, for_s=120.0)[0]
    assert night.wait(5).gas is Gas.CLOSED


@pytest.mark.parametrize("ph", [6.59, 6.2, None])
def test_any_objection_ends_a_bleed(ph: float | None) -> None:
    """What would close gas at any other time ends a bleed, is its reason, and it does not come back."""
    night = bleeding(100.0, min_rest_s=1.0)
    night.wait(1 if ph else 6, ph)
    assert night.gas is Gas.CLOSED
    assert night.closing().reason in (Reason.FLOOR, Reason.CHAMBER_PH_LOST)
    assert Reason.SERVICE in night.closing().reasons
    assert night.wait(300, 6.9).gas is Gas.CLOSED
    assert Reason.SERVICE in night.reasons


def test_lateness_ends_a_bleed() -> None:
    """A guard that was held up shuts, and does not go on with what was left of the seconds."""
    night = bleeding(100.0, min_rest_s=1.0)
    night.feed(Late(night.now_ns, 3.0)).wait(60)
    assert only_held(night)


@pytest.mark.parametrize("act", [Act.SERVICE_ON, Act.CLOSE, Act.HOLD])
def test_whoever_closes_ends_a_bleed(act: Act) -> None:
    """A person or a button that shuts the gas ends the bleed at once, and the hold stays."""
    night = bleeding(100.0)
    night.act(act)
    assert night.gas is Gas.CLOSED
    assert only_held(night.wait(600))


@pytest.mark.parametrize(("act", "work"), [(Act.SERVICE_OFF, None), (Act.CHANGED, Work.NEEDLE)])
def test_ending_the_work_during_a_bleed_closes_first(act: Act, work: Work | None) -> None:
    """Neither the end of a hold nor a finished change lets the gas of a bleed go on as an opening."""
    night = bleeding(100.0)
    night.act(act, work=work)
    assert (night.gas, night.closing().reason) == (Gas.CLOSED, Reason.WORK_DONE)
    night.wait(119)
    assert night.gas is Gas.CLOSED
    if act is Act.SERVICE_OFF:
        assert night.wait(3).gas is Gas.OPEN
        assert night.chamber.left().trial


def test_a_restart_ends_a_bleed() -> None:
    """A service that starts while a bleed was on finds gas held shut."""
    night = restarted(bleeding(100.0)).wait(600, 6.9)
    assert only_held(night)


def test_a_bleed_that_waits_too_long_for_its_row_never_opens() -> None:
    """The seconds count from the asking: a row that reaches the disk after them opens nothing."""
    night = held()
    night.commits = False
    assert night.act(Act.BLEED, for_s=5.0) == []
    row = next(e for _, e in reversed(night.effects) if isinstance(e, Record))
    assert row.decision.gas is Gas.OPEN
    night.wait(5).feed(Committed(night.now_ns, row.token))
    assert (leases(night), night.gas) == ([], Gas.CLOSED)
    assert isinstance(night.effects[-1][1], Close) or Reason.SERVICE in night.reasons


def test_bleeds_count_as_open_gas() -> None:
    """What flowed counts in the day's open time, and unanswered bleeds use up the trial."""
    night = bleeding(100.0, trial_opening_s=150.0).wait(130)
    assert night.chamber.left().opened_day_s == 100.0
    night.wait(90)
    assert night.act(Act.BLEED, for_s=100.0) == []
    night.wait(60)
    assert (night.gas, night.closing().reason) == (Gas.CLOSED, Reason.PLANNED_REST)
    assert night.chamber.left().opened_day_s == pytest.approx(150.0, abs=0.5)
    assert "planned rest" in night.wait(130).act(Act.BLEED, for_s=10.0)[0]


def test_a_reminder_comes_again_after_a_bleed() -> None:
    """A hold whose reminder is due is told anew when the bleed is over."""
    night = Night()
    night.act(Act.SERVICE_ON, for_s=100.0)
    night.wait(150)
    night.act(Act.BLEED, for_s=5.0)
    assert night.wait(6).raised() == [Reason.SERVICE, Reason.SERVICE]
    assert sum(e == Clear(Reason.SERVICE) for _, e in night.effects) == 1


# -- holds --


def test_a_button_holds_and_changes_no_hold() -> None:
    """A button begins a hold with its own reminder; a person's hold keeps its words and its reminder."""
    night = flowing()
    night.act(Act.HOLD, for_s=60.0)
    assert (night.gas, night.chamber.decision.state) == (Gas.CLOSED, State.SERVICE)
    assert night.wait(61).raised() == [Reason.SERVICE]
    night.feed(Acted(night.now_ns, Act.HOLD, "button", "again", for_s=1e6))
    assert night.chamber.decision.evidence[0][1] == "ana: cleaning"
    assert night.wait(7200).gas is Gas.CLOSED
    night.act(Act.SERVICE_OFF)
    assert night.wait(35).gas is Gas.OPEN


def test_ending_no_hold_changes_nothing() -> None:
    """Without a hold its end is nothing: gas flows on, and no trial is demanded."""
    night, water = Night(), Water()
    night.lives(400, water)
    before = night.chamber.snapshot()
    assert night.act(Act.SERVICE_OFF) == []
    assert (night.gas, night.chamber.snapshot()) == (Gas.OPEN, before)


def test_a_hold_begun_again_before_its_reminder_clears_nothing() -> None:
    """Only what was told is cleared; a reminder of no time at all is told at once."""
    night = flowing()
    night.act(Act.SERVICE_ON, for_s=60.0)
    night.act(Act.SERVICE_ON, for_s=0.0)
    assert [type(e) for _, e in night.effects if isinstance(e, Raise | Clear)] == [Raise]


def test_a_new_hold_answers_the_reminder_of_the_old() -> None:
    """A hold that is begun again after its reminder clears it, and its own comes at its own end."""
    night = flowing()
    night.act(Act.SERVICE_ON, for_s=60.0)
    night.wait(61)
    night.act(Act.SERVICE_ON, for_s=600.0)
    assert isinstance(night.effects[-1][1], Clear)
    night.wait(300)
    night.act(Act.SERVICE_OFF)
    raised = [e for _, e in night.effects if isinstance(e, Raise | Clear)]
    assert raised[1:] == [Clear(Reason.SERVICE)], "nothing is left standing"


# -- what was changed --


@pytest.mark.parametrize("work", Work, ids=str)
def test_after_any_work_a_trial_opening_follows(work: Work) -> None:
    """Whatever hands changed, gas is shut first, and the next opening must be answered."""
    night, water = Night(), Water()
    night.lives(400, water)
    assert (night.gas, night.chamber.left().trial) == (Gas.OPEN, False), "answered long ago"
    night.act(Act.CHANGED, work=work)
    assert night.chamber.decision.gas is Gas.CLOSED
    if WORKS[work].holds:
        assert only_held(night.wait(7200)), night.reasons
        night.act(Act.SERVICE_OFF)
    night.wait(125, 6.9)
    assert night.gas is Gas.OPEN
    assert night.chamber.left().trial
    assert night.wait(600).closing().reason is Reason.PLANNED_REST, "a trial that nothing answers ends"


def test_a_rise_in_the_closing_does_not_spare_the_trial() -> None:
    """Work that ends an opening leaves a trial, though the water turns meanwhile."""
    night = flowing()
    night.act(Act.CHANGED, work=Work.CYLINDER)
    night.wait(60, 6.9).wait(60, 7.0)
    assert night.chamber.decision.verdict is Verdict.PROVED
    assert night.chamber.left().trial


def test_a_new_probe_is_learned_anew() -> None:
    """Only another probe makes the guard forget the digit, the noise and the standstill of the old."""
    for work in Work:
        night, water = Night(), Water()
        night.lives(300, water)
        left = night.chamber.left()
        assert left.digit_ph is not None
        night.act(Act.CHANGED, work=work)
        again = night.chamber.left()
        assert (again.digit_ph, again.steps) == ((None, 0) if work is Work.PROBE else (left.digit_ph, 8))


def test_work_asks_the_question_of_a_planned_rest_anew() -> None:
    """After work a rest that waited for its answer is over, and a whole trial is given again."""
    night = flowing().wait(600)
    assert Reason.PLANNED_REST in night.reasons
    night.act(Act.CHANGED, work=Work.CYLINDER)
    for _ in range(125):
        night.wait(1 if night.gas is Gas.CLOSED else 0)
    assert night.wait(590).gas is Gas.OPEN
    assert night.wait(15).closing().reason is Reason.PLANNED_REST


def test_a_level_from_before_the_work_proves_nothing() -> None:
    """A probe that was put right reads otherwise; that step is no answer of the water."""
    night = flowing().reads(6.5).wait(60, 6.5)
    night.act(Act.CHANGED, work=Work.PROBE)
    assert night.wait(60, 6.6).chamber.decision.verdict is Verdict.PENDING
    assert night.wait(60, 6.69).chamber.decision.verdict is Verdict.PROVED


def test_the_noise_of_an_old_probe_is_forgotten() -> None:
    """A probe that was noisy and is replaced is not called noisy for what the old one did."""
    night = Night()
    for step in range(60):
        night.wait(1, 6.9 + 0.2 * (step % 2))
    assert night.chamber.decision.test == "noisy"
    night.act(Act.CHANGED, work=Work.PROBE)
    assert night.chamber.decision.test != "noisy"


def test_changed_ends_no_latch() -> None:
    """What needs a person's release needs it after any work, and a leaking valve is still one."""
    night = flowing().wait(2500)
    assert Reason.NO_EFFECT in night.reasons
    night.act(Act.CHANGED, work=Work.CYLINDER)
    assert night.wait(600).reasons == (Reason.NO_EFFECT,)
    night = flowing().reads(6.59).wait(300, 6.59, slope_per_s=-0.0005)
    night.act(Act.CHANGED, work=Work.NEEDLE)
    assert Reason.NOT_STOPPING in night.wait(30).reasons


def test_changed_without_a_word_is_refused() -> None:
    """Who says that something was changed says what."""
    night = flowing()
    assert night.act(Act.CHANGED) == ["it was not said what was changed"]
    assert night.gas is Gas.OPEN


@pytest.mark.parametrize("work", Work, ids=str)
def test_every_work_has_its_cautions(work: Work) -> None:
    """Every kind of work has cautions first, things to look at, and a word of what is forgotten."""
    row = WORKS[work]
    assert row.cautions
    assert row.looks
    assert row.forgot
    assert row.done


# -- the proof test --


def test_a_proof_test_is_a_planned_rest_now() -> None:
    """Gas is shut, who asked is on record, and it opens by itself once the water was seen to turn."""
    night, water = Night(), Water()
    night.lives(400, water)
    assert night.gas is Gas.OPEN
    assert night.act(Act.TEST) == []
    decision = night.closing()
    assert (decision.reason, decision.verdict) == (Reason.PLANNED_REST, Verdict.PENDING)
    assert decision.evidence[0][1] == "proof test by ana: cleaning"
    night.lives(100, water)
    assert (night.gas, night.chamber.decision.verdict) == (Gas.CLOSED, Verdict.PROVED)
    shut_ns = night.now_ns
    while max(at_ns for at_ns, _ in leases(night)) < shut_ns and night.now_ns < shut_ns + 900 * NS:
        night.lives(1, water)
    night.lives(30, water)
    assert night.chamber.decision.gas is Gas.OPEN, "one test shuts once"


def test_a_proof_test_of_a_leaking_valve_says_so() -> None:
    """A valve that passes gas while it is shut is found by the test, and keeps gas refused."""
    night = flowing().wait(60, 6.8)
    night.act(Act.TEST)
    night.wait(300, 6.8, slope_per_s=-0.0005)
    assert night.chamber.decision.verdict is Verdict.NOT_PROVED
    assert Reason.NOT_STOPPING in night.reasons


def test_a_proof_test_nobody_answers_ends_as_any_rest() -> None:
    """A reading that does not move at all ends in no effect, and waits for a person."""
    night = flowing()
    night.act(Act.TEST)
    assert night.wait(1900).reasons == (Reason.NO_EFFECT,)
    assert night.chamber.decision.verdict is Verdict.PENDING


@pytest.mark.parametrize("night", [Night, lambda: flowing().reads(6.5), held, bleeding])
def test_a_proof_test_needs_open_gas(night: object) -> None:
    """With gas shut, held or bleeding there is no closing to watch: refused, and nothing changes."""
    one: Night = night()  # type: ignore[operator]  # one of the four above
    gas, reasons = one.gas, one.reasons
    assert one.act(Act.TEST)
    assert (one.gas, one.reasons) == (gas, reasons)


def test_a_proof_test_of_an_opening_under_way_is_refused() -> None:
    """While the row of an opening is being written there is nothing to shut yet."""
    night = Night()
    night.commits = False
    night.wait(125)
    assert "not open" in night.act(Act.TEST)[0]


# -- the record --


def test_after_a_fault_every_act_is_refused() -> None:
    """A guard whose logic failed takes nothing, and says so to whoever asks."""
    night = flowing()
    night.feed(Started(night.now_ns, None, 1, journal_new=False, commissioned=False))  # a second start
    for act in Act:
        assert "until the service is started anew" in night.act(act, for_s=10.0, work=Work.MEDIA)[0]


def test_acts_from_before_work_had_a_name_still_unpack() -> None:
    """A stored act without the newest field reads as one that names no work."""
    event = Acted(5 * NS, Act.CLOSE, "ana", "smell", None)
    assert unpack(pack([event])) == [event]


def test_a_bleed_goes_on_identically_from_what_was_written() -> None:
    """A chamber restored in the middle of a bleed ends it at the same moment."""
    night = bleeding(20.0).wait(7)
    written = json.loads(json.dumps(night.chamber.snapshot(), allow_nan=False))
    twin = Chamber.restore(limits(), written)
    seen, told = len(night.events), len(night.effects)
    night.wait(30)
    assert [e for event in night.events[seen:] for e in twin.feed(event)] == [
        e for _, e in night.effects[told:]
    ]
