"""What people read of a chamber: the truth about its valve, what stands and what is over, and what to do."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from nightheron.cli import status as status_command
from nightheron.cli.times import Times, times
from nightheron.cli.why_text import page
from nightheron.guard.snapshot import to_json
from nightheron.model import NS, Act, Acted, Gas, Record, ValveSaid, Verdict
from nightheron.runtime.clock import rfc3339
from nightheron.runtime.status import chamber_status

from tests.support.night import Night, flowing
from tests.unit.test_delivery import answers, loses, open_and_lost

ZERO = datetime(2026, 3, 1, 12, tzinfo=UTC)


def utc(at_ns: int) -> str:
    return rfc3339(ZERO + timedelta(microseconds=at_ns // 1000))


def zone(night: Night, name: str = "UTC") -> Times:
    return times(name, datetime.fromisoformat(utc(night.now_ns)))


def rows(night: Night) -> list[dict[str, Any]]:
    """The decision rows since gas was last shut."""
    found: list[dict[str, Any]] = []
    for at_ns, effect in night.effects:
        if isinstance(effect, Record):
            body = to_json(effect.decision)
            assert isinstance(body, dict)
            found = [*found, {**body, "utc": utc(at_ns)}] if body["gas"] == "closed" else []
    return found


def seen(night: Night) -> dict[str, Any]:
    """The chamber as ``status --json`` has it."""
    decision = night.chamber.decision
    closing = rows(night)
    since = closing[0]["utc"] if closing else utc(decision.ordered_ns)
    return chamber_status(decision, night.limits, since, utc)


def why(night: Night, *alarms: dict[str, Any], name: str = "UTC") -> str:
    return page(seen(night), rows(night), alarms, zone(night, name))


def status(night: Night, *alarms: dict[str, Any], name: str = "UTC") -> str:
    whole = {"chambers": [seen(night)], "alarms": list(alarms), "journal": {"seq": None, "head": None}}
    return status_command.page(whole, zone(night, name))


def alarm(reason: str, text: str) -> dict[str, Any]:
    return {
        "id": f"west-{reason}-1",
        "chamber": "west",
        "reason": reason,
        "class": "notice",
        "state": "unacknowledged",
        "since": utc(1000 * NS),
        "text": text,
    }


def test_a_close_that_was_not_delivered_is_never_called_closed() -> None:
    """A valve lost while open: both pages say NOT DELIVERED, for how long, and what to do now."""
    night = open_and_lost().wait(14)
    for shown in (why(night), status(night)):
        assert "west: CLOSE NOT DELIVERED for 14 s: the valve does not answer; gas may still flow." in shown
        assert "NOW: shut the hand valve at the cylinder, then look at broker, network and valve." in shown
        assert "stay out, air the room from outside, call for help" in shown
        assert "CLOSED" not in shown
        assert "need do nothing" not in shown
    assert "done     close ordered, not taken by the valve; its last known order is OPEN (since " in why(
        night
    )
    assert "ordered shut  tripped" in status(night)
    assert "west: ordered shut by valve_lost" in status(night)


def test_what_is_not_known_or_bounded_is_said_so() -> None:
    """A valve with its own timer, and one that never answered, are told as what they are."""
    timed = open_and_lost(valve=flowing().limits.valve.__class__(5.0, 2.0, False, 10.0)).wait(14)
    assert "its own timer was to shut it within 10 s, which nobody has seen" in why(timed)
    assert why(timed).startswith(
        "west: close not answered for 14 s: the valve does not answer; its own timer"
    )
    assert "should it be open, shut the hand valve" in why(timed)
    assert "NOW" not in why(timed), "its alarm is a notice, and the words are no louder"
    never = Night(begin=False).start(says=False).wait(20)
    assert "CLOSE NOT DELIVERED for 20 s" in why(never)
    assert "whether gas flows is not known" in why(never)
    assert "it has taken no order since the start" in why(never)


def test_a_valve_that_was_shut_before_it_was_lost() -> None:
    """A close that was taken stays known when the valve is lost afterwards, and says where to look."""
    night = loses(answers(answers(flowing(), Gas.OPEN).wait(1, 6.5), Gas.CLOSED)).wait(20, 6.55)
    assert "NOT DELIVERED" not in why(night)
    assert "gas CLOSED for 20 s, by floor (now also: valve_lost)" in why(night)
    assert "look at broker, network and valve" in why(night)
    assert "done     close ordered, taken by the valve" in why(night)


def test_gas_that_does_not_stop_leads_the_page() -> None:
    """With pH falling though gas is shut, the page begins with that, and with what to do."""
    night = answers(answers(flowing(), Gas.OPEN).wait(1, 6.5), Gas.CLOSED)
    night.wait(300, slope_per_s=-0.001)
    assert night.chamber.decision.verdict is Verdict.NOT_PROVED
    lines = why(night).splitlines()
    assert lines[0].startswith("west: GAS NOT STOPPED. Ordered shut ")
    assert "pH still falling (6.2" in lines[0]
    assert lines[2].startswith("NOW: shut the hand valve at the cylinder. If the CO2 detector sounds")
    shown = status(night)
    assert "GAS NOT STOPPED" in shown
    assert "west     NOT STOPPED  " in shown
    assert "west: ordered shut by floor" in shown


def test_a_valve_that_reports_itself_open_is_never_called_closed() -> None:
    """Ordered shut and seen open: the column, the words and the deed say so; once it agrees, they do not."""
    night = flowing()
    night.reads(6.50)
    night.feedback(Gas.OPEN)
    night.wait(10, 6.50)
    assert "SEEN OPEN" in status(night)
    assert "shut the hand valve" in status(night)
    assert "the valve reports that it stands open" in why(night)
    night.feedback(Gas.CLOSED)
    night.reads(6.50)
    assert "SEEN OPEN" not in status(night)
    assert "stands open" not in why(night)


def test_a_lost_probe_asks_for_a_hand() -> None:
    """A lost probe does not say that nothing need be done, and its age is that of the moment shown."""
    night = answers(answers(flowing(), Gas.OPEN).wait(8, None), Gas.CLOSED).wait(60, None)
    shown = why(night)
    assert "Gas is shut and stays shut until the probe reads again: look at its cable and supply." in shown
    assert "need do nothing" not in shown
    first, now = (next(line for line in shown.splitlines() if line.startswith(w)) for w in ("first", "now"))
    assert "last reading 5." in first
    assert "chamber_ph_lost: no_good_reading, last reading 68.0 s ago" in now


def test_what_is_over_is_marked_and_what_stands_is_named() -> None:
    """After the first reason is gone the headline names it as over, and what is waited for now."""
    night = answers(answers(flowing(), Gas.OPEN).wait(8, None), Gas.CLOSED).wait(60, None).wait(10, 6.9)
    head = why(night).splitlines()[0]
    assert "by chamber_ph_lost (over since " in head
    assert "); now: settling, min_rest. You need do nothing; it reopens by itself." in head
    assert "(over since " in next(line for line in why(night).splitlines() if line.startswith("first"))
    assert "min_rest: 7" in why(night).split("now      ")[1]
    assert "closed by chamber_ph_lost (over); now: settling, min_rest" in status(night)


def test_a_second_hold_shows_its_own_words() -> None:
    """A hold that follows another shows who and why of the newest, now; the first stays the first."""
    night = answers(flowing(), Gas.OPEN)
    night.act(Act.SERVICE_ON)
    night.feed(ValveSaid(night.now_ns, 0, link=True, acked=Gas.CLOSED)).wait(5)
    night.feed(Acted(night.now_ns, Act.CLOSE, "rui", "smell of gas")).wait(1)
    shown = why(night)
    assert "A person holds it shut" in shown
    assert "service: ana: cleaning" in shown.split("now ")[0]
    assert "service: rui: smell of gas" in shown.split("now ")[1]
    night.wait(1, 6.5)
    assert "floor: pH" not in why(night).split("now ")[1]


def test_an_open_chamber_shows_its_alarm_and_its_trial() -> None:
    """Open gas names the end of its trial, and an alarm that stands beside it."""
    night = answers(flowing(), Gas.OPEN).wait(1)
    assert "trial opening, ends by 12:2" in why(night)
    assert "unless pH answers. Nothing stands against it." in why(night)
    assert "west: trial opening, ends by 12:2" in status(night)
    shown = why(night, alarm("feedback_silent", "west: the valve has never reported"))
    assert "an alarm stands" in shown
    assert "west: the valve has never reported" in shown


def test_a_drift_is_shown_in_its_steps() -> None:
    """What is seen, what is likely and how to tell stand below each other, and gas is open beside it."""
    night = answers(flowing(), Gas.OPEN).wait(1)
    text = "west: probe 2 reads 0.02 higher. Likely: one of the two drifts. To tell: hold both in one buffer"
    lines = why(night, alarm("probe_drift", text)).splitlines()
    assert lines[1].endswith(": west: probe 2 reads 0.02 higher.")
    assert lines[2:4] == [f"{'':9}Likely: one of the two drifts.", f"{'':9}To tell: hold both in one buffer"]


def test_a_silent_feedback_is_about_the_valve() -> None:
    """A valve that never reports is not told as a fault of the probe."""
    night = Night(valve=flowing().limits.valve.__class__(5.0, 2.0, True)).wait(200)
    assert night.chamber.decision.test == "feedback_silent"
    shown = status(night)
    assert "the valve's own report is missing or not understood" in shown
    assert "probe maintenance" not in shown
    raised = [effect for _, effect in night.effects if getattr(effect, "reason", None) == "feedback_silent"]
    assert "the valve has never reported" in str(raised[0])


def test_times_are_the_sites() -> None:
    """People read the site's time and its name once; programs read UTC."""
    night = answers(answers(flowing(), Gas.OPEN).wait(1, 6.5), Gas.CLOSED)
    assert "since (Asia/Tokyo)" in status(night, name="Asia/Tokyo")
    assert "first    21:" in why(night, name="Asia/Tokyo")
    assert "first    12:" in why(night)
    assert str(seen(night)["taken_since"]).endswith("Z")
    assert times("No/Such", ZERO).name == "UTC"


