"""A probe is cleaned at night and forgotten in its cup: gas stays shut, and the morning is explained."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from nightheron.cli.closing import closing_rows, last_proved
from nightheron.cli.log import line
from nightheron.cli.times import times
from nightheron.cli.why_text import page
from nightheron.journal.query import entries
from nightheron.model import NS, Act, Gas, ValveSaid
from nightheron.runtime.clock import rfc3339
from nightheron.runtime.ports import JournalPort
from nightheron.runtime.status import site_status

from tests.support.loops import Bench
from tests.support.replays import DiskJournal, replayed

STEP_NS = 2 * NS
"""Half as often as the service would step: the night is long, and nothing in it is that quick."""


class Evening(Bench):
    """One chamber whose journal is on disk, and a probe that hands put where they like."""

    disk: DiskJournal

    def __init__(self, data_dir: Path) -> None:
        self._data_dir = data_dir
        super().__init__("west")
        self.config = data_dir / "nightheron.toml"
        self.config.write_text(f'[site]\nname = "x"\ndata_dir = "{data_dir}"\n')
        self.open_s = 0.0

    def port(self) -> JournalPort:
        self.disk = DiskJournal(self.clock, self.inbox, self._data_dir)
        return self.disk

    def reads(self, minutes: float, ph: float) -> None:
        """The probe says this for so long; open gas is counted."""
        for _ in range(round(minutes * 60 * NS / STEP_NS)):
            self.clock.advance(STEP_NS)
            self.hear("west", ph)
            self.answer()
            self.step()
            self.open_s += STEP_NS / NS if self.gas("west") is Gas.OPEN else 0.0

    def answer(self) -> None:
        """The valve takes the order that stands, and says so once."""
        if self.keepers.orders:
            gas = Gas.OPEN if self.keepers.orders[-1][1] == "open" else Gas.CLOSED
            self.keepers.said.append(("west", ValveSaid(0, 0, link=True, acked=gas)))
            self.keepers.orders.clear()

    def why(self) -> str:
        """The page of ``nightheron why``, as a person reads it now."""
        whole: dict[str, Any] = site_status("x", "UTC", self.loop.view, self.limits, None)
        chamber = whole["chambers"][0]
        return page(chamber, closing_rows(self.config, chamber), whole["alarms"], self.zone())

    def zone(self) -> Any:
        return times("UTC", self.clock.utc())

    def log(self) -> list[str]:
        """The lines of ``nightheron log``, without the minutes in which nothing happened."""
        return [line(row, self.zone()) for row in entries(self.disk.path) if row["kind"] != "witness"]


def test_a_forgotten_cleaning_is_explained_in_the_morning(tmp_path: Path) -> None:
    """Buffers and a night in the cup open nothing; the reminder comes once, and why and log tell it all."""
    site = Evening(tmp_path)
    site.open_gas()
    site.reads(2, 6.85)
    begun = rfc3339(site.clock.utc())
    assert site.act(Act.SERVICE_ON, for_s=1200.0) is None
    assert site.gas("west") is Gas.CLOSED
    site.open_s = 0.0
    for minutes, buffer_ph in ((3, 7.01), (3, 4.01), (2, 8.9), (150, 7.01)):
        site.reads(minutes, buffer_ph)  # the last is the cup in which it was forgotten
    assert (site.open_s, site.gas("west")) == (0.0, Gas.CLOSED)
    assert site.limits[0].resume_ph < 7.01, "the cup reads as good water does"

    morning = site.why()
    assert "by service. A person holds it shut" in morning
    assert "first    " in morning and "service: ana: cleaning" in morning
    assert "reminded at " in morning and "still held shut (ana: cleaning)" in morning
    assert "opens    a person ends the hold: nightheron service off west" in morning

    rows = [row for row in entries(site.disk.path) if str(row["utc"]) >= begun]
    reminders = [row for row in rows if row["kind"] == "alarm"]
    assert [row["reason"] for row in reminders] == ["service"]
    log = site.log()
    assert sum("act       service on by ana: cleaning" in one for one in log) == 1
    assert sum("reminded: west: gas is still held shut (ana: cleaning)" in one for one in log) == 1

    # Still in its cup when the hold is ended: one trial, which nothing answers, and then a person.
    assert site.act(Act.SERVICE_OFF) is None
    site.reads(45, 7.01)
    assert 0 < site.open_s <= site.limits[0].trial_opening_s + 5
    assert "by planned_rest" in site.why()
    assert "the reading does not answer the gas" in site.why()
    assert site.reasons() == ("no_effect",)
    site.loop.end()
    site.disk.close()
    assert replayed(site.disk.path).identical


def test_the_last_proof_is_found_in_the_journal(tmp_path: Path) -> None:
    """With gas shut already a person is told when the water last proved that it stopped."""
    site = Evening(tmp_path)
    assert last_proved(site.config, "west") is None
    site.open_gas()
    for ph in (6.8, 6.7, 6.58):
        site.reads(0.5, ph)
    site.reads(0.1, 6.66)
    at = rfc3339(site.clock.utc())
    site.reads(0.5, 6.67)
    found = last_proved(site.config, "west")
    assert found is not None
    assert "2026-01-01T00:02" < found <= at
    assert "proved: pH rising at " in site.why()
    site.act(Act.SERVICE_ON)
    site.reads(1, 6.9)
    assert last_proved(site.config, "west") == found
    assert last_proved(tmp_path / "none.toml", "west") is None
    site.disk.close()
