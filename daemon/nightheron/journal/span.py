"""Which rows a span of time takes in, and from which row a replay of it must set out.

A span is a run of consecutive entries: from the first whose wall time is in it to the last. The wall
clock may have been set back in between; entries do not jump out of their order for that.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from nightheron.journal.chain import Row
from nightheron.journal.connect import COLUMNS, RARE, connect_reader, fetch
from nightheron.journal.when import utc_text

PAGE_ROWS = 200
SELECT = f"SELECT {', '.join(COLUMNS)} FROM entries WHERE seq BETWEEN ? AND ?"  # noqa: S608 - fixed names
ORDER = f"ORDER BY seq LIMIT {PAGE_ROWS}"
BEFORE = f"SELECT max(seq) FROM entries WHERE kind = 'snapshot' AND {RARE} AND chamber = ? AND seq <= ?"  # noqa: S608 - fixed text


@dataclass(frozen=True, slots=True)
class Span:
    """Entries ``first_seq`` to ``last_seq``; replay sets out from the snapshot at ``from_seq``, not after."""

    from_seq: int
    first_seq: int
    last_seq: int


def find(path: Path, since: str | None, until: str | None) -> Span | None:
    """The span between two UTC texts of the journal's form (until is exclusive); None when it is empty.

    Raises FileNotFoundError (no journal) or sqlite3.Error.
    """
    bounds = around(path, since or "", until or "")
    if bounds is None:
        return None
    with closing(connect_reader(path)[0]) as db:
        among = "FROM entries WHERE seq BETWEEN ? AND ?"
        first = _one(db, f"SELECT min(seq) {among} AND utc >= ?", *bounds, since or "")
        last = _one(db, f"SELECT max(seq) {among} AND utc < ?", *bounds, until or "~")
        if first is None or last is None or first > last:
            return None
        seen = "SELECT DISTINCT chamber FROM entries WHERE seq BETWEEN ? AND ? AND chamber IS NOT NULL"
        names = [name for (name,) in db.execute(seen, (first, last)).fetchall()]
        before = [_one(db, BEFORE, name, first) for name in names]
    return Span(min([first, *(seq for seq in before if seq is not None)]), first, last)


def around(path: Path, since: str, until: str) -> tuple[int, int] | None:
    """Numbers of a first and a last entry between which all of the span lies, found without reading all rows.

    Each run of the service is searched by halves, a day wider than asked at either end: a wall clock set
    back by more than that in the middle of a run could hide rows. None when the journal is empty.
    """
    early, late = _shifted(since, -1), _shifted(until, +1)
    with closing(connect_reader(path)[0]) as db:
        last = _one(db, "SELECT max(seq) FROM entries")
        first = _one(db, "SELECT min(seq) FROM entries")
        if first is None or last is None:
            return None
        starts = f"SELECT seq FROM entries WHERE kind = 'start' AND {RARE} ORDER BY seq"  # noqa: S608 - fixed text
        begins = [first, *(seq for (seq,) in db.execute(starts).fetchall() if seq > first)]
        found: list[tuple[int, int]] = []
        for begin, end in zip(begins, [*(seq - 1 for seq in begins[1:]), last], strict=True):
            low, high = _halve(db, begin, end, early), _halve(db, begin, end, late) - 1
            if low <= high:
                found.append((low, high))
    return (found[0][0], found[-1][1]) if found else None


def snapshots_before(path: Path, seq: int) -> list[Row]:
    """Each chamber's newest snapshot row before an entry."""
    newest = f"SELECT max(seq) FROM entries WHERE kind = 'snapshot' AND {RARE} AND seq < ? GROUP BY chamber"  # noqa: S608 - fixed text
    with closing(connect_reader(path)[0]) as db:
        numbers = [number for (number,) in db.execute(newest, (seq,)).fetchall()]
        return [Row(*cells) for number in numbers for cells in db.execute(SELECT, (number, number))]


def start_before(path: Path, seq: int) -> Row | None:
    """The newest start row before an entry: which program wrote it; None when there is none."""
    newest = f"SELECT max(seq) FROM entries WHERE kind = 'start' AND {RARE} AND chamber IS NULL AND seq < ?"  # noqa: S608 - fixed text
    with closing(connect_reader(path)[0]) as db:
        found = _one(db, newest, seq)
        return None if found is None else Row._make(fetch(db, SELECT, (found, found))[0])


def _halve(db: sqlite3.Connection, low: int, high: int, utc: str) -> int:
    """The first entry from ``low`` to ``high`` that is not before ``utc``; one past ``high`` when all are."""
    high += 1
    while low < high:
        middle = (low + high) // 2
        row = db.execute(
            "SELECT seq, utc FROM entries WHERE seq >= ? ORDER BY seq LIMIT 1", (middle,)
        ).fetchone()
        if row is not None and row[1] < utc:
            low = middle + 1
        else:
            high = middle
    return low


def _shifted(utc: str, days: int) -> str:
    try:
        return utc_text(datetime.fromisoformat(utc) + timedelta(days=days))
    except (ValueError, OverflowError):
        return "" if days < 0 else "~"


def rows(path: Path, first_seq: int, last_seq: int, kind: str | None = None) -> Iterator[Row]:
    """Entries as stored, oldest first, in short reads; with ``kind`` (a rare one) only those."""
    rare = "" if kind is None else f" AND kind = ? AND {RARE}"
    sql, values = f"{SELECT}{rare} {ORDER}", () if kind is None else (kind,)
    with closing(connect_reader(path)[0]) as db:
        while page := fetch(db, sql, (first_seq, last_seq, *values)):
            yield from map(Row._make, page)
            if len(page) < PAGE_ROWS:
                return
            first_seq = page[-1][0] + 1


def _one(db: sqlite3.Connection, sql: str, *values: object) -> int | None:
    found: int | None = db.execute(sql, values).fetchone()[0]
    return found
