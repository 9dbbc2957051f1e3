"""Print what becomes of each fault of the library with the guard's core in charge of the water.

    python -m tests.support.guarded_table [FAULT...]

A look at the whole, for people: four hours of each fault, some seconds each. Faults of the guard itself are
left out, since the core alone has no process, disk or clock.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

from nightheron.model import Reason
from nightheron.rig.nights import site

from tests.support.night import TANK
from tests.support.nights import LIBRARY, Guarded, Watched

HEALTHY_S, BROKEN_S = 2700, 4 * 3600
NORMAL = {Reason.STARTING, Reason.SETTLING, Reason.MIN_REST, Reason.FLOOR, Reason.PLANNED_REST}


def line(name: str) -> str:
    """One fault: how far the water went, how long gas was open, how it ended, what was objected and told."""
    guarded = Guarded(site(0), longest_opening_s=3600.0, tank=TANK).lives(HEALTHY_S)
    guarded.reasons.clear()
    guarded.watched = Watched()
    guarded.put(name).lives(BROKEN_S)
    seen, decision = guarded.watched, guarded.night.chamber.decision
    reasons = ", ".join(sorted(guarded.reasons - NORMAL)) or "-"
    told = ", ".join(sorted(guarded.alarms())) or "-"
    return (
        f"{name:32} {seen.lowest_ph:.2f}-{seen.highest_ph:.2f} open {seen.open_s / BROKEN_S:4.0%}  "
        f"{decision.gas} {decision.state:9} reasons {reasons}; told {told}"
    )


def main(names: Sequence[str]) -> None:
    """Every fault, or those named."""
    for name, fault in LIBRARY.items():
        of_guard = any(change.part == "guard" for step in fault.steps for change in step.changes)
        if (name in names) if names else not of_guard:
            print(line(name), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
