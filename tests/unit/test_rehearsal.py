"""A rehearsal's parts: what harm is, how devices differ, what is played, and what a change is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from nightheron.rig.changes import BEARS_ON, bears_on, trials
from nightheron.rig.devices import Device, InSeries
from nightheron.rig.harm import Harm, harm_limits
from nightheron.rig.plant import Plant
from nightheron.rig.rehearsal import NeverOpens, Score, guarded, ready, unguarded
from nightheron.rig.rehearse_plan import faults_of, left_out
from nightheron.rig.stand_in import Stand, assumed, plant_of, stand_of
from nightheron.rig.workers import answers, started
from nightheron.settings import load

CONFIG = Path(__file__).parents[2] / "config"
FAULTS = faults_of(None)
SHORT_H = 2.0


def stand(name: str = "network-relay-with-timer.toml", **changes: object) -> Stand:
    """The chamber of a ready profile, some of it changed."""
    site = load(CONFIG / name, {})
    return replace(stand_of(site, site.chambers[0]), **changes)  # type: ignore[arg-type]  # fields by name


def untimed() -> Stand:
    """The same with a device that keeps its last order."""
    found = stand(timer_s=None, host_gone_s=None)
    return replace(
        found, limits=replace(found.limits, valve=replace(found.limits.valve, device_timer_s=None))
    )


@pytest.fixture(scope="module")
def harmed() -> Score:
    """The board hangs with gas open, and the valve has no timer."""
    bare = untimed()
    return guarded(ready(bare), bare, FAULTS["host_lost"], SHORT_H, 1800.0)


def at_ph(plant: Plant, ph: float) -> Plant:
    """Make the chamber's water stand at this pH (NBS scale)."""
    vessel = plant.bays["west"].vessel
    vessel.zone.h = 10.0 ** -(ph - vessel.k.nbs_above_total)
    return plant


def test_harm_begins_where_its_words_say() -> None:
    """Just above each limit nothing counts; just beyond it every second does, under its own kind."""
    plant = at_ph(plant_of(stand()), 6.01)
    bay, limits = plant.bays["west"], harm_limits(stand().limits)
    harm = Harm(limits)
    bay.vessel.pressure_bar, plant.tank.room_ppm = 0.49, 4999.0
    harm.look(5.0, plant, bay)
    assert harm.any_s == 0.0
    assert limits.media_ph == pytest.approx(6.0)
    assert limits.sour_ph == pytest.approx(6.5)

    at_ph(plant, 5.99)
    harm.look(2.0, plant, bay)
    bay.vessel.pressure_bar, plant.tank.room_ppm = 0.51, 5001.0
    plant.tank.h = 10.0 ** -(7.69 - plant.tank.k.nbs_above_total)
    harm.look(3.0, plant, bay)

    assert harm.seconds == {"media": 5.0, "sour": 0.0, "tank": 3.0, "vessel": 3.0, "room": 3.0}
    assert harm.any_s == 5.0
    assert harm.lowest_ph == pytest.approx(5.99)
    assert harm.tank_lowest_ph == pytest.approx(7.69)


def test_sour_water_harms_from_its_first_hour_on() -> None:
    """An hour a tenth below the floor is no harm yet; a moment above it begins the hour anew."""
    plant = at_ph(plant_of(stand()), 6.49)
    bay, harm = plant.bays["west"], Harm(harm_limits(stand().limits))
    harm.look(3600.0, plant, bay)
    assert harm.any_s == 0.0
    harm.look(60.0, plant, bay)
    assert harm.seconds["sour"] == harm.any_s == 60.0

    harm.look(1.0, at_ph(plant, 6.51), bay)
    harm.look(3600.0, at_ph(plant, 6.49), bay)
    assert harm.any_s == 60.0


def test_a_device_keeps_its_own_time() -> None:
    """A timer of 10 s shuts after that whatever lease was told, and a device without one never does."""
    timed, plain = Device(10.0), Device(None)
    for one in (timed, plain):
        assert one.order("OPEN 5") == "open"
        one.step(9.0)
        assert one.passes_gas
        one.step(1e6)
    assert (timed.passes_gas, plain.passes_gas) == (False, True)
    plain.order("CLOSE")
    assert not plain.passes_gas


def test_two_valves_in_series_shut_as_long_as_one_can() -> None:
    """A first valve that is welded open passes gas only while the second is ordered open."""
    pair = InSeries(10.0)
    pair.bad.stuck = "open"
    pair.order("OPEN 5")
    pair.step(1.0)
    assert pair.share == 1.0
    pair.order("CLOSE")
    assert pair.share == 0.0


def test_a_lost_board_harms_where_no_timer_shuts_the_valve(harmed: Score) -> None:
    """Without a timer gas flows on until the water has been sour for its hour; nobody is told."""
    assert harmed.harm_s > 300.0
    assert harmed.lowest_ph < 6.45
    assert (harmed.told, harmed.state) == (None, "gone")


def test_a_timer_of_the_device_spares_it(harmed: Score) -> None:
    """With its own timer the same fault does nothing, as the change that was tried says."""
    bare = untimed()
    timed = trials(bare, 0.6)["device_timer"].makes(bare)
    score = guarded(ready(timed), timed, FAULTS["host_lost"], SHORT_H, 1800.0)

    assert (score.harm_s, score.open_s < 120.0) == (0.0, True)
    assert score.lowest_ph > harmed.lowest_ph + 0.1


def test_a_thermostat_lets_happen_what_the_guard_does_not() -> None:
    """A probe that falls silent leaves the thermostat's gas open to harm; the guard shuts and tells."""
    one, fault = stand(), FAULTS["probe_silent"]
    guard, bare = guarded(ready(one), one, fault, SHORT_H, None), unguarded(one, fault, SHORT_H)

    assert (guard.harm_s, guard.told) == (0.0, "chamber_ph_lost")
    assert bare.harm_s > 300.0
    assert bare.told is None


