"""``nightheron night``: what happened, was it right, is it all there; also while the service runs."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from nightheron.cli.times import Times
    from nightheron.journal.chain import Row
    from nightheron.report.series import Series

HELP = "the night, explained: what shut the gas, was it in time, was it proved, who watched"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("--json", action="store_true", help="one JSON object")
    span = parser.add_mutually_exclusive_group()
    span.add_argument("--last", metavar="SPAN", help="the span before now, such as 8h or 7d (default: 24h)")
    span.add_argument(
        "--date", metavar="DAY", help="from noon before this day to its noon: the night into it"
    )
    span.add_argument(
        "--from",
        "--since",
        dest="since",
        metavar="WHEN",
        help="RFC 3339 time, a date, or a span before now such as 8h",
    )
    parser.add_argument(
        "--to", "--until", dest="until", metavar="WHEN", help="the same; a date includes its whole day"
    )
    parser.add_argument("--chamber", help="only this chamber")
    parser.add_argument("--html", metavar="FILE", type=Path, help="write one page for screen and paper here")


def run(args: argparse.Namespace) -> int:
    """0 told, 1 the journal is damaged, 2 no journal, or a time or a chamber that is none."""
    import sqlite3

    from nightheron.cli.journal_path import NoJournal, journal_path
    from nightheron.cli.times import site_name, times_of
    from nightheron.runtime.clock import Clock

    try:
        path = journal_path(Path(args.config), os.environ)
        times = times_of(Path(args.config), Clock().utc())
        since, until = span_of(args, times)
        seen: dict[str, Series] = {}
        found = look(path, since, until, times, args.chamber, seen if args.html else None)
        _known(args, found)
        text = json.dumps(found, ensure_ascii=False) if args.json else text_of(path, found, times)
        if args.html:
            from nightheron.cli.night_html import write

            name = site_name(Path(args.config))
            told = write(args.html, name, path, found, seen, times)
            text = text if args.json else told
    except (NoJournal, ValueError) as fault:
        print(fault, file=sys.stderr)
        return 2
    except (sqlite3.Error, OSError) as fault:
        print(f"The journal cannot be read ({fault}); run nightheron verify.", file=sys.stderr)
        return 1
    print(text)
    return 0


def span_of(args: argparse.Namespace, times: Times) -> tuple[str, str]:
    """The span asked for. Raises ValueError with a sentence when it is none."""
    from datetime import timedelta

    from nightheron.journal.when import SPAN, parse_when, utc_text

    now, zone = times.now, times.zone
    if (args.last or args.date) and args.until:
        raise ValueError("--to goes with --from; --last ends now, and --date names a whole night.")
    if args.last:
        if not SPAN.fullmatch(args.last):
            raise ValueError(f"--last takes a span such as 8h, 90m or 7d, not {args.last!r}.")
        return parse_when(args.last, now, zone), utc_text(now)
    if args.date:
        return night_into(args.date, times)
    until = parse_when(args.until, now, zone, end=True) if args.until else utc_text(now)
    if args.since:
        since = parse_when(args.since, now, zone)
    else:
        from datetime import datetime

        since = utc_text(datetime.fromisoformat(until) - timedelta(hours=24))
    if since >= until:
        raise ValueError(f"The span from {since} to {until} is empty; --from must come before --to.")
    return since, until


def night_into(day: str, times: Times) -> tuple[str, str]:
    """From noon of the day before to noon of ``day``, in the site's zone."""
    from datetime import date, datetime, time, timedelta

    from nightheron.journal.when import utc_text

    try:
        morning = date.fromisoformat(day)
        evening = morning - timedelta(days=1)
    except (ValueError, OverflowError):
        raise ValueError(f"--date takes a day such as 2026-03-15, not {day!r}.") from None
    noon = time(12)
    begin, end = (datetime.combine(one, noon, times.zone) for one in (evening, morning))
    return utc_text(begin), utc_text(min(end, max(begin + timedelta(seconds=1), times.now)))


def look(
    path: Path,
    since: str,
    until: str,
    times: Times,
    chamber: str | None = None,
    seen: dict[str, Series] | None = None,
) -> dict[str, Any]:
    """The night from the journal, read-only; into ``seen`` what pictures are drawn from.

    Raises sqlite3.Error or OSError.
    """
    from nightheron.journal.earlier import open_times
    from nightheron.journal.query import as_dict
    from nightheron.journal.span import around, snapshots_before
    from nightheron.report.calibrated import calibrations
    from nightheron.report.night import night
    from nightheron.report.usual import all_usual, earlier

    bounds = around(path, since, until)
    before = snapshots_before(path, bounds[0]) if bounds else []
    known = [as_dict(row) for row in before if chamber in (None, row.chamber)]
    entries: Iterator[Mapping[str, Any]] = (as_dict(row) for row in rows_of(path, bounds, chamber))
    if seen is not None:
        from nightheron.report.series import Collector

        collector = Collector(since, until, seen)
        collector.before(known)
        entries = collector.passing(entries)
    dates = calibrations(path.parent / "calibration")
    usual = all_usual(open_times(path, earlier(since, until)), since, until)
    return night(entries, since, until, known, dates, times.zone, usual)


def rows_of(path: Path, bounds: tuple[int, int] | None, chamber: str | None) -> Iterator[Row]:
    from nightheron.journal.span import rows

    if bounds is None:
        return iter(())
    return (row for row in rows(path, *bounds) if chamber is None or row.chamber in (None, chamber))


def text_of(path: Path, found: dict[str, Any], times: Times) -> str:
    """The night for a terminal."""
    from nightheron.report.night_text import report

    return "\n".join(report(found, times.zone, times.name, reader(path)))


def reader(path: Path) -> Callable[[str, str, str], Iterator[dict[str, Any]]]:
    """Rows of one chamber in a span, read anew."""
    from nightheron.journal.query import as_dict
    from nightheron.journal.span import around

    return lambda since, until, chamber: (
        as_dict(row) for row in rows_of(path, around(path, since, until), chamber)
    )


def _known(args: argparse.Namespace, found: dict[str, Any]) -> None:
    """Raises ValueError for a chamber that nobody has heard of."""
    from nightheron.cli.times import chamber_names

    if args.chamber is None or found["chambers"]:
        return
    names = chamber_names(Path(args.config))
    if args.chamber not in names:
        raise ValueError(f"There is no chamber {args.chamber!r}; there are: {', '.join(names)}.")
