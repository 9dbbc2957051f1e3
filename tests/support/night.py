"""A chamber on a simulated clock, for tests that read as timelines of facts."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise

from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits, Conversion, ProbeLimits, TankLimits, ValveLimits
from nightheron.model import (
    NS,
    Act,
    Acted,
    Close,
    Committed,
    Decision,
    Effect,
    Event,
    FeedbackSaid,
    Gas,
    KeeperSaid,
    Learned,
    Left,
    Observed,
    OpenUntil,
    Raise,
    Reason,
    Record,
    Refused,
    Signal,
    Started,
    Ticked,
    ValveSaid,
    Work,
)

TICK_NS = NS // 4
PROBE = ProbeLimits(period_s=1.0, stale_s=5.0, conversion=Conversion(at_ph7=7.0, per_ph=1.0))
TANK = TankLimits(
    name="display", low_ph=7.7, clear_ph=7.8, required=False, probe=replace(PROBE, stale_s=60.0)
)


def limits(**changes: object) -> ChamberLimits:
    """Limits of an ordinary chamber, with changes."""
    plain = ChamberLimits(
        name="west",
        floor_ph=6.6,
        resume_ph=6.7,
        deep_low_margin_ph=0.3,
        min_rest_s=120.0,
        settle_s=30.0,
        longest_opening_s=21600.0,
        trial_opening_s=600.0,
        trial_pause_s=1800.0,
        probe_lag_s=60.0,
        tail_s=90.0,
        starts_per_hour=10,
        commissioning_required=False,
        probes=(PROBE,),
        valve=ValveLimits(lease_s=5.0, travel_s=2.0, feedback=False),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]  # tests pass fields by name


class Night:
    """Feeds one chamber; readings once a second, ticks four times; rows commit at once unless told not to."""

    def __init__(self, given: ChamberLimits | None = None, *, begin: bool = True, **changes: object) -> None:
        self.limits = given or limits(**changes)
        self.chamber = Chamber(self.limits)
        self.now_ns = 1000 * NS
        self.commits = True
        self.ph: float | None = 6.9
        self.tank_ph: float | None = None
        self.others: dict[tuple[Signal, int], float] = {}
        """What further probes say once a second, by signal and number."""
        self.open_until_ns = self.alone_until_ns = 0
        self.alone: int | None = None
        """The valve in series that was last ordered open alone."""
        self.effects: list[tuple[int, Effect]] = []
        self.events: list[Event] = []
        if begin:
            self.start()

    @property
    def gas(self) -> Gas:
        """What the valve itself does: open only while a lease runs."""
        return Gas.OPEN if self.now_ns < self.open_until_ns else Gas.CLOSED

    @property
    def flows_alone(self) -> int | None:
        """The valve that is open while the other stays shut."""
        return self.alone if self.now_ns < self.alone_until_ns else None

    @property
    def reasons(self) -> tuple[Reason, ...]:
        return self.chamber.decision.reasons

    def start(
        self,
        left: Left | None = None,
        *,
        unclean: int = 1,
        journal_new: bool = False,
        commissioned: bool = False,
        learned: Learned | None = None,
        says: bool = True,
    ) -> Night:
        """The service starts and, where it ``says`` so, its valve answers."""
        self.feed(Started(self.now_ns, left, unclean, journal_new, commissioned, learned))
        if not says:
            return self
        self.feed(KeeperSaid(self.now_ns, alive=True))
        return self.feed(ValveSaid(self.now_ns, 0, link=True, acked=Gas.CLOSED))

    def feed(self, event: Event) -> Night:
        """One event, and the commits it asks for."""
        self.events.append(event)
        effects = self.chamber.feed(event)
        self.effects += [(self.now_ns, effect) for effect in effects]
        for effect in effects:
            if isinstance(effect, OpenUntil) and effect.only is not None:
                self.alone, self.alone_until_ns = effect.only, effect.until_ns
            elif isinstance(effect, OpenUntil):
                self.open_until_ns = effect.until_ns
            elif isinstance(effect, Close):
                self.open_until_ns = self.alone_until_ns = 0
        for effect in effects:
            if isinstance(effect, Record) and self.commits:
                self.feed(Committed(self.now_ns, effect.token))
        return self

    def reads(self, ph: float | None, *, raw: str = "", refused: str | None = None) -> Night:
        """One message of the chamber's probe, now."""
        return self.feed(Observed(self.now_ns, Signal.CHAMBER_PH, 0, ph, raw or str(ph), refused))

    def wait(self, seconds: float, ph: float | None = -1.0, slope_per_s: float = 0.0) -> Night:
        """Let time pass at pH ``ph`` (as before if not given; None: the probe is silent)."""
        if ph is None or ph > 0:
            self.ph = ph
        for step in range(1, round(seconds * NS / TICK_NS) + 1):
            self.now_ns += TICK_NS
            if step % 4 == 0:
                if self.ph is not None:
                    self.ph += slope_per_s
                    self.reads(self.ph)
                if self.tank_ph is not None:
                    self.feed(Observed(self.now_ns, Signal.TANK_PH, 0, self.tank_ph, str(self.tank_ph)))
                for (signal, number), value in self.others.items():
                    self.feed(Observed(self.now_ns, signal, number, value, str(value)))
            self.feed(Ticked(self.now_ns))
        return self

    def long(self, seconds: float, pace_s: float = 4.0) -> Night:
        """Let a long time pass at the pH as it is, told at a slower pace: no reading gets stale."""
        if not pace_s < min(probe.stale_s for probe in self.limits.probes):
            raise ValueError("at this pace readings are stale")
        for _ in range(round(seconds / pace_s)):
            self.now_ns += round(pace_s * NS)
            if self.ph is not None:
                self.reads(self.ph)
            self.feed(Ticked(self.now_ns))
        return self

    def second(self, ph: float | None, third: float | None = -1.0) -> Night:
        """What the second and third chamber probe say from now on; None: silent."""
        for number, value in ((1, ph), (2, third)):
            self.others.pop((Signal.CHAMBER_PH, number), None)
            if value is not None and value > 0:
                self.others[Signal.CHAMBER_PH, number] = value
        return self

    def says(self, signal: Signal, value: float | None) -> Night:
        """What another signal says from now on; None: it is silent."""
        self.others.pop((signal, 0), None)
        if value is not None:
            self.others[signal, 0] = value
        return self

    def act(self, act: Act, *, for_s: float | None = None, work: Work | None = None) -> list[str]:
        """A person acts; the refusals."""
        before = len(self.effects)
        self.feed(Acted(self.now_ns, act, who="ana", why="cleaning", for_s=for_s, work=work))
        return [e.why for _, e in self.effects[before:] if isinstance(e, Refused)]

    def feedback(self, seen: Gas | None) -> Night:
        return self.feed(FeedbackSaid(self.now_ns, 0, seen, str(seen)))

    def closing(self) -> Decision:
        """The decision that was written down when gas was last shut."""
        rows = [e.decision for _, e in self.effects if isinstance(e, Record)]
        closings = [b for a, b in pairwise(rows) if a.gas is Gas.OPEN and b.gas is Gas.CLOSED]
        return closings[-1]

    def rows(self) -> list[Decision]:
        """Every decision written down so far."""
        return [effect.decision for _, effect in self.effects if isinstance(effect, Record)]

    def raised(self) -> list[Reason]:
        """Alarms told so far, in order."""
        return [e.reason for _, e in self.effects if isinstance(e, Raise)]

    def lives(self, seconds: float, water: Water) -> Night:
        """Let time pass with water that answers the gas."""
        for _ in range(round(seconds)):
            self.wait(1.0, water.step(1.0, self.gas))
        return self


