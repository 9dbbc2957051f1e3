"""``nightheron valve close CHAMBER``: shut the gas now, and keep it shut."""

from __future__ import annotations

import argparse

from nightheron.cli.ask import act, untaken_lines

HELP = "shut a chamber's gas now"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("action", choices=["close"], help="close: shut now and hold shut")
    parser.add_argument("chamber", metavar="CHAMBER")
    parser.add_argument("--why", default="closed by hand", metavar="TEXT", help="for the record")


def run(args: argparse.Namespace) -> int:
    """0 closed, 2 no such chamber or configuration, 3 the service cannot be reached."""
    code, chamber = act(args, {"act": "close", "chamber": args.chamber, "why": args.why})
    if chamber is not None:
        print(f"{args.chamber}: gas is ordered shut and held shut by you.")
        for line in untaken_lines(chamber):
            print(line)
        print(f"It stays so, whatever the readings say, until: nightheron service off {args.chamber}")
    return code
