"""Whether a site may be left alone: a doubt counts against it, and what is not known is said."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from nightheron.cli import check
from nightheron.cli.away import days_of
from nightheron.journal.connect import COLUMNS
from nightheron.journal.draft import Draft
from nightheron.journal.store import Store
from nightheron.journal.when import utc_text
from nightheron.report.away import Facts, body, concerns, unknown
from nightheron.report.away_sheet import sheet, waking
from nightheron.report.night import night
from nightheron.settings import load

from tests.support.configuration import GOOD, write
from tests.support.journals import filled

END = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)
NOW, SINCE = utc_text(END), utc_text(END - timedelta(days=7))


def rows(**last: Any) -> list[dict[str, Any]]:
    """Seven healthy days of one chamber, a row every six hours; ``last`` changes the newest."""
    made = []
    for number in range(29):
        shut = number % 4 == 0
        made.append(
            {
                "seq": number + 1,
                "utc": utc_text(END - timedelta(days=7) + timedelta(hours=6 * number, minutes=1)),
                "boot": "one",
                "mono_ns": number * 6 * 3600 * 10**9,
                "kind": "decision",
                "hash": f"h{number}",
                "chamber": "west",
                "state": "resting" if shut else "flowing",
                "gas": "closed" if shut else "open",
                "reason": "floor" if shut else None,
                "reasons": ["floor"] if shut else [],
                "evidence": [],
                "ph": 6.65,
                "ph_min": 6.58,
                "ph_max": 6.72,
                "tank_ph": 8.05,
                "verdict": "proved" if shut else None,
                "delivered": True,
                "since": SINCE,
            }
        )
    made[-1] |= {"utc": utc_text(END - timedelta(seconds=30))} | last
    return made


def table(*more: dict[str, Any], **last: Any) -> Any:
    """The last days as the report tells them."""
    return night([*rows(**last), *more], SINCE, NOW)


HEALTHY = Facts(
    days=14.0,
    now=NOW,
    chambers=("west",),
    night=table(),
    proved={"west": utc_text(END - timedelta(hours=6))},
    digest=utc_text(END - timedelta(hours=13)),
    calibrated={"west": utc_text(END - timedelta(days=5))},
    free_bytes=20e9,
    bytes_per_day=3e6,
)


def test_a_healthy_week_is_safe_to_leave_and_says_what_is_not_known() -> None:
    """With nothing against it the first line says safe, and cylinder and media are listed as not known."""
    found = body(HEALTHY)

    assert found["safe"] is True
    assert found["reasons"] == []
    assert str(found["verdict"]).startswith("SAFE TO LEAVE for 14 days, as far as")
    said = " ".join(unknown(HEALTHY))
    assert "cylinder: not known how much is left; weigh it" in said
    assert "media: not known" in said


def stop_row() -> dict[str, Any]:
    """The service's own word that it stopped."""
    first = rows()[-1]
    return first | {"kind": "stop", "chamber": None, "seq": 99, "unacknowledged": []}


def gap_row(why: str) -> dict[str, Any]:
    """An hour without a watch or without a record."""
    return rows()[-1] | {
        "kind": "gap", "chamber": None, "seq": 98, "seconds": 3600.0, "why": why, "from_utc": SINCE,
    }  # fmt: skip


def young() -> list[dict[str, Any]]:
    """A journal that began half a day ago."""
    return [row | {"seq": seq} for seq, row in enumerate(rows()[-3:], 1)]


def trips() -> list[dict[str, Any]]:
    """A week in which every closing was a trip, the last of them over."""
    made = rows(gas="open", state="flowing", reason=None, reasons=[], verdict=None)
    trip = {"state": "tripped", "reason": "tank_low", "reasons": ["tank_low"]}
    return [row | trip if row["gas"] == "closed" else row for row in made]


def days_ago(days: float) -> str:
    """A time before now."""
    return utc_text(END - timedelta(days=days))


