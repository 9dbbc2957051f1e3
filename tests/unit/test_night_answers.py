"""The three answers of a night: never safer than what is known."""

from __future__ import annotations

from datetime import UTC
from typing import Any

import pytest
from nightheron.report.calibrated import Calibrated
from nightheron.report.night import night
from nightheron.report.night_text import became
from nightheron.report.promised import Promises, promises

from tests.unit.test_night import Rows, at

QUIET_S = 36000.0


def watched(*, last: dict[str, Any] | None = None, **fields: Any) -> Rows:
    """A quiet night whose last row has these fields."""
    rows = Rows()
    for minute in range(600):
        rows.says(60.0 * minute, "open", kind="witness")
    rows.says(QUIET_S - 1, "open", **(last or {}), **fields)
    return rows


def answers(rows: Rows, **more: Any) -> Any:
    return night(rows.all, at(0), at(QUIET_S), zone=UTC, **more)["answers"]


def test_a_quiet_night_says_so_and_asks_for_nothing() -> None:
    """Cuts, trips and gaps absent and gas within its limits: nothing wrong, nothing to do."""
    said = answers(watched())
    assert (said["wrong"], said["do"]) == ([], [])
    assert (
        said["headline"] == "Nothing went wrong. Gas is safe: open within its limits, pH 6.65. Nothing to do."
    )


def test_no_rows_are_not_a_quiet_night() -> None:
    """A span without a row is unknown: neither quiet nor safe, and somebody should look."""
    said = night([], at(0), at(QUIET_S))["answers"]
    assert "Nothing is known of this time" in str(said)
    assert "not known from here" in str(said)
    assert "Nothing to do" not in str(said)
    assert "look at the valve" in str(said)


def test_rows_that_end_early_leave_the_gas_unknown() -> None:
    """After three minutes without a row nobody watches, and the last row's gas is not called the gas now."""
    rows = watched()
    said = night(rows.all, at(0), at(QUIET_S + 600))["answers"]
    assert isinstance(said, dict)
    assert said["wrong"] == ["nobody watched for 10 min"]
    assert "whether gas is shut is not known" in str(said["gas"])
    assert "See why the service does not run" in str(said["do"])


@pytest.mark.parametrize(
    ("reasons", "state", "extra", "gas", "do"),
    [
        (("not_stopping",), "latched", {}, "GAS NOT STOPPED", "shut the hand valve at the cylinder"),
        (
            ("no_effect",),
            "latched",
            {},
            "gas is safe: shut by no_effect, acknowledged by the valve",
            "nightheron release west",
        ),
        (("service",), "service", {}, "gas is safe: shut by", "nightheron service off west"),
        (("valve_lost",), "tripped", {}, "gas is safe: shut by", "look at it"),
        (("floor",), "resting", {}, "gas is safe: shut by floor, acknowledged", ""),
        (("floor",), "resting", {"verdict": "proved"}, "shut by floor, proved by the water", ""),
        (("floor",), "resting", {"delivered": None}, "whether the valve took it is not known", ""),
        (
            ("valve_lost",),
            "tripped",
            {"delivered": False, "at_ns": 10 * 10**9, "ordered_ns": 0},
            "NOT YET ACKNOWLEDGED",
            "shut the hand valve",
        ),
        (
            ("floor",),
            "resting",
            {"delivered": False, "at_ns": 10**9, "ordered_ns": 0},
            "NOT YET ACKNOWLEDGED",
            "",
        ),
    ],
)
def test_shut_gas_is_told_by_why_and_by_whether_the_valve_took_it(
    reasons: tuple[str, ...], state: str, extra: dict[str, Any], gas: str, do: str
) -> None:
    """What stands by the end names the hand's work; an unanswered close of 3 s or more needs one now."""
    rows = watched()
    rows.says(QUIET_S - 0.5, "closed", *reasons, state=state, **({"delivered": True} | extra))
    said = answers(rows)
    assert gas in said["gas"]
    assert do in " ".join(said["do"])
    assert bool(said["do"]) is bool(do)


