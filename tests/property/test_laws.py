"""The laws hold over arbitrary nights, judged by someone who sees only events and effects."""

from __future__ import annotations

import json
import os
import random
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st
from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits, Conversion, ProbeLimits, TankLimits, ValveLimits
from nightheron.model import (
    NS,
    Act,
    Acted,
    Close,
    Committed,
    Effect,
    Event,
    FeedbackSaid,
    Gas,
    Hour,
    JournalSaid,
    KeeperSaid,
    Late,
    Observed,
    OpenUntil,
    OtherOrder,
    Record,
    Signal,
    Started,
    State,
    Stopping,
    Ticked,
    ValveSaid,
    Work,
)

from tests.support import night
from tests.support.judge import Judge

EXAMPLES = int(os.environ.get("LAWS_EXAMPLES", "150"))
"""How many nights each law is tried on; a campaign sets it higher."""

bounded = settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def _limits(draw: st.DrawFn) -> ChamberLimits:
    period_s = draw(st.sampled_from([0.5, 1.0, 2.0]))
    floor_ph = draw(st.sampled_from([6.2, 6.6, 7.0]))
    trial_s = draw(st.sampled_from([5.0, 30.0, 120.0]))
    mv = draw(st.booleans())
    conversion = Conversion(at_ph7=0.0, per_ph=-59.16) if mv else Conversion(at_ph7=7.0, per_ph=1.0)
    tank = TankLimits("display", 7.7, 7.8, draw(st.booleans()), replace(night.PROBE, stale_s=10.0))
    return night.limits(
        floor_ph=floor_ph,
        resume_ph=floor_ph + draw(st.sampled_from([0.02, 0.1])),
        settle_s=draw(st.sampled_from([1.0, 5.0, 20.0])),
        min_rest_s=draw(st.sampled_from([1.0, 10.0, 60.0])),
        trial_opening_s=trial_s,
        longest_opening_s=trial_s * draw(st.sampled_from([1.0, 2.0, 5.0])),
        trial_pause_s=draw(st.sampled_from([1.0, 20.0, 100.0])),
        probe_lag_s=draw(st.sampled_from([1.0, 10.0])),
        tail_s=draw(st.sampled_from([1.0, 10.0])),
        starts_per_hour=draw(st.sampled_from([1, 10])),
        probes=(ProbeLimits(period_s, draw(st.sampled_from([3.0, 6.0])) * period_s, conversion),),
        valve=ValveLimits(draw(st.sampled_from([2.0, 5.0])), travel_s=2.0, feedback=draw(st.booleans())),
        tank=tank if draw(st.booleans()) else None,
    )


