"""What `nightheron valve` says of a proof test and a bleed, in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from nightheron.cli.times import Times, span_text
from nightheron.guard.explain import CAUTION, SHUT_BY_HAND

CANNOT_TELL = "a reading that does not move proves nothing"
VERDICTS = {
    "proved": "the water was seen to turn",
    "not_proved": "the water was seen to fall on",
    "could_not_tell": CANNOT_TELL,
    "pending": "the water has not answered yet",
}


def told(chamber: Mapping[str, Any]) -> bool:
    """The proof test is over, whatever it gave."""
    standing = chamber["reasons"]
    given_up = "no_effect" in standing or "service" in standing or chamber["gas"] == "open"
    return chamber["verdict"] != "pending" or given_up


def waiting(chamber: Mapping[str, Any], seconds: float) -> str:
    """The line of progress while the water has not answered."""
    return f"waiting for pH to rise: {span_text(seconds)}, pH {_ph(chamber)}"


def bleeding(of_s: int) -> Callable[[Mapping[str, Any], float], str]:
    """The line of progress of a bleed."""

    def line(chamber: Mapping[str, Any], seconds: float) -> str:
        if chamber["gas"] == "closed":
            return "shutting"
        return f"gas flows, {max(0.0, of_s - seconds):.0f} s left, pH {_ph(chamber)}"

    return line


def verdict(chamber: Mapping[str, Any], seconds: float) -> list[str]:
    """What the proof test gave, how long that took, and what to do."""
    name, took = chamber["name"], span_text(seconds)
    if chamber["verdict"] == "proved":
        return [
            f"{name}: PROVED shut after {took}: pH was seen to rise (now {_ph(chamber)}).",
            _next(chamber),
        ]
    if chamber["verdict"] == "not_proved":
        said = f"{name}: NOT PROVED after {took}: pH was seen to fall on (now {_ph(chamber)})."
        return [said, f"{SHUT_BY_HAND}. {CAUTION}"]
    lines = [f"{name}: COULD NOT TELL in {took}: {_why_untold(chamber)} (pH {_ph(chamber)})."]
    if chamber["verdict"] == "pending" and "no_effect" not in chamber["reasons"]:
        return [*lines, f"The rest goes on; look again with: nightheron why {name}"]
    return [*lines, _next(chamber)]


def _next(chamber: Mapping[str, Any]) -> str:
    return "Gas is open again." if chamber["gas"] == "open" else f"Gas opens with: {chamber['until']}."


def _why_untold(chamber: Mapping[str, Any]) -> str:
    if "service" in chamber["reasons"]:
        return "a hold began, and readings tell nothing while hands are at work"
    if "chamber_ph_lost" in chamber["reasons"]:
        return "the probe gives no good reading"
    return "the reading did not move enough, and " + CANNOT_TELL


def known(
    chamber: Mapping[str, Any], rows: Sequence[Mapping[str, Any]], proved: str | None, times: Times
) -> list[str]:
    """With gas shut already: the verdict of this closing, when it came, and the last one that was proved."""
    name, now = chamber["name"], str(chamber["verdict"])
    at = next((str(row["utc"]) for row in rows if row.get("verdict") == now), None)
    since = f"{name}: gas is shut since {times.clock(chamber['since'])}, by {chamber['reason']}"
    if now not in VERDICTS:
        lines = [f"{since}; no opening came before, so there is nothing to prove."]
    else:
        when = f" at {times.clock(at)}" if at and now != "pending" else ""
        lines = [f"{since}: {now.replace('_', ' ')}{when}; {VERDICTS[now]}."]
    if now != "proved":
        last = f"at {times.clock(proved)}" if proved else "not in what the journal's newest rows hold"
        lines.append(f"Last proved shut: {last}.")
    return lines


def _ph(chamber: Mapping[str, Any]) -> str:
    return "no reading" if chamber["ph"] is None else f"{chamber['ph']:.2f}"
