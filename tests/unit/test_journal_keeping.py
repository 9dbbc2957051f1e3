"""Old entries: packs thinned without breaking the chain, archived entries removed, and nothing half done."""

from __future__ import annotations

import json
import sqlite3
import threading
from pathlib import Path
from typing import Any

import pytest
from nightheron.journal import query
from nightheron.journal.claims import Run, unnamed
from nightheron.journal.keeping import Keeping, Sealing
from nightheron.journal.store import Store
from nightheron.journal.verify import verify
from nightheron.journal.writer import Writer

from tests.support.journals import UTC, both, draft
from tests.support.old_journals import PER_DAY, all_work, before, days, now, sealed, thinned, values


def packs(store: Store) -> list[int]:
    """Entries that have their packed inputs."""
    return [n for (n,) in store.db.execute("SELECT seq FROM entries WHERE inputs IS NOT NULL ORDER BY seq")]


def last_body(store: Store, kind: str) -> dict[str, Any]:
    found = query.last_entry(store.path, kind)
    assert found is not None
    return found


def test_packs_older_than_asked_are_thinned_and_the_chain_holds(tmp_path: Path) -> None:
    """Packs of entries before the day are gone, younger ones stand, and both verifiers find nothing wrong."""
    store = days(tmp_path, 5)
    thinned(store, 3)
    assert [n for n in packs(store) if n <= 3 * PER_DAY] == []
    assert len([n for n in packs(store) if n > 3 * PER_DAY]) == 2 * (PER_DAY - 2)
    store.close()
    result, code = both(store.path)
    assert (result.ok, code, result.claims.bare_rows) == (True, 0, 3 * (PER_DAY - 2))


def test_least_mean_and_most_of_each_pack_stand_in_the_chain(tmp_path: Path) -> None:
    """A ``thinned`` row has, for each entry and signal, how many readings there were and their figures."""
    store = days(tmp_path, 3)
    thinned(store, 2)
    body = last_body(store, "thinned")
    assert (body["from_seq"], body["to_seq"], body["packs"], body["left"]) == (1, 24, 20, [])
    by_name = {one["of"]: one for one in body["readings"]}
    assert set(by_name) == {"east", "west"}
    west = by_name["west"]
    assert (west["signal"], west["probe"], west["n"]) == ("chamber_ph", 0, [5] * 10)
    for seq, least, mean, most in zip(west["entry"], west["min"], west["mean"], west["max"], strict=True):
        true = values(seq - 1)
        assert (least, most) == (min(true), max(true))
        assert mean == pytest.approx(sum(true) / 5, rel=1e-5)


def test_thinning_again_goes_on_behind_what_was_thinned(tmp_path: Path) -> None:
    """The next day's thinning names only that day, also by another writer after a restart."""
    store = days(tmp_path, 5)
    thinned(store, 2)
    store.close()
    store = Store(tmp_path, UTC)
    thinned(store, 2)
    thinned(store, 3)
    rows = list(query.entries(store.path, query.Wanted(kind="thinned")))
    assert [(row["from_seq"], row["to_seq"]) for row in rows] == [(1, 24), (25, 36)]
    assert verify(store.path).ok


def test_nothing_is_thinned_by_a_clock_that_nobody_keeps_right(tmp_path: Path) -> None:
    """Entries whose clock was not known to be right have no age, and keep their packs."""
    store = days(tmp_path, 4, synced=False)
    thinned(store, 3)
    assert len(packs(store)) == 4 * (PER_DAY - 2)


def test_a_young_entry_with_an_old_date_is_not_thinned(tmp_path: Path) -> None:
    """A start in 1970, as a board without a clock begins, does not make its own entries old."""
    store = days(tmp_path, 4)
    store.append([draft(n, utc="1970-01-01T00:00:00.000Z", boot="b9") for n in range(1, 9)])
    thinned(store, 2)
    assert packs(store)[-8:] == list(range(4 * PER_DAY + 1, 4 * PER_DAY + 9))


def test_a_damaged_pack_stays_for_verify_to_find(tmp_path: Path) -> None:
    """A pack that is not the one its entry names is left where it is, and named."""
    store = days(tmp_path, 3)
    store.db.execute("UPDATE entries SET inputs = x'0101' WHERE seq = 5")
    thinned(store, 2)
    assert last_body(store, "thinned")["left"] == [5]
    assert packs(store)[0] == 5
    assert verify(store.path).first_bad == 5


