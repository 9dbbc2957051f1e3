"""Archives: whole, verified alone and together with the journal, and never at the cost of an entry."""

from __future__ import annotations

import json
import shutil
import stat
from datetime import UTC as ZONE, datetime
from pathlib import Path

import pytest
from nightheron.cli.main import main
from nightheron.journal import query, verify as looking
from nightheron.journal.archive import CannotArchive, Cut, oldest_part, write
from nightheron.journal.chain import Row
from nightheron.journal.keeping import Keeping, Sealing
from nightheron.journal.store import Store
from nightheron.journal.together import together
from nightheron.journal.verify import Result, verify
from nightheron.runtime import lock
from nightheron.runtime.clock import Clock

from tests.support.configuration import GOOD
from tests.support.journals import UTC, alone, edit
from tests.support.old_journals import PER_DAY, before, days, now, sealed, thinned

COUNT = 8


def archived(store: Store, target: Path, until_day: int) -> Cut:
    """Archive and seal everything before a day."""
    cut = oldest_part(store.path, before(until_day))
    assert cut is not None
    assert write(store.path, target, cut).ok
    assert sealed(store, cut.last_seq, str(target)).refused is None
    return cut


def all_alone(*paths: Path, head: str | None = None) -> int:
    """The stand-alone verifier's exit code."""
    code: int = alone().main([str(path) for path in paths] + (["--head", head] if head else []))
    return code


@pytest.fixture
def kept(tmp_path: Path) -> tuple[Path, Path, Path]:
    """Two archives, older first, and the journal that follows them."""
    (tmp_path / "data").mkdir()
    store = days(tmp_path / "data", COUNT)
    one, two = tmp_path / "one.db", tmp_path / "two.db"
    archived(store, one, 2)
    thinned(store, 4)
    archived(store, two, 5)
    store.close()
    return one, two, store.path


def test_an_archive_verifies_alone(kept: tuple[Path, Path, Path]) -> None:
    """Each archive is one file, no wider open than a journal, and both verifiers find it whole."""
    one, two, _ = kept
    for path, first, last in ((one, 1, 2 * PER_DAY), (two, 2 * PER_DAY + 1, 5 * PER_DAY)):
        result = verify(path, part=True)
        assert (result.ok, result.archive, result.first_seq, result.last_seq) == (True, True, first, last)
        assert all_alone(path) == 0
        assert stat.S_IMODE(path.stat().st_mode) & 0o007 == 0
    assert sorted(path.name for path in one.parent.iterdir()) == ["data", "one.db", "two.db"]


def test_archives_and_journal_are_one_chain(kept: tuple[Path, Path, Path]) -> None:
    """Together, named in any order, they prove every entry from the first to the head, each counted once."""
    one, two, journal = kept
    found = together([journal, two, one])
    assert (found.why, found.entries, found.head) == (None, verify(journal).last_seq, verify(journal).head)
    assert all_alone(two, journal, one) == 0


def test_a_head_in_an_archive_is_found(kept: tuple[Path, Path, Path]) -> None:
    """A head that was noted long ago stands in an archive now, and is found when that is given as well."""
    one, two, journal = kept
    head = verify(one, part=True).head
    assert head is not None
    assert verify(journal, head).ok is False
    assert together([one, two, journal], head).why is None
    assert all_alone(one, two, journal, head=head) == 0
    assert together([two, journal], "0" * 64).why is not None
    assert all_alone(two, journal, head="0" * 64) == 1


def test_an_archive_that_is_left_out_leaves_a_gap(kept: tuple[Path, Path, Path]) -> None:
    """Without the one in the middle the first entry that is in none of the files is named."""
    one, _, journal = kept
    found = together([one, journal])
    assert (found.first_bad, found.why is None) == (2 * PER_DAY + 1, False)
    assert all_alone(one, journal) == 1


def test_an_archive_is_not_taken_for_the_journal(kept: tuple[Path, Path, Path]) -> None:
    """An archive that lies where the journal should be is a finding."""
    one, _, journal = kept
    shutil.copy(one, journal)
    assert "archive" in str(verify(journal).why)


def test_an_archive_made_before_thinning_keeps_the_packs(kept: tuple[Path, Path, Path]) -> None:
    """Packs that were still there when the archive was made stay in it for ever."""
    one, two, _ = kept
    assert verify(one, part=True).claims.bare_rows == 0
    assert verify(two, part=True).claims.bare_rows == 2 * (PER_DAY - 2)


