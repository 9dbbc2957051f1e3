"""``nightheron status``: what every chamber does now."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from nightheron.cli.ask import CannotAsk, ask

if TYPE_CHECKING:
    from nightheron.cli.times import Times

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
    if args.json:
        print(json.dumps(status, ensure_ascii=False))
        return 0
    from nightheron.cli.times import times
    from nightheron.runtime.clock import Clock

    print(page(status, times(status.get("timezone"), Clock().utc())))
    return 0


def page(status: dict[str, Any], times: Times) -> str:
    """The status for people: a line a chamber, what each waits for, alarms, and the journal's head."""
    from nightheron.cli.alarms import state_text
    from nightheron.cli.order_text import order_word

    chambers = status["chambers"]
    wide = max([len("chamber"), *(len(one["name"]) for one in chambers)])
    gas = max([len("closed"), *(len(order_word(one)) for one in chambers)])
    lines = [
        f"{'chamber':<{wide}}  {'gas':<{gas}}  state     pH     tank   last closing    since ({times.name})"
    ]
    lines += [_row(one, wide, gas, times) for one in chambers]
    lines.append("")
    for one in chambers:
        lines += _about(one, times)
    alarms = status["alarms"]
    if not alarms:
        lines.append("No alarms.")
    for alarm in alarms:
        lines.append(f"alarm {alarm['id']} ({alarm['class']}, {state_text(alarm, times)})")
        lines.append(f"      {alarm['text']}")
    journal = status["journal"]
    if journal["seq"] is not None:
        lines.append(f"Journal No. {journal['seq']}, {str(journal['head'])[:8]}.")
    return "\n".join(lines)


def _about(one: dict[str, Any], times: Times) -> list[str]:
    """What one chamber waits for, and what is wrong with it."""
    from nightheron.cli.order_text import urgent_text
    from nightheron.cli.why_text import bleed_text, trial_text

    lines = urgent_text(one, times)
    if one["gas"] == "closed":
        over = "" if one["reason"] in one["reasons"] else f" (over); now: {', '.join(one['reasons'])}"
        stopped = one.get("delivered") and "not_stopping" not in one["reasons"]
        order = "closed" if stopped else "ordered shut"
        lines.append(f"{one['name']}: {order} by {one['reason']}{over}. Opens with: {one['until']}.")
    elif one.get("bleed"):
        lines.append(f"{one['name']}: {bleed_text(one, times)}")
    elif one.get("trial"):
        lines.append(f"{one['name']}: {trial_text(one, times)}")
    if one["test"] == "feedback_silent":
        lines.append(
            f"{one['name']}: the valve's own report is missing or not understood; the probe is well."
        )
    elif one["health"] != "good":
        lines.append(f"{one['name']}: probe {one['health'].replace('_', ' ')} ({one['test']}).")
    return lines + _instruments(one) + _proofs(one)


def _instruments(one: dict[str, Any]) -> list[str]:
    """What the chamber's several probes and other signals say, where it has any."""
    lines = []
    if one.get("probes"):
        each = ", ".join("no reading" if ph is None else f"{ph:.2f}" for ph in one["probes"])
        rule = "the lower decides" if len(one["probes"]) == 2 else "the median decides"
        lines.append(f"{one['name']}: probes {each}; {rule}.")
    if one.get("signals"):
        from nightheron.guard.signals import KINDS
        from nightheron.model import Signal

        kinds = {name: KINDS[Signal(name)] for name in one["signals"]}
        said = [
            f"{kinds[name].noun} no reading"
            if value is None
            else f"{kinds[name].noun} {value:g}{kinds[name].unit}"
            for name, value in one["signals"].items()
        ]
        lines.append(f"{one['name']}: {', '.join(said)}.")
    return lines


def _proofs(one: dict[str, Any]) -> list[str]:
    """What the closings of the last 24 hours of running came to, where there were any."""
    words = {"proved": "proved", "not_proved": "NOT PROVED", "could_not_tell": "could not tell"}
    counts = one.get("verdicts_24h") or {}
    told = [f"{counts[name]} {word}" for name, word in words.items() if counts.get(name)]
    return [f"{one['name']}: closings in 24 h: {', '.join(told)}."] if told else []


def _row(one: dict[str, Any], wide: int, gas: int, times: Times) -> str:
    from nightheron.cli.order_text import order_word

    cells = f"{order_word(one):<{gas}}  {one['state']:<8}  {_ph(one['ph'])}  {_ph(one['tank_ph'])}"
    return f"{one['name']:<{wide}}  {cells}  {_verdict(one['verdict']):<14}  {times.clock(one['since'])}"


def _ph(value: float | None) -> str:
    return "   - " if value is None else f"{value:5.2f}"


def _verdict(value: str | None) -> str:
    return "-" if value is None else value.replace("_", " ")
