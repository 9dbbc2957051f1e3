"""Each row about several probes, other signals and the gas budget, as a timeline."""

from __future__ import annotations

from dataclasses import replace

import pytest
from nightheron.guard.explain import why_lines
from nightheron.guard.limits import SenseLimits
from nightheron.guard.signals import KINDS
from nightheron.model import NS, Act, AlarmClass, Gas, Observed, Reason, Signal, State, Ticked

from tests.support.night import PROBE, Night, flowing, restarted

TWO, THREE = (PROBE, PROBE), (PROBE, PROBE, PROBE)
SWITCH = SenseLimits(Signal.CIRCULATION, 1.0, 5.0, required=True, low=0.5, clear_low=0.5, hold_s=900.0)
WET = SenseLimits(Signal.LEAK, 1.0, 5.0, required=False, high=0.5, clear_high=0.5)
FLOW = SenseLimits(Signal.FLOW, 1.0, 5.0, required=False, low=10.0, clear_low=12.0, hold_s=60.0)


def high(signal: Signal, most: float, clear: float) -> SenseLimits:
    """Limits of a signal that must not rise."""
    return SenseLimits(signal, 1.0, 5.0, required=False, high=most, clear_high=clear)


def with_sense(one: SenseLimits, value: float | None) -> Night:
    """A chamber whose gas flows while this signal says ``value``."""
    night = Night(senses=(one,)).says(one.signal, value)
    night.wait(125 + (one.hold_s if KINDS[one.signal].held_from_start else 0.0), 6.9)
    assert night.gas is Gas.OPEN, night.reasons
    return night


def test_row_probes_disagree() -> None:
    """Two probes further apart than spread_ph close; agreeing again opens after settle and rest."""
    night = Night(probes=TWO).second(6.92).wait(125, 6.9)
    assert night.gas is Gas.OPEN
    night.second(7.12).wait(1)
    assert night.chamber.decision.reason is Reason.PROBES_DISAGREE
    night.second(6.95).wait(110)
    assert night.chamber.decision.gas is Gas.CLOSED
    assert night.wait(15).gas is Gas.OPEN


def test_row_gas_budget() -> None:
    """Open time above the day's budget latches; a release is refused until the window holds less."""
    night = flowing(gas_budget_s_per_day=300.0, longest_opening_s=3000.0)
    for _ in range(30):
        night.wait(9, 6.9).wait(1, 6.75)
    assert night.chamber.decision.gas is Gas.CLOSED
    assert night.chamber.decision.reason is Reason.GAS_BUDGET
    assert night.chamber.decision.state is State.LATCHED
    assert night.act(Act.RELEASE)
    night.now_ns += 25 * 3600 * NS
    night.wait(10, None).wait(200, 6.9)
    assert night.act(Act.RELEASE) == []
    night.wait(60, 6.9)
    assert night.gas is Gas.OPEN


def test_a_day_of_open_time_is_never_shorter_than_24_hours() -> None:
    """What flowed late in an hour still counts until 24 hours of running have passed, and at 25 no more."""
    night = Night()
    night.now_ns += 3300 * NS
    night.wait(60, None).wait(150, 6.9).reads(6.59)
    opened_s = night.chamber.left().opened_day_s
    assert opened_s > 20
    for hours, counted_s in ((23.9, opened_s), (1.2, 0.0)):
        night.now_ns += round(hours * 3600) * NS
        night.wait(1, None)
        assert night.chamber.left().opened_day_s == counted_s


def test_the_days_open_time_survives_a_restart() -> None:
    """A service that restarts does not get the day's budget anew."""
    night = flowing(gas_budget_s_per_day=150.0).wait(140)
    again = restarted(night)
    again.wait(150, 6.9)
    assert Reason.GAS_BUDGET in again.reasons


def test_row_circulation_stopped() -> None:
    """Circulation lost closes; after its return gas stays shut for the hold, also over a restart."""
    night = with_sense(SWITCH, 1.0)
    night.says(Signal.CIRCULATION, 0.0).wait(1)
    assert night.chamber.decision.gas is Gas.CLOSED
    assert night.chamber.decision.reason is Reason.CIRCULATION_STOPPED
    night.says(Signal.CIRCULATION, 1.0).wait(890)
    assert night.chamber.decision.gas is Gas.CLOSED
    again = restarted(night)
    again.others = night.others
    again.wait(890)
    assert Reason.CIRCULATION_STOPPED in again.reasons
    again.wait(30)
    assert again.chamber.decision.gas is Gas.OPEN


def test_after_a_start_circulation_is_held_like_a_return() -> None:
    """What the pump did before a start is not known: its first good word is held, and that is no alarm."""
    night = Night(senses=(SWITCH,)).says(Signal.CIRCULATION, 1.0).wait(890, 6.9)
    assert night.reasons == (Reason.CIRCULATION_STOPPED,)
    assert "within its limits" in why_lines(night.chamber.decision)[0][1]
    assert night.raised() == []
    assert night.wait(20).gas is Gas.OPEN
    again = restarted(night).says(Signal.CIRCULATION, 1.0).wait(890, 6.9)
    assert again.reasons == (Reason.CIRCULATION_STOPPED,)


