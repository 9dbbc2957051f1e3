"""What is to be told to whom, when, and how often it was tried. Pure: waits for nothing, sends nothing.

A push is made in the transaction of the alarm's row and sent once that is on disk. Each try that fails
waits longer than the one before. A wake is told at once, and again after 5, 15 and 30 minutes to the next
on the ladder, until somebody has seen it. A notice waits for the end of quiet hours, and is withdrawn when
its cause ends before it was sent. No alarm is pushed twice within ``STORM_S`` unless it became worse.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from nightheron.guard.alarm_desk import Alarm
from nightheron.guard.alarm_list import purpose
from nightheron.guard.alarm_states import AlarmState
from nightheron.model import NS, AlarmClass, JsonValue
from nightheron.notify import episode as episodes
from nightheron.notify.episode import Episode
from nightheron.notify.push import Channel, Kind, Push, Sent, from_text

STORM_S = 900.0
FIRST_WAIT_S, LONGEST_WAIT_S = 10.0, 900.0
DIGEST_LATE_S = 3600.0
GIVE_UP_S = 3 * 86_400.0
WAITING_MOST = 400
BATCH_MOST = 50
COURIERS_MOST = 2
Quiet = Callable[[], float]


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one push; the shell writes it as a ``delivery`` row that changes the outbox with it."""

    push: Push
    state: Sent
    why: str = ""

    def queue(self) -> tuple[str, str | None]:
        kept = self.state in (Sent.QUEUED, Sent.REFUSED)
        return self.push.key, self.push.text() if kept else None


