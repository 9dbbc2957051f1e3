"""The page of a night in a real browser: readable by everybody, on every width, on paper, without script."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from nightheron.cli.main import main
from nightheron.report.night import night
from nightheron.report.page import page
from nightheron.report.page_words import Made
from nightheron.report.series import Collector

from tests.support.browser import Browser, browser
from tests.support.short_night import SPAN, play
from tests.unit.test_night import Rows, at

AXE = resources.files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
LOOK = "const done = arguments[arguments.length - 1]; axe.run(document, {resultTypes: ['violations']})"
FOUND = ".then(r => done(r.violations.map(v => [v.id, v.help, v.nodes.map(n => n.target.join(' '))])))"
NIGHT_S = 9 * 3600.0


def ordinary() -> str:
    """A night of nine cuts and a planned rest, with a tank; nothing went wrong."""
    rows = Rows()
    limits = {"floor_ph": 6.6, "resume_ph": 6.7, "tank": {"low_ph": 7.7, "clear_ph": 7.8}}
    valve = {"valve": {"lease_s": 5.0, "travel_s": 2.0}, "probes": [{"stale_s": 5.0}]}
    rows.row(0, "snapshot", chamber="west", limits=limits | valve)
    for minute in range(1, 540):
        place, cut = minute % 54, minute // 54
        shut = place >= 40
        ph = 6.70 - 0.0025 * min(place, 40) + 0.0075 * max(0, place - 40)
        fields: dict[str, Any] = {
            "tank_ph": 8.2 - 0.0006 * minute,
            "ph_max": ph + 0.01,
            "at_ns": minute,
            "ordered_ns": 0,
        }
        verdict: dict[str, Any] = {"verdict": "proved" if place > 44 else "pending"} if shut else {}
        reason = ["planned_rest" if cut == 4 else "floor"] if shut else []
        rows.says(60.0 * minute, "closed" if shut else "open", *reason, ph=ph, **fields, **verdict)
    collected = Collector(at(0), at(NIGHT_S))
    found = night(collected.passing(rows.all), at(0), at(NIGHT_S))
    return page(Made("north", found, collected.series, UTC, "UTC", lambda *_: rows.all, "1.0"))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """An ordinary night, and one with a trip and a gap from a real journal, through the command."""
    folder = tmp_path_factory.mktemp("pages")
    (folder / "ordinary.html").write_text(ordinary())
    config = play(folder)
    assert main(["night", "--config", str(config), *SPAN, "--html", str(folder / "trip.html")]) == 0
    return {name: folder / f"{name}.html" for name in ("ordinary", "trip")}


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for all."""
    with browser(tmp_path_factory.mktemp("browser")) as made:
        yield made


@pytest.mark.parametrize("width", [1000, 360])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["ordinary", "trip"])
def test_no_accessibility_violation(
    pages: dict[str, Path], window: Browser, name: str, width: int, *, dark: bool
) -> None:
    """axe-core finds nothing, all tables unfolded, on a desk and on a phone, light and dark."""
    window.show(pages[name], width, dark=dark)
    window.run("document.querySelectorAll('details').forEach(d => d.open = true)")
    window.run(AXE)
    assert window.wait_for(LOOK + FOUND) == []


def test_the_checker_finds_a_planted_fault(window: Browser, tmp_path: Path) -> None:
    """axe-core, run the same way, does name a picture without words."""
    bad = tmp_path / "bad.html"
    bad.write_text('<html lang="en"><title>x</title><main><h1>x</h1><img src="data:,"></main></html>')
    window.show(bad, 1000)
    window.run(AXE)
    assert [one[0] for one in window.wait_for(LOOK + FOUND)] == ["image-alt"]


@pytest.mark.parametrize("name", ["ordinary", "trip"])
def test_nothing_is_stopped_fetched_or_run(pages: dict[str, Path], window: Browser, name: str) -> None:
    """Under its own policy, which forbids scripts and fetching, the browser has nothing to complain of."""
    window.complaints()
    window.show(pages[name], 1000)
    assert window.complaints() == []
    assert window.run("return performance.getEntriesByType('resource').length") == 0
    assert window.run("return document.scripts.length") == 0


@pytest.mark.parametrize("name", ["ordinary", "trip"])
def test_at_four_hundred_percent_nobody_scrolls_sideways(
    pages: dict[str, Path], window: Browser, name: str
) -> None:
    """320 CSS pixels, which a desk of 1280 has at 400 %, hold every line (WCAG 2.1, 1.4.10)."""
    window.show(pages[name], 320)
    window.run("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert window.run("return document.documentElement.scrollWidth") <= 320


def test_the_picture_that_fits_is_the_one_shown(pages: dict[str, Path], window: Browser) -> None:
    """A phone gets the narrow picture with letters as large as the text's, a desk the wide one."""
    shown = "return [...document.querySelectorAll('svg.chart')].filter(s => s.clientWidth).length"
    letters = (
        "return Math.min(...[...document.querySelectorAll('svg.chart text')]"
        ".map(t => t.getBoundingClientRect().height).filter(h => h > 0))"
    )
    for width in (1000, 360):
        window.show(pages["ordinary"], width)
        assert window.run(shown) == 1
        assert window.run(letters) >= 9


def test_every_number_on_a_picture_leads_to_its_row(pages: dict[str, Path], window: Browser) -> None:
    """Each mark is a link with a name, and its row is there; no id is there twice."""
    window.show(pages["trip"], 1000)
    marks = window.run(
        "return [...document.querySelectorAll('svg.chart a')].map(a => [a.getAttribute('aria-label'), "
        "document.querySelector(a.getAttribute('href'))?.querySelector('th').textContent])"
    )
    assert len(marks) >= 10
    assert all(name == f"Event {number}" for name, number in marks)
    ids = window.run("return [...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))


def test_an_ordinary_night_is_one_sheet_of_paper(pages: dict[str, Path], window: Browser) -> None:
    """Nine cuts, a rest and a tank print on one page of A4; a trip begins a page of its own."""
    window.show(pages["ordinary"], 1000)
    assert window.pdf_pages() == 1
    window.show(pages["trip"], 1000)
    assert window.pdf_pages() == 2


def test_it_is_small(pages: dict[str, Path]) -> None:
    """No page is over 300 kB."""
    assert max(path.stat().st_size for path in pages.values()) <= 300_000
