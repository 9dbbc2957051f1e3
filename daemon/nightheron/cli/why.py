"""``nightheron why``: why gas is shut, since when, and what must happen before it opens."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from nightheron.cli.ask import CannotAsk, ask

HELP = "explain why gas is shut and what must happen before it opens"
ROWS_MOST = 2000
_NOT_PROBE = "whether the probe reads true: only a buffer or a second probe can tell"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("chamber", nargs="?", metavar="CHAMBER", help="only this one")
    parser.add_argument("--json", action="store_true", help="for programs")


def run(args: argparse.Namespace) -> int:
    """0 shown, 2 configuration or no such chamber, 3 the service cannot be reached."""
    try:
        status = ask(args, {"ask": "status"}).get("status") or {}
    except CannotAsk as fault:
        print(fault, file=sys.stderr)
        return fault.code
    chambers = [one for one in status.get("chambers", []) if args.chamber in (None, one["name"])]
    if not chambers:
        known = ", ".join(one["name"] for one in status.get("chambers", []))
        print(f"There is no chamber {args.chamber!r}; there are: {known}.", file=sys.stderr)
        return 2
    if args.json:
        print(json.dumps(chambers, ensure_ascii=False))
        return 0
    from nightheron.runtime.clock import Clock

    alarms, now = status.get("alarms", []), Clock().utc()
    pages = [page(one, list(_rows(args, one)), alarms, now) for one in chambers]
    print("\n\n".join(pages))
    return 0


def page(
    chamber: dict[str, Any], rows: list[dict[str, Any]], alarms: list[dict[str, Any]], now: datetime
) -> str:
    """One chamber for people; only lines that rest on a fact."""
    name = chamber["name"]
    if chamber["gas"] == "open":
        since, ph = _clock(chamber["since"], now), _ph(chamber["ph"])
        return f"{name}: gas is open since {since}, pH {ph}. Nothing stands against it."
    lines = [f"{name}: gas CLOSED for {_span(chamber['since'], now)}, by {chamber['reason']}. {_do(chamber)}"]
    first, later = _first_and_later(chamber, rows)
    lines.append(f"first    {_clock(chamber['since'], now)}  {first}")
    lines += [f"later    {_clock(utc, now)}  {text}" for utc, text in later]
    done = "ordered shut" + _proof(chamber, rows, now)
    lines.append(f"done     {done}")
    lines.append(f"opens    {chamber['until']}")
    told = [alarm for alarm in alarms if alarm["chamber"] == name]
    for alarm in told:
        since = _clock(alarm["since"], now)
        lines.append(
            f"told     nobody by push; alarm ({alarm['class']}) stands since {since}: {alarm['text']}"
        )
    if not told:
        lines.append("told     nobody")
    if chamber["ph"] is not None:
        lines.append(f"unknown  {_NOT_PROBE}")
    return "\n".join(lines)


def _do(chamber: dict[str, Any]) -> str:
    state = chamber["state"]
    if state == "latched":
        return f"It stays shut until a person releases it: nightheron release {chamber['name']}"
    if state == "service":
        return "A person holds it shut."
    return "You need do nothing; it reopens by itself."


def _first_and_later(
    chamber: dict[str, Any], rows: list[dict[str, Any]]
) -> tuple[str, list[tuple[str, str]]]:
    """What began the closing, and what joined it, each with its evidence at that time."""
    sentences, now = chamber.get("sentences", {}), chamber.get("evidence", {})
    reason = str(chamber["reason"])
    seen: dict[str, tuple[str, str]] = {}
    for row in rows:
        for name, text in row.get("evidence") or []:
            seen.setdefault(str(name), (str(row["utc"]), str(text)))
    evidence = seen.get(reason, ("", now.get(reason, "")))[1]
    first = evidence or chamber.get("first") or reason
    later = []
    for other in chamber["reasons"]:
        if other == reason:
            continue
        utc, text = seen.get(other, ("", now.get(other, "")))
        said = ": ".join(part for part in (str(sentences.get(other, other)), text) if part)
        later.append((utc, f"{other}: {said}" if utc else said))
    return f"{reason}: {first}" if first != reason else first, later


def _proof(chamber: dict[str, Any], rows: list[dict[str, Any]], now: datetime) -> str:
    verdict = chamber["verdict"]
    at = next((str(row["utc"]) for row in rows if row.get("verdict") == verdict), "")
    when = f" at {_clock(at, now)}" if at else ""
    words = {
        "proved": f"; proved: pH rising{when}",
        "not_proved": f"; NOT proved: pH still falling{when}",
        "could_not_tell": "; the water could not tell whether it stopped",
        "pending": "; the water has not answered yet",
    }
    return words.get(str(verdict), "")


def _rows(args: argparse.Namespace, chamber: dict[str, Any]) -> Iterable[dict[str, Any]]:
    """The decisions of this closing; none when the journal cannot be read, since status says the most."""
    import sqlite3

    from nightheron.cli.journal_path import NoJournal, journal_path
    from nightheron.journal.query import Wanted, entries

    wanted = Wanted(since=chamber["since"] or None, kind="decision", chamber=chamber["name"], limit=ROWS_MOST)
    try:
        return [
            row
            for row in entries(journal_path(args.config, os.environ), wanted)
            if row.get("gas") == "closed"
        ]
    except (NoJournal, OSError, sqlite3.Error, ValueError):
        return []


def _ph(value: float | None) -> str:
    return "no reading" if value is None else f"{value:.2f}"


def _clock(utc: str, now: datetime) -> str:
    """Local time of day; the date too when it is another day's."""
    try:
        when = datetime.fromisoformat(utc.replace("Z", "+00:00")).astimezone()
    except ValueError:
        return "--:--:--"
    same_day = when.date() == now.astimezone().date()
    return when.strftime("%H:%M:%S" if same_day else "%Y-%m-%d %H:%M:%S")


def _span(utc: str, now: datetime) -> str:
    try:
        seconds = (now - datetime.fromisoformat(utc.replace("Z", "+00:00"))).total_seconds()
    except ValueError:
        return "an unknown time"
    if seconds < 120:
        return f"{max(0.0, seconds):.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
