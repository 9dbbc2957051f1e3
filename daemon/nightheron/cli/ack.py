"""``nightheron ack ALARM... | --all``: say that you have seen an alarm."""

from __future__ import annotations

import argparse
import sys

from nightheron.cli.ask import USAGE, act

HELP = "say that you have seen alarms; this silences them and opens nothing"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("alarms", nargs="*", metavar="ALARM", help="ids, as nightheron alarms shows them")
    parser.add_argument("--all", action="store_true", help="every alarm that stands")


def run(args: argparse.Namespace) -> int:
    """0 seen or nothing to see, 2 no such alarm, usage or configuration, 3 not reachable."""
    if bool(args.alarms) is args.all:
        print("ack: name the alarms, or say --all; nightheron alarms lists them.", file=sys.stderr)
        return USAGE
    request = {"act": "ack"} if args.all else {"act": "ack", "alarms": args.alarms}
    code, answer = act(args, request)
    if answer is not None:
        which = "all alarms" if args.all else ", ".join(args.alarms)
        print(f"Seen: {which}. Nobody else is told of it. Gas opens by its own rules, not by this.")
    return code
