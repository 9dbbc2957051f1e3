"""One chamber's order and what became of it, in words: the sentences that ``status`` and ``why`` share."""

from __future__ import annotations

from typing import Any

from nightheron.cli.times import Times, span_text

UNTAKEN_S = 3.0
"""An order may be on its way for so long before it is worth a word."""
BEGINNING_S = 15.0
"""A service that starts may take so long to hear its valves."""
LOST = ("valve_lost", "keeper_lost")


def untaken(chamber: dict[str, Any]) -> bool:
    """Gas is ordered shut, and the valve has not taken that."""
    if chamber["gas"] != "closed" or chamber.get("delivered") is not False:
        return False
    return (chamber.get("undelivered_s") or 0.0) >= UNTAKEN_S or any(r in LOST for r in chamber["reasons"])


def seen_open(chamber: dict[str, Any]) -> bool:
    """Gas is ordered shut, and the valve itself reports that it stands open."""
    disagrees = chamber["gas"] == "closed" and "valve_disagrees" in chamber["reasons"]
    return disagrees and chamber.get("seen") == "open"


def order_word(chamber: dict[str, Any]) -> str:
    """For a column: ``open``, ``closed``, or the order where gas is not known to have stopped."""
    if "not_stopping" in chamber["reasons"]:
        return "NOT STOPPED"
    if seen_open(chamber):
        return "SEEN OPEN"
    return "ordered shut" if untaken(chamber) else str(chamber["gas"])


def urgent_text(chamber: dict[str, Any], times: Times) -> list[str]:
    """What is wrong with shutting the gas and what to do now; nothing when gas is shut as ordered."""
    if "not_stopping" in chamber["reasons"]:
        return _not_stopped(chamber, times)
    if seen_open(chamber):
        return _seen_open(chamber, times)
    return _not_delivered(chamber) if untaken(chamber) else []


def done_text(chamber: dict[str, Any], times: Times) -> str:
    """What became of the order to close."""
    if seen_open(chamber):
        return "close ordered, but the valve reports that it stands open"
    if chamber.get("delivered") is True:
        return "close ordered, taken by the valve"
    if chamber.get("delivered") is None:
        return "close ordered"
    if not untaken(chamber):
        return "close ordered just now, not yet taken by the valve"
    return f"close ordered, not taken by the valve; {_last_known(chamber, times)}"


def _last_known(chamber: dict[str, Any], times: Times) -> str:
    taken = chamber.get("taken")
    if taken is None:
        return "it has taken no order since the start"
    since = chamber.get("taken_since")
    when = f"since {times.clock(since)}" if since else "from before the start"
    return f"its last known order is {str(taken).upper()} ({when})"


def _not_delivered(chamber: dict[str, Any]) -> list[str]:
    from nightheron.guard.explain import CAUTION, SHUT_BY_HAND

    name, waited = chamber["name"], span_text(chamber.get("undelivered_s") or 0.0)
    lost = next((r for r in LOST if r in chamber["reasons"]), None)
    why = chamber["sentences"].get(lost, "") if lost else "the valve has not acknowledged it"
    taken, timer_s = chamber.get("taken"), chamber.get("device_timer_s")
    if (
        lost is None
        and "starting" in chamber["reasons"]
        and (chamber.get("undelivered_s") or 0) < BEGINNING_S
    ):
        return [
            f"{name}: gas ordered shut {waited} ago; the valve is not heard yet, the service has just begun."
        ]
    if taken == "closed":
        flows = "it was shut when it last answered"
    elif timer_s is not None:
        flows = f"its own timer was to shut it within {timer_s:g} s, which nobody has seen"
    else:
        flows = "gas may still flow" if taken == "open" else "whether gas flows is not known"
    if taken == "closed" or timer_s is not None:
        # As its alarm, which is a notice: nothing says that gas flows, and the water is watched for it.
        return [
            f"{name}: close not answered for {waited}: {why}; {flows}. "
            "Look at broker, network and valve; should it be open, shut the hand valve at the cylinder."
        ]
    return [
        f"{name}: CLOSE NOT DELIVERED for {waited}: {why}; {flows}. "
        f"{SHUT_BY_HAND}, then look at broker, network and valve.",
        CAUTION,
    ]


def _seen_open(chamber: dict[str, Any], times: Times) -> list[str]:
    from nightheron.guard.explain import CAUTION, SHUT_BY_HAND

    return [
        f"{chamber['name']}: VALVE SEEN OPEN. Ordered shut {times.clock(chamber['since'])}, and it reports "
        "that it stands open; gas may flow.",
        f"{SHUT_BY_HAND}, then look at the valve, its relay and its wiring. {CAUTION}",
    ]


def _not_stopped(chamber: dict[str, Any], times: Times) -> list[str]:
    from nightheron.guard.explain import CAUTION, SHUT_BY_HAND

    ph = "no reading" if chamber["ph"] is None else f"{chamber['ph']:.2f}"
    tank = "" if chamber["tank_ph"] is None else f"Tank {chamber['tank_ph']:.2f}. "
    taken = "" if chamber.get("delivered") else " The valve has not taken the order."
    return [
        f"{chamber['name']}: GAS NOT STOPPED. Ordered shut {times.clock(chamber['since'])}, "
        f"pH still falling ({ph}).",
        f"It has been ordered shut for {times.ago(chamber['since'])}, longer than line and probe lag explain."
        f"{taken} The valve may be leaking or stuck.",
        f"{SHUT_BY_HAND}. {CAUTION}",
        f"{tank}Nothing reopens before pH is seen to turn, or a person releases it.",
    ]
