"""One chamber as the loop sees it: rows before openings, leases, faults, clocks, snapshots, wording."""

from __future__ import annotations

import json
import random
from itertools import pairwise

import pytest
from nightheron.guard import snapshot
from nightheron.guard.chamber import Chamber
from nightheron.guard.explain import until_text
from nightheron.guard.state import ChamberState
from nightheron.model import (
    NS,
    Act,
    Close,
    Committed,
    Effect,
    Gas,
    Late,
    Observed,
    OpenUntil,
    Publish,
    Raise,
    Reason,
    Record,
    Signal,
    Started,
    State,
    Ticked,
    ValveSaid,
)

from tests.support.night import TANK, Night, Water, flowing, limits

Opened = tuple[int, Effect]


def asked(**changes: object) -> tuple[Night, int]:
    """A chamber whose opening has been decided and waits for its row; and the row's token."""
    night = Night(**changes)  # type: ignore[arg-type]  # fields of ChamberLimits by name
    night.commits = False
    night.wait(125)
    rows = [e for _, e in night.effects if isinstance(e, Record) and e.decision.gas is Gas.OPEN]
    assert (len(rows), night.gas) == (1, Gas.CLOSED)
    return night, rows[0].token


def openings(night: Night) -> list[Opened]:
    """Every order to open so far."""
    return [(at_ns, e) for at_ns, e in night.effects if isinstance(e, OpenUntil)]


def test_nothing_opens_before_its_row_is_on_disk() -> None:
    """The opening is decided, recorded, and ordered only by the commit of that very row."""
    night, token = asked()
    for other in (0, -1, token - 1, token + 1):
        night.feed(Committed(night.now_ns, other))
    assert openings(night.wait(5)) == []
    assert night.feed(Committed(night.now_ns, token)).gas is Gas.OPEN


@pytest.mark.parametrize("ph", [6.69, 6.59, None])
def test_permission_that_lapses_before_the_commit_opens_nothing(ph: float | None) -> None:
    """A reading below resume, a low one, or silence between row and commit withdraws the opening."""
    night, token = asked()
    night.wait(6, ph)
    night.feed(Committed(night.now_ns, token))
    assert (openings(night), night.chamber.decision.gas) == ([], Gas.CLOSED)


def test_a_commit_that_comes_late_opens_nothing_twice() -> None:
    """The row of a withdrawn opening opens nothing when it is committed later; the next one's does."""
    night, token = asked()
    night.reads(6.5).wait(60, 6.9)
    assert night.feed(Committed(night.now_ns, token)).gas is Gas.CLOSED
    night.commits = True
    assert night.wait(90).gas is Gas.OPEN


def test_leases_are_renewed_at_a_quarter_and_never_longer() -> None:
    """While gas flows the lease is renewed each quarter, always for one lease from now."""
    night = flowing()
    night.wait(30)
    orders = openings(night)[-10:]
    for at_ns, order in orders:
        assert isinstance(order, OpenUntil)
        assert order.until_ns - at_ns == 5 * NS
    gaps = [(b[0] - a[0]) / NS for a, b in pairwise(orders)]
    assert min(gaps) >= 1.25
    assert max(gaps) <= 1.5


def test_one_low_reading_closes_in_the_same_evaluation() -> None:
    """The order to close comes first, then the row, in the answer to the low reading itself."""
    night = flowing()
    before = len(night.effects)
    night.reads(6.599)
    answer = [e for _, e in night.effects[before:]]
    assert isinstance(answer[0], Close)
    assert isinstance(answer[1], Record)
    assert answer[1].decision.evidence[0] == (Reason.FLOOR, "pH 6.60, floor 6.60")


def test_old_data_is_no_data() -> None:
    """A decision shows no number that is older than stale_s."""
    night = flowing().wait(4.75, None)
    assert night.chamber.decision.ph == 6.9
    assert night.wait(0.5).chamber.decision.ph is None


def test_every_reading_is_published_and_only_news_is_written() -> None:
    """Readings go to whoever listens; a row is written when the decision changes."""
    night = flowing()
    before = len(night.effects)
    night.wait(20)
    kinds = [type(e) for _, e in night.effects[before:]]
    assert kinds.count(Publish) == 20
    assert kinds.count(Record) == 0


