"""Several files as one chain: archives and the journal that follows them, without a gap between."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from nightheron.journal.claims import unnamed
from nightheron.journal.connect import connect_reader
from nightheron.journal.verify import Result, verify


@dataclass(frozen=True, slots=True)
class Part:
    """One file and what verifying it alone found."""

    path: Path
    result: Result


@dataclass(slots=True)
class Together:
    """What was found; ``parts`` in the order of their entries."""

    parts: list[Part]
    why: str | None = None
    first_bad: int | None = None
    head_found: bool = False

    @property
    def head(self) -> str | None:
        """The last hash of the chain as far as it holds."""
        return max(self.parts, key=lambda part: part.result.last_seq).result.head

    @property
    def entries(self) -> int:
        """Entries of the chain, each counted once though two files have it."""
        seen, reached = 0, 0
        for one in self.parts:
            seen += max(0, one.result.last_seq - max(one.result.first_seq - 1, reached))
            reached = max(reached, one.result.last_seq)
        return seen


def together(paths: list[Path], head: str | None = None) -> Together:
    """Verify each file as a part, then that they are one chain; ``head`` must be in one of them.

    Raises FileNotFoundError when a file is not there. Damage is a result, never an exception.
    """
    parts = [Part(path, verify(path, head, part=True)) for path in paths]
    parts.sort(key=lambda part: (part.result.first_seq, part.result.last_seq))
    found = Together(parts, head_found=any(part.result.head_found for part in parts))
    for one in parts:
        if found.why is None and one.result.why is not None:
            found.why, found.first_bad = f"{one.path}: {one.result.why}", one.result.first_bad
    _follow(found)
    bare = [run for one in parts for run in one.result.claims.bare]
    thinned = [run for one in parts for run in one.result.claims.thinned]
    missing = unnamed(bare, thinned)
    if found.why is None and missing is not None and not all(one.result.archive for one in parts):
        found.why, found.first_bad = (
            "its packed inputs are gone, and no row says that they were thinned",
            missing,
        )
    if found.why is None and head is not None and not found.head_found:
        found.why = "the chain does not contain the head that was given"
    return found


def _follow(found: Together) -> None:
    """Each file begins where those before it end, or has an entry of theirs with the same hash."""
    reach = found.parts[0]
    for one in found.parts[1:]:
        if found.why is not None:
            return
        last, first = reach.result, one.result
        if first.first_seq > last.last_seq + 1:
            found.first_bad = last.last_seq + 1
            found.why = f"it is in none of the files: {one.path} begins at entry {first.first_seq}"
        elif first.first_seq == last.last_seq + 1:
            if first.before != last.head:
                found.first_bad = first.first_seq
                found.why = f"{one.path} does not follow the last entry of {reach.path}"
        else:
            common = min(last.last_seq, first.last_seq)
            if _hash_at(one.path, common) != _hash_at(reach.path, common):
                found.first_bad = common
                found.why = f"{one.path} and {reach.path} have different entries under this number"
        if first.last_seq > last.last_seq:
            reach = one


def _hash_at(path: Path, seq: int) -> str | None:
    try:
        with closing(connect_reader(path)[0]) as db:
            found = db.execute("SELECT hash FROM entries WHERE seq = ?", (seq,)).fetchone()
    except (sqlite3.Error, OSError):
        return None
    return found[0] if found else None
