"""Replay: the record decides the same again, and what cannot be replayed is told."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from nightheron.guard.limits import ChamberLimits
from nightheron.journal.chain import Row
from nightheron.journal.pack import pack, unpack
from nightheron.journal.span import find, rows
from nightheron.journal.verify import verify
from nightheron.model import Observed
from nightheron.runtime import recorder
from nightheron.runtime.inbox import SnapshotDue
from nightheron.runtime.ports import JournalPort

from tests.support.journals import edit
from tests.support.loops import Bench
from tests.support.replays import DiskJournal, replayed, rewrite

PH = (6.9, 6.8, 6.75, 6.65, 6.58, None)


class Disk(Bench):
    """A bench whose journal is a file."""

    disk: DiskJournal

    def __init__(self, data_dir: Path, *names: str) -> None:
        self._data_dir = data_dir
        super().__init__(*names)

    def port(self) -> JournalPort:
        self.disk = DiskJournal(self.clock, self.inbox, self._data_dir)
        return self.disk

    def snapshot(self, why: str) -> None:
        self.inbox.post(SnapshotDue(why))
        self.step()

    def restless(self, turns: int, seed: int) -> Disk:
        dice = random.Random(seed)  # noqa: S311 - reproducible, no secret
        for _ in range(turns):
            for name in self.names:
                self.ph[name] = dice.choice(PH)
            self.wait(dice.choice([5, 20, 45]))
        return self

    def end(self) -> Path:
        self.loop.end()
        self.disk.close()
        return self.disk.path


@pytest.fixture
def disk(tmp_path: Path) -> Disk:
    """Two chambers, restless for a quarter of an hour."""
    return Disk(tmp_path, "west", "east").restless(40, 5)


def deciding(path: Path, name: str = "west") -> list[Row]:
    return [
        row for row in rows(path, 1, 10**9) if row.chamber == name and row.kind in ("decision", "witness")
    ]


def test_what_was_recorded_is_decided_again(disk: Disk) -> None:
    """A journal of two chambers with a snapshot in its middle replays identically, every row of it."""
    disk.snapshot("midnight")
    path = disk.restless(20, 6).end()
    result = replayed(path)
    assert result.identical
    assert result.skipped == []
    after = [row for name in ("west", "east") for row in deciding(path, name)]
    assert result.rows == len(after)
    assert result.decisions > 20


def test_a_restart_begins_anew_at_its_snapshot(tmp_path: Path) -> None:
    """Two runs into one journal replay as one span, though the second knows nothing of the first."""
    first = Disk(tmp_path, "west").restless(10, 1)
    first.disk.close()  # killed: its last evaluations have no row
    second = Disk(tmp_path, "west").restless(10, 2)
    result = replayed(second.end())
    assert result.identical
    assert result.decisions > 4


def test_a_span_is_led_up_to_and_only_the_span_is_judged(disk: Disk) -> None:
    """Decisions before the span are fed from the last snapshot on and not counted."""
    path = disk.end()
    some = deciding(path)[20:]
    whole, part = replayed(path), replayed(path, some[0].utc, some[-1].utc)
    assert part.identical
    assert 0 < part.rows < whole.rows
    assert part.skipped == []
    assert replayed(path, "2030").rows == 0


def test_a_tampered_reading_is_found(disk: Disk) -> None:
    """A reading changed in the packed inputs, with the chain computed anew, no longer gives the record."""
    path = disk.end()

    def lift(body: dict[str, Any], inputs: bytes | None) -> bytes:
        del body
        assert inputs is not None
        return pack([replace(e, value=8.0) if isinstance(e, Observed) else e for e in unpack(inputs)])

    victim = next(
        row for row in deciding(path)[10:] if any(isinstance(e, Observed) for e in unpack(row.inputs or b""))
    )
    rewrite(path, victim.seq, lift)
    assert verify(path).ok
    found = replayed(path).first_difference
    assert found is not None
    assert found.seq >= victim.seq
    assert found.chamber == "west"


@pytest.mark.parametrize("name", ["gas", "reason", "ph", "evidence", "verdict", "at_ns", "evaluations"])
def test_a_tampered_decision_is_found(disk: Disk, name: str) -> None:
    """Whatever is changed in a recorded decision, the replay names the row and the field."""
    path = disk.end()
    victim = deciding(path)[12]

    def change(body: dict[str, Any], inputs: bytes | None) -> bytes | None:
        body[name] = 7 if name != "ph" else (body["ph"] or 6.0) + 1e-15
        return inputs

    rewrite(path, victim.seq, change)
    found = replayed(path).first_difference
    assert found is not None
    assert (found.seq, found.fields) == (victim.seq, (name,))


def test_a_tampered_snapshot_is_found(disk: Disk) -> None:
    """A snapshot in the middle of a run must be the state that the rows before it lead to."""
    disk.snapshot("midnight")
    path = disk.restless(3, 1).end()
    last = [row for row in rows(path, 1, 10**9, kind="snapshot") if row.chamber == "west"][-1]

    def change(body: dict[str, Any], inputs: bytes | None) -> bytes | None:
        body["snapshot"]["decision"]["ph"] = 7.77
        return inputs

    rewrite(path, last.seq, change)
    found = replayed(path).first_difference
    assert found is not None
    assert (found.seq, found.fields) == (last.seq, ("decision.ph",))


def test_thinned_inputs_are_skipped_and_told(disk: Disk) -> None:
    """Rows whose inputs were taken away are not called different; the span is told, to the next snapshot."""
    disk.snapshot("midnight")
    path = disk.restless(20, 6).end()
    middle = [row.seq for row in rows(path, 1, 10**9, kind="snapshot") if row.chamber == "west"][-1]
    victim = [row for row in deciding(path) if row.seq < middle and row.inputs][15]
    edit(path, f"UPDATE entries SET inputs = NULL WHERE seq = {victim.seq}")  # noqa: S608 - a number of our own
    assert verify(path).first_bad == victim.seq
    whole, result = sum(len(deciding(path, name)) for name in ("west", "east")), replayed(path)
    assert result.identical
    (one,) = result.skipped
    assert (one.chamber, one.from_seq) == ("west", victim.seq)
    assert victim.seq <= one.to_seq < middle
    assert one.goes_on_seq == middle
    assert "thinned" in one.why
    assert result.rows + one.rows == whole


def test_damaged_inputs_are_not_identical(disk: Disk) -> None:
    """Inputs that are not those the row names are a finding, and point to verify."""
    path = disk.end()
    victim = [row for row in deciding(path) if row.inputs][10]
    edit(path, f"UPDATE entries SET inputs = x'00' WHERE seq = {victim.seq}")  # noqa: S608 - a number of our own
    found = replayed(path).first_difference
    assert found is not None
    assert found.seq == victim.seq
    assert "verify" in found.why


def test_inputs_let_go_while_the_journal_stalled_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Truncated rows are skipped in words, and the replay goes on at the snapshot behind them."""
    monkeypatch.setattr(recorder, "EVENTS_MOST", 100)
    monkeypatch.setattr(recorder, "EVENTS_LEAST", 100)
    path = Disk(tmp_path, "west").restless(20, 3).end()
    result = replayed(path)
    assert result.identical
    assert result.skipped
    assert all("stalled" in one.why and one.rows == 1 for one in result.skipped)
    assert result.decisions > 5


