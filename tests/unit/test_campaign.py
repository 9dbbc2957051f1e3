"""The campaign: nights that are the same again, a slice of them without hazard, and red where it must be."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from nightheron.cli import campaign as command
from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits
from nightheron.model import Effect, Event, Observed, Reason, Signal
from nightheron.rig import campaign
from nightheron.rig.campaign import Outcome, chamber_of, play, run
from nightheron.rig.campaign_sum import Sum
from nightheron.rig.campaign_text import text
from nightheron.rig.campaign_workers import run_on
from nightheron.rig.faults import BESIDE, BadFault, library, parse
from nightheron.rig.night_plan import HEALTHY, PAIR, NightPlan, pack, plan

SEED = 11
SHORTER = 5.0
SLICE = 10


def short(number: int, seed: int = SEED) -> NightPlan:
    """A night of a new chamber, with all that happens in a fifth of its time."""
    whole = plan(seed, number, pool=0)
    return replace(
        whole,
        length_s=whole.length_s / SHORTER,
        broken_s=round(whole.broken_s / SHORTER),
        happenings=tuple(replace(one, at_s=round(one.at_s / SHORTER)) for one in whole.happenings),
    )


def healthy(count: int) -> list[NightPlan]:
    """Short nights in which nothing breaks."""
    found = (short(number) for number in range(1000))
    return [one for one, _ in zip((one for one in found if one.case == HEALTHY), range(count), strict=False)]


def summed(nights: list[NightPlan]) -> Sum:
    """What came of them."""
    found = Sum()
    for outcome in run(nights):
        found.add(outcome)
    return found


def test_a_slice_of_the_campaign_has_no_hazard() -> None:
    """Short nights of dealt chambers, whatever breaks in them: not a second in hazard, and no false trip."""
    found = summed([short(number) for number in range(SLICE)])
    assert found.nights == SLICE
    assert found.hazard_s == 0.0, found.hazards
    assert found.broken == []
    assert found.opened_s > 1800.0
    assert found.false == {}


class Rosy(Chamber):
    """A guard to whom no pH is below its floor."""

    def feed(self, event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Observed) and event.signal is Signal.CHAMBER_PH and event.value is not None:
            one = self.limits.probes[event.probe].conversion
            least = one.at_ph7 + (self.limits.floor_ph - 7.0) * one.per_ph
            better = max if one.per_ph > 0 else min
            event = replace(event, value=better(event.value, least))
        return super().feed(event)


def changed(**changes: float) -> Callable[[ChamberLimits], Chamber]:
    """A guard that goes by other limits."""
    return lambda limits: Chamber(replace(limits, **changes))  # type: ignore[arg-type]  # fields by name


def hasty_lease(limits: ChamberLimits) -> Chamber:
    """A guard whose leases never end in time."""
    return Chamber(replace(limits, valve=replace(limits.valve, lease_s=60.0)))


@pytest.mark.parametrize(
    ("why", "core"), [("floor", Rosy), ("settle", changed(settle_s=1.0)), ("lease", hasty_lease)]
)
def test_a_guard_that_breaks_a_law_makes_a_campaign_red(
    why: str, core: Callable[[ChamberLimits], Chamber], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the floor, the settle window or the lease ignored, healthy nights alone are in hazard."""
    monkeypatch.setattr(campaign, "CORE", core)
    found = summed(healthy(2))
    assert found.hazards.get(why, 0.0) > 0.0, found.hazards
    assert any("hazard minutes" in said for said in found.red())


def test_a_night_is_the_same_when_it_is_played_again() -> None:
    """Seed and number fix everything that comes of a night, to the last bit."""
    one = short(5)
    assert play(one, None)[0] == play(one, None)[0]


def test_several_processes_play_the_same_nights() -> None:
    """What two processes bring back is what one does."""
    dealt = [one for one in (plan(SEED, number) for number in range(60)) if one.pool is None]
    nights = sorted(dealt, key=lambda one: (chamber_of(one).evaluations_per_s, one.length_s))[:2]
    by_night = {one.night: one for one in run_on(nights, 2)}
    assert by_night == {one.night: one for one in run(nights)}


