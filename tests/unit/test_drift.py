"""The search for drift: what is learned, found, told and forgotten, hour by hour and on the core."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import replace

import pytest
from nightheron.guard.ageing import DAY_S, Record, ageing
from nightheron.guard.causes import TABLE, Cause, Moved, explain, steps, words
from nightheron.guard.drift import HOUR_NS, Drift
from nightheron.guard.drift_kept import carried, kept
from nightheron.guard.drift_watch import cycle as cycle_over, switched
from nightheron.guard.interlock import RULES
from nightheron.guard.snapshot import from_json, to_json
from nightheron.guard.streams import KINDS, Stream, in_words, to_line
from nightheron.guard.tested import effluent
from nightheron.guard.usual import LEARN_BLOCKS, LEARN_MOST, learn
from nightheron.guard.work import WORKS
from nightheron.journal.pack import pack, unpack
from nightheron.model import Act, Clear, Cycle, Gas, Hour, Raise, Reason, Signal, Started, UsualNow, Work

from tests.support.night import PROBE, TANK, Night, Water, flowing

DAY_H = 24
LEARNED_D = LEARN_BLOCKS // 4 + 1
USUAL = {
    Stream.FALL: 0.011,
    Stream.RISE: 0.013,
    Stream.ANSWER: 150.0,
    Stream.NOISE: 0.004,
    Stream.TANK: 8.1,
    Stream.TWINS: 0.02,
}
SHARE = 0.5


def play(
    drift: Drift,
    days: float,
    *,
    seed: int = 1,
    share: float = SHARE,
    known: bool = True,
    times: Mapping[str, float] | None = None,
    **more: float,
) -> Drift:
    """Days of a chamber whose streams are ``times`` as large as usual (or so much more, for pH)."""
    moves = {**(times or {}), **more}
    dice = random.Random(seed)  # noqa: S311 - noise, no secret
    for _ in range(round(days * DAY_H)):
        hour = drift.now.hour
        drift.pass_time(round(share * HOUR_NS), flows=True, undisturbed=True)
        drift.pass_time(HOUR_NS - round(share * HOUR_NS), flows=False, undisturbed=True)
        for stream, usual in USUAL.items():
            off = moves.get(stream.value, 1.0 if KINDS[stream].log else 0.0)
            course = 0.1 * math.sin(2.0 * math.pi * (hour or 0) / 24.0) if stream is Stream.TANK else 0.0
            scatter = dice.gauss(0.0, 0.03)
            value = usual * off * math.exp(scatter) if KINDS[stream].log else usual + off + course
            drift.hear(stream, value + (0.0 if KINDS[stream].log else 0.1 * scatter))
        drift.end_hour((drift.hours + 1) % 24 if known else None, 2)
    return drift


def learned() -> Drift:
    """Two weeks of an ordinary chamber."""
    return play(Drift(), LEARNED_D)


def test_an_ordinary_chamber_is_not_spoken_of() -> None:
    """Two weeks to learn, and then three months without a word."""
    drift = play(learned(), 90, seed=2)
    assert drift.told == {}
    assert all(line.usual is not None for line in drift.lines.values())


def test_the_hour_of_the_day_is_taken_into_account() -> None:
    """A tank that swings by 0.2 pH a day is held against its own hour: 0.1 below all day is found."""
    drift = play(learned(), 6, tank=-0.1)
    assert "the tank's pH stands 0.10 below what it usually is at this hour" in drift.told[Reason.TANK_DRIFT]


def test_an_hour_that_nobody_named_says_nothing_of_the_tank() -> None:
    """Without a right clock the tank and the share of open time are not judged; the gas cycles are."""
    drift = play(learned(), 6, known=False, tank=-0.3, rise=0.6)
    assert set(drift.told) == {Reason.DRIFT}
    assert play(Drift(), LEARNED_D, known=False).lines.keys() & {Stream.TANK, Stream.SHARE} <= {
        stream for stream, line in drift.lines.items() if not line.learning
    }


@pytest.mark.parametrize(
    ("moves", "share", "reason", "first"),
    [
        ({"fall": 1.4}, 0.42, Reason.DRIFT, Cause.NEEDLE_OPEN),
        ({"fall": 0.6}, 0.63, Reason.DRIFT, Cause.CYLINDER),
        ({"rise": 0.75, "fall": 1.08}, 0.42, Reason.DRIFT, Cause.VALVE_PASSES),
        ({"rise": 1.3}, 0.57, Reason.DRIFT, Cause.FEED_MORE),
        ({"rise": 0.7, "fall": 0.7}, SHARE, Reason.DRIFT, Cause.CIRCULATION),
        ({"answer": 1.8, "rise": 0.9}, SHARE, Reason.DRIFT, Cause.FOULED),
        ({"noise": 2.5}, SHARE, Reason.PROBE_DRIFT, Cause.INTERFERENCE),
        ({"twins": 0.03}, SHARE, Reason.PROBE_DRIFT, Cause.ONE_PROBE),
        ({"tank": -0.12}, SHARE, Reason.TANK_DRIFT, Cause.EFFLUENT_CO2),
        ({"tank": 0.12}, SHARE, Reason.TANK_DRIFT, Cause.TANK_PROBE),
        ({}, 0.3, Reason.DRIFT, Cause.NEEDLE_OPEN),
        ({}, 0.7, Reason.DRIFT, Cause.CYLINDER),
    ],
)
def test_what_moved_names_its_causes(
    moves: dict[str, float], share: float, reason: Reason, first: Cause
) -> None:
    """Each pattern is found within four days, under its reason, with its likeliest cause first."""
    drift = play(learned(), 4, share=share, times=moves)
    assert set(drift.told) == {reason}
    likely = drift.told[reason].partition("Likely")[2].partition(": ")[2]
    assert likely.startswith(first.value)


def test_what_is_over_is_no_longer_told() -> None:
    """A change that went away is let go within a week."""
    drift = play(learned(), 4, fall=1.4, seed=3)
    assert Reason.DRIFT in drift.told
    assert play(drift, 7).told == {}


def test_half_of_what_is_worth_telling_is_never_told() -> None:
    """A rate that stands off by less than half of it adds up to nothing in a month."""
    assert play(learned(), 30, rise=math.exp(-0.4 * KINDS[Stream.RISE].worth)).told == {}


def test_disturbed_hours_do_not_count() -> None:
    """A day on which gas was held is no drift of the gas."""
    drift = learned()
    for _ in range(96):
        drift.pass_time(HOUR_NS, flows=False, undisturbed=False)
        drift.hear(Stream.FALL, 0.03)
        drift.end_hour(0, 1)
    assert drift.told == {}


def test_memory_is_bounded_and_written_down_exactly() -> None:
    """Whatever comes, a stream keeps two weeks at most, and an hour 120 values; to JSON and back."""
    drift = Drift()
    for n in range(3000):
        drift.hear(Stream.NOISE, 0.004 + 1e-6 * (n % 7))
    drift.pass_time(HOUR_NS, flows=True, undisturbed=True)
    assert sum(len(found) for found in drift.now.values.values()) == 120
    line = play(drift, 8).lines[Stream.NOISE]
    for n in range(2000):
        line.hear(0.1, n % 24, 3, by_hour=False)
    assert len(line.learning) == LEARN_MOST
    for state in (Drift(), drift, learned(), play(learned(), 4, fall=1.4)):
        assert from_json(Drift, to_json(state)) == state


def test_values_that_are_none_are_not_kept() -> None:
    """Nothing, no number and a rate of 0 are no values."""
    drift = Drift()
    for value in (None, math.nan, math.inf, 0.0, -1.0):
        drift.hear(Stream.FALL, value)
    assert drift.now.values == {}
    assert to_line(Stream.TWINS, -0.01) == -0.01


def test_little_is_enough_to_learn_from_and_nothing_is_not() -> None:
    """One value of no known hour gives a usual value at every hour; strange ones do not move it."""
    assert learn([[0, -1, 2.0]], 0.1).at_hour == [2.0] * 24
    rows = [[n // 6, n % 24, 1.0 if n % 9 else 50.0] for n in range(336)]
    assert learn(rows, 0.1).at_hour == [1.0] * 24


# ---- the table of causes ----


def test_every_row_is_whole() -> None:
    """Each row has signs, causes and a check, is told under a reason that only tells, and can be worded."""
    for row in TABLE:
        assert row.signs and row.causes and row.check
        assert not RULES[row.reason].objects
        moved = {stream: Moved(sign, sign * KINDS[stream].worth) for stream, sign in row.signs}
        assert row in explain(moved)
        for probes in (1, 2):
            told = words(row, moved, probes=probes)
            assert row.check in told and "{}" not in told and ".." not in told
            assert ("check it with a buffer" in told) is (row.or_probe and probes == 1)


def test_what_stands_off_and_was_not_found_is_not_told() -> None:
    """A rate that is off and whose chart is silent names nothing; found, the one that changed most leads."""
    assert explain({Stream.FALL: Moved(0, 0.3)}) == []
    (row,) = explain({Stream.FALL: Moved(1, 0.3), Stream.RISE: Moved(-1, -0.5), Stream.ANSWER: Moved(0, 0.1)})
    assert row.causes[0] is Cause.VALVE_PASSES
    assert (
        explain({Stream.NOISE: Moved(1, 0.9), Stream.RISE: Moved(-1, -0.5)})[0].reason is Reason.PROBE_DRIFT
    )


def test_every_cause_is_in_the_table() -> None:
    """No cause is there for nothing."""
    assert {cause for row in TABLE for cause in row.causes} == set(Cause)


def test_spent_media_is_suspected_from_a_test_of_the_effluent() -> None:
    """Less gas needed and less alkalinity in the effluent: media first, needle not named."""
    moved = {
        Stream.FALL: Moved(1, 0.4),
        Stream.SHARE: Moved(-1, -0.12),
        Stream.EFFLUENT: Moved(-1, -0.25),
    }
    (row,) = explain(moved)
    assert row.causes == (Cause.MEDIA,)
    assert "effluent alkalinity is 22 % lower than usual" in words(row, moved, probes=1)
    (without,) = explain({s: m for s, m in moved.items() if s is not Stream.EFFLUENT})
    assert Cause.MEDIA in without.causes[1:]


def test_tests_of_the_effluent_are_held_against_those_before() -> None:
    """The newest two against the rest, in any order and unit; too few and nonsense say nothing."""
    tests = [(4.0, 15.0), (1.0, 20.0), (2.0, 20.4), (3.0, 15.2)]
    moved = effluent(tests)
    assert moved is not None
    assert (moved.found, round(math.exp(moved.off), 2)) == (-1, 0.75)
    little = effluent([(n, 20.0 + 0.2 * n) for n in range(6)])
    assert little is not None
    assert (little.found, round(little.off, 2)) == (0, 0.03)
    assert effluent([(4.0, math.nan), (5.0, 0.0), *tests[:3]]) is None


def test_tests_and_calibrations_join_what_is_told() -> None:
    """Spent media is named when the owner's tests fell, and an ageing probe beside a noisy one."""
    drift = play(learned(), 4, fall=1.5, noise=1.0, share=0.4)
    assert Cause.MEDIA.value not in drift.told[Reason.DRIFT].partition("; ")[0]
    drift.tests[Stream.EFFLUENT] = Moved(-1, -0.25)
    drift.aged = ageing([Record(n * 14 * DAY_S, 98.0 - 2.0 * n - 0.1 * (n % 2), -2.0) for n in range(4)])
    drift.tell(1)
    assert "Likely: the media is spent." in drift.told[Reason.DRIFT]
    assert "the probe's slope went from 98.0 to 91.9 % over 42 days" in drift.told[Reason.PROBE_DRIFT]
    assert len(steps(drift.told[Reason.PROBE_DRIFT])) == 3