def test_a_wake_is_answered_only_where_it_reaches_somebody() -> None:
    """A welded valve harms while nobody has a push address; with one the cylinder is shut in time."""
    fault = FAULTS["valve_stuck_open"]
    deaf, told = (
        guarded(ready(one), one, fault, SHORT_H, 1800.0) for one in (stand(told=False), stand(told=True))
    )

    assert (deaf.told, told.told) == ("not_stopping", "not_stopping")
    assert (deaf.answered_after_s, deaf.harm_s > 0.0) == (None, True)
    assert told.told_after_s is not None
    assert told.answered_after_s == pytest.approx(told.told_after_s + 1800.0, abs=2.0)
    assert told.harm_s == 0.0


def test_gas_that_never_opens_is_said() -> None:
    """A chamber that keeps its gas shut when all is well cannot be rehearsed, and says by which reason."""
    one = stand()
    with pytest.raises(NeverOpens, match="settling"):
        ready(replace(one, limits=replace(one.limits, settle_s=86_000.0)))


@pytest.mark.parametrize(
    ("name", "played"),
    [
        ("valve_stuck_open", True),
        ("host_lost", True),
        ("pushes_fail", False),
        ("tank_probe_stuck", False),
        ("dead_card_without_heartbeat", True),
        ("welded_relay_without_feedback", True),
        ("clock_steps_back", False),
    ],
)
def test_what_cannot_show_anything_is_left_out(name: str, played: bool) -> None:
    """A fault of a part that is not there is not played; one that only in part does nothing is."""
    assert (left_out(FAULTS[name], stand()) is None) is played


def test_a_serial_valve_has_no_strangers() -> None:
    """Nobody else orders a valve on a wire of its own, and a timer that is not there cannot break."""
    serial = stand("usb-relay-with-timer.toml")

    assert left_out(FAULTS["valve_foreign_orders"], serial) is not None
    assert left_out(FAULTS["valve_foreign_orders"], stand()) is None
    assert left_out(FAULTS["valve_timer_broken"], untimed()) is not None
    assert left_out(FAULTS["valve_timer_broken"], serial) is None


def test_every_change_is_made_of_the_stand_it_is_for() -> None:
    """Each change differs from what stands, and one that was made is not proposed again."""
    one = stand()
    found = trials(one, 0.5)
    assert {"push", "second_probe", "second_valve", "shorter_opening", "gas_budget", "relief"} <= set(found)
    assert "device_timer" not in found
    assert found["gas_budget"].makes(one).limits.gas_budget_s_per_day == pytest.approx(64_800.0)
    for key, trial in found.items():
        made = trial.makes(one)
        assert made != one
        assert (key in trials(made, 0.5)) is trial.postpones


def test_the_stand_is_the_configured_chamber(tmp_path: Path) -> None:
    """Water, gas that was counted, timer and stamps come from the file, and what is assumed is told."""
    text = (CONFIG / "network-relay-with-timer.toml").read_text()
    path = tmp_path / "own.toml"
    path.write_text(text.replace("water_l = 1.9 ", "gas_ml_min = 2.0\nwater_l = 3.8 "))
    site = load(path, {})
    one = stand_of(site, site.chambers[0])

    assert (one.water_l, one.gas_ml_min, one.timer_s, one.valves) == (3.8, 2.0, 5.0, 1)
    assert one.hears_strangers
    told = " ".join(assumed(one))
    for word in ("3.8 L", "50 mL/min", "gas 2.0 mL/min", "gas_ml_min of the file", "no source"):
        assert word in told


def test_work_is_shared_out_and_each_answer_has_its_task(tmp_path: Path) -> None:
    """Two processes answer five tasks, and one that ends by itself is an error and no silence."""
    (tmp_path / "twice.py").write_text(
        "import sys, json\nfor line in sys.stdin:\n"
        "    n = json.loads(line)\n    assert n < 9\n    print(json.dumps(2 * n), flush=True)\n"
    )
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("PYTHONPATH", str(tmp_path))
        with started("twice", [], 2) as workers:
            assert sorted(answers(workers, [1, 2, 3, 4, 5], 60.0)) == [(n, 2 * n) for n in range(1, 6)]
        with started("twice", [], 1) as workers, pytest.raises(RuntimeError, match="ended by itself"):
            list(answers(workers, [9], 60.0))


def test_a_change_is_tried_on_the_faults_it_can_bear_on() -> None:
    """A relief bears on the gas and not on a probe; a floor bears on everything."""
    surge, probe = FAULTS["regulator_fails_half"], FAULTS["probe_reads_high"]

    assert bears_on("relief", surge)
    assert not bears_on("relief", probe)
    assert bears_on("second_probe", FAULTS["fouled_probe_in_a_surge"])
    assert bears_on("higher_floor", surge)
    assert bears_on("push", probe)
    assert set(BEARS_ON) <= set(trials(untimed(), 0.5)) | {"tank_required", "feedback"}


def test_a_cup_left_at_the_end_of_service_ends_in_its_trial() -> None:
    """A fault that comes while hands are at work is put in during a hold; the trial opening finds it."""
    one = stand()
    healthy = ready(one)
    left, plain = (
        guarded(healthy, one, FAULTS[name], SHORT_H, None)
        for name in ("cup_at_the_end_of_service", "probe_in_cup_7")
    )

    assert left.open_s < one.limits.trial_opening_s + 120.0
    assert (left.harm_s, left.told) == (0.0, "no_effect")
    assert plain.open_s > 6000.0
