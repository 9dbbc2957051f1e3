"""``nightheron check --away 14d``: may this site be left alone, why not, and a sheet for whoever looks in."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightheron.cli.closing import last_proved
from nightheron.cli.journal_path import NoJournal, journal_path
from nightheron.cli.night import look
from nightheron.cli.times import Times, times_of
from nightheron.journal.query import Wanted, entries, recent_runs
from nightheron.journal.when import SPAN, UNIT_S, utc_text
from nightheron.report.away import DAY_S, LOOK_BACK_DAYS, Facts, body
from nightheron.report.away_sheet import sheet
from nightheron.report.calibrated import calibrations
from nightheron.runtime.clock import Clock

if TYPE_CHECKING:
    from nightheron.settings import KeyFault
    from nightheron.settings.site import Site

DAYS_MOST = 366.0
ALARM_ROWS_MOST = 5000
DELIVERY_ROWS_MOST = 2000


def days_of(span: str) -> float:
    """Days in a span such as 14d or 36h. Raises ValueError with one sentence."""
    found = SPAN.fullmatch(span)
    days = float(found[1]) * UNIT_S[found[2]] / DAY_S if found else 0.0
    if not 0.0 < days <= DAYS_MOST:
        raise ValueError(f"--away takes a span such as 14d or 36h, at most {DAYS_MOST:g}d, not {span!r}.")
    return days


def away(site: Site, cautions: Sequence[KeyFault], days: float, *, as_json: bool) -> int:
    """Print verdict and sheet; 0 safe to leave, 1 not."""
    times = times_of(site.path, Clock().utc())
    facts = gather(site, cautions, days, times)
    found = body(facts)
    page = sheet(site, times.now.astimezone(times.zone).date().isoformat(), days, facts.night)
    if as_json:
        print(json.dumps({**found, "site": site.name, "sheet": page}, ensure_ascii=False, indent=2))
    else:
        print("\n".join([*_told(found), "", "-" * 80, page]))
    return 0 if found["safe"] else 1


def gather(site: Site, cautions: Sequence[KeyFault], days: float, times: Times) -> Facts:
    """What the configuration and the journal say; the journal is only read."""
    names = tuple(chamber.name for chamber in site.chambers)
    dates = calibrations(Path(site.data_dir) / "calibration")
    known = Facts(
        days=days,
        now=utc_text(times.now),
        chambers=names,
        cautions=tuple((caution.key, caution.why) for caution in cautions),
        shut=tuple(c.name for c in site.chambers if c.table.commissioning == "require"),
        pushes=bool(site.alerts.urls),
        budget_s={
            c.name: most_s for c in site.chambers if (most_s := c.table.gas_budget_s_per_day) is not None
        },
        calibrated={name: one.utc for name, one in dates.items() if name in names},
    )
    try:
        path = journal_path(site.path, os.environ)
        return _with_journal(known, path, site.path, times)
    except NoJournal as fault:
        return replace(known, journal_fault=str(fault))
    except (sqlite3.Error, OSError) as fault:
        return replace(known, journal_fault=f"it cannot be read ({fault}); run nightheron verify")


def _with_journal(known: Facts, path: Path, config: Path, times: Times) -> Facts:
    since = utc_text(times.now - timedelta(days=LOOK_BACK_DAYS))
    crashes = [
        row
        for before, row in pairwise(recent_runs(path))
        if row["kind"] == before["kind"] == "start" and str(row["utc"]) >= since
    ]
    first = next(entries(path, Wanted()), None)
    age_days = (
        (times.now - datetime.fromisoformat(str(first["utc"]))).total_seconds() / DAY_S if first else 0.0
    )
    return replace(
        known,
        night=look(path, since, known.now, times),
        alarms=_standing(path),
        proved={name: last_proved(config, name) for name in known.chambers},
        digest=_digest_taken(path),
        crashes=len(crashes),
        free_bytes=float(shutil.disk_usage(path.parent).free),
        bytes_per_day=path.stat().st_size / age_days if age_days >= 1.0 else None,
    )


def _standing(path: Path) -> list[dict[str, Any]]:
    newest = {str(row.get("id")): row for row in entries(path, Wanted(kind="alarm", limit=ALARM_ROWS_MOST))}
    return [row for row in newest.values() if row["state"] != "normal"]


def _digest_taken(path: Path) -> str | None:
    rows = entries(path, Wanted(kind="delivery", limit=DELIVERY_ROWS_MOST))
    taken = [str(row["utc"]) for row in rows if row.get("about") == "digest" and row["state"] == "accepted"]
    return taken[-1] if taken else None


def _told(found: dict[str, Any]) -> list[str]:
    lines = [found["verdict"]]
    for one in found["reasons"]:
        lines += ["", *_wrap(f"{one['about']}: {one['what']}"), *_wrap(f"  do: {one['do']}")]
    lines += ["", "Not known, look yourself:"]
    return [*lines, *(line for text in found["unknown"] for line in _wrap(text))]


def _wrap(text: str) -> list[str]:
    return textwrap.wrap(
        text,
        80,
        initial_indent="  ",
        subsequent_indent="      ",
        break_long_words=False,
        drop_whitespace=True,
    )