AGAINST: dict[str, tuple[dict[str, Any], str, str]] = {
    "no push address": ({"cautions": (("alerts.urls_file", "there is no push address"),)}, "alerts", "push"),
    "no heartbeat": ({"cautions": (("alerts.heartbeat_url", "no heartbeat"),)}, "alerts", "falls silent"),
    "nothing bounds it": (
        {"cautions": (("chamber.west.valve.device_timer_s", "NOT BOUNDED: nothing ends gas"),)},
        "device_timer_s",
        "own timer",
    ),
    "one probe alone": (
        {"cautions": (("chamber.west.gas_budget_s_per_day", "not given"),)},
        "gas_budget",
        "second probe",
    ),
    "commissioning": ({"shut": ("west",)}, "west", "finish it"),
    "no journal": ({"night": None, "journal_fault": "There is no journal"}, "journal", "some nights"),
    "latched": (
        {"night": table(state="latched", gas="closed", reasons=["deep_low"])},
        "west",
        "release west",
    ),
    "held": (
        {"night": table(state="service", gas="closed", reasons=["service"])},
        "west",
        "service off west",
    ),
    "tripped": ({"night": table(state="tripped", gas="closed", reasons=["tank_low"])}, "west", "why west"),
    "valve silent": ({"night": table(delivered=False)}, "west", "valve itself"),
    "alarm": ({"alarms": ({"id": "west-deep_low-7", "text": "far below"},)}, "west-deep_low-7", "alarms"),
    "stopped": ({"night": table(stop_row())}, "service", "start it"),
    "stale": ({"night": table(utc=days_ago(0.007))}, "service", "start it"),
    "chamber unseen": (
        {"chambers": ("west", "east"), "proved": {"west": NOW, "east": NOW}},
        "east",
        "why east",
    ),
    "short record": ({"night": night(young(), SINCE, NOW)}, "nights", "2 days"),
    "nobody watched": ({"night": table(gap_row("unwatched"))}, "nights", "find out why"),
    "record torn": ({"night": table(gap_row("journal_stalled"))}, "nights", "night --last"),
    "not seen to stop": (
        {"night": table(gas="closed", reasons=["floor"], reason="floor", verdict="not_proved")},
        "nights",
        "valve",
    ),
    "many trips": ({"night": night(trips(), SINCE, NOW)}, "nights", "end their cause"),
    "near its budget": ({"budget_s": {"west": 70_000.0}}, "west", "media, flow, probe"),
    "never proved": ({"proved": {"west": None}}, "west", "valve test west"),
    "not proved lately": ({"proved": {"west": days_ago(5)}}, "west", "valve test west"),
    "no digest taken": ({"digest": None}, "alerts", "alarms test"),
    "no digest lately": ({"digest": days_ago(4)}, "alerts", "alarms test"),
    "crashes": ({"crashes": 3}, "service", "power"),
    "old calibration": ({"calibrated": {"west": days_ago(50)}}, "west", "fresh buffers"),
    "disk nearly full": ({"free_bytes": 50e6}, "disk", "make room"),
    "disk fills": ({"free_bytes": 500e6, "bytes_per_day": 30e6}, "disk", "make room"),
}


@pytest.mark.parametrize("name", AGAINST)
def test_each_reason_alone_makes_it_not_safe(name: str) -> None:
    """One thing wrong with a healthy site is named, with what to do, and turns the verdict."""
    changed, about, do = AGAINST[name]

    found = body(replace(HEALTHY, **changed))
    assert found["safe"] is False
    assert str(found["verdict"]).startswith("NOT SAFE TO LEAVE for 14 days")
    against = concerns(replace(HEALTHY, **changed))
    assert len(against) == 1, against
    assert about in against[0].about
    assert do in against[0].do


def test_a_warning_for_an_ordinary_day_does_not_count() -> None:
    """What merely is worth knowing about a configuration does not keep anybody at home."""
    assert concerns(replace(HEALTHY, cautions=(("mqtt", "set set_tcp_nodelay true"),))) == []


def test_a_longer_absence_wants_a_younger_calibration_and_more_disk() -> None:
    """The same site that is safe for a fortnight is not for a season."""
    abouts = [one.about for one in concerns(replace(HEALTHY, days=90.0, free_bytes=500e6))]
    assert abouts == ["west", "disk"]


def test_the_sheet_is_one_page_of_eighty_columns_with_the_cautions(tmp_path: Path) -> None:
    """Whoever looks in finds limits, what is normal, what to do and the dangers on one sheet of paper."""
    site = load(write(tmp_path), {})
    page = sheet(site, "2026-03-14", 14.0, HEALTHY.night)

    lines = page.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 60
    for words in ("pH 6.60", "WHO TO CALL", "hand valve AT THE CYLINDER", "CO2", "mains", "licensed"):
        assert words in page
    assert "pH 6.58 to 6.72" in page
    assert "east, last nights: not known" in page
    assert "not certified" in page


def test_the_sheet_explains_only_alarms_that_can_wake_here(tmp_path: Path) -> None:
    """A site without a leak sensor has no line for one, and every site has one for gas that goes on."""
    names = {rule.reason.value for rule in waking(load(write(tmp_path), {}))}
    assert {"not_stopping", "foreign_order", "tank_low"} <= names
    assert not names & {"leak", "room_co2", "vessel_pressure_high", "floor", "no_effect"}