class Outbox:
    """All pushes of a site. ``channels`` are told first, ``ladder`` one step after the other."""

    def __init__(
        self,
        channels: Sequence[Channel],
        ladder: Sequence[Sequence[Channel]] = (),
        quiet: Quiet = lambda: 0.0,
        jitter: Callable[[], float] = lambda: 1.0,
    ) -> None:
        self.first, self.ladder = tuple(channels), tuple(tuple(step) for step in ladder)
        every = [*self.first, *(one for step in self.ladder for one in step)]
        self.channels: dict[str, Channel] = {one.label: one for one in reversed(every)}
        self._quiet, self._jitter = quiet, jitter
        self._waiting: dict[str, Push] = {}
        self._flying: dict[str, list[str]] = {}
        self._episodes: dict[tuple[str, str], Episode] = {}
        self._changed: set[tuple[str, str]] = set()
        self.from_memory = False
        """The journal cannot be written: what wakes, and that very fault, go out without their rows."""

    @property
    def waiting(self) -> int:
        return len(self._waiting)

    def restore(self, kept: Mapping[str, str], now_ns: int) -> list[Change]:
        """Take over what an earlier run left; pushes of a channel that is gone are given up."""
        changes = []
        for name, text in kept.items():
            if episodes.is_episode(name):
                if (told := episodes.from_text(text, now_ns)) is not None:
                    self._episodes[told.key] = told
            elif (push := from_text(text, now_ns)) is not None:
                if push.channel in self.channels:
                    quiet_ns = (
                        0 if push.wakes or push.kind is Kind.DIGEST else now_ns + round(self._quiet() * NS)
                    )
                    self._waiting[push.key] = replace(push, due_ns=max(push.due_ns, quiet_ns))
                else:
                    changes.append(Change(push, Sent.GIVEN_UP, "its address is no longer configured"))
        return changes

    def accepted(self) -> dict[str, tuple[str, ...]]:
        """The channels that took a push of an alarm, by its id."""
        return {one.alarm: tuple(one.accepted) for one in self._episodes.values() if one.accepted}

    # -- what happens to alarms --

    def alarm(self, alarm: Alarm, facts: Mapping[str, JsonValue], now_ns: int) -> list[Change]:
        """An alarm changed; what that makes of its pushes."""
        if alarm.kind == AlarmClass.DIGEST.value:
            return []
        told = self._episodes.get(alarm.key)
        mine = told if told is not None and told.alarm == alarm.id else None
        self._refresh(alarm, facts, mine)
        if alarm.state is AlarmState.UNACKNOWLEDGED and alarm.over_ns is None:
            return self._news(alarm, facts, told, now_ns)
        if mine is not None:
            mine.unseen = False
            self._changed.add(alarm.key)
        if alarm.state is AlarmState.LATCHED:  # what was not sent yet still goes, with what it is now
            return [] if mine is None else self._told_over(facts, mine, now_ns, now_ns)
        changes = self._withdraw(alarm.id, "seen" if alarm.state is AlarmState.ACKNOWLEDGED else "over")
        if mine is not None and alarm.state is AlarmState.ACKNOWLEDGED:
            changes += [self._seen(alarm, label) for label in mine.accepted]
        if mine is not None and alarm.state is AlarmState.NORMAL:
            changes += self._over(alarm, facts, mine, now_ns)
        return changes

    def _news(
        self, alarm: Alarm, facts: Mapping[str, JsonValue], told: Episode | None, now_ns: int
    ) -> list[Change]:
        same = told is not None and told.alarm == alarm.id
        louder = alarm.wakes and not (told is not None and told.wakes)
        if same and not louder:
            if told is not None and alarm.wakes:
                told.unseen = True  # it came back, or a start found it standing
            return []
        wait_s = 0.0
        if not alarm.wakes:  # a wake that comes again was seen before, or it would stand still
            since_s = STORM_S if told is None else (now_ns - told.told_ns) / NS
            wait_s = max(STORM_S - since_s, self._quiet(), 0.0)
        due_ns = now_ns + round(wait_s * NS)
        before = told.accepted if told is not None and same else []
        self._episodes[alarm.key] = Episode(
            alarm.chamber,
            alarm.reason,
            alarm.id,
            alarm.wakes,
            due_ns,
            dict(facts),
            unseen=alarm.wakes,
            accepted=list(before),
        )
        self._changed.add(alarm.key)
        name = f"{alarm.id}.wake" if alarm.wakes else alarm.id
        return self._withdraw(alarm.id, "louder") + self._make(
            self.first, name, Kind.ALARM, self._episodes[alarm.key], (now_ns, due_ns)
        )

    def _over(self, alarm: Alarm, facts: Mapping[str, JsonValue], mine: Episode, now_ns: int) -> list[Change]:
        """Who was told that it began is told that it is over, unless a person ended it."""
        if purpose(alarm.reason).off_delay_s == 0.0 or (alarm.wakes and alarm.by):
            mine.accepted = []
            return []
        return self._told_over(facts, mine, now_ns, now_ns + round(self._quiet() * NS))

    def _told_over(
        self, facts: Mapping[str, JsonValue], mine: Episode, now_ns: int, due_ns: int
    ) -> list[Change]:
        told = [one for label, one in self.channels.items() if label in mine.accepted]
        mine.accepted, mine.facts = [], dict(facts)
        return self._make(told, f"{mine.alarm}.over", Kind.OVER, mine, (now_ns, due_ns))

    def ticked(self, now_ns: int) -> list[Change]:
        """Wakes that nobody has seen go to the next on the ladder; what is too old is given up."""
        changes: list[Change] = []
        for key, told in list(self._episodes.items()):
            while (step := told.due(now_ns)) is not None:
                to = self.ladder[step] if step < len(self.ladder) else self.first
                name = f"{told.alarm}.wake.{step + 2}"
                changes += self._make(to, name, Kind.ALARM, told, (now_ns, now_ns))
                self._changed.add(key)
            idle = not told.unseen and not told.accepted and now_ns - told.told_ns > STORM_S * NS
            if idle and not any(push.alarm == told.alarm for push in self._waiting.values()):
                del self._episodes[key]
                self._changed.add(key)
        for push in list(self._waiting.values()):
            if now_ns - push.made_ns > GIVE_UP_S * NS and not self._flies(push):
                del self._waiting[push.key]
                changes.append(Change(push, Sent.GIVEN_UP, "nobody took it for three days"))
        return changes

    def tell(self, kind: Kind, name: str, facts: Mapping[str, JsonValue], now_ns: int) -> list[Change]:
        """A drill or a digest, to everybody who is told first (a drill also to the whole ladder)."""
        to = list(self.channels.values()) if kind is Kind.DRILL else list(self.first)
        changes = []
        if kind is Kind.DIGEST:
            for push in [one for one in self._waiting.values() if one.kind is kind and not self._flies(one)]:
                del self._waiting[push.key]
                changes.append(Change(push, Sent.GIVEN_UP, "a newer digest takes its place"))
        for one in to:
            push = Push(name, one.label, kind, "", False, {**facts, "push": name}, now_ns, now_ns)
            self._waiting[push.key] = push
            changes.append(Change(push, Sent.QUEUED))
        return changes

    # -- on the way --

    def committed(self, keys: Iterable[str]) -> None:
        """The rows of these pushes are on disk: they may be sent."""
        for key in keys:
            if key in self._waiting:
                self._waiting[key] = replace(self._waiting[key], committed=True)

    def take(self, now_ns: int) -> list[tuple[Channel, list[Push]]]:
        """What is due now, a batch for each channel that has no courier; counts as a try."""
        batches = []
        for label, channel in self.channels.items():
            if label in self._flying or len(self._flying) >= COURIERS_MOST:
                continue
            due = [
                one for one in self._waiting.values() if one.channel == label and self._may_go(one, now_ns)
            ]
            due.sort(key=lambda one: (not one.wakes, one.kind is not Kind.ALARM, one.made_ns))
            if due:
                batch = [replace(one, tries=one.tries + 1) for one in due[:BATCH_MOST]]
                self._waiting |= {one.key: one for one in batch}
                self._flying[label] = [one.key for one in batch]
                batches.append((channel, batch))
        return batches

    def done(self, label: str, why_not: str, now_ns: int) -> list[Change]:
        """The courier of a channel is gone; ``why_not`` is empty when the service accepted the batch."""
        changes = []
        for key in self._flying.pop(label, ()):
            push = self._waiting.get(key)
            if push is None:
                continue
            if not why_not:
                del self._waiting[key]
                told = next((one for one in self._episodes.values() if one.alarm == push.alarm), None)
                if told is not None and push.kind is Kind.ALARM and label not in told.accepted:
                    told.accepted.append(label)
                    self._changed.add(told.key)
                changes.append(Change(push, Sent.ACCEPTED))
            elif push.withdrawn:
                del self._waiting[key]
                changes.append(Change(push, Sent.WITHDRAWN, push.withdrawn))
            else:
                wait_s = min(FIRST_WAIT_S * 2 ** (push.tries - 1), LONGEST_WAIT_S) * self._jitter()
                self._waiting[key] = push = replace(push, due_ns=now_ns + round(wait_s * NS), wait_s=wait_s)
                changes.append(Change(push, Sent.REFUSED, f"{why_not}; again in {wait_s:.0f} s"))
        return changes

    def digest_late(self, now_ns: int) -> tuple[str, ...]:
        """Channels that have not taken a digest for too long."""
        late = [
            p
            for p in self._waiting.values()
            if p.kind is Kind.DIGEST and now_ns - p.made_ns > DIGEST_LATE_S * NS
        ]
        return tuple(one.channel for one in late)

    def remembered(self, *, everything: bool = False) -> tuple[tuple[str, str | None], ...]:
        """What changed of the episodes since the last call, for the queue; or the whole queue, for a
        journal that was begun anew."""
        keys, self._changed = (set(self._episodes) if everything else self._changed), set()
        found = [(episodes.name_of(key), self._episodes.get(key)) for key in sorted(keys)]
        kept: list[tuple[str, str | None]] = [(name, one.text() if one else None) for name, one in found]
        if everything:
            kept += [(one.key, one.text()) for one in self._waiting.values()]
        return tuple(kept)

    def next_told(self, push: Push, now_ns: int) -> tuple[str, float] | None:
        """Who is told next, and in how many seconds, unless somebody sees this push's alarm."""
        told = next((one for one in self._episodes.values() if one.alarm == push.alarm), None)
        left_s = told.next_s(now_ns) if told is not None else None
        if told is None or left_s is None:
            return None
        return (self.ladder[told.step][0].who if told.step < len(self.ladder) else ""), left_s

    # -- within --

    def _may_go(self, push: Push, now_ns: int) -> bool:
        journal = push.facts.get("reason") == "not_recordable"
        known = push.committed or (self.from_memory and (push.wakes or journal))
        return known and now_ns >= push.due_ns

    def _flies(self, push: Push) -> bool:
        return push.key in self._flying.get(push.channel, ())

    def _make(
        self, to: Iterable[Channel], name: str, kind: Kind, told: Episode, times: tuple[int, int]
    ) -> list[Change]:
        made_ns, due_ns = times
        facts, wakes = {**told.facts, "push": name}, told.wakes and kind is Kind.ALARM
        changes = []
        for one in to:
            wait_s = (due_ns - made_ns) / NS
            push = Push(name, one.label, kind, told.alarm, wakes, facts, due_ns, made_ns, wait_s)
            self._waiting[push.key] = push
            changes.append(Change(push, Sent.QUEUED))
        while len(self._waiting) > WAITING_MOST:
            idle = [one for one in self._waiting.values() if not self._flies(one)]
            oldest = min(idle, key=lambda one: (one.wakes, one.made_ns))
            del self._waiting[oldest.key]
            changes.append(Change(oldest, Sent.GIVEN_UP, "too many wait to be told"))
        return changes

    def _refresh(self, alarm: Alarm, facts: Mapping[str, JsonValue], mine: Episode | None) -> None:
        """What was not sent yet tells what is known now."""
        if mine is not None:
            mine.facts = dict(facts)
        for key, push in self._waiting.items():
            if push.alarm == alarm.id and push.kind is Kind.ALARM:
                self._waiting[key] = replace(push, facts={**facts, "push": push.id})

    def _withdraw(self, alarm: str, why: str) -> list[Change]:
        """Take back what was not sent; what is on its way may still arrive."""
        changes = []
        for key, push in list(self._waiting.items()):
            if push.alarm != alarm or push.kind is not Kind.ALARM:
                continue
            if self._flies(push):
                self._waiting[key] = replace(push, withdrawn=why)
            else:
                del self._waiting[key]
                changes.append(Change(push, Sent.WITHDRAWN, why))
        return changes

    def _seen(self, alarm: Alarm, label: str) -> Change:
        push = Push(alarm.id, label, Kind.ALARM, alarm.id, alarm.wakes, {}, 0, 0)
        return Change(push, Sent.SEEN, f"by {alarm.by}")
