"""``nightheron valve close|test|bleed CHAMBER``: shut gas, prove that it stops, or let a little through."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from nightheron.cli.ask import FINDING, USAGE, CannotAsk, act, untaken_lines
from nightheron.cli.service import span_s

if TYPE_CHECKING:
    from nightheron.cli.watching import Chamber

HELP = "shut a chamber's gas now, test that it stops, or bleed it to set the needle valve"
WHY = {"close": "closed by hand", "test": "", "bleed": ""}
ANSWER_MOST_S = 3600.0
TAKEN_MOST_S = 3.0
"""How long to wait for the valve's word on the closing that ends a bleed."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument(
        "action",
        choices=["close", "test", "bleed"],
        help="close: shut now and hold shut; test: shut as a planned rest, and wait until the water has "
        "answered; bleed: with a hold on, let gas flow for some seconds under every other rule",
    )
    parser.add_argument("chamber", metavar="CHAMBER")
    parser.add_argument("--why", metavar="TEXT", help="for the record")
    parser.add_argument("--seconds", type=int, metavar="N", help="with bleed: how long, 1 to 120")
    parser.add_argument("--no-wait", action="store_true", help="with test or bleed: do not wait for its end")
    parser.add_argument(
        "--for",
        dest="for_s",
        type=span_s,
        metavar="SPAN",
        help="with test: wait no longer than this, e.g. 20m",
    )


def run(args: argparse.Namespace) -> int:
    """0 closed, proved or bled; 1 refused, not proved or cut short; 2 usage; 3 not reachable."""
    fault = _misused(args)
    if fault:
        print(fault, file=sys.stderr)
        return USAGE
    args.why = WHY[args.action] if args.why is None else args.why
    try:
        return {"close": _close, "test": _test, "bleed": _bleed}[args.action](args)
    except CannotAsk as gone:
        print(f"\n{gone}", file=sys.stderr)
        return gone.code


def _misused(args: argparse.Namespace) -> str:
    if (args.action == "bleed") != (args.seconds is not None):
        return "--seconds N belongs to bleed, which needs it: nightheron valve bleed CHAMBER --seconds 20"
    if args.for_s is not None and args.action != "test":
        return "--for belongs to test"
    if args.no_wait and args.action == "close":
        return "--no-wait belongs to test and bleed"
    return ""


def _close(args: argparse.Namespace) -> int:
    code, chamber = act(args, {"act": "close", "chamber": args.chamber, "why": args.why})
    if chamber is not None:
        print(f"{args.chamber}: gas is ordered shut and held shut by you.")
        for line in untaken_lines(chamber):
            print(line)
        print(f"It stays so, whatever the readings say, until: nightheron service off {args.chamber}")
    return code


def _test(args: argparse.Namespace) -> int:
    from nightheron.cli import valve_text

    code, chamber = act(args, {"act": "test", "chamber": args.chamber, "why": args.why})
    if chamber is None:
        if code == FINDING:
            _say_what_is_known(args)
        return code
    print(f"{args.chamber}: gas is ordered shut for a proof test; the water must turn now.")
    for line in untaken_lines(chamber):
        print(line)
    if args.no_wait:
        print(f"Its verdict will be in: nightheron why {args.chamber}, and in the journal.")
        return 0
    from nightheron.cli.watching import watch

    try:
        chamber, seconds = watch(args, valve_text.told, valve_text.waiting, args.for_s or ANSWER_MOST_S)
    except KeyboardInterrupt:
        print(f"\nThe rest goes on without you; its verdict will be in: nightheron why {args.chamber}")
        raise
    print("\n".join([*untaken_lines(chamber), *valve_text.verdict(chamber, seconds)]))
    return 0 if chamber["verdict"] == "proved" else FINDING


def _say_what_is_known(args: argparse.Namespace) -> None:
    """There was no test: what the present closing and the last proved one say."""
    from nightheron.cli import valve_text
    from nightheron.cli.ask import ask
    from nightheron.cli.closing import closing_rows, last_proved
    from nightheron.cli.times import times
    from nightheron.runtime.clock import Clock

    status = ask(args, {"ask": "status"}).get("status") or {}
    zone = times(status.get("timezone"), Clock().utc())
    for one in status.get("chambers", []):
        if one["name"] == args.chamber and one["gas"] == "closed":
            rows, proved = closing_rows(args.config, one), last_proved(args.config, args.chamber)
            print("\n".join(valve_text.known(one, rows, proved, zone)))


def _bleed(args: argparse.Namespace) -> int:
    from nightheron.cli import valve_text
    from nightheron.cli.watching import watch

    request = {"act": "bleed", "chamber": args.chamber, "why": args.why, "for_s": args.seconds}
    code, chamber = act(args, request)
    if chamber is None:
        return code
    print(f"{args.chamber}: gas flows for a bleed of {args.seconds} s; count the bubbles.")
    sooner = f"nightheron valve close {args.chamber}" if args.no_wait else "Ctrl-C"
    print(f"{sooner} ends it at once. After it the hold stands again, whatever the readings say.")
    if args.no_wait:
        return 0
    try:
        chamber, _ = watch(args, _shut, valve_text.bleeding(args.seconds), args.seconds + TAKEN_MOST_S)
    except KeyboardInterrupt:
        act(args, {"act": "hold", "chamber": args.chamber, "why": "the bleed was ended by hand"})
        print(f"\n{args.chamber}: the bleed is ended; gas is ordered shut and held.")
        raise
    return _after_bleed(args, chamber)


def _after_bleed(args: argparse.Namespace, chamber: Chamber) -> int:
    for line in untaken_lines(chamber):
        print(line)
    if chamber["gas"] == "open":
        print(f"{args.chamber}: the bleed should be over and gas is open: look at nightheron status.")
        return FINDING
    if chamber["reason"] != "service":
        why = chamber.get("first") or chamber["reason"]
        print(f"{args.chamber}: the bleed was cut short by {chamber['reason']}: {why}.")
        print(f"Gas is ordered shut and held until: nightheron service off {args.chamber}")
        return FINDING
    print(f"{args.chamber}: the bleed is over; gas is ordered shut and held.")
    print(f"It stays so until: nightheron service off {args.chamber}")
    return 0


def _shut(chamber: Chamber) -> bool:
    """Gas is ordered shut and the valve has said so."""
    return chamber["gas"] == "closed" and chamber.get("delivered") is not False
