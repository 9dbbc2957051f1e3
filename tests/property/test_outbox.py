"""Whatever happens to alarms and to services: what must hold of the pushes."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import given, settings, strategies as st
from nightheron.guard.alarm_desk import Alarm, Desk
from nightheron.guard.alarm_states import AlarmState
from nightheron.model import NS, AlarmClass, Raise, Reason
from nightheron.notify.outbox import STORM_S, WAITING_MOST, Outbox
from nightheron.notify.push import Kind, Push

from tests.support.pushes import ANA, PHONE, RUI

REASONS = (Reason.CHAMBER_PH_LOST, Reason.VALVE_LOST, Reason.LEAK, Reason.SERVICE)
happenings = st.lists(
    st.tuples(
        st.sampled_from(["raise", "wake", "clear", "ack", "shelve", "refuse", "accept", "restart", "wait"]),
        st.sampled_from(REASONS),
        st.sampled_from([1.0, 30.0, 400.0, 2000.0]),
    ),
    max_size=40,
)


flapping = st.lists(
    st.tuples(
        st.sampled_from(["raise", "clear", "ack", "restart", "wait"]),
        st.sampled_from([Reason.SERVICE, Reason.DEEP_LOW]),
        st.sampled_from([1.0, 30.0, 400.0]),
    ),
    max_size=40,
)
"""Alarms without an off-delay: nothing but the storm's limit keeps them from chattering."""


@dataclass(frozen=True)
class Sent:
    """One push that a service accepted."""

    at_ns: int
    push: Push


class Site:
    """A desk, an outbox, and services that accept or refuse; time goes on in steps of ten seconds."""

    def __init__(self) -> None:
        self.desk, self.now_ns, self.why_not = Desk(), 0, ""
        self.outbox = Outbox([PHONE], [[RUI], [ANA]])
        self.disk: dict[str, str] = {}
        self.sent: list[Sent] = []
        self.seen: dict[str, int] = {}
        self.woke: dict[str, int] = {}

    def keep(self, queue: list[tuple[str, str | None]]) -> None:
        for name, text in [*queue, *self.outbox.remembered()]:
            self.disk.pop(name, None)
            if text is not None:
                self.disk[name] = text

    def told(self, alarms: list[Alarm]) -> None:
        for alarm in alarms:
            if alarm.state is AlarmState.UNACKNOWLEDGED:
                self.woke[alarm.id] = self.now_ns
            changes = self.outbox.alarm(alarm, alarm.body() | {"clock": "", "over_clock": ""}, self.now_ns)
            self.keep([one.queue() for one in changes])
            self.outbox.committed(one.push.key for one in changes)

    def wait(self, seconds: float) -> None:
        until_ns = self.now_ns + round(seconds * NS)
        while self.now_ns < until_ns:
            self.now_ns = min(until_ns, self.now_ns + 10 * NS)
            self.told(self.desk.ticked(self.now_ns))
            changes = self.outbox.ticked(self.now_ns)
            self.keep([one.queue() for one in changes])
            self.outbox.committed(one.push.key for one in changes)
            for channel, batch in self.outbox.take(self.now_ns):
                if not self.why_not:
                    self.sent += [Sent(self.now_ns, push) for push in batch]
                self.keep([c.queue() for c in self.outbox.done(channel.label, self.why_not, self.now_ns)])

    def happens(self, what: str, reason: Reason, wait_s: float) -> None:
        alarm = next((a for a in self.desk.standing() if a.reason == reason), None)
        if what in ("raise", "wake"):
            loud = what == "wake" or reason is Reason.LEAK
            effect = Raise(reason, AlarmClass.WAKE if loud else AlarmClass.NOTICE, what)
            self.told(self.desk.raised("west", effect, self.now_ns, "2026-01-01T00:00:00.000Z"))
        elif what == "clear":
            self.told(self.desk.cleared("west", reason.value, self.now_ns))
        elif what == "ack" and alarm is not None:
            self.seen[alarm.id] = self.now_ns
            self.told(self.desk.ack(alarm, "ana"))
        elif what == "shelve" and alarm is not None:
            end = (self.now_ns + 3600 * NS, "2026-01-01T01:00:00.000Z")
            self.told(self.desk.shelve(alarm, "ana", "a part", end)[0])
        elif what in ("refuse", "accept"):
            self.why_not = "no" if what == "refuse" else ""
        elif what == "restart":
            self.outbox = Outbox([PHONE], [[RUI], [ANA]])
            self.outbox.restore(dict(self.disk), self.now_ns)
        self.wait(wait_s)


def played(story: list[tuple[str, Reason, float]]) -> Site:
    site = Site()
    for happening in story:
        site.happens(*happening)
    return site


@given(flapping)
@settings(max_examples=100, deadline=None)
def test_no_alarm_chatters(story: list[tuple[str, Reason, float]]) -> None:
    """No address gets two notices of one chamber's same alarm within the storm's limit, over restarts too."""
    last: dict[tuple[str, str], int] = {}
    made: dict[str, int] = {}
    for one in played(story).sent:
        push = one.push
        if push.wakes or push.kind is not Kind.ALARM:
            continue
        key = (push.channel, str(push.facts["reason"]))
        assert push.id not in made, "one push, accepted twice"
        made[push.id] = one.at_ns
        assert one.at_ns - last.get(key, -(10**18)) >= (STORM_S - 10.0) * NS
        last[key] = one.at_ns


@given(happenings)
@settings(max_examples=100, deadline=None)
def test_once_it_is_seen_nobody_else_is_told(story: list[tuple[str, Reason, float]]) -> None:
    """After an acknowledgement the ladder is silent about that alarm, unless it stands unseen again."""
    site = played(story)
    for one in site.sent:
        seen = site.seen.get(one.push.alarm)
        if one.push.kind is Kind.ALARM and seen is not None and one.at_ns > seen:
            assert site.woke[one.push.alarm] >= seen


@given(happenings)
@settings(max_examples=100, deadline=None)
def test_what_stands_unseen_is_told_when_the_services_are_well(
    story: list[tuple[str, Reason, float]],
) -> None:
    """An hour after services are well again, each unseen alarm was accepted somewhere, and nothing waits."""
    site = played(story)
    site.happens("accept", Reason.LEAK, 3600.0)
    told = {one.push.alarm for one in site.sent}
    for alarm in site.desk.standing():
        assert alarm.state is not AlarmState.UNACKNOWLEDGED or alarm.id in told
    assert site.outbox.waiting <= WAITING_MOST
    assert not [name for name in site.disk if not name.startswith("episode:")]
