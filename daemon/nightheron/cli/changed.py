"""``nightheron changed CHAMBER WORK``: say what hands did, beside the cautions and looks for that work."""

from __future__ import annotations

import argparse
import sys
import textwrap
from typing import Any

from nightheron.cli.ask import FINDING, CannotAsk, act, ask, untaken_lines
from nightheron.model import Work

HELP = "say what was changed on a chamber: its checklist, what is learned anew, and a trial opening after it"
WIDTH = 80


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("chamber", metavar="CHAMBER")
    parser.add_argument("work", choices=[work.value for work in Work], help="what hands were at")
    parser.add_argument("--why", default="", metavar="TEXT", help="for the record")
    parser.add_argument("--show", action="store_true", help="only show the checklist; nothing is recorded")
    parser.add_argument("--yes", action="store_true", help="record it without a question")


def run(args: argparse.Namespace) -> int:
    """0 recorded or shown, 1 not confirmed, 2 no such chamber or configuration, 3 not reachable."""
    from nightheron.guard.work import WORKS

    work = Work(args.work)
    print("\n".join(page(work)))
    if args.show:
        return 0
    try:
        before = _chamber(args)
    except CannotAsk as fault:
        print(fault, file=sys.stderr)
        return fault.code
    if before.get("gas") == "open":
        print(f"{args.chamber}: gas is open now, and is shut when this is recorded.")
    if not (args.yes or _confirmed(args.chamber)):
        print(f"{args.chamber}: nothing was recorded; the gas is as it was.")
        return FINDING
    request = {"act": "changed", "chamber": args.chamber, "why": args.why, "work": work.value}
    code, chamber = act(args, request)
    if chamber is not None:
        print("\n".join(_done(args.chamber, WORKS[work].forgot, before, chamber)))
    return code


def page(work: Work) -> list[str]:
    """The checklist of one kind of work, at most 80 columns wide."""
    from nightheron.guard.work import WORKS

    row = WORKS[work]
    lines = [f"{work.value}: {row.title}", "", "With care"]
    lines += [line for text in row.cautions for line in _item("!", text)]
    lines += ["", "Before the gas comes back"]
    lines += [line for text in row.looks for line in _item("[ ]", text)]
    return [*lines, "", *textwrap.wrap(CODES, WIDTH), ""]


CODES = "Local codes and a licensed hand come before anything written here."


def _item(mark: str, text: str) -> list[str]:
    lead = f"  {mark:<3} "
    return textwrap.wrap(
        text, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead), break_on_hyphens=False
    )


def _confirmed(chamber: str) -> bool:
    """On a terminal a person says yes; in a pipe there is nobody to ask, and the words were clear."""
    if not sys.stdin.isatty():
        return True
    try:
        return input(f"{chamber}: was this done, and looked at? Type yes: ").strip().lower() in ("y", "yes")
    except EOFError:
        return False


def _chamber(args: argparse.Namespace) -> dict[str, Any]:
    """The chamber before; an empty one when the service does not know it, which the act then tells."""
    chambers = (ask(args, {"ask": "status"}).get("status") or {}).get("chambers", [])
    return next((one for one in chambers if one["name"] == args.chamber), {})


def _done(name: str, forgot: str, before: dict[str, Any], chamber: dict[str, Any]) -> list[str]:
    lines = [f"{name}: recorded. Learned anew: {forgot}."]
    if before.get("gas") == "open":
        lines.append(
            "Gas was open while hands were at it, and is ordered shut now. Next time begin with:\n"
            f"    nightheron service on {name} --for 20m --why TEXT"
        )
    lines += untaken_lines(chamber)
    lines.append("The next opening is a short trial, which pH must answer.")
    if chamber.get("gas") == "closed":
        lines.append(f"Gas opens with: {chamber.get('until')}.")
    return lines
