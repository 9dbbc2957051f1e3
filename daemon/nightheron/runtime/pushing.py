"""Between alarms, the outbox, the journal and the couriers: what is pushed, when, and what became of it.

Runs in the loop's thread and waits for nothing: rows go to the recorder, batches to the couriers' threads.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Protocol

from nightheron.guard.alarm_desk import Alarm
from nightheron.model import NS, JsonValue
from nightheron.notify import wording
from nightheron.notify.outbox import Change, Outbox
from nightheron.notify.push import Channel, Kind, Push, Sent
from nightheron.runtime.clock import ClockPort, rfc3339
from nightheron.runtime.recorder import Recorder

GROUP_FROM = 4
"""So many pushes for one channel at once are one message."""
TICK_NS = NS
NO_DIGEST = {
    "title": "NO DIGEST of this night could be composed; look at it.",
    "lines": "DO: nightheron status, then nightheron night, then nightheron verify.",
}
Head = Callable[[], tuple[int, str] | None]


class CourierPort(Protocol):
    """Who carries batches away. Never blocks."""

    def send(self, label: str, url: str, messages: Sequence[Mapping[str, JsonValue]]) -> None: ...

    def digest(self, job: Mapping[str, JsonValue], ready: Callable[[bytes], object]) -> None: ...


class Pushing:
    """One for a site that has an address. Call ``connect`` before anything else."""

    def __init__(
        self,
        outbox: Outbox,
        couriers: CourierPort,
        clock: ClockPort,
        head: Head,
        zone: tzinfo = UTC,
        digest_of: Mapping[str, JsonValue] | None = None,
    ) -> None:
        self.outbox, self._digest_of = outbox, dict(digest_of or {})
        self._couriers, self._clock, self._head, self._zone = couriers, clock, head, zone
        self._lost: list[Push] = []
        """Pushes whose row was lost: they get another one."""
        self._due_ns = 0

    def connect(self, recorder: Recorder) -> None:
        """Where rows go."""
        self._recorder = recorder

    def restore(self, kept: Mapping[str, str], now_ns: int) -> None:
        """What an earlier run left to be told."""
        for change in self.outbox.restore(kept, now_ns):
            self._row(change)

    def alarm(self, alarm: Alarm, body: dict[str, JsonValue], now_ns: int) -> None:
        """Write the alarm's row, with its pushes in the same transaction, and what became of others."""
        facts = {**body, "clock": self._at(alarm.since)}
        if alarm.over_ns is not None:
            away = timedelta(microseconds=(alarm.over_ns - now_ns) // 1000)
            facts["over_clock"] = self._local(self._clock.utc() + away)
        changes = self.outbox.alarm(alarm, facts, now_ns)
        made = [one for one in changes if one.state is Sent.QUEUED]
        if made:
            body["pushes"] = [one.push.key for one in made]
        queue = (*(one.queue() for one in made), *self.outbox.remembered())
        self._recorder.note("alarm", body, queue=queue, done=self._done([one.push for one in made]))
        for change in changes:
            if change.state is not Sent.QUEUED:
                self._row(change)

    def tell(self, kind: Kind, name: str, facts: Mapping[str, JsonValue], now_ns: int) -> None:
        """A drill or a digest."""
        facts = {**facts, "clock": self._local(self._clock.utc())}
        for change in self.outbox.tell(kind, name, facts, now_ns):
            self._row(change)

    def digest_due(self, day: str, ready: Callable[[bytes], object]) -> None:
        """Have the digest of the day before this moment composed; ``ready`` is called in another thread."""
        now = self._clock.utc()
        since, until = rfc3339(now - timedelta(days=1)), rfc3339(now)
        self._couriers.digest({**self._digest_of, "since": since, "until": until, "day": day}, ready)

    def digest_ready(self, day: str, answer: bytes, now_ns: int) -> None:
        """Send it; one that could not be composed says so."""
        try:
            said = json.loads(answer)
            found = {"title": str(said["title"]), "lines": str(said["lines"])}
            if isinstance(said.get("picture"), str):
                found["picture"] = said["picture"]
        except (ValueError, KeyError, TypeError, AttributeError):
            found = dict(NO_DIGEST)
        self.tell(Kind.DIGEST, f"digest-{day}", found, now_ns)

    def courier_done(self, label: str, why_not: str, now_ns: int) -> None:
        """A courier is gone."""
        for change in self.outbox.done(label, why_not, now_ns):
            self._row(change)

    def journal_anew(self) -> None:
        """The journal was lost with its outbox; what is still to be told is queued in the new one."""
        queue = self.outbox.remembered(everything=True)
        if queue:
            text = f"{self.outbox.waiting} pushes are queued anew, the journal that held them is gone"
            self._recorder.note("delivery", {"state": Sent.QUEUED.value, "text": text}, queue=queue)

    def step(self, now_ns: int, *, journal_well: bool) -> None:
        """What is due now goes on its way."""
        self.outbox.from_memory = not journal_well
        if now_ns >= self._due_ns:
            self._due_ns = now_ns + TICK_NS
            for change in self.outbox.ticked(now_ns):
                self._row(change)
            if journal_well and self._lost:
                lost, self._lost = self._lost, []
                for push in lost:
                    self._row(Change(push, Sent.QUEUED, "its first row was lost"))
        for channel, batch in self.outbox.take(now_ns):
            self._couriers.send(channel.label, channel.url, self._messages(channel, batch, now_ns))

    # -- within --

    def _row(self, change: Change) -> None:
        push = change.push
        text = f"push {push.id} to {push.channel}: {change.state.value.replace('_', ' ')}"
        body: dict[str, JsonValue] = {
            "chamber": push.facts.get("chamber"),
            "push": push.id,
            "channel": push.channel,
            "about": push.kind.value,
            "alarm": push.alarm or None,
            "state": change.state.value,
            "tries": push.tries,
            "why": change.why,
            "text": f"{text} ({change.why})" if change.why else text,
        }
        queue = (change.queue(), *self.outbox.remembered())
        done = self._done([push] if change.state is Sent.QUEUED else [])
        self._recorder.note("delivery", body, queue=queue, done=done)

    def _done(self, pushes: Sequence[Push]) -> Callable[[bool], None]:
        def told(on_disk: bool) -> None:
            if on_disk:
                self.outbox.committed(push.key for push in pushes)
            else:
                self._lost += pushes

        return told

    def _messages(self, channel: Channel, batch: Sequence[Push], now_ns: int) -> list[dict[str, JsonValue]]:
        head = self._head()
        journal = f"No. {head[0]}, {head[1][:8]}" if head else "not in the journal yet"
        texts = [self._text(push, journal, now_ns) for push in batch]
        if len(texts) >= GROUP_FROM:
            texts = [wording.group_text(texts)]
        wakes = any(push.wakes for push in batch)
        messages: list[dict[str, JsonValue]] = [
            {"title": one.title, "body": one.body, "wakes": wakes} for one in texts
        ]
        for push, message in zip(batch, messages, strict=False) if len(messages) == len(batch) else ():
            if push.facts.get("picture") and push.tries == 1:
                # Once: a picture that a service chokes on must not keep the words from coming.
                message["attach"] = push.facts["picture"]
        return messages

    def _text(self, push: Push, journal: str, now_ns: int) -> wording.Text:
        if push.kind is Kind.OVER:
            return wording.over_text(push.facts, journal)
        if push.kind is Kind.DRILL:
            return wording.drill_text(push.facts, journal)
        if push.kind is Kind.DIGEST:
            return wording.digest_text(push.facts, journal)
        following, said = self.outbox.next_told(push, now_ns), ""
        if following is not None:
            at = self._local(self._clock.utc() + timedelta(seconds=following[1]))
            said = wording.next_told(following[0], at)
        return wording.alarm_text(push.facts, next_told=said, journal=journal)

    def _at(self, utc: str) -> str:
        try:
            return self._local(datetime.fromisoformat(utc.replace("Z", "+00:00")))
        except ValueError:
            return "an unknown time"

    def _local(self, when: datetime) -> str:
        return when.astimezone(self._zone).strftime("%H:%M")
