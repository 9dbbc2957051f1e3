"""The table of a night, from rows as the journal gives them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from nightheron.journal.when import utc_text
from nightheron.report.answers import length
from nightheron.report.night import night
from nightheron.report.night_text import legend, story, summary, table

DUSK = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)
NONE: dict[str, Any] = {"state": None, "gas": None, "reason": None, "reasons": None, "ph": None}


class Rows:
    """Rows of one made-up night; each call is one row ``at`` seconds after dusk."""

    def __init__(self) -> None:
        self.all: list[dict[str, Any]] = []
        self.boot = "one"
        self.since: dict[str, str] = {}
        self.gas: dict[str, str] = {}

    def row(self, at: float, kind: str, **fields: Any) -> None:
        utc, seq = utc_text(DUSK + timedelta(seconds=at)), len(self.all) + 1
        mono_ns = round(at * 1e9) + 7
        base = {
            "seq": seq,
            "utc": utc,
            "boot": self.boot,
            "mono_ns": mono_ns,
            "kind": kind,
            "hash": f"h{seq}",
        }
        self.all.append({**NONE, "chamber": None, "ph_min": None, "verdict": None, **base, **fields})

    def says(self, at: float, gas: str, *reasons: str, chamber: str = "west", **fields: Any) -> None:
        utc = utc_text(DUSK + timedelta(seconds=at))
        if self.gas.get(chamber) != gas:
            self.gas[chamber], self.since[chamber] = gas, utc
        ph = fields.pop("ph", 6.65)
        first = fields.pop("first", reasons[0] if reasons else None)
        fields = {"ph_min": ph, "kind": "decision", "evidence": [], **fields}
        self.row(
            at,
            chamber=chamber,
            gas=gas,
            reason=first,
            reasons=list(reasons),
            ph=ph,
            since=self.since[chamber],
            **fields,
        )

    def night(self, begin: float = 0, end: float = 36000) -> Any:
        return night(self.all, at(begin), at(end))


def at(seconds: float) -> str:
    return utc_text(DUSK + timedelta(seconds=seconds))


@pytest.fixture
def rows() -> Rows:
    """Gas opens at 0 s, a cut from 1000 to 1600 s, then open."""
    made = Rows()
    made.says(0, "open")
    made.says(1000, "closed", "floor", ph=6.59, verdict="pending")
    made.says(1200, "closed", "floor", ph=6.58, verdict="pending")
    made.says(1500, "closed", "floor", ph=6.64, verdict="proved")
    made.says(1600, "open", ph=6.71, verdict="proved")
    made.says(2000, "open", kind="witness", ph=6.66)
    return made


def test_a_cut_has_times_reason_lowest_and_verdict(rows: Rows) -> None:
    """A cut is listed with its beginning, end, length, lowest pH and what the water said."""
    found = rows.night()
    wanted = [
        {
            "chamber": "west",
            "from": at(1000),
            "to": at(1600),
            "reason": "floor",
            "lowest_ph": 6.58,
            "verdict": "proved",
            "seconds": 600.0,
            "within": None,
        }
    ]
    assert [{key: one[key] for key in wanted[0]} for one in found["cuts"]] == wanted
    assert {"from", "to", "cuts", "trips", "rests", "gaps", "ph_min", "open_share", "head"} <= found.keys()
    assert (found["ph_min"], found["head"]) == (6.58, "h6")


def test_open_share_is_open_over_watched(rows: Rows) -> None:
    """1400 s open of 2000 s watched is a share of 0.7, also when the span is much longer."""
    found = rows.night()
    assert found["open_share"] == pytest.approx(0.7)
    assert found["chambers"][0]["shut_s"] == {"cuts": 600.0}


def test_an_unfinished_cut_has_no_end_and_counts_so_far(rows: Rows) -> None:
    """While a cut lasts its ``to`` is null, its length runs to the last row, and sums include it."""
    rows.says(2100, "closed", "floor", ph=6.59, verdict="pending")
    rows.says(2160, "closed", "floor", kind="witness", ph=6.58, verdict="pending")
    found = rows.night()
    last = found["cuts"][-1]
    assert (last["to"], last["seconds"], last["verdict"]) == (None, 60.0, "pending")
    assert found["chambers"][0]["shut_s"] == {"cuts": 660.0}
    assert found["open_share"] == pytest.approx(1500 / 2160, abs=1e-4)


def test_a_cut_from_before_the_span_keeps_its_beginning(rows: Rows) -> None:
    """A cut under way when the span begins is listed from its true beginning; the share is not."""
    found = rows.night(begin=1100)
    cut = found["cuts"][0]
    assert (cut["from"], cut["seconds"]) == (at(1000), 600.0)
    assert found["open_share"] == pytest.approx(400 / 800)


def test_a_verdict_never_given_could_not_tell(rows: Rows) -> None:
    """A closing that ended while its verdict was pending is one that could not tell."""
    rows.says(2100, "closed", "floor", ph=6.59, verdict="pending")
    rows.says(2300, "open", ph=6.7, verdict="pending")
    assert rows.night()["cuts"][-1]["verdict"] == "could_not_tell"


def test_rests_trips_and_starts_are_told_apart(rows: Rows) -> None:
    """Planned rests, protective closings and starts each have their own list."""
    for begin, reason in (
        (3000, "planned_rest"),
        (4000, "valve_lost"),
        (5000, "starting"),
        (6000, "service"),
    ):
        rows.says(begin, "closed", reason)
        rows.says(begin + 100, "open")
    found = rows.night()
    kinds = {kind: [one["reason"] for one in found[kind]] for kind in ("cuts", "rests", "trips", "other")}
    assert kinds == {
        "cuts": ["floor"],
        "rests": ["planned_rest"],
        "trips": ["valve_lost"],
        "other": ["starting", "service"],
    }


def test_a_trip_that_joins_a_cut_is_not_hidden(rows: Rows) -> None:
    """A protective reason that begins within a cut is a trip of its own, and the cut keeps its reason."""
    rows.says(2100, "closed", "floor", ph=6.59)
    rows.says(2200, "closed", "chamber_ph_lost", "floor", first="floor")
    rows.says(2500, "closed", "floor")
    rows.says(2900, "open", ph=6.71)
    found = rows.night()
    assert [one["seconds"] for one in found["cuts"]] == [600.0, 800.0]
    trip = found["trips"][0]
    assert (trip["from"], trip["to"], trip["seconds"], trip["within"]) == (at(2200), at(2500), 300.0, "floor")
    assert found["chambers"][0]["shut_s"] == {"cuts": 1400.0}


def test_each_trip_within_a_cut_is_listed_with_its_own_time(rows: Rows) -> None:
    """A foreign order that came while circulation stood is not hidden behind it."""
    rows.says(2100, "closed", "floor", ph=6.59)
    rows.says(2200, "closed", "circulation_stopped", "floor", first="floor")
    rows.says(2300, "closed", "foreign_order", "circulation_stopped", "floor", first="floor")
    rows.says(2500, "closed", "foreign_order", "floor", first="floor")
    rows.says(2900, "open", ph=6.71)
    trips = [(one["reason"], one["from"], one["to"]) for one in rows.night()["trips"]]
    assert trips == [
        ("circulation_stopped", at(2200), at(2500)),
        ("foreign_order", at(2300), at(2900)),
    ]


def test_time_nobody_watched_counts_as_neither(rows: Rows) -> None:
    """A killed guard's open gas is not counted on until its next start, and the gap is listed."""
    rows.row(
        3000, "gap", why="unwatched", seconds=1000.0, from_utc=at(2000), text="nobody watched for 1000 s"
    )
    rows.row(3000, "start")
    rows.says(3000, "closed", "starting")
    rows.says(3120, "open")
    found = rows.night()
    assert found["chambers"][0]["watched_s"] == 2120.0
    assert found["chambers"][0]["open_s"] == 1400.0
    assert found["gaps"][0]["seconds"] == 1000.0
    assert [one["reason"] for one in found["other"]] == ["starting"]


