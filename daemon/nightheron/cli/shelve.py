"""``nightheron shelve ALARM --for SPAN --why TEXT``: set an alarm aside for a time."""

from __future__ import annotations

import argparse

from nightheron.cli.ask import act
from nightheron.cli.service import span_s

HELP = "set an alarm aside for a time; it comes back at the end, or when it gets worse"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("alarm", metavar="ALARM", help="its id, as nightheron alarms shows it")
    parser.add_argument(
        "--for",
        dest="for_s",
        type=span_s,
        required=True,
        metavar="SPAN",
        help="90s, 20m, 8h or 2d; 14d at most",
    )
    parser.add_argument("--why", required=True, metavar="TEXT", help="for the record")
    parser.add_argument(
        "--out-of-service",
        action="store_true",
        help="it is known to be wrong: hold it back also after it ends",
    )


def run(args: argparse.Namespace) -> int:
    """0 done, 1 refused, 2 usage or configuration, 3 the service cannot be reached."""
    what = "out_of_service" if args.out_of_service else "shelve"
    request = {"act": what, "alarms": [args.alarm], "for_s": args.for_s, "why": args.why}
    code, answer = act(args, request)
    if answer is not None:
        print(
            f"{args.alarm} is set aside; it comes back at its end or when it gets worse. This opens nothing."
        )
    return code
