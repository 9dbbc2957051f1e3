"""The simulated probe and valve, and each thing that can be wrong with them."""

from __future__ import annotations

import statistics

import pytest
from nightheron.model import Gas
from nightheron.rig import wrong
from nightheron.rig.probe import GARBAGE, Probe
from nightheron.rig.valve import SimulatedValve


def _lines(probe: Probe, seconds: int, ph: float = 6.8, *, gas_on: bool = False) -> list[str | None]:
    lines = []
    for _ in range(seconds):
        probe.step(1.0, ph, gas_on=gas_on)
        said = probe.says()
        lines.append(said.text if said is not None else None)
    return lines


def _values(probe: Probe, seconds: int, ph: float = 6.8, *, gas_on: bool = False) -> list[float]:
    return [float(line) for line in _lines(probe, seconds, ph, gas_on=gas_on) if line is not None]


def test_a_healthy_probe_reads_the_water() -> None:
    """Readings stand about the water's pH, to two decimals, and noise moves the last."""
    values = _values(Probe(6.8, 1), 300)
    assert statistics.fmean(values) == pytest.approx(6.8, abs=0.002)
    assert {6.79, 6.8, 6.81} == set(values)


def test_a_probe_lags() -> None:
    """A clean probe shows 63 % of a step after 20 s, a fouled one after 200 s."""
    for lag_s in (20, 200):
        probe = Probe(7.0, 1)
        probe.bad.lag_s = lag_s
        _lines(probe, lag_s, 6.0)
        assert probe.ph == pytest.approx(6.0 + 0.368, abs=0.01)


@pytest.mark.parametrize(
    ("bad", "reads"),
    [
        (wrong.Probe(offset_ph=0.3), 7.1),
        (wrong.Probe(slope=0.8), 6.84),
        (wrong.Probe(slope=0.0), 7.0),
        (wrong.Probe(stands_in_ph=4.0), 4.0),
        (wrong.Probe(drift_ph_per_day=86.4, lag_s=1.0), 7.3),
    ],
)
def test_it_reads_what_is_wrong_with_it(bad: wrong.Probe, reads: float) -> None:
    """An offset, a lost slope, a cup of buffer and a drift show as what they are."""
    probe = Probe(6.8, 1)
    probe.bad = bad
    _lines(probe, 500)
    if bad.drift_ph_per_day:
        assert _values(probe, 1)[0] == pytest.approx(6.8 + 0.501, abs=0.02)
    else:
        assert statistics.fmean(_values(probe, 60)) == pytest.approx(reads, abs=0.005)


def test_lines_that_do_not_arrive_or_arrive_spoilt() -> None:
    """Lost and garbled lines come in their share, a silent probe says nothing, a frozen one one thing."""
    probe = Probe(6.8, 1)
    probe.bad.lost = 0.3
    assert 60 < _lines(probe, 300).count(None) < 120
    probe.bad = wrong.Probe(garbled=0.5)
    assert 100 < sum(line in GARBAGE for line in _lines(probe, 300)) < 200
    probe.bad = wrong.Probe(silent=True)
    assert set(_lines(probe, 10)) == {None}
    probe.bad = wrong.Probe(frozen=True)
    assert len(set(_lines(probe, 100, 5.5))) == 1
    probe.bad = wrong.Probe()
    assert len(set(_lines(probe, 100, 6.8))) > 1


def test_interference_shows_as_what_it_is() -> None:
    """Hum swings readings, spikes throw single ones off, and a bad earth moves them with the valve's coil."""
    probe = Probe(6.8, 1)
    probe.bad.hum_ph = 0.1
    hummed = _values(probe, 200)
    assert max(hummed) > 6.88
    assert min(hummed) < 6.72
    probe.bad = wrong.Probe(spikes=0.1, spike_ph=1.0)
    assert 10 < sum(abs(value - 6.8) > 0.5 for value in _values(probe, 300)) < 60
    probe.bad = wrong.Probe(gas_step_ph=0.2)
    assert statistics.fmean(_values(probe, 50, gas_on=True)) == pytest.approx(7.0, abs=0.01)
    assert statistics.fmean(_values(probe, 50)) == pytest.approx(6.8, abs=0.01)


def test_a_probe_in_air_wanders() -> None:
    """Out of the water it climbs as its film loses CO2, follows nothing, and stays in no place."""
    probe = Probe(6.8, 1)
    probe.bad.in_air = True
    values = _values(probe, 3600, 5.0)
    assert statistics.stdev(values) > 0.05
    assert min(values) > 6.5
    assert statistics.fmean(values[1800:]) == pytest.approx(8.0, abs=0.3)


