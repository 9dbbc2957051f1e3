"""Looking a journal over from its first byte to its head, read-only, and saying what was looked at."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from nightheron.journal.chain import Row, why_invalid
from nightheron.journal.connect import COLUMNS, RARE, connect_reader, service_holds

PAGE_ROWS = 200
COMMON = ("decision", "witness")
KIND_OF_ENTRIES = "SELECT type FROM sqlite_master WHERE name = 'entries'"
HAS_INDEX = "SELECT 1 FROM sqlite_master WHERE type = 'index' AND name = 'rare'"
BY_INDEX = f"SELECT seq, kind FROM entries INDEXED BY rare WHERE {RARE}"  # noqa: S608 - fixed text
SELECT = f"SELECT {', '.join(COLUMNS)} FROM entries"  # noqa: S608 - fixed names
WITH_JSON = SELECT.replace(" FROM", ", json_valid(CAST(body AS TEXT)) FROM")
"""SQLite looks at JSON faster than we do; where it was built without that, we do it."""


@dataclass(slots=True)
class Result:
    """What was found. ``first_bad`` is the number of the first row that does not fit, with ``why``."""

    entries: int = 0
    head: str | None = None
    first_bad: int | None = None
    why: str | None = None
    bytes_looked_at: int = 0
    inputs_looked_at: int = 0
    wanted_head: str | None = None
    head_found: bool = False

    @property
    def ok(self) -> bool:
        """Nothing is wrong, and the demanded head, if any, is there."""
        return self.why is None and (self.wanted_head is None or self.head_found)


def verify(path: Path, head: str | None = None) -> Result:
    """Verify the chain; with ``head``, also that one of its hashes begins with these digits.

    Raises FileNotFoundError when there is no journal. Damage is a result, never an exception.
    """
    path.stat()
    result, still = _verify(path, head)
    if result.why and still and service_holds(path.parent):
        # The service started meanwhile and wrote under a reader that took the file for unchanging.
        result, _ = _verify(path, head)
    return result


def _verify(path: Path, head: str | None) -> tuple[Result, bool]:
    result, still = Result(wanted_head=head.lower() if head else None), False
    previous: Row | None = None
    rare: list[tuple[int, str]] = []
    try:
        db, still = connect_reader(path)
        with closing(db):
            if db.execute(KIND_OF_ENTRIES).fetchone() == ("view",):
                result.why = "entries is a view and not the journal's table"
            for row, is_json in _all(db):
                _look(result, row, previous, is_json)
                previous = row
                if row.kind not in COMMON:
                    rare.append((row.seq, row.kind))
            _look_at_trees(db, result, rare)
    except (sqlite3.Error, OSError, OverflowError, UnicodeError) as fault:
        if result.why is None:
            result.first_bad = previous.seq + 1 if previous else None
            result.why = f"the file cannot be read from here on: {fault}"
    return result, still


def _look_at_trees(db: sqlite3.Connection, result: Result, rare: list[tuple[int, str]]) -> None:
    """Single rows are found by SQLite's trees, lists of one kind by the index: either could hide a row."""
    if result.why is not None:
        return
    [(found,)] = db.execute("PRAGMA quick_check(1)").fetchall()
    if found != "ok":
        result.why = "the file is damaged where it does not hold rows: " + " ".join(str(found).split())
        return
    if not db.execute(HAS_INDEX).fetchone():
        return
    listed = db.execute(BY_INDEX).fetchall()
    known = [one for one in listed if not isinstance(one[0], int) or one[0] <= result.entries]
    if len(known) != len(rare) or set(known) != set(rare):
        result.why = "the index of rare kinds does not list the rows that the table has"


def _look(result: Result, row: Row, previous: Row | None, is_json: bool) -> None:
    result.entries += 1
    if isinstance(row.body, bytes):
        result.bytes_looked_at += len(row.body)
    if isinstance(row.inputs, bytes):
        result.bytes_looked_at += len(row.inputs)
        result.inputs_looked_at += 1
    if result.why is not None:
        return
    result.why = why_invalid(row, previous, is_json=is_json)
    if result.why is not None:
        result.first_bad = row.seq
        return
    result.head = row.hash
    wanted = result.wanted_head
    result.head_found = result.head_found or (wanted is not None and row.hash.startswith(wanted))


def _all(db: sqlite3.Connection) -> Iterator[tuple[Row, bool]]:
    """Every row in order, in short reads, and whether SQLite takes its body for JSON.

    What comes before a damaged place is given before the error.
    """
    tolerant, db.text_factory = db.text_factory, str
    select, last = WITH_JSON if _knows_json(db) else SELECT, -(2**63)
    sql = f"{select} WHERE seq >= ? ORDER BY seq LIMIT {PAGE_ROWS}"
    width = len(COLUMNS)
    while True:
        try:
            page = db.execute(sql, (last,)).fetchall()
        except (sqlite3.Error, UnicodeError):
            db.text_factory = tolerant
            for cells in db.execute(f"{SELECT} WHERE seq >= ? ORDER BY seq", (last,)):
                yield Row._make(cells), False
            return
        for cells in page:
            yield Row._make(cells[:width]), cells[width:] == (1,)
        if len(page) < PAGE_ROWS:
            return
        last = page[-1][0] + 1


def _knows_json(db: sqlite3.Connection) -> bool:
    try:
        return bool(db.execute("SELECT json_valid('[]')").fetchone() == (1,))
    except sqlite3.Error:
        return False
