"""The morning's digest, composed in a child of its own, since it reads a day of the journal.

    python -m nightheron.runtime.digest        one JSON object on stdin, the digest as one on stdout

It reads only. Whatever goes wrong becomes a digest that says so: the digest is the daily drill of the push
path, and comes in any case.
"""

from __future__ import annotations

import json
import signal
import sqlite3
import sys
from collections.abc import Mapping
from datetime import tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from nightheron.journal.earlier import open_times
from nightheron.journal.query import as_dict
from nightheron.journal.span import around, rows, snapshots_before
from nightheron.journal.verify import verify
from nightheron.report.calibrated import calibrations
from nightheron.report.night import night
from nightheron.report.usual import all_usual, earlier

DEADLINE_S = 300


def main() -> int:
    """0 with a digest on stdout; 2 for a request that cannot be read."""
    signal.setitimer(signal.ITIMER_REAL, DEADLINE_S)
    try:
        asked = json.loads(sys.stdin.buffer.readline(65_536))
        path, zone = Path(asked["path"]), ZoneInfo(asked["zone"])
        since, until, site = str(asked["since"]), str(asked["until"]), str(asked["site"])
    except (ValueError, KeyError, TypeError, OSError):
        return 2
    try:
        found = compose(path, since, until, zone, site)
    except (sqlite3.Error, OSError, ValueError, KeyError, TypeError) as fault:
        found = broken(site, f"the journal could not be read for it ({type(fault).__name__})")
    print(json.dumps(found, ensure_ascii=False))
    return 0


def compose(path: Path, since: str, until: str, zone: tzinfo, site: str) -> dict[str, str]:
    """``title`` and ``lines`` of the digest from the journal's rows between two UTC times."""
    bounds = around(path, since, until)
    before = [as_dict(row) for row in (snapshots_before(path, bounds[0]) if bounds else [])]
    entries = (as_dict(row) for row in (rows(path, *bounds) if bounds else ()))
    usual = all_usual(open_times(path, earlier(since, until)), since, until)
    found = night(entries, since, until, before, calibrations(path.parent / "calibration"), zone, usual)
    return words(found, checked(path), site)


def checked(path: Path) -> str:
    """What a look at the whole chain found."""
    result = verify(path)
    if result.ok:
        return f"Journal checked, {result.entries} rows, whole."
    return "THE JOURNAL IS DAMAGED or was changed: run nightheron verify."


def words(found: Mapping[str, Any], journal: str, site: str) -> dict[str, str]:
    """The digest of one night; its first line says whether anything is to be done."""
    answers = found["answers"]
    wrong, do, gas = list(answers["wrong"]), list(answers["do"]), str(answers["gas"])
    first = f"{wrong[0]}" if wrong else "quiet night"
    if len(wrong) > 1:
        first += f" and {len(wrong) - 1} more"
    if found["rows"] == 0:
        first = "nothing is known of the night"
    todo = "something to do, see below" if do else "nothing to do today"
    lines = [*(f"DO: {one}" for one in do), *(f"Wrong: {one}." for one in wrong), f"Now: {gas}."]
    lines += [str(one) for one in answers["sentences"] if one]
    lines += _alarms(found["alarms"])
    return {"title": f"{site}: {first}; {todo}.", "lines": "\n".join([*lines, journal])}


def broken(site: str, why: str) -> dict[str, str]:
    """The digest of a morning on which none could be composed."""
    return {
        "title": f"{site}: NO DIGEST of this night; look at it.",
        "lines": f"{why[:1].upper()}{why[1:]}.\nDO: nightheron status, then nightheron verify.",
    }


def _alarms(alarms: list[Mapping[str, Any]]) -> list[str]:
    if not alarms:
        return ["No alarms."]
    standing = [one for one in alarms if one["to"] is None]
    unseen = sum(1 for one in standing if one["seen"] is None)
    names = ", ".join(f"{one['chamber']} {one['reason']}" for one in standing[:5])
    tail = f"; standing: {names}" + (f" ({unseen} not seen by anybody)" if unseen else "") if standing else ""
    return [f"{len(alarms)} alarm{'s' if len(alarms) > 1 else ''}{tail}."]


if __name__ == "__main__":
    sys.exit(main())