def test_a_circulation_that_never_spoke_holds_nothing() -> None:
    """Not required and silent it shuts nothing, over a restart too; nor does its first good word."""
    night = Night(senses=(replace(SWITCH, required=False),)).says(Signal.CIRCULATION, None).wait(130, 6.9)
    night = restarted(night).says(Signal.CIRCULATION, None).wait(130, 6.9)
    assert night.says(Signal.CIRCULATION, 1.0).wait(5).gas is Gas.OPEN
    night.says(Signal.CIRCULATION, 0.0).wait(1)
    assert night.reasons[0] is Reason.CIRCULATION_STOPPED


def test_a_signal_that_is_only_held_is_not_told() -> None:
    """Stopped for less than the delay and running since: the hold shuts gas, and is no alarm."""
    night = with_sense(SWITCH, 1.0)
    night.says(Signal.CIRCULATION, 0.0).wait(50)
    night.says(Signal.CIRCULATION, 1.0).wait(600)
    assert night.reasons == (Reason.CIRCULATION_STOPPED,)
    night.says(Signal.CIRCULATION, 0.0).wait(50)
    assert night.raised() == []
    assert Reason.CIRCULATION_STOPPED in night.wait(15).raised()


def test_row_feed_stopped() -> None:
    """A feed that stops closes, and its return opens after the hold."""
    night = with_sense(replace(SWITCH, signal=Signal.FEED, hold_s=10.0), 1.0)
    night.says(Signal.FEED, 0.0).wait(1)
    assert night.reasons[0] is Reason.FEED_STOPPED
    night.says(Signal.FEED, 1.0).wait(140)
    assert night.gas is Gas.OPEN


def test_row_flow_low() -> None:
    """Flow below its limit closes; above the limit and below the clearing limit is not enough to return."""
    night = with_sense(FLOW, 25.0)
    night.says(Signal.FLOW, 9.0).wait(1)
    assert night.reasons[0] is Reason.FLOW_LOW
    night.says(Signal.FLOW, 11.0).wait(300)
    assert Reason.FLOW_LOW in night.reasons
    night.says(Signal.FLOW, 12.0).wait(70)
    assert night.gas is Gas.OPEN


def test_row_temperature() -> None:
    """Water too warm closes and tells after the delay; it opens by itself."""
    night = with_sense(high(Signal.TEMPERATURE, 30.0, 29.5), 25.0)
    night.says(Signal.TEMPERATURE, 30.5).wait(61)
    assert night.reasons[0] is Reason.TEMPERATURE
    assert Reason.TEMPERATURE in night.raised()
    night.says(Signal.TEMPERATURE, 29.0).wait(125)
    assert night.gas is Gas.OPEN


def _latches_and_wakes(one: SenseLimits, well: float, bad: float, reason: Reason) -> None:
    night = with_sense(one, well)
    night.says(one.signal, bad).wait(1)
    assert night.chamber.decision.reason is reason
    assert night.chamber.decision.state is State.LATCHED
    assert KINDS[one.signal].alarm is AlarmClass.WAKE
    assert reason in night.raised(), "told at once"
    assert night.act(Act.RELEASE), "not while it still stands"
    night.says(one.signal, well).wait(200)
    assert night.chamber.decision.gas is Gas.CLOSED
    assert night.act(Act.RELEASE) == []
    night.wait(5)
    assert night.gas is Gas.OPEN


def test_row_outlet_pressure_high() -> None:
    """Pressure after the regulator beyond its limit latches and wakes."""
    _latches_and_wakes(high(Signal.OUTLET_PRESSURE, 60.0, 55.0), 25.0, 61.0, Reason.OUTLET_PRESSURE_HIGH)


def test_row_vessel_pressure_high() -> None:
    """Pressure in the vessel beyond its limit latches and wakes."""
    _latches_and_wakes(high(Signal.VESSEL_PRESSURE, 30.0, 28.0), 5.0, 31.0, Reason.VESSEL_PRESSURE_HIGH)


def test_row_leak() -> None:
    """A wet sensor latches and wakes."""
    _latches_and_wakes(WET, 0.0, 1.0, Reason.LEAK)


def test_row_room_co2() -> None:
    """CO2 in the room beyond its limit latches and wakes."""
    _latches_and_wakes(high(Signal.ROOM_CO2, 5000.0, 4500.0), 600.0, 5200.0, Reason.ROOM_CO2)


