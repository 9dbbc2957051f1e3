"""Attacks on archives, and on a journal whose older rows were archived or thinned."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from nightheron.journal.archive import oldest_part, write
from nightheron.journal.chain import entry_hash
from nightheron.journal.claims import NOTE
from nightheron.journal.store import Store

from tests.support.attacks import CAUGHT, HERE
from tests.support.journals import UTC, edit
from tests.support.old_journals import PER_DAY, before, days, now, sealed, thinned

TOGETHER = "caught when archives and journal are verified together"
COUNT = 8


@dataclass(frozen=True, slots=True)
class Kept:
    """Two archives, older first, and the journal that follows them."""

    one: Path
    two: Path
    journal: Path


@dataclass(frozen=True, slots=True)
class KeptAttack:
    """One attack on those, the verdict, and why it is so."""

    what: str
    verdict: str
    why: str
    do: Callable[[Kept], None]


def kept(folder: Path) -> Kept:
    """Eight days: two archived, three more archived, two of them thinned; three are left, one thinned."""
    (folder / "data").mkdir(parents=True)
    store = days(folder / "data", COUNT)
    made = Kept(folder / "one.db", folder / "two.db", store.path)
    for target, thin_day, until_day in ((made.one, 0, 2), (made.two, 4, 5)):
        thinned(store, thin_day)
        cut = oldest_part(store.path, before(until_day))
        if cut is None or not write(store.path, target, cut).ok or sealed(store, cut.last_seq).refused:
            raise AssertionError(f"{target} could not be made")
    thinned(store, 6)
    store.close()
    return made


def _without(path: Path, which: str) -> None:
    edit(path, f"DELETE FROM entries WHERE seq {which}")  # noqa: S608 - our own numbers


def _renoted(path: Path) -> None:
    """The archive's note made to fit the rows that are there."""
    edit(
        path,
        "UPDATE archive SET last_seq = (SELECT max(seq) FROM entries), "
        "hash = (SELECT hash FROM entries ORDER BY seq DESC LIMIT 1)",
    )


def _cut_renoted(one: Kept) -> None:
    _without(one.two, f"> {4 * PER_DAY}")
    _renoted(one.two)


def _anew(one: Kept) -> None:
    """A reading in the archive changed, and every hash after it computed anew."""
    with closing(sqlite3.connect(one.one, isolation_level=None)) as db:
        last = None
        for seq, body, prev in db.execute("SELECT seq, body, prev FROM entries ORDER BY seq").fetchall():
            made = body.replace(b'"ph":6.7', b'"ph":6.9') if seq == 7 else body
            last = entry_hash(last or prev, made)
            db.execute("UPDATE entries SET body = ?, hash = ? WHERE seq = ?", (made, last, seq))
            db.execute("UPDATE entries SET prev = ? WHERE seq = ?", (last, seq + 1))
    _renoted(one.one)


def _another_board(one: Kept) -> None:
    other = one.one.parent / "other"
    (other / "data").mkdir(parents=True)
    store = Store(other / "data", UTC)
    store.append([now("start", {"text": "another board"})])
    for number in range(3):
        store.append([now("snapshot", {"number": number})])
    store.close()
    cut = oldest_part(store.path, "2028-01-01T00:00:00.000Z")
    if cut is None:
        raise AssertionError("no cut")
    one.one.unlink()
    write(store.path, one.one, cut)


def _sealed_by_hand(one: Kept) -> None:
    """Rows that nobody archived taken away, and a row added that says they were."""
    edge = 6 * PER_DAY
    store = Store(one.journal.parent, UTC)
    [(last_hash,)] = store.db.execute("SELECT hash FROM entries WHERE seq = ?", (edge,)).fetchall()
    body = {"last_seq": edge, "last_hash": last_hash, "genesis": store.genesis}
    store.append([now("seal", body)])
    store.close()
    _without(one.journal, f"<= {edge}")


def _called_an_archive(one: Kept) -> None:
    _without(one.journal, f"<= {6 * PER_DAY}")
    edit(
        one.journal,
        NOTE,
        "INSERT INTO archive SELECT min(seq), max(seq), '', '' FROM entries",
        "UPDATE archive SET prev = (SELECT prev FROM entries WHERE seq = first_seq), "
        "hash = (SELECT hash FROM entries WHERE seq = last_seq)",
    )


def _a_little_more(one: Kept) -> None:
    edit(one.journal, "UPDATE entries SET inputs = NULL WHERE seq <= 75")


def _archive_as_journal(one: Kept) -> None:
    shutil.copy(one.two, one.journal)


LATER = """replace(body, '"last_seq":60', '"last_seq":72')"""
SEAL_LATER = (
    f"UPDATE entries SET body = CAST({LATER} AS BLOB) WHERE kind = 'seal'",  # noqa: S608 - our own words
    "DELETE FROM entries WHERE seq <= 72",
)
FIGURES = "UPDATE entries SET body = CAST(replace(body, '6.5', '6.6') AS BLOB) WHERE kind = 'thinned'"
HASH = "its hash no longer belongs to it"
ATTACKS: tuple[KeptAttack, ...] = (
    KeptAttack("change a row in an archive", CAUGHT, HASH, lambda one: edit(
        one.one, "UPDATE entries SET body = CAST(replace(body, '6.7', '6.9') AS BLOB) WHERE seq = 7")),
    KeptAttack("cut off the end of an archive", CAUGHT, "it says where it ends",
               lambda one: _without(one.two, f"> {4 * PER_DAY}")),
    KeptAttack("cut off the beginning of an archive", CAUGHT, "it says where it begins",
               lambda one: _without(one.two, f"<= {3 * PER_DAY}")),
    KeptAttack("take away what an archive says of itself", CAUGHT, "then it must begin at 1 or have a seal",
               lambda one: edit(one.two, "DROP TABLE archive")),
    KeptAttack("change the figures of thinned readings", CAUGHT, HASH,
               lambda one: edit(one.journal, FIGURES)),
    KeptAttack("take packed inputs away, a little beyond what was thinned", CAUGHT,
               "no row says that they were thinned", _a_little_more),
    KeptAttack("delete rows behind those that were archived", CAUGHT,
               "the seal names an earlier row", lambda one: _without(one.journal, f"<= {6 * PER_DAY}")),
    KeptAttack("delete rows behind those that were archived, and change the seal", CAUGHT, HASH,
               lambda one: edit(one.journal, *SEAL_LATER)),
    KeptAttack("put an archive in the journal's place", HERE, "an archive is no journal",
               _archive_as_journal),
    KeptAttack("delete the journal's first rows and call the rest an archive", HERE,
               "an archive is no journal", _called_an_archive),
    KeptAttack("cut off the end of an archive and change what it says of itself", TOGETHER,
               "what follows does not begin where it ends", _cut_renoted),
    KeptAttack("change a row in an archive and compute all after it anew", TOGETHER,
               "what follows does not lead back to it", _anew),
    KeptAttack("put an archive of another board in its place", TOGETHER,
               "what follows does not lead back to it", _another_board),
    KeptAttack("lose an archive", TOGETHER, "the first row that is in none of the files is named",
               lambda one: one.two.unlink()),
    KeptAttack("delete rows that nobody archived and add a seal that says they were", TOGETHER,
               "the rows are in none of the archives", _sealed_by_hand),
)  # fmt: skip
