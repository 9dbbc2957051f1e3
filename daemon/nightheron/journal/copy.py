"""A copy of the journal, also while the service writes it: SQLite's own backup, in one step, then verified.

One step means one moment: a copy made in several would begin anew at each row that is written meanwhile.
The write-ahead file cannot be folded in for as long, which on a year's journal is about a minute.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from nightheron.journal.connect import connect_reader
from nightheron.journal.marker import sync_directory
from nightheron.journal.place import why_no_place
from nightheron.journal.verify import Result, verify


class CannotCopy(Exception):  # noqa: N818 - its text is the whole answer
    """The copy was not made; nothing lies under its name. The text is one sentence."""


def copy(path: Path, target: Path) -> Result:
    """Copy the journal to ``target``, which must not exist, and verify the copy; what verifying found.

    The copy appears under its name whole and durable, or not at all. Raises CannotCopy, FileNotFoundError
    (no journal), or sqlite3.Error (the journal cannot be read).
    """
    if target.exists() or target.is_symlink():
        raise CannotCopy(f"{target} is there already; name a file that is not.")
    fresh = target.with_name(f".{target.name}.new")
    try:
        if why := why_no_place(path, target):
            raise CannotCopy(why)
        # Nobody but its owner and group may read a journal; a copy is no wider.
        os.close(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o640))
    except FileExistsError:
        raise CannotCopy(
            f"{fresh} is there: another copy is being made, or one was cut off; then remove it."
        ) from None
    except OSError as fault:
        raise CannotCopy(f"{target} cannot be made: {fault.strerror}.") from None
    try:
        _fill(path, fresh)
        result = verify(fresh)
        fresh.rename(target)
        sync_directory(target.absolute().parent)
    except OSError as fault:
        raise CannotCopy(f"{target} cannot be written: {fault.strerror}.") from None
    finally:
        for end in ("", "-journal", "-wal", "-shm"):
            with suppress(OSError):
                Path(f"{fresh}{end}").unlink()
    return result


def _fill(path: Path, fresh: Path) -> None:
    db, _ = connect_reader(path)
    with closing(db), closing(sqlite3.connect(fresh)) as made:
        try:
            db.backup(made)
        except sqlite3.OperationalError as fault:
            raise CannotCopy(f"The copy could not be finished ({fault}); is the disk full?") from None
        # One file, no write-ahead file beside it, wherever it is opened.
        made.execute("PRAGMA journal_mode=delete").fetchall()
    with fresh.open("rb") as file:
        os.fsync(file.fileno())
