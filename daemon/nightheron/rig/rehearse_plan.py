"""Which faults a rehearsal plays at a configured chamber, and why it leaves some out."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from nightheron.rig.faults import Change, Fault, library, parse
from nightheron.rig.stand_in import Stand

UNTOUCHED = ("pushes_fail", "clock_steps_s")
"""What never reaches the core's decisions: pushes, and the wall clock."""


def faults_of(own: Path | None) -> dict[str, Fault]:
    """The library, the rehearsal's own, and those of a file, which may replace some.

    BadFault with a sentence when an entry cannot be used; OSError when the file cannot be read.
    """
    known = library()
    known |= parse(files("nightheron.rig").joinpath("lost.toml").read_text("utf-8"), known)
    return known if own is None else known | parse(own.read_text("utf-8"), known)


def left_out(fault: Fault, stand: Stand) -> str | None:
    """Why this fault cannot show anything at this chamber; None where it is played."""
    whys = [_nothing(change, stand) for step in fault.steps for change in step.changes]
    return whys[0] if all(whys) else None


def _nothing(change: Change, stand: Stand) -> str | None:
    """Why one change does nothing here."""
    match change.part, change.field:
        case "tank_probe", _ if stand.limits.tank is None:
            return "there is no tank probe"
        case "valve", "feedback" if not stand.limits.valve.feedback:
            return "the valve reports nothing as it is"
        case "valve", "foreign_every_s" if not stand.hears_strangers:
            return "nobody else can order a valve that is not on a broker"
        case "valve", "timer" if stand.timer_s is None:
            return "the valve has no timer of its own as it is"
        case "probe", "clock_s" if not stand.stamped:
            return "readings bear no time"
        case "guard", field if field in UNTOUCHED:
            return "neither pushes nor the wall clock decide on gas"
        case _:
            return None