def test_nothing_old_enough_is_nothing_to_archive(tmp_path: Path) -> None:
    """A journal without a whole old part, or without entries, gives no cut."""
    store = days(tmp_path, 2)
    assert oldest_part(store.path, before(0)) is None
    assert oldest_part(store.path, "2025-01-01T00:00:00.000Z") is None
    (tmp_path / "other").mkdir()
    assert oldest_part(Store(tmp_path / "other", UTC).path, before(9)) is None


def test_a_board_whose_clock_nobody_sets_can_archive(tmp_path: Path) -> None:
    """Where no entry's clock was known to be right, the dates are taken as they are."""
    cut = oldest_part(days(tmp_path, 4, synced=False).path, before(3))
    assert cut is not None
    assert (cut.first_seq, cut.last_seq) == (1, 3 * PER_DAY)


def test_a_file_that_is_there_is_left_alone(tmp_path: Path) -> None:
    """An archive is never written over something else, and nothing is removed then."""
    store = days(tmp_path, 4)
    target = tmp_path / "mine.txt"
    target.write_text("mine")
    cut = oldest_part(store.path, before(3))
    assert cut is not None
    with pytest.raises(CannotArchive, match="is there already"):
        write(store.path, target, cut)
    assert target.read_text() == "mine"


def test_an_archive_finished_before_a_cut_is_used(tmp_path: Path) -> None:
    """The same archive, written and not yet sealed, is taken as it is; one of other entries is not."""
    store = days(tmp_path, 6)
    cut, other = oldest_part(store.path, before(3)), oldest_part(store.path, before(4))
    assert cut is not None
    assert other is not None
    write(store.path, tmp_path / "a.db", cut)
    stamp = (tmp_path / "a.db").stat().st_mtime_ns
    assert write(store.path, tmp_path / "a.db", cut).ok
    assert (tmp_path / "a.db").stat().st_mtime_ns == stamp
    with pytest.raises(CannotArchive):
        write(store.path, tmp_path / "a.db", other)


def test_a_damaged_entry_is_not_archived(tmp_path: Path) -> None:
    """A journal that does not verify up to the cut gives no archive, and no file is left."""
    store = days(tmp_path, 4)
    cut = oldest_part(store.path, before(3))
    assert cut is not None
    edit(store.path, "UPDATE entries SET body = CAST('{}' AS BLOB) WHERE seq = 9")
    with pytest.raises(CannotArchive, match="not sound in entry 9"):
        write(store.path, tmp_path / "a.db", cut)
    assert not list(tmp_path.glob("*a.db*"))


def test_a_leftover_of_a_run_that_was_killed_is_no_hindrance(tmp_path: Path) -> None:
    """Half an archive under its working name is thrown away and written anew."""
    store = days(tmp_path, 4)
    cut = oldest_part(store.path, before(3))
    assert cut is not None
    (tmp_path / ".a.db.new").write_bytes(b"half")
    assert write(store.path, tmp_path / "a.db", cut).ok
    assert not (tmp_path / ".a.db.new").exists()