class Play:
    """One script on one chamber, its judge, and a twin that must answer the same."""

    def __init__(self, limits: ChamberLimits, *, twin: bool = True) -> None:
        self.limits, self.judge = limits, Judge(limits)
        self.chamber, self.twin = Chamber(limits), Chamber(limits) if twin else None
        self.now_ns = 5 * NS
        self.ph = 6.9
        self.waiting: list[int] = []
        self.commit = "at once"
        self.evaluations = 0
        self.taken: Gas | None = None
        """The last order acknowledged since gas was last ordered otherwise."""
        self.ordered = Gas.CLOSED

    def feed(self, event: Event) -> None:
        effects = self.chamber.feed(event)
        if self.twin is not None:
            assert self.twin.feed(event) == effects, "same events, other effects"
        self.evaluations += 1
        self.judge.see(event, effects)
        self.holds_the_valve_to_its_word(event, effects)
        assert self.judge.written is not None or not self.judge.started
        if self.judge.written is not None:
            assert self.judge.written.same_as(self.chamber.decision), "a decision without a row"
        self.waiting += [e.token for e in effects if isinstance(e, Record)]
        if self.commit == "at once":
            self.commits()

    def holds_the_valve_to_its_word(self, event: Event, effects: Sequence[Effect]) -> None:
        """Gas is called shut only after a CLOSE was acknowledged that no OPEN followed."""
        if isinstance(event, Started):
            self.taken = None
        if isinstance(event, ValveSaid) and event.acked is not None:
            self.taken = event.acked
        for effect in effects:
            if isinstance(effect, OpenUntil) and effect.only is not None:
                continue  # the other valve in series still holds
            if isinstance(effect, OpenUntil | Close):
                now = Gas.OPEN if isinstance(effect, OpenUntil) else Gas.CLOSED
                if now is not self.ordered:
                    self.ordered, self.taken = now, None
        if self.chamber.decision.gas is Gas.CLOSED:
            assert self.chamber.decision.delivered is (self.taken is Gas.CLOSED)

    def commits(self) -> None:
        waiting, self.waiting = self.waiting, []
        for token in waiting:
            self.feed(Committed(self.now_ns, token))

    def reads(self, ph: float, refused: str | None = None) -> None:
        conversion = self.limits.probes[0].conversion
        value = conversion.at_ph7 + (ph - 7.0) * conversion.per_ph
        self.feed(Observed(self.now_ns, Signal.CHAMBER_PH, 0, value, "", refused))

    def lives(self, seconds: int, ph: float, slope: float) -> None:
        """Time passes with readings at their period, and the tank well."""
        self.ph = ph
        for _ in range(round(seconds / self.limits.probes[0].period_s)):
            self.now_ns += round(self.limits.probes[0].period_s * NS)
            self.ph += slope
            self.reads(self.ph)
            if self.limits.tank is not None:
                self.feed(Observed(self.now_ns, Signal.TANK_PH, 0, 8.1, "8.1"))
            self.feed(Ticked(self.now_ns))

    def start(self, unclean: int = 1, *, new: bool = False) -> None:
        self.feed(Started(self.now_ns, None, unclean, new, commissioned=False))
        self.joins()

    def joins(self) -> None:
        self.feed(KeeperSaid(self.now_ns, alive=True))
        self.feed(ValveSaid(self.now_ns, 0, link=True, acked=Gas.CLOSED))

    def restarts(self, unclean: int, *, new: bool) -> None:
        left = self.chamber.left()
        self.judge = self.judge.begin_again()
        self.chamber, self.twin = Chamber(self.limits), Chamber(self.limits) if self.twin else None
        self.waiting = []
        self.feed(Started(self.now_ns, left, unclean, new, commissioned=False))
        self.joins()

    def restores(self) -> None:
        """The twin goes on from what the chamber wrote down."""
        self.twin = Chamber.restore(self.limits, json.loads(json.dumps(self.chamber.snapshot())))
        assert self.twin.snapshot() == self.chamber.snapshot()


odd_numbers = st.sampled_from(
    [None, float("nan"), float("inf"), -float("inf"), True, 10**400, -1.0, 14.2, 1e308]
)
around = st.floats(-0.4, 0.5).map(lambda d: round(d, 3))


@st.composite
def scenes(draw: st.DrawFn, limits: ChamberLimits) -> Callable[[Play], None]:
    """One thing that happens."""
    kinds = ["lives", "lives", "lives", "reading", "odd", "event", "turn", "act", "hands", "start"]
    at = draw(st.sampled_from(kinds))
    if at == "lives":
        seconds, off = draw(st.integers(1, 90)), draw(around)
        slope = draw(st.sampled_from([0.0, 0.0, 0.002, -0.002, -0.01]))
        return lambda play: play.lives(seconds, limits.resume_ph + off, slope)
    if at == "reading":
        ph, dt = limits.floor_ph + draw(around), draw(st.integers(0, 20))
        refused = draw(st.sampled_from([None, None, "old"]))

        def reading(play: Play) -> None:
            play.now_ns += dt * NS // 4
            play.reads(ph, refused)

        return reading
    if at == "odd":
        value, signal = draw(odd_numbers), draw(st.sampled_from(Signal))
        return lambda play: play.feed(Observed(play.now_ns, signal, 0, value, "?"))
    if at == "event":
        return draw(events())
    if at == "act":
        act, for_s = draw(st.sampled_from(Act)), draw(st.sampled_from([None, 5.0, float("nan"), 1e300]))
        work = draw(st.none() | st.sampled_from(Work))
        return lambda play: play.feed(Acted(play.now_ns, act, "ana", for_s=for_s, work=work))
    if at == "hands":
        return draw(hands(limits))
    if at == "turn":
        how = draw(st.sampled_from(["at once", "late", "never"]))

        def turn(play: Play) -> None:
            play.commit = how
            if how != "never":
                play.commits()

        return turn
    unclean, new = draw(st.sampled_from([1, 1, 5])), draw(st.sampled_from([False, False, False, True]))
    if draw(st.booleans()):
        return lambda play: play.restores()
    return lambda play: play.restarts(unclean, new=new)