def flowing(tank_ph: float | None = None, **changes: object) -> Night:
    """A chamber whose first opening, a trial, has begun at pH 6.9."""
    night = Night(**changes)  # type: ignore[arg-type]  # fields of ChamberLimits by name
    night.tank_ph = tank_ph
    night.wait(125, 6.9)
    assert night.gas is Gas.OPEN, night.reasons
    return night


def restarted(night: Night, **said: object) -> Night:
    """The same chamber after a restart of the service, ten seconds later."""
    again = Night(night.limits, begin=False)
    again.now_ns, again.ph, again.tank_ph = night.now_ns + 10 * NS, night.ph, night.tank_ph
    return again.start(night.chamber.left(), **said)  # type: ignore[arg-type]  # start's own names


class Water:
    """First-order water: toward ``low`` with gas, toward ``high`` without, with noise."""

    def __init__(self, ph: float = 6.9, *, low: float = 6.3, high: float = 7.4, tau_s: float = 900.0) -> None:
        self.ph, self.low, self.high, self.tau_s = ph, low, high, tau_s
        self.dice = random.Random(4)  # noqa: S311 - reproducible noise, no secret

    def step(self, dt_s: float, gas: Gas) -> float:
        goal = self.low if gas is Gas.OPEN else self.high
        self.ph += (goal - self.ph) * dt_s / self.tau_s
        return round(self.ph + self.dice.gauss(0, 0.004), 2)
