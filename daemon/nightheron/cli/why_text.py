"""The page of ``nightheron why``: what stands now, what is over, what was done, what must happen."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from nightheron.cli.order_text import done_text, urgent_text
from nightheron.cli.times import Times, span_text
from nightheron.guard.causes import steps
from nightheron.guard.rule import LIVE

WAITS = ("settling", "min_rest", "starting")
NOT_PROBE = "whether the probe reads true: only a buffer or a second probe can tell"
HANDS = {
    "chamber_ph_lost": "Gas is shut and stays shut until the probe reads again: "
    "look at its cable and supply.",
    "tank_ph_lost": "Gas is shut and stays shut until the tank's probe reads again: "
    "look at its cable and supply.",
    "valve_lost": "It was shut before the valve was lost: look at broker, network and valve.",
    "keeper_lost": "It was shut before the valve process was lost; a new one is started by itself.",
    "valve_disagrees": "Look at the valve: it reports another position than ordered.",
    "not_recordable": "Look at the disk: gas stays shut until the journal can be written.",
    "commissioning": "It stays shut until commissioning is finished.",
    "core_fault": "It stays shut until the service is started anew; please report the fault.",
}
"""What a hand must do, for reasons that do not go by themselves in the ordinary way."""


@dataclass(slots=True)
class Span:
    """One reason, from when to when it stood in this closing."""

    reason: str
    begin: str
    evidence: str
    over: str | None = None


def page(
    chamber: Mapping[str, Any],
    rows: Sequence[Mapping[str, Any]],
    alarms: Iterable[Mapping[str, Any]],
    times: Times,
) -> str:
    """One chamber for people; ``rows`` are the decisions of this closing, oldest first."""
    one = dict(chamber)
    told = [alarm for alarm in alarms if alarm["chamber"] == one["name"]]
    if one["gas"] == "open":
        return "\n".join(_open(one, told, times))
    spans = spans_of(rows, one["reasons"])
    lines = urgent_text(one, times) or [headline(one, spans, times)]
    lines += [*_history(one, spans, times), f"done     {done_text(one, times)}{_proof(one, rows, times)}"]
    lines += [f"opens    {one['until']}", *_told(told, times)]
    if one["ph"] is not None:
        lines.append(f"unknown  {NOT_PROBE}")
    return "\n".join(lines)


def spans_of(rows: Iterable[Mapping[str, Any]], standing: Iterable[str]) -> list[Span]:
    """When each reason stood, in the order in which they came; what stands now has no end."""
    spans: list[Span] = []
    open_: dict[str, Span] = {}
    now = set(standing)
    for row in rows:
        evidence = {str(name): str(text) for name, text in row.get("evidence") or []}
        reasons = [str(reason) for reason in row.get("reasons") or []]
        for reason in [one for one in open_ if one not in reasons]:
            open_.pop(reason).over = str(row["utc"])
        for reason in reasons:
            if reason not in open_:
                open_[reason] = Span(reason, str(row["utc"]), evidence.get(reason, ""))
                spans.append(open_[reason])
    for span in open_.values():
        if span.reason not in now:
            span.over = ""
    return spans


def headline(chamber: dict[str, Any], spans: Sequence[Span], times: Times) -> str:
    """The order, for how long, the first reason, what stands now, and what a hand must do."""
    name, reason, standing = chamber["name"], str(chamber["reason"]), list(chamber["reasons"])
    shut = "gas CLOSED" if chamber.get("delivered") else "gas ORDERED SHUT"
    begun = f"{name}: {shut} for {times.ago(chamber['since'])}"
    if reason in standing:
        others = [other for other in standing if other != reason and other not in WAITS]
        also = f" (now also: {', '.join(others)})" if others else ""
        return f"{begun}, by {reason}{also}. {_do(chamber)}"
    over = next((span.over for span in reversed(spans) if span.reason == reason and span.over), None)
    ended = f"over since {times.clock(over)}" if over else "over"
    now = ", ".join(standing) or "the opening is being written down"
    return f"{begun}, since {times.clock(chamber['since'])} by {reason} ({ended}); now: {now}. {_do(chamber)}"


def _do(chamber: dict[str, Any]) -> str:
    state, reasons = chamber["state"], chamber["reasons"]
    if "core_fault" in reasons:
        return HANDS["core_fault"]
    if state == "latched":
        return f"It stays shut until a person releases it: nightheron release {chamber['name']}"
    if state == "service":
        return f"A person holds it shut; it stays so until: nightheron service off {chamber['name']}"
    hand = next((HANDS[reason] for reason in reasons if reason in HANDS), None)
    if hand is not None:
        return hand
    return "You need do nothing; it reopens by itself."


def _history(chamber: dict[str, Any], spans: Sequence[Span], times: Times) -> list[str]:
    reason, sentences = str(chamber["reason"]), chamber.get("sentences") or {}
    now: dict[str, str] = chamber.get("evidence") or {}
    first = next((span for span in spans if span.reason == reason), None)
    said = (first.evidence if first else "") or chamber.get("first") or sentences.get(reason, "")
    lines = [f"first    {times.clock(chamber['since'])}  {_joined(reason, said)}{_over(first, times)}"]
    for span in spans:
        if span is first or span.reason in WAITS:
            continue
        words = _joined(span.reason, sentences.get(span.reason, ""), span.evidence)
        lines.append(f"later    {times.clock(span.begin)}  {words}{_over(span, times)}")
    # What a reason began with is told above; here stands only what is so at this moment.
    standing = [_joined(one, now.get(one, "") if one in LIVE else "") for one in chamber["reasons"]]
    if standing:
        lines.append(f"now      {'; '.join(standing)}")
    return lines


def _over(span: Span | None, times: Times) -> str:
    if span is None or span.over is None:
        return ""
    return f" (over since {times.clock(span.over)})" if span.over else " (over)"


def _joined(*parts: str) -> str:
    return ": ".join(dict.fromkeys(part for part in parts if part))


def _proof(chamber: dict[str, Any], rows: Iterable[Mapping[str, Any]], times: Times) -> str:
    verdict = chamber["verdict"]
    at = next((str(row["utc"]) for row in rows if row.get("verdict") == verdict), "")
    when, took_s = f" at {times.clock(at)}" if at else "", chamber.get("verdict_s")
    after = "" if took_s is None else f", after {span_text(took_s)}"
    words = {
        "proved": f"; proved: pH rising{when}{after}",
        "not_proved": f"; NOT proved: pH still falling{when}{after}; shut the hand valve at the cylinder",
        "could_not_tell": "; the water could not tell whether it stopped",
        "pending": "; the water has not answered yet",
    }
    return words.get(str(verdict), "")


def _told(alarms: Sequence[Mapping[str, Any]], times: Times) -> list[str]:
    took = list(dict.fromkeys(label for alarm in alarms for label in alarm.get("told", ())))
    lines = [f"told     {', '.join(took) if took else 'nobody'}"]
    for alarm in alarms:
        since = times.clock(alarm["since"])
        if alarm["reason"] == "service":
            lines.append(f"alarm    reminded at {since}: {alarm['text']}")
        else:
            said, *more = steps(str(alarm["text"]))
            lines.append(f"alarm    ({alarm['class']}) stands since {since}: {said}")
            lines += [f"         {step}" for step in more]
    return lines


def _open(chamber: dict[str, Any], alarms: Sequence[Mapping[str, Any]], times: Times) -> list[str]:
    name, ph = chamber["name"], chamber["ph"]
    shown = "no reading" if ph is None else f"{ph:.2f}"
    said = f"{name}: gas is open since {times.clock(chamber['since'])}, pH {shown}."
    if chamber.get("delivered") is False and (chamber.get("undelivered_s") or 0.0) >= 3.0:
        said = f"{name}: gas is ordered open; the valve has not taken that order. pH {shown}."
    if chamber.get("bleed"):
        said += f" It is a {bleed_text(chamber, times)}"
    elif chamber.get("trial"):
        said += f" It is a {trial_text(chamber, times)}"
    said += " Nothing stands against it, but an alarm stands:" if alarms else " Nothing stands against it."
    return [said, *(_told(alarms, times)[1:])]


def trial_text(chamber: Mapping[str, Any], times: Times) -> str:
    """When the trial opening ends."""
    return f"trial opening, ends by {times.clock(chamber.get('trial_ends'))} unless pH answers."


def bleed_text(chamber: Mapping[str, Any], times: Times) -> str:
    """When the bleed ends, and what follows it."""
    return f"bleed, ends by {times.clock(chamber.get('bleed_ends'))}; then gas is held shut again."
