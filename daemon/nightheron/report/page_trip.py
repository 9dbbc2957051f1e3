"""A trip's own section of the page: an hour before to half an hour after, and what was said and done."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from html import escape

from nightheron.report.night_text import VERDICTS, clock, steps
from nightheron.report.page_words import Found, Made, pictures, sentence, table
from nightheron.report.series import Collector

BEFORE, AFTER = timedelta(minutes=60), timedelta(minutes=30)
LONGEST = timedelta(hours=6)
"""Of a trip that lasts longer the picture shows this much."""


def section(made: Made, number: int, trip: Found) -> str:
    """Picture and table of one trip. Raises ImportError when matplotlib is not installed."""
    name = trip["chamber"]
    begin = datetime.fromisoformat(trip["from"])
    end = min(datetime.fromisoformat(trip["to"] or made.night["to"]), begin + LONGEST)
    since, until = _utc(begin - BEFORE), _utc(end + AFTER)
    collected = Collector(since, until)
    rows = list(collected.passing(made.rows(since, until, name)))
    heading = f"Event {number}: {trip['reason']}, {clock(trip['from'], made.zone)}"
    parts = [
        f'<section class="trip" aria-labelledby="h-{number}">',
        f'<h2 id="h-{number}">{escape(heading)}</h2>',
    ]
    evidence = f" ({trip['evidence']})" if trip["evidence"] else ""
    low = "" if trip["lowest_ph"] is None else f" Lowest pH {trip['lowest_ph']:.2f}."
    verdict = VERDICTS.get(str(trip["verdict"]), "no answer of the water yet")
    caption = (
        f"{name}, an hour before to half an hour after: {sentence(trip['reason'])}{evidence}."
        f"{low} Gas: {verdict}."
    )
    series = collected.series.get(name)
    if series is not None:
        if not series.limits and name in made.series:
            series.limits = made.series[name].limits[-1:]
        label = f"Picture: pH and gas of {name} around event {number}; the table below tells it step by step"
        drawn = pictures(made, series, {number: trip["from"]}, f"t{number}", label)
        parts.append(f"<figure>\n<figcaption>{escape(caption)}</figcaption>\n{drawn}\n</figure>")
    followed = [row for row in rows if row["utc"] >= trip["from"]]
    told = (
        f'<tr><th scope="row">{clock(utc, made.zone)}</th><td>{escape(words)}</td></tr>'
        for utc, words in steps(trip, followed)
    )
    parts += [table(f"What followed in {name}", ("time", "what"), told), "</section>"]
    return "\n".join(parts)


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
