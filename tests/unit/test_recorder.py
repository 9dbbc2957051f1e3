"""Rows: run-length, complete, replayable, and bounded when the journal stalls."""

from __future__ import annotations

import random

import pytest
from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.snapshot import from_json, to_json
from nightheron.journal.draft import Queue
from nightheron.model import Act, Decision, Gas, JsonValue, Left, Record
from nightheron.runtime import recorder
from nightheron.runtime.inbox import RowsCommitted

from tests.support.loops import Bench

KINDS = ("decision", "witness")


def evaluations(bench: Bench, name: str) -> int:
    rows = [body for body in bench.journal.of(*KINDS) if body["chamber"] == name]
    return sum(int(str(body["evaluations"])) for body in rows)


def restless(bench: Bench, turns: int, seed: int) -> int:
    """Drive a bench with changing water and a person; the number of evaluations each chamber made."""
    dice = random.Random(seed)  # noqa: S311 - reproducible, no secret
    fed = [0 for _ in bench.names]
    for place, chamber in enumerate(bench.loop.chambers):
        real = chamber.feed

        def counted(event, real=real, place=place):  # type: ignore[no-untyped-def]  # a wrapper around feed
            fed[place] += 1
            return real(event)

        chamber.feed = counted  # type: ignore[method-assign]  # to count from outside
    for _ in range(turns):
        for name in bench.names:
            bench.ph[name] = dice.choice([6.9, 6.9, 6.8, 6.65, 6.5, None, 6.0])
        bench.wait(dice.choice([1, 5, 20, 40]))
        if dice.random() < 0.1:
            bench.act(dice.choice(list(Act)))
    bench.loop.end()
    assert len(set(fed)) >= 1
    return sum(fed)


@pytest.mark.parametrize("seed", range(4))
def test_counters_account_for_every_evaluation(seed: int) -> None:
    """The evaluations of all rows are exactly the events fed, whatever happened."""
    bench = Bench("west", "east")
    fed = restless(bench, 60, seed)
    started = len(bench.names)  # the start was fed before the counting began
    assert sum(evaluations(bench, name) for name in bench.names) == fed + started


def test_rows_replay_bit_for_bit() -> None:
    """From the snapshot on, the packed inputs through a fresh core give every decision again, exactly."""
    bench = Bench("west", "east")
    restless(bench, 60, 9)
    cores: dict[str, Chamber] = {}
    compared = 0
    for kind, body, events in bench.journal.rows:
        name = str(body.get("chamber"))
        if kind == "snapshot":
            cores[name] = Chamber.restore(from_json(ChamberLimits, body["limits"]), body["snapshot"])
        if kind not in KINDS:
            continue
        recorded: Decision | None = None
        for event in events:
            for effect in cores[name].feed(event):
                if isinstance(effect, Record):
                    recorded = effect.decision
        again = to_json(recorded if kind == "decision" and recorded else cores[name].decision)
        assert isinstance(again, dict)
        assert {key: body[key] for key in again} == again
        compared += 1
    assert compared > 50


def test_a_quiet_chamber_writes_one_witness_a_minute() -> None:
    """While nothing changes there is one row a minute, with the extremes of the minute."""
    bench = Bench().open_gas()
    before = len(bench.journal.rows)
    bench.ph["west"] = 6.85
    bench.wait(30)
    bench.ph["west"] = 6.95
    bench.wait(300)
    rows = bench.journal.rows[before:]
    assert {kind for kind, _, _ in rows} == {"witness"}
    assert len(rows) in (5, 6)
    assert rows[0][1]["ph_min"] == 6.85


def test_many_chambers_do_not_write_their_witness_at_once() -> None:
    """The minutes of the chambers are spread, so that no step packs them all."""
    bench = Bench(*(f"c{i}" for i in range(20))).wait(60)
    most = 0
    for _ in range(240):
        before = len(bench.journal.of("witness"))
        bench.wait(0.25)
        most = max(most, len(bench.journal.of("witness")) - before)
    assert 1 <= most <= 3


