"""The morning's digest, composed in a child of its own, since it reads a day of the journal.

    python -m nightheron.runtime.digest        one JSON object on stdin, the digest as one on stdout

It reads the journal and writes nothing but the picture beside it. Whatever goes wrong becomes a digest that
says so: the digest is the daily drill of the push path, and comes in any case.
"""

from __future__ import annotations

import importlib.util
import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Mapping
from datetime import date, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from nightheron.journal.earlier import open_times
from nightheron.journal.query import as_dict
from nightheron.journal.span import around, rows, snapshots_before
from nightheron.journal.verify import verify
from nightheron.model import JsonValue
from nightheron.report.calibrated import calibrations
from nightheron.report.night import night
from nightheron.report.pictured import asked as asked_picture
from nightheron.report.series import Collector, Series
from nightheron.report.usual import all_usual, earlier

DEADLINE_S = 300
PICTURE = "nightheron.report.picture"
DRAW_S = 70.0
PICTURE_MOST_BYTES = 300_000


def main() -> int:
    """0 with a digest on stdout; 2 for a request that cannot be read."""
    signal.setitimer(signal.ITIMER_REAL, DEADLINE_S)
    try:
        asked = json.loads(sys.stdin.buffer.readline(65_536))
        path, zone = Path(asked["path"]), ZoneInfo(asked["zone"])
        since, until, site = str(asked["since"]), str(asked["until"]), str(asked["site"])
        day = date.fromisoformat(str(asked.get("day") or until[:10])).isoformat()
    except (ValueError, KeyError, TypeError, OSError):
        return 2
    seen: dict[str, Series] = {}
    try:
        told = look(path, since, until, zone, seen)
        found = words(told, checked(path), site)
        if drawn := picture(path.parent, day, asked_picture(told, seen, str(asked["zone"]))):
            found["picture"] = str(drawn)
    except (sqlite3.Error, OSError, ValueError, KeyError, TypeError) as fault:
        found = broken(site, f"the journal could not be read for it ({type(fault).__name__})")
    print(json.dumps(found, ensure_ascii=False))
    return 0


def look(path: Path, since: str, until: str, zone: tzinfo, seen: dict[str, Series]) -> dict[str, Any]:
    """The night between two UTC times from the journal's rows; into ``seen`` what a picture is drawn from."""
    bounds = around(path, since, until)
    before = [as_dict(row) for row in (snapshots_before(path, bounds[0]) if bounds else [])]
    collector = Collector(since, until, seen)
    collector.before(before)
    entries = collector.passing(as_dict(row) for row in (rows(path, *bounds) if bounds else ()))
    usual = all_usual(open_times(path, earlier(since, until)), since, until)
    return night(entries, since, until, before, calibrations(path.parent / "calibration"), zone, usual)


def picture(folder: Path, day: str, job: Mapping[str, JsonValue] | None) -> Path | None:
    """Have it drawn in a process of its own; its file, or None when there is none. Old ones are removed.

    Whatever goes wrong here, the digest goes out without it.
    """
    if job is None or importlib.util.find_spec("matplotlib") is None:
        return None
    words = [sys.executable, "-m", PICTURE]
    kept = os.environ | {
        "MPLCONFIGDIR": str(folder / "drawing")
    }  # what it learns of fonts, for the next morning
    file = folder / f"digest-{day}.png"
    try:
        done = subprocess.run(  # noqa: S603 - our own program
            words, input=json.dumps(job).encode(), capture_output=True, timeout=DRAW_S, check=False, env=kept
        )
        if done.returncode != 0 or not 0 < len(done.stdout) <= PICTURE_MOST_BYTES:
            return None
        fresh = file.with_suffix(".new")
        fresh.write_bytes(done.stdout)
        fresh.replace(file)
        for old in folder.glob("digest-*.png"):
            if old != file:
                old.unlink(missing_ok=True)
    except (OSError, subprocess.SubprocessError):
        return None
    return file


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