def test_the_core_hears_its_own_cycles() -> None:
    """An afternoon of cuts gives falls, rises and answers; one that hands disturbed gives none."""
    night = Night().wait(200)
    night.lives(5400, Water(low=6.3, high=7.4, tau_s=900.0))
    found = night.chamber._s.drift
    assert {Stream.FALL, Stream.RISE, Stream.ANSWER} <= found.now.values.keys() | found.lines.keys()
    before = {stream: list(values) for stream, values in found.now.values.items()}
    cycle_over(night.chamber._s, Cycle(600.0, 600.0, fall_ph_per_min=9.0, doubtful="the reading jumped"))
    assert {stream: list(values) for stream, values in found.now.values.items()} == before


def test_sizes_are_said_as_people_say_them() -> None:
    """Shares in percent, large ones as times, pH with its digits."""
    assert in_words(Stream.FALL, 0.34) == "with gas on, pH falls 40 % faster than usual"
    assert in_words(Stream.NOISE, 1.2) == "the reading is 3.3 times as noisy as usual"
    assert in_words(Stream.TWINS, -0.012) == "probe 2 reads 0.012 lower against probe 1 than it used to"
    assert in_words(Stream.SHARE, -0.11) == "gas is open less than usual, by 11 % of the time"


# ---- on the core ----


