"""A power cut at each step of thinning and archiving: what is on disk verifies, and nothing is lost.

The file and its write-ahead file are copied as they lie between any two steps, as a cut would leave them when
the disk kept its word, and once with the process killed for good.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from nightheron.journal.archive import oldest_part, write
from nightheron.journal.keeping import Keeping, Sealing
from nightheron.journal.store import Store
from nightheron.journal.together import together
from nightheron.journal.verify import verify

from tests.support.journals import UTC, alone
from tests.support.old_journals import PER_DAY, all_work, before, days, now

COUNT = 12
ROOT = Path(__file__).parents[2]


def cut_after_each_piece(store: Store, keeping: Keeping, folder: Path) -> Iterator[Path]:
    """Do the work, and after each piece the data directory as a power cut would leave it; its journal."""
    number, more = 0, True
    while more:
        more = keeping.work() is not None
        number += 1
        left = folder / f"cut-{number}"
        shutil.copytree(store.data_dir, left)
        yield left / "journal.db"


def started_again(path: Path) -> Store:
    """A start on what a cut left: the journal is taken as the one that was here."""
    store = Store(path.parent, UTC)
    assert not store.journal_new
    return store


def test_thinning_can_be_cut_anywhere(tmp_path: Path) -> None:
    """After each piece the journal verifies with every row, and the next start goes on to the same end."""
    (tmp_path / "data").mkdir()
    store = days(tmp_path / "data", COUNT)
    keeping, rows = Keeping(store, now), store.head.seq
    keeping.thin(before(COUNT - 2))
    counts = set()
    for path in cut_after_each_piece(store, keeping, tmp_path):
        result = verify(path)
        assert (result.ok, alone().main([str(path)])) == (True, 0)
        assert result.entries - len(result.claims.thinned) == rows
        counts.add(result.claims.bare_rows)
        again = started_again(path)
        rest = Keeping(again, now)
        rest.thin(before(COUNT - 2))
        all_work(rest)
        again.close()
        assert verify(path).claims.bare_rows == (COUNT - 2) * (PER_DAY - 2)
    assert len(counts) > 1


def test_archiving_can_be_cut_anywhere(tmp_path: Path) -> None:
    """After each piece journal and archive are one whole chain, and the next start removes what is left."""
    (tmp_path / "data").mkdir()
    store, target = days(tmp_path / "data", COUNT), tmp_path / "old.db"
    cut, rows = oldest_part(store.path, before(COUNT - 3)), store.head.seq
    assert cut is not None
    write(store.path, target, cut)
    keeping = Keeping(store, now, 10)
    keeping.seal(Sealing(cut.last_seq, cut.last_hash, "old.db", "root"))
    begins = set()
    for path in cut_after_each_piece(store, keeping, tmp_path):
        assert (verify(path).ok, alone().main([str(path)])) == (True, 0)
        found = together([target, path])
        assert (found.why, found.entries) == (None, rows + 1)
        assert alone().main([str(path), str(target)]) == 0
        begins.add(verify(path).first_seq)
        again = started_again(path)
        all_work(Keeping(again, now, 10))
        again.close()
        assert verify(path).first_seq == cut.last_seq + 1
    assert len(begins) > 5


@pytest.mark.parametrize("wait_s", [0.05, 0.25, 0.5, 0.8])
def test_killed_while_at_it(tmp_path: Path, wait_s: float) -> None:
    """SIGKILL while old entries are thinned and removed: every row that was said to be on disk is."""
    (tmp_path / "data").mkdir()
    store = days(tmp_path / "data", 40)
    cut = oldest_part(store.path, before(30))
    assert cut is not None
    write(store.path, tmp_path / "old.db", cut)
    store.close()
    words = [sys.executable, "-m", __name__, str(store.data_dir), str(cut.last_seq), cut.last_hash]
    with subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, text=True) as child:  # noqa: S603 - our own program
        assert child.stdout is not None
        assert child.stdout.readline() == "at it\n"
        time.sleep(wait_s)
        os.kill(child.pid, signal.SIGKILL)
        said = [int(line) for line in child.stdout.read().split("\n")[:-1]]
    result = verify(store.path)
    found = together([tmp_path / "old.db", store.path])
    assert (result.ok, found.why, result.entries > 0) == (True, None, True)
    assert result.last_seq >= max(said, default=0)
    again = started_again(store.path)
    all_work(Keeping(again, now))
    again.close()
    assert verify(store.path).ok


def main(data_dir: str, last_seq: str, last_hash: str) -> None:
    """Thin, seal and remove, with a row between any two pieces; say the number of each that is on disk."""
    store = Store(Path(data_dir), UTC)
    keeping = Keeping(store, now, 2)
    keeping.thin(before(35))
    print("at it", flush=True)
    for _ in range(4):
        keeping.work()
    keeping.seal(Sealing(int(last_seq), last_hash, "old.db", "root"))
    while True:
        keeping.work()
        print(store.append([now("act", {"text": "x"})])[0].seq, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