@st.composite
def hands(draw: st.DrawFn, limits: ChamberLimits) -> Callable[[Play], None]:
    """Hands at the valve: a hold, good water until gas could flow, a bleed, and something in its middle."""
    for_s = draw(st.sampled_from([0.4, 1.5, 20.0, 120.0, 120.0, 500.0]))
    lives_s = draw(st.sampled_from([0, 1, 2, 30, 130]))
    inside, work = draw(st.sampled_from([None, *["low"] * 6, *Act])), draw(st.sampled_from(Work))

    def bleeds(play: Play) -> None:
        play.feed(Acted(play.now_ns, Act.SERVICE_ON, "ana", for_s=9.0))
        play.commit = "at once"
        play.commits()
        play.lives(100, limits.resume_ph + 0.3, 0.0)
        play.feed(Acted(play.now_ns, Act.BLEED, "ana", for_s=for_s))
        play.lives(lives_s, limits.resume_ph + 0.3, -0.001)
        if inside == "low":
            play.reads(limits.floor_ph - 0.01)
            play.lives(80, limits.resume_ph + 0.3, 0.0)
        elif inside is not None:
            play.feed(Acted(play.now_ns, Act(inside), "rui", for_s=30.0, work=work))

    return bleeds


@st.composite
def events(draw: st.DrawFn) -> Callable[[Play], None]:
    """Any event at all, at any time: now, long after, or on a clock that went back."""
    gas = draw(st.sampled_from([Gas.OPEN, Gas.CLOSED, None]))
    yes, token = draw(st.booleans()), draw(st.integers(-1, 12))
    dt_ns = draw(st.sampled_from([0, 0, NS // 4, NS, 7 * NS, 4000 * NS, 90 * 86400 * NS, -NS, -500 * NS]))
    ph = draw(st.sampled_from([7.6, 7.69, 7.75, 7.8, 8.2]))
    gap_s = draw(st.sampled_from([3.0, 0.0, float("nan"), float("inf")]))
    kinds: list[Callable[[int], Event]] = [
        Ticked,
        Stopping,
        lambda t: Hour(t, abs(token) % 24, synced=yes),
        lambda t: Committed(t, token),
        lambda t: JournalSaid(t, yes, replaced=token == 3),
        lambda t: ValveSaid(t, 0, yes, gas),
        lambda t: FeedbackSaid(t, 0, gas, str(gas)),
        lambda t: OtherOrder(t, 0, gas, str(gas)),
        lambda t: KeeperSaid(t, yes),
        lambda t: Late(t, gap_s),
        lambda t: Observed(t, Signal.TANK_PH, 0, ph, ""),
    ]
    kind = draw(st.sampled_from(kinds))

    def happens(play: Play) -> None:
        event = kind(play.now_ns + dt_ns)
        play.now_ns = max(play.now_ns, event.at_ns)
        play.feed(event)
        if isinstance(event, KeeperSaid | ValveSaid | JournalSaid) and token > 2:
            play.feed(JournalSaid(play.now_ns, well=True))
            play.joins()

    return happens


@st.composite
def plays(draw: st.DrawFn) -> tuple[ChamberLimits, list[Callable[[Play], None]]]:
    limits = _limits(draw)
    return limits, draw(st.lists(scenes(limits), min_size=3, max_size=25))


@bounded
@given(plays())
def test_no_sequence_of_events_breaks_a_law(
    script: tuple[ChamberLimits, list[Callable[[Play], None]]],
) -> None:
    """Whatever happens in whatever order, no order, row or alarm breaks a law, and a twin does the same."""
    limits, happenings = script
    play = Play(limits)
    play.start()
    for happens in happenings:
        happens(play)


@bounded
@given(plays(), st.floats(-3.0, -0.001))
def test_one_low_reading_closes_at_once(
    script: tuple[ChamberLimits, list[Callable[[Play], None]]], below: float
) -> None:
    """After any past, one valid reading below the floor leaves gas shut in the same evaluation."""
    limits, happenings = script
    play = Play(limits)
    play.start()
    for happens in happenings:
        happens(play)
    play.commit = "at once"
    play.lives(100, limits.resume_ph + 0.3, 0.0)
    play.commit = "never"
    play.reads(max(limits.floor_ph + below, 4.0))
    assert not play.judge.is_open
    assert play.chamber.decision.gas is Gas.CLOSED


@given(st.lists(st.floats(0.0, 30.0), max_size=20))
@settings(max_examples=30, deadline=None)
def test_nothing_opens_before_a_start(gaps: list[float]) -> None:
    """A chamber that was never told of its start opens for nobody."""
    play = Play(night.limits(min_rest_s=1.0, settle_s=1.0))
    play.joins()
    for gap_s in gaps:
        play.now_ns += round(gap_s * NS)
        play.reads(7.2)
    play.lives(60, 7.2, 0.0)
    assert play.judge.openings == 0


STUCK = night.limits(
    longest_opening_s=900.0, trial_opening_s=120.0, trial_pause_s=60.0, min_rest_s=5.0, settle_s=5.0
)


def open_for(
    value: float, digit: float, share: float, restart_s: int, flap_s: int, keeper: bool, seed: int
) -> tuple[float, Play]:
    """Seconds of open gas in two hours on a probe stuck at ``value``, flickering by one digit."""
    dice = random.Random(seed)  # noqa: S311 - reproducible flicker, no secret
    play = Play(STUCK, twin=False)
    play.start()
    for second in range(7200):
        play.now_ns += NS
        if restart_s and second % restart_s == restart_s - 1:
            play.restarts(1, new=False)
        if flap_s and second % flap_s == flap_s - 1:
            play.feed(
                KeeperSaid(play.now_ns, alive=False)
                if keeper
                else ValveSaid(play.now_ns, 0, link=False, acked=None)
            )
            play.joins()
        off = dice.choice((-digit, digit)) if dice.random() < share else 0.0
        play.reads(round((value + off) / digit) * digit)
    return play.judge.opened_ns / NS, play


@settings(max_examples=max(25, EXAMPLES // 12), deadline=None)
@given(
    st.integers(400, 900).map(lambda n: n / 100),
    st.sampled_from([0.001, 0.01, 0.017, 0.1]),
    st.sampled_from([0.0, 0.02, 0.1, 0.5, 1.0]),
    st.sampled_from([0, 0, 40, 131, 700]),
    st.sampled_from([0, 0, 37, 90, 400]),
    st.booleans(),
    st.integers(0, 1000),
)
def test_no_stuck_probe_keeps_gas_open(
    value: float, digit: float, share: float, restart_s: int, flap_s: int, keeper: bool, seed: int
) -> None:
    """Stuck or flickering, through restarts and flaps: open at most a longest opening and a trial."""
    seconds, play = open_for(value, digit, share, restart_s, flap_s, keeper, seed)
    assert seconds <= STUCK.longest_opening_s + STUCK.trial_opening_s + 5
    assert not play.judge.is_open
    assert play.chamber.decision.state in (State.LATCHED, State.RESTING, State.TRIPPED)


@pytest.mark.parametrize("hundredths", range(500, 855, 5))
def test_no_blind_band(hundredths: int) -> None:
    """Stuck at any value for a day: gas open no longer than a trial opening."""
    probe = replace(night.PROBE, period_s=15.0, stale_s=45.0)
    play = Play(night.limits(probes=(probe,)), twin=False)
    play.start()
    play.lives(86400, hundredths / 100, 0.0)
    assert play.judge.opened_ns / NS <= play.limits.trial_opening_s + probe.period_s
    assert not play.judge.is_open
    assert (play.judge.openings > 0) == (hundredths / 100 >= play.limits.resume_ph)
