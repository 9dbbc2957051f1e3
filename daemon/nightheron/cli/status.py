"""``nightheron status``: what every chamber does now."""

from __future__ import annotations

import argparse
import json
import sys
from typing import Any

from nightheron.cli.ask import CannotAsk, ask

HELP = "show what every chamber does now"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("--json", action="store_true", help="for programs")


def run(args: argparse.Namespace) -> int:
    """0 shown, 2 configuration, 3 the service cannot be reached."""
    try:
        answer = ask(args, {"ask": "status"})
    except CannotAsk as fault:
        print(fault, file=sys.stderr)
        return fault.code
    status = answer.get("status")
    if not isinstance(status, dict):
        print(f"The service cannot say: {answer.get('error')}.", file=sys.stderr)
        return 3
    print(json.dumps(status, ensure_ascii=False) if args.json else page(status))
    return 0


def page(status: dict[str, Any]) -> str:
    """The status for people: a line a chamber, what each waits for, alarms, and the journal's head."""
    chambers = status["chambers"]
    wide = max([len("chamber"), *(len(one["name"]) for one in chambers)])
    lines = [f"{'chamber':<{wide}}  gas     state     pH     tank   last closing    since"]
    lines += [_row(one, wide) for one in chambers]
    lines.append("")
    for one in chambers:
        if one["gas"] == "closed":
            lines.append(f"{one['name']}: closed by {one['reason']}. Opens with: {one['until']}.")
        if one["health"] != "good":
            lines.append(f"{one['name']}: probe {one['health'].replace('_', ' ')} ({one['test']}).")
    alarms = status["alarms"]
    if not alarms:
        lines.append("No alarms.")
    for alarm in alarms:
        lines.append(f"alarm {alarm['id']} ({alarm['class']}, {alarm['state']}, since {alarm['since']})")
        lines.append(f"      {alarm['text']}")
    journal = status["journal"]
    if journal["seq"] is not None:
        lines.append(f"Journal No. {journal['seq']}, {str(journal['head'])[:8]}.")
    return "\n".join(lines)


def _row(one: dict[str, Any], wide: int) -> str:
    cells = f"{one['gas']:<6}  {one['state']:<8}  {_ph(one['ph'])}  {_ph(one['tank_ph'])}"
    return f"{one['name']:<{wide}}  {cells}  {_verdict(one['verdict']):<14}  {one['since'] or '-'}"


def _ph(value: float | None) -> str:
    return "   - " if value is None else f"{value:5.2f}"


def _verdict(value: str | None) -> str:
    return "-" if value is None else value.replace("_", " ")