def test_a_cut_goes_on_across_a_start(rows: Rows) -> None:
    """A cut that a restart finds and goes on with stays one cut, from its beginning to its end."""
    rows.says(2100, "closed", "floor", ph=6.59)
    rows.boot = "two"
    rows.row(2160, "start")
    rows.says(2160, "closed", "starting", "floor", first="floor")
    rows.says(2700, "open", ph=6.71)
    found = rows.night()
    cut = found["cuts"][-1]
    assert (len(found["cuts"]), cut["from"], cut["to"], cut["seconds"]) == (2, at(2100), at(2700), 600.0)
    assert found["other"] == []


def test_wall_clock_steps_change_no_length(rows: Rows) -> None:
    """Lengths come from the clock that never steps, whatever the wall clock does during a cut."""
    rows.says(2100, "closed", "floor", ph=6.59)
    rows.says(2700, "open", ph=6.71)
    rows.all[-1]["utc"] = at(6300)
    assert rows.night()["cuts"][-1]["seconds"] == 600.0


def test_chambers_are_counted_apart(rows: Rows) -> None:
    """Two chambers have their own shares, and the site's share weighs both."""
    rows.says(0, "closed", "service", chamber="east")
    rows.says(2000, "closed", "service", chamber="east", kind="witness")
    found = rows.night()
    assert {one["chamber"]: one["open_share"] for one in found["chambers"]} == {"west": 0.7, "east": 0.0}
    assert found["open_share"] == pytest.approx(0.35)


def test_no_rows_no_numbers() -> None:
    """A span without rows says nothing rather than zero."""
    found = Rows().night()
    assert (found["ph_min"], found["open_share"], found["head"], found["cuts"]) == (None, None, None, [])
    assert summary(found) == ["0 cuts, 0 proved shut by the water; 0 planned rests; 0 trips; 0 gaps."]


def test_the_table_fits_a_terminal(rows: Rows) -> None:
    """Every line of table, legend and story fits 80 columns and is in order of time."""
    rows.says(
        2100,
        "closed",
        "valve_disagrees",
        verdict="could_not_tell",
        evidence=[["valve_disagrees", "seen " * 30]],
    )
    rows.says(2700, "open")
    rows.row(3000, "gap", why="unwatched", seconds=5.0, from_utc=at(2995), text="")
    found = rows.night()
    lines = table(found, UTC, many=False)
    told = story(found["trips"][0], rows.all[6:8], UTC)
    assert max(len(line) for line in [*lines, *legend(found), *told]) <= 80
    assert [line[:8] for line in lines[1:]] == ["21:16:40", "21:35:00", "21:49:55"]
    assert told[-2].strip().startswith("21:45:00  gas opens again")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (8.2, "8 s"),
        (99.6, "2 min"),
        (3599, "1 h 00 min"),
        (7500, "2 h 05 min"),
        (604500, "6 d 23 h"),
        (None, "unknown"),
    ],
)
def test_lengths_read_like_speech(seconds: float | None, text: str) -> None:
    """A length is written the way a person says it."""
    assert length(seconds) == text