def test_one_piece_is_small(tmp_path: Path) -> None:
    """No piece looks at more than a few dozen entries, so that a row that comes waits for no more."""
    store = days(tmp_path, 60)
    keeping = Keeping(store, now)
    keeping.thin(before(50))
    pieces = all_work(keeping)
    rows = list(query.entries(store.path, query.Wanted(kind="thinned")))
    assert pieces >= 50 * PER_DAY / 40
    assert max(int(str(row["to_seq"])) - int(str(row["from_seq"])) for row in rows) < 160
    assert verify(store.path).ok


def test_sealed_entries_are_removed_and_the_journal_says_where_it_begins(tmp_path: Path) -> None:
    """After a seal the journal begins behind it, verifies, goes on, and opens again as the same journal."""
    store = days(tmp_path, 4)
    head = store.head
    assert sealed(store, 2 * PER_DAY).refused is None
    row = last_body(store, "seal")
    assert (row["first_seq"], row["last_seq"], row["file"], row["by"]) == (1, 24, "old.db", "root")
    store.close()
    again = Store(tmp_path, UTC)
    assert (again.journal_new, again.head.seq) == (False, head.seq + 1)
    again.append([now("stop", {"text": "x"})])
    again.close()
    result, code = both(again.path)
    assert (result.ok, code, result.first_seq, result.entries) == (True, 0, 25, 2 * PER_DAY + 2)


def test_a_journal_sealed_twice_is_still_the_one_that_was_begun(tmp_path: Path) -> None:
    """The second seal repeats the hash of entry 1, by which a start knows its journal."""
    store = days(tmp_path, 5)
    genesis = store.genesis
    sealed(store, PER_DAY)
    store.close()
    store = Store(tmp_path, UTC)
    assert sealed(store, 3 * PER_DAY).refused is None
    assert last_body(store, "seal")["genesis"] == genesis
    store.close()
    (tmp_path / "journal.known").unlink()
    assert Store(tmp_path, UTC).genesis == genesis


@pytest.mark.parametrize(
    ("last_seq", "last_hash", "why"),
    [
        (24, "0" * 64, "no entry 24 with this hash"),
        (23, None, "no snapshot"),
        (999, "0" * 64, "no entry 999"),
        (48, None, "no snapshot"),
    ],
)
def test_what_does_not_fit_is_not_sealed(
    tmp_path: Path, last_seq: int, last_hash: str | None, why: str
) -> None:
    """Another hash, no such entry, the newest, or a place no replay could set out from: refused."""
    store = days(tmp_path, 4)
    if last_hash is None:
        [(last_hash,)] = store.db.execute("SELECT hash FROM entries WHERE seq = ?", (last_seq,)).fetchall()
    asked, keeping = Sealing(last_seq, str(last_hash), "old.db", "root"), Keeping(store, now)
    keeping.seal(asked)
    all_work(keeping)
    assert asked.done.is_set()
    assert why in str(asked.refused)
    assert verify(store.path).entries == 4 * PER_DAY


def test_what_was_sealed_once_is_not_sealed_again(tmp_path: Path) -> None:
    """A second archive of the same entries is refused."""
    store = days(tmp_path, 4)
    keeping = Keeping(store, now)
    asked = [Sealing(24, "", "old.db", "root") for _ in range(2)]
    [(asked[0].last_hash,)] = store.db.execute("SELECT hash FROM entries WHERE seq = 24").fetchall()
    asked[1].last_hash = asked[0].last_hash
    assert keeping.seal(asked[0])
    assert not keeping.seal(asked[1])
    keeping.work()
    assert keeping.seal(asked[1])
    keeping.work()
    assert (asked[0].refused, asked[1].refused) == (None, "entries up to 24 are sealed already")


def test_the_newest_entry_always_stays(tmp_path: Path) -> None:
    """The store itself refuses to remove its newest entry."""
    store = days(tmp_path, 1)
    with pytest.raises(ValueError, match="newest"):
        store.remove(PER_DAY, 100)


def test_a_chore_that_fails_leaves_the_writer_well(tmp_path: Path) -> None:
    """A fault in a piece of this work ends no thread: it is tried again much later, and rows go on."""
    store = days(tmp_path, 3)

    def broken(kind: str, body: object) -> Any:
        raise RuntimeError(kind)

    keeping = Keeping(store, broken)
    keeping.thin(before(2))
    assert [keeping.work() for _ in range(2)] == [600.0, 600.0]
    assert verify(store.path).ok


