"""Whatever happens to alarms, in whatever order: what must hold of their states."""

from __future__ import annotations

from hypothesis import given, settings, strategies as st
from nightheron.guard.alarm_desk import Alarm, Desk
from nightheron.guard.alarm_list import PURPOSES, purpose
from nightheron.guard.alarm_states import ENDING, TABLE, UNSEEN, AlarmState
from nightheron.guard.interlock import RULES
from nightheron.model import NS, AlarmClass, Raise, Reason

LOST, VALVE, KEEPER, WET = (
    Reason.CHAMBER_PH_LOST,
    Reason.VALVE_LOST,
    Reason.KEEPER_LOST,
    Reason.LEAK,
)
REASONS = (LOST, VALVE, KEEPER, WET, Reason.SERVICE)
SHELF_S = 3600.0
happenings = st.lists(
    st.tuples(
        st.sampled_from(["raise", "wake", "clear", "ack", "shelve", "out", "wait"]),
        st.sampled_from(REASONS),
        st.sampled_from([0.0, 10.0, 600.0, 2000.0]),
    ),
    max_size=60,
)


class Story:
    """One desk, and every change it told."""

    def __init__(self) -> None:
        self.desk, self.now_ns = Desk(), 0
        self.told: list[tuple[str, Alarm]] = []

    def happens(self, what: str, reason: Reason, wait_s: float) -> list[Alarm]:
        self.now_ns += round(wait_s * NS)
        changed = [("time", one) for one in self.desk.ticked(self.now_ns)]
        standing = next((a for a in self.desk.standing() if a.reason == reason), None)
        found: list[Alarm] = []
        if what in ("raise", "wake"):
            loud = what == "wake" or reason is WET
            effect = Raise(reason, AlarmClass.WAKE if loud else AlarmClass.NOTICE, what)
            found = self.desk.raised("west", effect, self.now_ns, "2026-01-01T00:00:00.000Z")
        elif what == "clear":
            found = self.desk.cleared("west", reason.value, self.now_ns)
        elif standing is not None and what == "ack":
            found = self.desk.ack(standing, "ana")
        elif standing is not None and what in ("shelve", "out"):
            end = (self.now_ns + round(SHELF_S * NS), "2026-01-01T01:00:00.000Z")
            found, _ = self.desk.shelve(standing, "ana", "waiting for a part", end, out=what == "out")
        self.told += [*changed, *((what, one) for one in found)]
        return found


@given(happenings)
@settings(max_examples=150)
def test_what_wakes_goes_only_when_somebody_has_seen_it(story: list[tuple[str, Reason, float]]) -> None:
    """An alarm of the class wake is never normal again without an acknowledgement since it was unseen."""
    told = Story()
    unseen: dict[str, bool] = {}
    for happening in story:
        before = len(told.told)
        told.happens(*happening)
        for cause, alarm in told.told[before:]:
            if cause == "ack":
                unseen[alarm.id] = False
            elif alarm.wakes and alarm.state in UNSEEN:
                unseen[alarm.id] = True
            assert not (alarm.wakes and alarm.state is AlarmState.NORMAL and unseen.get(alarm.id)), cause


@given(happenings)
@settings(max_examples=150)
def test_everything_set_aside_ends(story: list[tuple[str, Reason, float]]) -> None:
    """A shelf and a time out of service have an end, and a tick after it nothing is set aside any more."""
    told = Story()
    for happening in story:
        told.happens(*happening)
        aside = [alarm for alarm in told.desk.standing() if alarm.state in ENDING]
        assert all(alarm.until_ns is not None and not alarm.wakes for alarm in aside)
    told.desk.ticked(told.now_ns + round((SHELF_S + 1) * NS))
    assert not [alarm for alarm in told.desk.standing() if alarm.state in ENDING]


@given(happenings)
@settings(max_examples=150)
def test_what_stands_is_listed_and_what_is_listed_has_a_reason(
    story: list[tuple[str, Reason, float]],
) -> None:
    """A cause that stands has its alarm; an alarm without one goes by itself, or waits to be seen."""
    told = Story()
    causes: dict[Reason, bool] = {}
    for what, reason, wait_s in story:
        told.happens(what, reason, wait_s)
        if what in ("raise", "wake", "clear"):
            causes[reason] = what != "clear"
        listed = {alarm.reason: alarm for alarm in told.desk.standing()}
        assert {reason.value for reason, stands in causes.items() if stands} <= listed.keys()
        assert all(causes[Reason(a.reason)] is (a.over_ns is None) for a in listed.values())
    told.desk.ticked(told.now_ns + round(2 * SHELF_S * NS))
    left = [a for a in told.desk.standing() if a.over_ns is not None]
    assert all(alarm.state is AlarmState.LATCHED for alarm in left)