def test_told_says_that_nobody_was_told() -> None:
    """The page does not let anybody believe that a message went out."""
    night = answers(answers(flowing(), Gas.OPEN).wait(1, 6.5), Gas.CLOSED)
    assert "told     nobody" in why(night)
    assert "reminded at 12:16:40" in why(night, alarm("service", "west: gas is still held shut"))


def test_a_verdict_is_told_with_the_time_it_took_and_the_days_counts() -> None:
    """`why` says after how long pH rose or fell on, and what to shut; `status` counts the day's closings."""
    taken = ValveSaid(0, 0, link=True, acked=Gas.CLOSED)
    night = flowing().wait(60, 6.8).reads(6.59).feed(taken).wait(60, 6.59).wait(55, 6.75)
    assert ", after 6" in why(night) and "proved: pH rising at 12:" in why(night), why(night)
    assert "west: closings in 24 h: 1 proved." in status(night)
    night.wait(60, 6.9)
    assert night.gas is Gas.OPEN
    night.reads(6.59).feed(taken).wait(400, 6.59, slope_per_s=-0.0005)
    shown = " ".join(why(night).split())
    assert "NOT proved: pH still falling" in shown and "shut the hand valve at the cylinder" in shown
    assert "west: closings in 24 h: 1 proved, 1 NOT PROVED." in status(night)
    assert seen(night)["verdicts_24h"] == {"proved": 1, "not_proved": 1, "could_not_tell": 0}
