"""A few of the random nights that ``python -m tests.support.recorded_nights`` plays two hundred of."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.recorded_nights import night

HOURS = 0.75
NIGHTS = (1, 8, 11)
"""By their numbers; deaths of the guard, people who act and a stranger's order are among them."""


@pytest.mark.parametrize("number", NIGHTS)
def test_a_night_with_faults_replays_bit_for_bit(tmp_path: Path, number: int) -> None:
    """A random chamber with faults, deaths and acts, recorded by the real loop, decides the same again."""
    one = night(number, HOURS, tmp_path)
    assert one.same, one.result
    assert one.broken
    assert one.result.evaluations > HOURS * 3600


def test_the_nights_hold_what_a_night_may_hold(tmp_path: Path) -> None:
    """The same number is the same night, another one is another."""
    folders = [tmp_path / name for name in ("one", "again", "other")]
    for folder in folders:
        folder.mkdir()
    one, again, other = (night(n, 0.1, folder) for n, folder in zip((5, 5, 6), folders, strict=True))
    heads = [(folder / "journal.known").read_text() for folder in folders]
    assert heads[0] == heads[1] != heads[2]
    assert one.broken == again.broken
    assert one.broken != other.broken