def test_a_stop_says_itself_whether_the_valves_took_the_close() -> None:
    """After a stop only the chambers it names need a hand; the others were acknowledged."""
    for missing, hand in (([], False), (["west"], True)):
        rows = watched()
        rows.says(QUIET_S - 0.6, "closed", "starting", delivered=False, at_ns=10**10, ordered_ns=0)
        rows.row(QUIET_S - 0.5, "stop", unacknowledged=missing)
        said = answers(rows)
        assert ("hand valve" in " ".join(said["do"])) is hand
        assert ("with the gas shut" in said["gas"]) is not hand


def test_a_close_that_was_late_went_wrong() -> None:
    """A close acknowledged after more than was promised is named first; one in time is not."""
    limits = {"valve": {"lease_s": 5.0, "travel_s": 2.0}, "probes": [{"stale_s": 5.0}]}
    for taken_s, late in ((4.7, False), (4.8, True)):
        rows = Rows()
        rows.row(0, "snapshot", chamber="west", limits=limits)
        for minute in range(600):
            rows.says(60.0 * minute, "open", kind="witness")
        order: dict[str, Any] = {
            "at_ns": 0,
            "ordered_ns": 0,
            "taken": "open",
            "taken_ns": 0,
            "delivered": False,
        }
        rows.says(QUIET_S - 20, "closed", "floor", **order)
        taken: dict[str, Any] = {"taken": "closed", "taken_ns": round(taken_s * 1e9), "delivered": True}
        rows.says(QUIET_S - 10, "closed", "floor", **(order | taken))
        found: Any = night(rows.all, at(0), at(QUIET_S))
        assert (found["cuts"][0]["closed_s"], found["cuts"][0]["promised_s"]) == (taken_s, 4.75)
        assert (found["answers"]["wrong"] == ["1 closing took longer than promised"]) is late


def test_silence_is_timed_from_the_last_reading() -> None:
    """A probe that fell silent: the time to closed counts from its last reading, not its verdict."""
    rows = watched()
    evidence = [["chamber_ph_lost", "no_good_reading, last reading 5.2 s ago"]]
    order: dict[str, Any] = {
        "at_ns": 10**11,
        "ordered_ns": 10**11,
        "taken": "closed",
        "taken_ns": 10**11 + 250_000_000,
    }
    rows.says(QUIET_S - 0.5, "closed", "chamber_ph_lost", evidence=evidence, **order)
    found: Any = night(rows.all, at(0), at(QUIET_S))
    assert found["trips"][0]["closed_s"] == 5.45


def test_later_reasons_stand_in_order_with_their_evidence() -> None:
    """Reasons that came after the first are listed in their order; settle and rest are nobody's reason."""
    rows = watched()
    rows.says(QUIET_S - 9, "closed", "tank_low", "settling", evidence=[["tank_low", "7.69, limit 7.70"]])
    rows.says(QUIET_S - 8, "closed", "tank_low", "floor", "min_rest", evidence=[["floor", "pH 6.59"]])
    rows.says(QUIET_S - 7, "closed", "valve_lost", "tank_low", first="tank_low")
    trip: Any = night(rows.all, at(0), at(QUIET_S))["trips"]
    assert trip[0]["evidence"] == "7.69, limit 7.70"
    assert [(one["reason"], one["evidence"]) for one in trip[0]["later"]] == [
        ("floor", "pH 6.59"),
        ("valve_lost", ""),
    ]


def test_limits_from_before_the_span_count_within_it() -> None:
    """What was promised comes from the limits in force, also when their row is older than the span."""
    rows = watched()
    rows.says(QUIET_S - 9, "closed", "floor", at_ns=5, ordered_ns=5)
    limits = {"valve": {"lease_s": 20.0, "travel_s": 1.0}, "probes": [{"stale_s": 5.0}]}
    found: Any = night(rows.all, at(0), at(QUIET_S), [{"chamber": "west", "limits": limits}])
    assert found["cuts"][0]["promised_s"] == 11.25