def drifting(reason: Reason, change: Callable[[Drift], object]) -> None:
    """Gas flows on while ``change`` is found and told once; it ends when hands say what they did."""
    night = Night(tank=TANK)
    night.tank_ph = 8.1
    night.wait(200)
    assert night.gas is Gas.OPEN
    drift = night.chamber._s.drift
    play(drift, LEARNED_D)
    night.wait(5)
    assert night.raised() == []
    change(drift)
    night.wait(5)
    assert (night.gas, night.chamber.decision.reasons) == (Gas.OPEN, ())
    (raised,) = [effect for _, effect in night.effects if isinstance(effect, Raise)]
    assert (raised.reason, raised.kind) == (reason, RULES[reason].alarm)
    assert raised.text.startswith("west: ")
    assert "To tell: " in raised.text
    night.act(Act.CHANGED, work=Work.LAY_UP)
    night.wait(5)
    assert [effect.reason for _, effect in night.effects if isinstance(effect, Clear)] == [reason]


def test_row_drift() -> None:
    """Gas and water that answer each other otherwise are told; gas goes on."""
    drifting(Reason.DRIFT, lambda drift: play(drift, 4, fall=1.5, share=0.4))


def test_row_probe_drift() -> None:
    """A probe that reads otherwise is told; gas goes on."""
    drifting(Reason.PROBE_DRIFT, lambda drift: play(drift, 4, noise=3.0))


