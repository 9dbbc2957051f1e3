"""Up to which entry a journal is old: always just before a snapshot, from which a replay can set out."""

from __future__ import annotations

import sqlite3

from nightheron.journal.connect import RARE

SNAPSHOTS = (
    "SELECT seq, utc, substr(body, 1, 400) FROM entries "  # noqa: S608 - fixed text
    f"WHERE kind = 'snapshot' AND {RARE} AND seq > ? ORDER BY seq"
)
SYNCED = b'"clock_synced":true'


def old_until(
    db: sqlite3.Connection,
    before_utc: str,
    after_seq: int,
    *,
    any_clock: bool = False,
    most: int | None = None,
) -> int:
    """The last entry that is old; ``after_seq`` when none after that one is.

    Only snapshots written while the clock was known to be right are looked at, or with ``any_clock`` all: a
    board without a clock of its own begins each start in 1970. The first that is not old ends the search,
    and so do ``most`` of them once it has found something.
    """
    until, last = after_seq, after_seq
    for number, (seq, utc, body) in enumerate(db.execute(SNAPSHOTS, (after_seq,))):
        if most is not None and number >= most and until > after_seq:
            break
        stands_alone, last = seq != last + 1, seq
        if not any_clock and SYNCED not in bytes(body):
            continue
        if utc >= before_utc:
            break
        if stands_alone:
            until = seq - 1
    return until