def test_nothing_is_promised_where_nothing_can_be() -> None:
    """Unreadable limits, and closings in which the valve itself is in doubt, promise nothing."""
    assert promises(None) == promises({"valve": {}}) == promises({"valve": 1, "probes": []}) == Promises()
    known = Promises(order_s=4.5, stale_s=None)
    assert known.seconds("valve_lost") is None
    assert known.seconds("chamber_ph_lost") is None
    assert known.seconds("tank_low") == 4.75


def test_a_wall_clock_that_jumps_hides_no_row() -> None:
    """Rows between the first and the last of the span count, also those whose wall time lies outside it."""
    rows = watched()
    rows.says(QUIET_S - 0.9, "closed", "floor")
    rows.all[-1]["utc"] = "1970-01-01T00:00:00.000Z"
    rows.says(QUIET_S - 0.8, "open")
    found: Any = night(rows.all, at(0), at(QUIET_S))
    assert len(found["cuts"]) == 1


def test_calibration_age_is_told_where_it_is_known() -> None:
    """With a date the probe's age is in the third sentence; without one, that none is recorded."""
    told = answers(watched(), calibrated={"west": Calibrated(at(QUIET_S - 40 * 86400), True)})["sentences"][2]
    assert "last held against a buffer 40 days before" in told
    assert "no calibration is recorded" in answers(watched())["sentences"][2]


def test_alarms_say_when_they_were_seen_and_over() -> None:
    """One alarm over several rows is one, with its beginning, who saw it when, and its end."""
    rows = watched()
    alarm = {"id": "west-no_effect-1", "chamber": "west", "reason": "no_effect", "class": "notice"}
    for late_s, state in ((9.0, "unacknowledged"), (8.0, "acknowledged"), (7.0, "normal")):
        rows.row(QUIET_S - late_s, "alarm", **alarm, state=state, text="x", since=at(QUIET_S - 9))
    found: Any = night(rows.all, at(0), at(QUIET_S))
    times = [(one["from"], one["seen"], one["to"]) for one in found["alarms"]]
    assert times == [(at(QUIET_S - 9), at(QUIET_S - 8), at(QUIET_S - 7))]


def test_alarms_say_who_was_told() -> None:
    """Pushes that a service accepted, and those given up, stand with the alarm they were about."""
    rows = watched()
    alarm = {"id": "a-1", "chamber": "west", "reason": "no_effect", "class": "notice", "text": "x"}
    rows.row(QUIET_S - 9, "alarm", **alarm, state="unacknowledged", since=at(QUIET_S - 9))
    for late_s, state, name in ((8, "queued", "a-1"), (7, "accepted", "a-1"), (6, "given_up", "a-1")):
        rows.row(QUIET_S - late_s, "delivery", about="alarm", alarm=name, channel="mqtt-1", state=state)
    rows.row(QUIET_S - 5, "delivery", about="digest", alarm=None, channel="mqtt-1", state="accepted")
    rows.row(QUIET_S - 4, "delivery", about="alarm", alarm="a-1", channel="mqtt-1", state="seen")
    found: Any = night(rows.all, at(0), at(QUIET_S))
    [one] = found["alarms"]
    assert one["told"] == [{"channel": "mqtt-1", "at": at(QUIET_S - 7)}]
    words = became(one, UTC)
    assert [word.split(" ")[0] for word in words] == ["told", "NOT", "seen", "still"]


def test_an_alarm_that_told_nobody_says_so() -> None:
    """Without an accepted push the alarm's line says that none was."""
    alarm: dict[str, Any] = {"told": [], "not_told": [], "seen": None, "to": None}
    assert became(alarm, UTC)[0] == "no push was accepted"
