"""One push on its way to one address, and the words of its states."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum

from nightheron.model import JsonValue


class Sent(StrEnum):
    """What became of a push. Accepted by a service is not yet seen by a person."""

    QUEUED = "queued"
    REFUSED = "refused"  # a try failed; it is tried again
    ACCEPTED = "accepted"
    SEEN = "seen"
    WITHDRAWN = "withdrawn"
    GIVEN_UP = "given_up"


class Kind(StrEnum):
    """What a push is about."""

    ALARM = "alarm"
    OVER = "over"
    DRILL = "drill"
    DIGEST = "digest"


@dataclass(frozen=True, slots=True)
class Channel:
    """One address. ``label`` may be shown: its scheme and the beginning of its hash, never the address."""

    label: str
    url: str = field(repr=False)
    who: str = ""
    """The person of the ladder; empty for those who are told first."""


@dataclass(frozen=True, slots=True)
class Push:
    """One message for one channel. ``id`` is the same however often it is tried, and the receiver sees it."""

    id: str
    channel: str
    kind: Kind
    alarm: str
    """The alarm's id; empty for drill and digest."""
    wakes: bool
    facts: dict[str, JsonValue]
    """What it is about, for the wording."""
    due_ns: int
    made_ns: int
    tries: int = 0
    withdrawn: str = ""
    """Why it is not tried again; it was on its way when that came."""
    committed: bool = False
    """Its row is on disk; before that it is not sent."""

    @property
    def key(self) -> str:
        """Its name in the outbox."""
        return f"{self.id}@{self.channel}"

    def text(self) -> str:
        """As it lies in the outbox: what a later run needs, and no moment of this boot."""
        kept = asdict(self)
        for name in ("due_ns", "made_ns", "committed"):
            del kept[name]
        return json.dumps(kept, ensure_ascii=False, sort_keys=True)


def from_text(text: str, now_ns: int) -> Push | None:
    """A push of an earlier run, due at once; None when it cannot be read."""
    try:
        kept = json.loads(text)
        push = Push(
            id=str(kept["id"]),
            channel=str(kept["channel"]),
            kind=Kind(kept["kind"]),
            alarm=str(kept["alarm"]),
            wakes=kept["wakes"] is True,
            facts=dict(kept["facts"]),
            due_ns=now_ns,
            made_ns=now_ns,
        )
        return replace(push, tries=int(kept["tries"]), committed=True)
    except (ValueError, KeyError, TypeError):
        return None