def test_a_chamber_that_has_lived_goes_on_into_its_night(monkeypatch: pytest.MonkeyPatch) -> None:
    """A night of the pool begins with gas cycling, and its judge knows what came before."""
    monkeypatch.setattr(campaign, "WARM_S", 2400.0)
    lived = campaign.warmed(SEED, 0)
    night = replace(healthy(1)[0], pool=0)
    outcome, played = play(night, lived)
    assert outcome.warm
    assert outcome.hazard_s == 0.0
    assert played.now_ms >= 1000 * (2400 + night.length_s)


def test_one_pack_deals_every_fault_and_combination() -> None:
    """As many nights as a pack has cases meet each fault at least once, and each combination twice."""
    cases = [plan(SEED, number).case for number in range(len(pack()))]
    assert sorted(cases) == sorted(pack())
    combined = [name for name, fault in library().items() if fault.breaks == "several"]
    assert len(combined) >= 11
    assert all(cases.count(name) == (2 if name in combined else 1) for name in library())
    assert PAIR in cases


def test_the_physics_are_never_worse_than_the_guard() -> None:
    """Under full pressure shutting gas at the very floor would still go deep, not deeper than a guard."""
    night = replace(short(3), case="regulator_fails_full", faults=("regulator_fails_full",))
    put = replace(plan(SEED, 0).happenings[0], do="put", name="regulator_fails_full", at_s=1500.0, act=None)
    outcome, _ = play(replace(night, broken_s=1500.0, length_s=4000.0, happenings=(put,)), None)
    assert outcome.depth_ph > 0.2
    assert outcome.at_best_ph is not None
    assert outcome.lowest_ph - 0.002 <= outcome.at_best_ph < outcome.floor_ph - 0.1


def test_what_names_a_fault_depends_on_what_the_site_has() -> None:
    """A stopped pump is known by its own signal alone; a welded relay by its water, or by its contact."""
    faults = library()
    assert faults["circulation_stopped"].right(()) == frozenset()
    assert faults["circulation_stopped"].right(("circulation",)) == {"circulation_stopped"}
    assert faults["valve_stuck_open"].right(("feedback",)) == {"not_stopping", "valve_disagrees"}
    for fault in faults.values():
        assert {what for what, _ in fault.names_with} <= set(BESIDE)


@pytest.mark.parametrize("line", ['names = ["gremlins"]', 'names_with = { luck = ["no_effect"] }'])
def test_a_name_that_the_guard_does_not_have_is_refused(line: str) -> None:
    """A fault file that names a reason or a signal nobody has is refused with a sentence."""
    entry = f"""
[[fault]]
name = "x"
breaks = "valve"
says = "x"
notice = "x"
set.valve.leaks = 0.1
water = ["usual"]
probe = ["true"]
{line}
"""
    with pytest.raises(BadFault, match="names"):
        parse(entry, {})


def outcome(**changes: object) -> Outcome:
    """A green night, with changes."""
    plain = Outcome(1, 0, HEALTHY, (), False, 3600.0, 3600.0, 6.6, lowest_ph=6.6, opened_s=1800.0)
    return replace(plain, **changes)  # type: ignore[arg-type]  # fields by name


@pytest.mark.parametrize(
    ("nights", "says"),
    [
        ([outcome(hazard_s=0.5, hazards={"floor": 0.5})], "hazard minutes"),
        ([outcome(false=("no_effect",)), outcome()], "false trips per 30"),
        ([outcome(fault="ValueError: x")], "the program broke"),
        ([outcome(case="probe_stuck", knowable=True, right=False, named={"floor": 1.0})], "named right"),
        ([outcome()], "never reached"),
    ],
)
def test_a_run_is_red_for_each_thing_that_may_not_be(nights: list[Outcome], says: str) -> None:
    """Hazard, false trips, a broken program, wrong names and unreached dangers each make it red."""
    found = Sum()
    for one in nights:
        found.add(one)
    assert any(says in why for why in found.red())


