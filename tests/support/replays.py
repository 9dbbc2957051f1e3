"""Journals written by the real recorder and writer, edits behind the program's back, and their replay."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any

from nightheron.guard.limits import ChamberLimits
from nightheron.journal.chain import GENESIS, body_bytes, entry_hash
from nightheron.journal.draft import Queue
from nightheron.journal.pack import unpack
from nightheron.journal.span import find, rows
from nightheron.journal.store import Store
from nightheron.journal.writer import DirectWriter
from nightheron.report.replay import replay
from nightheron.report.replayed import Result
from nightheron.runtime.clock import VirtualClock, rfc3339
from nightheron.runtime.inbox import Inbox
from nightheron.runtime.journal_link import JournalLink

Edit = Callable[[dict[str, Any], bytes | None], bytes | None]


class DiskJournal(JournalLink):
    """The loop's way to a journal on disk that commits at once; ``refuse`` rows to come."""

    def __init__(self, clock: VirtualClock, inbox: Inbox, data_dir: Path) -> None:
        super().__init__(clock, inbox)
        self._store = Store(data_dir, rfc3339(clock.utc()))
        self.path = self._store.path
        self.refuse = 0
        self.connect(DirectWriter(self._store, self.committed, self.state))

    def put(
        self,
        kind: str,
        body: dict[str, Any],
        inputs: bytes | None,
        token: int,
        *,
        urgent: bool,
        queue: Queue = (),
    ) -> bool:
        if self.refuse > 0:
            self.refuse -= 1
            return False
        return super().put(kind, body, inputs, token, urgent=urgent, queue=queue)

    def close(self) -> None:
        """Give the file back."""
        self._store.close()


def replayed(
    path: Path,
    since: str | None = None,
    until: str | None = None,
    change: Callable[[ChamberLimits], ChamberLimits] | None = None,
) -> Result:
    """What a replay of the journal's span finds."""
    span = find(path, since, until)
    if span is None:
        return Result()
    return replay(rows(path, span.from_seq, span.last_seq), unpack, span.first_seq, change)


def rewrite(path: Path, seq: int, edit: Edit) -> None:
    """Change one row's body in place and give back its inputs, then compute the chain anew behind it."""
    with closing(sqlite3.connect(path)) as db, db:
        prev = GENESIS
        for number, raw, inputs in db.execute(
            "SELECT seq, body, inputs FROM entries ORDER BY seq"
        ).fetchall():
            body: dict[str, Any] = json.loads(raw)
            if number == seq:
                inputs = edit(body, inputs)
                if inputs is not None:
                    body["inputs_sha256"] = sha256(inputs).hexdigest()
            data = body_bytes(body)
            hashed = entry_hash(prev, data)
            db.execute(
                "UPDATE entries SET body = ?, prev = ?, hash = ?, inputs = ? WHERE seq = ?",
                (data, prev, hashed, inputs, number),
            )
            prev = hashed
