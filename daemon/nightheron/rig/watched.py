"""What the campaign's judge remembers of each signal: one probe's run of readings, the tank, and the rest."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import median

from nightheron.guard.limits import ChamberLimits, Conversion, SenseLimits
from nightheron.model import NS, Observed, Signal

PLAUSIBLE_PH = (4.0, 9.0)
TICK_NS = NS
ANSWER_PH = 0.015
"""The least movement that could be called an answer: more than one digit of a common probe."""
LEVEL_OF = 5
DAY_HOURS = 23


def ph_of(event: Observed, conversion: Conversion) -> float | None:
    """The pH that a message says, NBS scale; None when it is no reading."""
    value = event.value
    if event.refused is not None or isinstance(value, bool) or not isinstance(value, int | float):
        return None
    ph = 7.0 + (value - conversion.at_ph7) / conversion.per_ph
    return ph if PLAUSIBLE_PH[0] <= ph <= PLAUSIBLE_PH[1] else None


@dataclass(slots=True)
class Hazard:
    """A span of gas that should not have flowed."""

    why: str
    from_s: float
    to_s: float


@dataclass(slots=True)
class Hazards:
    """All spans, and their seconds."""

    spans: list[Hazard] = field(default_factory=list)
    by_why: dict[str, float] = field(default_factory=dict)
    """Seconds by why; one second may have several."""
    seconds: float = 0.0
    """Each counted once."""

    def count(self, found: dict[str, int], to_ns: int) -> None:
        """Gas flowed up to ``to_ns``, in hazard from the time that each why has here."""
        self.seconds += (to_ns - min(found.values())) / NS
        for why, from_ns in found.items():
            from_s, to_s = from_ns / NS, to_ns / NS
            self.by_why[why] = self.by_why.get(why, 0.0) + to_s - from_s
            for last in reversed(self.spans[-len(found) - 3 :]):
                if last.why == why and from_s - last.to_s < TICK_NS / NS:
                    last.to_s = to_s
                    break
            else:
                self.spans.append(Hazard(why, from_s, to_s))


@dataclass(slots=True)
class Heard:
    """One chamber probe: its last reading, and its unbroken run of readings at or above resume."""

    ph: float = 0.0
    at_ns: int = 0
    n: int = 0
    run: int = 0
    run_from_ns: int = 0

    def take(self, now_ns: int, ph: float, resume_ph: float, stale_s: float) -> None:
        """A reading has come."""
        if not ph >= resume_ph or (self.n and now_ns - self.at_ns > stale_s * NS):
            self.run = 0
        if ph >= resume_ph:
            if not self.run:
                self.run_from_ns = now_ns
            self.run += 1
        self.ph, self.at_ns = ph, now_ns
        self.n += 1

    def settled(self, now_ns: int, settle_s: float, stale_s: float) -> bool:
        """Fresh, and every reading of the settle window, three at least and spanning it, was high enough."""
        fresh = now_ns - self.at_ns <= stale_s * NS
        return fresh and self.run >= 3 and self.at_ns - self.run_from_ns >= settle_s * NS


@dataclass(slots=True)
class Answers:
    """Open time that the water has not been seen to answer. A movement of ANSWER_PH could be an answer."""

    trial: bool = True
    trial_ns: int = 0
    unanswered_ns: int = 0
    extreme_ph: float | None = None
    """The highest level since the opening, or the lowest since the closing."""
    levels: deque[float] = field(default_factory=lambda: deque(maxlen=LEVEL_OF))

    def flowed(self, dt_ns: int) -> None:
        """Gas has flowed so long."""
        self.unanswered_ns += dt_ns
        self.trial_ns += dt_ns if self.trial else 0

    def ordered(self) -> None:
        """The order changed."""
        self.extreme_ph = None

    def hands(self) -> None:
        """A person was at work: the next opening is a trial, and counting begins anew."""
        self.trial = True
        self.trial_ns = self.unanswered_ns = 0

    def level(self, ph: float, *, opened: bool) -> None:
        """One more reading, gas open or not: of five the median is the level."""
        self.levels.append(ph)
        level, way = median(self.levels), 1.0 if opened else -1.0
        if self.extreme_ph is None or way * (level - self.extreme_ph) > 0.0:
            self.extreme_ph = level
        elif way * (self.extreme_ph - level) >= ANSWER_PH:
            self.trial = False
            self.trial_ns = self.unanswered_ns = 0

    def beyond_ns(self, limits: ChamberLimits) -> int:
        """By how much the open time without an answer is over its limit; below 0 when it is not."""
        over_ns = self.unanswered_ns - round(limits.longest_opening_s * NS)
        if self.trial:
            over_ns = max(over_ns, self.trial_ns - round(limits.trial_opening_s * NS))
        return over_ns


@dataclass(slots=True)
class Day:
    """Open time by the hour. An hour short of a day is counted, so that no limit is held too strictly."""

    hours_ns: dict[int, int] = field(default_factory=dict)

    def opened(self, at_ns: int, dt_ns: int) -> None:
        """Gas has flowed for ``dt_ns`` up to ``at_ns``."""
        hour = at_ns // (3600 * NS)
        self.hours_ns[hour] = self.hours_ns.get(hour, 0) + dt_ns
        while len(self.hours_ns) > 1 and min(self.hours_ns) <= hour - DAY_HOURS:
            del self.hours_ns[min(self.hours_ns)]

    @property
    def opened_s(self) -> float:
        """Within the last 22 to 23 hours."""
        return sum(self.hours_ns.values()) / NS


@dataclass(slots=True)
class _Value:
    value: float
    at_ns: int
    beyond_ns: int | None
    """When it was last not back within its clearing limits, once it was beyond."""


@dataclass(slots=True)
class Others:
    """The tank's pH and every signal that is not pH."""

    tank_ph: float | None = None
    tank_at_ns: int = 0
    tank_was_low: bool = False
    values: dict[Signal, _Value] = field(default_factory=dict)

    def hear(self, event: Observed, limits: ChamberLimits) -> None:
        """Take one message of theirs."""
        if event.signal is Signal.TANK_PH:
            self._tank(event, limits)
            return
        if event.refused is not None or event.value is None:
            return
        for one in limits.senses:
            if one.signal is event.signal:
                before = self.values.get(event.signal)
                beyond_ns = None if before is None else before.beyond_ns
                outside = _outside(event.value, one.low, one.high)
                if outside or (
                    beyond_ns is not None and _outside(event.value, one.clear_low, one.clear_high)
                ):
                    beyond_ns = event.at_ns
                self.values[event.signal] = _Value(event.value, event.at_ns, beyond_ns)

    def _tank(self, event: Observed, limits: ChamberLimits) -> None:
        tank = limits.tank
        ph = None if tank is None else ph_of(event, tank.probe.conversion)
        if tank is None or ph is None:
            return
        self.tank_ph, self.tank_at_ns = ph, event.at_ns
        self.tank_was_low = ph < (tank.clear_ph if self.tank_was_low else tank.low_ph)

    def tank_is_low(self, limits: ChamberLimits, now_ns: int) -> bool:
        """The tank speaks against gas."""
        tank = limits.tank
        if tank is None:
            return False
        silent = self.tank_ph is None or now_ns - self.tank_at_ns > tank.probe.stale_s * NS + TICK_NS
        return self.tank_was_low or (tank.required and silent)

    def is_beyond(self, limits: ChamberLimits, now_ns: int) -> bool:
        """A signal is beyond its limit now, or required and silent."""
        for one in limits.senses:
            value = self.values.get(one.signal)
            if one.required and (value is None or not _fresh(value, one, now_ns)):
                return True
            if value is not None and _fresh(value, one, now_ns) and _outside(value.value, one.low, one.high):
                return True
        return False

    def held(self, limits: ChamberLimits, now_ns: int) -> bool:
        """A signal was beyond, and has not been back for its hold."""
        for one in limits.senses:
            value = self.values.get(one.signal)
            beyond_ns = None if value is None else value.beyond_ns
            if beyond_ns is not None and now_ns - beyond_ns < one.hold_s * NS:
                return True
        return False


def _fresh(value: _Value, one: SenseLimits, now_ns: int) -> bool:
    return now_ns - value.at_ns <= one.stale_s * NS + TICK_NS


def _outside(value: float, low: float | None, high: float | None) -> bool:
    return (low is not None and value < low) or (high is not None and value > high)
