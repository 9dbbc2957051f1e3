"""The page of a night without a browser: its pictures, its colours, and what it does without the library."""

from __future__ import annotations

import re
import sys
from datetime import UTC
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from nightheron.cli import night_html
from nightheron.cli.times import Times
from nightheron.report.night import night
from nightheron.report.page import page
from nightheron.report.page_events import EVENTS_MOST, picked
from nightheron.report.page_words import Made
from nightheron.report.series import BINS_MOST, STEPS_MOST, Collector, empty
from nightheron.report.svg import inline

from tests.unit.test_night import DUSK, Rows, at

STYLE = resources.files("nightheron.report").joinpath("night.css").read_text("utf-8")
SCHEMES = [dict(re.findall(r"--(\w+):(#\w+)", block)) for block in re.findall(r":root\{([^}]*)\}", STYLE)]


def made(rows: Rows, until: float = 3600.0) -> Made:
    collected = Collector(at(0), at(until))
    found = night(collected.passing(rows.all), at(0), at(until))
    return Made("north & <co>", found, collected.series, UTC, "UTC", lambda *_: rows.all, "1.0")


def an_hour(chamber: str = "west") -> Rows:
    rows = Rows()
    for minute in range(60):
        rows.says(60.0 * minute, "open", kind="witness", chamber=chamber, ph_max=6.7, tank_ph=8.0)
    return rows


def test_the_same_rows_give_the_same_bytes() -> None:
    """Nothing of the hour, the machine or chance is in the page."""
    assert page(made(an_hour())) == page(made(an_hour()))


def test_names_are_text_and_never_markup() -> None:
    """A name with signs of HTML in it is shown as it is."""
    text = page(made(an_hour("we<b>st&")))
    assert "north &amp; &lt;co&gt;" in text
    assert "we&lt;b&gt;st&amp;" in text
    assert "<co>" not in text
    assert "we<b>" not in text


