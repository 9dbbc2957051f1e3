"""The writer: grouping, order, bounded memory, and what it says of its state."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from nightheron.journal.chain import Row
from nightheron.journal.draft import Draft
from nightheron.journal.query import entries
from nightheron.journal.store import Store, Unavailable
from nightheron.journal.writer import DirectWriter, Writer
from nightheron.model import NS

from tests.support.journals import UTC, both, draft


class Said:
    """Collects what a writer says, and waits for it."""

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

    def wait(self, until: Callable[[], bool], seconds: float = 30.0) -> bool:
        with self.changed:
            return self.changed.wait_for(until, seconds)


class Gated(Store):
    """A store whose disk can hang or refuse."""

    def __init__(self, data_dir: Path) -> None:
        super().__init__(data_dir, UTC)
        self.gate = threading.Event()
        self.gate.set()
        self.refuse = 0
        self.groups: list[int] = []

    def append(self, drafts: Sequence[Draft]) -> list[Row]:
        self.gate.wait(60)
        if self.refuse:
            self.refuse -= 1
            raise Unavailable("cannot write: disk full")
        self.groups.append(len(drafts))
        return super().append(drafts)


def test_urgent_rows_are_committed_in_order(tmp_path: Path) -> None:
    """Tokens come back in the order of the rows, once each, after the rows are on disk."""
    said, store = Said(), Store(tmp_path, UTC)
    writer = Writer(store, said.committed, said.state).start()
    for number in range(1, 101):
        assert writer.put(draft(number), number, urgent=True)
    assert said.wait(lambda: len(said.tokens) == 100)
    assert said.tokens == list(range(1, 101))
    assert both(store.path)[0].entries == 100
    assert writer.stop(10)
    assert said.states == []


def test_rows_that_wait_are_committed_together(tmp_path: Path) -> None:
    """While one commit runs, the rows behind it become one group."""
    said, store = Said(), Gated(tmp_path)
    store.gate.clear()
    writer = Writer(store, said.committed, said.state).start()
    for number in range(1, 51):
        writer.put(draft(number), number, urgent=True)
    store.gate.set()
    assert said.wait(lambda: len(said.tokens) == 50)
    assert len(store.groups) <= 2
    assert writer.stop(10)


def test_a_routine_row_is_committed_soon_without_company(tmp_path: Path) -> None:
    """A row that is not urgent reaches the disk without another one pushing it."""
    said, store = Said(), Store(tmp_path, UTC)
    writer = Writer(store, said.committed, said.state).start()
    writer.put(draft(1, "witness"), 1, urgent=False)
    assert said.wait(lambda: said.tokens == [1])
    assert writer.stop(10)


def test_put_does_not_wait_for_a_hanging_disk(tmp_path: Path) -> None:
    """With the writer hanging in a sync, put returns and oldest_wait_s shows the stall."""
    said, store = Said(), Gated(tmp_path)
    store.gate.clear()
    writer = Writer(store, said.committed, said.state)
    for number in range(1, 5):
        assert writer.put(draft(number), number, urgent=True)
    writer.start()
    assert writer.put(draft(5), 5, urgent=True)
    assert writer.oldest_wait_s((1001 + 16) * NS) == 16.0
    assert not writer.stop(0.05)
    store.gate.set()
    # The fifth may have come too late for the commit that hung.
    assert said.wait(lambda: said.tokens[:4] == [1, 2, 3, 4])


def test_a_full_queue_is_counted_and_told(tmp_path: Path) -> None:
    """Rows that found no room become one gap row with their number, where they would have stood."""
    said, store = Said(), Gated(tmp_path)
    store.gate.clear()
    writer = Writer(store, said.committed, said.state, capacity=5).start()
    taken = [writer.put(draft(number), number, urgent=True) for number in range(1, 9)]
    assert taken == [True] * 5 + [False] * 3
    store.gate.set()
    assert said.wait(lambda: len(said.tokens) == 5)
    assert writer.put(draft(9), 9, urgent=True)
    assert said.wait(lambda: said.tokens[-1] == 9)
    assert writer.stop(10)
    rows = list(entries(store.path))
    assert [row["kind"] for row in rows] == ["decision"] * 5 + ["gap", "decision"]
    assert rows[5]["rows_lost"] == 3
    assert both(store.path)[0].ok


def test_a_refusing_disk_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows are kept over failed commits; unwell is said once after patience, well once after."""
    monkeypatch.setattr("nightheron.journal.writer.PATIENCE_S", 0.2)
    said, store = Said(), Gated(tmp_path)
    store.refuse = 4
    writer = Writer(store, said.committed, said.state).start()
    writer.put(draft(1), 1, urgent=True)
    assert said.wait(lambda: said.tokens == [1])
    assert said.states == [(False, False), (True, False)]
    assert writer.why == ""
    assert writer.stop(10)


