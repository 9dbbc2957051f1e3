"""``nightheron alarms test``: a drill through every push address, and what became of it."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from nightheron.cli.ask import FINDING, act

PATIENCE_S = 75.0
"""Two tries of two couriers at a time, each with its deadline."""
LOOK_S = 0.5


def drill(args: argparse.Namespace) -> int:
    """0 every service accepted it, 1 one did not or there is none, 2 configuration, 3 not reachable."""
    code, answer = act(args, {"act": "drill"})
    if answer is None:
        return code
    from nightheron.cli.journal_path import journal_path

    path, shown = journal_path(Path(args.config), os.environ), set[str]()
    states: dict[str, dict[str, Any]] = {}
    for _ in range(round(PATIENCE_S / LOOK_S)):
        states = {str(row["channel"]): row for row in _rows(path)}
        for name in sorted(states.keys() - shown):
            if states[name]["state"] == "accepted":
                shown.add(name)
                print(f"{name}: accepted by the service. Look whether it arrived.", flush=True)
        if states and shown == states.keys():
            return 0
        time.sleep(LOOK_S)  # waits: for couriers of another process
    for name in sorted(states.keys() - shown):
        print(f"{name}: not accepted: {states[name]['why'] or 'no answer yet'}.", file=sys.stderr)
    if not states:
        print("The journal says nothing of the drill; look at nightheron status.", file=sys.stderr)
    return FINDING


def _rows(path: Path) -> Iterator[dict[str, Any]]:
    """The newest drill's delivery rows, oldest first."""
    from nightheron.journal.query import Wanted, entries

    rows: list[dict[str, Any]] = list(entries(path, Wanted(kind="delivery", limit=500)))
    drills = [row for row in rows if row.get("about") == "drill"]
    newest = drills[-1]["push"] if drills else None
    return (row for row in drills if row["push"] == newest)
