"""What is known of the gas while nobody watched: no more than what was acknowledged, or is configured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum

from nightheron.guard.limits import ChamberLimits
from nightheron.model import Gas, JsonValue, Left

NAMES_MOST = 5
Row = Mapping[str, JsonValue]


class Shut(StrEnum):
    """How a chamber's gas was shut, surest first."""

    ACKNOWLEDGED = "acknowledged"
    BY_TIMER = "by_timer"
    BY_LEASE = "by_lease"
    NOT_KNOWN = "not_known"


SAYS = {
    Shut.ACKNOWLEDGED: "gas was shut, and the valve had acknowledged that",
    Shut.BY_TIMER: "the valve's own timer was to shut it within {s:g} s; nobody saw whether it did",
    Shut.BY_LEASE: "gas was open; the valve process was to shut it within {s:g} s; if it did is not known",
    Shut.NOT_KNOWN: "whether gas was shut is not known",
}
_SURE = list(Shut)


def worst(how: Sequence[Shut]) -> Shut:
    """The least sure of them."""
    return max(how, key=_SURE.index, default=Shut.NOT_KNOWN)


def how_shut(last: Row, row: Row | None, left: Left | None, limits: ChamberLimits) -> Shut:
    """``last`` is the journal's last row, ``row`` the chamber's last that says what was ``left``."""
    missing = last.get("unacknowledged") if last.get("kind") == "stop" else None
    if isinstance(missing, list):
        acknowledged = limits.name not in missing
    else:
        acknowledged = left is not None and left.gas is Gas.CLOSED and bool(row and row.get("delivered"))
    if acknowledged:
        return Shut.ACKNOWLEDGED
    if left is None:
        return Shut.NOT_KNOWN
    if limits.valve.device_timer_s is not None:
        return Shut.BY_TIMER
    return Shut.BY_LEASE if left.gas is Gas.OPEN and missing is None else Shut.NOT_KNOWN


def shut_text(how: Sequence[Shut], limits: Sequence[ChamberLimits]) -> str:
    """One clause for each kind of knowledge, naming its chambers."""
    clauses = []
    for kind in Shut:
        ones = [one for one, shut in zip(limits, how, strict=True) if shut is kind]
        if not ones:
            continue
        names = ", ".join(one.name for one in ones[:NAMES_MOST])
        more = f" and {len(ones) - NAMES_MOST} more" if len(ones) > NAMES_MOST else ""
        spans = [one.valve.device_timer_s if kind is Shut.BY_TIMER else one.valve.lease_s for one in ones]
        longest_s = max((span for span in spans if span is not None), default=0.0)
        clauses.append(f"{names}{more}: {SAYS[kind].format(s=longest_s)}")
    return "; ".join(clauses)
