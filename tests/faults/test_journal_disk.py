"""The journal on a full disk, locked, deleted or exchanged, and with a writer that is killed."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from nightheron.journal.query import entries
from nightheron.journal.store import Store, Unavailable
from nightheron.journal.writer import Writer

from tests.support.journals import UTC, both, draft, filled

LOCKER = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA locking_mode=EXCLUSIVE")
db.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.readline()
db.execute("ROLLBACK")
"""
SCRIBE = """
import sys
from pathlib import Path
from nightheron.journal.store import Store
from tests.support.journals import UTC, draft
store = Store(Path(sys.argv[1]), UTC)
number = store.head.seq
while True:
    store.append([draft(number + 1), draft(number + 2)])
    number += 2
    print(number, flush=True)
"""


class Said:
    """What a writer says, and a wait for it."""

    def __init__(self) -> None:
        self.tokens: list[int] = []
        self.states: list[tuple[bool, bool]] = []
        self.changed = threading.Condition()

    def committed(self, tokens: list[int]) -> None:
        with self.changed:
            self.tokens += tokens
            self.changed.notify_all()

    def state(self, well: bool, replaced: bool) -> None:
        with self.changed:
            self.states.append((well, replaced))
            self.changed.notify_all()

    def wait(self, until: Callable[[], bool]) -> bool:
        with self.changed:
            return self.changed.wait_for(until, 60)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte, really mounted."""
    place = tmp_path / "small"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    subprocess.run(command, check=True)  # noqa: S603 - fixed command
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)  # noqa: S603, S607 - fixed command


@contextlib.contextmanager
def running(code: str, path: Path) -> Iterator[subprocess.Popen[str]]:
    """A second process with this code; killed at the end."""
    child = subprocess.Popen(  # noqa: S603 - our own code
        [sys.executable, "-c", code, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    try:
        yield child
    finally:
        child.kill()
        child.communicate()


def line(child: subprocess.Popen[str]) -> str:
    """The next line a child says."""
    if child.stdout is None:
        raise RuntimeError("no pipe")
    return child.stdout.readline().strip()


def test_a_full_disk_loses_no_row(small_disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows put while the disk is full are on disk, in order, once there is room again."""
    monkeypatch.setattr("nightheron.journal.writer.PATIENCE_S", 0.5)
    said, store = Said(), Store(small_disk, UTC)
    writer = Writer(store, said.committed, said.state).start()
    writer.put(draft(1), 1, urgent=True)
    assert said.wait(lambda: said.tokens == [1])
    ballast = small_disk / "ballast"
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(4096))
    for number in range(2, 400):
        assert writer.put(draft(number), number, urgent=True)
    assert said.wait(lambda: (False, False) in said.states)
    assert "full" in writer.why
    assert both(store.path)[0].ok
    ballast.unlink()
    assert said.wait(lambda: len(said.tokens) == 399)
    assert said.states == [(False, False), (True, False)]
    assert said.tokens == list(range(1, 400))
    assert writer.stop(30)
    result, code = both(store.path)
    assert (result.ok, result.entries, code) == (True, 399, 0)


def test_a_journal_cannot_be_opened_on_a_full_disk_but_is_not_harmed(small_disk: Path) -> None:
    """Opening on a full disk is 'not now', never 'damaged': the file is whole afterwards."""
    path = filled(small_disk, 20)
    ballast = small_disk / "ballast"
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(4096))
    with contextlib.suppress(Unavailable):
        Store(small_disk, UTC).close()
    ballast.unlink()
    store = Store(small_disk, UTC)
    assert (store.journal_new, store.head.seq) == (False, 20)
    store.close()
    assert both(path)[0].ok


