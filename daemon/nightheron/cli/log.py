"""``nightheron log``: the journal's rows, for people or one JSON object a line."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nightheron.cli.times import Times
    from nightheron.journal.query import Wanted

KINDS = (
    "start",
    "stop",
    "gap",
    "config",
    "decision",
    "witness",
    "alarm",
    "delivery",
    "act",
    "snapshot",
    "cycle",
    "usual",
    "thinned",
    "seal",
)
HELP = "show what was decided and why, oldest first"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.add_argument(
        "--since", metavar="WHEN", help="RFC 3339 time, a date, or a span before now such as 8h"
    )
    parser.add_argument("--until", metavar="WHEN", help="the same; a date includes its whole day")
    parser.add_argument("--kind", help="only rows of this kind, such as decision, act or gap")
    parser.add_argument("--chamber", help="only rows of this chamber")
    parser.add_argument("--limit", type=int, metavar="N", help="only the newest N")


def run(args: argparse.Namespace) -> int:
    """0 printed, 1 the journal is damaged, 2 no journal or a time that is none."""
    import sqlite3

    from nightheron.cli.journal_path import NoJournal, journal_path
    from nightheron.cli.times import times_of
    from nightheron.runtime.clock import Clock

    try:
        path = journal_path(Path(args.config), os.environ)
        zone = times_of(Path(args.config), Clock().utc())
        wanted = _wanted(args, zone)
        _known(args, path, wanted)
        _print_all(path, wanted, None if args.json else zone)
    except (NoJournal, ValueError) as fault:
        print(fault, file=sys.stderr)
        return 2
    except BrokenPipeError:
        # Whoever read has seen enough; Python must not complain again when it flushes at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except (sqlite3.Error, OSError) as fault:
        print(f"The journal cannot be read further ({fault}); run nightheron verify.", file=sys.stderr)
        return 1
    return 0


def _wanted(args: argparse.Namespace, times: Times) -> Wanted:
    from nightheron.journal.query import Wanted
    from nightheron.journal.when import parse_when

    if args.limit is not None and args.limit < 1:
        raise ValueError("--limit takes a whole number above 0.")
    now, zone = times.now, times.zone
    return Wanted(
        since=parse_when(args.since, now, zone) if args.since else None,
        until=parse_when(args.until, now, zone, end=True) if args.until else None,
        kind=args.kind,
        chamber=args.chamber,
        limit=args.limit,
    )


def _known(args: argparse.Namespace, path: Path, wanted: Wanted) -> None:
    """Raises ValueError for a kind that no row has, and for a chamber that nobody has heard of."""
    from nightheron.cli.times import chamber_names
    from nightheron.journal.query import Wanted as Ask, entries

    if args.kind is not None and args.kind not in KINDS:
        raise ValueError(f"There are no rows of kind {args.kind!r}; the kinds are {', '.join(KINDS)}.")
    if args.chamber is None or next(entries(path, Ask(chamber=wanted.chamber, limit=1)), None):
        return
    names = chamber_names(Path(args.config))
    if args.chamber not in names:
        raise ValueError(f"There is no chamber {args.chamber!r}; there are: {', '.join(names)}.")


def _print_all(path: Path, wanted: Wanted, times: Times | None) -> None:
    """For people in the site's time, named once; ``times`` None: one JSON object a line."""
    from nightheron.journal.query import entries

    color = sys.stdout.isatty() and not os.environ.get("NO_COLOR")
    if times is not None:
        print(f"Times are {times.name}.")
    for entry in entries(path, wanted):
        print(json.dumps(entry, ensure_ascii=False) if times is None else line(entry, times, color=color))
    sys.stdout.flush()


def line(entry: dict[str, Any], times: Times, *, color: bool = False) -> str:
    """One row for people: when, where, what, and the number it rests on."""
    gas, reason = entry.get("gas"), entry.get("reason")
    words = [times.dated(str(entry["utc"])), f"{entry.get('chamber') or '-':<10}", f"{entry['kind']:<9}"]
    if gas:
        shown = f"{gas:<6}"
        words.append(f"\x1b[32m{shown}\x1b[0m" if color and gas == "open" else shown)
        words.append(f"{entry.get('state') or '':<9}")
    if reason:
        words.append(str(reason))
    others = [one for one in entry.get("reasons") or [] if one != reason]
    if others:
        words.append(f"(standing: {', '.join(map(str, others))})")
    for name, label in (("ph", "pH"), ("tank_ph", "tank")):
        if isinstance(entry.get(name), int | float):
            words.append(f"{label} {entry[name]:.2f}")
    if entry.get("verdict"):
        words.append(str(entry["verdict"]))
    if entry["kind"] == "witness" and entry.get("evaluations"):
        words.append(f"x{entry['evaluations']}")
    if entry["kind"] == "alarm":
        words.append(_alarm_word(entry))
    if entry.get("text"):
        words.append(_plain(str(entry["text"])))
    return " ".join(words).rstrip()


def _alarm_word(entry: dict[str, Any]) -> str:
    """An alarm's row says first what happened to it."""
    if entry.get("state") == "normal":
        return "over:"
    if entry.get("state") != "unacknowledged":
        word = "seen" if entry.get("state") == "acknowledged" else str(entry.get("state")).replace("_", " ")
        return f"{'over, ' if entry.get('over') else ''}{word}:"
    return "reminded:" if entry.get("reason") == "service" else f"raised ({entry.get('class')}):"


def _plain(text: str) -> str:
    """No control characters: a row must not be able to move a terminal's cursor."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
