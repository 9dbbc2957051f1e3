"""What the parts of the page share: what it is made from, times and pairs of numbers, pictures with words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from html import escape
from typing import Any

from nightheron.guard.interlock import RULES
from nightheron.model import Reason
from nightheron.report.answers import length
from nightheron.report.chart import draw
from nightheron.report.night_text import clock
from nightheron.report.series import Series

Found = Mapping[str, Any]
Rows = Callable[[str, str, str], Iterable[Found]]
"""Rows of the journal: (since, until, chamber)."""
CLOSINGS = ("cuts", "rests", "trips", "other")
DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Made:
    """What the page is made from."""

    site: str
    night: Found
    series: Mapping[str, Series]
    zone: tzinfo
    zone_name: str
    rows: Rows
    version: str


def pictures(made: Made, series: Series, marks: Mapping[int, str], name: str, label: str) -> str:
    """A wide picture and a narrow one, of which the page shows the one that fits. Raises ImportError."""
    closings = [
        (kind, one)
        for kind in CLOSINGS
        for one in made.night[kind]
        if one["chamber"] == series.name and one["within"] is None
    ]
    parts = []
    for kind in ("wide", "narrow"):
        drawn = draw(
            series,
            closings,
            made.night["not_watched"],
            marks,
            made.zone,
            f"{name}{kind[0]}",
            narrow=kind == "narrow",
        )
        drawn = drawn.replace('role="group"', f'role="group" aria-label="{escape(label)}"', 1)
        parts.append(f'<div class="{kind}">{drawn}</div>')
    return "\n".join(parts)


def when(made: Made, one: Found) -> str:
    """From, to and length of a closing or gap; the date too in a span of more than a day."""
    begin, lasted = stamp(made, one["from"]), length(one["seconds"])
    if one["to"] is None:
        return f"{begin}, lasting; {lasted} so far"
    end = stamp(made, one["to"]) if (one["seconds"] or 0) > 0.9 * DAY_S else clock(one["to"], made.zone)
    return f"{begin} to {end}, {lasted}"


def stamp(made: Made, utc: str | None) -> str:
    """The time of day; with its date where the span is longer than a day."""
    if utc is None or seconds(made.night["from"], made.night["to"]) <= 1.1 * DAY_S:
        return clock(utc, made.zone)
    return datetime.fromisoformat(utc).astimezone(made.zone).strftime("%d %b %H:%M:%S")


def moment(made: Made, at_s: float) -> str:
    """Hour and minute, with the date where the span is longer than a day."""
    local = datetime.fromtimestamp(at_s, UTC).astimezone(made.zone)
    longer = seconds(made.night["from"], made.night["to"]) > 1.1 * DAY_S
    return local.strftime("%d %b %H:%M" if longer else "%H:%M")


def pair(low: float | None, high: float | None) -> str:
    """A lowest and a highest pH; empty where there is none."""
    if low is None or high is None:
        return ""
    return f"{low:.2f} to {high:.2f}"


def sentence(reason: str) -> str:
    """The interlock's own sentence for a reason; its name for one that this version does not know."""
    known = reason in set(Reason) and Reason(reason) in RULES
    return RULES[Reason(reason)].sentence if known else reason.replace("_", " ")


def breaking(reason: str) -> str:
    """A reason's name that a narrow column may break where its words join."""
    return escape(reason).replace("_", "_<wbr>")


def table(caption: str, heads: Sequence[str], rows: Iterable[str]) -> str:
    """A table with a caption and heads for columns."""
    head = "".join(f'<th scope="col">{escape(one)}</th>' for one in heads)
    body = "\n".join(rows)
    return (
        f"<table><caption>{escape(caption)}</caption>\n<thead><tr>{head}</tr></thead>\n"
        f"<tbody>\n{body}\n</tbody></table>"
    )


def seconds(begin: str, end: str) -> float:
    """Between two UTC texts."""
    return (datetime.fromisoformat(end) - datetime.fromisoformat(begin)).total_seconds()
