"""A bench that tells people, and a push service in memory that can refuse."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from nightheron.model import JsonValue
from nightheron.notify.outbox import Outbox
from nightheron.notify.push import Channel
from nightheron.runtime.inbox import CourierDone, Inbox
from nightheron.runtime.pushing import Pushing

from tests.support.loops import Bench

PHONE, RUI, ANA = (
    Channel("json-phone", "json://phone"),
    Channel("json-rui", "json://rui", "Rui"),
    Channel("json-ana", "json://ana", "Ana"),
)


@dataclass
class Service:
    """What each channel got, as (label, title, body); ``why_not`` refuses, ``mute`` never answers."""

    inbox: Inbox | None = None
    got: list[tuple[str, str, str]] = field(default_factory=list)
    tries: int = 0
    messages: list[dict[str, JsonValue]] = field(default_factory=list)
    """All that was handed over, accepted or not."""
    why_not: str = ""
    mute: bool = False
    asked: list[dict[str, JsonValue]] = field(default_factory=list)
    digest_says: bytes = b'{"title": "north: quiet night; nothing to do today.", "lines": "No alarms."}'

    def send(self, label: str, url: str, messages: Sequence[Mapping[str, JsonValue]]) -> None:
        del url
        self.tries += 1
        self.messages += [dict(one) for one in messages]
        if self.mute:
            return
        if not self.why_not:
            self.got += [(label, str(one["title"]), str(one["body"])) for one in messages]
        if self.inbox is not None:
            self.inbox.post(CourierDone(label, self.why_not))

    def digest(self, job: Mapping[str, JsonValue], ready: Callable[[bytes], object]) -> None:
        self.asked.append(dict(job))
        ready(self.digest_says)

    def titles(self, label: str = "json-phone") -> list[str]:
        return [title for to, title, _ in self.got if to == label]


class TellingBench(Bench):
    """A site with a phone, and Rui and Ana on the ladder."""

    def __init__(self, *names: str, quiet: Callable[[], float] = lambda: 0.0) -> None:
        self.service = Service()
        self._quiet = quiet
        super().__init__(*names, alarm_delay_s=60.0)

    def pushing(self) -> Pushing:
        self.service.inbox = self.inbox
        self.outbox = Outbox([PHONE], [[RUI], [ANA]], self._quiet)
        return Pushing(self.outbox, self.service, self.clock, lambda: (412, "7f3a91c2" * 8))

    def states(self, *about: str) -> list[tuple[str, str]]:
        """(push, state) of each delivery row; only of these channels where any are given."""
        rows = self.journal.of("delivery")
        return [(str(r["push"]), str(r["state"])) for r in rows if not about or r["channel"] in about]
