"""Whatever is fed to a chamber, its journal decides the same again."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings, strategies as st
from nightheron.guard.chamber import Chamber
from nightheron.journal.pack import pack
from nightheron.model import (
    NS,
    Act,
    Acted,
    Committed,
    Event,
    FeedbackSaid,
    Gas,
    Hour,
    JournalSaid,
    KeeperSaid,
    Late,
    Observed,
    OtherOrder,
    Record,
    Signal,
    Started,
    Stopping,
    Ticked,
    ValveSaid,
)
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.inbox import Inbox, RowsCommitted
from nightheron.runtime.ports import NoNews
from nightheron.runtime.recorder import Recorder

from tests.support.night import limits
from tests.support.replays import DiskJournal, replayed

MS = 1_000_000
PH = st.sampled_from([6.9, 6.75, 6.65, 6.59, 6.2, 14.2, float("nan"), float("inf"), -0.0, None])
GAS = st.none() | st.sampled_from(Gas)
EVENT: st.SearchStrategy[Event] = st.one_of(
    st.builds(Ticked, st.just(0)),
    st.builds(lambda ph: Observed(0, Signal.CHAMBER_PH, 0, ph, repr(ph)), PH),
    st.builds(lambda ph: Observed(0, Signal.CHAMBER_PH, 0, ph, repr(ph), "retained"), PH),
    st.builds(ValveSaid, st.just(0), st.just(0), st.booleans(), GAS, st.text(max_size=5)),
    st.builds(FeedbackSaid, st.just(0), st.just(0), GAS, st.text(st.characters(), max_size=5)),
    st.builds(OtherOrder, st.just(0), st.just(0), GAS, st.text(max_size=5)),
    st.builds(KeeperSaid, st.just(0), st.booleans()),
    st.builds(JournalSaid, st.just(0), st.booleans(), st.booleans()),
    st.builds(Late, st.just(0), st.floats(0, 1e9)),
    st.builds(Acted, st.just(0), st.sampled_from(Act), st.text(max_size=5), st.text(max_size=5), st.none()),
    st.builds(Stopping, st.just(0)),
    st.builds(Hour, st.just(0), st.integers(0, 23), st.booleans()),
    st.builds(Committed, st.just(0), st.integers(0, 40)),
)
# A stretch of good water now and then, or random events would hardly ever open gas.
CALM = st.just(None)
STEP = st.tuples(st.sampled_from([0, 250, 1000, 7000, 400_000]), EVENT | CALM)


class _Driven:
    """One chamber, the real recorder and writer; what the loop does around them, event by event."""

    def __init__(self, data_dir: Path) -> None:
        self.clock, self.inbox = VirtualClock(), Inbox()
        self.journal = DiskJournal(self.clock, self.inbox, data_dir)
        self.chamber = Chamber(limits(min_rest_s=2.0, settle_s=3.0))
        self.recorder = Recorder([self.chamber], self.clock, self.journal, NoNews(), pack)
        self.recorder.begin(self.clock.now_ns(), [None])
        self.recorder.snapshot(0, "start")
        self.opened = 0
        self.feed(Started(self.clock.now_ns(), None, 0, journal_new=False, commissioned=True))

    def feed(self, event: Event) -> None:
        now_ns = self.clock.now_ns()
        effects = self.chamber.feed(event)
        self.recorder.fed(0, event)
        for effect in effects:
            if isinstance(effect, Record):
                self.opened += effect.decision.gas is Gas.OPEN
                self.recorder.decided(0, effect)
        self.recorder.witness_due(now_ns)
        self.recorder.flush(now_ns)
        for item in self.inbox.take()[1]:
            if isinstance(item, RowsCommitted):
                for _, token in self.recorder.committed(item.tokens):
                    self.feed(Committed(now_ns, token))

    def calm(self) -> None:
        now = self.clock.now_ns
        self.feed(KeeperSaid(now(), alive=True))
        self.feed(ValveSaid(now(), 0, link=True, acked=Gas.CLOSED))
        for _ in range(6):
            self.clock.advance(NS)
            self.feed(Observed(now(), Signal.CHAMBER_PH, 0, 6.8, "6.80"))


def _at(event: Event, at_ns: int) -> Event:
    values = [getattr(event, name) for name in event.__dataclass_fields__]
    return type(event)(at_ns, *values[1:])


def _run(data_dir: Path, steps: list[tuple[int, Event | None]], snapshots: set[int]) -> _Driven:
    driven = _Driven(data_dir)
    for number, (ms, event) in enumerate(steps):
        driven.clock.advance(ms * MS)
        if event is None:
            driven.calm()
        else:
            driven.feed(_at(event, driven.clock.now_ns()))
        if number in snapshots:
            driven.recorder.snapshot(0, "midnight")
    driven.recorder.last()
    driven.recorder.flush(driven.clock.now_ns())
    driven.journal.close()
    driven.inbox.close()
    return driven


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(STEP, max_size=40), st.sets(st.integers(0, 39), max_size=3))
def test_any_record_decides_the_same_again(
    steps: list[tuple[int, Event | None]], snapshots: set[int]
) -> None:
    """Any events through the core, the real recorder and a real journal replay bit for bit, all of them."""
    with tempfile.TemporaryDirectory() as place:
        driven = _run(Path(place), steps, snapshots)
        result = replayed(driven.journal.path)
    assert result.first_difference is None
    assert result.skipped == []
    assert result.decisions >= 1


def test_the_calm_stretches_open_gas() -> None:
    """What the property feeds does reach open gas, so openings are among what is replayed."""
    with tempfile.TemporaryDirectory() as place:
        assert _run(Path(place), [(250, None)] * 3, set()).opened >= 1