def test_row_signal_lost() -> None:
    """A required signal that falls silent closes; unknown is not well, and is not called stopped."""
    night = with_sense(SWITCH, 1.0)
    night.says(Signal.CIRCULATION, None).wait(6)
    assert night.chamber.decision.gas is Gas.CLOSED
    assert night.chamber.decision.reason is Reason.SIGNAL_LOST
    assert Reason.CIRCULATION_STOPPED not in night.reasons
    plain = with_sense(replace(SWITCH, hold_s=0.0), 1.0)
    plain.says(Signal.CIRCULATION, None).wait(6)
    assert plain.says(Signal.CIRCULATION, 1.0).wait(125).gas is Gas.OPEN


def test_a_required_signal_is_held_when_it_comes_back_from_a_silence() -> None:
    """Nobody saw whether circulation stopped with its sensor: its return is held, also over a restart."""
    night = with_sense(SWITCH, 1.0)
    night.says(Signal.CIRCULATION, None).wait(300)
    again = restarted(night).says(Signal.CIRCULATION, 1.0).wait(600)
    night.says(Signal.CIRCULATION, 1.0).wait(890)
    assert night.reasons == (Reason.CIRCULATION_STOPPED,)
    assert again.reasons == (Reason.CIRCULATION_STOPPED,)
    assert night.wait(15).gas is Gas.OPEN


def test_a_hold_does_not_run_while_nothing_is_heard() -> None:
    """Time that passed unheard counts for no hold, though the first event after it is a good reading."""
    night = with_sense(SWITCH, 1.0).says(Signal.CIRCULATION, 0.0).wait(1)
    night.says(Signal.CIRCULATION, 1.0).wait(10)
    night.now_ns += 1000 * NS
    night.feed(Observed(night.now_ns, Signal.CIRCULATION, 0, 1.0, "1"))
    assert Reason.CIRCULATION_STOPPED in night.wait(10).reasons


def test_a_required_signal_has_its_own_time_to_speak_after_a_start() -> None:
    """A slow required signal is not called lost before its time is over; gas waits for it meanwhile."""
    slow = replace(high(Signal.ROOM_CO2, 2000.0, 1500.0), period_s=120.0, stale_s=400.0, required=True)
    night = Night(senses=(slow,)).wait(350, 6.9)
    assert night.reasons == (Reason.STARTING,)
    night.wait(120)
    assert night.chamber.decision.gas is Gas.CLOSED
    assert Reason.SIGNAL_LOST in night.raised()
    night.says(Signal.ROOM_CO2, 600.0).wait(3)
    assert night.gas is Gas.OPEN


def test_a_daily_restart_does_not_pile_up_the_days_open_time() -> None:
    """Each hour's open time keeps its age over a restart, and what a start adds counts as this hour's."""
    night = flowing(gas_budget_s_per_day=300.0).wait(200, 6.9).wait(1, 6.5)
    night.now_ns += 20 * 3600 * NS
    night = restarted(night.feed(Ticked(night.now_ns)))
    assert night.chamber.left().opened_day_s == pytest.approx(206, abs=1)
    night.now_ns += 6 * 3600 * NS
    night.feed(Ticked(night.now_ns))
    assert night.chamber.left().opened_day_s == 0.0
    more = replace(night.chamber.left(), opened_day_s=90.0, opened_hours_s=(30,))
    again = Night(night.limits, begin=False).start(more)
    assert again.chamber.left().opened_hours_s[-2:] == (0, 90)


def test_row_signal_silent() -> None:
    """A signal that is not required and falls silent is told, and closes nothing."""
    night = with_sense(WET, 0.0)
    night.says(Signal.LEAK, None).wait(70)
    assert night.gas is Gas.OPEN
    assert Reason.SIGNAL_SILENT in night.raised()


def test_an_optional_signal_has_its_own_time_to_speak_after_a_start() -> None:
    """A slow optional signal is not called silent before its stale_s has passed since the start."""
    night = Night(senses=(replace(WET, period_s=200.0, stale_s=600.0),)).wait(590, 6.9)
    assert Reason.SIGNAL_SILENT not in night.raised()
    assert Reason.SIGNAL_SILENT in night.wait(80).raised()


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e9, -1e9, True])
def test_a_signal_that_is_no_plausible_number_is_not_heard(value: float) -> None:
    """NaN, infinity and nonsense neither permit nor stand: the signal falls silent."""
    night = with_sense(FLOW, 25.0)
    night.says(Signal.FLOW, value).wait(6)
    assert night.gas is Gas.OPEN
    assert dict(night.chamber.decision.signals)[Signal.FLOW] is None


def test_what_stood_beyond_its_limit_stays_through_a_silence() -> None:
    """A low flow followed by silence is not over because nobody speaks any more."""
    night = with_sense(FLOW, 25.0)
    night.says(Signal.FLOW, 5.0).wait(2)
    night.says(Signal.FLOW, None).wait(1000)
    assert Reason.FLOW_LOW in night.reasons
