"""Watches one opening after the other with its closing, reading by reading, and says what each was like.

Nothing is kept but a few numbers and a thinned trace, and nothing is done between readings. A cycle that
something disturbed (a jump, a lost probe, hands, a valve without link) is told with the reason and teaches
nothing. It is over when gas opens again, or when it has been shut so long that nothing more is to be seen.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from nightheron.cycles import Cycle
from nightheron.guard.proof import ANSWER_NOISES
from nightheron.model import NS, Verdict

SLOPE_LEAST_S, SLOPE_MOST_S = 30.0, 900.0
"""Over at least and at most so long after its beginning a fall or a rise is measured."""
CLOSED_MOST_S = 7200.0
"""A closing is watched for so long; what shows later is of another cause."""
TRACE_MOST = 48
TRACE_FROM_S = 5.0
REST_NOISES = 6.0
"""A fall of so many noises is enough to tell where nine tenths of it were."""


@dataclass(slots=True)
class Leg:
    """A fall with gas or a rise without: where it set out, and where it is."""

    from_s: float | None = None
    from_ph: float = 0.0
    to_s: float = 0.0
    to_ph: float = 0.0

    def see(self, at_s: float, level_ph: float) -> None:
        """A level; only the first quarter of an hour counts."""
        if self.from_s is None:
            self.from_s, self.from_ph = at_s, level_ph
        if at_s - self.from_s <= SLOPE_MOST_S:
            self.to_s, self.to_ph = at_s, level_ph

    def ph_per_min(self) -> float | None:
        """The slope; None while it is too short."""
        if self.from_s is None or self.to_s - self.from_s < SLOPE_LEAST_S:
            return None
        return (self.to_ph - self.from_ph) * 60.0 / (self.to_s - self.from_s)


@dataclass(slots=True)
class Watch:
    """The cycle under way. Times called ``_s`` count from the order."""

    opened_ns: int | None = None
    """When gas was ordered open; None before the first opening, and after a cycle was told."""
    shut_ns: int | None = None
    """When it was ordered shut again."""
    first_ph: float | None = None
    """The highest level since the opening, before the water answered."""
    dead_s: float | None = None
    fall: Leg = field(default_factory=Leg)
    rise: Leg = field(default_factory=Leg)
    trace: list[list[float]] = field(default_factory=list)
    """[seconds, level] of the opening, thinned to a bounded number of points."""
    trace_every_s: float = TRACE_FROM_S
    bottom_ph: float | None = None
    """The lowest level since gas was shut."""
    bottom_s: float = 0.0
    proved_s: float | None = None
    lowest_ph: float | None = None
    highest_ph: float | None = None
    noise_ph: float = 0.0
    doubtful: str = ""
    ended: Cycle | None = None
    """A cycle that is over and not yet told."""

    def opened_anew(self, now_ns: int, verdict: Verdict | None, digit_ph: float | None) -> Watch:
        """Gas was ordered open: the cycle before is over, and the next one is watched."""
        self.end(now_ns, verdict, digit_ph)
        return Watch(opened_ns=now_ns, ended=self.ended)

    def close_now(self, now_ns: int) -> None:
        """Gas was ordered shut."""
        self.shut_ns = now_ns

    def doubt(self, why: str) -> None:
        """Something happened from which nothing may be learned; the first is kept."""
        if self.opened_ns is not None:
            self.doubtful = self.doubtful or why

    def see(self, now_ns: int, level_ph: float, noise_ph: float, raw_noise_ph: float) -> None:
        """A reading's level; ``noise_ph`` is what proofs reckon with, ``raw_noise_ph`` the probe's own."""
        if self.opened_ns is None:
            return
        self.noise_ph = raw_noise_ph
        if self.lowest_ph is None or level_ph < self.lowest_ph:
            self.lowest_ph = level_ph
        if self.highest_ph is None or level_ph > self.highest_ph:
            self.highest_ph = level_ph
        if self.shut_ns is None:
            self._see_open((now_ns - self.opened_ns) / NS, level_ph, noise_ph)
        else:
            self._see_shut((now_ns - self.shut_ns) / NS, level_ph, noise_ph)

    def _see_open(self, at_s: float, level_ph: float, noise_ph: float) -> None:
        if not self.trace or at_s - self.trace[-1][0] >= self.trace_every_s:
            self.trace.append([at_s, level_ph])
            if len(self.trace) > TRACE_MOST:
                del self.trace[1::2]
                self.trace_every_s *= 2
        if self.dead_s is not None:
            self.fall.see(at_s, level_ph)
            return
        if self.first_ph is None or level_ph > self.first_ph:
            self.first_ph = level_ph
        if self.first_ph - level_ph >= ANSWER_NOISES * noise_ph:
            self.dead_s = at_s
            self.fall.see(at_s, level_ph)

    def _see_shut(self, at_s: float, level_ph: float, noise_ph: float) -> None:
        if self.bottom_ph is None or level_ph < self.bottom_ph:
            self.bottom_ph, self.bottom_s = level_ph, at_s
        if self.proved_s is None and level_ph - self.bottom_ph >= ANSWER_NOISES * noise_ph:
            self.proved_s = at_s
        if self.proved_s is not None:
            self.rise.see(at_s, level_ph)

    def over(self, now_ns: int) -> bool:
        """The closing has lasted so long that nothing more of this cycle is to be seen."""
        return self.shut_ns is not None and now_ns - self.shut_ns >= CLOSED_MOST_S * NS

    def end(self, now_ns: int, verdict: Verdict | None, digit_ph: float | None) -> None:
        """The cycle is over; ``ended`` is what it was like."""
        if self.opened_ns is None or self.shut_ns is None:
            return
        fall, rise = self.fall.ph_per_min(), self.rise.ph_per_min()
        proved = verdict is Verdict.PROVED
        self.ended = Cycle(
            opened_s=round((self.shut_ns - self.opened_ns) / NS, 1),
            closed_s=round((now_ns - self.shut_ns) / NS, 1),
            dead_s=_round(self.dead_s, 1),
            fall_ph_per_min=None if fall is None else round(-fall, 5),
            tail_s=round(self.bottom_s, 1) if proved and self.proved_s is not None else None,
            t90_s=_round(self._t90_s(), 1),
            proved_s=_round(self.proved_s, 1) if proved else None,
            rise_ph_per_min=_round(rise, 5),
            lowest_ph=_round(self.lowest_ph, 4),
            highest_ph=_round(self.highest_ph, 4),
            noise_ph=round(self.noise_ph, 5),
            digit_ph=_round(digit_ph, 5),
            verdict=verdict,
            doubtful=self.doubtful,
        )
        self.opened_ns = self.shut_ns = None

    def _t90_s(self) -> float | None:
        """When nine tenths of the fall were reached, if it came to rest in its last third."""
        if self.dead_s is None or self.first_ph is None or len(self.trace) < TRACE_MOST // 2:
            return None
        last_s, last_ph = self.trace[-1]
        fallen_ph = self.first_ph - last_ph
        rests = [ph for at_s, ph in self.trace if at_s >= last_s * 2 / 3]
        if fallen_ph <= 0 or max(rests) - min(rests) > fallen_ph / REST_NOISES:
            return None
        return next(at_s for at_s, ph in self.trace if at_s > 0 and self.first_ph - ph >= 0.9 * fallen_ph)


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
