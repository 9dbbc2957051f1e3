"""Connections to the journal: the writer's, with its pragmas read back, and the readers'."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

FILE = "journal.db"
LOCK = "lock"
COLUMNS = ("seq", "utc", "boot", "mono_ns", "kind", "chamber", "body", "prev", "hash", "inputs")
SCHEMA = """CREATE TABLE IF NOT EXISTS entries (
    seq INTEGER PRIMARY KEY, utc TEXT NOT NULL, boot TEXT NOT NULL, mono_ns INTEGER NOT NULL,
    kind TEXT NOT NULL, chamber TEXT, body BLOB NOT NULL, prev TEXT NOT NULL, hash TEXT NOT NULL,
    inputs BLOB)"""
OUTBOX = "CREATE TABLE IF NOT EXISTS outbox (id TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID"
"""What is still to be told; made with the first push. A queue: the ``delivery`` rows are the record."""
RARE = "kind NOT IN ('decision', 'witness')"
"""Rows of other kinds are few; an index of them alone costs a quiet minute nothing."""
INDEX = f"CREATE INDEX IF NOT EXISTS rare ON entries (kind) WHERE {RARE}"
PAGE_BYTES = 1024
"""Small pages: a commit writes whole pages to the write-ahead file, and a minute's row is about 1 kB."""
CHECKPOINT_PAGES = 2000
LOCK_WAIT_MS = 250
PRAGMAS: tuple[tuple[str, object], ...] = (
    ("journal_mode", "wal"),
    ("synchronous", 2),
    ("wal_autocheckpoint", CHECKPOINT_PAGES),
    ("journal_size_limit", 4 * 1024 * 1024),
    ("trusted_schema", 0),
    # Some builds overwrite what is deleted with zeros, which is four times the writing for nothing secret.
    ("secure_delete", 0),
)


class NotSet(sqlite3.OperationalError):
    """A pragma did not take; the file cannot be used safely now."""


class BadSchema(sqlite3.DatabaseError):
    """The file's own description is damaged, so that not even SQLite's words about it can be read."""

    sqlite_errorname = "SQLITE_CORRUPT"


def is_damage(fault: sqlite3.Error) -> bool:
    """The file's content is at fault, rather than the disk, a lock or a permission."""
    name = getattr(fault, "sqlite_errorname", "") or ""
    return name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_ERROR"))


def connect_writer(path: Path) -> sqlite3.Connection:
    """The one writing connection. Raises sqlite3.Error, NotSet among them."""
    db = sqlite3.connect(path, timeout=LOCK_WAIT_MS / 1000, isolation_level=None, check_same_thread=False)
    try:
        db.execute(f"PRAGMA page_size={PAGE_BYTES}")
        _know_tables(db)
        for name, wanted in PRAGMAS:
            db.execute(f"PRAGMA {name}={wanted}").fetchall()
            found = db.execute(f"PRAGMA {name}").fetchone()
            if found != (wanted,):
                raise NotSet(f"PRAGMA {name} is {found}, wanted {wanted}")
    except sqlite3.Error:
        db.close()
        raise
    return db


def service_holds(data_dir: Path) -> bool:
    """Somebody holds the service's lock, or it cannot be told. Takes no lock: that could stop a start."""
    try:
        inode = (data_dir / LOCK).stat().st_ino
    except FileNotFoundError:
        return False
    except OSError:
        return True
    try:
        held = Path("/proc/locks").read_text()
    except OSError:
        return True
    return any("FLOCK" in line and f":{inode} " in line for line in held.splitlines())


def connect_reader(path: Path) -> tuple[sqlite3.Connection, bool]:
    """A read-only connection, and whether it takes the file for immutable.

    Immutable leaves no trace and works on read-only media, but sees no write-ahead file: it is used
    only when nobody has the service's lock and there is no such file to read. Raises FileNotFoundError
    when there is no journal, sqlite3.Error when it cannot be opened.
    """
    path = path.absolute()
    path.stat()
    wal_bytes = 0
    with suppress(FileNotFoundError):
        wal_bytes = os.stat(f"{path}-wal").st_size  # noqa: PTH116 - a name with an ending
    still = wal_bytes == 0 and not service_holds(path.parent)
    uri = f"{path.as_uri()}?mode=ro" + ("&immutable=1" if still else "")
    db = sqlite3.connect(uri, uri=True, timeout=2.0, isolation_level=None)
    db.text_factory = _text
    try:
        _know_tables(db)
    except sqlite3.Error:
        db.close()
        raise
    return db, still


def fetch(db: sqlite3.Connection, sql: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
    """All that one short read gives; only a page with damaged text pays for being read with patience."""
    db.text_factory = str
    try:
        return db.execute(sql, values).fetchall()
    except (sqlite3.Error, UnicodeError):
        db.text_factory = _text
        return db.execute(sql, values).fetchall()


def knows_json(db: sqlite3.Connection) -> bool:
    """SQLite can look into JSON; a build may have left that out."""
    try:
        return bool(db.execute("SELECT json_valid('[]')").fetchone() == (1,))
    except sqlite3.Error:
        return False


def _know_tables(db: sqlite3.Connection) -> None:
    """Make SQLite read the file's description now. Raises sqlite3.Error, BadSchema among them."""
    try:
        db.execute("SELECT 1 FROM sqlite_master").fetchone()
    except UnicodeError:
        raise BadSchema("the description of its tables is damaged") from None


def _text(data: bytes) -> str:
    """Damaged text is shown and compared, not a reason to fail."""
    return data.decode("utf-8", "backslashreplace")
