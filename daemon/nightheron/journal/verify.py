"""Looking a journal over from its first byte to its head, read-only, and saying what was looked at.

A journal whose older entries were archived begins at a later one; then a ``seal`` row of its own must name
an entry that it follows or has, with its hash. An archive says in a note of its own what it holds.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from nightheron.journal.chain import GENESIS, Row, after_which, why_invalid
from nightheron.journal.claims import Claims, unnamed
from nightheron.journal.connect import COLUMNS, RARE, connect_reader, knows_json, service_holds

PAGE_ROWS = 200
COMMON = ("decision", "witness")
KIND_OF_ENTRIES = "SELECT type FROM sqlite_master WHERE name = 'entries'"
IS_ARCHIVE = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'archive'"
OF_ITSELF = "SELECT first_seq, last_seq, prev, hash FROM archive"
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
    first_seq: int = 0
    last_seq: int = 0
    before: str = GENESIS
    """The hash that the first entry follows."""
    archive: bool = False
    """The file says of itself that it is an archive."""
    claims: Claims = field(default_factory=Claims)
    wanted_head: str | None = None
    head_found: bool = False

    @property
    def ok(self) -> bool:
        """Nothing is wrong, and the demanded head, if any, is there."""
        return self.why is None and (self.wanted_head is None or self.head_found)


def verify(path: Path, head: str | None = None, *, part: bool = False) -> Result:
    """Verify the chain; with ``head``, also that one of its hashes begins with these digits.

    ``part``: an archive will do, which need not say what came before it or who thinned it.
    Raises FileNotFoundError when there is no journal. Damage is a result, never an exception.
    """
    path.stat()
    result, still = _verify(path, head, part)
    if result.why and still and service_holds(path.parent):
        # The service started meanwhile and wrote under a reader that took the file for unchanging.
        result, _ = _verify(path, head, part)
    return result


def _verify(path: Path, head: str | None, part: bool) -> tuple[Result, bool]:
    result, still = Result(wanted_head=head.lower() if head else None), False
    previous: Row | None = None
    rare: list[tuple[int, str]] = []
    try:
        db, still = connect_reader(path)
        with closing(db):
            if db.execute(KIND_OF_ENTRIES).fetchone() == ("view",):
                result.why = "entries is a view and not the journal's table"
            for row, is_json in _all(db):
                previous = previous or after_which(row)
                _look(result, row, previous, is_json)
                previous = row
                if row.kind not in COMMON:
                    rare.append((row.seq, row.kind))
            _look_at_trees(db, result, rare)
            _look_at_ends(db, result, part)
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
    db.execute("BEGIN")  # one moment: archived entries may be on their way out
    [(first,)] = db.execute("SELECT min(seq) FROM entries").fetchall()
    listed = db.execute(BY_INDEX).fetchall()
    db.execute("COMMIT")
    rare = [one for one in rare if one[0] >= first]
    known = [one for one in listed if not isinstance(one[0], int) or one[0] <= result.last_seq]
    if len(known) != len(rare) or set(known) != set(rare):
        result.why = "the index of rare kinds does not list the rows that the table has"


def _look_at_ends(db: sqlite3.Connection, result: Result, part: bool) -> None:
    """Whether the first entry may be the first, and whether the rows own up to what was taken away."""
    result.archive = db.execute(IS_ARCHIVE).fetchone() is not None
    if result.why is not None:
        return
    if result.archive and not part:
        result.why = "this is an archive, a part of a journal: name it to verify it as such"
    elif result.archive:
        holds = (result.first_seq, result.last_seq, result.before, result.head)
        if db.execute(OF_ITSELF).fetchall() != [holds]:
            result.why = (
                f"it holds entries {result.first_seq} to {result.last_seq}, and its note says otherwise"
            )
    elif result.first_seq > 1 and not _anchored(db, result):
        result.first_bad = result.first_seq
        result.why = f"entry {result.first_seq - 1} is missing before it"
    elif missing := unnamed(result.claims.bare, result.claims.thinned):
        result.first_bad = missing
        result.why = "its packed inputs are gone, and no row says that they were thinned"


def _anchored(db: sqlite3.Connection, result: Result) -> bool:
    """A seal of the journal names the entry before its first, or one that it has, with the true hash."""
    for seal in result.claims.seals:
        if seal.last_seq == result.first_seq - 1 and seal.last_hash == result.before:
            return True
        if result.claims.before_snapshot.get(seal.last_seq) == seal.last_hash:
            return True
        if seal.last_seq >= result.first_seq:
            found = db.execute("SELECT hash FROM entries WHERE seq = ?", (seal.last_seq,)).fetchone()
            if found == (seal.last_hash,):
                return True
    return False


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
    if result.entries == 1:
        result.first_seq, result.before = row.seq, row.prev
    result.head, result.last_seq = row.hash, row.seq
    if row.inputs is None:
        result.claims.take(row)
    wanted = result.wanted_head
    result.head_found = result.head_found or (wanted is not None and row.hash.startswith(wanted))


def _all(db: sqlite3.Connection) -> Iterator[tuple[Row, bool]]:
    """Every row in order, in short reads, and whether SQLite takes its body for JSON.

    What comes before a damaged place is given before the error.
    """
    tolerant, db.text_factory = db.text_factory, str
    select, last = WITH_JSON if knows_json(db) else SELECT, -(2**63)
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
