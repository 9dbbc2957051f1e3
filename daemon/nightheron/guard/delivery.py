"""Whether the valve took the order that stands: an order that was sent is not yet an order obeyed.

The order is taken when the valve (or the broker before it) acknowledged it after it was given. Until
then nobody may say that gas is shut; the last order that was acknowledged is all that is known.
"""

from __future__ import annotations

from nightheron.guard.limits import ChamberLimits
from nightheron.guard.state import ChamberState, Phase
from nightheron.model import NS, Gas, Left, ValveSaid

PATIENCE_S = 3.0
"""An order may be on its way for so long before it is worth a word."""


def ordered(s: ChamberState, gas: Gas) -> None:
    """The standing order changed now; whatever was acknowledged before was another."""
    s.ordered_ns, s.delivered = s.now_ns, False
    if gas is Gas.OPEN:
        s.taken, s.taken_ns = Gas.OPEN, s.now_ns  # it may arrive, though its answer never comes


def hear(s: ChamberState, said: ValveSaid) -> None:
    """Take an acknowledgement into the state."""
    if said.acked is None:
        return
    s.delivered = said.acked is _standing(s)
    if said.acked is Gas.CLOSED and s.phase is Phase.OPEN:
        return  # an answer to an earlier order; the one to open is on its way
    if said.acked is not s.taken or s.taken_ns is None:
        s.taken, s.taken_ns = said.acked, s.now_ns


def carry_over(s: ChamberState, left: Left) -> None:
    """What the valve was last known to have in the run before."""
    s.taken = Gas.OPEN if left.gas is Gas.OPEN else left.taken


def unanswered_s(s: ChamberState) -> float:
    """Seconds for which the valve has not taken the order that stands; 0 when it has."""
    return 0.0 if s.delivered else (s.now_ns - s.ordered_ns) / NS


def may_flow(s: ChamberState, limits: ChamberLimits) -> bool:
    """Ordered shut, not taken, last known open, and no timer of the valve's own to end it."""
    if s.phase is Phase.OPEN or s.delivered or limits.valve.device_timer_s is not None:
        return False
    return s.taken is Gas.OPEN and unanswered_s(s) >= PATIENCE_S


def _standing(s: ChamberState) -> Gas:
    return Gas.OPEN if s.phase is Phase.OPEN else Gas.CLOSED
