"""What the loop is told before it begins, and what it lets the world see."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from nightheron.guard.alarm_desk import Alarm
from nightheron.model import Decision, Learned, Left, Plain


@dataclass(frozen=True, slots=True)
class View:
    """What the world may see, replaced as a whole each step."""

    at_ns: int
    decisions: tuple[Decision, ...]
    since: tuple[str, ...]
    alarms: tuple[Alarm, ...]
    told: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """The channels that took a push, by alarm id."""


@dataclass(frozen=True, slots=True)
class Beginning:
    """What the service found out before it started."""

    left: tuple[Left | None, ...]
    since: tuple[str | None, ...]
    """UTC since when gas has been shut, for closings that go on."""
    unclean_starts: int
    journal_new: bool
    commissioned: bool
    learned: tuple[Learned | None, ...] = ()
    """What each chamber had learned; may be shorter than ``left``."""
    usual: tuple[Plain, ...] = ()
    """What was usual for each; the same."""
