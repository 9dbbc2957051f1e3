"""``nightheron release CHAMBER``: let a latched trip go whose cause is gone."""

from __future__ import annotations

import argparse

from nightheron.cli.ask import act

HELP = "release a latched trip whose cause is gone"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("chamber", metavar="CHAMBER")
    parser.add_argument("--why", default="", metavar="TEXT", help="for the record")


def run(args: argparse.Namespace) -> int:
    """0 released or nothing to release, 1 refused, 2 no such chamber or configuration, 3 not reachable."""
    code, chamber = act(args, {"act": "release", "chamber": args.chamber, "why": args.why})
    if chamber is not None:
        print(f"{args.chamber}: nothing is latched now. The next opening is a short trial.")
        if chamber.get("gas") == "closed":
            print(f"Gas opens with: {chamber.get('until')}.")
    return code
