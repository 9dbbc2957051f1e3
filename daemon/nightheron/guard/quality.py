"""What a stream of messages from one probe is worth: one Track per probe, fed message by message.

All tests are streaming and count seconds, so that the same water sampled at another rate gets the
same answer. A test may make a reading doubtful; no test ever hides a low one: ``Track.ph`` is the
last number that lies in the plausible band, whatever else is thought of it.

``assess`` flags the newest reading. A spike is known only once the water is back, so its flag (fail) comes
late and goes to the readings named in ``Track.spiked_ns``, never to the good one that showed them up.

The flags, and the tests of range, spike, rate of change and flat line, are those of U.S. IOOS QARTOD, Manual
for Real-Time Quality Control of pH Data Observations, version 1.0 (2019); where the way differs,
``tests/reference/test_qartod_better.py`` shows why.

Values (pH on the NBS scale). Common practice, no source: 0.5 pH/s as more than water can move, and
the plausible band. 1.4826 x MAD estimates a standard deviation for normal noise (1/Phi^-1(0.75)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from nightheron.guard import spike
from nightheron.guard.limits import Conversion, ProbeLimits
from nightheron.model import NS, Flag, Health, Observed

PLAUSIBLE_PH = (4.0, 9.0)
JUMP_PH_PER_S = 0.5
STEADY_READINGS = 3
WINDOW_S = 120.0
WINDOW_MOST = 240
NOISE_EVERY_S = 10.0
NOISE_LEAST_PH = 0.005
NOISE_UNKNOWN_PH = 0.01
DIGIT_UNKNOWN_PH = 0.02
DIGIT_MOST_PH = 0.1
DIGIT_STEPS = 8
NOISE_FROM = 10
NOISY_PH = 0.05
LEVEL_OF = 5
UNCHANGED_LEAST_S = 1800.0
UNCHANGED_FACTOR = 10.0
GARBAGE_SHARE = 0.5
PERMITTING = frozenset({Health.GOOD, Health.MAINTENANCE})
MAD_TO_SD = 1.482602218505602


@dataclass(slots=True)
class Track:
    """The memory of one probe. ``recent`` holds [at_ns, ph] of readings, newest last."""

    ph: float | None = None
    at_ns: int = 0
    recent: list[list[float]] = field(default_factory=list)
    level_ph: float | None = None
    """Median of the last five readings: what proofs compare."""
    noise_ph: float = NOISE_UNKNOWN_PH
    digit_ph: float | None = None
    """The smallest step ever seen: the probe's own digit, once enough steps were seen."""
    steps: int = 0
    noise_at_ns: int = 0
    noisy: bool = False
    readings: int = 0
    refused: list[int] = field(default_factory=list)
    """Times of refused messages in the window."""
    returned: bool = False
    """This reading ended a silence; levels from before it measure nothing now."""
    jumped: bool = False
    jumped_down: bool = False
    steady: int = 0
    unchanged_at_ns: int = 0
    longest_unchanged_s: float = 0.0
    run_from_ns: int = 0
    """Start of the unbroken run of readings at or above resume."""
    run_counted_ns: int = 0
    run: int = 0
    low_from_ns: int = 0
    """Start of the unbroken run of readings below the deep limit."""
    low_run: int = 0
    low_with_gas: bool = False
    """That run began while gas flowed or was draining."""
    spikes: int = 0
    spiked_ns: list[int] = field(default_factory=list)
    """Times of the readings of the window that were found to be spikes; their flag is fail."""
    note: str = ""

    def hear(self, message: Observed, limits: ProbeLimits, resume_ph: float, deep_ph: float) -> bool:
        """Take one message; True when it was a reading."""
        self.note = ""
        ph = to_ph(message.value, limits.conversion)
        if message.refused is not None or ph is None:
            self._refuse(message.at_ns)
            return False
        at_ns = message.at_ns
        silent_s = (at_ns - self.at_ns) / NS if self.readings else math.inf
        self.returned = silent_s > limits.stale_s
        self._judge_jump(ph, at_ns, silent_s)
        if self.returned:
            self._begin(at_ns)
        self._judge_unchanged(ph, at_ns)
        self._count_runs(ph, at_ns, limits.period_s, resume_ph, deep_ph)
        self.ph, self.at_ns = ph, at_ns
        self.readings += 1
        self.recent.append([at_ns, ph])
        self._judge_spike()
        self._trim(at_ns)
        last = sorted([r[1] for r in self.recent[-LEVEL_OF:]])
        self.level_ph = last[LEVEL_OF // 2] if len(last) == LEVEL_OF else median(last)
        if at_ns - self.noise_at_ns >= NOISE_EVERY_S * NS:
            self._judge_noise(at_ns)
        return True

    def age_s(self, now_ns: int) -> float:
        """Seconds since the last reading; infinite when there was none."""
        return (now_ns - self.at_ns) / NS if self.readings else math.inf

    def is_unchanged(self, now_ns: int, since_ns: int = 0) -> bool:
        """True when it has stood, ``since_ns`` or later, longer than its resolution and history explain."""
        if now_ns - self.unchanged_at_ns <= UNCHANGED_LEAST_S * NS:
            return False
        limit_s = max(UNCHANGED_LEAST_S, UNCHANGED_FACTOR * self.longest_unchanged_s)
        stood_ns = now_ns - max(self.unchanged_at_ns, since_ns)
        return self.readings > 0 and stood_ns > limit_s * NS

    def least_noise_ph(self) -> float:
        """The noise, never below the probe's own digit: a stuck probe's flicker is no movement."""
        known_ph = self.digit_ph or DIGIT_UNKNOWN_PH
        if self.steps < DIGIT_STEPS:
            known_ph = min(known_ph, DIGIT_UNKNOWN_PH)
        return max(self.noise_ph, known_ph)

    def settled(self, settle_s: float) -> bool:
        """True when every reading of the settle window, at least three and spanning it, was high enough."""
        return self.run >= 3 and self.at_ns - self.run_from_ns >= settle_s * NS

    def break_run(self) -> None:
        """Forget the run of high readings: what came before no longer counts toward permission."""
        self.run = 0

    def forget(self) -> None:
        """Forget what was learned of the probe itself; another one is in its place."""
        self.digit_ph, self.steps, self.longest_unchanged_s = None, 0, 0.0
        self.noise_ph, self.noisy = NOISE_UNKNOWN_PH, False
        self.recent.clear()

    def _refuse(self, at_ns: int) -> None:
        self.refused.append(at_ns)
        if len(self.refused) > WINDOW_MOST:
            del self.refused[0]

    def _begin(self, at_ns: int) -> None:
        self.run = self.low_run = 0
        self.unchanged_at_ns = at_ns
        self.recent.clear()

    def _judge_jump(self, ph: float, at_ns: int, silent_s: float) -> None:
        known = self.ph is not None and silent_s != math.inf
        change = _fastest(ph, at_ns, self.recent) if known else 0.0
        if abs(change) > JUMP_PH_PER_S:
            self.jumped, self.jumped_down, self.steady = True, change < 0, 0
        elif self.jumped:
            self.steady += 1
            if self.steady >= STEADY_READINGS:
                self.jumped = self.jumped_down = False

    def _judge_unchanged(self, ph: float, at_ns: int) -> None:
        if ph != self.ph:
            if self.ph is not None:
                self.digit_ph = min(self.digit_ph or DIGIT_MOST_PH, max(abs(ph - self.ph), 1e-9))
                self.steps = min(self.steps + 1, DIGIT_STEPS)
                stood_s = (at_ns - self.unchanged_at_ns) / NS
                self.longest_unchanged_s = min(max(self.longest_unchanged_s, stood_s), UNCHANGED_LEAST_S)
            self.unchanged_at_ns = at_ns

    def _count_runs(self, ph: float, at_ns: int, period_s: float, resume_ph: float, deep_ph: float) -> None:
        if ph >= resume_ph and not self.jumped:
            # A burst of queued lines arrives at once and must not stand for many seconds of water.
            if self.run == 0:
                self.run_from_ns, self.run_counted_ns, self.run = at_ns, at_ns, 1
            elif at_ns - self.run_counted_ns >= period_s * NS / 4:
                self.run_counted_ns = at_ns
                self.run += 1
        else:
            self.run = 0
        if ph < deep_ph:
            if self.low_run == 0:
                self.low_from_ns = at_ns
            self.low_run += 1
        else:
            self.low_run = 0

    def _judge_spike(self) -> None:
        if found := spike.found(self.recent, self.spiked_ns, self.least_noise_ph):
            (_, before), *off, (_, after) = found
            self.spikes += 1
            self.spiked_ns += [round(off_ns) for off_ns, _ in off]
            self.note = f"spike {off[0][1]:.3f} between {before:.3f} and {after:.3f}"

    def _trim(self, at_ns: int) -> None:
        oldest = at_ns - WINDOW_S * NS
        recent, refused, spiked_ns = self.recent, self.refused, self.spiked_ns
        drop = 0
        while len(recent) - drop > LEVEL_OF and (
            recent[drop][0] < oldest or len(recent) - drop > WINDOW_MOST
        ):
            drop += 1
        if drop:
            del recent[:drop]
        while refused and refused[0] < oldest:
            del refused[0]
        while spiked_ns and (spiked_ns[0] < oldest or len(spiked_ns) > WINDOW_MOST):
            del spiked_ns[0]

    def _judge_noise(self, at_ns: int) -> None:
        self.noise_at_ns = at_ns
        values = [r[1] for r in self.recent]
        steps = [b - a for a, b in pairwise(values)]
        if len(steps) < NOISE_FROM:
            self.noise_ph = max(self.noise_ph, NOISE_UNKNOWN_PH)
            return
        middle = median(steps)
        spread = MAD_TO_SD * median(abs(s - middle) for s in steps)
        self.noise_ph = max(spread / math.sqrt(2), NOISE_LEAST_PH)
        garbage = len(self.refused) > GARBAGE_SHARE * len(self.recent)
        self.noisy = spread > NOISY_PH or garbage


def to_ph(value: float | None, conversion: Conversion) -> float | None:
    """The pH of a probe value, or None when it is no number or lies outside the plausible band."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not -1e9 <= value <= 1e9:
        return None
    ph = 7.0 + (value - conversion.at_ph7) / conversion.per_ph
    return ph if PLAUSIBLE_PH[0] <= ph <= PLAUSIBLE_PH[1] else None


def _fastest(ph: float, at_ns: int, recent: list[list[float]]) -> float:
    """The steeper of the slopes (pH/s) to the last reading and to the newest that is a second old.

    Steps within one second count as one second's, so that a burst or a fast probe is not steeper
    than the same water read once a second.
    """
    if not recent:
        return 0.0
    then_ns, then_ph = last_ns, last_ph = recent[-1]
    if at_ns - last_ns >= NS:
        return (ph - last_ph) / ((at_ns - last_ns) / NS)
    then_ns, then_ph = next((r for r in reversed(recent) if at_ns - r[0] >= NS), recent[0])
    last = (ph - last_ph) / max((at_ns - last_ns) / NS, 1.0)
    whole = (ph - then_ph) / max((at_ns - then_ns) / NS, 1.0)
    return max(last, whole, key=abs)


def assess(
    track: Track, now_ns: int, limits: ProbeLimits, *, service: bool = False
) -> tuple[Health, Flag, str]:
    """Health, flag and the test that set them, at this moment. Only health is used to decide.

    The flag is of the newest reading; it is 2 until three in a row without a silence can be compared.
    """
    if service:
        return Health.FUNCTION_CHECK, Flag.NOT_EVALUATED, "under_service"
    if not track.age_s(now_ns) <= limits.stale_s:
        return Health.FAILURE, Flag.MISSING, "no_good_reading"
    if track.jumped:
        return Health.OUT_OF_SPECIFICATION, Flag.SUSPECT, "jump"
    if track.is_unchanged(now_ns):
        return Health.MAINTENANCE, Flag.SUSPECT, "unchanged"
    if track.noisy:
        return Health.MAINTENANCE, Flag.SUSPECT, "noisy"
    if len(track.recent) < 3:
        return Health.GOOD, Flag.NOT_EVALUATED, "too_little_history"
    return Health.GOOD, Flag.PASS, "all"
