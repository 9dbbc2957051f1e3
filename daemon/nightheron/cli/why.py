"""``nightheron why``: why gas is shut, since when, and what must happen before it opens."""

from __future__ import annotations

import argparse
import json
import sys

from nightheron.cli.ask import CannotAsk, ask

HELP = "explain why gas is shut and what must happen before it opens"


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
    from nightheron.cli.closing import closing_rows
    from nightheron.cli.times import times
    from nightheron.cli.why_text import page
    from nightheron.runtime.clock import Clock

    zone = times(status.get("timezone"), Clock().utc())
    pages = [page(one, closing_rows(args.config, one), status.get("alarms", []), zone) for one in chambers]
    journal = status.get("journal") or {}
    head = f", No. {journal['seq']}, {str(journal['head'])[:8]}" if journal.get("seq") is not None else ""
    print("\n\n".join(pages), f"\n\nTimes are {zone.name}{head}.", sep="")
    return 0