def test_a_run_that_met_everything_and_broke_nothing_is_green() -> None:
    """With every danger reached, no hazard and right names, nothing is red."""
    found = Sum()
    found.add(outcome(reached=tuple(found.dangers())))
    found.add(outcome(case="probe_stuck", knowable=True, right=True, named={"no_effect": 60.0}))
    assert found.red() == []
    assert list(text(found, 1))[-1] == "green"
    assert json.loads(json.dumps(found.body()))["right_share"] == 1.0


def test_each_reason_has_its_detection_time_and_its_false_alarms_a_year() -> None:
    """Times are those of right first names; false ones count over the time in which nothing was broken."""
    found = Sum()
    hours = 10 * 3600.0
    found.add(outcome(length_s=hours, broken_s=hours, false=("no_effect",)))
    for at_s in (60.0, 120.0, 600.0):
        named = {"floor": 700.0, "no_effect": at_s}
        found.add(outcome(case="probe_stuck", broken_s=3600.0, knowable=True, right=True, named=named))
    one = found.by_reason()["no_effect"]
    assert (one.right, one.median_s, one.slowest_s, one.false) == (3, 120.0, 600.0, 1)
    assert one.false_per_year == pytest.approx(365.25 * 24 / 13)


def test_nights_that_were_played_before_are_added_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--sum reads the lines of --out and comes to the same; other lines are refused in a sentence."""
    lines, found = tmp_path / "nights.jsonl", Sum()
    nights = [outcome(where=(("floor", 1.0, 2.0),), hazard_s=1.0, hazards={"floor": 1.0}), outcome()]
    for one in nights:
        found.add(one)
    lines.write_text("".join(json.dumps(asdict(one)) + "\n" for one in nights))
    assert command.main(["--sum", str(lines), "--json"]) == 1
    assert json.loads(capsys.readouterr().out) == json.loads(
        json.dumps(found.body() | {"seed": 1, "seconds": None})
    )
    lines.write_text("{}\n")
    assert command.main(["--sum", str(lines)]) == 2
    assert "did not write" in capsys.readouterr().err


def test_one_night_ends_in_the_report_of_any_night(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """--night plays one with a journal of its own, which verifies, and shows the night's report."""
    from nightheron.cli.main import main as nightheron

    monkeypatch.setattr("nightheron.rig.night_plan.plan", lambda seed, number: short(number, seed))
    folder = tmp_path / "one"
    assert command.main(["--seed", "11", "--night", "4", "--dir", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "hazard: 0.0 s" in said
    assert "gas was open" in said
    for words in (["verify"], ["replay"]):
        assert nightheron([*words, "--config", str(folder / "nightheron.toml")]) == 0
    assert command.main(["--seed", "11", "--night", "4", "--dir", str(folder)]) == 2


def test_the_nights_of_one_case_are_played_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """--case plays those of the nights that were dealt it, a line each, and says what was not reached."""
    monkeypatch.setattr(campaign, "plan", lambda seed, number, pool: short(number, seed))
    out, cases = tmp_path / "nights.jsonl", [short(number).case for number in range(12)]
    wanted = cases[0]
    words = ["--seed", "11", "--nights", "12", "--case", wanted, "--processes", "1", "--out", str(out)]
    assert command.main(words) == 1
    assert len(out.read_text().splitlines()) == cases.count(wanted)
    assert "never reached" in capsys.readouterr().out
    assert command.main(words) == 2


def test_the_command_refuses_what_it_cannot_play() -> None:
    """No night at all, a negative seed or a case that is not dealt is a usage error."""
    for words in (["--nights", "0"], ["--seed", "-1"], ["--processes", "0"], ["--case", "gremlins"]):
        with pytest.raises(SystemExit, match="2"):
            command.main(words)


def test_every_reason_that_names_a_fault_is_one_of_the_guards() -> None:
    """The library names reasons of the interlock, letter for letter."""
    named = {name for one in library().values() for name in one.right(BESIDE)}
    assert named <= {reason.value for reason in Reason}