class Command:
    """``nightheron`` on a journal of eight days, at a date long after."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.config = folder, folder / "nightheron.toml"
        self.config.write_text(GOOD.replace("/var/lib/nightheron", str(folder / "data")))
        (folder / "data").mkdir()
        days(folder / "data", COUNT).close()
        self.journal = folder / "data" / "journal.db"

    def run(self, *words: str) -> int:
        return main([*words, "--config", str(self.config)])


@pytest.fixture
def command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Command:
    monkeypatch.setattr(Clock, "utc", lambda self: datetime(2026, 1, 8, 0, 1, tzinfo=ZONE))
    return Command(tmp_path)


def test_the_command_archives_without_a_service(command: Command, capsys: pytest.CaptureFixture[str]) -> None:
    """With no service running the command seals and removes by itself, and says how to verify it all."""
    target = command.folder / "old.db"
    assert command.run("archive", str(target), "--before", "3d") == 0
    said = capsys.readouterr().out
    assert "entries 1 to 48" in said
    assert command.run("verify") == 0
    assert "begins at entry 49" in capsys.readouterr().out
    assert command.run("verify", str(target)) == 0
    assert "Only archives" in capsys.readouterr().out
    assert command.run("verify", str(target), str(command.journal), "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["ok"], found["entries"], found["first_seq"]) == (True, COUNT * PER_DAY + 1, 1)
    assert [one["archive"] for one in found["files"]] == [True, False]
    assert query.head(command.journal) == (97, found["head"])


def test_the_command_refuses_what_is_too_young(command: Command, capsys: pytest.CaptureFixture[str]) -> None:
    """What the service looks back on cannot be archived, and a time that is none is a usage error."""
    assert command.run("archive", str(command.folder / "old.db"), "--before", "1d") == 2
    assert "at least 2 days" in capsys.readouterr().err
    assert command.run("archive", str(command.folder / "old.db"), "--before", "soon") == 2
    assert command.run("archive", str(command.folder / "old.db")) == 0
    assert "Nothing to archive" in capsys.readouterr().out
    assert not (command.folder / "old.db").exists()


def test_the_command_touches_nothing_in_a_damaged_journal(
    command: Command, capsys: pytest.CaptureFixture[str]
) -> None:
    """Damage behind the archived part: the archive is written, and the journal stays as it is."""
    edit(command.journal, "UPDATE entries SET body = CAST('{}' AS BLOB) WHERE seq = 90")
    data = command.journal.read_bytes()
    assert command.run("archive", str(command.folder / "old.db"), "--before", "3d") == 1
    assert "not sound" in capsys.readouterr().err
    assert command.journal.read_bytes() == data
    assert not list(command.journal.parent.glob("journal.db.*"))


def test_a_service_that_holds_the_lock_and_cannot_be_asked(
    command: Command, capsys: pytest.CaptureFixture[str]
) -> None:
    """While a holder of the lock does not answer nothing is sealed; the same command finishes later."""
    held = lock.take_lock(command.journal.parent)
    assert command.run("archive", str(command.folder / "old.db"), "--before", "3d") == 3
    assert "the journal is as it was" in capsys.readouterr().err
    held.close()
    assert verify(command.journal).entries == COUNT * PER_DAY
    assert command.run("archive", str(command.folder / "old.db"), "--before", "3d") == 0
    assert verify(command.journal).first_seq == 49


def test_verify_names_a_file_that_is_not_there(command: Command, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that does not exist is a usage error in one sentence."""
    assert command.run("verify", str(command.folder / "none.db")) == 2
    assert "none.db" in capsys.readouterr().err


def test_verifying_while_entries_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Archived entries that are removed while verify reads are no finding."""
    store = days(tmp_path, 30)
    cut = oldest_part(store.path, before(20))
    assert cut is not None
    keeping = Keeping(store, now, 10)
    keeping.seal(Sealing(cut.last_seq, cut.last_hash, "old.db", "root"))
    for _ in range(5):
        keeping.work()
    first = verify(store.path).first_seq
    monkeypatch.setattr(looking, "PAGE_ROWS", 20)
    look = looking._look

    def slow(result: Result, row: Row, previous: Row | None, is_json: bool) -> None:
        look(result, row, previous, is_json)
        if row.seq % 15 == 0:
            keeping.work()

    monkeypatch.setattr(looking, "_look", slow)
    result = verify(store.path)
    monkeypatch.undo()
    assert (result.why, result.first_seq) == (None, first)
    assert verify(store.path).first_seq > first + 100


def test_an_archive_begins_behind_the_one_before(tmp_path: Path) -> None:
    """A second archive made while the first one's entries are still going out does not hold them again."""
    store = days(tmp_path, 30)
    one = oldest_part(store.path, before(10))
    assert one is not None
    keeping = Keeping(store, now, 10)
    keeping.seal(Sealing(one.last_seq, one.last_hash, "one.db", "root"))
    keeping.work()
    keeping.work()
    two = oldest_part(store.path, before(20))
    assert two is not None
    assert (two.first_seq, two.before) == (one.last_seq + 1, one.last_hash)
    assert sealed(store, two.last_seq, "two.db").refused is None
    texts = [str(row["text"]) for row in query.entries(store.path, query.Wanted(kind="seal"))]
    assert texts[-1] == f"entries {two.first_seq} to {two.last_seq} went into the archive two.db"