def test_the_command_reads_the_journal_and_ends_in_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A site without pushes whose service stopped long ago is not safe; verdict first, sheet last, exit 1."""
    data = tmp_path / "data"
    data.mkdir(mode=0o750)
    filled(data, 3)
    path = write(tmp_path, GOOD)

    assert check.run(argparse.Namespace(config=path, json=False, away="14d")) == 1
    shown = capsys.readouterr().out
    assert shown.startswith("NOT SAFE TO LEAVE for 14 days: ")
    assert "alerts.urls_file" in shown
    assert "nobody watches now" in shown
    assert shown.index("Not known, look yourself:") < shown.index("NORTH-GREENHOUSE: WHILE WE ARE AWAY")

    assert check.run(argparse.Namespace(config=path, json=True, away="36h")) == 1
    found = json.loads(capsys.readouterr().out)
    assert (found["safe"], found["days"], found["site"]) == (False, 1.5, "north-greenhouse")
    assert {"about", "what", "do"} == set(found["reasons"][0])


READY = """
[site]
name = "north-greenhouse"
data_dir = "data"

[mqtt]
host = "127.0.0.1"

[[chamber]]
name = "west"
gas_budget_s_per_day = 86000.0
[chamber.probe]
driver = "mqtt"
topic = "greenhouse/west/ph"
[chamber.valve]
driver = "mqtt"
order_topic = "greenhouse/west/gas/order"
device_timer_s = 10

[alerts]
urls = ["json://example.org/push"]
heartbeat_url = "https://example.org/beat"
"""


def journal(data: Path, *more: tuple[str, dict[str, Any]]) -> None:
    """The healthy week in a real journal, its newest row half a minute old; ``more`` before it."""
    now = datetime.now(UTC)
    later = now - END
    drafts = [
        Draft(
            kind=row["kind"],
            utc=utc_text(datetime.fromisoformat(row["utc"]) + later),
            boot="one",
            mono_ns=row["mono_ns"],
            chamber="west",
            body={name: row[name] for name in row if name not in COLUMNS},
            inputs=None,
        )
        for row in rows()
    ]
    end_ns, newest = drafts[-1].mono_ns, drafts.pop()
    told = {"about": "digest", "push": "digest-1", "channel": "json-1", "state": "accepted", "text": "taken"}
    for kind, body_of in (("start", {}), ("delivery", told), *more):
        drafts.append(
            Draft(
                kind=kind, utc=newest.utc, boot="one", mono_ns=end_ns, chamber=None, body=body_of, inputs=None
            )
        )
    store = Store(data, drafts[0].utc)
    store.append([*drafts, newest])
    store.close()


def left(tmp_path: Path, *more: tuple[str, dict[str, Any]]) -> int:
    """What the command answers for a site that is ready, with ``more`` in its journal."""
    data = tmp_path / "data"
    data.mkdir(mode=0o750)
    journal(data, *more)
    path = write(tmp_path, READY)
    return check.run(argparse.Namespace(config=path, json=True, away="14d"))


def test_a_site_that_is_ready_ends_in_zero(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A bounded valve, a push address, a heartbeat and a healthy week in the journal: safe, exit 0."""
    code = left(tmp_path)
    found = json.loads(capsys.readouterr().out)
    assert (found["reasons"], found["safe"], code) == ([], True, 0)
    assert "pH 6.58 to 6.72" in found["sheet"]


@pytest.mark.parametrize(
    ("more", "what"),
    [
        (
            [("alarm", {"id": "west-7", "state": "latched", "text": "far below"})],
            "this alarm stands: far below",
        ),
        ([("start", {}), ("start", {})], "2 starts in 7 days that no clean stop preceded"),
    ],
)
def test_what_the_journal_has_against_leaving_is_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[tuple[str, dict[str, Any]]], what: str
) -> None:
    """A standing alarm and starts without a stop are read from the rows of a real journal."""
    code = left(tmp_path, *more)
    found = json.loads(capsys.readouterr().out)
    assert ([one["what"] for one in found["reasons"]], code) == ([what], 1)


def test_an_alarm_that_ended_does_not_count(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The newest row of an alarm decides, not its first."""
    raised = {"id": "west-7", "state": "unacknowledged", "text": "far below"}
    code = left(tmp_path, ("alarm", raised), ("alarm", {**raised, "state": "normal"}))
    assert code == 0, capsys.readouterr().out


@pytest.mark.parametrize("span", ["", "soon", "0d", "9999d", "14"])
def test_a_span_that_is_none_is_refused(span: str) -> None:
    """Nothing, a word, zero and more than a year are told with an example."""
    with pytest.raises(ValueError, match="14d"):
        days_of(span)
