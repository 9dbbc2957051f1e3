"""``nightheron service on|off CHAMBER``: hold gas shut while hands are at work."""

from __future__ import annotations

import argparse
import re

from nightheron.cli.ask import CannotAsk, act, ask, untaken_lines

HELP = "hold a chamber's gas shut while you work on it, or end that"
_UNITS_S = {"s": 1, "m": 60, "h": 3600, "d": 86400}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("action", choices=["on", "off"])
    parser.add_argument("chamber", metavar="CHAMBER")
    parser.add_argument(
        "--for", dest="for_s", type=span_s, metavar="SPAN", help="with on: remind me after this, e.g. 20m"
    )
    parser.add_argument("--why", default="", metavar="TEXT", help="for the record")


def run(args: argparse.Namespace) -> int:
    """0 done or nothing to do, 2 no such chamber or configuration, 3 the service cannot be reached."""
    if args.action == "off" and _not_held(args):
        print(f"{args.chamber}: there was no hold.")
        return 0
    request = {"act": f"service_{args.action}", "chamber": args.chamber, "why": args.why}
    if args.for_s is not None and args.action == "on":
        request["for_s"] = args.for_s
    code, chamber = act(args, request)
    if chamber is None:
        return code
    if args.action == "on":
        print(f"{args.chamber}: gas is ordered shut and held; readings permit nothing while you work.")
        print("\n".join([*untaken_lines(chamber), *_reminder(args.for_s, chamber.get("timezone"))]))
        print(f"It stays so until: nightheron service off {args.chamber}")
    else:
        print(f"{args.chamber}: the hold is ended. The next opening is a short trial.")
        if chamber.get("gas") == "closed":
            print(f"Gas opens with: {chamber.get('until')}.")
    return code


def _not_held(args: argparse.Namespace) -> bool:
    """The service runs, knows the chamber, and nobody holds it."""
    try:
        chambers = (ask(args, {"ask": "status"}).get("status") or {}).get("chambers", [])
    except CannotAsk:
        return False  # told when the act is asked for
    return any(one["name"] == args.chamber and "service" not in one["reasons"] for one in chambers)


def _reminder(for_s: float | None, timezone: str | None) -> list[str]:
    if for_s is None:
        return ["You are not reminded; --for 20m would do that."]
    from datetime import timedelta

    from nightheron.cli.times import times
    from nightheron.runtime.clock import Clock, rfc3339

    zone = times(timezone, Clock().utc())
    at = zone.clock(rfc3339(zone.now + timedelta(seconds=for_s)))
    return [f"You are reminded at {at} ({zone.name}); the end of that time opens nothing."]


def span_s(text: str) -> float:
    """Seconds of ``90s``, ``20m``, ``2h`` or ``1d``; up to 14 days."""
    found = re.fullmatch(r"([0-9]{1,6})([smhd])", text.strip())
    seconds = int(found[1]) * _UNITS_S[found[2]] if found else 0
    if not 0 < seconds <= 14 * 86400:
        raise argparse.ArgumentTypeError(f"{text!r} is no span up to 14 days; write 90s, 20m, 2h or 1d")
    return float(seconds)
