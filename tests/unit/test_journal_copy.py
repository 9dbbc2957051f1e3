"""A copy of the journal: whole, verified alone, also while somebody writes, and never over something else."""

from __future__ import annotations

import json
import stat
import threading
from pathlib import Path

import pytest
from nightheron.cli.main import main
from nightheron.journal.copy import CannotCopy, copy
from nightheron.journal.store import Store
from nightheron.journal.verify import verify

from tests.support.journals import UTC, both, draft, edit, filled


def test_a_copy_verifies_alone(tmp_path: Path) -> None:
    """The copy has every row and the head of the journal, is one file, and no wider open than the journal."""
    (tmp_path / "data").mkdir()
    path, target = filled(tmp_path / "data", 30), tmp_path / "copy.db"
    result = copy(path, target)
    assert (result.ok, result.entries, result.head) == (True, 30, verify(path).head)
    assert both(target)[1] == 0
    assert sorted(one.name for one in tmp_path.iterdir()) == ["copy.db", "data"]
    assert stat.S_IMODE(target.stat().st_mode) & 0o007 == 0


def test_rows_that_only_the_write_ahead_file_has_are_copied(tmp_path: Path) -> None:
    """While the service holds the journal open, rows not yet folded in are in the copy as well."""
    (tmp_path / "data").mkdir()
    store = Store(tmp_path / "data", UTC)
    store.append([draft(n) for n in range(1, 9)])
    assert Path(f"{store.path}-wal").stat().st_size > 0
    assert copy(store.path, tmp_path / "copy.db").entries == 8
    store.append([draft(9)])
    store.close()
    assert verify(tmp_path / "data" / "journal.db").entries == 9


def test_a_copy_is_one_moment_of_a_journal_that_is_written(tmp_path: Path) -> None:
    """Copies made while rows are committed one after the other end at a row, and the writer goes on."""
    (tmp_path / "data").mkdir()
    store = Store(tmp_path / "data", UTC)
    store.append([draft(1)])
    done = threading.Event()

    def write() -> None:
        for n in range(2, 200):
            store.append([draft(n)])
        done.set()

    writer = threading.Thread(target=write)
    writer.start()
    counts: list[int] = []
    while not done.is_set() and len(counts) < 50:
        result = copy(store.path, tmp_path / f"copy{len(counts)}.db")
        assert result.ok
        counts.append(result.entries)
    writer.join(60)
    store.close()
    assert counts == sorted(counts)
    assert counts
    assert verify(tmp_path / "data" / "journal.db").entries == 199


@pytest.mark.parametrize("kind", ["file", "link"])
def test_nothing_is_overwritten(tmp_path: Path, kind: str) -> None:
    """A name that is taken is refused, and what lies there stays."""
    (tmp_path / "data").mkdir()
    target = tmp_path / "copy.db"
    if kind == "file":
        target.write_text("mine")
    else:
        target.symlink_to(tmp_path / "nowhere")
    with pytest.raises(CannotCopy, match="is there already"):
        copy(filled(tmp_path / "data"), target)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["copy.db", "data"]


def test_the_command_says_what_it_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Copied and whole is 0 with the head; a damaged journal is copied as it is and 1; a bad place is 2."""
    config = tmp_path / "x.toml"
    config.write_text(f'[site]\nname = "x"\ndata_dir = "{tmp_path}"\n')
    path = filled(tmp_path)
    assert main(["copy", "--config", str(config), "--json", str(tmp_path / "a.db")]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["ok"], said["entries"], said["head"]) == (True, 10, verify(path).head)
    assert main(["copy", "--config", str(config), str(tmp_path / "no" / "a.db")]) == 2
    assert "cannot be made: No such file" in capsys.readouterr().err
    edit(path, "DELETE FROM entries WHERE seq = 5")
    assert main(["copy", "--config", str(config), str(tmp_path / "b.db")]) == 1
    assert "NOT OK: entry 5 is missing" in capsys.readouterr().out
