"""The outbox changes in the transaction of the row that says why, and never otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest
from nightheron.journal.chain import Row
from nightheron.journal.draft import Draft
from nightheron.journal.store import Store
from nightheron.journal.verify import verify
from nightheron.journal.writer import BATCH, DirectWriter, Writer

from tests.support.journals import UTC, draft
from tests.unit.test_journal_writer import Said


def test_a_push_is_queued_with_its_row_and_taken_out_with_its_row(tmp_path: Path) -> None:
    """What a row queues is found after a new start, until a row takes it out; the chain is sound."""
    store = Store(tmp_path, UTC)
    store.append([replace(draft(1), queue=(("a", "1"), ("b", "2"))), draft(2)])
    store.append([replace(draft(3), queue=(("a", "3"), ("b", None), ("never", None)))])
    assert store.outbox() == {"a": "3"}
    store.close()
    again = Store(tmp_path, UTC)
    assert again.outbox() == {"a": "3"}
    again.close()
    assert verify(again.path).ok


def test_a_row_that_is_refused_queues_nothing(tmp_path: Path) -> None:
    """When the transaction fails, row and push are both missing; afterwards both are there."""
    store = Store(tmp_path, UTC)
    with pytest.raises(ValueError, match=r"NaN|nan|JSON"):
        store.append([replace(draft(1), queue=(("a", "1"),)), draft(2, body={"ph": float("nan")})])
    assert (store.outbox(), store.head.seq) == ({}, 0)
    store.append([replace(draft(1), queue=(("a", "1"),))])
    assert (store.outbox(), store.head.seq) == ({"a": "1"}, 1)
    store.close()


def test_a_journal_without_pushes_has_no_outbox(tmp_path: Path) -> None:
    """The table comes with the first push, also into a journal of an older version."""
    store = Store(tmp_path, UTC)
    store.append([draft(1)])
    tables = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
    assert store.db.execute(tables).fetchall() == [("entries",)]
    assert store.outbox() == {}
    store.append([replace(draft(2), queue=(("a", "1"),))])
    assert store.db.execute(tables).fetchall() == [("entries",), ("outbox",)]
    store.close()


class Counted(Store):
    """Remembers how many rows each commit had."""

    commits: ClassVar[list[int]] = []

    def append(self, drafts: Sequence[Draft]) -> list[Row]:
        self.commits.append(len(drafts))
        return super().append(drafts)


def test_rows_that_belong_together_share_one_commit(tmp_path: Path) -> None:
    """However many they are, and whatever the thread does meanwhile, they are on disk all or none."""
    said, store = Said(), Counted(tmp_path, UTC)
    writer = Writer(store, said.committed, said.state).start()
    with writer.together():
        for number in range(1, BATCH + 50):
            writer.put(draft(number), number, urgent=True)
    assert said.wait(lambda: len(said.tokens) == BATCH + 49)
    assert writer.stop(10)
    assert store.commits == [BATCH + 49]


def test_the_direct_writer_waits_for_the_last_of_them(tmp_path: Path) -> None:
    """In a simulated night too, rows that belong together are one commit."""
    said, store = Said(), Store(tmp_path, UTC)
    writer = DirectWriter(store, said.committed, said.state)
    with writer.together():
        writer.put(draft(1), 1, urgent=True)
        writer.put(draft(2), 2, urgent=True)
        assert said.tokens == []
    assert said.tokens == [1, 2]
    assert writer.stop(1)
