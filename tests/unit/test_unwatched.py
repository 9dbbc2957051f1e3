"""What is said of the gas at a stop and while nobody watched: only what is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from typing import Any

from nightheron.model import Gas, Left, Reason, ValveSaid
from nightheron.report.night_text import WIDTH, table
from nightheron.runtime.opening_rows import stop_row
from nightheron.runtime.unwatched import Shut, how_shut, shut_text, worst
from nightheron.runtime.valve_port import Series
from nightheron_drivers.protocols import Said

from tests.support.night import limits

SHUT = Left(Gas.CLOSED, Reason.FLOOR, (), False, 0.0, 0.0, False, 0.0)
OPEN = replace(SHUT, gas=Gas.OPEN, reason=None)
UNTAKEN = replace(SHUT, taken=Gas.OPEN)
PLAIN = limits()
TIMED = limits(valve=replace(PLAIN.valve, device_timer_s=10.0))
WITNESS: dict[str, Any] = {"kind": "witness"}


def test_only_an_acknowledged_close_is_shut() -> None:
    """Gas was shut where the valve had acknowledged that; every other case says what it rests on."""
    assert how_shut(WITNESS, {"delivered": True}, SHUT, PLAIN) is Shut.ACKNOWLEDGED
    assert how_shut(WITNESS, {"delivered": False}, SHUT, PLAIN) is Shut.NOT_KNOWN
    assert how_shut(WITNESS, {"delivered": False}, UNTAKEN, PLAIN) is Shut.NOT_KNOWN
    assert how_shut(WITNESS, {"delivered": True}, OPEN, PLAIN) is Shut.BY_LEASE
    assert how_shut(WITNESS, {"delivered": True}, OPEN, TIMED) is Shut.BY_TIMER
    assert how_shut(WITNESS, {"delivered": False}, UNTAKEN, TIMED) is Shut.BY_TIMER
    assert how_shut(WITNESS, None, None, PLAIN) is Shut.NOT_KNOWN


def test_a_stop_says_itself_whether_the_valves_took_it() -> None:
    """After a stop in good order its own row counts, and not the rows before it."""
    assert how_shut({"kind": "stop", "unacknowledged": []}, {}, SHUT, PLAIN) is Shut.ACKNOWLEDGED
    assert how_shut({"kind": "stop", "unacknowledged": ["west"]}, {}, SHUT, PLAIN) is Shut.NOT_KNOWN
    assert stop_row("SIGTERM", ["west"])["text"] == (
        "the service stops (SIGTERM); close not acknowledged by: west"
    )
    assert "closed" not in str(stop_row("SIGTERM", ["west"])["text"])


def test_the_gap_says_no_more_than_is_known() -> None:
    """A gap names each chamber with what is known of it, and the least sure of them for the whole."""
    east = replace(TIMED, name="east")
    text = shut_text([Shut.NOT_KNOWN, Shut.BY_TIMER], [PLAIN, east])
    assert text == (
        "east: the valve's own timer was to shut it within 10 s; nobody saw whether it did; "
        "west: whether gas was shut is not known"
    )
    assert worst([Shut.NOT_KNOWN, Shut.ACKNOWLEDGED]) is Shut.NOT_KNOWN
    assert "5 s" in shut_text([Shut.BY_LEASE], [PLAIN])


def test_the_gap_fits_the_table_of_a_night() -> None:
    """Each kind of gap has its words in the night's table, within its width."""
    night: dict[str, Any] = {name: [] for name in ("cuts", "rests", "trips", "other")}
    times = {"from": "2026-01-01T01:00:00.000Z", "to": "2026-01-01T02:00:00.000Z", "seconds": 3600.0}
    for shut in [*Shut, None]:
        night["gaps"] = [{**times, "why": "unwatched", "shut": shut}]
        line = table(night, UTC, many=False)[1]
        assert len(line) <= WIDTH
        assert ("NOT KNOWN" in line) is (shut in (Shut.NOT_KNOWN, None))


def taken(series: Series, index: int, gas: Gas) -> Gas | None:
    event = series.valve(index, Said("acked", gas), 0)
    assert isinstance(event, ValveSaid)
    return event.acked


def test_valves_in_series_have_taken_a_close_when_all_have() -> None:
    """One of two valves that took the close is not yet the chamber; an old answer counts for nothing."""
    series = Series("west", ("west/0", "west/1"))
    assert taken(series, 0, Gas.CLOSED) is None
    assert taken(series, 1, Gas.CLOSED) is Gas.CLOSED
    series.open()
    assert taken(series, 0, Gas.OPEN) is Gas.OPEN
    assert taken(series, 0, Gas.CLOSED) is None
    assert taken(series, 1, Gas.CLOSED) is Gas.CLOSED
