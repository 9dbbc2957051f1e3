"""``nightheron listen --find --valve CHAMBER``: move a valve once, cylinder shut, and see what it does."""

from __future__ import annotations

import argparse
import json
import os
import select
import sys
import textwrap
from typing import TYPE_CHECKING

from nightheron.cli.listen_wanted import CannotListen

if TYPE_CHECKING:
    from nightheron.cli.valve_verdict import Told, Verdict
    from nightheron.model import JsonValue
    from nightheron.runtime.valve_trial import Moved
    from nightheron.settings.site import Site, ValvePlan

ANSWER_S = 300.0
"""A question nobody answers is taken for "cannot tell" after so long."""
AGAIN_MOST = 10
INTERRUPTED, FINDING = 130, 1
CAUTION = """\
This orders the valve of {chamber} open for two seconds at most, shuts it again, and asks what you saw.
  - Shut the cylinder by hand first, and let nothing depend on this valve while it is tried.
  - What is left in the hose goes into the chamber: air the room, keep its CO2 alarm on.
  - Stay beside the valve, hands off its wiring. Mains is for whoever is licensed; local codes come first."""
QUESTION_MOVED = """\
Did you hear or feel it move twice, at OPEN and at shut?
  [y]es, [n]o, [a]gain; Enter if you cannot tell: """
QUESTION_POWER = """\
Was the coil, its lamp or that of the relay on while OPEN, and off before and after?
  [y]es, [n]o, the other way round, [a]gain; Enter if you cannot tell: """
AGAIN = "again"


def try_valve(args: argparse.Namespace) -> int:
    """0 right, or not known which way round; 1 a finding; 130 interrupted. Raises CannotListen."""
    from nightheron.cli.journal_path import closed_to_us
    from nightheron.runtime.errors import CannotStart
    from nightheron.runtime.lock import take_lock

    refused = closed_to_us(args.config, os.environ)
    if refused:
        raise CannotListen(f"{refused}.")
    site = _site(args)
    plans = [plan for plan in site.valves() if plan.chamber == args.valve]
    if not plans:
        known = ", ".join(dict.fromkeys(plan.chamber for plan in site.valves()))
        raise CannotListen(f"There is no chamber {args.valve!r} in {site.path}; there are {known}.")
    asks = sys.stdin.isatty()
    if not asks and not args.yes:
        raise CannotListen(
            "This opens a valve: run it at a terminal, or say --yes once the cylinder is shut by hand."
        )
    try:
        lock = take_lock(site.data_dir)
    except CannotStart as why:
        print(f"{why} Only one may hold a valve: stop the service first.", file=sys.stderr)
        return FINDING
    with lock:
        if not args.yes and not _agreed(args.valve):
            print("Nothing was moved.", file=sys.stderr)
            return FINDING
        worst = 0
        for plan in plans:  # of several in series one after the other, the others held shut
            worst = max(worst, _one(site, plan, asks=asks, as_json=args.json))
            if worst == INTERRUPTED:
                break
        return worst


def _site(args: argparse.Namespace) -> Site:
    from nightheron.settings import BadConfiguration, load

    try:
        return load(args.config, os.environ)
    except BadConfiguration as bad:
        raise CannotListen("\n".join(f"{fault.key}: {fault.why}" for fault in bad.faults)) from None


def _agreed(chamber: str) -> bool:
    print(CAUTION.format(chamber=chamber), file=sys.stderr)
    return _answer("Is the cylinder shut by hand? Type yes: ") == "yes"


def _one(site: Site, plan: ValvePlan, *, asks: bool, as_json: bool) -> int:
    from nightheron.cli.valve_verdict import FINDINGS, Told, text, verdict
    from nightheron.runtime.clock import Clock
    from nightheron.runtime.valve_trial import move

    chamber = next(one for one in site.chambers if one.name == plan.chamber)
    reports = chamber.valves[plan.index].reports
    plans = [one for one in site.valves() if one.chamber == plan.chamber]
    broker = site.mqtt.broker if site.mqtt is not None else None
    told: Told | None = None
    for _ in range(AGAIN_MOST):
        moved = move(plan.id, plans, broker, site.name, Clock(), _tell)
        well = moved.took_open and moved.shut_again and not moved.interrupted
        told = _asked() if asks and well else Told()
        if told is not None:
            break
    told = told or Told()
    found = verdict(moved, told, reports=reports)
    if as_json:
        print(json.dumps(_row(plan.id, found, moved, told, reports=reports)), flush=True)
    elif moved.interrupted and moved.shut_again:
        print("Stopped; it is ordered shut, and it took that.", file=sys.stderr)
    else:
        print(_filled(text(found, plan.id, moved, told, reports=reports)))
        if reports and not any(moved.shown_open + moved.shown_shut):
            print("Its feedback is configured, and said neither of its two answers.")
    if moved.interrupted:
        return INTERRUPTED
    return FINDING if found in FINDINGS else 0


def _row(valve: str, found: Verdict, moved: Moved, told: Told, *, reports: bool) -> dict[str, JsonValue]:
    return {
        "valve": valve,
        "verdict": found,
        "shut": moved.shut_again,
        "took_open": moved.took_open,
        "reports": reports,
        "shown_open": list(moved.shown_open),
        "shown_shut": list(moved.shown_shut),
        "others": list(moved.others),
        "trouble": moved.trouble or None,
        "told_moved": told.moved,
        "told_power_while_open": told.power_while_open,
    }


def _tell(phase: str) -> None:
    """For whoever stands beside the valve; also in a log, since it is what was done."""
    print(f"  {phase}", file=sys.stderr, flush=True)


def _asked() -> Told | None:
    """What the person saw; None to have it moved again."""
    from nightheron.cli.valve_verdict import Told

    answers: list[bool | None] = []
    for question in (QUESTION_MOVED, QUESTION_POWER):
        answer = _answer(question)
        if answer in ("a", AGAIN):
            return None
        answers.append({"y": True, "yes": True, "n": False, "no": False}.get(answer))
    return Told(*answers)


def _answer(question: str) -> str:
    """The line typed, in small letters; empty when nobody does, or the terminal is gone."""
    print(question, end="", file=sys.stderr, flush=True)
    if not select.select([sys.stdin], [], [], ANSWER_S)[0]:
        print(file=sys.stderr)
        return ""
    return sys.stdin.readline().strip().lower()


def _filled(said: str) -> str:
    return "\n".join(textwrap.fill(line, 100, subsequent_indent="    ") for line in said.splitlines())
