"""What a stream of messages is worth: every finding, its health and its flag, at any sampling."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import replace

import pytest
from nightheron.guard.limits import Conversion, ProbeLimits
from nightheron.guard.quality import PLAUSIBLE_PH, Track, assess, to_ph
from nightheron.model import NS, Flag, Health, Observed, Signal

PROBE = ProbeLimits(period_s=1.0, stale_s=5.0, conversion=Conversion(at_ph7=7.0, per_ph=1.0))
NERNST = Conversion(at_ph7=0.0, per_ph=-59.16)


class Ear:
    """A track that hears readings at given intervals."""

    def __init__(self, probe: ProbeLimits = PROBE) -> None:
        self.probe, self.track, self.now_ns = probe, Track(), 1000 * NS

    def hear(self, value: float | None, after_s: float = 1.0, refused: str | None = None) -> Ear:
        self.now_ns += round(after_s * NS)
        message = Observed(self.now_ns, Signal.CHAMBER_PH, 0, value, str(value), refused)
        self.track.hear(message, self.probe, 6.7, 6.3)
        return self

    def hears(self, values: Iterable[float], after_s: float = 1.0) -> Ear:
        for value in values:
            self.hear(value, after_s)
        return self

    def waits(self, seconds: float) -> Ear:
        self.now_ns += round(seconds * NS)
        return self

    def finds(self) -> tuple[Health, Flag, str]:
        return assess(self.track, self.now_ns, self.probe)


NOTHING = (Health.FAILURE, Flag.MISSING, "no_good_reading")
JUMP = (Health.OUT_OF_SPECIFICATION, Flag.SUSPECT, "jump")
PASS = (Health.GOOD, Flag.PASS, "all")


@pytest.mark.parametrize(
    "value", [None, float("nan"), float("inf"), float("-inf"), True, False, -0.1, 3.999, 9.001, 14.2, 10**400]
)
def test_what_is_no_number_in_the_band_is_no_reading(value: float | None) -> None:
    """NaN, infinity, booleans and numbers outside the plausible band never become readings."""
    assert to_ph(value, PROBE.conversion) is None
    ear = Ear().hear(value)
    assert (ear.track.readings, ear.track.ph, ear.finds()) == (0, None, NOTHING)


def test_the_edges_of_the_band_are_readings() -> None:
    """4.0 and 9.0 themselves are plausible."""
    assert [to_ph(edge, PROBE.conversion) for edge in PLAUSIBLE_PH] == list(PLAUSIBLE_PH)


@pytest.mark.parametrize(("mv", "ph"), [(0.0, 7.0), (59.16, 6.0), (-59.16, 8.0), (23.664, 6.6)])
def test_millivolts_become_ph(mv: float, ph: float) -> None:
    """An ideal electrode at 25 degC gives 59.16 mV per pH, zero at 7."""
    assert to_ph(mv, NERNST) == pytest.approx(ph, abs=1e-9)


def test_millivolts_outside_the_band_are_no_reading() -> None:
    """The band holds after the conversion, not before."""
    assert to_ph(6.9, NERNST) is not None
    assert to_ph(-200.0, NERNST) is None


def test_a_refused_message_is_no_reading() -> None:
    """What the driver refused is counted and is no reading, whatever its value."""
    ear = Ear().hear(6.9, refused="retained")
    assert (ear.track.readings, len(ear.track.refused), ear.finds()) == (0, 1, NOTHING)


def test_old_is_no_reading() -> None:
    """A reading counts for stale_s from its arrival, and not a millisecond longer."""
    ear = Ear().hears([6.9] * 5).waits(5.0)
    assert ear.finds() == PASS
    assert ear.waits(0.001).finds() == NOTHING


def test_garbage_does_not_refresh() -> None:
    """Lines that are no readings do not make an old reading fresh."""
    ear = Ear().hears([6.9] * 5)
    for _ in range(6):
        ear.hear(None, refused="no_match")
    assert ear.finds() == NOTHING


def test_too_little_history_is_said_and_permits() -> None:
    """The first readings are not evaluated, and say so."""
    ear = Ear().hear(6.9)
    assert ear.finds() == (Health.GOOD, Flag.NOT_EVALUATED, "too_little_history")
    assert ear.hears([6.9, 6.9]).finds() == PASS


def test_service_is_function_check() -> None:
    """Under service a signal is in function check, whatever it says."""
    found = assess(Ear().hears([6.9] * 9).track, 0, PROBE, service=True)
    assert found == (Health.FUNCTION_CHECK, Flag.NOT_EVALUATED, "under_service")


@pytest.mark.parametrize("after_s", [0.25, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("sign", [-1, 1])
def test_faster_than_water_is_a_jump_at_any_sampling(after_s: float, sign: int) -> None:
    """A move faster than half a pH a second is a jump, and steady again after three readings."""
    ear = Ear().hears([6.9] * 9, after_s)
    step = sign * 0.55 * max(after_s, 1.0)
    assert ear.hear(6.9 + step, after_s).finds() == JUMP
    assert ear.hear(6.9 + step, 1.0).hear(6.9 + step, 1.0).finds() == JUMP
    assert ear.hear(6.9 + step, 1.0).finds()[0] is Health.GOOD


@pytest.mark.parametrize("after_s", [0.25, 0.5, 1.0, 2.0])
def test_as_fast_as_water_is_no_jump_at_any_sampling(after_s: float) -> None:
    """A fall of 0.45 pH a second is none, however often it is sampled."""
    values = [6.9] * 9 + [6.9 - 0.45 * after_s * n for n in range(1, round(2 / after_s) + 1)]
    assert Ear().hears(values, after_s).finds()[0] is Health.GOOD


def test_a_ramp_sampled_often_is_a_jump() -> None:
    """Small steps that add up to more than half a pH in a second are a jump too."""
    assert Ear().hears([6.9] * 9).hears([6.7, 6.5, 6.3, 6.1, 5.9], 0.25).finds() == JUMP


def test_the_rate_is_taken_across_gaps() -> None:
    """After a gap the whole change counts over the whole gap."""
    ear = Ear().hears([6.9] * 9)
    assert ear.hear(5.0, 4.0).finds()[0] is Health.GOOD, "1.9 in 4 s"
    assert Ear().hears([6.9] * 9).hear(4.5, 4.0).finds() == JUMP, "2.4 in 4 s"
    assert Ear().hears([6.9] * 9).hear(4.5, 40.0).finds()[0] is Health.GOOD, "2.4 in 40 s"


def test_a_jump_never_hides_a_low_value() -> None:
    """The number of a reading that jumped stands, also when it is low."""
    ear = Ear().hears([6.9] * 9).hear(5.5)
    assert (ear.track.ph, ear.track.jumped_down) == (5.5, True)


@pytest.mark.parametrize("width", [1, 2])
def test_a_spike_is_noted_and_its_neighbours_stay_good(width: int) -> None:
    """One or two samples off their neighbours are noted when the next is in line; nothing good is marked."""
    ear = Ear().hears([6.9] * 9).hears([6.7] * width)
    assert (ear.track.spikes, ear.track.note) == (0, "")
    ear.hear(6.9)
    assert ear.track.spikes == 1
    assert ear.track.note.startswith("spike 6.700")
    assert ear.finds() == PASS
    assert ear.hears([6.9] * 3).track.spikes == 1


def test_a_step_is_no_spike() -> None:
    """Water that moved and stayed is no spike."""
    assert Ear().hears([6.9] * 9 + [6.6] * 9).track.spikes == 0


@pytest.mark.parametrize("period_s", [0.5, 1.0, 2.0])
def test_unchanged_counts_seconds(period_s: float) -> None:
    """A reading that stands for more than half an hour is suspect, at any sampling."""
    ear = Ear().hears([6.9] * round(1800 / period_s), period_s)
    assert ear.finds() == PASS
    found = ear.hears([6.9] * round(10 / period_s), period_s).finds()
    assert found == (Health.MAINTENANCE, Flag.SUSPECT, "unchanged")
    assert ear.hear(6.91, period_s).finds() == PASS


def test_unchanged_is_longer_for_a_probe_that_often_stands() -> None:
    """A probe of coarse resolution may stand ten times as long as it has stood before."""
    ear = Ear().hears([6.9] * 600 + [6.8] * 3000)
    assert ear.finds() == PASS
    assert ear.hears([6.8] * 3100).finds()[2] == "unchanged"


@pytest.mark.parametrize(
    "periods_s", [(0.5,), (1.0,), (0.3, 1.7, 0.9, 1.1)], ids=["half", "one", "irregular"]
)
@pytest.mark.parametrize(("sd_ph", "noisy"), [(0.005, False), (0.09, True)])
def test_noise_is_judged_alike_at_any_sampling(
    periods_s: tuple[float, ...], sd_ph: float, noisy: bool
) -> None:
    """A quiet probe passes and a noisy one wants maintenance, whatever the sampling; both permit."""
    dice = random.Random(7)  # noqa: S311 - reproducible noise, no secret
    ear = Ear()
    for n in range(300):
        ear.hear(7.2 + dice.gauss(0, sd_ph), periods_s[n % len(periods_s)])
    assert ear.track.noisy is noisy
    found = (Health.MAINTENANCE, Flag.SUSPECT, "noisy")
    assert ear.track.jumped or ear.finds() == (found if noisy else PASS)


def test_much_garbage_between_good_lines_is_noisy() -> None:
    """Good lines among many bad ones still permit, and want maintenance."""
    ear = Ear()
    for n in range(200):
        ear.hear(6.9 if n % 2 else None, 0.5)
    assert ear.finds() == (Health.MAINTENANCE, Flag.SUSPECT, "noisy")


def test_a_step_is_no_noise() -> None:
    """One step in quiet water leaves the noise as it was."""
    ear = Ear().hears([6.9, 6.91] * 60)
    before = ear.track.noise_ph
    assert ear.hears([6.5, 6.51] * 20).track.noise_ph == pytest.approx(before, rel=0.01)


def test_noise_is_never_below_the_digit() -> None:
    """A probe that moves in steps of 0.1 is not called quieter than 0.1."""
    assert Ear().hears([6.9, 6.9, 6.9, 7.0, 6.9, 6.9] * 20).track.least_noise_ph() > 0.0999
    assert Ear().hears([6.9, 6.9, 6.9, 6.91, 6.9, 6.9] * 20).track.least_noise_ph() < 0.02


@pytest.mark.parametrize("period_s", [0.5, 1.0, 2.5])
def test_settling_spans_seconds_not_samples(period_s: float) -> None:
    """The settle window is over when its readings span it, at any sampling."""
    ear = Ear(replace(PROBE, period_s=period_s, stale_s=3 * period_s)).hear(6.9)
    seconds = 0.0
    while not ear.track.settled(30.0):
        ear.hear(6.9, period_s)
        seconds += period_s
    assert seconds == 30.0


def test_settling_takes_three_readings() -> None:
    """Two readings never settle, however far apart they are."""
    slow = replace(PROBE, period_s=10.0, stale_s=30.0)
    assert not Ear(slow).hears([6.9, 6.9], 10.0).track.settled(1.0)
    assert Ear(slow).hears([6.9, 6.9, 6.9], 10.0).track.settled(1.0)


def test_settling_begins_anew_below_resume_after_silence_and_in_a_jump() -> None:
    """One reading below resume, a silence or a jump, and the window begins anew."""
    assert not Ear().hears([6.9] * 40 + [6.69] + [6.9] * 29).track.settled(30.0)
    assert not Ear().hears([6.9] * 40).hear(6.9, 6.0).hears([6.9] * 29).track.settled(30.0)
    assert not Ear().hears([6.9] * 40 + [8.0, 8.0, 8.0]).track.settled(1.0)


def test_a_burst_settles_nothing() -> None:
    """Lines that arrive at once do not stand for many seconds of water."""
    assert not Ear().hears([6.9] * 100, 0.0).track.settled(0.001)
    assert not Ear().hears([6.9] * 100, 0.002).track.settled(0.1)


def test_memory_stays_bounded() -> None:
    """A day of readings and garbage at ten a second leaves no more than the window."""
    ear = Ear()
    for n in range(20000):
        ear.hear(6.9 + (n % 7) / 100 if n % 3 else None, 0.1)
    assert len(ear.track.recent) <= 241
    assert len(ear.track.refused) <= 241
