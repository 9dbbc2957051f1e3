"""The power is cut at every write of a run of the service: what was confirmed is there at the next start."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from nightheron.journal.query import entries
from nightheron.journal.store import Store
from nightheron.journal.verify import verify

from tests.support.journals import UTC, draft
from tests.support.power_cut import Left, calls, power_cuts, starts, traced

SERVICE_EVERY = 60
"""At each so many cuts the whole service starts; at the others its store does, and writes a row."""


@pytest.fixture(scope="module")
def trace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything that a run did to its folder."""
    return traced(tmp_path_factory.mktemp("traced"))


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """A folder that is emptied for each cut; in memory where there is such a disk."""
    memory = Path("/dev/shm")  # noqa: S108 - a folder of our own in it
    place = memory / f"cut-{tmp_path.name}" if memory.is_dir() else tmp_path / "cut"
    yield place
    shutil.rmtree(place, ignore_errors=True)


def laid_out(left: Left, folder: Path) -> Path:
    """The folder as it was left; its path."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, content in left.files:
        (folder / name).write_bytes(content)
    return folder


def confirmed(left: Left, path: Path) -> bool:
    """The newest row that had been confirmed is in the journal, with its hash; or none had been."""
    if left.seq == 0:
        return True
    with closing(sqlite3.connect(path)) as db:
        found = db.execute("SELECT hash FROM entries WHERE seq = ?", (left.seq,)).fetchone()
    return bool(found == (left.hash,))


def test_the_trace_is_the_run(trace: Path) -> None:
    """Every kind of write is in the trace: new rows, rows folded in, the file cut, names made and removed."""
    seen = {(call.what, call.name) for call in calls(trace)}
    assert {("write", "journal.db-wal"), ("write", "journal.db"), ("truncate", "journal.db-wal")} <= seen
    assert {("sync", "journal.db-wal"), ("sync", "."), ("rename", "journal.known.new")} <= seen
    assert {("unlink", "journal.db-wal"), ("create", "journal.db-wal")} <= seen


def test_a_power_cut_at_any_write_loses_nothing_confirmed(trace: Path, folder: Path) -> None:
    """After a cut at any write, torn and reordered ones too, the chain holds, is no new one, and goes on."""
    count = most = 0
    for left in power_cuts(trace):
        laid_out(left, folder)
        store = Store(folder, UTC)
        if left.seq:
            assert not store.journal_new, store.why_new
        kept = store.head.seq
        assert kept >= left.seq
        store.append([draft(kept + 1)])
        store.close()
        result = verify(store.path)
        assert (result.ok, result.entries) == (True, kept + 1), result
        assert confirmed(left, store.path)
        count, most = count + 1, max(most, left.seq)
    print(f"{count} folders that a cut can leave, up to {most} confirmed rows: none lost")
    assert count > 1000
    assert most > 15


def test_a_journal_that_does_not_sync_would_lose_rows(tmp_path: Path, folder: Path) -> None:
    """The same cuts over a journal kept with less care do lose confirmed rows, so they are cuts indeed."""
    lost = 0
    for left in power_cuts(traced(tmp_path, synchronous=1)):
        Store(laid_out(left, folder), UTC).close()
        lost += not confirmed(left, folder / "journal.db")
    assert lost > 20


def test_the_service_starts_after_any_power_cut_with_gas_shut(trace: Path, folder: Path) -> None:
    """The service that finds such a folder shuts the gas, goes on in the chain, and says that it was away."""
    for left in list(power_cuts(trace))[::SERVICE_EVERY]:
        laid_out(left, folder)
        run, water = starts(folder, "after the cut")
        run.live(1.0)
        assert water.plant.bays["west"].valve.share == 0.0
        run.stop("looked at")
        path = folder / "journal.db"
        assert verify(path).ok
        assert confirmed(left, path)
        rows = list(entries(path))
        assert next(row["kind"] for row in rows if row["boot"] == "after the cut") in ("gap", "start")
        if left.seq:
            assert [row["why"] for row in rows if row["kind"] == "gap"][-1:] == ["unwatched"]
