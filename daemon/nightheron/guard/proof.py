"""Open gas must be seen to act; closed gas must be seen to stop.

The water answers an opening when the level (median of five readings) has fallen three times the
noise below its highest since the opening, and a closing when it has risen as much above its lowest
since the closing. Open time that nothing has answered is counted, across closings and restarts,
so that no stuck reading, whatever its value, can keep gas flowing: at its limit the opening ends
in a planned rest, and a rest without an answer ends in ``no_effect``. Water that was rising already
while gas was ordered open answers nothing by rising on: what it would have risen anyway is taken off.
A reading that wanders by itself, as a probe's in air, must move further than it wanders in that time.

After the lag of line and probe the level may still fall a part of what it fell meanwhile: the gas left in
the line is the more, the more gas there was, and so is what it still does. Falling on beyond that is a leak.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from nightheron.guard.limits import ChamberLimits
from nightheron.guard.wander import Wander
from nightheron.model import NS, Verdict

ANSWER_NOISES = 3.0
FRESH_S = 5.0
"""By then the level, a median, holds nothing from before the closing of a probe read once a second."""
TAIL_SHARE = 0.25
"""Of what the level fell between closing and lag: so much more may follow. From simulated surges."""
TREND_EVERY_NS = 60 * NS
TREND_LEAST, TREND_MOST = 6, 31
"""Points of the level, one a minute of open gas, from which its trend before a closing is taken."""
REST_MOST_S = 3600.0
"""The longest a planned rest after an ordinary opening waits for a rise."""


@dataclass(slots=True)
class Proof:
    """What is known of the valve from the water. Times are nanoseconds of open gas unless called ``at``."""

    trial: bool = True
    """The next or present opening is a trial: doubt or hands at work came before."""
    trial_ns: int = 0
    """Open time of trials that nothing has answered."""
    opening_ns: int = 0
    """Open time since the water last answered."""
    highest_ph: float | None = None
    lowest_ph: float | None = None
    shut_ph: float | None = None
    """The level soon after the closing."""
    after_lag_ph: float | None = None
    """The level when line and probe lag were over; falling on from there is not the tail."""
    fell_on: bool = False
    """The water was seen to fall on in this closing."""
    moved: bool = False
    """After that the probe was moved: what it reads now tells nothing of the leak, until a person does."""
    before_ph: float | None = None
    """The level one reading ago, with the gas shut."""
    stepped: bool = False
    """A fall of this closing came in one reading: no water, and forgiven once."""
    lowest_at_s: float = 0.0
    """When that was, counted from the closing."""
    trend: list[list[float]] = field(default_factory=list)
    """[this_opening_ns, level] while gas flowed, newest last."""
    rising_ph_per_s: float = 0.0
    """How fast the level rose before the closing, though gas was ordered open; 0 when it did not."""
    this_opening_ns: int = 0
    answered: bool = False
    """The present opening was answered."""
    verdict: Verdict | None = None
    rest_from_trial: bool = False
    """The closing ended a trial, so its rest waits only the trial pause."""
    answers_trial: bool = False
    """A rise in this closing would answer the trial that it ended."""
    doubted: bool = False
    """Doubt ends the present opening, so its closing answers no trial."""
    rest_wait_ns: int = 0
    """How long a planned rest has waited for its answer with a good reading at hand."""
    verdict_s: float | None = None
    """How long after the closing the water told."""
    wander: Wander = field(default_factory=Wander)

    def open_now(self) -> None:
        """The gas begins to flow."""
        self.highest_ph = None
        self.trend.clear()
        self.this_opening_ns = 0
        self.answered = False
        self.give_up()

    def falls_on(self) -> bool:
        """True when the water was seen to fall on with the gas shut, and has not turned since."""
        return self.verdict is Verdict.NOT_PROVED

    def turned(self) -> bool:
        """True when the water was seen to rise in the present closing."""
        return self.verdict is Verdict.PROVED

    def give_up(self) -> None:
        """A closing that was still pending can no longer be told."""
        if self.verdict is Verdict.PENDING:
            self.verdict = Verdict.COULD_NOT_TELL

    def close_now(self) -> None:
        """The gas stops; from here the water must turn."""
        self.verdict, self.verdict_s = Verdict.PENDING, None
        self.rising_ph_per_s = self._rising()
        self.lowest_ph = self.shut_ph = self.after_lag_ph = self.before_ph = None
        self.stepped = self.fell_on = self.moved = False
        self.rest_wait_ns = 0
        self.rest_from_trial = self.trial
        self.answers_trial = self.trial and not self.doubted
        self.trial = self.trial or self.doubted
        self.doubted = False

    def doubt(self, *, flowing: bool) -> None:
        """The probe was lost. While gas flows, what follows is no answer to the opening that it ends."""
        if flowing:
            self.doubted = True
        else:
            self.demand_trial()

    def demand_trial(self, *, fresh: bool = False) -> None:
        """Doubt or hands: the next opening is a trial. ``fresh`` when a person put things right."""
        self.trial = True
        self.answers_trial = False
        if fresh:
            self.trial_ns = self.opening_ns = 0

    def pass_open(self, dt_ns: int) -> None:
        """Gas has flowed for ``dt_ns``."""
        self.opening_ns += dt_ns
        self.this_opening_ns += dt_ns
        if self.trial:
            self.trial_ns += dt_ns

    def due(self, limits: ChamberLimits, *, unchanged: bool) -> bool:
        """True when the present opening must end in a planned rest."""
        if self.trial and self.trial_ns >= limits.trial_opening_s * NS:
            return True
        return unchanged or self.opening_ns >= limits.longest_opening_s * NS

    def set_out_anew(self) -> None:
        """The reading jumped as no water does: what it was before is no measure of an answer.

        Water that was seen to rise may fall again, for many reasons; below its lowest is still the measure.
        """
        if not self.turned():
            self.lowest_ph = None
        self.highest_ph = self.shut_ph = self.after_lag_ph = self.before_ph = None
        self.trend.clear()
        self.wander.set_out_anew()

    def see_open(self, level: float | None, noise_ph: float) -> None:
        """A reading while gas flows."""
        if level is None:
            return
        if not self.trend or self.this_opening_ns - self.trend[-1][0] >= TREND_EVERY_NS:
            self.trend = [*self.trend[1 - TREND_MOST :], [self.this_opening_ns, level]]
        if self.highest_ph is None or level > self.highest_ph:
            self.highest_ph = level
        fallen_ph = self.highest_ph - level
        if not self.answered and fallen_ph >= self._enough_ph(noise_ph, self.this_opening_ns / NS):
            self.answered = True
            self.trial = False
            self.trial_ns = 0
            self.opening_ns = self.this_opening_ns

    def see_closed(self, level: float | None, noise_ph: float, closed_s: float, lag_s: float) -> None:
        """A reading while gas is shut, ``closed_s`` after the closing; ``lag_s`` of line and probe."""
        if level is None:
            return
        if self.shut_ph is None and closed_s >= FRESH_S:
            self.shut_ph = level
        if self.lowest_ph is None or level < self.lowest_ph:
            self.lowest_ph, self.lowest_at_s = level, closed_s
        risen = self._risen(noise_ph, level, closed_s)
        asked = self.verdict in (Verdict.PENDING, Verdict.NOT_PROVED) and not self.moved
        if risen and asked:
            self.verdict, self.verdict_s = Verdict.PROVED, closed_s
            self.trial = self.trial and not self.answers_trial
            self.trial_ns = self.opening_ns = 0
            self.after_lag_ph = None
        elif self.verdict in (Verdict.PENDING, Verdict.PROVED):
            self._see_fall(noise_ph, level, closed_s, lag_s)
        self.before_ph = level

    def _enough_ph(self, noise_ph: float, over_s: float) -> float:
        """So much in ``over_s`` is an answer, and neither noise nor wandering."""
        return max(ANSWER_NOISES * noise_ph, self.wander.reach_ph(over_s))

    def rises_too_fast(self) -> None:
        """No water rises like this: the probe was moved. What that seemed to prove is asked anew."""
        self.moved = self.moved or self.fell_on
        if self.verdict is Verdict.PROVED:
            self.verdict, self.verdict_s = Verdict.NOT_PROVED if self.moved else Verdict.PENDING, None
        self.lowest_ph = self.shut_ph = self.after_lag_ph = None
        self.demand_trial()

    def _risen(self, noise_ph: float, level: float, closed_s: float) -> bool:
        if self.lowest_ph is None:
            return False
        anyway_ph = self.rising_ph_per_s * (closed_s - self.lowest_at_s)
        return level - self.lowest_ph - anyway_ph >= self._enough_ph(noise_ph, closed_s)

    def _rising(self) -> float:
        if len(self.trend) < TREND_LEAST:
            return 0.0
        (from_ns, from_ph), (to_ns, to_ph) = self.trend[0], self.trend[-1]
        return max(0.0, (to_ph - from_ph) * NS / (to_ns - from_ns))

    def _see_fall(self, noise_ph: float, level: float, closed_s: float, lag_s: float) -> None:
        if closed_s < lag_s:
            return
        if self.after_lag_ph is None:
            # Water that had turned and falls below its lowest: gas passes after all.
            turned = self.verdict is Verdict.PROVED and self.lowest_ph is not None
            self.after_lag_ph = self.lowest_ph if turned else level
        from_ph = level if self.after_lag_ph is None else self.after_lag_ph
        in_lag_ph = 0.0 if self.shut_ph is None else self.shut_ph - from_ph
        enough_ph = max(self._enough_ph(noise_ph, closed_s), TAIL_SHARE * in_lag_ph)
        if from_ph - level < enough_ph:
            return
        fell_ph = 0.0 if self.before_ph is None else self.before_ph - level
        if fell_ph >= enough_ph and not self.stepped:  # in one reading: a plug or a pump; a leak falls on
            self.stepped, self.after_lag_ph = True, level
            self.shut_ph = None if self.shut_ph is None else self.shut_ph - fell_ph
        else:
            self.verdict, self.verdict_s, self.fell_on = Verdict.NOT_PROVED, closed_s, True

    def has_waited(self, limits: ChamberLimits, *, overdue: bool) -> bool:
        """True when the present rest has waited so long that silence counts as no effect.

        After a day without a proof (``overdue``) it waits twice as long.
        """
        most_s = limits.trial_pause_s if self.rest_from_trial else max(REST_MOST_S, limits.min_rest_s)
        return self.rest_wait_ns >= (2 if overdue else 1) * most_s * NS