@pytest.mark.parametrize("when", ["closed", "asked", "open"])
def test_a_fault_inside_closes_for_good(when: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault at any moment closes, is written and told once, and nothing but a new start opens again."""
    night = {"closed": Night, "asked": lambda: asked()[0], "open": flowing}[when]()
    night.commits = True
    with monkeypatch.context() as broken:
        broken.setattr("nightheron.guard.facts.quality.assess", lambda *_, **__: 1 / 0)
        before = len(night.effects)
        night.feed(Ticked(night.now_ns))
    answer = [e for _, e in night.effects[before:] if not isinstance(e, Close)]
    assert [type(e) for e in answer] == [Record, Raise, Publish]
    assert night.chamber.decision.evidence == ((Reason.CORE_FAULT, "ZeroDivisionError: division by zero"),)
    night.act(Act.RELEASE)
    night.wait(600)
    assert (night.gas, night.chamber.decision.state) == (Gas.CLOSED, State.LATCHED)
    assert Reason.CORE_FAULT not in night.chamber.left().latched, "a new start may try again"


def test_a_second_start_is_a_fault() -> None:
    """A chamber starts once; told so again it closes and stays closed."""
    night = flowing()
    night.feed(Started(night.now_ns, None, 1, False, False))
    assert (night.gas, night.chamber.decision.reasons) == (Gas.CLOSED, (Reason.CORE_FAULT,))


def test_a_clock_that_goes_back_makes_nothing_younger() -> None:
    """Events dated earlier than the last are taken as now: nothing is renewed, and a low value is seen."""
    night = flowing()
    opened = len(openings(night))
    for _ in range(200):
        night.feed(Ticked(night.now_ns - 500 * NS))
    assert len(openings(night)) <= opened + 1
    night.feed(Observed(night.now_ns - 500 * NS, Signal.CHAMBER_PH, 0, 6.5, "6.5"))
    assert (night.gas, night.closing().reason) == (Gas.CLOSED, Reason.FLOOR)


def test_a_leap_of_months_is_one_evaluation() -> None:
    """A tick long after the last closes what has gone stale; the day's account is that of one day."""
    night = flowing().wait(400)
    night.now_ns += 400 * 86400 * NS
    night.feed(Ticked(night.now_ns))
    assert night.gas is Gas.CLOSED
    night.now_ns += 2 * 86400 * NS
    night.feed(Ticked(night.now_ns))
    assert night.chamber.left().opened_day_s == 0.0


@pytest.mark.parametrize("part", range(8))
def test_a_restored_chamber_goes_on_identically(part: int) -> None:
    """At any moment, what is written down and read back answers every later event the same."""
    dice = random.Random(part)  # noqa: S311 - reproducible moments, no secret
    night, water = Night(tank=TANK), Water()
    night.tank_ph = 8.1
    night.lives(dice.randrange(20, 1500), water)
    if part % 2:
        night.feed(Late(night.now_ns, 3.0))
        night.feed(ValveSaid(night.now_ns, 0, link=bool(part % 4), acked=None))
    written = night.chamber.snapshot()
    twin = Chamber.restore(night.limits, json.loads(json.dumps(written, allow_nan=False)))
    assert twin.snapshot() == written
    assert twin.decision == night.chamber.decision
    seen, told = len(night.events), len(night.effects)
    night.lives(900, water)
    assert [e for event in night.events[seen:] for e in twin.feed(event)] == [
        e for _, e in night.effects[told:]
    ]
    assert twin.snapshot() == night.chamber.snapshot()


@pytest.mark.parametrize("written", [None, [], "x", {}, {"state": {}}])
def test_what_is_no_snapshot_is_refused(written: object) -> None:
    """Anything that is not a snapshot is refused with an ordinary error."""
    with pytest.raises((TypeError, KeyError)):
        Chamber.restore(limits(), written)  # type: ignore[arg-type]  # on purpose


def test_what_cannot_be_written_down_is_refused() -> None:
    """The snapshot takes plain values only."""
    with pytest.raises(TypeError):
        snapshot.to_json({1, 2})


def test_a_fresh_state_survives_the_round_trip() -> None:
    """The state before the first event is written down and read back the same."""
    state = ChamberState()
    assert snapshot.from_json(ChamberState, snapshot.to_json(state)) == state


def test_the_start_row_says_what_was_left() -> None:
    """A start orders gas shut and is always written, even when nothing is new."""
    chamber = Chamber(limits())
    effects = chamber.feed(Started(NS, None, 1, False, False))
    assert [type(e) for e in effects[:2]] == [Close, Record]


def test_until_is_said_at_every_moment() -> None:
    """Whenever gas is shut a person can read what must happen before it opens."""
    night, water = Night(), Water()
    texts = set()
    for _ in range(90):
        night.lives(30, water)
        text = until_text(night.chamber.decision, night.limits)
        assert text
        texts.add(text.split("(")[0])
    assert "gas is open" in texts
    assert any(t.startswith("chamber pH at 6.70") for t in texts)


def test_memory_is_the_same_after_a_simulated_week() -> None:
    """What a chamber remembers does not grow: a week on, its snapshot is no larger than after an hour."""
    night, water = Night(), Water()
    sizes = []
    for span in (3600, 0):
        night.lives(span, water)
        for _ in range(0 if span else 7 * 24 * 6):
            night.now_ns += 600 * NS
            night.reads(None, refused="no_match").reads(6.9).feed(Late(night.now_ns, 4.0)).lives(3, water)
        night.effects.clear()
        night.events.clear()
        night.lives(200, water)
        sizes.append(len(json.dumps(night.chamber.snapshot())))
    assert sizes[1] <= sizes[0] * 1.2
