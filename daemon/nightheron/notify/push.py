"""One push on its way to one address, and the words of its states."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum

from nightheron.model import NS, JsonValue

WAIT_MOST_S = 900.0


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
    wait_s: float = 0.0
    """How long it was to wait when it was last queued; a later run lets a notice wait as long again."""
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
    """A push of an earlier run; what wakes is due at once. None when it cannot be read."""
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
        wait_s = min(max(0.0, float(kept["wait_s"])), WAIT_MOST_S)
        due_ns = now_ns if push.wakes else now_ns + round(wait_s * NS)
        return replace(push, due_ns=due_ns, wait_s=wait_s, tries=int(kept["tries"]), committed=True)
    except (ValueError, KeyError, TypeError):
        return None