@pytest.mark.parametrize("after", range(8))
@pytest.mark.parametrize("count", [1, 2, 3])
def test_refused_rows_make_no_false_difference(tmp_path: Path, after: int, count: int) -> None:
    """A row the journal would not take leaves a span that is told, never one that seems to differ."""
    disk = Disk(tmp_path, "west", "east").restless(6 + after, 4)
    disk.disk.refuse = count
    path = disk.restless(12, 8).end()
    result = replayed(path)
    assert result.identical
    assert any("stalled" in one.why for one in result.skipped)


def test_a_changed_limit_is_followed_to_the_first_other_decision(disk: Disk) -> None:
    """With a lower floor the first cut between the two floors is the first difference."""
    path = disk.end()

    def lower(limits: ChamberLimits) -> ChamberLimits:
        return replace(limits, floor_ph=6.5)

    found = replayed(path, change=lower).first_difference
    assert found is not None
    assert "floor" in found.recorded["reasons"]
    assert "floor" not in found.replayed["reasons"]
    assert 6.5 <= found.recorded["ph"] < 6.6
    assert replayed(path, until=found.utc, change=lower).identical


def test_a_limit_that_changes_nothing_is_identical(tmp_path: Path) -> None:
    """A floor below everything that was measured, or one as it was, changes no decision of quiet water."""
    quiet = Disk(tmp_path, "west")
    quiet.wait(600)
    path = quiet.end()
    for floor in (6.5, 6.6):
        result = replayed(path, change=lambda limits, floor=floor: replace(limits, floor_ph=floor))  # type: ignore[misc]  # bound in this turn
        assert result.identical
        assert result.decisions >= 2


def test_an_empty_journal_has_no_span(tmp_path: Path) -> None:
    """Where no row is in the span there is nothing to replay, and nothing is invented."""
    disk = Disk(tmp_path, "west")
    path = disk.end()
    assert find(path, "2030", None) is None