def test_there_is_no_script_and_nothing_from_elsewhere() -> None:
    """No script, no handler, no address but the name of the SVG language."""
    text = page(made(an_hour()))
    assert not re.search(r"<script|javascript:|\son\w+=|@import|<link|<img|url\((?!#)", text)
    assert set(re.findall(r"https?://[^\s\"'<>]+", text)) <= {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in text


def test_letters_stay_letters() -> None:
    """Words on the picture are text, not outlines: they can be read aloud, found and enlarged."""
    text = page(made(an_hour()))
    assert re.search(r"<text[^>]*>chamber pH</text>", text)
    assert re.search(r"<text[^>]*>tank pH</text>", text)


@pytest.mark.parametrize("scheme", range(3), ids=["light", "dark", "paper"])
def test_colours_stand_off_their_ground(scheme: int) -> None:
    """Words have a contrast of 4.5 and lines of 3 against the page (WCAG 2.1, 1.4.3 and 1.4.11)."""
    colours = SCHEMES[scheme]
    for name, least in (("ink", 7.0), ("muted", 4.5), ("trip", 4.5), ("floor", 4.5)):
        assert contrast(colours[name], colours["paper"]) >= least, name
    for name in ("line", "gas", "gap", "tank"):
        assert contrast(colours[name], colours["paper"]) >= 3, name
    assert contrast(colours["muted"], colours["soft"]) >= 4.5
    assert contrast(colours["line"], colours["band"]) >= 3


def test_without_the_library_one_sentence_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Where matplotlib is missing the page is refused in a line that can be copied; nothing is written."""
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    one = made(an_hour())
    times = Times("UTC", UTC, DUSK)
    with pytest.raises(ValueError, match=r"not installed here: .* -m pip install .matplotlib>=") as refused:
        night_html.write(tmp_path / "x.html", "north", Path("x"), dict(one.night), one.series, times)
    assert len(str(refused.value).splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    """A file that cannot be made is refused in a sentence that names it."""
    one, times = made(an_hour()), Times("UTC", UTC, DUSK)
    with pytest.raises(ValueError, match=r"no/x\.html cannot be written: No such file"):
        night_html.write(tmp_path / "no" / "x.html", "north", Path("x"), dict(one.night), one.series, times)


def test_an_empty_span_is_a_page_too() -> None:
    """Without a row the page says that nothing is known, and draws nothing."""
    text = page(made(Rows()))
    assert "Nothing is known of this time" in text
    assert "<svg" not in text


def test_of_very_many_events_those_to_look_at_are_listed() -> None:
    """Beyond what a page holds, cuts give way to trips, gaps and what was not proved; numbers stay."""
    rows = Rows()
    for number in range(EVENTS_MOST + 50):
        rows.says(20.0 * number, "closed", "tank_low" if number == 7 else "floor")
        rows.says(20.0 * number + 10, "open", verdict="not_proved" if number == 9 else "proved")
    one = made(rows, 7200.0)
    assert [(number, event["reason"]) for number, _, event in picked(one.night)] == [
        (8, "tank_low"),
        (10, "floor"),
    ]
    assert "2 of 200 events" in page(one)


def test_a_hundred_chambers_still_make_a_small_page() -> None:
    """Of many chambers those with trips have pictures, all stand in the table, and the page stays small."""
    rows = Rows()
    for place in range(100):
        for minute in range(3):
            gas = ("closed", "tank_low") if place == 77 and minute == 1 else ("open",)
            rows.says(60.0 * minute + place / 100, *gas, chamber=f"bed {place}", ph_max=6.7)
    rows.all.sort(key=lambda row: row["utc"])
    text = page(made(rows))
    assert len(text) <= 300_000
    assert "bed 77: pH" in text
    assert text.count('<th scope="row">bed ') == 100


def test_a_year_full_of_trouble_still_makes_a_small_page() -> None:
    """A thousand trips, gaps and alarms in three chambers are told by their worst; the page stays small."""
    rows, day = Rows(), 86400.0
    for number in range(1000):
        for chamber in ("west", "east", "far"):
            begin = day * number / 3
            rows.says(begin, "closed", "tank_low", chamber=chamber, ph_max=6.9, tank_ph=8.0)
            alarm = {"id": f"x{number}", "reason": "tank_low", "class": "notice", "text": "low " * 20}
            rows.row(begin + 9, "alarm", chamber=chamber, state="unacknowledged", **alarm)
            rows.says(begin + 3600, "open", chamber=chamber, ph_max=7.0, tank_ph=8.1)
        rows.row(begin + 7200, "gap", why="unwatched", seconds=99.0, from_utc=at(begin + 7101))
        rows.row(begin + 7200, "start")
    rows.all.sort(key=lambda row: row["utc"])
    text = page(made(rows, 334 * day))
    assert len(text.encode()) <= 300_000
    assert "the first 50 of 1000" in text
    assert text.count("<svg") >= 4


@pytest.mark.parametrize("hours", [0.05, 1, 9, 24, 24 * 7, 24 * 365])
def test_thinning_keeps_every_low(hours: float) -> None:
    """However long the span, its lowest and highest reading are among a few hundred points and the table."""
    until = hours * 3600
    series = empty("west", at(0), at(until))
    rows = Rows()
    for n in range(2000):
        rows.says(until * n / 2000, "open", ph=6.2 if n == 777 else 6.7, ph_max=7.1 if n == 999 else 6.8)
    for row in rows.all:
        series.see(row)
    for every in (1, 2):
        points = [one for _, one in series.points(every)]
        assert len(points) <= BINS_MOST + 1
        assert min(one.ph_low or 9 for one in points) == 6.2
        assert max(one.ph_high or 0 for one in points) == 7.1
    steps = series.steps()
    assert len(steps) <= STEPS_MOST + 1
    assert steps[-1][1] == series.until_s
    assert min(one.ph_low or 9 for _, _, one in steps) == 6.2
    assert sum(one.open_s for _, _, one in steps) == pytest.approx(until * 1999 / 2000)


def test_limits_that_changed_are_drawn_as_they_were() -> None:
    """A floor that was changed in the night stands in the series twice, each from its own moment."""
    series = empty("west", at(0), at(3600))
    for second, floor in ((-9, 6.6), (60, 6.6), (1800, 6.5)):
        rows = Rows()
        rows.row(second, "snapshot", chamber="west", limits={"floor_ph": floor, "resume_ph": 6.7})
        series.see_limits(rows.all[0])
    assert [(one.at_s - series.since_s, one.floor_ph) for one in series.limits] == [(0, 6.6), (1800, 6.5)]


def test_a_picture_in_a_page_has_its_own_ids_and_the_pages_colours() -> None:
    """Ids and what points at them get a prefix, stand-in colours become the page's, marks become links."""
    text = inline(
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="9pt">'
        '<metadata>x</metadata><defs><path id="m" d="M 1.25 2.04"/></defs><use xlink:href="#m" x="3.123"/>'
        '<g id="event-4"><text style="font: 700 8px sans; fill: #000001">4</text></g>'
        '<text id="no" style="font-size: 9px; font-family: A, B; fill: #000002">x</text></svg>',
        "p",
    )
    assert '<path id="p-m" d="M 1.2 2"' in text
    assert '<use x="3.1" href="#p-m"' in text
    assert (
        '<a href="#event-4" aria-label="Event 4"><g><text style="font-weight: bold; font-size: 8px;' in text
    )
    assert "fill: var(--ink)" in text
    assert '<text style="font-size: 9px; fill: var(--muted)">x' in text
    assert "metadata" not in text
    assert "9pt" not in text


def contrast(one: str, other: str) -> float:
    """WCAG 2.1's contrast ratio of two colours."""
    dark, light = sorted(_light(colour) for colour in (one, other))
    return (light + 0.05) / (dark + 0.05)


def _light(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts: list[Any] = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    parts = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return float(0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2])
