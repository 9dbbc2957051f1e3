"""Rows of the interlock table about the machine itself: guard, keeper, valve, journal, starts."""

from __future__ import annotations

from nightheron.guard.rule import Rule, always
from nightheron.model import AlarmClass, Gas, Reason, State

_WAKE, _NOTICE = AlarmClass.WAKE, AlarmClass.NOTICE

GUARD_LATE = Rule(
    Reason.GUARD_LATE,
    State.TRIPPED,
    permits=lambda f: not f.late,
    closes_when="the guard's own loop stood still for more than half the shortest lease",
    resets="by itself, after settle and rest",
    sentence="the guard itself was held up",
    evidence=lambda f: f"loop stood still for {f.late_s:.1f} s",
    alarm=AlarmClass.DIGEST,
    opens_when="the loop running on time",
)

KEEPER_LOST = Rule(
    Reason.KEEPER_LOST,
    State.TRIPPED,
    permits=lambda f: f.keeper_alive or f.starting_grace,
    clears=lambda f: f.keeper_alive,
    closes_when="the process that holds the valve is gone or silent",
    resets="by itself, after settle and rest",
    sentence="the process that holds the valve is gone",
    evidence=lambda f: f.keeper_why,
    alarm=_NOTICE,
    delayed=True,
    urgent=lambda f: f.may_flow,
    opens_when="a new valve process answering",
)

VALVE_LOST = Rule(
    Reason.VALVE_LOST,
    State.TRIPPED,
    permits=lambda f: f.valve_link or not f.keeper_alive or f.starting_grace,
    closes_when="no link to the valve, or no answer on it",
    resets="by itself, after settle and rest",
    sentence="the valve does not answer",
    clears=lambda f: f.valve_link,
    evidence=lambda f: f.valve_why or "no link",
    alarm=_NOTICE,
    delayed=True,
    urgent=lambda f: f.may_flow,
    opens_when="the valve answering again",
)

VALVE_DISAGREES = Rule(
    Reason.VALVE_DISAGREES,
    State.TRIPPED,
    permits=lambda f: not f.disagrees,
    closes_when="the valve's own report differs from the order for longer than travel_s",
    resets="by itself; by a person when it was ordered closed and seen open",
    sentence="the valve reports another position than ordered",
    latches=lambda f: f.disagrees and f.gas is Gas.CLOSED and f.seen is Gas.OPEN and f.closed_s > 0,
    evidence=lambda f: f"seen {f.seen}",
    alarm=_NOTICE,
    delayed=True,
    latched_alarm=_WAKE,
    opens_when="the valve's report agreeing with the order",
)

FOREIGN_ORDER = Rule(
    Reason.FOREIGN_ORDER,
    State.TRIPPED,
    permits=lambda f: not f.foreign_open,
    closes_when="somebody else ordered our valve open while we had it closed",
    resets="by a person",
    sentence="somebody else ordered the gas open; it was ordered shut again at once",
    latches=always,
    evidence=lambda f: f"order {f.foreign_raw!r}",
    alarm=_WAKE,
    opens_when="a person's release, once the other sender is found",
)

NOT_RECORDABLE = Rule(
    Reason.NOT_RECORDABLE,
    State.TRIPPED,
    permits=lambda f: f.journal_well,
    closes_when="the journal could not commit for 15 s",
    resets="by itself",
    sentence="the journal cannot be written",
    alarm=_NOTICE,
    opens_when="the journal written again",
)

RESTARTS = Rule(
    Reason.RESTARTS,
    State.TRIPPED,
    permits=lambda f: not f.too_many_starts,
    closes_when="more than starts_per_hour starts that no clean stop preceded",
    resets="by a person, at any time",
    sentence="the service has started too often without a clean stop",
    latches=always,
    evidence=lambda f: f"{f.unclean_starts} in the last hour of running",
    alarm=_NOTICE,
    opens_when="a person's release",
    release_at_any_time=True,
)

NEW_JOURNAL = Rule(
    Reason.NEW_JOURNAL,
    State.TRIPPED,
    permits=lambda f: not f.journal_new,
    closes_when="the journal was lost, damaged or replaced",
    resets="by a person, at any time",
    sentence="the journal was lost or replaced; what was latched before is not known",
    latches=always,
    alarm=_NOTICE,
    opens_when="a person's release",
    release_at_any_time=True,
)

VALVE_PASSES = Rule(
    Reason.VALVE_PASSES,
    State.TRIPPED,
    permits=lambda f: not f.valve_passes,
    closes_when="one of two valves was seen to pass gas while it alone was shut",
    resets="by a person",
    sentence="one of the two valves passes gas while it is shut; the other still holds",
    latches=always,
    evidence=lambda f: f.valve_passes,
    alarm=_NOTICE,
    opens_when="a person's release, once the valve is cleaned or changed",
)

VALVE_TURN = Rule(
    Reason.VALVE_TURN,
    State.RESTING,
    permits=lambda f: not f.turn_due,
    closes_when="(holds closed) one of two valves has its turn to be proved, twice a day",
    resets="by itself",
    sentence="one of the two valves is proved; normal work",
    evidence=lambda f: f.turn_why,
    opens_when="the turn of the valve over",
)