def test_row_tank_drift() -> None:
    """A tank off its usual pH is told; gas goes on."""
    drifting(Reason.TANK_DRIFT, lambda drift: play(drift, 4, tank=-0.15))


def test_the_core_collects_what_it_watches() -> None:
    """Within an hour of running it has tank pH, open time, and the step at each switch; a new hour begins."""
    night = Night(tank=TANK)
    night.tank_ph = 8.1
    night.feed(Hour(night.now_ns, 7, synced=True)).wait(900)
    night.ph = 6.58
    night.wait(30)
    night.ph = 6.9
    night.wait(900)
    now = night.chamber._s.drift.now
    assert now.hour == 7
    assert len(now.values[Stream.TANK]) == 30
    assert 0 < now.open_ns < now.ran_ns
    assert now.values[Stream.STEP] == [0.0, 0.0, 0.0]
    night.long(1800)
    night.feed(Hour(night.now_ns, 8, synced=False))
    assert (night.chamber._s.drift.hours, night.chamber._s.drift.now.hour) == (1, None)


def test_the_core_compares_two_probes_while_both_speak() -> None:
    """The difference counts once a minute while both are fresh and nobody holds the chamber."""
    night = Night(probes=(PROBE, PROBE))
    night.others[(Signal.CHAMBER_PH, 1)] = 6.94
    night.wait(300)
    seen = night.chamber._s.drift.now.values[Stream.TWINS]
    assert len(seen) == 5
    assert seen[-1] == pytest.approx(0.04)
    del night.others[(Signal.CHAMBER_PH, 1)]
    night.wait(120)
    night.others[(Signal.CHAMBER_PH, 1)] = 6.94
    night.wait(30)
    night.act(Act.SERVICE_ON)
    night.wait(300)
    now = night.chamber._s.drift.now
    assert len(now.values[Stream.TWINS]) <= 6
    assert now.disturbed


def test_a_step_is_read_only_right_at_the_switch() -> None:
    """A reading long before or after the switch says nothing of interference."""
    night = flowing()
    s = night.chamber._s
    s.drift.now.values.clear()
    ordered_ns = s.ordered_ns
    second = 10**9
    for before_ns, at_ns in (
        (ordered_ns - second, ordered_ns + 2 * second),
        (ordered_ns + 1, ordered_ns + second),
        (ordered_ns - 2 * second, ordered_ns - second),
    ):
        switched(s, 6.9, before_ns, 6.95, at_ns)
    switched(s, None, ordered_ns, 6.95, ordered_ns + second)
    assert Stream.STEP not in s.drift.now.values
    switched(s, 6.9, ordered_ns - second, 6.95, ordered_ns + second)
    assert s.drift.now.values[Stream.STEP] == [pytest.approx(0.05)]