def test_a_closing_that_goes_on_keeps_its_since() -> None:
    """After a restart a closing goes on with its own beginning and reason."""
    left = Left(Gas.CLOSED, None, (), False, 0.0, 0.0, False, 0.0)
    bench = Bench(lefts=[left]).wait(1)
    assert bench.loop.view.since == ("2025-12-31T23:00:00.000Z",)
    bench.open_gas()
    assert bench.loop.view.since != ("2025-12-31T23:00:00.000Z",)


def test_memory_is_bounded_while_the_journal_stalls(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the cap events are let go, the row says so, and a snapshot follows it."""
    monkeypatch.setattr(recorder, "EVENTS_MOST", 200)
    monkeypatch.setattr(recorder, "EVENTS_LEAST", 200)
    bench = Bench().open_gas()
    bench.journal.commits = False
    bench.wait(600)
    waiting = len(bench.journal.held)
    assert waiting <= 12
    bench.journal.recover()
    bench.wait(120)
    rows = [(kind, body) for kind, body, _ in bench.journal.rows]
    truncated = [i for i, (_, body) in enumerate(rows) if body.get("truncated")]
    assert truncated
    assert all(rows[i + 1][0] == "snapshot" for i in truncated)


def test_refused_rows_are_counted_in_the_next() -> None:
    """Evaluations of a row the journal would not take are in the row after it, which is marked."""
    bench = Bench().open_gas()
    bench.journal.takes = False
    bench.hear("west", 6.5)
    bench.wait(5)
    bench.journal.takes = True
    bench.wait(90)
    bench.loop.end()
    marked = [body for body in bench.journal.of(*KINDS) if body.get("truncated")]
    assert len(marked) == 1
    assert marked[0]["ph_min"] == 6.5
    assert int(str(marked[0]["evaluations"])) > 10


def test_a_row_says_what_a_later_start_must_know() -> None:
    """Every decision and witness carries what was left, and it reads back as what the core says."""
    bench = Bench().open_gas()
    bench.wait(70)
    bodies: list[dict[str, JsonValue]] = bench.journal.of(*KINDS)
    for body in bodies:
        left = from_json(Left, body["left"])
        assert left.gas == body["gas"]
    assert from_json(Left, bodies[-1]["left"]).opening_s > 0


def test_a_row_that_was_lost_is_not_waited_for() -> None:
    """Rows are written in order: one passed over by a later commit no longer counts as waiting."""
    bench = Bench().open_gas()
    bench.journal.commits = False
    bench.act(Act.CLOSE)
    bench.wait(2)
    *lost, last = bench.journal.held
    assert lost
    bench.journal.commits, bench.journal.held = True, []
    bench.inbox.post(RowsCommitted((last,)))
    bench.wait(20)
    assert bench.loop.recorder.oldest_wait_s(bench.clock.now_ns()) < 1
    assert "not_recordable" not in bench.reasons()


def test_an_opening_whose_row_was_lost_is_decided_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Gas does not open on a row that never reached the disk, and does not wait for it for ever."""
    bench = Bench()
    real = bench.journal.put
    lost: list[dict[str, JsonValue]] = []

    def put(
        kind: str,
        body: dict[str, JsonValue],
        inputs: bytes | None,
        token: int,
        *,
        urgent: bool,
        queue: Queue = (),
    ) -> bool:
        del queue
        if kind == "decision" and body["gas"] == "open" and not lost:
            lost.append(body)
            return True
        return real(kind, body, inputs, token, urgent=urgent)

    monkeypatch.setattr(bench.journal, "put", put)
    while not lost:
        bench.wait(1)
    bench.wait(62)
    (closed, *_) = [body for body in bench.journal.of("decision") if body["reason"] == "not_recordable"]
    assert ("west", "open") not in bench.keepers.orders[: bench.keepers.orders.index(("west", "close"), 1)]
    assert int(str(closed["at_ns"])) > int(str(lost[0]["at_ns"]))
    bench.wait(60)
    assert bench.gas("west") is Gas.OPEN
