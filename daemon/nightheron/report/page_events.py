"""The page's table of events: every closing and every gap, numbered as on the pictures."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from nightheron.report.night_text import KINDS, STANDS_FOR, UNWATCHED, VERDICTS, events
from nightheron.report.page_words import Found, Made, breaking, sentence, table, when

EVENTS_MOST = 150
"""More are not listed; trips, gaps and what was not proved come first then."""
Event = tuple[int, str, Found]
"""Its number, the list it belongs to (or ``gaps``), and the closing or the gap."""
HEADS = ("no.", "when", "what", "found")


def picked(night: Found) -> list[Event]:
    """Events in order of time, numbered; of too many only those that need a look."""
    found = [(number, kind, one) for number, (kind, one) in enumerate(events(night), 1)]
    if len(found) <= EVENTS_MOST:
        return found
    return [event for event in found if telling(event)][:EVENTS_MOST]


def section(made: Made, shown: Sequence[Event]) -> str:
    """The table, and what its reasons mean."""
    total, many = len(events(made.night)), len(made.night["chambers"]) > 1
    if total == 0:
        return "<section>\n<h2>Events</h2>\n<p>Gas was never shut in this time.</p>\n</section>"
    caption = (
        "What shut the gas, and time nobody watched; found: lowest pH, proof, seconds from cause to shut"
    )
    if len(shown) < total:
        caption += f"; {len(shown)} of {total} events, those to look at: ask for a shorter span to see all"
    rows = (_row(made, event, many=many) for event in shown)
    reasons = dict.fromkeys(one["reason"] for _, kind, one in shown if kind != "gaps")
    words = "; ".join(f"<strong>{escape(one)}</strong>: {escape(sentence(one))}" for one in reasons)
    meaning = f"\n<p>{words}.</p>" if words else ""
    return f"<section>\n<h2>Events</h2>\n{table(caption, HEADS, rows)}{meaning}\n</section>"


def _row(made: Made, event: Event, *, many: bool) -> str:
    number, kind, one = event
    cells = _gap(one) if kind == "gaps" else _closing(kind, one, many=many)
    return (
        f'<tr id="event-{number}" class="{kind}"><th scope="row">{number}</th>'
        f'<td class="time">{when(made, one)}</td>{"".join(f"<td>{cell}</td>" for cell in cells)}</tr>'
    )


def _gap(one: Found) -> tuple[str, str]:
    words = str(one["why"]).replace("_", " ")
    if one["why"] == "unwatched":
        words = UNWATCHED.get(str(one.get("shut")), UNWATCHED["not_known"])
    return "<strong>gap</strong>", escape(words)


def _closing(kind: str, one: Found, *, many: bool) -> tuple[str, str]:
    what = f"<strong>{KINDS.get(kind) or STANDS_FOR.get(one['reason'], 'wait')}</strong>"
    what += "" if kind == "rests" else f" {breaking(one['reason'])}"
    what += f" ({escape(one['chamber'])})" if many else ""
    what += f", within a closing by {breaking(one['within'])}" if one["within"] else ""
    if one["later"]:
        what += f", later {', '.join(breaking(later['reason']) for later in one['later'])}"
    low = "" if one["lowest_ph"] is None else f"pH {one['lowest_ph']:.2f}"
    said = (low, VERDICTS.get(str(one["verdict"]), ""), _after(one))
    return what, ", ".join(part for part in said if part)


def _after(one: Found) -> str:
    if one["closed_s"] is None:
        return ""
    seconds = "&lt;0.1" if one["closed_s"] < 0.1 else f"{one['closed_s']:.1f}"
    promised = "" if one["promised_s"] is None else f" of {one['promised_s']:g}"
    return f"{'LATE, ' if one['late'] else ''}in {seconds}{promised} s"


def telling(event: Event) -> bool:
    """It needs a look: a trip, a gap, a closing that was not proved or was late."""
    _, kind, one = event
    return bool(kind in ("trips", "gaps") or one.get("verdict") == "not_proved" or one.get("late"))
