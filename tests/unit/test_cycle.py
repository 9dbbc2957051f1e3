"""What the guard sees of each opening with its closing, and what it keeps of it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from nightheron.cycles import Cycle, Learned
from nightheron.guard import learned as memory
from nightheron.model import NS, Act, CycleOver, Gas, KeeperSaid, Late, ValveSaid, Work

from tests.support.night import Night, flowing, restarted


def cycles(night: Night) -> list[Cycle]:
    """Every cycle told so far."""
    return [e.cycle for _, e in night.effects if isinstance(e, CycleOver) and e.cycle is not None]


def ordinary(night: Night) -> Night:
    """From an opening: 100 s nothing, 10 min falling by 0.03 a minute; shut at the floor, 40 s falling on,
    then rising by 0.02 a minute until gas opens again."""
    night.wait(100)
    night.wait(605, slope_per_s=-0.0005)
    assert night.gas is Gas.CLOSED
    night.wait(40, slope_per_s=-0.0005)
    while night.gas is Gas.CLOSED:
        night.wait(1, slope_per_s=0.02 / 60)
    return night


def test_a_cycle_is_told_in_numbers() -> None:
    """Dead time, fall, tail, rise and the turn of a made-up cycle come out as they were made."""
    night = ordinary(flowing())
    (cycle,) = cycles(night)
    assert cycle.fall_ph_per_min == pytest.approx(0.03, rel=0.05)
    assert cycle.rise_ph_per_min == pytest.approx(0.02, rel=0.05)
    assert cycle.opened_s == pytest.approx(702, abs=4)
    assert cycle.dead_s is not None and 100 < cycle.dead_s < 240
    assert cycle.tail_s == pytest.approx(40, abs=6)
    assert cycle.proved_s is not None and 40 < cycle.proved_s < 250
    assert cycle.lowest_ph == pytest.approx(6.58, abs=0.01)
    assert cycle.answered and cycle.proved and cycle.doubtful == ""


def test_a_fall_that_comes_to_rest_tells_nine_tenths() -> None:
    """An exponential fall with a time constant of 300 s reaches nine tenths after 2.3 of these (ln 10)."""
    night = flowing(floor_ph=6.0, resume_ph=6.1)
    for second in range(3000):
        night.wait(1, 6.5 + 0.4 * 2.718281828 ** (-second / 300))
    night.wait(30, 5.99)
    night.wait(400, 6.3)
    (cycle,) = cycles(night)
    assert cycle.t90_s == pytest.approx(691, rel=0.15)


@pytest.mark.parametrize("what", ["jump", "keeper", "link", "late", "hands"])
def test_a_disturbed_cycle_teaches_nothing(what: str) -> None:
    """After a jump, a lost valve or hands at work a cycle is told with the reason, and nothing is learned."""
    night = flowing()
    night.wait(100)
    night.wait(300, slope_per_s=-0.0003)
    if what == "jump":
        night.reads(7.9).wait(5)
    elif what == "keeper":
        night.feed(KeeperSaid(night.now_ns, alive=False)).feed(KeeperSaid(night.now_ns, alive=True))
    elif what == "link":
        night.feed(ValveSaid(night.now_ns, 0, link=False, acked=None))
    elif what == "late":
        night.feed(Late(night.now_ns, 3.0))
    else:
        night.act(Act.CHANGED, work=Work.NEEDLE)
    if what in ("keeper", "link"):
        night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED))
    night.wait(400, 6.95)
    (cycle,) = cycles(night)
    assert cycle.doubtful
    assert night.chamber.left() is not None
    assert [e.learned.cycles for _, e in night.effects if isinstance(e, CycleOver)] == [0]


def test_a_long_closing_ends_its_cycle_once() -> None:
    """A cycle is told after two hours of closed gas, and not again when gas opens."""
    night = flowing()
    night.wait(300, slope_per_s=-0.0005)
    night.act(Act.SERVICE_ON)
    night.long(3 * 3600)
    assert len(cycles(night)) == 1
    night.act(Act.SERVICE_OFF)
    night.wait(400, 6.95)
    assert night.gas is Gas.OPEN
    assert len(cycles(night)) == 1


def test_memory_is_bounded_and_robust() -> None:
    """Of many cycles the newest 31 stay; one wild value moves neither the usual value nor its spread much."""
    one = Cycle(600.0, 600.0, fall_ph_per_min=0.01)
    learned = Learned()
    for number in range(200):
        learned = memory.learn(learned, replace(one, fall_ph_per_min=0.0100 + 0.0001 * (number % 5)))
    learned = memory.learn(learned, replace(one, fall_ph_per_min=5.0))
    assert learned.cycles == 201 and len(learned.fall_ph_per_min) == 31
    usual = memory.usual(learned.fall_ph_per_min)
    assert usual is not None
    assert usual.value == pytest.approx(0.0102, abs=0.0001)
    assert usual.spread < 0.0005
    assert memory.usual(learned.fall_ph_per_min[:4]) is None


def test_what_is_learned_outlives_a_restart_but_not_other_limits() -> None:
    """A start goes on with what was learned, and begins anew when floor or calibration are others."""
    night = ordinary(flowing())
    learned = next(e.learned for _, e in night.effects if isinstance(e, CycleOver))
    assert learned.cycles == 1
    assert memory.carried(learned, night.limits) == learned
    assert memory.carried(learned, replace(night.limits, floor_ph=6.5)).cycles == 0
    assert memory.carried(None, night.limits) == Learned(under=memory.learned_under(night.limits))
    again = restarted(night, learned=learned)
    again.wait(125, 6.9)
    ordinary(again)
    assert [e.learned.cycles for _, e in again.effects if isinstance(e, CycleOver)] == [2]


@pytest.mark.parametrize(
    ("work", "kept"), [(Work.NEEDLE, ("noise_ph", "proved_s", "rise_ph_per_min")), (Work.PROBE, ())]
)
def test_hands_make_it_forget_what_they_touch(work: Work, kept: tuple[str, ...]) -> None:
    """A needle that was set leaves rise and noise known; another probe leaves nothing; a row says so."""
    night = ordinary(flowing())
    night.act(Act.CHANGED, work=work)
    over = [e for _, e in night.effects if isinstance(e, CycleOver)][-1]
    assert over.cycle is None and over.learned.cycles == 0
    assert tuple(sorted(n for n in memory.FEATURES if getattr(over.learned, n))) == kept
    assert over.learned.under == memory.learned_under(night.limits)
    assert night.now_ns % NS == 0