def test_a_short_refusal_is_not_told(tmp_path: Path) -> None:
    """One failed commit that works at the next try is no change of state."""
    said, store = Said(), Gated(tmp_path)
    store.refuse = 1
    writer = Writer(store, said.committed, said.state).start()
    writer.put(draft(1), 1, urgent=True)
    assert said.wait(lambda: said.tokens == [1])
    assert said.states == []
    assert writer.stop(10)


def test_stop_commits_what_waits(tmp_path: Path) -> None:
    """Rows put just before stop are on disk when it returns true."""
    said, store = Said(), Store(tmp_path, UTC)
    writer = Writer(store, said.committed, said.state).start()
    for number in range(1, 600):
        writer.put(draft(number, "witness"), None, urgent=False)
    assert writer.stop(30)
    assert both(store.path)[0].entries == 599


def test_stop_has_a_deadline(tmp_path: Path) -> None:
    """With a disk that refuses for ever, stop gives up at its deadline and says that rows are left."""
    said, store = Said(), Gated(tmp_path)
    store.refuse = 10**9
    writer = Writer(store, said.committed, said.state).start()
    writer.put(draft(1), 1, urgent=True)
    assert not writer.stop(0.5)
    assert writer.waiting == 1


@pytest.mark.parametrize("body", [{"ph": float("nan")}, {"seq": 3}, {"odd": {1, 2}}])
def test_a_row_that_cannot_be_stored_blocks_nothing(tmp_path: Path, body: dict[str, object]) -> None:
    """A body that is no JSON becomes a gap row, its token is never confirmed, and later rows go on."""
    said, store = Said(), Store(tmp_path, UTC)
    writer = Writer(store, said.committed, said.state).start()
    writer.put(draft(1, body=body), 1, urgent=True)
    writer.put(draft(2), 2, urgent=True)
    assert said.wait(lambda: said.tokens == [2])
    assert writer.stop(10)
    assert [row["kind"] for row in entries(store.path)] == ["gap", "decision"]


def test_the_direct_writer_commits_in_put(tmp_path: Path) -> None:
    """Without a thread, a row is on disk and its token confirmed when put returns."""
    said, store = Said(), Store(tmp_path, UTC)
    writer = DirectWriter(store, said.committed, said.state)
    for number in range(1, 4):
        assert writer.put(draft(number), number, urgent=False)
        assert said.tokens[-1] == number
    assert writer.stop(1)
    assert both(store.path)[0].entries == 3


def test_the_direct_writer_keeps_refused_rows(tmp_path: Path) -> None:
    """A refused commit is tried again with the next row, in order, and both states are told."""
    said, store = Said(), Gated(tmp_path)
    writer = DirectWriter(store, said.committed, said.state)
    store.refuse = 2
    writer.put(draft(1), 1, urgent=True)
    assert said.states == [(False, False)]
    writer.put(draft(2), 2, urgent=True)
    assert (said.tokens, said.states) == ([1, 2], [(False, False), (True, False)])
    assert writer.stop(1)


def test_the_same_rows_give_the_same_head(tmp_path: Path) -> None:
    """Two journals of the same rows end in the same hash."""
    heads = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        store = Store(tmp_path / name, UTC)
        writer = DirectWriter(store, lambda tokens: None, lambda well, replaced: None)
        for number in range(1, 20):
            writer.put(draft(number), None, urgent=False)
        heads.append(store.head.hash)
        writer.stop(1)
    assert heads[0] == heads[1]
