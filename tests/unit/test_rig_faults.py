"""Every fault of the library acts as its words say; files that cannot be used are refused."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest
from nightheron.rig import wrong
from nightheron.rig.faults import PARTS, BadFault, Fault, library, parse
from nightheron.rig.plant import Plant
from nightheron.rig.rehearse_plan import faults_of
from nightheron.rig.standing import Faults

from tests.support.fault_words import Bench, probe_words, shows

LIBRARY = library()
LEVELS = {"lower", "higher"}
NAMED = (
    *("probe_high_without_budget", "welded_relay_without_feedback", "off_network_in_a_surge"),
    *("restart_loop_in_a_surge", "dead_card_without_heartbeat", "cup_at_the_end_of_service"),
    *("leak_with_stopped_feed", "foreign_orders_without_feedback"),
)


@pytest.fixture(scope="module")
def bench() -> Bench:
    """A plant in its stride and its healthy night."""
    return Bench()


@pytest.mark.parametrize("fault", LIBRARY.values(), ids=LIBRARY)
def test_a_fault_acts_as_its_words_say(bench: Bench, fault: Fault) -> None:
    """What water, probe and other instruments did is what the entry says of them."""
    played = bench.play(fault)
    water, probe = bench.water_words(played), probe_words(played)
    assert set(fault.probe) - {"true"} == probe
    assert set(fault.water) & LEVELS == water & LEVELS
    assert set(fault.water) - {"usual"} <= water
    assert not (fault.water == ("usual",) and not probe and water)
    if fault.shows:
        assert shows(played, fault.shows)
        assert not shows(bench.healthy, fault.shows)


def test_a_healthy_night_has_no_words(bench: Bench) -> None:
    """The judge of these words finds nothing to say of a night without faults, another seed's included."""
    other = Bench(seed=8)
    assert (bench.water_words(other.healthy), probe_words(other.healthy)) == (set(), set())


def test_the_library_is_large_and_whole() -> None:
    """Forty faults, combinations that hide each other and, with the rehearsal's, all that can break."""
    assert sum(len(fault.steps) == 1 for fault in LIBRARY.values()) >= 40
    assert set(NAMED) <= set(LIBRARY)
    used = {
        (change.part, change.field)
        for fault in faults_of(None).values()
        for step in fault.steps
        for change in step.changes
    }
    for part, kind in PARTS.items():
        if kind is not wrong.Probe:
            assert {(part, one.name) for one in fields(kind)} <= used, part
    assert {("probe", one.name) for one in fields(wrong.Probe)} - used == {("probe", "spike_ph")}


def test_a_fault_comes_goes_and_comes_again() -> None:
    """Delay, ramp, length and repetition are kept to the second of the plant's own time."""
    text = """
    [[fault]]
    name = "pulse"
    breaks = "needle"
    says = "s"
    notice = "n"
    after_s = 10
    over_s = 20
    for_s = 30
    every_s = 100
    set.supply.needle = 3.0
    water = ["usual"]
    probe = ["true"]
    """
    plant = Plant()
    faults = Faults(plant)
    faults.put(parse(text, {})["pulse"], "west")
    at = {}
    for second in range(1, 160):
        plant.step(1.0)
        faults.step()
        at[second] = plant.bays["west"].gas.needle
    assert [at[n] for n in (9, 20, 30, 39, 40, 109, 120, 130, 139, 140)] == pytest.approx(
        [1.0, 2.0, 3.0, 3.0, 1.0, 1.0, 2.0, 3.0, 3.0, 1.0]
    )


def test_mending_leaves_the_others_standing() -> None:
    """One fault mended, another that sets the same field still holds; all mended, all is healthy."""
    plant = Plant()
    faults = Faults(plant)
    for name in ("probe_silent", "probe_flaps", "feed_stopped"):
        faults.put(LIBRARY[name], "west")
    bay = plant.bays["west"]
    assert faults.mend("probe_flaps") == 1
    assert (bay.probe.bad.silent, bay.water.feed) == (True, 0.0)
    assert faults.mend() == 2
    assert (bay.probe.bad, bay.water, faults.standing) == (wrong.Probe(), wrong.Water(), [])
    with pytest.raises(KeyError):
        faults.put(LIBRARY["probe_silent"], "east")


def test_a_file_of_ones_own_adds_and_replaces(tmp_path: Path) -> None:
    """Entries of an own file join the library, may replace its own, and may combine what is there."""
    path = tmp_path / "mine.toml"
    path.write_text("""
    [[fault]]
    name = "probe_silent"
    breaks = "probe"
    says = "The cat has eaten the cable."
    notice = "A cat."
    set.probe.silent = true
    water = ["lower"]
    probe = ["silent"]
    [[combination]]
    name = "cat_and_pump"
    says = "Both."
    notice = "A cat, and silence."
    faults = ["probe_silent", "circulation_stopped"]
    water = ["higher"]
    probe = ["silent"]
    """)
    mine = library(path)
    assert len(mine) == len(LIBRARY) + 1
    assert mine["probe_silent"].notice == "A cat."
    assert len(mine["cat_and_pump"].steps) == 2


GOOD = 'name = "a"\nbreaks = "b"\nsays = "c"\nnotice = "d"\nwater = ["usual"]\nprobe = ["true"]\n'
SET = "set.supply.needle = 2\n"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("[[fault]\n", "no TOML"),
        ("[[fualt]]\n" + GOOD, "not 'fualt'"),
        ("[[fault]]\nname = 3\n", "needs a name"),
        ("[[fault]]\nname = 'a b'\n", "needs a name"),
        ("[[fault]]\n" + GOOD, "set says what breaks"),
        ("[[fault]]\n" + GOOD + "set.supply.nedle = 2\n", "supply has no 'nedle'"),
        ("[[fault]]\n" + GOOD + "set.suply.needle = 2\n", "no part 'suply'"),
        ("[[fault]]\n" + GOOD + "set.supply.needle = true\n", "is a float"),
        ("[[fault]]\n" + GOOD + "set.supply.needle = inf\n", "is a float"),
        ("[[fault]]\n" + GOOD + "set.valve.deaf = 1\n", "is a bool"),
        ("[[fault]]\n" + GOOD + 'set.valve = "open"\n', "set.valve is a table"),
        ("[[fault]]\n" + GOOD + SET + "later_s = 3\n", "no key 'later_s'"),
        ("[[fault]]\n" + GOOD + SET + "after_s = -1\n", "after_s is a number"),
        ("[[fault]]\n" + GOOD + SET + "every_s = 10\n", "every_s needs a for_s"),
        ("[[fault]]\n" + GOOD.replace('"c"', "3") + SET, "says is a text"),
        ("[[fault]]\n" + GOOD.replace('"usual"', '"wet"') + SET, "water is a list"),
        ("[[fault]]\n" + GOOD + SET + "[[fault]]\n" + GOOD + SET, "two faults"),
        ("[[combination]]\n" + GOOD + 'faults = ["b"]\n', "no fault 'b'"),
        ("[[combination]]\n" + GOOD, "lists the faults"),
        ("[[combination]]\n" + GOOD + 'faults = [{ fault = "a", when = 3 }]\n', "no key 'when'"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused(text: str, why: str) -> None:
    """Each mistake in a fault file is one sentence that names the entry and what is there instead."""
    with pytest.raises(BadFault, match=why):
        parse(text, {})
