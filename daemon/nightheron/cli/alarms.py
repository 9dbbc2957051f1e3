"""``nightheron alarms``: what stands now, what stood, and how well the alarms behave."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightheron.cli.ask import CannotAsk, ask

if TYPE_CHECKING:
    from nightheron.cli.times import Times

HELP = "show the alarms: now, their history, or figures over 30 days; or try every push address"
DAYS = 30


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("what", nargs="?", choices=["now", "history", "test"], default="now")
    parser.add_argument("--figures", action="store_true", help=f"how the alarms behaved over {DAYS} days")
    parser.add_argument("--since", metavar="WHEN", help="with history: a time, a date, or a span such as 8h")
    parser.add_argument("--json", action="store_true", help="for programs")


def run(args: argparse.Namespace) -> int:
    """0 shown, 1 the journal is damaged, 2 usage or configuration, 3 the service cannot be reached."""
    from nightheron.cli.times import times_of
    from nightheron.runtime.clock import Clock

    if args.what == "test":
        from nightheron.cli.alarms_test import drill

        return drill(args)
    times = times_of(Path(args.config), Clock().utc())
    return _past(args, times) if args.figures or args.what == "history" else _now(args, times)


def _now(args: argparse.Namespace, times: Times) -> int:
    try:
        answer = ask(args, {"ask": "status"})
    except CannotAsk as fault:
        print(fault, file=sys.stderr)
        return fault.code
    standing = (answer.get("status") or {}).get("alarms", [])
    print(json.dumps(standing, ensure_ascii=False) if args.json else page(standing, times))
    return 0


def _past(args: argparse.Namespace, times: Times) -> int:
    import sqlite3

    from nightheron.cli.journal_path import NoJournal, journal_path
    from nightheron.journal.query import Wanted, entries
    from nightheron.journal.when import parse_when

    try:
        since = parse_when(args.since or f"{DAYS}d", times.now, times.zone)
        path = journal_path(Path(args.config), os.environ)
        rows = list(entries(path, Wanted(kind="alarm", since=since)))
    except (NoJournal, ValueError) as fault:
        print(fault, file=sys.stderr)
        return 2
    except (sqlite3.Error, OSError) as fault:
        print(f"The journal cannot be read ({fault}); run nightheron verify.", file=sys.stderr)
        return 1
    if args.figures:
        from nightheron.report.alarm_figures import figures

        found = figures(rows, DAYS, times.now)
        print(json.dumps(found) if args.json else figures_page(found))
        return 0
    for row in rows if args.json else ():
        print(json.dumps(row, ensure_ascii=False))
    if not args.json:
        print("\n".join(_changed(row, times) for row in rows) or f"No alarms in the last {DAYS} days.")
    return 0


def page(standing: list[dict[str, Any]], times: Times) -> str:
    """The alarms that stand, the gravest first, with what to do."""
    from nightheron.guard.alarm_list import Priority, purpose

    if not standing:
        return "No alarms."
    order = [*Priority]
    lines: list[str] = []
    for one in sorted(standing, key=lambda one: order.index(purpose(one["reason"]).priority)):
        what = purpose(one["reason"])
        lines += [
            f"{one['id']}: {what.priority}, {one['class']}, {state_text(one, times)}",
            f"  {one['text']}",
        ]
        if not one.get("over"):
            lines += [f"  do      {what.action}, within {within_text(what.within_s)}"]
            lines += [f"  or else {what.consequence}"]
    return "\n".join([*lines, "", "Seen one? nightheron ack ALARM says so; it opens and ends nothing."])


def state_text(one: dict[str, Any], times: Times) -> str:
    """Where it stands, since when, by whom."""
    by = f" by {one['by']}" if one.get("by") else ""
    end = f" until {times.clock(one['until'])} ({one.get('why')})" if one.get("until") else ""
    over = "; its cause is over, it goes when that lasts" if one.get("over") else ""
    state = {
        "unacknowledged": "nobody has seen it",
        "acknowledged": f"seen{by}{over}",
        "returned_unacknowledged": "its cause is over; it goes when that lasts",
        "latched": "its cause is over; it stays until somebody says that they saw it",
        "shelved": f"shelved{by}{end}",
        "suppressed_by_design": "held back, another alarm explains it",
        "out_of_service": f"out of service{by}{end}",
    }.get(one["state"], one["state"])
    return f"since {times.clock(one['since'])}, {state}"


def within_text(seconds: float) -> str:
    """How soon, in words."""
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} hours" if seconds <= 86_400 else f"{seconds / 86_400:.0f} days"


def _changed(row: dict[str, Any], times: Times) -> str:
    by = (f" by {row['by']}" if row.get("by") else "") + (", its cause is over" if row.get("over") else "")
    return f"{times.dated(row['utc'])[:-4]}  {row['id']}: {row['state'].replace('_', ' ')}{by}. {row['text']}"


def figures_page(found: dict[str, Any]) -> str:
    """The figures for people."""
    shares = ", ".join(f"{count} {name}" for name, count in found["by_priority"].items())
    reasons = ", ".join(f"{name} {count}" for name, count in found["by_reason"].items())
    return "\n".join(
        [
            f"{found['alarms']} in {found['days']} days, {found['per_day']} a day: {shares or 'none'}.",
            f"By reason: {reasons or 'none'}.",
            f"Most within ten minutes: {found['most_in_10_min']} (ten would be a flood).",
            f"Chattering, three times in a minute: {', '.join(found['chattering']) or 'none'}.",
            f"Stale, stood for over a day: {', '.join(found['stale']) or 'none'}.",
        ]
    )
