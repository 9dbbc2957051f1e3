"""Rules that rest on what a chamber showed of itself: surges, standstill, wandering, verdicts of a day."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from nightheron.cycles import Learned
from nightheron.guard import learned as memory
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.rate import Rate
from nightheron.guard.wander import Wander
from nightheron.model import NS, Act, Gas, Reason, State, ValveSaid, Verdict, Work

from tests.support import night as support
from tests.support.night import Night, flowing, restarted

FALLS = 0.02
"""How fast the learned chamber falls with gas, pH a minute."""
SURGE_PER_S = -0.3 / 60
SLOW = (replace(support.PROBE, stale_s=900.0),)
"""A probe that may be silent for long, so that days pass in few events."""


def well_known(limits: ChamberLimits, **changes: object) -> Learned:
    """The memory of two days: falls by 0.02 a minute, turns after 20 s, is proved after 200 s."""
    known = Learned(
        cycles=40,
        learned_s=2 * 86400.0,
        under=memory.learned_under(limits),
        fall_ph_per_min=(FALLS,) * 31,
        tail_s=(20.0,) * 31,
        proved_s=(200.0,) * 31,
    )
    return replace(known, **changes)  # type: ignore[arg-type]  # fields by name


def known_and_flowing(known: Learned | None = None, **changes: object) -> Night:
    """Such a chamber with gas flowing, its trial answered."""
    limits = support.limits(**changes)
    night = Night(limits, begin=False).start(learned=known or well_known(limits))
    night.wait(125, 6.9)
    assert night.gas is Gas.OPEN
    return night


def surges(night: Night) -> Night:
    """pH falls by 0.3 a minute for half a minute, then rises again until gas opens, up to three minutes."""
    night.wait(40, slope_per_s=SURGE_PER_S)
    return night


def test_row_surge() -> None:
    """A fall far faster than learned shuts the gas; it opens by itself after a rest once pH has turned."""
    night = surges(known_and_flowing())
    decision = night.closing()
    assert (decision.reason, decision.state) == (Reason.SURGE, State.TRIPPED)
    assert decision.ph is not None and decision.ph > night.limits.floor_ph
    night.wait(300)
    assert Reason.SURGE in night.reasons, "the water has not told yet"
    night.wait(100, slope_per_s=0.002)
    assert night.gas is Gas.OPEN
    assert night.raised() == [Reason.SURGE]


def test_the_third_surge_in_a_day_waits_for_a_person() -> None:
    """Two surges open by themselves; the third latches, counted over a restart; a release begins anew."""
    night = known_and_flowing()
    for _ in range(2):
        surges(night).wait(200, 6.95)
        assert night.gas is Gas.OPEN
    again = restarted(night, learned=well_known(night.limits))
    again.wait(125, 6.95)
    assert again.gas is Gas.OPEN
    surges(again).wait(1200, 6.95)
    assert again.chamber.decision.state is State.LATCHED
    assert again.act(Act.RELEASE) == []
    again.wait(10)
    assert again.gas is Gas.OPEN
    surges(again).wait(200, 6.95)
    assert again.gas is Gas.OPEN


def test_surges_of_another_day_do_not_count() -> None:
    """A surge a day for a week latches nothing."""
    night = known_and_flowing(probes=SLOW)
    for _ in range(4):
        surges(night).wait(200, 6.95)
        assert night.gas is Gas.OPEN
        night.act(Act.SERVICE_ON)
        night.long(86400, 600.0)
        night.act(Act.SERVICE_OFF)
        night.wait(200, 6.95)
        assert night.gas is Gas.OPEN


@pytest.mark.parametrize(
    "known",
    [
        {"cycles": 4},
        {"learned_s": 86_399.0},
        {"fall_ph_per_min": (FALLS,) * 4},
        {"fall_ph_per_min": (0.1,) * 31},
        {"under": (1.0,)},
    ],
)
def test_what_is_not_known_well_is_no_surge(known: dict[str, object]) -> None:
    """Too few cycles, less than a day, a chamber that always falls fast, other limits: no surge."""
    limits = support.limits()
    night = surges(known_and_flowing(well_known(limits, **known)))
    assert Reason.SURGE not in night.reasons


def test_a_step_is_no_surge() -> None:
    """A reading that steps when the coil is switched has no rate, and neither has a spike."""
    night = known_and_flowing()
    night.wait(30, 6.75).wait(10, 6.65).wait(30, 6.75)
    assert night.gas is Gas.OPEN


@pytest.mark.parametrize("work", [Work.NEEDLE, Work.CYLINDER, Work.PROBE])
def test_after_hands_at_the_gas_no_fall_is_a_surge(work: Work) -> None:
    """What was learned with another needle, cylinder or probe calls no fall a surge."""
    night = known_and_flowing()
    night.act(Act.CHANGED, work=work)
    night.wait(130, 6.9)
    assert night.gas is Gas.OPEN
    assert Reason.SURGE not in surges(night).reasons


def test_row_stalled() -> None:
    """Shut below resume without a rise for stalled_s: told and held, until pH rises again."""
    night = flowing(stalled_s=1200.0).wait(30, 6.8).reads(6.59).wait(1190, 6.64)
    assert Reason.STALLED not in night.reasons
    night.wait(60)
    assert Reason.STALLED in night.reasons
    assert night.chamber.decision.state is State.TRIPPED
    assert Reason.STALLED in night.raised()
    again = restarted(night)
    again.wait(20, 6.64)
    assert Reason.STALLED in again.reasons, "a restart does not begin it anew"
    night.wait(100, slope_per_s=0.0005)
    assert Reason.STALLED not in night.reasons
    night.wait(300, slope_per_s=0.0005)
    assert night.gas is Gas.OPEN


def test_what_rises_or_is_held_has_not_stalled() -> None:
    """Water that rises or is above resume, a chamber in service and a silent probe are no standstill."""
    slow = flowing(stalled_s=1200.0).reads(6.3).wait(3600, 6.3, slope_per_s=0.00005)
    held = flowing(stalled_s=1200.0)
    held.act(Act.SERVICE_ON)
    held.wait(2000, 6.3)
    above = flowing(stalled_s=1200.0).wait(3600, 6.9)
    silent = flowing(stalled_s=1200.0).reads(6.59).wait(600, 6.64).wait(1800, None).wait(600, 6.64)
    for night in (slow, held, above, silent):
        assert Reason.STALLED not in [*night.reasons, *night.raised()]


def test_a_chamber_that_is_known_to_rise_stalls_sooner() -> None:
    """What was learned shortens the wait to half an hour at least, and never lengthens it."""
    limits = support.limits(stalled_s=7200.0)
    figures = memory.figures(well_known(limits))
    assert memory.stall_s(figures, limits) == 1800.0
    slow = memory.figures(well_known(limits, proved_s=(9000.0,) * 31))
    assert memory.stall_s(slow, limits) == 7200.0


def test_the_tail_of_a_surge_is_no_leak() -> None:
    """Gas left in the line after a surge takes pH down for long, ever more slowly: that wakes nobody."""
    night = flowing(floor_ph=6.6)
    night.wait(60, slope_per_s=-0.3 / 60)
    ph = 6.6
    for second in range(900):
        ph = 6.35 + 0.25 * 2.718281828 ** (-second / 90)
        night.wait(1, ph)
    assert Reason.NOT_STOPPING not in night.raised()
    night.wait(300, 6.35, slope_per_s=-0.001)
    assert Reason.NOT_STOPPING in night.raised(), "falling on for good does"


def test_a_leak_is_told_sooner_where_the_turn_is_known() -> None:
    """Where water turns after 20 s a leak is looked for after 80 s, not 150, and what is usual is told."""
    told = []
    for known in (Learned(), well_known(support.limits())):
        night = known_and_flowing(known)
        night.wait(100, slope_per_s=-0.0005).reads(6.59)
        at_ns = night.now_ns
        while Reason.NOT_STOPPING not in night.reasons:
            night.wait(1, (night.ph or 0) - 0.0005 if night.ph and night.ph < 6.6 else 6.59)
        told.append((night.now_ns - at_ns) / NS)
        evidence = dict(night.chamber.decision.evidence)[Reason.NOT_STOPPING]
        assert ("usually turns within 200 s" in evidence) is bool(known.cycles)
    assert told[1] < told[0] - 60


def test_a_probe_that_wanders_answers_nothing() -> None:
    """A reading that walks at random, as in air, ends in no_effect after one longest opening at most."""
    dice = random.Random(11)  # noqa: S311 - reproducible, no secret
    night = flowing(longest_opening_s=3600.0)
    ph = 6.9
    for _ in range(12 * 3600):
        ph += dice.gauss(0.0, 0.01) + (7.6 - ph) / 600
        night.wait(1, round(ph, 2))
        if Reason.NO_EFFECT in night.reasons:
            break
    assert Reason.NO_EFFECT in night.reasons
    assert night.chamber.left().opened_day_s <= 3600 + 600 + 5


@pytest.mark.parametrize(("noise", "wanders"), [(0.004, False), (0.02, False)])
def test_noise_and_turning_water_are_no_wandering(noise: float, wanders: bool) -> None:
    """White noise on water that falls and rises by turns is none, whatever its size."""
    dice, wander = random.Random(5), Wander()  # noqa: S311 - reproducible, no secret
    found = 0.0
    for minute in range(300):
        ph = 6.6 + 0.01 * abs(minute % 24 - 12) + dice.gauss(0.0, 0.56 * noise)
        wander.see(minute * 60 * NS, ph, max(noise, 0.01))
        found = max(found, wander.per_root_min_ph)
    assert (found > 0) is wanders


def test_a_walk_is_found_and_measured() -> None:
    """Of a walk of 0.08 in a minute the estimate lies within a factor of two, nine times in ten."""
    dice, wander, ph, seen = random.Random(5), Wander(), 7.0, []  # noqa: S311 - reproducible, no secret
    for minute in range(600):
        ph += dice.gauss(0.0, 0.08)
        wander.see(minute * 60 * NS, ph, 0.01)
        seen.append(wander.per_root_min_ph)
    near = [0.04 <= one <= 0.16 for one in seen[20:]]
    assert sum(near) >= 0.9 * len(near)


def test_a_rate_needs_five_readings_and_no_step() -> None:
    """A steady fall has its rate from the fifth point on; a step has none."""
    rate = Rate()
    said = [rate.see(n * 5 * NS, 7.0 - 0.02 * n, 0.005) for n in range(6)]
    assert said[:4] == [None] * 4
    assert said[4] == pytest.approx(0.24)
    step = Rate()
    assert [step.see(n * 5 * NS, 7.0 - 0.1 * (n > 2), 0.005) for n in range(9)] == [None] * 9


def test_a_probe_moved_to_a_buffer_while_shut_begins_a_trial() -> None:
    """A rise no water makes proves nothing: the next opening is a trial, and ends in no_effect."""
    night = flowing().wait(60, 6.8).reads(6.59).wait(30, 6.59)
    ph = 6.59
    for _ in range(150):
        ph += (7.0 - ph) / 20
        night.wait(1, round(ph, 2))
    night.wait(60, 7.0)
    assert night.gas is Gas.OPEN
    assert night.chamber.left().trial
    night.wait(600 + 1900, 7.0)
    assert Reason.NO_EFFECT in night.reasons


def test_verdicts_of_the_last_day_are_counted() -> None:
    """Each closing counts once as what it came to at last, over a restart too, for a day of running."""
    night = flowing(probes=SLOW).wait(60, 6.8).reads(6.59).wait(60, 6.75).wait(130, 6.9)
    assert night.chamber.decision.verdicts_day == (1, 0, 0)
    night.reads(6.59).wait(400, 6.59, slope_per_s=-0.0005)
    assert night.chamber.decision.verdicts_day == (1, 1, 0)
    night.wait(60, 6.75)
    assert night.chamber.decision.verdicts_day == (2, 0, 0), "it turned after all"
    again = restarted(night)
    again.wait(20, 6.9)
    assert again.chamber.decision.verdicts_day == (2, 0, 0)
    again.act(Act.SERVICE_ON)
    again.long(26 * 3600, 600.0)
    assert again.chamber.decision.verdicts_day == (0, 0, 0)


def test_a_verdict_says_how_long_it_took() -> None:
    """A proof carries the seconds from the closing to the rise."""
    night = flowing().wait(60, 6.8).reads(6.59).wait(60, 6.59)
    assert night.chamber.decision.verdict_s is None
    night.wait(60, 6.75)
    assert night.chamber.decision.verdict is Verdict.PROVED
    assert night.chamber.decision.verdict_s == pytest.approx(62, abs=3)


def test_a_day_without_a_proof_makes_the_next_closing_a_rest() -> None:
    """After a day of closings that could not be told the next is a rest until pH rises, or no_effect."""
    night = flowing().wait(60, 6.8)
    tally = night.chamber._s.tally
    tally.untold, tally.proved_ns = 3, night.now_ns - 86_400 * NS
    night.wait(8, 6.59)
    assert night.reasons[:2] == (Reason.FLOOR, Reason.PLANNED_REST)
    assert "no closing was proved in a day" in dict(night.chamber.decision.evidence)[Reason.PLANNED_REST]
    again = restarted(night)
    for one, rise in ((night, 6.8), (again, 6.59)):
        one.wait(60, 6.59).wait(200, rise)
    assert night.gas is Gas.OPEN, "pH rose: proved, and all is as before"
    again.wait(3500)
    assert Reason.NO_EFFECT not in again.reasons, "it waits twice as long"
    again.wait(3800)
    assert Reason.NO_EFFECT in again.reasons
    again.wait(60, 6.9)
    assert again.act(Act.RELEASE) == []
    assert again.wait(5).gas is Gas.OPEN


def test_closings_that_could_not_be_told_are_counted_toward_that_day() -> None:
    """Without a proof each closing counts; a proof, hands or a release begin anew."""
    night = flowing()
    for _ in range(3):
        night.feed(ValveSaid(night.now_ns, 0, link=False, acked=None))
        night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED))
        night.wait(125)
        assert night.gas is Gas.OPEN
    assert (night.chamber.left().untold, night.chamber.decision.verdicts_day) == (3, (0, 0, 3))
    assert restarted(night).chamber.left().untold == 3
    night.act(Act.CHANGED, work=Work.PUMP)
    assert night.chamber.left().untold == 0


def test_a_moved_probe_takes_back_only_what_it_proved() -> None:
    """A rise no water makes, in a closing that could not be told, leaves the day's counts as they are."""
    night = flowing().wait(60, 6.8).reads(6.59).wait(100, 6.55)
    night.act(Act.SERVICE_ON)
    night.act(Act.SERVICE_OFF)
    night.wait(30, 6.6)
    night.chamber._s.tally.hours[-1][2] += 3  # closings earlier in this hour
    ph = 6.6
    for _ in range(60):
        ph += (7.0 - ph) / 30
        night.wait(1, round(ph, 3))
    assert night.chamber._s.tally.hours[-1] == [0, 0, 4]
