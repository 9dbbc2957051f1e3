"""Names under which an archive or a copy may be made, and what is refused lest entries are lost."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightheron.journal import archive as archiving
from nightheron.journal.archive import CannotArchive, Cut, oldest_part, write
from nightheron.journal.copy import CannotCopy, copy
from nightheron.journal.verify import Result, verify

from tests.support.journals import filled
from tests.support.old_journals import before, days


@pytest.mark.parametrize("name", ["journal.db-wal", "journal.db-shm", "journal.known.new", "lock"])
def test_no_name_of_the_service_is_taken(tmp_path: Path, name: str) -> None:
    """A name of SQLite's or the service's own beside the journal is refused, or entries were lost."""
    store = days(tmp_path, 4)
    cut = oldest_part(store.path, before(3))
    assert cut is not None
    store.close()
    with pytest.raises(CannotArchive, match="belongs to the service"):
        write(store.path, tmp_path / ".." / tmp_path.name / name, cut)
    assert not list(tmp_path.glob(f"*{name}*"))


def test_a_name_with_a_leftover_of_another_file_is_refused(tmp_path: Path) -> None:
    """A write-ahead file that lies beside the name would be played into the archive by whoever opens it."""
    store = days(tmp_path, 4)
    cut = oldest_part(store.path, before(3))
    assert cut is not None
    (tmp_path / "a.db-wal").write_bytes(b"of another")
    with pytest.raises(CannotArchive, match=r"a\.db-wal is there"):
        write(store.path, tmp_path / "a.db", cut)
    assert not (tmp_path / "a.db").exists()


def test_a_link_to_nothing_is_a_file_that_cannot_be_used(tmp_path: Path) -> None:
    """A symbolic link that leads nowhere is refused in a sentence, and nothing is made where it leads."""
    store = days(tmp_path, 4)
    cut = oldest_part(store.path, before(3))
    assert cut is not None
    (tmp_path / "a.db").symlink_to(tmp_path / "nowhere.db")
    with pytest.raises(CannotArchive, match="cannot be used"):
        write(store.path, tmp_path / "a.db", cut)
    assert not (tmp_path / "nowhere.db").exists()


def test_two_runs_to_one_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run whose working file another run has replaced since it was verified does not pass that one off."""
    store = days(tmp_path, 4)
    cut = oldest_part(store.path, before(3))
    assert cut is not None

    def replaced(fresh: Path, cut: Cut) -> Result:
        result = verify(fresh, part=True)
        fresh.unlink()
        fresh.write_bytes(b"just begun")
        return result

    monkeypatch.setattr(archiving, "_verified", replaced)
    with pytest.raises(CannotArchive, match="another run"):
        write(store.path, tmp_path / "a.db", cut)
    assert not (tmp_path / "a.db").exists()


def test_a_copy_takes_no_name_of_the_service(tmp_path: Path) -> None:
    """A copy under a name that SQLite would take for the journal's own is refused."""
    path = filled(tmp_path, 3)
    with pytest.raises(CannotCopy, match="belongs to the service"):
        copy(path, tmp_path / "journal.db-wal")
    assert verify(path).entries == 3


def test_a_copy_that_was_cut_off_is_named(tmp_path: Path) -> None:
    """The working file of a copy that was killed is named in the sentence that refuses the next one."""
    (tmp_path / "data").mkdir()
    path = filled(tmp_path / "data", 3)
    (tmp_path / ".copy.db.new").write_bytes(b"half")
    with pytest.raises(CannotCopy, match=r"\.copy\.db\.new is there"):
        copy(path, tmp_path / "copy.db")
