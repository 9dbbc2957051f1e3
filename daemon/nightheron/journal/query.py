"""Reading the journal while it is written: read-only, in short reads, rows as plain dicts.

No read transaction outlives one page of rows, since an old reader would keep the write-ahead file growing.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from nightheron.journal.chain import Row
from nightheron.journal.connect import COLUMNS, RARE, connect_reader, fetch
from nightheron.model import JsonValue

PAGE_ROWS = 200
ALWAYS = [
    "seq",
    "utc",
    "boot",
    "mono_ns",
    "clock_synced",
    "kind",
    "chamber",
    "state",
    "gas",
    "reason",
    "reasons",
    "ph",
    "health",
    "flag",
    "test",
    "verdict",
    "tank_ph",
    "evidence",
    "at_ns",
    "evaluations",
    "ph_min",
    "ph_max",
    "text",
    "hash",
]
"""Keys every row has, null where they do not apply."""
_NULLS: dict[str, JsonValue] = dict.fromkeys(ALWAYS)
_decode = json.JSONDecoder().decode
SELECT = f"SELECT {', '.join(COLUMNS)} FROM entries"  # noqa: S608 - fixed names


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which rows: UTC bounds as text of the journal's form (until is exclusive), the newest ``limit``."""

    since: str | None = None
    until: str | None = None
    kind: str | None = None
    chamber: str | None = None
    limit: int | None = None

    def where(self) -> tuple[str, list[object]]:
        """SQL condition and its values."""
        tests = (("utc >= ?", self.since), ("utc < ?", self.until), ("kind = ?", self.kind))
        given = [(sql, value) for sql, value in (*tests, ("chamber = ?", self.chamber)) if value is not None]
        rare = f" AND {RARE}" if self.kind not in (None, "decision", "witness") else ""
        return "".join(f" AND {sql}" for sql, _ in given) + rare, [value for _, value in given]


def rows(path: Path, wanted: Wanted | None = None) -> Iterator[Row]:
    """Rows as stored, oldest first. Raises FileNotFoundError (no journal) or sqlite3.Error."""
    wanted = wanted or Wanted()
    where, values = wanted.where()
    db, _ = connect_reader(path)
    with closing(db):
        last = db.execute("SELECT max(seq) FROM entries").fetchone()[0]
        first = -(2**63)
        if last is None or (wanted.limit is not None and wanted.limit <= 0):
            return
        if wanted.limit is not None:
            sql = f"SELECT seq FROM entries WHERE seq <= ?{where} ORDER BY seq DESC LIMIT 1 OFFSET ?"  # noqa: S608 - fixed text
            found = db.execute(sql, [last, *values, wanted.limit - 1]).fetchone()
            first = found[0] if found else first
        sql = f"{SELECT} WHERE seq BETWEEN ? AND ?{where} ORDER BY seq LIMIT {PAGE_ROWS}"
        while page := fetch(db, sql, [first, last, *values]):
            yield from map(Row._make, page)
            if len(page) < PAGE_ROWS or page[-1][0] >= last:
                return
            first = page[-1][0] + 1


def as_dict(row: Row) -> dict[str, JsonValue]:
    """One row for people and programs: the body's fields, with ``ALWAYS`` there, and the hash."""
    try:
        body = _decode(row.body.decode())
    except (ValueError, TypeError, AttributeError, RecursionError):
        body = None
    if not isinstance(body, dict):
        body = {
            "seq": row.seq,
            "utc": row.utc,
            "boot": row.boot,
            "mono_ns": row.mono_ns,
            "kind": row.kind,
            "chamber": row.chamber,
            "text": "the body of this row cannot be read; run verify",
        }
    found = _NULLS | body
    found["hash"] = row.hash
    return found


def entries(path: Path, wanted: Wanted | None = None) -> Iterator[dict[str, JsonValue]]:
    """``rows`` as dicts."""
    return map(as_dict, rows(path, wanted))


def last_entry(path: Path, kind: str | None = None) -> dict[str, JsonValue] | None:
    """The newest row, of one kind if named; None when there is none."""
    return next(entries(path, Wanted(kind=kind, limit=1)), None)


def last_left(path: Path, chamber: str) -> dict[str, JsonValue] | None:
    """The newest row of a chamber whose body has ``left``: what an earlier run left behind."""
    sql = f"{SELECT} WHERE chamber = ? AND seq < ? ORDER BY seq DESC LIMIT 50"
    before = 2**63 - 1
    with closing(connect_reader(path)[0]) as db:
        while page := db.execute(sql, (chamber, before)).fetchall():
            for cells in page:
                found = as_dict(Row(*cells))
                if found.get("left") is not None:
                    return found
            before = page[-1][0]
    return None


def recent_runs(path: Path, most: int = 200) -> list[dict[str, JsonValue]]:
    """The newest ``start`` and ``stop`` rows without a chamber, oldest first."""
    sql = f"{SELECT} WHERE kind IN ('start', 'stop') AND {RARE} AND chamber IS NULL ORDER BY seq DESC LIMIT ?"
    with closing(connect_reader(path)[0]) as db:
        found = db.execute(sql, (most,)).fetchall()
    return [as_dict(Row(*cells)) for cells in reversed(found)]


def head(path: Path) -> tuple[int, str] | None:
    """Number and hash of the newest row; None when there is none or the journal cannot be read."""
    try:
        with closing(connect_reader(path)[0]) as db:
            found = db.execute("SELECT seq, hash FROM entries ORDER BY seq DESC LIMIT 1").fetchone()
    except (OSError, sqlite3.Error):
        return None
    return (found[0], found[1]) if found else None
