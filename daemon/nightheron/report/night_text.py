"""The table of a night for a terminal: 80 columns, plain words, nothing but text."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any

from nightheron.guard.interlock import RULES
from nightheron.model import Gas, Reason
from nightheron.report.answers import length, tenths
from nightheron.report.usual import span_of_usual

VERDICTS = {
    "proved": "proved shut",
    "not_proved": "NOT PROVED",
    "could_not_tell": "could not tell",
    "pending": "not yet known",
}
KINDS = {"cuts": "cut", "rests": "rest", "trips": "TRIP"}
COUNTED = {"rests": "planned rest", "trips": "trip", "gaps": "gap"}
STANDS_FOR = {Reason.STARTING: "start", Reason.SERVICE: "hold", Reason.WORK_DONE: "work"}
"""Words for closings that are neither cut, rest nor trip; ``wait`` for the rest of them."""
UNWATCHED = {
    "acknowledged": "nobody watched; it was shut",
    "by_timer": "nobody watched; its own timer shuts it",
    "by_lease": "nobody watched; its lease ran out",
    "not_known": "nobody watched; NOT KNOWN if shut",
}
WIDTH = 80
TOLD_MOST = 30
TRIPS_MOST = 5
"""Trips that are told from near."""
Rows = Callable[[str, str, str], Iterable[Mapping[str, Any]]]
WAITS = (Reason.SETTLING, Reason.MIN_REST)
HEADING = f"{'from':<9}{'to':<9}{'length':>10} {'what':<5} {'because of':<15} {'low pH':<6} answer"


def table(night: Mapping[str, Any], zone: tzinfo, *, many: bool) -> list[str]:
    """One line a closing and a gap, in order of time; with the chamber's name where there are many."""
    return [
        HEADING,
        *(
            _gap(one, zone) if kind == "gaps" else _closing(one, kind, zone, many=many)
            for kind, one in events(night)
        ),
    ]


def summary(night: Mapping[str, Any]) -> list[str]:
    """The night in a few sentences."""
    cuts: Sequence[Mapping[str, Any]] = night["cuts"]
    proved = sum(1 for one in cuts if one["verdict"] == "proved")
    others = [_count(night[kind], word) for kind, word in COUNTED.items()]
    lines = [f"{_count(cuts, 'cut')}, {proved} proved shut by the water; {'; '.join(others)}."]
    if night["ph_min"] is not None:
        lines.append(f"Lowest pH {night['ph_min']:.2f}.")
    if night["open_share"] is not None:
        lines[-1] += f" Gas open {100 * night['open_share']:.0f} % of the time watched."
    return lines


def legend(night: Mapping[str, Any]) -> list[str]:
    """What the reasons of this night mean."""
    seen = dict.fromkeys(one["reason"] for kind in (*KINDS, "other") for one in night[kind])
    named = [(reason, RULES[Reason(reason)].sentence) for reason in seen]
    return [line for reason, sentence in named for line in _wrapped(f"  {reason:<16}  {sentence}", 20)]


def report(night: Mapping[str, Any], zone: tzinfo, zone_name: str, rows: Rows) -> list[str]:
    """The whole page: the answers, the table, closings against what was promised, trips from near, the head.

    ``rows(since, until, chamber)`` reads the journal anew for the trips.
    """
    said, many = night["answers"], len(night["chambers"]) > 1
    lines = [*_wrapped(said["headline"], 0), "", f"{_dated(night, zone)}, times are {zone_name}."]
    lines += [line for text in said["sentences"] for line in _wrapped(text, 0)]
    lines += ["", *table(night, zone, many=many)]
    if many:
        lines += ["", *by_chamber(night)]
    if told := in_time(night, zone):
        lines += ["", "From cause to closed, against what was promised:", *told]
    for trip in night["trips"][:TRIPS_MOST]:
        until = trip["to"] or night["to"]
        near = (row for row in rows(trip["from"], until, trip["chamber"]) if row["utc"] >= trip["from"])
        lines += ["", *story(trip, near, zone)]
    if len(night["trips"]) > TRIPS_MOST:
        lines.append(
            f"  and {len(night['trips']) - TRIPS_MOST} more trips: ask for a shorter span, or --json"
        )
    if night["alarms"]:
        lines += ["", "Told:", *told_lines(night, zone)]
    lines += ["", *legend(night)]
    if night["head"] is not None:
        lines += ["", f"Journal: {night['rows']} rows of this span; its head after the last of them"]
        lines += [
            f"  {night['head']}",
            "To hold it against the chain: nightheron verify --head with these digits.",
        ]
    return lines


