"""Asks an outside address while all is well, so that silence is noticed by somebody else.

Well means: the loop runs in time, the journal is written, every chamber has a fresh reading or a person
at it, and every valve took its last order. Gas that is shut for a reason is well; a guard that is blind,
or cannot act, is not, and then this is silent.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from nightheron.model import NS, Decision, Reason, State

PERIOD_S = 60.0
LABEL = "heartbeat"
BLIND = frozenset({Reason.CORE_FAULT, Reason.GUARD_LATE, Reason.KEEPER_LOST, Reason.VALVE_LOST})


class BeatPort(Protocol):
    """Who asks. Never blocks."""

    def beat(self, label: str, url: str) -> None: ...


class Heartbeat:
    """One for a site that gives an address."""

    def __init__(self, couriers: BeatPort, url: str) -> None:
        self._couriers, self._url = couriers, url
        self._due_ns = 0
        self._asking = False

    def step(self, now_ns: int, decisions: Iterable[Decision], *, journal_well: bool) -> None:
        """Ask when it is time and all is well; one that has not come back is not asked again."""
        if now_ns < self._due_ns or self._asking or not (journal_well and all(map(well, decisions))):
            return
        self._due_ns = now_ns + round(PERIOD_S * NS)
        self._asking = True
        self._couriers.beat(LABEL, self._url)

    def done(self) -> None:
        """It is back, whatever it says: silence outside is the message."""
        self._asking = False


def well(decision: Decision) -> bool:
    """One chamber is watched and its valve obeys."""
    if BLIND & set(decision.reasons):
        return False
    watched = decision.ph is not None or decision.state is State.SERVICE
    return watched and decision.delivered is True