def test_a_backlog_is_late_and_ends() -> None:
    """Readings through a full buffer show the water as it was; once it is emptied the newest comes."""
    probe = Probe(6.8, 1)
    probe.bad = wrong.Probe(behind_s=60.0, lag_s=0.1)
    assert _lines(probe, 60).count(None) == 60
    assert _values(probe, 30, 6.0)[-1] == pytest.approx(6.8, abs=0.03)
    assert _values(probe, 60, 6.0)[-1] == pytest.approx(6.0, abs=0.03)
    probe.bad.behind_s = 0.0
    assert _values(probe, 1, 5.0)[0] == pytest.approx(5.35, abs=0.4)


def test_a_wrong_clock_shows_in_the_stamp_alone() -> None:
    """A device whose clock is an hour behind stamps its readings so, and reads the water all the same."""
    probe = Probe(6.8, 1)
    probe.bad.clock_s = -3600.0
    probe.step(10.0, 6.8, gas_on=False)
    said = probe.says()
    assert said is not None
    assert said.taken_s == -3590.0


def test_valve_closes_by_itself() -> None:
    """A lease that nobody renews ends in closed gas; a renewed one goes on."""
    valve = SimulatedValve()
    assert valve.order("OPEN 5") == "open"
    valve.step(4.0)
    assert valve.order("OPEN 5") == "open"
    valve.step(4.0)
    assert valve.passes_gas
    valve.step(1.0)
    assert not valve.passes_gas


@pytest.mark.parametrize(
    "line", ["OPEN", "OPEN nan", "OPEN inf", "OPEN -1", "OPEN 0", "OPEN 9e9", "open 5", ""]
)
def test_valve_closes_on_what_it_does_not_know(line: str) -> None:
    """An order that is none closes an open valve and is answered with an error."""
    valve = SimulatedValve(left_s=10.0)
    assert (valve.order(line) or "").startswith("error")
    assert not valve.passes_gas


def test_valve_that_takes_no_orders() -> None:
    """A deaf valve neither answers nor moves; without its own timer it stays open as well."""
    valve = SimulatedValve()
    valve.bad.deaf = True
    assert valve.order("OPEN 5") is None
    assert not valve.passes_gas
    valve.bad = wrong.Valve(timer=False)
    valve.order("OPEN 5")
    valve.bad.deaf = True
    valve.step(3600.0)
    assert valve.order("CLOSE") is None
    assert valve.passes_gas


def test_valve_that_sticks_or_leaks() -> None:
    """A stuck valve stays where it is whatever it says, and a leaking one passes its share while shut."""
    valve = SimulatedValve()
    valve.bad.stuck = "open"
    assert (valve.order("CLOSE"), valve.share, valve.feedback) == ("closed", 1.0, Gas.OPEN)
    valve.bad = wrong.Valve(stuck="shut")
    assert (valve.order("OPEN 5"), valve.share, valve.feedback) == ("open", 0.0, Gas.CLOSED)
    valve.bad = wrong.Valve(leaks=0.2)
    assert (valve.order("CLOSE"), valve.share, valve.feedback) == ("closed", 0.2, Gas.CLOSED)


def test_slow_valve() -> None:
    """A valve that takes ten seconds is half open after five, and its contact follows."""
    valve = SimulatedValve()
    valve.bad.travel_s = 10.0
    valve.order("OPEN 60")
    valve.step(4.0)
    assert valve.share == pytest.approx(0.4)
    assert valve.feedback is Gas.CLOSED
    valve.step(6.0)
    assert (valve.share, valve.feedback) == (1.0, Gas.OPEN)
    valve.order("CLOSE")
    valve.step(5.0)
    assert valve.share == pytest.approx(0.5)


def test_feedback_that_lies() -> None:
    """Feedback may repeat the order, be stuck at either end, or be missing."""
    valve = SimulatedValve()
    valve.bad.stuck = "open"
    told = []
    for lie in ("true", "order", "open", "closed", "none"):
        valve.bad.feedback = lie
        told.append(valve.feedback)
    assert told == [Gas.OPEN, Gas.CLOSED, Gas.OPEN, Gas.CLOSED, None]


def test_somebody_else_opens_it() -> None:
    """A stranger's order opens a closed valve every so often, for a minute."""
    valve = SimulatedValve()
    valve.bad.foreign_every_s = 600.0
    passed = 0
    for _ in range(1800):
        valve.step(1.0)
        passed += valve.passes_gas
    assert passed == 120 + 1
