"""A recorded night for a rehearsal: read from the journal, and fitted on the rig."""

from __future__ import annotations

import argparse
import os
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from nightheron.cli.journal_path import NoJournal, journal_path
from nightheron.cli.night import span_of
from nightheron.cli.times import times_of
from nightheron.journal.query import Wanted, entries
from nightheron.journal.when import parse_when, utc_text
from nightheron.model import Gas
from nightheron.rig.own_night import Recorded, fit
from nightheron.rig.rehearse_run import OwnNight
from nightheron.rig.stand_in import stand_of
from nightheron.runtime.clock import Clock
from nightheron.settings.site import Chamber, Site

UNWATCHED_S = 150.0
"""Rows further apart than this have a gap between them, in which gas counts as shut."""
LEAST_S = 1800.0
"""What is left of the night after the fault, at least."""


def own_night(
    args: argparse.Namespace, site: Site, chamber: Chamber, show: Callable[[str, int, int], None]
) -> OwnNight:
    """The night asked for, its fit, and the opening that the fault comes with. ValueError with a sentence."""
    args.last = None
    times = times_of(Path(args.config), Clock().utc())
    try:
        path = journal_path(Path(args.config), os.environ)
        since, until = span_of(args, times)
        night = recorded(entries(path, Wanted(since=since, until=until, chamber=chamber.name)), since, until)
    except NoJournal as none:
        raise ValueError(str(none)) from None
    except (sqlite3.Error, OSError) as fault:
        raise ValueError(f"the journal cannot be read ({fault}); run nightheron verify") from None
    begins = datetime.fromisoformat(since)
    after_s = None
    if args.at:
        after_s = (
            datetime.fromisoformat(parse_when(args.at, times.now, times.zone)) - begins
        ).total_seconds()
    at_s = opening_at(night, after_s)
    found = fit(night, stand_of(site, chamber), lambda tried: show(f"{chamber.name}: fitting", tried, 150))
    return OwnNight(
        since=since,
        until=until,
        at=utc_text(begins + timedelta(seconds=at_s)),
        hours=(night.seconds - at_s) / 3600.0,
        fit=found,
    )


def recorded(rows: Iterable[Mapping[str, Any]], since: str, until: str) -> Recorded:
    """Readings and openings of one chamber's rows, in seconds from the first row in the span on.

    ``since`` and ``until`` only bound it: a span may be longer than what was watched.
    """
    begins = datetime.fromisoformat(since).timestamp()
    readings: list[tuple[float, float]] = []
    openings: list[tuple[float, float]] = []
    opened_s: float | None = None
    last: Mapping[str, Any] | None = None
    last_s = 0.0
    for row in rows:
        if row["kind"] not in ("decision", "witness"):
            continue
        at_s = datetime.fromisoformat(row["utc"]).timestamp() - begins
        gap = last is not None and (last["boot"] != row["boot"] or at_s - last_s > UNWATCHED_S)
        if opened_s is not None and (gap or row["gas"] != Gas.OPEN):
            openings.append((opened_s, last_s if gap else at_s))
            opened_s = None
        if row["gas"] == Gas.OPEN and opened_s is None:
            opened_s = at_s
        if row["ph"] is not None and (not readings or at_s > readings[-1][0]):
            readings.append((at_s, row["ph"]))
        last, last_s = row, at_s
    if opened_s is not None:
        openings.append((opened_s, last_s))
    seconds = min(last_s, datetime.fromisoformat(until).timestamp() - begins)
    return Recorded(seconds, tuple(readings), tuple(openings))


def opening_at(night: Recorded, after_s: float | None) -> float:
    """When the opening begins that the fault comes with: the first after then, or the second of all.

    ValueError when there is none that leaves half an hour.
    """
    begins = [one for one, _ in night.openings if one <= night.seconds - LEAST_S]
    found = begins[1:2] or begins if after_s is None else [one for one in begins if one >= after_s]
    if not found:
        raise ValueError(
            "no opening in that span leaves half an hour of it; give an earlier --at or another night"
        )
    return found[0]
