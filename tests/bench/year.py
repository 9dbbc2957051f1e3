"""A year of one chamber's journal: a day is played on the rig, the rest are its copies under other dates.

    python -m tests.bench.year --days 365 --dir /var/tmp/year

makes it, measures it and prints the figures of ``RESULTS.md``. Every copy is a boot of its own with a chain
that holds, so that it verifies, is told and replays as the day that was played.
"""

from __future__ import annotations

import argparse
import json
import platform
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from statistics import median
from typing import Any, TypeVar

from nightheron.cli.night import look, text_of
from nightheron.cli.times import Times
from nightheron.journal.chain import COPIES, GENESIS, body_bytes, entry_hash
from nightheron.journal.connect import COLUMNS, INDEX, PAGE_BYTES, SCHEMA
from nightheron.journal.verify import verify
from nightheron.journal.when import utc_text
from nightheron.model import NS
from nightheron.rig.nights import site as plant_of
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.virtual import VirtualRun, VirtualSite
from nightheron.settings import load

from tests.support.replays import replayed
from tests.support.short_night import ALONE, CHAMBER

BEGINS = datetime(2026, 1, 1, 12, tzinfo=UTC)
PLANT = 7
"""Which of the healthy sites: one with a cut about every half hour."""
DAY = timedelta(days=1)
TIMES = ("since", "from_utc")
"""Fields of a body that are wall times."""
Made = TypeVar("Made")


def play(folder: Path, hours: float) -> Path:
    """That many hours of a healthy site through the service's own loop; the journal's path."""
    folder.mkdir(parents=True, exist_ok=True)
    config = folder / "nightheron.toml"
    config.write_text(ALONE.replace(CHAMBER, "west"))
    site, clock = load(config, {}), VirtualClock(1000 * NS, BEGINS, "day-0")
    guard = VirtualRun(site, clock, VirtualSite(plant_of(PLANT)))
    guard.live(hours * 3600)
    guard.stop("the day is over")
    return folder / "journal.db"


def copies(day: Path, days: int, folder: Path) -> Path:
    """The day again and again, each time a day later; the path of a journal whose chain holds."""
    folder.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(day)) as db:
        rows = db.execute("SELECT body, inputs FROM entries ORDER BY seq").fetchall()
    played = [(json.loads(body), inputs) for body, inputs in rows]
    path, prev, seq = folder / "journal.db", GENESIS, 0
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for sql in (f"PRAGMA page_size={PAGE_BYTES}", "PRAGMA journal_mode=off", SCHEMA, INDEX, "BEGIN"):
            db.execute(sql)
        marks = ",".join("?" * len(COLUMNS))
        for number in range(days):
            for body, inputs in played:
                seq += 1
                later: dict[str, Any] = body | {"seq": seq, "boot": f"day-{number}"}
                for name in ("utc", *TIMES):
                    if later.get(name):
                        later[name] = utc_text(datetime.fromisoformat(body[name]) + number * DAY)
                data = body_bytes(later)
                hashed = entry_hash(prev, data)
                cells = (*(later[name] for name in COPIES), data, prev, hashed, inputs)
                db.execute(f"INSERT INTO entries VALUES ({marks})", cells)  # noqa: S608 - only marks
                prev = hashed
        db.execute("COMMIT")
    (folder / "nightheron.toml").write_text((day.parent / "nightheron.toml").read_text())
    return path


def hashed_alone(path: Path) -> None:
    """What any verifier must do: read every row's bodies and inputs, and hash them."""
    with closing(sqlite3.connect(path)) as db:
        for body, inputs in db.execute("SELECT body, inputs FROM entries ORDER BY seq"):
            sha256(body)
            if inputs is not None:
                sha256(inputs)


def told(path: Path, since: datetime, until: datetime) -> str:
    """The text of ``nightheron night`` of a span."""
    times = Times("UTC", UTC, until)
    return text_of(path, look(path, utc_text(since), utc_text(until), times), times)


@dataclass(frozen=True, slots=True)
class Figures:
    """Seconds of processor time, medians; and what they are held against."""

    hashing_s: float
    verify_s: float

    @property
    def verify_times(self) -> float:
        return self.verify_s / self.hashing_s


def verified(path: Path, turns: int = 3) -> Figures:
    """Hashing and verifying the same journal, one beside the other in turn."""
    spent: tuple[list[float], list[float]] = ([], [])
    for _ in range(turns):
        spent[0].append(seconds(lambda: hashed_alone(path))[0])
        spent[1].append(seconds(lambda: verify(path))[0])
    return Figures(median(spent[0]), median(spent[1]))


def seconds(work: Callable[[], Made]) -> tuple[float, Made]:
    """Processor time of this process, and what was made."""
    began = time.process_time()
    made = work()
    return time.process_time() - began, made


def main() -> None:
    """Make a year, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--dir", type=Path, help="where it is made, or lies from before")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir="/var/tmp") as place:
        folder = args.dir or Path(place)
        path = folder / "journal.db"
        if not path.exists():
            path = copies(play(folder / "day", 24), args.days, folder)
        for line in report(path, args.days):
            print(line)


def report(path: Path, days: int) -> list[str]:
    """The figures of a journal of that many days."""
    figures, ends, middle = verified(path), BEGINS + days * DAY, BEGINS + (days // 2) * DAY
    last_s, _ = seconds(lambda: told(path, ends - DAY, ends))
    some_s, _ = seconds(lambda: told(path, middle, middle + DAY))
    all_s, _ = seconds(lambda: told(path, BEGINS, ends))
    # Soon after a snapshot: at worst two hours more are fed to lead up to a span.
    soon = ends - timedelta(hours=12) + timedelta(minutes=2)
    since, until = utc_text(soon), utc_text(soon + timedelta(hours=10))
    replay_s, found = seconds(lambda: replayed(path, since, until))
    if not (verify(path).ok and found.identical and found.evaluations):
        raise AssertionError(f"what was measured is not sound: {found}")
    with closing(sqlite3.connect(path)) as db:
        [(rows,)] = db.execute("SELECT count(*) FROM entries").fetchall()
    commit = _said("git", "rev-parse", "--short", "HEAD")
    return [
        f"commit {commit}, {processor()}",
        f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}",
        f"{days} days, {rows} rows, {path.stat().st_size / 1e6:.0f} MB",
        f"hashing the same bytes {figures.hashing_s:.2f} s, verify {figures.verify_s:.2f} s: "
        f"{figures.verify_times:.2f} times",
        f"night: the last day {last_s:.2f} s, a day in the middle {some_s:.2f} s, all {all_s:.2f} s",
        f"replay of ten hours: {replay_s:.2f} s for {found.evaluations} evaluations, "
        f"{replay_s / found.evaluations * 1e6:.1f} us each",
    ]


def processor() -> str:
    """What computes here, as the kernel names it."""
    lines = Path("/proc/cpuinfo").read_text().splitlines()
    named = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return f"{len(named)} x {named[0]}" if named else platform.machine()


def _said(*words: str) -> str:
    found = subprocess.run(words, capture_output=True, text=True, check=True)  # noqa: S603 - our own words
    return found.stdout.strip()


if __name__ == "__main__":
    main()