def test_an_hour_without_a_word_ends_by_itself() -> None:
    """Nobody says which hour it is: after an hour and a half of running a new one begins, unnamed."""
    night = Night().long(5460)
    assert night.chamber._s.drift.hours == 1


def test_what_is_usual_outlives_a_restart() -> None:
    """A start goes on with what the last run wrote: learning, what was found, and the alarm about it."""
    limits = Night(tank=TANK).limits
    for drift in (play(Drift(), 5), learned(), play(learned(), 4, fall=1.5, share=0.4)):
        packed = unpack(pack([Started(0, None, 1, False, False, None, kept(drift, limits))]))
        (started,) = packed
        assert isinstance(started, Started)
        read = carried(started.usual, limits)
        assert (read.lines, read.hours, list(read.told)) == (drift.lines, drift.hours, list(drift.told))
        night = Night(tank=TANK, begin=False)
        night.feed(replace(started, at_ns=night.now_ns))
        assert night.raised() == list(drift.told)


def test_what_is_usual_is_written_down_every_six_hours() -> None:
    """The core asks for a row at the end of a block and when hands made it forget, and its text says why."""
    night = Night(tank=TANK).wait(60)
    play(night.chamber._s.drift, 6 / 24)
    night.wait(1)
    night.act(Act.CHANGED, work=Work.NEEDLE)
    rows = [effect for _, effect in night.effects if isinstance(effect, UsualNow)]
    assert [carried(row.usual, night.limits).hours for row in rows] == [6, 6]
    assert rows[0].text == "usual known of 0 of 7 figures, 6 h of running: nothing drifts that can be seen"


def test_a_memory_of_other_limits_or_a_broken_one_is_none() -> None:
    """Another floor, another version and any damage make a chamber learn anew, never fail."""
    limits = Night(tank=TANK).limits
    whole = kept(learned(), limits)
    assert isinstance(whole, tuple)
    assert carried(whole, limits).lines
    assert carried(whole, replace(limits, floor_ph=6.5)) == Drift()
    version, under, hours, lines = whole
    assert isinstance(lines, tuple)
    first = lines[0]
    assert isinstance(first, tuple)
    for broken in (
        *(None, 1, "text", (), (2, under, hours, lines), (version, under, "many", lines)),
        *((version, under, hours, ((("tide"), *first[1:]),)), (version, under, hours, (first[:-1],))),
        (version, under, hours, ((first[0], 0, ((1, 99, 0.5),), None, (0.0, 0.0, None, 0), ()),)),
        (version, under, hours, ((first[0], 0, (), ((1.0,), 0.1, 1.0, 5.0, 0.0), (0.0, 0.0, None, 0), ()),)),
        (version, under, hours, ((first[0], 0, (), None, (True, 0.0, None, 0), ()),)),
    ):
        assert carried(broken, limits) == Drift()


def test_hands_forget_what_they_changed() -> None:
    """Each kind of work forgets what it can have moved, and leaves the rest."""
    kept = {
        Work.NEEDLE: {Stream.RISE, Stream.ANSWER, Stream.NOISE, Stream.TWINS, Stream.TANK},
        Work.CYLINDER: {Stream.RISE, Stream.ANSWER, Stream.NOISE, Stream.TWINS, Stream.TANK},
        Work.MEDIA: {Stream.NOISE, Stream.TWINS, Stream.TANK},
        Work.PROBE: {Stream.TANK},
        Work.FEED: {Stream.ANSWER, Stream.NOISE, Stream.TWINS},
        Work.PUMP: {Stream.NOISE, Stream.TWINS, Stream.TANK},
        Work.LAY_UP: set(),
    }
    assert kept.keys() == WORKS.keys()
    for work, streams in kept.items():
        night = Night().wait(200)
        play(night.chamber._s.drift, LEARNED_D)
        night.act(Act.CHANGED, work=work)
        assert night.chamber._s.drift.lines.keys() - {Stream.STEP} == streams, work
