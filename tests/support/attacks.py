"""The attack list: what a person with write access can do to a journal, each with its honest verdict."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from nightheron.journal.chain import GENESIS, body_bytes, entry_hash
from nightheron.journal.store import Store

from tests.support.journals import UTC, draft, edit, filled

CAUGHT, OUTSIDE, NOT = "caught", "caught only with a head noted elsewhere", "not caught"
HERE = "caught by verify"
"""The page that stands alone does not look: it uses no index."""
ROWS = 12
Do = Callable[[Path], None]


@dataclass(frozen=True, slots=True)
class Attack:
    """One attack on a journal of ``ROWS`` rows, the verdict, and why it is so."""

    what: str
    verdict: str
    why: str
    do: Do


def sql(*statements: str) -> Do:
    return lambda path: edit(path, *statements)


def rechained(change: Callable[[int, dict[str, Any]], dict[str, Any] | None], first: int = 1) -> Do:
    """Change bodies from row ``first`` on (None drops the row) and compute all that follows anew."""

    def do(path: Path) -> None:
        with closing(sqlite3.connect(path, isolation_level=None)) as db:
            rows = db.execute("SELECT seq, body, inputs, hash FROM entries ORDER BY seq").fetchall()
            last, number = GENESIS, 0
            db.execute("BEGIN")
            for seq, body, inputs, old in rows:
                if seq < first:
                    last, number = old, seq
                    continue
                db.execute("DELETE FROM entries WHERE seq = ?", (seq,))
                fields = change(seq, json.loads(body))
                if fields is None:
                    continue
                number += 1
                made = body_bytes(fields | {"seq": number})
                named = [fields[name] for name in ("utc", "boot", "mono_ns", "kind", "chamber")]
                hashed = entry_hash(last, made)
                db.execute(
                    "INSERT INTO entries VALUES (?,?,?,?,?,?,?,?,?,?)",
                    (number, *named, made, last, hashed, inputs),
                )
                last = hashed
            db.execute("COMMIT")

    return do


def _calmer(seq: int, fields: dict[str, Any]) -> dict[str, Any]:
    return fields | {"ph": 6.95} if seq == 5 else fields


def _gone(seq: int, fields: dict[str, Any]) -> dict[str, Any] | None:
    return None if seq == 5 else fields


def _backward(seq: int, fields: dict[str, Any]) -> dict[str, Any]:
    return fields | {"mono_ns": 1} if seq == 9 else fields


def _hash_fits(path: Path) -> None:
    """Row 5 changed, with the hash that belongs to it."""
    with closing(sqlite3.connect(path)) as db, db:
        [(body, prev)] = db.execute("SELECT body, prev FROM entries WHERE seq = 5").fetchall()
        made = body.replace(b"6.55", b"6.95")
        db.execute("UPDATE entries SET body = ?, hash = ? WHERE seq = 5", (made, entry_hash(prev, made)))


def _inputs_fit(path: Path) -> None:
    """The packed inputs of row 5 changed, and the hash of them in its body."""
    with closing(sqlite3.connect(path)) as db, db:
        [(body, inputs)] = db.execute("SELECT body, inputs FROM entries WHERE seq = 5").fetchall()
        old, new = (sha256(data).hexdigest().encode() for data in (inputs, b"\x01other"))
        db.execute(
            "UPDATE entries SET body = ?, inputs = ? WHERE seq = 5", (body.replace(old, new), b"\x01other")
        )


def _forged_between(path: Path) -> None:
    """A made-up row after the fourth, the later ones moved up."""
    edit(
        path,
        "UPDATE entries SET seq = -seq WHERE seq > 4",
        "UPDATE entries SET seq = 1 - seq WHERE seq < 0",
        "INSERT INTO entries SELECT 5, utc, boot, mono_ns, kind, chamber, body, prev, hash, inputs "
        "FROM entries WHERE seq = 4",
    )


def _older_copy(path: Path) -> None:
    """The whole file as it was eight rows ago."""
    other = path.parent / "older"
    other.mkdir()
    shutil.copy(filled(other, 4), path)


def _append(path: Path, number: int, **changes: Any) -> None:
    """The service itself goes on writing."""
    store = Store(path.parent, UTC)
    store.append([draft(number, **changes)])
    store.close()


def _cut_and_continued(path: Path) -> None:
    edit(path, "DELETE FROM entries WHERE seq > 7")
    for number in range(20, 26):
        _append(path, number)


def _rolled_back_and_continued(path: Path) -> None:
    _older_copy(path)
    for number in range(20, 29):
        _append(path, number)


def _another_site(path: Path) -> None:
    """A sound journal of another board in its place."""
    other = path.parent / "other"
    other.mkdir()
    store = Store(other, UTC)
    store.append([draft(n, chamber="east") for n in range(1, ROWS + 1)])
    store.close()
    shutil.copy(store.path, path)


def _half(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])


def _noise(path: Path) -> None:
    path.write_bytes(sha256(b"noise").digest() * 400)


def _without_log(path: Path) -> None:
    """The service was killed; its newest rows are in the write-ahead file, and that is taken away."""
    shutil.copy(path, path.parent / "kept.db")
    store = Store(path.parent, UTC)
    store.append([draft(30), draft(31)])
    store.close()
    shutil.copy(path.parent / "kept.db", path)


def _index_hides(path: Path) -> None:
    """The index of rare kinds forgets row 3, which the table still has."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        [(old,)] = db.execute("SELECT sql FROM sqlite_master WHERE name = 'rare'").fetchall()
        db.execute("DROP INDEX rare")
        db.execute(f"{old} AND seq <> 3")
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_master SET sql = ? WHERE name = 'rare'", (old,))


