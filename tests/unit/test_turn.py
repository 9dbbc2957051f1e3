"""Two valves in series take turns being proved, as timelines."""

from __future__ import annotations

from nightheron.guard.limits import ValveLimits
from nightheron.guard.turn import EVERY_NS
from nightheron.model import Act, Close, Gas, Reason, State, Verdict

from tests.support.night import PROBE, TANK, Night, restarted

TWO = ValveLimits(lease_s=5.0, travel_s=2.0, feedback=False, count=2)
TURN_S = 300


def settled(ph: float = 6.9, **changes: object) -> Night:
    """Two valves in series, a turn just begun."""
    night = Night(valve=TWO, **changes)  # type: ignore[arg-type]  # fields of ChamberLimits by name
    night.wait(122, ph)
    assert night.reasons == (Reason.VALVE_TURN,)
    return night


def test_row_valve_turn() -> None:
    """Before gas opens, one valve opens alone under its lease while the other stays shut; then both."""
    night = settled()
    assert night.flows_alone == 0
    assert night.gas is Gas.CLOSED
    night.wait(TURN_S, slope_per_s=0.0005)
    assert night.wait(3).gas is Gas.OPEN
    assert any("valve 2 held" in note for row in night.rows() for note in row.notes)
    night.wait(60, 6.9, slope_per_s=-0.002).wait(1, 6.5)
    assert any("valve 2 proved" in note for row in night.rows() for note in row.notes)


def test_a_valve_stuck_shut_in_the_others_turn_proves_nothing() -> None:
    """If the valve that was to open alone is stuck shut, no gas flows later either: nothing was proved."""
    night = settled().wait(TURN_S, slope_per_s=0.0005).wait(700, 7.05)
    assert Reason.PLANNED_REST in night.reasons
    notes = [note for row in night.rows() for note in row.notes]
    assert any("turn of valve 2 could not tell" in note for note in notes)
    assert not any("proved shut" in note for note in notes)
    assert night.chamber.left().turn_shut == 1


def test_the_valves_take_turns() -> None:
    """After one valve was proved the other has its turn, half a day of running later."""
    night = settled().wait(TURN_S + 3, slope_per_s=0.0005).wait(60, slope_per_s=-0.002)
    night.chamber._s.turn.since_ns = EVERY_NS
    night.wait(1, 6.5).wait(150, 6.9)
    assert night.flows_alone == 1


def test_row_valve_passes() -> None:
    """Water that falls while one valve is shut alone: it passes gas; both shut, and a person must look."""
    night = settled(7.2).wait(120, slope_per_s=-0.001)
    assert Reason.VALVE_PASSES in night.reasons
    assert night.chamber.decision.state is State.LATCHED
    assert night.flows_alone is None
    assert isinstance(night.effects[-1][1], Close) or night.gas is Gas.CLOSED
    assert Reason.VALVE_PASSES in night.raised()
    night.wait(600, 7.2)
    assert night.gas is Gas.CLOSED
    assert night.act(Act.RELEASE) == []
    assert night.wait(5).flows_alone == 0, "the same valve has its turn again"


def test_whatever_joins_ends_the_turn() -> None:
    """A reading below the floor, or a hold, shuts the one valve that was open alone."""
    assert settled().wait(1, 6.5).flows_alone is None
    night = settled()
    night.act(Act.SERVICE_ON)
    assert night.flows_alone is None


def test_an_interrupted_turn_does_not_keep_gas_shut() -> None:
    """A turn that was broken off could not tell, and gas opens as usual afterwards."""
    night = settled().wait(1, 6.65)
    night.wait(60, 6.9)
    assert night.gas is Gas.OPEN


def test_a_turn_waits_for_its_row_and_no_longer_than_itself() -> None:
    """No valve opens alone before its row is on disk, and a journal that loses the row holds nothing up."""
    night = Night(valve=TWO)
    night.wait(115, 6.9)
    night.commits = False
    night.wait(60)
    assert night.reasons == (Reason.VALVE_TURN,)
    assert night.flows_alone is None
    night.commits = True
    night.wait(TURN_S + 10)
    assert night.gas is Gas.OPEN


def test_one_valve_has_no_turns() -> None:
    """A chamber with one valve opens without a turn."""
    assert Night().wait(125, 6.9).gas is Gas.OPEN


def test_turns_go_on_over_a_restart() -> None:
    """A restart does not begin the turns anew."""
    night = settled().wait(TURN_S + 10, slope_per_s=0.0005)
    assert night.gas is Gas.OPEN
    assert restarted(night).wait(140).gas is Gas.OPEN


def test_a_probe_that_is_lost_during_a_turn_is_no_fall() -> None:
    """One of three probes silent: the two others decide, on a lower level, and no valve passes."""
    night = Night(valve=TWO, probes=(PROBE, PROBE, PROBE)).second(6.95, 6.8)
    night.wait(130, 6.9)
    assert night.flows_alone == 0
    night.second(None, 6.8).wait(60)
    assert night.chamber.decision.ph == 6.8
    assert night.reasons == (Reason.VALVE_TURN,)


def test_a_valve_that_passes_in_its_turn_is_not_gas_that_does_not_stop() -> None:
    """Water that had not turned falls while one valve is shut alone: it passes, and nothing else is told."""
    night = Night(valve=TWO, tank=TANK)
    night.chamber._s.turn.since_ns, night.tank_ph = 0, 8.0
    night.wait(125, 7.0).wait(100, slope_per_s=-0.001)
    night.tank_ph = 7.6
    night.wait(170, slope_per_s=-0.0001)
    assert night.closing().verdict is Verdict.PENDING
    night.chamber._s.turn.since_ns, night.tank_ph = EVERY_NS, 8.0
    after = night.wait(60, slope_per_s=-0.001).wait(300, slope_per_s=-0.0005)
    assert after.chamber.decision.verdict is Verdict.COULD_NOT_TELL
    assert Reason.VALVE_PASSES in night.reasons
    assert Reason.NOT_STOPPING not in night.raised()


def test_a_bleed_does_not_wait_for_a_turn() -> None:
    """Hands at the needle valve have their seconds of gas though a turn is due; it comes afterwards."""
    night = Night(valve=TWO).wait(5, 6.9)
    night.act(Act.SERVICE_ON)
    night.wait(150)
    assert night.act(Act.BLEED, for_s=10) == []
    assert night.wait(2).gas is Gas.OPEN
    assert night.flows_alone is None
    assert night.wait(10).gas is Gas.CLOSED
    night.act(Act.SERVICE_OFF)
    assert night.wait(125).flows_alone == 0
