"""Ask the service again and again until something holds of a chamber; progress on a terminal only."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from threading import Event
from typing import Any

from nightheron.cli.ask import CannotAsk, ask
from nightheron.model import NS

EVERY_S = 0.5
Chamber = dict[str, Any]


def watch(
    args: argparse.Namespace,
    over: Callable[[Chamber], bool],
    line: Callable[[Chamber, float], str],
    most_s: float,
) -> tuple[Chamber, float]:
    """The chamber once ``over`` is True of it, or after ``most_s``; and the seconds that took.

    ``line`` gives the line of progress. Raises CannotAsk when the service goes away.
    """
    from nightheron.runtime.clock import Clock

    clock, pause = Clock(), Event()
    begun_ns = clock.now_ns()
    on_terminal = sys.stdout.isatty()
    try:
        while True:
            chamber = _chamber(args)
            seconds = (clock.now_ns() - begun_ns) / NS
            if over(chamber) or seconds >= most_s:
                return chamber, seconds
            if on_terminal:
                print(f"\r\033[K{line(chamber, seconds)}", end="", flush=True)
            pause.wait(min(EVERY_S, max(0.05, most_s - seconds)))
    finally:
        if on_terminal:
            print("\r\033[K", end="", flush=True)


def _chamber(args: argparse.Namespace) -> Chamber:
    status = ask(args, {"ask": "status"}).get("status") or {}
    found = next((one for one in status.get("chambers", []) if one["name"] == args.chamber), None)
    if found is None:
        raise CannotAsk(f'The service knows no chamber "{args.chamber}" any more.', 3)
    return {**found, "timezone": status.get("timezone")}