def test_a_locked_journal_loses_no_row(tmp_path: Path) -> None:
    """While another process holds the file exclusively rows wait; when it lets go they are written."""
    path = filled(tmp_path, 3)
    said, store = Said(), Store(tmp_path, UTC)
    blocker = store.db
    # The lock must be taken before our own connection has mapped the file, as a person's tool would.
    blocker.close()
    with running(LOCKER, path) as child:
        assert line(child) == "held"
        with pytest.raises(Unavailable, match="locked"):
            Store(tmp_path, UTC)
        child.communicate("\n")
    store = Store(tmp_path, UTC)
    with running(LOCKER.replace('db.execute("PRAGMA locking_mode=EXCLUSIVE")', ""), path) as child:
        assert line(child) == "held"
        writer = Writer(store, said.committed, said.state).start()
        for number in range(4, 20):
            assert writer.put(draft(number), number, urgent=True)
        assert not said.tokens
        assert writer.waiting == 16
        child.communicate("\n")
        assert said.wait(lambda: len(said.tokens) == 16)
    assert writer.stop(30)
    assert both(path)[0].entries == 19


@pytest.mark.parametrize("how", ["deleted", "replaced by another file", "overwritten", "made noise"])
def test_a_lost_file_is_told_and_a_fresh_one_begins(tmp_path: Path, how: str) -> None:
    """Whatever happens to the file, the next row is kept, in a fresh chain that names the old head."""
    said, store = Said(), Store(tmp_path, UTC)
    writer = Writer(store, said.committed, said.state).start()
    for number in range(1, 6):
        writer.put(draft(number), number, urgent=True)
    assert said.wait(lambda: len(said.tokens) == 5)
    old = store.head
    (tmp_path / "other").mkdir()
    other = filled(tmp_path / "other", 2)
    if how == "deleted":
        for name in tmp_path.glob("journal.db*"):
            name.unlink()
    elif how == "replaced by another file":
        other.replace(store.path)
    elif how == "overwritten":
        Path(f"{store.path}-wal").write_bytes(b"")
        shutil.copyfile(other, store.path)
    else:
        Path(f"{store.path}-wal").write_bytes(b"")
        store.path.write_bytes(b"noise" * 4000)
    writer.put(draft(6), 6, urgent=True)
    writer.put(draft(7), 7, urgent=True)
    assert said.wait(lambda: said.tokens == [1, 2, 3, 4, 5, 6, 7])
    assert said.states == [(True, True)]
    assert writer.stop(30)
    rows = list(entries(store.path))
    assert [row["kind"] for row in rows] == ["gap", "decision", "decision"]
    assert (rows[0]["previous_head"], rows[0]["previous_seq"]) == (old.hash, 5)
    assert both(store.path)[0].ok
    assert not Store(tmp_path, UTC).journal_new


def test_a_deleted_write_ahead_file_costs_nothing(tmp_path: Path) -> None:
    """Deleting the write-ahead file under a running writer loses no row and breaks no chain."""
    store = Store(tmp_path, UTC)
    store.append([draft(number) for number in range(1, 30)])
    Path(f"{store.path}-wal").unlink()
    store.append([draft(30)])
    store.append([draft(31)])
    store.close()
    result, code = both(store.path)
    assert (result.ok, result.entries, code) == (True, 31, 0)


def test_a_killed_writer_leaves_a_whole_journal(tmp_path: Path) -> None:
    """After SIGKILL while writing, every confirmed row is there and the chain holds, five times."""
    for _ in range(5):
        with running(SCRIBE, tmp_path) as child:
            confirmed = [line(child) for _ in range(40)]
            os.kill(child.pid, signal.SIGKILL)
        result, code = both(tmp_path / "journal.db")
        assert (result.ok, code) == (True, 0)
        assert result.entries >= int(confirmed[-1])
    store = Store(tmp_path, UTC)
    assert not store.journal_new
    store.close()


def test_an_unreadable_directory_is_not_now(tmp_path: Path) -> None:
    """A data directory that is missing gives Unavailable with the path, not a traceback of SQLite."""
    with pytest.raises(Unavailable, match="nowhere"):
        Store(tmp_path / "nowhere", UTC)


def test_verifying_while_it_is_written_finds_nothing(tmp_path: Path) -> None:
    """Both verifiers, run again and again beside a busy writer, never report a finding that is none."""
    with running(SCRIBE, tmp_path) as child:
        line(child)
        counts = []
        for _ in range(25):
            result, code = both(tmp_path / "journal.db")
            assert (result.ok, result.why, code) == (True, None, 0)
            counts.append(result.entries)
            for _ in range(20):
                line(child)
    assert counts == sorted(counts)
    assert counts[-1] > counts[0]