def by_chamber(night: Mapping[str, Any]) -> list[str]:
    """One line a chamber where there are several."""
    wide = 10 if any(one["usual_open_share"] for one in night["chambers"]) else 0
    head = "usual" if wide else ""
    lines = [f"{'chamber':<16}{'open':>6}{head:>{wide}}{'watched':>12}{'pH':>14}{'tank now':>10}"]
    for one in night["chambers"]:
        share = "" if one["open_share"] is None else f"{100 * one['open_share']:.0f} %"
        ph = "" if one["ph_min"] is None else f"{one['ph_min']:.2f}-{one['ph_max']:.2f}"
        tank = one["last"]["tank_ph"]
        last = "" if tank is None else f"{tank:.2f}"
        usual = span_of_usual(one["usual_open_share"])
        lines.append(
            f"{one['chamber']:<16}{share:>6}{usual:>{wide}}{length(one['watched_s']):>12}{ph:>14}{last:>10}"
        )
    return lines


def in_time(night: Mapping[str, Any], zone: tzinfo) -> list[str]:
    """Per first reason, the slowest close of the night; every close that was late by itself."""
    timed = [one for kind in KINDS for one in night[kind] if one["closed_s"] is not None]
    slowest: dict[str, Mapping[str, Any]] = {}
    for one in timed:
        if one["reason"] not in slowest or one["closed_s"] > slowest[one["reason"]]["closed_s"]:
            slowest[one["reason"]] = one
    shown = [*slowest.values(), *(one for one in timed if one["late"] and one not in slowest.values())]
    lines = []
    for one in shown:
        number = sum(1 for other in timed if other["reason"] == one["reason"])
        promised = "nothing promised" if one["promised_s"] is None else f"promised {one['promised_s']:g} s"
        word = "LATE" if one["late"] else "slowest" if number > 1 else "took"
        lines.append(
            f"  {one['reason']:<16} {number:>3} x, {word} {tenths(one['closed_s'])} at "
            f"{clock(one['from'], zone)}; {promised}"
        )
    return lines


def told_lines(night: Mapping[str, Any], zone: tzinfo) -> list[str]:
    """Each alarm: raised, seen, over."""
    lines = []
    for one in night["alarms"][:TOLD_MOST]:
        line = f"  {clock(one['from'], zone)}  {one['class']}: {one['text']}; {'; '.join(became(one, zone))}"
        lines += _wrapped(line, 12)
    if len(night["alarms"]) > TOLD_MOST:
        lines.append(f"  and {len(night['alarms']) - TOLD_MOST} more: nightheron log --kind alarm")
    return lines


def became(alarm: Mapping[str, Any], zone: tzinfo) -> list[str]:
    """Who was told of an alarm, who saw it, and whether it is over."""
    told = [f"told {clock(one['at'], zone)} by {one['channel']}" for one in alarm["told"][:3]]
    told += [f"NOT TOLD by {one['channel']}" for one in alarm["not_told"][:3]]
    seen = f"seen {clock(alarm['seen'], zone)}" if alarm["seen"] else "nobody said that they saw it"
    over = f"over {clock(alarm['to'], zone)}" if alarm["to"] else "still standing"
    return [*(told or ["no push was accepted"]), seen, over]


def story(closing: Mapping[str, Any], rows: Iterable[Mapping[str, Any]], zone: tzinfo) -> list[str]:
    """How one closing went, from the decision and alarm rows since it began, oldest first."""
    lines = [f"{closing['chamber']}: gas shut for {length(closing['seconds'])}, by {closing['reason']}."]
    for utc, words in steps(closing, rows):
        lines += _wrapped(f"  {clock(utc, zone)}  {words}", 12)
    low = "unknown" if closing["lowest_ph"] is None else f"{closing['lowest_ph']:.2f}"
    lines.append(f"  lowest pH {low}; {VERDICTS.get(str(closing['verdict']), 'no answer of the water yet')}")
    return lines


