"""What is usual of a chamber's gas, and how old its calibration is."""

from __future__ import annotations

import json
import os
import shutil
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from nightheron.cli.night import look
from nightheron.cli.times import times
from nightheron.journal.earlier import open_times
from nightheron.journal.when import utc_text
from nightheron.report.answers import did, unknown
from nightheron.report.calibrated import calibrations
from nightheron.report.usual import all_usual, earlier, percents, usual

from tests.bench.year import BEGINS, DAY, copies
from tests.support.short_night import BEGINS as EVENING, CHAMBER, FROM, TO, play

WHOLE = (86400.0 * 0.4, 86400.0)
AT_NOON = times("UTC", EVENING)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An hour and a quarter with a lost probe and a killed guard."""
    return play(tmp_path_factory.mktemp("usual")).parent / "journal.db"


@pytest.fixture(scope="module")
def nights(journal: Path) -> Path:
    """The same hours on ten days; the path of that journal."""
    return copies(journal, 10, journal.parent / "ten")


def evening(number: int) -> tuple[str, str]:
    """That day's hour and a quarter."""
    begin = EVENING + number * DAY
    return utc_text(begin), utc_text(begin + timedelta(minutes=75))


def test_the_usual_is_the_median_and_the_range_of_nights_that_were_watched() -> None:
    """Nights of which less than half was watched do not count, and of two nobody says what is usual."""
    nights = [WHOLE, (86400.0 * 0.5, 86400.0), (86400.0 * 0.3, 86400.0), (30000.0, 30001.0), (0.0, 0.0)]
    assert usual(nights, 86400.0) == {"nights": 3, "median": 0.4, "least": 0.3, "most": 0.5}
    assert usual(nights[:2], 86400.0) is None
    assert percents(usual(nights, 86400.0) or {}) == "usual 40 %, 30 to 50 in 3 nights"


def test_earlier_nights_are_the_same_hours_or_whole_days() -> None:
    """Thirty spans before the night, oldest first; a week is held against single days."""
    night = earlier("2026-03-14T20:00:00.000Z", "2026-03-15T06:00:00.000Z")
    assert len(night) == 30
    assert night[-1] == ("2026-03-13T20:00:00.000Z", "2026-03-14T06:00:00.000Z")
    week = earlier("2026-03-08T00:00:00.000Z", "2026-03-15T00:00:00.000Z")
    assert week[-2:] == [
        ("2026-03-06T00:00:00.000Z", "2026-03-07T00:00:00.000Z"),
        ("2026-03-07T00:00:00.000Z", "2026-03-08T00:00:00.000Z"),
    ]
    assert all(end <= begin for (_, end), (begin, _) in pairwise(week))


def test_open_times_agree_with_the_night_itself(journal: Path) -> None:
    """What is read from few columns is what the night reckons from its rows, deaths and gaps included."""
    since, until = FROM.replace("Z", ".000Z"), TO.replace("Z", ".000Z")
    [(name, [times_s])] = open_times(journal, [(since, until)]).items()
    [chamber] = look(journal, since, until, AT_NOON)["chambers"]
    assert name == CHAMBER
    assert times_s == pytest.approx([chamber["open_s"], chamber["watched_s"]], abs=0.01)
    assert chamber["usual_open_share"] is None
    assert open_times(journal, []) == {}
    assert open_times(journal, [("2020-01-01T00:00:00.000Z", "2020-01-02T00:00:00.000Z")]) == {}


def test_a_night_is_held_against_the_nights_before_it(nights: Path) -> None:
    """The tenth of ten equal nights is as usual as can be; the third has too few before it to say."""
    tenth, third = (look(nights, *evening(number), AT_NOON) for number in (9, 2))
    [chamber] = tenth["chambers"]
    known = chamber["usual_open_share"]
    assert known["nights"] == 9
    assert (
        known["least"] == known["median"] == known["most"] == pytest.approx(chamber["open_share"], abs=0.01)
    )
    assert f"(usual {100 * known['median']:.0f} %" in did(tenth)
    assert third["chambers"][0]["usual_open_share"] is None
    assert "too few nights before to say what is usual" in did(third)


def test_only_a_chamber_with_enough_nights_has_a_usual() -> None:
    """Chambers are judged one by one."""
    found = all_usual({"west": [WHOLE] * 3, "east": [WHOLE] * 2}, "2026-03-14T00:00Z", "2026-03-15T00:00Z")
    assert list(found) == ["west"]


def test_a_calibration_is_as_old_as_its_record_says(journal: Path, tmp_path: Path) -> None:
    """A record's own date counts; where it has none its file's date does, and is named as that."""
    folder = tmp_path / "calibration"
    folder.mkdir()
    said = {"at_ph7": 7.0, "per_ph": 1.0, "utc": "2026-02-02T22:00:00+01:00"}
    (folder / f"{CHAMBER}.json").write_text(json.dumps(said))
    (folder / "other.json").write_text(json.dumps({"at_ph7": 7.0, "per_ph": 1.0, "utc": "yesterday"}))
    (folder / "broken.json").write_text("[" * 2000)
    os.utime(folder / "other.json", (EVENING.timestamp() - 86400,) * 2)
    found = calibrations(folder)
    assert found[CHAMBER] == ("2026-02-02T21:00:00.000Z", True)
    assert found["other"] == ("2026-03-13T22:00:00.000Z", False)
    assert not found["broken"].by_record
    assert calibrations(tmp_path / "nowhere") == {}
    copied = Path(shutil.copy(journal, tmp_path / "journal.db"))
    night = look(copied, FROM.replace("Z", ".000Z"), TO.replace("Z", ".000Z"), AT_NOON)
    assert night["chambers"][0]["calibrated_by"] == "record"
    assert "last held against a buffer 40 days before)" in unknown(night)
    (folder / f"{CHAMBER}.json").write_text(json.dumps({"at_ph7": 7.0, "per_ph": 1.0}))
    os.utime(folder / f"{CHAMBER}.json", (BEGINS.timestamp(),) * 2)
    night = look(copied, FROM.replace("Z", ".000Z"), TO.replace("Z", ".000Z"), AT_NOON)
    assert "days before, by its file's date)" in unknown(night)
