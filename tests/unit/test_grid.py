"""No blind band: whatever a probe is stuck at, gas is open for one trial or longest opening, no more."""

from __future__ import annotations

from dataclasses import replace

import pytest
from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits
from nightheron.model import State
from nightheron.rig import grid as rig_grid
from nightheron.rig.grid import CASES, FLOWING, FROM_START, MODES, SHUT, grid, main, stuck, values

BY_NAME = {case.name: case for case in CASES}


def test_the_whole_grid_has_every_value() -> None:
    """The grid goes from 5.00 to 8.50 in steps of a hundredth, both ends included."""
    every = values(0.01)
    assert len(every) == 351
    assert (every[0], every[-1]) == (5.0, 8.5)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_slice_of_the_grid_is_never_open_beyond_its_limit(case: rig_grid.Case) -> None:
    """Five values, however the probe got stuck: no second beyond one trial or longest opening."""
    found = list(grid(0.875, 30.0, [case]))
    assert len(found) == 5 * len(MODES)
    assert [one for one in found if one.beyond_s > 0.0] == []


@pytest.mark.parametrize("mode", MODES)
def test_at_a_reading_a_second_it_is_the_same(mode: str) -> None:
    """Read once a second, a value above resume opens gas once and latches it shut."""
    one = stuck(BY_NAME["floor inside"], mode, 6.85, 1.0)
    assert 0.0 < one.open_s <= one.limit_s
    assert one.ends is State.LATCHED


class Tireless(Chamber):
    """A guard whose openings may last for two days."""

    def __init__(self, limits: ChamberLimits) -> None:
        super().__init__(replace(limits, longest_opening_s=172800.0, trial_opening_s=172800.0))


@pytest.mark.parametrize("mode", [FROM_START, FLOWING, SHUT])
def test_a_guard_that_never_rests_is_found(mode: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With no longest opening and no trial, a flickering stuck probe keeps gas open, and the grid says so."""
    monkeypatch.setattr(rig_grid, "Chamber", Tireless)
    assert stuck(BY_NAME["floor inside, flickers"], mode, 6.85, 30.0).beyond_s > 0.0


def test_the_command_ends_in_its_figure(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It prints each case and way with its longest opening, and the number of values beyond."""
    monkeypatch.setattr(rig_grid, "CASES", CASES[:1])
    assert main(["--by", "1.0"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert len(said) == len(MODES) + 1
    assert said[-1].startswith("0 values")
    with pytest.raises(SystemExit, match="2"):
        main(["--by", "0"])
