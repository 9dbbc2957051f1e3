"""One row of the interlock table, and what a row may say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from nightheron.guard.facts import Facts
from nightheron.guard.signals import KINDS
from nightheron.model import AlarmClass, Reason, State

Test = Callable[[Facts], bool]
Say = Callable[[Facts], str]


LIVE = frozenset(
    {
        Reason.KEEPER_LOST,
        Reason.VALVE_LOST,
        Reason.CHAMBER_PH_LOST,
        Reason.TANK_LOW,
        Reason.TANK_PH_LOST,
        Reason.PROBES_DISAGREE,
        *(kind.reason for kind in KINDS.values()),
        Reason.SIGNAL_LOST,
        Reason.SIGNAL_SILENT,
        Reason.NOT_STOPPING,
        Reason.STALLED,
        Reason.SERVICE,
        Reason.STARTING,
        Reason.MIN_REST,
    }
)
"""Their evidence is an age or a count that goes on, or a word that may change while they stand."""


def always(_: Facts) -> bool:
    """For a row that latches whenever it stands."""
    return True


def never(_: Facts) -> bool:
    """For a row that never latches, or never permits."""
    return False


def _nothing(_: Facts) -> str:
    return ""


@dataclass(frozen=True, slots=True)
class Rule:
    """One reason against gas."""

    reason: Reason
    state: State
    """The chamber's state while this is the worst objection and not latched."""
    permits: Test
    closes_when: str
    resets: str
    sentence: str
    """What a person reads first."""
    clears: Test | None = None
    """When it ends; ``permits`` where not given."""
    latches: Test = never
    evidence: Say = _nothing
    alarm: AlarmClass | None = None
    delayed: bool = False
    """Told only after standing for the chamber's alarm delay; closing is never delayed."""
    calm: Test = never
    """While True its cause is over and it is only held: nobody is told, and the delay begins anew."""
    urgent: Test = never
    """When True it is told at once and wakes, whatever its class and delay: it needs a hand now."""
    urgent_words: Say | None = None
    """What is then told, after the chamber's name; None for a close that may not have been delivered."""
    latched_alarm: AlarmClass | None = None
    """The class once latched, where it differs."""
    opens_when: str = ""
    """What must happen before this objection goes."""
    release_at_any_time: bool = False
    told_as: Say | None = None
    """What is told after the chamber's name; the sentence with the evidence where not given."""
    objects: bool = True
    """False for a row that only tells."""

    @property
    def live(self) -> bool:
        """What is shown as its evidence is worked out anew each time."""
        return self.reason in LIVE

    @property
    def ends(self) -> Test:
        return self.clears or self.permits


CORE_FAULT = Rule(
    Reason.CORE_FAULT,
    State.LATCHED,
    permits=never,
    closes_when="the guard's own logic failed",
    resets="when the service is started anew",
    sentence="the guard's own logic failed; gas stays shut",
    latches=always,
    alarm=AlarmClass.NOTICE,
    opens_when="the service started anew (and the fault reported)",
)
"""The one row that no fact decides: a fault inside the guard puts it there."""
