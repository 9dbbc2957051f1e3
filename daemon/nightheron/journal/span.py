"""Which rows a span of time takes in, and from which row a replay of it must set out.

A span is a run of consecutive entries: from the first whose wall time is in it to the last. The wall
clock may have been set back in between; entries do not jump out of their order for that.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from nightheron.journal.chain import Row
from nightheron.journal.connect import COLUMNS, RARE, connect_reader

PAGE_ROWS = 500
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
    with closing(connect_reader(path)[0]) as db:
        first = _one(db, "SELECT min(seq) FROM entries WHERE utc >= ?", since or "")
        last = _one(db, "SELECT max(seq) FROM entries WHERE utc < ?", until or "~")
        if first is None or last is None or first > last:
            return None
        seen = "SELECT DISTINCT chamber FROM entries WHERE seq BETWEEN ? AND ? AND chamber IS NOT NULL"
        names = [name for (name,) in db.execute(seen, (first, last)).fetchall()]
        before = [_one(db, BEFORE, name, first) for name in names]
    return Span(min([first, *(seq for seq in before if seq is not None)]), first, last)


def rows(path: Path, first_seq: int, last_seq: int, kind: str | None = None) -> Iterator[Row]:
    """Entries as stored, oldest first, in short reads; with ``kind`` (a rare one) only those."""
    rare = "" if kind is None else f" AND kind = ? AND {RARE}"
    sql, values = f"{SELECT}{rare} {ORDER}", () if kind is None else (kind,)
    with closing(connect_reader(path)[0]) as db:
        while page := db.execute(sql, (first_seq, last_seq, *values)).fetchall():
            yield from map(Row._make, page)
            if len(page) < PAGE_ROWS:
                return
            first_seq = page[-1][0] + 1


def _one(db: sqlite3.Connection, sql: str, *values: object) -> int | None:
    found: int | None = db.execute(sql, values).fetchone()[0]
    return found