def steps(closing: Mapping[str, Any], rows: Iterable[Mapping[str, Any]]) -> Iterator[tuple[str, str]]:
    """What each row says that the one before did not: its time, and in words; until gas opens."""
    standing: list[str] = []
    for row in rows:
        if row["chamber"] != closing["chamber"] or row["kind"] not in ("decision", "alarm"):
            continue
        for words in _told(row) if row["kind"] == "alarm" else _news(row, standing):
            yield str(row["utc"]), words
        if row["kind"] == "decision":
            standing = list(row["reasons"] or [])
            if row["gas"] == Gas.OPEN:
                return


def events(night: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    """Every closing and gap with the list it stands in, in order of time."""
    found = [(kind, one) for kind in (*KINDS, "other", "gaps") for one in night[kind]]
    return sorted(found, key=lambda event: event[1]["from"] or event[1]["to"])


def clock(utc: str | None, zone: tzinfo) -> str:
    """The time of day in ``zone``; dashes where there is none."""
    if utc is None:
        return "--:--:--"
    return datetime.fromisoformat(utc).astimezone(zone).strftime("%H:%M:%S")


def _dated(night: Mapping[str, Any], zone: tzinfo) -> str:
    begin, end = (datetime.fromisoformat(night[name]).astimezone(zone) for name in ("from", "to"))
    return f"From {begin:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M}"


def _closing(one: Mapping[str, Any], kind: str, zone: tzinfo, *, many: bool) -> str:
    word = KINDS.get(kind) or STANDS_FOR.get(one["reason"], "wait")
    reason = one["reason"] + (f" ({one['chamber']})" if many else "")
    low = "" if one["lowest_ph"] is None else f"{one['lowest_ph']:.2f}"
    verdict = VERDICTS.get(str(one["verdict"]), "")
    end = clock(one["to"], zone) if one["to"] else "lasting"
    return (
        f"{clock(one['from'], zone):<9}{end:<9}{length(one['seconds']):>10} "
        f"{word:<5} {reason:<15} {low:<6} {verdict}"
    ).rstrip()


def _gap(one: Mapping[str, Any], zone: tzinfo) -> str:
    unwatched = one["why"] == "unwatched"
    words = (
        UNWATCHED.get(str(one.get("shut")), UNWATCHED["not_known"])
        if unwatched
        else str(one["why"]).replace("_", " ")
    )
    times = f"{clock(one['from'], zone):<9}{clock(one['to'], zone):<9}{length(one['seconds']):>10}"
    return f"{times} {'gap':<5} {words}"


def _news(row: Mapping[str, Any], standing: Sequence[str]) -> list[str]:
    """What this row says that the one before did not; settle and rest only as what is waited for."""
    shown = "" if row["ph"] is None else f", pH {row['ph']:.2f}"
    if row["gas"] == Gas.OPEN:
        return [f"gas opens again{shown}; every condition met"]
    now = list(row["reasons"] or [])
    evidence = dict(row["evidence"] or [])
    said = [
        f"{reason}: {evidence.get(reason) or RULES[Reason(reason)].sentence}"
        for reason in now
        if reason not in standing and reason not in WAITS
    ]
    over = [reason for reason in standing if reason not in now and reason not in WAITS]
    waits = f"; still to come: {', '.join(now)}" if now else ""
    return said + [f"{reason} over{shown}{waits}" for reason in over]


def _told(row: Mapping[str, Any]) -> list[str]:
    if row["state"] == "normal" or row.get("over"):
        return [f"alarm over: {row['reason']}"]
    if row["state"] != "unacknowledged":
        return [f"alarm {row['state'].replace('_', ' ')}: {row['reason']}"]
    return [f"alarm ({row['class']}): {str(row['text']).removeprefix(str(row['chamber']) + ': ')}"]


def _wrapped(line: str, indent: int) -> list[str]:
    return textwrap.wrap(line, WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False)


def _count(items: Sequence[Any], word: str) -> str:
    return f"{len(items)} {word}" if len(items) == 1 else f"{len(items)} {word}s"
