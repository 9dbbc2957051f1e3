"""Old entries made smaller, in small pieces that the writer's thread does while no urgent row waits.

Packs older than was asked are thinned; a ``seal`` row is written for an archive that somebody made and
verified, and then the archived entries are removed. Each piece is one short read or one transaction, so that
a power cut leaves either all of it or nothing, and the next piece finds its place in the journal itself:
behind the newest ``thinned`` row, or at the first entry that the newest ``seal`` row has let go.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from nightheron.journal.age import old_until
from nightheron.journal.chain import Row
from nightheron.journal.claims import NEWEST_SEAL, SEAL, THINNED, said_of, seal_of, thinned_of
from nightheron.journal.connect import COLUMNS
from nightheron.journal.draft import Draft
from nightheron.journal.store import Store
from nightheron.journal.thin import Thinned
from nightheron.model import JsonValue

LOOK_ROWS = 40
"""Entries looked at in one piece: a few milliseconds of work."""
THIN_ROWS = 120
"""Entries that one ``thinned`` row is about: two hours of one quiet chamber."""
REMOVE_ROWS = 100
PAUSE_S = 0.25
REST_S = 600.0
"""After the disk refused."""
FIRST = "SELECT seq, hash, utc FROM entries WHERE seq > ? ORDER BY seq LIMIT 1"
NEWEST_THINNED = NEWEST_SEAL.replace(f"'{SEAL}'", f"'{THINNED}'")
ROWS = f"SELECT {', '.join(COLUMNS)} FROM entries WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT {LOOK_ROWS}"  # noqa: S608 - fixed names
ALARMS_MOST = 1000
"""As many as a start looks back on."""
NEWEST_ALARMS = NEWEST_SEAL.replace(f"'{SEAL}'", "'alarm'").replace("LIMIT 1", f"LIMIT {ALARMS_MOST}")
Stamp = Callable[[str, dict[str, JsonValue]], Draft]
"""A kind and a body become a draft with the present times."""


@dataclass(slots=True)
class Sealing:
    """An archive of all entries up to ``last_seq`` was made and verified: seal it, and let them go."""

    last_seq: int
    last_hash: str
    file: str
    by: str
    done: threading.Event = field(default_factory=threading.Event)
    refused: str | None = None
    """Why it was not sealed; to be read once ``done`` is set."""


class Keeping:
    """What is to be done to old entries; ``work`` is the writer's chore, the rest is for other threads."""

    def __init__(self, store: Store, stamp: Stamp, remove_rows: int = REMOVE_ROWS) -> None:
        self._store, self._stamp, self._remove_rows = store, stamp, remove_rows
        self._before: str | None = None
        self._asked: Sealing | None = None
        self._seen_to, self._until, self._batch = 0, 0, Thinned()

    def thin(self, before_utc: str) -> None:
        """Thin packs of entries older than this, when there is time."""
        self._before = before_utc

    def seal(self, asked: Sealing) -> bool:
        """Seal an archive soon; False when another is being sealed."""
        if self._asked is not None:
            return False
        self._asked = asked
        return True

    def work(self) -> float | None:
        """One piece; seconds until the next one, None when nothing is left to do."""
        asked = self._asked
        try:
            if asked is not None:
                self._seal(asked)
                return PAUSE_S
            if self._remove() or self._thin():
                return PAUSE_S
        except Exception as fault:  # whatever it is, it must not end the thread that commits
            self._begin_anew()
            if asked is not None:
                asked.refused = str(fault)
            return REST_S
        finally:
            if asked is not None:
                self._asked = None
                asked.done.set()
        return None

    # -- archived entries --

    def _seal(self, asked: Sealing) -> None:
        db, number = self._store.db, asked.last_seq
        first = db.execute(FIRST, (self._sealed(),)).fetchone()
        last = db.execute("SELECT hash, utc FROM entries WHERE seq = ?", (number,)).fetchone()
        follows = db.execute("SELECT kind FROM entries WHERE seq = ?", (number + 1,)).fetchone()
        if number <= self._sealed():
            asked.refused = f"entries up to {self._sealed()} are sealed already"
        elif first is None or last is None or last[0] != asked.last_hash:
            asked.refused = f"the journal has no entry {number} with this hash"
        elif follows != ("snapshot",):
            asked.refused = f"entry {number + 1} is no snapshot, from which a replay could set out"
        else:
            body: dict[str, JsonValue] = {
                "text": f"entries {first[0]} to {number} went into the archive {asked.file}",
                "file": asked.file,
                "first_seq": first[0],
                "last_seq": number,
                "first_hash": first[1],
                "last_hash": asked.last_hash,
                "first_utc": first[2],
                "last_utc": last[1],
                "genesis": self._store.genesis or first[1],
                "by": asked.by,
                "alarms": self._alarms_before(number),
            }
            self._store.append([self._stamp(SEAL, body)])
            self._begin_anew()  # what was gathered may be among them

    def _alarms_before(self, last_seq: int) -> list[JsonValue]:
        """Of the alarms that are let go the newest, and those that stand; oldest first."""
        latest: dict[str, dict[str, JsonValue]] = {}
        sealed = self._store.db.execute(NEWEST_SEAL).fetchone()
        carried = said_of(sealed[1]).get("alarms") if sealed else None
        rows = [said_of(body) for _, body in reversed(self._store.db.execute(NEWEST_ALARMS).fetchall())]
        for row in [*(carried if isinstance(carried, list) else []), *rows]:
            if isinstance(row, dict) and isinstance(row.get("id"), str):
                latest.pop(row["id"], None)
                latest[row["id"]] = row
        gone = [row for row in latest.values() if int(row["seq"]) <= last_seq]  # type: ignore[arg-type]  # always a number
        return [row for row in gone if row.get("state") != "normal" or row is gone[-1]]

    def _sealed(self) -> int:
        """The last entry that may go; 0 when none may."""
        row = self._store.db.execute(NEWEST_SEAL).fetchone()
        seal = seal_of(*row) if row else None
        return seal.last_seq if seal else 0

    def _remove(self) -> bool:
        """Some of the archived entries; False when none is left."""
        [(first,)] = self._store.db.execute("SELECT min(seq) FROM entries").fetchall()
        sealed = self._sealed()
        if first is None or first > sealed:
            return False
        return self._store.remove(sealed, self._remove_rows) > 0

    # -- old packs --

    def _thin(self) -> bool:
        """Look at some more entries, or commit what was gathered; False when nothing old is left."""
        if self._before is not None and self._seen_to >= self._until:
            done = max(self._thinned_to(), self._sealed(), self._until)
            self._begin_batch(done)
            self._until = old_until(self._store.db, self._before, done, most=LOOK_ROWS)
            if self._until == done:
                self._before = None
        cells = self._store.db.execute(ROWS, (self._seen_to, self._until)).fetchall()
        for row in map(Row._make, cells):
            self._batch.take(row)
            self._seen_to = row.seq
        if self._batch.bare and (self._batch.entries >= THIN_ROWS or self._seen_to >= self._until):
            draft = self._stamp(THINNED, self._batch.body())
            self._store.append([replace(draft, bare=tuple(self._batch.bare))])
            self._begin_batch(self._seen_to)
        return bool(cells)

    def _begin_anew(self) -> None:
        self._until = 0
        self._begin_batch(0)

    def _begin_batch(self, seen_to: int) -> None:
        self._seen_to, self._batch = seen_to, Thinned()

    def _thinned_to(self) -> int:
        """The last entry that was looked at, as the newest ``thinned`` row has it."""
        row = self._store.db.execute(NEWEST_THINNED).fetchone()
        run = thinned_of(*row) if row else None
        return run.last if run else 0