@given(happenings)
@settings(max_examples=100)
def test_ids_are_unique_and_no_change_is_told_twice(story: list[tuple[str, Reason, float]]) -> None:
    """No two alarms share an id, and an alarm is told again only when something about it is new."""
    told = Story()
    for happening in story:
        told.happens(*happening)
    ids = {alarm.id: alarm.key for _, alarm in told.told}
    assert len({alarm.number for _, alarm in told.told}) == len(ids)
    last: dict[str, Alarm] = {}
    for cause, alarm in told.told:
        assert cause in ("raise", "wake") or last.get(alarm.id) != alarm
        last[alarm.id] = alarm


def test_a_loose_plug_is_one_alarm_all_night() -> None:
    """A probe that is lost and found every ten minutes raises one alarm, which ends once."""
    told = Story()
    for _ in range(40):
        told.happens("raise", LOST, 300.0)
        told.happens("clear", LOST, 300.0)
    told.happens("wait", LOST, 2000.0)
    assert len({alarm.id for _, alarm in told.told}) == 1
    assert [alarm.state for _, alarm in told.told].count(AlarmState.NORMAL) == 1


def test_an_acknowledgement_holds_until_clear_and_then_arms_again() -> None:
    """While the cause stands nothing makes the alarm new; the next one is new."""
    told = Story()
    (first,) = told.happens("raise", LOST, 0.0)
    told.happens("ack", LOST, 10.0)
    (again,) = told.happens("raise", LOST, 600.0)
    assert (again.id, again.state, again.by) == (first.id, AlarmState.ACKNOWLEDGED, "ana")
    told.happens("clear", LOST, 10.0)
    told.happens("wait", LOST, 2000.0)
    (fresh,) = told.happens("raise", LOST, 0.0)
    assert (fresh.state, fresh.id == first.id) == (AlarmState.UNACKNOWLEDGED, False)


def test_a_shelf_ends_when_it_gets_worse() -> None:
    """A shelved notice that becomes a wake is told at once, and what wakes cannot be shelved."""
    told = Story()
    told.happens("raise", VALVE, 0.0)
    (aside,) = told.happens("shelve", VALVE, 10.0)
    assert aside.state is AlarmState.SHELVED
    (worse,) = told.happens("wake", VALVE, 10.0)
    assert (worse.state, worse.wakes, worse.why) == (AlarmState.UNACKNOWLEDGED, True, "")
    assert told.happens("shelve", VALVE, 10.0) == []


def test_what_another_alarm_explains_is_held_back_until_that_ends() -> None:
    """With the valve's process gone, a mute valve is no news; it is when it stays mute."""
    told = Story()
    told.happens("raise", VALVE, 0.0)
    changed = told.happens("raise", KEEPER, 10.0)
    assert [(a.reason, a.state) for a in changed] == [
        ("keeper_lost", AlarmState.UNACKNOWLEDGED),
        ("valve_lost", AlarmState.SUPPRESSED),
    ]
    changed = told.happens("clear", KEEPER, 10.0)
    assert [(a.reason, a.state) for a in changed] == [
        ("keeper_lost", AlarmState.RETURNED),
        ("valve_lost", AlarmState.UNACKNOWLEDGED),
    ]


def test_every_rule_that_alarms_has_its_purpose() -> None:
    """Consequence, action and time to act are there for each reason that can alarm, and for no other."""
    alarms = {r for r, rule in RULES.items() if rule.alarm or rule.latched_alarm} | {Reason.SERVICE}
    assert PURPOSES.keys() == alarms
    for one in PURPOSES.values():
        assert one.consequence, one
        assert one.action, one
        assert 0 < one.within_s <= 7 * 86_400, one
    assert purpose("of a later version").action


def test_every_state_can_be_reached_and_left() -> None:
    """The table leads to each state, and from each back to normal."""
    reached = {AlarmState.NORMAL}
    for _ in AlarmState:
        reached |= {after for (state, _), after in TABLE.items() if state in reached}
    assert reached == set(AlarmState)
    home = {AlarmState.NORMAL}
    for _ in AlarmState:
        home |= {state for (state, _), after in TABLE.items() if after in home}
    assert home == set(AlarmState)