def test_the_writer_does_the_chore_between_rows(tmp_path: Path) -> None:
    """While rows come all the time the writer also thins, and every row that was put is on disk, in order."""
    store = days(tmp_path, 40)
    keeping, done = Keeping(store, now), threading.Event()

    def chore() -> float | None:
        if keeping.work() is not None:
            return 0.001
        done.set()
        return None

    writer = Writer(store, lambda tokens: None, lambda well, new: None, chore=chore).start()
    keeping.thin(before(30))
    writer.nudge()
    for number in range(200):
        assert writer.put(draft(number, utc="2026-06-01T00:00:00.000Z"), number, True)
    assert done.wait(30)
    assert writer.stop(30)
    result = verify(store.path)
    assert (result.ok, result.claims.bare_rows) == (True, 30 * (PER_DAY - 2))
    assert result.entries > 40 * PER_DAY + 200


def test_a_writer_that_was_not_nudged_does_nothing(tmp_path: Path) -> None:
    """Without a nudge the chore is not called: an idle writer wakes for nothing."""
    calls: list[int] = []
    writer = Writer(
        days(tmp_path, 1), lambda tokens: None, lambda well, new: None, chore=lambda: calls.append(1)
    ).start()
    writer.put(draft(1, utc="2026-06-01T00:00:00.000Z"), 1, True)
    assert writer.settle(10)
    assert writer.stop(10)
    assert calls == []


@pytest.mark.parametrize(
    ("bare", "named", "first"),
    [
        ([], [], None),
        ([(3, 9)], [], 3),
        ([(3, 9)], [(1, 9)], None),
        ([(3, 9)], [(4, 12)], 3),
        ([(3, 9)], [(1, 5), (6, 9)], None),
        ([(3, 9)], [(7, 9), (1, 5)], 6),
        ([(3, 4), (8, 9)], [(1, 8)], 9),
        ([(3, 9)], [(1, 20), (4, 5)], None),
    ],
)
def test_which_entry_nobody_names(
    bare: list[tuple[int, int]], named: list[tuple[int, int]], first: int | None
) -> None:
    """The first entry without its pack that is in no run of those that were thinned."""
    assert unnamed([[*one] for one in bare], [Run(*one) for one in named]) == first


def test_a_log_shows_the_rows_of_both_kinds(tmp_path: Path) -> None:
    """The rows read as any other: text, and what they name."""
    store = days(tmp_path, 4)
    thinned(store, 2)
    sealed(store, PER_DAY)
    texts = [str(row["text"]) for row in query.entries(store.path) if row["kind"] in ("thinned", "seal")]
    assert texts == [
        "the packed inputs of entries 1 to 24 were thinned",
        "entries 1 to 12 went into the archive old.db",
    ]
    assert json.dumps(last_body(store, "thinned"))


def test_a_removal_makes_room_that_new_rows_use(tmp_path: Path) -> None:
    """After a removal the file has free pages, and as many new rows again do not make it longer."""
    store = days(tmp_path, 40)
    assert sealed(store, 30 * PER_DAY).refused is None
    store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    size = store.path.stat().st_size
    [(free,)] = store.db.execute("PRAGMA freelist_count").fetchall()
    assert free > 100
    store.append([draft(n, utc="2026-06-01T00:00:00.000Z") for n in range(100)])
    store.close()
    assert store.path.stat().st_size <= size
    assert sqlite3.connect(store.path).execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_long_journal_is_thinned_part_by_part(tmp_path: Path) -> None:
    """More days than one look takes in are thinned to the end, though an archive is sealed meanwhile."""
    store = days(tmp_path, 130)
    keeping = Keeping(store, now)
    keeping.thin(before(125))
    for _ in range(20):
        keeping.work()
    [(last_hash,)] = store.db.execute("SELECT hash FROM entries WHERE seq = ?", (PER_DAY,)).fetchall()
    assert keeping.seal(Sealing(PER_DAY, last_hash, "old.db", "root"))
    all_work(keeping)
    result = verify(store.path)
    assert (result.ok, result.first_seq) == (True, PER_DAY + 1)
    assert result.claims.bare_rows == 124 * (PER_DAY - 2)
