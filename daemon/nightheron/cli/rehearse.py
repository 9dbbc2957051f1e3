"""``nightheron rehearse``: this configuration against the fault library, scored in minutes of harm."""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from nightheron.rig.rehearse_run import OwnNight
    from nightheron.settings.site import Chamber, Site

HELP = "this configuration against the fault library, scored in minutes of harm"
HOURS, HOURS_MOST = 3.0, 72.0
ANSWER_S = 1800.0
SPAN = re.compile(r"(\d+(?:\.\d+)?)(s|m|h)")
SECONDS = {"s": 1.0, "m": 60.0, "h": 3600.0}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What this command takes beside --config."""
    parser.add_argument("--chamber", metavar="NAME", help="only this chamber (default: each)")
    parser.add_argument(
        "--fault", action="append", default=[], metavar="NAME", help="only this fault; may be given again"
    )
    parser.add_argument(
        "--fault-file", type=Path, metavar="FILE", help="faults of your own beside those of the library"
    )
    parser.add_argument(
        "--accept",
        action="append",
        default=[],
        metavar="NAME",
        help="harm by this fault is known and does not end in 1; may be given again",
    )
    parser.add_argument(
        "--hours",
        type=float,
        default=HOURS,
        metavar="N",
        help=f"how long each is played (default {HOURS:g}, at most {HOURS_MOST:g})",
    )
    parser.add_argument(
        "--answer",
        default="30m",
        metavar="SPAN",
        help="how long after a wake somebody shuts the cylinder, such as 30m, or never (default 30m)",
    )
    parser.add_argument(
        "--night", dest="date", metavar="DAY", help="with the night recorded into this day, a fault put in"
    )
    parser.add_argument("--from", dest="since", metavar="WHEN", help="with what was recorded since then")
    parser.add_argument("--to", dest="until", metavar="WHEN", help="and until then (default: now)")
    parser.add_argument(
        "--at", metavar="WHEN", help="the fault comes with the first opening after this (default: the second)"
    )
    parser.add_argument("--no-advice", action="store_true", help="do not try what would have helped")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """0 when no fault leads to harm, 1 when one does, 2 when something given cannot be used."""
    from nightheron.rig.faults import BadFault
    from nightheron.rig.rehearse_plan import faults_of
    from nightheron.settings import BadConfiguration, load

    try:
        site = load(args.config, os.environ)
        known = faults_of(args.fault_file)
        chambers = _chambers(site, args.chamber)
        unknown = [name for name in [*args.fault, *args.accept] if name not in known]
        if unknown:
            raise ValueError(_unknown(unknown[0], list(known)))
        if not 0.1 <= args.hours <= HOURS_MOST:
            raise ValueError(f"--hours {args.hours:g} is not between 0.1 and {HOURS_MOST:g}")
        answer_s = _span(args.answer)
        nights = _nights(args, site, chambers)
    except BadConfiguration as bad:
        for fault in bad.faults:
            print(f"{fault.key}: {fault.why}", file=sys.stderr)
        return 2
    except OSError as fault:
        print(f"{args.fault_file} cannot be read: {fault.strerror}", file=sys.stderr)
        return 2
    except (BadFault, ValueError) as wrong:
        print(wrong, file=sys.stderr)
        return 2
    return _rehearsed(args, site, nights, answer_s)


def _unknown(name: str, known: list[str]) -> str:
    from difflib import get_close_matches

    near = get_close_matches(name, known, 3) or ["host_lost", "links_lost"]
    return f"there is no fault {name!r}; there is {', '.join(near)}, and what nightheron rig faults lists"


def _nights(
    args: argparse.Namespace, site: Site, chambers: list[Chamber]
) -> list[tuple[Chamber, OwnNight | None]]:
    """Each chamber with its recorded night, where one was asked for. ValueError with a sentence."""
    if not (args.date or args.since):
        if args.until or args.at:
            raise ValueError("--to and --at go with --night or --from, which say what was recorded")
        return [(chamber, None) for chamber in chambers]
    from nightheron.cli.rehearse_night import own_night

    with _progress() as show:
        return [(chamber, own_night(args, site, chamber, show)) for chamber in chambers]


def _rehearsed(
    args: argparse.Namespace,
    site: Site,
    nights: list[tuple[Chamber, OwnNight | None]],
    answer_s: float | None,
) -> int:
    from nightheron.cli.rehearse_json import as_json
    from nightheron.cli.rehearse_text import as_text
    from nightheron.rig.rehearsal import NeverOpens
    from nightheron.rig.rehearse_run import Wanted, rehearse

    wanted = Wanted(
        path=args.config,
        fault_file=args.fault_file,
        chambers=tuple(one.name for one, _ in nights),
        faults=tuple(dict.fromkeys(args.fault)),
        hours=args.hours,
        answer_s=answer_s,
        advice=not args.no_advice,
    )
    try:
        with _progress() as show:
            found = [rehearse(site, chamber, wanted, show, night) for chamber, night in nights]
    except NeverOpens as never:
        print(
            f"gas stays shut in the healthy chamber ({never}), so there is nothing to rehearse",
            file=sys.stderr,
        )
        return 1
    print((as_json if args.json else as_text)(found, wanted, args.accept))
    return 1 if any(one.harmful(args.accept) for one in found) else 0


def _chambers(site: Site, name: str | None) -> list[Chamber]:
    found = [one for one in site.chambers if name in (None, one.name)]
    if not found:
        names = ", ".join(one.name for one in site.chambers)
        raise ValueError(f"there is no chamber {name!r}; there are {names}")
    return found


def _span(text: str) -> float | None:
    """Seconds of "30m"; None for never."""
    if text == "never":
        return None
    match = SPAN.fullmatch(text)
    if match is None:
        raise ValueError(f"--answer {text} is no span such as 30m or 2h, nor never")
    return float(match[1]) * SECONDS[match[2]]


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    """A line that is written over, on a terminal; nothing in a pipe."""
    shown = sys.stderr.isatty()

    def show(what: str, done: int, of: int) -> None:
        if shown:
            sys.stderr.write(f"\r\x1b[K{what}: {done} of {of}")
            sys.stderr.flush()

    try:
        yield show
    finally:
        if shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
