"""Both verifiers against the real thing and against people who change it."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from nightheron.cli.main import main
from nightheron.journal.chain import GENESIS, entry_hash
from nightheron.journal.connect import SCHEMA
from nightheron.journal.verify import verify

from tests.support.journals import ALONE, alone, both, draft, edit, filled

SWAP = (
    "UPDATE entries SET seq = -1 WHERE seq = 4",
    "UPDATE entries SET seq = 4 WHERE seq = 5",
    "UPDATE entries SET seq = 5 WHERE seq = -1",
)
COPY = (
    "INSERT INTO entries "
    "SELECT {}, utc, boot, mono_ns, kind, chamber, body, prev, hash, inputs FROM entries WHERE seq = 5"
)
ATTACKS = {
    "edit a body": (
        ["UPDATE entries SET body = CAST(replace(body, '6.55', '6.95') AS BLOB) WHERE seq = 5"],
        5,
    ),
    "edit a hash": (["UPDATE entries SET hash = '" + "a" * 64 + "' WHERE seq = 5"], 5),
    "upper-case a hash": (["UPDATE entries SET hash = upper(hash) WHERE seq = 5"], 5),
    "edit a prev": (["UPDATE entries SET prev = '" + "a" * 64 + "' WHERE seq = 5"], 5),
    "edit a copy": (["UPDATE entries SET utc = '2020-01-01T00:00:00.000Z' WHERE seq = 5"], 5),
    "edit the kind": (["UPDATE entries SET kind = 'witness' WHERE seq = 5"], 5),
    "hide the chamber": (["UPDATE entries SET chamber = NULL WHERE seq = 5"], 5),
    "edit the inputs": (["UPDATE entries SET inputs = x'0101' WHERE seq = 5"], 5),
    "body as text": (["UPDATE entries SET body = CAST(body AS TEXT) WHERE seq = 5"], 5),
    "delete a row": (["DELETE FROM entries WHERE seq = 5"], 6),
    "delete the first row": (["DELETE FROM entries WHERE seq = 1"], 2),
    "delete and close up": (
        ["DELETE FROM entries WHERE seq = 5", "UPDATE entries SET seq = seq - 1 WHERE seq > 5"],
        5,
    ),
    "exchange two rows": (SWAP, 4),
    "repeat a row at the end": ([COPY.format(11)], 11),
    "insert before the first": ([COPY.format(0)], 0),
    "insert a negative row": ([COPY.format(-5)], -5),
    "take away the table": (["DROP TABLE entries"], None),
    "take away a column": (["ALTER TABLE entries DROP COLUMN prev"], None),
}


@pytest.mark.parametrize("name", ATTACKS)
def test_an_attack_is_caught_by_both(tmp_path: Path, name: str) -> None:
    """Each change to the rows is found by verify, at the right row, and by the stand-alone verifier."""
    statements, first_bad = ATTACKS[name]
    path = filled(tmp_path)
    edit(path, *statements)
    result, code = both(path)
    assert (result.ok, code) == (False, 1)
    assert result.first_bad == first_bad
    assert result.why


@pytest.mark.parametrize("rows", [0, 1, 10])
def test_an_untouched_journal_is_ok(tmp_path: Path, rows: int) -> None:
    """A journal nobody touched verifies, with its number of rows and its head."""
    path = filled(tmp_path, rows)
    result, code = both(path)
    assert (result.ok, code, result.entries) == (True, 0, rows)
    assert (result.head is None) == (rows == 0)
    if rows:
        assert both(path, result.head)[0].ok


def test_inputs_that_nobody_thinned_are_missed(tmp_path: Path) -> None:
    """Packed inputs that are gone, and no row says that they were thinned: a finding at the first."""
    path = filled(tmp_path)
    edit(path, "UPDATE entries SET inputs = NULL WHERE seq BETWEEN 3 AND 5")
    result, code = both(path)
    assert (result.ok, code, result.inputs_looked_at, result.first_bad) == (False, 1, 7, 3)


def test_a_cut_tail_needs_an_outside_head(tmp_path: Path) -> None:
    """A tail cut off goes unseen without a head noted elsewhere and is caught with one."""
    path = filled(tmp_path)
    noted = verify(path).head
    edit(path, "DELETE FROM entries WHERE seq > 7")
    assert both(path)[0].ok
    result, code = both(path, noted)
    assert (result.ok, result.head_found, code) == (False, False, 1)


def test_a_whole_chain_computed_anew_needs_an_outside_head(tmp_path: Path) -> None:
    """A re-computed chain goes unseen without a head noted elsewhere and is caught with one."""
    path = filled(tmp_path)
    noted = verify(path).head
    db = sqlite3.connect(path, isolation_level=None)
    last = GENESIS
    for seq, body in db.execute("SELECT seq, body FROM entries ORDER BY seq").fetchall():
        body = body.replace(b"6.55", b"6.95")
        db.execute(
            "UPDATE entries SET body = ?, prev = ?, hash = ? WHERE seq = ?",
            (body, last, entry_hash(last, body), seq),
        )
        last = entry_hash(last, body)
    db.close()
    assert both(path)[0].ok
    assert [both(path, noted)[0].ok, both(path, noted)[1]] == [False, 1]


def test_an_older_head_is_found_inside_the_chain(tmp_path: Path) -> None:
    """A head noted some time ago is demanded anywhere in the chain, in either case of letters."""
    path = filled(tmp_path)
    db = sqlite3.connect(path)
    [(noted,)] = db.execute("SELECT hash FROM entries WHERE seq = 4").fetchall()
    db.close()
    for head in (noted, noted.upper()):
        result, code = both(path, head)
        assert (result.ok, code) == (True, 0)


@pytest.mark.parametrize("content", [b"", b"hello", b"x" * 9000, b"SQLite format 3\x00" + bytes(4000)])
def test_a_file_that_is_no_database_is_a_finding(tmp_path: Path, content: bytes) -> None:
    """Whatever lies where the journal should be gives a finding, never a traceback."""
    path = tmp_path / "journal.db"
    path.write_bytes(content)
    result, code = both(path)
    assert (result.ok, code, result.entries) == (False, 1, 0)


def test_one_wrong_byte_anywhere_never_raises(tmp_path: Path) -> None:
    """A flipped byte at any place ends in a verdict of both verifiers, and in rows it is a finding."""
    path = filled(tmp_path, 20)
    whole, caught = path.read_bytes(), 0
    copy = tmp_path / "copy.db"
    places = range(0, len(whole), 97)
    for place in places:
        copy.write_bytes(whole[:place] + bytes([whole[place] ^ 0x55]) + whole[place + 1 :])
        result, code = both(copy)
        assert code in (0, 1)
        caught += not result.ok
    copy.write_bytes(whole.replace(b'"ph":6.55', b'"ph":6.95'))  # everywhere: a page may keep an old copy
    assert (both(copy)[0].ok, both(copy)[1]) == (False, 1)
    assert caught > len(places) // 2


def test_a_cut_file_is_a_finding(tmp_path: Path) -> None:
    """A file that lost its second half is a finding."""
    path = filled(tmp_path, 40)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    result, code = both(path)
    assert (result.ok, code) == (False, 1)


def test_no_journal_is_not_a_verdict(tmp_path: Path) -> None:
    """Without a file the stand-alone verifier exits 2 and verify raises."""
    assert alone().main([str(tmp_path / "journal.db")]) == 2
    with pytest.raises(FileNotFoundError):
        verify(tmp_path / "journal.db")


def test_verifying_changes_nothing(tmp_path: Path) -> None:
    """Verifying a journal at rest leaves no file behind and touches none."""
    path = filled(tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    both(path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_rows_in_the_write_ahead_file_are_seen(tmp_path: Path) -> None:
    """Rows a killed service left in the write-ahead file are verified too."""
    from nightheron.journal.store import Store

    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    store = Store(tmp_path / "a", "2026-03-01T22:00:00.000Z")
    store.append([draft(1), draft(2)])
    for part in ("journal.db", "journal.db-wal"):
        shutil.copy(tmp_path / "a" / part, tmp_path / "b" / part)
    store.close()
    result, code = both(tmp_path / "b" / "journal.db")
    assert (result.ok, result.entries, code) == (True, 2, 0)


def test_the_stand_alone_verifier_imports_only_the_standard_library() -> None:
    """The page can be carried away: it names no module of ours."""
    imports = [line for line in ALONE.read_text().splitlines() if line.startswith(("import ", "from "))]
    assert sorted(imports) == [
        "from pathlib import Path",
        "import hashlib",
        "import json",
        "import sqlite3",
        "import sys",
    ]
    assert len(ALONE.read_text().splitlines()) < 180
    assert json.dumps(alone().COPIES)


def test_an_empty_head_is_in_no_chain(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A head that was left empty, as by a variable that is not set, is never taken for one that was found."""
    path = filled(tmp_path, 3)
    assert alone().main([str(path), "--head", ""]) == 1
    assert main(["verify", str(path), "--head", ""]) == 2
    assert "--head takes" in capsys.readouterr().err


