"""What was told of one alarm, kept in the outbox beside the pushes so that a restart tells nothing twice."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field

from nightheron.model import NS, JsonValue

STEPS_S = (300.0, 900.0, 1800.0)
"""A wake that nobody has seen is told again after these."""
_PREFIX = "episode:"


@dataclass(slots=True)
class Episode:
    """One alarm of one chamber that was told, or is about to be."""

    chamber: str
    reason: str
    alarm: str
    wakes: bool
    told_ns: int
    facts: dict[str, JsonValue]
    step: int = 0
    """How often it was told again along the ladder."""
    unseen: bool = False
    """It wakes, its cause stands, and nobody has seen it."""
    accepted: list[str] = field(default_factory=list)
    """Channels whose service took a push of it."""

    @property
    def key(self) -> tuple[str, str]:
        return self.chamber, self.reason

    def due(self, now_ns: int) -> int | None:
        """The step of the ladder that is due now, counted as told; None when none is."""
        if not self.unseen or self.step >= len(STEPS_S):
            return None
        if now_ns - self.told_ns < STEPS_S[self.step] * NS:
            return None
        self.step += 1
        return self.step - 1

    def next_s(self, now_ns: int) -> float | None:
        """Seconds until it is told again; None when it is not."""
        if not self.unseen or self.step >= len(STEPS_S):
            return None
        return max(0.0, STEPS_S[self.step] - (now_ns - self.told_ns) / NS)

    def text(self) -> str:
        """As it lies in the outbox."""
        kept = asdict(self)
        del kept["told_ns"]
        return json.dumps(kept, ensure_ascii=False, sort_keys=True)


def name_of(key: tuple[str, str]) -> str:
    """Its name in the outbox."""
    return f"{_PREFIX}{key[0]}/{key[1]}"


def is_episode(name: str) -> bool:
    """Whether a name in the outbox is that of an episode."""
    return name.startswith(_PREFIX)


def from_text(text: str, now_ns: int) -> Episode | None:
    """An episode of an earlier run, told anew no later than its next step allows; None when unreadable."""
    try:
        kept: Mapping[str, object] = json.loads(text)
        step, facts, accepted = kept["step"], kept["facts"], kept["accepted"]
        if not isinstance(step, int) or not isinstance(facts, dict) or not isinstance(accepted, list):
            return None
        before_s = STEPS_S[min(step, len(STEPS_S)) - 1] if step > 0 else 0.0
        return Episode(
            chamber=str(kept["chamber"]),
            reason=str(kept["reason"]),
            alarm=str(kept["alarm"]),
            wakes=kept["wakes"] is True,
            told_ns=now_ns - round(before_s * NS),
            facts=facts,
            step=step,
            unseen=kept["unseen"] is True,
            accepted=[str(one) for one in accepted],
        )
    except (ValueError, KeyError, TypeError):
        return None
