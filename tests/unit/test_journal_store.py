"""The journal's file: opening, appending, and telling a lost journal from a first start."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest
from nightheron.journal.connect import PRAGMAS, connect_writer
from nightheron.journal.store import Replaced, Store

from tests.support.journals import UTC, both, draft, edit, filled


def test_an_empty_directory_is_a_first_start(tmp_path: Path) -> None:
    """Without any trace of an earlier journal nothing was lost."""
    store = Store(tmp_path, UTC)
    assert not store.journal_new
    assert store.head.seq == 0
    store.close()


def test_a_crash_before_the_first_row_is_still_a_first_start(tmp_path: Path) -> None:
    """A journal that was created and never written is not a lost one."""
    Store(tmp_path, UTC).close()
    assert not Store(tmp_path, UTC).journal_new


def test_a_journal_goes_on_where_it_was(tmp_path: Path) -> None:
    """After a restart the chain continues from its head, and both verifiers agree."""
    path = filled(tmp_path, 5)
    store = Store(tmp_path, UTC)
    assert (store.journal_new, store.head.seq) == (False, 5)
    store.append([draft(6), draft(7)])
    store.close()
    result, code = both(path)
    assert (result.ok, result.entries, result.head, code) == (True, 7, store.head.hash, 0)


def test_a_missing_journal_is_told(tmp_path: Path) -> None:
    """A journal that was here and is gone makes journal_new true, until a new one has begun."""
    filled(tmp_path).unlink()
    lost = Store(tmp_path, UTC)
    assert lost.why_new == "the journal that was here is gone"
    lost.close()
    again = Store(tmp_path, UTC)
    assert again.journal_new
    again.append([draft()])
    again.close()
    assert not Store(tmp_path, UTC).journal_new


def test_another_journal_is_told_and_set_aside(tmp_path: Path) -> None:
    """A whole journal that is not the one that was here is kept aside, and a fresh one begun."""
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    path = filled(here)
    other = Store(there, UTC)
    other.append([draft(500)])
    other.close()
    shutil.copy(other.path, path)
    store = Store(here, UTC)
    assert store.journal_new
    assert store.head.seq == 0
    assert (
        store.set_aside is not None and store.set_aside.name == "journal.db.replaced-2026-03-01T220000.000Z"
    )
    assert store.set_aside.stat().st_size > 0
    store.close()


def test_a_lost_marker_is_made_good(tmp_path: Path) -> None:
    """A journal without its marker is taken as our own, and marked."""
    filled(tmp_path)
    (tmp_path / "journal.known").unlink()
    store = Store(tmp_path, UTC)
    assert (store.journal_new, store.head.seq) == (False, 10)
    store.close()
    assert len((tmp_path / "journal.known").read_text().strip()) == 64


@pytest.mark.parametrize("content", [b"not a database at all" * 100, b"SQLite format 3\x00" + bytes(3000)])
def test_a_damaged_file_is_set_aside_whole(tmp_path: Path, content: bytes) -> None:
    """A file SQLite cannot read is renamed with its companions, never removed, and a fresh one begun."""
    path = filled(tmp_path)
    path.write_bytes(content)
    store = Store(tmp_path, UTC)
    assert store.why_new is not None and "damaged" in store.why_new
    assert store.set_aside is not None
    assert store.set_aside.read_bytes() == content
    assert store.set_aside.name.startswith("journal.db.damaged-")
    store.append([draft()])
    store.close()
    assert both(path)[0].ok


def test_damage_inside_the_tree_is_found_at_open(tmp_path: Path) -> None:
    """Overwritten pages are found by the check at open."""
    path = filled(tmp_path, 60)
    data = bytearray(path.read_bytes())
    data[1024 : 1024 * 6] = b"\xa5" * 1024 * 5
    path.write_bytes(data)
    store = Store(tmp_path, UTC)
    assert store.journal_new
    store.close()


def test_two_damaged_files_get_two_names(tmp_path: Path) -> None:
    """A second damage in the same second does not overwrite what was set aside first."""
    for _ in range(2):
        filled(tmp_path).write_bytes(b"x" * 5000)
        Store(tmp_path, UTC).close()
    assert len(list(tmp_path.glob("journal.db.damaged-*"))) == 2


def test_every_pragma_is_read_back(tmp_path: Path) -> None:
    """The writer's connection has every pragma it asked for."""
    db = connect_writer(tmp_path / "x.db")
    for name, wanted in PRAGMAS:
        assert db.execute(f"PRAGMA {name}").fetchone() == (wanted,)
    db.close()


def test_a_pragma_that_does_not_take_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A connection without full synchronisation is not used."""
    monkeypatch.setattr("nightheron.journal.connect.PRAGMAS", (("synchronous", 7),))
    with pytest.raises(sqlite3.OperationalError, match="wanted 7"):
        connect_writer(tmp_path / "x.db")


def test_mono_ns_never_runs_backward_in_a_boot(tmp_path: Path) -> None:
    """A row with an older time gets the time of the row before it; another boot starts afresh."""
    store = Store(tmp_path, UTC)
    rows = store.append([draft(5), draft(3), draft(1, boot="b2"), draft(2, boot="b2")])
    assert [row.mono_ns // 10**9 for row in rows] == [1005, 1005, 1001, 1002]
    store.close()
    assert both(store.path)[0].ok


def test_all_or_none(tmp_path: Path) -> None:
    """When one row of a group cannot be stored, none of it is."""
    store = Store(tmp_path, UTC)
    with pytest.raises(ValueError, match="may not carry seq"):
        store.append([draft(1), draft(2, body={"seq": 7})])
    assert store.head.seq == 0
    store.append([draft(1)])
    store.close()
    assert both(store.path)[0].entries == 1


def test_chamber_may_come_in_the_body(tmp_path: Path) -> None:
    """Chamber and clock_synced are header fields whether given beside the body or in it."""
    store = Store(tmp_path, UTC)
    [row] = store.append([draft(chamber=None, body={"chamber": "east", "clock_synced": True})])
    assert row.chamber == "east"
    assert b'"clock_synced":true' in row.body
    store.close()


def test_a_foreign_row_is_noticed(tmp_path: Path) -> None:
    """When somebody else wrote to the journal, the next append says so instead of chaining onto it."""
    store = Store(tmp_path, UTC)
    store.append([draft(1)])
    edit(
        store.path,
        "INSERT INTO entries "
        "SELECT 2, utc, boot, mono_ns, kind, chamber, body, prev, hash, NULL FROM entries",
    )
    with pytest.raises(Replaced, match="last entry"):
        store.append([draft(2)])
    store.close()


def test_there_is_one_table(tmp_path: Path) -> None:
    """The file holds the entries table and its one index, and nothing else."""
    db = sqlite3.connect(filled(tmp_path))
    assert db.execute("SELECT type, name FROM sqlite_master").fetchall() == [
        ("table", "entries"),
        ("index", "rare"),
    ]
    db.close()


@pytest.mark.parametrize("words", [b"CREATE TABLE", b"CREATE INDEX", b"rare"])
def test_a_description_that_is_no_text_is_damage(tmp_path: Path, words: bytes) -> None:
    """A bit in the description of the tables, where SQLite quotes what it cannot read: begin anew."""
    path = filled(tmp_path)
    data = bytearray(path.read_bytes())
    data[data.index(words) + 2] ^= 0x80
    path.write_bytes(data)
    assert (both(path)[0].ok, both(path)[1]) == (False, 1)
    store = Store(tmp_path, UTC)
    assert store.why_new is not None
    assert "damaged" in store.why_new
    store.close()