def _wrong_clock(path: Path) -> None:
    _append(path, 13, utc="2019-01-01T00:00:00.000Z")


def _false_reading(path: Path) -> None:
    _append(path, 13, body={"state": "flowing", "gas": "open", "reason": None, "reasons": [], "ph": 7.9})


def _thinned_by_hand(path: Path) -> None:
    edit(path, "UPDATE entries SET inputs = NULL WHERE seq < 5")
    _append(path, 13, kind="thinned", body={"from_seq": 1, "to_seq": 4}, chamber=None, inputs=None)


def _row_added(path: Path) -> None:
    _append(path, 13, kind="act", body={"text": "somebody looked in"})


COPY = "SELECT {}, utc, boot, mono_ns, kind, chamber, body, prev, hash, inputs FROM entries WHERE seq = {}"
SWAP = (
    "UPDATE entries SET seq = -1 WHERE seq = 4",
    "UPDATE entries SET seq = 4 WHERE seq = 5",
    "UPDATE entries SET seq = 5 WHERE seq = -1",
)
HASH, HEAD_SAYS = "its hash no longer belongs to it", "the chain is sound, but the noted head is not in it"
FOLLOWS = "what follows does not lead back to it"
CALM = "UPDATE entries SET body = CAST(replace(body, '6.55', '6.95') AS BLOB) WHERE seq = 5"
ATTACKS: tuple[Attack, ...] = (
    Attack("change a number in a row's body", CAUGHT, HASH, sql(CALM)),
    Attack("add a blank to a body", CAUGHT, HASH, sql(CALM.replace("'6.55', '6.95'", "'6.55', '6.55 '"))),
    Attack("change a body and give it the hash that fits", CAUGHT, FOLLOWS, _hash_fits),
    Attack("store the same body as text", CAUGHT, "a body is bytes", sql(
        "UPDATE entries SET body = CAST(body AS TEXT) WHERE seq = 5")),
    Attack("change a row's hash", CAUGHT, HASH, sql(
        "UPDATE entries SET hash = lower(hex(zeroblob(32))) WHERE seq = 5")),
    Attack("write a hash in upper case", CAUGHT, "a hash has one spelling", sql(
        "UPDATE entries SET hash = upper(hash) WHERE seq = 12")),
    Attack("store a hash as bytes", CAUGHT, "a hash is text", sql(
        "UPDATE entries SET hash = CAST(hash AS BLOB) WHERE seq = 12")),
    Attack("change prev", CAUGHT, FOLLOWS, sql(
        "UPDATE entries SET prev = lower(hex(zeroblob(32))) WHERE seq = 5")),
    Attack("move a row in time (column utc)", CAUGHT, "the columns repeat the body", sql(
        "UPDATE entries SET utc = '2020-01-01T00:00:00.000Z' WHERE seq = 5")),
    Attack("move a row on the clock that never steps", CAUGHT, "the columns repeat the body", sql(
        "UPDATE entries SET mono_ns = mono_ns + 1 WHERE seq = 5")),
    Attack("give a row another kind, so that no list shows it", CAUGHT, "the columns repeat the body", sql(
        "UPDATE entries SET kind = 'witness' WHERE seq = 5")),
    Attack("hide whose chamber it was", CAUGHT, "the columns repeat the body", sql(
        "UPDATE entries SET chamber = NULL WHERE seq = 5")),
    Attack("move a row to another boot", CAUGHT, "the columns repeat the body", sql(
        "UPDATE entries SET boot = 'b2' WHERE seq = 5")),
    Attack("exchange the packed inputs", CAUGHT, "the body holds their hash", sql(
        "UPDATE entries SET inputs = x'0101' WHERE seq = 5")),
    Attack("exchange the packed inputs and their hash in the body", CAUGHT, HASH, _inputs_fit),
    Attack("delete a row", CAUGHT, "numbers have no hole", sql("DELETE FROM entries WHERE seq = 5")),
    Attack("delete a row and close the numbers up", CAUGHT, FOLLOWS, sql(
        "DELETE FROM entries WHERE seq = 5", "UPDATE entries SET seq = seq - 1 WHERE seq > 5")),
    Attack("delete the first row", CAUGHT, "numbers begin at 1", sql("DELETE FROM entries WHERE seq = 1")),
    Attack("delete the first rows and number anew from 1", CAUGHT, "the first row follows zeros", sql(
        "DELETE FROM entries WHERE seq <= 4", "UPDATE entries SET seq = seq - 4")),
    Attack("exchange two rows", CAUGHT, FOLLOWS, sql(*SWAP)),
    Attack("repeat the last row", CAUGHT, FOLLOWS, sql("INSERT INTO entries " + COPY.format(13, 12))),
    Attack("put a made-up row between two", CAUGHT, FOLLOWS, _forged_between),
    Attack("put a row before the first", CAUGHT, "numbers begin at 1", sql(
        "INSERT INTO entries " + COPY.format(0, 5))),
    Attack("make an index hide a row from lists by kind", HERE, "the index is held against the rows",
           _index_hides),
    Attack("change a row and compute all after it anew, clock running backward", CAUGHT,
           "within a boot the clock never falls", rechained(_backward, 9)),
    Attack("drop the table", CAUGHT, "no rows can be read", sql("DROP TABLE entries")),
    Attack("drop a column", CAUGHT, "no rows can be read", sql("ALTER TABLE entries DROP COLUMN prev")),
    Attack("cut the file in half", CAUGHT, "it cannot be read to its end", _half),
    Attack("overwrite the file", CAUGHT, "it is no database", _noise),
    Attack("cut off the tail", OUTSIDE, HEAD_SAYS, sql("DELETE FROM entries WHERE seq > 7")),
    Attack("cut off the tail and let the service go on", OUTSIDE, HEAD_SAYS, _cut_and_continued),
    Attack("take away the write-ahead file of a killed service", OUTSIDE, HEAD_SAYS, _without_log),
    Attack("change the last row and its hash", OUTSIDE, HEAD_SAYS, rechained(
        lambda seq, fields: fields | ({"ph": 6.95} if seq == ROWS else {}), ROWS)),
    Attack("change a row and compute all after it anew", OUTSIDE, HEAD_SAYS, rechained(_calmer, 5)),
    Attack("drop a row and compute all after it anew", OUTSIDE, HEAD_SAYS, rechained(_gone, 5)),
    Attack("compute the whole chain anew", OUTSIDE, HEAD_SAYS, rechained(_calmer)),
    Attack("put back an older copy", OUTSIDE, HEAD_SAYS, _older_copy),
    Attack("put back an older copy and let the service go on", OUTSIDE, HEAD_SAYS,
           _rolled_back_and_continued),
    Attack("put a sound journal of another board in its place", OUTSIDE, HEAD_SAYS, _another_site),
    Attack("put a view in the table's place that leaves out the tail", CAUGHT, "entries must be a table", sql(
        "ALTER TABLE entries RENAME TO hidden", "CREATE VIEW entries AS SELECT * FROM hidden WHERE seq < 8")),
    Attack("take packed inputs away", CAUGHT, "no row says that they were thinned",
           sql("UPDATE entries SET inputs = NULL WHERE seq < 5")),
    Attack("take packed inputs away and add a row that says they were thinned", NOT,
           "whoever can write can add a row; it stands there, and rows still say what was decided",
           _thinned_by_hand),
    Attack("add a made-up row at the end while the service is stopped", NOT,
           "it stands there, behind the stop and before the next start", _row_added),
    Attack("add a table or a column of one's own", NOT, "nothing of it is read",
           sql("CREATE TABLE mine (x)", "ALTER TABLE entries ADD COLUMN mine")),
    Attack("set the wall clock wrong while the service runs", NOT,
           "the row says what the clock said, with mono_ns beside it", _wrong_clock),
    Attack("lie to the probe, so that a false reading is recorded", NOT,
           "the journal proves what was read and decided, not what the water was", _false_reading),
)  # fmt: skip
