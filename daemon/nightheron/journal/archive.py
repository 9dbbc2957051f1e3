"""An archive: the oldest entries of a journal in a file of their own, which verifies alone and with the rest.

It is written by whoever asks for it, from short reads, while the service goes on writing; entries that are
old enough to be archived change no more. Only when the file is whole, verified and on disk is the journal
told of it: its writer then adds a ``seal`` row that names the last archived entry, and removes them.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import NamedTuple

from nightheron.journal.age import old_until
from nightheron.journal.claims import NEWEST_SEAL, NOTE, seal_of
from nightheron.journal.connect import COLUMNS, INDEX, RARE, SCHEMA, connect_reader
from nightheron.journal.marker import sync_directory
from nightheron.journal.place import why_no_place
from nightheron.journal.span import rows
from nightheron.journal.verify import Result, verify

BATCH_ROWS = 1000
PAGE_BYTES = 65536
"""Nothing is added to an archive: on large pages the rows lie closest, a sixth less than in the journal."""
SNAPSHOTS = f"SELECT chamber, max(seq) FROM entries WHERE kind = 'snapshot' AND {RARE} GROUP BY chamber"  # noqa: S608 - fixed text
FIRST = "SELECT seq, prev FROM entries WHERE seq > ? ORDER BY seq LIMIT 1"


class CannotArchive(Exception):  # noqa: N818 - its text is the whole answer
    """Nothing was archived, and the journal is as it was. The text is one sentence."""


class Cut(NamedTuple):
    """What an archive is to hold: entries and the hash before them, and the hash of the last."""

    first_seq: int
    last_seq: int
    before: str
    last_hash: str


def oldest_part(path: Path, before_utc: str) -> Cut | None:
    """The oldest whole part of the journal before a time, up to a snapshot; None when there is none.

    Raises FileNotFoundError (no journal) or sqlite3.Error.
    """
    with closing(connect_reader(path)[0]) as db:
        sealed = db.execute(NEWEST_SEAL).fetchone()
        seal = seal_of(*sealed) if sealed else None
        # What an earlier archive has may still be on its way out.
        wanted = seal.last_seq if seal else 0
        first = db.execute(FIRST, (wanted,)).fetchone()
        if first is None:
            return None
        nothing = first[0] - 1
        last = old_until(db, before_utc, nothing)
        if last == nothing:
            last = old_until(db, before_utc, nothing, any_clock=True)
        last = _with_snapshots_left(db, last)
        found = db.execute("SELECT hash FROM entries WHERE seq = ?", (last,)).fetchone()
    return Cut(first[0], last, first[1], found[0]) if found and last >= first[0] else None


def _with_snapshots_left(db: sqlite3.Connection, last: int) -> int:
    """``last``, or so much earlier that each chamber with entries behind it keeps its newest snapshot.

    A start finds there what the chamber has learned. In a journal that stands still they all grow old.
    """
    behind = "SELECT 1 FROM entries WHERE seq > ? AND chamber IS ? LIMIT 1"
    kind = "SELECT kind FROM entries WHERE seq = ?"
    for chamber, newest in sorted(db.execute(SNAPSHOTS).fetchall(), key=lambda one: one[1], reverse=True):
        if newest <= last and db.execute(behind, (last, chamber)).fetchone():
            last = newest - 1
            while db.execute(kind, (last,)).fetchone() == ("snapshot",):
                last -= 1  # several stand together
    return last


def write(path: Path, target: Path, cut: Cut, show: Callable[[float], None] = lambda share: None) -> Result:
    """Write the archive and verify it; what verifying found. One that was written before is used.

    It appears under its name whole, verified and durable, or not at all. ``show`` gets the share done.
    Raises CannotArchive, FileNotFoundError (no journal), or sqlite3.Error (the journal cannot be read).
    """
    if target.exists() or target.is_symlink():
        return _there(target, cut)
    fresh = target.with_name(f".{target.name}.new")
    try:
        if why := why_no_place(path, target):
            raise CannotArchive(why)
        fresh.unlink(missing_ok=True)  # of a run that was cut off
        # Nobody but its owner and group may read a journal; an archive is no wider.
        ours = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o640)
    except OSError as fault:
        raise CannotArchive(f"{target} cannot be made: {fault.strerror}.") from None
    try:
        _fill(path, fresh, cut, show)
        result = _verified(fresh, cut)
        _still(ours, fresh)
        fresh.rename(target)
        _still(ours, target)
        sync_directory(target.absolute().parent)
    except OSError as fault:
        raise CannotArchive(f"{target} cannot be written: {fault.strerror}.") from None
    finally:
        os.close(ours)
        for end in ("", "-journal", "-wal", "-shm"):
            with suppress(OSError):
                Path(f"{fresh}{end}").unlink()
    return result


def _still(ours: int, path: Path) -> None:
    """What lies there is the file that was verified: another run to the same name throws ours away."""
    if not os.path.samestat(os.fstat(ours), path.stat()):
        raise CannotArchive(f"{path} was made by another run meanwhile; nothing was archived. Try again.")


def _there(target: Path, cut: Cut) -> Result:
    """An archive that was finished when the run before was cut off, and no other file."""
    try:
        found = verify(target, part=True)
    except OSError as fault:
        raise CannotArchive(f"{target} cannot be used ({fault.strerror}); name a new file.") from None
    if found.archive and found.ok and _holds(found) == cut:
        return found
    raise CannotArchive(
        f"{target} is there already, and is not the archive of these entries; name a new file."
    )


def _verified(fresh: Path, cut: Cut) -> Result:
    result = verify(fresh, part=True)
    if not result.ok:
        place = f" in entry {result.first_bad}" if result.first_bad is not None else ""
        raise CannotArchive(
            f"The journal is not sound{place} ({result.why}); nothing was archived. Run nightheron verify."
        )
    if _holds(result) != cut:
        raise CannotArchive("The journal changed while it was archived; nothing was archived. Try again.")
    return result


def _holds(result: Result) -> Cut:
    return Cut(result.first_seq, result.last_seq, result.before, result.head or "")


def _fill(path: Path, fresh: Path, cut: Cut, show: Callable[[float], None]) -> None:
    source = rows(path, cut.first_seq, cut.last_seq)
    marks, length = ",".join("?" * len(COLUMNS)), cut.last_seq - cut.first_seq + 1
    with closing(sqlite3.connect(fresh, isolation_level=None)) as made:
        try:
            # Not yet under its name: one that was cut off is thrown away, and needs no journal.
            made.execute(f"PRAGMA page_size={PAGE_BYTES}")
            for sql in ("PRAGMA journal_mode=off", "PRAGMA synchronous=off", SCHEMA, INDEX, NOTE, "BEGIN"):
                made.execute(sql).fetchall()
            made.execute("INSERT INTO archive VALUES (?,?,?,?)", cut)
            for number, row in enumerate(source, 1):
                made.execute(f"INSERT INTO entries VALUES ({marks})", row)  # noqa: S608 - only marks
                if number % BATCH_ROWS == 0:
                    show(number / length)
            made.execute("COMMIT")
        except sqlite3.OperationalError as fault:
            raise CannotArchive(f"The archive could not be finished ({fault}); is the disk full?") from None
    with fresh.open("rb") as file:
        os.fsync(file.fileno())