KNOWN = (
    b'{"seq":1,"boot":"b1","mono_ns":7,"utc":"2026-03-01T22:00:00.000Z","clock_synced":true,'
    b'"kind":"stop","chamber":null,"text":"known"}'
)


@pytest.mark.parametrize(
    ("body", "fits"),
    [
        (KNOWN, True),
        (KNOWN[:-1] + b',"x":NaN}', False),
        (KNOWN[:-1] + b',"x":-Infinity}', False),
        (KNOWN + b" ", False),
        (b"\n" + KNOWN, False),
        (b"\xef\xbb\xbf" + KNOWN, False),
        (KNOWN.decode().encode("utf-16"), False),
        (KNOWN[:-1] + b',"x":' + b"[" * 100_000 + b"]" * 100_000 + b"}", False),
    ],
)
def test_both_take_the_same_for_a_body(tmp_path: Path, body: bytes, fits: bool) -> None:
    """Only one JSON object of RFC 8259 in UTF-8, without blanks around it, is a body for either."""
    path = tmp_path / "one.db"
    with sqlite3.connect(path) as db:
        db.execute(SCHEMA)
        row = (
            1,
            "2026-03-01T22:00:00.000Z",
            "b1",
            7,
            "stop",
            None,
            body,
            GENESIS,
            entry_hash(GENESIS, body),
            None,
        )
        db.execute("INSERT INTO entries VALUES (?,?,?,?,?,?,?,?,?,?)", row)
    db.close()
    assert verify(path).ok is fits
    assert alone().main([str(path)]) == (0 if fits else 1)
