"""The laws hold over chambers with any number of probes, valves, tanks and signals, and any day's budget."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from hypothesis import given, settings, strategies as st
from nightheron.guard.limits import ChamberLimits, ProbeLimits, SenseLimits, ValveLimits
from nightheron.guard.signals import KINDS
from nightheron.model import NS, Act, Acted, Gas, Observed, Signal, Ticked

from tests.property.test_laws import EXAMPLES, Play, bounded, scenes
from tests.support import night
from tests.support.panel import Panel

LIMITS: dict[Signal, tuple[float | None, float | None, float | None, float | None, float, float]] = {
    Signal.TEMPERATURE: (18.0, 18.5, 30.0, 29.5, 25.0, 30.5),
    Signal.FLOW: (10.0, 12.0, None, None, 25.0, 9.0),
    Signal.CIRCULATION: (0.5, 0.5, None, None, 1.0, 0.0),
    Signal.FEED: (0.5, 0.5, None, None, 1.0, 0.0),
    Signal.OUTLET_PRESSURE: (None, None, 60.0, 54.0, 25.0, 61.0),
    Signal.VESSEL_PRESSURE: (None, None, 30.0, 27.0, 5.0, 31.0),
    Signal.LEAK: (None, None, 0.4, 0.4, 0.0, 1.0),
    Signal.ROOM_CO2: (None, None, 5000.0, 4500.0, 600.0, 5200.0),
}
"""low, clear_low, high, clear_high, a number that is well and one that is not."""
Scene = Callable[[Play], None]
fewer = settings(bounded, max_examples=max(15, EXAMPLES // 8))
"""Every second of such a chamber is many events."""


class ManyPlay(Play):
    """One script on one chamber whose probes and signals each say something of their own."""

    def __init__(self, limits: ChamberLimits, *, twin: bool = True) -> None:
        super().__init__(limits, twin=twin)
        self.judge = Panel(limits)
        self.off: list[float | None] = [0.0 for _ in limits.probes]
        """How far each probe reads from the water; None: it is silent."""
        self.said: dict[Signal, float | None] = {one.signal: LIMITS[one.signal][4] for one in limits.senses}

    def each_reads(self, ph: float) -> None:
        """Every probe that speaks says what it makes of this water."""
        for number, off in enumerate(self.off):
            if off is not None:
                self.one_reads(number, ph + off)

    def one_reads(self, number: int, ph: float) -> None:
        """One probe says this pH."""
        conversion = self.limits.probes[number].conversion
        value = conversion.at_ph7 + (ph - 7.0) * conversion.per_ph
        self.feed(Observed(self.now_ns, Signal.CHAMBER_PH, number, value, ""))

    def lives(self, seconds: int, ph: float, slope: float) -> None:
        """Time passes; everybody speaks once a second."""
        self.ph = ph
        for _ in range(seconds):
            self.now_ns += NS
            self.ph += slope
            self.each_reads(self.ph)
            for signal, value in self.said.items():
                if value is not None:
                    self.feed(Observed(self.now_ns, signal, 0, value, ""))
            if self.limits.tank is not None:
                self.feed(Observed(self.now_ns, Signal.TANK_PH, 0, 8.1, "8.1"))
            self.feed(Ticked(self.now_ns))

    def heals(self) -> None:
        """Every probe and signal is well, rows come to disk, and a person releases what is latched."""
        self.off = [0.0 for _ in self.off]
        self.said = {signal: LIMITS[signal][4] for signal in self.said}
        self.commit = "at once"
        self.commits()
        self.feed(Acted(self.now_ns, Act.SERVICE_OFF, "ana"))
        self.lives(25, self.limits.resume_ph + 0.3, 0.0)
        self.feed(Acted(self.now_ns, Act.RELEASE, "ana"))
        self.lives(25, self.limits.resume_ph + 0.3, 0.0)


@st.composite
def many_limits(draw: st.DrawFn) -> ChamberLimits:
    """A chamber with one to three probes, none to eight other signals, one or two valves."""
    floor_ph = draw(st.sampled_from([6.2, 6.6, 7.0]))
    trial_s = draw(st.sampled_from([30.0, 300.0]))
    probes = tuple(
        ProbeLimits(1.0, draw(st.sampled_from([3.0, 10.0])), night.PROBE.conversion)
        for _ in range(draw(st.integers(1, 3)))
    )
    senses = tuple(
        SenseLimits(
            signal,
            1.0,
            draw(st.sampled_from([3.0, 10.0])),
            draw(st.booleans()),
            *LIMITS[signal][:4],
            draw(st.sampled_from([0.0, 0.0, 5.0, 20.0])),
        )
        for signal in draw(st.lists(st.sampled_from(sorted(LIMITS)), unique=True, max_size=8))
    )
    tank = replace(night.TANK, required=draw(st.booleans()), probe=replace(night.PROBE, stale_s=10.0))
    return night.limits(
        floor_ph=floor_ph,
        resume_ph=floor_ph + 0.1,
        settle_s=draw(st.sampled_from([1.0, 5.0, 20.0])),
        min_rest_s=draw(st.sampled_from([1.0, 10.0])),
        trial_opening_s=trial_s,
        longest_opening_s=trial_s * draw(st.sampled_from([1.0, 5.0])),
        trial_pause_s=20.0,
        probe_lag_s=1.0,
        tail_s=draw(st.sampled_from([1.0, 10.0])),
        probes=probes,
        valve=ValveLimits(5.0, travel_s=2.0, feedback=False, count=draw(st.integers(1, 2))),
        tank=draw(st.sampled_from([None, tank])),
        senses=senses,
        spread_ph=draw(st.sampled_from([0.05, 0.2])),
        gas_budget_s_per_day=draw(st.sampled_from([None, None, 60.0, 200.0])),
    )


@st.composite
def many_scenes(draw: st.DrawFn, limits: ChamberLimits) -> Scene:
    """One thing that happens to a chamber with many voices, or to any chamber."""
    kind = draw(st.sampled_from(["probe", "probe", "low", "any", "any", "heals", *["signal"] * 2]))
    seconds = draw(st.sampled_from([0, 1, 4, 12, 40]))
    high_ph = limits.resume_ph + 0.3
    if kind == "probe":
        number = draw(st.integers(0, len(limits.probes) - 1))
        slope = draw(st.sampled_from([0.0, -0.001, 0.001]))
        off = draw(st.sampled_from([None, 0.0, 0.03, -0.04, 0.1, -0.15, 0.3, -0.5, -1.0]))

        def parts(play: Play) -> None:
            assert isinstance(play, ManyPlay)
            play.off[number] = off
            play.lives(seconds, high_ph, slope)

        return parts
    if kind == "low":
        number, below = draw(st.integers(0, len(limits.probes) - 1)), draw(st.floats(0.001, 1.5))

        def low(play: Play) -> None:
            assert isinstance(play, ManyPlay)
            play.one_reads(number, limits.floor_ph - below)

        return low
    if kind == "signal" and limits.senses:
        one = draw(st.sampled_from(limits.senses))
        *_, well, bad = LIMITS[one.signal]
        value = draw(st.sampled_from([None, well, bad, bad, float("nan"), one.clear_low, one.high]))

        def says(play: Play) -> None:
            assert isinstance(play, ManyPlay)
            play.said[one.signal] = value
            play.lives(seconds, high_ph, 0.0)

        return says
    if kind == "heals":
        return lambda play: play.heals() if isinstance(play, ManyPlay) else None
    return draw(scenes(limits))


@st.composite
def many_plays(draw: st.DrawFn) -> tuple[ChamberLimits, list[Scene]]:
    """A chamber, and what happens to it."""
    limits = draw(many_limits())
    return limits, draw(st.lists(many_scenes(limits), min_size=3, max_size=15))


def played(script: tuple[ChamberLimits, list[Scene]]) -> ManyPlay:
    """The script, played to its end."""
    limits, happenings = script
    play = ManyPlay(limits)
    play.start()
    play.heals()
    for happens in happenings:
        happens(play)
    return play


@fewer
@given(many_plays())
def test_no_sequence_of_events_breaks_a_law(script: tuple[ChamberLimits, list[Scene]]) -> None:
    """Whatever probes and signals say, gas never flows on less than the vote, the signals and the budget."""
    played(script)


@fewer
@given(many_plays())
def test_a_signal_beyond_its_limit_closes_at_once(script: tuple[ChamberLimits, list[Scene]]) -> None:
    """After any past, one number of any signal beyond its limit leaves gas shut in the same evaluation."""
    play = played(script)
    play.heals()
    for one in play.limits.senses:
        play.feed(Observed(play.now_ns, one.signal, 0, LIMITS[one.signal][5], ""))
        assert play.chamber.decision.gas is Gas.CLOSED
        assert KINDS[one.signal].reason in play.chamber.decision.reasons
        play.heals()


@fewer
@given(many_plays(), st.floats(0.001, 2.0))
def test_a_low_majority_closes_at_once(script: tuple[ChamberLimits, list[Scene]], below: float) -> None:
    """After any past, a low reading of one probe of one or two, or of two of three, leaves gas shut."""
    play = played(script)
    play.heals()
    ph = max(play.limits.floor_ph - below, 4.0)
    for number in range(2 if len(play.limits.probes) == 3 else 1):
        play.one_reads(number, ph)
    assert play.chamber.decision.gas is Gas.CLOSED
