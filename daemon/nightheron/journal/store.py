"""The journal's file: one SQLite table, one writer, every commit on disk before it counts.

Table ``entries``: seq, utc, boot, mono_ns, kind, chamber, body, prev, hash, inputs; see chain.py for
what they mean. Kinds of rows and what their bodies add to the header:

    start, stop   text, version, config_sha256; start of a chamber also left, snapshot
    gap           text, why, and previous_seq, previous_head or rows_lost
    config        text, config_sha256, version
    decision      state, gas, reason, reasons, ph, health, flag, test, verdict, tank_ph, evidence,
                  at_ns, evaluations, ph_min, ph_max, left, text; packed inputs since the row before
    witness       as decision: nothing changed, and this many evaluations said so
    snapshot      snapshot: the core's whole state, from which replay goes on
    thinned       text, from_seq, to_seq, readings: least, mean and most of packs that were taken away
    seal          text, first_seq, last_seq, last_hash, genesis: what went into an archive
    alarm, delivery, act          text and their own fields

Beside it the table ``outbox``, the queue of pushes: changed only in the transaction of a row that says why.

Triggers against UPDATE and DELETE are left out on purpose: whoever can write the file can drop them, so
they would protect nothing, and the chain shows what they would have stopped.

Whatever lies where the journal should be and is not ours is set aside under another name, never
removed. ``journal.known`` holds the hash of entry 1, so that a journal that is gone or is another one can
be told from a first start; when entry 1 went into an archive, the newest ``seal`` row repeats that hash.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from nightheron.journal import marker
from nightheron.journal.chain import Row
from nightheron.journal.claims import NEWEST_SEAL, seal_of
from nightheron.journal.connect import COLUMNS, FILE, INDEX, OUTBOX, SCHEMA, connect_writer, is_damage
from nightheron.journal.draft import NO_HEAD, Draft, Head, row_after
from nightheron.journal.verify import verify

WAL_MOST_BYTES = 8 * 1024 * 1024
"""Beyond this the write-ahead file is folded in and cut at the next commit, unless a reader stands in it."""


class Unavailable(Exception):  # noqa: N818 - named for what it says
    """The journal cannot be used now (locked, disk full, I/O error); the same rows may be tried again."""


class Replaced(Exception):  # noqa: N818 - named for what it says
    """The file is no longer the one that was opened, or is damaged; begin anew."""


class _Seen(NamedTuple):
    device: int
    inode: int
    size: int
    mtime_ns: int


class Store:
    """Opens or creates the journal of a data directory. One per service; use from one thread at a time.

    Raises Unavailable when the file can be neither used nor judged now.
    ``journal_new`` is true when a journal was here and is lost, damaged or replaced; ``why_new`` says which.
    """

    def __init__(self, data_dir: Path, utc: str) -> None:
        self.data_dir, self.path = data_dir, data_dir / FILE
        self.head = NO_HEAD
        self.why_new: str | None = None
        self.set_aside: Path | None = None
        self._marked = False
        try:
            self.genesis = marker.read(data_dir)
            there = self.path.exists() and self.path.stat().st_size > 0
        except OSError as fault:
            raise Unavailable(f"cannot look into {data_dir}: {fault.strerror}") from None
        try:
            self._open()
        except Replaced as fault:
            self._begin(utc, str(fault))
        if self.why_new is None and self.genesis:
            self._compare_with_marker(utc, there)
        elif self.head.seq and not self.genesis:
            self._mark(self._first_hash())

    @property
    def journal_new(self) -> bool:
        """A journal was here and is lost, damaged or replaced."""
        return self.why_new is not None

    def _compare_with_marker(self, utc: str, there: bool) -> None:
        first = self._first_hash()
        if first == self.genesis:
            self._marked = True
        elif self.head.seq:
            self._begin(utc, "the journal found is another one than the one that was here")
        else:
            self.why_new = "the journal that was here is " + ("empty" if there else "gone")

    def _open(self) -> None:
        """Connect, check, and read the head. Raises Replaced (damaged) or Unavailable."""
        try:
            self.db = connect_writer(self.path)
            found = self.db.execute("PRAGMA quick_check(1)").fetchone()
            if found != ("ok",):
                raise Replaced(f"the journal was damaged: {found[0] if found else 'no answer'}")
            self.db.execute(SCHEMA)
            self.db.execute(INDEX)
            columns = [row[1] for row in self.db.execute("PRAGMA table_info(entries)").fetchall()]
            if columns != list(COLUMNS):
                raise Replaced("the journal was damaged: its table is not the journal's")
            marker.sync_directory(self.data_dir)
            self.head = self._read_head()
        except sqlite3.Error as fault:
            self._drop()
            if is_damage(fault):
                raise Replaced(f"the journal was damaged: {fault}") from None
            raise Unavailable(f"cannot open {self.path}: {fault}") from None
        except Replaced:
            self._drop()
            raise
        except OSError as fault:
            raise Unavailable(f"cannot open {self.path}: {fault.strerror}") from None
        self._is_open, self._seen = True, self._look()

    def _read_head(self) -> Head:
        row = self.db.execute(
            "SELECT seq, hash, boot, mono_ns FROM entries ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        if row is None:
            return NO_HEAD
        if [type(cell) for cell in row] != [int, str, str, int] or len(row[1]) != 64:
            raise Replaced("the journal was damaged: its last entry has no usable hash")
        return Head(*row)

    def _first_hash(self) -> str:
        """Of entry 1, also when it went into an archive; empty when there is no entry."""
        row = self.db.execute("SELECT seq, hash FROM entries ORDER BY seq LIMIT 1").fetchone()
        if row is not None and row[0] > 1:
            sealed = self.db.execute(NEWEST_SEAL).fetchone()
            seal = seal_of(*sealed) if sealed else None
            return seal.genesis if seal else str(row[1])
        return row[1] if row else ""

    def begin_anew(self, utc: str, why: str) -> Head:
        """Set aside what lies there and begin a fresh chain; returns the head that is left behind.

        Raises Unavailable when that is not possible now.
        """
        left = self.head
        self._begin(utc, why)
        return left

    def _begin(self, utc: str, why: str) -> None:
        self._drop()
        kind = "damaged" if "damaged" in why else "replaced"
        stamp = "".join(c for c in utc if c.isalnum() or c in "-+.")
        try:
            aside = self._free_name(f"{FILE}.{kind}-{stamp}")
            for end in ("-wal", "-shm", ""):
                old = Path(f"{self.path}{end}")
                if old.exists():
                    old.rename(f"{aside}{end}")
                    self.set_aside = aside
        except OSError as fault:
            raise Unavailable(f"cannot set {self.path} aside: {fault.strerror}") from None
        self.head, self._marked = NO_HEAD, False
        self.why_new = why
        try:
            self._open()
        except Replaced as fault:
            raise Unavailable(f"cannot begin a journal in {self.data_dir}: {fault}") from None

    def _free_name(self, name: str) -> Path:
        """A stem that is not taken, for the file and what SQLite keeps beside it."""
        number, free = 1, self.data_dir / name
        while any(self.data_dir.glob(f"{free.name}*")):
            number += 1
            free = self.data_dir / f"{name}.{number}"
        return free

    def append(self, drafts: Sequence[Draft]) -> list[Row]:
        """Commit these rows in one transaction, to disk. All or none.

        Raises Unavailable (nothing is written; try the same rows again), Replaced (begin anew first),
        ValueError for a body that holds NaN or infinity, a header name, or is far too large.
        """
        head, rows = self.head, []
        for draft in drafts:
            row = row_after(draft, head)
            rows.append(row)
            head = Head(row.seq, row.hash, row.boot, row.mono_ns)
        try:
            self._check_place(written=False)
            queue = [change for draft in drafts for change in draft.queue]
            self._commit(rows, queue, [(seq,) for draft in drafts for seq in draft.bare])
            before, self.head = self.head, head
            try:
                self._check_place(written=True)
            except (Replaced, Unavailable):
                self.head = before
                raise
        except sqlite3.Error as fault:
            if is_damage(fault):
                raise Replaced(f"the journal was damaged: {fault}") from None
            raise Unavailable(f"cannot write {self.path}: {fault}") from None
        if not self._marked and rows:
            self._mark(rows[0].hash if rows[0].seq == 1 else self._first_hash())
        self._bound_wal()
        with suppress(OSError):
            self._seen = self._look()
        return rows

    def remove(self, last_seq: int, most: int) -> int:
        """Take away the oldest entries, at most so many and none after ``last_seq``, in one transaction.

        Returns how many are gone. Whoever calls this has committed the ``seal`` row that names ``last_seq``.
        Raises as ``append``, and ValueError for the newest entry.
        """
        if last_seq >= self.head.seq:
            raise ValueError("the newest entry stays")
        try:
            self._check_place(written=False)
            with self._transaction():
                [(first,)] = self.db.execute("SELECT min(seq) FROM entries").fetchall()
                until = min(last_seq, first + most - 1)
                self.db.execute("DELETE FROM entries WHERE seq <= ?", (until,))
        except sqlite3.Error as fault:
            if is_damage(fault):
                raise Replaced(f"the journal was damaged: {fault}") from None
            raise Unavailable(f"cannot write {self.path}: {fault}") from None
        self._bound_wal()
        with suppress(OSError):
            self._seen = self._look()
        return max(0, int(until) - int(first) + 1)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """All or nothing, and only onto the entry that was written last. Raises Replaced, sqlite3.Error."""
        self.db.execute("BEGIN IMMEDIATE")
        try:
            found = self._read_head()
            if (found.seq, found.hash) != (self.head.seq, self.head.hash):
                raise Replaced("the journal was replaced: its last entry is not the one written last")
            yield
            self.db.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                self.db.execute("ROLLBACK")
            raise

    def _commit(
        self, rows: Sequence[Row], queue: Sequence[tuple[str, str | None]], bare: Sequence[tuple[int]]
    ) -> None:
        with self._transaction():
            marks = ",".join("?" * len(COLUMNS))
            self.db.executemany(f"INSERT INTO entries VALUES ({marks})", rows)  # noqa: S608 - only marks
            self.db.executemany("UPDATE entries SET inputs = NULL WHERE seq = ?", bare)
            if queue:
                self.db.execute(OUTBOX)
            for name, text in queue:
                if text is None:
                    self.db.execute("DELETE FROM outbox WHERE id = ?", (name,))
                else:
                    self.db.execute("INSERT OR REPLACE INTO outbox VALUES (?, ?)", (name, text))

    def _look(self) -> tuple[_Seen | None, _Seen | None]:
        """The file and its write-ahead file as their names show them now."""
        both: list[_Seen | None] = []
        for end in ("", "-wal"):
            try:
                seen = os.stat(f"{self.path}{end}")  # noqa: PTH116 - a name with an ending, not a new file
                both.append(_Seen(seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns))
            except FileNotFoundError:
                both.append(None)
        return both[0], both[1]

    def _check_place(self, *, written: bool) -> None:
        """The names still lead to the files that are open, or rows would go where nobody finds them.

        Before writing also: nobody else wrote to them, which SQLite's own cache would not notice.
        """
        try:
            (file, wal), (old_file, old_wal) = self._look(), self._seen
        except OSError as fault:
            raise Unavailable(f"cannot look at {self.path}: {fault.strerror}") from None
        if file is None or old_file is None or file[:2] != old_file[:2]:
            word = "deleted" if file is None else "replaced"
            raise Replaced(f"the journal was {word} while the service ran")
        nameless = old_wal is not None and (wal is None or wal[:2] != old_wal[:2])
        shorter = not written and old_wal is not None and wal is not None and wal.size < old_wal.size
        if nameless or shorter or not self._is_open or (not written and file != old_file):
            self._open_again(fold=nameless and (written or file == old_file))

    def _open_again(self, *, fold: bool) -> None:
        """Somebody touched the files: go on only if every row is still there and in order.

        ``fold``: the write-ahead file lost its name only, and is still open here.
        """
        wanted = self.head
        if fold:
            with suppress(sqlite3.Error):
                self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self._drop()
        self._open()
        if self.head != wanted or not verify(self.path).ok:
            self.head = wanted
            raise Replaced("the journal was replaced or changed while the service ran")

    def _mark(self, genesis: str) -> None:
        """Note whose journal this is; a failure is made good at the next commit."""
        with suppress(OSError):
            marker.write(self.data_dir, genesis)
            self.genesis, self._marked = genesis, True

    def _bound_wal(self) -> None:
        with suppress(OSError, sqlite3.Error):
            if Path(f"{self.path}-wal").stat().st_size > WAL_MOST_BYTES:
                self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def _drop(self) -> None:
        self._is_open = False
        with suppress(AttributeError, sqlite3.Error):
            self.db.close()

    def outbox(self) -> dict[str, str]:
        """What was still to be told when the journal was opened; nothing when that cannot be read."""
        with suppress(sqlite3.Error):
            found = self.db.execute("SELECT id, body FROM outbox").fetchall()
            return {name: text for name, text in found if isinstance(name, str) and isinstance(text, str)}
        return {}

    def close(self) -> None:
        """Fold the write-ahead file in and let go; afterwards only reading is possible."""
        with suppress(sqlite3.Error):
            self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self._drop()
