"""What is known of a valve that was moved once: by its own reports, and by the person beside it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from nightheron.model import Gas

if TYPE_CHECKING:
    from nightheron.runtime.valve_trial import Moved


class Verdict(StrEnum):
    """The worst that holds, worst first."""

    NOT_SHUT = "not_known_to_be_shut"
    NO_ANSWER = "no_answer"
    BACKWARDS = "backwards"
    STUCK = "not_seen_to_move"
    OTHERS = "somebody_else_orders_it"
    RIGHT = "right"
    UNKNOWN = "which_way_round_is_not_known"


FINDINGS = frozenset(Verdict) - {Verdict.RIGHT, Verdict.UNKNOWN}


@dataclass(frozen=True, slots=True)
class Told:
    """What the person said; None where they could not tell or nobody was asked."""

    moved: bool | None = None
    """Something was heard or felt at opening and at shutting."""
    power_while_open: bool | None = None
    """The coil, or its lamp, was on while ordered open and off before and after; False: the other way."""


def verdict(moved: Moved, told: Told, *, reports: bool) -> Verdict:
    """``reports``: the device's own report of its position is configured."""
    if not moved.shut_again and moved.took_close:
        return Verdict.NOT_SHUT
    if not (moved.took_close and moved.took_open):
        return Verdict.NO_ANSWER
    by_device = _by_device(moved) if reports else None
    if by_device is Verdict.BACKWARDS or told.power_while_open is False:
        return Verdict.BACKWARDS
    # A device may report what it was told: whoever stands beside it and sees nothing move is right.
    if by_device is Verdict.STUCK or told.moved is False:
        return Verdict.STUCK
    if moved.others:
        return Verdict.OTHERS
    return Verdict.RIGHT if by_device or told.power_while_open else Verdict.UNKNOWN


def _by_device(moved: Moved) -> Verdict | None:
    """From the last report of each phase: a device may report the way there too. None when it was silent."""
    at_open = next((gas for gas in reversed(moved.shown_open) if gas is not None), None)
    at_shut = next((gas for gas in reversed(moved.shown_shut) if gas is not None), None)
    if at_open is Gas.CLOSED and at_shut is Gas.OPEN:
        return Verdict.BACKWARDS
    if at_open is Gas.OPEN and at_shut is Gas.CLOSED:
        return Verdict.RIGHT
    return Verdict.STUCK if Gas.OPEN in (at_open, at_shut) or at_open is at_shut is Gas.CLOSED else None


BACKWARDS_TEXT = """\
{valve}: BACKWARDS. {seen} So gas would flow when it is ordered shut, or when the power fails.
Leave the cylinder shut and find which of these it is, then try again:
  - the two orders (or the two answers) are swapped in the configuration;
  - the wire is on the wrong contact of the relay: it belongs on the one that is open without power;
  - the valve opens without power: fit one that is shut without power (normally closed)."""

TEXTS = {
    Verdict.NOT_SHUT: "{valve}: NOT KNOWN TO BE SHUT ({trouble}). Leave the cylinder shut and look at it.",
    Verdict.NO_ANSWER: "{valve}: it took no order ({trouble}). Look at its supply, its link and its keys.",
    Verdict.STUCK: "{valve}: it took the orders and was not seen to move. Look at its supply, the wiring of "
    "the relay, and whether the orders are what the device understands.",
    Verdict.OTHERS: "{valve}: somebody else ordered it meanwhile ({others}). Find out who: none but the "
    "service may.",
    Verdict.RIGHT: "{valve}: it opens when ordered open and shuts when ordered shut ({seen}).",
    Verdict.UNKNOWN: "{valve}: it took the orders; which way round it works nobody saw. Before the "
    "cylinder is opened, take the hose off behind the valve and try whether air goes through while it is "
    "ordered shut: it must not, with power and without.",
}


def text(found: Verdict, valve: str, moved: Moved, told: Told, *, reports: bool) -> str:
    """The verdict for people, and what to do."""
    by_device = _by_device(moved) if reports else None
    if found is Verdict.BACKWARDS:
        seen = "Its device reports shut while it is ordered open, and open while it is ordered shut."
        if by_device is not Verdict.BACKWARDS:
            seen = "It has power while it is ordered shut and none while it is ordered open."
        return BACKWARDS_TEXT.format(valve=valve, seen=seen)
    seen = " and ".join(
        word for word, holds in (("by its own report", by_device), ("by you", told.power_while_open)) if holds
    )
    trouble, others = moved.trouble or "it said nothing", ", ".join(moved.others)
    return TEXTS[found].format(valve=valve, seen=seen, trouble=trouble, others=others)
