"""A night as one HTML file: no script, nothing fetched; for screen, paper and screen reader."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from html import escape
from importlib import resources

from nightheron.report import page_events, page_trip
from nightheron.report.answers import length
from nightheron.report.night_text import became, clock
from nightheron.report.page_events import Event
from nightheron.report.page_words import Made, moment, pair, pictures, stamp, table
from nightheron.report.usual import percents, span_of_usual

POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
CHARTS_BYTES, TRIPS_BYTES = 140_000, 75_000
"""For pictures; with tables and style a page stays below 300 kB."""
CHARTS_MOST = 6
ALARMS_MOST = 50
TRIPS_MOST = 3
MARKS_MOST = 40
"""Numbers on one picture; more would hide it: then only what needs a look has one, or nothing."""
WHY_NOT = {
    "before_the_journal": "before the journal began",
    "no_rows": "no rows: the service did not run, or could not write",
    "stopped": "the service had been stopped",
    "unwatched": "the service did not run",
}


def page(made: Made) -> str:
    """The whole file. Raises ImportError when matplotlib is not installed."""
    title = f"{made.site}, {_span(made)}"
    style = resources.files("nightheron.report").joinpath("night.css").read_text("utf-8")
    shown = page_events.picked(made.night)
    trips = [(number, one) for number, kind, one in shown if kind == "trips"][:TRIPS_MOST]
    charts = _within(CHARTS_BYTES, (_chamber(made, n, i, shown) for i, n in enumerate(_charted(made))))
    parts = [
        _head(made, title),
        *charts,
        _by_chamber(made) if len(made.night["chambers"]) > 1 else "",
        page_events.section(made, shown),
        _not_watched(made),
        _foot(made),
        *_within(TRIPS_BYTES, (page_trip.section(made, number, one) for number, one in trips)),
        _told(made),
        "</main>",
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
        + "\n".join(part for part in parts if part)
        + "\n</body>\n</html>\n"
    )


def _within(most: int, sections: Iterable[str]) -> list[str]:
    """The first section always, and those after it while all together are no longer than ``most``."""
    taken: list[str] = []
    for one in sections:
        if taken and sum(map(len, taken)) + len(one) > most:
            break
        taken.append(one)
    return taken


def _charted(made: Made) -> list[str]:
    """Chambers that get a picture: those with trips first, where there are too many."""
    names = [one["chamber"] for one in made.night["chambers"] if one["chamber"] in made.series]
    if len(names) <= CHARTS_MOST:
        return names
    tripped = [one["chamber"] for one in made.night["trips"] if one["chamber"] in names]
    return list(dict.fromkeys(tripped + names))[:CHARTS_MOST]


def _head(made: Made, title: str) -> str:
    said = made.night["answers"]
    wrong, do = said["wrong"], said["do"]
    verdict = said["headline"].split(". ")[0].rstrip(".") + "."
    answers = (("Gas", said["gas"]), ("To do", " ".join(do) or "nothing"))
    listed = "".join(f"<dt>{name}</dt><dd>{escape(text)}</dd>" for name, text in answers)
    sentences = "\n".join(f"<p>{escape(text)}</p>" for text in said["sentences"])
    return (
        f"<main>\n<h1>{escape(title)}</h1>\n"
        f'<p class="verdict">{escape(verdict)}</p>\n'
        f'<dl class="answers{" wrong" if wrong else ""}">{listed}</dl>\n{sentences}'
    )


def _chamber(made: Made, name: str, place: int, shown: Sequence[Event]) -> str:
    series = made.series[name]
    summary = next(one for one in made.night["chambers"] if one["chamber"] == name)
    own = [event for event in shown if event[1] == "gaps" or event[2]["chamber"] == name]
    if len(own) > MARKS_MOST:
        own = [event for event in own if page_events.telling(event)]
    marks = {n: one["from"] or one["to"] for n, _, one in own} if len(own) <= MARKS_MOST else {}
    label = f"Picture: pH and gas of {name} over time; the tables below have its numbers and events"
    drawn = pictures(made, series, marks, f"c{place}", label)
    ph = pair(summary["ph_min"], summary["ph_max"]) or "not read"
    share = "unknown" if summary["open_share"] is None else f"{100 * summary['open_share']:.0f} % of the time"
    if summary["usual_open_share"] is not None:
        share += f" ({percents(summary['usual_open_share'])})"
    caption = (
        f"pH {ph}, gas open {share}. In the gas row, filled is open, empty is shut; cross-hatched is a trip, "
        "upright lines a start or hold, slashes time nobody watched. Numbers lead to the events below."
    )
    return (
        f'<section aria-labelledby="h{place}">\n<h2 id="h{place}">{escape(name)}: pH, gas'
        f"{' and tank' if series.has_tank else ''}</h2>\n<figure>\n<figcaption>{caption}</figcaption>\n"
        f"{drawn}\n</figure>\n{_numbers(made, name)}\n</section>"
    )


def _numbers(made: Made, name: str) -> str:
    """The picture as a table, folded away."""
    series = made.series[name]
    rows = []
    for begin, end, one in series.steps():
        watched = one.watched_s > 0
        cells = [
            pair(one.ph_low, one.ph_high),
            length(one.open_s) if watched else "",
            length(one.watched_s) if watched else "nobody",
            *([pair(one.tank_low, one.tank_high)] if series.has_tank else []),
        ]
        hours = f"{moment(made, begin)} to {moment(made, end)}"
        rows.append(f'<tr><th scope="row">{hours}</th>{"".join(f"<td>{cell}</td>" for cell in cells)}</tr>')
    heads = ("time", "pH", "gas open", "watched", *(("tank pH",) if series.has_tank else ()))
    caption = f"Lowest and highest pH, and open time, of {name}"
    return f"<details><summary>{escape(name)} in numbers</summary>\n{table(caption, heads, rows)}\n</details>"


def _by_chamber(made: Made) -> str:
    rows = []
    known = any(one["usual_open_share"] for one in made.night["chambers"])
    for one in made.night["chambers"]:
        share = "" if one["open_share"] is None else f"{100 * one['open_share']:.0f} %"
        usual = [span_of_usual(one["usual_open_share"])] if known else []
        cells = (pair(one["ph_min"], one["ph_max"]), share, *usual, length(one["watched_s"]))
        row = "".join(f"<td>{cell}</td>" for cell in cells)
        rows.append(f'<tr><th scope="row">{escape(one["chamber"])}</th>{row}</tr>')
    body = table(
        "Each chamber in this time",
        ("chamber", "pH", "gas open", *(["usual"] if known else []), "watched"),
        rows,
    )
    return f"<section>\n<h2>Chambers</h2>\n{body}\n</section>"


def _not_watched(made: Made) -> str:
    alone = [one for one in made.night["not_watched"] if one["why"] != "unwatched"]
    if not alone:
        return ""
    rows = (
        f'<tr><th scope="row">{stamp(made, one["from"])} to {clock(one["to"], made.zone)}</th>'
        f"<td>{length(one['seconds'])}</td><td>{WHY_NOT.get(one['why'], one['why'])}</td></tr>"
        for one in alone
    )
    body = table("Time at the ends without any row", ("time", "length", "why"), rows)
    return f"<section>\n<h2>Not watched</h2>\n{body}\n</section>"


def _told(made: Made) -> str:
    if not made.night["alarms"]:
        return ""
    rows = []
    for one in made.night["alarms"][:ALARMS_MOST]:
        then = escape("; ".join(became(one, made.zone)))
        cells = f"<td>{escape(str(one['class']))}: {escape(str(one['text']))}</td><td>{then}</td>"
        rows.append(f'<tr><th scope="row">{stamp(made, one["from"])}</th>{cells}</tr>')
    caption = "Alarms, who was told, who saw them, and when they were over"
    if len(made.night["alarms"]) > ALARMS_MOST:
        caption += f"; the first {ALARMS_MOST} of {len(made.night['alarms'])}"
    body = table(caption, ("time", "alarm", "then"), rows)
    return f"<section>\n<h2>Told</h2>\n{body}\n</section>"


def _foot(made: Made) -> str:
    night = made.night
    if night["head"] is None:
        return "<footer><p>The journal has no row of this time.</p></footer>"
    return (
        f"<footer>\n<p>{night['rows']} rows of the journal; its head after the last of them is "
        f"<code>{night['head']}</code>. To hold this page against the journal: "
        f"<code>nightheron verify --head {night['head'][:16]}</code>. "
        f"Times are {escape(made.zone_name)}. nightheron {escape(made.version)}.</p>\n</footer>"
    )


def _span(made: Made) -> str:
    begin, end = (datetime.fromisoformat(made.night[name]).astimezone(made.zone) for name in ("from", "to"))
    if begin.date() == end.date():
        return f"{begin:%d %B %Y, %H:%M} to {end:%H:%M}"
    return f"{begin:%d %B %Y %H:%M} to {end:%d %B %Y %H:%M}"
